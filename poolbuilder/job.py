"""One pool as somebody asks for it: files and names in, a :class:`Pool` out."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from poolbuilder import tables
from poolbuilder.accounts import Provenance
from poolbuilder.errors import RecordFileError
from poolbuilder.located import SPREAD, reach_of
from poolbuilder.model.constants import Constants
from poolbuilder.names.checklist import SHIPPED, Checklist
from poolbuilder.names.species import read_taxon
from poolbuilder.places.base_map import base_map
from poolbuilder.places.geodesy import LARGEST_DISC_KM, disc, distance_km
from poolbuilder.places.layers import read_layer
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool, build, prepare
from poolbuilder.settings import Settings
from poolbuilder.status.polygons import RangeMap
from poolbuilder.status.region_lists import RegionLists
from poolbuilder.surroundings import Regions, cell_of, centre_of, learn_region, region_reach
from poolbuilder.water import Water
from poolbuilder.water.hydrography import WaterLayers, water_layers, with_water_type
from poolbuilder.water.waterbody import feature

DRAWN_RADII = 2.5
"""Outlines are drawn out to so many radii."""


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

    def run(self, regions: Regions | None = None) -> Pool:
        """Read what is needed and build the pool.

        Parameters
        ----------
        regions : mapping, optional
            What jobs with the same store, lists and settings have learnt of regions; a region
            that is missing is learnt and put in.
        """
        if self.known:
            self.statements()  # refused before any work when they cannot be read
        records, provenance = read_place(self)
        provenance = replace(provenance, calibration=self.calibration)
        checklist = open_checklist(self.checklist, records)
        ranges = open_ranges(self.ranges, checklist)
        water = self.open_water()
        pool = build(
            self.typed_site(water),
            records,
            checklist=checklist,
            as_of=self.as_of,
            settings=self.settings,
            ranges=ranges,
            lists=open_lists(self.region_lists, checklist),
            water=water,
            provenance=provenance,
            regions=None if self.records else self.stored_region(checklist, ranges, regions),
            statements=self.said_of(checklist),
            constants=self.open_constants(),
        )
        pool = replace(pool, features={**base_map(self.site), **pool.features})
        return pool if self.outlines is None else _with_outlines(pool, self.outlines)

    def stored_region(
        self, checklist: Checklist, ranges: RangeMap | None, known: Regions | None = None
    ) -> Regions:
        """What the store's records around the water teach of its region, unless it is known."""
        from poolbuilder.records.store import Store

        regions: Regions = {} if known is None else known
        store, cell = Store(self.store), cell_of(self.site)
        if cell in regions:
            return regions
        longitude, latitude = centre_of(cell)
        reach = region_reach(cell, store.count_near, settings=self.settings)
        records = store.select(longitude=longitude, latitude=latitude, reach_km=reach)
        if self.catch:
            from poolbuilder.records.statements import read_catch

            records = pa.concat_tables([records, read_catch(self.catch, site=self.site, as_of=self.as_of)])
        screened = prepare(records, checklist, settings=self.settings, as_of=self.as_of)
        regions[cell] = learn_region(
            screened, cell, checklist, ranges=ranges, settings=self.settings, constants=self.open_constants()
        )
        return regions

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
        layers = given if kept is None else dict(kept.layers)
        water = Water.at(
            self.site,
            outline=layers.get("water"),
            basins=layers.get("basins"),
            streams=layers.get("streams"),
            barriers=layers.get("barriers"),
            settings=self.settings,
        )
        if kept is None:
            return water
        said = f"layers of the water fetched {kept.fetched} from {kept.source}"
        return replace(water, notes=(said, *kept.notes, *water.notes))

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


def is_genus(text: str) -> bool:
    """Whether a checklist is given as the name of a genus rather than as a list or a file."""
    return text not in SHIPPED and text.isalpha() and not Path(text).exists()


def open_checklist(given: str, records: pa.Table) -> Checklist:
    """The list of this name, the one in this file, or the species of this genus in the records."""
    return Checklist.from_records(given, records) if is_genus(given) else Checklist.load(given)


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


