"""From a place and a pile of records to a weighted, explained list of species."""

from __future__ import annotations

import datetime
import difflib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

import poolbuilder
from poolbuilder import tables, words
from poolbuilder.accounts import (
    Provenance,
    count_records,
    list_datasets,
    list_inputs,
    list_notes,
    rejected_records,
    unread_of,
)
from poolbuilder.errors import UnknownSpeciesError
from poolbuilder.model.candidates import Decision, Frame, tabulate
from poolbuilder.model.completeness import completeness
from poolbuilder.model.constants import Constants
from poolbuilder.model.evidence import gather
from poolbuilder.model.looking import RUNNING, STILL, Looking, waters_named
from poolbuilder.model.pairs import pair
from poolbuilder.model.presence import (
    LIKELY_HERE,
    SURVEY_NAMES,
    Region,
    WaterSeen,
    Weighed,
    chance_here,
    weigh,
)
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.reader import name_records
from poolbuilder.places.geodesy import disc
from poolbuilder.places.sites import Site
from poolbuilder.records.rules import screen
from poolbuilder.schemas import HYBRIDS
from poolbuilder.settings import Settings
from poolbuilder.status.decision import status_answers
from poolbuilder.status.lists import RegionLists
from poolbuilder.status.polygons import RangeMap, status_at
from poolbuilder.surroundings import (
    Located,
    Regions,
    cell_of,
    genus_finds,
    learn_region,
    locate,
    meanings_of,
    see_water,
)
from poolbuilder.water import Water
from poolbuilder.words import pool_words

if TYPE_CHECKING:
    import geopandas
    import pandas

__all__ = ["SCHEMA_VERSION", "Pool", "Provenance", "build", "build_screened", "prepare"]

SCHEMA_VERSION = "2.0"
"""Version of pool.json and of the tables beside it; raised when a reader must change."""


@dataclass(frozen=True, kw_only=True, repr=False)
class Pool:
    """The candidate parents of one water, and everything that says why.

    Attributes
    ----------
    site, as_of, settings, checklist_name
        What the pool was built for and with.
    candidates, evidence, contributions, rejected, crosses, status : Table
        Schemas POOL, EVIDENCE, CONTRIBUTIONS, REJECTED, CROSSES and STATUS.
    counts : dict
        ``read``, ``kept``, ``rejected`` (rule key to number), ``targetGroup``, ``hybrids``,
        ``located``, ``generalised``, ``far``, ``withinRadius`` and ``unknownNames`` (name to number); read =
        kept + Σ rejected, and kept = located + targetGroup + far.  ``elsewhere`` are records of
        the store that were not read: far from the site, or without a place.
    inputs, datasets : tuple of dict
        Files with their hashes; data sets with citation, licence and records used.
    calibration, completeness : dict or None
        How presence is calibrated, and how well the water is known; None when unknown.
    features : dict
        GeoJSON features to draw, by layer.

    Examples
    --------
    >>> from poolbuilder.demonstration import demo_pool
    >>> pool = demo_pool()
    >>> len(pool), pool["bluegill"]["scientificName"], pool["bluegill"]["tier"]
    (13, 'Lepomis macrochirus', 'water')
    >>> [step["part"] for step in pool.reasons("warmouth")][:3]
    ['status', 'wide', 'near']
    >>> pool.to_pandas()["presence"].is_monotonic_decreasing
    True
    """

    site: Site
    as_of: datetime.date
    settings: Settings
    checklist_name: str
    candidates: pa.Table
    evidence: pa.Table
    contributions: pa.Table
    rejected: pa.Table
    crosses: pa.Table
    status: pa.Table
    counts: Mapping[str, Any]
    inputs: Sequence[Mapping[str, Any]] = ()
    datasets: Sequence[Mapping[str, Any]] = ()
    calibration: Mapping[str, Any] | None = None
    completeness: Mapping[str, Any] | None = None
    notes: Sequence[str] = ()
    features: Mapping[str, list[Any]] = field(default_factory=dict)
    version: str = poolbuilder.__version__

    def __repr__(self) -> str:
        top = ", ".join(
            f"{row['scientificName']} {row['presence']:.2f}"
            for row in self.candidates.slice(0, 3).to_pylist()
        )
        name = self.site.name or f"{self.site.latitude:.4f}, {self.site.longitude:.4f}"
        return f"<Pool of {name}: {self.candidates.num_rows} candidates: {top}, ...>"

    def _repr_html_(self) -> str:
        return poolbuilder.notebook_html(self)

    def plot(self, axes: Any = None) -> Any:
        """Draw presence as bars on matplotlib axes; new ones when none are given."""
        return poolbuilder.plot(self, axes)

    def explore(self) -> Any:
        """The list and the interactive map, for a notebook cell."""
        return poolbuilder.explore(self)

    def to_pandas(self) -> pandas.DataFrame:
        """The candidates as a DataFrame, schema POOL, with nullable integers."""
        import pandas as pd

        kinds = {pa.int32(): pd.Int32Dtype()}
        frame: pandas.DataFrame = self.candidates.replace_schema_metadata(None).to_pandas(
            types_mapper=kinds.get
        )
        return frame

    def to_geopandas(self) -> geopandas.GeoDataFrame:
        """The evidence as a GeoDataFrame of points, one row per species and event, WGS84."""
        import geopandas as gpd

        frame = self.evidence.replace_schema_metadata(None).to_pandas()
        points = gpd.points_from_xy(frame["longitude"], frame["latitude"])
        return gpd.GeoDataFrame(frame, geometry=points, crs="EPSG:4326")

    def __len__(self) -> int:
        return int(self.candidates.num_rows)

    def __iter__(self) -> Iterator[dict[str, Any]]:
        return iter(self.candidates.to_pylist())

    def __getitem__(self, species: str) -> dict[str, Any]:
        """The row of a candidate, by its scientific or its common name.

        Raises
        ------
        UnknownSpeciesError
            When no candidate has this name; the nearest one is named.
        """
        if not isinstance(species, str):
            raise TypeError(f"a species is named by a text, not by {type(species).__name__}")
        names: dict[str, dict[str, Any]] = {}
        for row in self:
            for name in (row["scientificName"], row["vernacularName"]):
                if name:
                    names.setdefault(name.casefold(), row)
        wanted = " ".join(species.split()).casefold()
        if wanted not in names:
            near = difflib.get_close_matches(wanted, names, n=1, cutoff=0.5)
            remedy = "its candidates are in pool.candidates"
            if near:
                found = names[near[0]]
                remedy = f"did you mean {found['vernacularName'] or found['scientificName']}?"
            raise UnknownSpeciesError(f"the pool has no species {species!r} ({remedy})")
        return names[wanted]

    def reasons(self, species: str) -> list[dict[str, Any]]:
        """The steps of the argument for one species; their log-odds sum to its logit(presence).

        Parameters
        ----------
        species : str
            Its scientific or its common name.

        Raises
        ------
        UnknownSpeciesError
            When no candidate has this name.
        """
        name = self[species]["scientificName"]
        return [row for row in self.contributions.to_pylist() if row["scientificName"] == name]


