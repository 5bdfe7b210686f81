"""Between Arrow columns and numpy arrays, without pandas.

``pyarrow.array``, ``pyarrow.scalar``, comparisons of a column with a Python value,
``Array.to_numpy`` and ``pyarrow.dataset`` all import pandas when it is installed, which
triples the time of a cold command.  The functions here read and make Arrow buffers
instead; every stage between the store and the pool uses them.  ``pyarrow.compute``, which
``take``, ``cast``, ``sort_by`` and ``dictionary_encode`` import, writes the documentation of
every function when it is imported (50 ms): its functions are called here without it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeAlias

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder.errors import TableError

try:
    import pyarrow._compute as compute
except ImportError:  # a pyarrow that keeps its functions elsewhere
    import pyarrow.compute as compute


Column: TypeAlias = pa.Array | pa.ChunkedArray
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_NUMPY = {
    pa.float64(): np.float64,
    pa.float32(): np.float32,
    pa.int64(): np.int64,
    pa.int32(): np.int32,
    pa.int16(): np.int16,
    pa.int8(): np.int8,
    pa.uint8(): np.uint8,
    pa.uint32(): np.uint32,
    pa.uint64(): np.uint64,
}


def _joined(column: Column) -> pa.Array:
    if isinstance(column, pa.ChunkedArray):
        if column.num_chunks == 1:
            return column.chunk(0)
        combined = column.combine_chunks()
        if isinstance(combined, pa.ChunkedArray):
            return combined.chunk(0) if combined.num_chunks else pa.nulls(0, column.type)
        return combined
    return column


def _bits(buffer: pa.Buffer | None, offset: int, length: int) -> Bools:
    if buffer is None:
        return np.ones(length, dtype=bool)
    raw = np.frombuffer(buffer, dtype=np.uint8)
    return np.unpackbits(raw, count=offset + length, bitorder="little")[offset:].astype(bool)


def _values(column: pa.Array) -> NDArray[Any]:
    if column.type not in _NUMPY:
        raise TableError.of("column_type_not", type=column.type)
    dtype = np.dtype(_NUMPY[column.type])
    buffer = column.buffers()[1]
    if len(column) == 0 or buffer is None:
        return np.zeros(len(column), dtype=dtype)
    return np.frombuffer(buffer, dtype=dtype, count=len(column), offset=column.offset * dtype.itemsize)


def valid(column: Column) -> Bools:
    """Where a column holds a value; bool array of the column's length."""
    joined = _joined(column)
    if joined.type == pa.null():
        return np.zeros(len(joined), dtype=bool)
    return _bits(joined.buffers()[0], joined.offset, len(joined))


def numbers(column: Column) -> Floats:
    """A numeric column as float64; nulls become NaN."""
    joined = _joined(column)
    if joined.type == pa.null():
        return np.full(len(joined), np.nan)
    out = _values(joined).astype(np.float64)
    if joined.null_count:
        out[~valid(joined)] = np.nan
    return out


def integers(column: Column, *, missing: int = -1) -> Ints:
    """An integer column as int64; nulls become *missing*."""
    joined = _joined(column)
    out = _values(joined).astype(np.int64)
    if joined.null_count:
        out[~valid(joined)] = missing
    return out


def flags(column: Column) -> Bools:
    """A boolean column as a bool array; nulls become False."""
    joined = _joined(column)
    return _bits(joined.buffers()[1], joined.offset, len(joined)) & valid(joined)


def lengths(column: Column) -> Ints:
    """How many values each list of a column of lists holds; 0 for null."""
    joined = _joined(column)
    if len(joined) == 0:
        return np.zeros(0, dtype=np.int64)
    ends = np.frombuffer(joined.buffers()[1], dtype=np.int32, count=joined.offset + len(joined) + 1)
    return np.where(valid(joined), np.diff(ends[joined.offset :]), 0).astype(np.int64)


def listed(column: Column) -> tuple[Ints, Ints, Ints, list[str | None]]:
    """A column of lists of texts: start and length of each list, codes of all values, distinct values."""
    joined = _joined(column)
    size = lengths(joined)
    if not len(joined):
        return size, size, size, []
    start = np.frombuffer(joined.buffers()[1], dtype=np.int32, count=joined.offset + len(joined) + 1)
    code, distinct = codes(joined.values)
    return start[joined.offset : -1].astype(np.int64), size, code, distinct


