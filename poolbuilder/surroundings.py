"""The surroundings of a water, from records: where each stands to it, and what its region teaches.

A region is learnt once for a cell of a fixed grid, so that a pool of one water and a run over many waters
learn from the same records and give the same numbers.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import io
import json
import math
import shutil
import zipfile
from collections.abc import Callable, Iterator, MutableMapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

import poolbuilder
from poolbuilder import tables
from poolbuilder.errors import PoolBuilderError
from poolbuilder.files import private_folder, write_whole
from poolbuilder.model.constants import Constants
from poolbuilder.model.detour import PLACED_M, SCALE_KM, effective_km
from poolbuilder.model.fish_community import Community
from poolbuilder.model.logistic import pair_km
from poolbuilder.model.looking import Events, Looking, look, type_of_water, waters_named
from poolbuilder.model.presence import LIKELY_HERE, Region, WaterSeen, chance_here, learn, statements_of
from poolbuilder.model.share import starting_share
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.meanings import name_shares
from poolbuilder.places.geodesy import distance_km, to_ecef
from poolbuilder.places.sites import Site
from poolbuilder.places.uncertainty import share_inside, sigma_km
from poolbuilder.schemas import LOCATED, check
from poolbuilder.settings import Settings
from poolbuilder.status.polygons import RangeMap, status_at
from poolbuilder.water import Water

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

Cell = tuple[int, int]
"""Row from the south and column from the west of a region's cell."""
Regions = MutableMapping[Cell, Region]
"""Regions that have been learnt, by cell; valid for one set of records, species and settings."""

KEPT = 1
"""Version of the files that regions are kept in."""
MOST_BYTES = 2**32
MOST_KEPT = 8
"""Lists and settings that regions of one store are kept for."""
_PARTS: dict[str, Any] = {"looking": Looking, "events": Events, "community": Community}

CELL_DEGREES = 1.0
SHRINK = 0.75
LEAST_REACH_KM = 110.0
"""A region reaches at least so far: the cell's own waters then see 40 km and more around them."""
WAYS_KM = 80.0
"""Ways along the water are looked for to sites so near; straight distance does beyond."""


def cell_of(site: Site) -> Cell:
    """The cell that a site lies in: 1 degree of latitude, and about as wide."""
    row = min(math.floor((site.latitude + 90) / CELL_DEGREES), int(180 / CELL_DEGREES) - 1)
    width = _width(row)
    return row, math.floor((site.longitude + 180) / width) % round(360 / width)


def _width(row: int) -> float:
    middle = math.radians((row + 0.5) * CELL_DEGREES - 90)
    count = max(1, round(360 * math.cos(middle) / CELL_DEGREES))
    return 360 / count


def centre_of(cell: Cell) -> tuple[float, float]:
    """Longitude and latitude of a cell's middle."""
    row, column = cell
    return -180 + (column + 0.5) * _width(row), (row + 0.5) * CELL_DEGREES - 90


def region_reach(cell: Cell, count: Callable[[float, float, float], int], *, settings: Settings) -> float:
    """How far from its middle a region's records are taken, in km.

    ``regionKm``, or less where so many records are near that ``regionMaxRecords`` is passed.

    Parameters
    ----------
    count : callable
        Takes longitude, latitude and km; gives the number of records there, or a bound.
    """
    longitude, latitude = centre_of(cell)
    reach = settings.region_km
    while reach > LEAST_REACH_KM and count(longitude, latitude, reach) > settings.region_max_records:
        reach = max(SHRINK * reach, LEAST_REACH_KM)
    return reach


