"""Text tables: their encoding and layout, and raw batches of rows, ragged ones among them.

Rows are parsed by Arrow a block at a time, so that memory does not grow with the file.
A row that does not fit the header is parsed here and kept, with a note.
"""

from __future__ import annotations

import codecs
import csv
import io
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

BLOCK_BYTES = 2 << 20
LONGEST_LINE = 1 << 20
"""Bytes of a line that are read; what follows is left out, and the row is kept with a note."""
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


class Utf8Stream(io.RawIOBase):
    """Any encoding in, UTF-8 out.

    Bytes of a UTF-8 file that are not UTF-8 are read as Latin-1 (with the printable
    characters of Windows-1252), and counted: a wrong accent is better than a lost record.
    """

    def __init__(self, raw: BinaryIO, encoding: str, tally: Counter[str]) -> None:
        super().__init__()
        self._raw = raw
        self._tally = tally
        self._is_utf8 = codecs.lookup(encoding).name in {"utf-8", "ascii", "utf-8-sig"}
        errors = "surrogateescape" if self._is_utf8 else "replace"
        self._decoder = codecs.getincrementaldecoder("utf-8" if self._is_utf8 else encoding)(errors)
        self._rest = b""
        self._done = False
        self._since = 0  # bytes and quotation marks since the last line feed
        self._marks = 0
        self._dropping = False

    def readable(self) -> bool:
        """Whether it can be read: always."""
        return True

    def _more(self) -> bytes:
        chunk = self._raw.read(BLOCK_BYTES)
        self._done = not chunk
        text = self._decoder.decode(chunk, final=self._done)
        if self._is_utf8:
            try:
                return self._shortened(text.encode())
            except UnicodeEncodeError:
                text, replaced = decoded(text)
                self._tally["latin1"] += replaced
        elif "\ufffd" in text:
            self._tally["undecodable"] += text.count("\ufffd")
        return self._shortened(text.encode())

    def _shortened(self, data: bytes) -> bytes:
        """The same text with lines cut off at LONGEST_LINE, and an open quotation mark closed."""
        out: list[bytes] = []
        at = 0
        while at < len(data):
            if self._dropping:
                at = data.find(b"\n", at)
                if at < 0:
                    break
                self._dropping = False
            room = LONGEST_LINE - self._since
            end = data.rfind(b"\n", at, at + room)
            piece = data[at : end + 1] if end >= 0 else data[at : at + room]
            at += len(piece)
            if end >= 0:
                self._since = self._marks = 0
            else:
                self._since += len(piece)
                self._marks += piece.count(b'"')
                if self._since >= LONGEST_LINE:
                    piece = piece.decode(errors="ignore").encode() + (b'"' if self._marks % 2 else b"")
                    self._since, self._marks, self._dropping = 0, 0, True
                    self._tally["overlong"] += 1
            out.append(piece)
        return b"".join(out)

    def read(self, size: int = -1) -> bytes:
        """Up to *size* bytes, fewer only at the end."""
        parts, have = [self._rest], len(self._rest)
        while not self._done and (size < 0 or have < size):
            parts.append(self._more())
            have += len(parts[-1])
        whole = b"".join(parts)
        end = have if size < 0 else size
        self._rest = whole[end:]
        return whole[:end]

    def readinto(self, buffer: Any) -> int:
        """Fill *buffer*; for readers that prefer it."""
        data = self.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


def decoded(text: str) -> tuple[str, int]:
    """Escaped bytes in *text* as Windows-1252, else Latin-1; also how many there were."""
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
_UNPACK = "unpack it first, or pack the table as .zip"
_CONTAINERS = (
    (b"%PDF", "is a PDF", "export the table as CSV"),
    (b"PK\x03\x04", "is a zip file under another name", "give it the ending .zip"),
    (b"\x1f\x8b", "is compressed with gzip", _UNPACK),
    (b"BZh", "is compressed with bzip2", _UNPACK),
    (b"\xfd7zXZ\x00", "is compressed with xz", _UNPACK),
    (b"\x28\xb5\x2f\xfd", "is compressed with Zstandard", _UNPACK),
    (b"\x04\x22\x4d\x18", "is compressed with LZ4", _UNPACK),
    (b"7z\xbc\xaf\x27\x1c", "is a 7z archive", _UNPACK),
    (b"Rar!\x1a\x07", "is a RAR archive", _UNPACK),
    (b"\xd0\xcf\x11\xe0", "is an old spreadsheet", "save it as CSV UTF-8"),
    (b"SQLite format 3", "is a database", "export the records as CSV"),
)


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
    for magic, fact, remedy in _CONTAINERS:
        if head.startswith(magic):
            raise RecordFileError(f"{fact}, not a text table", file=file, remedy=remedy)
    if head.lstrip()[:200].lower().startswith((b"<!doctype", b"<html", b"<?xml")):
        raise RecordFileError(
            "is a web page or XML, not a table of records",
            file=file,
            remedy="save the table itself; a Darwin Core Archive is given as its zip or folder",
        )


def lines_of(text: str) -> list[str]:
    """Lines with their ends; only line feeds and carriage returns end a line."""
    return list(io.StringIO(text, newline=""))


