"""Rows of a list kept as CSV, with errors that name the row and the remedy.

Rows of a species list: accepted names, old names, vernacular names, splits.

A list is a CSV file (UTF-8, commas) with a header of Darwin Core terms where one exists:

scientificName
    The name, without author.
taxonomicStatus
    ``accepted`` (the default); ``synonym``; ``ambiguous`` (may mean any of several
    accepted species); ``hybrid`` (a name given to a cross); ``genus`` (a genus, present
    or old, all of whose species are those of this list).
acceptedNameUsage
    For a synonym its accepted name; for ``ambiguous`` and ``hybrid`` the several names,
    separated by ``|``.
vernacularName
    Separated by ``|``; the first of an accepted name is the one that results print.
validFrom, validTo
    Years in which the name is used in this sense; empty is open.
establishmentMeans
    Darwin Core vocabulary, where it is the same throughout the area of the list.
meansWhere
    Where an accepted species lives whose name was split or is confused: hydrologic unit codes, codes of
    states, provinces or countries, and boxes (``box west south east north``), separated by ``|``.
source, note
    Where the row comes from, and what a reader should know.

Only scientificName must be there.

Species lists as data: which species can be candidates, and every name that stands for them.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from importlib import resources
from pathlib import Path

import pyarrow as pa

from poolbuilder import tables
from poolbuilder.errors import ChecklistError, InputError
from poolbuilder.names.spelling import letters, nearest
from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS


def read_rows(
    content: bytes, *, path: str, known: Sequence[str], required: Sequence[str], error: type[InputError]
) -> Iterator[tuple[int, dict[str, str]]]:
    """Read UTF-8 CSV with a header line.

    Parameters
    ----------
    content : bytes
    path : str
        What messages call the file.
    known, required : sequence of str
        Columns that may, and that must, be there.
    error : type
        What to raise.

    Yields
    ------
    tuple of (int, dict)
        Line at which the row starts, and its cells by column, spaces collapsed.  Empty
        lines are passed over.

    Raises
    ------
    InputError
        Of type *error*.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise error(f"is not UTF-8 text: byte {fault.start}", file=path, remedy="save it as UTF-8") from fault
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [name.strip() for name in next(reader, [])]
        _check_header(header, path, known, required, error)
        start = reader.line_num + 1
        for row in reader:
            number, start = start, reader.line_num + 1
            if not any(cell.strip() for cell in row):
                continue
            if len(row) != len(header):
                raise error(
                    f"{len(row)} cells, the header has {len(header)}",
                    file=path,
                    row=number,
                    remedy="put quotes around a cell that holds a comma",
                )
            yield number, {name: " ".join(cell.split()) for name, cell in zip(header, row, strict=True)}
    except csv.Error as fault:
        raise error(
            f"is not CSV: {fault}", file=path, row=reader.line_num, remedy="look for a quote without its twin"
        ) from fault


def _check_header(
    header: list[str], path: str, known: Sequence[str], required: Sequence[str], error: type[InputError]
) -> None:
    missing = [name for name in required if name not in header]
    unknown = [name for name in header if name not in known]
    twice = [name for name in header if header.count(name) > 1]
    if missing:
        raise error(
            f"no column {missing[0]}, found {', '.join(header) or 'nothing'}",
            file=path,
            row=1,
            remedy="the first line names the columns, separated by commas",
        )
    if unknown or twice:
        fact = f"unknown column {unknown[0]!r}" if unknown else f"column {twice[0]} stands twice"
        raise error(fact, file=path, row=1, remedy=f"known are {', '.join(known)}")


STATUSES = ("accepted", "synonym", "ambiguous", "hybrid", "genus")
COLUMNS = (
    "scientificName",
    "taxonomicStatus",
    "acceptedNameUsage",
    "vernacularName",
    "validFrom",
    "validTo",
    "establishmentMeans",
    "meansWhere",
    "source",
    "note",
)
_BINOMIAL = re.compile(r"[A-Z][a-z]+ [a-z][a-z-]+")
_NAME = re.compile(r"[A-Z][a-z]+(?: [a-z][a-z-]+){0,2}")


@dataclass(frozen=True, kw_only=True, eq=False)
class Entry:
    """One row of a checklist.

    Attributes
    ----------
    name, status : str
    accepted : tuple of str
        The accepted species it stands for; the parents, for a hybrid.
    vernacular : tuple of str
    valid_from, valid_to : int or None
        Years of use in this sense, both included.
    means_where : tuple of str
        Where the species of a split lives; see :mod:`poolbuilder.names.meanings`.
    """

    name: str
    status: str = "accepted"
    accepted: tuple[str, ...] = ()
    vernacular: tuple[str, ...] = ()
    valid_from: int | None = None
    valid_to: int | None = None
    establishment: str | None = None
    means_where: tuple[str, ...] = ()
    source: str = ""
    note: str = ""
    row: int = 0

    @property
    def dated(self) -> bool:
        """Whether the sense depends on the year."""
        return self.valid_from is not None or self.valid_to is not None

    def holds_in(self, year: int | None) -> bool:
        """Whether the name has this sense in *year*; an unknown year may be any."""
        if year is None:
            return True
        return (self.valid_from is None or year >= self.valid_from) and (
            self.valid_to is None or year <= self.valid_to
        )


