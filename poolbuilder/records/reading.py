"""From any file of records to RECORDS tables, in batches: text, archive, Parquet, sheet or layer.

Each is one or more tables of rows under headings, read in one way.  Nothing is judged here: a
value that cannot be read becomes null with a `readNote`, and every row of the file comes out as
one row.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import RecordFileError, said
from poolbuilder.names.vocabularies import fold
from poolbuilder.records import grids, values
from poolbuilder.records.archive import CorePart, core_parts, datasets_of, open_container, refuse_large
from poolbuilder.records.dates import DateColumn, read_column, read_date
from poolbuilder.schemas import RECORDS, check
from poolbuilder.settings import Settings
from poolbuilder.words import unread_dates, unread_notes

CORE_KEY = "core key"
PARENT_KEY = "parent key"
"""Names that are no terms, for the columns by which the tables refer to each other."""

_DEEPEST = 10
_ISO = r"^\d{4}(-\d{2}(-\d{2}(T[0-9:.,Z+-]*)?)?)?(/\d{4}-.*)?$"
_TOLD = (
    "latin1",
    "undecodable",
    "ragged",
    "overlong",
    "restored",
    "eventless",
    "blank",
    "unreadable",
    "commas",
)
"""What is counted while a file is read, in the order in which it is told."""
_ORDER_WORDS = {"mdy": "month first", "dmy": "day first", "ymd": "year first"}


class EventTable:
    """An event table in memory; a visit inherits from the survey or site that is its parent."""

    def __init__(self, batches: Sequence[grids.RawBatch]) -> None:
        parts = [pa.Table.from_arrays(list(raw.columns.values()), list(raw.columns)) for raw in batches]
        bare = pa.Table.from_arrays([tables.array([], pa.string())] * 2, [CORE_KEY, PARENT_KEY])
        whole = pa.concat_tables([bare, *parts], promote_options="permissive")
        self._columns = {name: pa.concat_arrays(whole[name].chunks) for name in whole.column_names}
        self._keys, parents = self._columns.pop(CORE_KEY), self._columns.pop(PARENT_KEY)
        place = self._place(parents)
        for _ in range(_DEEPEST):
            before = sum(column.null_count for column in self._columns.values())
            self._columns = {
                name: pc.coalesce(column, _taken(column, place)) for name, column in self._columns.items()
            }
            if sum(column.null_count for column in self._columns.values()) == before:
                break

    def _place(self, keys: pa.Array) -> NDArray[np.int64]:
        """Row of each key in the event table, -1 where there is none."""
        return tables.integers(pc.index_in(keys, value_set=self._keys, skip_nulls=True))

    def texts(self, term: str) -> list[str | None]:
        """The values of a term in the event table."""
        column = self._columns.get(term)
        return [] if column is None else column.to_pylist()

    def fill(self, raw: grids.RawBatch, keys: pa.Array | None, tally: Counter[str]) -> grids.RawBatch:
        """Give each record what it leaves out and the event with its key states."""
        given = dict(raw.columns)
        if keys is None:
            keys = pa.nulls(len(raw.rows), pa.string())
        place = self._place(keys)
        notes = {row: list(texts) for row, texts in raw.notes.items()}
        lost = np.flatnonzero(place < 0)
        for row in lost.tolist():
            notes.setdefault(row, []).append(said("event_not_event", keys=keys[row].as_py()))
        tally["eventless"] += len(lost)
        for name, column in self._columns.items():
            stated = _taken(column, place)
            given[name] = pc.coalesce(given[name], stated) if name in given else stated
        return grids.RawBatch(columns=given, rows=raw.rows, notes=notes)


def _taken(column: pa.Array, place: NDArray[np.int64]) -> pa.Array:
    return column.take(tables.array(np.maximum(place, 0), pa.int64(), mask=place >= 0))


@dataclass(kw_only=True, eq=False)
class RecordTable:
    """A table that can be opened.

    Attributes
    ----------
    described : CorePart
        What the archive's descriptor says of it; little for a table on its own.
    grid : grids.Grid
        The table itself.
    where : path
        Named in errors.
    source : str
        Goes to `sourceFile`.
    rename : dict of str to str
        Given heading to term.
    events : tuple of RecordTable
        The event table that the records refer to.
    verbatim : RecordTable, optional
        The records as they were given to the service, before it read their names.
    unread : dict, optional
        How many dates could not be read.
    """

    described: CorePart
    grid: grids.Grid
    where: str | Path
    source: str
    rename: Mapping[str, str]
    events: tuple[RecordTable, ...] = ()
    verbatim: RecordTable | None = None
    unread: dict[str, Any] | None = None
    _terms: dict[str, int] = field(default_factory=dict)
    _defaults: dict[str, str] = field(default_factory=dict)
    _dates: DateColumn | None = None
    _remark: Callable[[str], None] = lambda text: None

    @property
    def names(self) -> tuple[str, ...]:
        """Its own headings."""
        return self.grid.names

    @property
    def headings(self) -> list[str]:
        """Its headings, constants and those of the events that it is joined to among them."""
        return [name for table in (self, *self.events) for name in (*table.names, *table.described.defaults)]

    def prepare(self, remark: Callable[[str], None]) -> None:
        """Find out where its terms stand.

        Raises
        ------
        RecordFileError
            When it has no coordinates or names, or words for numbers.
        """
        self._remark = remark
        self._place(complete=not self.events)
        self._refuse_types()
        folded = [fold(name) for name in self.names if name]
        for name in dict.fromkeys(self.names[index] for index in self._terms.values() if self.names[index]):
            if folded.count(fold(name)) > 1:
                remark(said("several_columns_called", name=name))
        if fold(values.SERVICE_ID) in folded and not {"geodeticDatum"} & {*self._terms, *self._defaults}:
            # The service's own archives state this datum as the default of the term.
            self._defaults["geodeticDatum"] = "WGS84"
            remark(said("download_open_occurrence"))
        for part in self.events:
            part._place(complete=False)
        if self.events:
            remark(said("records_joined_events"))
            found = values.match_columns(self.headings, file=self.where, rename=self.rename)
            values.check_complete(found, self.headings, self.where)

    def _place(self, *, complete: bool) -> None:
        constants = self.described.defaults
        headings = [*self.names, *(term for term in constants if term not in self.names)]
        found = values.match_columns(headings, rename=self.rename, file=self.where)
        if self.described.layout is None:
            found = values.read_everyday(headings, found, file=self.where, remark=self._remark)
        if complete:
            values.check_complete(found, headings, self.where)
        self._terms = {term: index for term, index in found.items() if index < len(self.names)}
        self._defaults = {
            term: constants[headings[index]] for term, index in found.items() if headings[index] in constants
        }

    def _refuse_types(self) -> None:
        """Refuse columns of a Parquet file that cannot be the numbers that their term wants."""
        for term, at in self._terms.items():
            given = self.grid.types[at] if self.grid.types else pa.string()
            if not pa.types.is_string(RECORDS.field(term).type) and not values.can_be_number(given):
                raise RecordFileError.of(
                    "column_not_numbers", file=self.where, names=self.names[at], given=given
                )

    def tables(self, row_keys: values.RowKeys, tally: Counter[str]) -> Iterator[pa.Table]:
        """RECORDS tables of this part, after :meth:`prepare`."""
        events = self._read_events(tally)
        whole_names = self._read_whole_names()
        for raw in self._raw(self._wanted(), tally):
            key = raw.columns.pop(CORE_KEY, None)
            if events is not None:
                raw = events.fill(raw, key, tally)
            elif whole_names and key is not None:
                names = [whole_names.get(text) for text in key.to_pylist()]
                raw.columns[values.WHOLE_NAME] = tables.array(names, pa.string())
            self._to_iso(raw, events)
            if len(raw.rows):
                yield values.records_of(raw, self.source, row_keys, self._defaults, tally)

    def _wanted(self) -> dict[str, int]:
        """Columns to read: the terms, and those by which tables and services refer to records."""
        wanted = dict(self._terms)
        if self.described.key is not None and (self.events or self.verbatim):
            wanted[CORE_KEY] = self.described.key
        for name in (values.SERVICE_ID, values.WHOLE_NAME):
            place = values.column_called(name, self.names)
            if place is not None:
                wanted[name] = place
        genus, named = values.column_called("genus", self.names), self._terms.get("scientificName")
        if genus is not None and named is not None and fold(self.names[named]) == "species":
            wanted[values.GENUS] = genus
        return wanted

    def _to_iso(self, raw: grids.RawBatch, events: EventTable | None) -> None:
        """Put dates that are no ISO 8601 into it, by the one order that fits the whole column."""
        column = raw.columns.get("eventDate")
        if column is None or not pa.types.is_string(column.type):
            return
        is_iso = pc.match_substring_regex(column, pattern=_ISO)
        if self._dates is None and pc.all(is_iso).as_py() is not False:
            return
        index, distinct = tables.codes(column)
        if self._dates is None:
            if all(read_date(text or "")[1] != "unreadable" for text in distinct):
                return
            self._dates = self._read_dates(events)
        iso = [self._dates.iso.get(text or "", text) for text in distinct]
        raw.columns["eventDate"] = tables.cast(
            tables.spread(tables.array(iso, pa.string()), index), pa.string()
        )

    def _read_dates(self, events: EventTable | None) -> DateColumn:
        """How the dates of the whole column are read.

        Raises
        ------
        RecordFileError
            When two orders fit, or none of many dates can be read.
        """
        counts: Counter[str] = Counter()
        at = self._terms.get("eventDate")
        if at is not None:
            for raw in self._raw({"eventDate": at}, Counter()):
                counts.update(text for text in raw.columns["eventDate"].to_pylist() if text)
        if events is not None:
            counts.update(text for text in events.texts("eventDate") if text)
        read = read_column(counts, order=self.rename.get(values.DATE_ORDER))
        if len(read.fits) > 1:
            words = [_ORDER_WORDS[order] for order in read.fits]
            fits = [f"--date-order {order}" for order in read.fits]
            raise RecordFileError.of(
                "dates_can_read", file=self.where, example=read.example, words=words, fits=fits
            )
        unread = sum(read.unread.values())
        example = max(read.unread, key=lambda text: read.unread[text], default="")
        self.unread = {"unread": unread, "dates": unread + read.read, "example": example} if unread else None
        if read.found_none and "year" not in self._terms:
            fact, remedy = unread_dates(self.unread or {}), said("write_dates")
            raise RecordFileError(fact, file=self.where, remedy=remedy)
        if read.order:
            shown = next(text for text in counts if text in read.iso)
            self._remark(f"dates read {_ORDER_WORDS[read.order]}, such as {shown!r} as {read.iso[shown]}")
        return read

    def _read_whole_names(self) -> dict[str, str]:
        """Name as given, by core id, of the records whose name the service could not place whole."""
        key, issue = self.described.key, self._terms.get("issue")
        if self.verbatim is None or key is None or issue is None:
            return {}
        aside: Counter[str] = Counter()
        doubted: set[str | None] = set()
        for raw in self._raw({CORE_KEY: key, "issue": issue}, aside):
            index, issues = tables.codes(raw.columns["issue"])
            marked = {code for code, text in enumerate(issues) if values.is_doubted(text)}
            keys = zip(raw.columns[CORE_KEY].to_pylist(), index.tolist(), strict=True)
            doubted.update(given for given, code in keys if code in marked)
        part = self.verbatim
        name, place = values.column_called("scientificName", part.names), part.described.key
        if not doubted or name is None or place is None:
            return {}
        found: dict[str, str] = {}
        for raw in part._raw({CORE_KEY: place, values.WHOLE_NAME: name}, aside):
            columns = (raw.columns[term].to_pylist() for term in (CORE_KEY, values.WHOLE_NAME))
            pairs = zip(*columns, strict=True)
            found.update({given: text for given, text in pairs if given in doubted and text})
        return found

    def _read_events(self, tally: Counter[str]) -> EventTable | None:
        if not self.events:
            return None
        batches = []
        for part in self.events:
            wanted = dict(part._terms)
            key = part.described.key
            wanted[CORE_KEY] = key if key is not None else wanted.get("eventID", 0)
            parent = values.column_called("parentEventID", part.names)
            if parent is not None:
                wanted[PARENT_KEY] = parent
            for raw in part._raw(wanted, tally):
                for term, value in part._defaults.items():
                    raw.columns.setdefault(term, grids.repeated(value, len(raw.rows)))
                batches.append(raw)
        return EventTable(batches)

    def _raw(self, wanted: Mapping[str, int], tally: Counter[str]) -> Iterator[grids.RawBatch]:
        places = [self._terms[name] for name in values.COORDINATES if name in self._terms]
        return self.grid.batches(wanted, tally, places)


class RecordFile:
    """One occurrence table or archive, opened and understood but not yet read.

    Attributes
    ----------
    path : Path
        As given.
    name : str
        Folder and file name: what `sourceFile` holds.
    datasets : tuple of dict
        Title, citation and licence, where the archive's metadata state them.
    """

    def __init__(self, path: Path, *, rename: Mapping[str, str] | None, settings: Settings) -> None:
        self.path = path
        resolved = path.resolve()
        name = f"{resolved.parent.name}/{resolved.name}" if resolved.parent.name else resolved.name
        self.name = name.encode(errors="replace").decode()  # a file's name need not be text
        self.rename = dict(rename or {})
        self.settings = settings
        self._tally: Counter[str] = Counter()
        self._remarks: list[str] = []
        self._unread: list[dict[str, Any]] = []
        self._rows: int | None = None
        self.datasets: tuple[dict[str, Any], ...] = ()
        with self._parts() as parts:  # refuse a file that cannot be used before any work
            for part in parts:
                part.prepare(self.remark)
                refuse_large(part.grid.unpacked, path, settings)
            self.headings = tuple(name for part in parts for name in part.headings)

    def lacks(self) -> set[str]:
        """The headings to be renamed that no table of the file has."""
        known = set(map(fold, self.headings))
        return {given for given in self.rename if given != values.DATE_ORDER and fold(given) not in known}

    @contextmanager
    def _parts(self) -> Iterator[list[RecordTable]]:
        """The tables of records inside, open as long as the `with` block runs."""
        kind = "zip" if self.path.is_dir() else grids.kind_of(self.path)
        if kind == "zip":
            with open_container(self.path, self.settings) as container:
                self.datasets = self.datasets or tuple(datasets_of(container))
                described = core_parts(container)
                yield [self._archived(item, container.open, alone=len(described) == 1) for item in described]
        elif kind == "text":
            grid = self._opened(CorePart(), lambda: self.path.open("rb"), self.path)
            yield [self._alone(grid, self.path, self.name)]
        elif len(self._grids) == 1:
            yield [self._alone(self._grids[0], self.path, self.name)]
        else:
            yield [
                self._alone(grid, f"{self.path}/{grid.name}", f"{self.name}/{grid.name}")
                for grid in self._grids
            ]

    @cached_property
    def _grids(self) -> list[grids.Grid]:
        """The sheets or layers that hold records; the others are remarked on."""
        if grids.kind_of(self.path) == "layer":
            return grids.read_points(self.path)

        def complete(names: Sequence[str]) -> dict[str, int]:
            found = values.match_columns(names, rename=self.rename, file=self.path)
            found = values.read_everyday(names, found, file=self.path, remark=lambda text: None)
            values.check_complete(found, names, self.path)
            return found

        def terms_in(names: Sequence[str]) -> int:
            try:
                return 1000 + len(complete(names))
            except RecordFileError:
                return len(values.match_columns(names, rename=self.rename, file=self.path))

        sheets = grids.read_sheets(self.path, terms_in=terms_in)
        good = [grid for grid in sheets if terms_in(grid.names) >= 1000]
        if not good:
            complete(max(sheets, key=lambda grid: len(list(grid.rows(Counter(), ())))).names)
        for grid in sheets:
            if grid not in good:
                self.remark(said("sheet_not_read", name=grid.name))
        return good

    def _alone(self, grid: grids.Grid, where: str | Path, source: str) -> RecordTable:
        """A table that no descriptor describes."""
        return RecordTable(described=CorePart(), grid=grid, where=where, source=source, rename=self.rename)

    def _archived(
        self, what: CorePart, open_part: Callable[[str], BinaryIO], *, alone: bool = True
    ) -> RecordTable:
        """A part of an archive or zip."""
        where = f"{self.path}/{what.name}"
        return RecordTable(
            described=what,
            grid=self._opened(what, lambda: open_part(what.name), where),
            rename=self.rename,
            where=where,
            source=self.name
            if alone
            else f"{self.name}/{what.name}",  # rows of two parts may have one number
            events=tuple(self._archived(event, open_part) for event in what.events),
            verbatim=self._archived(what.verbatim, open_part) if what.verbatim else None,
        )

    def _opened(self, what: CorePart, open_stream: grids.Opener, where: str | Path) -> grids.Grid:
        with open_stream() as stream:
            is_parquet = stream.read(len(grids.PARQUET_MAGIC)) == grids.PARQUET_MAGIC
        if is_parquet:
            return grids.parquet_grid(open_stream, zipped=what.name != "" and self.path.is_file(), file=where)
        return grids.text_grid(open_stream, what.layout, file=where)

    def remark(self, text: str) -> None:
        """Keep a remark on the whole file, once."""
        if text not in self._remarks:
            self._remarks.append(text)

    def batches(self) -> Iterator[pa.Table]:
        """Tables of the RECORDS schema, some ten thousand rows each, in the order of the file.

        Raises
        ------
        RecordFileError
            When the file breaks off or cannot be split into rows; the message names the row.
        """
        self._tally.clear()
        self._unread.clear()
        keys = values.RowKeys()
        rows = 0
        with self._parts() as parts:
            for part in parts:
                part.prepare(self.remark)
                for table in part.tables(keys, self._tally):
                    rows += table.num_rows
                    yield check(table, RECORDS, "records")
                self._unread += [part.unread] if part.unread else []
        self._rows = rows
        self._refuse_swapped()
        if rows == 0:
            raise RecordFileError.of("header_but_no", file=self.path)

    def _refuse_swapped(self) -> None:
        """Refuse a file most of whose places lie on the globe only with latitude and longitude swapped."""
        swapped, placed = self._tally["swapped"], self._tally["placed"]
        if swapped > 2 and swapped * 2 > placed:
            raise RecordFileError.of(
                "latitude_longitude_swapped", file=self.path, swapped=swapped, placed=placed
            )

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed or could not be read, in words; complete once the batches are read."""
        counts = [(said(f"tally_{key}"), self._tally[key]) for key in _TOLD if self._tally[key]]
        counted = [f"{words}: {count:,}" for words, count in counts]
        unread = unread_notes([self.source])
        return (*unread, *(f"{self.name}: {text}" for text in [*self._remarks, *counted]))

    @cached_property
    def _sha256(self) -> str:
        whole = hashlib.sha256()
        if not self.path.is_dir():
            with self.path.open("rb") as stream:
                return hashlib.file_digest(stream, "sha256").hexdigest()
        for item in sorted(item for item in self.path.rglob("*") if item.is_file()):
            whole.update(item.relative_to(self.path).as_posix().encode())
            with item.open("rb") as stream:
                whole.update(hashlib.file_digest(stream, "sha256").digest())
        return whole.hexdigest()

    @property
    def source(self) -> dict[str, Any]:
        """Path, hash of the content, and rows read (null before the batches are read).

        ``unreadDates`` is there when dates could not be read: how many of how many, and one of them.
        """
        found = {"path": self.name, "sha256": self._sha256, "rows": self._rows}
        return {**found, "unreadDates": list(self._unread)} if self._unread else found


