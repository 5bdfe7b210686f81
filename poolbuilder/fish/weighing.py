"""One fish's characters ──► posterior over species and crosses."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.fish.characters import Cell, Character, Fish, Seen, TraitTable
from poolbuilder.names.hybrids import write_formula
from poolbuilder.settings import Settings

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


Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Hypothesis:
    """What the fish may be.

    Attributes
    ----------
    kind : str
        ``pure``, ``F1`` or ``backcross``.
    parents : tuple of (str, str)
        In alphabetical order; the same name twice for a pure species; of a backcross, the
        species that comes in twice stands first.
    formula : str
    """

    kind: str
    parents: tuple[str, str]
    formula: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Weighing:
    """The hypotheses, and what each observation says of them.

    Attributes
    ----------
    hypotheses : tuple of Hypothesis
    prior, posterior : array
        One value per hypothesis; each sums to 1.
    fish : Fish
    table : TraitTable
    settings : Settings
    shares : mapping
        Character to an array (hypothesis, class): what is expected under each.
    log_likelihood : array
        (observation, hypothesis), in the order of ``fish.seen``, before groups are damped.
    damping : array
        Weight of each observation for its correlation with others of its group.
    """

    hypotheses: tuple[Hypothesis, ...]
    prior: Array
    posterior: Array
    fish: Fish
    table: TraitTable
    settings: Settings
    shares: Mapping[str, Array] = field(repr=False)
    log_likelihood: Array = field(repr=False)
    damping: Array = field(repr=False)

    @cached_property
    def species(self) -> tuple[str, ...]:
        """Every species that may be a parent, in alphabetical order."""
        return tuple(sorted({name for each in self.hypotheses for name in each.parents}))

    @cached_property
    def membership(self) -> NDArray[np.bool_]:
        """(species, hypothesis): whether it is a parent there."""
        return np.array([[name in each.parents for each in self.hypotheses] for name in self.species])

    @cached_property
    def parenthood(self) -> Array:
        """Posterior that each species is a parent, alone or in a pair."""
        return np.asarray(self.membership @ self.posterior)

    @cached_property
    def order(self) -> NDArray[np.intp]:
        """Hypotheses by posterior, then as listed."""
        return np.argsort(-self.posterior, kind="stable")

    def shares_of_pure(self, species: str, character: str) -> Array:
        """What a species shows of a character."""
        for index, each in enumerate(self.hypotheses):
            if each.kind == "pure" and each.parents[0] == species:
                return np.asarray(self.shares[character][index])
        return species_shares(self.table, species, self.table.by_key[character], self.fish, self.settings)

    def expected(self, key: str, sure: float) -> Array:
        """(hypothesis, class) of a character, with the errors that weighing mixes in."""
        character = self.table.by_key[key]
        sure *= reliability(character, self.fish, self.settings)
        return with_error(self.shares[key], sure, self.settings)

    def again(self, *, prior: Array | None = None, without: str | None = None) -> Weighing:
        """The same with another prior, or without one character."""
        prior = self.prior if prior is None else prior
        kept = [index for index, seen in enumerate(self.fish.seen) if seen.character != without]
        seen = tuple(self.fish.seen[index] for index in kept)
        weights = damping(seen, self.table, self.settings)
        likelihood = self.log_likelihood[kept]
        return dataclasses.replace(
            self,
            prior=prior,
            fish=dataclasses.replace(self.fish, seen=seen),
            log_likelihood=likelihood,
            damping=weights,
            posterior=posterior(prior, weights @ likelihood),
        )


def hypotheses(
    crosses: Sequence[Mapping[str, Any]],
    species: Sequence[str],
    *,
    settings: Settings,
    backcrosses: bool = False,
) -> tuple[tuple[Hypothesis, ...], Array]:
    """Hypotheses and their prior from a table of pairs that holds the pure species too.

    Parameters
    ----------
    crosses : sequence of rows, schema CROSSES
        With the pure species among them.
    species : sequence of str
        Those whose characters are known; others are left out.
    settings : Settings
        backcrossShare.
    backcrosses : bool
        Give a share of each pair's weight to its two first backcrosses.
    """
    known = set(species)
    listed: list[Hypothesis] = []
    weights: list[float] = []
    share = settings.backcross_share if backcrosses else 0.0
    for row in crosses:
        pair = (row["parent1"], row["parent2"])
        if not known.issuperset(pair):
            continue
        pure = pair[0] == pair[1]
        listed.append(Hypothesis(kind="pure" if pure else "F1", parents=pair, formula=row["formula"]))
        weights.append(row["weight"] * (1.0 if pure else 1 - share))
        if backcrosses and not pure:
            for twice, once in (pair, pair[::-1]):
                formula = f"({write_formula(pair)}) × {twice}"
                listed.append(Hypothesis(kind="backcross", parents=(twice, once), formula=formula))
                weights.append(row["weight"] * share / 2)
    prior = np.array(weights, dtype=np.float64)
    return tuple(listed), prior / prior.sum() if len(prior) else prior


def prior_with_f1_share(listed: Sequence[Hypothesis], prior: Array, share: float) -> Array:
    """The prior with hybrids sharing *share* and pure species the rest, each as before."""
    pure = np.array([each.kind == "pure" for each in listed])
    made = prior.copy()
    for part, wanted in ((pure, 1 - share), (~pure, share)):
        total = prior[part].sum()
        if total > 0:
            made[part] = prior[part] * wanted / total
    return np.asarray(made / made.sum())


def _expected(
    table: TraitTable, listed: Sequence[Hypothesis], character: Character, fish: Fish, settings: Settings
) -> Array:
    """(hypothesis, class) for one character, without error."""
    names = sorted({name for each in listed for name in each.parents})
    own = {name: species_shares(table, name, character, fish, settings) for name in names}
    said = {
        name: next((c.hybrid for c in table.cells_of(name, character.key) if c.hybrid), "") for name in names
    }
    rows = []
    for each in listed:
        first, second = each.parents
        if each.kind == "pure":
            rows.append(own[first])
            continue
        crossed = hybrid_shares(
            own[first], own[second], character, said=(said[first], said[second]), settings=settings
        )
        if each.kind == "backcross":
            crossed = hybrid_shares(crossed, own[first], character, said=("", ""), settings=settings)
        rows.append(crossed)
    return np.array(rows)


def all_shares(
    table: TraitTable, listed: Sequence[Hypothesis], fish: Fish, settings: Settings
) -> dict[str, Array]:
    """Every character's expected shares under every hypothesis, by character."""
    return {
        character.key: _expected(table, listed, character, fish, settings) for character in table.characters
    }