def read_entries(content: bytes, *, path: str) -> list[Entry]:
    """Read the rows of a list, each checked alone and against the others.

    Raises
    ------
    ChecklistError
        With row and remedy.
    """
    rows = read_rows(content, path=path, known=COLUMNS, required=COLUMNS[:1], error=ChecklistError)
    entries = [_entry(row, number, path) for number, row in rows]
    _check(entries, path)
    return entries


def _year(row: Mapping[str, str], column: str, number: int, path: str) -> int | None:
    text = row.get(column, "")
    if not text:
        return None
    if not re.fullmatch(r"1[5-9]\d\d|20\d\d", text):
        raise ChecklistError(
            f"{column} {text!r} is not a year", file=path, row=number, remedy="four digits, or empty for open"
        )
    return int(text)


def _parts(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split("|") if part.strip())


_PLACE = re.compile(r"\d{2,12}|[A-Z]{2}(-[A-Z]{2,3})?|box( -?\d+(\.\d+)?){4}")


def _where(text: str, number: int, path: str) -> tuple[str, ...]:
    places = _parts(text)
    for place in places:
        if not _PLACE.fullmatch(place):
            raise ChecklistError(
                f"meansWhere {place!r} is no place",
                file=path,
                row=number,
                remedy="use hydrologic unit codes, codes such as US-MI or FR, or: box west south east north",
            )
    return places


def _entry(row: Mapping[str, str], number: int, path: str) -> Entry:
    """One row as an Entry, its own cells checked."""

    def wrong(fact: str, remedy: str) -> ChecklistError:
        return ChecklistError(fact, file=path, row=number, remedy=remedy)

    name, status = row["scientificName"], row.get("taxonomicStatus", "") or "accepted"
    if status not in STATUSES:
        raise wrong(f"taxonomicStatus {status!r} is not known", f"use one of {', '.join(STATUSES)}")
    pattern = _BINOMIAL if status == "accepted" else _NAME
    if not pattern.fullmatch(name):
        raise wrong(f"scientificName {name!r} is not a name", "write Genus epithet, without author or ×")
    means = row.get("establishmentMeans", "")
    if means and means not in ESTABLISHMENT_MEANS:
        raise wrong(
            f"establishmentMeans {means!r} is not known", f"use one of {', '.join(ESTABLISHMENT_MEANS)}"
        )
    valid_from, valid_to = (_year(row, column, number, path) for column in ("validFrom", "validTo"))
    if valid_from is not None and valid_to is not None and valid_from > valid_to:
        raise wrong(f"validFrom {valid_from} is after validTo {valid_to}", "swap the two years")
    accepted = _parts(row.get("acceptedNameUsage", ""))
    if status == "accepted":
        if accepted not in {(), (name,)}:
            raise wrong(f"accepted name {name} stands for another", "make it a synonym")
        accepted = (name,)
    return Entry(
        name=name,
        status=status,
        accepted=accepted,
        vernacular=_parts(row.get("vernacularName", "")),
        valid_from=valid_from,
        valid_to=valid_to,
        establishment=means or None,
        means_where=_where(row.get("meansWhere", ""), number, path),
        source=row.get("source", ""),
        note=row.get("note", ""),
        row=number,
    )


_HOW_MANY = {"synonym": (1, 1, "one accepted name"), "ambiguous": (2, 99, "two or more accepted names")}
_HOW_MANY["hybrid"] = (1, 9, "the parents that are known")


def _check(entries: list[Entry], path: str) -> None:
    """Hold the rows against each other."""
    accepted = {entry.name for entry in entries if entry.status == "accepted"}
    if not accepted:
        raise ChecklistError("no accepted name", file=path, remedy="give at least one species")
    seen: dict[tuple[str, str], int] = {}
    for entry in entries:
        kind = "ambiguous" if entry.status == "ambiguous" else "one sense"
        first = seen.setdefault((entry.name.lower(), kind), entry.row)
        if first != entry.row:
            raise ChecklistError(
                f"{entry.name} stands in row {first} already",
                file=path,
                row=entry.row,
                remedy="a name has one row; an ambiguous sense may stand beside it",
            )
        if entry.status in _HOW_MANY:
            least, most, words = _HOW_MANY[entry.status]
            if not least <= len(entry.accepted) <= most:
                raise ChecklistError(
                    f"{entry.status} {entry.name} has {len(entry.accepted)} names in acceptedNameUsage",
                    file=path,
                    row=entry.row,
                    remedy=f"give {words}, separated by |",
                )
        for name in entry.accepted:
            if entry.status != "accepted" and name not in accepted:
                raise ChecklistError(
                    f"{entry.name} stands for {name}, which is not an accepted name of this list",
                    file=path,
                    row=entry.row,
                    remedy="add a row for it, or mend the spelling",
                )


