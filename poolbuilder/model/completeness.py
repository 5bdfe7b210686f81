"""How well the fishes of a water are known, from the lists made in it.

Estimators from incidences, the lists being the sampling units: Chao2 (Chao 1987) in the
classic and the bias-corrected variant, both with the factor ``(m-1)/m``; sample coverage
after Chao & Jost 2012, Ecology 93:2533-2547 (from memory; overview: Chao & Colwell 2017,
SORT 41:3-54, doi 10.2436/20.8080.02.49, abstract read).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Ints = NDArray[np.int64]


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


def chao2(incidences: ArrayLike, lists: int, *, bias_corrected: bool = False) -> float:
    """Chao2 richness from the number of lists that hold each species, with (m-1)/m."""
    values, once, twice = _frequencies(incidences)
    return _chao(len(values), float(lists), once, twice, bias_corrected=bias_corrected)


def _chao_jost(total: float, units: float, once: int, twice: int) -> float:
    """``1 - f1/n (m-1)f1/((m-1)f1 + 2f2)``; without doubletons f1-1 and 1 stand for f1 and f2."""
    if total <= 0:
        return math.nan
    single, double = (once, twice) if twice else (once - 1, 1)
    if once == 0 or single == 0:
        return 1.0
    return 1 - once / total * (units - 1) * single / ((units - 1) * single + 2 * double)


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
