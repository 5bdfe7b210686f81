"""The files of a record store: sorted Parquet, the index of what belongs to it, and what is near a place.

::

    index.json              what belongs to the store; replaced last, all at once
    records-000001.parquet  placed records along a Hilbert curve (GeoParquet 1.1)
    unplaced-000002.parquet records without coordinates on the globe
    replaced-000003.npy     rows of these files that newer versions have replaced
    lock                    one writer at a time

Placed files hold the RECORDS columns, the two coordinates as the points of `geometry`;
`sourceNumber` tells which source a row came with, `arrivalNumber` (not in older files) in which
order.  What the index does not name does not belong to the store, so a change takes place when
the index is replaced and at no other moment.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
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
from poolbuilder.places import geodesy

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
Box = tuple[float, float, float, float]
Place = tuple[float, float, float]
"""Longitude and latitude in degrees, and reach in km."""

DEGREES = ("decimalLongitude", "decimalLatitude")
POINT = pa.struct([pa.field("x", pa.float64(), nullable=False), pa.field("y", pa.float64(), nullable=False)])
_DOC = {"doc": "Coordinates as given: x east, y north."}
_GEOMETRY = pa.field("geometry", POINT, nullable=False, metadata=_DOC)
_ORIGIN = [
    pa.field("sourceNumber", pa.int64(), metadata={"doc": "Number of the source of the row."}),
    pa.field("arrivalNumber", pa.int64(), metadata={"doc": "Row of all that was added with it, in order."}),
]
SCHEMAS = {
    "placed": pa.schema(
        [*(item for item in schemas.RECORDS if item.name not in DEGREES), _GEOMETRY, *_ORIGIN]
    ),
    "unplaced": pa.schema([*schemas.RECORDS, *_ORIGIN]),
}
_UNREPEATED = {
    "recordKey", "occurrenceID", "catalogNumber", "recordNumber", "identificationRemarks",
    "occurrenceRemarks", "references", "associatedMedia",
}  # fmt: skip
CODED = [item.name for item in schemas.RECORDS if item.type == pa.string() and item.name not in _UNREPEATED]
"""Text columns that have dictionaries."""
CODED_RECORDS = pa.schema(
    [item.with_type(schemas.coded(item.type)) if item.name in CODED else item for item in schemas.RECORDS]
)
"""RECORDS with repeated text as codes."""


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


class OtherVersionError(StoreError):
    """A store that another version of this program wrote."""


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
        self.name = str(place).removeprefix("file://").rstrip("/") or "/"
        self.known: dict[str, Any] = {}  # footers and lists of rows, parsed once
        self.path = None if "://" in self.name else Path(self.name)
        if self.path is None:
            self._files = _remote(self.name)
        else:
            self._files = fs.SubTreeFileSystem(str(self.path.absolute()), fs.LocalFileSystem(use_mmap=True))

    @property
    def local(self) -> Path:
        """The folder on disk; a store behind an address cannot be written."""
        if self.path is None:
            raise StoreError.of("store_behind_address", name=self.name)
        return self.path

    def label(self, name: str) -> str:
        """A file's name for messages."""
        return f"{self.name}/{name}"

    def read(self, name: str) -> bytes:
        """A small file's bytes."""
        with store_errors(self.label(name), "reading"), self._files.open_input_stream(name) as stream:
            return bytes(stream.read())

    def stamp(self, name: str) -> tuple[int | None, int] | None:
        """Time and size of a file; None when it does not exist."""
        with store_errors(self.label(name), "reading"):
            info = self._files.get_file_info(name)
        return (info.mtime_ns, info.size) if info.is_file else None

    @contextmanager
    def parquet(self, name: str, *, size: int | None = None) -> Iterator[pq.ParquetFile]:
        """A Parquet file, open for reading, its texts as codes; its footer is parsed once if *size* is given.

        Raises
        ------
        StoreError
            When it is missing, not of this size, garbled or may not be read.
        """
        label, found = self.label(name), self.stamp(name)
        if found is None:
            raise StoreError(f"{label}: is missing ({REPAIR})")
        if size is not None and found[1] != size:
            raise StoreError.of("bytes_index_says", label=label, found=found[1], size=size, repair=REPAIR)
        with store_errors(label, "reading"), self._files.open_input_file(name) as stream:
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
                raise StoreError.of("does_not_fit", label=label, repair=REPAIR)
            self.known[index.replaced] = rows
        found: Rows = self.known[index.replaced]
        return found

    def counts(self, index: Index, file: StoredFile, rows: Rows) -> Bools:
        """Which of some rows of a file count: those that no newer version has replaced."""
        replaced, first = self.replaced(index), file.serial << ROW_BITS
        here = slice(*np.searchsorted(replaced, [first, first + (1 << ROW_BITS)]))
        dead = replaced[here] - first
        return ~np.isin(rows, dead) if len(dead) else np.ones(len(rows), dtype=bool)


