"""Text tables: their encoding and layout, and their rows, ragged ones among them.

Rows are parsed one by one, so that memory does not grow with the file.  A row that does not fit
the header is kept, with a note.
"""

from __future__ import annotations

import codecs
import csv
import io
import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from operator import itemgetter
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import RecordFileError, said

LONGEST_LINE = 1 << 20
"""Letters of a line that are read; what follows is left out, and the row is kept with a note."""
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
csv.field_size_limit(2 * LONGEST_LINE)

Row = tuple[int, Sequence["str | None"], "str | None"]
"""Number in the file, cells, and what is odd about it."""


def lines_in(stream: BinaryIO, encoding: str, tally: Counter[str]) -> Iterator[str]:
    """Lines of a text with their ends, cut off at LONGEST_LINE, a quotation mark that is then open closed.

    Bytes of a UTF-8 file that are not UTF-8 are read as Latin-1 (with the printable
    characters of Windows-1252), and counted: a wrong accent is better than a lost record.
    """
    is_utf8 = codecs.lookup(encoding).name in {"utf-8", "ascii", "utf-8-sig"}
    how = ("utf-8", "surrogateescape") if is_utf8 else (encoding, "replace")
    mark = "\ufeff"
    with io.TextIOWrapper(stream, *how, newline="") as text:
        while line := text.readline(LONGEST_LINE):
            line, mark = line.removeprefix(mark), ""
            if len(line) == LONGEST_LINE and line[-1] not in "\r\n":
                tally["overlong"] += 1
                line += '"' if line.count('"') % 2 else ""
                while (more := text.readline(LONGEST_LINE)) and more[-1] not in "\r\n":
                    pass
            if is_utf8 and not line.isascii():
                line, replaced = decoded(line)
                tally["latin1"] += replaced
            elif not is_utf8:
                tally["undecodable"] += line.count("\ufffd")
            yield line


def decoded(text: str) -> tuple[str, int]:
    """Escaped bytes in *text* as Windows-1252, else Latin-1; also how many there were."""
    try:
        text.encode()
        return text, 0
    except UnicodeEncodeError:
        pass
    out, replaced = [], 0
    for letter in text:
        code = ord(letter)
        if 0xDC80 <= code <= 0xDCFF:
            byte = bytes([code - 0xDC00])
            out.append(byte.decode("cp1252", errors="ignore") or byte.decode("latin-1"))
            replaced += 1
        else:
            out.append(letter)
    return "".join(out), replaced


def encoding_of(head: bytes) -> str:
    """The encoding that a byte order mark or many zero bytes betray; else UTF-8."""
    for mark, name in _BOMS:
        if head.startswith(mark):
            return name
    sample = head[:4096]
    if len(sample) > 3 and sample.count(0) > len(sample) // 4:
        return "utf-16-le" if sample[1::2].count(0) >= sample[::2].count(0) else "utf-16-be"
    return "utf-8"


HEAD_BYTES = 1 << 20
"""How much of a file's beginning shows how it is written."""

