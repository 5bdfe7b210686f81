"""What changes a store: adding, removing, compacting, repairing; one writer at a time, all or nothing.

New records are staged in a Parquet file as they come; DuckDB then finds the newest version of
each record and sorts along the curve, spilling to disk beyond its share of memory.  Nothing
counts until the index is replaced: files are written in a folder of their own, renamed beside
the others, and only then named by the new index.  A process killed before that leaves files
which no index names; the next writer clears them away.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from poolbuilder import schemas, tables
from poolbuilder.errors import StoreError, TableError
from poolbuilder.files import disk_errors, is_full, locked, private_folder, to_disk, write_whole
from poolbuilder.records import store_files as layout
from poolbuilder.records.reading import open_all
from poolbuilder.records.store_files import (
    PREFIX,
    AddResult,
    Findings,
    Folder,
    Index,
    Progress,
    RemoveResult,
    Rows,
    StoredFile,
    dead_rows,
    store_errors,
)
from poolbuilder.records.store_select import living_rows
from poolbuilder.settings import Settings

if TYPE_CHECKING:
    import duckdb

WORK_NAME = "adding"
DAMAGED_NAME = "damaged"
LOCK_NAME = "lock"
STAGE_ROWS = 65_536


# Which version of a record counts: the one modified last; where a version does not say when it
# was modified, the one that came last.  So a version without a time replaces all that came
# before it, and of those since the last such version the latest time wins.
_CHANGED = """create macro changed(words) as case when regexp_matches(words, '^[0-9]{4}(-|$)')
    then rpad(regexp_replace(left(words, 19), '[^0-9]', '', 'g'), 14, '0') end"""
_STORED = """create view stored as
    select file, file_row_number as row, recordKey, changed(modified) as changed, sourceNumber,
        coalesce(removed, false) as removed,
        (coalesce(came, -1) + 1) * (1::bigint << 40) + serial * (1::bigint << 20) + file_row_number as arrival
    from read_parquet({paths}, filename = true, file_row_number = true, union_by_name = true)
    join files using (filename) left join sources using (sourceNumber)"""
_STAGED = """create view staged as
    select null::bigint as file, number as row, recordKey, changed(modified) as changed, sourceNumber,
        false as removed, {came} * (1::bigint << 40) + number as arrival
    from read_parquet({paths})"""
_ADDED = """create view versions as select * from staged union all
    select * from stored where not removed and hash(recordKey) in (select hash(recordKey) from staged)"""
_LOST = """create temp table lost as
    with ranked as (
        select *, coalesce(max(arrival) filter (changed is null) over (partition by recordKey), -1) as cut
        from versions where hash(recordKey) in (
            select h from (select hash(recordKey) as h from versions) group by h having count(*) > 1)
    ), best as (
        select *, row_number() over newest as rank, first_value(sourceNumber) over newest as winner
        from ranked window newest as (
            partition by recordKey order by arrival >= cut desc, changed desc nulls last, arrival desc)
    ) select file, row, sourceNumber is not distinct from winner as own from best where rank > 1"""


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
            raise StoreError(
                f"{work.parent}: no space left on the disk, or in memory, for sorting "
                "(free some; the store is as it was before)"
            ) from error
        words = " ".join(str(error).split())
        raise StoreError(f"{work.parent}: sorting failed: {words} (the store is as it was before)") from error
    except RuntimeError as error:
        if "interrupted" not in str(error):
            raise
        raise KeyboardInterrupt from error  # DuckDB's word for a signal that came while it worked


class _Stage:
    """New records in a Parquet file, in the order in which they came."""

    def __init__(self, work: Path) -> None:
        self.path = work / "staged.parquet"
        extra = [("place", pa.uint32()), ("number", pa.int64()), ("sourceNumber", pa.int64())]
        self._schema = pa.schema([*schemas.RECORDS, *(pa.field(*item) for item in extra)])
        self.count = dict.fromkeys(PREFIX, 0)
        self.filled: dict[str, None] = {"sourceNumber": None}

    def __enter__(self) -> _Stage:
        with store_errors(str(self.path), "writing"):
            self._writer = pq.ParquetWriter(
                self.path, self._schema, compression="lz4", write_statistics=False
            )
        return self

    def __exit__(self, *about: object) -> None:
        with store_errors(str(self.path), "writing"):
            self._writer.close()

    @property
    def read(self) -> int:
        """Records taken so far."""
        return sum(self.count.values())

    def push(self, records: pa.Table, source: pa.ChunkedArray | int) -> None:
        """Take records of the RECORDS schema, in which repeated text may come as codes."""
        records = _checked(records)
        count = len(records)
        if not count:
            return
        degrees = [tables.numbers(records.column(name)) for name in ("decimalLongitude", "decimalLatitude")]
        placed = layout.on_the_globe(*degrees)
        place = np.zeros(count, dtype=np.uint32)
        place[placed] = layout.along_curve(*(axis[placed] for axis in degrees))
        if isinstance(source, int):
            source = tables.array(np.full(count, source), pa.int64())
        number = tables.array(np.arange(self.read, self.read + count), pa.int64())
        extra = [tables.array(place, pa.uint32(), mask=placed), number, source]
        rows = pa.Table.from_arrays([*records.columns, *extra], schema=self._schema)
        with store_errors(str(self.path), "writing"):
            self._writer.write_table(rows, row_group_size=STAGE_ROWS)
        self.filled |= {
            name: None for name in records.column_names if records.column(name).null_count < count
        }
        self.count["placed"] += int(placed.sum())
        self.count["unplaced"] += int((~placed).sum())


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
    schemas.check(made, schemas.RECORDS, "store")
    for item in schemas.RECORDS:
        column = made.column(item.name)
        if not item.nullable and column.null_count:
            raise TableError(f"store: column {item.name} holds nulls")
        try:
            column.validate(full=True)
        except pa.ArrowInvalid as error:
            raise TableError(f"store: column {item.name} holds text that is not UTF-8: {error}") from error
    return made


class Writer:
    """Writes to the store in a folder; see :class:`poolbuilder.records.store.Store`."""

    def __init__(
        self,
        folder: Folder,
        *,
        wait_s: float,
        waiting: Callable[[str], None] | None,
        memory_mib: int,
        progress: Progress,
    ) -> None:
        self._folder, self._memory_mib, self._progress = folder, memory_mib, progress
        self._wait_s, self._waiting = wait_s, waiting

    def add(
        self,
        paths: Sequence[str | Path],
        rename: Mapping[str, str],
        settings: Settings | None,
        added: str | None,
    ) -> AddResult:
        """Add files; see `Store.add`."""
        skipped: list[dict[str, Any]] = []
        notes: list[str] = []
        with self._writing() as (index, work):
            batch = _Batch()
            with _Stage(work) as stage:
                for file in open_all(paths, rename=rename, settings=settings):
                    source = {**file.source, "added": added, "rename": dict(rename)}
                    source["key"] = _source_key(source)
                    if index.knows(source["key"]) or source["key"] in batch.keys:
                        skipped.append(source)
                        continue
                    self._stage(stage, file.batches(), source, batch)
                    notes += file.notes
                    batch.datasets.extend(file.datasets)
            result = self._take_in(index, stage, batch, work)
        return replace(result, skipped=tuple(skipped), notes=tuple(notes))

    def add_tables(
        self, parts: Iterable[pa.Table], source: Mapping[str, Any], datasets: Iterable[Mapping[str, Any]]
    ) -> AddResult:
        """Add tables of one source; see `Store.add_table`."""
        with self._writing() as (index, work):
            about = {**source, "key": _source_key(source)}
            if index.knows(about["key"]):
                return AddResult(skipped=(about,))
            batch = _Batch(datasets=list(datasets))
            with _Stage(work) as stage:
                self._stage(stage, parts, about, batch)
            return self._take_in(index, stage, batch, work)

    def _stage(self, stage: _Stage, parts: Iterable[pa.Table], source: dict[str, Any], batch: _Batch) -> None:
        before, number = stage.read, layout.source_number(source["key"])
        for table in parts:
            stage.push(table, number)
            self._progress("reading", stage.read, None)
        batch.sources.append({**source, "rows": stage.read - before})

    def _take_in(self, index: Index, stage: _Stage, batch: _Batch, work: Path) -> AddResult:
        """Find the newest versions, write sorted files, and commit."""
        if not batch.sources:
            return AddResult()
        after = index.changed(
            sources=(*index.sources, *batch.sources),
            datasets=index.with_datasets(batch.datasets),
            removed=tuple(sorted(set(index.removed) - {layout.source_number(key) for key in batch.keys})),
        )
        with _database(work, self._memory_mib) as database:
            _find_lost(database, self._folder, after, work=work, staged=stage.path)
            outdated = _count(database, "select count(*) from lost where file is null")
            files = _with_lost(database, self._folder, after, work=work)
            made = tuple(self._sorted_files(database, stage, after, batch.keys, work=work))
        replaced = index.records - sum(file.living for file in files)
        after = _without_dead(replace(after, files=(*files, *made), serial=after.serial + len(made)))
        _commit(self._folder, index, after, work=work)
        return AddResult(
            read=stage.read,
            placed=stage.count["placed"],
            unplaced=stage.count["unplaced"],
            replaced=replaced,
            outdated=outdated,
            sources=tuple(batch.sources),
        )

    def _sorted_files(
        self,
        database: duckdb.DuckDBPyConnection,
        stage: _Stage,
        index: Index,
        keys: Sequence[str],
        *,
        work: Path,
    ) -> Iterator[StoredFile]:
        """Write the staged records that no version of their own source replaces, along the curve."""
        names = ", ".join(f'"{name}"' for name in stage.filled)
        serial, done = index.serial, 0
        total = stage.read - _count(database, "select count(*) from lost where file is null and own")
        for kind, test in (("placed", "is not null"), ("unplaced", "is null")):
            if not stage.count[kind]:
                continue
            rows = database.sql(f"""select {names}, lost.row is not null as dead
                from read_parquet({_literal([stage.path])}) as staged
                left join (select * from lost where file is null) as lost on staged.number = lost.row
                where place {test} and not coalesce(own, false) order by place, number""")
            groups = _regrouped(rows.to_arrow_reader(layout.GROUP_ROWS))
            while some := list(itertools.islice(groups, 1)):
                serial += 1
                some_more = itertools.islice(groups, layout.FILE_ROWS // layout.GROUP_ROWS - 1)
                path = work / f"{PREFIX[kind]}-{serial:06d}.parquet"
                file, dead = _written(path, kind, itertools.chain(some, some_more), keys)
                done += file.rows
                self._progress("writing", done, total)
                yield layout.with_dead(file, dead, work=work, generation=index.generation)

    def remove(self, named: str) -> RemoveResult:
        """Take a source out; see `Store.remove`."""
        with self._writing() as (index, work):
            gone = [item for item in index.sources if named in _names(item)]
            if not gone:
                known = ", ".join(str(item["path"]) for item in index.sources[-5:]) or "nothing"
                raise StoreError(f"{self._folder.name}: holds no source {named!r} (its youngest are {known})")
            keys = {item["key"] for item in gone}
            earlier = index.sources[: index.sources.index(gone[-1])]
            thinned = tuple(item for item in earlier if item.get("thinned") and item not in gone)
            left = tuple(file for file in index.files if not set(file.sources) <= keys)
            mixed = [file for file in left if keys & set(file.sources)]
            self._refuse_unnumbered(mixed)
            after = index.changed(
                files=left,
                sources=tuple(item for item in index.sources if item not in gone and item not in thinned),
                removed=(*index.removed, *(layout.source_number(key) for key in sorted(keys))),
            )
            with _database(work, self._memory_mib) as database:
                _find_lost(database, self._folder, after, work=work)
                files = _with_lost(database, self._folder, after, work=work, anew=True)
            after = _without_dead(replace(after, files=files))
            _commit(self._folder, index, after, work=work)
        return RemoveResult(
            sources=tuple(gone), again=thinned, before=index.records, after=after.records, left=bool(mixed)
        )

    def _refuse_unnumbered(self, files: Iterable[StoredFile]) -> None:
        """Refuse to look for a source in files of an earlier version that hold several."""
        for file in files:
            with self._folder.parquet(file.name) as parquet:
                if "sourceNumber" not in parquet.schema_arrow.names:
                    raise StoreError(
                        f"{self._folder.label(file.name)}: does not say which source its rows came with "
                        "(add the other sources to a new store)"
                    )

    def compact(self) -> None:
        """Merge all files; see `Store.compact`."""
        with self._writing() as (index, work):
            with _Stage(work) as stage:
                for file in index.files:
                    for rows in living_rows(self._folder, file):
                        numbers = layout.completed(rows, pa.schema([("sourceNumber", pa.int64())])).column(0)
                        stage.push(layout.to_records(rows), numbers)
                        self._progress("reading", stage.read, index.records)
            after = index.changed(sources=_thinned(index, index.files), removed=())
            with _database(work, self._memory_mib) as database:
                database.execute("create temp table lost (file bigint, row bigint, own boolean)")
                keys = sorted({key for file in index.files for key in file.sources})
                made = tuple(self._sorted_files(database, stage, after, keys, work=work))
            _commit(
                self._folder, index, replace(after, files=made, serial=after.serial + len(made)), work=work
            )

    def check(self) -> Findings:
        """Check and repair; see `Store.check`."""
        with self._locked() as work:
            problems: list[str] = []
            index = _trusted_index(self._folder, problems)
            good, lost = self._good_files(index, problems)
            after = index.changed(
                files=tuple(good),
                serial=max([index.serial, *(file.serial for file in good)]),
                sources=tuple(source for source in index.sources if source["key"] not in lost),
            )
            with _database(work, self._memory_mib) as database:
                _find_lost(database, self._folder, after, work=work)
                files = _with_lost(database, self._folder, after, work=work, anew=True, problems=problems)
            after = _without_dead(replace(after, files=files))
            if problems:
                _commit(self._folder, Index(), after, work=work)
        return Findings(
            files=len(after.files),
            records=after.records,
            problems=tuple(dict.fromkeys(problems)),
            again=tuple(source for source in index.sources if source["key"] in lost),
        )

    def _good_files(self, index: Index, problems: list[str]) -> tuple[list[StoredFile], set[str]]:
        """Files as they really are, and the sources whose records lay in one that is broken."""
        listed = {file.name: file for file in index.files}
        names = list(listed)
        if problems:
            names = sorted(
                path.name for stem in PREFIX.values() for path in self._folder.local.glob(f"{stem}-*.parquet")
            )
        good, lost = [], set()
        for number, name in enumerate(names):
            self._progress("checking", number, len(names))
            try:
                good.append(_examined(self._folder, name, listed.get(name), problems))
            except StoreError as error:
                problems.append(str(error))
                lost |= set(listed[name].sources) if name in listed else set()
                _set_aside(self._folder.local, name)
        self._progress("checking", len(names), len(names))
        return good, lost

    @contextmanager
    def _locked(self) -> Iterator[Path]:
        """An empty work folder, under the lock; it goes in any case."""
        local = self._folder.local
        work = local / WORK_NAME
        with disk_errors(local, StoreError):
            private_folder(local)
        with locked(local / LOCK_NAME, wait_s=self._wait_s, waiting=self._waiting):
            shutil.rmtree(work, ignore_errors=True)
            try:
                with store_errors(str(work), "writing"):
                    work.mkdir()
                yield work
            finally:
                shutil.rmtree(work, ignore_errors=True)

    @contextmanager
    def _writing(self) -> Iterator[tuple[Index, Path]]:
        """Index and work folder, under the lock; what a stopped writer left behind is removed."""
        with self._locked() as work:
            index = Index.read(self._folder)
            for stem in PREFIX.values():
                for path in (*work.parent.glob(f"{stem}-*.parquet"), *work.parent.glob(f"{stem}-*.npy")):
                    if path.name not in index.names:
                        path.unlink()
            yield index, work


@dataclass(kw_only=True)
class _Batch:
    """Sources on their way into the store, with their data sets."""

    sources: list[dict[str, Any]] = field(default_factory=list)
    datasets: list[Mapping[str, Any]] = field(default_factory=list)

    @property
    def keys(self) -> list[str]:
        """The sources' keys."""
        return [str(source["key"]) for source in self.sources]


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


