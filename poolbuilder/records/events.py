"""Records that refer to an event: what they leave out stands in the event table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.records.text_table import RawBatch

__all__ = ["CORE_KEY", "PARENT_KEY", "Events"]

CORE_KEY = "core key"
PARENT_KEY = "parent key"
"""Names that are no terms, for the columns by which the tables refer to each other."""

_DEEPEST = 10


class Events:
    """An event table in memory; a visit inherits from the survey or site that is its parent."""

    def __init__(self, batches: Sequence[RawBatch]) -> None:
        names = dict.fromkeys(name for batch in batches for name in batch.columns)
        count = sum(len(batch.rows) for batch in batches)
        joined = {
            name: pa.concat_arrays(
                [batch.columns.get(name, pa.nulls(len(batch.rows), pa.string())) for batch in batches]
            )
            for name in names
        }
        self._keys = joined.pop(CORE_KEY, pa.nulls(count, pa.string()))
        parents = joined.pop(PARENT_KEY, pa.nulls(count, pa.string()))
        self._columns = joined
        place = self._place(parents)
        for _ in range(_DEEPEST):
            before = sum(column.null_count for column in self._columns.values())
            self._columns = {
                name: pc.coalesce(column, _taken(column, place)) for name, column in self._columns.items()
            }
            if sum(column.null_count for column in self._columns.values()) == before:
                break

    def _place(self, keys: pa.Array) -> NDArray[np.int64]:
        """Row of each key in the event table, -1 where there is none."""
        return tables.integers(pc.index_in(keys, value_set=self._keys, skip_nulls=True))

    def fill(self, raw: RawBatch, keys: pa.Array | None, tally: Counter[str]) -> RawBatch:
        """Give each record what it leaves out and the event with its key states."""
        given = dict(raw.columns)
        if keys is None:
            keys = pa.nulls(len(raw.rows), pa.string())
        place = self._place(keys)
        notes = {row: list(texts) for row, texts in raw.notes.items()}
        lost = np.flatnonzero(place < 0)
        for row in lost.tolist():
            notes.setdefault(row, []).append(f"its event {keys[row].as_py()!r} is not in the event table")
        tally["no event"] += len(lost)
        for name, column in self._columns.items():
            stated = _taken(column, place)
            given[name] = pc.coalesce(given[name], stated) if name in given else stated
        return RawBatch(columns=given, rows=raw.rows, notes=notes)


def _taken(column: pa.Array, place: NDArray[np.int64]) -> pa.Array:
    return column.take(tables.array(np.maximum(place, 0), pa.int64(), mask=place >= 0))