DELIMITERS = ("\t", ",", ";", "|")
_CONTAINERS = (
    (b"%PDF", "table_in_pdf", ""),
    (b"PK\x03\x04", "zip_renamed", ""),
    (b"\x1f\x8b", "table_packed", "gzip"),
    (b"BZh", "table_packed", "bzip2"),
    (b"\xfd7zXZ\x00", "table_packed", "xz"),
    (b"\x28\xb5\x2f\xfd", "table_packed", "Zstandard"),
    (b"\x04\x22\x4d\x18", "table_packed", "LZ4"),
    (b"7z\xbc\xaf\x27\x1c", "table_in_archive", "7z"),
    (b"Rar!\x1a\x07", "table_in_archive", "RAR"),
    (b"\xd0\xcf\x11\xe0", "old_spreadsheet", ""),
    (b"SQLite format 3", "table_in_database", ""),
)
"""How files begin that are no text tables; what is said of each, and of which packing."""


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How a text table is written.

    Attributes
    ----------
    names : tuple of str
        Heading of each column; empty where a row is wider than what is described.
    skip_lines : int
        Lines before the first record.
    """

    encoding: str
    delimiter: str
    quote: str | None
    names: tuple[str, ...]
    skip_lines: int


def _refuse_other_kinds(head: bytes, file: str | Path) -> None:
    for magic, key, packing in _CONTAINERS:
        if head.startswith(magic):
            raise RecordFileError.of(key, file=file, packing=packing)
    if head.lstrip()[:200].lower().startswith((b"<!doctype", b"<html", b"<?xml")):
        raise RecordFileError.of("web_page_xml", file=file)


def _parsed(lines: Iterable[str], delimiter: str, quote: str | None) -> Any:
    """A reader of the rows in *lines*."""
    if quote is None:
        return csv.reader(lines, delimiter=delimiter, quoting=csv.QUOTE_NONE)
    return csv.reader(lines, delimiter=delimiter, quotechar=quote)


def split(lines: Iterable[str], delimiter: str, quote: str | None, limit: int = 400) -> list[list[str]]:
    """The first rows in some lines."""
    return list(itertools.islice(_parsed(lines, delimiter, quote), limit))


def _lines_of(head: bytes, encoding: str) -> list[str]:
    """Whole lines of a file's beginning."""
    lines = list(lines_in(io.BytesIO(head), encoding, Counter()))
    return lines[:-1] if len(head) >= HEAD_BYTES and len(lines) > 1 else lines


def _quote(lines: Sequence[str], delimiter: str) -> str | None:
    """Whether quotation marks enclose values: the reading under which more rows fit the header."""
    if not any('"' in line for line in lines):
        return '"' if delimiter != "\t" else None

    def misfits(quote: str | None) -> int:
        rows = [row for row in split(lines, delimiter, quote) if row]
        return sum(len(row) != len(rows[0]) for row in rows)

    with_quotes, without = misfits('"'), misfits(None)
    if with_quotes != without:
        return '"' if with_quotes < without else None
    # As many misfits either way.  Tab-separated tables are mostly written without quoting,
    # and there a stray mark would swallow the rows up to the next one.
    return '"' if delimiter != "\t" or _encloses(split(lines, delimiter, None)) else None


def _encloses(rows: Sequence[Sequence[str]]) -> bool:
    """Whether a column is enclosed throughout, or a value doubles its inner marks."""
    whole: dict[int, list[bool]] = {}
    for row in rows:
        for place, value in enumerate(row):
            is_enclosed = len(value) > 1 and value[0] == value[-1] == '"'
            inner = value[1:-1]
            if is_enclosed and '""' in inner and '"' not in inner.replace('""', ""):
                return True
            if value:
                whole.setdefault(place, []).append(is_enclosed)
    return any(len(found) > 1 and all(found) for found in whole.values())


def _check_width(rows: Sequence[Sequence[str]], names: Sequence[str], file: str | Path) -> None:
    wide = [row for row in rows if len(row) > len(names) and any(row[len(names) :])]
    if rows and len(wide) * 2 > len(rows):
        raise RecordFileError.of("header_names_columns", file=file, names=len(names), wide=len(wide[0]))


