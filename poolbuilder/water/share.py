"""How much of a location's distribution lies inside a polygon.

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

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["PolygonShare"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

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
