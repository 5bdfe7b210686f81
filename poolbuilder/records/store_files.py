"""The files of a record store: sorted Parquet, and the index that says what belongs to the store.

::

    index.json              what belongs to the store; replaced last, all at once
    records-000001.parquet  placed records along a Hilbert curve (GeoParquet 1.1)
    unplaced-000002.parquet records without coordinates on the globe
    replaced-000003.npy     rows of these files that newer versions have replaced
    lock                    one writer at a time

Placed files hold the RECORDS columns, the two coordinates as the points of `geometry`;
`sourceNumber` tells which source a row came with.  What the index does not name does not belong
to the store, so a change takes place when the index is replaced and at no other moment.
"""

from __future__ import annotations

import dataclasses
import io
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import ArrayLike, NDArray
from pyarrow import fs

from poolbuilder import schemas, tables
from poolbuilder.errors import MissingExtraError, StoreError
from poolbuilder.files import is_full

SCHEMA_VERSION = 2
INDEX_NAME = "index.json"
COPY_NAME = "index.copy.json"
"""The same again, for a repair when the index itself is damaged."""
GROUP_ROWS = 16_384
FILE_ROWS = 64 * GROUP_ROWS
ROW_BITS = 20
"""A row of the store is one number: the number of its file, then so many bits for its row there."""
KEPT_FOOTERS = 64
PREFIX = {"placed": "records", "unplaced": "unplaced"}
REPAIR = "`poolbuilder add --check` says what is wrong and repairs what it can"

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
Bools = NDArray[np.bool_]

DEGREES = ("decimalLongitude", "decimalLatitude")
POINT = pa.struct([pa.field("x", pa.float64(), nullable=False), pa.field("y", pa.float64(), nullable=False)])
_SOURCE = pa.field("sourceNumber", pa.int64(), metadata={"doc": "Number of the source of the row."})
SCHEMAS = {
    "placed": pa.schema(
        [
            *(item for item in schemas.RECORDS if item.name not in DEGREES),
            pa.field(
                "geometry",
                POINT,
                nullable=False,
                metadata={"doc": "Coordinates as given: x east, y north."},
            ),
            _SOURCE,
        ]
    ),
    "unplaced": pa.schema([*schemas.RECORDS, _SOURCE]),
}
_UNREPEATED = {
    "recordKey", "occurrenceID", "catalogNumber", "recordNumber", "identificationRemarks",
    "occurrenceRemarks", "references", "associatedMedia",
}  # fmt: skip
CODED = [item.name for item in schemas.RECORDS if item.type == pa.string() and item.name not in _UNREPEATED]
"""Text columns that have dictionaries."""


# The Hilbert curve: near on the curve is near on the map, so that row groups are small in both
# directions.  Hilbert 1891, doi 10.1007/BF01199431.
BITS = 16
"""Bits an axis: cells of 0.0055° of longitude by 0.0027° of latitude."""


