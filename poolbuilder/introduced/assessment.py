"""One water: which introduced species are near it, what its records say of each, and how each comes.

A record is graded by what it says of itself alone: *sure* when somebody can check it (a specimen, a
photograph, a verified identification or a survey) and nothing speaks against it, *toBeChecked* when
something does, *likely* otherwise.

The nearest record so far can only come nearer, and comes nearer by mere looking.  So each year also
has a lower end: how near the species could have been without being met, given the sampling events
between the water and the nearest record.  An event in reach of the species meets it with
probability *p*, which is learnt from the events at and beyond the nearest record; with a
Beta(k + ½, n − k + ½) for *p* after *n* events of which *k* met it (Jeffreys' prior, from memory),
the chance that *m* events all miss it is ::

    B(a, b + m) / B(a, b),    a = k + ½,  b = n − k + ½

Where nobody looked, the lower end is 0: a thin year cannot show that a species spreads.

The watch list holds introduced species that are not recorded in the water yet, ranked by presence in
three bands, then by how the nearest record is joined to the water, then by distance.  Distance in a
straight line stands for the boat trailer and the bait bucket.
"""

from __future__ import annotations

import datetime
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import said
from poolbuilder.model.evidence import OWN
from poolbuilder.names.vocabularies import DEGREE_OF_ESTABLISHMENT, PATHWAY, read_term
from poolbuilder.places.geodesy import distance_km
from poolbuilder.places.uncertainty import share_inside, sigma_km
from poolbuilder.settings import Settings
from poolbuilder.status.decision import Establishment
from poolbuilder.status.lists import side
from poolbuilder.surroundings import Located, Screened, reach_of
from poolbuilder.words import introduced_words as words
from poolbuilder.words import who_says

if TYPE_CHECKING:
    from poolbuilder.pool import Built

Document = dict[str, Any]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

COARSE_M = 10_000.0
"""A place known no better than this tells no lake from its neighbours; common practice, no source."""
OLD_YEARS = 10
"""An event as old as this that comes into the records only now is an old one newly published."""
CONNECTIONS = ("upstream", "passable", "barrier", "apart")
"""How a record's place is joined to the water, the easiest way for a fish first."""
LEVEL_KM = 0.01
MISSED = 0.05
"""A species is held to be no nearer than where so small a chance of missing it begins."""
BANDS = ((0.5, "likely"), (0.1, "possible"), (0.0, "unlikely"))
"""Lower end of presence, and what it is called."""
DRAWN_RADII = 1.18

RECORD_FIELDS = (
    "recordKey", "occurrenceID", "link", "datasetName", "datasetKey", "license", "recordedBy", "eventDate",
    "decimalLongitude", "decimalLatitude", "coordinateUncertaintyInMeters", "basisOfRecord",
    "identificationQualifier", "identificationVerificationStatus", "identificationRemarks",
    "occurrenceRemarks", "associatedMedia",
)  # fmt: skip
"""What is shown of a deciding record: Darwin Core terms, its key, and the page where it can be read."""

_AS_GIVEN = (
    "recordKey", "occurrenceID", "references", "datasetName", "datasetKey", "license", "recordedBy",
    "eventDate", "basisOfRecord", "identificationQualifier", "identificationVerificationStatus",
    "identificationRemarks", "occurrenceRemarks", "associatedMedia", "dataGeneralizations",
    "informationWithheld", "samplingProtocol", "locality", "eventID",
)  # fmt: skip
_WAYS = ("byWaterKm", "upstreamKm", "downstreamKm", "passability")
_TERMS = ("eventYear", "degreeOfEstablishment", "pathway", "distanceKm")
_QUALIFIED = re.compile(r"\b(cf|aff|nr|near|possibly|probably|prob|uncertain)\b|\?", re.IGNORECASE)
_UNVERIFIED = re.compile(
    r"unverified|not verified|unconfirmed|not confirmed|needs? (id|verif)|casual|requires", re.IGNORECASE
)
_VERIFIED = re.compile(r"verified|confirmed|research|expert|validated|accepted", re.IGNORECASE)
_KEPT_FISH = re.compile(
    r"aquari|pet ?shop|pet store|fish market|market stall|for sale|bought|purchased|garden pond|hatchery",
    re.IGNORECASE,
)
_YOUNG = re.compile(
    r"juvenile|young|fry\b|fingerling|larva|yoy\b|0\+|age[- ]?0|brood|jungfisch|brut\b|alevin", re.IGNORECASE
)
_DNA = re.compile(r"\bedna\b|environmental dna|metabarcod", re.IGNORECASE)
_SPECIMEN = {"preservedspecimen", "materialsample", "materialcitation", "materialentity", "fossilspecimen"}
_SERVICE_KEY = re.compile(r"gbif:(\d+)$")
_SERVICE_PAGE = "https://www.gbif.org/occurrence/"


