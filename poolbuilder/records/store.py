"""The record store: millions of records in sorted Parquet files, asked by place."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import StoreError
from poolbuilder.files import PRIVATE, SHARED, disk_errors, private_folder
from poolbuilder.places import geodesy
from poolbuilder.records.store_files import (
    DEGREES,
    INDEX_NAME,
    REPAIR,
    ROW_BITS,
    SCHEMAS,
    AddResult,
    Bools,
    Findings,
    Floats,
    Folder,
    Index,
    Progress,
    RemoveResult,
    Rows,
    StoredFile,
    points,
    rows_of,
    to_records,
)

if TYPE_CHECKING:
    from poolbuilder.records.store_add import Writer
    from poolbuilder.settings import Settings


Box = tuple[float, float, float, float]
Place = tuple[float, float, float]
"""Longitude and latitude in degrees, and reach in km."""


def within(longitude: Floats, latitude: Floats, *, of: tuple[float, float], reach_km: float) -> Bools:
    """Which points lie within a geodesic distance of a place.

    Straight-line distances settle all points but those within metres of the edge; for these
    the geodesic is solved, so the answer is the geodesic's for every point.
    """
    inside, outside = geodesy.chord_bounds_m(reach_km)
    offset = geodesy.to_ecef(longitude, latitude) - geodesy.to_ecef(of[0], of[1])
    chord = np.sqrt(np.einsum("ij,ij->i", offset, offset))
    found = np.asarray(chord < inside)
    doubt = np.flatnonzero(~found & (chord <= outside))
    if len(doubt):
        exact = geodesy.distance_km(
            longitude[doubt], latitude[doubt], from_longitude=of[0], from_latitude=of[1]
        )
        found[doubt] = exact <= reach_km
    return found


def groups_meeting(file: StoredFile, wanted: list[Box]) -> Bools:
    """Which row groups of a file meet any of the wanted boxes."""
    found = np.zeros(len(file.rows), dtype=bool)
    for west, south, east, north in wanted:
        left, below, right, above = file.box.T
        found |= (left <= east) & (right >= west) & (below <= north) & (above >= south)
    return found


def _in_boxes(longitude: Floats, latitude: Floats, wanted: list[Box]) -> Bools:
    found = np.zeros(len(longitude), dtype=bool)
    for west, south, east, north in wanted:
        found |= (longitude >= west) & (longitude <= east) & (latitude >= south) & (latitude <= north)
    return found


@dataclass(frozen=True, kw_only=True)
class _Groups:
    """Some row groups of a file: their coordinates, where each begins and ends, and which rows count."""

    groups: Rows
    starts: Rows
    ends: Rows
    longitude: Floats
    latitude: Floats
    counts: Bools

    @classmethod
    def read(
        cls, folder: Folder, file: StoredFile, parquet: pq.ParquetFile, groups: Rows, replaced: Rows
    ) -> _Groups:
        """The coordinates of these row groups."""
        rows = np.array(file.rows, dtype=np.int64)
        ends = np.cumsum(rows[groups])
        if parquet.metadata.num_row_groups == len(rows):
            x, y = points(parquet.read_row_groups(groups.tolist(), columns=["geometry.x", "geometry.y"]))
        if parquet.metadata.num_row_groups != len(rows) or len(x) != ends[-1]:
            raise StoreError.of("does_not_fit", name=folder.label(file.name), repair=REPAIR)
        counts = np.ones(len(x), dtype=bool)
        first = file.serial << ROW_BITS
        dead = replaced[slice(*np.searchsorted(replaced, [first, first + (1 << ROW_BITS)]))] - first
        if len(dead):
            number = np.arange(len(x)) + np.repeat((np.cumsum(rows)[groups] - ends), rows[groups])
            counts[np.isin(number, dead)] = False
        return cls(
            groups=groups, starts=ends - rows[groups], ends=ends, longitude=x, latitude=y, counts=counts
        )

    def near(self, place: Place, boxes: list[Box], met: Bools) -> Rows:
        """Positions of the rows that count and lie within reach; *met* says which groups can hold any."""
        spans = [np.arange(self.starts[at], self.ends[at]) for at in np.flatnonzero(met)]
        rows = np.concatenate([np.zeros(0, np.int64), *spans])
        rows = rows[self.counts[rows] & _in_boxes(self.longitude[rows], self.latitude[rows], boxes)]
        hit = within(self.longitude[rows], self.latitude[rows], of=place[:2], reach_km=place[2])
        found: Rows = rows[hit]
        return found

    def records(self, parquet: pq.ParquetFile, file: StoredFile, rows: Rows) -> pa.Table:
        """The rows at these positions as RECORDS; only groups that hold any are read."""
        which = np.searchsorted(self.ends, rows, side="right")
        used = np.unique(which)
        before = np.cumsum(self.ends[used] - self.starts[used]) - (self.ends[used] - self.starts[used])
        unread = {"geometry", "sourceNumber", *file.empty}
        wanted = [name for name in SCHEMAS["placed"].names if name not in unread]
        read = parquet.read_row_groups(self.groups[used].tolist(), columns=wanted)
        found = tables.take(read, rows - self.starts[which] + before[np.searchsorted(used, which)])
        for name, values in zip(DEGREES, (self.longitude, self.latitude), strict=True):
            found = found.append_column(name, tables.array(values[rows], pa.float64()))
        return to_records(found)


def _hits(
    folder: Folder, index: Index, places: Sequence[Place], *, counted: bool = False
) -> Iterator[tuple[pa.Table | None, list[Rows]]]:
    """File by file the records within reach of any place, and each place's rows of them.

    When only *counted*, no more than coordinates are read, and there is no table.
    """
    boxes = [geodesy.covering_box(*place) for place in places]
    for file in index.of_kind("placed") if places else []:
        met = np.stack([groups_meeting(file, wanted) for wanted in boxes])
        groups = np.flatnonzero(met.any(axis=0))
        if not len(groups):
            continue
        with folder.parquet(file.name, size=file.size) as parquet:
            read = _Groups.read(folder, file, parquet, groups, folder.replaced(index))
            hits = [
                read.near(place, wanted, mine[groups])
                for place, wanted, mine in zip(places, boxes, met, strict=True)
            ]
            rows = np.unique(np.concatenate(hits))
            if len(rows):
                table = None if counted else read.records(parquet, file, rows)
                yield table, [np.searchsorted(rows, hit) for hit in hits]


def count_near(folder: Folder, index: Index, place: Place) -> int:
    """How many placed records are within reach of a place; only coordinates are read."""
    return sum(len(hits[0]) for _, hits in _hits(folder, index, [place], counted=True))


def near_each(folder: Folder, index: Index, places: Sequence[Place]) -> tuple[pa.Table, list[Rows]]:
    """Placed records within reach of any place, by key, and the rows of each place."""
    parts = [to_records(pa.Table.from_arrays([], names=[]))]
    rows: list[list[Rows]] = [[np.zeros(0, np.int64)] for _ in places]
    start = 0
    for found, hits in _hits(folder, index, places):
        assert found is not None
        parts.append(found)
        for mine, more in zip(rows, hits, strict=True):
            mine.append(more + start)
        start += found.num_rows
    joined = pa.concat_tables(parts).combine_chunks()
    order = tables.order(joined, [("recordKey", "ascending")])
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return tables.take(joined, order), [np.sort(rank[np.concatenate(mine)]) for mine in rows]


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

    Examples
    --------
    >>> import tempfile
    >>> from importlib import resources
    >>> records = resources.files("poolbuilder") / "demo_data" / "records.zip"
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     store = Store(Path(folder) / "store")
    ...     _ = store.add([records])
    ...     store.records, store.select(longitude=-91.2, latitude=36.9, reach_km=40).num_rows > 500
    (2776, True)
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
        return tuple({key: source[key] for key in source if key != "number"} for source in self.index.sources)

    def datasets(self) -> tuple[dict[str, Any], ...]:
        """Data sets: datasetKey, title, citation, license; sorted by key."""
        return self.index.datasets

    def select(self, *, longitude: float, latitude: float, reach_km: float) -> pa.Table:
        """Every record within *reach_km* of a place, by its coordinates as given.

        Parameters
        ----------
        longitude, latitude : float
            The place, in degrees.
        reach_km : float
            Geodesic distance on WGS84.  Coordinates are taken as they were given, whatever
            their datum; to reach all records within r km after a datum shift, ask for r plus
            the largest shift.

        Returns
        -------
        Table, schema RECORDS
            Sorted by recordKey, whatever the order in which records were added.

        Raises
        ------
        StoreError
            When the store is broken, of another version or not readable.
        """
        return self.select_each(longitude=[longitude], latitude=[latitude], reach_km=[reach_km])[0]

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
        places = list(zip(longitude, latitude, reach_km, strict=True))
        index = self.index
        try:
            return near_each(self._folder, index, places)
        except StoreError:
            self._seen = None
            if self.index.generation == index.generation:
                raise
            return near_each(self._folder, self.index, places)  # another process changed the store

    def count_near(self, longitude: float, latitude: float, reach_km: float) -> int:
        """How many records are within *reach_km* of a place; only their coordinates are read."""
        return count_near(self._folder, self.index, (longitude, latitude, reach_km))

    def batches(self) -> Iterator[pa.Table]:
        """Every record, in RECORDS tables of up to 16,384 rows, file by file."""
        index = self.index
        for file in index.files:
            yield from map(to_records, rows_of(self._folder, index, file))

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
        return self._writer(progress).add_sources([(dict(source), parts, datasets)])

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
