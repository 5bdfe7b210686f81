"""Distances, discs and boxes on the WGS84 ellipsoid.

Distances are those of the geodesic solver of PROJ (Karney 2013, doi
10.1007/s00190-012-0578-z, accurate to about 15 nanometres); nothing here measures in
degrees or on a sphere.  Longitude comes before latitude, in degrees; points have no height.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import Geod

from poolbuilder.errors import SiteError

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

WGS84 = Geod(ellps="WGS84")
SMALLEST_CURVATURE_RADIUS_M = WGS84.b**2 / WGS84.a
"""The meridian's radius of curvature at the equator, 6,335,439 m: no normal section bends more."""
LARGEST_CHORD_BOUND_M = 19_800_000.0
"""Beyond this the lower bound on the chord is no longer monotone; see `chord_bounds_m`."""
ROUNDING_M = 1e-3
"""Far above the rounding of float64 coordinates of the Earth's size (about 1e-9 m)."""
LARGEST_DISC_KM = 9000.0
PADDING_DEGREES = 1e-9


def distance_km(
    longitude: ArrayLike, latitude: ArrayLike, *, from_longitude: ArrayLike, from_latitude: ArrayLike
) -> Floats:
    """Geodesic distance on WGS84, in kilometres.

    Parameters
    ----------
    longitude, latitude, from_longitude, from_latitude : array_like
        Degrees; numbers or arrays that broadcast together.

    Returns
    -------
    float64 array
        Of the broadcast shape; NaN where a coordinate is missing or is not on the globe.

    Examples
    --------
    >>> float(distance_km(-88.2, 40.3, from_longitude=-88, from_latitude=40).round(6))
    37.417173
    """
    points = np.broadcast_arrays(
        *(
            np.asarray(value, dtype=np.float64)
            for value in (from_longitude, from_latitude, longitude, latitude)
        )
    )
    shape = points[0].shape
    if points[0].size == 0:
        return np.zeros(shape)
    lon1, lat1, lon2, lat2 = (np.ravel(value).copy() for value in points)
    metres = np.asarray(WGS84.inv(lon1, lat1, lon2, lat2)[2], dtype=np.float64)
    return (metres / 1000).reshape(shape)


def distance_within_km(
    longitude: Floats, latitude: Floats, points: Floats, *, of: tuple[float, float], most_km: float
) -> Floats:
    """Geodesic distance of places that may be so near, in kilometres; infinite for the others.

    Parameters
    ----------
    longitude, latitude : (n,) array
        Degrees.
    points : (n, 3) array
        The same in ECEF metres.
    of : (longitude, latitude)
    most_km : float
        A place farther away than this may come out as infinitely far.
    """
    offset = points - to_ecef(of[0], of[1])
    near = np.flatnonzero(np.einsum("ij,ij->i", offset, offset) <= chord_bounds_m(most_km)[1] ** 2)
    away = np.full(len(points), np.inf)
    away[near] = distance_km(longitude[near], latitude[near], from_longitude=of[0], from_latitude=of[1])
    return away


def to_ecef(longitude: ArrayLike, latitude: ArrayLike) -> Floats:
    """Earth-centred, Earth-fixed coordinates of points on WGS84, in metres.

    Returns
    -------
    float64 array, (n, 3)
        x towards 0° E on the equator, y towards 90° E, z towards the North Pole.
    """
    lam, phi = np.radians(np.asarray(longitude, float)), np.radians(np.asarray(latitude, float))
    sine = np.sin(phi)
    normal = WGS84.a / np.sqrt(1 - WGS84.es * sine**2)
    across = normal * np.cos(phi)
    return np.stack([across * np.cos(lam), across * np.sin(lam), normal * (1 - WGS84.es) * sine], axis=-1)


