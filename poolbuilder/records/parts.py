"""One table of records inside a file: a text table or Parquet, alone or in an archive."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from poolbuilder import tables
from poolbuilder.errors import RecordFileError
from poolbuilder.names.vocabularies import fold
from poolbuilder.records import layout, text_table
from poolbuilder.records.archive import Container, CorePart, core_parts
from poolbuilder.records.events import CORE_KEY, PARENT_KEY, Events
from poolbuilder.records.layout import Layout
from poolbuilder.records.terms import (
    SERVICE_ID,
    WHOLE_NAME,
    WHOLE_NAME_DOUBTS,
    column_called,
    match_columns,
    suggestions,
)
from poolbuilder.records.text_table import RawBatch
from poolbuilder.records.values import RowKeys, records_of

__all__ = ["Part", "parts_of"]

_PARQUET_MAGIC = b"PAR1"


class Part:
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
    events : tuple of Part
        The event table that the records refer to.
    verbatim : Part, optional
        The records as they were given to the service, before it read their names.
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
        events: tuple[Part, ...] = (),
        verbatim: Part | None = None,
    ) -> None:
        self._described = described
        self._open = open_stream
        self._where = where
        self._source = source
        self._rename = rename
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
        self._look()
        self._place(complete=not self._events)
        folded = [fold(name) for name in self._names if name]
        for name in dict.fromkeys(self._names[index] for index in self._terms.values() if self._names[index]):
            if folded.count(fold(name)) > 1:
                remark(f"several columns are called {name}; the first is read")
        if fold(SERVICE_ID) in folded and not {"geodeticDatum"} & {*self._terms, *self._defaults}:
            # The service's own archives state this datum as the default of the term.
            self._defaults["geodeticDatum"] = "WGS84"
            remark("a download of the open occurrence service: its coordinates are in WGS84")
        if self._described.names is None:
            meant = suggestions(self._names, {index: term for term, index in self._terms.items()})
            if meant:
                remark(f"not read, for the headings are no Darwin Core terms; if meant: {' '.join(meant)}")
        for part in self._events:
            part._look()
            part._place(complete=False)
        if self._verbatim is not None:
            self._verbatim._look()
        if self._events:
            remark("records are joined to the events of the archive")
            known = [name for part in (self, *self._events) for name in [*part._names, *part._constants()]]
            match_columns(known, rename=self._rename, file=self._where)

    def _constants(self) -> dict[str, str]:
        return dict(self._described.defaults)

    def _look(self) -> None:
        with self._open("rb") as stream:
            head = stream.read(layout.HEAD_BYTES)
        if head.startswith(_PARQUET_MAGIC):
            with self._parquet() as parquet:
                self._names = tuple(parquet.schema_arrow.names)
            return
        described = self._described
        if described.names is None:
            self._layout = layout.sniff(head, file=self._where)
        elif not head.strip():
            raise RecordFileError("is empty", file=self._where, remedy="download the archive again")
        else:
            self._layout = layout.described(
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
        rename = self._rename
        if not complete:  # a heading to be renamed may stand in the other table
            rename = {given: term for given, term in rename.items() if fold(given) in map(fold, headings)}
        found = match_columns(headings, rename=rename, file=self._where, complete=complete)
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
        return wanted

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
                values = {term: _plain(batch.column(name)) for term, name in named.items()}
                yield RawBatch(columns=values, rows=rows)


def _plain(column: pa.Array) -> pa.Array:
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if pa.types.is_large_string(column.type) or pa.types.is_string_view(column.type):
        column = column.cast(pa.string())
    return column


def parts_of(container: Container, *, source: str, rename: Mapping[str, str]) -> list[Part]:
    """The parts of an archive or zip that hold its records, in the order of its descriptor.

    Raises
    ------
    RecordFileError
        When its descriptor cannot be read or it holds no records.
    """
    described = core_parts(container)
    zipped = container.path.is_file()

    def part(what: CorePart, *, alone: bool) -> Part:
        return Part(
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