def learn_region(
    screened: pa.Table,
    cell: Cell,
    checklist: Checklist,
    *,
    ranges: RangeMap | None = None,
    settings: Settings,
    constants: Constants,
) -> Region:
    """Learn the region of a cell from screened records, which may reach beyond it."""
    longitude, latitude = centre_of(cell)
    east, north = tables.numbers(screened["longitude"]), tables.numbers(screened["latitude"])
    placed = np.flatnonzero(~np.isnan(east) & ~np.isnan(north))
    away = distance_km(east[placed], north[placed], from_longitude=longitude, from_latitude=latitude)

    def count(_longitude: float, _latitude: float, km: float) -> int:
        return int((away <= km).sum())

    reach = region_reach(cell, count, settings=settings)
    near = tables.take(screened, placed[away <= reach])
    looking = look(
        near,
        meanings_of(near, checklist),
        species=tuple(checklist.species),
        middle=(longitude, latitude),
        constants=constants,
        settings=settings,
    )
    middle = Site(longitude=longitude, latitude=latitude)
    prior = prior_of(status_at(ranges, middle, checklist.species), {}, settings=settings)
    return learn(looking, prior, constants=constants, settings=settings)


def meanings_of(screened: pa.Table, checklist: Checklist) -> Any:
    """Which candidates each record of a candidate means, and with what share: NameShares of its rows."""
    role = tables.strings(screened["role"])
    names = [
        each if one == "candidate" else []
        for one, each in zip(role, screened["acceptedNames"].to_pylist(), strict=True)
    ]
    code = {name: i for i, name in enumerate(checklist.species)}
    alone = np.bincount(
        [code[each[0]] for each in names if len(each) == 1 and each[0] in code], minlength=len(code)
    )
    return name_shares(
        names,
        tables.numbers(screened["longitude"]),
        tables.numbers(screened["latitude"]),
        tables.integers(screened["eventYear"]).astype(float),
        checklist=checklist,
        around=alone.astype(float),
    )


def prior_of(status: pa.Table, means: dict[str, str], *, settings: Settings) -> Floats:
    """Starting share of each species by its range class, else by who says native or introduced, (s,)."""
    return np.array(
        [
            starting_share(
                row["rangeClass"], row["rangeKm"], means.get(row["scientificName"]), settings=settings
            )
            for row in status.to_pylist()
        ]
    )


def see_water(
    region: Region,
    site: Site,
    *,
    status: pa.Table,
    means: dict[str, str],
    water: Water | None,
    statements: Sequence[tuple[str, bool, float]],
    now: float,
    settings: Settings,
) -> WaterSeen:
    """One water as the model sees it.

    Parameters
    ----------
    means : dict
        Species to establishmentMeans, where anybody says.
    statements : sequence of (species, present, year)
    """
    looking = region.looking
    inside = None
    outline = None if water is None else water.outline
    if water is not None and outline is not None and len(looking.events):
        inside = np.zeros(len(looking.events))
        point = to_ecef(np.array([site.longitude]), np.array([site.latitude]))
        away = pair_km(point, to_ecef(looking.events.longitude, looking.events.latitude))[0]
        near = np.flatnonzero(
            away <= 5 + _extent_km(outline.geometry, site) + looking.events.uncertainty_m / 500
        )
        placed = water.place(
            looking.events.longitude[near], looking.events.latitude[near], looking.events.uncertainty_m[near]
        )
        inside[near] = np.nan_to_num(placed.in_water_share)
    kind = type_of_water(site.water_type)
    if not kind and outline is not None:
        kind = type_of_water(f"{outline.name or ''} lake")
    name = site.name or ("" if outline is None else outline.name or "")
    return WaterSeen(
        longitude=site.longitude,
        latitude=site.latitude,
        prior=prior_of(status, means, settings=settings),
        kind=kind,
        here=chance_here(
            looking.events.longitude,
            looking.events.latitude,
            looking.events.uncertainty_m,
            looking.events.water,
            site.longitude,
            site.latitude,
            name,
            inside,
            settings=settings,
        ),
        statements=statements_of(looking.species, statements),
        now=now,
        away_km=away_km(region, site, water, settings=settings),
    )


def _extent_km(geometry: Any, site: Site) -> float:
    """Distance from the site to the farthest corner of a geometry's box."""
    west, south, east, north = geometry.bounds
    away = distance_km(
        np.array([west, west, east, east]),
        np.array([south, north, south, north]),
        from_longitude=site.longitude,
        from_latitude=site.latitude,
    )
    return float(away.max())


