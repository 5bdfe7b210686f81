"""One fish's characters ──► posterior over species and crosses."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from poolbuilder.fish.characters import Cell, Character, Fish, Seen, TraitTable
from poolbuilder.settings import Settings

Array = NDArray[np.float64]
LEAN = 10
"""Fish that a smooth curve counts for beside measured frequencies: a count not met yet is not impossible."""

# -- what a species, and a hybrid, shows of a character ------------------------------------


def _classes(character: Character, left: float, right: float, mode: float) -> Array:
    """Shares of the classes under a normal curve with its own width on each side of the mode."""
    least = character.step / 4
    left, right = max(left, least), max(right, least)
    mode = min(max(mode, character.low), character.high)
    edges = np.append(character.grid - character.step / 2, character.grid[-1] + character.step / 2)
    below, above = (np.minimum(edges, mode) - mode) / left, (np.maximum(edges, mode) - mode) / right
    height = 2 / (left + right)
    reached = height * (left * ndtr(below) + right * (ndtr(above) - 0.5))
    shares = np.diff(reached)
    return np.asarray(shares / shares.sum())


def _measured(cell: Cell, character: Character, length_mm: float | None) -> Array:
    """Measured fish: their frequencies, or a normal curve at the fish's own size."""
    assert cell.mean is not None
    assert cell.sd is not None
    mean, sd = cell.mean, cell.sd * math.sqrt(1 + 1 / cell.n)
    if length_mm and cell.slope is not None and cell.at_mm and cell.sd_at_size:
        mean, sd = mean + cell.slope * math.log(length_mm / cell.at_mm), cell.sd_at_size
    smooth = _classes(character, sd, sd, mean)
    if not cell.shares:
        return smooth
    return (cell.n * np.array(cell.shares) + LEAN * smooth) / (cell.n + LEAN)


def spread(
    cell: Cell,
    character: Character,
    settings: Settings,
    length_mm: float | None = None,
    measured: float | None = None,
) -> Array:
    """Shares of the classes of a character that a cell stands for.

    A key's range holds rangeShare of the fish that its author had, a count's range widened by
    half a count on each side.  It says little of the spread, so that the variance is the mean
    of its own and of what measured fish of the group have; where none were measured, the curve
    is rangeWidening times as wide as the range.  With a mode off its middle the two sides are
    normal curves of different width.  Measured fish speak as they were measured.

    Parameters
    ----------
    measured : float, optional
        Standard deviation within species of measured fish of the group.

    Returns
    -------
    array
        One share per class; they sum to 1.
    """
    if not character.is_number:
        return np.array(cell.shares)
    if cell.mean is not None:
        return _measured(cell, character, length_mm)
    assert cell.low is not None
    assert cell.high is not None
    mode = (cell.low + cell.high) / 2 if cell.mode is None else cell.mode
    margin = 0.5 if character.kind == "count" else 0.0
    reach = float(ndtri((1 + settings.range_share) / 2))
    left, right = (mode - cell.low + margin) / reach, (cell.high + margin - mode) / reach
    if measured is None:
        left, right = left * settings.range_widening, right * settings.range_widening
    else:
        left, right = (math.sqrt((each**2 + measured**2) / 2) for each in (left, right))
    return _classes(character, left, right, mode)


def species_shares(
    table: TraitTable, species: str, character: Character, fish: Fish, settings: Settings, form: str = ""
) -> Array:
    """What a species shows of a character, for a fish of this sex and size.

    Where form or sex is unknown, they are mixed alike.  A species without a cell shows what
    the others of its group show on average.
    """
    cells = table.fitting(species, character.key, sex=fish.sex, stage=fish.stage, form=form)
    if cells:
        return np.asarray(
            np.mean(
                [
                    spread(cell, character, settings, fish.length_mm, table.measured_spread[character.key])
                    for cell in cells
                ],
                axis=0,
            )
        )
    others = [
        species_shares(table, other, character, fish, settings)
        for other in table.species
        if other != species and table.cells_of(other, character.key)
    ]
    size = len(character.grid)
    return np.asarray(np.mean(others, axis=0)) if others else np.full(size, 1 / size)


def moments(shares: Array, character: Character) -> tuple[float, float]:
    """Mean and variance of a number's shares."""
    mean = float(shares @ character.grid)
    return mean, float(shares @ (character.grid - mean) ** 2)