SHIPPED = ("lepomis", "leuciscids")
"""Lists that come with the package."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Checklist:
    """The species that could be candidates, and every name that stands for them.

    Attributes
    ----------
    name : str
        ``lepomis``, or the stem of the file.
    entries : tuple of Entry
    source : dict
        ``path`` and ``sha256`` of the file; see :meth:`load`.

    Examples
    --------
    >>> sunfishes = Checklist.load("lepomis")
    >>> len(sunfishes.species), sunfishes.vernacular("Lepomis gulosus")
    (13, 'warmouth')
    """

    name: str
    entries: tuple[Entry, ...]
    source: dict[str, str] = field(default_factory=dict)

    @cached_property
    def species(self) -> tuple[str, ...]:
        """Accepted names, in alphabetical order."""
        return tuple(sorted(entry.name for entry in self.entries if entry.status == "accepted"))

    @cached_property
    def genera(self) -> tuple[str, ...]:
        """Genera of the accepted names, in alphabetical order."""
        return tuple(sorted({name.split()[0] for name in self.species}))

    @cached_property
    def _accepted(self) -> dict[str, Entry]:
        return {entry.name: entry for entry in self.entries if entry.status == "accepted"}

    def vernacular(self, name: str) -> str | None:
        """The vernacular name that results print for an accepted name."""
        entry = self._accepted.get(name)
        return entry.vernacular[0] if entry and entry.vernacular else None

    def establishment(self, name: str) -> str | None:
        """The establishmentMeans of an accepted name throughout the list's area, if stated."""
        entry = self._accepted.get(name)
        return entry.establishment if entry else None

    def means_where(self, name: str) -> tuple[str, ...]:
        """Where an accepted name that came out of a split is meant; empty where the list does not say."""
        entry = self._accepted.get(name)
        return entry.means_where if entry else ()

    def split_year(self, name: str) -> int | None:
        """The last year in which an accepted name was also used for other species."""
        years = [
            entry.valid_to
            for entry in self.by_name.get(name.lower(), ())
            if entry.status == "ambiguous" and entry.valid_to is not None
        ]
        return max(years, default=None)

    # -- what names.py looks things up by ------------------------------------------------

    @cached_property
    def by_name(self) -> dict[str, tuple[Entry, ...]]:
        """Lower-case scientific name to its entries, narrowest claim on a year first."""
        found: dict[str, list[Entry]] = {}
        for entry in self.entries:
            if entry.status != "genus":
                found.setdefault(entry.name.lower(), []).append(entry)
        return {name: tuple(sorted(group, key=_by_claim)) for name, group in found.items()}

    @cached_property
    def by_vernacular(self) -> dict[str, tuple[Entry, ...]]:
        """Key of a vernacular name to its entries; several accepted ones make it ambiguous."""
        found: dict[str, list[Entry]] = {}
        for entry in self.entries:
            if entry.status != "genus":
                for name in entry.vernacular:
                    found.setdefault(letters(name), []).append(entry)
        return {key: tuple(sorted(group, key=_by_claim)) for key, group in found.items()}

    @cached_property
    def genus_terms(self) -> dict[str, str]:
        """Key of a genus, old genus or their vernacular name to the genus as written."""
        terms = {letters(genus): genus for genus in self.genera}
        for entry in self.entries:
            if entry.status == "genus":
                for name in (entry.name, *entry.vernacular):
                    terms.setdefault(letters(name), entry.name)
        return terms

    @cached_property
    def genus_words(self) -> tuple[str, ...]:
        """Vernacular names of the genera, such as the noun that species names share."""
        return tuple(
            name.lower() for entry in self.entries if entry.status == "genus" for name in entry.vernacular
        )

    @cached_property
    def epithets(self) -> dict[str, dict[str, str]]:
        """Lower-case genus, present or old, to its epithets and the lower-case name of each."""
        found: dict[str, dict[str, str]] = {}
        for name in self.by_name:
            words = name.split()
            if len(words) == 2:
                found.setdefault(words[0], {})[words[1]] = name
        return found

    @cached_property
    def genus_heads(self) -> list[str]:
        """Lower-case genera, present and old, in which the list has names."""
        return sorted(self.epithets)

    @cached_property
    def vernacular_keys(self) -> dict[str, list[str]]:
        """First letter to the keys of the vernacular names that begin with it."""
        found: dict[str, list[str]] = {}
        for key in sorted(self.by_vernacular):
            found.setdefault(key[:1], []).append(key)
        return found

    @cached_property
    def years(self) -> tuple[int, ...]:
        """First year of each stretch in which names may change their sense, ascending."""
        starts = {entry.valid_from for entry in self.entries if entry.valid_from is not None}
        ends = {entry.valid_to + 1 for entry in self.entries if entry.valid_to is not None}
        return tuple(sorted(starts | ends))

    # -- where lists come from -----------------------------------------------------------

    @classmethod
    def load(cls, given: str | Path) -> Checklist:
        """Read a list that comes with the package, or a CSV file.

        Raises
        ------
        ChecklistError
            With file, row and remedy.
        """
        if str(given) in SHIPPED:
            place = resources.files("poolbuilder") / "checklists" / f"{given}.csv"
            return cls.from_csv(place.read_bytes(), path=f"poolbuilder/checklists/{given}.csv")
        path = Path(given)
        try:
            content = path.read_bytes()
        except OSError as error:
            raise ChecklistError(
                f"cannot be read: {error.strerror}",
                file=path,
                remedy=f"give a CSV file, or one of {', '.join(SHIPPED)}",
            ) from error
        return cls.from_csv(content, path=str(path))

    @classmethod
    def from_csv(cls, content: bytes, *, path: str) -> Checklist:
        """Read the bytes of a CSV file; *path* is what messages and results call it.

        Raises
        ------
        ChecklistError
            With row and remedy.
        """
        entries = read_entries(content, path=path)
        source = {"path": path, "sha256": hashlib.sha256(content).hexdigest()}
        return cls(name=Path(path).stem, entries=tuple(entries), source=source)

    @classmethod
    def from_records(cls, genus: str, records: pa.Table) -> Checklist:
        """Take the species of a genus that the records name.

        A spelling one letter away from one at least ten times as frequent is left out: it
        is read as its misspelling.

        Parameters
        ----------
        genus : str
        records : Table, schema RECORDS

        Raises
        ------
        ChecklistError
            When no record names a species of *genus*.
        """
        genus = genus.strip().capitalize()
        counts, vernacular = _species_in(genus, records)
        common = {
            epithet: count
            for epithet, count in counts.items()
            if not any(counts[near] >= 10 * count for near, _ in _twins(epithet, counts))
        }
        if not common:
            raise ChecklistError(
                f"no record names a species of {genus}",
                remedy="give a checklist file, or add records of the genus first",
            )
        entries = tuple(
            Entry(
                name=f"{genus} {epithet}",
                accepted=(f"{genus} {epithet}",),
                vernacular=vernacular.get(epithet, ()),
                source="named in the records",
            )
            for epithet in sorted(common)
        )
        listed = "\n".join(entry.name for entry in entries).encode()
        source = {"path": f"species of {genus} in the records", "sha256": hashlib.sha256(listed).hexdigest()}
        return cls(name=genus.lower(), entries=entries, source=source)