def sniff(head: bytes, *, file: str | Path) -> Layout:
    """Read encoding, delimiter, quoting and header from the first bytes of a table.

    Raises
    ------
    RecordFileError
        When the file is empty, is something else than text, or its header does not fit.
    """
    if not head.strip(b"\x00\r\n\t \xff\xfe\xef\xbb\xbf"):
        raise RecordFileError.of("empty_table", file=file)
    _refuse_other_kinds(head, file)
    encoding = encoding_of(head)
    lines = _lines_of(head, encoding)
    first = next((index for index, line in enumerate(lines) if line.strip()), 0)
    delimiter = None
    if lines[first].lower().startswith("sep=") and len(lines[first].strip()) == 5:
        delimiter = lines[first].strip()[-1]
        first += 1
    lines = lines[first:]
    if delimiter is None:
        delimiter = max(DELIMITERS, key=lambda mark: len((split(lines[:1], mark, '"') or [[]])[0]))
    quote = _quote(lines, delimiter)
    reader = _parsed(lines, delimiter, quote)
    names = [name.strip() for name in next(reader, [])]
    skipped, rows = first + reader.line_num, list(itertools.islice(reader, 400))
    while len(names) > 1 and not names[-1]:
        names.pop()
    body = [row for row in rows[:-1] if row] or [row for row in rows if row]
    _check_width(body, names, file)
    widest = max([len(names), *(len(row) for row in body)]) if body else len(names)
    usual = Counter(len(row) for row in body).most_common(1)[0][0] if body else len(names)
    width = usual if len(names) < usual <= widest else len(names)
    return Layout(
        encoding=encoding,
        delimiter=delimiter,
        quote=quote,
        names=(*names, *[""] * (width - len(names))),
        skip_lines=skipped,
    )


def widened(layout: Layout, head: bytes, *, file: str | Path) -> Layout:
    """The layout that an archive's descriptor states, with the encoding and width that the table has.

    Raises
    ------
    RecordFileError
        For an encoding that does not exist, or more headings than columns.
    """
    try:
        if not getattr(codecs.lookup(layout.encoding), "_is_text_encoding", True):
            raise LookupError(layout.encoding)
    except (LookupError, ValueError) as error:
        raise RecordFileError.of("descriptor_names_unknown", file=file, encoding=layout.encoding) from error
    marked, names = encoding_of(head), layout.names
    encoding = marked if marked != "utf-8" else layout.encoding
    found = split(_lines_of(head, encoding)[layout.skip_lines :], layout.delimiter, layout.quote)
    rows = [row for row in found[:-1] if row] or [row for row in found if row]
    usual = Counter(len(row) for row in rows).most_common(1)[0][0] if rows else len(names)
    if rows and max(len(row) for row in rows) < len(names):
        raise RecordFileError.of("descriptor_places_term", file=file, names=len(names), usual=usual)
    return replace(layout, encoding=encoding, names=(*names, *[""] * (usual - len(names))))


