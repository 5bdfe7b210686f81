"""The files of a record store: sorted Parquet, and the index that says what belongs to the store.

Placed records (with coordinates on the globe) lie in GeoParquet 1.1 files along a Hilbert
curve: the RECORDS columns without the two coordinates; the coordinates as whole numbers of
1e-5 degree, small and quick to test; and as the points of `geometry`, exact.  Where the whole
number divided by 100,000 is the very coordinate that was given, `geometry` need not be read.
Other records lie in plain Parquet files of the RECORDS columns.  `sourceNumber` tells which
source a row came with.

The index is one small JSON file, replaced all at once: whatever it does not name does not
belong to the store, so a change takes place when the index is replaced and at no other moment.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import ArrayLike, NDArray

from poolbuilder import schemas, tables
from poolbuilder.errors import MissingExtraError, StoreError
from poolbuilder.files import is_full

SCHEMA_VERSION = 1
INDEX_NAME = "index.json"
COPY_NAME = "index.copy.json"
"""The same again, for a repair when the index itself is damaged."""
GROUP_ROWS = 16_384
FILE_ROWS = 64 * GROUP_ROWS
SCALE = 100_000.0
KEPT_FOOTERS = 64
PREFIX = {"placed": "records", "unplaced": "unplaced"}
REPAIR = "`poolbuilder add --check` says what is wrong and repairs what it can"

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
Bools = NDArray[np.bool_]

POINT = pa.struct([pa.field("x", pa.float64(), nullable=False), pa.field("y", pa.float64(), nullable=False)])
WHOLE = ["longitudeE5", "latitudeE5"]


def _column(name: str, kind: pa.DataType, doc: str, *, required: bool = True) -> pa.Field:
    return pa.field(name, kind, nullable=not required, metadata={"doc": doc})


_SOURCE = _column("sourceNumber", pa.int64(), "Number of the source that the row came with.", required=False)
PLACED = pa.schema(
    [
        _column("longitudeE5", pa.int32(), "Degrees east × 100,000, rounded."),
        _column("latitudeE5", pa.int32(), "Degrees north × 100,000, rounded."),
        *(item for item in schemas.RECORDS if item.name not in {"decimalLongitude", "decimalLatitude"}),
        _column("geometry", POINT, "Coordinates as given: x east, y north."),
        _SOURCE,
    ]
)
SCHEMAS = {"placed": PLACED, "unplaced": pa.schema([*schemas.RECORDS, _SOURCE])}
_UNREPEATED = {
    "recordKey",
    "occurrenceID",
    "catalogNumber",
    "recordNumber",
    "sourceRow",
    "identificationRemarks",
    "occurrenceRemarks",
    "references",
    "associatedMedia",
}
CODED = [item.name for item in PLACED if item.type == pa.string() and item.name not in _UNREPEATED]
"""Text columns that have dictionaries."""


# The Hilbert curve: near on the curve is near on the map, so that row groups are small in both
# directions.  Hilbert 1891, doi 10.1007/BF01199431.
BITS, _STEP, _CHUNK = 16, 4, 1 << 18
"""Bits an axis: cells of 0.0055° of longitude by 0.0027° of latitude."""


def _turn(state: int, right: int, up: int) -> tuple[int, int]:
    """Digit of one quadrant, and the state of the curve inside it.

    A state holds two flags: both axes mirrored (2), axes exchanged (1).
    """
    if state & 2:
        right, up = 1 - right, 1 - up
    if state & 1:
        right, up = up, right
    if up == 0:
        state ^= 3 if right else 1
    return (3 * right) ^ up, state


@cache
def _steps() -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
    """Digits and next state for every state and every four bits of either axis."""
    size = 1 << _STEP
    digits = np.zeros(4 * size * size, dtype=np.uint32)
    states = np.zeros_like(digits)
    for start, x, y in np.ndindex(4, size, size):
        state, code = start, 0
        for bit in range(_STEP - 1, -1, -1):
            digit, state = _turn(state, x >> bit & 1, y >> bit & 1)
            code = code << 2 | digit
        at = (start * size + x) * size + y
        digits[at], states[at] = code, state
    return digits, states


def of_cells(x: NDArray[np.uint32], y: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Place on the curve of the cells of a 65,536 by 65,536 grid; from 0 to 2³² - 1."""
    digits, states = _steps()
    code = np.zeros(x.shape, dtype=np.uint32)
    state = np.zeros(x.shape, dtype=np.uint32)
    for shift in range(BITS - _STEP, -1, -_STEP):
        at = (state << 8) | ((x >> shift & 15) << 4) | (y >> shift & 15)
        code = code << 8 | digits[at]
        state = states[at]
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
    lon, lat = np.asarray(longitude, dtype=np.float64), np.asarray(latitude, dtype=np.float64)
    code = np.empty(lon.shape, dtype=np.uint32)
    top = (1 << BITS) - 1
    for start in range(0, len(code), _CHUNK):
        part = slice(start, start + _CHUNK)
        x = np.minimum((lon[part] + 180.0) * ((top + 1) / 360.0), top).astype(np.uint32)
        y = np.minimum((lat[part] + 90.0) * ((top + 1) / 180.0), top).astype(np.uint32)
        code[part] = of_cells(x, y)
    return code


