"""Polygons, lines and points from files: GeoPackage, Shapefile, GeoJSON, GeoParquet.

Whatever the file holds, a `Layer` holds longitude and latitude on WGS84, two dimensions and
valid geometry, and says what was done to get there.  A file without a coordinate reference
system is refused: a guess could put a range on the wrong continent.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

from poolbuilder.antimeridian import unwrap_rings
from poolbuilder.errors import LayerError
from poolbuilder.layer_files import LON_LAT, RawLayer, first_line, read_raw

__all__ = ["Layer", "counted", "read_layer", "split_spec"]

Geometries = NDArray[np.object_]

SIDECARS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
"""Parts of a shapefile that decide what is read."""
NO_CRS_REMEDY = (
    "write the system into the file, for instance `ogr2ogr -a_srs EPSG:4326 new.gpkg old` when its "
    "coordinates are degrees on WGS84"
)


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


def counted(number: int, noun: str, plural: str = "") -> str:
    """A number with its noun.

    Examples
    --------
    >>> counted(1, "feature"), counted(2, "feature"), counted(2, "geometry", "geometries")
    ('1 feature', '2 features', '2 geometries')
    """
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


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
    raw = read_raw(path, layer, purpose)
    if raw.crs is None:
        raise LayerError(f"{purpose} have no coordinate reference system", file=path, remedy=NO_CRS_REMEDY)
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
        few = ", ".join(str(number) for number in raw.broken[:5]) + (", …" if len(raw.broken) > 5 else "")
        notes.append(
            f"{counted(len(raw.broken), 'geometry', 'geometries')} unreadable (feature {few}): left out"
        )
    missing = shapely.is_missing(raw.geometry) | shapely.is_empty(raw.geometry)
    without = int(missing.sum()) - len(raw.broken)
    if without:
        notes.append(f"{counted(without, 'feature')} without geometry left out")
    out = raw.geometry.copy()
    out[missing] = None
    if shapely.has_z(out).any() or shapely.has_m(out).any():
        notes.append("heights and measures dropped")
        out = shapely.force_2d(out)
    out = _to_lon_lat(out, crs, path, notes)
    out, crossing = unwrap_rings(out)
    if crossing:
        notes.append(f"{counted(crossing, 'feature')} across ±180° longitude: split there")
    invalid = ~(shapely.is_valid(out) | shapely.is_missing(out))
    if invalid.any():
        notes.append(f"{counted(int(invalid.sum()), 'invalid geometry', 'invalid geometries')} repaired")
        out = out.copy()
        out[invalid] = [_repaired(item) for item in out[invalid]]
        lost = int((invalid & shapely.is_missing(out)).sum())
        if lost:
            notes.append(
                f"{counted(lost, 'repaired geometry', 'repaired geometries')} without extent left out"
            )
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
            fact = f"coordinates cannot be brought from {crs.name} to WGS84: {first_line(error)}"
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
