"""Fish drawn from the trait tables: how often would the right answer be found?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import pages
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
    fish : int
        Fish per hypothesis.
    confusion : array
        (true hypothesis, hypothesis that came first), number of fish.
    first, third : array
        Share of the fish of each hypothesis that came first, and among the first three.
    calibration : list of (low, high, mean posterior, share true, n)
        Over every fish and hypothesis, by posterior.
    log_score : float
        Mean -ln posterior of the truth.
    shares : mapping
        What adult males of each hypothesis show of each character.
    """

    hypotheses: tuple[Hypothesis, ...]
    characters: tuple[str, ...]
    fish: int
    confusion: NDArray[np.int64]
    first: Array
    third: Array
    calibration: list[tuple[float, float, float, float, int]]
    log_score: float
    shares: Mapping[str, Array] = field(repr=False)

    @property
    def pairs(self) -> NDArray[np.bool_]:
        """Which hypotheses are crosses."""
        return np.array([each.kind != "pure" for each in self.hypotheses])


def even_hypotheses(table: TraitTable) -> tuple[tuple[Hypothesis, ...], Array]:
    """Every species and pair of a trait table, all alike before looking."""
    rows: list[dict[str, Any]] = [
        {"parent1": a, "parent2": b, "formula": a if a == b else write_formula((a, b)), "weight": 1.0}
        for a, b in [*((name, name) for name in table.species), *combinations(table.species, 2)]
    ]
    return hypotheses(rows, table.species)


def _scores(
    table: TraitTable,
    listed: Sequence[Hypothesis],
    characters: Sequence[str],
    fish: Fish,
    per_hypothesis: int,
    settings: Settings,
    generator: np.random.Generator,
) -> Array:
    """(true hypothesis, fish, hypothesis): log-likelihood of simulated fish of one sex."""
    weights = damping(characters, table, settings)
    scores = np.zeros((len(listed), per_hypothesis, len(listed)))
    for key, weight in zip(characters, weights.tolist(), strict=True):
        character = table.by_key[key]
        sure = settings.observer_sure * reliability(character, fish, settings)
        shares = expected_shares(table, listed, character, fish, settings)
        logs = np.log(with_error(shares, sure, character, settings))
        exact = settings.replace(trait_error_floor=0.0)
        seen_as = with_error(shares, settings.observer_sure, character, exact)
        for truth in range(len(listed)):
            drawn = generator.choice(len(character.grid), size=per_hypothesis, p=seen_as[truth])
            scores[truth] += weight * logs[:, drawn].T
    return scores


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
    generator = np.random.default_rng(seed)
    halves = (fish // 2, fish - fish // 2)
    scores = np.concatenate(
        [
            _scores(table, listed, keys, Fish(sex=sex, stage="adult"), half, settings, generator)
            for sex, half in zip(("male", "female"), halves, strict=True)
        ],
        axis=1,
    )
    scores += np.log(prior)
    weights = np.exp(scores - scores.max(axis=2, keepdims=True))
    posterior = weights / weights.sum(axis=2, keepdims=True)
    own = posterior[np.arange(len(listed)), :, np.arange(len(listed))]
    rank = (posterior > own[:, :, None]).sum(axis=2)
    first = posterior.argmax(axis=2)
    confusion = np.array([np.bincount(row, minlength=len(listed)) for row in first])
    return Simulation(
        hypotheses=tuple(listed),
        characters=keys,
        fish=fish,
        confusion=confusion,
        first=(rank == 0).mean(axis=1),
        third=(rank < 3).mean(axis=1),
        calibration=_calibration(posterior),
        log_score=float(-np.log(own).mean()),
        shares={
            key: expected_shares(table, listed, table.by_key[key], Fish(sex="male", stage="adult"), settings)
            for key in keys
        },
    )


def _calibration(posterior: Array) -> list[tuple[float, float, float, float, int]]:
    truth = np.zeros(posterior.shape, dtype=bool)
    index = np.arange(len(posterior))
    truth[index, :, index] = True
    said, true = posterior.ravel(), truth.ravel()
    bins = np.minimum((said * BINS).astype(int), BINS - 1)
    rows = []
    for each in range(BINS):
        inside = bins == each
        if inside.any():
            mean, share = float(said[inside].mean()), float(true[inside].mean())
            rows.append((each / BINS, (each + 1) / BINS, mean, share, int(inside.sum())))
    return rows


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
    other = int(row.argmax())
    apart = {
        key: float(np.abs(shares[truth] - shares[other]).sum() / 2)
        for key, shares in simulation.shares.items()
    }
    return {
        "formula": simulation.hypotheses[truth].formula,
        "first": float(simulation.first[truth]),
        "third": float(simulation.third[truth]),
        "taken_for": [
            (simulation.hypotheses[i].formula, row[i] / simulation.fish)
            for i in np.argsort(-row, kind="stable")[:3].tolist()
            if row[i]
        ],
        "told_by": sorted(apart.items(), key=lambda item: (-item[1], item[0]))[:3],
    }


def simulation_lines(simulation: Simulation, *, title: str, pairs: bool = True) -> list[str]:
    """A simulation for the terminal: accuracy, calibration, and each pair with what it is taken for."""
    crossed = simulation.pairs
    groups = {
        name: {
            "first": simulation.first[part].mean(),
            "third": simulation.third[part].mean(),
            "enough": int((simulation.third[part] >= ENOUGH).sum()),
            "all": int(part.sum()),
        }
        for name, part in (("pure species", ~crossed), ("pairs", crossed))
        if part.any()
    }
    order = [i for i in np.lexsort((simulation.first, simulation.third)).tolist() if crossed[i] and pairs]
    return pages.lines(
        "fish.txt",
        "simulation",
        title=title,
        simulation=simulation,
        groups=groups,
        pairs=[_pair(simulation, truth) for truth in order],
        enough=ENOUGH,
    )