# ------------------------------------------------------------------ records


def link_of(record: Mapping[str, Any]) -> str | None:
    """Where a record can be read: its own page, else the open service's page of its key."""
    own = str(record.get("references") or "").split("|")[0].strip()
    if own.startswith(("https://", "http://")):
        return own
    if key := _SERVICE_KEY.search(record.get("recordKey") or ""):
        return _SERVICE_PAGE + key.group(1)
    identifier = str(record.get("occurrenceID") or "")
    return identifier if identifier.startswith(("https://", "http://")) else None


def grade(record: Mapping[str, Any], as_of: datetime.date) -> tuple[str, list[str]]:
    """How sure a record is, one of `GRADES`, and what speaks against it or for it, codes of ``words``.

    Parameters
    ----------
    record : mapping
        Darwin Core terms as given; ``coordinateUncertaintyInMeters`` as used.
    """

    def text(*names: str) -> str:
        return " ".join(str(record.get(name) or "") for name in names)

    status = text("identificationVerificationStatus")
    remarks = text("occurrenceRemarks", "identificationRemarks", "locality")
    unsure_m, year = record.get("coordinateUncertaintyInMeters"), text("eventDate")[:4]
    old = as_of.year - int(year) if year.isdigit() else None
    against = {
        "keptFish": _KEPT_FISH.search(remarks),
        "qualified": _QUALIFIED.search(text("identificationQualifier")),
        "unverified": _UNVERIFIED.search(status) or status.strip() == "0",
        "environmentalDna": _DNA.search(f"{text('samplingProtocol', 'basisOfRecord')} {remarks}"),
        "obscured": text("dataGeneralizations", "informationWithheld").strip(),
        "coarse": unsure_m is not None and unsure_m >= COARSE_M,
        "undated": old is None,
        "oldNewlyPublished": old is not None and old >= OLD_YEARS,
    }
    if codes := [code for code, holds in against.items() if holds]:
        return "toBeChecked", codes
    basis = "".join(letter for letter in text("basisOfRecord").lower() if letter.isalpha())
    support = {
        "specimen": basis in _SPECIMEN,
        "media": record.get("associatedMedia"),
        "verified": _VERIFIED.search(status),
        "survey": record.get("samplingProtocol") and record.get("eventID"),
    }
    codes = [code for code, holds in support.items() if holds]
    return ("sure", codes) if codes else ("likely", ["noProof"])


def graded_records(located: Located, rows: Ints, share: Floats) -> list[Document]:
    """Some records that were read, each with `RECORD_FIELDS`, its place, grade, and whether of young fish."""
    about = located.screened.about
    places = zip(
        located.rows[rows].tolist(), located.distance_km[rows].tolist(), share[rows].tolist(), strict=True
    )
    return [
        {**about[row], "distanceKm": km, "inWater": inside >= 0.5, "inWaterShare": inside}
        for row, km, inside in places
    ]


def _read(screened: Screened, rows: Ints, as_of: datetime.date) -> None:
    """Read and grade records that no water asked for before."""
    unread = np.array([row for row in rows.tolist() if row not in screened.about], dtype=np.int64)
    screened.about.update(zip(unread.tolist(), _graded(screened, unread, as_of), strict=True))


def _graded(screened: Screened, rows: Ints, as_of: datetime.date) -> Iterator[Document]:
    """What some records say by themselves, whatever the water."""
    table = tables.take(screened.table.select(_AS_GIVEN), screened.target[rows])
    given = {name: tables.strings(table[name]) for name in _AS_GIVEN}
    given |= {
        "decimalLongitude": screened.longitude[rows].tolist(),
        "decimalLatitude": screened.latitude[rows].tolist(),
        "coordinateUncertaintyInMeters": screened.uncertainty_m[rows].tolist(),
    }
    for at in range(len(rows)):
        record = {name: values[at] for name, values in given.items()}
        sureness, reasons = grade(record, as_of)
        yield {
            **{name: record.get(name) for name in RECORD_FIELDS},
            "link": link_of(record),
            "young": bool(_YOUNG.search(record["occurrenceRemarks"] or "")),
            "grade": sureness,
            "gradeReasons": reasons,
        }


