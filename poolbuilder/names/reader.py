"""What a name as given means: name ──► accepted names, role and formula; once per distinct name.

Names are the evidence: old genera, subspecies, splits, vernacular names in capitals and
hybrids written in a dozen ways are all read, and what cannot be read is reported by name,
never dropped.

Of one name the surest reading comes first: the name as it stands, then with its author left aside,
then without words on doubt, stage and openness, then outside and inside its brackets, then with a slip
of the pen mended, within two edits over genus and epithet together.

Hybrid formulae follow the International Code of Nomenclature for algae, fungi, and plants, Art. H.2.1
(names of the parents joined by ×) and Rec. H.2A.1 (alphabetical order; the direction of a cross is shown
by the signs of the sexes).  The zoological code leaves them free, and zoologists use the same form.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import schemas, tables
from poolbuilder.errors import said
from poolbuilder.names.checklist import Checklist, Entry, open_meanings, write_formula
from poolbuilder.names.vocabularies import allowed_edits, letters, nearest, tidy
from poolbuilder.places.regions import regions_at
from poolbuilder.settings import Settings

Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class NameReading:
    """What a name, or a part of one, means.

    Attributes
    ----------
    given : str
        The whole name as given.
    role : str
        ``candidate``, ``hybrid``, ``group``, ``genus``, ``unknown`` or ``none``; see
        :data:`poolbuilder.schemas.NAMED`.
    accepted : tuple of str
        Accepted species that the name may mean, or the known parents, in alphabetical order.
    nominal : str or None
        The one accepted species meant by the letter of the name, even where it is ambiguous.
    genus : str
        Lower-case genus as written, for the next part of a formula.
    parent_order : str or None
        ``female,male`` or ``male,female``, of *accepted*.
    match : str
    qualified, misspelt : bool
        Doubt expressed; spelling mended.
    dated : bool
        Whether another year could change the reading.
    notes : tuple of str
    """

    given: str = ""
    role: str
    accepted: tuple[str, ...] = ()
    nominal: str | None = None
    genus: str = ""
    parent_order: str | None = None
    match: str = "none"
    qualified: bool = False
    misspelt: bool = False
    dated: bool = False
    notes: tuple[str, ...] = ()

    @property
    def formula(self) -> str | None:
        """The formula of a cross of two or more known parents."""
        return write_formula(self.accepted) if self.role == "hybrid" and len(self.accepted) > 1 else None

    @property
    def note(self) -> str:
        """The notes as one text."""
        return "; ".join(self.notes)

    def noted(self, note: str, **changed: Any) -> NameReading:
        """The same with one more note, and what else changes."""
        return replace(self, notes=(*self.notes, note), **changed)

    def quality(self, settings: Settings) -> float:
        """Factor for doubt about the name, 0 to 1."""
        doubt = settings.quality_qualifier if self.qualified else 1.0
        return doubt * (settings.quality_misspelt if self.misspelt else 1.0)


@cache
def _pattern_texts() -> dict[str, str]:
    """The patterns of ``patterns.txt`` by name."""
    text = Path(__file__).with_name("patterns.txt").read_text(encoding="utf-8").replace("\n ", "")
    found: dict[str, str] = {}
    for line in text.splitlines():
        if line and line[0] != "#":
            name, _, pattern = line.partition(": ")
            found[name] = re.sub(r"{([a-z]+)}", lambda match: found[match[1]], pattern)
    return found


@cache
def _pattern(name: str) -> re.Pattern[str]:
    """A pattern, made when it is first asked for."""
    return re.compile(_pattern_texts()[name])


# Rows of the list.

_MATCH = {"accepted": "exact", "synonym": "synonym", "ambiguous": "ambiguous", "hybrid": "hybrid"}


@lru_cache(maxsize=16384)
def _meant(
    entries: tuple[Entry, ...], year: int | None, match: str | None = None, genus: str = ""
) -> NameReading:
    """What the rows of one name make it mean in a year; *match* says how it was found."""
    holding = [entry for entry in entries if entry.holds_in(year)] or list(entries)
    first = holding[0]
    dated = any(entry.dated for entry in entries)
    if first.status == "hybrid":
        note = said("name_given_cross", name=first.name)
        parents = tuple(sorted(first.accepted))
        return NameReading(role="hybrid", accepted=parents, match="hybrid", genus=genus, notes=(note,))
    accepted = tuple(
        sorted({name for entry in holding if entry.status != "hybrid" for name in entry.accepted})
    )
    plain = NameReading(role="candidate", accepted=accepted, genus=genus, dated=dated)
    if len(accepted) > 1:
        epithet = first.name.split()[-1]
        same = [name for name in accepted if name == first.name or name.split()[-1] == epithet]
        note = f"may mean {' or '.join(accepted)}" + (f": {first.note}" if first.note else "")
        return plain.noted(note, nominal=next(iter(same), None), match="ambiguous")
    found = replace(plain, nominal=accepted[0], match=match or _MATCH[first.status])
    if first.status != "synonym":
        return found
    if found.match == "synonym" and len(first.name.split()) == 3:
        found = replace(found, match="subspecies")
    return found.noted(f"{first.name} is read as {accepted[0]}")


# Scientific names.

_RANK = {"subsp", "ssp", "var", "f", "forma", "morph", "complex", "group", "s.l", "s.s"}
# Words of stage and sex that stand where a subspecies would.
_STAGE = {"juvenile", "juveniles", "juv", "adult", "adults", "larva", "larvae", "fry", "male", "female"}


def _listed(
    genus: str, epithets: Sequence[str], checklist: Checklist, year: int | None
) -> NameReading | None:
    """A name that the list holds, as a subspecies or as a species."""
    if entries := checklist.by_name.get(" ".join([genus, *epithets[:2]])):
        return _meant(entries, year, genus=genus)
    entries = checklist.by_name.get(f"{genus} {epithets[0]}")
    if not entries:
        return None
    found = _meant(entries, year, genus=genus)
    if found.match in {"exact", "synonym"}:
        found = replace(found, match="subspecies")
    if epithets[1] == epithets[0]:
        return found
    return found.noted(said("subspecies_read_species", epithets=epithets[1]))


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


def _genus_alone(genus: str, written: str | None) -> NameReading | None:
    if written is None:
        return None
    return NameReading(role="genus", genus=genus, notes=(said("not_identified_species", written=written),))


def _epithets(words: Sequence[str], capitals: bool) -> tuple[str, ...]:
    """Species and subspecies epithet among the words behind a genus."""
    words = [word for word in words if word.lower().rstrip(".") not in _RANK | _STAGE] or list(words)
    if capitals:  # what follows in capitals may be an author as well as a subspecies
        return (words[0].lower(),)
    match = _pattern("plain_epithets").fullmatch(" ".join(words))
    if match is not None:
        return tuple(epithet for epithet in match.groups() if epithet)
    lower = tuple(word.lower() for word in words[:2] if _pattern("epithet").fullmatch(word.lower()))
    return lower or (words[0].lower(),)


def _nearly(
    genera: Sequence[tuple[str, int]], epithet: str, checklist: Checklist, year: int | None
) -> NameReading | None:
    """A misspelt or abbreviated name, two edits over both words at most; several when equally near."""
    edits: dict[str, int] = {}
    for genus, slips in genera:
        names = checklist.epithets[genus]
        for near, more in nearest(epithet, list(names), min(allowed_edits(epithet), 2 - slips)):
            edits[names[near]] = min(edits.get(names[near], 9), slips + more)
    least = min(edits.values(), default=0)
    found = sorted(name for name in edits if edits[name] == least)
    if not found:
        return None
    several = [_meant(checklist.by_name[name], year, genus=name.split()[0]) for name in found]
    reading = several[0]
    accepted = tuple(sorted({name for each in several for name in each.accepted}))
    if len(several) > 1 and len(accepted) > 1:
        note = said("may_meant", accepted=accepted)
        reading = replace(reading, accepted=accepted, nominal=None, match="ambiguous", notes=(note,))
    if not least:
        return reading
    match = "misspelt" if reading.match in {"exact", "synonym"} else reading.match
    mended = checklist.by_name[found[0]][0].name
    return reading.noted(f"spelling mended to {mended}", misspelt=True, match=match)


def _read_scientific(text: str, checklist: Checklist, year: int | None, hint: str) -> NameReading | None:
    """Read a text that begins with a genus of the list, written out, abbreviated or misspelt.

    ``unknown`` when the genus is of the list and the epithet is not; None for any other text.
    """
    first, *words = text.split()
    genera = _genera(first, checklist, hint) if _pattern("genus").fullmatch(first) else []
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
    found = None
    if slips == 0 and (len(genera) == 1 or epithets[0] in checklist.epithets[genus]):
        found = _listed(genus, epithets, checklist, year)
    found = found or _nearly(genera, epithets[0], checklist, year)
    if found is not None or written is None:
        return found
    if words[0][:1].isupper() and not text.isupper():
        return _genus_alone(genus, written)  # an author follows
    epithet = "".join(re.findall(r"[a-z-]", epithets[0])) or "unreadable"
    return NameReading(role="unknown", genus=genus, notes=(said("epithet_not_checklist", epithet=epithet),))


def _read_epithet(text: str, checklist: Checklist, year: int | None, hint: str) -> NameReading | None:
    """Read an epithet without genus, as in a formula.

    The genus *hint* comes first, then the present genera of the list, then old ones; an
    epithet that several species bear is not read.
    """
    epithet = text.lower().strip(".")
    if not _pattern("epithet").fullmatch(epithet):
        return None
    if hint in checklist.epithets:
        found = _listed(hint, [epithet], checklist, year) or _nearly([(hint, 0)], epithet, checklist, year)
        if found is not None:
            return found
    present = [genus.lower() for genus in checklist.genera]
    for genera in (present, [genus for genus in checklist.epithets if genus not in present]):
        names = sorted({name for genus in genera if (name := checklist.epithets[genus].get(epithet))})
        several = [_meant(checklist.by_name[name], year, genus=name.split()[0]) for name in names]
        if several:
            alike = {each.accepted for each in several}
            return several[-1].noted("genus not given") if len(alike) == 1 else None
    return None


# Vernacular names.


def _spoken(text: str, checklist: Checklist, year: int | None) -> NameReading | None:
    """Look a vernacular name up: as it stands, turned round at its comma, in the singular."""
    head, comma, tail = text.partition(",")
    for key in (letters(text), *([letters(f"{tail} {head}")] if comma else [])):
        for form in (key, key.removesuffix("es"), key.removesuffix("s")):
            if entries := checklist.by_vernacular.get(form):
                return _meant(entries, year, "vernacular")
    return None


def _genus_word(text: str, checklist: Checklist) -> NameReading | None:
    """A vernacular or old name of a whole genus."""
    key = letters(text)
    genus = checklist.genus_terms.get(key) or checklist.genus_terms.get(key.removesuffix("s"))
    return _genus_alone((genus or "").lower(), genus)


def _genus_and_spoken(text: str, checklist: Checklist, year: int | None) -> NameReading | None:
    """A genus with a vernacular name behind it, as in ``Lepomis bluegill``."""
    first, _, rest = text.partition(" ")
    if not rest or first.lower() not in checklist.epithets:
        return None
    found = _spoken(rest, checklist, year)
    return replace(found, genus=first.lower()) if found else None


def _misspoken(text: str, checklist: Checklist, year: int | None) -> NameReading | None:
    """A vernacular name one slip away; two in a long one; the first letter must stand."""
    key = letters(text)
    if len(key) < 7:
        return None
    near = nearest(key, checklist.vernacular_keys.get(key[0], ()), 1 if len(key) < 14 else 2)
    several = [_meant(checklist.by_vernacular[name], year, "vernacular") for name, _ in near]
    if len({each.accepted for each in several}) != 1:
        return None
    found = several[-1]
    mended = found.nominal or " or ".join(found.accepted)
    return found.noted(said("vernacular_name_mended", mended=mended), match="misspelt", misspelt=True)


# One name, without any cross in it.

_EDGES = " ,;:-*\"'"


def _read_listed(text: str, checklist: Checklist, year: int | None) -> NameReading | None:
    """Look a name up as it stands, or with its author left aside; None when that finds nothing."""
    low = text.lower()
    if entries := checklist.by_name.get(low):
        return _meant(entries, year, genus=low.partition(" ")[0])
    for key in (letters(low), letters(low.partition(" (")[0])):
        if entries := checklist.by_vernacular.get(key):
            return _meant(entries, year, "vernacular")
    match = _pattern("plain").fullmatch(text)
    if match is None:
        return None
    below = [match[3]] if match[3] and match[3] not in _RANK | _STAGE else []
    return _listed(match[1].lower(), [match[2], *below], checklist, year)


def _variants(text: str) -> list[str]:
    """The text, then without words on stage and openness, outside its brackets, inside them."""
    bare = " ".join(_pattern("aside").sub(" ", text).split())
    tries = [text, bare]
    if "(" in bare or "[" in bare:
        tries.append(" ".join(_pattern("bracket").sub(" ", bare).split()))
        tries.append(" ".join(match[1] for match in _pattern("bracket").finditer(bare)))
    return [each for each in dict.fromkeys(one.strip(_EDGES) for one in tries) if each.strip()]


def read_taxon(text: str, checklist: Checklist, *, year: int | None = None, hint: str = "") -> NameReading:
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
    """
    qualified = _pattern("doubt").search(text) is not None
    if qualified:
        text = " ".join(_pattern("doubt").sub(" ", text).split())
    found = _read_listed(text, checklist, year) or _read_loosely(text, checklist, year, hint)
    return replace(found, qualified=True) if qualified else found


