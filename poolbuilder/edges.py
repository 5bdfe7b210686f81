"""The edges of polygons, ready for exact distances from many places."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.geodesy import distance_km, to_ecef

__all__ = ["Edges"]

Floats = NDArray[np.float64]

LONGEST_DEGREES = 0.2
"""Edges are cut to at most this length in degrees, so that each is nearly straight in space."""
CANDIDATES = 256
STEPS = 40


class Edges:
    """Segments of the rings of polygons.

    An edge between two vertices is the straight line in longitude and latitude, as RFC 7946,
    section 3.1.1, and GeoParquet (`planar` edges) have it.

    Parameters
    ----------
    geometry : sequence of shapely Polygon or MultiPolygon
        Longitude and latitude on WGS84, within ±180°.
    """

    def __init__(self, geometry: Sequence[Any]) -> None:
        parts, owner = shapely.get_parts(np.asarray(geometry, dtype=object), return_index=True)
        rings, ring_part = shapely.get_rings(parts, return_index=True)
        cut = shapely.segmentize(rings, LONGEST_DEGREES)
        xy, ring = shapely.get_coordinates(cut, return_index=True)
        within = np.flatnonzero(ring[1:] == ring[:-1])
        self._start, self._end = xy[within], xy[within + 1]
        self._owner = owner[ring_part[ring[within]]]
        self._start_ecef = to_ecef(self._start[:, 0], self._start[:, 1])
        self._end_ecef = to_ecef(self._end[:, 0], self._end[:, 1])
        self._half_m = 0.505 * np.linalg.norm(self._end_ecef - self._start_ecef, axis=1) + 1.0

    def __len__(self) -> int:
        return len(self._start)

    def nearest(self, longitude: float, latitude: float) -> tuple[float, int]:
        """Distance to the nearest edge, and the polygon that it belongs to.

        Returns
        -------
        km : float
            Geodesic; NaN when there are no edges.
        polygon : int
            Position in the sequence given; -1 when there are no edges.

        Notes
        -----
        A segment whose end is farther away in a straight line than the best end is along the
        geodesic, by more than half the segment's length, cannot hold the nearest point: a
        chord is never longer than the geodesic.  On the segments that are left the nearest point is
        found by golden section, and measured on the ellipsoid.
        """
        if len(self) == 0:
            return float("nan"), -1
        place = to_ecef(longitude, latitude)
        chord = np.minimum(
            np.linalg.norm(self._start_ecef - place, axis=1), np.linalg.norm(self._end_ecef - place, axis=1)
        )
        best = int(np.argmin(chord))
        ends = np.array([self._start[best], self._end[best]])
        limit = 1000 * float(self._measure(ends, longitude, latitude).min())
        lower = chord - self._half_m
        chosen = np.flatnonzero(lower <= limit)
        if len(chosen) > CANDIDATES:
            chosen = chosen[np.argpartition(lower[chosen], CANDIDATES)[:CANDIDATES]]
        feet = self._feet(chosen, place)
        measured = self._measure(feet, longitude, latitude)
        winner = int(np.argmin(measured))
        return float(measured[winner]), int(self._owner[chosen[winner]])

    @staticmethod
    def _measure(points: Floats, longitude: float, latitude: float) -> Floats:
        return distance_km(points[:, 0], points[:, 1], from_longitude=longitude, from_latitude=latitude)

    def _feet(self, chosen: NDArray[np.int64], place: Floats) -> Floats:
        """The point of each segment nearest to the place in space, by golden section."""
        start, step = self._start[chosen], self._end[chosen] - self._start[chosen]
        golden = (np.sqrt(5) - 1) / 2
        low, high = np.zeros(len(chosen)), np.ones(len(chosen))
        for _ in range(STEPS):
            left, right = high - golden * (high - low), low + golden * (high - low)
            nearer_left = self._square(start + left[:, None] * step, place) < self._square(
                start + right[:, None] * step, place
            )
            high = np.where(nearer_left, right, high)
            low = np.where(nearer_left, low, left)
        return np.asarray(start + ((low + high) / 2)[:, None] * step)

    @staticmethod
    def _square(points: Floats, place: Floats) -> Floats:
        return np.asarray(((to_ecef(points[:, 0], points[:, 1]) - place) ** 2).sum(axis=1))
