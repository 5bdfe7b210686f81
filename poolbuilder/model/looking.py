"""Where somebody looked: sampling events, the sites they were made at, and how well each was looked at.

A record shows that a fish was there.  Whether a species that is *not* recorded was absent depends on how
much of what lives at a site its events would have named: the completeness of each class of events, learnt
from how far neighbouring events agree.  Classes depend on where records come from, never on what was found.

References
----------
Phillips, S. J. et al. 2009, Ecological Applications 19:181-197: other species of the same sampling as
background (from memory).
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.model.constants import Constants, beta_nodes
from poolbuilder.model.logistic import chord_km
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Codes = NDArray[np.signedinteger[Any]]
Bools = NDArray[np.bool_]

LOOKED = frozenset({"absent", "no_name"})
"""Rules whose records are no evidence of a fish, but do prove that somebody looked."""
ROLES = frozenset({"candidate", "hybrid", "group", "genus", "none"})
MOST = 0.98
"""No event names everything that lives at a site."""
LEAST = 0.02
PLAIN_QUALITY = 0.5
"""Records of this quality or better count in full where they only tell of the surroundings."""
FEW_EVENTS = 30
"""Classes with fewer events are learnt together."""
ROWS_SHARED = 1.02
"""With more names an event than this on average, the rows of a class share events: its events are lists."""
LIST_ROWS = 2
"""An event of lists with so many names is a list; with one it may be a find."""
SCOPE_NAMES = 3
"""A class of many events with no more names than this looked for these alone."""
AGREE_KM, AGREE_SCALE_KM = 10.0, 5.0
MOST_EVENTS, MOST_COMPARED, MOST_NEIGHBOURS = 8000, 1500, 40
PAIRS_AT_ONCE = 2_000_000
FEW_COMPARISONS = 20.0
MOST_UNSEEN = 0.8
COARSE_M = 1000.0
"""Events placed worse than this are each a site of their own unless the source names the location."""
LOCATION_DEGREES = 0.05
"""A location's identifier joins events that lie no farther apart than this."""
STILL, RUNNING = 1, 2
"""Codes of water types; 0 where it is not known."""
_STILL_WORDS = re.compile("lake|pond|reservoir|impoundment|lentic|lagoon|loch|étang|lac |see ")
_RUNNING_WORDS = re.compile("stream|river|creek|canal|brook|ditch|lotic|bayou|slough|branch")
_NO_LETTERS = re.compile(r"[\W_]+")
_COLUMNS = (
    "acceptedNames",
    "datasetKey",
    "datasetName",
    "eventDay",
    "eventID",
    "eventYear",
    "habitat",
    "isTaxonomicScopeFullyReported",
    "latitude",
    "locality",
    "locationID",
    "longitude",
    "quality",
    "recordedBy",
    "samplingProtocol",
    "scientificName",
    "targetTaxonomicScope",
    "uncertaintyM",
    "waterBody",
)
EVENT_COLUMNS = (
    *("datasetKey", "datasetName", "eventDay", "eventID", "eventYear", "latitude", "longitude", "recordedBy"),
)
"""What tells the events of records apart."""
_GENUS_ONLY = frozenset({"sp", "sp.", "spp", "spp.", "species"})


@dataclass(frozen=True, kw_only=True, eq=False)
class Finds:
    """Chances that events named candidates, where there is any: one element each, sorted by event.

    Attributes
    ----------
    event, species : (m,) int array
    chance : (m,) array
    width : int
        How many candidates there are.
    """

    event: Ints
    species: Ints
    chance: Floats
    width: int

    @classmethod
    def greatest(cls, event: Ints, species: Ints, chance: Floats, width: int) -> Finds:
        """Of each event and candidate the greatest chance."""
        order = np.lexsort((-chance, species, event))
        key = (event * width + species)[order]
        first = order[np.diff(key, prepend=-1) != 0]
        return cls(
            event=event[first].astype(np.int32),
            species=species[first].astype(np.int16),
            chance=chance[first],
            width=width,
        )

    def of(self, events: Ints) -> Floats:
        """The chances of some events, (n, s)."""
        start, end = (np.searchsorted(self.event, events, side=side) for side in ("left", "right"))
        found, size = _spans(start, end - start), end - start
        out = np.zeros((len(events), self.width))
        out[np.repeat(np.arange(len(events)), size), self.species[found]] = self.chance[found]
        return out

    def greatest_by(self, place: Ints, count: int) -> Floats:
        """The greatest chance at each of so many places, (count, s), given the place of each event."""
        out = np.zeros(count * self.width)
        np.maximum.at(out, place[self.event] * self.width + self.species, self.chance)
        return out.reshape(count, self.width)