def _by_claim(entry: Entry) -> tuple[int, int]:
    """Order: senses bound to years, then ambiguous ones, then the rest."""
    rank = {"ambiguous": 0, "accepted": 1, "synonym": 2, "hybrid": 3}[entry.status]
    return (0 if entry.dated else 1, rank)


def _twins(epithet: str, epithets: Iterable[str]) -> list[tuple[str, int]]:
    return nearest(epithet, [other for other in epithets if other != epithet], 1)


def _species_in(genus: str, records: pa.Table) -> tuple[Counter[str], dict[str, tuple[str, ...]]]:
    """Count the epithets of a genus; with the commonest vernacular name of each."""
    binomial = re.compile(rf"{re.escape(genus)} ([a-z][a-z-]+)(?: \(?[A-Z].*)?")
    codes, names = tables.codes(records.column("scientificName"))
    commons, spoken = tables.codes(records.column("vernacularName"))
    counts: Counter[str] = Counter()
    heard: dict[str, Counter[str]] = {}
    pairs = Counter(zip(codes.tolist(), commons.tolist(), strict=True))
    for (code, common), count in sorted(pairs.items()):
        match = binomial.fullmatch(names[code] or "") if code >= 0 else None
        if match is None or match[1] in {"sp", "spp", "cf", "aff", "hybrid", "x"}:
            continue
        counts[match[1]] += count
        if common >= 0 and (said := spoken[common]):
            heard.setdefault(match[1], Counter())[said] += count
    vernacular: dict[str, tuple[str, ...]] = {}
    for epithet, names_heard in heard.items():
        vernacular[epithet] = (min(names_heard.items(), key=lambda item: (-item[1], item[0]))[0],)
    return counts, vernacular