def terms_said(located: pa.Table, names: Sequence[str | None], *, radius_km: float) -> dict[str, Document]:
    """Degree and pathways that the records within the radius state, by species.

    The degree changes as a species settles, so the latest year that states one decides, and
    among its records the most frequent; ``native`` is no degree of an introduction.
    """
    stated = tables.valid(located["degreeOfEstablishment"]) | tables.valid(located["pathway"])
    rows = np.flatnonzero(stated & (tables.numbers(located["distanceKm"]) <= radius_km))
    heard = tables.take(located, rows)
    degrees: dict[str, list[tuple[int, str]]] = {}
    paths: dict[str, Counter[str]] = {}
    for row, year, degree, pathway in zip(
        rows.tolist(),
        tables.integers(heard["eventYear"]).tolist(),
        tables.strings(heard["degreeOfEstablishment"]),
        tables.strings(heard["pathway"]),
        strict=True,
    ):
        if (name := names[row]) is None:
            continue
        if (term := read_term(degree, DEGREE_OF_ESTABLISHMENT)) and term != "native":
            degrees.setdefault(name, []).append((year, term))
        for part in (pathway or "").split("|"):
            if way := read_term(part, PATHWAY):
                paths.setdefault(name, Counter())[way] += 1
    found = {}
    for name in {*degrees, *paths}:
        ways, latest = paths.get(name, Counter()), max(degrees.get(name, []), default=(0, ""))[0]
        counts = Counter(term for year, term in degrees.get(name, []) if year == latest)
        found[name] = {
            "degree": min(
                counts, key=lambda term: (-counts[term], DEGREE_OF_ESTABLISHMENT.index(term)), default=None
            ),
            "pathways": sorted(ways, key=lambda term: (-ways[term], term)),
        }
    return found


# ------------------------------------------------------------------ ways and the leading edge


@dataclass(frozen=True, kw_only=True)
class Way:
    """The way by water from a record to the water.

    Attributes
    ----------
    connection : str
        ``upstream`` (a fish can come down with the water), ``passable``, ``barrier`` or
        ``apart`` (not joined, or not known to be).
    km, upstream_km, downstream_km : float or None
        Seen from the water towards the record.
    """

    connection: str
    km: float | None = None
    upstream_km: float | None = None
    downstream_km: float | None = None
    passability: float | None = None

    @property
    def direction(self) -> str | None:
        """Where the record lies; None when it is not on the water's network."""
        if self.km is None or self.upstream_km is None or self.downstream_km is None:
            return None
        if self.km <= LEVEL_KM:
            return "in the water"
        if self.downstream_km <= LEVEL_KM:
            return "upstream"
        return "downstream" if self.upstream_km <= LEVEL_KM else said("downstream_up_branch")


APART = Way(connection="apart")


def ways_of(located: pa.Table, names: Sequence[str | None], *, settings: Settings) -> dict[str, list[Way]]:
    """The ways by water of each species' records, nearest by water first."""
    whole, up, down, passed = (
        tables.numbers(located[name]) for name in ("byWaterKm", "upstreamKm", "downstreamKm", "passability")
    )
    found: dict[str, list[Way]] = {}
    for row in np.flatnonzero(~np.isnan(whole)).tolist():
        if (name := names[row]) is None:
            continue
        free = 1.0 if np.isnan(passed[row]) else float(passed[row])
        joined = "passable" if free >= settings.passable else "barrier"
        found.setdefault(name, []).append(
            Way(
                connection="upstream" if down[row] <= LEVEL_KM else joined,
                km=float(whole[row]),
                upstream_km=float(up[row]),
                downstream_km=float(down[row]),
                passability=free,
            )
        )
    for ways in found.values():
        ways.sort(key=lambda way: (way.km or 0.0, CONNECTIONS.index(way.connection)))
    return found


def best_way(ways: Sequence[Way]) -> Way:
    """The easiest way among several, the shortest of its kind; apart when there is none."""
    return min(ways, key=lambda way: (CONNECTIONS.index(way.connection), way.km or 0.0), default=APART)


@dataclass(frozen=True, kw_only=True, eq=False)
class Visits:
    """Sampling events that looked for any fish: year, km from the water, and whether they met the species."""

    year: Ints
    km: Floats
    met: Bools


