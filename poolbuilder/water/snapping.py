"""Putting records, the water and barriers on flow lines."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.places.geodesy import covering_box
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.water.barriers import Barriers
from poolbuilder.water.network import Network
from poolbuilder.water.outline import Outline
from poolbuilder.water.plane import Plane
from poolbuilder.water.routes import Cover

__all__ = [
    "MAP_SIGMA_M",
    "NOBODY",
    "Candidates",
    "Snapper",
    "cover_of_outline",
    "cover_of_site",
    "joined",
    "put_barriers",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MAP_SIGMA_M = 24.0
"""How far a drawn flow line itself may be off: 90 % of points within 1/50 inch on maps smaller than
1:20,000 (United States National Map Accuracy Standards, 1947; from memory), which is 50.8 m at
1:100,000 and σ = 50.8 / 2.146."""
PAIRS_AT_ONCE = 500_000
METRES_PER_DEGREE = 110_500.0


@dataclass(frozen=True, kw_only=True)
class Candidates:
    """Places on flow lines where points may lie, several for each point.

    Attributes
    ----------
    who : int array, (m,)
        Point, in the order given.
    edge : int array, (m,)
    at_m : float array, (m,)
        Metres from the edge's start.
    off_m : float array, (m,)
        Distance from the point to the edge.
    """

    who: Ints
    edge: Ints
    at_m: Floats
    off_m: Floats


NOBODY = Candidates(
    who=np.zeros(0, dtype=np.int64), edge=np.zeros(0, dtype=np.int64), at_m=np.zeros(0), off_m=np.zeros(0)
)


def joined(*parts: Candidates) -> Candidates:
    """Candidates one after the other."""
    return Candidates(
        who=np.concatenate([item.who for item in parts]),
        edge=np.concatenate([item.edge for item in parts]),
        at_m=np.concatenate([item.at_m for item in parts]),
        off_m=np.concatenate([item.off_m for item in parts]),
    )


class Snapper:
    """Finds flow lines near points, within reach of a site.

    Parameters
    ----------
    network : Network
    site : Site
    reach_km : float
        Flow lines farther from the site are not looked at.
    """

    def __init__(self, network: Network, site: Site, *, reach_km: float) -> None:
        self.network = network
        self.plane = Plane(site.longitude, site.latitude)
        self._middle = site.longitude
        west, south, east, north = np.asarray(network.bounds).T
        turn = self._beside((west + east) / 2) - (west + east) / 2
        west, east = west + turn, east + turn
        near = np.zeros(network.edges, dtype=bool)
        for left, bottom, right, top in covering_box(site.longitude, site.latitude, reach_km):
            shift = float(self._beside(np.array((left + right) / 2))) - (left + right) / 2
            wide = right - left >= 360
            near |= (
                (wide | (west <= right + shift) & (east >= left + shift)) & (south <= top) & (north >= bottom)
            )
        self.edges: Ints = np.flatnonzero(near)
        box = shapely.box(west[near], south[near], east[near], north[near])
        self._tree = shapely.STRtree(box)
        self._shapes: dict[int, Any] = {}

    def _beside(self, longitude: Floats) -> Floats:
        """Longitudes within 180° of the site's, so that ±180° parts nothing."""
        return np.asarray(longitude - 360 * np.rint((longitude - self._middle) / 360))

    def shapes(self, edges: Ints) -> NDArray[np.object_]:
        """Edges as lines on the map around the site; made once each."""
        wanted = np.unique(edges)
        new = np.array([edge for edge in wanted.tolist() if edge not in self._shapes], dtype=np.int64)
        if len(new):
            made = self.plane.project(self.network.shapes(new))
            self._shapes.update(zip(new.tolist(), made.tolist(), strict=True))
        out = np.empty(len(wanted), dtype=object)
        out[:] = [self._shapes[edge] for edge in wanted.tolist()]
        return np.asarray(out[np.searchsorted(wanted, edges)])

    def within(self, longitude: Floats, latitude: Floats) -> Ints:
        """Edges whose bounding box meets that of some points; sorted."""
        lon = self._beside(longitude)
        hits = self._tree.query(shapely.box(lon.min(), latitude.min(), lon.max(), latitude.max()))
        return np.sort(self.edges[hits])

    def near(self, longitude: Floats, latitude: Floats, radius_m: Floats) -> Candidates:
        """The nearest place on every edge within a radius of each point; none when it is NaN."""
        rows = np.flatnonzero(np.isfinite(longitude) & np.isfinite(latitude) & np.isfinite(radius_m))
        found: list[Candidates] = []
        step = 20_000
        for begin in range(0, max(len(rows), 1), step):
            found.append(self._near(rows[begin : begin + step], longitude, latitude, radius_m))
        return joined(*found)

    def _near(self, rows: Ints, longitude: Floats, latitude: Floats, radius_m: Floats) -> Candidates:
        lon, lat, radius = self._beside(longitude[rows]), latitude[rows], radius_m[rows]
        high = radius / METRES_PER_DEGREE
        wide = high / np.maximum(np.cos(np.radians(np.minimum(np.abs(lat) + high, 89.9))), 0.01)
        who, box = self._tree.query(shapely.box(lon - wide, lat - high, lon + wide, lat + high))
        edge = self.edges[box]
        points = shapely.points(*self.plane.forward(lon, lat))
        shapes = self.shapes(edge)
        off = shapely.distance(points[who], shapes)
        close = off <= radius[who]
        who, edge, off, shapes = who[close], edge[close], off[close], shapes[close]
        part = shapely.line_locate_point(shapes, points[who], normalized=True)
        return Candidates(who=rows[who], edge=edge, at_m=part * self.network.length_m[edge], off_m=off)

    def places(self, edge: Ints, at_m: Floats) -> tuple[Floats, Floats]:
        """Longitude and latitude of places on edges."""
        part = at_m / self.network.length_m[edge]
        points = shapely.line_interpolate_point(self.shapes(edge), part, normalized=True)
        return self.plane.backward(shapely.get_x(points), shapely.get_y(points))