def _remote(address: str) -> Any:
    """The files behind an address, by Arrow itself or by fsspec where that is installed."""
    try:
        try:
            filesystem, root = fs.FileSystem.from_uri(address)
        except pa.ArrowInvalid:
            filesystem, root = fs.FileSystem.from_uri(f"fsspec+{address}")
    except ImportError as error:
        raise MissingExtraError.of("reading_store_there", address=address) from error
    except (ValueError, OSError) as error:
        raise StoreError.of("no_address_can", address=address, error=error) from error
    return fs.SubTreeFileSystem(root, filesystem)


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
        West, south, east and north of each row group, exact; of no row in unplaced files.
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
        """The number in the file's name: later files have higher ones."""
        digits = Path(self.name).stem.rpartition("-")[2]
        return int(digits) if digits.isdigit() else 0

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {**vars(self), "box": self.box.T.tolist()}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> StoredFile:
        """Read the JSON form."""
        listed = {name: tuple(values[name]) for name in ("sources", "rows", "empty")}
        box = np.array(values["box"], dtype=np.float64).reshape(4, -1).T
        if len(box) != (len(listed["rows"]) if values["kind"] == "placed" else 0):
            raise ValueError(f"the boxes of {values['name']}")
        return cls(**{**values, **listed, "box": box})

    @classmethod
    def of_groups(
        cls, name: str, kind: str, sources: Sequence[int], groups: Sequence[tuple[int, list[Box], set[str]]]
    ) -> StoredFile:
        """A file, its size not known yet, by what `group_of` says of its row groups."""
        empty = set.intersection(*(names for _, _, names in groups))
        return cls(
            name=name,
            kind=kind,
            size=0,
            sources=tuple(sources),
            rows=tuple(rows for rows, _, _ in groups),
            box=np.array([box for _, boxes, _ in groups for box in boxes]).reshape(-1, 4),
            empty=tuple(name for name in SCHEMAS[kind].names if name in empty),
        )

    def metadata(self) -> dict[str, str]:
        """Key-value metadata of the file: what it is, and for placed files the GeoParquet `geo` key.

        `crs` is left out, which in GeoParquet 1.1 means longitude and latitude (OGC:CRS84).
        """
        about = {"schemaVersion": SCHEMA_VERSION, "kind": self.kind, "sources": list(self.sources)}
        found = {"poolbuilder": json.dumps(about)}
        if self.kind == "placed":
            bounds = [*self.box[:, :2].min(axis=0).tolist(), *self.box[:, 2:].max(axis=0).tolist()]
            column = {"encoding": "point", "geometry_types": ["Point"], "bbox": bounds}
            geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
            found["geo"] = json.dumps(geo)
        return found