def prepare(records: pa.Table, checklist: Checklist, *, settings: Settings, as_of: datetime.date) -> pa.Table:
    """Name and screen records; this does not depend on the site.

    Returns
    -------
    Table, schema SCREENED
        As many rows as *records*.
    """
    named = name_records(records, checklist, settings=settings)
    return screen(named, settings=settings, as_of=as_of)


def build(  # noqa: PLR0913 (each is an input of its own)
    site: Site,
    records: pa.Table,
    *,
    checklist: Checklist,
    as_of: datetime.date,
    settings: Settings | None = None,
    ranges: RangeMap | None = None,
    lists: Sequence[RegionLists] = (),
    water: Water | None = None,
    provenance: Provenance | None = None,
    regions: Regions | None = None,
    statements: Sequence[tuple[str, bool, float, str]] = (),
    constants: Constants | None = None,
) -> Pool:
    """Build the pool of one water.

    Parameters
    ----------
    site : Site
    records : Table, schema RECORDS
        Any records; the wider group's may be among them and then measure effort.
    checklist : Checklist
        The species that may be candidates.
    as_of : date
        "Today": ages are counted back from it and later dates are rejected.
    ranges, water : optional
        Range polygons; outline, basins and streams of the water.
    provenance : Provenance, optional
        Where the records come from; carried into the result.
    regions : mapping, optional
        What was learnt of the surroundings from records farther away than *records* reach;
        by default it is learnt from *records*.
    statements : sequence of (species, present, year, source)
        What people say of this water; each enters its memory.
    constants : Constants, optional
        Those that ship with the package by default.

    Returns
    -------
    Pool

    Examples
    --------
    >>> from poolbuilder.schemas import RECORDS
    >>> site = Site(longitude=-91.2, latitude=36.9)
    >>> pool = build(
    ...     site, RECORDS.empty_table(), checklist=Checklist.load("lepomis"), as_of=datetime.date(2026, 6, 1)
    ... )
    >>> len(pool), pool.counts["read"], set(pool.candidates["tier"].to_pylist())
    (13, 0, {'none'})
    """
    settings = settings or Settings()
    screened = prepare(records, checklist, settings=settings, as_of=as_of)
    return build_screened(
        site,
        screened,
        checklist=checklist,
        as_of=as_of,
        settings=settings,
        ranges=ranges,
        lists=lists,
        water=water,
        provenance=provenance,
        regions=regions,
        statements=statements,
        constants=constants,
    )


