"""What the rows of a checklist make of one name.

Scientific names: genus and epithets ──► sense on a checklist.

A genus followed by plain epithets, perhaps with an author, is read here; subgenera, marks
of rank and whatever else stands between are left to the general name parser
(`gbif-name-parser`).  Slips of the pen are mended last, within two edits over genus and
epithet together.

One name, without any cross in it, scientific or vernacular ──► sense on a checklist.

The surest reading comes first: the name as it stands, then with its author left aside,
then without words on doubt, stage and openness, then outside and inside its brackets,
then with a slip of the pen mended.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from poolbuilder.names.checklist import Checklist, Entry
from poolbuilder.names.hybrids import may_cross
from poolbuilder.names.spelling import allowed_edits, letters, nearest

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


def _several(first: Entry, accepted: tuple[str, ...], genus: str, dated: bool) -> Sense:
    """A name that may mean several species."""
    epithet = first.name.split()[-1]
    same = [name for name in accepted if name == first.name or name.split()[-1] == epithet]
    note = f"may mean {' or '.join(accepted)}" + (f": {first.note}" if first.note else "")
    return Sense(
        role="candidate",
        accepted=accepted,
        nominal=same[0] if same else None,
        match="ambiguous",
        genus=genus,
        dated=dated,
        notes=(note,),
    )


@lru_cache(maxsize=16384)
def sense_of(
    entries: tuple[Entry, ...], *, year: int | None, match: str | None = None, genus: str = ""
) -> Sense:
    """The sense that the rows of one name give it in a year.

    Parameters
    ----------
    entries : tuple of Entry
        At least one, the narrowest claim on a year first.
    year : int or None
    match : str, optional
        How the name was found, where that says more than the row's status.
    genus : str
        Lower-case genus as written.
    """
    holding = [entry for entry in entries if entry.holds_in(year)] or list(entries)
    first = holding[0]
    dated = any(entry.dated for entry in entries)
    if first.status == "hybrid":
        note = f"{first.name} is a name given to a cross"
        return Sense(role="hybrid", accepted=first.accepted, match="hybrid", genus=genus, notes=(note,))
    meant = [entry for entry in holding if entry.status != "hybrid"]
    accepted = tuple(sorted({name for entry in meant for name in entry.accepted}))
    if len(accepted) > 1:
        return _several(first, accepted, genus, dated)
    matched = match or _MATCH[first.status]
    notes: tuple[str, ...] = ()
    if first.status == "synonym":
        notes = (f"{first.name} is read as {accepted[0]}",)
        if matched == "synonym" and len(first.name.split()) == 3:
            matched = "subspecies"
    return Sense(
        role="candidate",
        accepted=accepted,
        nominal=accepted[0],
        match=matched,
        genus=genus,
        dated=dated,
        notes=notes,
    )


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


def _epithets(words: Sequence[str], capitals: bool) -> tuple[str, ...]:
    """Species and subspecies epithet among the words behind a genus."""
    aside = _RANK | _STAGE
    words = [word for word in words if word.lower().rstrip(".") not in aside] or list(words)
    if capitals:  # what follows in capitals may be an author as well as a subspecies
        return (words[0].lower(),)
    match = _PLAIN_EPITHETS.fullmatch(" ".join(words))
    if match is not None:
        return tuple(epithet for epithet in match.groups() if epithet)
    lower = tuple(word.lower() for word in words[:2] if _EPITHET.fullmatch(word.lower()))
    return lower or (words[0].lower(),)


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
    epithets = _epithets(words, text.isupper())
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


DOUBT = re.compile(
    r"\b(?:c\.? ?f|aff|nr|near|prob(?:abl[ey])?|poss(?:ibl[ey])?|perhaps|maybe|likely|presumed|uncertain"
    r"|auct)\b\.?|\?",
    re.IGNORECASE,
)
_ASIDE = re.compile(
    r"\b(?:n\. ?sp|sp\.? ?nov|spp?|species|indet(?:erminate)?|unident(?:ified)?|undetermined|unknown|unk|gen"
    r"|juv(?:enile)?s?|adults?|larva[el]?|fry|fingerlings?|y\.?o\.?y|immatures?"
    r"|young(?: of (?:the )?year)?)\b\.?",
    re.IGNORECASE,
)
# The words that these two look for: a set is asked first, for most names hold none of them.
_DOUBTFUL = {"?", "c", "cf", "aff", "nr", "near", "prob", "probable", "probably", "poss", "possible"}
_DOUBTFUL |= {"possibly", "perhaps", "maybe", "likely", "presumed", "uncertain", "auct"}
_BESIDE = {"n", "nov", "sp", "spp", "species", "indet", "indeterminate", "unident", "unidentified"}
_BESIDE |= {
    "undetermined",
    "unknown",
    "unk",
    "gen",
    "juv",
    "juvs",
    "juvenile",
    "juveniles",
    "adult",
    "adults",
}
_BESIDE |= {
    "larva",
    "larvae",
    "larval",
    "fry",
    "fingerling",
    "fingerlings",
    "yoy",
    "y",
    "immature",
    "immatures",
}
_BESIDE |= {"young"}
_POINTS = str.maketrans(dict.fromkeys(".,;:()[]\"'-/", " "))
_BRACKET = re.compile(r"[(\[]([^()\[\]]*)[)\]]?")
_EDGES = " ,;:-*\"'"


def _words(text: str) -> list[str]:
    """Lower-case words, points and brackets off; a question mark stands alone."""
    return text.lower().translate(_POINTS).replace("?", " ? ").split()


# -- vernacular names --------------------------------------------------------------------


def _spoken(text: str, checklist: Checklist, year: int | None) -> Sense | None:
    """Look a vernacular name up: as it stands, turned round at its comma, in the singular."""
    keys = [letters(text)]
    if "," in text:
        head, _, tail = text.partition(",")
        keys.append(letters(f"{tail} {head}"))
    for key in keys:
        for form in (key, key.removesuffix("es"), key.removesuffix("s")):
            entries = checklist.by_vernacular.get(form)
            if entries:
                return sense_of(entries, year=year, match="vernacular")
    return None


def _genus_word(text: str, checklist: Checklist) -> Sense | None:
    """A vernacular or old name of a whole genus."""
    key = letters(text)
    genus = checklist.genus_terms.get(key) or checklist.genus_terms.get(key.removesuffix("s"))
    if genus is None:
        return None
    return Sense(role="genus", genus=genus.lower(), notes=(f"{genus}, not identified to species",))


def _genus_and_spoken(text: str, checklist: Checklist, year: int | None) -> Sense | None:
    """A genus with a vernacular name behind it, as in ``Lepomis bluegill``."""
    first, _, rest = text.partition(" ")
    if not rest or first.lower() not in checklist.epithets:
        return None
    sense = _spoken(rest, checklist, year)
    return replace(sense, genus=first.lower()) if sense else None


def _misspoken(text: str, checklist: Checklist, year: int | None) -> Sense | None:
    """A vernacular name one slip away; two in a long one; the first letter must stand."""
    key = letters(text)
    if len(key) < 7:
        return None
    among = checklist.vernacular_keys.get(key[0], ())
    found = nearest(key, among, 1 if len(key) < 14 else 2)
    senses: dict[tuple[str, ...], Sense] = {}
    for name, _ in found:
        sense = sense_of(checklist.by_vernacular[name], year=year, match="vernacular")
        senses[sense.accepted] = sense
    if len(senses) != 1:
        return None
    (sense,) = senses.values()
    mended = sense.nominal or " or ".join(sense.accepted)
    return replace(sense, match="misspelt", misspelt=True).noted(
        f"vernacular name mended to that of {mended}"
    )


# -- the whole ---------------------------------------------------------------------------


def _any_way(text: str, checklist: Checklist, *, year: int | None, hint: str) -> Sense | None:
    """The first way of reading that succeeds, from the surest to the loosest."""
    return (
        _spoken(text, checklist, year)
        or _genus_word(text, checklist)
        or _genus_and_spoken(text, checklist, year)
        or read_scientific(text, checklist, year=year, hint=hint)
        or read_epithet(text, checklist, year=year, hint=hint)
        or _misspoken(text, checklist, year)
    )


def _variants(text: str) -> list[str]:
    """The text, then without words on stage and openness, outside its brackets, inside them."""
    tries = [text.strip(_EDGES)]
    if not _BESIDE.isdisjoint(_words(text)):
        text = " ".join(_ASIDE.sub(" ", text).split())
        tries.append(text.strip(_EDGES))
    if "(" in text or "[" in text:
        tries.append(" ".join(_BRACKET.sub(" ", text).split()).strip(_EDGES))
        tries.append(" ".join(match[1] for match in _BRACKET.finditer(text)).strip(_EDGES))
    return [each for each in dict.fromkeys(tries) if each.strip()]


def read_listed(text: str, checklist: Checklist, *, year: int | None = None) -> Sense | None:
    """Look a name up as it stands, or with its author left aside; None when that finds nothing."""
    low = text.lower()
    entries = checklist.by_name.get(low)
    if entries:
        return sense_of(entries, year=year, genus=low.partition(" ")[0])
    for key in (letters(low), letters(low.partition(" (")[0])):
        entries = checklist.by_vernacular.get(key)
        if entries:
            return sense_of(entries, year=year, match="vernacular")
    return read_plain(text, checklist, year=year)


def is_foreign(text: str, checklist: Checklist) -> bool:
    """Whether a name, as given, is plainly one of a genus outside the list: most names of any survey."""
    words = foreign_words(text, checklist)
    if words is None:
        return False
    each = _words(text)
    if may_cross(text.lower()) or not (_DOUBTFUL.isdisjoint(each) and _BESIDE.isdisjoint(each)):
        return False
    name, author = words
    spoken = (
        _spoken(name, checklist, None) or _genus_word(name, checklist) or _misspoken(name, checklist, None)
    )
    if "(" in author:
        spoken = spoken or _spoken(author, checklist, None) or _genus_word(author, checklist)
    return spoken is None


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
    qualified = not _DOUBTFUL.isdisjoint(_words(text)) and DOUBT.search(text) is not None
    if qualified:
        text = " ".join(DOUBT.sub(" ", text).split())
    sense = read_listed(text, checklist, year=year) or _loosely(text, checklist, year, hint)
    return replace(sense, qualified=True) if qualified else sense


def _loosely(text: str, checklist: Checklist, year: int | None, hint: str) -> Sense:
    best: Sense | None = None
    for each in _variants(text):
        sense = _any_way(each, checklist, year=year, hint=hint)
        if sense is None:
            continue
        if sense.role in {"candidate", "hybrid"}:
            return sense
        if best is None or best.role == "unknown":
            best = sense
    if best is not None:
        return best
    said = _ASIDE.sub(" ", text)
    return Sense(role="group" if any(char.isalpha() for char in said) else "none")
