"""What somebody asks for, files and names in, and the engine that gives the pools of any number of waters."""

from __future__ import annotations

import datetime
import hashlib
import json
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

import poolbuilder
from poolbuilder import tables
from poolbuilder.accounts import Provenance
from poolbuilder.errors import RecordFileError, said
from poolbuilder.model.constants import Constants
from poolbuilder.model.presence import Region
from poolbuilder.names.checklist import SHIPPED, Checklist
from poolbuilder.names.reader import read_taxon
from poolbuilder.places.base_map import base_map
from poolbuilder.places.geodesy import LARGEST_DISC_KM, disc, distance_km
from poolbuilder.places.layers import read_layer
from poolbuilder.places.sites import Site
from poolbuilder.pool import Built, Pool, prepare, weigh_together
from poolbuilder.settings import Settings
from poolbuilder.status.lists import RegionLists
from poolbuilder.status.polygons import RangeMap
from poolbuilder.surroundings import (
    SPREAD,
    KeptRegions,
    Regions,
    Screened,
    cell_of,
    centre_of,
    learn_region,
    reach_of,
    region_reach,
)
from poolbuilder.water import Water, feature
from poolbuilder.water.hydrography import WaterLayers, layers_digest, water_layers, with_water_type

if TYPE_CHECKING:
    from poolbuilder.records.store import Store

Rows = NDArray[np.int64]

WEIGHED_TOGETHER = 64
"""Waters of one region that are weighed in one go."""
MOST_EVENTS_TOGETHER = 1_000_000
"""Events of the region that they may have, all waters together."""
DRAWN_RADII = 2.5
"""Outlines are drawn out to so many radii."""


def _nothing() -> None:
    """Called after each water."""


