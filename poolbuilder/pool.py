"""From a place and a pile of records to a weighted, explained list of species."""

from __future__ import annotations

import datetime
import difflib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

import poolbuilder
from poolbuilder import tables, words
from poolbuilder.accounts import (
    COUNTED,
    Provenance,
    count_records,
    list_datasets,
    list_inputs,
    list_notes,
    rejected_records,
    unread_of,
)
from poolbuilder.errors import UnknownSpeciesError, said
from poolbuilder.model.candidates import Frame, candidate_rows, completeness, contributions_table
from poolbuilder.model.constants import Constants
from poolbuilder.model.evidence import Found, evidence_table, gather
from poolbuilder.model.looking import RUNNING, STILL, Looking
from poolbuilder.model.pairs import pair_rows
from poolbuilder.model.presence import LIKELY_HERE, SURVEY_NAMES, Region, WaterSeen, Weighed, weigh
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.reader import name_records
from poolbuilder.places.geodesy import disc
from poolbuilder.places.sites import Site
from poolbuilder.records.rules import screen
from poolbuilder.schemas import CROSSES, POOL, STATUS, check
from poolbuilder.settings import Settings
from poolbuilder.status.decision import Establishment, status_answers, terms_of_records
from poolbuilder.status.lists import RegionLists
from poolbuilder.status.polygons import RangeMap, status_at
from poolbuilder.surroundings import Located, Regions, Screened, cell_of, learn_region, locate, see_water
from poolbuilder.water import Water

if TYPE_CHECKING:
    import geopandas
    import pandas


Ints = NDArray[np.int64]

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
        the store that were not read: far from the site, or without a place.  ``unlisted`` are species
        with very many events: how many (``events``) lie ``beyondKm`` and are counted but not in *evidence*.
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
            raise TypeError(said("species_named_text", name=type(species).__name__))
        names: dict[str, dict[str, Any]] = {}
        for row in self:
            for name in (row["scientificName"], row["vernacularName"]):
                if name:
                    names.setdefault(name.casefold(), row)
        wanted = " ".join(species.split()).casefold()
        if wanted not in names:
            near = difflib.get_close_matches(wanted, names, n=1, cutoff=0.5)
            remedy = said("candidates_pool_candidates")
            if near:
                found = names[near[0]]
                remedy = f"did you mean {found['vernacularName'] or found['scientificName']}?"
            raise UnknownSpeciesError.of("pool_no_species", species=species, remedy_given=remedy)
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
    regions, constants, cell = (
        {} if regions is None else regions,
        constants or Constants.shipped(),
        cell_of(site),
    )
    if cell not in regions:
        regions[cell] = learn_region(
            screened, cell, checklist, ranges=ranges, settings=settings, constants=constants
        )
    return Built(
        site=site,
        screened=Screened(screened, checklist, settings),
        rows=np.arange(screened.num_rows),
        region=regions[cell],
        as_of=as_of,
        settings=settings,
        ranges=ranges,
        lists=lists,
        water=water,
        provenance=provenance or Provenance(),
        said=statements,
        constants=constants,
    ).pool


