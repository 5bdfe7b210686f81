"""The argument over one fish: for and against each parent, the conclusion, what would decide next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import schemas, tables, words
from poolbuilder.fish.characters import Cell, Character, Fish, Seen
from poolbuilder.fish.weighing import (
    Hypothesis,
    Weighing,
    hybrid_shares,
    moments,
    posterior,
    prior_with_f1_share,
    reliability,
    with_error,
)

if TYPE_CHECKING:
    from poolbuilder.pool import Pool

Array = NDArray[np.float64]
Row = dict[str, Any]
TEXTS = "fish.txt"
POOR_FIT = -2.5
"""Standard deviations below which even the leading hypothesis fits poorly."""
SHEET_SECONDS = 300.0
"""What the looks of a field sheet may take together."""


def _logit(p: float) -> float:
    p = min(max(p, 1e-12), 1 - 1e-12)
    return math.log(p / (1 - p))


# -- the conclusion ----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Conclusion:
    """The answer to one question.

    Attributes
    ----------
    decided : bool
        Whether one hypothesis reaches specimenDecided.
    leading : tuple of Hypothesis
        The fewest hypotheses that reach it together, the likeliest first.
    first, share : float
        Posterior of the first, and of all that lead together.
    hybrids_before, hybrids : float
        Share of hybrids before and after looking.
    """

    decided: bool
    leading: tuple[Hypothesis, ...]
    first: float
    share: float
    hybrids_before: float
    hybrids: float


def conclusion(weighing: Weighing) -> Conclusion:
    """What can be concluded, and no more."""
    reached = np.cumsum(weighing.posterior[weighing.order])
    wanted = weighing.settings.specimen_decided
    count = min(int(np.searchsorted(reached, wanted - 1e-12)) + 1, len(reached))
    return Conclusion(
        decided=count == 1 and bool(weighing.fish.seen),
        leading=tuple(weighing.hypotheses[index] for index in weighing.order[:count].tolist()),
        first=float(reached[0]),
        share=float(reached[count - 1]),
        hybrids_before=float(weighing.prior[weighing.crossed].sum()),
        hybrids=float(weighing.posterior[weighing.crossed].sum()),
    )


def fit(weighing: Weighing) -> float:
    """How well the leading hypothesis fits, in standard deviations; NaN when nothing was seen.

    The log-likelihood of what was seen, less its mean over fish of that hypothesis, over its
    standard deviation, characters taken as independent.  Below about -2.5 the fish is odd
    even for the best of the hypotheses.
    """
    best = int(weighing.order[0])
    surprise = variance = 0.0
    for row, seen in enumerate(weighing.fish.seen):
        if isinstance(seen.value, tuple):
            continue
        expected = weighing.expected(seen.character, seen.sure)[best]
        logs = np.log(expected)
        mean = float(expected @ logs)
        surprise += float(weighing.log_likelihood[row, best]) - mean
        variance += float(expected @ (logs - mean) ** 2)
    return surprise / math.sqrt(variance) if variance > 0 else math.nan


# -- for and against ---------------------------------------------------------------------


def _expected_words(cell: Cell, character: Character) -> str:
    if cell.mean is not None:
        return f"{cell.mean:.3g} ± {cell.sd:.2g} (n {cell.n})"
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
        return "unknown", "no source"
    each = {(cell.form or cell.sex): _expected_words(cell, character) for cell in cells}
    same = len(set(each.values())) == 1
    words = next(iter(each.values())) if same else "; ".join(f"{key} {text}" for key, text in each.items())
    return words, cells[0].mark


def _against_range(cells: Sequence[Cell], seen: Seen) -> str:
    """Where a count or measure lies against what a species shows: below, within or above."""
    limits = [
        (cell.mean - 2 * (cell.sd or 0), cell.mean + 2 * (cell.sd or 0))
        if cell.mean is not None
        else (cell.low, cell.high)
        for cell in cells
    ]
    if not isinstance(seen.value, float) or not limits or limits[0][0] is None:
        return ""
    low, high = min(low or 0 for low, _ in limits), max(high or 0 for _, high in limits)
    return "below" if seen.value < low else "above" if seen.value > high else "within"


def _bayes_factors(weighing: Weighing, row: int) -> Array:
    """Log-odds that one observation alone adds to each species being a parent."""
    likelihood = np.exp(weighing.damping[row] * weighing.log_likelihood[row])
    joint, member = weighing.prior * likelihood, weighing.membership
    inside, outside = member @ joint, ~member @ joint
    own, rest = member @ weighing.prior, ~member @ weighing.prior
    with np.errstate(divide="ignore", invalid="ignore"):
        factors = np.log(inside / own) - np.log(outside / rest)
    return np.asarray(np.nan_to_num(factors, nan=0.0, posinf=0.0, neginf=0.0))


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
    later : list of (str, float)
        Later crosses of the pair (``F2``, or the parent that comes in twice), each with its
        odds against the first-generation cross when backcrossShare of hybrids are later ones.
    """

    pair: Hypothesis
    rows: list[Row]
    prior: tuple[float, float]
    posterior: tuple[float, float]
    later: list[tuple[str, float]]


