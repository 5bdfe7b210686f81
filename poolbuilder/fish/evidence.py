"""The argument over one fish: for and against each parent, the conclusion, what would decide next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.fish.characters import Cell, Character, Seen
from poolbuilder.fish.weighing import Hypothesis, Weighing, moments, posterior, prior_with_f1_share


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


Array = NDArray[np.float64]
Row = dict[str, Any]


def short(name: str) -> str:
    """``L. cyanellus`` for ``Lepomis cyanellus``."""
    genus, _, epithet = name.partition(" ")
    return f"{genus[0]}. {epithet}" if epithet else name


def _logit(p: float) -> float:
    p = min(max(p, 1e-12), 1 - 1e-12)
    return math.log(p / (1 - p))


# -- for and against ---------------------------------------------------------------------


def _commonest(cell: Cell, character: Character) -> str:
    if character.is_number:
        if cell.low == cell.high:
            return f"{cell.low:g}"
        return f"{cell.low:g}\N{EN DASH}{cell.high:g}"
    ranked = sorted(zip(cell.shares, character.states, strict=True), key=lambda item: -item[0])
    (first, state), (second, other) = ranked[0], ranked[1]
    words = character.say(state)
    if first >= 0.8:
        return words
    return f"mostly {words}, also {character.say(other)}" if second >= 0.15 else f"mostly {words}"


def expectation(weighing: Weighing, species: str, character: Character) -> tuple[str, str]:
    """What a species shows of a character in words, and how that is known."""
    fish = weighing.fish
    cells = weighing.table.fitting(species, character.key, sex=fish.sex, stage=fish.stage)
    if not cells:
        return "not known", "no source"
    said = list(dict.fromkeys(_commonest(cell, character) for cell in cells))
    sexes = [f"{cell.sex} {_commonest(cell, character)}" for cell in cells] if len(said) > 1 else said
    return "; ".join(sexes), cells[0].mark


_STEPS = ((2.0, "strongly "), (0.7, ""), (0.2, "a little "))


def _speaks(value: float) -> str:
    for least, how in _STEPS:
        if abs(value) >= least:
            return f"speaks {how}{'for' if value > 0 else 'against'} it"
    return "says little"


def _place_words(cells: Sequence[Cell], seen: Seen) -> str:
    """Where a count or measure lies against a species' range."""
    if isinstance(seen.value, str) or len(cells) != 1:
        return ""
    low, high = cells[0].low, cells[0].high
    if low is None or high is None:
        return ""
    where = "below" if seen.value < low else "above" if seen.value > high else "within"
    return f", this lies {where} its range"


def _evidence_words(weighing: Weighing, species: str, seen: Seen, value: float) -> str:
    character, fish = weighing.table.by_key[seen.character], weighing.fish
    expected, mark = expectation(weighing, species, character)
    cells = weighing.table.fitting(species, seen.character, sex=fish.sex, stage=fish.stage)
    lost = any(cell.hybrid == "lost" for cell in cells)
    aside = ", which its hybrids commonly lose" if lost else _place_words(cells, seen)
    return (
        f"{character.words} {seen.words}: {short(species)} has {expected} [{mark}]{aside}; {_speaks(value)}"
    )


def _bayes_factors(weighing: Weighing, row: int) -> Array:
    """Log-odds that one observation alone adds to each species being a parent."""
    likelihood = np.exp(weighing.damping[row] * weighing.log_likelihood[row])
    joint, member = weighing.prior * likelihood, weighing.membership
    inside, outside = member @ joint, ~member @ joint
    own, rest = member @ weighing.prior, ~member @ weighing.prior
    with np.errstate(divide="ignore", invalid="ignore"):
        factors = np.log(inside / own) - np.log(outside / rest)
    return np.asarray(np.nan_to_num(factors, nan=0.0, posinf=0.0, neginf=0.0))