@dataclass(frozen=True, kw_only=True, eq=False)
class Texts:
    """A text of each of some things, as codes and the distinct texts.

    Attributes
    ----------
    code : (n,) int array
        -1 for none.
    distinct : tuple of str
    """

    code: Codes
    distinct: tuple[str, ...]

    @classmethod
    def of(cls, column: Any) -> Texts:
        """A text column."""
        code, distinct = tables.codes(column)
        return cls(code=code.astype(np.int32), distinct=tuple(distinct))

    def take(self, rows: Ints) -> Texts:
        """Those of some things."""
        return Texts(code=self.code[rows], distinct=self.distinct)

    def are(self, wanted: Callable[[str], bool]) -> Bools:
        """Whose text is a wanted one, (n,)."""
        return np.array([*map(wanted, self.distinct), False], dtype=bool)[self.code]

    def name(self, called: str) -> Bools:
        """Whose text has this plain name, see `plain_name`."""
        found = np.zeros(len(self.distinct) + 1, dtype=bool)
        found[_by_plain_name(self.distinct).get(called, [])] = True
        return found[self.code]

    def texts(self) -> list[str]:
        """The texts themselves; empty for none."""
        distinct = [*self.distinct, ""]
        return [distinct[code] for code in self.code.tolist()]

    def joined(self, other: Texts) -> Texts:
        """These, and where there is none, or an empty one, the other's."""
        texts = {text: code for code, text in enumerate(dict.fromkeys([*self.distinct, *other.distinct]))}
        mine, others = (
            np.array([*(texts[text] if text else -1 for text in one.distinct), -1], dtype=np.int32)[one.code]
            for one in (self, other)
        )
        return Texts(code=np.where(mine >= 0, mine, others), distinct=tuple(texts))


@dataclass(frozen=True, kw_only=True, eq=False)
class EventKeys:
    """What events are called in EVIDENCE, put together when it is asked for.

    Attributes
    ----------
    identifier, dataset : Texts
        eventID, where there is one, with its data set.
    x, y : (n,) int array
        Else the cell.
    day, collector : Texts
        With the day and the collector,
    year : (n,) int array
        or without a day the year; -1 where that is not known either.
    """

    identifier: Texts
    dataset: Texts
    x: Codes
    y: Codes
    day: Texts
    collector: Texts
    year: Codes

    def texts(self) -> list[str]:
        """What each is called."""
        cell = [f"{x}:{y}" for x, y in zip(self.x.tolist(), self.y.tolist(), strict=True)]
        dated = zip(self.day.texts(), self.collector.texts(), self.year.tolist(), strict=True)
        when = [f"{day}|{by}" if day else "undated" if year == -1 else str(year) for day, by, year in dated]
        named = zip(self.identifier.code.tolist(), self.dataset.texts(), self.identifier.texts(), strict=True)
        return [
            f"{dataset}|{identifier}" if code >= 0 else f"{place}|{time}"
            for (code, dataset, identifier), place, time in zip(named, cell, when, strict=True)
        ]

    def take(self, rows: Ints) -> EventKeys:
        """Those of some rows."""
        parts: dict[str, Any] = {
            name: part.take(rows) if isinstance(part, Texts) else part[rows]
            for name, part in vars(self).items()
        }
        return EventKeys(**parts)


@dataclass(frozen=True, kw_only=True, eq=False)
class Events:
    """Sampling events of a region, in the order of their records.

    Attributes
    ----------
    longitude, latitude, uncertainty_m : (n,) array
        Of the best placed record.
    year : (n,) array
        NaN when not known.
    site : (n,) int array
        Row of the site it was made at.
    completeness : (n,) array
        Chance that the event names a fish that lives at its site and can be found there.
    found : Finds
        Chance that each candidate was named: 1, or the share of a name with several meanings times the
        quality of the record.
    hybrid : Finds
        The same for hybrids that name a candidate as a parent.
    names : (n,) int array
        How many fishes of the wider group were named.
    scope, scopes : (n,) int array, (k, s) bool array
        Which row of *scopes* says whether the event would have named each candidate at all.
    water : Texts
        Name of the waterbody as given, or its locality.
    key : EventKeys
        What the event is called, as in EVIDENCE.
    occasion : (n,) int array
        Events of one site and day are one occasion: passes of one survey, stations of one haul.
    """

    longitude: Floats
    latitude: Floats
    uncertainty_m: Floats
    year: Floats
    site: Ints
    completeness: Floats
    found: Finds
    hybrid: Finds
    names: Ints
    scope: Ints
    scopes: Bools
    water: Texts
    key: EventKeys
    occasion: Ints

    def __len__(self) -> int:
        return len(self.longitude)

    @functools.cached_property
    def points(self) -> Floats:
        """ECEF metres, (n, 3)."""
        return to_ecef(self.longitude, self.latitude)

    @functools.cached_property
    def usual_names(self) -> float:
        """How many fishes an event names on average, at least one."""
        return max(float(self.names.mean()), 1.0) if len(self) else 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Looking:
    """The looked-at sites of a region.

    Attributes
    ----------
    species, other_names : tuple of str
        Columns of *found* and *others*.
    points : (n, 3) array
        ECEF metres of the sites.
    spread_km : (n,) array
        How roughly each is placed.
    looked : (n, s) array
        Chance that the events of a site would have named each candidate, had it lived there.
    found : (n, s) array
        Chance that it was named.
    others : (n, k) array
        1 where another fish was named.
    water_type : (n,) int array
    lists : (n,) bool array
        Where most events are lists: only they tell how many fishes a site holds.
    listed : (n,) bool array
        Where an event of lists was made: it tells of the fish community.
    only_candidates : bool
        Nobody recorded the wider group here: sites are those of the candidates alone.
    completeness : float
        Mean over events.
    events : Events
    named, width : (p,) int array, int
        Pairs of event and name as ``event * width + name``, sorted; candidates come first.
    """

    species: tuple[str, ...]
    other_names: tuple[str, ...]
    points: Floats
    spread_km: Floats
    looked: Floats
    found: Floats
    others: Floats
    water_type: Ints
    lists: Bools
    listed: Bools
    only_candidates: bool
    completeness: float
    events: Events
    named: Ints
    width: int

    def __len__(self) -> int:
        return len(self.points)


