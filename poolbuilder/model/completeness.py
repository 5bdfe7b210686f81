"""How well the fishes of a water are known, from the lists made in it.

Estimators from incidences, the lists being the sampling units: Chao2 (Chao 1987) in the
classic and the bias-corrected variant, both with the factor ``(m-1)/m``; sample coverage
after Chao & Jost 2012, Ecology 93:2533-2547 (from memory; overview: Chao & Colwell 2017,
SORT 41:3-54, doi 10.2436/20.8080.02.49, abstract read).  From counts of individuals: Chao1
(Chao 1984), ACE (Chao & Lee 1992) and coverage (Good 1953; Chao & Jost 2012).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Ints = NDArray[np.int64]

RARE = 10
"""ACE takes species with at most so many individuals as rare."""


def _frequencies(counts: ArrayLike) -> tuple[Ints, int, int]:
    """Counts above 0, and the numbers of singletons and doubletons."""
    values = np.asarray(counts, dtype=np.int64)
    values = values[values > 0]
    return values, int((values == 1).sum()), int((values == 2).sum())


def _chao(seen: int, units: float, once: int, twice: int, *, bias_corrected: bool) -> float:
    factor = (units - 1) / units if units > 0 else 0.0
    if bias_corrected or twice == 0:
        return seen + factor * once * (once - 1) / (2 * (twice + 1))
    return seen + factor * once**2 / (2 * twice)


def chao1(counts: ArrayLike, *, bias_corrected: bool = False) -> float:
    """Chao1 richness from counts of individuals, with the factor (n-1)/n.

    ``S + (n-1)/n f1²/(2 f2)``, or bias-corrected ``S + (n-1)/n f1(f1-1)/(2(f2+1))``, which is
    also used when f2 = 0.

    Examples
    --------
    >>> round(chao1([30, 20, 15, 10, 8, 5, 3, 2, 2, 2, 1, 1, 1, 1]), 6)
    16.640264
    """
    values, once, twice = _frequencies(counts)
    return _chao(len(values), float(values.sum()), once, twice, bias_corrected=bias_corrected)


def chao2(incidences: ArrayLike, lists: int, *, bias_corrected: bool = False) -> float:
    """Chao2 richness from the number of lists that hold each species, with (m-1)/m."""
    values, once, twice = _frequencies(incidences)
    return _chao(len(values), float(lists), once, twice, bias_corrected=bias_corrected)


def ace(counts: ArrayLike) -> float:
    """Abundance-based coverage estimator (Chao & Lee 1992); rare up to 10 individuals.

    NaN when every rare individual is of a species met once.
    """
    values, once, _ = _frequencies(counts)
    rare = values[values <= RARE]
    total = int(rare.sum())
    common = len(values) - len(rare)
    if total == 0:
        return float(common)
    sample = 1 - once / total
    if sample <= 0:
        return math.nan
    pairs = float((rare * (rare - 1)).sum())
    spread = max(len(rare) / sample * pairs / (total * (total - 1)) - 1, 0.0) if total > 1 else 0.0
    return common + len(rare) / sample + once / sample * spread


def good_coverage(counts: ArrayLike) -> float:
    """Good's coverage ``1 - f1/n`` (Good 1953, Biometrika 40:237-264); NaN without individuals."""
    values, once, _ = _frequencies(counts)
    return 1 - once / float(values.sum()) if len(values) else math.nan


def _chao_jost(total: float, units: float, once: int, twice: int) -> float:
    """``1 - f1/n (m-1)f1/((m-1)f1 + 2f2)``; without doubletons f1-1 and 1 stand for f1 and f2."""
    if total <= 0:
        return math.nan
    single, double = (once, twice) if twice else (once - 1, 1)
    if once == 0 or single == 0:
        return 1.0
    return 1 - once / total * (units - 1) * single / ((units - 1) * single + 2 * double)


def coverage(counts: ArrayLike) -> float:
    """Coverage of a sample of individuals after Chao & Jost 2012; NaN without individuals."""
    values, once, twice = _frequencies(counts)
    total = float(values.sum())
    return _chao_jost(total, total, once, twice)


def incidence_coverage(incidences: ArrayLike, lists: int) -> float:
    """Coverage of a sample of lists after Chao & Jost 2012; NaN without any name."""
    values, once, twice = _frequencies(incidences)
    return _chao_jost(float(values.sum()), float(lists), once, twice)


def completeness(incidences: ArrayLike, events: int, years: ArrayLike) -> dict[str, Any]:
    """What is known of a water from the lists made in it.

    Parameters
    ----------
    incidences : array_like
        On how many lists each name stands.
    events : int
        Lists.
    years : array_like
        Of the lists; NaN where not known.

    Returns
    -------
    dict
        ``events``, ``species`` (names on the lists), ``coverage`` (Chao & Jost, by lists),
        ``chao2`` and ``chao2BiasCorrected`` (both with (m-1)/m), ``firstYear`` and ``lastYear``.
        Numbers that are unknown are None.
    """
    incidences = np.asarray(incidences, dtype=np.int64)
    known = np.asarray(years, dtype=float)
    known = known[~np.isnan(known)]
    first, last = (int(known.min()), int(known.max())) if len(known) else (None, None)
    share = incidence_coverage(incidences, events) if events > 1 else math.nan
    rich = events > 1 and bool((incidences > 0).any())
    return {
        "events": events,
        "species": int((incidences > 0).sum()),
        "coverage": None if math.isnan(share) else share,
        "chao2": chao2(incidences, events) if rich else None,
        "chao2BiasCorrected": chao2(incidences, events, bias_corrected=True) if rich else None,
        "firstYear": first,
        "lastYear": last,
    }
