"""One table of records in a file, with its events: text, Parquet, sheet or layer, alone or in an archive."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import RecordFileError
from poolbuilder.names.vocabularies import fold
from poolbuilder.records import text_table
from poolbuilder.records.archive import Container, CorePart, core_parts
from poolbuilder.records.dates import DateColumn, read_column, read_date
from poolbuilder.records.sheets import Grid
from poolbuilder.records.text_table import Layout, RawBatch
from poolbuilder.records.values import (
    DATE_ORDER,
    GENUS,
    SERVICE_ID,
    WHOLE_NAME,
    WHOLE_NAME_DOUBTS,
    RowKeys,
    check_complete,
    column_called,
    match_columns,
    read_everyday,
    records_of,
)
from poolbuilder.schemas import RECORDS

CORE_KEY = "core key"
PARENT_KEY = "parent key"
"""Names that are no terms, for the columns by which the tables refer to each other."""

_DEEPEST = 10
_ISO = r"^\d{4}(-\d{2}(-\d{2}(T[0-9:.,Z+-]*)?)?)?(/\d{4}-.*)?$"
_ORDER_WORDS = {"mdy": "month first", "dmy": "day first", "ymd": "year first"}


class Events:
    """An event table in memory; a visit inherits from the survey or site that is its parent."""

    def __init__(self, batches: Sequence[RawBatch]) -> None:
        names = dict.fromkeys(name for batch in batches for name in batch.columns)
        count = sum(len(batch.rows) for batch in batches)
        joined = {
            name: pa.concat_arrays(
                [batch.columns.get(name, pa.nulls(len(batch.rows), pa.string())) for batch in batches]
            )
            for name in names
        }
        self._keys = joined.pop(CORE_KEY, pa.nulls(count, pa.string()))
        parents = joined.pop(PARENT_KEY, pa.nulls(count, pa.string()))
        self._columns = joined
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

    def fill(self, raw: RawBatch, keys: pa.Array | None, tally: Counter[str]) -> RawBatch:
        """Give each record what it leaves out and the event with its key states."""
        given = dict(raw.columns)
        if keys is None:
            keys = pa.nulls(len(raw.rows), pa.string())
        place = self._place(keys)
        notes = {row: list(texts) for row, texts in raw.notes.items()}
        lost = np.flatnonzero(place < 0)
        for row in lost.tolist():
            notes.setdefault(row, []).append(f"its event {keys[row].as_py()!r} is not in the event table")
        tally["no event"] += len(lost)
        for name, column in self._columns.items():
            stated = _taken(column, place)
            given[name] = pc.coalesce(given[name], stated) if name in given else stated
        return RawBatch(columns=given, rows=raw.rows, notes=notes)


def _taken(column: pa.Array, place: NDArray[np.int64]) -> pa.Array:
    return column.take(tables.array(np.maximum(place, 0), pa.int64(), mask=place >= 0))


_PARQUET_MAGIC = b"PAR1"


class RecordTable:
    """A table that can be opened.

    Parameters
    ----------
    described : CorePart
        What the archive's descriptor says of it; little for a table on its own.
    open_stream : callable
        Opens its bytes; for a file on its own called with the mode.
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
    grid : Grid, optional
        The table itself, of a spreadsheet or layer.
    """

    def __init__(
        self,
        described: CorePart,
        open_stream: Callable[[str], Any],
        *,
        where: str | Path,
        source: str,
        rename: Mapping[str, str],
        zipped: bool = False,
        events: tuple[RecordTable, ...] = (),
        verbatim: RecordTable | None = None,
        grid: Grid | None = None,
    ) -> None:
        self._described = described
        self._open = open_stream
        self._where = where
        self._source = source
        self._rename = {given: term for given, term in rename.items() if given != DATE_ORDER}
        self._order = rename.get(DATE_ORDER)
        self._dates: DateColumn | None = None
        self._grid = grid
        self._types: tuple[pa.DataType, ...] = ()
        self.unpacked = 0  # bytes at least, of Parquet
        self.absent: set[str] = set()
        self._remark: Callable[[str], None] = lambda text: None
        self._zipped = zipped
        self._events = events
        self._verbatim = verbatim
        self._layout: Layout | None = None
        self._names: tuple[str, ...] = ()
        self._terms: dict[str, int] = {}
        self._defaults: dict[str, str] = {}

    def prepare(self, remark: Callable[[str], None]) -> None:
        """Find out how the table is written and where its terms stand.

        Raises
        ------
        RecordFileError
            When it cannot be read, or has no coordinates or names.
        """
        self._remark = remark
        self._look()
        self._place(complete=not self._events)
        self._refuse_types()
        folded = [fold(name) for name in self._names if name]
        for name in dict.fromkeys(self._names[index] for index in self._terms.values() if self._names[index]):
            if folded.count(fold(name)) > 1:
                remark(f"several columns are called {name}; the first is read")
        if fold(SERVICE_ID) in folded and not {"geodeticDatum"} & {*self._terms, *self._defaults}:
            # The service's own archives state this datum as the default of the term.
            self._defaults["geodeticDatum"] = "WGS84"
            remark("a download of the open occurrence service: its coordinates are in WGS84")
        for part in self._events:
            part._look()
            part._place(complete=False)
            self.absent &= part.absent
        if self._verbatim is not None:
            self._verbatim._look()
        if self._events:
            remark("records are joined to the events of the archive")
            known = [name for part in (self, *self._events) for name in [*part._names, *part._constants()]]
            check_complete(
                match_columns(known, file=self._where, rename=self._rename, absent=set()), known, self._where
            )

    def _refuse_types(self) -> None:
        """Refuse columns of a Parquet file that cannot be the numbers that their term wants."""
        for term, at in self._terms.items():
            wanted, given = RECORDS.field(term).type, self._types[at] if self._types else pa.null()
            given = given.value_type if pa.types.is_dictionary(given) else given
            if pa.types.is_string(wanted) or _can_be_number(given):
                continue
            raise RecordFileError(
                f"column {self._names[at]} holds {given}, not numbers",
                file=self._where,
                remedy="write it as numbers",
            )

    def _constants(self) -> dict[str, str]:
        return dict(self._described.defaults)

    @property
    def names(self) -> tuple[str, ...]:
        """Headings, once :meth:`prepare` has run."""
        return self._names

    def _look(self) -> None:
        if self._grid is not None:
            self._names = self._grid.names
            return
        with self._open("rb") as stream:
            head = stream.read(text_table.HEAD_BYTES)
        if head.startswith(_PARQUET_MAGIC):
            with self._parquet() as parquet:
                schema, shape = parquet.schema_arrow, parquet.metadata
                self._names, self._types = tuple(schema.names), tuple(schema.types)
                packed = sum(shape.row_group(at).total_byte_size for at in range(shape.num_row_groups))
                self.unpacked = max(packed, shape.num_rows * len(self._names))
            return
        described = self._described
        if described.names is None:
            self._layout = text_table.sniff(head, file=self._where)
        elif not head.strip():
            raise RecordFileError("is empty", file=self._where, remedy="download the archive again")
        else:
            self._layout = text_table.described(
                head,
                described.names,
                encoding=described.encoding,
                delimiter=described.delimiter,
                quote=described.quote,
                skip_lines=described.skip_lines,
                file=self._where,
            )
        self._names = self._layout.names

    def _place(self, *, complete: bool) -> None:
        constants = self._constants()
        headings = [*self._names, *(term for term in constants if term not in self._names)]
        self.absent.clear()
        found = match_columns(headings, rename=self._rename, file=self._where, absent=self.absent)
        if self._described.names is None:
            found = read_everyday(headings, found, file=self._where, remark=self._remark)
        if complete:
            check_complete(found, headings, self._where)
        self._terms = {term: index for term, index in found.items() if index < len(self._names)}
        self._defaults = {
            term: constants[headings[index]] for term, index in found.items() if headings[index] in constants
        }

    @contextmanager
    def _parquet(self) -> Iterator[Any]:
        import pyarrow.parquet as parquet  # read only when needed

        with self._open("rb") as stream:
            try:
                # Within a zip a jump back would unpack the part from its start again.
                source = io.BytesIO(stream.read()) if self._zipped else stream
                yield parquet.ParquetFile(source, pre_buffer=False)  # else it keeps all that it has read
            except (pa.ArrowInvalid, OSError) as error:
                raise RecordFileError(
                    f"is a broken Parquet file: {error}", file=self._where, remedy="download it again"
                ) from error

    def tables(self, row_keys: RowKeys, tally: Counter[str]) -> Iterator[pa.Table]:
        """RECORDS tables of this part, after :meth:`prepare`."""
        events = self._read_events(tally)
        whole_names = self._read_whole_names()
        for raw in self._raw(self._wanted(), tally):
            key = raw.columns.pop(CORE_KEY, None)
            if events is not None:
                raw = events.fill(raw, key, tally)
            elif whole_names and key is not None:
                names = [whole_names.get(text) for text in key.to_pylist()]
                raw.columns[WHOLE_NAME] = tables.array(names, pa.string())
            self._to_iso(raw, events)
            if len(raw.rows):
                yield records_of(
                    raw, source=self._source, keys=row_keys, defaults=self._defaults, tally=tally
                )

    def _wanted(self) -> dict[str, int]:
        """Columns to read: the terms, and those by which tables and services refer to records."""
        wanted = dict(self._terms)
        if self._described.key is not None and (self._events or self._verbatim):
            wanted[CORE_KEY] = self._described.key
        for name in (SERVICE_ID, WHOLE_NAME):
            place = column_called(name, self._names)
            if place is not None:
                wanted[name] = place
        genus, named = column_called("genus", self._names), self._terms.get("scientificName")
        if genus is not None and named is not None and fold(self._names[named]) == "species":
            wanted[GENUS] = genus
        return wanted

    def _to_iso(self, raw: RawBatch, events: Events | None) -> None:
        """Put dates that are no ISO 8601 into it, by the one order that fits the whole column."""
        column = raw.columns.get("eventDate")
        if column is None or not pa.types.is_string(column.type):
            return
        if (
            self._dates is None
            and pc.all(pc.match_substring_regex(column, pattern=_ISO)).as_py() is not False
        ):
            return
        index, distinct = tables.codes(column)
        if self._dates is None:
            if all(read_date(text or "")[1] != "unreadable" for text in distinct):
                return
            self._dates = self._read_dates(events)
        iso = [self._dates.iso.get(text or "", text) for text in distinct]
        raw.columns["eventDate"] = tables.spread(
            tables.array(iso, pa.string()), tables.array(index, pa.int64(), mask=index >= 0)
        )

    def _read_dates(self, events: Events | None) -> DateColumn:
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
        read = read_column(counts, order=self._order)
        if len(read.fits) > 1:
            words = [_ORDER_WORDS[order] for order in read.fits]
            raise RecordFileError(
                f"its dates, such as {read.example!r}, can be read {' or '.join(words)}",
                file=self._where,
                remedy=f"say which with {' or '.join(f'--date-order {order}' for order in read.fits)}",
            )
        unread = sum(read.unread.values())
        example = max(read.unread, key=lambda text: read.unread[text], default="")
        words_unread = (
            f"{unread:,} of {unread + read.read:,} dates could not be read, such as {example[:40]!r}"
        )
        if read.found_none and "year" not in self._terms:
            raise RecordFileError(
                words_unread,
                file=self._where,
                remedy="write them as 2026-06-30, or name the column of dates with --map GIVEN=eventDate",
            )
        if unread:
            self._remark(words_unread)
        if read.order:
            shown = next(text for text in counts if text in read.iso)
            self._remark(f"dates read {_ORDER_WORDS[read.order]}, such as {shown!r} as {read.iso[shown]}")
        return read

    def _read_whole_names(self) -> dict[str, str]:
        """Name as given, by core id, of the records whose name the service could not place whole."""
        key, issue = self._described.key, self._terms.get("issue")
        if self._verbatim is None or key is None or issue is None:
            return {}
        aside: Counter[str] = Counter()
        doubted: set[str | None] = set()
        for raw in self._raw({CORE_KEY: key, "issue": issue}, aside):
            index, issues = tables.codes(raw.columns["issue"])
            marks = [any(flag in (text or "") for flag in WHOLE_NAME_DOUBTS) for text in issues]
            rows = np.flatnonzero(np.array([*marks, False])[index])
            doubted.update(tables.take(pa.table([raw.columns[CORE_KEY]], ["key"]), rows)["key"].to_pylist())
        part = self._verbatim
        name, place = column_called("scientificName", part._names), part._described.key
        if not doubted or name is None or place is None:
            return {}
        found: dict[str, str] = {}
        for raw in part._raw({CORE_KEY: place, WHOLE_NAME: name}, aside):
            pairs = zip(raw.columns[CORE_KEY].to_pylist(), raw.columns[WHOLE_NAME].to_pylist(), strict=True)
            found.update({given: text for given, text in pairs if given in doubted and text})
        return found

    def _read_events(self, tally: Counter[str]) -> Events | None:
        if not self._events:
            return None
        batches = []
        for part in self._events:
            wanted = dict(part._terms)
            key = part._described.key
            wanted[CORE_KEY] = key if key is not None else wanted.get("eventID", 0)
            parent = column_called("parentEventID", part._names)
            if parent is not None:
                wanted[PARENT_KEY] = parent
            for raw in part._raw(wanted, tally):
                for term, value in part._defaults.items():
                    raw.columns.setdefault(term, text_table.repeated(value, len(raw.rows)))
                batches.append(raw)
        return Events(batches)

    def _raw(self, wanted: Mapping[str, int], tally: Counter[str]) -> Iterator[RawBatch]:
        if self._grid is not None:
            yield from self._grid.batches(wanted)
            return
        if self._layout is not None:
            with self._open("rb") as stream:
                yield from text_table.raw_batches(stream, self._layout, wanted, file=self._where, tally=tally)
            return
        start = 1
        with self._parquet() as parquet:
            named = {term: self._names[index] for term, index in wanted.items()}
            for batch in parquet.iter_batches(text_table.BATCH_ROWS, columns=list(named.values())):
                rows = np.arange(start, start + batch.num_rows, dtype=np.int64)
                start += batch.num_rows
                notes: dict[int, list[str]] = {}
                values = {
                    term: _decoded(_plain(batch.column(name)), term, notes, tally)
                    for term, name in named.items()
                }
                yield RawBatch(columns=values, rows=rows, notes=notes)


def _decoded(column: pa.Array, term: str, notes: dict[int, list[str]], tally: Counter[str]) -> pa.Array:
    """A column of which every text is UTF-8; what is not is read as far as it can be, and noted."""
    if not pa.types.is_string(column.type):
        return column
    try:
        column.validate(full=True)
        return column
    except pa.ArrowInvalid:
        texts = []
    for row, given in enumerate(column.cast(pa.binary()).to_pylist()):
        text = None if given is None else given.decode(errors="replace")
        if text is not None and text.encode() != given:
            notes.setdefault(row, []).append(f"{term} holds bytes that are not UTF-8")
            tally["undecodable"] += text.count("\ufffd")
        texts.append(text)
    return tables.array(texts, pa.string())


def _can_be_number(kind: pa.DataType) -> bool:
    is_text = pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)
    is_number = pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
    return bool(is_text or is_number or pa.types.is_null(kind))


def _plain(column: pa.Array) -> pa.Array:
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if pa.types.is_large_string(column.type) or pa.types.is_string_view(column.type):
        column = column.cast(pa.string())
    return column


def parts_of(container: Container, *, source: str, rename: Mapping[str, str]) -> list[RecordTable]:
    """The parts of an archive or zip that hold its records, in the order of its descriptor.

    Raises
    ------
    RecordFileError
        When its descriptor cannot be read or it holds no records.
    """
    described = core_parts(container)
    zipped = container.path.is_file()

    def part(what: CorePart, *, alone: bool) -> RecordTable:
        return RecordTable(
            what,
            lambda mode: container.open(what.name),
            where=f"{container.path}/{what.name}",
            source=source if alone else f"{source}/{what.name}",  # rows of two parts may have one number
            rename=rename,
            zipped=zipped,
            events=tuple(part(event, alone=True) for event in what.events),
            verbatim=part(what.verbatim, alone=True) if what.verbatim else None,
        )

    return [part(item, alone=len(described) == 1) for item in described]
