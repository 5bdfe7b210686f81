"""A flat map around one place, in metres, for the geometry that needs one."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import Proj

__all__ = ["LONGEST_EDGE_DEGREES", "Plane"]

Floats = NDArray[np.float64]

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