def _read_loosely(text: str, checklist: Checklist, year: int | None, hint: str) -> NameReading:
    best: NameReading | None = None
    for each in _variants(text):
        found = (
            _spoken(each, checklist, year)
            or _genus_word(each, checklist)
            or _genus_and_spoken(each, checklist, year)
            or _read_scientific(each, checklist, year, hint)
            or _read_epithet(each, checklist, year, hint)
            or _misspoken(each, checklist, year)
        )
        if found is not None and found.role in {"candidate", "hybrid"}:
            return found
        if found is not None and (best is None or best.role == "unknown"):
            best = found
    named = any(char.isalpha() for char in _pattern("aside").sub(" ", text))
    return best or NameReading(role="group" if named else "none")


# Crosses.

_OUTER = " \t,;:.-–—/&+[]{}\"'"


@dataclass(frozen=True, kw_only=True)
class Formula:
    """A text that speaks of a cross.

    Attributes
    ----------
    parts : tuple of str
        The texts between the signs; empty where a parent is not named.
    sexes : tuple of (str or None)
        ``female`` or ``male``, for each part that says so.
    signed : bool
        Whether a sign of multiplication stands in the text; otherwise a word says hybrid.
    """

    parts: tuple[str, ...]
    sexes: tuple[str | None, ...]
    signed: bool = False


