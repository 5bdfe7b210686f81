"""One fish against a pool: weigh it, argue it, write it down."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder import schemas, tables, words
from poolbuilder.errors import TraitError
from poolbuilder.files import write_csv
from poolbuilder.fish.characters import Fish, TraitTable
from poolbuilder.fish.evidence import (
    SHEET_SECONDS,
    AgainstParents,
    Conclusion,
    Row,
    against_parents,
    conclusion,
    drop_outs,
    fit,
    forms,
    indices,
    next_characters,
    sensitivity,
    short,
    trait_evidence,
)
from poolbuilder.fish.weighing import Hypothesis, Weighing, hypotheses, together, weigh
from poolbuilder.folder import write_folder
from poolbuilder.model.pairs import with_pure
from poolbuilder.pool import Pool
from poolbuilder.settings import Settings

FILES = ("posterior.csv", "trait_evidence.csv", "specimen.html", "second_opinion.html", "field_sheet.html")
"""What a specimen's folder holds."""


MOST_NAMED = 4
_STEPS = ((2.0, "strongly "), (0.7, ""), (0.2, "a little "))


def _sentence(found: Conclusion, weighing: Weighing) -> str:
    """The answer to one question, in a sentence."""
    names = [each.formula for each in found.leading]
    share, first = words.percent(found.share), words.percent(found.first)
    if not weighing.fish.seen:
        return (
            "Nothing was observed: what stands here is the weight of the pool alone, not an identification."
        )
    if found.decided:
        return f"Most likely {names[0]} ({first}); without DNA this is an argued guess."
    if len(names) <= MOST_NAMED:
        return (
            f"Cannot tell between {', '.join(names[:-1])} and {names[-1]}: together they hold {share}, "
            f"the first alone {first}."
        )
    return (
        f"Cannot tell: {len(names)} possibilities share {share}; the first are {', '.join(names[:2])} and "
        f"{names[2]}, the likeliest with {first}."
    )


def _speaks(value: float) -> str:
    for least, how in _STEPS:
        if abs(value) >= least:
            return f"speaks {how}{'for' if value > 0 else 'against'} it"
    return "says little"


def _evidence_words(row: Row, character: str) -> str:
    aside = f", this lies {row['inRange']} its range" if row["inRange"] else ""
    if row["lostInHybrids"]:
        aside = ", which its hybrids commonly lose"
    return (
        f"{character} {row['seen']}: {short(row['scientificName'])} has {row['expected']} "
        f"[{row['mark']}]{aside}; {_speaks(row['logOdds'])}"
    )


def _change_words(row: Row, share: float, table: TraitTable) -> str:
    if row["change"] == "even":
        return "every hypothesis alike before looking, whatever the pool says"
    if row["change"] == "without":
        return f"without {table.by_key[row['value']].words}"
    how = "halved" if row["value"] < share else "doubled"
    return f"share of hybrids {how}, to {row['value']:.3g}"


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
    def conclusion(self) -> Conclusion:
        """The answer for any fish of this water."""
        return conclusion(self.weighing)

    @cached_property
    def misfit(self) -> Weighing:
        """The same fish, of which it is known that it fits no species."""
        return self.weighing.of_misfits()

    @cached_property
    def sentences(self) -> list[str]:
        """Both questions and their answers, in sentences."""
        return [_sentence(each, self.weighing) for each in (self.conclusion, conclusion(self.misfit))]

    @cached_property
    def forms(self) -> list[tuple[str, float]]:
        """Forms of the likeliest species, where the table knows any."""
        return forms(self.weighing, self.conclusion.leading[0].parents[0])

    @cached_property
    def trait_evidence(self) -> list[Row]:
        """What speaks for and against each parent."""
        table = self.weighing.table
        return [
            {**row, "words": _evidence_words(row, table.by_key[row["character"]].words)}
            for row in trait_evidence(self.weighing)
        ]

    @cached_property
    def against_parents(self) -> AgainstParents | None:
        """Why the leading pair, and not one of its parents alone."""
        return against_parents(self.weighing)

    def _words(self, key: str) -> str:
        return self.weighing.table.by_key[key].words if key else "the pool alone"

    @cached_property
    def drop_outs(self) -> list[Row]:
        """The order in which candidates drop out."""
        return [{**row, "words": self._words(row["character"])} for row in drop_outs(self.weighing)]

    def _described(self, rows: list[Row]) -> list[Row]:
        table = self.weighing.table
        names = ("words", "look", "care")
        return [
            {**row, **{name: getattr(table.by_key[row["character"]], name) for name in names}} for row in rows
        ]

    @cached_property
    def next_characters(self) -> list[Row]:
        """What would decide next."""
        return self._described(next_characters(self.weighing))

    @cached_property
    def sheet_characters(self) -> list[Row]:
        """The characters of a field sheet for a fish that fits no species, within five minutes."""
        return self._described(next_characters(self.misfit, most=8, seconds=SHEET_SECONDS))

    @cached_property
    def sensitivity(self) -> list[Row]:
        """The answer under other assumptions."""
        before = self.conclusion.hybrids_before
        return [
            {**row, "words": _change_words(row, before, self.weighing.table)}
            for row in sensitivity(self.weighing)
        ]

    @cached_property
    def indices(self) -> list[tuple[Hypothesis, Any]]:
        """Hubbs' index of the leading pairs."""
        return indices(self.weighing)

    @cached_property
    def fit(self) -> float:
        """How well the leading hypothesis fits, in standard deviations."""
        return fit(self.weighing)

    @cached_property
    def marks(self) -> dict[str, int]:
        """How the cells that this answer rests on are known."""
        seen = [each.character for each in self.fish.seen]
        return self.weighing.table.marks(self.weighing.species, seen)

    @cached_property
    def doubts(self) -> list[str]:
        """What could be wrong, in sentences."""
        return doubts(self)

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


