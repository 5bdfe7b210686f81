"""How records lie in a file of the store, and how a file becomes records again.

Placed records (with coordinates on the globe) lie in GeoParquet 1.1 files: the RECORDS
columns without the two coordinates; the coordinates as whole numbers of 1e-5 degree, small
and quick to test; and as the points of `geometry`, exact.  Where the whole number divided by
100,000 is the very coordinate that was given, `geometry` need not be read.  Other records lie
in plain Parquet files of the RECORDS schema, so that none is lost.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from poolbuilder import schemas, tables
from poolbuilder.errors import StoreError
from poolbuilder.records.store.folder import REPAIR, Folder, told

__all__ = [
    "FILE_ROWS",
    "GROUP_ROWS",
    "PLACED",
    "POINT",
    "SCHEMA_VERSION",
    "from_placed",
    "metadata",
    "on_the_globe",
    "to_placed",
    "write_options",
]

SCHEMA_VERSION = 1
GROUP_ROWS = 16_384
FILE_ROWS = 64 * GROUP_ROWS
SCALE = 100_000.0
KEPT_FOOTERS = 64

POINT = pa.struct([pa.field("x", pa.float64(), nullable=False), pa.field("y", pa.float64(), nullable=False)])
_CARRIED = [field for field in schemas.RECORDS if field.name not in {"decimalLongitude", "decimalLatitude"}]
PLACED = pa.schema(
    [
        pa.field(
            "longitudeE5", pa.int32(), nullable=False, metadata={"doc": "Degrees east × 100,000, rounded."}
        ),
        pa.field(
            "latitudeE5", pa.int32(), nullable=False, metadata={"doc": "Degrees north × 100,000, rounded."}
        ),
        *_CARRIED,
        pa.field(
            "geometry", POINT, nullable=False, metadata={"doc": "Coordinates as given: x east, y north."}
        ),
    ]
)
_IDENTIFIERS = {
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
_WHOLE = ("longitudeE5", "latitudeE5")


def on_the_globe(longitude: NDArray[np.float64], latitude: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Where both coordinates are numbers within -180 to 180 and -90 to 90."""
    with np.errstate(invalid="ignore"):
        return (np.abs(longitude) <= 180.0) & (np.abs(latitude) <= 90.0)


def whole(degrees: NDArray[np.float64]) -> NDArray[np.int32]:
    """Degrees as whole numbers of 1e-5 degree."""
    return np.rint(degrees * SCALE).astype(np.int32)


def whole_numbers(rows: pa.Table) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """The whole numbers of rows of a placed file."""
    found = [tables.integers(rows.column(name)).astype(np.int32) for name in _WHOLE]
    return found[0], found[1]


