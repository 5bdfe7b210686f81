"""The record store: millions of records in sorted Parquet files, asked by place.

::

    index.json              what belongs to the store; replaced last, all at once
    records-000001.parquet  placed records along a Hilbert curve (GeoParquet 1.1)
    unplaced-000002.parquet records without coordinates on the globe
    records-000001.keys.npy hashes of the record keys, to know a record again
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
from poolbuilder.records.store import select
from poolbuilder.records.store.folder import Folder
from poolbuilder.records.store.index import INDEX_NAME, Index
from poolbuilder.records.store.outcome import AddResult, Findings, Progress, silent

if TYPE_CHECKING:
    from poolbuilder.records.store.writer import Writer
    from poolbuilder.settings import Settings

__all__ = ["AddResult", "Findings", "Progress", "Store"]


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
        run_bytes: int = 192 << 20,
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
        one = len(found) == 1 and not include_unplaced
        return schemas.check(found[0] if one else select.by_key(found), schemas.RECORDS, "store")

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
        from poolbuilder.records.store.writer import Writer

        return self._write(Writer).add(paths, rename or {}, settings, added, progress or silent)

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
            Repeated text may come as codes (a dictionary of int32), which is quicker.
        source : mapping
            At least ``path`` and ``sha256``; what is known by the same hash is not added again.
        datasets : iterable of mappings
            datasetKey, title, citation, license.
        """
        from poolbuilder.records.store.writer import Writer

        tables = [table] if isinstance(table, pa.Table) else table
        return self._write(Writer).add_tables(tables, source, datasets, progress or silent)

    def compact(self, *, progress: Progress | None = None) -> Index:
        """Merge all files along the curve and leave replaced versions out; returns the new index."""
        from poolbuilder.records.store.writer import Writer

        self._write(Writer).compact(progress or silent)
        return self.index

    def check(self, *, progress: Progress | None = None) -> Findings:
        """Look at every file, and repair what can be repaired.

        Nothing is deleted: a broken file is moved to ``damaged/``, the index is rebuilt from
        the good ones, and the sources whose records lay in it may be added again.
        """
        from poolbuilder.records.store.writer import Writer

        found = self._write(Writer).check(progress or silent)
        self._seen = None
        self._folder.footers.clear()
        return found

    def _write(self, writer: type[Writer]) -> Writer:
        return writer(self._folder, wait_s=self._wait_s, waiting=self._waiting, run_bytes=self._run_bytes)
