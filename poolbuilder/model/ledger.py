"""The argument over one fish: what speaks for and against each parent."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.specimen import Hypothesis, Weighing
from poolbuilder.model.traits import Cell, Character, Seen

__all__ = ["AgainstParents", "Row", "against_parents", "expectation", "ledger", "short"]

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


def _ledger_words(weighing: Weighing, species: str, seen: Seen, value: float) -> str:
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


def ledger(weighing: Weighing) -> list[Row]:
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
                    "words": _ledger_words(weighing, species, seen, value),
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