@contextmanager
def store_errors(path: str, doing: str) -> Iterator[None]:
    """Turn the system's and Arrow's errors into a `StoreError` that names the file and the remedy."""
    try:
        yield
    except FileNotFoundError as error:
        raise StoreError(f"{path}: is missing ({REPAIR})") from error
    except PermissionError as error:
        raise StoreError(f"{path}: no permission for {doing} (check the folder's owner and mode)") from error
    except (OSError, pa.ArrowException) as error:
        if is_full(error):
            raise StoreError(
                f"{path}: no space left on the disk for {doing} (free some; the store is as it was before)"
            ) from error
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
        self.footers: dict[str, Any] = {}
        self.path: Path | None = None
        if "://" in self.name and not self.name.startswith("file://"):
            self._filesystem, self._root = _remote(self.name)
        else:
            self.path = Path(self.name.removeprefix("file://"))

    def __getstate__(self) -> str:
        return self.name

    def __setstate__(self, state: str) -> None:
        self.__init__(state)  # type: ignore[misc]

    @property
    def local(self) -> Path:
        """The folder on disk; a store behind an address cannot be written."""
        if self.path is None:
            raise StoreError(
                f"{self.name}: a store behind an address can only be read "
                f"(add to a folder on disk, then copy it there)"
            )
        return self.path

    def label(self, name: str) -> str:
        """A file's name for messages."""
        return str(self.path / name) if self.path is not None else f"{self.name.rstrip('/')}/{name}"

    def read(self, name: str) -> bytes | None:
        """A small file's bytes; None when it does not exist."""
        try:
            with store_errors(self.label(name), "reading"):
                if self.path is not None:
                    return (self.path / name).read_bytes()
                with self._filesystem.open_input_stream(f"{self._root}/{name}") as stream:
                    return bytes(stream.read())
        except StoreError as error:
            if isinstance(error.__cause__, FileNotFoundError | NotADirectoryError):
                return None
            raise

    def size(self, name: str) -> int | None:
        """A file's size in bytes; None when it does not exist."""
        if self.path is None:
            info = self._filesystem.get_file_info(f"{self._root}/{name}")
            return int(info.size) if info.is_file else None
        with store_errors(self.label(name), "reading"):
            path = self.path / name
            return path.stat().st_size if path.is_file() else None

    def stamp(self, name: str) -> tuple[int, int, int] | None:
        """Identity, time and size of a file, to see whether it changed; None behind an address."""
        try:
            found = (self.local / name).stat()
        except (OSError, StoreError):
            return None
        return found.st_ino, found.st_mtime_ns, found.st_size

    @contextmanager
    def parquet(self, name: str, *, anew: bool = False) -> Iterator[pq.ParquetFile]:
        """A Parquet file, open for reading, its texts as codes; its footer is parsed once unless *anew*.

        Raises
        ------
        StoreError
            When it is missing, truncated, garbled or may not be read.
        """
        with store_errors(self.label(name), "reading"):
            source = str(self.path / name) if self.path else self._stream(name)
            footer = None if anew else self.footers.get(name)
            footer = footer or pq.read_metadata(source)
            if len(self.footers) >= KEPT_FOOTERS:
                self.footers.clear()
            self.footers[name] = footer
            coded = [item for item in CODED if item in footer.schema.names]  # files of before lack some
            with pq.ParquetFile(
                source, memory_map=self.path is not None, metadata=footer, read_dictionary=coded
            ) as parquet:
                yield parquet

    def _stream(self, name: str) -> Any:
        return self._filesystem.open_input_file(f"{self._root}/{name}")


def _remote(address: str) -> tuple[Any, str]:
    from pyarrow import fs

    try:
        filesystem, root = fs.FileSystem.from_uri(address)
    except (ValueError, OSError, NotImplementedError):
        try:
            import fsspec
        except ImportError as error:
            raise MissingExtraError(
                f"{address}: reading a store there needs fsspec (pip install 'poolbuilder[dask]')"
            ) from error
        try:
            inner, root = fsspec.core.url_to_fs(address)
        except (ValueError, ImportError, OSError) as error:
            raise StoreError(f"{address}: is no address that can be read: {error}") from error
        filesystem = fs.PyFileSystem(fs.FSSpecHandler(inner))
    return filesystem, str(root).rstrip("/")


