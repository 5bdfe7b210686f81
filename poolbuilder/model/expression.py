"""From what each parent shows to what its hybrids show, as shares of the classes of a character."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.traits import Cell, Character, Fish, TraitTable
from poolbuilder.settings import Settings

__all__ = ["hybrid_shares", "moments", "species_shares", "spread"]

Shares = NDArray[np.float64]
NORMAL = NormalDist()


def _normal_cdf(values: Shares) -> Shares:
    return np.array([NORMAL.cdf(value) for value in values.tolist()])


def _classes(character: Character, left: float, right: float, mode: float) -> Shares:
    """Shares of the classes under a normal curve with its own width on each side of the mode."""
    edges = np.append(character.grid - character.step / 2, character.grid[-1] + character.step / 2)
    below, above = (np.minimum(edges, mode) - mode) / left, (np.maximum(edges, mode) - mode) / right
    height = 2 / (left + right)
    reached = height * (left * _normal_cdf(below) + right * (_normal_cdf(above) - 0.5))
    shares = np.diff(reached)
    return np.asarray(shares / shares.sum())


def spread(cell: Cell, character: Character, settings: Settings) -> Shares:
    """Shares of the classes of a character that a cell stands for.

    A range holds rangeShare of the fish; a count's range is widened by half a count on each
    side.  With a mode off its middle the two sides are normal curves of different width.

    Returns
    -------
    array
        One share per class; they sum to 1.
    """
    if not character.is_number:
        return np.array(cell.shares)
    assert cell.low is not None
    assert cell.high is not None
    mode = (cell.low + cell.high) / 2 if cell.mode is None else cell.mode
    margin = 0.5 if character.kind == "count" else 0.0
    reach = NORMAL.inv_cdf((1 + settings.range_share) / 2)
    least = character.step / 4
    left = max((mode - cell.low + margin) / reach, least)
    right = max((cell.high + margin - mode) / reach, least)
    return _classes(character, left, right, mode)


def species_shares(
    table: TraitTable, species: str, character: Character, fish: Fish, settings: Settings
) -> Shares:
    """What a species shows of a character, for a fish of this sex and size.

    Where the sex is unknown, the sexes are mixed half and half.  A species without a cell
    shows what the others of its group show on average.
    """
    cells = table.fitting(species, character.key, sex=fish.sex, stage=fish.stage)
    if cells:
        return np.asarray(np.mean([spread(cell, character, settings) for cell in cells], axis=0))
    others = [
        species_shares(table, other, character, fish, settings)
        for other in table.species
        if other != species and table.cells_of(other, character.key)
    ]
    size = len(character.grid)
    return np.asarray(np.mean(others, axis=0)) if others else np.full(size, 1 / size)


def moments(shares: Shares, character: Character) -> tuple[float, float]:
    """Mean and variance of a number's shares."""
    mean = float(shares @ character.grid)
    return mean, float(shares @ (character.grid - mean) ** 2)


def _between(first: Shares, second: Shares, character: Character) -> Shares:
    """Halfway between two parents."""
    if character.kind == "state":
        return (first + second) / 2
    if character.kind == "scale":
        # Each pair of states meets in the middle; half a step goes to both sides alike.
        joint = np.outer(first, second)
        sums = np.add.outer(np.arange(len(first)), np.arange(len(second)))
        made = np.zeros(len(first))
        np.add.at(made, sums // 2, joint / 2)
        np.add.at(made, (sums + 1) // 2, joint / 2)
        return made
    (mean1, variance1), (mean2, variance2) = moments(first, character), moments(second, character)
    width = ((variance1 + variance2) / 2) ** 0.5
    width = max(width, character.step / 4)
    return _classes(character, width, width, (mean1 + mean2) / 2)


def hybrid_shares(
    first: Shares, second: Shares, character: Character, *, said: tuple[str, str], settings: Settings
) -> Shares:
    """What hybrids of two parents show of a character.

    Parameters
    ----------
    first, second : array
        What the parents show.
    said : tuple of (str, str)
        What is known of either parent's character in its hybrids: ``intermediate``,
        ``dominant``, ``lost`` or empty.
    settings : Settings
        f1Intermediate where nothing is known, f1Documented where something is.

    Notes
    -----
    A mixture of the midpoint and of each parent's own.  The naive model of the midpoint of
    two normals: mean (m1 + m2)/2, variance (v1 + v2)/2.  Counts of five hybrids of sunfishes
    were "generally", not always, intermediate (Smitherman & Hester 1962, Trans. Am. Fish.
    Soc. 91, abstract).
    """
    middle, either = _between(first, second, character), (first + second) / 2
    leaning = {("dominant", ""): first, ("", "dominant"): second, ("lost", ""): second, ("", "lost"): first,
               ("dominant", "lost"): first, ("lost", "dominant"): second}  # fmt: skip
    plain = tuple("" if word == "intermediate" else word for word in said)
    share = settings.f1_documented if "intermediate" in said else settings.f1_intermediate
    mixed = share * middle + (1 - share) * either
    if plain in leaning:
        return settings.f1_documented * leaning[plain] + (1 - settings.f1_documented) * mixed
    return mixed
