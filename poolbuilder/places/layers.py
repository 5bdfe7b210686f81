"""Polygons, lines and points from files: GeoPackage, Shapefile, GeoJSON, GeoParquet.

Whatever the file holds, a `Layer` holds longitude and latitude on WGS84, two dimensions and
valid geometry, and says what was done to get there.  A file without a coordinate reference
system is refused: a guess could put a range on the wrong continent.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import sqlite3
import warnings
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from poolbuilder.errors import LayerError, said
from poolbuilder.places.geodesy import split_at_antimeridian

Floats = NDArray[np.float64]
Geometries = NDArray[np.object_]


def unwrap_rings(geometry: Geometries) -> tuple[Geometries, int]:
    """Read edges of more than 180° of longitude as the short way across ±180°, and split there.

    Longitudes from 180 to 360 are brought back too.  An edge of exactly 360° along a pole, or
    around the whole globe, is left as it is.

    Parameters
    ----------
    geometry : object array of shapely geometries or None
        2D, in degrees.

    Returns
    -------
    geometry : object array
        The same array when nothing crosses.
    crossing : int
        Geometries that were changed.
    """
    coordinates, index = shapely.get_coordinates(geometry, return_index=True)
    if len(coordinates) == 0:
        return geometry, 0
    longitude = coordinates[:, 0]
    beyond = np.abs(longitude) > 180
    jump = np.zeros(len(longitude), dtype=bool)
    step = np.abs(np.diff(longitude))
    jump[1:] = (step > 180) & (step < 360) & (np.diff(index) == 0)
    suspects = np.unique(index[beyond | jump])
    if len(suspects) == 0:
        return geometry, 0
    out = geometry.copy()
    changed = 0
    for item in suspects:
        members = shapely.get_parts(geometry[item])
        parts = [_unwrapped(part) for part in shapely.get_parts(members)]
        if any(moved for _, moved in parts):
            out[item] = shapely.union_all([part for part, _ in parts])
            changed += 1
    return (out, changed) if changed else (geometry, 0)


def _unwrapped(part: Any) -> tuple[Any, bool]:
    """A single part cut at ±180°, and whether its longitudes ran on or jumped."""
    rings = shapely.get_rings(part) if part.geom_type == "Polygon" else [part]
    runs, moved = zip(*(_continuous(shapely.get_coordinates(ring)) for ring in rings), strict=True)
    if not any(moved):
        return part, False
    if part.geom_type == "Polygon":
        shape, *holes = (split_at_antimeridian(shapely.Polygon(_around_pole(run))) for run in runs)
        return shape.difference(shapely.union_all(holes)), True
    if part.geom_type != "Point":
        part = shapely.LineString(runs[0])
    return split_at_antimeridian(part), True


def _continuous(ring: Floats) -> tuple[Floats, bool]:
    step = np.diff(ring[:, 0])
    turns = np.where((np.abs(step) > 180) & (np.abs(step) < 360), -360.0 * np.sign(step), 0.0)
    offset = np.concatenate([[0.0], np.cumsum(turns)])
    moved = bool(np.any(turns) or (np.abs(ring[:, 0]) > 180).any())
    return np.column_stack([ring[:, 0] + offset, ring[:, 1]]), moved


def _around_pole(ring: Floats) -> Floats:
    """A ring that goes once around the globe does not close: close it over the pole it is nearer to."""
    if abs(ring[-1, 0] - ring[0, 0]) < 180:
        return ring
    pole = 90.0 if ring[:, 1].mean() > 0 else -90.0
    return np.vstack([ring, [ring[-1, 0], pole], [ring[0, 0], pole], ring[0]])


LON_LAT = CRS.from_user_input("OGC:CRS84")
GEOJSON_TYPES = {many + kind for many in ("", "Multi") for kind in ("Point", "LineString", "Polygon")}
GEOJSON_TYPES |= {"FeatureCollection", "Feature", "GeometryCollection"}


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
    curved : int
        Geometries with arcs, made of straight edges here.
    """

    geometry: Geometries
    attributes: dict[str, list[Any]]
    crs: CRS | None
    layer: str | None = None
    broken: tuple[int, ...] = ()
    curved: int = 0


UNREADABLE = (
    *(CRSError, pa.ArrowException, OSError, UnicodeDecodeError, shapely.errors.ShapelyError),
    *(zipfile.BadZipFile, zlib.error, EOFError),
    RuntimeError,  # a zip with a password or of an unknown method, arcs where there should be none
)
"""What the libraries raise on broken files."""