def read_place(job: Job) -> tuple[pa.Table, Provenance]:
    """The records that a job needs: of its files, or of the store near its place, and its catches.

    Raises
    ------
    RecordFileError
        When no record can be had.
    """
    records, provenance = _read_given(job)
    elsewhere = _mirrored(job, records)
    provenance = replace(provenance, notes=(*provenance.notes, *elsewhere))
    for note in provenance.notes:
        job.say(f"note: {note}")
    if job.constants is not None:
        from poolbuilder.records.statements import origin_of

        table = origin_of(job.constants, use="constants")
        provenance = replace(provenance, inputs=(*provenance.inputs, table))
    if not (job.catch or job.known):
        return records, provenance
    from poolbuilder.records.statements import origin_of, read_catch

    catch = read_catch(job.catch, site=job.site, as_of=job.as_of)
    used = [("catch", path) for path in job.catch] + [("known", path) for path in job.known]
    inputs = (*provenance.inputs, *(origin_of(path, use=use) for use, path in used))
    return pa.concat_tables([records, catch]), replace(provenance, inputs=inputs)


def _mirrored(job: Job, records: pa.Table) -> list[str]:
    """Where the records lie when none is near the site but a slip of its coordinates away."""
    site, reach_km = job.site, record_reach_km(job.site, settings=job.settings)
    near = _count_near(job, records, site.longitude, site.latitude, reach_km) if job.records else len(records)
    if near:
        return []
    slips = [
        (-site.longitude, site.latitude, "the longitude has the other sign"),
        (site.longitude, -site.latitude, "the latitude has the other sign"),
        (-site.longitude, -site.latitude, "both coordinates have the other sign"),
        (site.latitude, site.longitude, "latitude and longitude are swapped"),
    ]
    for longitude, latitude, slip in slips:
        count = _count_near(job, records, longitude, latitude, reach_km) if abs(latitude) <= 90 else 0
        if count:
            meant = (
                f"{longitude:g}"
                if latitude == site.latitude
                else f"latitude {latitude:g}, longitude {longitude:g}"
            )
            return [
                f"no record lies near latitude {site.latitude:g}, longitude {site.longitude:g}, "
                f"but {count:,} do where {slip}: did you mean {meant}? (or mend the records)"
            ]
    return []


def _count_near(job: Job, records: pa.Table, longitude: float, latitude: float, reach_km: float) -> int:
    if not job.records:
        from poolbuilder.records.store import Store

        return len(Store(job.store).select(longitude=longitude, latitude=latitude, reach_km=reach_km))
    east, north = tables.numbers(records["decimalLongitude"]), tables.numbers(records["decimalLatitude"])
    around = (np.abs(east) <= 180) & (np.abs(north - latitude) <= reach_km / 110)
    distance = distance_km(east[around], north[around], from_longitude=longitude, from_latitude=latitude)
    return len(np.flatnonzero(np.asarray(distance) <= reach_km))


def _read_given(job: Job) -> tuple[pa.Table, Provenance]:
    if job.records:
        from poolbuilder.records.reading import read_all

        records, sources, notes, datasets = read_all(job.records, rename=job.renames, settings=job.settings)
        return records, Provenance(inputs=sources, datasets=datasets, notes=notes)
    from poolbuilder.records.store import Store

    store = Store(job.store)
    if store.is_empty:
        raise RecordFileError(
            "the store holds no records",
            file=job.store,
            remedy="add some with `poolbuilder add FILE` or `poolbuilder fetch`, or give --records FILE",
        )
    records = store.select(
        longitude=job.site.longitude,
        latitude=job.site.latitude,
        reach_km=record_reach_km(job.site, settings=job.settings),
    )
    elsewhere = store.records - len(records)
    return records, Provenance(inputs=store.sources(), datasets=store.datasets(), elsewhere=elsewhere)


def _with_outlines(pool: Pool, spec: str) -> Pool:
    """The pool with outlines of a layer to draw around its water."""
    import shapely

    layer = read_layer(spec, purpose="outlines to draw")
    site = pool.site
    area = disc(site.longitude, site.latitude, min(DRAWN_RADII * site.radius_km, LARGEST_DISC_KM))
    pieces = [piece for piece in shapely.intersection(layer.geometry, area) if not piece.is_empty]
    drawn = [feature(piece, {}) for piece in pieces]
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
        raise TypeError(f"settings are a Settings or a mapping, not {type(settings).__name__}")
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
    raise TypeError(f"as_of is a date or a text such as 2026-06-01, not {type(given).__name__}")


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
    raise TypeError(f"{what} are paths or tables, not {type(item).__name__}")
