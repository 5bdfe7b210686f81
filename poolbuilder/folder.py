"""A pool as a folder of files: written whole or not at all, and read back."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from poolbuilder import tables
from poolbuilder.errors import PoolFileError, SettingsError, SiteError, said
from poolbuilder.files import geopackage, json_text, recover, whole_folder, write_csv
from poolbuilder.model.evidence import foremost
from poolbuilder.places.sites import Site
from poolbuilder.pool import SCHEMA_VERSION, Pool
from poolbuilder.schemas import CONTRIBUTIONS, CROSSES, EVIDENCE, POOL, REJECTED, STATUS
from poolbuilder.settings import Settings

FILES = (
    *("pool.csv", "pool.parquet", "pool.json", "evidence.parquet", "rejected.parquet"),
    *("crosses.csv", "crosses.parquet", "map.geojson", "pool.gpkg", "datapackage.json"),
)
"""What every pool folder holds; the page report.html comes on top."""

EARLIER = "1.0"
"""An earlier schemaVersion whose folders are read as well."""


def pool_document(pool: Pool) -> dict[str, Any]:
    """The content of pool.json, ready for the json module."""
    return {
        "schemaVersion": SCHEMA_VERSION,
        "poolbuilderVersion": pool.version,
        "site": {
            "name": pool.site.name,
            "longitude": pool.site.longitude,
            "latitude": pool.site.latitude,
            "radiusKm": pool.site.radius_km,
            "waterType": pool.site.water_type,
        },
        "asOf": pool.as_of.isoformat(),
        "checklist": pool.checklist_name,
        "candidates": pool.candidates.to_pylist(),
        "contributions": pool.contributions.to_pylist(),
        "status": pool.status.to_pylist(),
        "counts": dict(pool.counts),
        "calibration": pool.calibration,
        "completeness": pool.completeness,
        "notes": list(pool.notes),
        "inputs": [dict(item) for item in pool.inputs],
        "datasets": [dict(item) for item in pool.datasets],
        "settings": pool.settings.as_dict(),
    }


def _collection(pool: Pool) -> dict[str, Any]:
    """Every feature as one GeoJSON collection, its layer a property, outer rings as RFC 7946 winds them."""
    import shapely

    features = [
        {
            **item,
            "geometry": _wound(shapely.geometry.shape(item["geometry"])) if item.get("geometry") else None,
            "properties": {"layer": layer, **item.get("properties", {})},
        }
        for layer, items in pool.features.items()
        for item in items
    ]
    return {"type": "FeatureCollection", "features": features}


def _wound(shape: Any) -> Any:
    import shapely

    return json.loads(shapely.to_geojson(shapely.orient_polygons(shape)))


_IDENTIFIERS = dict.fromkeys(("eventKey", "recordKey", "recordIDs.list.element"), "DELTA_BYTE_ARRAY")
"""Texts that hardly repeat but begin alike: only where each differs from the one before is written."""


def _write_parquet(table: pa.Table, path: Path) -> None:
    leaves = [
        f"{field.name}.list.element" if pa.types.is_list(field.type) else field.name for field in table.schema
    ]
    repeated = [name for name in leaves if name not in _IDENTIFIERS]
    pq.write_table(table, path, compression="zstd", use_dictionary=repeated, column_encoding=_IDENTIFIERS)


def _with_points(evidence: pa.Table) -> pa.Table:
    """The evidence as GeoParquet 1.1: a column of points, longitude and latitude on WGS84."""
    import shapely

    points = shapely.points(tables.numbers(evidence["longitude"]), tables.numbers(evidence["latitude"]))
    about = {
        "version": "1.1.0",
        "primary_column": GEOMETRY.name,
        "columns": {GEOMETRY.name: {"encoding": "WKB", "geometry_types": ["Point"]}},
    }
    with_points = evidence.append_column(
        GEOMETRY, tables.array(shapely.to_wkb(points).tolist(), GEOMETRY.type)
    )
    known = with_points.schema.metadata or {}
    return with_points.replace_schema_metadata({**known, b"geo": json.dumps(about).encode()})


def write_pool(pool: Pool, out: str | Path, *, pages: Mapping[str, str] | None = None) -> Path:
    """Write a pool folder, all of it or nothing.

    Parameters
    ----------
    out : path
        A folder that does not exist, is empty, or holds an earlier pool.
    pages : mapping, optional
        Further text files, such as ``{"report.html": ...}``.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    PoolFileError
        When the folder holds something else, or cannot be written; the old one is whole.

    Examples
    --------
    >>> import tempfile
    >>> from poolbuilder.demonstration import demo_pool
    >>> with tempfile.TemporaryDirectory() as scratch:
    ...     folder = write_pool(demo_pool(), Path(scratch) / "lake")
    ...     len(read_pool(folder)), (folder / "crosses.csv").exists()
    (13, True)
    """

    def fill(folder: Path) -> None:
        write_csv(pool.candidates, folder / "pool.csv")
        _write_parquet(pool.candidates, folder / "pool.parquet")
        (folder / "pool.json").write_bytes(json_text(pool_document(pool)).encode())
        _write_parquet(_with_points(pool.evidence), folder / "evidence.parquet")
        _write_parquet(pool.rejected, folder / "rejected.parquet")
        write_csv(pool.crosses, folder / "crosses.csv")
        _write_parquet(pool.crosses, folder / "crosses.parquet")
        (folder / "map.geojson").write_bytes(json_text(_collection(pool)).encode())
        _write_geopackage(pool, folder / "pool.gpkg")
        for name, text in (pages or {}).items():
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
        (folder / "datapackage.json").write_bytes(json_text(data_package(pool)).encode())

    return write_folder(out, fill, marker="datapackage.json")


def write_folder(out: str | Path, fill: Any, *, marker: str) -> Path:
    """Fill a folder beside *out*, then put it in the place of *out*.

    Parameters
    ----------
    fill : callable
        Takes the Path of an empty folder and writes into it.
    marker : str
        File that tells a folder of this kind; one that holds other things is left alone.

    Raises
    ------
    PoolFileError
        When *out* is not ours to replace, or writing fails; *out* is then as it was.
    """
    target = Path(out).absolute()
    recover(target)
    if target.exists() and (
        not target.is_dir() or (any(target.iterdir()) and not (target / marker).exists())
    ):
        raise PoolFileError.of("foreign_files", file=out)
    with whole_folder(target) as folder:
        fill(folder)
    return target


def _write_geopackage(pool: Pool, path: Path) -> None:
    """Candidates and pairs as tables, points of the evidence and every drawn layer, for a desktop GIS."""
    import numpy as np
    import shapely

    with geopackage(path, date=pool.as_of.isoformat()) as write:
        evidence = foremost(pool.evidence)
        points = shapely.points(tables.numbers(evidence["longitude"]), tables.numbers(evidence["latitude"]))
        write("evidence", evidence, points)
        write("candidates", pool.candidates)
        write("crosses", pool.crosses)
        for layer, items in pool.features.items():
            if items:
                shapes = np.array([shapely.geometry.shape(item["geometry"]) for item in items], dtype=object)
                given = [item.get("properties", {}) for item in items]
                names = sorted({key for row in given for key in row})
                write(layer, {name: [row.get(name) for row in given] for name in names}, shapes)


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    """Turn what goes wrong with a file of a pool into one line that names it."""
    again = said("build_pool_again")
    try:
        yield
    except PoolFileError:
        raise
    except OSError as error:
        raise PoolFileError.of("cannot_read_folder", file=path, error=error.strerror or error) from error
    except json.JSONDecodeError as error:
        raise PoolFileError.of("not_json", file=path, error=error, again=again) from error
    except KeyError as error:
        raise PoolFileError.of("lacks_key", file=path, error=error, again=again) from error
    except pa.ArrowException as error:
        raise PoolFileError.of("cannot_read_folder2", file=path, error=error, again=again) from error
    except (ValueError, TypeError, RecursionError, SiteError, SettingsError) as error:
        raise PoolFileError.of("cannot_understood", file=path, error=error, again=again) from error


def _document(path: Path) -> dict[str, Any]:
    with _readable(path):
        document = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(document, dict) or "schemaVersion" not in document:
        raise PoolFileError.of("not_pool", file=path)
    if document["schemaVersion"] not in (SCHEMA_VERSION, EARLIER):
        raise PoolFileError.of(
            "other_schema_version",
            file=path,
            schema_version=document["schemaVersion"],
            schema_version2=SCHEMA_VERSION,
            earlier=EARLIER,
        )
    return document


def _table(path: Path, schema: pa.Schema, *, earlier: bool) -> pa.Table:
    with _readable(path):
        table = pq.read_table(path)
        for field in schema if earlier else ():
            if field.name not in table.schema.names and field.nullable:
                table = table.append_column(field, pa.nulls(len(table), field.type))
        for name in schema.names:
            if name not in table.schema.names:
                raise KeyError(name)
        return table.select(schema.names).cast(schema)


def _rows(rows: list[dict[str, Any]], schema: pa.Schema, *, earlier: bool) -> pa.Table:
    blank = {field.name: None for field in schema if field.nullable and earlier}
    whole = [blank | row for row in rows]
    return tables.table(schema, {name: [row[name] for row in whole] for name in schema.names})


def _features(collection: dict[str, Any]) -> dict[str, list[Any]]:
    """The features of a collection by their layer."""
    features: dict[str, list[Any]] = {}
    for item in collection["features"]:
        properties = dict(item["properties"])
        features.setdefault(properties.pop("layer"), []).append({**item, "properties": properties})
    return features


def read_pool(folder: str | Path) -> Pool:
    """Read a pool folder back.

    A folder of schemaVersion 1.0 is read too: what that version did not write is null, and
    the steps of its argument stay as they were written.

    Raises
    ------
    PoolFileError
        When a file is missing, broken or of another schemaVersion.

    Examples
    --------
    >>> try:
    ...     read_pool("no_such_folder")
    ... except PoolFileError as error:
    ...     print(error)
    no_such_folder: is not a folder (name a folder that `poolbuilder build --out` wrote)
    """
    path = Path(folder)
    recover(path.absolute())
    if not path.is_dir():
        raise PoolFileError.of("not_folder", file=path)
    where = path / "pool.json"
    document = _document(where)
    earlier = document["schemaVersion"] == EARLIER
    with _readable(path / "map.geojson"):
        features = _features(json.loads((path / "map.geojson").read_text(encoding="utf-8")))
    with _readable(where):
        place, settings = document["site"], document["settings"]
        if earlier:  # settings that its version had and this one has not are dropped
            settings = {key: value for key, value in settings.items() if key in Settings().as_dict()}
        return Pool(
            site=Site(
                longitude=place["longitude"],
                latitude=place["latitude"],
                radius_km=place["radiusKm"],
                name=place["name"],
                water_type=place.get("waterType"),
            ),
            as_of=datetime.date.fromisoformat(document["asOf"]),
            settings=Settings.from_dict(settings, where=str(where)),
            checklist_name=document["checklist"],
            candidates=_rows(document["candidates"], POOL, earlier=earlier),
            evidence=_table(path / "evidence.parquet", EVIDENCE, earlier=earlier),
            contributions=_rows(document["contributions"], CONTRIBUTIONS, earlier=earlier),
            rejected=_table(path / "rejected.parquet", REJECTED, earlier=earlier),
            crosses=_table(path / "crosses.parquet", CROSSES, earlier=earlier),
            status=_rows(document["status"], STATUS, earlier=earlier),
            inputs=tuple(document["inputs"]),
            datasets=tuple(document["datasets"]),
            notes=tuple(document["notes"]),
            features=features,
            version=document["poolbuilderVersion"],
            **{name: document[name] for name in ("counts", "calibration", "completeness")},
        )


PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
TABLE_PROFILE = "https://datapackage.org/profiles/2.0/tableschema.json"

GEOMETRY = pa.field("geometry", pa.binary(), metadata={"doc": said("event_point")})

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
        "description": said("candidate_species_water"),
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


def load_pool_schema() -> dict[str, Any]:
    """The JSON Schema of pool.json, as shipped; a test holds it to the Arrow schemas."""
    text = resources.files("poolbuilder").joinpath("pool.schema.json").read_text(encoding="utf-8")
    return dict(json.loads(text))