def _silent(text: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True, kw_only=True)
class Job:
    """Everything that a pool is asked for with.

    Attributes
    ----------
    site : Site
    checklist : str
        A list that ships with the package, a CSV file, or a genus.
    ranges : sequence of str
        Layers of range polygons, ``FILE`` or ``FILE:layer``.
    water, basins, streams, barriers : str or None
        Layers that describe the water.
    outlines : str or None
        Layer of states or counties, only drawn.
    store : Path
        Record store; used when *records* is empty.
    records : sequence of Path
        Darwin Core files.
    known : sequence of Path
        Tables of what is known of the water; see `read_statements`.
    catch : sequence of Path
        Tables of catches made at the site; see `read_catch`.
    say : callable
        Is told how the records were read.
    renames : mapping
        Column as given to Darwin Core term, for *records*.
    as_of : date
        The day that counts as today.
    constants : Path, optional
        Table of the model's constants, as `calibrate` writes it; those that ship by default.
    calibration : mapping, optional
        How the settings were calibrated, as `read_calibration` finds it in their file.

    Examples
    --------
    >>> from importlib import resources
    >>> records = resources.files("poolbuilder") / "demo_data" / "records.zip"
    >>> site = Site(longitude=-91.2, latitude=36.9, radius_km=25)
    >>> pool = Job(site=site, as_of=datetime.date(2026, 6, 1), records=(Path(str(records)),)).run()
    >>> pool.site.radius_km, pool["bluegill"]["tier"]
    (25.0, 'water')
    """

    site: Site
    as_of: datetime.date
    checklist: str = "lepomis"
    ranges: Sequence[str] = ()
    region_lists: Sequence[tuple[str, str | None]] = ()
    water: str | None = None
    basins: str | None = None
    streams: str | None = None
    barriers: str | None = None
    outlines: str | None = None
    store: Path = Path("data_cache")
    records: Sequence[Path] = ()
    say: Callable[[str], None] = _silent
    known: Sequence[Path] = ()
    catch: Sequence[Path] = ()
    renames: Mapping[str, str] = field(default_factory=dict)
    settings: Settings = field(default_factory=Settings)
    constants: Path | None = None
    calibration: Mapping[str, Any] | None = None

    def run(self) -> Pool:
        """Read what is needed and build the pool."""
        built = next(Engine(self).pools([self.site]))
        with stage("tables"):
            return self.drawn(built.pool)

    def engine(self) -> Engine:
        """What gives the pools of any waters with this job's records, list and settings."""
        return Engine(self)

    def drawn(self, pool: Pool) -> Pool:
        """A pool with the base map and the outlines around its water, for those who draw it."""
        pool = replace(pool, features={**base_map(self.site), **pool.features})
        return pool if self.outlines is None else _with_outlines(pool, self.outlines)

    def identity(self) -> dict[str, Any]:
        """What the pools of this job rest on besides their sites: texts, and digests of files and records."""
        tables = [*self.records, *self.known, *self.catch, *filter(None, [self.constants])]
        return {
            "version": poolbuilder.__version__,
            "asOf": self.as_of.isoformat(),
            "checklist": self.checklist,
            "layers": {
                spec: [content_digest(path) for path in files_of(spec)]
                for spec in (*self.specs(), *map(str, tables))
            },
            "settings": self.settings.as_dict(),
            "calibration": None if self.calibration is None else dict(self.calibration),
            "store": None if self.records else store_digest(self.store),
            "waterLayers": None if self.records else layers_digest(self.store),
        }

    def specs(self) -> list[str]:
        """The lists and layers that the job names, each once; not those that ship with the package."""
        lists = [spec for pair in self.region_lists for spec in pair]
        layers = [*self.ranges, self.water, self.basins, self.streams, self.barriers, self.outlines]
        own = [] if is_genus(self.checklist) or self.checklist in SHIPPED else [self.checklist]
        return list(dict.fromkeys(filter(None, [*own, *lists, *layers])))

    def open_constants(self) -> Constants:
        """The constants that the job names, or those that ship."""
        return Constants.shipped() if self.constants is None else Constants.read(self.constants)

    def statements(self) -> pa.Table:
        """What is known of the water without a record; schema STATEMENTS."""
        from poolbuilder.records.statements import read_statements

        return read_statements(self.known, as_of=self.as_of)

    def said_of(self, checklist: Checklist) -> list[tuple[str, bool, float, str]]:
        """Statements about this water on species of the list: species, present, year, source."""
        if not self.known:
            return []
        told = []
        for row in self.statements().to_pylist():
            meant = row["waterBody"]
            if meant and self.site.name and meant.casefold() != self.site.name.casefold():
                continue
            names = read_taxon(row["scientificName"], checklist).accepted
            year = float(str(row["date"])[:4]) if row["date"] else float(self.as_of.year)
            told += [(name, row["what"] != "absent", year, row["source"]) for name in names[:1]]
        return told

    def open_water(self) -> Water | None:
        """The water itself from the layers given, or None when there are none."""
        kept = self.kept_layers()
        given = {name: getattr(self, name) for name in ("water", "basins", "streams", "barriers")}
        if not any((*given.values(), kept)):
            return None
        layers = given if kept is None else {name: kept.path(name) for name in given}
        water = Water.at(self.site, outline=layers.pop("water"), settings=self.settings, **layers)
        if kept is None:
            return water
        fetched = said("layers_water_fetched", fetched=kept.fetched, origin=kept.source)
        return replace(
            water,
            notes=(fetched, *kept.notes, *water.notes),
            sources=tuple(kept.origin(source) for source in water.sources),
        )

    def typed_site(self, water: Water | None) -> Site:
        """The site with its kind of water, where the layers kept for it or its outline state one."""
        kept = self.kept_layers()
        outline = None if water is None else water.outline
        site = with_water_type(self.site, None if kept is None else kept.water_type)
        return with_water_type(site, None if outline is None else outline.water_type)

    def kept_layers(self) -> WaterLayers | None:
        """Layers that the store keeps for the site, unless layers or records are given as files."""
        if self.records or any((self.water, self.basins, self.streams, self.barriers)):
            return None
        return water_layers(self.store, self.site)


