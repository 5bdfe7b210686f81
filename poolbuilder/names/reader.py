"""What a name as given means, and the reading of crosses from the senses of their parts.

Name as given ──► accepted names, role and formula; once per distinct name.

Names are the evidence: old genera, subspecies, splits, vernacular names in capitals and
hybrids written in a dozen ways are all read, and what cannot be read is reported by name,
never dropped.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import schemas, tables
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.hybrids import Formula, direction, split_formula, without_sex, write_formula
from poolbuilder.names.meanings import open_meanings
from poolbuilder.names.species import (
    DOUBT,
    Sense,
    is_foreign,
    read_listed,
    read_plain,
    read_scientific,
    read_taxon,
)
from poolbuilder.names.spelling import letters, tidy
from poolbuilder.places.regions import regions_at
from poolbuilder.settings import Settings

_JOINTS = re.compile(
    r"\s*(?:[/&+,;]|\b(?:and|with|by|or|between|of|from|und|zwischen|et|entre|y|en|tussen|och|mellan|ja|es)\b)\s*",
    re.IGNORECASE,
)


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


def unsigned_pair(text: str, checklist: Checklist, year: int | None) -> list[Sense]:
    """The two names of ``bluegill green sunfish``, each of the list as it stands; else none."""
    words = text.split()
    if not 2 <= len(words) <= 6 or read_listed(text, checklist, year=year) is not None:
        return []
    for cut in range(1, len(words)):
        first = read_listed(" ".join(words[:cut]), checklist, year=year)
        if first is None or first.role != "candidate":
            continue
        rest = " ".join(words[cut:])
        second = read_listed(rest, checklist, year=year)
        if second is None and words[cut].endswith("."):
            second = read_scientific(rest, checklist, year=year, hint=first.genus)
        if second is not None and second.role == "candidate" and second.accepted != first.accepted:
            return [first, second]
    return []


def _worded(text: str, checklist: Checklist, year: int | None) -> list[Sense]:
    """Parents of a text that says hybrid without a sign: whole, then cut at its joints."""
    pair = unsigned_pair(text, checklist, year)
    if pair:
        return pair
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


_NOTHING = re.compile(
    r"no (?:fish|catch|organism|specimen|individual)s?(?: .*)?|none|nothing|nil|n/?a|null|unknown"
    r"|unidentified",
    re.IGNORECASE,
)
_EITHER = re.compile(r"\s*/\s*|\s+or\s+", re.IGNORECASE)
_ALSO = re.compile(r"\s*[,;&+–]\s*|\s+and\s+|\s*-\s*", re.IGNORECASE)
_JOINED = re.compile(r"[/,;&+–-]| or | and ", re.IGNORECASE)
_ATTACHED = re.compile(r"(?<=\s)[xX]([a-z]{4,})")
_COUNTED = re.compile(r"^\(?\d+ ?[xX×]?\)? (?=\D)|[ (]+[xX×]? ?\d{1,3}\)?$")  # "x 3" says how many
_HYBRID_RANKS = {"hybrid", "nothospecies", "nothogenus"}
_YEAR = re.compile(r"(?<!\d)(1[5-9]\d\d|20\d\d)(?!\d)")


# -- one name ----------------------------------------------------------------------------


def _open_senses(text: str, checklist: Checklist, year: int | None) -> list[Sense]:
    """The senses of ``cyanellus/macrochirus``; of other lists of names only where each stands on the list."""
    parts = _EITHER.split(text)
    if len(parts) > 1:
        formula = Formula(parts=tuple(parts), sexes=(None,) * len(parts), signed=False)
        return read_parts(formula, checklist, year)
    senses: list[Sense] = []
    for part in _ALSO.split(text):
        sense = read_listed(part, checklist, year=year)
        if sense is None:
            return []
        senses.append(sense)
    return senses


def _either(given: str, text: str, checklist: Checklist, year: int | None) -> NameReading | None:
    """Several names in one text, all of the list: one or another."""
    senses = _open_senses(text, checklist, year) if _JOINED.search(text) else []
    if len(senses) < 2 or not all(sense.role == "candidate" for sense in senses):
        return None
    accepted = tuple(sorted({name for sense in senses for name in sense.accepted}))
    if accepted == senses[0].accepted:
        return reading_of(given, senses[0])
    return NameReading(
        given=given,
        role="candidate",
        accepted=accepted,
        match="ambiguous",
        misspelt=any(sense.misspelt for sense in senses),
        qualified=any(sense.qualified for sense in senses),
        dated=any(sense.dated for sense in senses),
        note=f"may mean {' or '.join(accepted)}: the record leaves it open",
    )


def _detached(text: str, checklist: Checklist) -> str:
    """Part an x from the epithet it is written on to, only where the list holds that epithet."""
    match = _ATTACHED.search(text) if " x" in text or " X" in text else None
    if match is None:
        return text
    known = {epithet for names in checklist.epithets.values() for epithet in names}
    if match[1] not in known or f"x{match[1]}" in known:
        return text
    return f"{text[: match.start()]}× {text[match.start() + 1 :]}"


def _read_tidied(given: str, text: str, checklist: Checklist, year: int | None) -> NameReading:
    text = _detached(_COUNTED.sub("", text), checklist)
    formula = split_formula(text)
    if formula is not None:
        hybrid = read_hybrid(given, formula, checklist, year)
        return hybrid or NameReading(given=given, role="group", note="a cross of other species")
    bare, _ = without_sex(text)
    if unsigned_pair(bare, checklist, year):
        crossed = Formula(parts=(bare,), sexes=(None,), signed=False)
        hybrid = read_hybrid(given, crossed, checklist, year)
        if hybrid is not None:
            note = "; ".join(
                part for part in (hybrid.note, "two names side by side, read as a cross") if part
            )
            return replace(hybrid, qualified=True, note=note)
    either = _either(given, bare, checklist, year)
    return either or reading_of(given, read_taxon(bare, checklist, year=year))


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
    of_hybrids = (rank or "").lower() in _HYBRID_RANKS
    if not qualifier and not of_hybrids:
        settled = read_plain(given, checklist, year=year, strict=True)
        if settled is not None:  # most names of most tables end here
            return reading_of(given, settled)
        if is_foreign(given, checklist):
            return NameReading(given=given, role="group")
    words = tidy(given)
    if not words or not any(char.isalpha() for char in words):
        reason = "no name" if not given.strip() else "no readable name"
        return NameReading(given=given, role="none", note=reason)
    if _NOTHING.fullmatch(words):
        return NameReading(given=given, role="none", note="the text says that there was no fish or no name")
    doubt = tidy(qualifier or "")
    if doubt and split_formula(doubt) is not None:
        words, doubt = f"{words} {doubt}", ""
    elif of_hybrids and split_formula(words) is None:
        words = f"{words} hybrid"
    reading = _read_tidied(given, words, checklist, year)
    if doubt and DOUBT.search(doubt):
        return replace(reading, qualified=True)
    return reading


# -- a table of records ------------------------------------------------------------------


def _one_of(
    scientific: str | None, vernacular: str | None, checklist: Checklist, **more: str | int | None
) -> NameReading:
    """Read the scientific name; the vernacular one where that is empty or says less.

    Where the two mean different species the scientific one stands, in doubt.
    """
    reading = read_name(scientific, checklist, **more)  # type: ignore[arg-type]
    if not vernacular or reading.role == "unknown":
        return reading
    spoken = read_name(vernacular, checklist, **more)  # type: ignore[arg-type]
    if reading.role == "none":
        return spoken
    if reading.role in {"candidate", "hybrid"}:
        return _doubted(reading, spoken)
    uninomial = len((scientific or "").split()) == 1 or reading.role == "genus"
    if uninomial and spoken.role in {"candidate", "hybrid"}:
        note = "; ".join(part for part in ("read from the vernacular name", spoken.note) if part)
        return replace(spoken, note=note)
    return _doubted(reading, spoken) if spoken.role in {"candidate", "hybrid"} else reading


def _doubted(reading: NameReading, spoken: NameReading) -> NameReading:
    """The reading of a scientific name, in doubt where the vernacular one means another species."""
    if not spoken.accepted or set(spoken.accepted) & set(reading.accepted):
        return reading
    note = f"the vernacular name {spoken.given} means {' or '.join(spoken.accepted)}"
    dated = reading.dated or spoken.dated
    note = "; ".join(part for part in (reading.note, note) if part)
    return replace(reading, qualified=True, dated=dated, note=note)


def _years(records: pa.Table, rows: NDArray[np.int64]) -> list[int | None]:
    """Year of the given rows: as given, else the first in eventDate."""
    chosen = tables.take(records.select(["year", "eventDate"]), rows)
    years = tables.integers(chosen.column("year"))
    texts = tables.strings(chosen.column("eventDate"))
    found: list[int | None] = []
    for year, text in zip(years.tolist(), texts, strict=True):
        match = _YEAR.search(text or "") if year < 0 else None
        found.append(year if year >= 0 else int(match[1]) if match else None)
    return found


def _distinct(records: pa.Table) -> tuple[NDArray[np.int64], list[tuple[str | None, ...]]]:
    """Code of each row, and the distinct (scientific, vernacular, qualifier, rank)."""
    parts = [
        tables.codes(records.column(name))
        for name in ("scientificName", "vernacularName", "identificationQualifier", "taxonRank")
    ]
    combined = np.zeros(records.num_rows, dtype=np.int64)
    for codes, values in parts:
        _, combined = np.unique(combined * (len(values) + 1) + codes + 1, return_inverse=True)
    _, first = np.unique(combined, return_index=True)
    keys = [
        tuple(values[codes[row]] if codes[row] >= 0 else None for codes, values in parts) for row in first
    ]
    return combined.astype(np.int64), keys


def _by_year(
    records: pa.Table,
    codes: NDArray[np.int64],
    keys: Sequence[tuple[str | None, ...]],
    readings: list[NameReading],
    checklist: Checklist,
) -> NDArray[np.int64]:
    """Code of each row once the years are heeded; readings that depend on them are added."""
    dated = np.array([reading.dated for reading in readings], dtype=bool)
    rows = np.flatnonzero(dated[codes])
    if not len(rows):
        return codes
    codes = codes.copy()
    starts = np.array(checklist.years)
    years = np.array([-1 if year is None else year for year in _years(records, rows)])
    known = rows[years >= 0]
    kinds = np.column_stack([codes[known], np.searchsorted(starts, years[years >= 0], side="right")])
    distinct, which = np.unique(kinds, axis=0, return_inverse=True)
    for number, (now, stretch) in enumerate(distinct.tolist()):
        year = int(starts[stretch]) - 1 if stretch < len(starts) else int(starts[-1])
        s, v, q, r = keys[now]
        codes[known[which.ravel() == number]] = len(readings)
        readings.append(_one_of(s, v, checklist, qualifier=q, rank=r, year=year))
    return codes


def _by_place(
    records: pa.Table,
    wide: NDArray[np.int64],
    codes: NDArray[np.int64],
    readings: list[NameReading],
    checklist: Checklist,
) -> NDArray[np.int64]:
    """Code of each row once its place is heeded: a meaning that does not live there goes."""
    several = np.array(
        [
            len(r.accepted) > 1 and r.role == "candidate" and any(map(checklist.means_where, r.accepted))
            for r in readings
        ],
        dtype=bool,
    )
    rows = np.flatnonzero(several[wide])
    if not len(rows):
        return codes
    codes = codes.copy()
    placed = tables.take(records.select(["decimalLongitude", "decimalLatitude"]), rows)
    x, y = (tables.numbers(placed[name]) for name in placed.column_names)
    region = regions_at(x, y)
    for code in np.unique(wide[rows]).tolist():
        names = readings[code].accepted
        mine = np.flatnonzero(wide[rows] == code)
        living = open_meanings(names, x[mine], y[mine], checklist, region=region[mine])
        kinds = np.column_stack([codes[rows[mine]], living])
        distinct, which = np.unique(kinds, axis=0, return_inverse=True)
        for number, (now, *lives) in enumerate(distinct.tolist()):
            left = tuple(name for name, here in zip(names, lives, strict=True) if here)
            kept = tuple(name for name in readings[now].accepted if name in left) or left
            if kept != readings[now].accepted:
                codes[rows[mine[which.ravel() == number]]] = len(readings)
                readings.append(_narrowed(readings[now], kept))
    return codes


def _narrowed(reading: NameReading, kept: tuple[str, ...]) -> NameReading:
    note = f"read as {' or '.join(kept)} by its place"
    return replace(reading, accepted=kept, note="; ".join(part for part in (reading.note, note) if part))


def _read_all(records: pa.Table, checklist: Checklist) -> tuple[NDArray[np.int64], list[NameReading]]:
    """Code of each row, and the readings; a name may have several by year and place."""
    wide, keys = _distinct(records)
    readings = [_one_of(s, v, checklist, qualifier=q, rank=r) for s, v, q, r in keys]
    if not readings:
        return wide, readings
    codes = _by_year(records, wide, keys, readings, checklist)
    return _by_place(records, wide, codes, readings, checklist), readings


def _outcomes(
    codes: NDArray[np.int64], readings: Sequence[NameReading], settings: Settings
) -> tuple[NDArray[np.int64], list[tuple[Any, ...]]]:
    """Code of each row, and the distinct outcomes in the order of NAMED's own columns."""
    found: dict[tuple[Any, ...], int] = {}
    index = np.empty(len(readings), dtype=np.int64)
    for position, reading in enumerate(readings):
        outcome = (
            reading.role,
            reading.accepted,
            reading.parent_order,
            reading.formula,
            reading.match,
            reading.quality(settings),
            reading.note or None,
        )
        index[position] = found.setdefault(outcome, len(found))
    return index[codes] if len(readings) else codes, list(found)


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
    codes, outcomes = _outcomes(codes, readings, settings)
    fields = [schemas.NAMED.field(index) for index in range(len(schemas.RECORDS), len(schemas.NAMED))]
    distinct = tables.table(
        pa.schema(fields),
        {field.name: [outcome[index] for outcome in outcomes] for index, field in enumerate(fields)},
    )
    named = tables.take(distinct, codes)
    arrays = [*records.columns, *named.columns]
    return schemas.check(pa.Table.from_arrays(arrays, schema=schemas.NAMED), schemas.NAMED, "name_records")