def read_records(
    path: str | Path, *, rename: Mapping[str, str] | None = None, settings: Settings | None = None
) -> RecordFile:
    """Open an occurrence table, archive or Parquet file and understand its columns.

    Parameters
    ----------
    path : path
        Text (comma, tab, semicolon or pipe), a Darwin Core Archive as zip or folder, a zip
        of one table, Parquet, a spreadsheet (.xlsx, .ods, .xls), or points as GeoPackage,
        Shapefile or GeoJSON.
    rename : dict of str to str, optional
        Given heading to Darwin Core term: the ``--map`` of the command line.  The key
        ``date order`` says how dates of numbers are ordered: mdy, dmy or ymd.
    settings : Settings, optional
        ``max_unpacked_mib`` bounds what an archive may unpack to.

    Raises
    ------
    RecordFileError
        When the file is absent, empty, of another kind, or has no coordinates or names.
    """
    path = Path(path)
    if not str(path).strip() or path == Path():
        raise RecordFileError.of("empty_name_no")
    if not path.exists():
        raise RecordFileError.of("does_not_exist", file=path)
    if not (path.is_file() or path.is_dir()):
        raise RecordFileError.of("pipe_device_records", file=path)
    try:
        return RecordFile(path, rename=rename, settings=settings or Settings())
    except OSError as error:
        raise RecordFileError.of("cannot_read", file=path, why=error.strerror or error) from error


