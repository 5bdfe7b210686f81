"""Geometry in degrees where longitude jumps: ±180° and the poles.

Two things happen to a shape that crosses ±180°: files store it with a jump, so that one of
its edges seems to run around the globe (`unwrap_rings` reads it as the short way), and
results need it in two parts, as RFC 7946, section 3.1.9, asks (`split_at_antimeridian`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["split_at_antimeridian", "unwrap_rings"]

Floats = NDArray[np.float64]
Geometries = NDArray[np.object_]


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


def _turned(degrees: float) -> Callable[[Floats], Floats]:
    return lambda xy: np.column_stack([xy[:, 0] + degrees, xy[:, 1]])


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
        parts = [_unwrapped(part) for part in shapely.get_parts(geometry[item])]
        if any(moved for _, moved in parts):
            pieces = [split_at_antimeridian(part) for part, _ in parts]
            out[item] = shapely.union_all(pieces)
            changed += 1
    return (out, changed) if changed else (geometry, 0)


def _unwrapped(part: Any) -> tuple[Any, bool]:
    """A single part with continuous longitudes, and whether that differs from what it was."""
    if part.geom_type == "Polygon":
        exterior, moved = _continuous(shapely.get_coordinates(part.exterior))
        shape = shapely.make_valid(shapely.Polygon(_around_pole(exterior)))
        for ring in part.interiors:
            hole, hole_moved = _continuous(shapely.get_coordinates(ring))
            moved |= hole_moved
            shape = shape.difference(_hole_within(shape, shapely.Polygon(_around_pole(hole))))
        return (shape, True) if moved else (part, False)
    if part.geom_type in {"LineString", "LinearRing"}:
        line, moved = _continuous(shapely.get_coordinates(part))
        return (shapely.LineString(line), True) if moved else (part, False)
    if part.geom_type == "GeometryCollection":
        inner = [_unwrapped(item) for item in shapely.get_parts(part)]
        return shapely.GeometryCollection([item for item, _ in inner]), any(moved for _, moved in inner)
    return part, bool((np.abs(shapely.get_coordinates(part)[:, 0]) > 180).any())


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


def _hole_within(shape: Any, hole: Any) -> Any:
    """The hole, turned by whole turns to where it meets the shape."""
    hole = shapely.make_valid(hole)
    for turn in (0.0, 360.0, -360.0):
        turned = shapely.transform(hole, _turned(turn))
        if shape.intersects(turned):
            return turned
    return hole