def _names(source: Mapping[str, Any]) -> set[str]:
    """What a source may be called by: its path, its file's name, its hash."""
    path = str(source["path"])
    return {path, Path(path).name, str(source["sha256"])}


def _count(database: duckdb.DuckDBPyConnection, query: str) -> int:
    return int(database.execute(query).fetchall()[0][0])


def _literal(paths: Iterable[Path]) -> str:
    """Paths as a list in SQL."""
    return "[" + ", ".join("'" + str(path).replace("'", "''") + "'" for path in paths) + "]"


def _find_lost(
    database: duckdb.DuckDBPyConnection,
    folder: Folder,
    index: Index,
    *,
    work: Path,
    staged: Path | None = None,
) -> None:
    """Make the table `lost`: rows of the store's files, and of those *staged*, that do not count.

    Without staged records all of the store is looked at.
    """
    paths = [folder.local / file.name for file in index.files]
    template = work / "columns.parquet"  # so that files of before may lack a column
    pq.write_table(layout.SCHEMAS["unplaced"].empty_table(), template)
    files = {
        "filename": [str(path) for path in paths],
        "file": list(range(len(paths))),
        "serial": [file.serial for file in index.files],
    }
    numbers = [layout.source_number(source["key"]) for source in index.sources]
    sources = {
        "sourceNumber": [*numbers, *index.removed],
        "came": [*range(len(numbers)), *(None for _ in index.removed)],
        "removed": [False] * len(numbers) + [True] * len(index.removed),
    }
    kinds = {"filename": pa.string(), "removed": pa.bool_()}
    for name, values in (("files", files), ("sources", sources)):
        table = pa.table({key: pa.array(value, kinds.get(key, pa.int64())) for key, value in values.items()})
        database.register(name, table)
    database.execute(_CHANGED)
    database.execute(_STORED.format(paths=_literal([template, *paths])))
    if staged is None:
        database.execute("create view versions as select * from stored where not removed")
    else:
        database.execute(_STAGED.format(came=len(numbers) + 1, paths=_literal([staged])))
        database.execute(_ADDED)
    database.execute(_LOST)


