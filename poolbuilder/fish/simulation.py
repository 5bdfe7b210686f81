"""Fish drawn from the trait tables: how often would the right answer be found?"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.fish.characters import Fish, TraitTable
from poolbuilder.fish.weighing import Hypothesis, all_shares, damping, hypotheses, reliability, with_error
from poolbuilder.folder import write_folder
from poolbuilder.names.hybrids import write_formula
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
    shares = all_shares(table, listed, fish, settings)
    weights = damping(characters, table, settings)
    scores = np.zeros((len(listed), per_hypothesis, len(listed)))
    for key, weight in zip(characters, weights.tolist(), strict=True):
        character = table.by_key[key]
        sure = settings.observer_sure * reliability(character, fish, settings)
        logs = np.log(with_error(shares[key], sure, character, settings))
        exact = settings.replace(trait_error_floor=0.0)
        seen_as = with_error(shares[key], settings.observer_sure, character, exact)
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
        shares=all_shares(table, listed, Fish(sex="male", stage="adult"), settings),
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

    def fill(folder: Path) -> None:
        with (folder / CONFUSION).open("w", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(["true", *(each.formula for each in simulation.hypotheses)])
            for each, row in zip(simulation.hypotheses, simulation.confusion.tolist(), strict=True):
                writer.writerow([each.formula, *row])

    return write_folder(out, fill, marker=CONFUSION)


def _short(each: Hypothesis) -> str:
    return each.formula.replace("Lepomis ", "")


def _taken_for(simulation: Simulation, truth: int, most: int) -> str:
    row = simulation.confusion[truth].copy()
    row[truth] = 0
    order = np.argsort(-row, kind="stable")[:most].tolist()
    return ", ".join(
        f"{_short(simulation.hypotheses[i])} {100 * row[i] / simulation.fish:.0f} %" for i in order if row[i]
    )


def _told_by(simulation: Simulation, truth: int, most: int = 3) -> str:
    """The characters that best tell a pair from what it is most often taken for.

    With each, the share of fish that differ: half the sum of the differences of the shares.
    """
    row = simulation.confusion[truth].copy()
    row[truth] = 0
    other = int(row.argmax())
    apart = {
        key: float(np.abs(simulation.shares[key][truth] - simulation.shares[key][other]).sum() / 2)
        for key in simulation.characters
    }
    best = sorted(apart, key=lambda key: (-apart[key], key))[:most]
    return ", ".join(f"{key} {apart[key]:.2f}" for key in best)


def simulation_lines(simulation: Simulation, *, title: str, pairs: bool = True) -> list[str]:
    """A simulation for the terminal: accuracy, calibration, and each pair with what it is taken for."""
    crossed = simulation.pairs
    lines = [
        f"{title}: {len(simulation.characters)} characters, {simulation.fish} fish of each of "
        f"{len(simulation.hypotheses)} hypotheses"
    ]
    for words, part in (("pure species", ~crossed), ("pairs", crossed)):
        if part.any():
            reached = int((simulation.third[part] >= ENOUGH).sum())
            lines.append(
                f"  {words}: first {simulation.first[part].mean():.3f}, among the first three "
                f"{simulation.third[part].mean():.3f}; at least 0.80 for {reached} of {int(part.sum())}"
            )
    lines.append(
        f"  mean -ln posterior of the truth {simulation.log_score:.3f}; calibration (said, true, n):"
    )
    lines += [
        f"    {low:.1f}-{high:.1f}  {mean:.3f}  {share:.3f}  {count:,}"
        for low, high, mean, share, count in simulation.calibration
    ]
    if pairs:
        lines.append("  first  top 3  pair, and what it is taken for")
        lines.append(
            "  below 0.80 also: what best tells it from the first of these, and how far the two differ in it"
        )
        order = np.lexsort((simulation.first, simulation.third))
        lines += [
            f"  {simulation.first[i]:5.2f}  {simulation.third[i]:5.2f}  {_short(simulation.hypotheses[i])}: "
            f"{_taken_for(simulation, i, 3) or 'nothing else'}"
            + (f"; told by {_told_by(simulation, i)}" if simulation.third[i] < ENOUGH else "")
            for i in order.tolist()
            if crossed[i]
        ]
    return lines