def away_km(region: Region, site: Site, water: Water | None, *, settings: Settings) -> Floats | None:
    """How far the sites of a region are: by water, or carried over land where that is nearer, (n,).

    None where neither streams nor watersheds are known.
    """
    looking = region.looking
    if water is None or (water.streams is None and water.basins is None) or not len(looking):
        return None
    point = to_ecef(np.array([site.longitude]), np.array([site.latitude]))
    away: Floats = pair_km(point, looking.points)[0]
    near = np.flatnonzero(away <= WAYS_KM)
    _, first = np.unique(looking.events.site, return_index=True)
    placed = water.place(
        looking.events.longitude[first[near]],
        looking.events.latitude[first[near]],
        np.full(len(near), PLACED_M),
    )
    away[near] = effective_km(
        np.where(np.isnan(placed.shore_km), away[near], placed.shore_km),
        placed.by_water_km,
        placed.passability,
        placed.divided,
        settings=settings,
    )
    return away


def genus_finds(
    screened: pa.Table, site: Site, water: Water | None, checklist: Checklist, *, settings: Settings
) -> list[tuple[str, float, int]]:
    """Genera that records of the water name without a species; their latest year (NaN undated) and number.

    Records of an event that names a species of the list too say nothing more.
    """
    role = np.array(tables.strings(screened["role"]), dtype=object)
    open_ = np.flatnonzero(role == "genus")
    if not len(open_):
        return []
    sure = np.isin(role, ["candidate", "hybrid"]) & ~tables.valid(screened["rejectedBy"])
    named = set(_events_of(tables.take(screened, np.flatnonzero(sure))))
    records = tables.take(screened, open_)
    longitude, latitude, uncertainty = (
        tables.numbers(records[name]) for name in ("longitude", "latitude", "uncertaintyM")
    )
    inside = None
    if water is not None and water.outline is not None:
        inside = water.place(longitude, latitude, uncertainty).in_water_share
    here = chance_here(
        longitude,
        latitude,
        uncertainty,
        waters_named(records),
        site.longitude,
        site.latitude,
        site.name,
        inside,
        settings=settings,
    )
    found: dict[str, list[float]] = {}
    years = np.where(tables.integers(records["eventYear"]) > 0, tables.integers(records["eventYear"]), np.nan)
    for k, (event, name) in enumerate(
        zip(_events_of(records), tables.strings(records["scientificName"]), strict=True)
    ):
        genus = (name or "").split(" ")[0]
        if here[k] >= LIKELY_HERE and event not in named and genus in checklist.genera:
            found.setdefault(genus, []).append(float(years[k]))
    return [(genus, float(np.fmax.reduce(each)), len(each)) for genus, each in found.items()]


def _events_of(records: pa.Table) -> list[tuple[Any, ...]]:
    """What tells the events of records apart: their identifier, else day and place."""
    columns = ("eventID", "eventDate", "longitude", "latitude")
    return [
        (event,) if event else (day, x, y)
        for event, day, x, y in zip(*(records[name].to_pylist() for name in columns), strict=True)
    ]


# Records relative to the site.

SPREAD = 2.0
"""A record is looked at out to the reach plus this many times its uncertainty: at the
default quantile that is nearly five standard deviations, beyond which nothing is left."""


def reach_of(site: Site, *, settings: Settings) -> float:
    """How far from the site records are weighed, in km, before their uncertainty is added."""
    return max(site.radius_km, settings.reach_km)