def identify(pool: Pool, fish: Fish, table: TraitTable, *, settings: Settings | None = None) -> Specimen:
    """Weigh one fish against a pool; see :func:`identify_all`."""
    return identify_all(pool, [fish], table, settings=settings)[0]


def identify_all(
    pool: Pool, fish: Sequence[Fish], table: TraitTable, *, settings: Settings | None = None
) -> list[Specimen]:
    """Weigh fish of one water against its pool, together where there are several.

    Parameters
    ----------
    pool : Pool
        Its pairs and candidates give the prior: f1Share to the pairs, each by the presence
        of its parents and what is known of the cross; the rest to the species by presence.
    fish : sequence of Fish
    table : TraitTable
    settings : Settings, optional
        By default those of the pool.

    Raises
    ------
    TraitError
        When the table knows none of the pool's candidates.
    """
    settings = settings or pool.settings
    names = [name for name in tables.strings(pool.candidates["scientificName"]) if name]
    known = sorted(set(names) & set(table.species))
    if not known:
        raise TraitError(
            f"trait table {table.name} knows none of the pool's {len(names)} candidates",
            file=table.source.get("path"),
            remedy="give the trait table of this group with --traits, or build a pool of this group",
        )
    crosses = with_pure(pool.crosses, pool.candidates, settings=settings).to_pylist()
    listed, prior = hypotheses(crosses, known)
    weighed = together([weigh(each, table, listed, prior, settings=settings) for each in fish])
    left_out = tuple(sorted(set(names) - set(known)))
    return [Specimen(pool=pool, weighing=each, left_out=left_out) for each in weighed]


def answers_table(specimens: Sequence[Specimen]) -> pa.Table:
    """One row per fish: its first two hypotheses for either question."""
    rows = []
    for number, each in enumerate(specimens, 1):
        row: dict[str, Any] = {"fish": each.fish.name or str(number), "characters": len(each.fish.seen)}
        for suffix, weighing in (("", each.weighing), ("IfMisfit", each.misfit)):
            for rank, index in zip(("first", "second"), weighing.order.tolist(), strict=False):
                row[f"{rank}{suffix}"] = weighing.hypotheses[index].formula
                row[f"{rank}Posterior{suffix}"] = float(weighing.posterior[index])
        rows.append(row)
    return pa.Table.from_pylist(rows)


def write_specimens(specimens: Sequence[Specimen], out: str | Path) -> Path:
    """Write answers.csv, one row per fish.

    Raises
    ------
    PoolFileError
        When the folder holds something else, or cannot be written.
    """

    def fill(folder: Path) -> None:
        write_csv(answers_table(specimens), folder / "answers.csv")

    return write_folder(out, fill, marker="answers.csv")