def _with_lost(
    database: duckdb.DuckDBPyConnection,
    folder: Folder,
    index: Index,
    *,
    work: Path,
    anew: bool = False,
    problems: list[str] | None = None,
) -> tuple[StoredFile, ...]:
    """The store's files with the lost rows marked: besides those marked before, or *anew*.

    What was marked wrongly is added to *problems*, where these are given.
    """
    query = "select file, row from lost where file is not null"
    if anew:
        query += " union all select file, row from stored where removed"
    found = database.execute(f"select * from ({query}) order by file, row").fetchnumpy()
    numbers, rows = (np.asarray(found[name], dtype=np.int64) for name in ("file", "row"))
    ends = np.searchsorted(numbers, np.arange(len(index.files) + 1))
    files = []
    for number, file in enumerate(index.files):
        dead, known = rows[ends[number] : ends[number + 1]], None
        try:
            known = dead_rows(folder, file)
        except StoreError as error:
            if problems is None:
                raise
            problems.append(str(error))
        if known is not None and not anew:
            dead = np.union1d(known, dead)
        if known is not None and np.array_equal(known, dead):
            files.append(file)
            continue
        if known is not None and problems is not None:
            problems.append(f"{folder.label(file.name)}: replaced versions were marked wrongly; mended")
        files.append(layout.with_dead(file, dead, work=work, generation=index.generation))
    return tuple(files)


