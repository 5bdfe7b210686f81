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
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from poolbuilder import schemas, tables
from poolbuilder.errors import StoreError, TableError, said
from poolbuilder.files import disk_errors, is_full, locked, private_folder, to_disk, write_whole
from poolbuilder.records import store_files as layout
from poolbuilder.records.reading import open_all
from poolbuilder.records.store_files import (
    PREFIX,
    ROW_BITS,
    AddResult,
    Findings,
    Folder,
    Index,
    Progress,
    RemoveResult,
    Rows,
    StoredFile,
    rows_of,
    store_errors,
)
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
# A row of the store is its file's number and its row there; one that is new, its number below zero.
_STORED = f"""create view stored as select
        regexp_extract(filename, '(\\d+).parquet$', 1)::bigint << {ROW_BITS} | file_row_number as row,
        recordKey, changed(modified) as changed, sourceNumber
    from read_parquet({{paths}}, filename = true, file_row_number = true)"""
_STAGED = """create view staged as
    select -1 - number as row, recordKey, changed(modified) as changed, sourceNumber
    from read_parquet({paths})"""
_ADDED = """create view versions as select * from staged union all
    select * from stored where {kept} and hash(recordKey) in (select hash(recordKey) from staged)"""
_LOST = """create temp table lost as
    with numbered as (
        select *, sourceNumber * (1::bigint << 40) + case when row < 0 then -row else row end as arrival
        from versions where hash(recordKey) in (
            select h from (select hash(recordKey) as h from versions) group by h having count(*) > 1)
    ), ranked as (
        select *, coalesce(max(arrival) filter (changed is null) over (partition by recordKey), -1) as cut
        from numbered
    ), best as (
        select *, row_number() over newest as rank, first_value(sourceNumber) over newest as winner
        from ranked window newest as (
            partition by recordKey order by arrival >= cut desc, changed desc nulls last, arrival desc)
    ) select row, sourceNumber = winner as own from best where rank > 1"""


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
        longitude, latitude = (tables.numbers(records.column(name)) for name in layout.DEGREES)
        with np.errstate(invalid="ignore"):
            placed = (np.abs(longitude) <= 180.0) & (np.abs(latitude) <= 90.0)
        place = np.zeros(count, dtype=np.uint32)
        place[placed] = layout.along_curve(longitude[placed], latitude[placed])
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
    try:
        made.validate(full=True)
    except pa.ArrowInvalid as error:
        raise TableError.of("store_table_text", error=error) from error
    return schemas.check(made, schemas.RECORDS, "store")


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
        notes: list[str] = []

        def sources() -> Iterator[tuple[dict[str, Any], Iterable[pa.Table], Iterable[Mapping[str, Any]]]]:
            for file in open_all(paths, rename=rename, settings=settings):
                about = {**file.source, "added": added, "rename": dict(rename)}
                yield about, file.batches(), file.datasets
                about |= file.source  # what was only known when it was read
                notes.extend(file.notes)

        return replace(self.add_sources(sources()), notes=tuple(notes))

    def add_sources(
        self,
        given: Iterable[tuple[dict[str, Any], Iterable[pa.Table], Iterable[Mapping[str, Any]]]],
    ) -> AddResult:
        """Add sources, each with its tables and data sets; those that are known are skipped."""
        with self._writing() as (index, work):
            skipped: list[dict[str, Any]] = []
            sources: list[dict[str, Any]] = []
            datasets = {str(item.get("datasetKey")): dict(item) for item in index.datasets}
            with _Stage(work) as stage:
                for source, parts, described in given:
                    before = stage.read
                    source["key"] = _source_key(source)
                    if any(source["key"] == item["key"] for item in (*index.sources, *sources)):
                        skipped.append(source)
                        continue
                    source["number"] = index.source_serial + len(sources) + 1
                    for table in parts:
                        stage.push(table, source["number"])
                        self._progress("reading", stage.read, None)
                    source["rows"] = stage.read - before
                    sources.append(source)
                    datasets |= {str(item.get("datasetKey")): dict(item) for item in described}
            if not sources:
                return AddResult(skipped=tuple(skipped))
            after = replace(
                index,
                source_serial=index.source_serial + len(sources),
                sources=(*index.sources, *sources),
                datasets=tuple(datasets[key] for key in sorted(datasets)),
            )
            known = self._folder.replaced(index)
            with _database(work, self._memory_mib) as database:
                self._find_lost(database, after, work, staged=stage.path)
                outdated = _count(database, "select count(*) from lost where row < 0")
                lost = np.union1d(known, _rows(database, "select row from lost where row >= 0"))
                numbers = [source["number"] for source in sources]
                made = list(self._sorted_files(database, stage, index.serial, numbers, work))
            after = replace(after, files=(*after.files, *(file for file, _ in made)))
            lost_new = np.concatenate([lost, *(rows for _, rows in made)])
            self._commit(index, _without_dead(after, lost_new), work)
        return AddResult(
            read=stage.read,
            placed=stage.count["placed"],
            unplaced=stage.count["unplaced"],
            replaced=len(lost) - len(known),
            outdated=outdated,
            sources=tuple(sources),
            skipped=tuple(skipped),
        )

    def _find_lost(
        self, database: duckdb.DuckDBPyConnection, index: Index, work: Path, *, staged: Path | None = None
    ) -> None:
        """Make the table `lost`: rows of the store's files, and of those *staged*, that do not count.

        Without staged records all of the store is looked at.
        """
        template = work / "unplaced-0.parquet"  # a list of files may not be empty
        pq.write_table(layout.SCHEMAS["unplaced"].empty_table(), template)
        paths = [template, *(self._folder.local / file.name for file in index.files)]
        kept = f"sourceNumber not in ({', '.join(map(str, (-1, *index.removed)))})"
        database.execute(_CHANGED)
        database.execute(_STORED.format(paths=_literal(paths)))
        if staged is None:
            database.execute(f"create view versions as select * from stored where {kept}")
        else:
            database.execute(_STAGED.format(paths=_literal([staged])))
            database.execute(_ADDED.format(kept=kept))
        database.execute(_LOST)

    def _all_lost(self, index: Index, work: Path) -> Rows:
        """Every row of the store that does not count, found anew."""
        removed = ", ".join(map(str, (-1, *index.removed)))
        with _database(work, self._memory_mib) as database:
            self._find_lost(database, index, work)
            return _rows(
                database,
                f"select row from lost union all select row from stored where sourceNumber in ({removed})",
            )

    def _sorted_files(
        self,
        database: duckdb.DuckDBPyConnection,
        stage: _Stage,
        serial: int,
        sources: Sequence[int],
        work: Path,
    ) -> Iterator[tuple[StoredFile, Rows]]:
        """Write the staged records that no version of their own source replaces, along the curve.

        Each file comes with those of its rows that another source's version replaces.
        """
        names = ", ".join(f'"{name}"' for name in stage.filled)
        done, total = 0, stage.read - _count(database, "select count(*) from lost where row < 0 and own")
        for kind, test in (("placed", "is not null"), ("unplaced", "is null")):
            if not stage.count[kind]:
                continue
            rows = database.sql(f"""select {names}, lost.row is not null as dead
                from read_parquet({_literal([stage.path])}) as staged
                left join lost on lost.row = -1 - staged.number
                where place {test} and not coalesce(own, false) order by place, number""")
            groups = iter(rows.to_arrow_reader(layout.GROUP_ROWS))
            while some := list(itertools.islice(groups, 1)):
                serial += 1
                more = itertools.islice(groups, layout.FILE_ROWS // layout.GROUP_ROWS - 1)
                path = work / f"{PREFIX[kind]}-{serial:06d}.parquet"
                file, dead = _written(path, kind, itertools.chain(some, more), sources)
                done += sum(file.rows)
                self._progress("writing", done, total)
                yield file, dead + (serial << ROW_BITS)

    def remove(self, named: str) -> RemoveResult:
        """Take a source out; see `Store.remove`."""
        with self._writing() as (index, work):
            gone = [item for item in index.sources if named in _names(item)]
            if not gone:
                known = ", ".join(str(item["path"]) for item in index.sources[-5:]) or "nothing"
                raise StoreError.of("no_source_youngest", name=self._folder.name, named=named, known=known)
            numbers = {item["number"] for item in gone}
            again = [
                item
                for item in index.sources
                if item.get("thinned") and item not in gone and item["number"] < max(numbers)
            ]
            left = tuple(file for file in index.files if not set(file.sources) <= numbers)
            after = replace(
                index,
                files=left,
                sources=tuple(item for item in index.sources if item not in (*gone, *again)),
                removed=tuple(sorted({*index.removed, *numbers})),
            )
            after = self._commit(index, _without_dead(after, self._all_lost(after, work)), work)
        return RemoveResult(
            sources=tuple(gone),
            again=tuple(again),
            before=index.records,
            after=after.records,
            left=any(numbers & set(file.sources) for file in left),
        )

    def compact(self) -> None:
        """Merge all files; see `Store.compact`."""
        with self._writing() as (index, work):
            with _Stage(work) as stage:
                for file in index.files:
                    for rows in rows_of(self._folder, index, file):
                        stage.push(layout.to_records(rows), rows.column("sourceNumber"))
                        self._progress("reading", stage.read, index.records)
            with _database(work, self._memory_mib) as database:
                database.execute("create temp table lost (row bigint, own boolean)")
                numbers = sorted({number for file in index.files for number in file.sources})
                made = [file for file, _ in self._sorted_files(database, stage, index.serial, numbers, work)]
            sources = _thinned(index, index.files, self._folder.replaced(index))
            after = replace(index, files=tuple(made), sources=sources, removed=())
            self._commit(index, (after, np.zeros(0, np.int64)), work)

    def check(self) -> Findings:
        """Check and repair; see `Store.check`."""
        with self._locked() as work:
            self._folder.known.clear()
            problems: list[str] = []
            index = _trusted_index(self._folder, problems)
            good, lost = self._good_files(index, problems)
            after = replace(
                index,
                files=tuple(good),
                serial=max([index.serial, *(file.serial for file in good)]),
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
        return Findings(
            files=len(after.files),
            records=after.records,
            problems=tuple(dict.fromkeys(problems)),
            again=tuple(source for source in index.sources if source["number"] in lost),
        )

    def _good_files(self, index: Index, problems: list[str]) -> tuple[list[StoredFile], set[int]]:
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

    def _commit(self, before: Index, made: tuple[Index, Rows], work: Path) -> Index:
        """Make an index the store's, with the rows that do not count; what only *before* names goes."""
        after, rows = made
        folder = self._folder.local
        serials = [before.serial, after.serial, *(file.serial for file in after.files)]
        after = replace(after, generation=before.generation + 1, serial=max(serials), replaced=None)
        if len(rows):
            after = replace(after, replaced=f"replaced-{after.generation:06d}.npy")
        after = replace(after, replaced_rows=len(rows))
        with store_errors(str(folder), "writing"):
            if after.replaced:
                np.save(work / after.replaced, np.sort(rows))
            for name in sorted(after.names):
                if (work / name).exists():
                    (work / name).replace(folder / name)
        content = after.as_bytes()
        for name in (layout.INDEX_NAME, layout.COPY_NAME):
            write_whole(folder / name, content, StoreError)
        for name in before.names - after.names:
            (folder / name).unlink(missing_ok=True)
        return after

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
            for pattern in ("records-*.parquet", "unplaced-*.parquet", "replaced-*.npy"):
                for path in work.parent.glob(pattern):
                    if path.name not in index.names:
                        path.unlink()
            yield index, work


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


def _count(database: duckdb.DuckDBPyConnection, query: str) -> int:
    return int(database.execute(query).fetchall()[0][0])


def _rows(database: duckdb.DuckDBPyConnection, query: str) -> Rows:
    """Distinct whole numbers that a query gives, ascending."""
    return np.unique(np.asarray(database.execute(query).fetchnumpy()["row"], dtype=np.int64))


def _literal(paths: Iterable[Path]) -> str:
    """Paths as a list in SQL."""
    return "[" + ", ".join("'" + str(path).replace("'", "''") + "'" for path in paths) + "]"


def _written(
    path: Path, kind: str, groups: Iterable[pa.RecordBatch], sources: Sequence[int]
) -> tuple[StoredFile, Rows]:
    """Write row groups as a file of the store; which of its rows no longer count."""
    described, dead = layout.Described(kind), [np.zeros(0, np.int64)]
    with store_errors(str(path), "writing"):
        with layout.parquet_writer(path, kind) as writer:
            for batch in groups:
                dead.append(np.flatnonzero(tables.flags(batch.column("dead"))) + sum(described.rows))
                made = {}
                if kind == "placed":
                    degrees = [batch.column(name) for name in layout.DEGREES]
                    made["geometry"] = pa.StructArray.from_arrays(degrees, fields=list(layout.POINT))
                group = layout.completed(pa.Table.from_batches([batch]), layout.SCHEMAS[kind], made)
                writer.write_table(group)
                described.add(group)
            writer.add_key_value_metadata(described.metadata(sources))
        to_disk(path)
        size = path.stat().st_size
    return described.file(path.name, size=size, sources=sources), np.concatenate(dead)


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
    dead = dict(
        zip(*(part.tolist() for part in np.unique(lost >> ROW_BITS, return_counts=True)), strict=True)
    )
    dropped = [file for file in index.files if dead.get(file.serial, 0) == sum(file.rows)]
    unused = sum(sum(file.rows) for file in dropped)
    living = sum(sum(file.rows) for file in index.files) - len(lost)
    if unused <= living:
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
    label = folder.label(name)
    with folder.parquet(name) as parquet:
        kind, sources = _about(label, parquet.metadata.metadata or {})
        described = layout.Described(kind)
        for number in range(parquet.metadata.num_row_groups):
            rows = parquet.read_row_group(number)
            layout.completed(rows, layout.SCHEMAS[kind]).validate(full=True)
            described.add(rows)
    found = described.file(name, size=(folder.local / name).stat().st_size, sources=sources)
    if listed is not None and listed.as_dict() != found.as_dict():
        problems.append(said("index_described_wrongly", label=label))
    return found


def _about(label: str, metadata: Mapping[bytes, bytes]) -> tuple[str, tuple[int, ...]]:
    """Kind and sources of a file, from its own words."""
    try:
        values = json.loads(metadata[b"poolbuilder"])
        version, kind, sources = values["schemaVersion"], values["kind"], tuple(values["sources"])
    except (KeyError, ValueError, TypeError) as error:
        raise StoreError.of("no_file_record", label=label) from error
    if version != layout.SCHEMA_VERSION:
        raise StoreError.of(
            "file_of_other_version", label=label, version=version, schema_version=layout.SCHEMA_VERSION
        )
    return kind, sources


def _set_aside(folder: Path, name: str) -> None:
    path = folder / name
    if path.is_file():
        with store_errors(str(path), "moving"):
            (folder / DAMAGED_NAME).mkdir(exist_ok=True)
            path.replace(folder / DAMAGED_NAME / name)
