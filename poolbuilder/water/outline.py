"""The outline of the water at a point: which polygon it is, and what lies in it or how far off."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import Proj

from poolbuilder.errors import said
from poolbuilder.names.vocabularies import vocabulary
from poolbuilder.places.geodesy import covering_box, distance_km
from poolbuilder.places.layers import Layer, find_column, names_of, text_of
from poolbuilder.places.sites import WATER_TYPES, Site
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LONGEST_EDGE_DEGREES = 0.01
"""Edges are cut to this before they are projected: a straight edge between degrees then departs
from a straight edge on the map by less than 2 cm below 80 degrees of latitude."""


class Plane:
    """Azimuthal equidistant map of WGS84 around a point; x east and y north in metres.

    Distances from the centre are those of the geodesic.  Across the line of sight they are
    stretched by about r²/6R²: 0.004 % at 100 km (Snyder 1987, USGS Professional Paper 1395,
    page 192; from memory).

    Parameters
    ----------
    longitude, latitude : float
        Centre, in degrees.
    """

    def __init__(self, longitude: float, latitude: float) -> None:
        self._proj = Proj(proj="aeqd", lon_0=longitude, lat_0=latitude, ellps="WGS84", units="m")

    def forward(self, longitude: ArrayLike, latitude: ArrayLike) -> tuple[Floats, Floats]:
        """Metres from degrees; NaN stays NaN."""
        lon, lat = np.asarray(longitude, float), np.asarray(latitude, float)
        known = np.isfinite(lon) & np.isfinite(lat)
        x, y = self._proj(np.where(known, lon, 0.0), np.where(known, lat, 0.0))
        return np.where(known, x, np.nan), np.where(known, y, np.nan)

    def backward(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Degrees from metres."""
        lon, lat = self._proj(np.asarray(x, float), np.asarray(y, float), inverse=True)
        return np.asarray(lon), np.asarray(lat)

    def project(self, geometry: Any) -> Any:
        """Geometries of degrees as geometries of metres; array in, array out."""
        cut = shapely.segmentize(geometry, LONGEST_EDGE_DEGREES)
        return shapely.transform(cut, lambda xy: np.column_stack(self.forward(xy[:, 0], xy[:, 1])))

    def unproject(self, geometry: Any) -> Any:
        """Geometries of metres as geometries of degrees; array in, array out."""
        return shapely.transform(geometry, lambda xy: np.column_stack(self.backward(xy[:, 0], xy[:, 1])))


def _draws(count: int) -> Floats:
    """Points of a standard bivariate normal on a golden-angle spiral, of the same weight; (count, 2)."""
    rank = np.arange(count) + 0.5
    radius, angle = np.sqrt(-2 * np.log1p(-rank / count)), rank * np.pi * (3 - np.sqrt(5))
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