def split(text: str, delimiter: str, quote: str | None, limit: int = 400) -> list[tuple[list[str], int]]:
    """Rows of *text* and the line on which each ends."""
    csv.field_size_limit(1 << 27)
    if quote is None:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, quoting=csv.QUOTE_NONE)
    else:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, quotechar=quote)
    rows = []
    for row in reader:
        rows.append((row, reader.line_num))
        if len(rows) >= limit:
            break
    return rows


def _quote(text: str, delimiter: str) -> str | None:
    """Whether quotation marks enclose values: the reading under which more rows fit the header."""
    if '"' not in text:
        return '"' if delimiter != "\t" else None

    def misfits(quote: str | None) -> int:
        rows = [row for row, _ in split(text, delimiter, quote) if row]
        return sum(len(row) != len(rows[0]) for row in rows)

    with_quotes, without = misfits('"'), misfits(None)
    if with_quotes != without:
        return '"' if with_quotes < without else None
    # As many misfits either way.  Tab-separated tables are mostly written without quoting,
    # and there a stray mark would swallow the rows up to the next one.
    return '"' if delimiter != "\t" or _encloses(split(text, delimiter, None)) else None


def _encloses(rows: Sequence[tuple[list[str], int]]) -> bool:
    """Whether a column is enclosed throughout, or a value doubles its inner marks."""
    whole: dict[int, list[bool]] = {}
    for row, _ in rows:
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
        raise RecordFileError(
            f"the header names {len(names)} columns but most rows have {len(wide[0])} values",
            file=file,
            remedy="give every column a name; tables with row names need one for that column too",
        )


def sniff(head: bytes, *, file: str | Path) -> Layout:
    """Read encoding, delimiter, quoting and header from the first bytes of a table.

    Raises
    ------
    RecordFileError
        When the file is empty, is something else than text, or its header does not fit.
    """
    if not head.strip(b"\x00\r\n\t \xff\xfe\xef\xbb\xbf"):
        raise RecordFileError("is empty", file=file, remedy="give a table with a header and one record a row")
    _refuse_other_kinds(head, file)
    encoding = encoding_of(head)
    text = Utf8Stream(io.BytesIO(head), encoding, Counter()).read().decode().removeprefix("\ufeff")
    if len(head) >= HEAD_BYTES:
        text = text[: text.rfind("\n") + 1] or text
    lines = lines_of(text)
    first = next((index for index, line in enumerate(lines) if line.strip()), 0)
    delimiter = None
    if lines[first].lower().startswith("sep=") and len(lines[first].strip()) == 5:
        delimiter = lines[first].strip()[-1]
        first += 1
    text = "".join(lines[first:])
    header_line = lines[first] if first < len(lines) else ""
    if delimiter is None:
        delimiter = max(
            DELIMITERS, key=lambda mark: len((split(header_line, mark, '"', 1) or [([], 0)])[0][0])
        )
    quote = _quote(text, delimiter)
    rows = split(text, delimiter, quote)
    names = [name.strip() for name in rows[0][0]]
    while len(names) > 1 and not names[-1]:
        names.pop()
    body = [row for row, _ in rows[1:-1] if row] or [row for row, _ in rows[1:] if row]
    _check_width(body, names, file)
    widest = max([len(names), *(len(row) for row in body)]) if body else len(names)
    usual = Counter(len(row) for row in body).most_common(1)[0][0] if body else len(names)
    width = usual if len(names) < usual <= widest else len(names)
    return Layout(
        encoding=encoding,
        delimiter=delimiter,
        quote=quote,
        names=(*names, *[""] * (width - len(names))),
        skip_lines=first + rows[0][1],
    )


def described(
    head: bytes,
    names: Sequence[str],
    *,
    encoding: str,
    delimiter: str,
    quote: str | None,
    skip_lines: int,
    file: str | Path,
) -> Layout:
    """Layout of a table that an archive's descriptor describes, widened to the columns it really has.

    Raises
    ------
    RecordFileError
        For an encoding that does not exist, or more headings than columns.
    """
    try:
        if not getattr(codecs.lookup(encoding), "_is_text_encoding", True):
            raise LookupError(encoding)
    except (LookupError, ValueError) as error:
        raise RecordFileError(
            f"its descriptor names the unknown encoding {encoding!r}", file=file, remedy="correct meta.xml"
        ) from error
    marked = encoding_of(head)
    encoding = marked if marked != "utf-8" else encoding
    text = Utf8Stream(io.BytesIO(head), encoding, Counter()).read().decode().removeprefix("\ufeff")
    lines = lines_of(text)
    body = "".join(lines[skip_lines:])
    rows = [row for row, _ in split(body, delimiter, quote) if row][:-1] or [
        row for row, _ in split(body, delimiter, quote) if row
    ]
    usual = Counter(len(row) for row in rows).most_common(1)[0][0] if rows else len(names)
    if rows and max(len(row) for row in rows) < len(names):
        raise RecordFileError(
            f"its descriptor places a term in column {len(names)}, the table has {usual}",
            file=file,
            remedy="the descriptor and the table do not belong together; download the archive again",
        )
    width = max(len(names), usual)
    padded = (*names, *[""] * (width - len(names)))
    return Layout(encoding=encoding, delimiter=delimiter, quote=quote, names=padded, skip_lines=skip_lines)


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