def _without_sex(text: str) -> tuple[str, str | None]:
    """Take the mention of a sex off a name; both sexes at once say nothing."""
    female, male = _pattern("female"), _pattern("male")
    bare = " ".join(male.sub(" ", female.sub(" ", text)).split())
    sexes = {sex for sex, sign in (("female", female), ("male", male)) if sign.search(text)}
    return bare if sexes else text, sexes.pop() if len(sexes) == 1 else None


def _part(text: str) -> tuple[str, str | None]:
    bare, sex = _without_sex(text)
    if bare.count("(") != bare.count(")"):  # half of a pair that holds the whole formula
        bare = bare.replace("(", " ").replace(")", " ")
    kept = _pattern("dangling").sub("", " ".join(bare.split()).strip(_OUTER))
    if kept.startswith("(") and kept.endswith(")"):
        kept = kept[1:-1].strip()
    return kept + ("." if kept and bare.rstrip().endswith(".") else ""), sex


def split_formula(text: str) -> Formula | None:
    """Take a text apart at its signs, once it says that it names a cross.

    Parameters
    ----------
    text : str
        As :func:`poolbuilder.names.vocabularies.tidy` leaves it.

    Returns
    -------
    Formula or None
        None when nothing in the text speaks of a cross.

    Examples
    --------
    >>> split_formula("GREEN SUNFISH X BLUEGILL").parts
    ('GREEN SUNFISH', 'BLUEGILL')
    >>> split_formula("Lepomis hybrid").parts
    ('Lepomis',)
    >>> split_formula("Lepomis maxillaris") is None
    True
    """

    def is_author(match: re.Match[str]) -> bool:
        """Whether a word that could say hybrid is the ichthyologist Cross instead."""
        return match[0] == "Cross" and match.start() > 0 and not text.isupper()

    bare = _pattern("hybrid").sub(lambda match: match[0] if is_author(match) else " ", text)
    pieces = _pattern("sign").split(bare)
    if len(pieces) == 1 and bare == text:
        return None
    parts, sexes = zip(*map(_part, pieces), strict=True)
    return Formula(parts=parts, sexes=sexes, signed=len(pieces) > 1)


