"""Flow lines as flat arrays: one run of vertices each, drawn with the flow where that is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.places.geodesy import distance_km, to_ecef
from poolbuilder.water.labels import find_column, text_of

__all__ = ["Lines", "against_flow", "lines_of", "measure"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MEAN_RADIUS_M = 6_371_008.8
VERTICES_AT_ONCE = 1_000_000
SAME_PLACE_DEGREES = 1e-9


@dataclass(frozen=True, kw_only=True)
class Lines:
    """Runs of vertices.

    Attributes
    ----------
    longitude, latitude : float arrays, (vertices,)
        Longitudes run on beyond ±180° where a line crosses it.
    offsets : int array, (lines + 1,)
        Line k holds the vertices from ``offsets[k]`` up to ``offsets[k + 1]``.
    row : int array, (lines,)
        Position in the layer that each line came from.
    """

    longitude: Floats
    latitude: Floats
    offsets: Ints
    row: Ints

    @property
    def count(self) -> int:
        """How many lines there are."""
        return len(self.offsets) - 1

    def ends(self) -> tuple[Floats, Floats]:
        """Earth-centred coordinates of the first and of the last vertices, (lines, 3) each."""
        first, last = self.offsets[:-1], self.offsets[1:] - 1
        return (
            to_ecef(self.longitude[first], self.latitude[first]),
            to_ecef(self.longitude[last], self.latitude[last]),
        )

    def take(self, order: Ints) -> Lines:
        """The same lines in another order, or some of them."""
        index, offsets = _runs(self.offsets, order)
        return Lines(
            longitude=self.longitude[index],
            latitude=self.latitude[index],
            offsets=offsets,
            row=self.row[order],
        )

    def turned(self, against: NDArray[np.bool_]) -> Lines:
        """The lines with some of them drawn the other way round."""
        if not against.any():
            return self
        index = np.arange(len(self.longitude))
        for k in np.flatnonzero(against).tolist():
            index[self.offsets[k] : self.offsets[k + 1]] = index[self.offsets[k] : self.offsets[k + 1]][::-1]
        return Lines(
            longitude=self.longitude[index],
            latitude=self.latitude[index],
            offsets=self.offsets,
            row=self.row,
        )


def _runs(offsets: Ints, order: Ints) -> tuple[Ints, Ints]:
    """Indices of the vertices of the chosen lines, one after the other, and their offsets."""
    length = np.diff(offsets)[order]
    out = np.concatenate([[0], np.cumsum(length)])
    index = np.repeat(offsets[order] - out[:-1], length) + np.arange(out[-1])
    return index, out


def lines_of(geometry: NDArray[np.object_], *, bridge: bool) -> tuple[Lines, list[str]]:
    """Lines from geometries of degrees; features of several pieces are put together.

    Parameters
    ----------
    geometry : object array of (multi)lines
    bridge : bool
        Whether the pieces of one feature are joined across gaps (its node identifiers say that
        it is one line); otherwise pieces that do not meet stay lines of their own.

    Returns
    -------
    Lines, list of str
        What was left out or bridged.
    """
    notes: list[str] = []
    parts, row = shapely.get_parts(geometry, return_index=True)
    linear = shapely.get_type_id(parts) == 1
    parts, row = parts[linear], row[linear]
    xy, part = shapely.get_coordinates(parts, return_index=True)
    offsets = np.concatenate([[0], np.cumsum(np.bincount(part, minlength=len(parts)))])
    repeated = np.bincount(row, minlength=len(geometry))[row] > 1
    if repeated.any():
        xy, offsets, row, bridged = _put_together(xy, offsets, row, bridge=bridge)
        if bridged:
            notes.append(f"{bridged} flow lines are in several pieces with gaps; each is taken as one line")
    lines = Lines(longitude=_unwrapped(xy[:, 0], offsets), latitude=xy[:, 1].copy(), offsets=offsets, row=row)
    long_enough = measure(lines) > 0
    if not long_enough.all():
        notes.append(f"{int((~long_enough).sum())} flow lines without length left out")
        lines = lines.take(np.flatnonzero(long_enough))
    return lines, notes


def _unwrapped(longitude: Floats, offsets: Ints) -> Floats:
    """Longitudes that run on beyond ±180° within a line, so that no edge goes around the globe."""
    jump = np.zeros(len(longitude))
    jump[1:] = -360 * np.rint(np.diff(longitude) / 360)
    first = offsets[:-1]
    jump[first] = 0
    turns = np.cumsum(jump)
    return np.asarray(longitude + turns - np.repeat(turns[first], np.diff(offsets)))


def _put_together(xy: Floats, offsets: Ints, row: Ints, *, bridge: bool) -> tuple[Floats, Ints, Ints, int]:
    """Join the pieces of each feature end to end, in their order, where they meet (or always)."""
    first, last = xy[offsets[:-1]], xy[offsets[1:] - 1]
    gap = first[1:] - last[:-1]
    gap[:, 0] = (gap[:, 0] + 180) % 360 - 180  # pieces cut at ±180° meet
    meets = np.abs(gap).max(axis=1) <= SAME_PLACE_DEGREES
    same_row = row[1:] == row[:-1]
    joined = same_row & (meets | bridge)
    begins = np.concatenate([[True], ~joined])
    bridged = len(np.unique(row[1:][joined & ~meets]))
    out = offsets[:-1][begins]
    return xy, np.concatenate([out, [offsets[-1]]]), row[begins], bridged


def measure(lines: Lines) -> Floats:
    """Length of each line in metres, along its vertices on the ellipsoid.

    Each edge is measured by its chord c in space, lengthened to the arc: c(1 + c²/24R²).  Up to
    10 km an edge departs from the geodesic by less than 0.01 mm; longer edges are measured
    by the geodesic itself.
    """
    out = np.zeros(lines.count)
    start = 0
    while start < lines.count:
        stop = int(np.searchsorted(lines.offsets, lines.offsets[start] + VERTICES_AT_ONCE, side="right")) - 1
        stop = min(max(stop, start + 1), lines.count)
        window = slice(int(lines.offsets[start]), int(lines.offsets[stop]))
        step = _steps(lines.longitude[window], lines.latitude[window])
        cumulative = np.concatenate([[0.0], np.cumsum(step)])
        local = lines.offsets[start : stop + 1] - lines.offsets[start]
        out[start:stop] = cumulative[local[1:] - 1] - cumulative[local[:-1]]
        # the steps between one line's end and the next one's start are never counted
        start = stop
    return out


LONG_STEP_M = 10_000.0


def _steps(longitude: Floats, latitude: Floats) -> Floats:
    """Lengths of the edges between consecutive vertices, in metres."""
    chord = np.linalg.norm(np.diff(to_ecef(longitude, latitude), axis=0), axis=1)
    arc = chord * (1 + chord**2 / (24 * MEAN_RADIUS_M**2))
    far = np.flatnonzero(chord > LONG_STEP_M)
    if len(far):
        arc[far] = 1000 * distance_km(
            longitude[far + 1], latitude[far + 1], from_longitude=longitude[far], from_latitude=latitude[far]
        )
    return np.asarray(arc)


def against_flow(attributes: Mapping[str, list[Any]], rows: Ints) -> NDArray[np.bool_]:
    """Which lines an attribute says are drawn against the flow."""
    column = find_column(attributes, ("flowdir", "flow_direction", "direction"))
    if column is None:
        return np.zeros(len(rows), dtype=bool)
    said = np.array(["against" in (text_of(value) or "").lower() for value in attributes[column]], dtype=bool)
    return said[rows]