def _between(first: Array, second: Array, character: Character) -> Array:
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
    return _classes(character, width, width, (mean1 + mean2) / 2)


_LEANING = {
    ("dominant", ""): 0, ("", "dominant"): 1, ("lost", ""): 1, ("", "lost"): 0,
    ("dominant", "lost"): 0, ("lost", "dominant"): 1,
}  # fmt: skip
"""Which parent's look prevails, by what sources report of either parent's hybrids."""


def hybrid_shares(
    first: Array, second: Array, character: Character, *, reported: tuple[str, str], settings: Settings
) -> Array:
    """What hybrids of two parents show of a character.

    Parameters
    ----------
    first, second : array
        What the parents show.
    reported : tuple of (str, str)
        What sources say of either parent's character in its hybrids: ``intermediate``,
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
    share = settings.f1_documented if "intermediate" in reported else settings.f1_intermediate
    mixed = share * middle + (1 - share) * either
    plain = tuple("" if word == "intermediate" else word for word in reported)
    if plain in _LEANING:
        leading = (first, second)[_LEANING[plain]]
        return settings.f1_documented * leading + (1 - settings.f1_documented) * mixed
    return mixed


# -- hypotheses --------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Hypothesis:
    """What the fish may be.

    Attributes
    ----------
    parents : tuple of (str, str)
        In alphabetical order; the same name twice for a pure species.
    formula : str
    frequency, viability : str
        What sources say of a cross: how often it is met, whether it lives or intergrades.
    """

    parents: tuple[str, str]
    formula: str
    frequency: str = ""
    viability: str = ""

    @property
    def kind(self) -> str:
        """``pure`` or ``F1``."""
        return "pure" if self.parents[0] == self.parents[1] else "F1"


def hypotheses(
    crosses: Sequence[Mapping[str, Any]], species: Sequence[str]
) -> tuple[tuple[Hypothesis, ...], Array]:
    """Hypotheses and their prior from a table of pairs that holds the pure species too.

    Parameters
    ----------
    crosses : sequence of rows, schema CROSSES
        With the pure species among them.
    species : sequence of str
        Those whose characters are known; others are left out.
    """
    known = set(species)
    rows = [row for row in crosses if known.issuperset((row["parent1"], row["parent2"]))]
    listed = tuple(
        Hypothesis(
            parents=(row["parent1"], row["parent2"]),
            formula=row["formula"],
            frequency=row.get("frequency") or "",
            viability=row.get("viability") or "",
        )
        for row in rows
    )
    prior = np.array([row["weight"] for row in rows], dtype=np.float64)
    return listed, prior / prior.sum() if len(prior) else prior


def prior_with_f1_share(listed: Sequence[Hypothesis], prior: Array, share: float) -> Array:
    """The prior with hybrids sharing *share* and pure species the rest, each as before."""
    pure = np.array([each.kind == "pure" for each in listed])
    made = prior.copy()
    for part, wanted in ((pure, 1 - share), (~pure, share)):
        total = prior[part].sum()
        if total > 0:
            made[part] = prior[part] * wanted / total
    return np.asarray(made / made.sum())


def misfit_share(f1_share: float, settings: Settings) -> float:
    """Share of hybrids among the fish that fit no species, by Bayes' rule.

    Examples
    --------
    >>> round(misfit_share(0.05, Settings(misfit_factor=19)), 3)
    0.5
    """
    odds = settings.misfit_factor * f1_share
    return odds / (odds + 1 - f1_share)


# -- weighing ----------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Weighing:
    """The hypotheses, and what each observation says of them.

    Attributes
    ----------
    hypotheses : tuple of Hypothesis
    prior : array
        One value per hypothesis, from :func:`hypotheses`; sums to 1.
    fish : Fish
        With nothing seen, the posterior is the prior.
    table : TraitTable
    settings : Settings
        rangeShare, rangeWidening, traitErrorFloor, f1Intermediate, f1Documented,
        characterCorrelation, youngReliability, plainReliability.
    """

    hypotheses: tuple[Hypothesis, ...]
    prior: Array
    fish: Fish
    table: TraitTable
    settings: Settings
    _known: dict[object, Array] = field(default_factory=dict, repr=False)
    # What was worked out of characters and observations by now; shared by all that are made of this one.

    @cached_property
    def log_likelihood(self) -> Array:
        """(observation, hypothesis), in the order of ``fish.seen``, before it is damped."""
        for seen in self.fish.seen:
            if seen not in self._known:
                self._known[seen] = np.log(_chance(seen, self))
        rows = [self._known[seen] for seen in self.fish.seen]
        return np.array(rows).reshape(len(rows), len(self.hypotheses))

    @cached_property
    def damping(self) -> Array:
        """Weight of each observation for what it repeats of others."""
        keys = tuple(seen.character for seen in self.fish.seen)
        if keys not in self._known:
            self._known[keys] = damping(keys, self.table, self.settings)
        return self._known[keys]

    @cached_property
    def posterior(self) -> Array:
        """One value per hypothesis; sums to 1."""
        return posterior(self.prior, self.damping @ self.log_likelihood)

    @cached_property
    def species(self) -> tuple[str, ...]:
        """Every species that may be a parent, in alphabetical order."""
        return tuple(sorted({name for each in self.hypotheses for name in each.parents}))

    @cached_property
    def membership(self) -> NDArray[np.bool_]:
        """(species, hypothesis): whether it is a parent there."""
        return np.array([[name in each.parents for each in self.hypotheses] for name in self.species])

    @cached_property
    def crossed(self) -> NDArray[np.bool_]:
        """Which hypotheses are hybrids."""
        return np.array([each.kind != "pure" for each in self.hypotheses])

    @cached_property
    def parenthood(self) -> Array:
        """Posterior that each species is a parent, alone or in a pair."""
        return np.asarray(self.membership @ self.posterior)

    @cached_property
    def order(self) -> NDArray[np.intp]:
        """Hypotheses by posterior, then as listed."""
        return np.argsort(-self.posterior, kind="stable")

    def shares_of(self, species: str, key: str, form: str = "") -> Array:
        """What a species shows of a character."""
        return species_shares(self.table, species, self.table.by_key[key], self.fish, self.settings, form)

    def shares(self, key: str) -> Array:
        """(hypothesis, class) of a character, without errors."""
        return expected_shares(self.table, self.hypotheses, self.table.by_key[key], self.fish, self.settings)

    def expected(self, key: str, sure: float) -> Array:
        """(hypothesis, class) of a character, with the errors that weighing mixes in."""
        character = self.table.by_key[key]
        sure *= reliability(character, self.fish, self.settings)
        return with_error(self.shares(key), sure, character, self.settings)

    def again(self, *, prior: Array | None = None, without: str | None = None) -> Weighing:
        """The same with another prior, or without one character."""
        seen = tuple(each for each in self.fish.seen if each.character != without)
        fish = dataclasses.replace(self.fish, seen=seen)
        return dataclasses.replace(self, prior=self.prior if prior is None else prior, fish=fish)

    def of_misfits(self) -> Weighing:
        """The same for a fish of which it is known that it fits no species."""
        share = misfit_share(float(self.prior[self.crossed].sum()), self.settings)
        return self.again(prior=prior_with_f1_share(self.hypotheses, self.prior, share))


def expected_shares(
    table: TraitTable, listed: Sequence[Hypothesis], character: Character, fish: Fish, settings: Settings
) -> Array:
    """(hypothesis, class): what a fish of this sex and size shows of a character under each hypothesis."""
    length = fish.length_mm if character.key in table.changing else None
    of = (tuple(listed), character.key, fish.sex, fish.stage, length, settings)
    if of not in table.shown:
        table.shown[of] = _expected_shares(table, listed, character, fish, settings)
    return table.shown[of]


def _expected_shares(
    table: TraitTable, listed: Sequence[Hypothesis], character: Character, fish: Fish, settings: Settings
) -> Array:
    names = {name for each in listed for name in each.parents}
    own = {name: species_shares(table, name, character, fish, settings) for name in names}
    reported = {
        name: next((c.hybrid for c in table.cells_of(name, character.key) if c.hybrid), "") for name in names
    }

    def shown(first: str, second: str) -> Array:
        if first == second:
            return own[first]
        said = (reported[first], reported[second])
        return hybrid_shares(own[first], own[second], character, reported=said, settings=settings)

    return np.array([shown(*each.parents) for each in listed])


def reliability(character: Character, fish: Fish, settings: Settings) -> float:
    """How much a character says at this size and season, 0-1."""
    share = 1.0
    if character.shows and fish.stage == "young":
        share *= settings.young_reliability
    if character.shows == "breeding":
        plain = settings.plain_reliability
        share *= {True: 1.0, False: plain, None: (1 + plain) / 2}[fish.breeding]
    return share


def with_error(shares: Array, sure: float, character: Character, settings: Settings) -> Array:
    """Expected shares with the error floor and the observer's errors mixed in.

    Half of the errors take a neighbouring class, where the classes have an order; the rest
    take any class alike, so that no observation is impossible.
    """
    even = 1 / shares.shape[-1]
    floored = (1 - settings.trait_error_floor) * shares + settings.trait_error_floor * even
    wrong = np.full_like(floored, even)
    if character.kind != "state":
        padded = np.concatenate([floored[..., :1], floored, floored[..., -1:]], axis=-1)
        wrong = (wrong + (padded[..., :-2] + padded[..., 2:]) / 2) / 2
    return np.asarray(sure * floored + (1 - sure) * wrong)


def _at_once(places: Sequence[int], listed: Sequence[Hypothesis], own: Mapping[str, Array]) -> Array:
    """What each hypothesis expects of states that stand on the fish at once.

    The fish has one state from each parent: a pure species twice from the same stock.
    """
    pairs = list(combinations(places, 2))
    return np.array(
        [
            np.mean([own[a][i] * own[b][j] + own[a][j] * own[b][i] for i, j in pairs])
            for a, b in (each.parents for each in listed)
        ]
    )


def _chance(seen: Seen, weighing: Weighing) -> Array:
    """Likelihood of one observation under each hypothesis.

    Two states of a scale mean that the fish lies between: either of them.
    """
    character, settings = weighing.table.by_key[seen.character], weighing.settings
    if not isinstance(seen.value, tuple):
        return np.asarray(weighing.expected(seen.character, seen.sure)[:, character.place(seen.value)])
    places = [character.place(state) for state in seen.value]
    if character.kind == "scale":
        return np.asarray(weighing.expected(seen.character, seen.sure)[:, places].mean(axis=1))
    own = {name: weighing.shares_of(name, seen.character) for name in weighing.species}
    right = seen.sure * reliability(character, weighing.fish, settings) * (1 - settings.trait_error_floor)
    return right * _at_once(places, weighing.hypotheses, own) + (1 - right) / len(character.states) ** 2


def damping(keys: Sequence[str], table: TraitTable, settings: Settings) -> Array:
    """Weight of each observation among those that vary with it: 1 / Σ r².

    The weights sum to n² / Σ r², the effective number of independent characters (the
    participation ratio of the eigenvalues of the correlations): the same character twice
    counts once, two that have nothing to do with each other count twice.
    """
    related = table.related(keys, settings.character_correlation)
    return np.asarray(1 / (related**2).sum(axis=1)) if len(keys) else np.zeros(0)


def posterior(prior: Array, log_likelihood: Array) -> Array:
    """Bayes' rule, in logarithms.

    Examples
    --------
    >>> posterior(np.array([0.5, 0.5]), np.log([0.2, 0.6])).round(2).tolist()
    [0.25, 0.75]
    """
    with np.errstate(divide="ignore"):
        score = np.log(prior) + log_likelihood
    weights = np.exp(score - score.max())
    return np.asarray(weights / weights.sum())


def together(weighings: Sequence[Weighing]) -> list[Weighing]:
    """Weigh several fish of one water: what the others are makes the same again likelier.

    Each fish's prior is the pool's, worth togetherWeight fish, and the posteriors of the other
    fish (the predictive rule of a Dirichlet prior, solved by iteration); all fish have the
    same hypotheses.
    """
    made = list(weighings)
    if len(made) < 2:
        return made
    for _ in range(50):
        before = np.array([each.posterior for each in made])
        total = before.sum(axis=0)
        made = [
            each.again(
                prior=(each.settings.together_weight * own.prior + total - before[index])
                / (each.settings.together_weight + len(made) - 1)
            )
            for index, (each, own) in enumerate(zip(made, weighings, strict=True))
        ]
        if np.abs(np.array([each.posterior for each in made]) - before).max() < 1e-9:
            break
    return made