def _direction(parents: Sequence[str], sexes: Sequence[str | None]) -> str | None:
    """Which of two parents, in alphabetical order, is the mother; one sex of a pair is enough.

    ``female,male``, ``male,female``, or None: not said, or contradicting itself.
    """
    if len(parents) != 2 or parents[0] == parents[1] or not any(sexes):
        return None
    other = {"female": "male", "male": "female"}
    first, second = sexes
    first = first or other[str(second)]
    if second is not None and second != other[first]:
        return None
    if parents[0] > parents[1]:
        first = other[first]
    return f"{first},{other[first]}"


def _read_part(text: str, checklist: Checklist, year: int | None, hint: str, noun: str) -> NameReading:
    """One part of a formula; a bare ``green`` borrows the noun that the others end in."""
    if not text:
        return NameReading(role="none")
    found = read_taxon(text, checklist, year=year, hint=hint)
    if found.role in {"candidate", "hybrid", "genus"}:
        return found
    for word in dict.fromkeys((noun, *checklist.genus_words)):
        spoken = letters(f"{text}{word}")
        if len(letters(text)) > 2 and spoken in checklist.by_vernacular:
            borrowed = read_taxon(f"{text} {word}", checklist, year=year)
            if borrowed.role == "candidate":
                return borrowed
    words = text.split()
    for start in range(1, len(words)):  # a leading "Sunfish" or "Lepomis" before the parent's name
        if read_taxon(" ".join(words[:start]), checklist).role == "genus":
            rest = read_taxon(" ".join(words[start:]), checklist, year=year)
            if rest.role == "candidate":
                return rest
    return found