def _log_chance(weighing: Weighing, row: int, shares: Array) -> float:
    """Damped log-likelihood of one observation where a fish shows *shares*; 0 where it has several states."""
    seen = weighing.fish.seen[row]
    if isinstance(seen.value, tuple):
        return 0.0
    character = weighing.table.by_key[seen.character]
    sure = seen.sure * reliability(character, weighing.fish, weighing.settings)
    chance = with_error(shares, sure, character, weighing.settings)[character.place(seen.value)]
    return float(weighing.damping[row]) * math.log(float(chance))


def _later_crosses(weighing: Weighing, leading: int) -> list[tuple[str, float]]:
    """F2 and backcrosses of a pair against its F1, by the single states and numbers seen."""
    pair, settings = weighing.hypotheses[leading], weighing.settings
    scores = dict.fromkeys(("F2", *pair.parents), 0.0)
    for row, seen in enumerate(weighing.fish.seen):
        character, crossed = weighing.table.by_key[seen.character], weighing.shares(seen.character)[leading]
        own = [weighing.shares_of(name, seen.character) for name in pair.parents]
        back = [hybrid_shares(crossed, each, character, reported=("", ""), settings=settings) for each in own]
        for name, shares in zip(scores, [crossed / 2 + sum(own) / 4, *back], strict=True):
            scores[name] += _log_chance(weighing, row, shares) - _log_chance(weighing, row, crossed)
    share = settings.backcross_share / (1 - settings.backcross_share) / len(scores)
    return sorted(((name, share * math.exp(score)) for name, score in scores.items()), key=lambda e: -e[1])


def forms(weighing: Weighing, species: str) -> list[tuple[str, float]]:
    """Forms of a species by how well the fish fits them, all alike before looking; sums to 1."""
    names = weighing.table.forms(species)
    if not names:
        return []
    scores = [
        sum(
            _log_chance(weighing, row, weighing.shares_of(species, seen.character, form))
            for row, seen in enumerate(weighing.fish.seen)
        )
        for form in names
    ]
    shares = posterior(np.full(len(names), 1 / len(names)), np.array(scores))
    return sorted(zip(names, shares.tolist(), strict=True), key=lambda item: -item[1])