def store_digest(store: Path) -> str:
    """What a store holds, in a digest."""
    from poolbuilder.records.store import Store

    keys = [source["key"] for source in Store(store).sources()]
    return hashlib.sha256(json.dumps(keys).encode()).hexdigest()


def files_of(spec: str) -> list[Path]:
    """The files of a list or layer, the one that names it first; none where it is no file."""
    path = next(
        (Path(name) for name in (spec, spec.rpartition(":")[0]) if name and Path(name).is_file()), None
    )
    if path is None:
        return []
    beside = sorted(path.parent.glob(f"{path.stem}.*")) if path.suffix.lower() == ".shp" else []
    return [path, *(other for other in beside if other != path and other.is_file())]


def content_digest(path: Path) -> str:
    """SHA-256 of a file."""
    about = path.stat()
    return _digest(path, about.st_mtime_ns, about.st_size)


@lru_cache(maxsize=256)
def _digest(path: Path, changed: int, size: int) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def is_genus(text: str) -> bool:
    """Whether a checklist is given as the name of a genus rather than as a list or a file."""
    return text not in SHIPPED and text.isalpha() and not Path(text).exists()


@lru_cache(maxsize=8)
def _open_list(table: str, layer: str | None, checklist: Checklist) -> RegionLists:
    return RegionLists.read(table, layer, checklist)


def open_lists(specs: Sequence[tuple[str, str | None]], checklist: Checklist) -> tuple[RegionLists, ...]:
    """Lists of regions and agencies, each read once: table, and layer of its regions or None."""
    return tuple(_open_list(table, layer, checklist) for table, layer in specs)


def open_ranges(specs: Sequence[str], checklist: Checklist) -> RangeMap | None:
    """The range polygons of the given layers, or None when there are none."""
    return RangeMap.read(specs, checklist) if specs else None


def record_reach_km(site: Site, *, settings: Settings) -> float:
    """How far from a site records are taken from the store: the reach and room for uncertainty."""
    return reach_of(site, settings=settings) + SPREAD * settings.obscured_uncertainty_m / 1000


TOOK: dict[str, float] = {}
"""Seconds that each stage took in this process; their names stand in `words/notes.txt`, `stage_NAME`."""


@contextmanager
def stage(name: str) -> Iterator[None]:
    """Time what is done inside."""
    started = time.perf_counter()
    TOOK.setdefault(name, 0.0)
    try:
        yield
    finally:
        TOOK[name] += time.perf_counter() - started