def _read_parts(parts: Sequence[str], checklist: Checklist, year: int | None) -> list[NameReading]:
    """What each part means, a genus handed on to the parts behind it."""
    found: list[NameReading] = []
    hint = ""
    nouns = [part.split()[-1] for part in parts if len(part.split()) > 1]
    for part in parts:
        found.append(_read_part(part, checklist, year, hint, nouns[-1] if nouns else ""))
        hint = found[-1].genus or hint
    return found


def _unsigned_pair(text: str, checklist: Checklist, year: int | None) -> list[NameReading]:
    """The two names of ``bluegill green sunfish``, each of the list as it stands; else none."""
    words = text.split()
    head = letters(words[0]) if words else ""
    begins = any(key.startswith(head) for key in checklist.vernacular_keys.get(head[:1], ()))
    if not 2 <= len(words) <= 6 or not (begins or head in checklist.epithets):
        return []
    if _read_listed(text, checklist, year) is not None:
        return []
    for cut in range(1, len(words)):
        first = _read_listed(" ".join(words[:cut]), checklist, year)
        if first is None or first.role != "candidate":
            continue
        rest = " ".join(words[cut:])
        second = _read_listed(rest, checklist, year)
        if second is None and words[cut].endswith("."):
            second = _read_scientific(rest, checklist, year, first.genus)
        if second is not None and second.role == "candidate" and second.accepted != first.accepted:
            return [first, second]
    return []


def _worded(text: str, checklist: Checklist, year: int | None) -> list[NameReading]:
    """Parents of a text that says hybrid without a sign: whole, then cut at its joints."""
    if pair := _unsigned_pair(text, checklist, year):
        return pair
    whole = _read_part(text, checklist, year, "", "")
    if whole.role in {"candidate", "genus", "hybrid"}:
        return [whole]
    for pieces in (_pattern("joints").split(text), _pattern("dashes").split(text)):
        if len(pieces) > 1:
            found = _read_parts(pieces, checklist, year)
            if any(each.role == "candidate" for each in found):
                return [each for each in found if each.role != "none"]
    return [whole]