# -- the hybrid index --------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class HybridIndex:
    """Where a fish stands between two parents, in per cent of the way.

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
    kept, weights = {}, []
    for name, (value, first, second, deviation) in characters.items():
        distance = abs(first - second) / deviation if deviation > 0 else math.inf
        if first != second and distance >= least:
            kept[name] = (value, first, second, hybrid_index(value, first, second))
            weights.append(min(distance, 1e6) ** 2)
    weighted = float(np.average([row[3] for row in kept.values()], weights=weights)) if kept else math.nan
    left_out = tuple(name for name in characters if name not in kept)
    return HybridIndex(parents=parents, by_character=kept, left_out=left_out, weighted=weighted)


# -- what would move the answer next ------------------------------------------------------


def _information(weighing: Weighing, row: int) -> float:
    """Bits by which one observation alone moves the prior (Kullback-Leibler)."""
    moved = posterior(weighing.prior, weighing.damping[row] * weighing.log_likelihood[row])
    known = moved > 0
    return float(np.sum(moved[known] * np.log2(moved[known] / weighing.prior[known])))


def _entropy(shares: Array) -> Array:
    safe = np.where(shares > 0, shares, 1.0)
    return np.asarray(-np.sum(shares * np.log2(safe), axis=-1))


def next_characters(weighing: Weighing, *, most: int = 5, seconds: float = math.inf) -> list[Row]:
    """The characters not yet seen that would tell most, in bits.

    The mutual information of the character and the hypotheses at their posterior, times the
    weight that it would have beside those seen and those chosen before it.

    Parameters
    ----------
    most : int
    seconds : float
        What the looks may take together; a character that would take longer is passed over,
        and so is one that needs a dead fish.

    Returns
    -------
    list of dict
        character with its words, look, care and seconds, and bits; the most telling first.
    """
    table, settings = weighing.table, weighing.settings
    known = [seen.character for seen in weighing.fish.seen]
    alone = {}
    for each in table.characters:
        if each.key not in known and not (each.care and seconds < math.inf):
            expected = weighing.expected(each.key, settings.observer_sure)
            bits = _entropy(weighing.posterior @ expected) - weighing.posterior @ _entropy(expected)
            alone[each.key] = max(float(bits), 0.0)
    rows: list[Row] = []
    left = seconds
    while alone and len(rows) < most:
        now = {
            key: bits / float((table.related([key, *known], settings.character_correlation)[0] ** 2).sum())
            for key, bits in alone.items()
            if table.by_key[key].seconds <= left
        }
        if not now:
            break
        best = min(now, key=lambda key: (-now[key], key))
        chosen = table.by_key[best]
        about = {name: getattr(chosen, name) for name in ("seconds", "words", "look", "care")}
        rows.append({"character": best, "bits": now[best], **about})
        left -= chosen.seconds
        known.append(best)
        del alone[best]
    return rows


# -- one fish ------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Specimen:
    """One fish, weighed against a pool.

    Attributes
    ----------
    pool : Pool
    weighing : Weighing
    left_out : tuple of str
        Candidates of the pool that the trait table does not know; they are no hypotheses.
    """

    pool: Pool
    weighing: Weighing
    left_out: tuple[str, ...] = ()

    @property
    def fish(self) -> Fish:
        """The notes on the fish."""
        return self.weighing.fish

    @cached_property
    def misfit(self) -> Weighing:
        """The same fish, of which it is known that it fits no species."""
        return self.weighing.of_misfits()

    @cached_property
    def conclusions(self) -> list[Conclusion]:
        """Both questions answered: any fish of this water, and a fish that fits no species."""
        return [conclusion(self.weighing), conclusion(self.misfit)]

    @cached_property
    def sentences(self) -> list[str]:
        """Both answers, a sentence each."""
        return words.lines(TEXTS, "answers", conclusions=self.conclusions, seen=self.fish.seen)

    @cached_property
    def trait_evidence(self) -> list[Row]:
        """What each character says of each species as a parent, with a sentence.

        Schema TRAIT_EVIDENCE: species by posterior, characters by the size of logOdds.
        """
        weighing = self.weighing
        fish, whole = weighing.fish, weighing.parenthood
        alone = [_bayes_factors(weighing, row) for row in range(len(fish.seen))]
        without = [weighing.again(without=seen.character).parenthood for seen in fish.seen]
        rows: list[Row] = []
        for index in np.argsort(-whole, kind="stable").tolist():
            species, made = weighing.species[index], []
            for row, seen in enumerate(fish.seen):
                character = weighing.table.by_key[seen.character]
                cells = weighing.table.fitting(species, character.key, sex=fish.sex, stage=fish.stage)
                expected, mark = expectation(weighing, species, character)
                made.append(
                    {
                        "scientificName": species,
                        "character": seen.character,
                        "seen": seen.words,
                        "expected": expected,
                        "mark": mark,
                        "inRange": _against_range(cells, seen),
                        "lostInHybrids": any(cell.hybrid == "lost" for cell in cells),
                        "logOdds": float(alone[row][index]),
                        "added": _logit(float(whole[index])) - _logit(float(without[row][index])),
                    }
                )
            rows += sorted(made, key=lambda item: (-abs(item["logOdds"]), item["character"]))
        texts = words.lines(TEXTS, "evidence", rows=rows, table=weighing.table)
        return [{**row, "words": text} for row, text in zip(rows, texts, strict=False)]

    @cached_property
    def against_parents(self) -> AgainstParents | None:
        """Why the leading pair, and not one of its parents alone?  None when there is no pair."""
        weighing = self.weighing
        pure = {each.parents[0]: i for i, each in enumerate(weighing.hypotheses) if each.kind == "pure"}
        leading = next((i for i in weighing.order.tolist() if weighing.crossed[i]), None)
        if leading is None:
            return None
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
            pair=pair,
            rows=rows,
            prior=odds(weighing.prior),
            posterior=odds(weighing.posterior),
            later=_later_crosses(weighing, leading),
        )

    @cached_property
    def drop_outs(self) -> list[Row]:
        """The characters taken in one by one, the most telling first, and who drops out.

        character, words, seen, dropped, returned (species), left (number of species) and leading
        (formula) with its share; the first row, without a character, is the pool alone.  The
        end does not depend on the order; the steps do.
        """
        weighing = self.weighing
        seen = weighing.fish.seen
        order = sorted(range(len(seen)), key=lambda row: (-_information(weighing, row), seen[row].character))
        out: set[str] = set()
        rows: list[Row] = []
        score = np.zeros(len(weighing.hypotheses))
        for row in [None, *order]:
            step = {"character": "", "words": "the pool alone", "seen": ""}
            if row is not None:
                score = score + weighing.damping[row] * weighing.log_likelihood[row]
                name = weighing.table.by_key[seen[row].character].words
                step = {"character": seen[row].character, "words": name, "seen": seen[row].words}
            now = posterior(weighing.prior, score)
            chance = dict(zip(weighing.species, (weighing.membership @ now).tolist(), strict=True))
            below = {name for name, value in chance.items() if value < weighing.settings.drop_below}
            rows.append(
                {
                    **step,
                    "dropped": sorted(below - out),
                    "returned": sorted(out - below),
                    "left": len(chance) - len(below),
                    "leading": weighing.hypotheses[int(np.argmax(now))].formula,
                    "share": float(now.max()),
                }
            )
            out = below
        return rows

    @cached_property
    def next_characters(self) -> list[Row]:
        """What would decide next."""
        return next_characters(self.weighing)

    @cached_property
    def sheet_characters(self) -> list[Row]:
        """The characters of a field sheet for a fish that fits no species, within five minutes."""
        return next_characters(self.misfit, most=8, seconds=SHEET_SECONDS)

    @cached_property
    def sensitivity(self) -> list[Row]:
        """The leading hypothesis under other assumptions.

        change (``even``, ``f1Share`` with its value, or ``without`` with a character) and its words,
        leading (formula), share (its posterior), before (what the answer as given has left) and changed.
        """
        weighing = self.weighing
        first = int(weighing.order[0])
        share = float(weighing.prior[weighing.crossed].sum())
        even = np.full(len(weighing.prior), 1 / len(weighing.prior))
        variants: list[tuple[str, Any, Weighing]] = [("even", None, weighing.again(prior=even))]
        for wanted in (share / 2, min(2 * share, 1.0)):
            if 0 < share < 1:
                prior = prior_with_f1_share(weighing.hypotheses, weighing.prior, wanted)
                variants.append(("f1Share", wanted, weighing.again(prior=prior)))
        for seen in weighing.fish.seen:
            variants.append(("without", seen.character, weighing.again(without=seen.character)))
        rows = []
        for change, value, other in variants:
            leading = int(other.order[0])
            rows.append(
                {
                    "change": change,
                    "value": value,
                    "leading": other.hypotheses[leading].formula,
                    "share": float(other.posterior[leading]),
                    "before": float(other.posterior[first]),
                    "changed": leading != first,
                }
            )
        texts = words.lines(TEXTS, "changes", rows=rows, before=share, table=weighing.table)
        return [{**row, "words": text} for row, text in zip(rows, texts, strict=True)]

    @cached_property
    def indices(self) -> list[tuple[Hypothesis, HybridIndex]]:
        """Hubbs' index of the three leading pairs, over all counts and measures."""
        weighing = self.weighing
        pairs = [weighing.hypotheses[index] for index in weighing.order.tolist() if weighing.crossed[index]]
        made = []
        for pair in pairs[:3]:
            values = {}
            for each in weighing.fish.seen:
                if not isinstance(each.value, float):
                    continue
                character = weighing.table.by_key[each.character]
                (mean1, variance1), (mean2, variance2) = (
                    moments(weighing.shares_of(name, each.character), character) for name in pair.parents
                )
                values[each.character] = (each.value, mean1, mean2, math.sqrt((variance1 + variance2) / 2))
            made.append((pair, mean_index(pair.parents, values)))
        return made

    @cached_property
    def forms(self) -> list[tuple[str, float]]:
        """Forms of the likeliest species, where the table knows any."""
        return forms(self.weighing, self.conclusions[0].leading[0].parents[0])

    @cached_property
    def marks(self) -> dict[str, int]:
        """How the cells that this answer rests on are known."""
        seen = [each.character for each in self.fish.seen]
        return self.weighing.table.marks(self.weighing.species, seen)

    @cached_property
    def doubts(self) -> list[str]:
        """What could be wrong, in sentences, the gravest first."""
        poor = fit(self.weighing)
        value = {seen.character: seen.value for seen in self.fish.seen}
        depth = value.get("depth_in_sl")
        return words.lines(
            TEXTS,
            "doubts",
            specimen=self,
            poor=-poor if poor < POOR_FIT else None,
            other_genus=value.get("anal_spines", 3.0) != 3.0 or (isinstance(depth, float) and depth > 2.9),
            settings=self.weighing.settings,
        )

    def posterior_table(self) -> pa.Table:
        """Schema POSTERIOR."""
        weighing, order = self.weighing, self.weighing.order.tolist()
        listed = [weighing.hypotheses[index] for index in order]
        made = tables.table(
            schemas.POSTERIOR,
            {
                "hypothesis": [each.formula for each in listed],
                "parent1": [each.parents[0] for each in listed],
                "parent2": [each.parents[1] for each in listed],
                "prior": weighing.prior[order].tolist(),
                "posterior": weighing.posterior[order].tolist(),
                "rank": list(range(1, len(listed) + 1)),
            },
        )
        return schemas.check(made, schemas.POSTERIOR, "specimen")

    def evidence_table(self) -> pa.Table:
        """Schema TRAIT_EVIDENCE."""
        made = tables.table(
            schemas.TRAIT_EVIDENCE,
            {name: [row[name] for row in self.trait_evidence] for name in schemas.TRAIT_EVIDENCE.names},
        )
        return schemas.check(made, schemas.TRAIT_EVIDENCE, "specimen")
