"""What the records of one species say around one water: how near, since when, by which way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.model.evidence import OWN_KINDS
from poolbuilder.names.vocabularies import DEGREE_OF_ESTABLISHMENT, PATHWAY, read_term
from poolbuilder.settings import Settings
from poolbuilder.status.decision import own_names

__all__ = ["CONNECTIONS", "Said", "Sightings", "Way", "best_way", "sightings_of", "terms_said", "ways_of"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CONNECTIONS = ("upstream", "passable", "barrier", "apart")
"""How a record's place is joined to the water, the easiest way for a fish first."""

LEVEL_KM = 0.01


@dataclass(frozen=True, kw_only=True, eq=False)
class Sightings:
    """The events of one species: arrays of one length, nearest first.

    Attributes
    ----------
    near, in_water : bool array
        Within the radius; in the water itself.
    date : list
        Day or year as text, None when undated.
    """

    km: Floats
    uncertainty_m: Floats
    near: Bools
    in_water: Bools
    date: list[str | None]
    longitude: Floats
    latitude: Floats
    records: NDArray[np.int64]

    def first_date(self, mask: Bools) -> str | None:
        """The earliest date among some events; a year alone comes before its days."""
        dates = [date for date, wanted in zip(self.date, mask.tolist(), strict=True) if wanted and date]
        return min(dates, default=None)

    def undated(self, mask: Bools) -> int:
        """How many of some events carry no date."""
        return sum(wanted and not date for date, wanted in zip(self.date, mask.tolist(), strict=True))


def sightings_of(
    evidence: pa.Table, *, radius_km: float, outlined: bool, settings: Settings
) -> dict[str, Sightings]:
    """The events of each species by its own name.

    In the water is what the outline says; without one, within ``sameWaterKm`` of the site.
    """
    own = [str(kind) in OWN_KINDS for kind in tables.strings(evidence["kind"])]
    table = tables.where(evidence, np.array(own, dtype=bool))
    km = tables.numbers(table["distanceKm"])
    share = np.nan_to_num(tables.numbers(table["inWaterShare"]))
    inside = share >= 0.5 if outlined else km <= settings.same_water_km
    uncertainty = tables.numbers(table["coordinateUncertaintyInMeters"])
    longitude, latitude = (tables.numbers(table[name]) for name in ("longitude", "latitude"))
    dates, records = tables.strings(table["eventDate"]), tables.integers(table["records"])
    rows: dict[str, list[int]] = {}
    for row, name in enumerate(tables.strings(table["scientificName"])):
        rows.setdefault(str(name), []).append(row)
    found = {}
    for name, mine in rows.items():
        order = np.array(sorted(mine, key=lambda row: (km[row], dates[row] or "", row)), dtype=np.int64)
        found[name] = Sightings(
            km=km[order],
            uncertainty_m=uncertainty[order],
            near=km[order] <= radius_km,
            in_water=inside[order] & (km[order] <= radius_km),
            date=[dates[row] for row in order.tolist()],
            longitude=longitude[order],
            latitude=latitude[order],
            records=records[order],
        )
    return found


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
        """Where the record lies, in words; None when it is not on the water's network."""
        if self.km is None or self.upstream_km is None or self.downstream_km is None:
            return None
        if self.km <= LEVEL_KM:
            return "in the water"
        if self.downstream_km <= LEVEL_KM:
            return "upstream"
        if self.upstream_km <= LEVEL_KM:
            return "downstream"
        return "downstream and up a branch"

    @property
    def words(self) -> str:
        """The way as a clause; empty when none is known."""
        if self.direction is None or self.km is None:
            return ""
        if self.direction == "in the water":
            return ""
        words = f"{self.km:.1f} km by water, {self.direction}"
        if self.direction == "downstream and up a branch":
            words = f"{self.km:.1f} km by water, {self.downstream_km:.1f} km down and then up a branch"
        if self.passability is not None and self.passability < 1:
            words += f", past barriers of passability {self.passability:.2g}"
        return words


APART = Way(connection="apart")


def ways_of(located: pa.Table, *, settings: Settings) -> dict[str, list[Way]]:
    """The ways by water of each species' records, nearest by water first."""
    names = own_names(located)
    numbers = [
        tables.numbers(located[name]).tolist()
        for name in ("byWaterKm", "upstreamKm", "downstreamKm", "passability")
    ]
    found: dict[str, list[Way]] = {}
    for name, km, up, down, passed in zip(names, *numbers, strict=True):
        if name is None or km != km:
            continue
        free = 1.0 if passed != passed else passed
        upstream = down <= LEVEL_KM
        connection = "upstream" if upstream else "passable" if free >= settings.passable else "barrier"
        found.setdefault(name, []).append(
            Way(connection=connection, km=km, upstream_km=up, downstream_km=down, passability=free)
        )
    return {name: sorted(ways, key=_by_km) for name, ways in found.items()}


def _by_km(way: Way) -> tuple[float, int]:
    return (way.km or 0.0, CONNECTIONS.index(way.connection))


def best_way(ways: Sequence[Way]) -> Way:
    """The easiest way among several, the shortest of its kind; apart when there is none."""
    return min(ways, key=lambda way: (CONNECTIONS.index(way.connection), way.km or 0.0), default=APART)


@dataclass(frozen=True, kw_only=True)
class Said:
    """What records carry besides native or introduced: the latest degree, and every pathway."""

    degree: str | None = None
    pathways: tuple[str, ...] = ()


def terms_said(located: pa.Table, *, radius_km: float) -> dict[str, Said]:
    """Degree and pathways of the records within the radius, by species.

    The degree changes as a species settles, so the latest year that states one decides, and
    among its records the most frequent; ``native`` is no degree of an introduction.
    """
    given = tables.valid(located["degreeOfEstablishment"]) | tables.valid(located["pathway"])
    near = tables.numbers(located["distanceKm"]) <= radius_km
    heard = tables.where(located, given & near)
    degrees: dict[str, list[tuple[int, str]]] = {}
    ways: dict[str, Counter[str]] = {}
    for name, year, degree, pathway in zip(
        own_names(heard),
        tables.integers(heard["eventYear"]).tolist(),
        tables.strings(heard["degreeOfEstablishment"]),
        tables.strings(heard["pathway"]),
        strict=True,
    ):
        if name is None:
            continue
        if (term := read_term(degree, DEGREE_OF_ESTABLISHMENT)) and term != "native":
            degrees.setdefault(name, []).append((year, term))
        for part in (pathway or "").split("|"):
            if way := read_term(part, PATHWAY):
                ways.setdefault(name, Counter())[way] += 1
    return {
        name: Said(degree=_latest(degrees.get(name, [])), pathways=_ranked(ways.get(name, {})))
        for name in sorted({*degrees, *ways})
    }


def _latest(stated: Sequence[tuple[int, str]]) -> str | None:
    if not stated:
        return None
    year = max(when for when, _ in stated)
    counts = Counter(term for when, term in stated if when == year)
    return min(counts, key=lambda term: (-counts[term], DEGREE_OF_ESTABLISHMENT.index(term)))


def _ranked(counts: Mapping[str, int]) -> tuple[str, ...]:
    return tuple(sorted(counts, key=lambda term: (-counts[term], term)))


def way_document(way: Way) -> dict[str, Any]:
    """A way, ready for the json module."""
    return {
        "direction": way.direction,
        "upstreamKm": way.upstream_km,
        "downstreamKm": way.downstream_km,
        "passability": way.passability,
    }