class Engine:
    """The pools of any number of waters; one water is a list of one.

    List, ranges, sources and, as waters are built, regions are opened once for all of them.

    Parameters
    ----------
    job : Job
        Its own site is not used.
    regions : mapping, optional
        What engines with the same records, list and settings have learnt; more is put in.

    Raises
    ------
    RecordFileError
        When there are no records.
    """

    def __init__(self, job: Job, regions: Regions | None = None) -> None:
        if job.known:
            job.statements()  # refused before any work when they cannot be read
        self.job, self.each = job, _nothing
        self.constants = job.open_constants()
        with stage("records"):
            self.given, self._store, provenance = _read_given(job)
        self.provenance = replace(
            provenance, calibration=job.calibration, inputs=(*provenance.inputs, *_tables_given(job))
        )
        for note in provenance.notes:
            job.say(f"note: {note}")
        self.checklist = None if is_genus(job.checklist) else Checklist.load(job.checklist)
        self.ranges = None if self.checklist is None else open_ranges(job.ranges, self.checklist)
        self.regions = self._kept() if regions is None else regions

    def _kept(self) -> Regions:
        """Regions that were learnt of the store before, with the same list, ranges, settings and day."""
        job = self.job
        if self._store is None or self.checklist is None or job.catch or "://" in str(job.store):
            return {}
        made_with = (
            repr(job.settings),
            repr(self.constants.rows),
            repr((self.checklist.source, self.checklist.species)),
            repr(() if self.ranges is None else self.ranges.sources),
            job.as_of.isoformat(),
        )
        return KeptRegions(job.store, store_digest(job.store), made_with)

    def pools(self, sites: Sequence[Site]) -> Iterator[Built]:
        """The pools of some waters, whose records are read together with those of regions not learnt yet."""
        if self.checklist is not None:
            yield from self._pools(sites, self.regions)
            return
        for site in sites:  # the list itself depends on the records near each water
            yield from self._pools([site], {})

    def _pools(self, sites: Sequence[Site], regions: Regions) -> Iterator[Built]:
        job, store = self.job, self._store
        cells = [cell_of(site) for site in sites]
        if isinstance(regions, KeptRegions):
            regions.keep_only(cells)
        unknown = [cell for cell in dict.fromkeys(cells) if cell not in regions]
        reaches = [record_reach_km(site, settings=job.settings) for site in sites]
        places = [(site.longitude, site.latitude, km) for site, km in zip(sites, reaches, strict=True)]
        if store is not None:
            places += [
                (*centre_of(cell), region_reach(cell, store.count_near, settings=job.settings))
                for cell in unknown
            ]
        records, found = self.near(places)
        of_region = dict(zip(unknown, found[len(sites) :] if store is not None else found, strict=False))
        checklist, ranges = self.checklist, self.ranges
        if checklist is None:
            near = _with_catch(job, sites[0], tables.take(records, found[0]))
            checklist = Checklist.from_records(job.checklist, near)
            ranges = open_ranges(job.ranges, checklist)
        read, waiting = _Read(job, records, checklist), list[Built]()
        for site, cell, rows in zip(sites, cells, found, strict=False):
            if cell not in regions:
                screened, mine = read.of(site, of_region[cell])
                with stage("region"):
                    regions[cell] = learn_region(
                        tables.take(screened.table, mine),
                        cell,
                        checklist,
                        ranges=ranges,
                        settings=job.settings,
                        constants=self.constants,
                    )
            if waiting and (
                waiting[0].region is not regions[cell] or len(waiting) == _together(regions[cell])
            ):
                yield from self._weighed(waiting)
            waiting.append(self._placed(site, *read.of(site, rows), len(rows), ranges, regions[cell]))
        yield from self._weighed(waiting)

    def _weighed(self, waiting: list[Built]) -> Iterator[Built]:
        """Weigh some waters of one region together, and take them from the list one by one."""
        with stage("weighing"):
            weigh_together(waiting)
        while waiting:
            yield waiting.pop(0)
            self.each()

    def near(self, places: Sequence[tuple[float, float, float]]) -> tuple[pa.Table, list[Rows]]:
        """Records near some places (longitude, latitude, km), read together, and the rows of each place.

        Records given as files are near to all; schema RECORDS.
        """
        if self._store is None:
            return self.given, [np.arange(len(self.given))] * len(places)
        with stage("near"):
            longitude, latitude, reach_km = zip(*places, strict=True)
            return self._store.select_each(longitude=longitude, latitude=latitude, reach_km=reach_km)

    def _placed(
        self,
        site: Site,
        screened: Screened,
        rows: Rows,
        count: int,
        ranges: RangeMap | None,
        region: Region,
    ) -> Built:
        """One water on its rows of the screened records, of which *count* are of the store or the files."""
        job = replace(self.job, site=site)
        mirrored = _mirrored(job, self._store, self.given, count)
        for note in mirrored:
            job.say(f"note: {note}")
        elsewhere = 0 if self._store is None else self._store.records - count
        with stage("placing"):
            water = job.open_water()
            built = Built(
                site=job.typed_site(water),
                screened=screened,
                rows=rows,
                region=region,
                as_of=job.as_of,
                settings=job.settings,
                constants=self.constants,
                ranges=ranges,
                lists=open_lists(job.region_lists, screened.checklist),
                water=water,
                provenance=replace(
                    self.provenance, elsewhere=elsewhere, notes=(*self.provenance.notes, *mirrored)
                ),
                said=job.said_of(screened.checklist),
            )
            built.located  # noqa: B018 (made here for its time)
        return built


