"""Rows of a list kept as CSV, with errors that name the row and the remedy."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence

from poolbuilder.errors import InputError

__all__ = ["read_rows"]


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