def within_reach(
    screened: pa.Table, site: Site, *, roles: frozenset[str], reach_km: float
) -> tuple[pa.Table, Floats]:
    """The kept records of the given roles whose location may lie within reach.

    Returns
    -------
    Table, (n,) array
        Rows of *screened* in their order, and their geodesic distance in km.
    """
    kept = ~tables.valid(screened["rejectedBy"])
    code, names = tables.codes(screened["role"])
    wanted = np.array([name in roles for name in names] + [False], dtype=bool)
    rows = np.flatnonzero(kept & wanted[code])
    near = tables.take(screened.select(["longitude", "latitude", "uncertaintyM"]), rows)
    distance = distance_km(
        tables.numbers(near["longitude"]),
        tables.numbers(near["latitude"]),
        from_longitude=site.longitude,
        from_latitude=site.latitude,
    )
    inside = distance <= reach_km + SPREAD * tables.numbers(near["uncertaintyM"]) / 1000
    return tables.take(screened, rows[inside]), distance[inside]


@dataclass(frozen=True, kw_only=True)
class Located:
    """Records with their place relative to the site.

    Attributes
    ----------
    records : Table, schema LOCATED
    notes : tuple of str
        How many records were placed on the water's layers, and how.
    snapped : list of dict
        GeoJSON points on the stream network that records were put on; empty without one.
    """

    records: pa.Table
    notes: tuple[str, ...] = ()
    snapped: Sequence[dict[str, Any]] = ()


def _kernel(away_km: Floats, uncertainty_m: Floats) -> Floats:
    """exp(-d / 20 km), the uncertainty added to the distance."""
    out: Floats = np.exp(-np.hypot(away_km, np.nan_to_num(uncertainty_m) / 1000) / SCALE_KM)
    return out


def locate(
    screened: pa.Table, site: Site, *, water: Water | None, settings: Settings, drawn: bool = True
) -> Located:
    """Place the kept records of checklist species and hybrids relative to the site.

    Parameters
    ----------
    screened : Table, schema SCREENED
    water : Water or None
        Outline, basins and streams, where they are known.
    drawn : bool
        Whether the points on the stream network are wanted, which take their time.

    Returns
    -------
    Located
        Its records are rows of *screened* in their order: those that may lie within the radius
        or within ``reachKm``, whichever is larger.
    """
    roles = frozenset({"candidate", "hybrid"})
    near, straight = within_reach(screened, site, roles=roles, reach_km=reach_of(site, settings=settings))
    uncertainty = tables.numbers(near["uncertaintyM"])
    sigma = sigma_km(uncertainty, quantile=settings.uncertainty_quantile)
    inside = share_inside(straight, sigma, site.radius_km)
    count = near.num_rows
    place: dict[str, Any] = dict.fromkeys(
        ["inWaterShare", "byWaterKm", "upstreamKm", "downstreamKm", "passability"], np.full(count, np.nan)
    )
    place["basinRelation"] = [None] * count
    reported = straight
    notes: tuple[str, ...] = ()
    snapped: list[dict[str, Any]] = []
    if water is None:
        kernel = _kernel(straight, uncertainty)
    else:
        placed = water.place(tables.numbers(near["longitude"]), tables.numbers(near["latitude"]), uncertainty)
        reported = np.where(np.isnan(placed.shore_km), straight, placed.shore_km)
        away = effective_km(
            reported, placed.by_water_km, placed.passability, placed.divided, settings=settings
        )
        kernel = _kernel(away, uncertainty)
        notes, snapped = placed.notes, placed.features() if drawn else []
        place = {
            "inWaterShare": placed.in_water_share,
            "byWaterKm": placed.by_water_km,
            "upstreamKm": placed.upstream_km,
            "downstreamKm": placed.downstream_km,
            "passability": placed.passability,
            "basinRelation": placed.basin_relation,
        }
    values = {
        "distanceKm": reported,
        "insideShare": inside,
        "kernel": kernel,
        **place,
    }
    for field in LOCATED:
        if field.name in values:
            near = near.append_column(field, tables.array(values[field.name], field.type))
    table = check(near.select(LOCATED.names), LOCATED, "located")
    return Located(records=table, notes=notes, snapped=snapped)