def _regrouped(batches: Iterable[pa.RecordBatch]) -> Iterator[pa.Table]:
    """The same rows in tables of `GROUP_ROWS` rows; the last has fewer."""
    waiting: list[pa.RecordBatch] = []
    for batch in batches:
        waiting.append(batch)
        while (count := sum(len(item) for item in waiting)) >= layout.GROUP_ROWS:
            rows = pa.Table.from_batches(waiting)
            yield rows.slice(0, layout.GROUP_ROWS)
            waiting = rows.slice(layout.GROUP_ROWS).to_batches() if count > layout.GROUP_ROWS else []
    if any(len(item) for item in waiting):
        yield pa.Table.from_batches(waiting)


def _written(
    path: Path, kind: str, groups: Iterable[pa.Table], sources: Sequence[str]
) -> tuple[StoredFile, Rows]:
    """Write row groups as a file of the store; which of its rows no longer count."""
    described, dead = layout.Described(kind), [np.zeros(0, np.int64)]
    with store_errors(str(path), "writing"):
        with layout.parquet_writer(path, kind) as writer:
            for rows in groups:
                dead.append(np.flatnonzero(tables.flags(rows.column("dead"))) + described.rows)
                group = (
                    layout.to_placed(rows)
                    if kind == "placed"
                    else layout.completed(rows, layout.SCHEMAS[kind])
                )
                writer.write_table(group, row_group_size=layout.GROUP_ROWS)
                described.add(group)
            writer.add_key_value_metadata(described.metadata(sources))
        to_disk(path)
        size = path.stat().st_size
    return described.file(path.name, size=size, sources=sources), np.concatenate(dead)