@dataclass(frozen=True, kw_only=True)
class Groups:
    """The row groups of one file: rows, dead rows, boxes, and whether whole numbers suffice.

    ``box`` is (n, 4): west, south, east, north, exact; NaN for unplaced files.
    """

    rows: Rows
    dead: Rows
    box: Floats
    exact: Bools

    def as_dict(self) -> dict[str, Any]:
        """JSON form; boxes of unplaced files are left out."""
        found: dict[str, Any] = {"rows": self.rows.tolist()}
        if self.dead.any():
            found["dead"] = self.dead.tolist()
        if not np.isnan(self.box).any():
            found["box"] = self.box.T.tolist()
        if not self.exact.all():
            found["exact"] = self.exact.tolist()
        return found

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Groups:
        """Read the JSON form."""
        rows = np.array(values["rows"], dtype=np.int64)
        count = len(rows)
        box = values.get("box")
        return cls(
            rows=rows,
            dead=np.array(values.get("dead", np.zeros(count)), dtype=np.int64),
            box=np.full((count, 4), np.nan) if box is None else np.array(box, dtype=np.float64).T,
            exact=np.array(values.get("exact", np.ones(count)), dtype=bool),
        )


@dataclass(frozen=True, kw_only=True)
class StoredFile:
    """One Parquet file of the store; columns without any value are listed as ``empty``.

    ``dead_name`` is the file beside it that lists its rows which no longer count.
    """

    name: str
    kind: str
    size: int
    sources: tuple[str, ...]
    groups: Groups
    empty: tuple[str, ...] = ()
    dead_name: str | None = None

    @property
    def rows(self) -> int:
        """Rows in the file, dead ones included."""
        return int(self.groups.rows.sum())

    @property
    def living(self) -> int:
        """Rows that no newer version has replaced."""
        return self.rows - int(self.groups.dead.sum())

    @property
    def serial(self) -> int:
        """The number in the file's name: later files have higher ones."""
        digits = self.name.removesuffix(".parquet").rpartition("-")[2]
        return int(digits) if digits.isdigit() else 0

    @property
    def names(self) -> set[str]:
        """The file and what lies beside it."""
        return {self.name} | ({self.dead_name} if self.dead_name else set())

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        found = {"name": self.name, "kind": self.kind, "size": self.size, "sources": list(self.sources)}
        if self.empty:
            found["empty"] = list(self.empty)
        if self.dead_name:
            found["dead"] = self.dead_name
        return {**found, "groups": self.groups.as_dict()}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> StoredFile:
        """Read the JSON form."""
        return cls(
            name=values["name"],
            kind=values["kind"],
            size=values["size"],
            sources=tuple(values["sources"]),
            groups=Groups.from_dict(values["groups"]),
            empty=tuple(values.get("empty", ())),
            dead_name=values.get("dead"),
        )