def read_all(
    paths: Iterable[str | Path], *, rename: Mapping[str, str] | None = None, settings: Settings | None = None
) -> tuple[pa.Table, tuple[dict[str, Any], ...], tuple[str, ...], tuple[dict[str, Any], ...]]:
    """Read whole files into one RECORDS table.

    Returns
    -------
    table, sources, notes, datasets
        As :class:`RecordFile` gives them, over all files in the order given.
    """
    batches: list[pa.Table] = []
    sources: list[dict[str, Any]] = []
    notes: list[str] = []
    datasets: list[dict[str, Any]] = []
    for file in open_all(paths, rename=rename, settings=settings):
        batches.extend(file.batches())
        sources.append(file.source)
        notes.extend(file.notes)
        datasets.extend(item for item in file.datasets if item not in datasets)
    table = pa.concat_tables(batches) if batches else RECORDS.empty_table()
    return table, tuple(sources), tuple(dict.fromkeys([*unread_notes(sources), *notes])), tuple(datasets)


def open_all(
    paths: Iterable[str | Path], *, rename: Mapping[str, str] | None = None, settings: Settings | None = None
) -> Iterator[RecordFile]:
    """Open files one after the other; a heading to be renamed need stand in one of them only.

    Raises
    ------
    RecordFileError
        Before the last file, when one cannot be used; after it, for a heading that none has.
    """
    absent: set[str] | None = None
    for path in paths:
        file = read_records(path, rename=rename, settings=settings)
        absent = file.lacks() if absent is None else absent & file.lacks()
        yield file
    for given in sorted(absent or ()):
        raise RecordFileError.of(
            "map_unknown_column",
            file=file.path,
            given=given,
            term=file.rename[given],
            names=values.listed(file.headings),
        )