def read_raw(path: Path, layer: str | None, purpose: str) -> RawLayer:
    """Read a file by the format that its content is of; no other is handed to GDAL.

    Raises
    ------
    LayerError
        When the file cannot be read, or the layer is missing or not named.
    """
    try:
        kind = _kind_of(path)
        if kind == "parquet":
            return _read_parquet(path, layer)
        if kind == "json":
            return _read_geojson(path, layer)
        if kind == "gpkg":
            return _read_with_gdal(path, _chosen(layers_of(path), layer, path), str(path))
        return _read_with_gdal(path, *_shapefile(path, layer))
    except UNREADABLE as error:
        raise LayerError.of(
            "cannot_read_layers", file=path, purpose=purpose, error=first_line(error)
        ) from error


def first_line(error: Exception) -> str:
    """What another library's error says, on one line."""
    return str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__


def _kind_of(path: Path) -> str:
    """The format by the first bytes: json, parquet, gpkg, shp or zip."""
    with path.open("rb") as stream:
        head = stream.read(4096)
    if head[:4] == b"PAR1":
        return "parquet"
    if head[:16] == b"SQLite format 3\0" and head[68:71] in {b"GPK", b"GP1"}:
        return "gpkg"
    if head[:4] == b"\0\0\x27\x0a":
        return "shp"
    if head[:4] == b"PK\3\4":
        return "zip"
    if head.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] in {b"{", b"["} or _named_json(path):
        return "json"
    raise OSError(said("format_unknown"))


def _named_json(path: Path) -> bool:
    return path.suffix.lower() in {".geojson", ".json"}


def _shown(names: Sequence[str]) -> str:
    """Names of layers for a message: few, short, on one line."""
    few = [ascii(name)[1:-1] if not name.isprintable() else name for name in names[:SHOWN_LAYERS]]
    short = [name if len(name) <= SHOWN_LETTERS else name[:SHOWN_LETTERS] + "…" for name in few]
    return ", ".join(short) + (f" and {len(names) - SHOWN_LAYERS} more" if len(names) > SHOWN_LAYERS else "")


def layers_of(path: Path) -> list[str]:
    """The layers with geometry that a GeoPackage lists; one that reaches for other files is refused."""
    try:
        with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as file:
            virtual = file.execute(
                "select count(*) from sqlite_master where lower(sql) like 'create virtual table%' "
                "and lower(sql) not like '%using rtree%' and lower(sql) not like '%using \"rtree\"%'"
            ).fetchone()[0]
            names = file.execute(
                "select table_name from gpkg_contents where data_type = 'features'"
            ).fetchall()
    except sqlite3.Error as error:
        raise OSError(first_line(error)) from error
    if virtual:
        raise LayerError.of("virtual_tables", file=path)
    return [str(name) for (name,) in names]


def _chosen(layers: Sequence[str], layer: str | None, path: Path) -> str:
    if not layers:
        raise LayerError.of("no_layer_geometry", file=path)
    if layer is None and len(layers) > 1:
        raise LayerError.of("layers_none_named", file=path, layers=len(layers), layers2=_shown(layers))
    if layer is not None and layer not in layers:
        raise LayerError.of("no_layer", file=path, layer=_shown([layer]), layers=_shown(layers))
    return layer or layers[0]


def _shapefile(path: Path, layer: str | None) -> tuple[str, str]:
    """The layer of a shapefile, and how GDAL finds it; in an archive, the one named or the only one."""
    if path.suffix.lower() == ".shp":
        return _chosen([path.stem], layer, path), str(path)
    if not zipfile.is_zipfile(path):
        raise OSError(said("format_unknown"))
    with zipfile.ZipFile(path) as archive:
        inside = {Path(name).stem: name for name in archive.namelist() if name.lower().endswith(".shp")}
        name = _chosen(list(inside), layer, path)
        with archive.open(inside[name]) as stream:
            if stream.read(4) != b"\0\0\x27\x0a":
                raise OSError(said("format_unknown"))
    return name, f"/vsizip/{{{path.absolute()}}}/{inside[name]}"


