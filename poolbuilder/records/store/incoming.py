"""New records on their way into the store: sorted into runs as they come."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import columns, schemas
from poolbuilder.records.store import layout
from poolbuilder.records.store.folder import told
from poolbuilder.records.store.ledger import Entries, ledger_of
from poolbuilder.records.store.runs import HeldRun, Run, SpilledRun, codes_of, sorted_by

__all__ = ["KINDS", "Incoming"]

KINDS = ("placed", "unplaced")
RUN_BYTES = 192 << 20

Rows = NDArray[np.int64]


@dataclass(kw_only=True)
class SortedRun:
    """A sorted run of new records, with its ledger and the order in which they came."""

    run: Run
    entries: Entries


class Incoming:
    """New records, sorted into runs that are spilled to disk when memory runs short.

    Parameters
    ----------
    work : Path
        Folder for temporary files; must exist.
    run_bytes : int
        Memory that unsorted records may take before they are sorted and spilled.
    """

    def __init__(self, work: Path, *, run_bytes: int = RUN_BYTES) -> None:
        self._work, self._run_bytes = work, run_bytes
        self._waiting: dict[str, list[tuple[pa.Table, Rows]]] = {kind: [] for kind in KINDS}
        self._bytes = dict.fromkeys(KINDS, 0)
        self.runs: dict[str, list[SortedRun]] = {kind: [] for kind in KINDS}
        self.count = dict.fromkeys(KINDS, 0)

    @property
    def read(self) -> int:
        """Records taken so far."""
        return sum(self.count.values())

    def push(self, records: pa.Table) -> None:
        """Take records of the RECORDS schema.

        Raises
        ------
        TableError
            When they are not of that schema.
        """
        schemas.check(records, schemas.RECORDS, "store")
        if len(records) == 0:
            return
        placed = layout.on_the_globe(
            columns.numbers(records.column("decimalLongitude")),
            columns.numbers(records.column("decimalLatitude")),
        )
        arrival = np.arange(self.read, self.read + len(records), dtype=np.int64)
        for kind, mask in (("placed", placed), ("unplaced", ~placed)):
            if mask.any():
                rows = records if mask.all() else columns.where(records, mask)
                self._push(kind, layout.to_placed(rows) if kind == "placed" else rows, arrival[mask])

    def _push(self, kind: str, rows: pa.Table, arrival: Rows) -> None:
        self.count[kind] += len(rows)
        self._waiting[kind].append((rows, arrival))
        self._bytes[kind] += rows.nbytes
        if self._bytes[kind] >= self._run_bytes:
            self._sort(kind, spill=True)

    def _sort(self, kind: str, *, spill: bool) -> None:
        rows = pa.concat_tables([table for table, _ in self._waiting[kind]])
        arrival = np.concatenate([came for _, came in self._waiting[kind]])
        self._waiting[kind], self._bytes[kind] = [], 0
        codes = codes_of(rows, placed=kind == "placed")
        order = np.argsort(codes, kind="stable")
        rows, codes, arrival = sorted_by(rows, order), codes[order], arrival[order]
        ledger = ledger_of(rows.column("recordKey"), rows.column("modified"))
        run: Run = HeldRun(rows, codes)
        if spill:
            stem = f"{kind}-run-{len(self.runs[kind]):05d}"
            run = SpilledRun(self._work / f"{stem}.arrow", rows, _mapped(self._work, f"{stem}.codes", codes))
            ledger = _mapped(self._work, f"{stem}.keys", ledger)
            arrival = _mapped(self._work, f"{stem}.arrival", arrival)
        self.runs[kind].append(SortedRun(run=run, entries=Entries(ledger=ledger, arrival=arrival)))

    def finish(self) -> None:
        """Sort what still waits; a lone run stays in memory."""
        for kind in KINDS:
            if self._waiting[kind]:
                self._sort(kind, spill=bool(self.runs[kind]))


def _mapped(work: Path, stem: str, values: NDArray[Any]) -> NDArray[Any]:
    """The same values in a file, mapped into memory."""
    path = work / f"{stem}.npy"
    with told(str(path), "writing"):
        np.save(path, values)
        return np.asarray(np.load(path, mmap_mode="r"))