def chord_bounds_m(radius_km: float) -> tuple[float, float]:
    """Chords that settle, without a geodesic, whether two points lie within a radius.

    Parameters
    ----------
    radius_km : float
        Geodesic radius, at least 0.

    Returns
    -------
    surely_inside, surely_outside : float
        In metres.  A pair of points on WGS84 whose straight-line (ECEF) distance is below
        *surely_inside* is at most *radius_km* apart along the geodesic; one whose distance is
        above *surely_outside* is farther apart.  Only chords between the two need `distance_km`.

    Notes
    -----
    Let s be the geodesic's length and c the chord between its ends.

    *Outside.*  The straight line is the shortest way in space, so c ≤ s: from c > R follows s > R.

    *Inside.*  As a curve in space a geodesic has the normal curvature of the surface in its
    direction, which by Euler's formula lies between the two principal curvatures.  On an oblate
    ellipsoid these are 1/M and 1/N with M = a(1-e²)/(1-e²sin²φ)^(3/2) ≤ N; M is smallest at the
    equator, ρ = a(1-e²) = b²/a.  So the curvature is nowhere above 1/ρ.  By Schur's comparison
    theorem the chord is then at least that of an arc of the same length of a circle of radius ρ:
    c ≥ f(s) = 2ρ sin(s/2ρ).  No shortest geodesic is longer than half a meridian, S = 20,003,932 m,
    and f rises up to s = πρ = 19,903,370 m and is symmetric about it; so f(s) ≥ f(R) for all
    s in [R, S] as long as R ≤ 2πρ - S = 19,802,808 m.  Hence c < f(R) excludes s > R.  For a larger R
    the bound of 19,800 km is kept, which is still true.

    One millimetre on either side stands for rounding.

    Examples
    --------
    >>> [round(bound, 3) for bound in chord_bounds_m(40)]
    [39999.933, 40000.001]
    """
    radius_m = radius_km * 1000
    diameter = 2 * SMALLEST_CURVATURE_RADIUS_M
    inside = diameter * math.sin(min(radius_m, LARGEST_CHORD_BOUND_M) / diameter) - ROUNDING_M
    return max(inside, 0.0), radius_m + ROUNDING_M


def covering_box(longitude: float, latitude: float, radius_km: float) -> list[Box]:
    """Boxes of longitude and latitude that hold every point within a radius.

    Returns
    -------
    list of (west, south, east, north)
        One box, or two when the disc crosses ±180°.  With a pole inside it holds all longitudes.

    Notes
    -----
    North and south ends are the geodesic's own along the meridian, the shortest way to a parallel.
    East and west are bounded on the auxiliary sphere of reduced latitude β (tan β = (b/a) tan φ)
    on which a geodesic is a great circle of arc σ and longitude difference ω.  On an oblate
    ellipsoid |λ| ≤ |ω| and s ≥ bσ, so |λ| ≤ asin(sin(R/b) / cos β): at most 0.4 % too wide.
    """
    radius_m = radius_km * 1000
    south, north = (_extreme_latitude(longitude, latitude, radius_m, pole) for pole in (-90.0, 90.0))
    arc = radius_m / WGS84.b
    reduced = (
        math.atan(WGS84.b / WGS84.a * math.tan(math.radians(latitude))) if abs(latitude) < 90 else math.pi / 2
    )
    if south == -90 or north == 90 or arc + abs(reduced) >= math.pi / 2 - 1e-12:
        return [(-180.0, south, 180.0, north)]
    reach = math.degrees(math.asin(min(1.0, math.sin(arc) / math.cos(reduced)))) + PADDING_DEGREES
    if reach >= 180:
        return [(-180.0, south, 180.0, north)]
    west, east = longitude - reach, longitude + reach
    if west < -180:
        return [(-180.0, south, east, north), (west + 360, south, 180.0, north)]
    if east > 180:
        return [(-180.0, south, east - 360, north), (west, south, 180.0, north)]
    return [(west, south, east, north)]


def _extreme_latitude(longitude: float, latitude: float, radius_m: float, pole: float) -> float:
    """Northernmost (pole 90) or southernmost (pole -90) latitude of a disc."""
    to_pole = WGS84.inv(longitude, latitude, longitude, pole)[2]
    if to_pole <= radius_m:
        return pole
    found = float(WGS84.fwd(longitude, latitude, 0.0 if pole > 0 else 180.0, radius_m)[1])
    return max(-90.0, min(90.0, found + math.copysign(PADDING_DEGREES, pole)))


def _circle(longitude: float, latitude: float, radius_m: float, vertices: int) -> tuple[Floats, Floats]:
    """Vertices of a geodesic circle, clockwise from north, longitudes unwrapped, ring closed.

    Where the circle passes near a pole its longitude runs fast; azimuths are added there.
    """
    azimuth = np.linspace(0.0, 360.0, vertices + 1)
    for _ in range(12):
        size = len(azimuth)
        lon, lat, _ = WGS84.fwd(
            np.full(size, longitude), np.full(size, latitude), azimuth, np.full(size, radius_m)
        )
        lon = np.degrees(np.unwrap(np.radians(lon)))
        wide = np.flatnonzero(np.abs(np.diff(lon)) > 3.0)
        if len(wide) == 0:
            break
        azimuth = np.insert(azimuth, wide + 1, (azimuth[wide] + azimuth[wide + 1]) / 2)
    return lon, lat