def strings(column: Column) -> list[str | None]:
    """A text column as a list."""
    return list(column.to_pylist())


def _encoded(column: pa.Array) -> pa.DictionaryArray:
    return compute.call_function("dictionary_encode", [column], compute.DictionaryEncodeOptions("mask"))


def codes(column: Column) -> tuple[Ints, list[Any]]:
    """A column as codes, numbered as the values come, and its distinct values; nulls have code -1.

    Work that depends on the value alone is then done once per distinct value.
    """
    joined = _joined(column)
    if len(joined) and joined.null_count == len(joined):
        return np.full(len(joined), -1, dtype=np.int64), []
    if not isinstance(joined, pa.DictionaryArray):
        encoded = _encoded(joined)
        return integers(encoded.indices), list(encoded.dictionary.to_pylist())
    encoded = _encoded(joined.indices)  # not every value of a dictionary is in these rows
    return integers(encoded.indices), list(_taken(joined.dictionary, encoded.dictionary).to_pylist())


def _combined(keys: Sequence[NDArray[Any]]) -> Ints:
    """One integer for each combination of integers, in their order."""
    code, width = np.zeros(len(keys[0]), dtype=np.int64), 1
    for key in keys:
        low = int(key.min(initial=0))
        size = int(key.max(initial=0)) - low + 1
        if width * size >= 2**62:
            code, key = (np.unique(one, return_inverse=True)[1] for one in (code, key))
            low, width, size = 0, len(code) + 1, len(code) + 1
        code = code * size + (key - low)
        width *= size
    return code


def numbered(*keys: NDArray[Any]) -> tuple[Ints, Ints]:
    """Number of each distinct combination of integers, as they come, and the row where each comes first."""
    code = integers(_encoded(array(_combined(keys), pa.int64())).indices)
    return code, np.flatnonzero(np.diff(np.maximum.accumulate(code), prepend=-1))


def ranked(*keys: NDArray[Any]) -> Ints:
    """Number of each distinct combination of integers, 0, 1, 2, ... in their order."""
    rank: Ints = np.unique(_combined(keys), return_inverse=True)[1].astype(np.int64)
    return rank


def text_order(column: Column) -> Ints:
    """Positions of the values of a text column without nulls, sorted by their letters; equal ones in order.

    They are sorted by eight bytes behind what all of them begin with, and where these are equal as texts.
    """
    joined = _joined(cast(column, pa.string()))
    if len(joined) < FEW:
        return _sorted(joined)
    first, last = (text.encode() for text in compute.call_function("min_max", [joined]).as_py().values())
    shared = next(
        (place for place, pair in enumerate(zip(first, last, strict=False)) if len({*pair}) > 1), len(first)
    )
    _, offsets, letters = joined.buffers()
    ends = np.frombuffer(offsets, dtype=np.int32)[joined.offset : joined.offset + len(joined) + 1]
    data = np.append(np.frombuffer(letters, dtype=np.uint8), np.zeros(8, dtype=np.uint8))
    key = np.zeros(len(joined), dtype=np.uint64)
    for place in range(shared, shared + 8):
        at = ends[:-1] + place
        key = key << np.uint64(8) | np.where(at < ends[1:], data[np.minimum(at, len(data) - 1)], 0)
    found = np.argsort(key)
    same = np.diff(key[found]) == 0
    tied = np.flatnonzero(np.append(same, False) | np.insert(same, 0, False))
    if len(tied):
        some = np.sort(found[tied])
        found[tied] = some[_sorted(_taken(joined, array(some, pa.int64())))]
    return found


def text_rank(column: Column) -> Ints:
    """Place of each value of a text column without nulls by its letters; equal ones have one place."""
    texts = _joined(cast(column, pa.string()))

    def beside(how: str, ordered: pa.Array) -> Bools:
        return flags(compute.call_function(how, [ordered[:-1], ordered[1:]]))

    order = np.arange(len(texts)) if beside("less_equal", texts).all() else text_order(texts)
    fresh = beside("not_equal", _taken(texts, array(order, pa.int64())))
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.concatenate([np.zeros(min(len(order), 1), np.int64), np.cumsum(fresh)])
    return rank


