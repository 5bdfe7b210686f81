"""Invented records for the store's benchmarks: fixed seed, clustered places, abundances by Zipf's law."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import shapely

from poolbuilder import schemas, tables
from poolbuilder.records import store_files

BATCH = 250_000
STRIPS = 5
WEST, WIDTH, SOUTH, NORTH = -124.0, 11.4, 26.0, 48.0
PLACE = {"longitude": -118.9, "latitude": 37.3, "reach_km": 40.0}
"""In the first strip: a fifth of the records, dense as the rest."""
SPECIES = 40


def batches(count: int) -> Iterator[pa.Table]:
    """RECORDS tables: the first fifth of the records in the first strip, and so on."""
    for start in range(0, count, BATCH):
        yield _batch(np.arange(start, min(start + BATCH, count)), count)


def _batch(number: np.ndarray, count: int) -> pa.Table:
    rng = np.random.default_rng([11, int(number[0])])
    size = len(number)
    strip = np.minimum(number * STRIPS // count, STRIPS - 1)
    clusters = np.random.default_rng(5).uniform(0, 1, (4000, 2))
    weight = 1 / np.arange(1, 4001) ** 0.6
    at = clusters[rng.choice(4000, size, p=weight / weight.sum())]
    lon = WEST + WIDTH * (strip + np.clip(at[:, 0] + rng.normal(0, 0.02, size), 0, 1))
    lat = SOUTH + (NORTH - SOUTH) * np.clip(at[:, 1] + rng.normal(0, 0.01, size), 0, 1)
    species = np.minimum(rng.zipf(1.5, size) - 1, SPECIES - 1)
    year, day = rng.integers(1950, 2026, size), rng.integers(1, 29, size)
    made = {
        "recordKey": _keys(number.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)),
        "datasetKey": _repeated([f"set-{code}" for code in range(60)], rng.integers(0, 60, size)),
        "scientificName": _repeated(NAMES, species),
        "decimalLongitude": tables.array(lon.round(5), pa.float64()),
        "decimalLatitude": tables.array(lat.round(5), pa.float64()),
        "coordinateUncertaintyInMeters": tables.array(
            rng.choice([np.nan, 10.0, 30.0, 100.0, 1000.0, 5000.0], size), pa.float64()
        ),
        "eventDate": _repeated(
            [f"{y}-06-{d:02d}" for y in range(1950, 2026) for d in range(29)], (year - 1950) * 29 + day
        ),
        "year": tables.array(year, pa.int32()),
        "recordedBy": _repeated([f"collector {code}" for code in range(3000)], rng.integers(0, 3000, size)),
        "locality": _repeated(
            [f"invented reach {code}" for code in range(20_000)], rng.integers(0, 20_000, size)
        ),
        "sourceRow": tables.array(number + 2, pa.int64()),
    }
    same = {
        "license": "CC_BY_4_0",
        "basisOfRecord": "HUMAN_OBSERVATION",
        "geodeticDatum": "WGS84",
        "occurrenceStatus": "PRESENT",
        "sourceFile": "bench/invented.parquet",
    }
    made |= {name: _repeated([text], np.zeros(size, np.int64)) for name, text in same.items()}
    arrays = [made.get(item.name, pa.nulls(size, item.type)) for item in schemas.RECORDS]
    return pa.Table.from_arrays(arrays, schema=schemas.RECORDS)


def _repeated(texts: list[str], codes: np.ndarray) -> pa.Array:
    return tables.array(texts, pa.string()).take(tables.array(codes, pa.int64()))


def _keys(numbers: np.ndarray) -> pa.Array:
    """`urn:uuid:` and the number in 32 hexadecimal digits."""
    digits = numbers[:, None] >> np.arange(60, -4, -4, dtype=np.uint64) & np.uint64(15)
    head = np.frombuffer(b"urn:uuid:" + b"0" * 16, dtype=np.uint8)
    letters = np.frombuffer(b"0123456789abcdef", dtype=np.uint8)[digits]
    data = np.concatenate([np.broadcast_to(head, (len(numbers), len(head))), letters], axis=1)
    ends = np.arange(len(numbers) + 1, dtype=np.int32) * data.shape[1]
    buffers = [None, pa.py_buffer(ends), pa.py_buffer(np.ascontiguousarray(data))]
    return pa.Array.from_buffers(pa.string(), len(numbers), buffers)


NAMES = [
    "Lepomis cyanellus", "Lepomis macrochirus", "Lepomis megalotis", "Lepomis gulosus", "Lepomis microlophus",
    *(f"Cyprinella species{code}" for code in range(SPECIES - 5)),
]  # fmt: skip


def write_unsorted(path: Path, count: int) -> None:
    """The same records in the order of their making, with flat coordinates and a sort key."""
    writer = None
    for table in batches(count):
        lon, lat = (tables.numbers(table[name]) for name in ("decimalLongitude", "decimalLatitude"))
        wkb = shapely.to_wkb(shapely.points(lon, lat))
        table = table.append_column("geometry", pa.array(wkb, pa.binary()))
        table = table.append_column("place", pa.array(store_files.along_curve(lon, lat)))
        if writer is None:
            geo = {"encoding": "WKB", "geometry_types": ["Point"]}
            text = json.dumps(
                {"version": "1.0.0", "primary_column": "geometry", "columns": {"geometry": geo}}
            )
            writer = pq.ParquetWriter(
                path, table.schema.with_metadata({"geo": text}), compression="zstd", use_dictionary=True
            )
        writer.write_table(table)
    assert writer is not None
    writer.close()
