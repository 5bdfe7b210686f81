"""Tables of any format as grids: headings, then rows of text or batches of Arrow columns.

Text is parsed row by row, so that memory does not grow with the file.  A row that does not fit the header
is kept, with a note.  Sheets and layers of points are held in memory, Parquet is read in batches.
"""

from __future__ import annotations

import codecs
import csv
import datetime
import io
import itertools
import math
import re
import zipfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field, replace
from operator import itemgetter
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import LayerError, RecordFileError, said

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
BATCH_ROWS = 10_000
MISSING = frozenset({None, "", "NA", "N/A", "NULL", "null", "\\N", "NaN", "nan"})

Opener = Callable[[], AbstractContextManager[BinaryIO]]
Row = tuple[int, Sequence["str | None"], "str | None"]
"""Number in the file, cells, and what is odd about it."""


@dataclass(kw_only=True)
class RawBatch:
    """Some rows as text: one array per term, row numbers, and notes by position."""

    columns: dict[str, pa.Array]
    rows: NDArray[np.int64]
    notes: dict[int, list[str]] = field(default_factory=dict)


def repeated(text: str, count: int) -> pa.Array:
    """A text column that holds *text* in every one of *count* rows."""
    return tables.array([text], pa.string()).take(tables.array(np.zeros(count, dtype=np.int64), pa.int64()))


def _texts(cells: Sequence[str | None]) -> pa.Array:
    known = cells if MISSING.isdisjoint(cells) else [None if cell in MISSING else cell for cell in cells]
    return tables.array(known, pa.string())


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A table: a file of text, a sheet, a layer, or Parquet.

    Attributes
    ----------
    name : str
        Sheet or layer; empty for the only one of a file.
    names : tuple of str
        Headings.
    rows : callable
        The rows below the headings, given a tally of what is odd and the columns of the coordinates.
    types : tuple of DataType
        Of the columns; empty where all is text.
    unpacked : int
        Bytes at least that a packed table takes.
    """

    name: str = ""
    names: tuple[str, ...]
    rows: Callable[[Counter[str], Sequence[int]], Iterable[Row]]
    types: tuple[pa.DataType, ...] = ()
    unpacked: int = 0

    def batches(
        self, wanted: Mapping[str, int], tally: Counter[str], coordinates: Sequence[int]
    ) -> Iterator[RawBatch]:
        """The wanted columns, some ten thousand rows at a time.

        Rows that hold none of the terms are left out and counted as ``blank``.
        """
        places = list(wanted.values())
        pick, last = itemgetter(*places, places[0]), max(places)  # of two places at least it makes a tuple
        stream, read = iter(self.rows(tally, coordinates)), True
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
            columns = list(zip(*picked, strict=True)) or [()] * len(wanted)
            made = {term: _texts(cells) for term, cells in zip(wanted, columns, strict=False)}
            yield RawBatch(columns=made, rows=np.array(numbers, dtype=np.int64), notes=notes)


# Text: encoding, layout, rows.


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
                line, replaced = _ESCAPED.subn(_latin, line)
                tally["latin1"] += replaced
            elif not is_utf8:
                tally["undecodable"] += line.count("\ufffd")
            yield line


_ESCAPED = re.compile("[\udc80-\udcff]")


def _latin(match: re.Match[str]) -> str:
    """A byte that is not UTF-8 as Windows-1252, else Latin-1."""
    byte = bytes([ord(match[0]) - 0xDC00])
    return byte.decode("cp1252", errors="ignore") or byte.decode("latin-1")


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


def _whole_rows(rows: Sequence[Sequence[str]]) -> list[Sequence[str]]:
    """Rows that hold something, without the last, which may be cut off."""
    return [row for row in rows[:-1] if row] or [row for row in rows if row]


def _usual_width(rows: Sequence[Sequence[str]], names: Sequence[str]) -> int:
    return Counter(map(len, rows)).most_common(1)[0][0] if rows else len(names)


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
    body = _whole_rows(rows)
    _check_width(body, names, file)
    width = max(_usual_width(body, names), len(names))
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
        For an empty table, an encoding that does not exist, or more headings than columns.
    """
    if not head.strip():
        raise RecordFileError.of("empty_reading", file=file)
    try:
        if not getattr(codecs.lookup(layout.encoding), "_is_text_encoding", True):
            raise LookupError(layout.encoding)
    except (LookupError, ValueError) as error:
        raise RecordFileError.of("descriptor_names_unknown", file=file, encoding=layout.encoding) from error
    marked, names = encoding_of(head), layout.names
    encoding = marked if marked != "utf-8" else layout.encoding
    found = split(_lines_of(head, encoding)[layout.skip_lines :], layout.delimiter, layout.quote)
    rows = _whole_rows(found)
    usual = _usual_width(rows, names)
    if rows and max(len(row) for row in rows) < len(names):
        raise RecordFileError.of("descriptor_places_term", file=file, names=len(names), usual=usual)
    return replace(layout, encoding=encoding, names=(*names, *[""] * (usual - len(names))))


