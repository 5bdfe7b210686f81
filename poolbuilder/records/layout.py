"""How a text table is written: delimiter, quotes, header and width."""

from __future__ import annotations

import codecs
import csv
import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from poolbuilder.errors import RecordFileError
from poolbuilder.records.encoding import Utf8Stream, encoding_of

__all__ = ["HEAD_BYTES", "Layout", "described", "lines_of", "sniff", "split"]

HEAD_BYTES = 1 << 20
"""How much of a file's beginning shows how it is written."""

DELIMITERS = ("\t", ",", ";", "|")
_CONTAINERS = (
    (b"%PDF", "is a PDF", "export the table as CSV"),
    (b"PK\x03\x04", "is a zip file under another name", "give it the ending .zip"),
    (b"\x1f\x8b", "is compressed", "unpack it first, or pack the table as .zip"),
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
        codecs.lookup(encoding)
    except LookupError as error:
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
