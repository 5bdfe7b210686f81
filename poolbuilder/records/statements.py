"""What the user knows of a water without a record: statements, and today's catch.

Statements are a table of their own.  A catch becomes records of one sampling event, whose
zeros are non-detections like any other.
"""

from __future__ import annotations

import datetime
import hashlib
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder import tables
from poolbuilder.errors import RecordFileError, said
from poolbuilder.names.vocabularies import columns_of, fold, vocabulary
from poolbuilder.places.sites import Site
from poolbuilder.records.dates import read_column, read_date
from poolbuilder.records.grids import Grid, kind_of, read_sheets, text_grid
from poolbuilder.schemas import RECORDS, STATEMENTS, check

WHAT = vocabulary("statement")
"""The kinds of statement, and the words that are read as each."""

_KINDS = {word: kind for kind, words in WHAT.items() for word in words}


@dataclass(frozen=True)
class _Given:
    """A row of a table: where it stands, and the cell of each heading known here; empty where none is."""

    at: dict[str, Any]
    cells: Mapping[str, str]

    def __getitem__(self, term: str) -> str:
        return self.cells.get(term, "")

    @property
    def file(self) -> str:
        """Name of the table."""
        return str(self.at["file"].name)

    def count(self) -> float:
        """The individualCount; 0 for a species that was looked for and not caught."""
        text = self["individualCount"]
        try:
            count = float(text)
        except ValueError:
            count = math.nan
        if not 0 <= count < math.inf:
            raise RecordFileError.of("individualcount_not_count", **self.at, text=text[:40])
        return count


def _rows(
    paths: Iterable[str | Path], needed: Sequence[str], as_of: datetime.date
) -> Iterator[tuple[_Given, str | None]]:
    """Rows that hold something, each with its date in ISO 8601; all of them name a species."""
    for path in map(Path, paths):
        rows = _filled(path, needed)
        column = read_column(Counter(row["date"] for row in rows if row["date"]))
        if len(column.fits) > 1:
            raise RecordFileError.of("date_can_read", file=path, example=column.example)
        for row in rows:
            if not row["scientificName"]:
                raise RecordFileError.of("names_no_species", **row.at)
            yield row, _date(row, column.iso.get(row["date"], row["date"]), as_of)


def _filled(path: Path, needed: Sequence[str]) -> list[_Given]:
    """The rows of a table that hold something; one at least."""
    remedy = said("csv_table_columns", needed=needed)
    try:
        grid = _grid(path)
        given = list(grid.rows(Counter(), ()))
    except OSError as error:
        raise RecordFileError.of("cannot_read", file=path, why=error.strerror or error) from error
    places = columns_of(grid.names, "statements")
    if missing := [term for term in needed if term not in places]:
        raise RecordFileError.of("no_column", file=path, row=1, missing=missing, remedy_given=remedy)
    rows = []
    for number, cells, _ in given:
        found = {term: (cells[at] or "").strip() for term, at in places.items() if at < len(cells)}
        row = _Given({"file": path, "row": number}, found)
        odd = next((text for text in found.values() if not text.isprintable()), None)
        if odd is not None:
            raise RecordFileError.of("odd_sign", **row.at, odd=odd[:40])
        rows += [row] if any(found.values()) else []
    if not rows:
        raise RecordFileError.of("header_but_no_rows", file=path, remedy_given=remedy)
    return rows


def _grid(path: Path) -> Grid:
    """The only table of a text file or spreadsheet."""
    if kind_of(path) != "sheet":
        return text_grid(lambda: path.open("rb"), None, file=path)
    sheets = read_sheets(path, terms_in=lambda names: len(columns_of(names, "statements")))
    if len(sheets) > 1:
        raise RecordFileError.of("sheets_something", file=path, sheets=len(sheets))
    return sheets[0]


def _date(row: _Given, text: str, as_of: datetime.date) -> str | None:
    if not text:
        return None
    span, _ = read_date(text)
    if span is None:
        raise RecordFileError.of("date_cannot_read", **row.at, text=text[:40])
    if span.start > as_of:
        raise RecordFileError.of("date_lies_after", **row.at, text=text, as_of=as_of)
    return text


def read_statements(paths: Iterable[str | Path], *, as_of: datetime.date) -> pa.Table:
    """Read what is known of a water.

    Parameters
    ----------
    paths : iterable of path
        Text tables or spreadsheets with the columns scientificName (or a common name), what, and if known
        date, source and waterBody.
    as_of : date
        No statement may be of a later day.

    Returns
    -------
    Table, schema STATEMENTS
        In the order given; the file's name stands for a source that is left out.

    Raises
    ------
    RecordFileError
        When a file cannot be read, lacks a column, or has a row that says nothing clear.
    """
    rows = []
    for row, date in _rows(paths, ("scientificName", "what"), as_of):
        given, what = row["what"][:40], _KINDS.get(fold(row["what"]))
        if what is None:
            raise RecordFileError.of("unknown_word", **row.at, column="what", value=given, listed=WHAT)
        about = {"scientificName": row["scientificName"], "what": what, "date": date}
        rows.append({**about, "source": row["source"] or row.file, "waterBody": row["waterBody"] or None})
    return check(tables.of_rows(STATEMENTS, rows), STATEMENTS, "statements")


def read_catch(paths: Iterable[str | Path], *, site: Site, as_of: datetime.date) -> pa.Table:
    """Read catches made at a site, each file and day one sampling event.

    Parameters
    ----------
    paths : iterable of path
        Text tables or spreadsheets with the columns scientificName (or a common name) and individualCount,
        and if known date, samplingProtocol and hours.  A count of 0 says that the species
        was looked for and not caught.
    site : Site
        Where the fish were caught.
    as_of : date
        The day of a catch that gives none.

    Returns
    -------
    Table, schema RECORDS

    Raises
    ------
    RecordFileError
        When a file cannot be read, lacks a column, or has a row without a name or count.
    """
    rows: list[dict[str, Any]] = []
    for row, date in _rows(paths, ("scientificName", "individualCount"), as_of):
        name, count, day = row.file, row.count(), date or as_of.isoformat()
        rows.append(
            {
                "recordKey": f"catch/{name}#{row.at['row']}",
                "eventID": f"catch/{name}/{day}",
                "datasetKey": f"catch/{name}",
                "basisOfRecord": "HumanObservation",
                "scientificName": row["scientificName"],
                "decimalLongitude": site.longitude,
                "decimalLatitude": site.latitude,
                "geodeticDatum": "WGS84",
                "eventDate": day,
                "waterBody": row["waterBody"] or site.name or None,
                "samplingProtocol": row["samplingProtocol"] or None,
                "individualCount": count,
                "occurrenceStatus": "present" if count else "absent",
                "sourceFile": name,
                "sourceRow": row.at["row"],
            }
        )
    return tables.table(RECORDS, {name: [row.get(name) for row in rows] for name in RECORDS.names})


def origin_of(path: Path, *, use: str) -> dict[str, Any]:
    """Path, hash of the content and use of a table that went into a pool."""
    return {"path": path.name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest(), "use": use}
