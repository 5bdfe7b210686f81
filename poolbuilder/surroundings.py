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
from collections.abc import Callable, Collection, Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass
from functools import cached_property
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
from poolbuilder.model.looking import (
    EVENT_COLUMNS,
    EventKeys,
    Events,
    Finds,
    Looking,
    Texts,
    events_of,
    look,
    type_of_water,
    waters_named,
)
from poolbuilder.model.presence import LIKELY_HERE, Region, WaterSeen, chance_here, learn, statements_of
from poolbuilder.model.share import Smoothing, starting_share
from poolbuilder.names.checklist import ALIKE, Checklist, NameShares, name_shares
from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS, read_term
from poolbuilder.places.geodesy import distance_km, distance_within_km, to_ecef
from poolbuilder.places.sites import Site
from poolbuilder.places.uncertainty import share_inside, sigma_km
from poolbuilder.schemas import LOCATED
from poolbuilder.settings import Settings
from poolbuilder.status.polygons import RangeMap, status_at
from poolbuilder.water import Placement, Water

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

Cell = tuple[int, int]
"""Row from the south and column from the west of a region's cell."""
Regions = MutableMapping[Cell, Region]
"""Regions that have been learnt, by cell; valid for one set of records, species and settings."""

KEPT = 4
"""Version of the files that regions are kept in."""
MOST_BYTES = 2**32
MOST_KEPT = 8
"""Lists and settings that regions of one store are kept for."""
_PARTS: dict[str, Any] = {
    "looking": Looking, "events": Events, "smoothing": Smoothing, "community": Community, "found": Finds,
    "hybrid": Finds, "water": Texts, "key": EventKeys, "identifier": Texts, "dataset": Texts, "day": Texts,
    "collector": Texts,
}  # fmt: skip

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


def meanings_of(screened: pa.Table, checklist: Checklist) -> NameShares:
    """Which candidates each record of a candidate means, and with what share: NameShares of its rows."""
    return _Meant.of(screened, checklist).shares(np.arange(screened.num_rows))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Meant:
    """The candidates that records name.

    Attributes
    ----------
    own : (n,) int array
        That of a single name; -1 for none.
    several : NameShares
        Of records with several, by place and date alone.
    species : int
        How many candidates there are.
    """

    own: Ints
    several: NameShares
    species: int

    @classmethod
    def of(cls, screened: pa.Table, checklist: Checklist) -> _Meant:
        start, size, flat, distinct = tables.listed(screened["acceptedNames"])
        role, roles = tables.codes(screened["role"])
        candidate = np.array([*(name == "candidate" for name in roles), False])[role]
        code = {name: i for i, name in enumerate(checklist.species)}
        position = np.array([*(code.get(str(name), -1) for name in distinct), -1], dtype=np.int64)
        own = np.full(len(size), -1, dtype=np.int64)
        alone = np.flatnonzero(candidate & (size == 1))
        own[alone] = position[flat[start[alone]]]
        rows = np.flatnonzero(candidate & (size > 1))
        longitude, latitude = (tables.numbers(screened[name])[rows] for name in ("longitude", "latitude"))
        open_ = name_shares(
            [[str(distinct[k]) for k in flat[start[row] : start[row] + size[row]]] for row in rows.tolist()],
            longitude,
            latitude,
            tables.integers(screened["eventYear"])[rows].astype(float),
            checklist=checklist,
        )
        several = NameShares(row=rows[open_.row], species=open_.species, share=open_.share)
        return cls(own=own, several=several, species=len(code))

    def shares(self, rows: Ints) -> NameShares:
        """With what share some records mean each candidate; those among them of one name decide.

        *rows* are sorted; the result counts from the first of them.
        """
        own = self.own[rows]
        alone = np.flatnonzero(own >= 0)
        at = np.minimum(np.searchsorted(rows, self.several.row), max(len(rows) - 1, 0))
        mine = np.flatnonzero(rows[at] == self.several.row) if len(rows) else at[:0]
        at, species = at[mine], self.several.species[mine]
        weight = self.several.share[mine] * (np.bincount(own[alone], minlength=self.species) + ALIKE)[species]
        row = np.concatenate([alone, at])
        order = np.argsort(row, kind="stable")
        share = np.concatenate([np.ones(len(alone)), weight / np.bincount(at, weight)[at]])
        return NameShares(
            row=row[order], species=np.concatenate([own[alone], species])[order], share=share[order]
        )