def chance_of_misses(misses: int, *, met: int, visits: int) -> Floats:
    """Chances that 1, 2, ... *misses* events all miss a species that *met* of *visits* others met.

    Examples
    --------
    >>> chance_of_misses(2, met=1, visits=1).round(3).tolist()
    [0.25, 0.125]
    """
    a, b = met + 0.5, visits - met + 0.5
    each = np.arange(misses, dtype=np.float64)
    chances: Floats = np.cumprod((b + each) / (a + b + each)).astype(np.float64)
    return chances


def _low(visits: Visits, recent: Bools, nearest: float) -> tuple[float, int]:
    """How near the species may be, and how many events speak to that."""
    nearer = recent & (visits.km < nearest)
    beyond = recent & ~nearer
    away = np.sort(visits.km[nearer])[::-1]
    chances = chance_of_misses(len(away), met=int(visits.met[beyond].sum()), visits=int(beyond.sum()))
    enough = np.flatnonzero(chances <= MISSED)
    return (float(away[enough[0]]) if len(enough) else 0.0), len(away)


def trace_front(
    year: Sequence[int], km: Sequence[float], visits: Visits | None, *, last: int, settings: Settings
) -> Document | None:
    """Trace the leading edge of one species towards one water.

    Parameters
    ----------
    year, km : sequence
        Dated events that met the species, and their distance to the water.
    visits : Visits or None
        All events within reach; None when the records hold nothing but the species of the
        checklist, so that effort is unknown.
    last : int
        The year to end with.

    Returns
    -------
    dict or None
        ``trend`` (``approaching``, ``no nearer``, ``arrived``: its first record is in the water, or
        ``unclear``), ``words``, ``speedKmPerYear`` between the first year and the last with the
        interval that the events leave open, and ``years``: each with ``nearestKm``, the nearest
        record so far, ``lowKm`` (None when nobody knows who looked) and ``visits`` nearer than it.
        None without a dated event.
    """
    if not len(year):
        return None
    when, away = np.asarray(year, dtype=np.int64), np.asarray(km, dtype=float)
    window = round(settings.front_window_years)
    years: list[Document] = []
    for now in range(int(when.min()), max(last, int(when.max())) + 1):
        nearest = float(away[when <= now].min())
        low, count = None, 0
        if visits is not None:
            low, count = _low(visits, (visits.year <= now) & (visits.year > now - window), nearest)
        years.append({"year": now, "nearestKm": nearest, "lowKm": low, "visits": count})
    first, end = years[0], years[-1]
    speed = slow = fast = None
    if span := end["year"] - first["year"]:
        speed = (first["nearestKm"] - end["nearestKm"]) / span
        if first["lowKm"] is not None and end["lowKm"] is not None:
            slow = (first["lowKm"] - end["nearestKm"]) / span
            fast = (first["nearestKm"] - end["lowKm"]) / span
    if first["nearestKm"] == 0:
        trend = "arrived"
    elif not span:
        trend = "unclear"
    elif end["nearestKm"] >= first["nearestKm"]:
        trend = "no nearer"
    else:
        trend = "approaching" if slow is not None and slow > 0 else "unclear"
    front = {
        "trend": trend,
        "speedKmPerYear": speed,
        "speedLowKmPerYear": slow,
        "speedHighKmPerYear": fast,
        "years": years,
    }
    return {**front, "words": words.leading_edge(front)}


def arrival(row: Mapping[str, Any], way: Way, *, inside_range: bool) -> Document:
    """One line of the watch list.

    Parameters
    ----------
    row : mapping
        What is known of the species around the water.
    way : Way
        The easiest way by water from any of its records.
    inside_range : bool
        Whether a polygon of its introduced range holds the water.
    """
    same = (
        "scientificName", "vernacularName", "establishmentMeans", "establishmentSource", "presence",
        "nearestKm", "lastYear", "restriction",
    )  # fmt: skip
    return {
        **{name: row[name] for name in same},
        "band": next(name for low, name in BANDS if row["presence"] >= low),
        "connection": way.connection,
        "byWaterKm": way.km,
        "reasons": words.arrival_reasons(row, way.connection, way.km, inside_range=inside_range),
    }


