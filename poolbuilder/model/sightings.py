"""Is it still there?  What a record of sightings says, in time that counts visits.

Time runs in target-group events, not in years: when nobody looks, nothing is seen (the main
warning of McCrea et al. 2024, Cambridge Prisms: Extinction, abstract read).  Position 0 is
the start of the record, *t* the number of events up to each sighting, *T* the number of
all events so far.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poolbuilder.model.lists import Lists

__all__ = [
    "LastSeen",
    "last_seen",
    "mcinerny",
    "solow",
    "solow_bayes_factor",
    "solow_roberts",
    "solow_roberts_limit",
]


def _checked(times: Sequence[float], end: float, *, least: int) -> list[float]:
    ordered = sorted(float(time) for time in times)
    if len(ordered) < least:
        raise ValueError(f"sighting times: {len(ordered)} given (at least {least} are needed)")
    if ordered[0] < 0 or ordered[-1] > end or ordered[-1] <= 0:
        raise ValueError(f"sighting times: must lie from 0 to the end {end:g}, the last above 0")
    return ordered


def solow(times: Sequence[float], end: float) -> float:
    """Chance of so long a silence if the species were still there: ``(t_n / T) ** n``.

    Solow 1993, Ecology 74:962-964 (from memory): sightings at a constant rate.

    Examples
    --------
    >>> round(solow([7, 17, 33, 37], 77), 6)
    0.053314
    """
    ordered = _checked(times, end, least=1)
    return (ordered[-1] / end) ** len(ordered)


def solow_bayes_factor(times: Sequence[float], end: float) -> float:
    """Bayes factor for still there: ``(n - 1) / ((T / t_n) ** (n-1) - 1)``; needs two sightings.

    Solow 1993 (from memory).  Infinite when the last sighting is at the end of the record.
    """
    ordered = _checked(times, end, least=2)
    n = len(ordered)
    growth = math.expm1(min((n - 1) * math.log(end / ordered[-1]), 700.0))
    return math.inf if growth <= 0 else (n - 1) / growth


def solow_roberts(times: Sequence[float], end: float) -> float:
    """Chance of so long a silence, free of the rate: ``(t_n - t_{n-1}) / (T - t_{n-1})``.

    Solow & Roberts 2003, Ecology 84:1329-1332 (from memory).
    """
    ordered = _checked(times, end, least=2)
    last, before = ordered[-1], ordered[-2]
    return 1.0 if end <= before else (last - before) / (end - before)


def solow_roberts_limit(times: Sequence[float], *, alpha: float) -> float:
    """Upper limit of the time of the end: ``t_n + (1 - α)/α (t_n - t_{n-1})``."""
    if not 0 < alpha < 1:
        raise ValueError(f"alpha: {alpha:g} is not between 0 and 1")
    ordered = _checked(times, max(times, default=0.0), least=2)
    return ordered[-1] + (1 - alpha) / alpha * (ordered[-1] - ordered[-2])


def mcinerny(times: Sequence[float], end: float) -> float:
    """Chance of so long a silence at the former rate: ``(1 - n / t_n) ** (T - t_n)``.

    McInerny et al. 2006, Conserv. Biol. 20:562-567 (from memory).
    """
    ordered = _checked(times, end, least=1)
    last = ordered[-1]
    rate = min(len(ordered) / last, 1.0)
    return float((1 - rate) ** (end - last)) if rate < 1 or end > last else 1.0


@dataclass(frozen=True, kw_only=True)
class LastSeen:
    """What the record of sightings of one species in one water says.

    Attributes
    ----------
    sightings, events, since : int
        Events that hold it, all events, and events after the last that holds it.
    last_year : int or None
    silence : float
        Chance of so long a silence if it were still there; after Solow 1993 with one
        sighting, after Solow & Roberts 2003 the larger of the two.
    still_there : float or None
        Probability that it is still there, from *prior* and Solow's Bayes factor; None
        with fewer than two sightings.
    words : str
    """

    sightings: int
    events: int
    since: int
    last_year: int | None
    silence: float
    still_there: float | None
    words: str


def last_seen(in_water: Lists, species: str, *, prior: float = 0.5) -> LastSeen | None:
    """Weigh the sightings of a species against all target-group events of a water.

    Parameters
    ----------
    in_water : Lists
        Lists made in the water; those without a year cannot be ordered and are left out.
    species : str
    prior : float
        Probability that it is still there before the silence is looked at.

    Returns
    -------
    LastSeen or None
        None when the species is on no dated list.

    Notes
    -----
    Events of one year share its middle position.  The bayes factor takes the species'
    first sighting as the start of its record, so that it counts the others.
    """
    dated = in_water.year > 0
    if species not in in_water.names:
        return None
    order = np.lexsort((np.arange(len(in_water)), in_water.year))
    order = order[dated[order]]
    holds = np.zeros(len(in_water), dtype=bool)
    holds[in_water.event[in_water.name == in_water.names.index(species)]] = True
    seen = np.flatnonzero(holds[order])
    if len(seen) == 0:
        return None
    events = len(order)
    times = (seen + 1).tolist()
    since = events - times[-1]
    chance = solow(times, events)
    still = None
    if len(times) >= 2:
        chance = max(chance, solow_roberts(times, events))
        factor = solow_bayes_factor(times, events)
        still = 1.0 if math.isinf(factor) else factor * prior / (factor * prior + 1 - prior)
        still = min(max(still, 1e-6), 1 - 1e-6)
    year = int(in_water.year[order[seen[-1]]])
    words = f"last recorded in {year}, {since:,} visits ago; on {len(times):,} of {events:,} lists"
    if since:
        words += f"; chance of so long a silence if it were still there: {chance:.2g}"
    return LastSeen(
        sightings=len(times),
        events=events,
        since=since,
        last_year=year,
        silence=chance,
        still_there=still,
        words=words,
    )
