"""Sorted runs: the pieces of an external sort.

Records too many for memory are sorted piece by piece; each piece is a run, kept on disk, and
runs are merged along the curve.  Files of the store are runs as well: they are sorted already.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Protocol

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.records.store import curve, layout, transit
from poolbuilder.records.store.folder import Folder, told
from poolbuilder.records.store.index import StoredFile

__all__ = ["HeldRun", "Run", "SpilledRun", "StoredRun", "codes_of", "merged", "order_of"]

BATCH_ROWS = 8_192

Codes = NDArray[np.uint32]
Rows = NDArray[np.int64]


class Run(Protocol):
    """Rows in transit of one kind of file, sorted by their place on the curve."""

    @property
    def codes(self) -> Codes:
        """Place of each row on the curve, ascending."""

    def read(self, start: int, stop: int) -> pa.Table:
        """The rows from *start* up to *stop*."""


def codes_of(rows: pa.Table, *, placed: bool) -> Codes:
    """Place of rows along the curve; unplaced rows keep their order."""
    if not placed:
        return np.zeros(len(rows), dtype=np.uint32)
    return curve.along_curve(*transit.points_of(rows))


def order_of(codes: Codes) -> Rows:
    """Positions of rows along the curve; rows of one place keep their order."""
    both = codes.astype(np.uint64) << np.uint64(32) | np.arange(len(codes), dtype=np.uint64)
    both.sort()  # many times quicker than a stable argsort
    return (both & np.uint64(0xFFFFFFFF)).astype(np.int64)


class HeldRun:
    """A run that fits in memory."""

    def __init__(self, rows: pa.Table, codes: Codes) -> None:
        self._rows = rows
        self.codes = codes

    def read(self, start: int, stop: int) -> pa.Table:
        """The rows from *start* up to *stop*."""
        return self._rows.slice(start, stop - start)


class SpilledRun:
    """A run in a temporary file: Arrow batches of `BATCH_ROWS` rows, mapped when they are read."""

    def __init__(self, path: Path, rows: pa.Table, codes: Codes) -> None:
        self.path, self.codes = path, codes
        with (
            told(str(path), "writing"),
            pa.OSFile(str(path), "wb") as sink,
            pa.ipc.new_file(sink, rows.schema) as writer,
        ):
            writer.write_table(rows, max_chunksize=BATCH_ROWS)

    def read(self, start: int, stop: int) -> pa.Table:
        """The rows from *start* up to *stop*."""
        with pa.memory_map(str(self.path)) as source:
            reader = pa.ipc.open_file(source)
            first, last = start // BATCH_ROWS, -(-stop // BATCH_ROWS)
            batches = [reader.get_batch(number) for number in range(first, last)]
            rows = pa.Table.from_batches(batches, schema=reader.schema)
        return rows.slice(start - first * BATCH_ROWS, stop - start)


class StoredRun:
    """A file of the store, read a few row groups at a time."""

    def __init__(self, folder: Folder, file: StoredFile) -> None:
        self._folder, self._file = folder, file
        self._ends = np.concatenate([[0], np.cumsum(file.groups.rows)])
        self._texts = layout.coded_columns(layout.schema_of(file.kind))
        self.codes = np.zeros(file.rows, dtype=np.uint32)
        if file.kind == "placed":
            wanted = ["longitudeE5", "latitudeE5"]
            if not file.groups.exact.all():
                wanted = ["geometry.x", "geometry.y"]
            with layout.opened(folder, file.name) as parquet:
                self.codes = curve.along_curve(*layout.coordinates(parquet.read(columns=wanted)))

    def read(self, start: int, stop: int) -> pa.Table:
        """The rows from *start* up to *stop*."""
        first = int(np.searchsorted(self._ends, start, side="right")) - 1
        last = int(np.searchsorted(self._ends, stop, side="left"))
        with layout.opened(self._folder, self._file.name, coded=self._texts) as parquet:
            rows = parquet.read_row_groups(list(range(first, last)))
        rows = rows.slice(start - int(self._ends[first]), stop - start)
        return transit.marked(transit.packed([layout.flat(rows)]))


def _cuts(run: Codes, code: int, ties: int) -> int:
    """How many rows of a run come before *code*, and up to *ties* rows at it."""
    start = int(np.searchsorted(run, np.uint32(code), side="left"))
    stop = int(np.searchsorted(run, np.uint32(code), side="right"))
    return start + min(ties, stop - start)


def boundaries(codes: Sequence[Codes], size: int) -> list[list[int]]:
    """Where to cut sorted runs so that each merged part has *size* rows, the last fewer.

    Merged rows are ordered by code, then run, then row.

    Returns
    -------
    list of list of int
        For each part, the end in each run.
    """
    total = sum(len(run) for run in codes)
    everything = np.sort(np.concatenate(codes)) if codes else np.zeros(0, np.uint32)
    ends = []
    for upto in range(size, total, size):
        code = int(everything[upto])
        ties = upto - int(np.searchsorted(everything, np.uint32(code), side="left"))
        cut = []
        for run in codes:
            at = _cuts(run, code, ties)
            ties -= at - int(np.searchsorted(run, np.uint32(code), side="left"))
            cut.append(at)
        ends.append(cut)
    ends.append([len(run) for run in codes])
    return ends


def merged(runs: Sequence[Run], dead: Sequence[Rows], *, size: int) -> Iterator[pa.Table]:
    """Merge runs, leaving out dead rows, into tables in transit of *size* rows along the curve.

    Parameters
    ----------
    runs : sequence of Run
    dead : sequence of int64 arrays
        Rows of each run to leave out, ascending.
    size : int
        Rows of each table; the last has fewer.
    """
    living: list[Rows | None] = []
    codes: list[Codes] = []
    for run, gone in zip(runs, dead, strict=True):
        if len(gone):
            alive = np.ones(len(run.codes), dtype=bool)
            alive[gone] = False
            kept = np.flatnonzero(alive)
            living.append(kept)
            codes.append(run.codes[kept])
        else:
            living.append(None)
            codes.append(run.codes)
    if sum(len(run) for run in codes) == 0:
        return
    starts = [0] * len(runs)
    for ends in boundaries(codes, size):
        parts, places = [], []
        for run, kept_rows, code, start, stop in zip(runs, living, codes, starts, ends, strict=True):
            if stop > start:
                parts.append(_read(run, kept_rows, start, stop))
                places.append(code[start:stop])
        yield _in_order(parts, places)
        starts = ends


def _read(run: Run, kept: Rows | None, start: int, stop: int) -> pa.Table:
    if kept is None:
        return run.read(start, stop)
    rows = kept[start:stop]
    first, last = int(rows[0]), int(rows[-1]) + 1
    found = run.read(first, last)
    return found if last - first == len(rows) else tables.take(found, rows - first)


def _in_order(parts: list[pa.Table], places: list[Codes]) -> pa.Table:
    if len(parts) == 1:
        return parts[0]
    return tables.take(transit.joined(parts), order_of(np.concatenate(places)))
