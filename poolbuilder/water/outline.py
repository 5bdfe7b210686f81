"""The outline of the water at a point: which polygon it is, and what lies in it or how far off.

A location is bivariate normal with equal spread σ in all directions.  Along a ray from its
centre the radial integral is closed, so the probability of a polygon is an integral over its
edges alone, and that of one edge is a difference of Owen's T function (Owen 1956, "Tables for
computing bivariate normal probabilities", Annals of Mathematical Statistics 27:1075-1090, doi
10.1214/aoms/1177728074; from memory)::

    P = [centre inside] - Σ ± (T(h/σ, tan t2) - T(h/σ, tan t1))

with h the distance of the edge's line from the centre and t1, t2 the angles of its ends as seen
from there, measured from the perpendicular.  This is exact for every polygon, holes included.
Edges farther than 6σ away together hold less than exp(-18) = 1.5e-8 and are left out.

Where σ is large and the shore long, the polygon is cut into cells instead, each with its
area and its second moments; see `_cell_share`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import Proj

from poolbuilder.errors import LayerError
from poolbuilder.places.geodesy import covering_box, distance_km
from poolbuilder.places.layers import Layer
from poolbuilder.places.sites import WATER_TYPES, Site
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


NAME_COLUMNS = ("name", "gnis_name", "lake_name", "water_name", "waterbody_name", "river_name", "namn", "nom")


def find_column(attributes: Mapping[str, Any], wanted: Sequence[str]) -> str | None:
    """The first of the wanted columns that is there; case and underscores do not matter."""
    known = {_plain(name): name for name in reversed(list(attributes))}
    return next((known[_plain(name)] for name in wanted if _plain(name) in known), None)


def _plain(name: str) -> str:
    return name.lower().replace("_", "").replace("-", "").replace(" ", "")


def _digits(name: str) -> str:
    return "".join(letter for letter in name if letter.isdigit())


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
        level = _digits(beside or "")
        column = next((name for name in columns if _digits(name) == level), next(iter(columns), None))
    return [None] * rows if column is None else [text_of(value) for value in attributes[column]]


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


REACH_SIGMAS = 6.0
CELLS_PER_SIGMA = 4.0
"""Cells no wider than σ/4: with second moments the error of a whole polygon is below 1e-5."""
EDGES_PER_CELL = 1.0
"""A cell costs less than an edge, but only the edges within reach are looked at."""
PAIRS_AT_ONCE = 1_000_000
SMALLEST_SIGMA_M = 1e-3
NUDGE = 1e-7
"""In σ: moves a centre off the lines of the edges, where an angle is undefined; changes P by less."""


@dataclass(frozen=True, kw_only=True)
class _Cells:
    """Pieces of a polygon: area in m², centroid in m, and second moments about it in m⁴."""

    area: Floats
    x: Floats
    y: Floats
    xx: Floats
    xy: Floats
    yy: Floats


class PolygonShare:
    """Shares of location distributions inside one polygon.

    Parameters
    ----------
    polygon : shapely Polygon or MultiPolygon
        Valid, in metres.
    """

    def __init__(self, polygon: Any) -> None:
        self.polygon = polygon
        shapely.prepare(self.polygon)
        self.starts, self.ends = _edges(polygon)
        self.edges = shapely.linestrings(np.stack([self.starts, self.ends], axis=1))
        self.tree = shapely.STRtree(self.edges)
        self._cells: dict[int, _Cells] = {}

    def inside(self, x: Floats, y: Floats) -> NDArray[np.bool_]:
        """Whether points lie inside the polygon or on its edge."""
        return np.asarray(shapely.intersects_xy(self.polygon, x, y), dtype=bool)

    def share(self, x: Floats, y: Floats, sigma_m: Floats) -> Floats:
        """Probability that each location lies inside.

        Parameters
        ----------
        x, y : float arrays, (n,)
            Centres in metres; NaN gives NaN.
        sigma_m : float array, (n,)
            Spread in each direction; 0 or NaN stand for a location that is known.

        Returns
        -------
        float64 array, (n,)
            0 to 1.
        """
        out = np.full(len(x), np.nan)
        known = np.isfinite(x) & np.isfinite(y)
        sigma = np.where(np.isfinite(sigma_m), sigma_m, 0.0)
        sharp = known & (sigma < SMALLEST_SIGMA_M)
        out[sharp] = self.inside(x[sharp], y[sharp])
        near = known & (self._off(x, y) < REACH_SIGMAS * sigma)
        out[known & ~sharp & ~near] = 0.0
        spread = np.flatnonzero(near & ~sharp)
        level = np.floor(np.log2(sigma[spread])).astype(np.int64)
        for step in np.unique(level):
            rows = spread[level == step]
            self._fill(out, rows, x, y, sigma, int(step))
        return np.asarray(np.clip(out, 0.0, 1.0))

    def _fill(self, out: Floats, rows: Ints, x: Floats, y: Floats, sigma: Floats, level: int) -> None:
        """Settle the rows whose σ lies between 2^level and 2^(level + 1) metres."""
        if self._count_of_cells(level) < EDGES_PER_CELL * len(self.edges):
            cells = self._cells_of(level)
            step = max(1, PAIRS_AT_ONCE // max(1, len(cells.area)))
            for start in range(0, len(rows), step):
                part = rows[start : start + step]
                out[part] = _cell_share(cells, x[part], y[part], sigma[part])
            return
        step = max(1, PAIRS_AT_ONCE // len(self.edges))
        for start in range(0, len(rows), step):
            part = rows[start : start + step]
            out[part] = self._edge_share(x[part], y[part], sigma[part])

    def _edge_share(self, x: Floats, y: Floats, sigma: Floats) -> Floats:
        from scipy.special import owens_t

        x, y = x + NUDGE * sigma, y + NUDGE * 0.618 * sigma
        who, edge = self.tree.query(shapely.points(x, y), predicate="dwithin", distance=REACH_SIGMAS * sigma)
        first = self.starts[edge] - np.column_stack([x[who], y[who]])
        second = self.ends[edge] - np.column_stack([x[who], y[who]])
        along = second - first
        length = np.hypot(along[:, 0], along[:, 1])
        along /= length[:, None]
        height = (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / length
        foot = np.maximum(np.abs(height), 1e-12)
        scaled = foot / sigma[who]
        near_end = np.einsum("ij,ij->i", first, along) / foot
        far_end = np.einsum("ij,ij->i", second, along) / foot
        lost = np.sign(height) * (owens_t(scaled, far_end) - owens_t(scaled, near_end))
        return np.asarray(self.inside(x, y) - np.bincount(who, weights=lost, minlength=len(x)))

    def _off(self, x: Floats, y: Floats) -> Floats:
        """Distance to the bounding box, 0 in it."""
        west, south, east, north = self.polygon.bounds
        over = np.maximum(np.maximum(west - x, x - east), 0.0)
        return np.asarray(np.hypot(over, np.maximum(np.maximum(south - y, y - north), 0.0)))

    def _count_of_cells(self, level: int) -> float:
        """About how many cells hold a part of the polygon."""
        width = 2.0**level / CELLS_PER_SIGMA
        return float(self.polygon.area / width**2 + self.polygon.length / width)

    def _cells_of(self, level: int) -> _Cells:
        if level not in self._cells:
            self._cells[level] = _cut(self.polygon, 2.0**level / CELLS_PER_SIGMA)
        return self._cells[level]


def _edges(polygon: Any) -> tuple[Floats, Floats]:
    """Both ends of every edge, the inside on the left."""
    starts, ends = [], []
    for part in shapely.get_parts(polygon):
        for number, ring in enumerate([part.exterior, *part.interiors]):
            xy = shapely.get_coordinates(ring)
            if shapely.is_ccw(ring) == (number > 0):
                xy = xy[::-1]
            keep = np.any(xy[1:] != xy[:-1], axis=1)
            starts.append(xy[:-1][keep])
            ends.append(xy[1:][keep])
    return np.concatenate(starts), np.concatenate(ends)


def _cut(polygon: Any, width: float) -> _Cells:
    """Cut a polygon along a square grid and measure the pieces (Green's theorem)."""
    west, south, east, north = polygon.bounds
    lefts, bottoms = np.meshgrid(np.arange(west, east, width), np.arange(south, north, width))
    boxes = shapely.box(lefts.ravel(), bottoms.ravel(), lefts.ravel() + width, bottoms.ravel() + width)
    boxes = boxes[shapely.intersects(polygon, boxes)]
    whole = shapely.contains_properly(polygon, boxes)
    pieces = boxes.copy()
    pieces[~whole] = shapely.intersection(polygon, boxes[~whole])
    pieces = pieces[shapely.area(pieces) > 0]
    middle = shapely.get_coordinates(shapely.centroid(pieces))
    moments = np.zeros((3, len(pieces)))
    parts, owner = shapely.get_parts(pieces, return_index=True)
    flat = shapely.get_type_id(parts) == 3
    parts, owner = shapely.normalize(parts[flat]), owner[flat]  # normal form: shells clockwise, holes not
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    piece = owner[ring_part[ring]]
    xy = xy - middle[piece]
    same = ring[1:] == ring[:-1]
    (ax, ay), (bx, by), to = xy[:-1][same].T, xy[1:][same].T, piece[1:][same]
    turn = -(ax * by - bx * ay)
    size = len(pieces)
    area = np.bincount(to, weights=turn / 2, minlength=size)
    moments[0] = np.bincount(to, weights=turn * (ax * ax + ax * bx + bx * bx) / 12, minlength=size)
    mixed = turn * (2 * ax * ay + ax * by + bx * ay + 2 * bx * by) / 24
    moments[1] = np.bincount(to, weights=mixed, minlength=size)
    moments[2] = np.bincount(to, weights=turn * (ay * ay + ay * by + by * by) / 12, minlength=size)
    return _Cells(
        area=np.asarray(area), x=middle[:, 0], y=middle[:, 1], xx=moments[0], xy=moments[1], yy=moments[2]
    )


def _cell_share(cells: _Cells, x: Floats, y: Floats, sigma: Floats) -> Floats:
    """Sum of the cells' shares, the density in each expanded to second order about its centroid.

    The first-order term vanishes at the centroid.
    """
    spread = (sigma**2)[:, None]
    dx, dy = cells.x - x[:, None], cells.y - y[:, None]
    density = np.exp(-(dx**2 + dy**2) / (2 * spread)) / (2 * np.pi * spread)
    curve = (
        cells.xx * (dx**2 / spread - 1) + 2 * cells.xy * dx * dy / spread + cells.yy * (dy**2 / spread - 1)
    ) / (2 * spread)
    return np.asarray((density * (cells.area + curve)).sum(axis=1))


TYPE_COLUMNS = ("water_type", "watertype", "ftype", "waterbody_type", "fclass")
WATER_KINDS = {
    "390": "lakepond", "lakepond": "lakepond", "436": "lake", "reservoir": "lake", "493": "estuary",
    "460": "river", "streamriver": "river", "336": "canal", "canalditch": "canal",
}  # fmt: skip
"""Feature types of the US national hydrography by number and name, and plain words."""
LARGEST_POND_KM2 = 0.08
"""A pond has at most 8 ha: common practice, no source."""
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
    water_type : str or None
        Kind of water, where a column of the layer says it in a way that is known here.
    """

    name: str | None
    geometry: Any
    rows: tuple[int, ...]
    area_km2: float
    plane: Plane
    polygon: Any
    _share: PolygonShare = field(repr=False)
    water_type: str | None = None

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
        water_type=_water_type(layer.attributes, int(rows[0]), float(shapely.area(polygon)) / 1e6),
    )


def _water_type(attributes: Mapping[str, list[Any]], row: int, area_km2: float) -> str | None:
    """The kind of water that a layer's column states; a small "lake or pond" is a pond."""
    column = find_column(attributes, TYPE_COLUMNS)
    stated = (text_of(attributes[column][row]) if column else None) or ""
    folded = "".join(letter for letter in stated.removesuffix(".0").lower() if letter.isalnum())
    kind = WATER_KINDS.get(folded, folded if folded in WATER_TYPES else None)
    if kind == "lakepond":
        return "pond" if area_km2 <= LARGEST_POND_KM2 else "lake"
    return kind


def _called(names: list[str | None], row: int) -> str:
    return names[row] or f"an unnamed water (feature {row + 1})"


def _length(metres: float) -> str:
    return f"{metres:.0f} m" if metres < 1000 else f"{metres / 1000:.1f} km"


def _file(layer: Layer) -> str:
    return str(layer.source.get("path", "the layer"))