BATCH_ROWS = 10_000
MISSING = frozenset({None, "", "NA", "N/A", "NULL", "null", "\\N", "NaN", "nan"})


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A table of text: a file of text, a sheet or a layer.

    Attributes
    ----------
    name : str
        Sheet or layer; empty for the only one of a file.
    names : tuple of str
        Headings.
    rows : callable
        The rows below the headings, given a tally of what is odd and the columns of the coordinates.
    """

    name: str
    names: tuple[str, ...]
    rows: Callable[[Counter[str], Sequence[int]], Iterable[Row]]


@dataclass(kw_only=True)
class RawBatch:
    """Some rows as text: one array per term, row numbers, and notes by position."""

    columns: dict[str, pa.Array]
    rows: NDArray[np.int64]
    notes: dict[int, list[str]] = field(default_factory=dict)


def repeated(text: str, count: int) -> pa.Array:
    """A text column that holds *text* in every one of *count* rows."""
    return tables.array([text], pa.string()).take(tables.array(np.zeros(count, dtype=np.int64), pa.int64()))


def text_grid(
    open_stream: Callable[[], AbstractContextManager[BinaryIO]], layout: Layout, *, file: str | Path
) -> Grid:
    """A text table that is read anew each time it is asked for its rows."""

    def rows(tally: Counter[str], coordinates: Sequence[int]) -> Iterator[Row]:
        with open_stream() as stream:
            yield from _rows(stream, layout, tally, coordinates, file)

    return Grid(name="", names=layout.names, rows=rows)


def _rows(
    stream: BinaryIO, layout: Layout, tally: Counter[str], coordinates: Sequence[int], file: str | Path
) -> Iterator[Row]:
    """The rows of a text table; those of a stray quotation mark are read as they stand.

    Raises
    ------
    RecordFileError
        When a mark that is never closed takes in rows that follow.
    """
    since: list[str] = []  # lines of the row at hand

    def kept() -> Iterator[str]:
        for line in itertools.islice(lines_in(stream, layout.encoding, tally), layout.skip_lines, None):
            since.append(line)
            yield line

    number, width = layout.skip_lines, len(layout.names)
    try:
        for cells in _parsed(kept(), layout.delimiter, layout.quote):
            number += 1
            lines = [] if len(since) == 1 else since[:]
            since.clear()
            if len(cells) == width:
                if lines and any(
                    _is_rows(value, place, layout, coordinates) for place, value in enumerate(cells)
                ):
                    raise _never_closed(file, number)
                yield number, cells, None
                continue
            odd = list(_misfits(cells, lines, layout))
            tally["ragged" if odd else "blank"] += len(odd) or 1
            yield from ((number + at, *row) for at, row in enumerate(odd))
            number += max(0, len(odd) - 1)
    except csv.Error as error:
        raise _never_closed(file, number + 1) from error
    except (UnicodeError, LookupError) as error:
        raise RecordFileError.of(
            "cannot_decoded", file=file, encoding=layout.encoding, error=error
        ) from error


def _misfits(cells: list[str], lines: list[str], layout: Layout) -> Iterator[tuple[list[str], str]]:
    """The rows that a row of the wrong width stands for, each with a note: none for an empty one."""
    width = len(layout.names)
    if layout.quote and lines:
        pieces = split(lines, layout.delimiter, None, len(lines))
        if all(len(piece) == width for piece in pieces):
            yield from ((piece, said("stray_quotation_mark")) for piece in pieces)
            return
    if any(cell.strip() for cell in cells):
        note = f"the row has {len(cells)} values, the header {width} columns"
        extra = "; ".join(value for value in cells[width:] if value)
        yield cells, f"{note}; left over: {extra[:200]}" if extra else note


def _never_closed(file: str | Path, row: int) -> RecordFileError:
    return RecordFileError.of("quotation_mark_never", file=file, row=row)


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _is_rows(value: str, place: int, layout: Layout, coordinates: Sequence[int]) -> bool:
    """Whether a value at column *place* reads as the end of one row, whole rows, and the start of another."""
    pieces = [line.split(layout.delimiter) for line in value.split("\n")]
    width = len(layout.names)
    if len(pieces) < 2 or len(pieces[0]) != width - place or len(pieces[-1]) != place + 1:
        return False
    if any(len(inner) != width for inner in pieces[1:-1]):
        return False
    known = [pieces[-1][at] if at < place else pieces[0][at - place] for at in coordinates if at != place]
    return bool(known) and all(_is_number(text) or not text for text in known) and any(known)


def batches_of(rows: Iterable[Row], wanted: Mapping[str, int], tally: Counter[str]) -> Iterator[RawBatch]:
    """The wanted columns, some ten thousand rows at a time.

    Rows that hold none of the terms are left out and counted as ``blank``.
    """
    places = list(wanted.values())
    pick, last = itemgetter(*places, places[0]), max(places)  # of two places at least it makes a tuple
    stream, read = iter(rows), True
    while read:
        numbers: list[int] = []
        notes: dict[int, list[str]] = {}
        picked, read = [], False
        for number, cells, note in itertools.islice(stream, BATCH_ROWS):
            read = True
            found = pick(cells if len(cells) > last else [*cells, *[None] * (last + 1 - len(cells))])
            if MISSING.issuperset(found):
                tally["blank"] += 1
                continue
            if note:
                notes[len(numbers)] = [note]
            numbers.append(number)
            picked.append(found)
        columns = zip(*picked, strict=True) if picked else ([] for _ in wanted)
        arrays = (
            tables.array(
                column
                if MISSING.isdisjoint(column)
                else [None if cell in MISSING else cell for cell in column],
                pa.string(),
            )
            for column in columns
        )
        yield RawBatch(
            columns=dict(zip(wanted, arrays, strict=False)),
            rows=np.array(numbers, dtype=np.int64),
            notes=notes,
        )
