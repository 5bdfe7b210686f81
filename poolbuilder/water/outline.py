"""The outline of the water at a point: which polygon it is, and what lies in it or how far off."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.errors import LayerError
from poolbuilder.places.geodesy import covering_box, distance_km
from poolbuilder.places.layers import Layer
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.water.labels import names_of
from poolbuilder.water.plane import Plane
from poolbuilder.water.share import PolygonShare

__all__ = ["Outline", "find_outline", "holders"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SEARCH_KM = 50.0
"""How far away a water may be to be named as one of the nearest."""
NAMED = 3
SEAM_M = 0.01
"""Polygons that lie this close were cut apart (at a sheet's edge, at ±180°) and are one water."""


@dataclass(frozen=True, kw_only=True)
class Outline:
    """The water that a pool is built for.

    Attributes
    ----------
    name : str or None
    geometry : shapely geometry
        Longitude and latitude.
    rows : tuple of int
        Features of the layer that make it up, counted from 1.
    area_km2 : float
    plane : Plane
        The map on which *polygon* lies.
    polygon : shapely geometry
        In metres.
    """

    name: str | None
    geometry: Any
    rows: tuple[int, ...]
    area_km2: float
    plane: Plane
    polygon: Any
    _share: PolygonShare = field(repr=False)

    def inside(self, longitude: Floats, latitude: Floats) -> NDArray[np.bool_]:
        """Whether points lie in the water or on its shore."""
        return self._share.inside(*self.plane.forward(longitude, latitude))

    def shore_km(self, longitude: Floats, latitude: Floats) -> Floats:
        """Geodesic distance from points to the shore, in km; 0 in the water.

        The nearest place on the shore is found on a flat map around the site and the distance to
        it measured on the ellipsoid: at 100 km it is at most about 0.01 % too long.
        """
        x, y = self.plane.forward(longitude, latitude)
        out = np.full(len(x), np.nan)
        known = np.isfinite(x) & np.isfinite(y)
        out[known] = 0.0
        off = np.flatnonzero(known)
        off = off[~self._share.inside(x[off], y[off])]
        if len(off):
            lon, lat = self.plane.backward(*self._nearest(x[off], y[off]))
            out[off] = distance_km(longitude[off], latitude[off], from_longitude=lon, from_latitude=lat)
        return out

    def share(self, longitude: Floats, latitude: Floats, sigma_m: Floats) -> Floats:
        """Probability that each location lies in the water; see `PolygonShare.share`."""
        return self._share.share(*self.plane.forward(longitude, latitude), sigma_m)

    def _nearest(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """The nearest place on the shore, on the map."""
        edge = self._share.tree.query_nearest(shapely.points(x, y), all_matches=False)[1]
        start, end = self._share.starts[edge], self._share.ends[edge]
        along = end - start
        part = ((x - start[:, 0]) * along[:, 0] + (y - start[:, 1]) * along[:, 1]) / (along**2).sum(axis=1)
        found = start + np.clip(part, 0, 1)[:, None] * along
        return found[:, 0], found[:, 1]


def find_outline(layer: Layer, site: Site, *, settings: Settings) -> tuple[Outline | None, list[str]]:
    """Find the water that a site lies in.

    Parameters
    ----------
    layer : Layer
        Polygons of water.
    site : Site

    Returns
    -------
    Outline or None
        The smallest water that holds the point, else the nearest within ``waterSnapM``.
    list of str
        How it was found; without one, which waters are nearest.

    Raises
    ------
    LayerError
        When the layer holds no polygon.
    """
    flat = np.flatnonzero(shapely.get_dimensions(layer.geometry) == 2)
    if len(flat) == 0:
        found = "is empty" if layer.rows == 0 else "holds no polygons"
        raise LayerError(
            found, file=layer.source.get("path"), remedy="give the outlines of waters as polygons"
        )
    names = names_of(layer.attributes, layer.rows)
    plane = Plane(site.longitude, site.latitude)
    near = flat[_touching(layer.geometry[flat], site)]
    if len(near) == 0:
        return None, [f"no water within {SEARCH_KM:g} km of the site in {_file(layer)}"]
    polygons = plane.project(layer.geometry[near])
    origin = shapely.points(0.0, 0.0)
    distance = shapely.distance(polygons, origin)
    size = shapely.area(polygons)
    order = np.lexsort([size, distance])
    best = int(order[0])
    label = _called(names, near[best])
    if distance[best] > settings.water_snap_m:
        listed = ", ".join(
            f"{_called(names, near[k])} ({_length(distance[k])})" for k in order[:NAMED].tolist()
        )
        return None, [
            f"no water at the site: the nearest are {listed}; waterSnapM is {settings.water_snap_m:g} m"
        ]
    notes = []
    members = _pieces(polygons, best, [names[row] for row in near])
    outline = _outline(layer, plane, near[members], polygons[members], names[near[best]])
    if len(members) > 1:
        notes.append(f"{label}: {len(members)} adjoining polygons of that name taken as one water")
    held = [k for k in order[1:].tolist() if distance[k] == 0 and k not in members]
    if distance[best] > 0:
        notes.append(
            f"the site lies on land, {_length(distance[best])} from {label}; it is taken as in that water"
        )
    elif held:
        others = ", ".join(_called(names, near[k]) for k in held)
        notes.append(f"the site lies in {label} and in {others}; the smaller is taken as the water")
    else:
        notes.append(f"the site lies in {label}, {outline.area_km2:.3g} km²")
    return outline, notes


def holders(tree: Any, points: Any) -> tuple[Ints, Ints]:
    """Which polygons of a tree hold which points: indices of points, indices of polygons.

    The polygons are prepared, which pays with thousands of points in few polygons.
    """
    who, polygon = tree.query(points)
    shapely.prepare(tree.geometries[np.unique(polygon)])
    hit = shapely.intersects(tree.geometries[polygon], points[who])
    return who[hit], polygon[hit]


def _touching(geometry: Any, site: Site) -> NDArray[np.bool_]:
    """Which bounding boxes reach the surroundings of the site."""
    bounds = shapely.bounds(geometry)
    out = np.zeros(len(geometry), dtype=bool)
    for west, south, east, north in covering_box(site.longitude, site.latitude, SEARCH_KM):
        out |= (
            (bounds[:, 0] <= east)
            & (bounds[:, 2] >= west)
            & (bounds[:, 1] <= north)
            & (bounds[:, 3] >= south)
        )
    return out


def _pieces(polygons: Any, best: int, names: list[str | None]) -> list[int]:
    """The polygon and those of the same name that adjoin it, one after the other."""
    if names[best] is None:
        return [best]
    same = [k for k, name in enumerate(names) if name == names[best]]
    joined, todo = {best}, [best]
    while todo:
        here = todo.pop()
        for k in same:
            if k not in joined and shapely.dwithin(polygons[here], polygons[k], SEAM_M):
                joined.add(k)
                todo.append(k)
    return sorted(joined)


def _outline(layer: Layer, plane: Plane, rows: Ints, polygons: Any, name: str | None) -> Outline:
    """One water of one or several polygons, without the seams between them."""
    polygon = shapely.union_all(polygons)
    if len(shapely.get_parts(polygon)) > 1:  # cut at ±180° or at a sheet's edge: close the seams
        closed = shapely.buffer(
            shapely.buffer(polygon, SEAM_M, join_style="mitre"), -SEAM_M, join_style="mitre"
        )
        if len(shapely.get_parts(closed)) < len(shapely.get_parts(polygon)):
            polygon = closed
    return Outline(
        name=name,
        geometry=shapely.union_all(layer.geometry[rows]),
        rows=tuple(int(layer.numbers[row]) for row in rows),
        area_km2=float(shapely.area(polygon)) / 1e6,
        plane=plane,
        polygon=polygon,
        _share=PolygonShare(polygon),
    )


def _called(names: list[str | None], row: int) -> str:
    return names[row] or f"an unnamed water (feature {row + 1})"


def _length(metres: float) -> str:
    return f"{metres:.0f} m" if metres < 1000 else f"{metres / 1000:.1f} km"


def _file(layer: Layer) -> str:
    return str(layer.source.get("path", "the layer"))