DRAWS = _draws(2000)
REACH_SIGMAS = 4.0
"""No draw lies farther from its centre."""
AT_ONCE = 1_000


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
    water_type : str or None
        Kind of water, where a column of the layer says it in a way that is known here.
    """

    name: str | None
    geometry: Any
    rows: tuple[int, ...]
    area_km2: float
    plane: Plane
    polygon: Any
    water_type: str | None = None

    def __post_init__(self) -> None:
        shapely.prepare(self.polygon)

    def inside(self, longitude: Floats, latitude: Floats) -> NDArray[np.bool_]:
        """Whether points lie in the water or on its shore."""
        return np.asarray(shapely.intersects_xy(self.polygon, *self.plane.forward(longitude, latitude)))

    def shore_km(self, longitude: Floats, latitude: Floats) -> Floats:
        """Geodesic distance from points to the shore, in km; 0 in the water.

        The nearest place on the shore is found on a flat map around the site and the distance to
        it measured on the ellipsoid: at 100 km it is at most about 0.01 % too long.
        """
        known = np.isfinite(longitude) & np.isfinite(latitude)
        out = np.where(known, 0.0, np.nan)
        off = np.flatnonzero(known & ~self.inside(longitude, latitude))
        points = shapely.points(*self.plane.forward(longitude[off], latitude[off]))
        shore = shapely.get_point(shapely.shortest_line(self.polygon, points), 0)
        lon, lat = self.plane.backward(shapely.get_x(shore), shapely.get_y(shore))
        out[off] = distance_km(longitude[off], latitude[off], from_longitude=lon, from_latitude=lat)
        return out

    def share(self, longitude: Floats, latitude: Floats, sigma_m: Floats) -> Floats:
        """Probability that each location lies in the water; nearly always within 0.003.

        Parameters
        ----------
        longitude, latitude : float arrays, (n,)
            Centres; NaN gives NaN.
        sigma_m : float array, (n,)
            Spread in each direction; 0 or NaN stand for a location that is known.
        """
        x, y = self.plane.forward(longitude, latitude)
        out = np.where(np.isfinite(x), shapely.intersects_xy(self.polygon, x, y).astype(float), np.nan)
        shore = shapely.boundary(self.polygon)
        shapely.prepare(shore)
        spread = np.flatnonzero(np.isfinite(x) & (sigma_m > 0))
        near = shapely.dwithin(shore, shapely.points(x[spread], y[spread]), REACH_SIGMAS * sigma_m[spread])
        for rows in np.array_split(spread[near], np.count_nonzero(near) // AT_ONCE + 1):
            xs, ys = (at[rows, None] + sigma_m[rows, None] * DRAWS[:, k] for k, at in enumerate((x, y)))
            out[rows] = shapely.intersects_xy(self.polygon, xs, ys).mean(axis=1)
        return out


KINDS = {word: kind for kind, words in vocabulary("hydrography").items() for word in words}
"""Feature types of the US national hydrography by number and name."""
LARGEST_POND_KM2 = 0.08
"""A pond has at most 8 ha: common practice, no source."""
SEARCH_KM = 50.0
"""How far away a water may be to be named as one of the nearest."""
NAMED = 3
SEAM_M = 0.01
"""Polygons that lie this close were cut apart (at a sheet's edge, at ±180°) and are one water."""


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
    layer = layer.only("polygons", said("outlines_waters"))
    around = [shapely.box(*box) for box in covering_box(site.longitude, site.latitude, SEARCH_KM)]
    near = np.unique(layer.tree.query(around)[1])
    if len(near) == 0:
        return None, [
            said("no_water_within", search_km=SEARCH_KM, value=layer.source.get("path", "the layer"))
        ]
    plane = Plane(site.longitude, site.latitude)
    polygons = plane.project(layer.geometry[near])
    distance = shapely.distance(polygons, shapely.points(0.0, 0.0))
    order = np.lexsort([shapely.area(polygons), distance])
    every = names_of(layer.attributes, layer.rows)
    names = [every[row] for row in near]
    called = [
        name or said("unnamed_water_feature", number=number)
        for name, number in zip(names, layer.numbers[near], strict=True)
    ]
    best = int(order[0])
    if distance[best] > settings.water_snap_m:
        listed = ", ".join(f"{called[k]} ({_length(distance[k])})" for k in order[:NAMED])
        return None, [said("no_water_site", listed=listed, water_snap_m=settings.water_snap_m)]
    members = _pieces(polygons, best, names)
    outline = _outline(layer, plane, near[members], polygons[members], names[best])
    notes = []
    if len(members) > 1:
        notes.append(said("adjoining_polygons_name", called=called[best], members=len(members)))
    others = ", ".join(called[k] for k in order[1:] if distance[k] == 0 and k not in members)
    if distance[best] > 0:
        off = _length(distance[best])
        notes.append(said("site_lies_land", off=off, called=called[best]))
    elif others:
        notes.append(said("site_lies_smaller", called=called[best], others=others))
    else:
        notes.append(said("site_lies_km", called=called[best], area_km2=outline.area_km2))
    return outline, notes


def _pieces(polygons: Any, best: int, names: list[str | None]) -> Ints:
    """The polygon and those of the same name that adjoin it, one after the other."""
    same = np.flatnonzero([name == names[best] and name is not None for name in names])
    members, size = np.array([best]), 0
    while size < len(members):
        size = len(members)
        touching = shapely.dwithin(shapely.union_all(polygons[members]), polygons[same], SEAM_M)
        members = np.union1d(members, same[touching])
    return members


def _outline(layer: Layer, plane: Plane, rows: Ints, polygons: Any, name: str | None) -> Outline:
    """One water of one or several polygons, without the seams between them."""
    polygon = shapely.union_all(polygons)
    if polygon.geom_type != "Polygon":  # cut at ±180° or at a sheet's edge: close the seams
        wider = shapely.buffer(polygon, SEAM_M, join_style="mitre")
        closed = shapely.buffer(wider, -SEAM_M, join_style="mitre")
        if shapely.get_num_geometries(closed) < shapely.get_num_geometries(polygon):
            polygon = closed
    area_km2 = float(shapely.area(polygon)) / 1e6
    return Outline(
        name=name,
        geometry=shapely.union_all(layer.geometry[rows]),
        rows=tuple(layer.numbers[rows].tolist()),
        area_km2=area_km2,
        plane=plane,
        polygon=polygon,
        water_type=_water_type(layer.attributes, int(rows[0]), area_km2),
    )


def _water_type(attributes: Mapping[str, list[Any]], row: int, area_km2: float) -> str | None:
    """The kind of water that a layer's column states; a small "lake or pond" is a pond."""
    column = find_column(attributes, vocabulary("outlines")["type"])
    stated = (text_of(attributes[column][row]) if column else None) or ""
    folded = "".join(letter for letter in stated.removesuffix(".0").lower() if letter.isalnum())
    kind = KINDS.get(folded, folded if folded in WATER_TYPES else None)
    if kind == "lakepond":
        return "pond" if area_km2 <= LARGEST_POND_KM2 else "lake"
    return kind


def _length(metres: float) -> str:
    return f"{metres:.0f} m" if metres < 1000 else f"{metres / 1000:.1f} km"
