"""One fish against a pool: weigh it, argue it, write it down."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder import schemas, tables
from poolbuilder.errors import TraitError
from poolbuilder.files import write_csv
from poolbuilder.fish.characters import Fish, TraitTable
from poolbuilder.fish.evidence import (
    AgainstParents,
    Conclusion,
    Row,
    against_parents,
    conclusion,
    drop_outs,
    fit,
    indices,
    next_characters,
    sensitivity,
    trait_evidence,
)
from poolbuilder.fish.weighing import Hypothesis, Weighing, hypotheses, weigh
from poolbuilder.folder import write_folder
from poolbuilder.model.crosses import with_pure
from poolbuilder.pool import Pool
from poolbuilder.settings import Settings

FILES = ("posterior.csv", "trait_evidence.csv", "specimen.html")
"""What a specimen's folder holds."""


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
        """The answer in one sentence."""
        return conclusion(self.weighing)

    @cached_property
    def trait_evidence(self) -> list[Row]:
        """What speaks for and against each parent."""
        return trait_evidence(self.weighing)

    @cached_property
    def against_parents(self) -> AgainstParents | None:
        """Why the leading pair, and not one of its parents alone."""
        return against_parents(self.weighing)

    @cached_property
    def drop_outs(self) -> list[Row]:
        """The order in which candidates drop out."""
        return drop_outs(self.weighing)

    @cached_property
    def next_characters(self) -> list[Row]:
        """What would decide next."""
        return next_characters(self.weighing)

    @cached_property
    def sensitivity(self) -> list[Row]:
        """The answer under other assumptions."""
        return sensitivity(self.weighing)

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


def identify(
    pool: Pool,
    fish: Fish,
    table: TraitTable,
    *,
    settings: Settings | None = None,
    backcrosses: bool = False,
) -> Specimen:
    """Weigh one fish against a pool.

    Parameters
    ----------
    pool : Pool
        Its pairs and candidates give the prior: f1Share to the pairs, each by the presence
        of its parents and what is known of the cross; the rest to the species by presence.
    fish : Fish
    table : TraitTable
    settings : Settings, optional
        By default those of the pool.
    backcrosses : bool
        First backcrosses are hypotheses too.

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
    listed, prior = hypotheses(crosses, known, settings=settings, backcrosses=backcrosses)
    return Specimen(
        pool=pool,
        weighing=weigh(fish, table, listed, prior, settings=settings),
        left_out=tuple(sorted(set(names) - set(known))),
    )


def write_specimen(specimen: Specimen, out: str | Path) -> Path:
    """Write posterior.csv, trait_evidence.csv and specimen.html, all of them or none.

    Raises
    ------
    PoolFileError
        When the folder holds something else, or cannot be written.
    """
    from poolbuilder.fish.fish_page import render

    def fill(folder: Path) -> None:
        write_csv(specimen.posterior_table(), folder / "posterior.csv")
        write_csv(specimen.evidence_table(), folder / "trait_evidence.csv")
        (folder / "specimen.html").write_text(render(specimen), encoding="utf-8", newline="\n")

    return write_folder(out, fill, marker="posterior.csv")


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
    loose = marks["from memory"] + marks["not known"]
    part = f", {marks['read in part']} in part" if marks["read in part"] else ""
    return [
        f"Of the {total} entries of the trait table that this answer rests on, {marks['read']} were read in "
        f"a source{part}; {loose} ({100 * loose / total:.0f} %) rest on memory or are missing. "
        "Most sources are accounts at second hand, not the handbooks themselves."
    ]


def _later(listed: Sequence[Hypothesis]) -> str:
    if any(each.kind == "backcross" for each in listed):
        return "weighed as first backcrosses alone"
    return "not weighed"


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
    said += [f"{text[0].upper()}{text[1:]}." for text in fish.doubts]
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
            "The shares were checked on fish drawn from the same tables alone, "
            "not on fish that DNA has named."
        )
    said.append(
        f"Hybrids hold {settings.f1_share:g} of the weight before the fish is looked at. Later crosses are "
        f"{_later(specimen.weighing.hypotheses)}; a fish that is none of what is weighed is forced among it."
    )
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


def summary_lines(specimen: Specimen) -> list[str]:
    """Everything that the terminal shows of one fish, a line each."""
    fish = specimen.fish
    name = fish.name or "the fish"
    lines = [
        f"{name}: {len(fish.seen)} characters against the pool of {specimen.pool.site.name or 'the water'}",
        specimen.conclusion.sentence,
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