def _read_with_gdal(path: Path, layer: str, where: str) -> RawLayer:
    """A GeoPackage or Shapefile, and nothing else: the content was looked at before."""
    import pyogrio  # imports geopandas; only when such a layer is given

    pyogrio.set_gdal_config_options({"CPL_LOG": os.devnull})  # else it prints what it meets in a broken file
    try:
        with warnings.catch_warnings(action="ignore"):
            meta, table = pyogrio.read_arrow(where, layer=layer)
    except Exception as error:  # a broken file makes the library fail in ways of its own
        fact = first_line(error)
        if "SHAPE_RESTORE_SHX" in fact:
            raise LayerError.of("shx_part_missing", file=path) from error
        raise OSError(said("format_unknown") if "not recognized" in fact else fact) from error
    column = meta["geometry_name"] or "wkb_geometry"
    if column not in table.column_names:
        raise LayerError.of("no_geometry", file=path)
    values = table.column(table.column_names.index(column)).to_pylist()
    curved = sum(_is_curved(value) for value in values)
    if curved:
        values = list(pyogrio.raw.read(where, layer=layer, columns=[])[2])  # this way GDAL makes them linear
    crs = CRS.from_user_input(meta["crs"]) if meta["crs"] else None
    return replace(_of_table(table, {column}, values, crs), layer=layer, curved=curved)


def _of_table(table: pa.Table, hidden: set[str], values: Sequence[bytes | None], crs: CRS | None) -> RawLayer:
    """The layer of a table and of its geometry as well-known binary; of two columns of a name the first."""
    geometry = shapely.from_wkb(np.array(values, dtype=object), on_invalid="ignore")
    lost = shapely.is_missing(geometry) & np.array([value is not None for value in values], dtype=bool)
    names = [name for name in dict.fromkeys(table.column_names) if name not in hidden]
    return RawLayer(
        geometry=geometry,
        attributes={name: _values(table.column(table.column_names.index(name))) for name in names},
        crs=crs,
        broken=tuple((np.flatnonzero(lost) + 1).tolist()),
    )


def _values(column: pa.ChunkedArray) -> list[Any]:
    """A column as a list; bytes that are not UTF-8 are read as far as they can be, other times as text."""
    try:
        return list(column.to_pylist())
    except UnicodeDecodeError:
        given = column.cast(pa.binary()).to_pylist()
        return [None if value is None else value.decode(errors="replace") for value in given]
    except (OverflowError, ValueError):  # a time that Python's calendar does not reach
        return list(column.cast(pa.string()).to_pylist())


def _is_curved(value: bytes | None) -> bool:
    """Whether well-known binary is of a kind with arcs: types 8 to 12 of ISO 13249-3."""
    if value is None or len(value) < 5:
        return False
    return int.from_bytes(value[1:5], "little" if value[0] else "big") % 1000 in range(8, 13)