def _thinned(index: Index, dropped: Iterable[StoredFile]) -> tuple[dict[str, Any], ...]:
    """The index's sources; those that lose older versions with the *dropped* files say so."""
    keys = {key for file in dropped if file.living < file.rows for key in file.sources}
    return tuple({**source, "thinned": True} if source["key"] in keys else source for source in index.sources)


def _without_dead(index: Index) -> Index:
    """The index without the files of which no row counts, where these outgrow what counts.

    Until then they are kept, for older versions count again when a source is taken out.
    """
    dropped = [file for file in index.files if not file.living]
    if sum(file.rows for file in dropped) <= index.records:
        return index
    kept = tuple(file for file in index.files if file.living)
    return replace(index, files=kept, sources=_thinned(index, dropped))


def _commit(folder: Folder, before: Index, after: Index, *, work: Path) -> None:
    """Make *after* the store's index; what only *before* names is then removed."""
    with store_errors(str(folder.local), "writing"):
        for name in sorted(after.names):
            if (work / name).exists():
                (work / name).replace(folder.local / name)
    content = after.as_bytes()
    for name in (layout.INDEX_NAME, layout.COPY_NAME):
        write_whole(folder.local / name, content, StoreError)
    for name in before.names - after.names:
        (folder.local / name).unlink(missing_ok=True)


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
        return Index.from_bytes(folder.read(layout.COPY_NAME) or b"", label=label)
    except StoreError:
        problems.append(f"{label}: is broken too: which sources and data sets there are is not known")
        return Index()