def _notes_of_parent(part: NameReading) -> list[str]:
    if part.role not in {"candidate", "hybrid"}:
        return []
    if part.match == "ambiguous" and part.nominal:
        return [said("letter_name_may", nominal=part.nominal, accepted=part.accepted)]
    return [note for note in part.notes if note != "genus not given"]


def _read_cross(given: str, formula: Formula, checklist: Checklist, year: int | None) -> NameReading | None:
    """Read a text that speaks of a cross; None when no part of it touches the checklist."""
    if formula.signed:
        parts = _read_parts(formula.parts, checklist, year)
    else:
        parts = _worded(formula.parts[0], checklist, year)
    touching = [part for part in parts if part.role not in {"group", "none"}]
    if not touching:
        return None
    sexes: dict[str, str | None] = {}  # of the known parents, in the order of the text
    for k, part in enumerate(parts):
        for name in part.accepted if part.role == "hybrid" else filter(None, [part.nominal]):
            sexes.setdefault(name, formula.sexes[k] if k < len(formula.sexes) else None)
    parents = tuple(sexes)
    plain = replace(_joined(given, touching), role="hybrid", match="hybrid", accepted=tuple(sorted(parents)))
    notes = [note for part in parts for note in _notes_of_parent(part)]
    if len(parents) == 1 and len(parts) > 1 and all(part.role == "candidate" for part in parts):
        notes = [said("cross_within_species"), *notes]
        return replace(plain, role="candidate", match="subspecies", notes=tuple(notes))
    if parents and any(part.role in {"group", "unknown"} for part in parts):
        notes.append(said("other_parent_not"))
    elif len(parents) < 2:
        notes.append(said("only_parent_known") if parents else said("no_parent_named"))
    order = _direction(parents, list(sexes.values())) if len(parts) == 2 else None
    return replace(plain, parent_order=order, notes=tuple(dict.fromkeys(notes)))


def _joined(given: str, parts: Sequence[NameReading]) -> NameReading:
    """What several parts say of doubt, spelling and date."""
    return NameReading(
        given=given,
        role="candidate",
        qualified=any(part.qualified for part in parts),
        misspelt=any(part.misspelt for part in parts),
        dated=any(part.dated for part in parts),
    )


# The whole text.

_HYBRID_RANKS = {"hybrid", "nothospecies", "nothogenus"}


def _either(given: str, text: str, checklist: Checklist, year: int | None) -> NameReading | None:
    """Several names in one text, as in ``cyanellus/macrochirus``, all of the list: one or another."""
    parts = _pattern("either").split(text)
    if len(parts) > 1:
        found: list[NameReading | None] = [*_read_parts(parts, checklist, year)]
    else:  # of other lists of names only where each stands on the list
        pieces = _pattern("also").split(text)
        found = [_read_listed(part, checklist, year) for part in pieces] if len(pieces) > 1 else []
    several = [each for each in found if each is not None and each.role == "candidate"]
    if len(several) < max(len(found), 2):
        return None
    accepted = tuple(sorted({name for each in several for name in each.accepted}))
    if accepted == several[0].accepted:
        return replace(several[0], given=given)
    note = said("may_mean_record", accepted=accepted)
    return _joined(given, several).noted(note, accepted=accepted, match="ambiguous")


def _detached(text: str, checklist: Checklist) -> str:
    """Part an x from the epithet it is written on to, only where the list holds that epithet."""
    match = _pattern("attached").search(text)
    if match is None:
        return text
    known = {epithet for names in checklist.epithets.values() for epithet in names}
    if match[1] not in known or f"x{match[1]}" in known:
        return text
    return f"{text[: match.start()]}× {text[match.start() + 1 :]}"