def answer_lines(specimens: Sequence[Specimen]) -> list[str]:
    """Several fish for the terminal, a line each."""
    lines = [f"{len(specimens)} fish of one water, weighed together: the same again is likelier"]
    for number, each in enumerate(specimens, 1):
        weighing, misfit = each.weighing, each.misfit
        first, other = (int(one.order[0]) for one in (weighing, misfit))
        lines.append(
            f"{each.fish.name or number}: {weighing.hypotheses[first].formula} "
            f"{weighing.posterior[first]:.3f}; as a fish that fits no species "
            f"{misfit.hypotheses[other].formula} {misfit.posterior[other]:.3f}"
        )
    return [*lines, *CAUTIONS]


POOR_FIT = -2.5
"""Standard deviations below which even the leading hypothesis fits poorly."""

CAUTIONS = (
    "Without DNA this is an argued guess: looks and counts cannot prove a cross, and later crosses look "
    "like anything.",
    "Ask for a second opinion before the name is used: this page is made to be sent along.",
    "Wet hands, seconds out of the water, no pulling on fins, gills or jaws; what takes longer is left "
    "undone.",
    "Let a fish go only where it was caught, and move no live fish between waters.",
    "Catching, handling, keeping and killing fish are ruled by local law and permits; protected species "
    "come first.",
)


def _memory(marks: Mapping[str, int]) -> list[str]:
    total = sum(marks.values())
    if not total:
        return []
    known = marks["measured"] + marks["read"]
    loose = marks["from memory"] + marks["not known"]
    part = f", {marks['read in part']} in part" if marks["read in part"] else ""
    return [
        f"Of the {total} entries of the trait table that this answer rests on, {known} were measured or "
        f"read in a source{part}; {loose} ({100 * loose / total:.0f} %) rest on memory or are missing. "
        "Most sources are accounts at second hand, not the handbooks themselves."
    ]


def _later(specimen: Specimen) -> str:
    against = specimen.against_parents
    if against is None or not specimen.fish.seen:
        return "Later crosses than the first are not weighed."
    name, odds = against.later[0]
    what = "an F2" if name == "F2" else f"a backcross to {name}"
    return (
        f"Later crosses look like anything: beside {against.pair.formula} of the first generation, {what} "
        f"has odds of {odds:.2g} where {specimen.weighing.settings.backcross_share:g} of hybrids are "
        "later ones."
    )


GENUS = (
    "Is it a Lepomis at all? Look for three anal spines, joined dorsal fins with about ten spines and a body "
    "less than three times as long as deep: five or more anal spines are a rock bass, crappie or flier, a "
    "slender body with a long jaw is a young bass, a rounded tail fin is a banded sunfish (from memory)."
)


def _other_genus(fish: Fish) -> bool:
    """Whether the anal spines or the depth of the body are odd for the genus."""
    value = {seen.character: seen.value for seen in fish.seen}
    depth = value.get("depth_in_sl")
    return value.get("anal_spines", 3.0) != 3.0 or (isinstance(depth, float) and depth > 2.9)


def doubts(specimen: Specimen) -> list[str]:
    """What could be wrong, in sentences, the gravest first."""
    fish, settings = specimen.fish, specimen.weighing.settings
    said = []
    if specimen.fit < POOR_FIT:
        said.append(
            f"Even the first hypothesis fits poorly ({-specimen.fit:.1f} standard deviations below what is "
            "usual): count again, and think of a later cross, of another genus, or of a species that is "
            "not on the list."
        )
    said += [GENUS] if _other_genus(fish) else []
    said += [f"{text[0].upper()}{text[1:]}." for text in fish.doubts]
    said += [
        f"{specimen.weighing.table.by_key[each.character].words[0].upper()}"
        f"{specimen.weighing.table.by_key[each.character].words[1:]}: not sure, {each.why}."
        for each in fish.seen
        if each.why
    ]
    if specimen.left_out:
        said.append(f"Not weighed, for want of their characters: {', '.join(specimen.left_out)}.")
    if fish.stage == "young":
        said.append("A young fish: what adults show counts for little on it.")
    if fish.stage == "unknown":
        said.append("No standard length is given; the fish is taken as an adult.")
    changed = sum(row["changed"] for row in specimen.sensitivity)
    if changed and fish.seen:
        verb = "puts" if changed == 1 else "put"
        said.append(
            f"{changed} of {len(specimen.sensitivity)} changes of one assumption or one character {verb} "
            "another hypothesis first."
        )
    said += _memory(specimen.marks)
    if fish.seen:
        said.append(
            "The shares were checked on measured longear and northern sunfish and on fish drawn from the "
            "same tables, not on hybrids that DNA has named."
        )
    said.append(
        f"Hybrids hold {settings.f1_share:g} of the weight before the fish is looked at, "
        f"{conclusion(specimen.misfit).hybrids_before:.2g} where it is known to fit no species (f1Share). "
        f"{_later(specimen)} A fish that is none of what is weighed is forced among it."
    )
    said += [] if _other_genus(fish) else [GENUS]
    return said