def trait_evidence(weighing: Weighing) -> list[Row]:
    """What each character says of each species as a parent.

    Returns
    -------
    list of dict
        scientificName, character, seen, logOdds (of this character alone, at the pool's
        weights), added (what it adds once all others are known) and words; species by
        posterior, characters by the size of logOdds.
    """
    alone = [_bayes_factors(weighing, row) for row in range(len(weighing.fish.seen))]
    whole = weighing.parenthood
    without = [weighing.again(without=seen.character).parenthood for seen in weighing.fish.seen]
    rows: list[Row] = []
    for index in np.argsort(-whole, kind="stable").tolist():
        species = weighing.species[index]
        made = []
        for row, seen in enumerate(weighing.fish.seen):
            value = float(alone[row][index])
            made.append(
                {
                    "scientificName": species,
                    "character": seen.character,
                    "seen": seen.words,
                    "logOdds": value,
                    "added": _logit(float(whole[index])) - _logit(float(without[row][index])),
                    "words": _evidence_words(weighing, species, seen, value),
                }
            )
        rows += sorted(made, key=lambda item: (-abs(item["logOdds"]), item["character"]))
    return rows


@dataclass(frozen=True, kw_only=True)
class AgainstParents:
    """A pair weighed against each of its parents alone.

    Attributes
    ----------
    pair : Hypothesis
    rows : list of dict
        character, seen, and the log-odds of the pair against the ``first`` and the
        ``second`` parent alone.
    prior, posterior : tuple of (float, float)
        Log-odds of the pair against either parent before and after; the rows add up to the
        difference.
    """

    pair: Hypothesis
    rows: list[Row]
    prior: tuple[float, float]
    posterior: tuple[float, float]


def against_parents(weighing: Weighing) -> AgainstParents | None:
    """Why the leading pair, and not one of its parents alone?  None when there is no pair."""
    pure = {each.parents[0]: i for i, each in enumerate(weighing.hypotheses) if each.kind == "pure"}
    crossed = [i for i in weighing.order.tolist() if weighing.hypotheses[i].kind == "F1"]
    if not crossed:
        return None
    leading = crossed[0]
    pair = weighing.hypotheses[leading]
    parents = [pure[name] for name in pair.parents]
    rows: list[Row] = []
    for row, seen in enumerate(weighing.fish.seen):
        likelihood = weighing.damping[row] * weighing.log_likelihood[row]
        first, second = (float(likelihood[leading] - likelihood[parent]) for parent in parents)
        rows.append({"character": seen.character, "seen": seen.words, "first": first, "second": second})
    rows.sort(key=lambda row: (-max(abs(row["first"]), abs(row["second"])), row["character"]))

    def odds(shares: Array) -> tuple[float, float]:
        logs = np.log(np.maximum(shares, 1e-300))
        return float(logs[leading] - logs[parents[0]]), float(logs[leading] - logs[parents[1]])

    return AgainstParents(
        pair=pair, rows=rows, prior=odds(weighing.prior), posterior=odds(weighing.posterior)
    )


MOST_NAMED = 4


@dataclass(frozen=True, kw_only=True)
class Conclusion:
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


def conclusion(weighing: Weighing) -> Conclusion:
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
    return Conclusion(decided=decided, leading=leading, share=share, sentence=sentence)


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


# -- the order in which candidates drop out ----------------------------------------------


def _information(weighing: Weighing, row: int) -> float:
    """Bits by which one observation alone moves the prior (Kullback-Leibler)."""
    moved = posterior(weighing.prior, weighing.damping[row] * weighing.log_likelihood[row])
    known = moved > 0
    return float(np.sum(moved[known] * np.log2(moved[known] / weighing.prior[known])))