def cover_of_site(snapper: Snapper, site: Site, *, settings: Settings) -> tuple[Cover | None, str]:
    """The place on the nearest flow line that stands for a site without an outline."""
    lon, lat = np.array([site.longitude]), np.array([site.latitude])
    found = snapper.near(lon, lat, np.array([settings.stream_snap_m]))
    if len(found.edge) == 0:
        return None, (
            f"no flow line within {settings.stream_snap_m:g} m of the site (streamSnapM): distances by water "
            f"are unknown"
        )
    best = int(np.lexsort([found.edge, found.off_m])[0])
    label = snapper.network.called(int(found.edge[best]))
    at = found.at_m[best : best + 1]
    cover = Cover(edge=found.edge[best : best + 1], first_m=at, last_m=at)
    return cover, f"the site is put on {label}, {found.off_m[best]:.0f} m away"


def cover_of_outline(snapper: Snapper, outline: Outline, *, settings: Settings) -> tuple[Cover | None, str]:
    """The stretches of the flow lines that touch the water; distance is 0 all over it."""
    wet = shapely.buffer(outline.polygon, max(settings.stream_join_m, 0.01))
    edges = snapper.within(*snapper.plane.backward(*shapely.get_coordinates(wet).T))
    shapes = snapper.shapes(edges)
    shapely.prepare(wet)
    touching = shapely.intersects(wet, shapes)
    edges, shapes = edges[touching], shapes[touching]
    if len(edges) == 0:
        return None, "no flow line touches the water"
    first, last = np.zeros(len(edges)), np.zeros(len(edges))
    for k, common in enumerate(shapely.intersection(shapes, wet)):
        part = shapely.line_locate_point(
            shapes[k], shapely.points(shapely.get_coordinates(common)), normalized=True
        )
        first[k], last[k] = part.min(), part.max()
    length = snapper.network.length_m[edges]
    margin = np.minimum(settings.stream_join_m, length)  # undo the buffer where a line leaves the water
    first = np.where(first * length > margin, first * length + margin, 0.0)
    last = np.where((1 - last) * length > margin, last * length - margin, length)
    middle = (first + last) / 2
    crossed = first > last  # touches with less than the tolerance
    first, last = np.where(crossed, middle, first), np.where(crossed, middle, last)
    return Cover(edge=edges, first_m=first, last_m=last), f"{len(edges)} flow lines touch the water"


def put_barriers(
    barriers: Barriers, snapper: Snapper, cover: Cover | None, *, settings: Settings
) -> tuple[Barriers, list[str]]:
    """Put barriers on the nearest flow line; one within the water stands where the water ends.

    Returns
    -------
    Barriers
    list of str
        Those that stand in no flow line.
    """
    limit = np.full(len(barriers), settings.barrier_snap_m)
    found = snapper.near(barriers.longitude, barriers.latitude, limit)
    order = np.lexsort([found.edge, found.off_m, found.who])
    who = found.who[order]
    best = order[np.concatenate([[True], who[1:] != who[:-1]])] if len(order) else order
    edge, at = np.full(len(barriers), -1, dtype=np.int64), np.full(len(barriers), np.nan)
    edge[found.who[best]], at[found.who[best]] = found.edge[best], found.at_m[best]
    notes = []
    if cover is not None and len(best):
        edge, at, within = _to_shore(barriers, snapper, cover, edge, at, settings.stream_snap_m)
        if within:
            notes.append(f"{within} barriers stand within the water and part nothing")
    off = int((edge < 0).sum())
    if off:
        notes.append(
            f"{off} of {len(barriers)} barriers are on no flow line around the site within "
            f"{settings.barrier_snap_m:g} m (barrierSnapM) and have no effect"
        )
    return replace(barriers, edge=edge, at_m=at), notes


def _to_shore(
    barriers: Barriers, snapper: Snapper, cover: Cover, edge: Ints, at: Floats, limit_m: float
) -> tuple[Ints, Floats, int]:
    """Move barriers from within the water to where a flow line enters or leaves it nearby.

    Outlines are drawn up to the dam or over it, so a dam may well lie inside.
    """
    length = snapper.network.length_m[cover.edge]
    leaves, enters = cover.last_m < length, cover.first_m > 0
    gate_edge = np.concatenate([cover.edge[leaves], cover.edge[enters]])
    gate_at = np.concatenate([cover.last_m[leaves], cover.first_m[enters]])
    gate_x, gate_y = snapper.plane.forward(*snapper.places(gate_edge, gate_at))
    edge, at, within = edge.copy(), at.copy(), 0
    for k in np.flatnonzero(edge >= 0).tolist():
        position = int(np.searchsorted(cover.edge, edge[k]))
        if position == len(cover.edge) or cover.edge[position] != edge[k]:
            continue
        if not cover.first_m[position] <= at[k] <= cover.last_m[position]:
            continue
        x, y = snapper.plane.forward(barriers.longitude[k : k + 1], barriers.latitude[k : k + 1])
        gap = np.hypot(gate_x - x, gate_y - y)
        if len(gap) and gap.min() <= limit_m:
            nearest = int(np.argmin(gap))
            edge[k], at[k] = gate_edge[nearest], gate_at[nearest]
        else:
            edge[k], within = -1, within + 1
    return edge, at, within
