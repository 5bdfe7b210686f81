"""What the files of a pool hold, for programs: a Data Package and a JSON Schema.

The package descriptor follows the Frictionless Data Package 2.0; every column carries the
description of its Arrow schema, so that there is one text for each.
"""

from __future__ import annotations

import json
from importlib import resources
from typing import Any

import pyarrow as pa

from poolbuilder.places.sites import WATER_TYPES
from poolbuilder.pool import SCHEMA_VERSION, Pool
from poolbuilder.schemas import CONTRIBUTIONS, CROSSES, EVIDENCE, POOL, REJECTED, STATUS

__all__ = ["data_package", "load_pool_schema", "pool_schema", "table_schema"]

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
TABLE_PROFILE = "https://datapackage.org/profiles/2.0/tableschema.json"

GEOMETRY = pa.field(
    "geometry", pa.binary(), metadata={"doc": "The event as a point, well-known binary (GeoParquet), WGS84."}
)

_JSON_TYPES = {
    pa.string(): "string",
    pa.float64(): "number",
    pa.int32(): "integer",
    pa.bool_(): "boolean",
    pa.binary(): "any",
}
_INTEGERS = {pa.int8(), pa.int16(), pa.int32(), pa.int64()}


def _type(kind: pa.DataType) -> str:
    if kind in _INTEGERS:
        return "integer"
    return "array" if isinstance(kind, pa.ListType) else _JSON_TYPES[kind]


def _binary_type(field: pa.Field) -> str:
    """The type that common readers of Parquet give: integers with gaps as floats, lists as what they are."""
    kind = _type(field.type)
    if kind == "array":
        return "any"
    return "number" if kind == "integer" and field.nullable else kind


def table_schema(schema: pa.Schema, *, key: list[str] | None = None, binary: bool = False) -> dict[str, Any]:
    """A Table Schema with the description of every column; *binary* for a Parquet file."""
    fields = []
    for field in schema:
        kind = _binary_type(field) if binary else _type(field.type)
        item: dict[str, Any] = {"name": field.name, "type": kind}
        item["description"] = field.metadata[b"doc"].decode()
        if not field.nullable and field.type != pa.string():
            item["constraints"] = {"required": True}  # an empty text is a value here, not a gap
        fields.append(item)
    described: dict[str, Any] = {"$schema": TABLE_PROFILE, "fields": fields}
    if key:
        described["primaryKey"] = key
    return described


def _resource(name: str, path: str, schema: pa.Schema, **more: Any) -> dict[str, Any]:
    kind = path.rsplit(".", 1)[1]
    media = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}[kind]
    described = {"name": name, "type": "table", "path": path, "format": kind, "mediatype": media}
    if kind == "csv":
        described["encoding"] = "utf-8"
    return {
        **described,
        "description": schema.metadata[b"doc"].decode(),
        "schema": table_schema(schema, binary=kind == "parquet", **more),
    }


def data_package(pool: Pool) -> dict[str, Any]:
    """The content of datapackage.json for a pool folder."""
    crosses = _resource("crosses", "crosses.csv", CROSSES, key=["parent1", "parent2"])
    crosses["schema"]["foreignKeys"] = [
        {"fields": [parent], "reference": {"resource": "pool", "fields": ["scientificName"]}}
        for parent in ("parent1", "parent2")
    ]
    evidence = _resource("evidence", "evidence.parquet", EVIDENCE.append(GEOMETRY))
    evidence["schema"]["foreignKeys"] = [
        {"fields": ["scientificName"], "reference": {"resource": "pool", "fields": ["scientificName"]}}
    ]
    return {
        "$schema": PROFILE,
        "name": "species-pool",
        "title": f"Species pool of {pool.site.name or 'an unnamed water'}",
        "description": "Candidate species of one water, weighted, with the evidence for each.",
        "version": SCHEMA_VERSION,
        "created": f"{pool.as_of.isoformat()}T00:00:00Z",
        "sources": [_source(item) for item in pool.datasets],
        "resources": [
            _resource("pool", "pool.csv", POOL, key=["scientificName"]),
            crosses,
            evidence,
            _resource("rejected", "rejected.parquet", REJECTED),
        ],
    }


def _source(item: Any) -> dict[str, str]:
    source = {"title": str(item["title"])}
    if item.get("license"):
        source["license"] = str(item["license"])
    if item.get("citation"):
        source["citation"] = str(item["citation"])
    return source


def _object(schema: pa.Schema) -> dict[str, Any]:
    properties = {}
    for field in schema:
        kind = _type(field.type)
        properties[field.name] = {
            "type": [kind, "null"] if field.nullable else kind,
            "description": field.metadata[b"doc"].decode(),
        }
    return {
        "type": "object",
        "properties": properties,
        "required": schema.names,
        "additionalProperties": False,
    }


def pool_schema() -> dict[str, Any]:
    """The JSON Schema of pool.json, made from the Arrow schemas."""
    number, text = {"type": "number"}, {"type": "string"}
    maybe: dict[str, Any] = {"type": ["object", "null"]}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:poolbuilder:pool:{SCHEMA_VERSION}",
        "title": "Species pool of one water",
        "type": "object",
        "properties": {
            "schemaVersion": {"const": SCHEMA_VERSION},
            "poolbuilderVersion": text,
            "site": {
                "type": "object",
                "properties": {
                    "name": text,
                    "longitude": {**number, "minimum": -180, "maximum": 180},
                    "latitude": {**number, "minimum": -90, "maximum": 90},
                    "radiusKm": {**number, "exclusiveMinimum": 0, "maximum": 2000},
                    "waterType": {"enum": [*WATER_TYPES, None]},
                },
                "required": ["name", "longitude", "latitude", "radiusKm"],
                "additionalProperties": False,
            },
            "asOf": {"type": "string", "format": "date"},
            "checklist": text,
            "candidates": {"type": "array", "items": _object(POOL)},
            "contributions": {"type": "array", "items": _object(CONTRIBUTIONS)},
            "status": {"type": "array", "items": _object(STATUS)},
            "counts": {"type": "object"},
            "calibration": maybe,
            "completeness": maybe,
            "notes": {"type": "array", "items": text},
            "inputs": {"type": "array", "items": {"type": "object"}},
            "datasets": {"type": "array", "items": {"type": "object"}},
            "settings": {"type": "object"},
        },
        "required": [
            *("schemaVersion", "poolbuilderVersion", "site", "asOf", "checklist", "candidates"),
            *("contributions", "status", "counts", "notes", "inputs", "datasets", "settings"),
        ],
    }


def load_pool_schema() -> dict[str, Any]:
    """The JSON Schema of pool.json as it is shipped with the package."""
    text = resources.files("poolbuilder").joinpath("pool.schema.json").read_text(encoding="utf-8")
    return dict(json.loads(text))