def _read_geojson(path: Path, layer: str | None) -> RawLayer:
    """GeoJSON, also one feature a line."""
    if layer is not None:
        raise LayerError.of("geojson_no_layers", file=path, layer=layer)
    try:
        data = _parsed(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError as error:
        raise LayerError.of("not_utf_text", file=path) from error
    except json.JSONDecodeError as error:
        raise LayerError.of("not_json_layers", file=path, row=error.lineno, why=error.msg) from error
    except (RecursionError, ValueError) as error:
        raise LayerError.of("no_usable_json", file=path, error=first_line(error)) from error
    kind = data.get("type") if isinstance(data, dict) else None
    if not isinstance(kind, str) or kind not in GEOJSON_TYPES:
        raise LayerError.of("json_but_not", file=path)
    features = data.get("features") if kind == "FeatureCollection" else [data]
    if not isinstance(features, list):
        raise LayerError.of("no_list_features", file=path)
    return _from_features(features, _geojson_crs(data))


def _parsed(text: str) -> Any:
    """The JSON of a text; of several values, one a line, a collection of them."""
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        lines = [line for line in text.replace("\x1e", "").splitlines() if line.strip()]
        if "Extra data" not in error.msg or len(lines) < 2:
            raise
        return {"type": "FeatureCollection", "features": [json.loads(line) for line in lines]}


def _geojson_crs(data: dict[str, Any]) -> CRS | None:
    """WGS84 by the standard, or what an older ``crs`` member names; None for one that names nothing."""
    if "crs" not in data:
        return LON_LAT
    given = data["crs"].get("properties") if isinstance(data["crs"], dict) else None
    name = given.get("name") if isinstance(given, dict) else None
    return CRS.from_user_input(name) if name else None


def _from_features(features: Sequence[Any], crs: CRS | None) -> RawLayer:
    geometry = np.full(len(features), None, dtype=object)
    properties: list[dict[str, Any]] = []
    broken: list[int] = []
    for at, feature in enumerate(features):
        plain = feature if isinstance(feature, dict) else {}
        given, ident = plain.get("properties"), plain.get("id")
        member = plain.get("geometry") if plain.get("type") == "Feature" else plain
        properties.append(dict(given) if isinstance(given, dict) else {})
        if ident is not None:
            properties[-1].setdefault("id", ident)
        if member:
            geometry[at] = shapely.from_geojson(json.dumps(member), on_invalid="ignore")
            broken += [at + 1] if geometry[at] is None else []
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
        raise LayerError.of("parquet_no_layers", file=path, layer=layer)
    table = pq.ParquetFile(path).read()
    try:
        geo = json.loads((table.schema.metadata or {})[b"geo"])
        column = geo["primary_column"]
        meta = geo["columns"][column]
        encoding, crs = str(meta.get("encoding", "WKB")), meta.get("crs", LON_LAT)
        covering = meta["covering"]["bbox"]["xmin"][0] if meta.get("covering") else column
        values = table.column(table.column_names.index(column))
    except (KeyError, TypeError, ValueError, AttributeError, LookupError, RecursionError) as error:
        raise LayerError.of("parquet_without_geo", file=path) from error
    is_bytes = pa.types.is_binary(values.type) or pa.types.is_large_binary(values.type)
    if encoding.upper() != "WKB" or not is_bytes:
        raise LayerError.of("geometry_encoded", file=path, encoding=encoding, type=values.type)
    known = crs if crs is LON_LAT or not crs else CRS.from_user_input(crs)
    return _of_table(table, {column, covering}, values.to_pylist(), known or None)


KINDS = ("points", "lines", "polygons")
"""By their dimension."""
SHOWN_LAYERS, SHOWN_LETTERS = 10, 60
LARGE, SAMPLE, MOST_CROSSINGS = 2_000, 500, 1_000_000
"""Invalid geometry of so many points is looked at before it is repaired."""
SIDECARS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
"""Parts of a shapefile that decide what is read."""


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

    @cached_property
    def tree(self) -> shapely.STRtree:
        """A spatial index of the geometry."""
        return shapely.STRtree(self.geometry)

    def only(self, kind: str, purpose: str) -> Layer:
        """The features of one kind: ``points``, ``lines`` or ``polygons``; the others are counted in a note.

        Raises
        ------
        LayerError
            When there is none.
        """
        fitting = np.flatnonzero(shapely.get_dimensions(self.geometry) == KINDS.index(kind))
        if len(fitting) == 0:
            fact = f"holds no {kind}" if self.rows else "is empty"
            raise LayerError(fact, file=self.source.get("path"), remedy=f"give {purpose} as {kind}")
        if len(fitting) == self.rows:
            return self
        return replace(
            self,
            geometry=self.geometry[fitting],
            attributes={name: [values[row] for row in fitting] for name, values in self.attributes.items()},
            numbers=self.numbers[fitting],
            notes=(*self.notes, said("features_not_left", rows=self.rows - len(fitting), kind=kind)),
        )


NAME_COLUMNS = ("name", "gnis_name", "lake_name", "water_name", "waterbody_name", "river_name", "namn", "nom")


def find_column(attributes: Mapping[str, Any], wanted: Sequence[str]) -> str | None:
    """The first of the wanted columns that is there; case and underscores do not matter."""
    known = {_plain(name): name for name in reversed(list(attributes))}
    return next((known[_plain(name)] for name in wanted if _plain(name) in known), None)


def _plain(name: str) -> str:
    return "".join(letter for letter in name.lower() if letter not in "_- ")


def text_of(value: Any) -> str | None:
    """A cell as text; blanks and missing values are None, whole floats lose their ``.0``."""
    if value is None or value != value:
        return None
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return str(value).strip() or None


def names_of(
    attributes: Mapping[str, Sequence[Any]], rows: int, *, beside: str | None = None
) -> list[str | None]:
    """The name of each feature; None where it has none.

    With several columns of names, the one with the digits of the column *beside* is taken:
    ``hu_12_name`` beside ``huc_12``.
    """
    column = find_column(attributes, NAME_COLUMNS)
    if column is None:
        columns = [name for name in attributes if "name" in name.lower()]
        same = [name for name in columns if re.findall(r"\d", name) == re.findall(r"\d", beside or "")]
        column = next(iter([*same, *columns]), None)
    return [None] * rows if column is None else [text_of(value) for value in attributes[column]]


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
    raise LayerError.of("no_such_file", file=name)


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
    if any("\ud800" <= letter <= "\udfff" for letter in str(path)):
        raise LayerError.of("name_not_utf", file=path)
    if path.is_dir():
        raise LayerError.of("folder_not_file", file=path, purpose=purpose)
    if path.stat().st_size == 0:
        raise LayerError.of("empty_expected", file=path, purpose=purpose)
    raw = read_raw(path, layer, purpose)
    if raw.crs is None:
        raise LayerError.of("no_coordinate_reference", file=path, purpose=purpose)
    geometry, notes = _settle(raw, raw.crs, path)
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
        notes=tuple(notes),
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


# Settling: one coordinate reference system, two dimensions, valid, cut at the antimeridian.


def _settle(raw: RawLayer, crs: CRS, path: Path) -> tuple[Geometries, list[str]]:
    """Geometry on WGS84, with None where nothing usable is left, and what was done."""
    notes: list[str] = []
    if raw.broken:
        few = [*map(str, raw.broken[:5]), *(["…"] if len(raw.broken) > 5 else [])]
        notes.append(said("unreadable_left", broken=len(raw.broken), few=few))
    if raw.curved:
        notes.append(said("made_straight_edges", curved=raw.curved))
    missing = shapely.is_missing(raw.geometry) | shapely.is_empty(raw.geometry)
    without = int(missing.sum()) - len(raw.broken)
    if without:
        notes.append(said("without_geometry_left", without=without))
    out = raw.geometry.copy()
    out[missing] = None
    if shapely.has_z(out).any() or shapely.has_m(out).any():
        notes.append(said("heights_measures_dropped"))
        out = shapely.force_2d(out)
    out = _to_lon_lat(out, crs, path, notes)
    out, crossing = unwrap_rings(out)
    if crossing:
        notes.append(said("across_180_longitude", crossing=crossing))
    invalid = ~(shapely.is_valid(out) | shapely.is_missing(out))
    if invalid.any():
        notes.append(said("invalid_repaired", invalid=int(invalid.sum())))
        out = out.copy()
        _check_effort(out[invalid], path)
        out[invalid] = [_repaired(item) for item in out[invalid]]
        lost = int((invalid & shapely.is_missing(out)).sum())
        if lost:
            notes.append(said("without_extent_left", lost=lost))
    return out, notes


def _check_effort(shapes: Geometries, path: Path) -> None:
    """Refuse geometry whose edges cross so often that repairing it would take gigabytes.

    The crossings are counted on a sample of the edges.
    """
    for shape in shapes:
        if shapely.get_num_coordinates(shape) < LARGE:
            continue
        xy, part = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(shape)), return_index=True)
        same = part[1:] == part[:-1]
        edges = shapely.linestrings(np.stack([xy[:-1][same], xy[1:][same]], axis=1))
        sample = edges[:: max(1, len(edges) // SAMPLE)]
        met = shapely.STRtree(edges).query(sample[:SAMPLE], predicate="crosses").shape[1]
        if met / len(sample) * len(edges) / 2 > MOST_CROSSINGS:
            raise LayerError.of("geometry_points_whose", file=path, xy=len(xy))


def _repaired(geometry: Any) -> Any:
    """The valid parts of the geometry's own dimension, or None."""
    dimension = shapely.get_dimensions(geometry)
    valid = shapely.make_valid(geometry)
    parts = [part for part in shapely.get_parts(valid) if shapely.get_dimensions(part) >= 0]
    flat = [inner for part in parts for inner in shapely.get_parts(part)]
    kept = [part for part in flat if shapely.get_dimensions(part) == dimension and not part.is_empty]
    return shapely.union_all(kept) if kept else None


def _to_lon_lat(geometry: Geometries, crs: CRS, path: Path, notes: list[str]) -> Geometries:
    out = geometry
    if not (crs.is_geographic and _is_wgs84(crs)):
        try:
            transformer = Transformer.from_crs(crs, LON_LAT, always_xy=True)
            out = shapely.transform(
                geometry, lambda xy: np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))
            )
        except ProjError as error:
            raise LayerError.of(
                "coordinates_cannot_brought", file=path, name=crs.name, error=first_line(error)
            ) from error
        notes.append(f"brought from {crs.name} to WGS84")
    present = ~shapely.is_missing(out)
    west, south, east, north = shapely.total_bounds(out[present]) if present.any() else (0, 0, 0, 0)
    # Written so that what is no number is refused too.
    if not (west >= -360.0 and east <= 360.0 and south >= -90.0 - 1e-6 and north <= 90.0 + 1e-6):
        shown = ", ".join(f"{value:g}" for value in (west, south, east, north))
        raise LayerError.of("coordinates_reach_west", file=path, shown=shown, name=crs.name)
    return out


def _is_wgs84(crs: CRS) -> bool:
    plain = crs.to_2d() if len(crs.axis_info) > 2 else crs
    return any(plain.equals(known, ignore_axis_order=True) for known in (LON_LAT, CRS.from_epsg(4326)))