def ranked(arrivals: list[Document]) -> list[Document]:
    """The watch list in order, each with its rank from 1."""

    def far(km: float | None) -> float:
        return float("inf") if km is None else km

    names = [name for _, name in BANDS]
    ordered = sorted(
        arrivals,
        key=lambda item: (
            names.index(item["band"]),
            CONNECTIONS.index(item["connection"]),
            far(item["byWaterKm"]),
            far(item["nearestKm"]),
            -item["presence"],
            item["scientificName"],
        ),
    )
    return [{"rank": rank, **item} for rank, item in enumerate(ordered, start=1)]


# ------------------------------------------------------------------ one water


@dataclass(frozen=True, kw_only=True)
class Assessment:
    """What was found of one water.

    Attributes
    ----------
    document : dict
        Ready for the json module.
    places : list of dict
        Events of the species listed, to draw.
    outline : dict or None
        GeoJSON geometry of the water.
    datasets, notes, inputs : tuple
        As the pool has them.
    """

    document: Document
    places: list[Document]
    outline: Document | None
    datasets: tuple[Mapping[str, Any], ...] = ()
    notes: tuple[str, ...] = ()
    inputs: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class _Events:
    """The events of one species, nearest first: arrays of one length.

    *row* counts the elements of `Found`, *record* the records that may be located; *date* is the rank of a
    date among *days*, 0 for none where the first of them is empty.
    """

    row: Ints
    record: Ints
    km: Floats
    near: Bools
    in_water: Bools
    date: Ints
    days: Sequence[str]

    @property
    def dated(self) -> Bools:
        """Which have a date."""
        return np.array([bool(day) for day in self.days], dtype=bool)[self.date]

    def first(self, mask: Bools) -> str | None:
        """The earliest date among some events; a year alone comes before its days."""
        dates = self.date[mask & self.dated]
        return self.days[int(dates.min())] if len(dates) else None


@dataclass(frozen=True, kw_only=True, eq=False)
class _Water:
    """Everything about one water that its species are looked up in."""

    built: Built
    outlined: bool
    own: Ints
    share: Floats
    events: Mapping[str, _Events]
    ways: Mapping[str, Sequence[Way]]
    said: Mapping[str, Document]
    restricted: frozenset[str]
    decided: Mapping[str, Establishment]
    visits: Visits | None
    met: Floats
    species: Sequence[str]


def in_water_share(inside: Floats | None, km: Floats, uncertainty_m: Floats, settings: Settings) -> Floats:
    """Chance that each record lies in the water: *inside* the outline; else within ``sameWaterKm``."""
    if inside is not None:
        return np.nan_to_num(inside)
    sigma = sigma_km(uncertainty_m, quantile=settings.uncertainty_quantile)
    return share_inside(km, sigma, settings.same_water_km)


def _events(built: Built, *, outlined: bool) -> dict[str, _Events]:
    """The events of each species by its own name; in the water with a chance of one half or more."""
    located, found, screened = built.located, built.found, built.screened
    rows = np.flatnonzero(OWN[found.kind])
    record = located.rows[found.record[rows]]
    km, species = located.distance_km[found.record[rows]], found.species[rows]
    rank, days = screened.date
    here = found.here[rows] if outlined else None
    share = in_water_share(here, km, screened.uncertainty_m[record], built.settings)
    near = km <= built.site.radius_km
    by_species = np.lexsort((rows, rank[record], km, species))
    ends = np.flatnonzero(np.diff(species[by_species], prepend=-1, append=-1))
    return {
        built.checklist.species[species[mine[0]]]: _Events(
            row=rows[mine],
            record=record[mine],
            km=km[mine],
            near=near[mine],
            in_water=(near & (share >= 0.5))[mine],
            date=rank[record[mine]],
            days=days,
        )
        for mine in np.split(by_species, ends[1:-1])
        if len(mine)
    }


def _visits(built: Built, settings: Settings) -> tuple[Visits | None, Floats]:
    """Sampling events within reach, and which candidates each met; None where nobody recorded others."""
    looking, site = built.region.looking, built.site
    events, none = looking.events, np.zeros((0, len(looking.species)))
    if not len(events) or looking.only_candidates:
        return None, none
    reach = reach_of(site, settings=settings)
    known = ~np.isnan(events.year) & (events.uncertainty_m <= settings.list_max_uncertainty_m)
    rows = np.flatnonzero(known & (np.abs(events.latitude - site.latitude) <= reach / 110))
    away = distance_km(
        events.longitude[rows],
        events.latitude[rows],
        from_longitude=site.longitude,
        from_latitude=site.latitude,
    )
    rows, away = rows[away <= reach], away[away <= reach]
    outline = None if built.water is None else built.water.outline
    if outline is not None:
        away = outline.shore_km(events.longitude[rows], events.latitude[rows])
    years = events.year[rows].astype(np.int64)
    return Visits(year=years, km=away, met=np.zeros(len(rows), dtype=bool)), events.found.of(rows)