def text_grid(open_stream: Opener, layout: Layout | None, *, file: str | Path) -> Grid:
    """A text table, read anew each time it is asked for its rows; its layout is sniffed where none is stated.

    Raises
    ------
    RecordFileError
        As `sniff` and `widened`.
    """
    with open_stream() as stream:
        head = stream.read(HEAD_BYTES)
    written = sniff(head, file=file) if layout is None else widened(layout, head, file=file)

    def rows(tally: Counter[str], coordinates: Sequence[int]) -> Iterator[Row]:
        with open_stream() as stream:
            yield from _rows(stream, written, tally, coordinates, file)

    return Grid(names=written.names, rows=rows)


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


# Spreadsheets and layers of points.

HEADER_ROWS = 25
"""Within so many rows the header of a sheet is looked for; titles may stand above it."""

_OPEN_DOCUMENT = b"application/vnd.oasis.opendocument.spreadsheet"
_POINTS = "points of records"
LONGITUDE, LATITUDE = "decimalLongitude", "decimalLatitude"


def kind_of(path: Path) -> str:
    """`sheet`, `layer` (GeoPackage, Shapefile, GeoJSON), `zip` or `text`, by content."""
    with path.open("rb") as stream:
        head = stream.read(4096)
    if head.startswith(b"PK\x03\x04"):
        return "sheet" if _is_spreadsheet(path) else "zip"
    if head.startswith(b"\xd0\xcf\x11\xe0"):
        return "sheet"
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if head.startswith((b"SQLite format 3", b"\x00\x00\x27\x0a")) or start.startswith(b"{"):
        return "layer"
    return "text"