@dataclass(frozen=True, kw_only=True)
class Index:
    """What a store holds; ``generation`` counts its changes, ``removed`` numbers sources taken out."""

    generation: int = 0
    serial: int = 0
    files: tuple[StoredFile, ...] = ()
    sources: tuple[dict[str, Any], ...] = ()
    datasets: tuple[dict[str, Any], ...] = ()
    removed: tuple[int, ...] = field(default=())

    @property
    def records(self) -> int:
        """Records of the store, older versions not counted."""
        return sum(item.living for item in self.files)

    @property
    def names(self) -> set[str]:
        """Every file that belongs to the store."""
        return set().union(*(item.names for item in self.files))

    def of_kind(self, kind: str) -> list[StoredFile]:
        """The placed or the unplaced files."""
        return [item for item in self.files if item.kind == kind]

    def knows(self, key: str) -> bool:
        """Whether a source with this key was added before."""
        return any(source["key"] == key for source in self.sources)

    def changed(self, **changes: Any) -> Index:
        """The next generation, with some fields changed."""
        return replace(self, generation=self.generation + 1, **changes)

    def with_datasets(self, datasets: Iterable[Mapping[str, Any]]) -> tuple[dict[str, Any], ...]:
        """The data sets with these added; a later description replaces the earlier."""
        known = {str(item.get("datasetKey")): dict(item) for item in self.datasets}
        known |= {str(item.get("datasetKey")): dict(item) for item in datasets}
        return tuple(known[key] for key in sorted(known))

    def as_bytes(self) -> bytes:
        """The index file."""
        content = {
            "schemaVersion": SCHEMA_VERSION,
            "generation": self.generation,
            "serial": self.serial,
            "sources": list(self.sources),
            "datasets": list(self.datasets),
            "removed": list(self.removed),
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
            version = values["schemaVersion"]
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            raise StoreError(f"{label}: is no index of a record store ({REPAIR})") from error
        if version != SCHEMA_VERSION:
            raise OtherVersionError(
                f"{label}: schemaVersion {version}, this program reads {SCHEMA_VERSION} "
                f"(update poolbuilder, or add the sources to a new store)"
            )
        try:
            return cls(
                generation=values["generation"],
                serial=values["serial"],
                files=tuple(StoredFile.from_dict(item) for item in values["files"]),
                sources=tuple(values["sources"]),
                datasets=tuple(values["datasets"]),
                removed=tuple(values.get("removed", ())),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise StoreError(f"{label}: the index lacks or garbles {error} ({REPAIR})") from error

    @classmethod
    def read(cls, folder: Folder) -> Index:
        """The index of a folder; an empty one when there is none.

        Raises
        ------
        StoreError
            When there is none but there are files of a store.
        """
        content = folder.read(INDEX_NAME)
        if content is not None:
            return cls.from_bytes(content, label=folder.label(INDEX_NAME))
        if folder.path is not None and any(folder.path.glob("records-*.parquet")):
            raise StoreError(
                f"{folder.label(INDEX_NAME)}: is missing though there are record files ({REPAIR})"
            )
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


def source_number(key: str) -> int:
    """The number by which rows name their source, made of its key."""
    return int(sha256(key.encode()).hexdigest()[:15], 16)


def on_the_globe(longitude: Floats, latitude: Floats) -> Bools:
    """Where both coordinates are numbers within -180 to 180 and -90 to 90."""
    with np.errstate(invalid="ignore"):
        return (np.abs(longitude) <= 180.0) & (np.abs(latitude) <= 90.0)


def to_placed(rows: pa.Table) -> pa.Table:
    """Rows with coordinates on the globe, as rows of a placed file."""
    degrees = [tables.numbers(rows.column(name)) for name in ("decimalLongitude", "decimalLatitude")]
    whole = [tables.array(np.rint(axis * SCALE).astype(np.int32), pa.int32()) for axis in degrees]
    points = [tables.array(axis, pa.float64()) for axis in degrees]
    made = {
        **dict(zip(WHOLE, whole, strict=True)),
        "geometry": pa.StructArray.from_arrays(points, fields=list(POINT)),
    }
    return completed(rows, PLACED, made)


def completed(rows: pa.Table, schema: pa.Schema, made: Mapping[str, pa.Array] | None = None) -> pa.Table:
    """Rows with the columns of a schema: those *made*, those that are there, and nulls for the rest."""
    known = {**{name: rows.column(name) for name in rows.column_names}, **(made or {})}
    parts = [
        tables.cast(known[item.name], item.type) if item.name in known else pa.nulls(len(rows), item.type)
        for item in schema
    ]
    return pa.Table.from_arrays(parts, schema=schema)


def coordinates(rows: pa.Table) -> tuple[Floats, Floats]:
    """Longitude and latitude of rows of a placed file, from `geometry` where it was read."""
    if "geometry" not in rows.column_names:
        x, y = (tables.integers(rows.column(name)) / SCALE for name in WHOLE)
        return x, y
    chunks = rows.column("geometry").chunks
    x, y = (
        np.concatenate([np.zeros(0), *(tables.numbers(chunk.field(axis)) for chunk in chunks)])
        for axis in (0, 1)
    )
    return x, y


def to_records(rows: pa.Table) -> pa.Table:
    """Rows of a file as RECORDS; columns that an older file lacks are null."""
    made = {}
    if "geometry" in rows.column_names:
        degrees = zip(("decimalLongitude", "decimalLatitude"), coordinates(rows), strict=True)
        made = {name: tables.array(axis, pa.float64()) for name, axis in degrees}
    return completed(rows, schemas.RECORDS, made)


class Described:
    """What the index says of a file, gathered from its row groups as they are written or read."""

    def __init__(self, kind: str) -> None:
        self.kind = kind
        self._rows: list[int] = []
        self._box: list[list[float]] = []
        self._exact: list[bool] = []
        self._names: list[str] = []
        self._filled: set[str] = set()

    def add(self, group: pa.Table) -> None:
        """Take a row group into account, with the columns that the file has."""
        self._rows.append(len(group))
        self._names = group.column_names
        self._filled |= {name for name in group.column_names if group.column(name).null_count < len(group)}
        if self.kind == "unplaced":
            self._box.append([np.nan] * 4)
            self._exact.append(True)
            return
        x, y = coordinates(group)
        self._box.append([float(x.min()), float(y.min()), float(x.max()), float(y.max())])
        whole = coordinates(group.select(WHOLE))
        self._exact.append(
            all((a.view(np.int64) == b.view(np.int64)).all() for a, b in zip(whole, (x, y), strict=True))
        )

    @property
    def rows(self) -> int:
        """Rows so far."""
        return sum(self._rows)

    def metadata(self, sources: Sequence[str]) -> dict[str, str]:
        """Key-value metadata of the file: what it is, and for placed files the GeoParquet `geo` key.

        `crs` is left out, which in GeoParquet 1.1 means longitude and latitude (OGC:CRS84).
        """
        about = {"schemaVersion": SCHEMA_VERSION, "kind": self.kind, "sources": list(sources)}
        found = {"poolbuilder": json.dumps(about, sort_keys=True)}
        if self.kind == "placed":
            box = np.array(self._box)
            bounds = [*box[:, :2].min(axis=0).tolist(), *box[:, 2:].max(axis=0).tolist()]
            column = {"encoding": "point", "geometry_types": ["Point"], "bbox": bounds}
            geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
            found["geo"] = json.dumps(geo)
        return found

    def file(self, name: str, *, size: int, sources: Sequence[str]) -> StoredFile:
        """The index's entry for the file."""
        groups = Groups(
            rows=np.array(self._rows, dtype=np.int64),
            dead=np.zeros(len(self._rows), dtype=np.int64),
            box=np.array(self._box, dtype=np.float64).reshape(-1, 4),
            exact=np.array(self._exact, dtype=bool),
        )
        empty = tuple(name for name in self._names if name not in {*self._filled, "sourceNumber"})
        return StoredFile(
            name=name, kind=self.kind, size=size, sources=tuple(sources), groups=groups, empty=empty
        )


def parquet_writer(path: Path, kind: str) -> pq.ParquetWriter:
    """Open a Parquet file of the store for writing.

    Text has dictionaries, made one row group at a time; coordinates and what hardly repeats have none.
    """
    encoding = {"sourceRow": "DELTA_BINARY_PACKED"}
    if kind == "placed":
        encoding |= dict.fromkeys(WHOLE, "DELTA_BINARY_PACKED")
        encoding |= {"geometry.x": "BYTE_STREAM_SPLIT", "geometry.y": "BYTE_STREAM_SPLIT"}
    plain = _UNREPEATED | {"geometry"}
    return pq.ParquetWriter(
        path,
        SCHEMAS[kind],
        compression="zstd",
        use_dictionary=[
            item.name
            for item in SCHEMAS[kind]
            if item.name == "sourceNumber" or not (item.name in plain or pa.types.is_integer(item.type))
        ],
        column_encoding=encoding,
        write_statistics=[*WHOLE, "geometry.x", "geometry.y"] if kind == "placed" else False,
    )


def dead_rows(folder: Folder, file: StoredFile) -> Rows:
    """Rows of a file that newer versions have replaced, ascending."""
    if file.dead_name is None:
        return np.zeros(0, dtype=np.int64)
    label = folder.label(file.dead_name)
    content = folder.read(file.dead_name)
    if content is None:
        raise StoreError(f"{label}: is missing ({REPAIR})")
    try:
        found = np.load(io.BytesIO(content)).astype(np.int64)
    except (ValueError, EOFError, TypeError) as error:
        raise StoreError(f"{label}: is broken: {error} ({REPAIR})") from error
    if len(found) != int(file.groups.dead.sum()) or (len(found) and found[-1] >= file.rows):
        raise StoreError(f"{label}: does not fit {file.name} ({REPAIR})")
    return np.asarray(found)


def with_dead(file: StoredFile, dead: Rows, *, work: Path, generation: int) -> StoredFile:
    """A file whose *dead* rows no longer count, listed in a new file beside it in *work*."""
    if not len(dead):
        return replace(
            file, dead_name=None, groups=replace(file.groups, dead=np.zeros_like(file.groups.rows))
        )
    name = f"{file.name.removesuffix('.parquet')}.dead-{generation:06d}.npy"
    with store_errors(str(work / name), "writing"):
        np.save(work / name, dead.astype(np.uint32))
    ends = np.cumsum(file.groups.rows)
    counted = np.bincount(np.searchsorted(ends, dead, side="right"), minlength=len(ends))
    return replace(file, dead_name=name, groups=replace(file.groups, dead=counted.astype(np.int64)))