def build_screened(  # noqa: PLR0913 (each is a stage's own input)
    site: Site,
    screened: pa.Table,
    *,
    checklist: Checklist,
    as_of: datetime.date,
    settings: Settings,
    ranges: RangeMap | None = None,
    lists: Sequence[RegionLists] = (),
    water: Water | None = None,
    provenance: Provenance | None = None,
    regions: Regions | None = None,
    placed: Located | None = None,
    statements: Sequence[tuple[str, bool, float, str]] = (),
    constants: Constants | None = None,
) -> Pool:
    """Build the pool of one water from records that are named and screened already.

    *regions* holds what was learnt of the surroundings of other waters from the same
    records; what is learnt here is added to it.  *placed* is what ``locate`` gave for the
    same records, where a caller needs it too.
    """
    provenance = provenance or Provenance()
    constants = constants or Constants.shipped()
    regions = {} if regions is None else regions
    cell = cell_of(site)
    if cell not in regions:
        regions[cell] = learn_region(
            screened, cell, checklist, ranges=ranges, settings=settings, constants=constants
        )
    region = regions[cell]
    placed = placed or locate(screened, site, water=water, settings=settings)
    undated = as_of.year - settings.undated_age_years
    statements = [
        *statements,
        *(
            (genus, True, undated if np.isnan(year) else year, pool_words.genus_only(genus, count))
            for genus, year, count in genus_finds(screened, site, water, checklist, settings=settings)
        ),
    ]
    located, status = placed.records, status_at(ranges, site, checklist.species)
    seen, weighed, decision = _decided(
        region,
        site,
        located,
        status,
        checklist=checklist,
        lists=lists,
        water=water,
        statements=statements,
        as_of=as_of,
        settings=settings,
        constants=constants,
    )
    open_names = [said for name, _, _, said in statements if name in checklist.genera]
    notes = (
        *unread_of(provenance.inputs, screened),
        *provenance.notes,
        *placed.notes,
        *open_names,
        *_notes(region.looking, weighed),
    )
    return Pool(
        site=_called(site, water),
        as_of=as_of,
        settings=settings,
        checklist_name=checklist.name,
        candidates=decision.candidates,
        evidence=decision.evidence,
        contributions=decision.contributions,
        rejected=rejected_records(screened),
        crosses=pair(decision.candidates, _hybrids(located), settings=settings, kind=seen.kind),
        status=status,
        counts={
            **count_records(screened, located, site.radius_km),
            "elsewhere": provenance.elsewhere,
            **_by_type(region, seen, constants, settings),
        },
        inputs=list_inputs(provenance.inputs, checklist, ranges, water, lists),
        datasets=list_datasets(located, provenance.datasets),
        calibration=_calibration(provenance.calibration, seen.kind),
        completeness=_completeness(region.looking, seen.here),
        notes=list_notes(notes, ranges, water, lists),
        features=_features(site, ranges, water, placed.snapped),
    )


def _decided(  # noqa: PLR0913 (each is an input of its own)
    region: Region,
    site: Site,
    located: pa.Table,
    status: pa.Table,
    *,
    checklist: Checklist,
    lists: Sequence[RegionLists],
    water: Water | None,
    statements: Sequence[tuple[str, bool, float, str]],
    as_of: datetime.date,
    settings: Settings,
    constants: Constants,
) -> tuple[WaterSeen, Weighed, Decision]:
    """The water as the model sees it, what it holds, and that as tables."""
    establishment = status_answers(
        located,
        status,
        checklist,
        site,
        basins=None if water is None else water.basins,
        lists=lists,
        year=as_of.year,
        settings=settings,
    )
    seen = see_water(
        region,
        site,
        status=status,
        means={name: one.means for name, one in establishment.items()},
        water=water,
        statements=[(name, present, year) for name, present, year, _ in statements],
        now=as_of.year + as_of.timetuple().tm_yday / 366,
        settings=settings,
    )
    weighed = weigh(region, seen, constants=constants, settings=settings)
    here = _here(located, site, settings)
    evidence = gather(
        located, meanings_of(located, checklist), here, species=checklist.species, settings=settings
    )
    decision = tabulate(
        weighed,
        region,
        evidence,
        status,
        vernacular={name: checklist.vernacular(name) for name in checklist.species},
        establishment=establishment,
        told=[source for _, _, _, source in statements],
        frame=Frame.of(site.radius_km, water, as_of.year),
        event_names=_named_events(region.looking, seen.here),
    )
    return seen, weighed, decision