def assess(built: Built, *, number: int) -> Assessment:
    """Look at one water.

    Parameters
    ----------
    built : Built
        What its pool is made of.
    number : int
        Of the water in its table, from 1.
    """
    located, screened, species = built.located, built.screened, built.checklist.species
    settings = built.settings
    outlined = built.water is not None and built.water.outline is not None
    own = screened.meant.own[located.rows]
    names = [species[code] if code >= 0 else None for code in own.tolist()]
    visits, met = _visits(built, settings)
    code, licences = screened.coded("license")
    restricted = np.array([*map(words.is_restricted, licences), False])[code[located.rows]]
    inside = None if located.placed is None or not outlined else located.placed.in_water_share
    scene = _Water(
        built=built,
        outlined=outlined,
        own=own,
        share=in_water_share(inside, located.distance_km, screened.uncertainty_m[located.rows], settings),
        events=_events(built, outlined=outlined),
        ways={} if located.placed is None else ways_of(located.table(_WAYS), names, settings=settings),
        restricted=frozenset(species[one] for one in set(own[restricted].tolist()) if one >= 0),
        said=_said(built, names),
        decided=built.establishment,
        visits=visits,
        met=met,
        species=species,
    )
    return _assessed(scene, number)


def _said(built: Built, names: Sequence[str | None]) -> dict[str, Document]:
    """Degree and pathways that the records near the water state, by species."""
    located, screened = built.located, built.screened
    if not any(screened.coded(term)[1] for term in ("degreeOfEstablishment", "pathway")):
        return {}
    return terms_said(located.table(_TERMS), names, radius_km=built.site.radius_km)


def _assessed(scene: _Water, number: int) -> Assessment:
    built, site = scene.built, scene.built.called
    near = np.flatnonzero((built.located.distance_km <= site.radius_km) & (scene.own >= 0))
    code, keys = built.screened.coded("recordKey")
    rows_of: dict[str, Ints] = {
        name: near[scene.own[near] == built.checklist.species.index(name)] for name in scene.events
    }
    looked_at = [rows for name, rows in rows_of.items() if _kind(scene.decided[name]) != "native"]
    _read(built.screened, built.located.rows[np.concatenate([near[:0], *looked_at])], built.as_of)
    listed: dict[str, list[Document]] = {"introduced": [], "unsettled": []}
    expected: list[Document] = []
    places: list[Document] = []
    for candidate in built.candidates:
        name, events = candidate["scientificName"], scene.events.get(candidate["scientificName"])
        kind = _kind(scene.decided[name])
        if kind == "native" or (events is None and kind != "introduced"):
            continue
        rows = rows_of.get(name, near[:0])
        found = _row(scene, candidate, graded_records(built.located, rows, scene.share))
        if found["events"]:
            listed["unsettled" if kind == "unsettled" else "introduced"].append(found)
        mapped = candidate["rangeKm"] == 0
        if kind == "introduced" and not found["inWater"] and (events is not None or mapped):
            expected.append(arrival(found, best_way(scene.ways.get(name, ())), inside_range=mapped))
        if events is not None:
            places += _places(name, kind, events, built)
    document = {
        "water": site.name,
        "number": number,
        "locationID": site.location_id or None,
        "county": site.county or None,
        "longitude": site.longitude,
        "latitude": site.latitude,
        "radiusKm": site.radius_km,
        "outlined": scene.outlined,
        **listed,
        "expected": ranked(expected),
        "gone": [],
        "named": {
            keys[one]: name
            for name, rows in rows_of.items()
            for one in code[built.located.rows[rows]].tolist()
        },
        "recorded": [
            {"scientificName": name, "inWater": bool(events.in_water.any())}
            for name, events in sorted(scene.events.items())
            if events.near.any()
        ],
        "notes": [] if len(built.located) else [words.NOTHING_WITHIN_REACH],
    }
    shapes = [] if built.water is None else built.water.features().get("outline") or []
    return Assessment(
        document=document,
        places=places,
        outline=shapes[0]["geometry"] if shapes else None,
        datasets=built.datasets,
        notes=built.notes,
        inputs=built.inputs,
    )


