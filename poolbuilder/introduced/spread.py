"""How an introduced species comes: its ways by water, its leading edge over the years, and the watch list.

The nearest record so far can only come nearer, and comes nearer by mere looking.  So each
year also has a lower end: how near the species could have been without being met, given
the visits between the water and the nearest record.  A visit in reach of the species meets
it with probability *p*, which is learnt from the visits at and beyond the nearest record;
with a Beta(k + ½, n − k + ½) for *p* after *n* visits of which *k* met it (Jeffreys' prior,
from memory), the chance that *m* visits all miss it is ::

    B(a, b + m) / B(a, b),    a = k + ½,  b = n − k + ½

Where nobody looked, the lower end is 0: a thin year cannot show that a species spreads.

The watch list holds introduced species that are not recorded in the water yet, ranked by
presence in three bands, then by how the nearest record is joined to the water, then by
distance.  Distance in a straight line stands for the boat trailer and the bait bucket.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.settings import Settings
from poolbuilder.status.decision import own_names

Floats = NDArray[np.float64]


Bools = NDArray[np.bool_]


CONNECTIONS = ("upstream", "passable", "barrier", "apart")


"""How a record's place is joined to the water, the easiest way for a fish first."""


LEVEL_KM = 0.01


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


def way_document(way: Way) -> dict[str, Any]:
    """A way, ready for the json module."""
    return {
        "direction": way.direction,
        "upstreamKm": way.upstream_km,
        "downstreamKm": way.downstream_km,
        "passability": way.passability,
    }


Ints = NDArray[np.int64]