@dataclass(frozen=True, kw_only=True, eq=False)
class Built:
    """One water and everything that its pool is made of; what is asked for is made then, and once.

    Attributes
    ----------
    site : Site
    screened : Screened
        Records of this water and perhaps of others.
    rows : (n,) int array
        Those of this water.
    region : Region
        What its surroundings teach.
    as_of, settings, ranges, lists, water, provenance, constants
        As `build` takes them.
    said : sequence of (species, present, year, source)
        What people say of this water.
    """

    site: Site
    screened: Screened
    rows: Ints
    region: Region
    as_of: datetime.date
    settings: Settings
    constants: Constants
    ranges: RangeMap | None = None
    lists: Sequence[RegionLists] = ()
    water: Water | None = None
    provenance: Provenance = field(default_factory=Provenance)
    said: Sequence[tuple[str, bool, float, str]] = ()

    @property
    def checklist(self) -> Checklist:
        """The species that may be candidates."""
        return self.screened.checklist

    @property
    def kept(self) -> int:
        """How many of its records no rule rejects."""
        return int(self.screened.kept[self.rows].sum())

    @property
    def near(self) -> int:
        """How many records of candidates lie within the radius."""
        return int(((self.located.distance_km <= self.site.radius_km) & ~self.located.hybrid).sum())

    @cached_property
    def located(self) -> Located:
        """Its records with their place relative to the site."""
        return locate(self.screened, self.rows, self.site, water=self.water, settings=self.settings)

    @cached_property
    def _statements(self) -> list[tuple[str, bool, float, str]]:
        """What people say, and finds that name only a genus."""
        undated = self.as_of.year - self.settings.undated_age_years
        finds = self.screened.genus_finds(self.rows, self.site, self.water)
        return [
            *self.said,
            *(
                (genus, True, undated if np.isnan(year) else year, _genus_only(genus, count))
                for genus, year, count in finds
            ),
        ]

    @cached_property
    def status(self) -> list[dict[str, Any]]:
        """What the range polygons say; rows of STATUS."""
        return status_at(self.ranges, self.site, self.checklist.species)

    @cached_property
    def establishment(self) -> dict[str, Establishment]:
        """Native or introduced, by species."""
        located, of = self.located, self.screened
        term, terms = of.term
        records = terms_of_records(
            of.meant.own[located.rows],
            located.distance_km <= self.site.radius_km,
            None if located.placed is None else located.placed.basin_relation,
            of.year[located.rows],
            term[located.rows],
            terms,
        )
        return status_answers(
            records,
            self.status,
            self.checklist,
            self.site,
            basins=None if self.water is None else self.water.basins,
            lists=self.lists,
            year=self.as_of.year,
            settings=self.settings,
        )

    @cached_property
    def seen(self) -> WaterSeen:
        """The water as the model sees it."""
        return see_water(
            self.region,
            self.site,
            status=self.status,
            means={name: one.means for name, one in self.establishment.items()},
            water=self.water,
            statements=[(name, present, year) for name, present, year, _ in self._statements],
            now=self.as_of.year + self.as_of.timetuple().tm_yday / 366,
            settings=self.settings,
        )

    @cached_property
    def weighed(self) -> Weighed:
        """Presence of each candidate."""
        weigh_together([self])
        weighed: Weighed = vars(self)["weighed"]
        return weighed

    @cached_property
    def found(self) -> Found:
        """What its records say of candidates, by event."""
        here = self.located.here(self.site)
        return gather(self.located, here, species=self.checklist.species, settings=self.settings)

    @cached_property
    def evidence(self) -> pa.Table:
        """What records say of candidates, by event; schema EVIDENCE."""
        return self._as_table(self.found)

    def _as_table(self, found: Found) -> pa.Table:
        memory = self.weighed.memory
        made = np.flatnonzero(memory.event >= 0)
        keys = self.region.looking.events.key.take(memory.event[made]).texts()
        log_odds = {
            (j, key): change
            for key, changes in zip(keys, memory.log_odds[made].tolist(), strict=True)
            for j, change in enumerate(changes)
        }
        return evidence_table(found, self.located, log_odds, species=self.checklist.species)

    @cached_property
    def candidates(self) -> list[dict[str, Any]]:
        """The candidates by presence; rows of POOL."""
        return candidate_rows(
            self.weighed,
            self.found,
            self.located,
            self.status,
            species=self.checklist.species,
            vernacular={name: self.checklist.vernacular(name) for name in self.checklist.species},
            establishment=self.establishment,
            frame=Frame.of(self.site.radius_km, self.water, self.as_of.year),
        )

    @cached_property
    def contributions(self) -> pa.Table:
        """The argument for each candidate; schema CONTRIBUTIONS."""
        return contributions_table(
            self.weighed,
            self.region,
            self.candidates,
            self.status,
            establishment=self.establishment,
            told=[source for _, _, _, source in self._statements],
        )

    @cached_property
    def crosses(self) -> list[dict[str, Any]]:
        """The pairs of candidates; rows of CROSSES."""
        hybrids = _hybrids(self.located)
        return pair_rows(self.candidates, hybrids, settings=self.settings, kind=self.seen.kind)

    @cached_property
    def datasets(self) -> tuple[dict[str, Any], ...]:
        """Data sets of its records; whom to cite."""
        coded = [self.screened.coded(name) for name in ("datasetKey", "datasetName", "sourceFile", "license")]
        rows = self.located.rows
        return list_datasets([(code[rows], texts) for code, texts in coded], self.provenance.datasets)

    @cached_property
    def inputs(self) -> tuple[dict[str, Any], ...]:
        """Every file that went in."""
        return list_inputs(self.provenance.inputs, self.checklist, self.ranges, self.water, self.lists)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What was noted on the way."""
        placed = () if self.located.placed is None else self.located.placed.notes
        notes = (
            *unread_of(self.provenance.inputs, self.screened.files(self.rows)),
            *self.provenance.notes,
            *placed,
            *(said for name, _, _, said in self._statements if name in self.checklist.genera),
            *_notes(self.region.looking, self.weighed),
        )
        return list_notes(notes, self.ranges, self.water, self.lists)

    @cached_property
    def called(self) -> Site:
        """The site, by the name of its water on the map when it was given none."""
        known = None if self.water is None or self.water.outline is None else self.water.outline.name
        return replace(self.site, name=known) if known and not self.site.name else self.site

    @cached_property
    def pool(self) -> Pool:
        """The pool."""
        screened, located = tables.take(self.screened.table, self.rows), self.located
        away = located.distance_km[self.found.record]
        listed, beyond = self.found.listed(away, self.site.radius_km)
        unlisted = {self.checklist.species[code]: far for code, far in beyond.items()}
        return Pool(
            site=self.called,
            as_of=self.as_of,
            settings=self.settings,
            checklist_name=self.checklist.name,
            candidates=tables.of_rows(POOL, self.candidates),
            evidence=self._as_table(listed),
            contributions=self.contributions,
            rejected=rejected_records(screened),
            crosses=tables.of_rows(CROSSES, self.crosses),
            status=check(tables.of_rows(STATUS, self.status), STATUS, "status"),
            counts={
                **count_records(screened, located.table(COUNTED), self.site.radius_km),
                "elsewhere": self.provenance.elsewhere,
                **({"unlisted": unlisted} if unlisted else {}),
                **_by_type(self.region, self.seen, self.constants, self.settings),
            },
            inputs=self.inputs,
            datasets=self.datasets,
            calibration=_calibration(self.provenance.calibration, self.seen.kind),
            completeness=_completeness(self.region.looking, self.seen.here),
            notes=self.notes,
            features=_features(
                self.site, self.ranges, self.water, located.placed.features() if located.placed else ()
            ),
        )


def weigh_together(waters: Sequence[Built]) -> None:
    """Weigh some waters of one region in one go; each is then as if weighed by itself."""
    if not waters:
        return
    first, seen = waters[0], [water.seen for water in waters]
    all_weighed = weigh(first.region, seen, constants=first.constants, settings=first.settings)
    for water, weighed in zip(waters, all_weighed, strict=True):
        vars(water)["weighed"] = weighed  # where a cached property keeps its value


def _calibration(told: Mapping[str, Any] | None, kind: int) -> Mapping[str, Any] | None:
    """How presence is calibrated, where the surveys were of this type of water or the type is not known."""
    if told is None or not kind or "waterTypes" not in told:
        return told
    return told if {STILL: "still", RUNNING: "running"}[kind] in told["waterTypes"] else None


def _by_type(region: Region, seen: WaterSeen, constants: Constants, settings: Settings) -> dict[str, Any]:
    """What each type of water would mean, where the type is not known."""
    if seen.kind or not len(region.looking):
        return {}
    both = [replace(seen, kind=kind) for kind in (STILL, RUNNING)]
    still, running = (one.presence for one in weigh(region, both, constants=constants, settings=settings))
    differ = np.flatnonzero(np.abs(still - running) >= settings.moved_presence)
    order = differ[np.argsort(-np.abs(still - running)[differ], kind="stable")]
    rows = [[region.looking.species[j], float(still[j]), float(running[j])] for j in order.tolist()]
    return {"byWaterType": rows} if rows else {}


def _completeness(looking: Looking, here: NDArray[np.float64]) -> dict[str, Any] | None:
    """How well the water is known from the lists made in it; None without any."""
    events = looking.events
    lists = np.flatnonzero((here >= LIKELY_HERE) & (events.names >= SURVEY_NAMES))
    if not len(lists):
        return None
    mine = np.isin(looking.named // looking.width, lists)
    return completeness(np.bincount(looking.named[mine] % looking.width), len(lists), events.year[lists])


def _genus_only(genus: str, records: int) -> str:
    """What records say that name a genus of the list and no species."""
    return said("genus_only_once" if records == 1 else "genus_only", records=records, genus=genus)


def _notes(looking: Looking, weighed: Weighed) -> list[str]:
    """What the surroundings allow to say."""
    if not len(looking):
        return [said("no_sites")]
    if looking.only_candidates:
        return [said("only_candidates", sites=len(looking))]
    known = said("community_known" if weighed.community else "community_unknown")
    return [said("looked", sites=len(looking), share=words.percent(looking.completeness)), known]


def _hybrids(located: Located) -> list[dict[str, Any]]:
    """Hybrid records within reach, by their parents; rows of HYBRIDS."""
    rows = np.flatnonzero(located.hybrid)
    weight = located.screened.quality[located.rows[rows]] * located.kernel[rows]
    groups: dict[tuple[str, ...], list[float]] = {}
    for row, value in zip(located.rows[rows].tolist(), weight.tolist(), strict=True):
        names = located.screened.parents[row]
        if len(names) >= 2:
            groups.setdefault(tuple(sorted(names)), []).append(value)
    return [
        {"parents": list(names), "records": len(groups[names]), "weight": sum(groups[names])}
        for names in sorted(groups)
    ]


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
