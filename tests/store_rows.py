"""Records of invented places for the tests of the store."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from poolbuilder import Store, schemas, tables
from poolbuilder.records.store import AddResult

SPECIES = ("Lepomis cyanellus", "Lepomis macrochirus", "Lepomis gulosus", "Micropterus salmoides")


def many_rows(
    count: int,
    *,
    seed: int = 0,
    first: int = 0,
    decimals: int = 5,
    box: tuple[float, ...] = (-95, 33, -88, 39),
) -> pa.Table:
    """*count* records of a fixed seed; every fiftieth lacks its longitude."""
    rng = np.random.default_rng(seed)
    west, south, east, north = box
    values: dict[str, Any] = {name: [None] * count for name in schemas.RECORDS.names}
    longitude = rng.uniform(west, east, count).round(decimals)
    longitude[::50] = np.nan
    numbers = np.arange(first, first + count)
    values |= {
        "recordKey": [f"urn:record:{number}" for number in numbers],
        "occurrenceID": [f"urn:record:{number}" for number in numbers],
        "scientificName": [SPECIES[code] for code in rng.integers(0, len(SPECIES), count)],
        "basisOfRecord": ["HumanObservation"] * count,
        "decimalLongitude": longitude,
        "decimalLatitude": rng.uniform(south, north, count).round(decimals),
        "year": rng.integers(1950, 2026, count),
        "coordinateUncertaintyInMeters": rng.choice([np.nan, 10.0, 500.0], count),
        "sourceFile": [f"invented-{seed}.csv"] * count,
        "sourceRow": numbers + 2,
    }
    return tables.table(schemas.RECORDS, values)


def added(store: Store, *tables: pa.Table, name: str | None = None) -> AddResult:
    """Add tables as one source named by its content."""
    digest = hashlib.sha256()
    for table in tables:
        digest.update(repr(table.to_pydict()).encode())
    sha256 = digest.hexdigest()
    return store.add_table(iter(tables), source={"path": name or f"{sha256[:8]}.csv", "sha256": sha256})


def everything(store: Store) -> pa.Table:
    """Every record of a store, sorted by key."""
    return pa.concat_tables([schemas.RECORDS.empty_table(), *store.batches()]).sort_by("recordKey")


def files(folder: Path) -> dict[str, bytes]:
    """Every file of a store but its lock, by name."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.startswith("lock")
    }