def of_cells(x: NDArray[np.uint32], y: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Place on the curve of the cells of a 65,536 by 65,536 grid; from 0 to 2³² - 1."""
    code = np.zeros(x.shape, dtype=np.uint32)
    for bit in range(BITS - 1, -1, -1):
        right, up = (axis >> np.uint32(bit) & np.uint32(1) for axis in (x, y))
        code = code << np.uint32(2) | (right * np.uint32(3)) ^ up
        # The curve inside a lower quadrant has its axes exchanged; inside the right one, mirrored too.
        mirrored = (right & ~up) * np.uint32((1 << BITS) - 1)
        x, y = x ^ mirrored, y ^ mirrored
        x, y = np.where(up, x, y), np.where(up, y, x)
    return code


def along_curve(longitude: ArrayLike, latitude: ArrayLike) -> NDArray[np.uint32]:
    """Place of points along the curve.

    Parameters
    ----------
    longitude, latitude : array_like, (n,)
        Degrees on the globe: -180 to 180 and -90 to 90.

    Returns
    -------
    uint32 array, (n,)

    Examples
    --------
    >>> along_curve([-180.0, 180.0], [-90.0, -90.0]).tolist()
    [0, 4294967295]
    """
    degrees = (np.asarray(axis, dtype=np.float64) for axis in (longitude, latitude))
    top = (1 << BITS) - 1
    return of_cells(
        *(
            np.minimum((axis + half) * ((top + 1) / (2 * half)), top).astype(np.uint32)
            for axis, half in zip(degrees, (180.0, 90.0), strict=True)
        )
    )


@contextmanager
def store_errors(path: str, doing: str) -> Iterator[None]:
    """Turn the system's and Arrow's errors into a `StoreError` that names the file and the remedy."""
    try:
        yield
    except FileNotFoundError as error:
        raise StoreError(f"{path}: is missing ({REPAIR})") from error
    except PermissionError as error:
        raise StoreError.of("no_permission_check", path=path, doing=doing) from error
    except (OSError, pa.ArrowException) as error:
        if is_full(error):
            raise StoreError.of("no_space_left_disk", path=path, doing=doing) from error
        broken = isinstance(error, pa.ArrowException) or (doing == "reading" and error.errno is None)
        what = "is broken" if broken else f"{doing} failed"
        raise StoreError(f"{path}: {what}: {' '.join(str(error).split())} ({REPAIR})") from error


class Folder:
    """A store's files by name.

    Parameters
    ----------
    place : path or address
        A folder, or an address such as ``s3://bucket/store``; the latter can only be read.
    """

    def __init__(self, place: str | Path) -> None:
        self.name = str(place)
        self.path: Path | None = None
        self.known: dict[str, Any] = {}  # footers and lists of rows, parsed once
        if "://" in self.name and not self.name.startswith("file://"):
            self._files, self._root = _remote(self.name)
        else:
            self.path = Path(self.name.removeprefix("file://"))
            self._files, self._root = fs.LocalFileSystem(use_mmap=True), str(self.path.absolute())

    def __getstate__(self) -> str:
        return self.name

    def __setstate__(self, state: str) -> None:
        self.__init__(state)  # type: ignore[misc]

    @property
    def local(self) -> Path:
        """The folder on disk; a store behind an address cannot be written."""
        if self.path is None:
            raise StoreError.of("store_behind_address", name=self.name)
        return self.path

    def label(self, name: str) -> str:
        """A file's name for messages."""
        return str(self.path / name) if self.path is not None else f"{self.name.rstrip('/')}/{name}"

    def read(self, name: str) -> bytes:
        """A small file's bytes."""
        with (
            store_errors(self.label(name), "reading"),
            self._files.open_input_stream(self._at(name)) as stream,
        ):
            return bytes(stream.read())

    def stamp(self, name: str) -> tuple[int | None, int] | None:
        """Time and size of a file; None when it does not exist."""
        with store_errors(self.label(name), "reading"):
            info = self._files.get_file_info(self._at(name))
        return (info.mtime_ns, info.size) if info.is_file else None

    @contextmanager
    def parquet(self, name: str, *, size: int | None = None) -> Iterator[pq.ParquetFile]:
        """A Parquet file, open for reading, its texts as codes; its footer is parsed once if *size* is given.

        Raises
        ------
        StoreError
            When it is missing, not of this size, garbled or may not be read.
        """
        label = self.label(name)
        found = self.stamp(name)
        if found is None:
            raise StoreError(f"{label}: is missing ({REPAIR})")
        if size is not None and found[1] != size:
            raise StoreError.of("bytes_index_says", label=label, found=found[1], size=size, repair=REPAIR)
        with store_errors(label, "reading"), self._files.open_input_file(self._at(name)) as stream:
            footer = self.known.get(name) if size is not None else None
            with pq.ParquetFile(stream, metadata=footer, read_dictionary=CODED) as parquet:
                if len(self.known) >= KEPT_FOOTERS:
                    self.known.clear()
                self.known[name] = parquet.metadata
                yield parquet

    def replaced(self, index: Index) -> Rows:
        """Rows of the store that newer versions have replaced, ascending."""
        if index.replaced is None:
            return np.zeros(0, dtype=np.int64)
        if index.replaced not in self.known:
            label, content = self.label(index.replaced), self.read(index.replaced)
            try:
                rows = np.load(io.BytesIO(content))
            except (ValueError, EOFError, TypeError) as error:
                raise StoreError(f"{label}: is broken: {error} ({REPAIR})") from error
            if rows.dtype != np.int64 or rows.shape != (index.replaced_rows,):
                raise StoreError.of("does_not_fit_index", label=label, repair=REPAIR)
            self.known[index.replaced] = rows
        found: Rows = self.known[index.replaced]
        return found

    def _at(self, name: str) -> str:
        return f"{self._root}/{name}"


def _remote(address: str) -> tuple[Any, str]:
    try:
        filesystem, root = fs.FileSystem.from_uri(address)
    except (ValueError, OSError, NotImplementedError):
        try:
            import fsspec
        except ImportError as error:
            raise MissingExtraError.of("reading_store_there", address=address) from error
        try:
            inner, root = fsspec.core.url_to_fs(address)
        except (ValueError, ImportError, OSError) as error:
            raise StoreError.of("no_address_can", address=address, error=error) from error
        filesystem = fs.PyFileSystem(fs.FSSpecHandler(inner))
    return filesystem, str(root).rstrip("/")


@dataclass(frozen=True, kw_only=True)
class StoredFile:
    """One Parquet file of the store.

    Attributes
    ----------
    sources : tuple of int
        Numbers of the sources whose records lie in it.
    rows : tuple of int
        Rows of each row group, replaced ones among them.
    box : float array, (groups, 4)
        West, south, east and north of each row group, exact; NaN in unplaced files.
    empty : tuple of str
        Columns without any value.
    """

    name: str
    kind: str
    size: int
    sources: tuple[int, ...]
    rows: tuple[int, ...]
    box: Floats
    empty: tuple[str, ...] = ()

    @property
    def serial(self) -> int:
        """The number in the file's name."""
        return serial_of(self.name)

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            **dataclasses.asdict(self),
            "box": [] if self.kind == "unplaced" else self.box.T.tolist(),
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> StoredFile:
        """Read the JSON form."""
        rows = tuple(values["rows"])
        box = np.array(values["box"], dtype=np.float64).T
        if values["kind"] == "unplaced":
            box = np.full((len(rows), 4), np.nan)
        if box.shape != (len(rows), 4):
            raise ValueError(f"the boxes of {values['name']}")
        listed = {name: tuple(values[name]) for name in ("sources", "empty")}
        return cls(**{**values, **listed, "rows": rows, "box": box})


def serial_of(name: str) -> int:
    """The number in a file's name: later files have higher ones."""
    digits = Path(name).stem.rpartition("-")[2]
    return int(digits) if digits.isdigit() else 0


@dataclass(frozen=True, kw_only=True)
class Index:
    """What a store holds.

    Attributes
    ----------
    generation : int
        How often the store was changed.
    serial, source_serial : int
        The last numbers given to a file and to a source; none is given twice.
    removed : tuple of int
        Numbers of sources that were taken out and of which rows may still lie in files.
    replaced : str or None
        The file that lists the rows which do not count.
    replaced_rows : int
        How many there are.
    """

    generation: int = 0
    serial: int = 0
    source_serial: int = 0
    files: tuple[StoredFile, ...] = ()
    sources: tuple[dict[str, Any], ...] = ()
    datasets: tuple[dict[str, Any], ...] = ()
    removed: tuple[int, ...] = field(default=())
    replaced: str | None = None
    replaced_rows: int = 0

    @property
    def records(self) -> int:
        """Records of the store, older versions not counted."""
        return sum(sum(item.rows) for item in self.files) - self.replaced_rows

    @property
    def names(self) -> set[str]:
        """Every file that belongs to the store."""
        return {item.name for item in self.files} | ({self.replaced} if self.replaced else set())

    def of_kind(self, kind: str) -> list[StoredFile]:
        """The placed or the unplaced files."""
        return [item for item in self.files if item.kind == kind]

    def as_bytes(self) -> bytes:
        """The index file."""
        content = {
            "schemaVersion": SCHEMA_VERSION,
            **vars(self),
            "files": [item.as_dict() for item in self.files],
        }
        return json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()

    @classmethod
    def from_bytes(cls, content: bytes, *, label: str) -> Index:
        """Read the index file.

        Raises
        ------
        StoreError
            When it is not JSON, lacks a part, or is of another version.
        """
        try:
            values = json.loads(content)
            version = values.pop("schemaVersion")
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            raise StoreError.of("no_index_record", label=label, repair=REPAIR) from error
        if version != SCHEMA_VERSION:
            raise OtherVersionError.of(
                "store_of_other_version", label=label, version=version, schema_version=SCHEMA_VERSION
            )
        try:
            values["files"] = tuple(StoredFile.from_dict(item) for item in values["files"])
            listed = {name: tuple(values[name]) for name in ("sources", "datasets", "removed")}
            return cls(**{**values, **listed})
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise StoreError.of("index_lacks_garbles", label=label, error=error, repair=REPAIR) from error

    @classmethod
    def read(cls, folder: Folder) -> Index:
        """The index of a folder; an empty one when there is none.

        Raises
        ------
        StoreError
            When there is none but there are files of a store.
        """
        if folder.stamp(INDEX_NAME) is not None:
            return cls.from_bytes(folder.read(INDEX_NAME), label=folder.label(INDEX_NAME))
        if folder.path is not None and any(folder.path.glob("records-*.parquet")):
            raise StoreError.of("missing_though_there", index_name=folder.label(INDEX_NAME), repair=REPAIR)
        return cls()


class OtherVersionError(StoreError):
    """A store that another version of this program wrote."""


Progress = Callable[[str, int, "int | None"], None]
"""Called with what is being done, how many rows are done, and of how many (None: not known)."""


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

    sources: tuple[dict[str, Any], ...] = ()
    again: tuple[dict[str, Any], ...] = ()
    before: int = 0
    after: int = 0
    left: bool = False


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What a check found.

    ``problems`` says what was wrong, one sentence each; ``again`` lists the sources that have
    to be added again, because some of their records lay in a broken file.
    """

    files: int = 0
    records: int = 0
    problems: tuple[str, ...] = ()
    again: tuple[dict[str, Any], ...] = ()


def rows_of(folder: Folder, index: Index, file: StoredFile) -> Iterator[pa.Table]:
    """The rows of a file that count, as they lie in it, one row group at a time."""
    replaced, start = folder.replaced(index), file.serial << ROW_BITS
    with folder.parquet(file.name, size=file.size) as parquet:
        for group in range(parquet.metadata.num_row_groups):
            rows = parquet.read_row_group(group)
            counts = ~np.isin(np.arange(start, start + len(rows)), replaced)
            start += len(rows)
            yield rows if counts.all() else tables.where(rows, counts)


def points(rows: pa.Table) -> tuple[Floats, Floats]:
    """Longitude and latitude of rows of a placed file, of which `geometry` was read."""
    chunks = rows.column("geometry").chunks
    x, y = (
        np.concatenate([np.zeros(0), *(tables.numbers(chunk.field(axis)) for chunk in chunks)])
        for axis in (0, 1)
    )
    return x, y


def to_records(rows: pa.Table) -> pa.Table:
    """Rows of a file as RECORDS."""
    made = {}
    if "geometry" in rows.column_names:
        made = {
            name: tables.array(axis, pa.float64()) for name, axis in zip(DEGREES, points(rows), strict=True)
        }
    return completed(rows, schemas.RECORDS, made)


def completed(rows: pa.Table, schema: pa.Schema, made: Mapping[str, pa.Array] | None = None) -> pa.Table:
    """Rows with the columns of a schema: those *made*, those that are there, and nulls for the rest."""
    known = {**{name: rows.column(name) for name in rows.column_names}, **(made or {})}
    parts = [
        tables.cast(known[item.name], item.type) if item.name in known else pa.nulls(len(rows), item.type)
        for item in schema
    ]
    return pa.Table.from_arrays(parts, schema=schema)


def parquet_writer(path: Path, kind: str) -> pq.ParquetWriter:
    """Open a Parquet file of the store for writing.

    Text has dictionaries, made one row group at a time; coordinates and what hardly repeats have none.
    """
    spread = dict.fromkeys(["geometry.x", "geometry.y"] if kind == "placed" else [], "BYTE_STREAM_SPLIT")
    return pq.ParquetWriter(
        path,
        SCHEMAS[kind],
        compression="zstd",
        use_dictionary=[*CODED, "coordinateUncertaintyInMeters", "sourceNumber"],
        column_encoding={"sourceRow": "DELTA_BINARY_PACKED", **spread},
        write_statistics=[*spread] or False,
    )


class Described:
    """What the index says of a file, gathered from its row groups as they are written or read."""

    def __init__(self, kind: str) -> None:
        self.kind = kind
        self.rows: list[int] = []
        self._box: list[list[float]] = []
        self._filled = {"geometry"}

    def add(self, group: pa.Table) -> None:
        """Take a row group into account."""
        self.rows.append(len(group))
        self._filled |= {name for name in group.column_names if group.column(name).null_count < len(group)}
        axes = points(group) if self.kind == "placed" else (np.array([np.nan]),) * 2
        self._box.append([float(end(axis)) for end in (np.min, np.max) for axis in axes])

    def metadata(self, sources: Sequence[int]) -> dict[str, str]:
        """Key-value metadata of the file: what it is, and for placed files the GeoParquet `geo` key.

        `crs` is left out, which in GeoParquet 1.1 means longitude and latitude (OGC:CRS84).
        """
        about = {"schemaVersion": SCHEMA_VERSION, "kind": self.kind, "sources": list(sources)}
        found = {"poolbuilder": json.dumps(about)}
        if self.kind == "placed":
            box = np.array(self._box)
            bounds = [*box[:, :2].min(axis=0).tolist(), *box[:, 2:].max(axis=0).tolist()]
            column = {"encoding": "point", "geometry_types": ["Point"], "bbox": bounds}
            geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
            found["geo"] = json.dumps(geo)
        return found

    def file(self, name: str, *, size: int, sources: Sequence[int]) -> StoredFile:
        """The index's entry for the file."""
        return StoredFile(
            name=name,
            kind=self.kind,
            size=size,
            sources=tuple(sources),
            rows=tuple(self.rows),
            box=np.array(self._box).reshape(-1, 4),
            empty=tuple(name for name in SCHEMAS[self.kind].names if name not in self._filled),
        )
