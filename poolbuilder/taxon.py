"""What one name, without any cross in it, means on a checklist.

A name is looked up as it stands first, scientific or vernacular.  Only what is not found
that way, but begins with a genus of the list, is given to the general name parser
(`gbif-name-parser`), which tells epithets from authors, subgenera and qualifiers; then
come misspellings.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from poolbuilder.checklist import Checklist, Entry
from poolbuilder.errors import MissingExtraError
from poolbuilder.spelling import allowed_edits, letters, nearest

__all__ = ["DOUBT", "Sense", "read_taxon", "require_parser"]

DOUBT = re.compile(
    r"\b(?:c\.? ?f|aff|nr|near|prob(?:ably)?|poss(?:ibly)?|perhaps|maybe|likely|presumed|uncertain)\b\.?|\?",
    re.IGNORECASE,
)
_OPEN = re.compile(
    r"\b(?:spp?|species|indet(?:erminate)?|unident(?:ified)?|undetermined|unknown|unk|gen)\b\.?",
    re.IGNORECASE,
)
_STAGE = re.compile(
    r"\b(?:juv(?:enile)?s?|adults?|larva[el]?|fry|fingerlings?|y\.?o\.?y|immatures?"
    r"|young(?: of (?:the )?year)?)\b\.?",
    re.IGNORECASE,
)
_RANK = {
    "subsp.",
    "subsp",
    "ssp.",
    "ssp",
    "var.",
    "var",
    "f.",
    "forma",
    "morph",
    "complex",
    "group",
    "s.l.",
    "s.s.",
}
_EPITHET = re.compile(r"[a-z][a-z-]{2,}")
_GENUS = re.compile(r"[A-Za-z][a-z]*\.|[A-Za-z][A-Za-z]+|[A-Z]")
_BRACKET = re.compile(r"[(\[]([^()\[\]]*)[)\]]?")
_MATCH = {"accepted": "exact", "synonym": "synonym", "ambiguous": "ambiguous", "hybrid": "hybrid"}


@dataclass(frozen=True, kw_only=True)
class Sense:
    """What one name means.

    Attributes
    ----------
    role : str
        ``candidate``, ``hybrid`` (a name given to a cross), ``genus``, ``unknown``,
        ``group`` or ``none``.
    accepted : tuple of str
    nominal : str or None
        The one accepted species meant by the letter of the name, even where it is ambiguous.
    match : str
    genus : str
        Lower-case genus as written, for the next part of a formula.
    qualified, misspelt, dated : bool
        Whether doubt was expressed, the spelling mended, the sense depends on the year.
    notes : tuple of str
    """

    role: str
    accepted: tuple[str, ...] = ()
    nominal: str | None = None
    match: str = "none"
    genus: str = ""
    qualified: bool = False
    misspelt: bool = False
    dated: bool = False
    notes: tuple[str, ...] = ()

    def noted(self, note: str) -> Sense:
        """The same sense with one more note."""
        return replace(self, notes=(*self.notes, note))


@cache
def require_parser() -> Any:
    """The general name parser.

    Raises
    ------
    MissingExtraError
        When it is absent, or another distribution's module of the same name stands there.
    """
    try:
        import nameparser
    except ImportError as error:
        raise MissingExtraError(
            "name parser: the module nameparser is not installed (pip install gbif-name-parser==0.4.0)"
        ) from error
    if not all(hasattr(nameparser, name) for name in ("parse", "ParsedName", "UnparsableNameError")):
        raise MissingExtraError(
            "name parser: the module nameparser found here is that of another distribution, which parses no "
            "scientific names (pip uninstall nameparser, then pip install --force-reinstall "
            "gbif-name-parser==0.4.0)"
        )
    return nameparser


def _from_entries(entries: Sequence[Entry], *, year: int | None, match: str | None = None) -> Sense:
    """The sense that the rows of one name give it in a year."""
    holding = [entry for entry in entries if entry.holds_in(year)] or list(entries)
    first = holding[0]
    dated = any(entry.dated for entry in entries)
    if first.status == "hybrid":
        note = f"{first.name} is a name given to a cross"
        return Sense(role="hybrid", accepted=first.accepted, match="hybrid", notes=(note,))
    accepted = first.accepted
    if first.status != "ambiguous":
        accepted = tuple(
            sorted({name for entry in holding if entry.status != "hybrid" for name in entry.accepted})
        )
    if len(accepted) > 1:
        epithet = first.name.split()[-1]
        same = [name for name in accepted if name == first.name or name.split()[-1] == epithet]
        note = f"may mean {' or '.join(accepted)}" + (f": {first.note}" if first.note else "")
        nominal = same[0] if same else None
        return Sense(
            role="candidate",
            accepted=accepted,
            nominal=nominal,
            match="ambiguous",
            dated=dated,
            notes=(note,),
        )
    matched = match or _MATCH[first.status]
    notes: tuple[str, ...] = ()
    if first.status == "synonym":
        notes = (f"{first.name} is read as {accepted[0]}",)
        if matched == "synonym" and len(first.name.split()) == 3:
            matched = "subspecies"
    return Sense(
        role="candidate", accepted=accepted, nominal=accepted[0], match=matched, dated=dated, notes=notes
    )


def _as_written(text: str, checklist: Checklist, year: int | None) -> Sense | None:
    """Look a name up as it stands."""
    low = text.lower()
    entries = checklist.by_name.get(low)
    if entries:
        return replace(_from_entries(entries, year=year), genus=low.split()[0])
    entries = checklist.by_vernacular.get(letters(text))
    if entries:
        return _from_entries(entries, year=year, match="vernacular")
    return None


# -- scientific names --------------------------------------------------------------------


def _genera(word: str, checklist: Checklist, hint: str) -> list[tuple[str, int]]:
    """The genera of the list that a first word may be, with the edits it takes."""
    head = word.lower().rstrip(".")
    known = checklist.epithets
    if head in known and not word.endswith("."):
        return [(head, 0)]
    if word.endswith(".") or len(head) == 1:
        if hint.startswith(head):
            return [(hint, 0)]
        return [(genus, 0) for genus in sorted(known) if genus.startswith(head)]
    return nearest(head, known, allowed_edits(head))


def _parsed_epithets(text: str) -> tuple[str, ...]:
    """Epithets by the general parser; none when it finds no name."""
    parser = require_parser()
    try:
        name = parser.parse(text[:1].upper() + text[1:])
    except parser.UnparsableNameError:
        return ()
    if not isinstance(name, parser.ParsedName) or not name.specific_epithet:
        return ()
    found = (name.specific_epithet, name.infraspecific_epithet)
    return tuple(str(epithet).lower() for epithet in found if epithet)


def _epithets(words: Sequence[str]) -> tuple[str, ...]:
    """Species and subspecies epithet among the words behind a genus."""
    words = [word for word in words if word.lower() not in _RANK] or list(words)
    lower = [word.lower() for word in words]
    if all(_EPITHET.fullmatch(word) for word in lower) and len(words) <= 2:
        return tuple(lower)
    plain = [word for word in words if _EPITHET.fullmatch(word)]
    if (
        words[0].islower()
        and plain
        and words[0] == plain[0]
        and not any(mark in "".join(words) for mark in "()[]")
    ):
        following = words[1] if len(words) > 1 else ""
        if following and following[0].isupper():
            return (plain[0],)  # author and year follow
    return _parsed_epithets(f"Genus {' '.join(words)}") or tuple(plain[:2]) or tuple(lower[:1])


def _mended(genera: Sequence[tuple[str, int]], epithet: str, checklist: Checklist) -> list[tuple[str, int]]:
    """Names of the list near a genus and epithet: two edits over both words at most."""
    found: dict[str, int] = {}
    for genus, slips in genera:
        names = checklist.epithets[genus]
        for near, edits in nearest(epithet, names, min(allowed_edits(epithet), 2 - slips)):
            name = names[near]
            found[name] = min(found.get(name, 9), slips + edits)
    least = min(found.values(), default=0)
    return sorted((name, edits) for name, edits in found.items() if edits == least)


def _species(
    genera: Sequence[tuple[str, int]], epithets: Sequence[str], checklist: Checklist, year: int | None
) -> Sense | None:
    """The sense of genus and epithets; None when they are not on the list."""
    exact = [genus for genus, slips in genera if slips == 0]
    if len(epithets) > 1:
        for genus in exact:
            entries = checklist.by_name.get(f"{genus} {epithets[0]} {epithets[1]}")
            if entries:
                return replace(_from_entries(entries, year=year), genus=genus)
    found = _mended(genera, epithets[0], checklist)
    if not found:
        return None
    senses = [_from_entries(checklist.by_name[name], year=year) for name, _ in found]
    sense = replace(senses[0], genus=found[0][0].split()[0])
    accepted = tuple(sorted({name for each in senses for name in each.accepted}))
    if len(senses) > 1 and len(accepted) > 1:
        note = f"may be meant for {' or '.join(accepted)}"
        sense = replace(sense, accepted=accepted, nominal=None, match="ambiguous", notes=(note,))
    if found[0][1]:
        mended = checklist.by_name[found[0][0]][0].name
        sense = replace(
            sense, misspelt=True, match="misspelt" if sense.match in {"exact", "synonym"} else sense.match
        )
        return sense.noted(f"spelling mended to {mended}")
    if len(epithets) > 1 and epithets[1] != epithets[0]:
        matched = "subspecies" if sense.match in {"exact", "synonym"} else sense.match
        return replace(sense, match=matched).noted(f"subspecies {epithets[1]} is read as its species")
    if len(epithets) > 1 and sense.match == "exact":
        return replace(sense, match="subspecies")
    return sense


def _genus_alone(genus: str, written: str | None) -> Sense | None:
    if written is None:
        return None
    return Sense(role="genus", genus=genus, notes=(f"{written}, not identified to species",))


def _scientific(text: str, checklist: Checklist, *, year: int | None, hint: str) -> Sense | None:
    """Read a text that begins with a genus of the list; None for any other."""
    first, *words = text.split() or [""]
    genera = _genera(first, checklist, hint) if _GENUS.fullmatch(first) else []
    if not genera:
        return None
    genus, slips = genera[0]
    written = None if slips or first.endswith(".") else checklist.genus_terms.get(genus)
    if not words:
        return _genus_alone(genus, written)
    spoken = _spoken(" ".join(words), checklist, year) if written else None
    if spoken is not None:
        return replace(spoken, genus=genus)
    epithets = _epithets(words)
    if text.isupper():
        epithets = epithets[:1]  # what follows in capitals may be an author as well as a subspecies
    sense = _species(genera, epithets, checklist, year) if epithets else None
    if sense is not None or written is None:
        return sense
    epithet = "".join(re.findall(r"[a-z-]", epithets[0] if epithets else "")) or "unreadable"
    return Sense(role="unknown", genus=genus, notes=(f"epithet {epithet} is not on the checklist",))


# -- vernacular names --------------------------------------------------------------------


def _spoken(text: str, checklist: Checklist, year: int | None) -> Sense | None:
    """Look a vernacular name up: as it stands, turned round at its comma, in the singular."""
    tries = [text]
    if "," in text:
        head, _, tail = text.partition(",")
        tries.append(f"{tail} {head}")
    for each in tries:
        key = letters(each)
        for form in (key, key.removesuffix("es"), key.removesuffix("s")):
            entries = checklist.by_vernacular.get(form)
            if entries:
                return _from_entries(entries, year=year, match="vernacular")
    return None


def _misspoken(text: str, checklist: Checklist, year: int | None) -> Sense | None:
    """A vernacular name one slip away; two in a long one; the first letter must stand."""
    key = letters(text)
    if len(key) < 7:
        return None
    found = nearest(
        key, [name for name in checklist.by_vernacular if name[0] == key[0]], 1 if len(key) < 14 else 2
    )
    senses = {
        sense.accepted: sense
        for name, _ in found
        for sense in [_from_entries(checklist.by_vernacular[name], year=year, match="vernacular")]
    }
    if len(senses) != 1:
        return None
    (sense,) = senses.values()
    mended = sense.nominal or " or ".join(sense.accepted)
    return replace(sense, match="misspelt", misspelt=True).noted(
        f"vernacular name mended to that of {mended}"
    )


def _genus_word(text: str, checklist: Checklist) -> Sense | None:
    """A vernacular or old name of a whole genus."""
    key = letters(_OPEN.sub(" ", text))
    for form in (key, key.removesuffix("s")):
        genus = checklist.genus_terms.get(form)
        if genus:
            return Sense(role="genus", genus=genus.lower(), notes=(f"{genus}, not identified to species",))
    return None


def _epithet_alone(text: str, checklist: Checklist, *, year: int | None, hint: str) -> Sense | None:
    """An epithet without genus, as in a formula; the hint's genus comes first, then present genera."""
    epithet = text.lower().strip(".")
    if not _EPITHET.fullmatch(epithet):
        return None
    if hint in checklist.epithets:
        sense = _species([(hint, 0)], (epithet,), checklist, year)
        if sense is not None:
            return sense
    present = [genus.lower() for genus in checklist.genera]
    for genera in (present, [genus for genus in checklist.epithets if genus not in present]):
        names = sorted({name for genus in genera if (name := checklist.epithets[genus].get(epithet))})
        senses = {sense.accepted: sense for name in names for sense in [_named(name, checklist, year)]}
        if senses:
            (sense, *others) = senses.values()
            return None if others else sense.noted("genus not given")
    return None