def added_up(looking: Looking, open_to: Bools) -> Looking:
    """Some of the sites, those of one point and spread as one: for who asks for sums over sites alone."""
    rows = np.flatnonzero(open_to)
    where = np.column_stack([looking.points[rows], looking.spread_km[rows]])
    place, first = tables.numbered(*(np.ascontiguousarray(axis).view(np.int64) for axis in where.T))

    def added(values: Floats) -> Floats:
        sums = [np.bincount(place, column, minlength=len(first)) for column in values[rows].T]
        return np.stack(sums, axis=1) if sums else np.zeros((len(first), 0))

    first = rows[first]
    return replace(
        looking,
        points=looking.points[first],
        spread_km=looking.spread_km[first],
        looked=added(looking.looked),
        found=added(looking.found),
    )


def list_name(text: str | None) -> str | None:
    """One spelling for a name of the wider group, or None when it names no species.

    Examples
    --------
    >>> list_name("Micropterus salmoides (Lacepède, 1802)")
    'Micropterus salmoides'
    >>> list_name("BLUE RIDGE SCULPIN")
    'blue ridge sculpin'
    >>> list_name("Notropis sp.") is None
    True
    """
    words = (text or "").split()
    if len(words) < 1 or (len(words) > 1 and words[1].lower() in _GENUS_ONLY):
        return None
    if len(words) > 1 and words[0][:1].isupper() and words[0][1:].islower() and words[1].islower():
        return " ".join(words[:2])
    return " ".join(words).casefold()


def type_of_water(text: str | None) -> int:
    """Still or running, from a habitat, a waterbody's name or a water type; 0 where neither is said.

    Examples
    --------
    >>> type_of_water("reservoir"), type_of_water("Mill Creek"), type_of_water("swamp")
    (1, 2, 0)
    """
    low = f"{text or ''} ".casefold()
    still, running = bool(_STILL_WORDS.search(low)), bool(_RUNNING_WORDS.search(low))
    return 0 if still == running else STILL if still else RUNNING


def _coded_text(table: pa.Table, name: str) -> tuple[Ints, list[str | None]]:
    if name not in table.column_names:
        return np.full(table.num_rows, -1, dtype=np.int64), []
    code, distinct = tables.codes(table[name])
    return code, distinct


def _first_types(table: pa.Table) -> Ints:
    """Water type of each record from the first of its texts that says one."""
    found = np.zeros(table.num_rows, dtype=np.int64)
    for name in ("habitat", "waterBody", "locality", "samplingProtocol"):
        code, distinct = _coded_text(table, name)
        kinds = np.array([*(type_of_water(text) for text in distinct), 0], dtype=np.int64)
        found = np.where(found == 0, kinds[code], found)
    return found


@functools.lru_cache(maxsize=100_000)
def normalised_collector(collector: str | None) -> str:
    """Letters and digits of a collector's names, in any order."""
    return "".join(sorted(_NO_LETTERS.sub(" ", (collector or "").lower()).split()))


def events_of(table: pa.Table, *, settings: Settings) -> tuple[Ints, EventKeys]:
    """Event of each record, (n,), and what the event of each is called.

    An event is an eventID with its data set, else a place, a day and a collector; a record without a day
    falls back on its year.  The place is a cell of ``eventCellDegrees``.
    """
    x, y = (
        np.floor(tables.numbers(table[name]) / settings.event_cell_degrees + 1e-9).astype(np.int32)
        for name in ("longitude", "latitude")
    )
    key = EventKeys(
        identifier=Texts.of(table["eventID"]),
        dataset=Texts.of(table["datasetKey"]).joined(Texts.of(table["datasetName"])),
        x=x,
        y=y,
        day=Texts.of(table["eventDay"]),
        collector=_people(Texts.of(table["recordedBy"])),
        year=tables.integers(table["eventYear"]).astype(np.int32),
    )
    named, dated, blank = key.identifier.code >= 0, key.day.code >= 0, np.zeros(len(x), dtype=np.int64)
    code = tables.ranked(
        named.astype(np.int64),
        np.where(named, _datasets(table), blank),
        np.where(named, key.identifier.code, blank),
        np.where(named, blank, x),
        np.where(named, blank, y),
        np.where(named, blank, np.where(dated, key.day.code, -key.year - 3)),
        np.where(named | ~dated, blank, key.collector.code),
    )
    return code, key


