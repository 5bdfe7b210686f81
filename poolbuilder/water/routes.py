"""Ways along the network, and where waters, records and barriers stand on it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.places.geodesy import covering_box
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.water.network import Barriers, Network
from poolbuilder.water.outline import Outline, Plane, holders

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


TINY_M = 1e-6
"""Stands for a length of 0, which a sparse matrix might read as no edge."""


@dataclass(frozen=True, kw_only=True)
class Cover:
    """The stretches of the network that lie in the water; distances start at their ends.

    Attributes
    ----------
    edge : int array, (n,)
        Sorted, each once.
    first_m, last_m : float arrays, (n,)
        From and to, in metres from the edge's start; equal for a single point.
    """

    edge: Ints
    first_m: Floats
    last_m: Floats


@dataclass(frozen=True, kw_only=True)
class Routes:
    """The shortest way from the water to each node; infinite where there is none within reach.

    Attributes
    ----------
    upstream_m, downstream_m : float arrays, (nodes,)
        Metres against and with the flow, from the water towards the node.
    passability : float array, (nodes,)
        For a fish on its way from the node to the water.
    """

    network: Network
    barriers: Barriers | None
    cover: Cover
    upstream_m: Floats
    downstream_m: Floats
    passability: Floats

    def to(self, edge: Ints, at_m: Floats) -> tuple[Floats, Floats, Floats]:
        """The shortest way from the water to places on edges.

        Parameters
        ----------
        edge : int array, (n,)
        at_m : float array, (n,)
            Metres from the edge's start.

        Returns
        -------
        upstream_m, downstream_m, passability : float arrays, (n,)
            Infinite, infinite and NaN where no way leads.
        """
        net = self.network
        start, end, length = net.start[edge], net.end[edge], net.length_m[edge]
        at_m = np.clip(at_m, 0.0, length)
        zero = np.zeros(len(edge))
        up_in, _ = _passing(self.barriers, edge, zero, at_m)
        _, down_out = _passing(self.barriers, edge, at_m, np.asarray(length))
        index = np.searchsorted(self.cover.edge, edge)
        index = np.minimum(index, max(len(self.cover.edge) - 1, 0))
        covered = self.cover.edge[index] == edge if len(self.cover.edge) else np.zeros(len(edge), dtype=bool)
        first = (
            np.where(covered, self.cover.first_m[index], np.inf) if len(self.cover.edge) else zero + np.inf
        )
        last = np.where(covered, self.cover.last_m[index], np.inf) if len(self.cover.edge) else zero + np.inf
        over, under = np.maximum(first - at_m, 0.0), np.maximum(at_m - last, 0.0)
        below = np.where(covered, np.minimum(last, at_m), 0.0)
        above = np.where(covered, np.maximum(first, at_m), 0.0)
        past_up, _ = _passing(self.barriers, edge, below, at_m)
        _, past_down = _passing(self.barriers, edge, at_m, above)
        inside = covered & (over == 0) & (under == 0)
        direct = np.where(inside, 1.0, np.where(under > 0, past_up, past_down))
        upstream = np.stack([self.upstream_m[start], self.upstream_m[end] + (length - at_m), over])
        downstream = np.stack(
            [self.downstream_m[start] + at_m, self.downstream_m[end], np.where(covered, under, np.inf)]
        )
        passed = np.stack([self.passability[start] * up_in, self.passability[end] * down_out, direct])
        best = np.argmin(upstream + downstream, axis=0)
        pick = (best, np.arange(len(edge)))
        way = np.isfinite(upstream[pick] + downstream[pick])
        return upstream[pick], downstream[pick], np.where(way, passed[pick], np.nan)


def _passing(barriers: Barriers | None, edge: Ints, first: Floats, last: Floats) -> tuple[Floats, Floats]:
    """Passabilities of stretches for a fish that swims up, and for one that swims down."""
    if barriers is None or len(barriers) == 0:
        return np.ones(len(edge)), np.ones(len(edge))
    down, up = barriers.between(edge, first, last)
    return up, down


def find_routes(network: Network, cover: Cover, *, barriers: Barriers | None, limit_km: float) -> Routes:
    """Find the shortest ways from the water to all nodes within *limit_km*.

    Distances are shortest paths (Dijkstra 1959) on the edges without their direction; which
    part of a way runs up or down the flow is told afterwards.  Barriers do not change the way.
    """
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import dijkstra

    nodes = network.nodes
    seed, cost, edge, down = _seeds(network, cover)
    indptr = np.concatenate([network.first_arc, [network.first_arc[-1] + len(seed)]]).astype(np.int32)
    to = np.concatenate([network.arc_to, seed]).astype(np.int32)
    weight = np.maximum(np.concatenate([network.length_m[network.arc_edge], cost]), TINY_M)
    graph = csr_array((weight, to, indptr), shape=(nodes + 1, nodes + 1))
    distance, before = dijkstra(
        graph, directed=True, indices=nodes, limit=limit_km * 1000, return_predecessors=True
    )
    reached = np.flatnonzero(np.isfinite(distance[:nodes]))
    upstream, downstream = np.full(nodes, np.inf), np.full(nodes, np.inf)
    passed = np.full(nodes, np.nan)
    if len(reached) == 0:
        return Routes(
            network=network, barriers=barriers, cover=cover,
            upstream_m=upstream, downstream_m=downstream, passability=passed,
        )  # fmt: skip
    previous = before[reached].astype(np.int64)
    first = previous == nodes
    step_edge, step_m, step_down = (
        np.zeros(len(reached), dtype=np.int64),
        np.zeros(len(reached)),
        first.copy(),
    )
    own = np.searchsorted(seed, reached[first])
    step_edge[first], step_m[first], step_down[first] = edge[own], cost[own], down[own]
    step_edge[~first] = _edges_between(network, previous[~first], reached[~first])
    step_m[~first] = network.length_m[step_edge[~first]]
    step_down[~first] = network.start[step_edge[~first]] == previous[~first]
    log_pass = _log_passing(network, barriers, step_edge, step_m, step_down, first)
    parent = np.full(len(reached), -1, dtype=np.int64)
    parent[~first] = np.searchsorted(reached, previous[~first])
    along = np.stack([np.where(step_down, 0.0, step_m), np.where(step_down, step_m, 0.0), log_pass])
    total = _add_up(along, parent)
    upstream[reached], downstream[reached], passed[reached] = total[0], total[1], np.exp(total[2])
    return Routes(
        network=network, barriers=barriers, cover=cover,
        upstream_m=upstream, downstream_m=downstream, passability=passed,
    )  # fmt: skip


def _seeds(network: Network, cover: Cover) -> tuple[Ints, Floats, Ints, NDArray[np.bool_]]:
    """Nodes next to the water: how far, over which edge, and whether downstream; sorted, each once."""
    node = np.concatenate([network.start[cover.edge], network.end[cover.edge]]).astype(np.int64)
    cost = np.concatenate([cover.first_m, network.length_m[cover.edge] - cover.last_m])
    edge = np.concatenate([cover.edge, cover.edge])
    down = np.repeat([False, True], len(cover.edge))
    order = np.lexsort([edge, cost, node])
    node, cost, edge, down = node[order], cost[order], edge[order], down[order]
    keep = np.concatenate([[True], node[1:] != node[:-1]]) if len(node) else np.zeros(0, dtype=bool)
    return node[keep], np.maximum(cost[keep], 0.0), edge[keep], down[keep]


def _edges_between(network: Network, first: Ints, second: Ints) -> Ints:
    """The edge of the arc from each first node to each second one."""
    low, high = network.first_arc[first].astype(np.int64), network.first_arc[first + 1].astype(np.int64)
    for _ in range(64):  # bisection, all at once; nodes have few arcs
        open_ = high - low > 1
        if not open_.any():
            break
        middle = (low + high) // 2
        right = open_ & (network.arc_to[middle] <= second)
        low = np.where(right, middle, low)
        high = np.where(open_ & ~right, middle, high)
    return np.asarray(network.arc_edge[low], dtype=np.int64)


def _log_passing(
    network: Network,
    barriers: Barriers | None,
    edge: Ints,
    step_m: Floats,
    down: NDArray[np.bool_],
    first: NDArray[np.bool_],
) -> Floats:
    """Logarithm of what a fish passes on each step back towards the water."""
    out = np.zeros(len(edge))
    if barriers is None or len(barriers) == 0:
        return out
    on = np.flatnonzero(np.isin(edge, barriers.edge[barriers.edge >= 0]))
    length = network.length_m[edge[on]]
    # a first step covers the edge only from the water's end on
    begin = np.where(first[on] & down[on], length - step_m[on], 0.0)
    stop = np.where(first[on] & ~down[on], step_m[on], length)
    up, back = _passing(barriers, edge[on], begin, stop)
    out[on] = np.log(np.where(down[on], up, back))
    return out


def _add_up(along: Floats, parent: Ints) -> Floats:
    """Sum each column over the way back to the root (parent -1), by doubling the stride."""
    total, above = along.copy(), parent.copy()
    while (above >= 0).any():
        climbing = above >= 0
        upper = above[climbing]
        gain, further = total[:, upper], above[upper]
        total[:, climbing] += gain
        above[climbing] = further
    return total


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


class Lakes:
    """Outlines of waters, with the flow lines that touch each.

    A record in a wide lake may lie far from the flow line that is drawn through its middle.  It is
    put on the nearest one that touches the lake, and the straight way across is added.

    Parameters
    ----------
    outlines : object array of polygons
        Longitude and latitude.
    snapper : Snapper
    """

    def __init__(self, outlines: NDArray[np.object_], snapper: Snapper) -> None:
        self.outlines = outlines[shapely.get_dimensions(outlines) == 2]
        self._tree = shapely.STRtree(self.outlines)
        self._snapper = snapper
        self._touching: dict[int, Ints] = {}

    def candidates(self, rows: Ints, longitude: Floats, latitude: Floats) -> Candidates:
        """The nearest flow line of the lake that each record lies in.

        Parameters
        ----------
        rows : int array, (m,)
            Records to look at, as positions in *longitude* and *latitude*.
        """
        points = shapely.points(longitude[rows], latitude[rows])
        who, lake = holders(self._tree, points)
        found = [
            self._nearest(rows[who[lake == number]], int(number), longitude, latitude)
            for number in np.unique(lake).tolist()
        ]
        merged = joined(NOBODY, *found)
        order = np.lexsort([merged.edge, merged.off_m, merged.who])
        first = np.concatenate([[True], np.diff(merged.who[order]) > 0]) if len(order) else order
        keep = order[first.astype(bool)]
        return Candidates(
            who=merged.who[keep], edge=merged.edge[keep], at_m=merged.at_m[keep], off_m=merged.off_m[keep]
        )

    def _nearest(self, rows: Ints, lake: int, longitude: Floats, latitude: Floats) -> Candidates:
        edges = self._edges(lake)
        if len(edges) == 0:
            return NOBODY
        shapes: Any = self._snapper.shapes(edges)
        points = shapely.points(*self._snapper.plane.forward(longitude[rows], latitude[rows]))
        best = shapely.STRtree(shapes).query_nearest(points, all_matches=False)[1]
        part = shapely.line_locate_point(shapes[best], points, normalized=True)
        return Candidates(
            who=rows,
            edge=edges[best],
            at_m=part * self._snapper.network.length_m[edges[best]],
            off_m=shapely.distance(points, shapes[best]),
        )

    def _edges(self, lake: int) -> Ints:
        """Flow lines that touch a lake; looked up once."""
        if lake not in self._touching:
            outline = self.outlines[lake]
            edges = self._snapper.within(*shapely.get_coordinates(outline).T)
            flat = self._snapper.plane.project(outline)
            shapely.prepare(flat)
            self._touching[lake] = edges[shapely.intersects(flat, self._snapper.shapes(edges))]
        return self._touching[lake]
