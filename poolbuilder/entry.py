"""Rows of a species list: accepted names, old names, vernacular names, splits.

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
source, note
    Where the row comes from, and what a reader should know.

Only scientificName must be there.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from poolbuilder.errors import ChecklistError
from poolbuilder.listing import read_rows
from poolbuilder.vocabularies import ESTABLISHMENT_MEANS

__all__ = ["Entry", "read_entries"]

STATUSES = ("accepted", "synonym", "ambiguous", "hybrid", "genus")
COLUMNS = (
    "scientificName",
    "taxonomicStatus",
    "acceptedNameUsage",
    "vernacularName",
    "validFrom",
    "validTo",
    "establishmentMeans",
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
    """

    name: str
    status: str = "accepted"
    accepted: tuple[str, ...] = ()
    vernacular: tuple[str, ...] = ()
    valid_from: int | None = None
    valid_to: int | None = None
    establishment: str | None = None
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