def _people(given: Texts) -> Texts:
    """Collectors in one spelling; empty text for none."""
    spelled = [*map(normalised_collector, given.distinct), ""]
    people = {text: code for code, text in enumerate(sorted(set(spelled)))}
    code = np.array([people[text] for text in spelled], dtype=np.int32)[given.code]
    return Texts(code=code, distinct=tuple(people))


def _datasets(table: pa.Table) -> Ints:
    key, _ = tables.codes(table["datasetKey"])
    title, _ = tables.codes(table["datasetName"])
    return tables.ranked(key, np.where(key >= 0, -1, title))


def _best_rows(event: Ints, table: pa.Table) -> Ints:
    """The best placed record of each event; ties by longitude, latitude."""
    count = np.bincount(event)
    best = np.zeros(len(count), dtype=np.int64)
    best[event] = np.arange(len(event))
    several = np.flatnonzero(count[event] > 1)
    some = tables.take(table.select(["longitude", "latitude", "uncertaintyM"]), several)
    longitude, latitude, unsure = (tables.numbers(some[name]) for name in some.column_names)
    order = np.lexsort((latitude, longitude, np.nan_to_num(unsure, nan=np.inf), event[several]))
    first = order[np.diff(event[several][order], prepend=-1) != 0]
    best[event[several[first]]] = several[first]
    return best


def _sites(table: pa.Table, best: Ints, settings: Settings) -> Ints:
    """Site of each event: the location that its source names, else a cell of sameWaterKm."""
    some = tables.take(
        table.select(["longitude", "latitude", "uncertaintyM", "locationID", "datasetKey", "datasetName"]),
        best,
    )
    longitude, latitude = tables.numbers(some["longitude"]), tables.numbers(some["latitude"])
    location, _ = tables.codes(some["locationID"])
    named = location >= 0
    coarse = ~named & (np.nan_to_num(tables.numbers(some["uncertaintyM"]), nan=0.0) > COARSE_M)
    size = np.where(named, LOCATION_DEGREES, max(settings.same_water_km, 0.05) / 111.2)
    across = np.cos(np.radians(np.round(latitude)))
    return tables.ranked(
        np.where(named, 1, np.where(coarse, 2, 0)),
        np.where(named, _datasets(some), 0),
        np.where(named, location, np.where(coarse, np.arange(len(best)), 0)),
        np.round(latitude / size).astype(np.int64),
        np.round(longitude * across / size).astype(np.int64),
    )


@dataclass(frozen=True)
class _Named:
    """Pairs of event and name: candidates first, then the other fishes; sorted, without repeats."""

    code: Ints  # event x width + name
    width: int
    length: Ints
    other_names: tuple[str, ...]


