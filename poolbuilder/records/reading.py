"""Darwin Core text tables, archives and Parquet to RECORDS tables, in batches.

Nothing is judged here: a value that cannot be read becomes null with a `readNote`, and
every row of the file comes out as one row.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder.errors import RecordFileError
from poolbuilder.records.archive import MIB, CorePart, datasets_of, open_container
from poolbuilder.records.record_table import RecordTable, parts_of
from poolbuilder.records.sheets import Grid, kind_of, read_points, read_sheets
from poolbuilder.records.values import (
    DATE_ORDER,
    RowKeys,
    check_complete,
    match_columns,
    no_such_column,
    read_everyday,
)
from poolbuilder.schemas import RECORDS, check
from poolbuilder.settings import Settings

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

    def __init__(
        self,
        path: Path,
        *,
        rename: Mapping[str, str] | None,
        settings: Settings,
        absent: set[str] | None = None,
    ) -> None:
        self.path = path
        resolved = path.resolve()
        name = f"{resolved.parent.name}/{resolved.name}" if resolved.parent.name else resolved.name
        self.name = name.encode(errors="replace").decode()  # a file's name need not be text
        self.rename = dict(rename or {})
        self.settings = settings
        self._tally: Counter[str] = Counter()
        self._remarks: list[str] = []
        self._rows: int | None = None
        self._grids: list[Grid] = []
        self.datasets: tuple[dict[str, Any], ...] = ()
        with self._parts() as parts:  # refuse a file that cannot be used before any work
            for part in parts:
                part.prepare(self.remark)
                if part.unpacked > settings.max_unpacked_mib * MIB:
                    raise RecordFileError(
                        f"would unpack to {part.unpacked / MIB:,.0f} MiB, the limit is "
                        f"{settings.max_unpacked_mib:,.0f}",
                        file=path,
                        remedy="raise the setting maxUnpackedMib if you trust its source",
                    )
            self.headings = tuple(name for part in parts for name in part.names)
            missing = set.intersection(*(part.absent for part in parts)) if parts else set()
            if absent is not None:
                absent |= missing
            for given in sorted(missing if absent is None else ()):
                raise no_such_column(given, self.rename[given], path, self.headings)

    @contextmanager
    def _parts(self) -> Iterator[list[RecordTable]]:
        """The tables of records inside, open as long as the `with` block runs."""
        if not self.path.is_dir():
            kind = kind_of(self.path)
            if kind:
                self._grids = self._grids or self._read_grids(kind)
                yield self._of_grids()
                return
            with self.path.open("rb") as stream:
                is_zip = stream.read(len(_ZIP_MAGIC)) == _ZIP_MAGIC
            if not is_zip:
                alone = CorePart(name=self.path.name)
                yield [
                    RecordTable(alone, self.path.open, where=self.path, source=self.name, rename=self.rename)
                ]
                return
        with open_container(self.path, self.settings) as container:
            self.datasets = self.datasets or tuple(datasets_of(container))
            yield parts_of(container, source=self.name, rename=self.rename)

    def _read_grids(self, kind: str) -> list[Grid]:
        """The sheets or layers that hold records; the others are remarked on."""
        if kind == "layer":
            return read_points(self.path)
        rename = {given: term for given, term in self.rename.items() if given != DATE_ORDER}

        def complete(names: Sequence[str]) -> dict[str, int]:
            found = match_columns(names, rename=rename, file=self.path, absent=set())
            found = read_everyday(names, found, file=self.path, remark=lambda text: None)
            check_complete(found, names, self.path)
            return found

        def terms_in(names: Sequence[str]) -> int:
            try:
                return 1000 + len(complete(names))
            except RecordFileError:
                return len(match_columns(names, rename=rename, file=self.path, absent=set()))

        grids = read_sheets(self.path, self.settings, terms_in=terms_in)
        good = [grid for grid in grids if terms_in(grid.names) >= 1000]
        if not good:
            complete(max(grids, key=lambda grid: len(grid.rows)).names)
        for grid in grids:
            if grid not in good:
                self.remark(f"sheet {grid.name!r} is not read, for it has no coordinates or no names")
        return good

    def _of_grids(self) -> list[RecordTable]:
        alone = len(self._grids) == 1
        return [
            RecordTable(
                CorePart(name=grid.name),
                self.path.open,
                where=self.path if alone else f"{self.path}/{grid.name}",
                source=self.name if alone else f"{self.name}/{grid.name}",
                rename=self.rename,
                grid=grid,
            )
            for grid in self._grids
        ]

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
        self._refuse_swapped()
        if rows == 0:
            raise RecordFileError(
                "has a header but no records", file=self.path, remedy="give a table with one record a row"
            )

    def _refuse_swapped(self) -> None:
        """Refuse a file most of whose places lie on the globe only with latitude and longitude swapped."""
        swapped, placed = self._tally["swapped"], self._tally["placed"]
        if swapped > 2 and swapped * 2 > placed:
            raise RecordFileError(
                f"latitude and longitude are swapped: {swapped:,} of {placed:,} latitudes lie beyond 90",
                file=self.path,
                remedy="swap them with --map GIVEN=decimalLatitude --map GIVEN=decimalLongitude",
            )

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed or could not be read, in words; complete once the batches are read."""
        told = [
            ("latin1", "bytes that are not UTF-8, read as Latin-1 (check the accents of names)"),
            ("undecodable", "characters that could not be decoded, read as \ufffd"),
            ("ragged", "rows that do not fit the header, kept with a note"),
            ("overlong", "rows longer than 1 MiB, cut off there and kept with a note"),
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
    path: str | Path,
    *,
    rename: Mapping[str, str] | None = None,
    settings: Settings | None = None,
    absent: set[str] | None = None,
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
    absent : set of str, optional
        Takes the headings of *rename* that the file lacks; without it they are an error.

    Raises
    ------
    RecordFileError
        When the file is absent, empty, of another kind, or has no coordinates or names.
    """
    path = Path(path)
    if not str(path).strip() or path == Path():
        raise RecordFileError("an empty name is no file", remedy="name the file or folder")
    if not path.exists():
        raise RecordFileError("does not exist", file=path, remedy="check the path")
    if not (path.is_file() or path.is_dir()):
        raise RecordFileError(
            "is a pipe or device, and records are read more than once",
            file=path,
            remedy="save it to a file first",
        )
    try:
        return RecordFile(path, rename=rename, settings=settings or Settings(), absent=absent)
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
    return table, tuple(sources), tuple(notes), tuple(datasets)


def open_all(
    paths: Iterable[str | Path],
    *,
    rename: Mapping[str, str] | None = None,
    settings: Settings | None = None,
) -> Iterator[RecordFile]:
    """Open files one after the other; a heading to be renamed need stand in one of them only.

    Raises
    ------
    RecordFileError
        Before the last file, when one cannot be used; after it, for a heading that none has.
    """
    absent: set[str] | None = None
    file: RecordFile | None = None
    for path in paths:
        missing: set[str] = set()
        file = read_records(path, rename=rename, settings=settings, absent=missing)
        absent = missing if absent is None else absent & missing
        yield file
    for given in sorted(absent or ()):
        assert file is not None
        assert rename is not None
        raise no_such_column(given, rename[given], file.path, file.headings)
