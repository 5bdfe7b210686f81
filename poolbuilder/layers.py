"""Polygons, lines and points from files: GeoPackage, Shapefile, GeoJSON, GeoParquet.

Whatever the file holds, a `Layer` holds longitude and latitude on WGS84, two dimensions and
valid geometry, and says what was done to get there.  A file without a coordinate reference
system is refused: a guess could put a range on the wrong continent.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from poolbuilder.antimeridian import unwrap_rings
from poolbuilder.errors import LayerError

__all__ = ["Layer", "read_layer", "split_spec"]

Geometries = NDArray[np.object_]

SIDECARS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
"""Parts of a shapefile that decide what is read."""
LON_LAT = CRS.from_user_input("OGC:CRS84")
NO_CRS_REMEDY = (
    "write the system into the file, for instance `ogr2ogr -a_srs EPSG:4326 new.gpkg old` when its "
    "coordinates are degrees on WGS84"
)
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
class Layer:
    """One layer, ready to measure with.

    Attributes
    ----------
    geometry : object array of shapely geometries, (rows,)
        Longitude and latitude on WGS84, 2D, valid, not empty, within ±180°.
    attributes : dict of str to list
        Values as they stand in the file, of the same length.
    numbers : int array, (rows,)
        Position of each feature in the file, counted from 1.
    notes : tuple of str
        What was repaired, left out (with its count) or assumed.
    source : dict
        path, layer, sha256, rows (features in the file).
    """

    geometry: Geometries
    attributes: dict[str, list[Any]]
    numbers: NDArray[np.int64]
    notes: tuple[str, ...] = ()
    source: dict[str, Any] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """Features that can be used."""
        return len(self.geometry)


@dataclass(frozen=True, kw_only=True)
class _Raw:
    """What a reader found, before anything is judged."""

    geometry: Geometries
    attributes: dict[str, list[Any]]
    crs: CRS | None
    layer: str | None = None
    notes: tuple[str, ...] = ()


def split_spec(spec: str | Path) -> tuple[Path, str | None]:
    """Split ``FILE[:layer]``; a colon in the file's own path is left alone.

    Raises
    ------
    LayerError
        When no reading of *spec* names a file that is there.
    """
    text = str(spec)
    if Path(text).exists():
        return Path(text), None
    cuts = [index for index, letter in enumerate(text) if letter == ":"]
    for cut in reversed(cuts):
        if cut > 0 and Path(text[:cut]).is_file():
            return Path(text[:cut]), text[cut + 1 :] or None
    cuts = [cut for cut in cuts if not (cut == 1 and text[0].isalpha())]  # a drive letter
    name = text[: cuts[-1]] if cuts and "/" not in text[cuts[-1] :] else text
    raise LayerError("no such file", file=name, remedy="check the path; a layer is named as FILE:layer")


def read_layer(spec: str | Path, *, purpose: str) -> Layer:
    """Read one layer and bring it to longitude and latitude on WGS84.

    Parameters
    ----------
    spec : str
        ``FILE`` or ``FILE:layer``.  GeoPackage, Shapefile (also zipped), GeoJSON, GeoParquet.
    purpose : str
        What the layer is for, in the plural, as messages name it: ``range polygons``.

    Returns
    -------
    Layer

    Raises
    ------
    LayerError
        When the file or layer is missing or unreadable, has no coordinate reference system, or
        holds coordinates that do not fit the one it names.

    Notes
    -----
    GeoJSON is WGS84 by its standard (RFC 7946, section 4) unless an older ``crs`` member says
    otherwise; GeoParquet without ``crs`` is OGC:CRS84 (version 1.1.0).
    """
    path, layer = split_spec(spec)
    if path.is_dir():
        raise LayerError(f"is a folder, not a file of {purpose}", file=path, remedy="name one file in it")
    if path.stat().st_size == 0:
        raise LayerError(f"is empty; expected {purpose}", file=path, remedy="export it again")
    raw = _read(path, layer, purpose)
    if raw.crs is None:
        raise LayerError(f"{purpose} have no coordinate reference system", file=path, remedy=NO_CRS_REMEDY)
    geometry, notes = _settle(raw.geometry, raw.crs, path)
    usable = np.array([item is not None for item in geometry], dtype=bool)
    if not usable.any():
        raise LayerError(
            f"holds no usable {purpose}", file=path, remedy="; ".join(notes) or "export it again"
        )
    kept = np.flatnonzero(usable)
    return Layer(
        geometry=geometry[kept],
        attributes={name: [values[i] for i in kept] for name, values in raw.attributes.items()},
        numbers=kept + 1,
        notes=(*raw.notes, *notes),
        source={"path": str(path), "layer": raw.layer, "sha256": _sha256(path), "rows": len(geometry)},
    )


def _sha256(path: Path) -> str:
    """Hash of a file; of a shapefile, of all its parts in order."""
    parts = [path]
    if path.suffix.lower() == ".shp":
        beside = {item.suffix.lower(): item for item in path.parent.glob(f"{path.stem}.*")}
        parts = [beside[suffix] for suffix in SIDECARS if suffix in beside]
    digest = hashlib.sha256()
    for part in parts:
        with part.open("rb") as stream:
            while block := stream.read(1 << 20):
                digest.update(block)
    return digest.hexdigest()


# Readers: each gives the geometry as it stands, with its coordinate reference system.


def _read(path: Path, layer: str | None, purpose: str) -> _Raw:
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
        fact = f"cannot be read as {purpose}: {_first_line(error)}"
        raise LayerError(
            fact, file=path, remedy="use GeoPackage, Shapefile, GeoJSON or GeoParquet"
        ) from error


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__


def _read_with_gdal(path: Path, layer: str | None) -> _Raw:
    import pyogrio  # imports geopandas; only when such a layer is given

    try:
        layers = [str(name) for name, _ in pyogrio.list_layers(path)]
        if layer is None and len(layers) > 1:
            raise LayerError(
                f"holds {len(layers)} layers",
                file=path,
                remedy=f"name one as FILE:layer, of {', '.join(layers)}",
            )
        if layer is not None and layer not in layers:
            raise LayerError(f"has no layer {layer!r}", file=path, remedy=f"it has {', '.join(layers)}")
        meta, table = pyogrio.read_arrow(path, layer=layer or layers[0])
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        fact = _first_line(error)
        raise OSError("the format is unknown" if "not recognized" in fact else fact) from error
    column = meta["geometry_name"] or "wkb_geometry"
    if column not in table.column_names:
        raise LayerError("has no geometry", file=path, remedy="name a layer with geometry")
    geometry = shapely.from_wkb(np.array(table.column(column).to_pylist(), dtype=object), on_invalid="ignore")
    lost = table.num_rows - table.column(column).null_count - int((~shapely.is_missing(geometry)).sum())
    return _Raw(
        geometry=geometry,
        attributes={name: table.column(name).to_pylist() for name in table.column_names if name != column},
        crs=CRS.from_user_input(meta["crs"]) if meta["crs"] else None,
        layer=layer or layers[0],
        notes=(f"{lost} geometries of a kind that cannot be read",) if lost else (),
    )


def _read_geojson(path: Path, layer: str | None) -> _Raw | None:
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


def _from_features(features: Sequence[Any], crs: CRS | None) -> _Raw:
    geometry = np.full(len(features), None, dtype=object)
    properties: list[dict[str, Any]] = []
    broken = []
    for number, feature in enumerate(features, start=1):
        plain = feature if isinstance(feature, dict) else {}
        member = plain.get("geometry") if plain.get("type") == "Feature" else plain
        properties.append({**(plain.get("properties") or {})})
        if plain.get("id") is not None:
            properties[-1].setdefault("id", plain["id"])
        if member:
            geometry[number - 1] = shapely.from_geojson(json.dumps(member), on_invalid="ignore")
        if member and geometry[number - 1] is None:
            broken.append(str(number))
    names = list(dict.fromkeys(name for row in properties for name in row))
    return _Raw(
        geometry=geometry,
        attributes={name: [row.get(name) for row in properties] for name in names},
        crs=crs,
        notes=(f"geometry of feature {', '.join(broken)} cannot be read",) if broken else (),
    )


def _read_parquet(path: Path, layer: str | None) -> _Raw:
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
    return _Raw(geometry=geometry, attributes=attributes, crs=crs)


# Settling: one coordinate reference system, two dimensions, valid, cut at the antimeridian.


def _settle(geometry: Geometries, crs: CRS, path: Path) -> tuple[Geometries, list[str]]:
    """Geometry on WGS84, with None where nothing usable is left, and what was done."""
    notes: list[str] = []
    missing = shapely.is_missing(geometry) | shapely.is_empty(geometry)
    if missing.any():
        notes.append(f"{int(missing.sum())} features without geometry left out")
    out = geometry.copy()
    out[missing] = None
    if shapely.has_z(out).any() or shapely.has_m(out).any():
        notes.append("heights and measures dropped")
        out = shapely.force_2d(out)
    out = _to_lon_lat(out, crs, path, notes)
    out, crossing = unwrap_rings(out)
    if crossing:
        notes.append(f"{crossing} features cross ±180° longitude: split there")
    invalid = ~(shapely.is_valid(out) | shapely.is_missing(out))
    if invalid.any():
        notes.append(f"{int(invalid.sum())} invalid geometries repaired")
        out = out.copy()
        out[invalid] = [_repaired(item) for item in out[invalid]]
        lost = invalid & shapely.is_missing(out)
        if lost.any():
            notes.append(f"{int(lost.sum())} of them had no extent and are left out")
    return out, notes


def _repaired(geometry: Any) -> Any:
    """The valid parts of the geometry's own dimension, or None."""
    dimension = shapely.get_dimensions(geometry)
    valid = shapely.make_valid(geometry)
    parts = [part for part in shapely.get_parts(valid) if shapely.get_dimensions(part) >= 0]
    flat = [inner for part in parts for inner in shapely.get_parts(part)]
    kept = [part for part in flat if shapely.get_dimensions(part) == dimension and not part.is_empty]
    return shapely.union_all(kept) if kept else None