def disc(longitude: float, latitude: float, radius_km: float, *, vertices: int = 360) -> Any:
    """The disc around a point as a polygon of longitude and latitude.

    For drawing and for choosing polygons; what lies within a radius is decided by `distance_km`.

    Parameters
    ----------
    radius_km : float
        Above 0, up to 9,000.
    vertices : int
        Points on the circle; with 360 the polygon cuts the circle by at most 0.004 % of the radius.

    Returns
    -------
    shapely Polygon or MultiPolygon
        Valid; wound as RFC 7946 says; split at ±180°; drawn out along the pole's parallel when
        it holds the pole.

    Raises
    ------
    SiteError
        When the radius is not above 0 and at most 9,000 km.
    """
    if not 0 < radius_km <= LARGEST_DISC_KM:
        raise SiteError.of("disc_radius_km", radius_km=radius_km)
    lon, lat = _circle(longitude, latitude, radius_km * 1000, vertices)
    if abs(lon[-1] - lon[0]) > 180:  # once around a pole
        pole = 90.0 if latitude > 0 else -90.0
        lon, lat = np.append(lon, [lon[-1], lon[0]]), np.append(lat, [pole, pole])
    # Imported here: selecting records needs no geometry, and imports are the time of a cold command.
    import shapely

    return shapely.orient_polygons(split_at_antimeridian(shapely.polygons(np.column_stack([lon, lat]))))


LONGEST_DEGREES = 0.2
"""Edges are cut to at most this length in degrees, so that each is nearly straight in space."""
NEARBY_M = 2000.0
"""Pieces whose chord is within this of the nearest one's are measured on the ellipsoid."""


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
        import shapely

        parts, owner = shapely.get_parts(np.asarray(geometry, dtype=object), return_index=True)
        rings, ring_part = shapely.get_rings(parts, return_index=True)
        cut = shapely.segmentize(rings, LONGEST_DEGREES)
        xy, ring = shapely.get_coordinates(cut, return_index=True)
        within = np.flatnonzero(ring[1:] == ring[:-1])
        self._start, self._end = xy[within], xy[within + 1]
        self._owner = owner[ring_part[ring[within]]]
        self._start_ecef = to_ecef(self._start[:, 0], self._start[:, 1])
        self._end_ecef = to_ecef(self._end[:, 0], self._end[:, 1])

    def __len__(self) -> int:
        return len(self._start)

    def nearest(self, longitude: float, latitude: float) -> tuple[float, int]:
        """Distance to the nearest edge, and the polygon that it belongs to.

        Returns
        -------
        km : float
            Geodesic, within 5 m; NaN when there are no edges.
        polygon : int
            Position in the sequence given; -1 when there are no edges.

        Notes
        -----
        The place is projected on to each piece's chord in space, and the point of the piece at the
        same share of its length is measured on the ellipsoid, for the pieces that come nearest.
        """
        if len(self) == 0:
            return float("nan"), -1
        place = to_ecef(longitude, latitude)
        along = self._end_ecef - self._start_ecef
        square = np.maximum(np.einsum("ij,ij->i", along, along), 1e-9)
        share = np.clip(np.einsum("ij,ij->i", place - self._start_ecef, along) / square, 0.0, 1.0)[:, None]
        away = np.linalg.norm(self._start_ecef + share * along - place, axis=1)
        chosen = np.flatnonzero(away <= away.min() + NEARBY_M)
        feet = self._start[chosen] + share[chosen] * (self._end[chosen] - self._start[chosen])
        km = distance_km(feet[:, 0], feet[:, 1], from_longitude=longitude, from_latitude=latitude)
        winner = int(np.argmin(km))
        return float(km[winner]), int(self._owner[chosen[winner]])


def split_at_antimeridian(geometry: Any) -> Any:
    """Bring a geometry whose longitudes run on beyond ±180° back, cut where it crosses.

    Parameters
    ----------
    geometry : shapely geometry
        Longitudes continuous across ±180°, such as 170 to 190; repaired when invalid.

    Returns
    -------
    shapely geometry
        Valid, within -180 to 180.
    """
    import shapely

    dimension = shapely.get_dimensions(geometry)
    geometry = geometry if geometry.is_valid else shapely.make_valid(geometry)
    west, _, east, _ = geometry.bounds
    if west >= -180 and east <= 180:
        return geometry
    pieces: list[Any] = []
    for turn in range(math.floor((west + 180) / 360), math.floor((east + 180) / 360) + 1):
        window = shapely.box(-180 + 360 * turn, -91, 180 + 360 * turn, 91)
        piece = shapely.transform(geometry.intersection(window), _shift(-360.0 * turn))
        # a shape that only touches the cut leaves a point or line there: not a part of it
        pieces.extend(part for part in shapely.get_parts(piece) if shapely.get_dimensions(part) == dimension)
    return shapely.union_all(pieces)


def _shift(degrees: float) -> Callable[[Floats], Floats]:
    return lambda xy: np.column_stack([np.clip(xy[:, 0] + degrees, -180.0, 180.0), xy[:, 1]])
