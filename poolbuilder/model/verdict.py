"""The answer about one fish: what can be said, and how well anything fits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poolbuilder.model.expression import moments
from poolbuilder.model.hybrid_index import HybridIndex, mean_index
from poolbuilder.model.specimen import Hypothesis, Weighing
from poolbuilder.model.traits import Seen

__all__ = ["Verdict", "fit", "indices", "verdict"]

MOST_NAMED = 4


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """The answer in one sentence.

    Attributes
    ----------
    decided : bool
        Whether one hypothesis reaches specimenDecided.
    leading : tuple of int
        The fewest hypotheses that reach it together, by their index, the likeliest first.
    share : float
        Their posterior together.
    sentence : str
    """

    decided: bool
    leading: tuple[int, ...]
    share: float
    sentence: str


def _percent(share: float) -> str:
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def verdict(weighing: Weighing) -> Verdict:
    """What can be said, and no more."""
    reached = np.cumsum(weighing.posterior[weighing.order])
    wanted = weighing.settings.specimen_decided
    count = min(int(np.searchsorted(reached, wanted - 1e-12)) + 1, len(reached))
    leading = tuple(int(index) for index in weighing.order[:count])
    names = [weighing.hypotheses[index].formula for index in leading]
    share, first = float(reached[count - 1]), float(reached[0])
    decided = count == 1 and bool(weighing.fish.seen)
    if not weighing.fish.seen:
        sentence = (
            "Nothing was observed: what stands here is the weight of the pool alone, not an identification."
        )
    elif decided:
        sentence = f"Most likely {names[0]} ({_percent(first)}); without DNA this is an argued guess."
    elif count <= MOST_NAMED:
        sentence = (
            f"Cannot tell between {', '.join(names[:-1])} and {names[-1]}: together they hold "
            f"{_percent(share)}, the first alone {_percent(first)}."
        )
    else:
        sentence = (
            f"Cannot tell: {count} possibilities share {_percent(share)}; the first are "
            f"{', '.join(names[:2])} and {names[2]}, the likeliest with {_percent(first)}."
        )
    return Verdict(decided=decided, leading=leading, share=share, sentence=sentence)


def fit(weighing: Weighing) -> float:
    """How well the leading hypothesis fits, in standard deviations; NaN when nothing was seen.

    The log-likelihood of what was seen, less its mean over fish of that hypothesis, over its
    standard deviation, characters taken as independent.  Below about -2.5 the fish is odd
    even for the best of the hypotheses.
    """
    best = int(weighing.order[0])
    surprise = variance = 0.0
    for row, seen in enumerate(weighing.fish.seen):
        expected = weighing.expected(seen.character, seen.sure)[best]
        logs = np.log(expected)
        mean = float(expected @ logs)
        surprise += float(weighing.log_likelihood[row, best]) - mean
        variance += float(expected @ (logs - mean) ** 2)
    return surprise / math.sqrt(variance) if variance > 0 else math.nan


def indices(weighing: Weighing, *, most: int = 3) -> list[tuple[Hypothesis, HybridIndex]]:
    """Hubbs' index of the leading pairs, over all counts and measures."""
    pairs = [
        weighing.hypotheses[index]
        for index in weighing.order.tolist()
        if weighing.hypotheses[index].kind == "F1"
    ]
    return [(pair, _index(weighing, pair.parents, weighing.fish.seen)) for pair in pairs[:most]]


def _index(weighing: Weighing, parents: tuple[str, str], seen: Sequence[Seen]) -> HybridIndex:
    values = {}
    for each in seen:
        character = weighing.table.by_key[each.character]
        if isinstance(each.value, str):
            continue
        (mean1, variance1), (mean2, variance2) = (
            moments(weighing.shares_of_pure(name, each.character), character) for name in parents
        )
        values[each.character] = (each.value, mean1, mean2, math.sqrt((variance1 + variance2) / 2))
    return mean_index(parents, values)