def _to_lon_lat(geometry: Geometries, crs: CRS, path: Path, notes: list[str]) -> Geometries:
    if crs.is_geographic and _is_wgs84(crs):
        out = geometry
    else:
        try:
            transformer = Transformer.from_crs(crs, LON_LAT, always_xy=True)
            out = shapely.transform(
                geometry, lambda xy: np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))
            )
        except ProjError as error:
            fact = f"coordinates cannot be brought from {crs.name} to WGS84: {_first_line(error)}"
            raise LayerError(fact, file=path, remedy="reproject the file to EPSG:4326") from error
        notes.append(f"brought from {crs.name} to WGS84")
    present = ~shapely.is_missing(out)
    west, south, east, north = shapely.total_bounds(out[present]) if present.any() else (0, 0, 0, 0)
    corners = (west, south, east, north)
    if not all(math.isfinite(value) for value in corners) or not (
        west >= -360.0 and east <= 360.0 and south >= -90.0 - 1e-6 and north <= 90.0 + 1e-6
    ):
        shown = ", ".join(f"{value:g}" for value in corners)
        raise LayerError(
            f"coordinates reach from {shown} (west, south, east, north), which are no degrees on the globe; "
            f"the file says {crs.name}",
            file=path,
            remedy="name its true coordinate reference system with `ogr2ogr -a_srs`",
        )
    return out


def _is_wgs84(crs: CRS) -> bool:
    plain = crs.to_2d() if len(crs.axis_info) > 2 else crs
    return bool(
        plain.equals(LON_LAT, ignore_axis_order=True)
        or plain.equals(CRS.from_epsg(4326), ignore_axis_order=True)
    )
