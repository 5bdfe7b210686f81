"""Fish drawn from the trait tables: how often would the right answer be found?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations_with_replacement
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import words
from poolbuilder.files import write_csv
from poolbuilder.fish.characters import Fish, TraitTable
from poolbuilder.fish.weighing import (
    Hypothesis,
    damping,
    expected_shares,
    hypotheses,
    reliability,
    with_error,
)
from poolbuilder.folder import write_folder
from poolbuilder.names.checklist import write_formula
from poolbuilder.settings import Settings

Array = NDArray[np.float64]
BINS = 10
ENOUGH = 0.8
CONFUSION = "confusion.csv"


@dataclass(frozen=True, kw_only=True, eq=False)
class Simulation:
    """What came out of simulated fish.

    Attributes
    ----------
    hypotheses : tuple of Hypothesis
    characters : tuple of str
        What was seen on each fish.
    posterior : array
        (true hypothesis, fish, hypothesis).
    shares : mapping
        What adult males of each hypothesis show of each character.
    """

    hypotheses: tuple[Hypothesis, ...]
    characters: tuple[str, ...]
    posterior: Array
    shares: Mapping[str, Array] = field(repr=False)

    @property
    def fish(self) -> int:
        """Fish per hypothesis."""
        return int(self.posterior.shape[1])

    @property
    def pairs(self) -> NDArray[np.bool_]:
        """Which hypotheses are crosses."""
        return np.array([each.kind != "pure" for each in self.hypotheses])

    @cached_property
    def _own(self) -> Array:
        """(true hypothesis, fish): the posterior of the truth."""
        index = np.arange(len(self.hypotheses))
        return np.asarray(self.posterior[index, :, index])

    @cached_property
    def _rank(self) -> NDArray[np.int64]:
        return np.asarray((self.posterior > self._own[:, :, None]).sum(axis=2))

    @property
    def first(self) -> Array:
        """Share of the fish of each hypothesis that came first."""
        return np.asarray((self._rank == 0).mean(axis=1))

    @property
    def third(self) -> Array:
        """Share of the fish of each hypothesis that came among the first three."""
        return np.asarray((self._rank < 3).mean(axis=1))

    @cached_property
    def confusion(self) -> NDArray[np.int64]:
        """(true hypothesis, hypothesis that came first): number of fish."""
        first = self.posterior.argmax(axis=2)
        return np.array([np.bincount(row, minlength=len(self.hypotheses)) for row in first])

    @property
    def log_score(self) -> float:
        """Mean -ln posterior of the truth."""
        return float(-np.log(self._own).mean())

    @property
    def calibration(self) -> list[tuple[float, float, float, float, int]]:
        """(low, high, mean posterior, share true, n) over every fish and hypothesis, by posterior."""
        given = self.posterior.ravel()
        truth = np.broadcast_to(np.eye(len(self.hypotheses))[:, None, :], self.posterior.shape).ravel()
        bins = np.minimum((given * BINS).astype(int), BINS - 1)
        number = np.bincount(bins, minlength=BINS)
        mean, true = (np.bincount(bins, each, BINS) / np.maximum(number, 1) for each in (given, truth))
        found = np.flatnonzero(number).tolist()
        return [(k / BINS, (k + 1) / BINS, float(mean[k]), float(true[k]), int(number[k])) for k in found]


def even_hypotheses(table: TraitTable) -> tuple[tuple[Hypothesis, ...], Array]:
    """Every species and pair of a trait table, all alike before looking."""
    pairs = sorted(combinations_with_replacement(table.species, 2), key=lambda pair: pair[0] != pair[1])
    rows = [
        {"parent1": a, "parent2": b, "formula": a if a == b else write_formula((a, b)), "weight": 1.0}
        for a, b in pairs
    ]
    return hypotheses(rows, table.species)


def simulate(
    table: TraitTable,
    listed: Sequence[Hypothesis],
    prior: Array,
    *,
    characters: Sequence[str] | None = None,
    fish: int = 100,
    seed: int = 1,
    settings: Settings,
) -> Simulation:
    """Draw adult fish of every hypothesis, half of them male, and weigh each.

    Characters are drawn independently, by the same tables and the same ideas of how hybrids
    express them as those that weigh the fish: what comes out is the best that can be hoped
    for, not what will happen in a water.

    Parameters
    ----------
    characters : sequence of str, optional
        What is seen on each; by default everything in the table.
    fish : int
        Fish per hypothesis.
    seed : int
        The same seed gives the same fish.
    """
    keys = tuple(characters) if characters is not None else tuple(each.key for each in table.characters)
    generator, weights = np.random.default_rng(seed), damping(keys, table, settings)
    exact, halves, shown = settings.replace(trait_error_floor=0.0), [], {}
    for sex, number in (("female", fish - fish // 2), ("male", fish // 2)):
        adult = Fish(sex=sex, stage="adult")
        scores = np.tile(np.log(prior), (len(listed), number, 1))
        for key, weight in zip(keys, weights.tolist(), strict=True):
            character = table.by_key[key]
            shown[key] = expected_shares(table, listed, character, adult, settings)
            sure = settings.observer_sure * reliability(character, adult, settings)
            logs = np.log(with_error(shown[key], sure, character, settings))
            seen_as = with_error(shown[key], settings.observer_sure, character, exact)
            for truth in range(len(listed)):
                drawn = generator.choice(len(character.grid), size=number, p=seen_as[truth])
                scores[truth] += weight * logs[:, drawn].T
        halves.append(scores)
    chance = np.exp((scores := np.concatenate(halves, axis=1)) - scores.max(axis=2, keepdims=True))
    return Simulation(
        hypotheses=tuple(listed),
        characters=keys,
        posterior=chance / chance.sum(axis=2, keepdims=True),
        shares=shown,
    )


def write_confusion(simulation: Simulation, out: str | Path) -> Path:
    """Write confusion.csv: one row per true hypothesis, one column per one that came first.

    Raises
    ------
    PoolFileError
        When the folder holds something else, or cannot be written.
    """
    names = [each.formula for each in simulation.hypotheses]
    table = pa.table({"true": names, **dict(zip(names, simulation.confusion.T.tolist(), strict=True))})
    return write_folder(out, lambda folder: write_csv(table, folder / CONFUSION), marker=CONFUSION)


def _pair(simulation: Simulation, truth: int) -> dict[str, Any]:
    """What fish of one pair are taken for, and the characters that best tell it from the first of these.

    With each of these, the share of fish that differ: half the sum of the differences of the shares.
    """
    row = simulation.confusion[truth].copy()
    row[truth] = 0
    order = [i for i in np.argsort(-row, kind="stable")[:3].tolist() if row[i]] or [truth]
    apart = {
        key: float(np.abs(shares[truth] - shares[order[0]]).sum() / 2)
        for key, shares in simulation.shares.items()
    }
    return {
        "formula": simulation.hypotheses[truth].formula,
        "first": float(simulation.first[truth]),
        "third": float(simulation.third[truth]),
        "taken_for": [(simulation.hypotheses[i].formula, row[i] / simulation.fish) for i in order if row[i]],
        "told_by": sorted(apart.items(), key=lambda item: (-item[1], item[0]))[:3],
    }


def simulation_lines(simulation: Simulation, *, title: str, pairs: bool = True) -> list[str]:
    """A simulation for the terminal: accuracy, calibration, and each pair with what it is taken for."""
    crossed, first, third = simulation.pairs, simulation.first, simulation.third
    groups = [
        (name, first[part].mean(), third[part].mean(), int((third[part] >= ENOUGH).sum()), int(part.sum()))
        for name, part in (("pure species", ~crossed), ("pairs", crossed))
        if part.any()
    ]
    order = [i for i in np.lexsort((first, third)).tolist() if crossed[i] and pairs]
    each = [_pair(simulation, truth) for truth in order]
    facts = {"title": title, "simulation": simulation, "groups": groups, "pairs": each, "enough": ENOUGH}
    return words.lines("fish.txt", "simulation", **facts)
