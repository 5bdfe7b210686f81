"""The record store: millions of records in sorted Parquet files, asked by place.

::

    index.json              what belongs to the store; replaced last, all at once
    records-000001.parquet  placed records along a Hilbert curve (GeoParquet 1.1)
    unplaced-000002.parquet records without coordinates on the globe
    records-000001.dead-000002.npy  its rows that a newer version has replaced
    lock                    one writer at a time
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import schemas
from poolbuilder.errors import StoreError
from poolbuilder.files import PRIVATE, SHARED, disk_errors, private_folder
from poolbuilder.records import store_select as near
from poolbuilder.records.store_files import (
    INDEX_NAME,
    AddResult,
    Findings,
    Folder,
    Index,
    Progress,
    RemoveResult,
)

if TYPE_CHECKING:
    from poolbuilder.records.store_add import Writer
    from poolbuilder.settings import Settings

__all__ = ["AddResult", "Findings", "Progress", "RemoveResult", "Store"]


def _silent(doing: str, done: int, total: int | None) -> None:
    """Tell nobody."""


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
        Called once, with words, when a writer has to wait.
    memory_mib : int
        What sorting new records may take before it goes on on disk.

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
        memory_mib: int = 1536,
    ) -> None:
        self._folder = Folder(place)
        self._wait_s, self._waiting, self._memory_mib = wait_s, waiting, memory_mib
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
        found = list(near.near(self._folder, index, (longitude, latitude, reach_km)))
        if include_unplaced:
            found += near.unplaced(self._folder, index)
        one = len(found) == 1 and not include_unplaced
        return schemas.check(found[0] if one else near.by_key(found), schemas.RECORDS, "store")

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
        return near.near_each(self._folder, index, places)

    def count_near(self, longitude: float, latitude: float, reach_km: float) -> int:
        """How many records are within *reach_km* of a place; only their coordinates are read."""
        return near.count_near(self._folder, self.index, (longitude, latitude, reach_km))

    def unplaced(self) -> pa.Table:
        """Records without coordinates on the globe; RECORDS, sorted by recordKey."""
        return near.by_key(list(near.unplaced(self._folder, self.index)))

    def batches(self) -> Iterator[pa.Table]:
        """Every record, in RECORDS tables of up to 16,384 rows, file by file."""
        return near.everything(self._folder, self.index)

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
        return self._writer(progress).add(paths, rename or {}, settings, added)

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
            Repeated text may come as codes (a dictionary of int32).
        source : mapping
            At least ``path`` and ``sha256``; what is known by the same hash is not added again.
        datasets : iterable of mappings
            datasetKey, title, citation, license.
        """
        parts = [table] if isinstance(table, pa.Table) else table
        return self._writer(progress).add_tables(parts, source, datasets)

    def remove(self, source: str, *, progress: Progress | None = None) -> RemoveResult:
        """Take what was added from a source out again; older versions that it replaced count again.

        Parameters
        ----------
        source : str
            Its path as in `sources`, the name of its file, or its SHA-256.

        Raises
        ------
        StoreError
            When no such source was added, or the store cannot be written.
        """
        return self._writer(progress).remove(source)

    def share(self, *, everyone: bool) -> None:
        """Let everyone on this computer read the store and the fetches in it, or their owner alone.

        A new store is its owner's: localities of rare species are in it.
        """
        with disk_errors(self.path, StoreError):
            private_folder(self.path)
            self.path.chmod(SHARED if everyone else PRIVATE)

    def compact(self, *, progress: Progress | None = None) -> Index:
        """Merge all files along the curve and leave out, for good, what no longer counts; the new index."""
        self._writer(progress).compact()
        return self.index

    def check(self, *, progress: Progress | None = None) -> Findings:
        """Read every file, its texts too, and repair what can be repaired.

        Nothing is deleted: a broken file is moved to ``damaged/``, the index is rebuilt from
        the good ones, and the sources whose records lay in it may be added again.
        """
        found = self._writer(progress).check()
        self._seen = None
        self._folder.footers.clear()
        return found

    def _writer(self, progress: Progress | None) -> Writer:
        from poolbuilder.records.store_add import Writer  # reading alone is quick without it

        return Writer(
            self._folder,
            wait_s=self._wait_s,
            waiting=self._waiting,
            memory_mib=self._memory_mib,
            progress=progress or _silent,
        )
