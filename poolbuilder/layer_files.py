"""Geometry and attributes as a file holds them, with its coordinate reference system.

GeoJSON and GeoParquet are read here; every other format by GDAL.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError

from poolbuilder.errors import LayerError

__all__ = ["LON_LAT", "RawLayer", "first_line", "read_raw"]

Geometries = NDArray[np.object_]

LON_LAT = CRS.from_user_input("OGC:CRS84")
GEOJSON_TYPES = {
    "FeatureCollection",
    "Feature",
    "GeometryCollection",
    "Point",
    "MultiPoint",
    "LineString",
    "MultiLineString",
    "Polygon",
    "MultiPolygon",
}


@dataclass(frozen=True, kw_only=True)
class RawLayer:
    """What a file holds, before anything is judged.

    Attributes
    ----------
    geometry : object array of shapely geometries or None
    attributes : dict of str to list
    crs : CRS or None
        None when the file does not say.
    layer : str or None
    broken : tuple of int
        Positions, from 1, of features whose geometry is there but cannot be read.
    """

    geometry: Geometries
    attributes: dict[str, list[Any]]
    crs: CRS | None
    layer: str | None = None
    broken: tuple[int, ...] = ()


def read_raw(path: Path, layer: str | None, purpose: str) -> RawLayer:
    """Read a file by the format that its name ends in.

    Raises
    ------
    LayerError
        When the file cannot be read, or the layer is missing or not named.
    """
    suffix = path.suffix.lower()
    try:
        if suffix in {".parquet", ".geoparquet"}:
            return _read_parquet(path, layer)
        if suffix in {".geojson", ".json"}:
            found = _read_geojson(path, layer)
            if found is not None:
                return found
        return _read_with_gdal(path, layer)
    except (CRSError, pa.ArrowException, OSError, shapely.errors.ShapelyError) as error:
        fact = f"cannot be read as {purpose}: {first_line(error)}"
        raise LayerError(
            fact, file=path, remedy="use GeoPackage, Shapefile, GeoJSON or GeoParquet"
        ) from error


def first_line(error: Exception) -> str:
    """What another library's error says, on one line."""
    return str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__


def _read_with_gdal(path: Path, layer: str | None) -> RawLayer:
    import pyogrio  # imports geopandas; only when such a layer is given

    try:
        layers = [str(name) for name, _ in pyogrio.list_layers(path)]
        if layer is None and len(layers) > 1:
            raise LayerError(
                f"holds {len(layers)} layers, none is named",
                file=path,
                remedy=f"name one as FILE:layer, of {', '.join(layers)}",
            )
        if layer is not None and layer not in layers:
            raise LayerError(f"has no layer {layer!r}", file=path, remedy=f"it has {', '.join(layers)}")
        meta, table = pyogrio.read_arrow(path, layer=layer or layers[0])
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        fact = first_line(error)
        if "SHAPE_RESTORE_SHX" in fact:
            raise LayerError(
                "its .shx part is missing", file=path, remedy="copy all parts of the shapefile together"
            ) from error
        raise OSError("the format is unknown" if "not recognized" in fact else fact) from error
    column = meta["geometry_name"] or "wkb_geometry"
    if column not in table.column_names:
        raise LayerError("has no geometry", file=path, remedy="name a layer with geometry")
    values = table.column(column).to_pylist()
    geometry = shapely.from_wkb(np.array(values, dtype=object), on_invalid="ignore")
    return RawLayer(
        geometry=geometry,
        attributes={name: table.column(name).to_pylist() for name in table.column_names if name != column},
        crs=CRS.from_user_input(meta["crs"]) if meta["crs"] else None,
        layer=layer or layers[0],
        broken=_broken(values, geometry),
    )


def _broken(values: Sequence[bytes | None], geometry: Geometries) -> tuple[int, ...]:
    lost = shapely.is_missing(geometry)
    return tuple(
        number for number, value in enumerate(values, start=1) if value is not None and lost[number - 1]
    )