def _is_spreadsheet(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            if any(name.startswith("xl/workbook") for name in names):
                return True
            return "mimetype" in names and archive.open("mimetype").read(100).strip() == _OPEN_DOCUMENT
    except (zipfile.BadZipFile, NotImplementedError, OSError, RuntimeError, EOFError):
        return False


def _cell(value: Any) -> str | None:
    """A cell as a table of text would hold it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        value = int(value) if value.is_integer() and abs(value) < 1e15 else value
    if isinstance(value, datetime.datetime) and value.time() == datetime.time():
        value = value.date()
    if isinstance(value, datetime.date):
        return value.isoformat()
    text = "" if value is None else str(value).replace("\x00", "").strip()
    return None if text in MISSING else text


def read_sheets(path: Path, *, terms_in: Callable[[Sequence[str]], int]) -> list[Grid]:
    """The sheets of a workbook that hold something, each from its header on.

    Parameters
    ----------
    path : path
        .xlsx, .xlsm, .xlsb, .xls or .ods.
    terms_in : callable
        How many terms of a record a row of headings names.

    Raises
    ------
    RecordFileError
        When the workbook cannot be read.
    """
    from python_calamine import CalamineWorkbook  # only for spreadsheets

    grids: list[Grid] = []
    try:
        workbook = CalamineWorkbook.from_path(str(path))
        for name in workbook.sheet_names:
            cells = workbook.get_sheet_by_name(name).to_python(skip_empty_area=False)
            rows = [[_cell(value) for value in row] for row in cells]
            grids += _below_header(name, rows, terms_in)
    except BaseException as error:
        # The library's own panics stand outside Exception.
        if isinstance(error, Exception) or type(error).__name__ == "PanicException":
            first = (str(error).splitlines() or ["unreadable"])[0][:200]
            raise RecordFileError.of("spreadsheet_cannot_read", file=path, first=first) from error
        raise
    if not grids:
        raise RecordFileError.of("no_table_records", file=path)
    return grids


def _below_header(
    name: str, rows: Sequence[Sequence[str | None]], terms_in: Callable[[Sequence[str]], int]
) -> Iterator[Grid]:
    """The rows below the row of headings: the one of the first rows that names most terms."""
    filled = [index for index, row in enumerate(rows) if any(row)]
    titles = {index: tuple(cell or "" for cell in rows[index]) for index in filled[:HEADER_ROWS]}
    if titles:
        at = max(titles, key=lambda index: (terms_in(titles[index]), -index))
        found = [(index + 1, rows[index], None) for index in filled if index > at]
        yield Grid(name=name, names=titles[at], rows=lambda *_: found)


def read_points(path: Path) -> list[Grid]:
    """Layers of points as grids, with their coordinates on WGS84 in two columns of their own.

    A feature without a point is a row without coordinates.

    Raises
    ------
    RecordFileError
        When the file cannot be read, or has no coordinate reference system.
    """
    from poolbuilder.places.layers import layers_of, read_raw

    remedy = said("export_records_csv")
    layers: list[str | None] = [None]
    with path.open("rb") as stream:
        is_package = stream.read(15) == b"SQLite format 3"
    try:
        if is_package:
            layers = list(layers_of(path))
        grids = [_of_layer(path, name or "", read_raw(path, name, _POINTS)) for name in layers]
    except (LayerError, ValueError) as error:
        # Messages of the library need not be text that can be decoded.
        first = "" if isinstance(error, UnicodeDecodeError) else (str(error).splitlines() or [""])[0]
        fact = error.fact if isinstance(error, LayerError) else first or said("no_layer_can")
        raise RecordFileError(fact, file=path, remedy=remedy) from error
    except OSError:
        grids = []
    if not grids:
        raise RecordFileError.of("no_layer_points", file=path, remedy_given=remedy)
    return [grid for grid in grids if grid.rows(Counter(), ())]


def _of_layer(path: Path, name: str, raw: Any) -> Grid:
    import shapely

    if raw.crs is None:
        raise RecordFileError.of("no_coordinate_reference_system", file=path)
    points = np.asarray(shapely.get_geometry(raw.geometry, 0), dtype=object)
    points[(shapely.get_num_geometries(raw.geometry) != 1) | (shapely.get_type_id(points) != 0)] = None
    east, north = _on_wgs84(shapely.get_x(points), shapely.get_y(points), raw.crs)
    kept = [title for title in raw.attributes if title not in (LONGITUDE, LATITUDE)]
    columns = [[_cell(value) for value in raw.attributes[title]] for title in kept]
    places = [
        [None if np.isnan(value) else repr(round(float(value), 7)) for value in axis]
        for axis in (east, north)
    ]
    cells = zip(*places, *columns, strict=True)
    rows = [(number, row, None) for number, row in enumerate(cells, start=1)]
    return Grid(name=name, names=(LONGITUDE, LATITUDE, *kept), rows=lambda *_: rows)


def _on_wgs84(east: Any, north: Any, crs: Any) -> tuple[Any, Any]:
    import pyproj

    try:
        change = pyproj.Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    except pyproj.exceptions.ProjError as error:
        raise ValueError(said("coordinates_cannot_put", error=error)) from error
    moved = change.transform(east, north)
    good = np.isfinite(moved[0]) & np.isfinite(moved[1])
    return np.where(good, moved[0], np.nan), np.where(good, moved[1], np.nan)


# Parquet.

PARQUET_MAGIC = b"PAR1"


@contextmanager
def _opened_parquet(open_stream: Opener, zipped: bool, file: str | Path) -> Iterator[Any]:
    import pyarrow.parquet as parquet  # read only when needed

    with open_stream() as stream:
        try:
            # Within a zip a jump back would unpack the part from its start again.
            source = io.BytesIO(stream.read()) if zipped else stream
            yield parquet.ParquetFile(source, pre_buffer=False)  # else it keeps all that it has read
        except (pa.ArrowInvalid, OSError, UnicodeDecodeError) as error:
            raise RecordFileError.of("broken_parquet_file", file=file, error=error) from error


@dataclass(frozen=True, kw_only=True)
class ParquetGrid(Grid):
    """A Parquet file, whose columns keep their types; *opened* opens it."""

    opened: Callable[[], AbstractContextManager[Any]]

    def batches(
        self, wanted: Mapping[str, int], tally: Counter[str], coordinates: Sequence[int]
    ) -> Iterator[RawBatch]:
        """The wanted columns, some ten thousand rows at a time."""
        start = 1
        with self.opened() as parquet:
            named = {term: self.names[index] for term, index in wanted.items()}
            for batch in parquet.iter_batches(5 * BATCH_ROWS, columns=list(named.values())):
                rows = np.arange(start, start + batch.num_rows, dtype=np.int64)
                start += batch.num_rows
                notes: dict[int, list[str]] = {}
                values = {
                    term: _decoded(_plain(batch.column(batch.schema.names.index(name))), term, notes, tally)
                    for term, name in named.items()
                }
                yield RawBatch(columns=values, rows=rows, notes=notes)


def parquet_grid(open_stream: Opener, *, zipped: bool, file: str | Path) -> ParquetGrid:
    """A Parquet file; one that lies within a zip is unpacked into memory.

    Raises
    ------
    RecordFileError
        When it is broken.
    """

    def opened() -> AbstractContextManager[Any]:
        return _opened_parquet(open_stream, zipped, file)

    with opened() as parquet:
        schema, shape = parquet.schema_arrow, parquet.metadata
        packed = sum(shape.row_group(at).total_byte_size for at in range(shape.num_row_groups))
        return ParquetGrid(
            names=tuple(schema.names),
            types=tuple(schema.types),
            unpacked=max(packed, shape.num_rows * len(schema.names)),
            opened=opened,
            rows=lambda *_: (),
        )


def _decoded(column: pa.Array, term: str, notes: dict[int, list[str]], tally: Counter[str]) -> pa.Array:
    """A column of which every text is UTF-8; what is not is read as far as it can be, and noted."""
    if not pa.types.is_string(column.type):
        return column
    try:
        column.validate(full=True)
        return column
    except pa.ArrowInvalid:
        texts = []
    for row, given in enumerate(column.cast(pa.binary()).to_pylist()):
        text = None if given is None else given.decode(errors="replace")
        if text is not None and text.encode() != given:
            notes.setdefault(row, []).append(said("bytes_not_utf", term=term))
            tally["undecodable"] += text.count("\ufffd")
        texts.append(text)
    return tables.array(texts, pa.string())


def _plain(column: pa.Array) -> pa.Array:
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if pa.types.is_large_string(column.type) or pa.types.is_string_view(column.type):
        column = column.cast(pa.string())
    return column
