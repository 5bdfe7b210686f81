"""What a name as given means, and the reading of crosses from the senses of their parts."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from poolbuilder.checklist import Checklist
from poolbuilder.hybrids import Formula, direction, write_formula
from poolbuilder.sense import Sense
from poolbuilder.settings import Settings
from poolbuilder.spelling import letters
from poolbuilder.taxon import read_taxon

__all__ = ["NameReading", "read_hybrid", "read_parts", "reading_of"]

_JOINTS = re.compile(r"\s*(?:[/&+,;]|\band\b|\bwith\b|\bby\b|\bor\b)\s*", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class NameReading:
    """What a name as given means.

    Attributes
    ----------
    given : str
    role : str
        ``candidate``, ``hybrid``, ``group``, ``genus``, ``unknown`` or ``none``; see
        :data:`poolbuilder.schemas.NAMED`.
    accepted : tuple of str
        Accepted species that the name may mean, or the known parents, in alphabetical order.
    parent_order : str or None
        ``female,male`` or ``male,female``, of *accepted*.
    formula : str or None
        With two or more known parents.
    match : str
    qualified, misspelt : bool
        Doubt expressed; spelling mended.
    dated : bool
        Whether another year could change the reading.
    note : str
    """

    given: str
    role: str
    accepted: tuple[str, ...] = ()
    parent_order: str | None = None
    formula: str | None = None
    match: str = "none"
    qualified: bool = False
    misspelt: bool = False
    dated: bool = False
    note: str = ""

    def quality(self, settings: Settings) -> float:
        """Factor for doubt about the name, 0 to 1."""
        doubt = settings.quality_qualifier if self.qualified else 1.0
        return doubt * (settings.quality_misspelt if self.misspelt else 1.0)


def reading_of(given: str, sense: Sense) -> NameReading:
    """The reading of a text with a single sense."""
    named_cross = sense.role == "hybrid" and len(sense.accepted) > 1
    return NameReading(
        given=given,
        role=sense.role,
        accepted=tuple(sorted(sense.accepted)),
        formula=write_formula(sense.accepted) if named_cross else None,
        match=sense.match,
        qualified=sense.qualified,
        misspelt=sense.misspelt,
        dated=sense.dated,
        note="; ".join(sense.notes),
    )


# -- hybrids -----------------------------------------------------------------------------


def _alone(text: str, checklist: Checklist, year: int | None, hint: str, noun: str) -> Sense:
    """One part of a formula; a bare ``green`` borrows the noun that the others end in."""
    if not text:
        return Sense(role="none")
    sense = read_taxon(text, checklist, year=year, hint=hint)
    if sense.role in {"candidate", "hybrid", "genus"}:
        return sense
    for word in dict.fromkeys((noun, *checklist.genus_words)):
        borrowed = read_taxon(f"{text} {word}", checklist, year=year) if len(letters(text)) > 2 else sense
        if borrowed.role == "candidate" and letters(f"{text}{word}") in checklist.by_vernacular:
            return borrowed
    words = text.split()
    for start in range(1, len(words)):  # a leading "Sunfish" or "Lepomis" before the parent's name
        if read_taxon(" ".join(words[:start]), checklist).role == "genus":
            rest = read_taxon(" ".join(words[start:]), checklist, year=year)
            if rest.role == "candidate":
                return rest
    return sense


def read_parts(formula: Formula, checklist: Checklist, year: int | None) -> list[Sense]:
    """The sense of each part, a genus handed on to the parts behind it."""
    senses: list[Sense] = []
    hint = ""
    nouns = [part.split()[-1] for part in formula.parts if len(part.split()) > 1]
    for part in formula.parts:
        sense = _alone(part, checklist, year, hint, nouns[-1] if nouns else "")
        hint = sense.genus or hint
        senses.append(sense)
    return senses


def _worded(text: str, checklist: Checklist, year: int | None) -> list[Sense]:
    """Parents of a text that says hybrid without a sign: whole, then cut at its joints."""
    whole = _alone(text, checklist, year, "", "")
    if whole.role in {"candidate", "genus", "hybrid"}:
        return [whole]
    for pieces in (_JOINTS.split(text), re.split(r"\s*[-–/&]\s*", text)):
        if len(pieces) > 1:
            formula = Formula(parts=tuple(pieces), sexes=(None,) * len(pieces), signed=False)
            senses = [sense for sense in read_parts(formula, checklist, year) if sense.role != "none"]
            if any(sense.role == "candidate" for sense in senses):
                return senses
    return [whole]


def _flat(senses: Iterable[Sense], sexes: Sequence[str | None]) -> tuple[list[str], list[str | None]]:
    """Known parents in the order of the text, with their sexes; a named cross gives its own."""
    parents: list[str] = []
    marks: list[str | None] = []
    for index, sense in enumerate(senses):
        known = sense.accepted if sense.role == "hybrid" else ((sense.nominal,) if sense.nominal else ())
        for name in known:
            if name not in parents:
                parents.append(name)
                marks.append(sexes[index] if index < len(sexes) else None)
    return parents, marks


def _parent_notes(sense: Sense) -> list[str]:
    if sense.role not in {"candidate", "hybrid"}:
        return []
    if sense.match == "ambiguous" and sense.nominal:
        return [f"{sense.nominal} by the letter of the name, which may mean {' or '.join(sense.accepted)}"]
    return [note for note in sense.notes if note != "genus not given"]


def _cross_notes(senses: Sequence[Sense], parents: Sequence[str]) -> list[str]:
    notes = [note for sense in senses for note in _parent_notes(sense)]
    foreign = sum(sense.role in {"group", "unknown"} for sense in senses)
    if foreign and parents:
        notes.append("the other parent is not on the checklist")
    elif len(parents) == 1:
        notes.append("only one parent is known")
    elif not parents:
        notes.append("no parent is named")
    return list(dict.fromkeys(notes))


def read_hybrid(given: str, formula: Formula, checklist: Checklist, year: int | None) -> NameReading | None:
    """Read a text that speaks of a cross; None when no part of it touches the checklist."""
    if formula.signed:
        senses = read_parts(formula, checklist, year)
    else:
        senses = _worded(formula.parts[0], checklist, year)
    touching = [sense for sense in senses if sense.role not in {"group", "none"}]
    if not touching:
        return None
    parents, sexes = _flat(senses, formula.sexes)
    named = [sense for sense in senses if sense.role == "candidate"]
    plain = NameReading(
        given=given,
        role="hybrid",
        match="hybrid",
        qualified=any(sense.qualified for sense in touching),
        misspelt=any(sense.misspelt for sense in touching),
        dated=any(sense.dated for sense in touching),
    )
    if len(parents) == 1 and len(named) == len(senses) > 1:
        notes = ["a cross within one species", *(note for sense in senses for note in _parent_notes(sense))]
        return replace(
            plain, role="candidate", accepted=(parents[0],), match="subspecies", note="; ".join(notes)
        )
    return replace(
        plain,
        accepted=tuple(sorted(parents)),
        parent_order=direction(parents, sexes) if len(senses) == 2 else None,
        formula=write_formula(parents) if len(parents) > 1 else None,
        note="; ".join(_cross_notes(senses, parents)),
    )
