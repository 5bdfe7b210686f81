"""What moved the answer about one fish, what would move it next, and how much hangs on what."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.specimen import Weighing, posterior, prior_with_f1_share

__all__ = ["drop_outs", "next_characters", "sensitivity"]

Array = NDArray[np.float64]
Row = dict[str, Any]


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
