"""Scientific names: genus and epithets ──► sense on a checklist.

A genus followed by plain epithets, perhaps with an author, is read here; subgenera, marks
of rank and whatever else stands between are left to the general name parser
(`gbif-name-parser`).  Slips of the pen are mended last, within two edits over genus and
epithet together.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

from poolbuilder.checklist import Checklist
from poolbuilder.errors import MissingExtraError
from poolbuilder.sense import Sense, sense_of
from poolbuilder.spelling import allowed_edits, nearest

__all__ = ["foreign_words", "read_epithet", "read_plain", "read_scientific", "require_parser"]

_RANK = {"subsp", "ssp", "var", "f", "forma", "morph", "complex", "group", "s.l", "s.s"}
# Words of stage and sex that stand where a subspecies would.
_STAGE = {"juvenile", "juveniles", "juv", "adult", "adults", "larva", "larvae", "fry", "male", "female"}
_EPITHET = re.compile(r"[a-z][a-z-]{2,}")
_GENUS = re.compile(r"[A-Za-z][a-z]*\.|[A-Za-z][A-Za-z]+|[A-Z]")
# Authors and a year: capitalised words, joined by particles; a lone X is none.
_WORD = r"(?!X[a-z]{4}|(?:X|F\d|Hyb\w*|Cross|Male|Female|Juv\w*|Adult)\b)[A-Z][\w.'-]*"
_AUTHOR = rf"(?: \(?{_WORD}(?:,? (?:{_WORD}|&|and|et|in|ex|de|von|van|der))*(?:,? \d{{4}})?\)?)?"
_TWO = r"([a-z][a-z-]{2,})(?: ([a-z][a-z-]{2,}))?"
# Genus, perhaps a subgenus, epithet, perhaps a subspecies, perhaps authors.
_PLAIN = re.compile(rf"([A-Z][a-z]{{2,}})(?: \([A-Z][a-z]+\))? {_TWO}{_AUTHOR}")
_PLAIN_EPITHETS = re.compile(rf"(?:\([A-Z][a-z]+\) )?{_TWO}{_AUTHOR}")


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


def read_plain(text: str, checklist: Checklist, *, year: int | None, strict: bool = False) -> Sense | None:
    """Look up genus and epithets, the author left aside.

    Returns
    -------
    Sense or None
        None when that does not settle it; with *strict* also for a subspecies that the
        list does not hold, which may be another word.
    """
    match = _PLAIN.fullmatch(text)
    if match is None:
        return None
    genus, species, below = match[1].lower(), match[2], match[3]
    if species not in checklist.epithets.get(genus, ()):
        return None
    if below is None or below in _RANK or below in _STAGE:
        return None if strict and below else _listed(genus, (species,), checklist, year)
    if strict and f"{genus} {species} {below}" not in checklist.by_name:
        return None
    return _listed(genus, (species, below), checklist, year)


def _listed(genus: str, epithets: Sequence[str], checklist: Checklist, year: int | None) -> Sense | None:
    """The sense of a name that the list holds, as a subspecies or as a species."""
    if len(epithets) > 1:
        entries = checklist.by_name.get(f"{genus} {epithets[0]} {epithets[1]}")
        if entries:
            return sense_of(entries, year=year, genus=genus)
    entries = checklist.by_name.get(f"{genus} {epithets[0]}")
    if not entries:
        return None
    sense = sense_of(entries, year=year, genus=genus)
    if len(epithets) == 1:
        return sense
    if sense.match in {"exact", "synonym"}:
        sense = replace(sense, match="subspecies")
    if epithets[1] == epithets[0]:
        return sense
    return sense.noted(f"subspecies {epithets[1]} is read as its species")


def foreign_words(text: str, checklist: Checklist) -> tuple[str, str] | None:
    """The words and the author of a plain name whose genus is neither of the list nor near one of it.

    Returns
    -------
    tuple of (str, str) or None
        Genus and epithets; what follows them.  None for any other text.
    """
    match = _PLAIN.fullmatch(text)
    if match is None:
        return None
    genus = match[1].lower()
    if genus in checklist.epithets or nearest(genus, checklist.genus_heads, allowed_edits(genus)):
        return None
    end = match.end(3) if match[3] else match.end(2)
    return text[:end], text[end:]


# -- genus -------------------------------------------------------------------------------


def _genera(word: str, checklist: Checklist, hint: str) -> list[tuple[str, int]]:
    """The genera of the list that a first word may be, with the edits it takes."""
    head = word.lower().rstrip(".")
    known = checklist.epithets
    if head in known and not word.endswith("."):
        return [(head, 0)]
    if word.endswith(".") or len(head) == 1:
        present = [hint, *(genus.lower() for genus in checklist.genera)]
        among = [genus for genus in dict.fromkeys(present) if genus in known and genus.startswith(head)]
        return [(genus, 0) for genus in among or checklist.genus_heads if genus.startswith(head)]
    return nearest(head, checklist.genus_heads, allowed_edits(head))


def _genus_alone(genus: str, written: str | None) -> Sense | None:
    if written is None:
        return None
    return Sense(role="genus", genus=genus, notes=(f"{written}, not identified to species",))


# -- epithets ----------------------------------------------------------------------------


def _parsed(text: str) -> tuple[str, ...]:
    """Epithets by the general parser; none when it finds no name."""
    parser = require_parser()
    try:
        name = parser.parse(text)
    except parser.UnparsableNameError:
        return ()
    if not isinstance(name, parser.ParsedName) or not name.specific_epithet:
        return ()
    found = (name.specific_epithet, name.infraspecific_epithet)
    return tuple(str(epithet).lower() for epithet in found if epithet)


def _epithets(genus: str, words: Sequence[str], capitals: bool) -> tuple[str, ...]:
    """Species and subspecies epithet among the words behind a genus."""
    aside = _RANK | _STAGE
    words = [word for word in words if word.lower().rstrip(".") not in aside] or list(words)
    if capitals:  # what follows in capitals may be an author as well as a subspecies
        return (words[0].lower(),)
    match = _PLAIN_EPITHETS.fullmatch(" ".join(words))
    if match is not None:
        return tuple(epithet for epithet in match.groups() if epithet)
    lower = tuple(word.lower() for word in words[:2] if _EPITHET.fullmatch(word.lower()))
    return _parsed(f"{genus.capitalize()} {' '.join(words)}") or lower or (words[0].lower(),)


def _mended(genera: Sequence[tuple[str, int]], epithet: str, checklist: Checklist) -> list[tuple[str, int]]:
    """Names of the list near a genus and epithet: two edits over both words at most."""
    found: dict[str, int] = {}
    for genus, slips in genera:
        names = checklist.epithets[genus]
        for near, edits in nearest(epithet, list(names), min(allowed_edits(epithet), 2 - slips)):
            name = names[near]
            found[name] = min(found.get(name, 9), slips + edits)
    least = min(found.values(), default=0)
    return sorted((name, edits) for name, edits in found.items() if edits == least)


def _nearly(
    genera: Sequence[tuple[str, int]], epithet: str, checklist: Checklist, year: int | None
) -> Sense | None:
    """The sense of a misspelt or abbreviated name; several when they are equally near."""
    found = _mended(genera, epithet, checklist)
    if not found:
        return None
    senses = [sense_of(checklist.by_name[name], year=year, genus=name.split()[0]) for name, _ in found]
    sense = senses[0]
    accepted = tuple(sorted({name for each in senses for name in each.accepted}))
    if len(senses) > 1 and len(accepted) > 1:
        note = f"may be meant for {' or '.join(accepted)}"
        sense = replace(sense, accepted=accepted, nominal=None, match="ambiguous", notes=(note,))
    if not found[0][1]:
        return sense
    match = "misspelt" if sense.match in {"exact", "synonym"} else sense.match
    mended = checklist.by_name[found[0][0]][0].name
    return replace(sense, misspelt=True, match=match).noted(f"spelling mended to {mended}")


def read_scientific(text: str, checklist: Checklist, *, year: int | None, hint: str) -> Sense | None:
    """Read a text that begins with a genus of the list, written out, abbreviated or misspelt.

    Returns
    -------
    Sense or None
        None for any other text; ``unknown`` when the genus is of the list and the epithet
        is not.
    """
    first, *words = text.split()
    genera = _genera(first, checklist, hint) if _GENUS.fullmatch(first) else []
    if not genera:
        return None
    genus, slips = genera[0]
    abbreviated = first.endswith(".") or len(first) == 1
    written = None if slips or abbreviated else checklist.genus_terms.get(genus)
    if not words:
        return _genus_alone(
            genus, checklist.genus_terms.get(hint) if abbreviated and hint == genus else written
        )
    epithets = _epithets(genus, words, text.isupper())
    if slips == 0 and (len(genera) == 1 or epithets[0] in checklist.epithets[genus]):
        sense = _listed(genus, epithets, checklist, year)
        if sense is not None:
            return sense
    sense = _nearly(genera, epithets[0], checklist, year)
    if sense is not None or written is None:
        return sense
    if words[0][:1].isupper() and not text.isupper():
        return _genus_alone(genus, written)  # an author follows
    epithet = "".join(re.findall(r"[a-z-]", epithets[0])) or "unreadable"
    return Sense(role="unknown", genus=genus, notes=(f"epithet {epithet} is not on the checklist",))


def read_epithet(text: str, checklist: Checklist, *, year: int | None, hint: str) -> Sense | None:
    """Read an epithet without genus, as in a formula.

    The genus *hint* comes first, then the present genera of the list, then old ones; an
    epithet that several species bear is not read.
    """
    epithet = text.lower().strip(".")
    if not _EPITHET.fullmatch(epithet):
        return None
    if hint in checklist.epithets:
        sense = _listed(hint, (epithet,), checklist, year)
        sense = sense or _nearly([(hint, 0)], epithet, checklist, year)
        if sense is not None:
            return sense
    present = [genus.lower() for genus in checklist.genera]
    for genera in (present, [genus for genus in checklist.epithets if genus not in present]):
        names = sorted({name for genus in genera if (name := checklist.epithets[genus].get(epithet))})
        senses = {}
        for name in names:
            sense = sense_of(checklist.by_name[name], year=year, genus=name.split()[0])
            senses[sense.accepted] = sense
        if senses:
            (sense, *others) = senses.values()
            return None if others else sense.noted("genus not given")
    return None