FEW = 1000
"""So few texts are sorted as they are."""


def _sorted(texts: pa.Array) -> Ints:
    options = compute.SortOptions([("text", "ascending")])
    return integers(compute.call_function("sort_indices", [pa.table({"text": texts})], options))


def _bitmap(mask: Bools | None) -> pa.Buffer | None:
    if mask is None or bool(mask.all()):
        return None
    return pa.py_buffer(np.packbits(mask, bitorder="little").tobytes())


def _plain(values: Sequence[Any]) -> Sequence[Any]:
    return values if set(map(type, values)) == {str} else ["" if v is None else str(v) for v in values]


def _text(values: Sequence[Any], kind: pa.DataType) -> pa.Array:
    missing = None in values
    texts: Sequence[Any] = [value or b"" for value in values] if kind == pa.binary() else _plain(values)
    if kind == pa.binary():
        lengths, data = map(len, texts), b"".join(texts)
    elif (joined := "".join(texts)).isascii():
        lengths, data = map(len, texts), joined.encode()
    else:
        encoded = [text.encode(errors="replace") for text in texts]
        lengths, data = map(len, encoded), b"".join(encoded)
    offsets = np.zeros(len(texts) + 1, dtype=np.int64)
    np.cumsum(np.fromiter(lengths, dtype=np.int64, count=len(texts)), out=offsets[1:])
    mask = np.array([value is not None for value in values], dtype=bool) if missing else None
    size = np.int64 if kind == pa.large_string() else np.int32
    buffers = [_bitmap(mask), pa.py_buffer(offsets.astype(size)), pa.py_buffer(data)]
    return pa.Array.from_buffers(kind, len(texts), buffers)


def _lists(values: Sequence[Sequence[Any] | None], kind: pa.ListType) -> pa.Array:
    lengths = np.array([0 if value is None else len(value) for value in values], dtype=np.int64)
    offsets = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int32)
    flat = [item for value in values if value is not None for item in value]
    mask = np.array([value is not None for value in values], dtype=bool)
    buffers = [_bitmap(mask), pa.py_buffer(offsets)]
    return pa.Array.from_buffers(kind, len(lengths), buffers, children=[array(flat, kind.value_type)])


def lists(values: Column, starts: Ints) -> pa.Array:
    """Lists of the values of a column one after the other, list i from ``starts[i]`` up to the next."""
    child = _joined(values)
    buffers = [None, pa.py_buffer(starts.astype(np.int32))]
    return pa.Array.from_buffers(pa.list_(child.type), len(starts) - 1, buffers, children=[child])


def array(values: Iterable[Any], kind: pa.DataType, *, mask: Bools | None = None) -> pa.Array:
    """Make an Arrow array.

    Parameters
    ----------
    values : sequence or ndarray
        None and, in a float array, NaN become null.
    kind : DataType
        Numbers, bool, (large) string, binary, or list of these.
    mask : bool array, optional
        True where a value stands; of the length of *values*.
    """
    if isinstance(values, pa.Array | pa.ChunkedArray):
        return cast(_joined(values), kind)
    if not isinstance(values, np.ndarray):
        values = list(values)
    if kind in (pa.string(), pa.large_string(), pa.binary()):
        return _text(list(values), kind)
    if isinstance(kind, pa.ListType):
        return _lists(list(values), kind)
    if not isinstance(values, np.ndarray):
        present = np.array([value is not None for value in values], dtype=bool)
        mask = present if mask is None else mask & present
        values = np.array([0 if value is None else value for value in values])
    if values.dtype.kind == "f":
        missing = np.isnan(values)
        if missing.any():
            mask = ~missing if mask is None else mask & ~missing
            values = np.where(missing, 0, values)
    if kind == pa.bool_():
        bits = np.packbits(values.astype(bool), bitorder="little").tobytes()
        return pa.Array.from_buffers(kind, len(values), [_bitmap(mask), pa.py_buffer(bits)])
    if kind not in _NUMPY:
        raise TableError.of("cannot_make_column", kind=kind)
    data = np.ascontiguousarray(values.astype(_NUMPY[kind]))
    return pa.Array.from_buffers(kind, len(data), [_bitmap(mask), pa.py_buffer(data)])