def _read_tidied(given: str, text: str, checklist: Checklist, year: int | None) -> NameReading:
    text = _detached(_pattern("counted").sub("", text), checklist)
    formula = split_formula(text)
    if formula is not None:
        group = NameReading(given=given, role="group", notes=(said("cross_other_species"),))
        return _read_cross(given, formula, checklist, year) or group
    bare, _ = _without_sex(text)
    if _unsigned_pair(bare, checklist, year):
        crossed = _read_cross(given, Formula(parts=(bare,), sexes=(None,)), checklist, year)
        if crossed is not None:
            return crossed.noted(said("two_names_side"), qualified=True)
    found = _either(given, bare, checklist, year) or read_taxon(bare, checklist, year=year)
    return replace(found, given=given)


def read_name(
    text: str | None,
    checklist: Checklist,
    *,
    qualifier: str | None = None,
    year: int | None = None,
    rank: str | None = None,
) -> NameReading:
    """Read a name as given, scientific or vernacular.

    Parameters
    ----------
    text : str or None
        Anything; no text raises.
    checklist : Checklist
    qualifier : str, optional
        identificationQualifier; it may also hold the second half of a formula.
    year : int, optional
        Of the record; without it a name that has changed its sense may have any of them.
    rank : str, optional
        taxonRank; ``genus`` and ranks of hybrids are heeded.

    Returns
    -------
    NameReading

    Examples
    --------
    >>> sunfishes = Checklist.load("lepomis")
    >>> read_name("GREEN SUNFISH X BLUEGILL", sunfishes).formula
    'Lepomis cyanellus × Lepomis macrochirus'
    >>> read_name("Chaenobryttus gulosus (Cuvier, 1829)", sunfishes).accepted
    ('Lepomis gulosus',)
    """
    given = text or ""
    words = tidy(given)
    if not words or not any(char.isalpha() for char in words):
        reason = "no readable name" if given.strip() else "no name"
        return NameReading(given=given, role="none", notes=(reason,))
    if _pattern("nothing").fullmatch(words):
        note = said("text_says_there")
        return NameReading(given=given, role="none", notes=(note,))
    doubt = tidy(qualifier or "")
    if doubt and split_formula(doubt) is not None:
        words, doubt = f"{words} {doubt}", ""
    elif (rank or "").lower() in _HYBRID_RANKS and split_formula(words) is None:
        words = f"{words} hybrid"
    found = _read_tidied(given, words, checklist, year)
    return replace(found, qualified=True) if _pattern("doubt").search(doubt) else found


# A table of records.


def _read_record(
    scientific: str | None, vernacular: str | None, checklist: Checklist, **more: Any
) -> NameReading:
    """Read the scientific name; the vernacular one where that is empty or says less.

    Where the two mean different species the scientific one stands, in doubt.
    """
    found = read_name(scientific, checklist, **more)
    if not vernacular or found.role == "unknown":
        return found
    spoken = read_name(vernacular, checklist, **more)
    if found.role == "none":
        return spoken
    if spoken.role not in {"candidate", "hybrid"}:
        return found
    uninomial = len((scientific or "").split()) == 1 or found.role == "genus"
    if uninomial and found.role not in {"candidate", "hybrid"}:
        return replace(spoken, notes=(said("read_vernacular_name"), *spoken.notes))
    if not spoken.accepted or set(spoken.accepted) & set(found.accepted):
        return found
    note = f"the vernacular name {spoken.given} means {' or '.join(spoken.accepted)}"
    dated = found.dated or spoken.dated
    return found.noted(note, qualified=True, dated=dated, match="disagreeing")


def _years(records: pa.Table, rows: Ints) -> Ints:
    """Year of the given rows: as given, else the first in eventDate; -1 where there is none."""
    chosen = tables.take(records.select(["year", "eventDate"]), rows)
    years = tables.integers(chosen.column("year"))
    code, texts = tables.codes(chosen.column("eventDate"))
    found = [_pattern("year").search(text) for text in texts]
    of_dates = np.array([*(int(match[1]) if match else -1 for match in found), -1], dtype=np.int64)
    return np.where(years < 0, of_dates[code], years)


def _distinct(records: pa.Table) -> tuple[Ints, list[tuple[str | None, ...]]]:
    """Code of each row, and the distinct (scientific, vernacular, qualifier, rank)."""
    columns = ("scientificName", "vernacularName", "identificationQualifier", "taxonRank")
    parts = [tables.codes(records.column(name)) for name in columns]
    combined, first = tables.numbered(*(codes for codes, _ in parts))
    keys = [
        tuple(values[codes[row]] if codes[row] >= 0 else None for codes, values in parts) for row in first
    ]
    return combined, keys


