"""One Arrow schema per stage of the pipeline; every column says what it holds.

The columns stand in ``schemas.csv``, each with its type and whether it is required.  Their names are
Darwin Core terms where one exists, otherwise lowerCamelCase with the unit at the end.  Distances are in
kilometres, uncertainty in metres (as Darwin Core has it), probabilities from 0 to 1.  The descriptions
there are the ones that the data package and the report print.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pyarrow as pa

from poolbuilder.errors import TableError

_TYPES = {
    "string": pa.string(),
    "strings": pa.list_(pa.string()),
    "number": pa.float64(),
    "integer": pa.int32(),
    "int8": pa.int8(),
    "int64": pa.int64(),
    "boolean": pa.bool_(),
}


def _columns() -> dict[str, list[pa.Field]]:
    """The columns of ``schemas.csv`` by their table, or the part of a table that several share."""
    found: dict[str, list[pa.Field]] = {}
    with Path(__file__).with_suffix(".csv").open(encoding="utf-8", newline="") as stream:
        for table, name, kind, required, description in list(csv.reader(stream))[1:]:
            column = pa.field(name, _TYPES[kind], nullable=not required, metadata={"doc": description})
            found.setdefault(table, []).append(column)
    return found


_COLUMNS = _columns()


def _table(doc: str, *parts: str) -> pa.Schema:
    """The schema of a table that is made of these parts of ``schemas.csv``."""
    return pa.schema([column for part in parts for column in _COLUMNS[part]], metadata={"doc": doc})


RECORDS = _table("Records as read, nothing judged.", "records")
NAMED = _table("Records with their names resolved.", "records", "names")
SCREENED = _table(
    "Records with the rule that rejects each, if any; none dropped.", "records", "names", "screening"
)
REJECTED = SCREENED.with_metadata({"doc": "Rejected records, each with the rule that rejects it."})
LOCATED = _table(
    "Kept records with their place relative to the site.", "records", "names", "screening", "location"
)
STATEMENTS = _table("What is known of a water without a record.", "statements")
EVIDENCE = _table("One row per species and event.", "evidence")
CONTRIBUTIONS = _table("Why each presence is what it is; the parts of a species add up.", "contributions")
STATUS = _table("What the range polygons say of each species at the site.", "status")
POOL = _table("One row per candidate species, sorted by presence, then name.", "pool")
HYBRIDS = _table("Hybrid records within reach, one row per combination of parents.", "hybrids")
CROSSES = _table("Parent pairs, sorted by weight, then formula.", "crosses")
CHANGES = _table("What changed between two pools of one water; the largest changes first.", "changes")
CAUSES = _table("Why each presence changed; the parts add up.", "causes")
WATERS = _table("One row per water, in the order of the table of waters.", "water", "waters")
POOLS = _table("The pools of many waters: one row per water and candidate species.", "water", "pool")
PAIRS = _table("The parent pairs of many waters.", "water", "crosses")
TALLIES = _table(
    "Plain counts of many waters: one row per water and candidate, nothing weighed.", "water", "tallies"
)
INTRODUCED = _table("Introduced species recorded near a water.", "introduced")
POSTERIOR = _table("What one fish may be, sorted by rank.", "posterior")
TRAIT_EVIDENCE = _table(
    "Trait evidence for and against each species as a parent of one fish.", "traitEvidence"
)


def coded(kind: pa.DataType) -> pa.DataType:
    """Repeated text as codes, which stands for plain text everywhere; other types as they are."""
    return pa.dictionary(pa.int32(), kind) if kind == pa.string() else kind


def check(table: pa.Table, schema: pa.Schema, stage: str) -> pa.Table:
    """Hold a stage to its contract.

    Returns
    -------
    Table
        The same table, so that the call can stand in a return.

    Raises
    ------
    TableError
        When names, order or types differ, or a required column holds a null.
    """
    if table.schema.names != schema.names:
        missing = [name for name in schema.names if name not in table.schema.names]
        extra = [name for name in table.schema.names if name not in schema.names]
        raise TableError(f"{stage}: columns differ: missing {missing}, unexpected {extra}")
    for field in schema:
        found = table.schema.field(field.name).type
        if found != field.type and found != coded(field.type):
            raise TableError(f"{stage}: column {field.name} is {found}, expected {field.type}")
        if not field.nullable and table.column(field.name).null_count:
            raise TableError(f"{stage}: column {field.name} holds nulls")
    return table


def describe(schema: pa.Schema) -> dict[str, str]:
    """Column name to description, in order."""
    return {field.name: field.metadata[b"doc"].decode() for field in schema}
