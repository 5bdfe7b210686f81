"""New records on their way into the store: sorted into runs as they come."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.records.store import layout, transit
from poolbuilder.records.store.folder import told
from poolbuilder.records.store.ledger import Entries
from poolbuilder.records.store.runs import HeldRun, Run, SpilledRun, codes_of, order_of

__all__ = ["KINDS", "Incoming"]

KINDS = ("placed", "unplaced")
SORTERS = 2
"""Runs that are sorted at once, while the records of the next are read."""

Rows = NDArray[np.int64]


@dataclass(kw_only=True)
class SortedRun:
    """A sorted run of new records, with its ledger and the order in which they came."""

    run: Run
    entries: Entries | None

    def take_entries(self) -> Entries:
        """The ledger and order, once; they are not kept here any longer."""
        assert self.entries is not None
        taken, self.entries = self.entries, None
        return taken


class Incoming:
    """New records, sorted into runs that are spilled to disk when memory runs short.

    Runs are sorted while the records of the next are read.  Use it in a ``with`` block.

    Parameters
    ----------
    work : Path
        Folder for temporary files; must exist.
    run_bytes : int
        Memory that unsorted records may take before they are sorted and spilled.
    """

    def __init__(self, work: Path, *, run_bytes: int) -> None:
        self._work, self._run_bytes = work, run_bytes
        self._waiting: dict[str, list[tuple[pa.Table, Rows]]] = {kind: [] for kind in KINDS}
        self._bytes = dict.fromkeys(KINDS, 0)
        self._sorter = ThreadPoolExecutor(max_workers=SORTERS)
        self._sorting: dict[str, list[Future[SortedRun]]] = {kind: [] for kind in KINDS}
        self.runs: dict[str, list[SortedRun]] = {kind: [] for kind in KINDS}
        self.count = dict.fromkeys(KINDS, 0)

    def __enter__(self) -> Incoming:
        return self

    def __exit__(self, *told: object) -> None:
        self._sorter.shutdown(wait=True, cancel_futures=True)

    @property
    def read(self) -> int:
        """Records taken so far."""
        return sum(self.count.values())

    def push(self, records: pa.Table) -> None:
        """Take records of the RECORDS schema; repeated text may come as codes.

        Raises
        ------
        TableError
            When they are not of that schema.
        """
        records = transit.checked(records)
        if len(records) == 0:
            return
        placed = layout.on_the_globe(
            tables.numbers(records.column("decimalLongitude")),
            tables.numbers(records.column("decimalLatitude")),
        )
        arrival = np.arange(self.read, self.read + len(records), dtype=np.int64)
        for kind, mask in (("placed", placed), ("unplaced", ~placed)):
            if mask.any():
                rows = records if mask.all() else tables.where(records, mask)
                self._push(kind, rows, arrival[mask])

    def _push(self, kind: str, rows: pa.Table, arrival: Rows) -> None:
        self.count[kind] += len(rows)
        rows = transit.filled(rows)
        self._waiting[kind].append((rows, arrival))
        self._bytes[kind] += rows.nbytes
        if self._bytes[kind] >= self._run_bytes:
            self._sort(kind, spill=True)

    def _sort(self, kind: str, *, spill: bool) -> None:
        """Have what waits sorted; all but the run before it must be done, so that memory is bounded."""
        before = self._sorting[kind]
        if len(before) >= SORTERS:
            before[-SORTERS].result()
        stem = self._work / f"{kind}-run-{len(before):05d}" if spill else None
        before.append(self._sorter.submit(_sorted_run, kind, self._waiting[kind], stem))
        self._waiting[kind], self._bytes[kind] = [], 0

    def finish(self) -> None:
        """Sort what still waits; a lone run stays in memory."""
        for kind in KINDS:
            if self._waiting[kind]:
                self._sort(kind, spill=bool(self._sorting[kind]))
            self.runs[kind] = [future.result() for future in self._sorting[kind]]
            self._sorting[kind] = []


def _sorted_run(kind: str, waiting: list[tuple[pa.Table, Rows]], stem: Path | None) -> SortedRun:
    """Sort records along the curve; into files that begin with *stem*, or in memory without one."""
    rows = transit.packed([table for table, _ in waiting])
    arrival = np.concatenate([came for _, came in waiting])
    waiting.clear()
    codes = codes_of(rows, placed=kind == "placed")
    order = order_of(codes)
    rows, codes, arrival = tables.take(rows, order), codes[order], arrival[order]
    rows = transit.marked(rows)
    ledger = transit.marks_of(rows)
    run: Run = HeldRun(rows, codes)
    if stem is not None:
        run = SpilledRun(stem.with_suffix(".arrow"), rows, _mapped(stem, "codes", codes))
        ledger, arrival = _mapped(stem, "keys", ledger), _mapped(stem, "arrival", arrival)
    return SortedRun(run=run, entries=Entries(ledger=ledger, arrival=arrival))


def _mapped(stem: Path, what: str, values: NDArray[Any]) -> NDArray[Any]:
    """The same values in a file, mapped into memory."""
    path = stem.with_suffix(f".{what}.npy")
    with told(str(path), "writing"):
        np.save(path, values)
        mapped: NDArray[Any] = np.load(path, mmap_mode="r")
        return mapped