def prior_of(status: Sequence[Mapping[str, Any]], means: dict[str, str], *, settings: Settings) -> Floats:
    """Starting share of each species by its range class, else by who says native or introduced, (s,)."""
    return np.array(
        [
            starting_share(
                row["rangeClass"], row["rangeKm"], means.get(row["scientificName"]), settings=settings
            )
            for row in status
        ]
    )


def see_water(
    region: Region,
    site: Site,
    *,
    status: Sequence[Mapping[str, Any]],
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
        away = pair_km(point, looking.events.points)[0]
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
            looking.events.points,
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


# Records relative to the site.

SPREAD = 2.0
"""A record is looked at out to the reach plus this many times its uncertainty: at the
default quantile that is nearly five standard deviations, beyond which nothing is left."""


def reach_of(site: Site, *, settings: Settings) -> float:
    """How far from the site records are weighed, in km, before their uncertainty is added."""
    return max(site.radius_km, settings.reach_km)


@dataclass(frozen=True, kw_only=True, eq=False)
class DistinctPlaces:
    """Distinct places of records, and distinct pairs of place and uncertainty, which many records share.

    Attributes
    ----------
    longitude, latitude : (q,) array
        Of the places.
    place, uncertainty_m : (p,) array
        Of the pairs.
    spot : (k,) int array
        The pair of each record.
    """

    longitude: Floats
    latitude: Floats
    place: Ints
    uncertainty_m: Floats
    spot: Ints

    @cached_property
    def points(self) -> Floats:
        """ECEF metres of the places, (q, 3)."""
        return to_ecef(self.longitude, self.latitude)


class Screened:
    """Screened records, and what is worked out of them once for all the waters that read them.

    Arrays have one element for each record that may be located: placed, kept, of a candidate or a hybrid.

    Parameters
    ----------
    table : Table, schema SCREENED
    checklist : Checklist
    settings : Settings

    Attributes
    ----------
    kept : (n,) bool array
        Which rows of the table no rule rejects.
    target : (k,) int array
        Rows of the table that may be located.
    about : dict
        What those who look further found in single records, by their place in the arrays.
    """

    def __init__(self, table: pa.Table, checklist: Checklist, settings: Settings) -> None:
        self.table, self.checklist, self._settings = table, checklist, settings
        self.kept = ~tables.valid(table["rejectedBy"])
        self._role = Texts.of(table["role"])
        placed = tables.valid(table["longitude"]) & tables.valid(table["latitude"])
        self.target = np.flatnonzero(
            self.kept & placed & self._role.are(("candidate", "hybrid").__contains__)
        )
        numbers = ("longitude", "latitude", "uncertaintyM", "quality")
        self.longitude, self.latitude, self.uncertainty_m, self.quality = (
            tables.numbers(table[name])[self.target] for name in numbers
        )
        self.year = tables.integers(table["eventYear"])[self.target]
        self.about: dict[int, dict[str, Any]] = {}
        self._coded: dict[str, tuple[Ints, list[str | None]]] = {}
        self.hybrid = self._role.take(self.target).are("hybrid".__eq__)

    def _columns(self, *names: str) -> pa.Table:
        """Columns of those that may be located."""
        return tables.take(self.table.select(names), self.target)

    @cached_property
    def meant(self) -> _Meant:
        """The candidates that they name."""
        return _Meant.of(
            self._columns("acceptedNames", "role", "longitude", "latitude", "eventYear"), self.checklist
        )

    @cached_property
    def parents(self) -> dict[int, list[str]]:
        """The names of each hybrid."""
        rows = np.flatnonzero(self.hybrid)
        named = tables.take(self.table.select(["acceptedNames"]), self.target[rows])
        return dict(zip(rows.tolist(), named["acceptedNames"].to_pylist(), strict=True))

    @cached_property
    def points(self) -> Floats:
        """ECEF metres, (k, 3)."""
        return to_ecef(self.longitude, self.latitude)

    @cached_property
    def _events(self) -> tuple[Ints, EventKeys]:
        return events_of(self._columns(*EVENT_COLUMNS), settings=self._settings)

    @property
    def event(self) -> Ints:
        """Code of the event of each."""
        return self._events[0]

    def called(self, rows: Ints) -> list[str]:
        """What the events of some of them are called in EVIDENCE."""
        return self._events[1].take(rows).texts()

    @cached_property
    def rank(self) -> Ints:
        """Place of each by its key; those of one key have one place."""
        return tables.text_rank(self._columns("recordKey")["recordKey"])

    @cached_property
    def place(self) -> Ints:
        """Place of each by its event, then its key."""
        place = np.empty(len(self.rank), dtype=np.int64)
        place[np.lexsort((self.rank, self.event))] = np.arange(len(self.rank))
        return place

    @cached_property
    def water(self) -> Texts:
        """The water that each names."""
        return waters_named(self._columns("waterBody", "locality"))

    def coded(self, column: str) -> tuple[Ints, list[str | None]]:
        """A text column of SCREENED as codes, -1 for nothing, and the texts."""
        if column not in self._coded:
            code, texts = tables.codes(self.table[column])
            self._coded[column] = code[self.target], texts
        return self._coded[column]

    @cached_property
    def date(self) -> tuple[Ints, list[str]]:
        """Day of each as a rank, and the days; of some only the year is known, of others nothing (``""``)."""
        code, days = self.coded("eventDay")
        years, year = np.unique(np.maximum(self.year, 0), return_inverse=True)
        texts = np.array([*days, *("" if one <= 0 else str(one) for one in years.tolist())], dtype=str)
        distinct, place = np.unique(texts, return_inverse=True)
        rank = place[np.where(code >= 0, code, len(days) + year)]
        return rank, distinct.tolist()

    @cached_property
    def term(self) -> tuple[Ints, list[str | None]]:
        """Code of establishmentMeans of each, and the terms."""
        code, texts = self.coded("establishmentMeans")
        return code, [read_term(text, ESTABLISHMENT_MEANS) for text in texts]

    @cached_property
    def spots(self) -> DistinctPlaces:
        """The distinct places and uncertainties."""
        at, unsure = tables.ranked(_codes(self.longitude), _codes(self.latitude)), _codes(self.uncertainty_m)
        _, place = np.unique(at, return_index=True)
        _, first, spot = np.unique(tables.ranked(at, unsure), return_index=True, return_inverse=True)
        return DistinctPlaces(
            longitude=self.longitude[place],
            latitude=self.latitude[place],
            place=at[first],
            uncertainty_m=self.uncertainty_m[first],
            spot=spot,
        )

    def files(self, rows: Ints) -> list[str | None]:
        """The files that some rows of the table come from."""
        code, names = self._file
        return [names[k] for k in np.unique(code[rows]).tolist() if k >= 0]

    @cached_property
    def _file(self) -> tuple[Ints, list[str | None]]:
        return tables.codes(self.table["sourceFile"])

    @cached_property
    def _genus(self) -> tuple[pa.Table, Ints, Floats, Floats, Texts]:
        """Records that name a genus: what is read of them, their rows, places and waters."""
        rows = np.flatnonzero(self._role.are("genus".__eq__))
        columns = [*_EVENT, "uncertaintyM", "waterBody", "locality", "eventYear", "scientificName"]
        table = tables.take(self.table.select(columns), rows)
        points = to_ecef(tables.numbers(table["longitude"]), tables.numbers(table["latitude"]))
        return table, rows, points, tables.numbers(table["uncertaintyM"]), waters_named(table)

    def genus_finds(self, rows: Ints, site: Site, water: Water | None) -> list[tuple[str, float, int]]:
        """Genera that records of the water name without a species; latest year (NaN undated) and number.

        Records of an event that names a species of the list too say nothing more.
        """
        table, of, points, uncertainty, named_water = self._genus
        if not len(of):
            return []
        read = np.zeros(self.table.num_rows, dtype=bool)
        read[rows] = True
        mine = np.flatnonzero(read[of])
        inside = None
        if water is not None and water.outline is not None:
            east, north = (tables.numbers(table[name])[mine] for name in ("longitude", "latitude"))
            inside = water.place(east, north, uncertainty[mine]).in_water_share
        here = chance_here(
            points[mine],
            uncertainty[mine],
            named_water.take(mine),
            site.longitude,
            site.latitude,
            site.name,
            inside,
            settings=self._settings,
        )
        if not len(likely := mine[here >= LIKELY_HERE]):
            return []
        kept = rows[self.kept[rows]]
        sure = kept[self._role.take(kept).are(("candidate", "hybrid").__contains__)]
        named = set(_events_of(tables.take(self.table.select(_EVENT), sure)))
        records = tables.take(table, likely)
        years = tables.integers(records["eventYear"])
        found: dict[str, list[float]] = {}
        for event, name, year in zip(
            _events_of(records), tables.strings(records["scientificName"]), years.tolist(), strict=True
        ):
            genus = (name or "").split(" ")[0]
            if event not in named and genus in self.checklist.genera:
                found.setdefault(genus, []).append(float(year) if year > 0 else np.nan)
        return [(genus, float(np.fmax.reduce(each)), len(each)) for genus, each in found.items()]


def _codes(values: Floats) -> Ints:
    """Code of each distinct number, in their order."""
    return np.unique(values, return_inverse=True)[1]


_EVENT = ["eventID", "eventDate", "longitude", "latitude"]


def _events_of(records: pa.Table) -> list[tuple[Any, ...]]:
    """What tells the events of records apart: their identifier, else day and place."""
    return [
        (event,) if event else (day, x, y)
        for event, day, x, y in zip(*(records[name].to_pylist() for name in _EVENT), strict=True)
    ]


@dataclass(frozen=True, kw_only=True, eq=False)
class Located:
    """Kept records of candidates and hybrids with their place relative to a site, in the order of their keys.

    Attributes
    ----------
    screened : Screened
    rows : (n,) int array
        Which of the records that may be located these are: those that may lie within the radius or within
        ``reachKm``, whichever is larger.
    distance_km, inside_share, kernel : (n,) array
    placed : Placement or None
        Their place by the outline, basins and streams, where these are known.
    """

    screened: Screened
    rows: Ints
    distance_km: Floats
    inside_share: Floats
    kernel: Floats
    placed: Placement | None = None

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def by_water_km(self) -> Floats:
        """Distance along the stream network."""
        return np.full(len(self), np.nan) if self.placed is None else self.placed.by_water_km

    @property
    def relation(self) -> list[str | None]:
        """Watershed relative to that of the site."""
        return [None] * len(self) if self.placed is None else self.placed.basin_relation

    @property
    def hybrid(self) -> Bools:
        """Which are hybrids."""
        out: Bools = self.screened.hybrid[self.rows]
        return out

    @cached_property
    def shares(self) -> NameShares:
        """Which candidates each means."""
        return self.screened.meant.shares(self.rows)

    def here(self, site: Site) -> Floats:
        """Chance that each was made in the water, as events have it."""
        of = self.screened
        return chance_here(
            of.points[self.rows],
            of.uncertainty_m[self.rows],
            of.water.take(self.rows),
            site.longitude,
            site.latitude,
            site.name or "",
            None if self.placed is None else self.placed.in_water_share,
            settings=of._settings,
        )

    def table(self, columns: Sequence[str]) -> pa.Table:
        """The records themselves: some of the columns of LOCATED."""
        placed, nothing = self.placed, np.full(len(self), np.nan)
        values: dict[str, Any] = {
            "distanceKm": self.distance_km,
            "insideShare": self.inside_share,
            "kernel": self.kernel,
            "inWaterShare": nothing if placed is None else placed.in_water_share,
            "byWaterKm": self.by_water_km,
            "upstreamKm": nothing if placed is None else placed.upstream_km,
            "downstreamKm": nothing if placed is None else placed.downstream_km,
            "passability": nothing if placed is None else placed.passability,
            "basinRelation": self.relation,
        }
        given = [name for name in columns if name not in values]
        near = tables.take(self.screened.table.select(given), self.screened.target[self.rows])
        made = [
            tables.array(values[name], LOCATED.field(name).type) if name in values else near[name]
            for name in columns
        ]
        return tables.of_columns(pa.schema([LOCATED.field(name) for name in columns]), made)


def _kernel(away_km: Floats, uncertainty_m: Floats) -> Floats:
    """exp(-d / 20 km), the uncertainty added to the distance."""
    out: Floats = np.exp(-np.hypot(away_km, np.nan_to_num(uncertainty_m) / 1000) / SCALE_KM)
    return out


def locate(screened: Screened, rows: Ints, site: Site, *, water: Water | None, settings: Settings) -> Located:
    """Place records relative to the site.

    Parameters
    ----------
    rows : (n,) int array
        Of the screened table: those that were read for the water.
    water : Water or None
        Outline, basins and streams, where they are known.
    """
    spots = screened.spots
    uncertainty, spot = spots.uncertainty_m, spots.spot
    reach = reach_of(site, settings=settings) + SPREAD * uncertainty / 1000
    away = distance_within_km(
        spots.longitude,
        spots.latitude,
        spots.points,
        of=(site.longitude, site.latitude),
        most_km=float(reach.max(initial=0.0)),
    )[spots.place]
    within = away <= reach
    mine = within[spot]
    if len(rows) < screened.table.num_rows:
        read = np.zeros(screened.table.num_rows, dtype=bool)
        read[rows] = True
        mine &= read[screened.target]
    near = np.flatnonzero(mine)
    sigma = sigma_km(uncertainty[within], quantile=settings.uncertainty_quantile)
    inside = np.zeros(len(away))
    inside[within] = share_inside(away[within], sigma, site.radius_km)
    spot = spot[near]
    if water is None:
        kernel = _kernel(away, uncertainty)[spot]
        return Located(
            screened=screened, rows=near, distance_km=away[spot], inside_share=inside[spot], kernel=kernel
        )
    placed = water.place(screened.longitude[near], screened.latitude[near], screened.uncertainty_m[near])
    reported = np.where(np.isnan(placed.shore_km), away[spot], placed.shore_km)
    by_water = effective_km(
        reported, placed.by_water_km, placed.passability, placed.divided, settings=settings
    )
    return Located(
        screened=screened,
        rows=near,
        distance_km=reported,
        inside_share=inside[spot],
        kernel=_kernel(by_water, screened.uncertainty_m[near]),
        placed=placed,
    )


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

    def keep_only(self, cells: Collection[Cell]) -> None:
        """Forget what stands in a file and is of no cell among these: memory stays flat over many waters."""
        for cell in [one for one in self._known if one not in cells and self._file(one).exists()]:
            del self._known[cell]

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
    """A region as an npz file, packed: its arrays, integers as small as they fit, and the rest as JSON."""
    arrays: dict[str, Any] = {}
    plain: dict[str, Any] = {}

    def put(part: Any, before: str) -> None:
        for field in dataclasses.fields(part):
            value, name = getattr(part, field.name), before + field.name
            if dataclasses.is_dataclass(value):
                put(value, name + ".")
            elif isinstance(value, np.ndarray) and value.dtype.kind == "i":
                ends = (int(value.min(initial=0)), int(value.max(initial=0)))
                arrays[name] = value.astype(np.result_type(*map(np.min_scalar_type, ends)))
                plain[name] = value.dtype.str
            elif isinstance(value, np.ndarray):
                arrays[name] = value
            else:
                plain[name] = value

    put(region, "")
    arrays["plain"] = np.frombuffer(json.dumps(plain).encode(), dtype=np.uint8)
    sink = io.BytesIO()
    np.savez(sink, **arrays)
    packed: bytes = pa.Codec("zstd").compress(sink.getbuffer(), asbytes=True)
    return sink.tell().to_bytes(8) + packed


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
            elif name in plain and name in arrays:
                value = value.astype(plain[name])
            values[field.name] = tuple(value) if isinstance(value, list) else value
        return kind(**values)

    region: Region = get(Region, "")
    return region