def is_exact(numbers: NDArray[np.int32], degrees: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Where the whole number gives back the coordinate to the last bit."""
    return np.asarray((numbers / SCALE).view(np.int64) == np.ascontiguousarray(degrees).view(np.int64))


def points(x: NDArray[np.float64], y: NDArray[np.float64]) -> pa.Array:
    """Points of the native GeoArrow encoding."""
    parts = [tables.array(value, pa.float64()) for value in (x, y)]
    return pa.StructArray.from_arrays(parts, fields=list(POINT))


def to_placed(records: pa.Table) -> pa.Table:
    """RECORDS with coordinates on the globe, as rows of a placed file."""
    longitude = tables.numbers(records.column("decimalLongitude"))
    latitude = tables.numbers(records.column("decimalLatitude"))
    made = {
        "longitudeE5": tables.array(whole(longitude), pa.int32()),
        "latitudeE5": tables.array(whole(latitude), pa.int32()),
        "geometry": points(longitude, latitude),
    }
    parts = [made[field.name] if field.name in made else records.column(field.name) for field in PLACED]
    return pa.Table.from_arrays(parts, schema=PLACED)


def coordinates(rows: pa.Table) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Longitude and latitude of rows of a placed file, from `geometry` where it was read."""
    if "geometry" in rows.column_names:
        joined = rows.column("geometry").combine_chunks()
        chunks = joined.chunks if isinstance(joined, pa.ChunkedArray) else [joined]
        parts = [[tables.numbers(chunk.field(axis)) for chunk in chunks] for axis in (0, 1)]
        return tuple(np.concatenate(part) if part else np.zeros(0) for part in parts)  # type: ignore[return-value]
    return tuple(tables.integers(rows.column(name)) / SCALE for name in _WHOLE)  # type: ignore[return-value]


def from_placed(rows: pa.Table) -> pa.Table:
    """Rows of a placed file as RECORDS; columns that an older file lacks are null."""
    longitude, latitude = coordinates(rows)
    made = {
        "decimalLongitude": tables.array(longitude, pa.float64()),
        "decimalLatitude": tables.array(latitude, pa.float64()),
    }
    return _as_records(rows, made)


def flat(rows: pa.Table) -> pa.Table:
    """Rows of any file with those columns of RECORDS that it has; texts as they are."""
    made = {}
    if "geometry" in rows.column_names:
        x, y = coordinates(rows)
        made = {"decimalLongitude": tables.array(x, pa.float64())}
        made["decimalLatitude"] = tables.array(y, pa.float64())
    names = [name for name in schemas.RECORDS.names if name in made or name in rows.column_names]
    parts = [made[name] if name in made else rows.column(name) for name in names]
    return pa.Table.from_arrays(parts, names=names)


def from_unplaced(rows: pa.Table) -> pa.Table:
    """Rows of an unplaced file as RECORDS."""
    return _as_records(rows, {})


def _as_records(rows: pa.Table, made: dict[str, pa.Array]) -> pa.Table:
    parts = []
    for field in schemas.RECORDS:
        if field.name in made:
            parts.append(made[field.name])
        elif field.name in rows.column_names:
            parts.append(tables.cast(rows.column(field.name), field.type))
        else:
            parts.append(pa.nulls(len(rows), field.type))
    return pa.Table.from_arrays(parts, schema=schemas.RECORDS)


def metadata(*, box: tuple[float, float, float, float] | None, sources: list[str]) -> dict[str, str]:
    """Key-value metadata of a file: what it is, and for placed files the GeoParquet `geo` key.

    `crs` is left out, which in GeoParquet 1.1 means longitude and latitude (OGC:CRS84).
    """
    about = {"schemaVersion": SCHEMA_VERSION, "kind": "unplaced" if box is None else "placed"}
    found = {"poolbuilder": json.dumps({**about, "sources": sources}, sort_keys=True)}
    if box is not None:
        column = {"encoding": "point", "geometry_types": ["Point"], "bbox": list(box)}
        geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
        found["geo"] = json.dumps(geo)
    return found


def coded_columns(schema: pa.Schema) -> list[str]:
    """Text columns that have dictionaries."""
    return [field.name for field in schema if field.type == pa.string() and field.name not in _IDENTIFIERS]


def write_options(schema: pa.Schema) -> dict[str, Any]:
    """Options of the Parquet writer.

    Text has dictionaries, made by the writer from plain strings one row group at a time;
    coordinates and identifiers have none, for they hardly repeat.
    """
    placed = schema.names == PLACED.names
    text = [
        field.name
        for field in schema
        if field.name not in _IDENTIFIERS and not pa.types.is_integer(field.type) and field.name != "geometry"
    ]
    encoding = {"sourceRow": "DELTA_BINARY_PACKED"}
    if placed:
        encoding |= dict.fromkeys(_WHOLE, "DELTA_BINARY_PACKED")
        encoding |= {"geometry.x": "BYTE_STREAM_SPLIT", "geometry.y": "BYTE_STREAM_SPLIT"}
    statistics = [*_WHOLE, "geometry.x", "geometry.y"] if placed else False
    return {
        "compression": "zstd",
        "use_dictionary": text,
        "column_encoding": encoding,
        "write_statistics": statistics,
    }


def writer(path: str, schema: pa.Schema) -> pq.ParquetWriter:
    """Open a Parquet file of the store for writing."""
    return pq.ParquetWriter(path, schema, **write_options(schema))


def schema_of(kind: str) -> pa.Schema:
    """Schema of the placed or the unplaced files."""
    return PLACED if kind == "placed" else schemas.RECORDS


def completed(rows: pa.Table, schema: pa.Schema) -> pa.Table:
    """Rows of an older file with the columns that it lacks, as nulls."""
    parts = [
        rows.column(field.name) if field.name in rows.column_names else pa.nulls(len(rows), field.type)
        for field in schema
    ]
    return pa.Table.from_arrays(parts, schema=schema)


@contextmanager
def opened(
    folder: Folder, name: str, *, anew: bool = False, coded: Sequence[str] = ()
) -> Iterator[pq.ParquetFile]:
    """A Parquet file of the store, open for reading; its footer is parsed once unless *anew*.

    Texts of the columns in *coded* are read as codes into their dictionaries.

    Raises
    ------
    StoreError
        When it is missing, truncated, garbled or may not be read.
    """
    label = folder.label(name)
    footer = None if anew else folder.footers.get(name)
    try:
        with (
            told(label, "reading"),
            pq.ParquetFile(
                folder.source(name),
                memory_map=folder.path is not None,
                metadata=footer,
                read_dictionary=list(coded),
            ) as parquet,
        ):
            if len(folder.footers) >= KEPT_FOOTERS:
                folder.footers.clear()
            folder.footers[name] = parquet.metadata
            yield parquet
    except pa.ArrowException as error:
        raise StoreError(f"{label}: is broken: {error} ({REPAIR})") from error
