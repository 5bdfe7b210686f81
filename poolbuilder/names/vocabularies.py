"""Controlled vocabularies of Darwin Core and small tables, read however they are spelt and headed."""

from __future__ import annotations

import csv
import functools
import io
from collections.abc import Collection, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

from poolbuilder.errors import InputError


@cache
def vocabulary(kind: str) -> Mapping[str, tuple[str, ...]]:
    """The words of a kind by their name, as ``vocabularies.txt`` has them."""
    text = Path(__file__).with_name("vocabularies.txt").read_text(encoding="utf-8")
    lines = [line.removeprefix(f"{kind}.") for line in text.splitlines() if line.startswith(f"{kind}.")]
    return {name: tuple(words.split()) for name, _, words in (line.partition(": ") for line in lines)}


ESTABLISHMENT_MEANS, DEGREE_OF_ESTABLISHMENT, PATHWAY, BASIS_OF_RECORD = vocabulary("term").values()


@functools.lru_cache(maxsize=100_000)
def fold(text: str | None) -> str:
    """Letters and digits only, lower-case: ``PRESERVED_SPECIMEN`` and ``PreservedSpecimen`` agree.

    A namespace in front (``dwc:``, a web address) is dropped.

    Examples
    --------
    >>> fold("dwc:Human Observation")
    'humanobservation'
    """
    if not text:
        return ""
    last = text.strip().rstrip("/#").rsplit("/", 1)[-1].rsplit("#", 1)[-1].rsplit(":", 1)[-1]
    return "".join(letter for letter in last.casefold() if letter.isalnum())


def read_term(text: str | None, terms: Collection[str]) -> str | None:
    """The one of some terms that *text* spells in any case or with any separator, or None.

    Examples
    --------
    >>> read_term("INTRODUCED", ESTABLISHMENT_MEANS)
    'introduced'
    >>> read_term("native: endemic", ESTABLISHMENT_MEANS)
    """
    wanted = fold(text)
    return next((term for term in terms if fold(term) == wanted), None)


def columns_of(header: Sequence[str], table: str) -> dict[str, int]:
    """Position of each known column, by the surest of its headings; no position serves two."""
    folded = [fold(name) for name in header]
    found: dict[str, int] = {}
    for column, known in vocabulary(table).items():
        places = [at for word in known for at, name in enumerate(folded) if fnmatchcase(name, word)]
        free = [at for at in places if at not in found.values()]
        if free:
            found[column] = free[0]
    return found


def csv_rows(
    text: str, *, file: str | Path, error: type[InputError], delimiters: str = ","
) -> Iterator[tuple[int, list[str]]]:
    """The rows of a text that hold something, spaces collapsed, each with the line it begins at.

    Raises
    ------
    InputError
        Of type *error*, where the text is not CSV.
    """
    delimiter = max(delimiters, key=text.partition("\n")[0].count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    start = 1
    try:
        for row in reader:
            cells = [" ".join(cell.split()) for cell in row]
            if any(cells):
                yield start, cells
            start = reader.line_num + 1
    except csv.Error as damage:
        raise error.of("not_csv", file=file, row=start, error=damage) from damage


def read_rows(
    path: str | Path, table: str, *, needed: Sequence[str], remedy: str, error: type[InputError]
) -> Iterator[tuple[int, dict[str, str]]]:
    """The rows of a small table by its known columns, each with the line it begins at.

    Parameters
    ----------
    path : path
        UTF-8 text with commas, semicolons, tabs or bars between the cells.
    table : str
        The kind of table, see `vocabulary`.
    needed : sequence of str
        Columns that must be there.

    Raises
    ------
    InputError
        Of type *error*, when it cannot be read, is empty, lacks a column or is not CSV.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as damage:
        raise error.of("not_utf_text", file=path) from damage
    except OSError as damage:
        raise error.of("cannot_read", file=path, why=damage.strerror) from damage
    rows = csv_rows(text, file=path, error=error, delimiters=",;\t|")
    _, header = next(rows, (1, []))
    if not header:
        raise error.of("nothing_in_it", file=path, remedy_given=remedy)
    places = columns_of(header, table)
    if missing := [column for column in needed if column not in places]:
        raise error.of("no_column", file=path, row=1, missing=missing, remedy_given=remedy)
    for number, cells in rows:
        yield number, {column: cells[at] if at < len(cells) else "" for column, at in places.items()}
