"""What the user knows of a water without a record: statements, and today's catch.

Statements are a table of their own.  A catch becomes records of one sampling event, whose
zeros are non-detections like any other.
"""

from __future__ import annotations

import datetime
import hashlib
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder import tables
from poolbuilder.errors import RecordFileError, said
from poolbuilder.names.vocabularies import columns_of, fold, vocabulary
from poolbuilder.places.sites import Site
from poolbuilder.records.dates import read_column, read_date
from poolbuilder.records.sheets import kind_of, read_sheets
from poolbuilder.records.text_table import HEAD_BYTES, Grid, sniff, text_grid
from poolbuilder.schemas import RECORDS, STATEMENTS, check
from poolbuilder.settings import Settings

WHAT = vocabulary("statement")
"""The kinds of statement, and the words that are read as each."""

_KINDS = {word: kind for kind, words in WHAT.items() for word in words}


def _rows(path: Path, needed: Sequence[str]) -> list[tuple[int, dict[str, str]]]:
    """Rows that hold something, by number, as a mapping of the headings known here to the cell."""
    remedy = said("csv_table_columns", needed=needed)
    try:
        grid = _grid(path)
        rows = list(grid.rows(Counter(), ()))
    except OSError as error:
        raise RecordFileError.of("cannot_read_file", file=path, error=error.strerror or error) from error
    places = columns_of(grid.names, "statements")
    missing = [term for term in needed if term not in places]
    if missing:
        raise RecordFileError.of("no_column", file=path, row=1, missing=missing, remedy_given=remedy)
    found = []
    for row, cells, _ in rows:
        given = {term: (cells[at] or "").strip() for term, at in places.items() if at < len(cells)}
        odd = next((text for text in given.values() if not text.isprintable()), None)
        if odd is not None:
            raise RecordFileError.of("odd_sign", file=path, row=row, odd=odd[:40])
        if any(given.values()):
            found.append((row, given))
    if not found:
        raise RecordFileError.of("header_but_no_rows", file=path, remedy_given=remedy)
    return found


def _grid(path: Path) -> Grid:
    """The only table of a text file or spreadsheet."""
    if kind_of(path) != "sheet":
        with path.open("rb") as stream:
            layout = sniff(stream.read(HEAD_BYTES), file=path)
        return text_grid(lambda: path.open("rb"), layout, file=path)
    sheets = read_sheets(path, Settings(), terms_in=lambda names: len(columns_of(names, "statements")))
    if len(sheets) > 1:
        raise RecordFileError.of("sheets_something", file=path, sheets=len(sheets))
    return sheets[0]


def _iso(
    path: Path, rows: Sequence[tuple[int, dict[str, str]]], as_of: datetime.date
) -> dict[int, str | None]:
    """The date of each row in ISO 8601, by the one order that fits all of them."""
    column = read_column(Counter(given["date"] for _, given in rows if given.get("date")))
    if len(column.fits) > 1:
        raise RecordFileError.of("date_can_read", file=path, example=column.example)
    return {
        row: _date(path, row, column.iso.get(text := given.get("date", ""), text), as_of)
        for row, given in rows
    }


def _date(path: Path, row: int, text: str | None, as_of: datetime.date) -> str | None:
    if not text:
        return None
    span, _ = read_date(text)
    if span is None:
        raise RecordFileError.of("date_cannot_read", file=path, row=row, text=text[:40])
    if span.start > as_of:
        raise RecordFileError.of("date_lies_after", file=path, row=row, text=text, as_of=as_of)
    return text


def _name(path: Path, row: int, given: Mapping[str, str]) -> str:
    name = given.get("scientificName")
    if not name:
        raise RecordFileError.of("names_no_species", file=path, row=row)
    return name


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
    rows: list[dict[str, Any]] = []
    for path in map(Path, paths):
        found = _rows(path, ("scientificName", "what"))
        dates = _iso(path, found, as_of)
        for row, given in found:
            what = _KINDS.get(fold(given.get("what")))
            if what is None:
                raise RecordFileError.of(
                    "kind_unknown", file=path, row=row, value=given.get("what", "")[:40], what=WHAT
                )
            rows.append(
                {
                    "scientificName": _name(path, row, given),
                    "what": what,
                    "date": dates[row],
                    "source": given.get("source") or path.name,
                    "waterBody": given.get("waterBody") or None,
                }
            )
    made = tables.table(STATEMENTS, {name: [row[name] for row in rows] for name in STATEMENTS.names})
    return check(made, STATEMENTS, "statements")


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
    for path in map(Path, paths):
        found = _rows(path, ("scientificName", "individualCount"))
        dates = _iso(path, found, as_of)
        for row, given in found:
            count = _count(path, row, given.get("individualCount", ""))
            day = dates[row] or as_of.isoformat()
            event = f"catch/{path.name}/{day}"
            rows.append(
                {
                    "recordKey": f"catch/{path.name}#{row}",
                    "eventID": event,
                    "datasetKey": f"catch/{path.name}",
                    "basisOfRecord": "HumanObservation",
                    "scientificName": _name(path, row, given),
                    "decimalLongitude": site.longitude,
                    "decimalLatitude": site.latitude,
                    "geodeticDatum": "WGS84",
                    "eventDate": day,
                    "waterBody": given.get("waterBody") or site.name or None,
                    "samplingProtocol": given.get("samplingProtocol") or None,
                    "individualCount": count,
                    "occurrenceStatus": "present" if count else "absent",
                    "sourceFile": path.name,
                    "sourceRow": row,
                }
            )
    return tables.table(RECORDS, {name: [row.get(name) for row in rows] for name in RECORDS.names})


def origin_of(path: Path, *, use: str) -> dict[str, Any]:
    """Path, hash of the content and use of a table that went into a pool."""
    return {"path": path.name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest(), "use": use}


def _count(path: Path, row: int, text: str) -> float:
    try:
        count = float(text)
    except ValueError:
        count = math.nan
    if not (math.isfinite(count) and count >= 0):
        raise RecordFileError.of("individualcount_not_count", file=path, row=row, text=text[:40])
    return count
