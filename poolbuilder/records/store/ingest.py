"""Adding to a store: find the newest versions, write sorted files, then commit.

Nothing counts until the index is replaced: files are written in a folder of their own,
renamed beside the others, and only then named by the new index.  A process killed before
that leaves files which no index names; the next writer clears them away.
"""

from __future__ import annotations

import os
import shutil
from collections import deque
from collections.abc import Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder.errors import StoreError
from poolbuilder.records.store import layout, transit
from poolbuilder.records.store.dead import dead_rows, marked
from poolbuilder.records.store.folder import REPAIR, Folder, told
from poolbuilder.records.store.incoming import KINDS, Incoming
from poolbuilder.records.store.index import COPY_NAME, INDEX_NAME, Groups, Index, StoredFile
from poolbuilder.records.store.ledger import LEDGER, Entries, losers
from poolbuilder.records.store.outcome import Progress
from poolbuilder.records.store.runs import Run, StoredRun, merged

__all__ = [
    "PREFIX",
    "WORK_NAME",
    "clear_leftovers",
    "commit",
    "compacted",
    "described",
    "merge",
    "stored_ledger",
    "with_dead",
]

WORK_NAME = "adding"
PREFIX = {"placed": "records", "unplaced": "unplaced"}

WRITERS = 2
"""Files that are written at once, while the next one is merged."""

Rows = NDArray[np.int64]
Floats = NDArray[np.float64]
Whole = NDArray[np.int32]


def stored_ledger(folder: Folder, file: StoredFile) -> NDArray[np.void]:
    """The ledger of a file of the store, mapped into memory."""
    label = folder.label(file.ledger_name)
    try:
        with told(label, "reading"):
            found: NDArray[np.void] = np.load(folder.local / file.ledger_name, mmap_mode="r")
    except (ValueError, EOFError) as error:
        raise StoreError(f"{label}: is broken: {error} ({REPAIR})") from error
    if found.dtype != LEDGER or len(found) != file.rows:
        raise StoreError(f"{label}: does not fit {file.name} ({REPAIR})")
    return found


def _alive(folder: Folder, file: StoredFile) -> NDArray[np.bool_] | None:
    dead = dead_rows(folder, file)
    if not len(dead):
        return None
    alive = np.ones(file.rows, dtype=bool)
    alive[dead] = False
    return alive


def merge(
    folder: Folder,
    index: Index,
    incoming: Incoming,
    *,
    work: Path,
    sources: Sequence[str],
    progress: Progress,
) -> tuple[Index, int, int]:
    """Write new records as sorted files, and mark what they replace.

    Returns
    -------
    index, replaced, outdated
        The index to commit; how many stored records newer versions replace; how many of the
        new ones are themselves older than, or repeat, another version.
    """
    lost_stored, lost_fresh = _losses(folder, index, incoming)
    files = [
        with_dead(folder, file, rows, work=work, generation=index.generation + 1)
        for file, rows in zip(index.files, lost_stored, strict=True)
    ]
    serial, at = index.serial, 0
    for kind in KINDS:
        runs = [item.run for item in incoming.runs[kind]]
        dead = lost_fresh[at : at + len(runs)]
        at += len(runs)
        made = write_files(
            runs, dead, kind=kind, work=work, serial=serial, sources=sources, progress=progress
        )
        serial += len(made)
        files += made
    replaced, outdated = (sum(len(rows) for rows in part) for part in (lost_stored, lost_fresh))
    kept = tuple(file for file in files if file.living)
    return index.changed(files=kept, serial=serial), replaced, outdated


def _losses(folder: Folder, index: Index, incoming: Incoming) -> tuple[list[Rows], list[Rows]]:
    """Rows of the stored files, and of the new runs, that newer versions replace.

    The runs' ledgers are let go of here: at 50 million records they are a gigabyte.
    """
    parts = [Entries(ledger=stored_ledger(folder, file), alive=_alive(folder, file)) for file in index.files]
    parts += [item.take_entries() for kind in KINDS for item in incoming.runs[kind]]
    lost = losers(parts)
    return lost[: len(index.files)], lost[len(index.files) :]


def with_dead(folder: Folder, file: StoredFile, lost: Rows, *, work: Path, generation: int) -> StoredFile:
    """A file with more of its rows marked as replaced."""
    if not len(lost):
        return file
    dead = np.union1d(dead_rows(folder, file), lost)
    name = f"{file.name.removesuffix('.parquet')}.dead-{generation:06d}.npy"
    with told(str(work / name), "writing"):
        np.save(work / name, dead.astype(np.uint32))
    return marked(file, dead, name=name)


def write_files(
    runs: Sequence[Run],
    dead: Sequence[Rows],
    *,
    kind: str,
    work: Path,
    serial: int,
    sources: Sequence[str],
    progress: Progress,
) -> list[StoredFile]:
    """Merge runs into files of the store, in *work*; one is merged while others are written."""
    total = sum(len(run.codes) for run in runs) - sum(len(rows) for rows in dead)
    made: list[StoredFile] = []
    pending: deque[Future[StoredFile]] = deque()

    def wait(most: int) -> None:
        while len(pending) > most:
            made.append(pending.popleft().result())
            progress("writing", sum(file.rows for file in made), total)

    with ThreadPoolExecutor(max_workers=WRITERS) as pool:
        try:
            for rows in merged(runs, dead, size=layout.FILE_ROWS):
                wait(WRITERS - 1)
                serial += 1
                name = f"{PREFIX[kind]}-{serial:06d}.parquet"
                pending.append(pool.submit(_write_file, work, name, rows, kind, sources))
                del rows  # it goes when it is written, not when the next one is there
            wait(0)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return made


