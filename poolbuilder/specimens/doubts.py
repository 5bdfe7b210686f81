"""What could be wrong with an answer about one fish."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from poolbuilder.model.specimen import Hypothesis

if TYPE_CHECKING:
    from poolbuilder.specimens import Specimen

__all__ = ["CAUTIONS", "POOR_FIT", "doubts"]

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