def _kind(decided: Establishment) -> str:
    """``introduced``, ``vagrant``, ``native``, or ``unsettled`` when nobody says or native is disputed."""
    if side(decided.means) == "introduced":
        return "introduced"
    if decided.means == "vagrant":
        return "vagrant"
    return "native" if side(decided.means) == "native" and not decided.disputed else "unsettled"


def _row(scene: _Water, candidate: Mapping[str, Any], records: list[Document]) -> Document:
    """What is known of one species at one water; `season` adds what is new."""
    name = candidate["scientificName"]
    decided, events = scene.decided[name], scene.events.get(name)
    nearest = next(iter(scene.ways.get(name, ())), APART)
    said, listed = scene.said.get(name, {}), decided.heard
    of_list = next((item for item in listed if item.degree), None)
    degree, who = said.get("degree"), "record"
    if degree is None and of_list is not None:
        degree, who = of_list.degree, who_says(of_list)
    paths = said.get("pathways") or dict.fromkeys(item.pathway for item in listed if item.pathway)
    same = (
        "scientificName", "vernacularName", "presence", "presenceLow", "presenceHigh", "nearestKm",
        "nearestByWaterKm", "firstYear", "lastYear", "records",
    )  # fmt: skip
    return {
        **{key: candidate[key] for key in same},
        "establishmentMeans": decided.means,
        "establishmentSource": decided.source,
        "conflict": decided.remark,
        "disputed": decided.disputed,
        "direction": nearest.direction,
        "upstreamKm": nearest.upstream_km,
        "downstreamKm": nearest.downstream_km,
        "passability": nearest.passability,
        "way": words.way(nearest.direction, nearest.km, nearest.downstream_km, nearest.passability),
        "firstDate": None if events is None else events.first(events.near),
        "firstDateInWater": None if events is None else events.first(events.in_water),
        "undatedEvents": 0 if events is None else int((events.near & ~events.dated).sum()),
        "events": 0 if events is None else int(events.near.sum()),
        "inWater": events is not None and bool(events.in_water.any()),
        "isNew": None,
        "newIn": None,
        "news": [],
        "newRecords": None,
        "grade": None,
        "gradeReasons": [],
        "review": None,
        "deciding": [],
        "seenRecords": records,
        "degreeOfEstablishment": degree,
        "degreeSource": None if degree is None else who,
        "pathway": " | ".join(paths) or None,
        "front": None if events is None else _front(scene, name, events),
        "restriction": words.RESTRICTED if name in scene.restricted else None,
        "remark": candidate["note"],
        "note": "",
    }  # fmt: skip


def _front(scene: _Water, name: str, events: _Events) -> Document | None:
    settings, screened = scene.built.settings, scene.built.screened
    away = np.where(events.in_water, 0.0, events.km)
    placed = screened.uncertainty_m[events.record] <= settings.list_max_uncertainty_m
    dated = np.flatnonzero(events.dated & placed)
    visits = scene.visits
    if visits is not None:
        met = scene.met[:, scene.species.index(name)] > 0
        visits = Visits(year=visits.year, km=visits.km, met=met)
    return trace_front(
        screened.year[events.record[dated]].tolist(),
        away[dated].tolist(),
        visits,
        last=scene.built.as_of.year,
        settings=settings,
    )


def _places(name: str, kind: str, events: _Events, built: Built) -> list[Document]:
    """Events of one species, to draw and for a GIS."""
    shown = np.flatnonzero(events.km <= DRAWN_RADII * built.site.radius_km)
    record, screened = events.record[shown], built.screened
    source, sources = screened.coded("datasetKey")
    columns = {
        "eventKey": screened.called(record),
        "longitude": screened.longitude[record].tolist(),
        "latitude": screened.latitude[record].tolist(),
        "distanceKm": events.km[shown].tolist(),
        "eventDate": [events.days[date] or None for date in events.date[shown].tolist()],
        "records": built.found.records[events.row[shown]].tolist(),
        "datasetKey": [sources[code] if code >= 0 else None for code in source[record].tolist()],
        "uncertaintyM": [None if m != m else m for m in screened.uncertainty_m[record].tolist()],
        "inWater": events.in_water[shown].tolist(),
    }
    return [
        {"scientificName": name, "kind": kind, **dict(zip(columns, row, strict=True))}
        for row in zip(*columns.values(), strict=True)
    ]