def _read_geojson(path: Path, layer: str | None) -> RawLayer | None:
    """GeoJSON, or None when the file is JSON of another kind (one feature a line, topology)."""
    if layer is not None:
        raise LayerError(f"GeoJSON has no layers, got {layer!r}", file=path, remedy="name the file alone")
    try:
        data = json.loads(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError as error:
        raise LayerError("is not UTF-8, as GeoJSON must be", file=path, remedy="save it as UTF-8") from error
    except json.JSONDecodeError as error:
        if "Extra data" in error.msg:
            return None
        raise LayerError(
            f"is not JSON: {error.msg}",
            file=path,
            row=error.lineno,
            remedy="the file may be cut short; export again",
        ) from error
    kind = data.get("type") if isinstance(data, dict) else None
    if kind == "Topology":
        return None
    if kind not in GEOJSON_TYPES:
        raise LayerError("is JSON but not GeoJSON", file=path, remedy="export as GeoJSON (RFC 7946)")
    features = data.get("features") if kind == "FeatureCollection" else [data]
    if not isinstance(features, list):
        raise LayerError("has no list of features", file=path, remedy="export as GeoJSON (RFC 7946)")
    return _from_features(features, _geojson_crs(data))


def _geojson_crs(data: dict[str, Any]) -> CRS | None:
    member = data.get("crs", LON_LAT)
    if isinstance(member, dict):
        name = member.get("properties", {}).get("name")
        return CRS.from_user_input(name) if name else None
    return LON_LAT if member is LON_LAT else None


def _from_features(features: Sequence[Any], crs: CRS | None) -> RawLayer:
    geometry = np.full(len(features), None, dtype=object)
    properties: list[dict[str, Any]] = []
    broken: list[int] = []
    for number, feature in enumerate(features, start=1):
        plain = feature if isinstance(feature, dict) else {}
        member = plain.get("geometry") if plain.get("type") == "Feature" else plain
        properties.append({**(plain.get("properties") or {})})
        if plain.get("id") is not None:
            properties[-1].setdefault("id", plain["id"])
        if member:
            geometry[number - 1] = shapely.from_geojson(json.dumps(member), on_invalid="ignore")
        if member and geometry[number - 1] is None:
            broken.append(number)
    names = list(dict.fromkeys(name for row in properties for name in row))
    return RawLayer(
        geometry=geometry,
        attributes={name: [row.get(name) for row in properties] for name in names},
        crs=crs,
        broken=tuple(broken),
    )


def _read_parquet(path: Path, layer: str | None) -> RawLayer:
    import pyarrow.parquet as pq

    if layer is not None:
        raise LayerError(f"Parquet has no layers, got {layer!r}", file=path, remedy="name the file alone")
    table = pq.ParquetFile(path).read()
    try:
        geo = json.loads((table.schema.metadata or {})[b"geo"])
        column = geo["primary_column"]
        meta = geo["columns"][column]
        values = table.column(column).combine_chunks()
    except (KeyError, TypeError, json.JSONDecodeError) as error:
        raise LayerError(
            "is Parquet without the `geo` description of GeoParquet", file=path, remedy="export as GeoParquet"
        ) from error
    crs = LON_LAT if "crs" not in meta else meta["crs"] and CRS.from_user_input(meta["crs"])
    hidden = {column, *(cover["xmin"][0] for cover in [meta.get("covering", {}).get("bbox")] if cover)}
    encoding = str(meta.get("encoding", "WKB"))
    if encoding.upper() != "WKB":
        raise LayerError(
            f"geometry is encoded as {encoding}", file=path, remedy="export as GeoParquet with WKB geometry"
        )
    geometry = shapely.from_wkb(np.array(values.to_pylist(), dtype=object), on_invalid="ignore")
    attributes = {name: table.column(name).to_pylist() for name in table.column_names if name not in hidden}
    return RawLayer(
        geometry=geometry, attributes=attributes, crs=crs, broken=_broken(values.to_pylist(), geometry)
    )