def _read_all(records: pa.Table, checklist: Checklist) -> tuple[Ints, list[NameReading]]:
    """Code of each row, and the readings; a name may have several by year and place."""
    wide, keys = _distinct(records)

    def read(code: int, year: int | None = None) -> NameReading:
        scientific, vernacular, qualifier, rank = keys[code]
        return _read_record(scientific, vernacular, checklist, qualifier=qualifier, rank=rank, year=year)

    readings = [read(code) for code in range(len(keys))]
    codes = wide.copy()

    def refine(rows: Ints, kinds: NDArray[Any], again: Callable[[int, list[Any]], NameReading]) -> None:
        """Read rows again, once for each kind of row."""
        distinct, which = np.unique(np.column_stack([codes[rows], kinds]), axis=0, return_inverse=True)
        for number, (now, *kind) in enumerate(distinct.tolist()):
            readings.append(again(now, kind))
            codes[rows[which.ravel() == number]] = len(readings) - 1

    def by_year(now: int, kind: list[Any]) -> NameReading:
        starts = checklist.years
        return read(now, starts[kind[0]] - 1 if kind[0] < len(starts) else starts[-1])

    rows = np.flatnonzero(np.array([reading.dated for reading in readings], dtype=bool)[wide])
    years = _years(records, rows)
    if (years >= 0).any():
        refine(rows[years >= 0], np.searchsorted(checklist.years, years[years >= 0], side="right"), by_year)
    placed = [
        len(one.accepted) > 1 and one.role == "candidate" and any(map(checklist.means_where, one.accepted))
        for one in readings[: len(keys)]
    ]
    rows = np.flatnonzero(np.array(placed, dtype=bool)[wide])
    at = tables.take(records.select(["decimalLongitude", "decimalLatitude"]), rows)
    x, y = (tables.numbers(at[name]) for name in at.column_names)
    region = regions_at(x, y) if len(rows) else np.zeros(0, dtype=object)
    for code in np.unique(wide[rows]).tolist():
        names, mine = readings[code].accepted, np.flatnonzero(wide[rows] == code)
        living = open_meanings(names, x[mine], y[mine], checklist, region=region[mine])
        refine(rows[mine], living, lambda now, lives, names=names: _living(readings[now], names, lives))  # type: ignore[misc]
    return codes, readings


def _living(reading: NameReading, names: Sequence[str], lives: Sequence[int]) -> NameReading:
    """A reading once its place is heeded: a meaning that does not live there goes."""
    left = tuple(name for name, here in zip(names, lives, strict=True) if here)
    kept = tuple(name for name in reading.accepted if name in left) or left
    if kept == reading.accepted:
        return reading
    return reading.noted(f"read as {' or '.join(kept)} by its place", accepted=kept)


def name_records(records: pa.Table, checklist: Checklist, *, settings: Settings) -> pa.Table:
    """Resolve the names of records against a checklist.

    Parameters
    ----------
    records : Table, schema RECORDS
    checklist : Checklist
    settings : Settings
        qualityQualifier and qualityMisspelt.

    Returns
    -------
    Table, schema NAMED
        The same rows in the same order; none dropped.

    Raises
    ------
    TableError
        If *records* does not match its schema.
    """
    schemas.check(records, schemas.RECORDS, "name_records")
    codes, readings = _read_all(records, checklist)
    values: dict[str, list[Any]] = {
        "role": [one.role for one in readings],
        "acceptedNames": [one.accepted for one in readings],
        "parentOrder": [one.parent_order for one in readings],
        "hybridFormula": [one.formula for one in readings],
        "nameMatch": [one.match for one in readings],
        "nameQuality": [one.quality(settings) for one in readings],
        "nameNote": [one.note or None for one in readings],
    }
    made = [
        tables.spread(tables.array(of, schemas.NAMED.field(name).type), codes) for name, of in values.items()
    ]
    named = tables.of_columns(schemas.NAMED, [*records.columns, *made])
    return schemas.check(named, schemas.NAMED, "name_records")
