"""Records in transit: how they are held between reading and writing, to be moved quickly.

A table in transit has those columns of RECORDS that hold any value, each in one piece.  Text
that repeats is held as codes into its distinct values, so that sorting moves numbers; it is
written as plain text.  Marks tell a record again, see :mod:`poolbuilder.records.store.ledger`.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import schemas, tables
from poolbuilder.errors import TableError
from poolbuilder.records.store import layout, ledger

__all__ = ["checked", "filled", "joined", "marked", "marks_of", "packed", "plain", "points_of"]

CODES = pa.dictionary(pa.int32(), pa.string())
MOST_VALUES = 1 << 15
"""Distinct values that a column of codes may have in one run: they are read whole, run by run."""
_SAMPLE = 8_192
_MARKS = {"keyHash": pa.uint64(), "keyCheck": pa.uint32(), "changed": pa.int64()}
_TEXTS = frozenset(layout.coded_columns(schemas.RECORDS))
_SCHEMA = pa.schema([*schemas.RECORDS, *(pa.field(name, kind) for name, kind in _MARKS.items())])


def checked(records: pa.Table) -> pa.Table:
    """Records of the RECORDS schema, in which repeated text may come as codes.

    Raises
    ------
    TableError
        When they are of another schema, or a required column holds a null.
    """
    parts = []
    for name, column in zip(records.schema.names, records.columns, strict=True):
        if column.type == CODES and (
            name not in _TEXTS or any(c.dictionary.null_count for c in column.chunks)
        ):
            column = column.cast(pa.string())
        parts.append(column)
    made = pa.Table.from_arrays(parts, names=records.schema.names)
    first = [column.slice(0, 0) for column in parts]
    as_text = [tables.cast(column, pa.string()) if column.type == CODES else column for column in first]
    schemas.check(pa.Table.from_arrays(as_text, names=made.schema.names), schemas.RECORDS, "store")
    for field in schemas.RECORDS:
        if not field.nullable and made.column(field.name).null_count:
            raise TableError(f"store: column {field.name} holds nulls")
    return made


def _in_one_piece(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column in one chunk, or none when it is empty; texts beyond 2 GiB stay in pieces."""
    found = column.combine_chunks()
    return found if isinstance(found, pa.ChunkedArray) else pa.chunked_array([found], type=column.type)


def _repeats(column: pa.ChunkedArray) -> bool:
    """Whether a look at the first texts says that it may be worth while to code them."""
    first = column.slice(0, _SAMPLE)
    return 4 * len(first.combine_chunks().unique()) <= len(first)


def _coded(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Text as codes where it repeats, else plain."""
    if column.type == pa.string():
        if not _repeats(column):
            return _in_one_piece(column)
        found = _in_one_piece(column.dictionary_encode())
    else:
        found = _in_one_piece(column.unify_dictionaries())
    distinct = len(found.chunk(0).dictionary)
    many = distinct > MOST_VALUES or 4 * distinct > len(found)
    return _in_one_piece(found.cast(pa.string())) if many else found


def filled(records: pa.Table) -> pa.Table:
    """The columns that hold any value."""
    return records.select([name for name in records.schema.names if _has_values(records.column(name))])


def _has_values(column: pa.ChunkedArray) -> bool:
    return bool(column.null_count < len(column))


def packed(tables: Sequence[pa.Table]) -> pa.Table:
    """Records one below the other as a table in transit, without marks; columns may be missing."""
    parts, names = [], []
    for field in schemas.RECORDS:
        if any(field.name in table.schema.names for table in tables):
            column = pa.chunked_array(_chunks(tables, field))
            if _has_values(column):
                parts.append(_coded(column) if field.name in _TEXTS else _in_one_piece(column))
                names.append(field.name)
    return pa.Table.from_arrays(parts, names=names)


def _chunks(pieces: Sequence[pa.Table], field: pa.Field) -> list[pa.Array]:
    """The pieces of a column of several tables, all codes or all plain; missing ones are null."""
    found = [table.column(field.name) for table in pieces if field.name in table.schema.names]
    kind = CODES if all(column.type == CODES for column in found) else field.type
    chunks: list[pa.Array] = []
    for table in pieces:
        if field.name not in table.schema.names:
            chunks.append(pa.nulls(len(table), kind))
            continue
        chunks += tables.cast(table.column(field.name), kind).chunks
    return chunks


def marked(rows: pa.Table) -> pa.Table:
    """The same rows with their marks."""
    first, second = ledger.hashes_of(rows.column("recordKey"))
    made: dict[str, NDArray[Any]] = {"keyHash": first, "keyCheck": second}
    if "modified" in rows.schema.names:
        made["changed"] = ledger.modified_order(tables.cast(rows.column("modified"), pa.string()))
    for name, values in made.items():
        rows = rows.append_column(name, tables.array(values, _MARKS[name]))
    return rows


def marks_of(rows: pa.Table) -> NDArray[np.void]:
    """The ledger of rows that have marks, sorted by hash, then row."""
    count = len(rows)
    changed = np.full(count, ledger.UNKNOWN)
    if "changed" in rows.schema.names:
        changed = tables.integers(rows.column("changed"), missing=int(ledger.UNKNOWN))
    first, second = (tables.integers(rows.column(name)) for name in ("keyHash", "keyCheck"))
    return ledger.sorted_ledger(first.view(np.uint64), second.astype(np.uint32), changed)


def points_of(rows: pa.Table) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Longitude and latitude, NaN where none is given."""
    names = ("decimalLongitude", "decimalLatitude")
    found = [
        tables.numbers(rows.column(name)) if name in rows.schema.names else np.full(len(rows), np.nan)
        for name in names
    ]
    return found[0], found[1]


def joined(parts: Sequence[pa.Table]) -> pa.Table:
    """Tables in transit one below the other; their dictionaries are put together as they are."""
    if len(parts) == 1:
        return parts[0]
    wanted = [field for field in _SCHEMA if any(field.name in part.schema.names for part in parts)]
    return pa.Table.from_arrays(
        [_below(parts, field) for field in wanted], names=[field.name for field in wanted]
    )


def _below(parts: Sequence[pa.Table], field: pa.Field) -> pa.ChunkedArray:
    """A column of several tables in one piece."""
    chunks = _chunks(parts, field)
    if chunks[0].type == CODES:
        return _codes_below(chunks)
    return _in_one_piece(pa.chunked_array(chunks, type=field.type))


def _codes_below(chunks: Sequence[pa.DictionaryArray]) -> pa.ChunkedArray:
    """Codes one below the other; a value of several dictionaries has several codes."""
    indices, present, start = [], [], 0
    for chunk in chunks:
        indices.append(tables.integers(chunk.indices, missing=0).astype(np.int32) + np.int32(start))
        present.append(tables.valid(chunk.indices))
        start += len(chunk.dictionary)
    codes = tables.array(np.concatenate(indices), pa.int32(), mask=np.concatenate(present))
    values = pa.concat_arrays([chunk.dictionary for chunk in chunks])
    return pa.chunked_array([pa.DictionaryArray.from_arrays(codes, values)])


@cache
def _nothing(kind: pa.DataType) -> pa.Array:
    return pa.nulls(layout.GROUP_ROWS, kind)


def plain(rows: pa.Table) -> pa.Table:
    """Rows of at most one row group as RECORDS: text as text, all columns there."""
    parts = []
    for field in schemas.RECORDS:
        if field.name not in rows.schema.names:
            parts.append(_nothing(field.type).slice(0, len(rows)))
            continue
        parts.append(tables.cast(rows.column(field.name), field.type))
    return pa.Table.from_arrays(parts, schema=schemas.RECORDS)
