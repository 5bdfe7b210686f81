"""Darwin Core text tables, archives and Parquet to RECORDS tables, in batches.

Nothing is judged here: a value that cannot be read becomes null with a `readNote`, and
every row of the file comes out as one row.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder.errors import RecordFileError
from poolbuilder.records import archive
from poolbuilder.records.parts import Part, parts_of
from poolbuilder.records.values import RowKeys
from poolbuilder.schemas import RECORDS, check
from poolbuilder.settings import Settings

__all__ = ["RecordFile", "read_all", "read_records"]

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
        with self._parts() as parts:  # refuse a file that cannot be used before any work
            for part in parts:
                part.prepare(self.remark)

    @contextmanager
    def _parts(self) -> Iterator[list[Part]]:
        """The tables of records inside, open as long as the `with` block runs."""
        if not self.path.is_dir():
            with self.path.open("rb") as stream:
                is_zip = stream.read(len(_ZIP_MAGIC)) == _ZIP_MAGIC
            if not is_zip:
                alone = archive.CorePart(name=self.path.name)
                yield [Part(alone, self.path.open, where=self.path, source=self.name, rename=self.rename)]
                return
        with archive.open_container(self.path, self.settings) as container:
            self.datasets = self.datasets or tuple(archive.datasets_of(container))
            yield parts_of(container, source=self.name, rename=self.rename)

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
        with self._parts() as parts:
            for part in parts:
                part.prepare(self.remark)
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
            ("whole name", "names as given put back, for the service kept only a part of them"),
            ("no event", "records whose event is not in the event table, kept with a note"),
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
