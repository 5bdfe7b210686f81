"""The record store: millions of records in sorted Parquet files, asked by place.

::

    index.json              what belongs to the store; replaced last, all at once
    records-000001.parquet  placed records along a Hilbert curve (GeoParquet 1.1)
    unplaced-000002.parquet records without coordinates on the globe
    records-000001.keys.npy hashes of the record keys, to know a record again
    lock                    one writer at a time
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import schemas
from poolbuilder.errors import StoreError
from poolbuilder.records.store import ingest, repair, select
from poolbuilder.records.store.folder import Folder, told
from poolbuilder.records.store.incoming import RUN_BYTES, Incoming, Progress, silent
from poolbuilder.records.store.index import INDEX_NAME, Index
from poolbuilder.records.store.lock import held
from poolbuilder.records.store.repair import Findings
from poolbuilder.settings import Settings

__all__ = ["AddResult", "Findings", "Progress", "Store"]


@dataclass(frozen=True, kw_only=True)
class AddResult:
    """What an add did; read = placed + unplaced, of which outdated were not the newest version."""

    read: int = 0
    placed: int = 0
    unplaced: int = 0
    replaced: int = 0
    outdated: int = 0
    sources: tuple[dict[str, Any], ...] = ()
    skipped: tuple[dict[str, Any], ...] = ()
    notes: tuple[str, ...] = ()


class Store:
    """A record store in a folder.

    Parameters
    ----------
    place : path or address
        The folder; it need not exist before the first add.  An address such as
        ``s3://bucket/store`` can be read, not written.
    wait_s : float
        How long a writer waits for another one before it gives up.
    waiting : callable, optional
        Told once, in words, when a writer has to wait.

    Notes
    -----
    Reading needs no lock: files never change, and the index is replaced as a whole.
    """

    def __init__(
        self,
        place: str | Path,
        *,
        wait_s: float = 600.0,
        waiting: Callable[[str], None] | None = None,
        run_bytes: int = RUN_BYTES,
    ) -> None:
        self._folder = Folder(place)
        self._wait_s, self._waiting, self._run_bytes = wait_s, waiting, run_bytes
        self._seen: tuple[Any, Index] | None = None

    def __repr__(self) -> str:
        return f"Store({self._folder.name!r})"

    @property
    def path(self) -> Path:
        """The folder on disk."""
        return self._folder.local

    @property
    def index(self) -> Index:
        """The index as it is now."""
        stamp = self._folder.stamp(INDEX_NAME)
        if self._seen is None or stamp is None or self._seen[0] != stamp:
            self._seen = (stamp, Index.read(self._folder))
        return self._seen[1]

    @property
    def is_empty(self) -> bool:
        """Whether there is no record."""
        return self.index.records == 0

    @property
    def records(self) -> int:
        """How many records there are; replaced versions do not count."""
        return self.index.records

    def sources(self) -> tuple[dict[str, Any], ...]:
        """What was added: path, sha256, rows, added (when, as the caller said), rename."""
        return self.index.sources

    def datasets(self) -> tuple[dict[str, Any], ...]:
        """Data sets: datasetKey, title, citation, license; sorted by key."""
        return self.index.datasets

    def select(
        self, *, longitude: float, latitude: float, reach_km: float, include_unplaced: bool = False
    ) -> pa.Table:
        """Every record within *reach_km* of a place, by its coordinates as given.

        Parameters
        ----------
        longitude, latitude : float
            The place, in degrees.
        reach_km : float
            Geodesic distance on WGS84.  Coordinates are taken as they were given, whatever
            their datum; to reach all records within r km after a datum shift, ask for r plus
            the largest shift.
        include_unplaced : bool
            Also every record of the store without coordinates on the globe.  No place can be
            near them; a pool that asks for them counts them as read and rejected.

        Returns
        -------
        Table, schema RECORDS
            Sorted by recordKey, whatever the order in which records were added.

        Raises
        ------
        StoreError
            When the store is broken, of another version or not readable.
        """
        index = self.index
        try:
            return self._selected(index, longitude, latitude, reach_km, include_unplaced)
        except StoreError:
            self._seen = None
            if self.index.generation == index.generation:
                raise
            return self._selected(self.index, longitude, latitude, reach_km, include_unplaced)

    def _selected(
        self, index: Index, longitude: float, latitude: float, reach_km: float, include_unplaced: bool
    ) -> pa.Table:
        found = list(select.near(self._folder, index, (longitude, latitude, reach_km)))
        if include_unplaced:
            found += select.unplaced(self._folder, index)
        return schemas.check(select.by_key(found), schemas.RECORDS, "store")

    def select_each(
        self, *, longitude: Sequence[float], latitude: Sequence[float], reach_km: Sequence[float]
    ) -> tuple[pa.Table, list[NDArray[np.int64]]]:
        """What `select` gives for each of several places, read in one pass.

        Returns
        -------
        Table, schema RECORDS
            Every record within reach of any place, sorted by recordKey.
        list of int64 arrays
            For each place, its rows of the table, ascending: the rows that `select` gives.
        """
        index = self.index
        places = list(zip(longitude, latitude, reach_km, strict=True))
        return select.near_each(self._folder, index, places)

    def count_near(self, longitude: float, latitude: float, reach_km: float) -> int:
        """How many records are within *reach_km* of a place; only their coordinates are read."""
        return select.count_near(self._folder, self.index, (longitude, latitude, reach_km))

    def unplaced(self) -> pa.Table:
        """Records without coordinates on the globe; RECORDS, sorted by recordKey."""
        return select.by_key(list(select.unplaced(self._folder, self.index)))

    def batches(self) -> Iterator[pa.Table]:
        """Every record, in RECORDS tables of up to 16,384 rows, file by file."""
        return select.everything(self._folder, self.index)

    def add(
        self,
        paths: Sequence[str | Path],
        *,
        rename: Mapping[str, str] | None = None,
        settings: Settings | None = None,
        added: str | None = None,
        progress: Progress | None = None,
    ) -> AddResult:
        """Add occurrence tables and archives; all of them, or none when one cannot be read.

        Parameters
        ----------
        paths : sequence of path
        rename : mapping, optional
            Column name in the files to Darwin Core term.
        settings : Settings, optional
        added : str, optional
            The day of adding, as the caller wants it noted.
        progress : callable, optional
            Called as ``progress(doing, done, total)``; total is None while it is not known.

        Raises
        ------
        RecordFileError
            When a file cannot be read; the store is as it was.
        StoreError
            When the store cannot be written; the store is as it was.
        """
        from poolbuilder.records.darwin_core import read_records

        rename = dict(rename or {})
        settings = settings or Settings()
        with self._writing() as (index, work):
            incoming = Incoming(work, run_bytes=self._run_bytes)
            made: list[dict[str, Any]] = []
            skipped: list[dict[str, Any]] = []
            notes: list[str] = []
            datasets: list[Mapping[str, Any]] = []
            for path in paths:
                file = read_records(path, rename=rename or None, settings=settings)
                source = {**file.source, "added": added, "rename": rename}
                source["key"] = _source_key(source)
                if index.knows(source["key"]) or any(item["key"] == source["key"] for item in made):
                    skipped.append(source)
                    continue
                before = incoming.read
                for batch in file.batches():
                    incoming.push(batch)
                    (progress or silent)("reading", incoming.read, None)
                made.append({**source, **file.source, "rows": incoming.read - before})
                notes += file.notes
                datasets += file.datasets
            result = self._merge(index, incoming, made, datasets, work, progress)
        return replace(result, sources=tuple(made), skipped=tuple(skipped), notes=tuple(notes))

    def add_table(
        self,
        table: pa.Table | Iterable[pa.Table],
        *,
        source: Mapping[str, Any],
        datasets: Iterable[Mapping[str, Any]] = (),
        progress: Progress | None = None,
    ) -> AddResult:
        """Add records of the RECORDS schema, such as a service's answer.

        Parameters
        ----------
        table : Table or iterable of Tables, schema RECORDS
        source : mapping
            At least ``path`` and ``sha256``; what is known by the same hash is not added again.
        datasets : iterable of mappings
            datasetKey, title, citation, license.
        """
        with self._writing() as (index, work):
            about = {**source, "key": _source_key(source)}
            if index.knows(about["key"]):
                return AddResult(skipped=(about,))
            incoming = Incoming(work, run_bytes=self._run_bytes)
            for part in [table] if isinstance(table, pa.Table) else table:
                incoming.push(part)
                (progress or silent)("reading", incoming.read, None)
            about["rows"] = incoming.read
            result = self._merge(index, incoming, [about], datasets, work, progress)
        return replace(result, sources=(about,))

    def _merge(
        self,
        index: Index,
        incoming: Incoming,
        made: Sequence[Mapping[str, Any]],
        datasets: Iterable[Mapping[str, Any]],
        work: Path,
        progress: Progress | None,
    ) -> AddResult:
        if not made:
            return AddResult()
        incoming.finish()
        keys = [str(source["key"]) for source in made]
        merged, replaced, outdated = ingest.merge(
            self._folder, index, incoming, work=work, sources=keys, progress=progress or silent
        )
        after = replace(
            merged,
            sources=(*index.sources, *(dict(source) for source in made)),
            datasets=index.with_datasets(datasets),
        )
        ingest.commit(self._folder, index, after, work=work)
        return AddResult(
            read=incoming.read,
            placed=incoming.count["placed"],
            unplaced=incoming.count["unplaced"],
            replaced=replaced,
            outdated=outdated,
        )

    def compact(self, *, progress: Progress | None = None) -> Index:
        """Merge all files along the curve and leave replaced versions out; returns the new index."""
        with self._writing() as (index, work):
            after = ingest.compacted(self._folder, index, work=work, progress=progress or silent)
            ingest.commit(self._folder, index, after, work=work)
        return self.index

    def check(self, *, progress: Progress | None = None) -> Findings:
        """Look at every file, and repair what can be repaired.

        Nothing is deleted: a broken file is moved to ``damaged/``, the index is rebuilt from
        the good ones, and the sources whose records lay in it may be added again.
        """
        with self._locked() as folder:
            work = _work_folder(folder)
            try:
                findings, after = repair.checked(self._folder, work=work, progress=progress or silent)
                if findings.problems:
                    ingest.commit(self._folder, Index(), after, work=work)
            finally:
                shutil.rmtree(work, ignore_errors=True)
        self._seen = None
        return findings

    @contextmanager
    def _locked(self) -> Iterator[Path]:
        with held(self._folder.local, wait_s=self._wait_s, waiting=self._waiting):
            yield self._folder.local

    @contextmanager
    def _writing(self) -> Iterator[tuple[Index, Path]]:
        """Index and an empty work folder, under the lock; the work folder goes in any case."""
        with self._locked() as folder:
            index = Index.read(self._folder)
            ingest.clear_leftovers(self._folder, index)
            work = _work_folder(folder)
            try:
                yield index, work
            finally:
                shutil.rmtree(work, ignore_errors=True)


def _work_folder(folder: Path) -> Path:
    work = folder / ingest.WORK_NAME
    with told(str(work), "writing"):
        work.mkdir(exist_ok=True)
    return work


def _source_key(source: Mapping[str, Any]) -> str:
    """Identity of a source: its bytes, and how its columns were read."""
    for name in ("path", "sha256"):
        if not source.get(name):
            raise StoreError(f"source without {name} (give path and sha256, so that it is not added twice)")
    renamed = source.get("rename")
    if not renamed:
        return str(source["sha256"])
    content = json.dumps([source["sha256"], renamed], sort_keys=True)
    return hashlib.sha256(content.encode()).hexdigest()
