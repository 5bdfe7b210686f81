"""The record store: millions of records in sorted Parquet files, asked by place.

Adding, removing, compacting and repairing are done by one writer at a time, all or nothing.  New
records are staged in a Parquet file as they come; DuckDB then finds the newest version of each
record and sorts along the curve, spilling to disk beyond its share of memory.  Nothing counts
until the index is replaced: files are written in a folder of their own, renamed beside the
others, and only then named by the new index.  A process killed before that leaves files which no
index names; the next writer clears them away.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from poolbuilder import schemas, tables
from poolbuilder.errors import StoreError, TableError, said
from poolbuilder.files import (
    PRIVATE,
    SHARED,
    disk_errors,
    is_full,
    locked,
    private_folder,
    to_disk,
    write_whole,
)
from poolbuilder.records import store_files as layout
from poolbuilder.records.store_files import PREFIX, ROW_BITS, Folder, Index, Rows, StoredFile, store_errors

if TYPE_CHECKING:
    import duckdb

    from poolbuilder.settings import Settings

WORK_NAME = "adding"
DAMAGED_NAME = "damaged"
LOCK_NAME = "lock"
STAGE_ROWS = 65_536

Progress = Callable[[str, int, "int | None"], None]
"""Called with what is being done, how many rows are done, and of how many (None: not known)."""
Source = tuple[dict[str, Any], Iterable[pa.Table], Iterable[Mapping[str, Any]]]
"""What is noted of a source, its tables and its data sets."""


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


@dataclass(frozen=True, kw_only=True)
class RemoveResult:
    """What taking a source out did.

    ``sources`` are out; those in ``again`` were added earlier, and older versions of their
    records are no longer kept: add them again.  ``before`` and ``after`` count the store's
    records.  When ``left``, bytes of the source remain in files that hold others too.
    """

    sources: tuple[dict[str, Any], ...]
    again: tuple[dict[str, Any], ...]
    before: int
    after: int
    left: bool


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What a check found.

    ``problems`` says what was wrong, one sentence each; ``again`` lists the sources that have
    to be added again, because some of their records lay in a broken file.
    """

    files: int
    records: int
    problems: tuple[str, ...]
    again: tuple[dict[str, Any], ...]


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
        stamp = self._folder.stamp(layout.INDEX_NAME)
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
        coded, _ = self.select_each(longitude=[longitude], latitude=[latitude], reach_km=[reach_km])
        return layout.completed(coded, schemas.RECORDS)

    def select_each(
        self, *, longitude: Sequence[float], latitude: Sequence[float], reach_km: Sequence[float]
    ) -> tuple[pa.Table, list[NDArray[np.int64]]]:
        """What `select` gives for each of several places, read in one pass.

        Returns
        -------
        Table, schema RECORDS
            Every record within reach of any place, sorted by recordKey; repeated text in codes.
        list of int64 arrays
            For each place, its rows of the table, ascending: the rows that `select` gives.
        """
        places = list(zip(longitude, latitude, reach_km, strict=True))
        index = self.index
        try:
            return layout.near_each(self._folder, index, places)
        except StoreError:
            self._seen = None
            if self.index.generation == index.generation:
                raise
            return layout.near_each(self._folder, self.index, places)  # another process changed the store

    def count_near(self, longitude: float, latitude: float, reach_km: float) -> int:
        """How many records are within *reach_km* of a place; only their coordinates are read."""
        return layout.count_near(self._folder, self.index, (longitude, latitude, reach_km))

    def batches(self) -> Iterator[pa.Table]:
        """Every record, in RECORDS tables of up to 16,384 rows, file by file."""
        index = self.index
        for file in index.files:
            yield from map(layout.to_records, layout.rows_of(self._folder, index, file))

    def add(
        self,
        paths: Sequence[str | Path],
        *,
        rename: Mapping[str, str] | None = None,
        settings: Settings | None = None,
        added: str | None = None,
        progress: Progress = _silent,
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
        from poolbuilder.records.reading import open_all  # selecting is quick without it

        notes: list[str] = []

        def sources() -> Iterator[Source]:
            for file in open_all(paths, rename=rename, settings=settings):
                about = {**file.source, "added": added, "rename": dict(rename or {})}
                yield about, file.batches(), file.datasets
                about |= file.source  # what was only known when it was read
                notes.extend(file.notes)

        return replace(self._add(sources(), progress), notes=tuple(notes))

    def add_table(
        self,
        table: pa.Table | Iterable[pa.Table],
        *,
        source: Mapping[str, Any],
        datasets: Iterable[Mapping[str, Any]] = (),
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
        return self._add([(dict(source), parts, datasets)])

    def _add(self, given: Iterable[Source], progress: Progress = _silent) -> AddResult:
        """Add sources; those that are known are skipped."""
        with self._writing() as work:
            index = self._cleared()
            skipped: list[dict[str, Any]] = []
            sources: list[dict[str, Any]] = []
            datasets = {str(item.get("datasetKey")): dict(item) for item in index.datasets}

            def batches() -> Iterator[tuple[pa.Table, int]]:
                for source, parts, described in given:
                    source["key"] = _source_key(source)
                    if any(source["key"] == item["key"] for item in (*index.sources, *sources)):
                        skipped.append(source)
                        continue
                    source |= {"number": index.source_serial + len(sources) + 1, "rows": 0}
                    for table in parts:
                        yield table, source["number"]
                        source["rows"] += len(table)
                    sources.append(source)
                    datasets.update({str(item.get("datasetKey")): dict(item) for item in described})

            staged = _staged(work, batches(), lambda done: progress("reading", done, None))
            if not sources:
                return AddResult(skipped=tuple(skipped))
            known = self._folder.replaced(index)
            with _database(work, self._memory_mib) as database:
                numbers = [source["number"] for source in sources]
                made = list(_sorted_files(database, staged, index.serial, numbers, progress))
                new = [work / file.name for file in made]
                lost = np.union1d(known, self._lost(database, index, work, new))
            outdated = int((lost >> ROW_BITS > index.serial).sum())
            after = replace(
                index,
                source_serial=index.source_serial + len(sources),
                sources=(*index.sources, *sources),
                datasets=tuple(datasets[key] for key in sorted(datasets)),
                files=(*index.files, *made),
            )
            self._commit(index, _without_dead(after, lost), work)
        return AddResult(
            read=sum(staged.count.values()),
            placed=staged.count["placed"],
            unplaced=staged.count["unplaced"],
            replaced=len(lost) - len(known) - outdated,
            outdated=outdated,
            sources=tuple(sources),
            skipped=tuple(skipped),
        )

    def remove(self, source: str) -> RemoveResult:
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
        with self._writing() as work:
            index = self._cleared()
            gone = [item for item in index.sources if source in _names(item)]
            if not gone:
                known = ", ".join(str(item["path"]) for item in index.sources[-5:]) or "nothing"
                raise StoreError.of("no_source_youngest", name=self._folder.name, named=source, known=known)
            numbers = {item["number"] for item in gone}
            again = [
                item
                for item in index.sources
                if item.get("thinned") and item not in gone and item["number"] < max(numbers)
            ]
            after = replace(
                index,
                files=tuple(file for file in index.files if not set(file.sources) <= numbers),
                sources=tuple(item for item in index.sources if item not in (*gone, *again)),
                removed=tuple(sorted({*index.removed, *numbers})),
            )
            left = any(numbers & set(file.sources) for file in after.files)
            after = self._commit(index, _without_dead(after, self._all_lost(after, work)), work)
        return RemoveResult(
            sources=tuple(gone), again=tuple(again), before=index.records, after=after.records, left=left
        )

    def share(self, *, everyone: bool) -> None:
        """Let everyone on this computer read the store and the fetches in it, or their owner alone.

        A new store is its owner's: localities of rare species are in it.
        """
        with disk_errors(self.path, StoreError):
            private_folder(self.path)
            self.path.chmod(SHARED if everyone else PRIVATE)

    def compact(self, *, progress: Progress = _silent) -> Index:
        """Merge all files along the curve and leave out, for good, what no longer counts; the new index."""
        with self._writing() as work:
            index = self._cleared()
            batches = (
                (layout.to_records(rows), rows.column("sourceNumber"))
                for file in index.files
                for rows in layout.rows_of(self._folder, index, file)
            )
            staged = _staged(work, batches, lambda done: progress("reading", done, index.records))
            with _database(work, self._memory_mib) as database:
                numbers = sorted({number for file in index.files for number in file.sources})
                made = list(_sorted_files(database, staged, index.serial, numbers, progress))
            sources = _thinned(index, index.files, self._folder.replaced(index))
            after = replace(index, files=tuple(made), sources=sources, removed=())
            return self._commit(index, (after, np.zeros(0, np.int64)), work)

    def check(self, *, progress: Progress = _silent) -> Findings:
        """Read every file, its texts too, and repair what can be repaired.

        Nothing is deleted: a broken file is moved to ``damaged/``, the index is rebuilt from
        the good ones, and the sources whose records lay in it may be added again.
        """
        with self._writing() as work:
            self._folder.known.clear()
            problems: list[str] = []
            index = _trusted_index(self._folder, problems)
            good, lost = self._good_files(index, problems, progress)
            after = replace(
                index,
                files=tuple(good),
                source_serial=max([index.source_serial, *(max(file.sources) for file in good)]),
                sources=tuple(source for source in index.sources if source["number"] not in lost),
            )
            rows = self._all_lost(after, work)
            try:
                known = self._folder.replaced(index)
                known = known[np.isin(known >> ROW_BITS, [file.serial for file in good])]
                if not np.array_equal(known, rows):
                    problems.append(said("replaced_versions_marked", name=self._folder.name))
            except StoreError as error:
                problems.append(str(error))
            after, rows = _without_dead(after, rows)
            if problems:
                after = self._commit(replace(index, files=()), (after, rows), work)
        self._seen = None
        return Findings(
            files=len(after.files),
            records=after.records,
            problems=tuple(dict.fromkeys(problems)),
            again=tuple(source for source in index.sources if source["number"] in lost),
        )

    def _good_files(
        self, index: Index, problems: list[str], progress: Progress
    ) -> tuple[list[StoredFile], set[int]]:
        """Files as they really are, and the sources whose records lay in one that is broken."""
        listed = {file.name: file for file in index.files}
        names = list(listed)
        if problems:
            names = sorted(
                path.name for stem in PREFIX.values() for path in self.path.glob(f"{stem}-*.parquet")
            )
        good, lost = [], set()
        for number, name in enumerate(names):
            progress("checking", number, len(names))
            try:
                good.append(_examined(self._folder, name, listed.get(name), problems))
            except StoreError as error:
                problems.append(str(error))
                lost |= set(listed[name].sources) if name in listed else set()
                if (self.path / name).is_file():
                    with store_errors(str(self.path / name), "moving"):
                        (self.path / DAMAGED_NAME).mkdir(exist_ok=True)
                        (self.path / name).replace(self.path / DAMAGED_NAME / name)
        progress("checking", len(names), len(names))
        return good, lost

    def _lost(
        self, database: duckdb.DuckDBPyConnection, index: Index, work: Path, new: Sequence[Path] = ()
    ) -> Rows:
        """Rows of the store, and of the *new* files, that do not count; of all of it where none are new."""
        template = work / "unplaced-0.parquet"  # older files lack a column, and a list may not be empty
        pq.write_table(layout.SCHEMAS["unplaced"].empty_table(), template)
        paths = _literal([template, *(self.path / file.name for file in index.files), *new])
        gone = ", ".join(map(str, (-1, *index.removed)))
        among = f"and hash(recordKey) in (select hash(recordKey) from {_FILES.format(_literal(new))})"
        database.execute(_CHANGED)
        database.execute(_STORED.format(files=_FILES.format(paths)))
        database.execute(_LOST.format(gone=gone, among=among if new else ""))
        removed = f"select row from stored where sourceNumber in ({gone})"
        found = database.execute(f"select row from lost {'' if new else 'union all ' + removed}").fetchnumpy()
        return np.unique(np.asarray(found["row"], dtype=np.int64))

    def _all_lost(self, index: Index, work: Path) -> Rows:
        """Every row of the store that does not count, found anew."""
        with _database(work, self._memory_mib) as database:
            return self._lost(database, index, work)

    def _commit(self, before: Index, made: tuple[Index, Rows], work: Path) -> Index:
        """Make an index the store's, with the rows that do not count; what only *before* names goes."""
        after, rows = made
        serials = [before.serial, after.serial, *(file.serial for file in after.files)]
        generation = before.generation + 1
        replaced = f"replaced-{generation:06d}.npy" if len(rows) else None
        after = replace(after, generation=generation, serial=max(serials), replaced=replaced)
        after = replace(after, replaced_rows=len(rows))
        with store_errors(str(self.path), "writing"):
            if replaced:
                np.save(work / replaced, np.sort(rows))
            for name in sorted(after.names):
                if (work / name).exists():
                    (work / name).replace(self.path / name)
        for name in (layout.INDEX_NAME, layout.COPY_NAME):
            write_whole(self.path / name, after.as_bytes(), StoreError)
        for name in before.names - after.names:
            (self.path / name).unlink(missing_ok=True)
        return after

    @contextmanager
    def _writing(self) -> Iterator[Path]:
        """An empty work folder, under the lock; it goes in any case."""
        work = self.path / WORK_NAME
        with disk_errors(self.path, StoreError):
            private_folder(self.path)
        with locked(self.path / LOCK_NAME, wait_s=self._wait_s, waiting=self._waiting):
            shutil.rmtree(work, ignore_errors=True)
            try:
                with store_errors(str(work), "writing"):
                    work.mkdir()
                yield work
            finally:
                shutil.rmtree(work, ignore_errors=True)

    def _cleared(self) -> Index:
        """The index, once what a stopped writer left behind is removed."""
        index = Index.read(self._folder)
        for pattern in ("records-*.parquet", "unplaced-*.parquet", "replaced-*.npy"):
            for path in self.path.glob(pattern):
                if path.name not in index.names:
                    path.unlink()
        return index


# Which version of a record counts: the one modified last; where a version does not say when it
# was modified, the one that came last.  So a version without a time replaces all that came
# before it, and of those since the last such version the latest time wins.
_CHANGED = """create macro changed(words) as case when regexp_matches(words, '^[0-9]{4}(-|$)')
    then rpad(regexp_replace(left(words, 19), '[^0-9]', '', 'g'), 14, '0') end"""
# A row of the store is its file's number and its row there.
_FILES = "read_parquet({}, filename = true, file_row_number = true, union_by_name = true)"
_STORED = f"""create view stored as select
        regexp_extract(filename, '(\\d+).parquet$', 1)::bigint << {ROW_BITS} | file_row_number as row,
        recordKey, changed(modified) as changed, sourceNumber, arrivalNumber from {{files}}"""
_LOST = """create temp table lost as
    with versions as (
        select * from stored where sourceNumber not in ({gone}) {among}
    ), numbered as (
        select *, sourceNumber * (1::bigint << 40) + coalesce(arrivalNumber, row) as arrival
        from versions where hash(recordKey) in (
            select h from (select hash(recordKey) as h from versions) group by h having count(*) > 1)
    ), ranked as (
        select *, coalesce(max(arrival) filter (changed is null) over (partition by recordKey), -1) as cut
        from numbered
    ), best as (
        select row, row_number() over (partition by recordKey
            order by arrival >= cut desc, changed desc nulls last, arrival desc) as rank
        from ranked
    ) select row from best where rank > 1"""


@contextmanager
def _database(work: Path, memory_mib: int) -> Iterator[duckdb.DuckDBPyConnection]:
    """DuckDB with bounded memory, spilling into the work folder; its errors become ours."""
    import duckdb

    options: dict[str, str | bool | int | float | list[str]] = {
        "memory_limit": f"{memory_mib}MiB",
        "threads": 2,
        "temp_directory": str(work / "spilled"),
        "preserve_insertion_order": False,
        "autoinstall_known_extensions": False,
    }
    try:
        with duckdb.connect(config=options) as database:
            yield database
    except (duckdb.OutOfMemoryException, duckdb.IOException) as error:
        if is_full(error) or isinstance(error, duckdb.OutOfMemoryException):
            raise StoreError.of("no_space_left", parent=work.parent) from error
        words = " ".join(str(error).split())
        raise StoreError.of("sorting_failed_store", parent=work.parent, words=words) from error
    except RuntimeError as error:
        if "interrupted" not in str(error):
            raise
        raise KeyboardInterrupt from error  # DuckDB's word for a signal that came while it worked


@dataclass(frozen=True)
class Staged:
    """New records in a Parquet file, in the order in which they came: how many, and in which columns."""

    path: Path
    count: Mapping[str, int]
    filled: Mapping[str, None]


def _staged(
    work: Path, batches: Iterable[tuple[pa.Table, pa.ChunkedArray | int]], told: Callable[[int], None]
) -> Staged:
    """Write records of the RECORDS schema with the numbers of their sources, as they come."""
    path, count = work / "staged.parquet", dict.fromkeys(PREFIX, 0)
    filled: dict[str, None] = {"sourceNumber": None, "arrivalNumber": None}
    extra = [("place", pa.uint32()), ("arrivalNumber", pa.int64()), ("sourceNumber", pa.int64())]
    schema = pa.schema([*schemas.RECORDS, *(pa.field(*item) for item in extra)])
    done = 0
    with (
        store_errors(str(path), "writing"),
        pq.ParquetWriter(path, schema, compression="lz4", write_statistics=False) as writer,
    ):
        for given, source in batches:
            records, size = _checked(given), len(given)
            longitude, latitude = (tables.numbers(records.column(name)) for name in layout.DEGREES)
            placed = (np.abs(longitude) <= 180.0) & (np.abs(latitude) <= 90.0)
            place = np.zeros(size, dtype=np.uint32)
            place[placed] = layout.along_curve(longitude[placed], latitude[placed])
            if isinstance(source, int):
                source = tables.array(np.full(size, source), pa.int64())
            number = tables.array(np.arange(done, done + size), pa.int64())
            extra_columns = [tables.array(place, pa.uint32(), mask=placed), number, source]
            rows = pa.Table.from_arrays([*records.columns, *extra_columns], schema=schema)
            writer.write_table(rows, row_group_size=STAGE_ROWS)
            filled |= {name: None for name in rows.column_names if rows.column(name).null_count < size}
            count["placed"] += int(placed.sum())
            count["unplaced"] += int((~placed).sum())
            done += size
            told(done)
    return Staged(path, count, filled)


def _checked(records: pa.Table) -> pa.Table:
    """Records of the RECORDS schema with plain text.

    Raises
    ------
    TableError
        When they are of another schema, a required column holds a null, or a text is not UTF-8.
    """
    plain = [
        tables.cast(column, pa.string()) if pa.types.is_dictionary(column.type) else column
        for column in records.columns
    ]
    made = pa.Table.from_arrays(plain, names=records.column_names)
    try:
        made.validate(full=True)
    except pa.ArrowInvalid as error:
        raise TableError.of("store_table_text", error=error) from error
    return schemas.check(made, schemas.RECORDS, "store")


def _sorted_files(
    database: duckdb.DuckDBPyConnection,
    staged: Staged,
    serial: int,
    sources: Sequence[int],
    progress: Progress,
) -> Iterator[StoredFile]:
    """Write the staged records along the curve, as files of the store."""
    names = ", ".join(f'"{name}"' for name in staged.filled)
    done, total = 0, sum(staged.count.values())
    for kind, test in (("placed", "is not null"), ("unplaced", "is null")):
        if not staged.count[kind]:
            continue
        rows = database.sql(f"""select {names} from read_parquet({_literal([staged.path])})
            where place {test} order by place, arrivalNumber""")
        groups = iter(rows.to_arrow_reader(layout.GROUP_ROWS))
        while some := list(itertools.islice(groups, 1)):
            serial += 1
            more = itertools.islice(groups, layout.FILE_ROWS // layout.GROUP_ROWS - 1)
            path = staged.path.with_name(f"{PREFIX[kind]}-{serial:06d}.parquet")
            yield (file := _written(path, kind, itertools.chain(some, more), sources))
            done += sum(file.rows)
            progress("writing", done, total)


def _written(path: Path, kind: str, groups: Iterable[pa.RecordBatch], sources: Sequence[int]) -> StoredFile:
    """Write row groups as a file of the store."""
    seen = []
    with store_errors(str(path), "writing"):
        with layout.parquet_writer(path, kind) as writer:
            for batch in groups:
                made = {}
                if kind == "placed":
                    degrees = [batch.column(name) for name in layout.DEGREES]
                    made["geometry"] = pa.StructArray.from_arrays(degrees, fields=list(layout.POINT))
                group = layout.completed(pa.Table.from_batches([batch]), layout.SCHEMAS[kind], made)
                writer.write_table(group)
                seen.append(layout.group_of(group))
            file = StoredFile.of_groups(path.name, kind, sources, seen)
            writer.add_key_value_metadata(file.metadata())
        to_disk(path)
        return replace(file, size=path.stat().st_size)


def _source_key(source: Mapping[str, Any]) -> str:
    """Identity of a source: its bytes, and how its columns were read."""
    for name in ("path", "sha256"):
        if not source.get(name):
            raise StoreError.of("source_without_path", name=name)
    renamed = source.get("rename")
    if not renamed:
        return str(source["sha256"])
    content = json.dumps([source["sha256"], renamed], sort_keys=True)
    return hashlib.sha256(content.encode()).hexdigest()


def _names(source: Mapping[str, Any]) -> set[str]:
    """What a source may be called by: its path, its file's name, its hash."""
    path = str(source["path"])
    return {path, Path(path).name, str(source["sha256"])}


def _literal(paths: Iterable[Path]) -> str:
    """Paths as a list in SQL."""
    return "[" + ", ".join("'" + str(path).replace("'", "''") + "'" for path in paths) + "]"


def _thinned(index: Index, dropped: Iterable[StoredFile], lost: Rows) -> tuple[dict[str, Any], ...]:
    """The index's sources; those that lose older versions with the *dropped* files say so."""
    thin = set((lost >> ROW_BITS).tolist())
    numbers = {number for file in dropped if file.serial in thin for number in file.sources}
    return tuple(
        {**source, "thinned": True} if source["number"] in numbers else source for source in index.sources
    )


def _without_dead(index: Index, lost: Rows) -> tuple[Index, Rows]:
    """The index without the files of which no row counts, where these outgrow what counts.

    Until then they are kept, for older versions count again when a source is taken out.
    """
    serials, dead = np.unique(lost >> ROW_BITS, return_counts=True)
    of = dict(zip(serials.tolist(), dead.tolist(), strict=True))
    dropped = [file for file in index.files if of.get(file.serial, 0) == sum(file.rows)]
    unused = sum(sum(file.rows) for file in dropped)
    if unused <= sum(sum(file.rows) for file in index.files) - len(lost):
        return index, lost
    kept = tuple(file for file in index.files if file not in dropped)
    lost_left = lost[~np.isin(lost >> ROW_BITS, [file.serial for file in dropped])]
    return replace(index, files=kept, sources=_thinned(index, dropped, lost)), lost_left


def _trusted_index(folder: Folder, problems: list[str]) -> Index:
    """The index; where it is broken, its copy without trust in the files that it lists."""
    try:
        return Index.read(folder)
    except layout.OtherVersionError:
        raise
    except StoreError as error:
        problems.append(str(error))
    label = folder.label(layout.COPY_NAME)
    try:
        return Index.from_bytes(folder.read(layout.COPY_NAME), label=label)
    except StoreError:
        problems.append(said("broken_too_sources", label=label))
        return Index()


def _examined(folder: Folder, name: str, listed: StoredFile | None, problems: list[str]) -> StoredFile:
    """A file as it really is, every page and every text of it read."""
    label, seen = folder.label(name), []
    with folder.parquet(name) as parquet:
        try:
            about = json.loads(parquet.metadata.metadata[b"poolbuilder"])
            version, kind, sources = about["schemaVersion"], about["kind"], tuple(about["sources"])
        except (KeyError, ValueError, TypeError) as error:
            raise StoreError.of("no_file_record", label=label) from error
        if version != layout.SCHEMA_VERSION:
            reads = layout.SCHEMA_VERSION
            raise StoreError.of("file_of_other_version", label=label, version=version, schema_version=reads)
        for number in range(parquet.metadata.num_row_groups):
            rows = parquet.read_row_group(number)
            layout.completed(rows, layout.SCHEMAS[kind]).validate(full=True)
            seen.append(layout.group_of(rows))
    size = (folder.local / name).stat().st_size
    found = replace(StoredFile.of_groups(name, kind, sources, seen), size=size)
    if listed is not None and listed.as_dict() != found.as_dict():
        problems.append(said("index_described_wrongly", label=label))
    return found
