"""Darwin Core text tables, archives and Parquet to RECORDS tables, in batches.

Nothing is judged here: a value that cannot be read becomes null with a `readNote`, and
every row of the file comes out as one row.
"""

from __future__ import annotations

import hashlib
import io
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa

from poolbuilder.errors import RecordFileError
from poolbuilder.records import archive, layout, text_table
from poolbuilder.records.layout import Layout
from poolbuilder.records.terms import SERVICE_ID, match_columns
from poolbuilder.records.text_table import RawBatch
from poolbuilder.records.values import RowKeys, records_of
from poolbuilder.schemas import RECORDS, check
from poolbuilder.settings import Settings
from poolbuilder.vocabularies import fold

__all__ = ["RecordFile", "read_all", "read_records"]

_PARQUET_MAGIC = b"PAR1"
_ZIP_MAGIC = b"PK\x03\x04"


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
        self.name = f"{resolved.parent.name}/{resolved.name}" if resolved.parent.name else resolved.name
        self.rename = dict(rename or {})
        self.settings = settings
        self._tally: Counter[str] = Counter()
        self._remarks: list[str] = []
        self._rows: int | None = None
        self.datasets: tuple[dict[str, Any], ...] = ()
        with _Parts(self) as parts:  # refuse a file that cannot be used before any work
            for part in parts:
                part.prepare()

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
        keys = RowKeys()
        rows = 0
        with _Parts(self) as parts:
            for part in parts:
                for table in part.tables(keys, self._tally):
                    rows += table.num_rows
                    yield check(table, RECORDS, "records")
        self._rows = rows
        if rows == 0:
            raise RecordFileError(
                "has a header but no records", file=self.path, remedy="give a table with one record a row"
            )

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed or could not be read, in words; complete once the batches are read."""
        told = [
            ("latin1", "bytes that are not UTF-8, read as Latin-1 (check the accents of names)"),
            ("undecodable", "characters that could not be decoded, read as \ufffd"),
            ("ragged", "rows that do not fit the header, kept with a note"),
            ("blank", "rows that hold none of the terms, left out"),
            ("not a number", "values that should be numbers and are not, left out with a note"),
            ("decimal comma", "coordinates written with a decimal comma, read as decimals"),
        ]
        counted = [f"{words}: {self._tally[key]:,}" for key, words in told if self._tally[key]]
        return tuple(f"{self.name}: {text}" for text in [*self._remarks, *counted])

    @cached_property
    def _sha256(self) -> str:
        whole = hashlib.sha256()
        files = (
            sorted(item for item in self.path.rglob("*") if item.is_file())
            if self.path.is_dir()
            else [self.path]
        )
        for item in files:
            if self.path.is_dir():
                whole.update(item.relative_to(self.path).as_posix().encode())
            with item.open("rb") as stream:
                if not self.path.is_dir():
                    return hashlib.file_digest(stream, "sha256").hexdigest()
                whole.update(hashlib.file_digest(stream, "sha256").digest())
        return whole.hexdigest()

    @property
    def source(self) -> dict[str, Any]:
        """Path, hash of the content, and rows read (null before the batches are read)."""
        return {"path": self.name, "sha256": self._sha256, "rows": self._rows}


class _Parts:
    """The tables inside a file, open as long as the `with` block runs."""

    def __init__(self, file: RecordFile) -> None:
        self._file = file
        self._container: Any = None

    def __enter__(self) -> list[_Table]:
        path = self._file.path
        if not path.is_dir():
            with path.open("rb") as stream:
                head = stream.read(4)
            if head != _ZIP_MAGIC:
                opened = _Table(self._file, archive.CorePart(name=path.name), lambda: path.open("rb"))
                return [opened]
        self._container = archive.open_container(path, self._file.settings)
        container = self._container.__enter__()
        if not self._file.datasets:
            self._file.datasets = tuple(archive.datasets_of(container))
        parts = archive.core_parts(container)
        tables = [_Table(self._file, part, lambda name=part.name: container.open(name)) for part in parts]
        if len(tables) > 1:  # rows of several parts may have one number
            for table, part in zip(tables, parts, strict=True):
                table.source = f"{self._file.name}/{part.name}"
        return tables

    def __exit__(self, kind: Any, error: Any, trace: Any) -> bool | None:
        return self._container.__exit__(kind, error, trace) if self._container else None


class _Table:
    """One table of records: a text file or a Parquet file."""

    def __init__(self, file: RecordFile, part: archive.CorePart, open_stream: Any) -> None:
        self._file = file
        self._part = part
        self._open = open_stream
        self.where = file.path if part.name == file.path.name else f"{file.path}/{part.name}"
        self.layout: Layout | None = None
        self.terms: dict[str, int] = {}
        self.names: tuple[str, ...] = ()
        self.defaults: dict[str, str] = {}
        self.source = file.name
        self.zipped = self.where != file.path and file.path.is_file()

    def prepare(self) -> None:
        """Find out how the table is written and where its terms stand."""
        with self._open() as stream:
            head = _head(stream)
        if head.startswith(_PARQUET_MAGIC):
            with self._parquet() as parquet:
                self.names = tuple(parquet.schema_arrow.names)
        else:
            self.layout = self._layout(head)
            self.names = self.layout.names
        constants = dict(self._part.defaults)
        headings = [*self.names, *(term for term in constants if term not in self.names)]
        found = match_columns(headings, rename=self._file.rename, file=self.where)
        self.terms = {term: index for term, index in found.items() if index < len(self.names)}
        self.defaults = {
            term: constants[headings[index]] for term, index in found.items() if headings[index] in constants
        }
        folded = [fold(name) for name in self.names if name]
        for name in dict.fromkeys(self.names[index] for index in self.terms.values()):
            if folded.count(fold(name)) > 1:
                self._file.remark(f"several columns are called {name}; the first is read")
        if any(fold(name) == fold(SERVICE_ID) for name in self.names) and "geodeticDatum" not in found:
            # From memory: the service publishes interpreted coordinates in WGS84.
            self.defaults["geodeticDatum"] = "WGS84"
            self._file.remark("a download of the open occurrence service: its coordinates are in WGS84")

    def _layout(self, head: bytes) -> Layout:
        part = self._part
        if part.names is None:
            return layout.sniff(head, file=self.where)
        if not head.strip():
            raise RecordFileError("is empty", file=self.where, remedy="download the archive again")
        return layout.described(
            head,
            part.names,
            encoding=part.encoding,
            delimiter=part.delimiter,
            quote=part.quote,
            skip_lines=part.skip_lines,
            file=self.where,
        )

    @contextmanager
    def _parquet(self) -> Iterator[Any]:
        import pyarrow.parquet as parquet  # read only when needed

        with self._open() as stream:
            try:
                # Within a zip a jump back would unpack the part from its start again.
                whole = io.BytesIO(stream.read()) if self.zipped else stream
                yield parquet.ParquetFile(whole)
            except (pa.ArrowInvalid, OSError) as error:
                raise RecordFileError(
                    f"is a broken Parquet file: {error}", file=self.where, remedy="download it again"
                ) from error

    def tables(self, keys: RowKeys, tally: Counter[str]) -> Iterator[pa.Table]:
        """RECORDS tables of this part."""
        self.prepare()
        for raw in self._raw(tally):
            if len(raw.rows):
                yield records_of(raw, source=self.source, keys=keys, defaults=self.defaults, tally=tally)

    def _raw(self, tally: Counter[str]) -> Iterator[RawBatch]:
        if self.layout is not None:
            with self._open() as stream:
                yield from text_table.raw_batches(
                    stream, self.layout, self.terms, file=self.where, tally=tally
                )
            return
        start = 1
        with self._parquet() as parquet:
            wanted = {term: self.names[index] for term, index in self.terms.items()}
            for batch in parquet.iter_batches(text_table.BATCH_ROWS, columns=list(wanted.values())):
                rows = np.arange(start, start + batch.num_rows, dtype=np.int64)
                start += batch.num_rows
                values = {term: _decoded(batch.column(name)) for term, name in wanted.items()}
                yield RawBatch(columns=values, rows=rows)


def _decoded(column: pa.Array) -> pa.Array:
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if pa.types.is_large_string(column.type) or pa.types.is_string_view(column.type):
        column = column.cast(pa.string())
    return column


def _head(stream: BinaryIO) -> bytes:
    return stream.read(layout.HEAD_BYTES)


def read_records(
    path: str | Path, *, rename: Mapping[str, str] | None = None, settings: Settings | None = None
) -> RecordFile:
    """Open an occurrence table, archive or Parquet file and understand its columns.

    Parameters
    ----------
    path : path
        Text (comma, tab, semicolon or pipe), a Darwin Core Archive as zip or folder, a zip
        of one table, or Parquet.
    rename : dict of str to str, optional
        Given heading to Darwin Core term: the ``--map`` of the command line.
    settings : Settings, optional
        ``max_unpacked_mib`` bounds what an archive may unpack to.

    Raises
    ------
    RecordFileError
        When the file is absent, empty, of another kind, or has no coordinates or names.
    """
    path = Path(path)
    if not path.exists():
        raise RecordFileError("does not exist", file=path, remedy="check the path")
    try:
        return RecordFile(path, rename=rename, settings=settings or Settings())
    except OSError as error:
        raise RecordFileError(
            f"cannot be read: {error.strerror or error}", file=path, remedy="check its permissions"
        ) from error


def read_all(
    paths: Iterable[str | Path],
    *,
    rename: Mapping[str, str] | None = None,
    settings: Settings | None = None,
) -> tuple[pa.Table, tuple[dict[str, Any], ...], tuple[str, ...], tuple[dict[str, Any], ...]]:
    """Read whole files into one RECORDS table.

    Returns
    -------
    table, sources, notes, datasets
        As :class:`RecordFile` gives them, over all files in the order given.
    """
    tables: list[pa.Table] = []
    sources: list[dict[str, Any]] = []
    notes: list[str] = []
    datasets: list[dict[str, Any]] = []
    for path in paths:
        file = read_records(path, rename=rename, settings=settings)
        tables.extend(file.batches())
        sources.append(file.source)
        notes.extend(file.notes)
        datasets.extend(item for item in file.datasets if item not in datasets)
    table = pa.concat_tables(tables) if tables else RECORDS.empty_table()
    return table, tuple(sources), tuple(notes), tuple(datasets)