def _pairs(
    event: Ints,
    table: pa.Table,
    group: Bools,
    own: tuple[Ints, Ints],
    species: int,
    events: int,
) -> _Named:
    code, distinct = tables.codes(table["scientificName"])
    spelled = [list_name(text) for text in distinct]
    names = tuple(sorted({name for name in spelled if name}))
    index = {name: species + i for i, name in enumerate(names)}
    column = np.array([*(index[name] if name else -1 for name in spelled), -1], dtype=np.int64)[code]
    group = group & (column >= 0)
    used = np.unique(column[group])
    kept_names = tuple(names[i - species] for i in used.tolist())
    width = species + len(used)
    other = np.searchsorted(used, column[group]) + species
    pairs = np.unique(np.concatenate([own[0] * width + own[1], event[group] * width + other]))
    return _Named(pairs, width, np.bincount(pairs // width, minlength=events), kept_names)


def _classes(table: pa.Table, best: Ints, rows: Ints) -> tuple[Ints, Bools]:
    """Class of each event by data set, protocol and identifier; and whether its rows share events."""
    some = tables.take(table.select(["datasetKey", "datasetName", "samplingProtocol", "eventID"]), best)
    protocol, _ = tables.codes(some["samplingProtocol"])
    has_id = tables.valid(some["eventID"]).astype(np.int64)
    label = tables.ranked(_datasets(some), protocol, has_id)
    for wider in (tables.ranked(_datasets(some), has_id), has_id):
        count = np.bincount(label)
        small = count[label] < FEW_EVENTS
        label = tables.ranked(np.where(small, 1, 0), np.where(small, wider, label))
    mean = np.bincount(label, rows) / np.maximum(np.bincount(label), 1)
    return label, mean[label] > ROWS_SHARED


def _spans(start: Ints, size: Ints) -> Ints:
    """``start[i], start[i] + 1, ...``, *size[i]* of them, one after the other."""
    out: Ints = np.repeat(start - np.cumsum(size) + size, size) + np.arange(size.sum())
    return out


def _cells_beside(place: Floats) -> tuple[Ints, Ints]:
    """Pairs of places that may lie less than `AGREE_KM` apart: those in cells of that width side by side.

    Cells are those of a plane on which no two places come farther apart; pairs are sorted by the first.
    """
    middle = place.mean(axis=0)
    flat = (place - middle) @ np.linalg.svd(middle[None, :])[2][1:].T
    row, column = np.floor(flat / (AGREE_KM * 1000)).astype(np.int64).T
    width = int(np.ptp(column)) + 4
    cell = (row - row.min() + 1) * width + column - column.min() + 1
    order = np.argsort(cell, kind="stable")
    beside = (cell[:, None] + width * np.arange(-1, 2)).ravel()  # three cells of three rows
    first = np.searchsorted(cell[order], beside - 1)
    size = np.searchsorted(cell[order], beside + 1, side="right") - first
    return np.repeat(np.arange(len(beside)) // 3, size), order[_spans(first, size)]


def _neighbours(points: Floats, rows: Ints, against: Ints) -> Iterator[tuple[Ints, Ints, Floats]]:
    """Each of *rows* with up to `MOST_NEIGHBOURS` of *against* within `AGREE_KM`, evenly taken, and how far.

    Both are sorted, and *rows* are among *against*.  Events share places: what is near is found by place.
    """
    place, at = np.unique(points[against], axis=0, return_inverse=True)
    at = at.reshape(-1)
    held = np.argsort(at, kind="stable")
    start, number = np.searchsorted(at[held], np.arange(len(place))), np.bincount(at, minlength=len(place))
    mine = np.searchsorted(against, rows)
    p, q = _cells_beside(place)
    wanted = np.zeros(len(place), dtype=bool)
    wanted[at[mine]] = True
    p, q = p[wanted[p]], q[wanted[p]]
    km = chord_km(((place[p] - place[q]) ** 2).sum(axis=1))
    p, q, km = p[km < AGREE_KM], q[km < AGREE_KM], km[km < AGREE_KM]
    block = np.cumsum(number[q]) // PAIRS_AT_ONCE
    for one in np.unique(block[np.searchsorted(p, p)]).tolist():
        some = block[np.searchsorted(p, p)] == one
        near = held[_spans(start[q[some]], number[q[some]])]
        by = np.repeat(p[some], number[q[some]])
        order = np.lexsort((near, by))
        near, by, away = near[order], by[order], np.repeat(km[some], number[q[some]])[order]
        here = mine[np.isin(at[mine], by)]
        key = by * len(against) + near
        own = np.searchsorted(key, at[here] * len(against) + here)
        first, last = (np.searchsorted(by, at[here], side=side) for side in ("left", "right"))
        others = last - first - 1
        step = np.maximum(1, -(-others // MOST_NEIGHBOURS))
        count = -(-others // step)
        rank = _spans(np.zeros(len(here), dtype=np.int64), count) * np.repeat(step, count)
        pick = np.repeat(first, count) + rank
        pick += pick >= np.repeat(own, count)  # not with itself
        yield against[np.repeat(here, count)], against[near[pick]], away[pick]


def _agreement(
    named: _Named, points: Floats, rows: Ints, group: Ints, against: Ints
) -> tuple[Floats, Floats]:
    """How much of an event of *against* one of *rows* near it names again, and on how many comparisons.

    Of each group of rows, 0, 1, 2, ...; of each no more than `MOST_COMPARED` rows are taken.
    """
    order = np.argsort(group, kind="stable")
    size = np.bincount(group)
    rank = np.empty(len(rows), dtype=np.int64)
    rank[order] = _spans(np.zeros(len(size), dtype=np.int64), size)
    taken = rank % np.maximum(1, -(-size // MOST_COMPARED))[group] == 0
    rows, group = rows[taken], group[taken]
    agreed, whole, comparisons = np.zeros((3, len(size)))
    for b, a, km in _neighbours(points, rows, against):
        weight, of = np.exp(-km / AGREE_SCALE_KM), group[np.searchsorted(rows, b)]
        first = np.searchsorted(named.code, a * named.width)
        names = named.length[a]
        pair = np.repeat(np.arange(len(a)), names)
        wanted = b[pair] * named.width + named.code[_spans(first, names)] % named.width
        place = np.minimum(np.searchsorted(named.code, wanted), len(named.code) - 1)
        shared = np.bincount(pair, named.code[place] == wanted, minlength=len(a))
        agreed += np.bincount(of, weight * shared, minlength=len(size))
        whole += np.bincount(of, weight * names, minlength=len(size))
        comparisons += np.bincount(of, weight, minlength=len(size))
    with np.errstate(invalid="ignore"):
        return agreed / whole, comparisons


def list_agreement(looking: Looking, kind: int) -> tuple[float, float]:
    """How far lists made in waters of one type agree within 10 km, and on how many comparisons."""
    events = looking.events
    named = _Named(
        looking.named, looking.width, np.bincount(looking.named // looking.width, minlength=len(events)), ()
    )
    rows = (
        np.flatnonzero((looking.water_type[events.site] == kind) & (named.length >= 2))
        if len(events)
        else events.site
    )
    if len(rows) < 2:
        return np.nan, 0.0
    value, comparisons = _agreement(named, events.points, rows, np.zeros(len(rows), dtype=np.int64), rows)
    return float(value[0]), float(comparisons[0])


SHAPES = np.exp(np.linspace(-1.5, 3.5, 41))
RICHNESS = np.exp(np.linspace(np.log(0.05), np.log(60), 71))
MOST_NAMES = 60
SHAPE_PRIOR = -0.5 * ((np.log(SHAPES) - 0.7) / 0.5) ** 2
"""Sites differ in their number of fishes by about this much where all are known (ln k ~ N(0.7, 0.5))."""


@functools.cache
def without_zeros() -> Floats:
    """Log chance of 1, 2, … names by a negative binomial whose zeros are not seen, (shapes, means, names)."""
    shape, mean = SHAPES[:, None], RICHNESS[None, :]
    empty = shape * (np.log(shape) - np.log(shape + mean))
    number = np.arange(1, MOST_NAMES + 1)
    ways = np.cumsum(np.log((number - 1 + shape) / number), axis=1)
    each = np.log(mean) - np.log(shape + mean)
    out: Floats = ways[:, None, :] + (empty - np.log(-np.expm1(empty)))[..., None] + each[..., None] * number
    return out


def richness_spread(names: Ints) -> tuple[float, float]:
    """Mean and shape of a negative binomial whose zeros are not seen, from numbers of names ≥ 1."""
    counts = np.bincount(np.minimum(names, MOST_NAMES), minlength=MOST_NAMES + 1)[1:]
    score = without_zeros() @ counts + SHAPE_PRIOR[:, None]
    best = np.unravel_index(int(np.argmax(score)), score.shape)
    return float(RICHNESS[best[1]]), float(SHAPES[best[0]])


def _correction(named: _Named, rows: Ints, mine: Ints, site: Ints, lists: bool) -> tuple[float, float]:
    """Factor for what agreement misses of completeness, and the share of events that left no record.

    Rich sites are met more often than poor ones: agreement weighs each site by what was found
    there.  For lists it is short by ``(1 - P1)/(1 - P0)`` of
    the negative binomial of their lengths, P0 the chance of an empty list, P1 that of one more poor in names
    by one; for single finds by ``1 + 1/k``.  *mine* are the pairs of event and name of the events *rows*.
    """
    if lists:
        length = named.length[rows]
        if not (length > 0).any():
            return 1.0, 0.0
        mean, shape = richness_spread(length[length > 0])
        empty = (1 + mean / shape) ** -shape
        return float((1 - empty / (1 + mean / shape)) / (1 - empty)), float(empty)
    at = np.unique(site[mine // named.width] * named.width + mine % named.width)
    if not len(at):
        return 1.0, 0.0
    _, per_site = np.unique(at // named.width, return_counts=True)
    return 1 + 1 / richness_spread(per_site)[1], 0.0


def _completeness(
    named: _Named,
    points: Floats,
    label: Ints,
    lists: Bools,
    site: Ints,
    kinds: Ints,
    middle: Floats,
    constants: Constants,
) -> tuple[Floats, Floats]:
    """Completeness of each event by its class, and the share of the class that left no record."""
    out, unseen = np.ones(len(points)), np.zeros(len(points))
    usable = np.flatnonzero(named.length > 0)
    if len(usable) > MOST_EVENTS:
        away = ((points[usable] - middle) ** 2).sum(axis=1)
        usable = np.sort(usable[np.argsort(away, kind="stable")[:MOST_EVENTS]])
    if not len(usable):
        return out, unseen
    codes, group = np.unique(label[usable], return_inverse=True)
    agreement = zip(codes.tolist(), *_agreement(named, points, usable, group, usable), strict=True)
    of_names = label[named.code // named.width]
    for code, value, comparisons in agreement:
        members = np.flatnonzero(label == code)
        if comparisons < FEW_COMPARISONS or not np.isfinite(value):
            continue
        usual = constants.agreement_of(kinds[members])
        factor, empty = _correction(
            named, members, named.code[of_names == code], site, bool(lists[members[0]])
        )
        out[members], unseen[members] = np.clip(value / usual * factor, LEAST, 1.0), min(empty, MOST_UNSEEN)
    return out, unseen


def _scope(named: _Named, label: Ints, species: int) -> Bools:
    """Whether events of each class would have named each candidate: not in an extract of few species."""
    count = np.bincount(label)
    scope = np.ones((len(count), species), dtype=bool)
    met = np.unique(label[named.code // named.width] * named.width + named.code % named.width)
    of, names = met // named.width, np.bincount(met // named.width, minlength=len(count))
    for code in np.flatnonzero((count >= FEW_EVENTS) & (names > 0) & (names <= SCOPE_NAMES)).tolist():
        scope[code] = np.isin(np.arange(species), met[of == code] % named.width)
    return scope


def seen_share(completeness: Floats, visits: Floats, usual: Floats, constants: Constants) -> Floats:
    """Chance that *visits* events find a species, over that of *usual* complete ones, (n,).

    Species differ in how often an event meets them: Beta(a, b) over all that a site was ever found to hold,
    so that many thin events together see more than the same number of names on one list, and less than
    independence would have.
    """
    chance, weight = beta_nodes(constants.met_a, constants.met_b)
    some = (1 - completeness[:, None] * chance) ** visits[:, None]
    whole = (1 - chance) ** usual[:, None]
    out: Floats = np.minimum((1 - some @ weight) / (1 - whole @ weight), MOST)
    return out


def _targeted(table: pa.Table, best: Ints, species: tuple[str, ...]) -> tuple[Ints, Bools]:
    """Which candidates an event looked for, where its source names species (Humboldt extension).

    A row for each event, (n,), and whether each row holds each candidate, (k, s).
    """
    code, distinct = _coded_text(table, "targetTaxonomicScope")
    rows = np.ones((len(distinct) + 1, len(species)), dtype=bool)
    for i, text in enumerate(distinct):
        named = np.array([name.casefold() in str(text).casefold() for name in species], dtype=bool)
        rows[i] = named if named.any() else True
    return code[best] % len(rows), rows


def _fully_reported(table: pa.Table, best: Ints) -> Bools:
    """Events whose source states that every fish was reported (Humboldt extension of Darwin Core)."""
    code, distinct = _coded_text(table, "isTaxonomicScopeFullyReported")
    yes = np.array([*(str(text).casefold() in {"true", "1", "yes"} for text in distinct), False])
    out: Bools = yes[code[best]]
    return out


def look(
    table: pa.Table,
    shares: Any,
    *,
    species: tuple[str, ...],
    middle: tuple[float, float],
    constants: Constants,
    settings: Settings,
) -> Looking:
    """Find the looked-at sites of a region.

    Parameters
    ----------
    table : Table, schema SCREENED
        Records of the region, rejected ones among them.
    shares : NameShares
        Rows of *table* and the candidates that their names mean, with shares.
    species : tuple of str
        Candidates.
    middle : (longitude, latitude)
        The nearest events are compared where there are too many.

    Returns
    -------
    Looking
        A pure function of its arguments.
    """
    role, rule = Texts.of(table["role"]), Texts.of(table["rejectedBy"])
    accepted = rule.code < 0
    looked = (accepted | rule.are(LOOKED.__contains__)) & role.are(ROLES.__contains__)
    fine = tables.valid(table["longitude"]) & tables.valid(table["latitude"])
    chosen = np.flatnonzero(looked & fine)
    number = np.full(table.num_rows, -1, dtype=np.int64)
    number[chosen] = np.arange(len(chosen))
    part = tables.take(table.select([name for name in _COLUMNS if name in table.column_names]), chosen)
    role, kept = role.take(chosen), accepted[chosen]
    event, called = events_of(part, settings=settings)
    n, s = (int(event.max()) + 1 if len(event) else 0), len(species)
    best, rows = _best_rows(event, part), np.bincount(event, minlength=n)
    label, lists = _classes(part, best, rows)
    # Mistakes on lists are what the constant `mistake` counts; a find of its own is as sure as its kind.
    on_list = (lists & (rows >= LIST_ROWS))[event]
    quality = tables.numbers(part["quality"]) / np.where(on_list, settings.quality_observation, 1.0)
    quality = np.minimum(quality, 1.0)
    row = number[shares.row]
    fit = np.flatnonzero((row >= 0) & (kept & role.are("candidate".__eq__))[row])
    row, name, share = row[fit], shares.species[fit], shares.share[fit]
    near_enough = share * np.minimum(1.0, quality[row] / PLAIN_QUALITY)
    likely = share >= 0.5
    group = kept & role.are("group".__eq__)
    named = _pairs(event, part, group, (event[row[likely]], name[likely]), s, n)
    points = to_ecef(tables.numbers(part["longitude"])[best], tables.numbers(part["latitude"])[best])
    site = _sites(part, best, settings)
    kinds = _first_types(part)[best]
    centre = to_ecef(np.array([middle[0]]), np.array([middle[1]]))
    complete, unseen = _completeness(named, points, label, lists, site, kinds, centre, constants)
    complete = np.where(_fully_reported(part, best), 1.0, complete)
    standing = tables.take(part, best)
    (targeted, targets), scope = _targeted(part, best, species), _scope(named, label, s)
    scoped, first = tables.numbered(label, targeted)
    events = Events(
        longitude=tables.numbers(standing["longitude"]),
        latitude=tables.numbers(standing["latitude"]),
        uncertainty_m=np.nan_to_num(tables.numbers(standing["uncertaintyM"]), nan=0.0),
        year=_years(standing),
        site=site,
        completeness=complete,
        found=Finds.greatest(event[row], name, share * quality[row], s),
        hybrid=_parents(part, event, quality, kept & role.are("hybrid".__eq__), species),
        names=named.length,
        scope=scoped,
        scopes=scope[label[first]] & targets[targeted[first]],
        water=waters_named(standing),
        key=called.take(best),
        occasion=_occasions(site, standing),
    )
    met = Finds.greatest(event[row], name, near_enough, s)
    return _gathered(events, met, unseen, named, points, kinds, lists, species, constants)


def _occasions(site: Ints, standing: pa.Table) -> Ints:
    """Site and day of each event; an event without a day is an occasion of its own."""
    day, _ = tables.codes(standing["eventDay"])
    alone = np.where(day >= 0, -1, np.arange(len(site)))
    return tables.ranked(site, day, alone)


def waters_named(table: pa.Table) -> Texts:
    """The water that each record names: waterBody, else locality."""
    return Texts.of(table["waterBody"]).joined(Texts.of(table["locality"]))


@functools.lru_cache(maxsize=100_000)
def plain_name(text: str | None) -> str:
    """Letters and digits of the name of a water, in small letters."""
    return "".join(filter(str.isalnum, (text or "").casefold()))


@functools.lru_cache(maxsize=16)
def _by_plain_name(texts: tuple[str, ...]) -> dict[str, list[int]]:
    """Positions of the texts of each plain name."""
    found: dict[str, list[int]] = {}
    for code, text in enumerate(texts):
        found.setdefault(plain_name(text), []).append(code)
    return found


def _years(table: pa.Table) -> Floats:
    year = tables.integers(table["eventYear"]).astype(float)
    year[year <= 0] = np.nan
    return year


def _parents(part: pa.Table, event: Ints, quality: Floats, hybrid: Bools, species: tuple[str, ...]) -> Finds:
    """Chance that each event named each candidate as a parent."""
    rows = np.flatnonzero(hybrid)
    start, size, flat, names = tables.listed(
        tables.take(part.select(["acceptedNames"]), rows)["acceptedNames"]
    )
    index = {one: i for i, one in enumerate(species)}
    column = np.array([*(index.get(str(name), -1) for name in names), -1], dtype=np.int64)[flat]
    row, column = np.repeat(rows, size), column[_spans(start, size)]
    known = column >= 0
    return Finds.greatest(event[row[known]], column[known], quality[row[known]], len(species))


def _gathered(
    events: Events,
    met: Finds,
    unseen: Floats,
    named: _Named,
    points: Floats,
    kinds: Ints,
    lists: Bools,
    species: tuple[str, ...],
    constants: Constants,
) -> Looking:
    """Join events by site."""
    n, s = int(events.site.max()) + 1 if len(events) else 0, len(species)
    visits = np.bincount(events.site, minlength=n).astype(float)

    def mean(values: Floats) -> Floats:
        out: Floats = np.bincount(events.site, values, minlength=n) / np.maximum(visits, 1)
        return out

    complete = mean(events.completeness)
    share_lists = mean(lists.astype(float))
    made = 1 + (visits - 1) / (1 - mean(unseen))  # lists that left no record were made all the same
    usual = np.where(share_lists > 0.5, made, np.maximum(1.0, visits * complete))
    seen = seen_share(complete, visits, usual, constants)
    others = np.zeros((n, named.width - s))
    event, name = named.code // named.width, named.code % named.width
    other = name >= s
    others[events.site[event[other]], name[other] - s] = 1
    in_scope = np.zeros((n, s), dtype=bool)
    for code, scope in enumerate(events.scopes):
        in_scope[events.site[events.scope == code]] |= scope
    kind = np.zeros(n, dtype=np.int64)
    np.maximum.at(kind, events.site, kinds)
    spread = np.full(n, np.inf)
    np.minimum.at(spread, events.site, events.uncertainty_m / 1000)
    return Looking(
        species=species,
        other_names=named.other_names,
        points=np.stack([mean(points[:, i]) for i in range(3)], axis=1) if n else np.zeros((0, 3)),
        spread_km=np.where(spread > COARSE_M / 1000, spread, 0.0),
        looked=seen[:, None] * in_scope,
        found=met.greatest_by(events.site, n),
        others=others,
        water_type=kind,
        lists=share_lists > 0.5,
        listed=(share_lists > 0) & (others.sum(axis=1) > 0),
        only_candidates=not named.other_names,
        completeness=float(complete[visits > 0].mean()) if n else 1.0,
        events=events,
        named=named.code,
        width=named.width,
    )