def _examined(folder: Folder, name: str, listed: StoredFile | None, problems: list[str]) -> StoredFile:
    """A file as it really is, every page and every text of it read."""
    with folder.parquet(name, anew=True) as parquet:
        kind, sources = _about(folder.label(name), parquet.metadata.metadata or {})
        described = layout.Described(kind)
        for number in range(parquet.metadata.num_row_groups):
            rows = parquet.read_row_group(number)
            layout.completed(rows, layout.SCHEMAS[kind]).validate(full=True)
            described.add(rows)
    found = described.file(name, size=folder.size(name) or 0, sources=sources)
    if listed is None:
        return found
    undead = replace(listed.groups, dead=np.zeros_like(listed.groups.rows))
    if replace(listed, dead_name=None, groups=undead).as_dict() == found.as_dict():
        return listed
    problems.append(f"{folder.label(name)}: the index described it wrongly; mended")
    return found


def _about(label: str, metadata: Mapping[bytes, bytes]) -> tuple[str, list[str]]:
    """Kind and sources of a file, from its own words."""
    try:
        values = json.loads(metadata[b"poolbuilder"])
        version, kind, sources = values["schemaVersion"], values["kind"], values["sources"]
    except (KeyError, ValueError, TypeError) as error:
        raise StoreError(f"{label}: is no file of a record store (move it elsewhere)") from error
    if version != layout.SCHEMA_VERSION:
        raise StoreError(
            f"{label}: schemaVersion {version}, this program reads {layout.SCHEMA_VERSION} "
            "(update poolbuilder)"
        )
    return kind, list(sources)


def _set_aside(folder: Path, name: str) -> None:
    path = folder / name
    if path.is_file():
        with store_errors(str(path), "moving"):
            (folder / DAMAGED_NAME).mkdir(exist_ok=True)
            path.replace(folder / DAMAGED_NAME / name)