MISSED = 0.05
"""A front is held to be no nearer than where so small a chance of missing it begins."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Visits:
    """Visits of people who looked for any fish: year, km from the water, and whether the species was met."""

    year: Ints
    km: Floats
    met: Bools


@dataclass(frozen=True, kw_only=True)
class FrontYear:
    """The front of one year.

    Attributes
    ----------
    nearest_km : float
        Nearest record so far.
    low_km : float or None
        The front may have been as near as this without being met; None when nobody knows
        who looked.
    visits : int
        Visits nearer than the nearest record, in the window that ends with the year.
    """

    year: int
    nearest_km: float
    low_km: float | None
    visits: int


@dataclass(frozen=True, kw_only=True)
class Front:
    """The front over the years, and how fast it comes nearer.

    Attributes
    ----------
    speed_km, speed_low_km, speed_high_km : float or None
        Kilometres a year towards the water between the first year and the last, and the
        interval that the visits leave open; None with one year, or without known visits.
    trend : str
        ``approaching``, ``no nearer``, ``arrived`` (its first record is in the water) or
        ``unclear``.
    words : str
    """

    years: tuple[FrontYear, ...]
    speed_km: float | None
    speed_low_km: float | None
    speed_high_km: float | None
    trend: str
    words: str


def chance_of_misses(misses: int, *, met: int, visits: int) -> float:
    """Chance that *misses* visits all miss a species that *met* of *visits* others met.

    Examples
    --------
    >>> round(chance_of_misses(1, met=1, visits=1), 3), chance_of_misses(0, met=3, visits=9)
    (0.25, 1.0)
    """
    a, b = met + 0.5, visits - met + 0.5
    return math.exp(
        math.lgamma(b + misses) - math.lgamma(b) + math.lgamma(a + b) - math.lgamma(a + b + misses)
    )


def _low(visits: Visits, nearest: float) -> tuple[float, int]:
    """How near the front may be, and how many visits speak to that."""
    nearer = visits.km < nearest
    met, beyond = int(visits.met[~nearer].sum()), int((~nearer).sum())
    ways = np.sort(visits.km[nearer])[::-1]
    for misses, km in enumerate(ways.tolist(), start=1):
        if chance_of_misses(misses, met=met, visits=beyond) <= MISSED:
            return float(km), len(ways)
    return 0.0, len(ways)


def trace_front(
    year: Sequence[int], km: Sequence[float], visits: Visits | None, *, last: int, settings: Settings
) -> Front | None:
    """Trace the front of one species towards one water.

    Parameters
    ----------
    year, km : sequence
        Dated events that met the species, and their distance to the water.
    visits : Visits or None
        All visits within reach; None when the records hold nothing but the species of the
        checklist, so that effort is unknown.
    last : int
        The year to end with.

    Returns
    -------
    Front or None
        None without a dated event.
    """
    if not len(year):
        return None
    when, away = np.asarray(year, dtype=np.int64), np.asarray(km, dtype=float)
    window = round(settings.front_window_years)
    years = []
    for now in range(int(when.min()), max(last, int(when.max())) + 1):
        nearest = float(away[when <= now].min())
        low, count = None, 0
        if visits is not None:
            recent = (visits.year <= now) & (visits.year > now - window)
            seen = Visits(year=visits.year[recent], km=visits.km[recent], met=visits.met[recent])
            low, count = _low(seen, nearest)
        years.append(FrontYear(year=now, nearest_km=nearest, low_km=low, visits=count))
    return _summed(years)


def _summed(years: Sequence[FrontYear]) -> Front:
    first, last = years[0], years[-1]
    speed = low = high = None
    span = last.year - first.year
    if span:
        speed = (first.nearest_km - last.nearest_km) / span
        if first.low_km is not None and last.low_km is not None:
            low = (first.low_km - last.nearest_km) / span
            high = (first.nearest_km - last.low_km) / span
    trend = _trend(first, last, low)
    return Front(
        years=tuple(years),
        speed_km=speed,
        speed_low_km=low,
        speed_high_km=high,
        trend=trend,
        words=_words(first, last, trend, speed, low, high),
    )


def _trend(first: FrontYear, last: FrontYear, low: float | None) -> str:
    if first.nearest_km == 0:
        return "arrived"
    if first.year == last.year:
        return "unclear"
    if last.nearest_km >= first.nearest_km:
        return "no nearer"
    return "approaching" if low is not None and low > 0 else "unclear"


def _words(
    first: FrontYear, last: FrontYear, trend: str, speed: float | None, low: float | None, high: float | None
) -> str:
    if trend == "arrived":
        return f"its first dated record, of {first.year}, is in the water itself"
    if speed is None:
        return f"dated records of {first.year} alone show no trend"
    if trend == "no nearer":
        return f"no nearer than {first.nearest_km:.1f} km since {first.year}"
    end = f"{last.nearest_km:.1f} km" if last.nearest_km else "in the water"
    moved = f"nearest record so far {first.nearest_km:.1f} km in {first.year}, {end} by {last.year}"
    if low is None or high is None:
        return f"{moved}; who looked is not recorded, so an approach cannot be told from better looking"
    if trend == "approaching":
        return f"approaching by {speed:.1f} km a year ({low:.1f} to {high:.1f}): {moved}"
    return f"{moved}; too few visits nearer the water before to tell an approach from better looking"


BANDS = ((0.5, "likely"), (0.1, "possible"), (0.0, "unlikely"))
"""Lower end of presence, and what it is called."""

_CONNECTED = {
    "upstream": "upstream of this water, so that fish can come down with it",
    "passable": "joined to this water by a passable way",
    "barrier": "joined to this water, past barriers",
}


def band(presence: float) -> str:
    """The band that a presence falls in."""
    return next(words for low, words in BANDS if presence >= low)


def arrival(row: Mapping[str, Any], way: Way, *, inside_range: bool) -> dict[str, Any]:
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
    reasons = []
    if way.km is not None:
        reasons.append(f"recorded {way.km:.1f} km away by water, {_CONNECTED[way.connection]}")
    if row["nearestKm"] is not None:
        reasons.append(f"recorded {row['nearestKm']:.1f} km away in a straight line, as a trailer goes")
    if inside_range:
        reasons.append("its introduced range, as mapped, covers this water")
    if row["front"] is not None and row["front"]["trend"] in {"approaching", "no nearer"}:
        reasons.append(row["front"]["words"])
    if not row["events"]:
        reasons.append("no record within the radius")
    return {
        "scientificName": row["scientificName"],
        "vernacularName": row["vernacularName"],
        "establishmentMeans": row["establishmentMeans"],
        "establishmentSource": row["establishmentSource"],
        "presence": row["presence"],
        "band": band(row["presence"]),
        "connection": way.connection,
        "byWaterKm": way.km,
        "nearestKm": row["nearestKm"],
        "lastYear": row["lastYear"],
        "reasons": reasons,
    }


def ranked(arrivals: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The watch list in order, each with its rank from 1."""
    names = [words for _, words in BANDS]
    ordered = sorted(
        arrivals,
        key=lambda item: (
            names.index(item["band"]),
            CONNECTIONS.index(item["connection"]),
            _far(item["byWaterKm"]),
            _far(item["nearestKm"]),
            -item["presence"],
            item["scientificName"],
        ),
    )
    return [{"rank": rank, **item} for rank, item in enumerate(ordered, start=1)]


def _far(km: float | None) -> float:
    return float("inf") if km is None else km