def _named_events(looking: Looking, here: NDArray[np.float64]) -> dict[int, str]:
    """Events that may be of the water, by what EVIDENCE calls them."""
    return {row: str(looking.events.key[row]) for row in np.flatnonzero(here > 0).tolist()}


def _calibration(told: Mapping[str, Any] | None, kind: int) -> Mapping[str, Any] | None:
    """How presence is calibrated, where the surveys were of this type of water or the type is not known."""
    if told is None or not kind or "waterTypes" not in told:
        return told
    return told if {STILL: "still", RUNNING: "running"}[kind] in told["waterTypes"] else None


def _by_type(region: Region, seen: WaterSeen, constants: Constants, settings: Settings) -> dict[str, Any]:
    """What each type of water would mean, where the type is not known."""
    if seen.kind or not len(region.looking):
        return {}
    still, running = (
        weigh(region, replace(seen, kind=kind), constants=constants, settings=settings).presence
        for kind in (STILL, RUNNING)
    )
    differ = np.flatnonzero(np.abs(still - running) >= settings.moved_presence)
    order = differ[np.argsort(-np.abs(still - running)[differ], kind="stable")]
    rows = [[region.looking.species[j], float(still[j]), float(running[j])] for j in order.tolist()]
    return {"byWaterType": rows} if rows else {}


def _here(located: pa.Table, site: Site, settings: Settings) -> NDArray[np.float64]:
    """Chance that each located record was made in the water, as events have it."""
    return chance_here(
        tables.numbers(located["longitude"]),
        tables.numbers(located["latitude"]),
        tables.numbers(located["uncertaintyM"]),
        waters_named(located),
        site.longitude,
        site.latitude,
        site.name or "",
        tables.numbers(located["inWaterShare"]),
        settings=settings,
    )


def _completeness(looking: Looking, here: NDArray[np.float64]) -> dict[str, Any] | None:
    """How well the water is known from the lists made in it; None without any."""
    events = looking.events
    lists = np.flatnonzero((here >= LIKELY_HERE) & (events.names >= SURVEY_NAMES))
    if not len(lists):
        return None
    mine = np.isin(looking.named // looking.width, lists)
    return completeness(np.bincount(looking.named[mine] % looking.width), len(lists), events.year[lists])


def _notes(looking: Looking, weighed: Weighed) -> list[str]:
    """What the surroundings allow to say."""
    if not len(looking):
        return [pool_words.NO_SITES]
    if looking.only_candidates:
        return [pool_words.ONLY_CANDIDATES.format(sites=len(looking))]
    known = pool_words.COMMUNITY_KNOWN if weighed.community else pool_words.COMMUNITY_UNKNOWN
    return [pool_words.LOOKED.format(sites=len(looking), share=words.percent(looking.completeness)), known]


def _called(site: Site, water: Water | None) -> Site:
    """The site, by the name of its water on the map when it was given none."""
    known = None if water is None or water.outline is None else water.outline.name
    return replace(site, name=known) if known and not site.name else site


def _hybrids(located: pa.Table) -> pa.Table:
    """Hybrid records within reach, by their parents."""
    hybrid = np.array([role == "hybrid" for role in tables.strings(located["role"])], dtype=bool)
    rows = tables.where(located, hybrid)
    weight = tables.numbers(rows["quality"]) * tables.numbers(rows["kernel"])
    groups: dict[tuple[str, ...], list[float]] = {}
    for names, value in zip(rows["acceptedNames"].to_pylist(), weight.tolist(), strict=True):
        if len(names) >= 2:
            groups.setdefault(tuple(sorted(names)), []).append(value)
    ordered = sorted(groups)
    return tables.table(
        HYBRIDS,
        {
            "parents": [list(names) for names in ordered],
            "records": [len(groups[names]) for names in ordered],
            "weight": [sum(groups[names]) for names in ordered],
        },
    )


def _features(
    site: Site, ranges: RangeMap | None, water: Water | None, snapped: Sequence[Any]
) -> dict[str, list[Any]]:
    """What a map of the pool shows besides its events, as GeoJSON features."""
    import shapely

    area = disc(site.longitude, site.latitude, site.radius_km)
    shape = json.loads(shapely.to_geojson(area))
    layers: dict[str, list[Any]] = {
        "disc": [{"type": "Feature", "properties": {"radiusKm": site.radius_km}, "geometry": shape}]
    }
    if water is not None:
        layers.update(water.features())
    if snapped:
        layers["snapped"] = list(snapped)
    if ranges is not None:
        layers["ranges"] = list(ranges.polygons_near(site))
    return layers
