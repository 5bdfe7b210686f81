"""Text tables as raw batches of rows, ragged ones among them.

Rows are parsed by Arrow a block at a time, so that memory does not grow with the file.
A row that does not fit the header is parsed here and kept, with a note.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.csv
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import RecordFileError
from poolbuilder.records.encoding import BLOCK_BYTES, Utf8Stream
from poolbuilder.records.layout import Layout, lines_of, split

__all__ = ["BATCH_ROWS", "MISSING", "RawBatch", "raw_batches", "repeated"]

BATCH_ROWS = 50_000
MISSING = ["", "NA", "N/A", "NULL", "null", "\\N", "NaN", "nan"]


@dataclass(kw_only=True)
class RawBatch:
    """Some rows as text: one array per term, row numbers, and notes by position."""

    columns: dict[str, pa.Array]
    rows: NDArray[np.int64]
    notes: dict[int, list[str]] = field(default_factory=dict)


def repeated(text: str, count: int) -> pa.Array:
    """A text column that holds *text* in every one of *count* rows."""
    return tables.array([text], pa.string()).take(tables.array(np.zeros(count, dtype=np.int64), pa.int64()))


class _Ragged:
    """Rows that Arrow could not fit, parsed here and kept."""

    def __init__(self, layout: Layout, terms: Mapping[str, int], tally: Counter[str]) -> None:
        self._layout = layout
        self._terms = terms
        self.tally = tally
        self.pending: list[tuple[int, str]] = []

    def __call__(self, row: Any) -> str:
        self.pending.append((row.number, row.text))
        return "skip"

    def _values(self, text: str) -> list[tuple[list[str], str]]:
        layout = self._layout
        if "\n" in text.strip("\r\n") and layout.quote:
            # A stray quotation mark swallowed the following rows: read the lines as they stand.
            lines = [line.rstrip("\r\n") for line in lines_of(text)]
            rows = [(split(line, layout.delimiter, None) or [([], 0)])[0][0] for line in lines]
            if all(len(row) == len(layout.names) for row in rows):
                return [(row, "a stray quotation mark stood in or before this row") for row in rows]
        parsed = split(text, layout.delimiter, layout.quote, 1)
        values = parsed[0][0] if parsed else []
        extra = [value for value in values[len(layout.names) :] if value]
        note = f"the row has {len(values)} values, the header {len(layout.names)} columns"
        return [(values, f"{note}; left over: {'; '.join(extra)[:200]}" if extra else note)]

    def take(self, before: int | None) -> tuple[list[int], RawBatch]:
        """Numbers of all bad rows before *before*, and those of them that hold something."""
        ready = [item for item in self.pending if before is None or item[0] < before]
        self.pending = self.pending[len(ready) :]
        rows: list[int] = []
        notes: dict[int, list[str]] = {}
        kept: list[list[str]] = []
        for number, text in ready:
            if not text.strip(" \t\r\n,;|" + (self._layout.quote or "")):
                continue  # a blank line is no record
            for values, note in self._values(text):
                notes[len(kept)] = [note]
                kept.append(values)
                rows.append(number)
                self.tally["ragged"] += 1
        out = {}
        for term, index in self._terms.items():
            cells = [row[index] if index < len(row) else "" for row in kept]
            out[term] = tables.array([cell if cell not in MISSING else None for cell in cells], pa.string())
        batch = RawBatch(columns=out, rows=np.array(rows, dtype=np.int64), notes=notes)
        return [number for number, _ in ready], batch


def _numbered(count: int, start: int, bad: Sequence[int]) -> NDArray[np.int64]:
    """Row numbers of *count* good rows from *start* on, when the rows *bad* are left out."""
    later = np.array([number for number in bad if number >= start], dtype=np.int64)
    skipped = later - start - np.arange(len(later))
    position = np.arange(count, dtype=np.int64)
    return start + position + np.searchsorted(skipped, position, side="right")


def _merged(good: RawBatch, bad: RawBatch) -> RawBatch:
    if not len(bad.rows):
        return good
    order = np.argsort(np.concatenate([good.rows, bad.rows]), kind="stable")
    place = tables.array(order, pa.int64())
    position = np.empty(len(order), dtype=np.int64)
    position[order] = np.arange(len(order))
    joined = {
        term: pa.concat_arrays([column, bad.columns[term]]).take(place)
        for term, column in good.columns.items()
    }
    notes = {int(position[len(good.rows) + index]): note for index, note in bad.notes.items()}
    return RawBatch(columns=joined, rows=np.concatenate([good.rows, bad.rows])[order], notes=notes)


def _open(stream: Any, layout: Layout, terms: Mapping[str, int], ragged: _Ragged) -> Any:
    names = [str(index) for index in range(len(layout.names))]
    # Where marks enclose values, every column is looked at for rows that a stray mark swallowed.
    wanted = names if layout.quote else sorted({str(index) for index in terms.values()}, key=int)
    return pyarrow.csv.open_csv(
        stream,
        read_options=pyarrow.csv.ReadOptions(
            column_names=names, skip_rows=layout.skip_lines, use_threads=False, block_size=BLOCK_BYTES
        ),
        parse_options=pyarrow.csv.ParseOptions(
            delimiter=layout.delimiter,
            quote_char=layout.quote or False,
            double_quote=layout.quote is not None,
            newlines_in_values=layout.quote is not None,
            invalid_row_handler=ragged,
            ignore_empty_lines=False,
        ),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types={name: pa.string() for name in names},
            include_columns=wanted,
            strings_can_be_null=True,
            null_values=MISSING,
            check_utf8=False,
        ),
    )


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _is_rows(value: str, place: int, layout: Layout, coordinates: Sequence[int]) -> bool:
    """Whether a value at column *place* reads as the end of one row, whole rows, and the start of another."""
    lines = value.split("\n")
    pieces = [line.split(layout.delimiter) for line in lines]
    width = len(layout.names)
    if len(lines) < 2 or len(pieces[0]) != width - place or len(pieces[-1]) != place + 1:
        return False
    if any(len(inner) != width for inner in pieces[1:-1]):
        return False
    known = [pieces[-1][at] if at < place else pieces[0][at - place] for at in coordinates if at != place]
    return bool(known) and all(_is_number(text) or not text for text in known) and any(known)


def _swallowed(batch: Any, layout: Layout, coordinates: Sequence[int]) -> int | None:
    """Position of the first row in which an unclosed quotation mark took in the rows that follow."""
    if layout.quote is None:
        return None
    for place, column in enumerate(batch.columns):
        data = column.buffers()[2]
        if data is None or data.to_pybytes().find(b"\n") < 0:
            continue
        for row, value in enumerate(column.to_pylist()):
            if value and "\n" in value and _is_rows(value, place, layout, coordinates):
                return row
    return None


def raw_batches(
    stream: BinaryIO,
    layout: Layout,
    terms: Mapping[str, int],
    *,
    file: str | Path,
    tally: Counter[str],
) -> Iterator[RawBatch]:
    """Read the wanted columns of a text table, some ten thousand rows at a time.

    Parameters
    ----------
    stream : binary file
        Read once, from its beginning.
    layout : Layout
        How it is written.
    terms : dict of str to int
        Term to column position.
    file : path
        Named in an error.
    tally : Counter
        Counts ``latin1``, ``undecodable``, ``ragged`` and ``blank``.

    Raises
    ------
    RecordFileError
        When the text cannot be split into rows.
    """
    ragged = _Ragged(layout, terms, tally)
    coordinates = [terms[term] for term in ("decimalLongitude", "decimalLatitude") if term in terms]
    start = layout.skip_lines + 1
    held: list[Any] = []
    try:
        reader = _open(Utf8Stream(stream, layout.encoding, tally), layout, terms, ragged)
        for batch in reader:
            row = _swallowed(batch, layout, coordinates)
            if row is not None:
                before = sum(item.num_rows for item in held) + row + 1
                raise RecordFileError(
                    "a quotation mark is never closed and takes in the rows that follow",
                    file=file,
                    row=int(_numbered(before, start, [number for number, _ in ragged.pending])[-1]),
                    remedy='remove the mark, or write it doubled within "..."',
                )
            held.append(batch)
            if sum(item.num_rows for item in held) >= BATCH_ROWS:
                ready = _ready(held, terms, start, ragged)
                start = int(ready.rows[-1]) + 1 if len(ready.rows) else start
                held = []
                yield ready
    except pa.ArrowInvalid as error:
        raise RecordFileError(
            f"cannot be split into rows after row {start}: {error}",
            file=file,
            remedy="look for a quotation mark that is never closed",
        ) from error
    yield _ready(held, terms, start, ragged, last=True)


def _ready(
    held: list[Any], terms: Mapping[str, int], start: int, ragged: _Ragged, *, last: bool = False
) -> RawBatch:
    count = sum(item.num_rows for item in held)
    rows = _numbered(count, start, [number for number, _ in ragged.pending])
    after = int(rows[-1]) + 1 if count else start
    _, bad = ragged.take(None if last else after)
    good: dict[str, pa.Array] = {}
    for term, index in terms.items():
        chunks = [item.column(str(index)) for item in held]
        good[term] = pa.concat_arrays(chunks) if chunks else tables.array([], pa.string())
    return _merged(_filled(RawBatch(columns=good, rows=rows), ragged.tally), bad)


def _filled(batch: RawBatch, tally: Counter[str]) -> RawBatch:
    """Leave out blank lines and lines of delimiters: rows that hold none of the terms."""
    count = len(batch.rows)
    if not count or any(column.null_count == 0 for column in batch.columns.values()):
        return batch
    holds = np.zeros(count, dtype=bool)
    for column in batch.columns.values():
        holds |= tables.valid(column)
    if holds.all():
        return batch
    tally["blank"] += count - int(holds.sum())
    place = tables.array(np.flatnonzero(holds), pa.int64())
    kept = {term: column.take(place) for term, column in batch.columns.items()}
    return RawBatch(columns=kept, rows=batch.rows[holds])