def table(schema: pa.Schema, values: Mapping[str, Iterable[Any]]) -> pa.Table:
    """Make a table of *schema* from a mapping of column name to values.

    Raises
    ------
    TableError
        When a column is missing from *values* or is not in *schema*.
    """
    missing = [name for name in schema.names if name not in values]
    extra = [name for name in values if name not in schema.names]
    if missing or extra:
        raise TableError.of("columns_do_not", missing=missing, extra=extra)
    return pa.Table.from_arrays([array(values[field.name], field.type) for field in schema], schema=schema)


def of_columns(schema: pa.Schema, columns: Sequence[Column]) -> pa.Table:
    """Columns as a table of *schema*, texts in codes where they are so."""
    fields = [field.with_type(column.type) for field, column in zip(schema, columns, strict=True)]
    return pa.Table.from_arrays(list(columns), schema=pa.schema(fields, metadata=schema.metadata))


def of_rows(schema: pa.Schema, rows: Sequence[Mapping[str, Any]]) -> pa.Table:
    """Make a table of *schema* from rows that have its columns, and perhaps others."""
    return table(schema, {name: [row[name] for row in rows] for name in schema.names})


def take(source: pa.Table, rows: NDArray[Any]) -> pa.Table:
    """The given rows of a table, in the given order; *rows* are integer positions."""
    rows = np.asarray(rows, dtype=np.int64)
    if len(rows) == source.num_rows and (rows == np.arange(len(rows))).all():
        return source
    blank = {
        name for name, column in zip(source.column_names, source.columns, strict=True) if is_blank(column)
    }
    filled = [name for name in source.column_names if name not in blank]
    picked = _taken(source.select(filled), array(rows, pa.int64()))
    return filled_up(picked, len(rows), source.schema) if blank else picked


def is_blank(column: Column) -> bool:
    """Whether a column has rows and no value."""
    return bool(0 < len(column) == column.null_count)


def filled_up(source: pa.Table, count: int, schema: pa.Schema) -> pa.Table:
    """A table of so many rows with the columns of a schema; nulls, which share memory, for those it lacks."""
    known = set(source.column_names)
    nulls = {field.type: None for field in schema if field.name not in known}
    nulls = {kind: pa.nulls(count, kind) for kind in nulls}
    parts = [source[field.name] if field.name in known else nulls[field.type] for field in schema]
    return pa.Table.from_arrays(parts, schema=schema)


def _taken(source: pa.Table | Column, rows: pa.Array) -> Any:
    return compute.call_function("take", [source, rows], compute.TakeOptions(boundscheck=True))


def spread(distinct: pa.Array, index: NDArray[Any]) -> pa.Array:
    """The values at the given positions, -1 for null; texts as codes."""
    if distinct.type == pa.string():
        code, texts = codes(distinct)  # a text may stand there twice, or none
        rows = np.append(code, -1)[index]
        return pa.DictionaryArray.from_arrays(
            array(rows, pa.int32(), mask=rows >= 0), array(texts, pa.string())
        )
    picked: pa.Array = _taken(distinct, array(index, pa.int32(), mask=index >= 0))
    return picked


def order(source: pa.Table, keys: Sequence[tuple[str, str]]) -> Ints:
    """Positions of the rows of a table sorted by columns, each ``ascending`` or ``descending``."""
    return integers(compute.call_function("sort_indices", [source], compute.SortOptions(list(keys))))


def cast(column: Column, kind: pa.DataType) -> Column:
    """A column as another type; as it is where it has that type."""
    if column.type == kind:
        return column
    changed: Column = compute.call_function("cast", [column], compute.CastOptions.safe(kind))
    return changed


def where(source: pa.Table, mask: Bools) -> pa.Table:
    """The rows of a table for which *mask* is True, in order."""
    return take(source, np.flatnonzero(mask))