def drop_outs(weighing: Weighing) -> list[Row]:
    """Take the characters in one by one, the most telling first, and say who drops out.

    Returns
    -------
    list of dict
        character, seen, words, dropped, returned (species), left (number of species) and
        leading (formula); the first row is the pool alone.  The end does not depend on the
        order; the steps do.
    """
    seen = weighing.fish.seen
    order = sorted(range(len(seen)), key=lambda row: (-_information(weighing, row), seen[row].character))
    line = weighing.settings.drop_below
    out: set[str] = set()
    rows: list[Row] = []
    score = np.zeros(len(weighing.hypotheses))
    for row in [None, *order]:
        if row is not None:
            score = score + weighing.damping[row] * weighing.log_likelihood[row]
        now = posterior(weighing.prior, score)
        chance = dict(zip(weighing.species, (weighing.membership @ now).tolist(), strict=True))
        below = {name for name, value in chance.items() if value < line}
        key = seen[row].character if row is not None else ""
        rows.append(
            {
                "character": key,
                "words": weighing.table.by_key[key].words if key else "the pool alone",
                "seen": seen[row].words if row is not None else "",
                "dropped": sorted(below - out),
                "returned": sorted(out - below),
                "left": len(chance) - len(below),
                "leading": weighing.hypotheses[int(np.argmax(now))].formula,
                "share": float(now.max()),
            }
        )
        out = below
    return rows


# -- what would decide next --------------------------------------------------------------


def _entropy(shares: Array) -> Array:
    safe = np.where(shares > 0, shares, 1.0)
    return np.asarray(-np.sum(shares * np.log2(safe), axis=-1))


def next_characters(weighing: Weighing, *, most: int = 5) -> list[Row]:
    """The characters not yet seen that would tell most, in bits.

    The mutual information of the character and the hypotheses at their posterior, times the
    weight that it would have beside the characters of its group.

    Returns
    -------
    list of dict
        character, words, bits, look and care; the most telling first.
    """
    known = {seen.character for seen in weighing.fish.seen}
    groups = [weighing.table.by_key[key].group for key in known]
    rows: list[Row] = []
    for character in weighing.table.characters:
        if character.key in known:
            continue
        expected = weighing.expected(character.key, weighing.settings.observer_sure)
        mixed = weighing.posterior @ expected
        bits = float(_entropy(mixed) - weighing.posterior @ _entropy(expected))
        bits /= 1 + groups.count(character.group) * weighing.settings.character_correlation
        rows.append(
            {
                "character": character.key,
                "words": character.words,
                "bits": max(bits, 0.0),
                "look": character.look,
                "care": character.care,
            }
        )
    return sorted(rows, key=lambda row: (-row["bits"], row["character"]))[:most]


# -- how much hangs on what --------------------------------------------------------------


def sensitivity(weighing: Weighing) -> list[Row]:
    """The leading hypothesis under other assumptions.

    Returns
    -------
    list of dict
        words (what was changed), leading (formula), share (its posterior), before (what the
        answer as given has left) and changed.
    """
    first = int(weighing.order[0])
    pairs = np.array([each.kind != "pure" for each in weighing.hypotheses])
    share = float(weighing.prior[pairs].sum())
    variants: list[tuple[str, Weighing]] = []
    even = np.full(len(weighing.prior), 1 / len(weighing.prior))
    variants.append(
        ("every hypothesis alike before looking, whatever the pool says", weighing.again(prior=even))
    )
    for words, wanted in (("halved", share / 2), ("doubled", min(2 * share, 1.0))):
        if 0 < share < 1:
            prior = prior_with_f1_share(weighing.hypotheses, weighing.prior, wanted)
            variants.append((f"share of hybrids {words}, to {wanted:.3g}", weighing.again(prior=prior)))
    for seen in weighing.fish.seen:
        words = f"without {weighing.table.by_key[seen.character].words}"
        variants.append((words, weighing.again(without=seen.character)))
    rows = []
    for words, other in variants:
        leading = int(other.order[0])
        rows.append(
            {
                "words": words,
                "leading": other.hypotheses[leading].formula,
                "share": float(other.posterior[leading]),
                "before": float(other.posterior[first]),
                "changed": leading != first,
            }
        )
    return rows
