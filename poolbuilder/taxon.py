"""One name, without any cross in it, scientific or vernacular ──► sense on a checklist.

The surest reading comes first: the name as it stands, then with its author left aside,
then without words on doubt, stage and openness, then outside and inside its brackets,
then with a slip of the pen mended.
"""

from __future__ import annotations

import re
from dataclasses import replace

from poolbuilder.binomial import foreign_words, read_epithet, read_plain, read_scientific
from poolbuilder.checklist import Checklist
from poolbuilder.hybrids import may_cross
from poolbuilder.sense import Sense, sense_of
from poolbuilder.spelling import letters, nearest

__all__ = ["DOUBT", "is_foreign", "read_listed", "read_taxon"]

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
