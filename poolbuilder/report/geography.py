"""What a map of a pool draws: clipped to the surroundings, thinned, and in kilometres.

The same shapes go to the interactive map (degrees), to the printed map and to the
picture (kilometres east and north of the site on an azimuthal equidistant projection,
where the search disc is a true circle).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Geod

from poolbuilder.pool import Pool
from poolbuilder.site import Site

__all__ = ["LAYERS", "around", "graticule", "lines", "project", "round_length", "view_km", "wrapped"]

LAYERS = ("ranges", "states", "basins", "outline", "streams", "barriers")
"""Layers of `Pool.features` in the order they are drawn; the disc is drawn last."""

MARGIN = 1.18
"""How far the map reaches beyond the disc, in radii."""

_GEOD = Geod(ellps="WGS84")
_KM_PER_DEGREE = 111.32
Floats = NDArray[np.float64]


def wrapped(longitude: Floats, site: Site) -> Floats:
    """Longitudes moved by whole turns to within 180 degrees of the site, so that nothing is cut in two."""
    return longitude - 360.0 * np.round((longitude - site.longitude) / 360.0)


def project(longitude: Floats, latitude: Floats, site: Site) -> tuple[Floats, Floats]:
    """Kilometres east and north of the site, azimuthal equidistant on WGS84.

    Examples
    --------
    >>> import numpy as np
    >>> x, y = project(np.array([0.0]), np.array([1.0]), Site(longitude=0, latitude=0))
    >>> round(float(x[0]), 6), round(float(y[0]), 3)
    (0.0, 110.574)
    """
    longitude = np.asarray(longitude, dtype=np.float64)
    latitude = np.asarray(latitude, dtype=np.float64)
    start = np.full(longitude.shape, site.longitude), np.full(longitude.shape, site.latitude)
    azimuth, _, metres = _GEOD.inv(*start, longitude, latitude)
    angle = np.radians(azimuth)
    return metres / 1000 * np.sin(angle), metres / 1000 * np.cos(angle)


def view_km(pool: Pool) -> float:
    """Half the width of the map."""
    return MARGIN * pool.site.radius_km


def _box(site: Site, half_km: float) -> tuple[float, float, float, float]:
    up = half_km / 110.0
    south, north = max(-90.0, site.latitude - up), min(90.0, site.latitude + up)
    shrink = math.cos(math.radians(min(89.0, max(abs(south), abs(north)))))
    side = min(180.0, half_km / (_KM_PER_DEGREE * shrink))
    return site.longitude - side, south, site.longitude + side, north


def around(pool: Pool) -> dict[str, list[dict[str, Any]]]:
    """The pool's features within twice the map, thinned to what an eye can tell apart.

    Returns
    -------
    dict
        Layer to a list of ``{"geometry": geometry, "properties": dict}``; longitudes are
        within 180 degrees of the site's, coordinates are rounded to about a metre.
    """
    site = pool.site
    half = 2 * view_km(pool)
    tolerance = half / 1200 / _KM_PER_DEGREE
    found: dict[str, list[dict[str, Any]]] = {}
    for layer in ("disc", *LAYERS):
        shapes = []
        for feature in pool.features.get(layer, []):
            geometry = feature.get("geometry")
            if not geometry:
                continue
            shape = _near(shapely.geometry.shape(geometry), site, half, 0 if layer == "disc" else tolerance)
            if shape is not None:
                shapes.append({"geometry": shape, "properties": dict(feature.get("properties") or {})})
        if shapes:
            found[layer] = shapes
    return found


def _near(shape: Any, site: Site, half_km: float, tolerance: float) -> Any | None:
    def move(points: Floats) -> Floats:
        out = points.copy()
        out[:, 0] = wrapped(points[:, 0], site)
        return out

    moved = shapely.transform(shapely.force_2d(shape), move)
    if shapely.get_num_coordinates(moved) > 4 * shapely.get_num_geometries(moved):
        moved = shapely.make_valid(moved) if moved.geom_type.endswith("Polygon") else moved
    clipped = shapely.clip_by_rect(moved, *_box(site, half_km))
    if tolerance:
        clipped = shapely.simplify(clipped, tolerance)
    return None if clipped.is_empty else shapely.transform(clipped, lambda points: np.round(points, 5))


def lines(geometry: Any, site: Site) -> Iterator[tuple[Floats, Floats, bool]]:
    """The rings, lines and points of a geometry in kilometres, each with whether it is a ring."""
    for part in shapely.get_parts(np.atleast_1d(geometry)):
        if part.geom_type == "GeometryCollection" or part.geom_type.startswith("Multi"):
            yield from lines(part, site)
            continue
        rings = shapely.get_rings(part) if part.geom_type == "Polygon" else [part]
        for ring in rings:
            points = shapely.get_coordinates(ring)
            yield *project(points[:, 0], points[:, 1], site), part.geom_type == "Polygon"


def round_length(limit: float) -> float:
    """The largest of 1, 2 or 5 times a power of ten that is not above *limit*.

    Examples
    --------
    >>> round_length(47), round_length(0.3), round_length(10)
    (20.0, 0.2, 10.0)
    """
    power: float = 10.0 ** math.floor(math.log10(limit) + 1e-9)
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= limit * (1 + 1e-9))


def graticule(pool: Pool) -> list[tuple[str, Floats, Floats]]:
    """Meridians and parallels that cross the map: label, kilometres east, kilometres north."""
    site, half = pool.site, view_km(pool)
    west, south, east, north = _box(site, half * 1.1)
    step = _degree_step(min(north - south, 180.0) / 3)
    drawn = []
    fine = np.linspace(0, 1, 40)
    for value in np.arange(math.ceil(south / step), math.floor(north / step) + 1) * step:
        x, y = project(west + (east - west) * fine, np.full(40, value), site)
        drawn.append((_label(float(value), "N", "S"), x, y))
    step = _degree_step((east - west) / 3)
    for value in np.arange(math.ceil(west / step), math.floor(east / step) + 1) * step:
        x, y = project(np.full(40, value), south + (north - south) * fine, site)
        turned = (float(value) + 180) % 360 - 180
        drawn.append((_label(turned, "E", "W"), x, y))
    return drawn


def _degree_step(limit: float) -> float:
    steps = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0)
    return max([step for step in steps if step <= limit] or [steps[0]])


def _label(value: float, positive: str, negative: str) -> str:
    return f"{abs(value):g}° {positive if value > 0 else negative if value < 0 else ''}".strip()
