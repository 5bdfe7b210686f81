"""Small tables for tests: name what matters, the rest is filled with nothing."""

from __future__ import annotations

from typing import Any

import pyarrow as pa

from poolbuilder import tables
from poolbuilder.schemas import CONTRIBUTIONS, EVIDENCE, LOCATED, NAMED, RECORDS, SCREENED, STATUS

DEFAULTS: dict[str, Any] = {
    "sourceFile": "test.csv",
    "role": "candidate",
    "acceptedNames": [],
    "nameQuality": 1.0,
    "flagged": [],
    "quality": 1.0,
    "occurrenceStatus": "present",
    "basisOfRecord": "HumanObservation",
}


def make(schema: pa.Schema, rows: list[dict[str, Any]]) -> pa.Table:
    """A table of *schema*; unnamed columns take their default, else null."""
    filled = [
        {"recordKey": f"r{number}", "sourceRow": number + 2, **DEFAULTS, **row}
        for number, row in enumerate(rows)
    ]
    return tables.table(schema, {name: [row.get(name) for row in filled] for name in schema.names})


def records(*rows: dict[str, Any]) -> pa.Table:
    """Rows of RECORDS."""
    return make(RECORDS, list(rows))


def named(*rows: dict[str, Any]) -> pa.Table:
    """Rows of NAMED; a candidate of its scientificName unless said otherwise."""
    return make(NAMED, [_accepted(row) for row in rows])


def screened(*rows: dict[str, Any]) -> pa.Table:
    """Rows of SCREENED, kept unless said otherwise."""
    return make(SCREENED, [_accepted(row) for row in rows])


def located(*rows: dict[str, Any]) -> pa.Table:
    """Rows of LOCATED."""
    return make(LOCATED, [_accepted(row) for row in rows])


def status(*rows: dict[str, Any]) -> list[dict[str, Any]]:
    """Rows of STATUS; without a map unless said otherwise."""
    filled = [{"rangeClass": "no_map", "words": "no range map", **row} for row in rows]
    return [{name: row.get(name) for name in STATUS.names} for row in filled]


def _accepted(row: dict[str, Any]) -> dict[str, Any]:
    name = row.get("scientificName")
    return {"acceptedNames": [name] if name else [], **row}


__all__ = ["CONTRIBUTIONS", "EVIDENCE", "located", "make", "named", "records", "screened", "status"]