def _groups(rows: Rows, points: tuple[Floats, Floats] | None, whole: tuple[Whole, Whole] | None) -> Groups:
    """Row groups of these sizes; *points* and their whole numbers where records are placed."""
    nothing = np.zeros(len(rows), dtype=np.int64)
    if points is None or whole is None:
        nowhere = np.full((len(rows), 4), np.nan)
        return Groups(rows=rows, dead=nothing, box=nowhere, exact=np.ones(len(rows), dtype=bool))
    x, y = points
    starts = np.concatenate([[0], np.cumsum(rows)[:-1]])
    box = [np.minimum.reduceat(x, starts), np.minimum.reduceat(y, starts)]
    box += [np.maximum.reduceat(x, starts), np.maximum.reduceat(y, starts)]
    exact = layout.is_exact(whole[0], x) & layout.is_exact(whole[1], y)
    return Groups(
        rows=rows, dead=nothing, box=np.stack(box, axis=1), exact=np.logical_and.reduceat(exact, starts)
    )


def _sizes(count: int) -> Rows:
    """Rows of each row group of a file with *count* rows."""
    starts = np.arange(0, count, layout.GROUP_ROWS)
    return np.diff([*starts, count]).astype(np.int64)


def described(name: str, rows: pa.Table, kind: str, *, size: int, sources: Sequence[str]) -> StoredFile:
    """The index's entry for a file with these rows, as they were read from it."""
    points = whole = None
    if kind == "placed":
        points, whole = layout.coordinates(rows), layout.whole_numbers(rows)
    empty = tuple(column for column in rows.column_names if rows.column(column).null_count == len(rows))
    groups = _groups(_sizes(len(rows)), points, whole)
    return StoredFile(name=name, kind=kind, size=size, sources=tuple(sources), groups=groups, empty=empty)


def _write_file(work: Path, name: str, rows: pa.Table, kind: str, sources: Sequence[str]) -> StoredFile:
    """Write rows in transit as a file of the store, one row group after the other."""
    schema = layout.schema_of(kind)
    points = whole = None
    if kind == "placed":
        points = transit.points_of(rows)
        whole = (layout.whole(points[0]), layout.whole(points[1]))
    groups = _groups(_sizes(len(rows)), points, whole)
    full = {column for column in rows.column_names if rows.column(column).null_count < len(rows)}
    empty = tuple(field.name for field in schema if field.nullable and field.name not in full)
    path = work / name
    with told(str(path), "writing"):
        with layout.writer(str(path), schema) as writer:
            for start in range(0, len(rows), layout.GROUP_ROWS):
                group = transit.plain(rows.slice(start, layout.GROUP_ROWS))
                group = layout.to_placed(group) if kind == "placed" else group
                writer.write_table(group, row_group_size=layout.GROUP_ROWS)
            writer.add_key_value_metadata(layout.metadata(box=groups.extent, sources=list(sources)))
        _sync(path)
        file = StoredFile(
            name=name, kind=kind, size=path.stat().st_size, sources=tuple(sources), groups=groups, empty=empty
        )
        np.save(work / file.ledger_name, transit.marks_of(rows))
    return file


def _sync(path: Path) -> None:
    with path.open("rb") as stream:
        os.fsync(stream.fileno())


def commit(folder: Folder, before: Index, after: Index, *, work: Path) -> None:
    """Make *after* the store's index; what only *before* names is then removed."""
    with told(str(folder.local), "writing"):
        for path in sorted(work.iterdir()):
            if path.name in _named(after):
                path.replace(folder.local / path.name)
    content = after.as_bytes()
    folder.replace(INDEX_NAME, content)
    folder.replace(COPY_NAME, content)
    for name in _named(before) - _named(after):
        (folder.local / name).unlink(missing_ok=True)
    shutil.rmtree(work, ignore_errors=True)


def _named(index: Index) -> set[str]:
    """Every file that belongs to an index."""
    found = set()
    for file in index.files:
        found |= {file.name, file.ledger_name} | ({file.dead_name} if file.dead_name else set())
    return found


def clear_leftovers(folder: Folder, index: Index) -> None:
    """Remove what a stopped writer left behind: files of the store's naming that no index names."""
    shutil.rmtree(folder.local / WORK_NAME, ignore_errors=True)
    named = _named(index)
    for pattern in ("records-*.parquet", "unplaced-*.parquet", "records-*.npy", "unplaced-*.npy"):
        for path in folder.local.glob(pattern):
            if path.name not in named:
                path.unlink()


def compacted(folder: Folder, index: Index, *, work: Path, progress: Progress) -> Index:
    """All files of a store merged along the curve, without the rows that were replaced."""
    files: list[StoredFile] = []
    serial = index.serial
    sources = sorted({key for file in index.files for key in file.sources})
    for kind in KINDS:
        old: Iterable[StoredFile] = index.of_kind(kind)
        runs = [StoredRun(folder, file) for file in old]
        dead = [dead_rows(folder, file) for file in old]
        made = write_files(
            runs, dead, kind=kind, work=work, serial=serial, sources=sources, progress=progress
        )
        serial += len(made)
        files += made
    return index.changed(files=tuple(files), serial=serial)