class KeptRegions(MutableMapping[Cell, Region]):
    """Regions of a store that were learnt before, in files beside it.

    They hold for one state of the store, list of species, ranges, settings, constants and version, all of
    which name their folder; regions of an earlier state are dropped.  A file that cannot be read whole counts
    as not there.  Where nothing can be written they are kept in memory alone.

    Parameters
    ----------
    folder : Path
        Of the store.
    state : str
        What the store holds.
    made_with : sequence of str
        Everything else that regions depend on.
    """

    def __init__(self, folder: Path, state: str, made_with: Sequence[str]) -> None:
        self._known: dict[Cell, Region] = {}
        self._all = folder / "regions"
        with_ = json.dumps([KEPT, poolbuilder.__version__, *made_with])
        self._state = state[:16]
        self._folder = self._all / f"{self._state}-{hashlib.sha256(with_.encode()).hexdigest()[:16]}"

    def _file(self, cell: Cell) -> Path:
        return self._folder / f"{cell[0]}_{cell[1]}.region"

    def __getitem__(self, cell: Cell) -> Region:
        if cell not in self._known:
            try:
                self._known[cell] = _unpacked(self._file(cell).read_bytes())
            except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
                raise KeyError(cell) from None
        return self._known[cell]

    def __setitem__(self, cell: Cell, region: Region) -> None:
        self._known[cell] = region
        with contextlib.suppress(OSError, PoolBuilderError):
            if not self._folder.exists():
                self._drop_old()
                private_folder(self._folder)
            write_whole(self._file(cell), _packed(region))

    def _drop_old(self) -> None:
        kept = sorted(self._all.glob("*-*"), key=lambda path: path.stat().st_mtime)
        stale = [path for path in kept if not path.name.startswith(self._state)]
        for path in stale + [path for path in kept if path not in stale][: -(MOST_KEPT - 1)]:
            shutil.rmtree(path, ignore_errors=True)

    def __delitem__(self, cell: Cell) -> None:
        self._known.pop(cell, None)
        self._file(cell).unlink(missing_ok=True)

    def __iter__(self) -> Iterator[Cell]:
        return iter(self._known)

    def __len__(self) -> int:
        return len(self._known)


def _packed(region: Region) -> bytes:
    """A region as an npz file, packed: its arrays, and the rest as JSON."""
    arrays: dict[str, Any] = {}
    plain: dict[str, Any] = {}

    def put(part: Any, before: str) -> None:
        for field in dataclasses.fields(part):
            value, name = getattr(part, field.name), before + field.name
            if dataclasses.is_dataclass(value):
                put(value, name + ".")
            elif isinstance(value, np.ndarray) and value.dtype != object:
                arrays[name] = value
            elif isinstance(value, np.ndarray):
                plain[name] = {"texts": value.tolist()}
            else:
                plain[name] = value

    put(region, "")
    arrays["plain"] = np.frombuffer(json.dumps(plain).encode(), dtype=np.uint8)
    sink = io.BytesIO()
    np.savez(sink, **arrays)
    packed: bytes = pa.Codec("zstd").compress(sink.getvalue(), asbytes=True)
    return len(sink.getvalue()).to_bytes(8) + packed


def _unpacked(content: bytes) -> Region:
    size = int.from_bytes(content[:8])
    whole = pa.Codec("zstd").decompress(content[8:], min(size, MOST_BYTES), asbytes=True)
    with np.load(io.BytesIO(whole), allow_pickle=False) as packed:
        arrays = {name: packed[name] for name in packed.files}
    plain = json.loads(arrays.pop("plain").tobytes())

    def get(kind: Any, before: str) -> Any:
        values = {}
        for field in dataclasses.fields(kind):
            name = before + field.name
            value = arrays[name] if name in arrays else plain.get(name, _PARTS)
            if value is _PARTS:
                value = get(_PARTS[field.name], name + ".")
            elif isinstance(value, dict):
                value = np.array([*value["texts"], None], dtype=object)[:-1]
            values[field.name] = tuple(value) if isinstance(value, list) else value
        return kind(**values)

    region: Region = get(Region, "")
    return region