def group_of(rows: pa.Table) -> tuple[int, list[Box], set[str]]:
    """What the index says of a row group: its rows, the box of its points, the columns without any value."""
    boxes: list[Box] = []
    if "geometry" in rows.column_names:
        x, y = points(rows)
        boxes.append((float(x.min()), float(y.min()), float(x.max()), float(y.max())))
    return len(rows), boxes, {name for name in rows.column_names if rows.column(name).null_count == len(rows)}


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
    removed: tuple[int, ...] = ()
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
        files = [item.as_dict() for item in self.files]
        content = {"schemaVersion": SCHEMA_VERSION, **vars(self), "files": files}
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
            if version == SCHEMA_VERSION:
                values["files"] = tuple(StoredFile.from_dict(item) for item in values["files"])
                listed = {name: tuple(values[name]) for name in ("sources", "datasets", "removed")}
                return cls(**{**values, **listed})
        except (KeyError, TypeError, ValueError, AttributeError, RecursionError) as error:
            raise StoreError.of("no_index_record", label=label, repair=REPAIR) from error
        raise OtherVersionError.of(
            "store_of_other_version", label=label, version=version, schema_version=SCHEMA_VERSION
        )

    @classmethod
    def read(cls, folder: Folder) -> Index:
        """The index of a folder; an empty one when there is none.

        Raises
        ------
        StoreError
            When there is none but there are files of a store.
        """
        label = folder.label(INDEX_NAME)
        if folder.stamp(INDEX_NAME) is not None:
            return cls.from_bytes(folder.read(INDEX_NAME), label=label)
        if folder.path is not None and any(folder.path.glob("records-*.parquet")):
            raise StoreError.of("missing_though_there", index_name=label, repair=REPAIR)
        return cls()


def rows_of(folder: Folder, index: Index, file: StoredFile) -> Iterator[pa.Table]:
    """The rows of a file that count, as they lie in it, one row group at a time."""
    start = 0
    with folder.parquet(file.name, size=file.size) as parquet:
        for group in range(parquet.metadata.num_row_groups):
            rows = parquet.read_row_group(group)
            counts = folder.counts(index, file, np.arange(start, start + len(rows)))
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
    degrees = points(rows) if "geometry" in rows.column_names else ()
    made = {name: tables.array(axis, pa.float64()) for name, axis in zip(DEGREES, degrees, strict=False)}
    return completed(rows, schemas.RECORDS, made)


def completed(rows: pa.Table, schema: pa.Schema, made: Mapping[str, pa.Array] | None = None) -> pa.Table:
    """Rows with the columns of a schema: those *made*, those that are there, and nulls for the rest.

    Repeated text is in codes where the schema has it so.
    """
    known = {**{name: rows.column(name) for name in rows.column_names}, **(made or {})}
    there = [item for item in schema if item.name in known]
    parts = [tables.cast(known[item.name], item.type) for item in there]
    return tables.filled_up(pa.Table.from_arrays(parts, schema=pa.schema(there)), len(rows), schema)


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


def within(
    longitude: Floats, latitude: Floats, points: Floats, *, of: tuple[float, float], reach_km: float
) -> Bools:
    """Which points, *points* in ECEF metres, lie within a geodesic distance of a place.

    Straight-line distances settle all points but those within metres of the edge; for these
    the geodesic is solved, so the answer is the geodesic's for every point.
    """
    inside, outside = geodesy.chord_bounds_m(reach_km)
    offset = points - geodesy.to_ecef(of[0], of[1])
    chord = np.sqrt(np.einsum("ij,ij->i", offset, offset))
    found = np.asarray(chord < inside)
    doubt = np.flatnonzero(~found & (chord <= outside))
    if len(doubt):
        exact = geodesy.distance_km(
            longitude[doubt], latitude[doubt], from_longitude=of[0], from_latitude=of[1]
        )
        found[doubt] = exact <= reach_km
    return found


def boxes_meeting(edges: Sequence[Floats] | Floats, wanted: Sequence[Box]) -> Bools:
    """Which boxes, by their four edges, meet any of the wanted ones; a point is a box without extent."""
    left, below, right, above = edges
    found = np.zeros(len(left), dtype=bool)
    for west, south, east, north in wanted:
        found |= (left <= east) & (right >= west) & (below <= north) & (above >= south)
    return found