def _together(region: Region) -> int:
    """How many waters of a region are weighed in one call: for the sake of memory fewer where it is large."""
    return max(1, min(WEIGHED_TOGETHER, MOST_EVENTS_TOGETHER // max(1, len(region.looking.events))))


class _Read:
    """Records that were read together, named and screened once for all that need them where that is right."""

    def __init__(self, job: Job, records: pa.Table, checklist: Checklist) -> None:
        self._job, self._records, self._checklist = job, records, checklist

    def _screened(self, records: pa.Table) -> Screened:
        job = self._job
        with stage("screening"):
            made = prepare(records, self._checklist, settings=job.settings, as_of=job.as_of)
            return Screened(made, self._checklist, job.settings)

    @cached_property
    def _whole(self) -> Screened:
        return self._screened(self._records)

    @cached_property
    def _repeats(self) -> Repeats:
        return Repeats.of(self._whole.table, self._job.settings)

    def of(self, site: Site, rows: Rows) -> tuple[Screened, Rows]:
        """Some of the records, with the catches made at the site: a screened table and rows of it."""
        if not self._job.catch and (len(rows) == len(self._records) or not self._repeats.are_parted(rows)):
            return self._whole, rows
        alone = self._screened(_with_catch(self._job, site, tables.take(self._records, rows)))
        return alone, np.arange(alone.table.num_rows)


@dataclass(frozen=True, kw_only=True)
class Repeats:
    """Records that screening compared with others, so that a subset may be judged otherwise.

    Screening judges each record by itself, but for repeats: records of one identifier, or of
    one cell.  Where a water's records hold a repeat but not all that it was compared with, they
    have to be screened by themselves.
    """

    groups: list[tuple[Rows, Rows, NDArray[np.bool_]]]
    records: int

    @classmethod
    def of(cls, screened: pa.Table, settings: Settings) -> Repeats:
        """Find the repeats of a screened table, and what each was compared with: by identifier, by cell."""
        rule, rules = tables.codes(screened["rejectedBy"])
        struck = np.array([*(key == "duplicate" for key in rules), False])[rule]
        _, number, flag, flags = tables.listed(screened["flagged"])
        reused = np.array([*(mark == "reused_identifier" for mark in flags), False])[flag]
        struck[np.repeat(np.arange(len(struck)), number)[reused]] = True
        identifier, _ = tables.codes(screened["occurrenceID"])
        size = settings.event_cell_degrees
        east, north = (
            np.nan_to_num(np.round(tables.numbers(screened[name]) / size), nan=1e9).astype(np.int64)
            for name in ("longitude", "latitude")
        )
        groups = []
        for key in (identifier, tables.ranked(east, north)):
            compared = np.zeros(int(key.max(initial=-1)) + 2, dtype=bool)
            compared[key[struck]] = True
            rows = np.flatnonzero((key >= 0) & compared[key])
            _, group = np.unique(key[rows], return_inverse=True)
            groups.append((rows, group, struck[rows]))
        return cls(groups=groups, records=screened.num_rows)

    def are_parted(self, rows: Rows) -> bool:
        """Whether *rows* hold a repeat without all that it was compared with."""
        read = np.zeros(self.records, dtype=bool)
        read[rows] = True
        for of, group, struck in self.groups:
            mine = read[of]
            torn = np.zeros(len(of) + 1, dtype=bool)
            torn[group[mine & struck]] = True
            if torn[group[~mine]].any():
                return True
        return False


def _with_catch(job: Job, site: Site, records: pa.Table) -> pa.Table:
    if not job.catch:
        return records
    from poolbuilder.records.statements import read_catch

    catch = read_catch(job.catch, site=site, as_of=job.as_of)
    parts = [tables.cast(catch[item.name], item.type) for item in records.schema]
    return pa.concat_tables([records, pa.Table.from_arrays(parts, schema=records.schema)])


def _tables_given(job: Job) -> list[dict[str, Any]]:
    """Tables besides records: constants, catches, what is known."""
    used = [("constants", job.constants)] if job.constants is not None else []
    used += [("catch", path) for path in job.catch] + [("known", path) for path in job.known]
    if not used:
        return []
    from poolbuilder.records.statements import origin_of

    return [origin_of(path, use=use) for use, path in used]


def _mirrored(job: Job, store: Store | None, given: pa.Table, near: int) -> list[str]:
    """Where the records lie when none is near the site but a slip of its coordinates away."""
    site, reach_km = job.site, record_reach_km(job.site, settings=job.settings)

    def count(longitude: float, latitude: float) -> int:
        if store is not None:
            return store.count_near(longitude, latitude, reach_km)
        return _count_near(given, longitude, latitude, reach_km)

    if near if store is not None else count(site.longitude, site.latitude):
        return []
    slips = [
        (-site.longitude, site.latitude, said("longitude_other_sign")),
        (site.longitude, -site.latitude, said("latitude_other_sign")),
        (-site.longitude, -site.latitude, said("both_coordinates_other")),
        (site.latitude, site.longitude, said("latitude_longitude_swapped")),
    ]
    for longitude, latitude, slip in slips:
        if found := count(longitude, latitude) if abs(latitude) <= 90 else 0:
            meant = (
                f"{longitude:g}"
                if latitude == site.latitude
                else f"latitude {latitude:g}, longitude {longitude:g}"
            )
            return [
                said(
                    "no_record_lies",
                    latitude=site.latitude,
                    longitude=site.longitude,
                    found=found,
                    slip=slip,
                    meant=meant,
                )
            ]
    return []


def _count_near(records: pa.Table, longitude: float, latitude: float, reach_km: float) -> int:
    east, north = tables.numbers(records["decimalLongitude"]), tables.numbers(records["decimalLatitude"])
    around = (np.abs(east) <= 180) & (np.abs(north - latitude) <= reach_km / 110)
    distance = distance_km(east[around], north[around], from_longitude=longitude, from_latitude=latitude)
    return len(np.flatnonzero(np.asarray(distance) <= reach_km))


def _read_given(job: Job) -> tuple[pa.Table, Store | None, Provenance]:
    """The records of the files given, or the store; and where they come from."""
    if job.records:
        from poolbuilder.records.reading import read_all

        records, sources, notes, datasets = read_all(job.records, rename=job.renames, settings=job.settings)
        return records, None, Provenance(inputs=sources, datasets=datasets, notes=notes)
    from poolbuilder.records.store import Store

    store = Store(job.store)
    if store.is_empty:
        raise RecordFileError.of("store_no_records", file=job.store)
    return None, store, Provenance(inputs=store.sources(), datasets=store.datasets())


def _with_outlines(pool: Pool, spec: str) -> Pool:
    """The pool with outlines of a layer to draw around its water."""
    import shapely

    layer = read_layer(spec, purpose="outlines to draw")
    site = pool.site
    area = disc(site.longitude, site.latitude, min(DRAWN_RADII * site.radius_km, LARGEST_DISC_KM))
    pieces = [piece for piece in shapely.intersection(layer.geometry, area) if not piece.is_empty]
    drawn = [feature(piece) for piece in pieces]
    return replace(
        pool,
        features={**pool.features, "states": drawn},
        inputs=(*pool.inputs, {"kind": "outlines", **layer.source}),
        notes=(*pool.notes, *layer.notes),
    )


def pool_at(
    latitude: float,
    longitude: float,
    *,
    records: Any = (),
    ranges: Any = (),
    as_of: datetime.date | str | None = None,
    settings: Settings | Mapping[str, Any] | None = None,
    radius_km: float = 40.0,
    name: str = "",
    **further: Any,
) -> Pool:
    """The pool of one water, from files or tables as they come to hand.

    Parameters
    ----------
    latitude, longitude : float
        Decimal degrees, north and east positive.
    records : path, DataFrame or GeoDataFrame, or several of them
        Records of any kind that ``poolbuilder add`` reads; without them the store is used.
    ranges : path, GeoDataFrame, or several of them
        Range polygons, ``FILE`` or ``FILE:layer``.
    as_of : date or str, optional
        The day that counts as today, ``2026-06-01``; today when not given.
    settings : Settings or mapping, optional
        Numbers of the model by their names.
    **further
        Other fields of :class:`Job`, such as ``checklist``, ``water`` or ``store``.

    Returns
    -------
    Pool

    Raises
    ------
    PoolBuilderError
        When something given cannot be used.
    TypeError
        When *records*, *ranges*, *as_of* or *settings* is of another kind.

    Examples
    --------
    >>> from importlib import resources
    >>> records = resources.files("poolbuilder") / "demo_data" / "records.zip"
    >>> pool = pool_at(36.9, -91.2, records=records, as_of="2026-06-01")
    >>> len(pool), pool["bluegill"]["scientificName"]
    (13, 'Lepomis macrochirus')
    """
    import tempfile

    if isinstance(settings, Mapping):
        settings = Settings.from_dict(dict(settings))
    elif settings is not None and not isinstance(settings, Settings):
        raise TypeError(said("settings_settings_mapping", name=type(settings).__name__))
    with tempfile.TemporaryDirectory() as folder:
        job = Job(
            site=Site(longitude=longitude, latitude=latitude, radius_km=radius_km, name=name),
            as_of=_day(as_of),
            records=tuple(Path(path) for path in _paths(records, Path(folder), "records")),
            ranges=tuple(_paths(ranges, Path(folder), "ranges")),
            settings=settings or Settings(),
            **{key: value if key == "checklist" else _path(value) for key, value in further.items()},
        )
        pool = job.run()
    inputs = [
        {**item, "path": Path(item["path"]).name} if Path(folder).name in str(item.get("path")) else item
        for item in pool.inputs
    ]
    return replace(pool, inputs=tuple(inputs))


def _path(value: Any) -> Any:
    """Layers are named by texts; the store by a path."""
    return str(value) if isinstance(value, Path) and not value.is_dir() else value


def _day(given: datetime.date | str | None) -> datetime.date:
    if given is None:
        return datetime.date.today()
    if isinstance(given, datetime.datetime):
        return given.date()
    if isinstance(given, datetime.date):
        return given
    if isinstance(given, str):
        return datetime.date.fromisoformat(given)
    raise TypeError(said("as_of_type", name=type(given).__name__))


def _paths(given: Any, folder: Path, what: str) -> list[str]:
    """Paths of what was given; tables are written to *folder* first."""
    many = list(given) if isinstance(given, list | tuple) else [given]
    return [_as_path(item, folder / f"{what}_{number}", what) for number, item in enumerate(many, start=1)]


def _as_path(item: Any, beside: Path, what: str) -> str:
    if isinstance(item, str | Path):
        return str(item)
    if hasattr(item, "geometry") and hasattr(item, "to_crs"):
        frame = item.to_crs("EPSG:4326")
        if what == "ranges":
            target = beside.with_suffix(".gpkg")
            frame.to_file(target, driver="GPKG")
            return str(target)
        item = frame.drop(columns=frame.geometry.name).assign(
            decimalLongitude=frame.geometry.x.round(7), decimalLatitude=frame.geometry.y.round(7)
        )
    if what == "records" and hasattr(item, "to_csv"):
        target = beside.with_suffix(".csv")
        item.to_csv(target, index=False)
        return str(target)
    raise TypeError(said("paths_tables_not", what=what, name=type(item).__name__))