def reliability(character: Character, fish: Fish, settings: Settings) -> float:
    """How much a character says at this size and season, 0-1."""
    share = 1.0
    if character.shows and fish.stage == "young":
        share *= settings.young_reliability
    if character.shows == "breeding":
        plain = settings.plain_reliability
        share *= {True: 1.0, False: plain, None: (1 + plain) / 2}[fish.breeding]
    return share


def with_error(shares: Array, sure: float, settings: Settings) -> Array:
    """Expected shares with the error floor and the observer's doubt mixed in.

    Both errors see any class alike, so that no observation is impossible.
    """
    even = 1 / shares.shape[-1]
    floored = (1 - settings.trait_error_floor) * shares + settings.trait_error_floor * even
    return np.asarray(sure * floored + (1 - sure) * even)


def damping(seen: Sequence[Seen], table: TraitTable, settings: Settings) -> Array:
    """The design effect of each observation's group: 1 / (1 + (n - 1) r)."""
    groups = Counter(table.by_key[each.character].group for each in seen)
    r = settings.character_correlation
    return np.array([1 / (1 + (groups[table.by_key[each.character].group] - 1) * r) for each in seen])


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


def weigh(
    fish: Fish,
    table: TraitTable,
    listed: Sequence[Hypothesis],
    prior: Array,
    *,
    settings: Settings,
    shares: Mapping[str, Array] | None = None,
) -> Weighing:
    """Weigh the hypotheses by what was seen on one fish.

    Parameters
    ----------
    fish : Fish
        With nothing seen, the posterior is the prior.
    table : TraitTable
    listed, prior
        From :func:`hypotheses`.
    settings : Settings
        rangeShare, traitErrorFloor, f1Intermediate, f1Documented, characterCorrelation,
        youngReliability, plainReliability.
    shares : mapping, optional
        From :func:`all_shares`, when many fish of one sex and size are weighed.
    """
    shares = all_shares(table, listed, fish, settings) if shares is None else shares
    rows = []
    for seen in fish.seen:
        character = table.by_key[seen.character]
        sure = seen.sure * reliability(character, fish, settings)
        expected = with_error(shares[seen.character], sure, settings)
        rows.append(np.log(expected[:, character.place(seen.value)]))
    likelihood = np.array(rows).reshape(len(rows), len(listed))
    weights = damping(fish.seen, table, settings)
    return Weighing(
        hypotheses=tuple(listed),
        prior=prior,
        posterior=posterior(prior, weights @ likelihood),
        fish=fish,
        table=table,
        settings=settings,
        shares=shares,
        log_likelihood=likelihood,
        damping=weights,
    )