FIRST = 8
PARENTS = 3
REASONS = 5


def _posterior_lines(specimen: Specimen) -> list[str]:
    weighing = specimen.weighing
    lines = [f"{'posterior':>9}  {'prior':>7}  hypothesis"]
    for index in weighing.order[:FIRST].tolist():
        lines.append(
            f"{weighing.posterior[index]:>9.3f}  {weighing.prior[index]:>7.4f}  "
            f"{weighing.hypotheses[index].formula}"
        )
    rest = float(weighing.posterior[weighing.order[FIRST:]].sum())
    if rest > 0:
        lines.append(f"{rest:>9.3f}  {'':7}  all others together")
    return lines


def _reason_lines(specimen: Specimen) -> list[str]:
    lines = []
    weighing = specimen.weighing
    chance = dict(zip(weighing.species, weighing.parenthood.tolist(), strict=True))
    for species in sorted(chance, key=lambda name: (-chance[name], name))[:PARENTS]:
        lines.append(f"{species} as a parent: {chance[species]:.3f}")
        rows = [row for row in specimen.trait_evidence if row["scientificName"] == species]
        lines += [f"  {row['logOdds']:+.1f}  {row['words']}" for row in rows[:REASONS]]
    return lines


def _drop_lines(specimen: Specimen) -> list[str]:
    lines = ["candidates drop out:"]
    for row in specimen.drop_outs:
        moved = [f"out {', '.join(row['dropped'])}"] if row["dropped"] else []
        moved += [f"back {', '.join(row['returned'])}"] if row["returned"] else []
        if moved or not row["character"]:
            what = f"{row['words']} {row['seen']}".strip()
            lines.append(f"  {what}: {'; '.join(moved) or 'none'} ({row['left']} left)")
    return lines


def _both_answers(specimen: Specimen) -> list[str]:
    if not specimen.fish.seen:
        return specimen.sentences[:1]
    shares = (specimen.conclusion.hybrids_before, conclusion(specimen.misfit).hybrids_before)
    asked = (
        f"as any fish of this water (hybrids {shares[0]:.2g} before looking)",
        f"as a fish that fits no species (hybrids {shares[1]:.2g})",
    )
    lines = [f"{each}: {text}" for each, text in zip(asked, specimen.sentences, strict=True)]
    if len(specimen.forms) > 1:
        (first, share), (second, other) = specimen.forms[:2]
        between = f"between {first} and {second}" if share < 0.6 else f"nearest {first}"
        lines.append(f"form: {between} ({share:.2f}, {other:.2f})")
    return lines


def summary_lines(specimen: Specimen) -> list[str]:
    """Everything that the terminal shows of one fish, a line each."""
    fish = specimen.fish
    name = fish.name or "the fish"
    lines = [
        f"{name}: {len(fish.seen)} characters against the pool of {specimen.pool.site.name or 'the water'}",
        *_both_answers(specimen),
        "",
        *_posterior_lines(specimen),
        "",
    ]
    if fish.seen:
        lines += [*_reason_lines(specimen), "", *_drop_lines(specimen), ""]
    for pair, index in specimen.indices if fish.seen else []:
        if index.by_character:
            each = ", ".join(f"{key} {row[3]:.0f}" for key, row in index.by_character.items())
            lines.append(f"hybrid index {pair.formula}: {index.weighted:.0f} ({each})")
    lines.append("what would tell most next:")
    for row in specimen.next_characters:
        care = f" ({row['care']})" if row["care"] else ""
        lines.append(f"  {row['bits']:.2f} bits  {row['words']}: {row['look']}{care}")
    for row in specimen.sensitivity:
        if row["changed"]:
            lines.append(f"{row['words']}: {row['leading']} {row['share']:.3f} would come first")
    lines += [f"doubt: {text}" for text in specimen.doubts]
    lines += CAUTIONS
    return lines