def _named(name: str, checklist: Checklist, year: int | None) -> Sense:
    return _from_entries(checklist.by_name[name], year=year)


# -- the whole ---------------------------------------------------------------------------


def _any_way(text: str, checklist: Checklist, *, year: int | None, hint: str) -> Sense | None:
    """The first way of reading that succeeds, from the surest to the loosest."""
    return (
        _as_written(text, checklist, year)
        or _spoken(text, checklist, year)
        or _genus_word(text, checklist)
        or _scientific(text, checklist, year=year, hint=hint)
        or _epithet_alone(text, checklist, year=year, hint=hint)
        or _misspoken(text, checklist, year)
    )


def _variants(text: str) -> list[str]:
    """The text, then without words on stage and openness, outside its brackets, inside them."""
    bare = " ".join(_STAGE.sub(" ", _OPEN.sub(" ", text)).split())
    outside = " ".join(_BRACKET.sub(" ", bare).split())
    inside = " ".join(match[1] for match in _BRACKET.finditer(bare))
    tries = []
    for each in (text, bare, outside, inside):
        stripped = each.strip(" ,;:-*\"'")
        if stripped and stripped not in tries and any(char.isalpha() for char in stripped):
            tries.append(stripped)
    return tries


def read_taxon(text: str, checklist: Checklist, *, year: int | None = None, hint: str = "") -> Sense:
    """Read one name.

    Parameters
    ----------
    text : str
        Tidied; without signs of a cross.
    checklist : Checklist
    year : int, optional
        Of the record, for names whose sense has changed.
    hint : str
        Genus of the part before it in a formula, lower-case.

    Returns
    -------
    Sense
    """
    sense = _as_written(text, checklist, year)
    if sense is not None:
        return sense
    doubted = DOUBT.sub(" ", text)
    qualified = doubted != text
    best: Sense | None = None
    for each in _variants(" ".join(doubted.split())):
        sense = _any_way(each, checklist, year=year, hint=hint)
        if sense is not None and sense.role in {"candidate", "hybrid"}:
            best = sense
            break
        best = best if sense is None or (best is not None and best.role != "unknown") else sense
    if best is None:
        role = "group" if any(char.isalpha() for char in doubted) else "none"
        return Sense(role=role, qualified=qualified)
    return replace(best, qualified=qualified)