def _near_in(
    folder: Folder, index: Index, file: StoredFile, places: Sequence[Place], *, counted: bool
) -> tuple[pa.Table | None, Rows, list[Rows]]:
    """The records of a file within reach of any place: a table that holds them and others, its rows of them,
    and which of these are each place's.

    When only *counted*, no more than coordinates are read, and there is no table.
    """
    boxes = [geodesy.covering_box(*place) for place in places]
    met = np.array([boxes_meeting(file.box.T, wanted) for wanted in boxes])
    groups = np.flatnonzero(met.any(axis=0))
    if not len(groups):
        return None, groups, []
    rows = np.array(file.rows, dtype=np.int64)
    group, first = np.repeat(groups, rows[groups]), np.cumsum(rows) - rows
    with folder.parquet(file.name, size=file.size) as parquet:
        fits = parquet.metadata.num_row_groups == len(rows)
        names = ["geometry.x", "geometry.y"]
        x, y = points(parquet.read_row_groups(groups.tolist(), columns=names)) if fits else ((), ())
        if len(x) != len(group):
            raise StoreError.of("does_not_fit", label=folder.label(file.name), repair=REPAIR)
        numbers = np.concatenate([first[at] + np.arange(rows[at]) for at in groups])
        counts = folder.counts(index, file, numbers)
        # Records of one point follow one another along the curve: each point is looked at once.
        moved = (np.diff(x, prepend=np.nan) != 0) | (np.diff(y, prepend=np.nan) != 0)
        start = np.flatnonzero(moved)
        length, east, north = np.diff(start, append=len(x)), x[start], y[start]
        everywhere = None if len(places) == 1 else geodesy.to_ecef(east, north)
        hits = []
        for place, wanted, mine in zip(places, boxes, met, strict=True):
            near = np.flatnonzero(mine[group[start]])
            near = near[boxes_meeting((east[near], north[near]) * 2, wanted)]
            spots = geodesy.to_ecef(east[near], north[near]) if everywhere is None else everywhere[near]
            hit = np.zeros(len(start), dtype=bool)
            hit[near] = within(east[near], north[near], spots, of=place[:2], reach_km=place[2])
            hits.append(np.flatnonzero(np.repeat(hit, length) & counts))
        is_hit = np.zeros(len(x), dtype=bool)
        for hit in hits:
            is_hit[hit] = True
        found, position = np.flatnonzero(is_hit), np.cumsum(is_hit) - 1
        hits = [position[hit].astype(np.int32) for hit in hits]
        if counted or not len(found):
            return None, found, hits
        used = np.isin(group, np.flatnonzero(np.bincount(group[found])))
        unread = {"geometry", "sourceNumber", "arrivalNumber", *file.empty}
        wanted_names = [name for name in SCHEMAS["placed"].names if name not in unread]
        read = parquet.read_row_groups(np.unique(group[used]).tolist(), columns=wanted_names)
    degrees = {
        name: tables.array(axis[used], pa.float64()) for name, axis in zip(DEGREES, (x, y), strict=True)
    }
    return completed(read, CODED_RECORDS, degrees), (np.cumsum(used) - 1)[found], hits


def count_near(folder: Folder, index: Index, place: Place) -> int:
    """How many placed records are within reach of a place; only coordinates are read."""
    files = index.of_kind("placed")
    return sum(len(hit) for file in files for hit in _near_in(folder, index, file, [place], counted=True)[2])


def near_each(folder: Folder, index: Index, places: Sequence[Place]) -> tuple[pa.Table, list[Rows]]:
    """Records within reach of any place, by key, repeated text in codes, and the rows of each place."""
    parts = [tables.filled_up(pa.Table.from_arrays([], names=[]), 0, CODED_RECORDS)]
    chosen: list[Rows] = [np.zeros(0, np.int64)]
    rows: list[list[Rows]] = [[np.zeros(0, np.int64)] for _ in places]
    size = count = 0
    read = None
    for file in index.of_kind("placed") if places else ():
        read, found, hits = _near_in(folder, index, file, places, counted=False)
        if read is None:
            continue
        parts.append(read)
        chosen.append(found + size)
        for mine, more in zip(rows, hits, strict=True):
            mine.append(more + count)
        size, count = size + len(read), count + len(found)
    joined, some = pa.concat_tables(parts).unify_dictionaries(), np.concatenate(chosen)
    order = tables.text_order(tables.take(joined.select(["recordKey"]), some)["recordKey"])
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    records = tables.take(joined, some[order])
    del joined, parts, read  # what was read is given back before it is worked on
    pa.default_memory_pool().release_unused()
    near, whole = np.zeros(len(order), dtype=bool), np.arange(len(order))
    each = []
    for mine in rows:
        near[:] = False
        near[rank[np.concatenate(mine)]] = True
        each.append(whole if near.all() else np.flatnonzero(near))
    return records, each
