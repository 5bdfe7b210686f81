"""The hybrid index: where a fish stands between two parents, in per cent of the way."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["HybridIndex", "hybrid_index", "mean_index"]


@dataclass(frozen=True, kw_only=True)
class HybridIndex:
    """Indices of one pair of parents.

    Attributes
    ----------
    by_character : mapping
        Character to (value, mean of first parent, mean of second, index).
    left_out : tuple of str
        Characters in which the parents do not differ enough.
    weighted : float
        Mean weighted by the squared distance of the parents in standard deviations; NaN
        when no character is left.
    """

    parents: tuple[str, str]
    by_character: Mapping[str, tuple[float, float, float, float]]
    left_out: tuple[str, ...]
    weighted: float


def hybrid_index(value: float, first: float, second: float) -> float:
    """Hubbs' index 100 (H - A)/(B - A).

    Parameters
    ----------
    value : float
        H, as counted on the fish.
    first, second : float
        A and B, the means of the parents.

    Returns
    -------
    float
        0 at the first parent, 100 at the second, 50 halfway; NaN when the parents are equal.

    References
    ----------
    Hubbs & Kuronuma 1942, Pap. Mich. Acad. Sci. 27:267-306; Hubbs, Hubbs & Johnson 1943,
    Contrib. Lab. Vert. Biol. Univ. Mich. 22 (both cited from memory).

    Examples
    --------
    >>> hybrid_index(44, 47, 42)
    60.0
    """
    return math.nan if first == second else 100 * (value - first) / (second - first)


def mean_index(
    parents: tuple[str, str],
    characters: Mapping[str, tuple[float, float, float, float]],
    *,
    least: float = 1.0,
) -> HybridIndex:
    """Indices of several characters and their weighted mean.

    Parameters
    ----------
    parents : tuple of (str, str)
    characters : mapping
        Character to (value, first mean, second mean, pooled standard deviation).
    least : float
        Distance of the parents, in standard deviations, below which a character is left out:
        the index is unstable there.
    """
    kept: dict[str, tuple[float, float, float, float]] = {}
    left_out, total, weights = [], 0.0, 0.0
    for name, (value, first, second, deviation) in characters.items():
        distance = abs(first - second) / deviation if deviation > 0 else math.inf
        index = hybrid_index(value, first, second)
        if math.isnan(index) or distance < least:
            left_out.append(name)
            continue
        kept[name] = (value, first, second, index)
        weight = min(distance, 1e6) ** 2
        total, weights = total + weight * index, weights + weight
    weighted = total / weights if weights else math.nan
    return HybridIndex(parents=parents, by_character=kept, left_out=tuple(left_out), weighted=weighted)
