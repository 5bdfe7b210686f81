"""Ways along the stream network: where waters, records and barriers stand on it, and how far they are."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.errors import said
from poolbuilder.places.geodesy import covering_box
from poolbuilder.places.layers import Layer
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.water.basins import holders
from poolbuilder.water.network import METRES_PER_DEGREE, Barriers, Network, read_barriers
from poolbuilder.water.outline import Outline, Plane

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

AT_ONCE = 20_000
"""Points that are looked at together."""


class Spots(NamedTuple):
    """Places on flow lines where points may lie, several for each point; arrays of (m,).

    Attributes
    ----------
    who : int array
        Point, in the order given.
    edge : int array
    at_m : float array
        Metres from the edge's start.
    off_m : float array
        Distance from the point to the edge.
    """

    who: Ints
    edge: Ints
    at_m: Floats
    off_m: Floats

    def taken(self, rows: Any) -> Spots:
        """Some of them."""
        return Spots(*(values[rows] for values in self))

    def nearest(self) -> Spots:
        """The nearest spot of each point that has one, in the order of the points."""
        order = np.lexsort([self.edge, self.off_m, self.who])
        return self.taken(order[np.unique(self.who[order], return_index=True)[1]])


def together(parts: Iterable[Spots]) -> Spots:
    """Spots one after the other."""
    none, nowhere = np.zeros(0, dtype=np.int64), np.zeros(0)
    return Spots(*map(np.concatenate, zip(Spots(none, none, nowhere, nowhere), *parts, strict=True)))


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
        boxes = np.array(covering_box(site.longitude, site.latitude, reach_km))
        reach = (boxes[:, 2] - boxes[:, 0]).sum() / 2  # degrees to the east and to the west of the site
        near = (west + turn <= site.longitude + reach) & (east + turn >= site.longitude - reach)
        near &= (south <= boxes[0, 3]) & (north >= boxes[0, 1])
        self.edges: Ints = np.flatnonzero(near)
        self._tree = shapely.STRtree(
            shapely.box(*np.stack([west + turn, south, east + turn, north])[:, near])
        )

    def _beside(self, longitude: Floats) -> Floats:
        """Longitudes within 180° of the site's, so that ±180° parts nothing."""
        return np.asarray(longitude - 360 * np.rint((longitude - self._middle) / 360))

    def shapes(self, edges: Ints) -> NDArray[np.object_]:
        """Edges as lines on the map around the site."""
        wanted, position = np.unique(edges, return_inverse=True)
        return np.asarray(self.plane.project(self.network.shapes(wanted))[position])

    def touching(self, shape: Any) -> Ints:
        """Edges that meet a shape of the map; sorted."""
        lon, lat = self.plane.backward(*shapely.get_coordinates(shape).T)
        lon = self._beside(lon)
        edges = self.edges[self._tree.query(shapely.box(lon.min(), lat.min(), lon.max(), lat.max()))]
        shapely.prepare(shape)
        return np.sort(edges[shapely.intersects(shape, self.shapes(edges))])

    def near(self, longitude: Floats, latitude: Floats, radius_m: Floats) -> Spots:
        """The nearest place on every edge within a radius of each point; none when it is NaN."""
        rows = np.flatnonzero(np.isfinite(longitude + latitude + radius_m))
        parts = (rows[begin : begin + AT_ONCE] for begin in range(0, len(rows), AT_ONCE))
        return together(self._near(part, longitude, latitude, radius_m) for part in parts)

    def _near(self, rows: Ints, longitude: Floats, latitude: Floats, radius_m: Floats) -> Spots:
        lon, lat, radius = self._beside(longitude[rows]), latitude[rows], radius_m[rows]
        high = radius / METRES_PER_DEGREE
        wide = high / np.maximum(np.cos(np.radians(np.minimum(np.abs(lat) + high, 89.9))), 0.01)
        who, box = self._tree.query(shapely.box(lon - wide, lat - high, lon + wide, lat + high))
        points = shapely.points(*self.plane.forward(lon, lat))[who]
        shapes = self.shapes(self.edges[box])
        found = self._spots(rows[who], self.edges[box], shapes, points)
        return found.taken(found.off_m <= radius[who])

    def _spots(self, who: Ints, edge: Ints, shapes: Any, points: Any) -> Spots:
        part = shapely.line_locate_point(shapes, points, normalized=True)
        off = shapely.distance(shapes, points)
        return Spots(who=who, edge=edge, at_m=part * self.network.length_m[edge], off_m=off)

    def nearest_of(self, edges: Ints, who: Ints, longitude: Floats, latitude: Floats) -> Spots:
        """The nearest of some edges to each point, however far."""
        shapes = self.shapes(edges)
        points = shapely.points(*self.plane.forward(longitude, latitude))
        best = shapely.STRtree(shapes).query_nearest(points, all_matches=False)[1]
        return self._spots(who, edges[best], shapes[best], points)

    def places(self, edge: Ints, at_m: Floats) -> tuple[Floats, Floats]:
        """Longitude and latitude of places on edges."""
        part = at_m / self.network.length_m[edge]
        points = shapely.line_interpolate_point(self.shapes(edge), part, normalized=True)
        return self.plane.backward(shapely.get_x(points), shapely.get_y(points))


# The water on the network.


@dataclass(frozen=True, kw_only=True)
class Cover:
    """The stretches of the network that lie in the water; distances start at their ends.

    Attributes
    ----------
    edge : int array, (n,)
        Sorted, each once; at least one.
    first_m, last_m : float arrays, (n,)
        From and to, in metres from the edge's start; equal for a single point.
    """

    edge: Ints
    first_m: Floats
    last_m: Floats

    def stretch(self, edge: Ints) -> tuple[Bools, Floats, Floats]:
        """Whether the water lies on edges, and from where to where."""
        index = np.minimum(np.searchsorted(self.edge, edge), len(self.edge) - 1)
        return self.edge[index] == edge, self.first_m[index], self.last_m[index]


def cover_of_site(snapper: Snapper, site: Site, *, settings: Settings) -> tuple[Cover | None, str]:
    """The place on the nearest flow line that stands for a site without an outline."""
    place = (np.array([value]) for value in (site.longitude, site.latitude, settings.stream_snap_m))
    best = snapper.near(*place).nearest()
    if len(best.who) == 0:
        return None, (said("no_flow_line", stream_snap_m=settings.stream_snap_m))
    label = snapper.network.called(int(best.edge[0]))
    cover = Cover(edge=best.edge, first_m=best.at_m, last_m=best.at_m)
    return cover, said("site_put_away", label=label, off_m=best.off_m[0])


def cover_of_outline(snapper: Snapper, outline: Outline, *, settings: Settings) -> tuple[Cover | None, str]:
    """The stretches of the flow lines that touch the water; distance is 0 all over it."""
    tolerance = max(settings.stream_join_m, 0.01)
    wet = shapely.buffer(outline.polygon, tolerance)
    edges = snapper.touching(wet)
    if len(edges) == 0:
        return None, said("no_flow_line_touches")
    shapes, length = snapper.shapes(edges), snapper.network.length_m[edges]
    common = shapely.intersection(shapes, wet)
    xy, which = shapely.get_coordinates(common, return_index=True)
    at = shapely.line_locate_point(shapes[which], shapely.points(xy), normalized=True) * length[which]
    first, last = np.full(len(edges), np.inf), np.zeros(len(edges))
    np.minimum.at(first, which, at)
    np.maximum.at(last, which, at)
    # the tolerance is taken off again where a line leaves the water
    inner, outer = np.where(first > tolerance, first + tolerance, 0.0), length - last > tolerance
    last = np.where(outer, last - tolerance, length)
    middle = (inner + last) / 2
    crossed = inner > last  # touches with less than the tolerance
    cover = Cover(
        edge=edges, first_m=np.where(crossed, middle, inner), last_m=np.where(crossed, middle, last)
    )
    return cover, said("flow_lines_touch", edges=len(edges))


def put_barriers(
    barriers: Barriers, snapper: Snapper, cover: Cover | None, *, settings: Settings
) -> tuple[Barriers, list[str]]:
    """Put barriers on the nearest flow line; one within the water stands where the water ends.

    Outlines are drawn up to the dam or over it, so a dam may well lie inside.

    Returns
    -------
    Barriers
    list of str
        Those that stand in no flow line.
    """
    limit = np.full(len(barriers), settings.barrier_snap_m)
    found = snapper.near(barriers.longitude, barriers.latitude, limit).nearest()
    edge, at = barriers.edge.copy(), barriers.at_m.copy()
    edge[found.who], at[found.who] = found.edge, found.at_m
    notes = []
    if cover is not None:
        wet, first, last = cover.stretch(edge)
        inside = np.flatnonzero(wet & (first <= at) & (at <= last))
        gate_edge, gate_at, gates = _gates(snapper, cover)
        points = shapely.points(*snapper.plane.forward(barriers.longitude[inside], barriers.latitude[inside]))
        moved, gate = shapely.STRtree(gates).query_nearest(
            points, max_distance=max(settings.stream_snap_m, 1e-9), all_matches=False
        )
        edge[inside] = -1
        edge[inside[moved]], at[inside[moved]] = gate_edge[gate], gate_at[gate]
        if within := len(inside) - len(moved):
            notes.append(said("barriers_stand_within", within=within))
    if off := int((edge < 0).sum()):
        notes.append(
            said("barriers_no_flow", off=off, barriers=len(barriers), barrier_snap_m=settings.barrier_snap_m)
        )
    return replace(barriers, edge=edge, at_m=at), notes


def _gates(snapper: Snapper, cover: Cover) -> tuple[Ints, Floats, Any]:
    """Where flow lines leave and enter the water: edges, places on them, points on the map."""
    leaves, enters = cover.last_m < snapper.network.length_m[cover.edge], cover.first_m > 0
    edge = np.concatenate([cover.edge[leaves], cover.edge[enters]])
    at = np.concatenate([cover.last_m[leaves], cover.first_m[enters]])
    return edge, at, shapely.points(*snapper.plane.forward(*snapper.places(edge, at)))


# The ways.

TINY_M = 1e-6
"""Stands for a length of 0, which a sparse matrix might read as no edge."""
NO_BARRIERS = Barriers(
    **{name: np.zeros(0) for name in ("longitude", "latitude", "up", "down", "at_m")},
    names=[], edge=np.zeros(0, dtype=np.int64),
)  # fmt: skip


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
    barriers: Barriers
    cover: Cover
    upstream_m: Floats
    downstream_m: Floats
    passability: Floats

    def to(self, edge: Ints, at_m: Floats, across_m: Floats | float = 0.0) -> tuple[Floats, Floats, Floats]:
        """The shortest way from the water to places on edges.

        Parameters
        ----------
        edge : int array, (n,)
        at_m : float array, (n,)
            Metres from the edge's start.
        across_m : float array, (n,)
            What is left to go from there, in the direction in which the place was reached.

        Returns
        -------
        upstream_m, downstream_m, passability : float arrays, (n,)
            Infinite, infinite and NaN where no way leads.
        """
        net, between = self.network, self.barriers.between
        start, end, length = net.start[edge], net.end[edge], np.asarray(net.length_m[edge])
        at_m = np.clip(at_m, 0.0, length)
        wet, first, last = self.cover.stretch(edge)
        over, under = np.maximum(first - at_m, 0.0), np.maximum(at_m - last, 0.0)
        past_up = between(edge, np.minimum(last, at_m), at_m)[0]
        past_down = between(edge, at_m, np.maximum(first, at_m))[1]
        direct = np.where(under > 0, past_up, np.where(over > 0, past_down, 1.0))
        # straight from the water, over the edge's start, over its end
        upstream = np.stack([over, self.upstream_m[start], self.upstream_m[end] + (length - at_m)])
        downstream = np.stack([under, self.downstream_m[start] + at_m, self.downstream_m[end]])
        passed = np.stack([
            direct,
            self.passability[start] * between(edge, np.zeros(len(edge)), at_m)[0],
            self.passability[end] * between(edge, at_m, length)[1],
        ])  # fmt: skip
        upstream[0, ~wet] = np.inf
        best = np.argmin(upstream + downstream, axis=0)
        with_flow = (best == 1) | ((best == 0) & (under > 0))
        pick = (best, np.arange(len(edge)))
        up = upstream[pick] + np.where(with_flow, 0.0, across_m)
        down = downstream[pick] + np.where(with_flow, across_m, 0.0)
        return up, down, np.where(np.isfinite(up + down), passed[pick], np.nan)


def find_routes(network: Network, cover: Cover, *, barriers: Barriers | None, limit_km: float) -> Routes:
    """Find the shortest ways from the water to all nodes within *limit_km*.

    Distances are shortest paths (Dijkstra 1959) on the edges without their direction; which
    part of a way runs up or down the flow is told afterwards.  Barriers do not change the way.
    """
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import dijkstra

    nodes, walls = network.nodes, barriers or NO_BARRIERS
    seed, cost, edge, down = _seeds(network, cover)
    indptr = np.concatenate([network.first_arc, [network.first_arc[-1] + len(seed)]]).astype(np.int32)
    to = np.concatenate([network.arc_to, seed]).astype(np.int32)
    weight = np.maximum(np.concatenate([network.length_m[network.arc_edge], cost]), TINY_M)
    distance, before = dijkstra(
        csr_matrix((weight, to, indptr), shape=(nodes + 1, nodes + 1)),
        indices=nodes,
        limit=limit_km * 1000,
        return_predecessors=True,
    )
    reached = np.flatnonzero(np.isfinite(distance[:nodes]))
    previous = before[reached].astype(np.int64)
    number = csr_matrix(
        (np.concatenate([network.arc_edge, edge]) + 1, to, indptr), shape=(nodes + 1, nodes + 1)
    )
    step_edge = np.asarray(number[previous, reached]).ravel().astype(np.int64) - 1
    length = np.asarray(network.length_m[step_edge])
    step_m, step_down = length.copy(), network.start[step_edge] == previous
    first = previous == nodes  # a first step covers its edge only from the water's end on
    own = np.searchsorted(seed, reached[first])
    step_m[first], step_down[first] = cost[own], down[own]
    up, back = walls.between(
        step_edge,
        np.where(first & step_down, length - step_m, 0.0),
        np.where(first & ~step_down, step_m, length),
    )
    along = np.stack(
        [step_m * ~step_down, step_m * step_down, np.log(np.where(step_down, up, back))],
    )
    total = _add_up(along, np.where(first, -1, np.searchsorted(reached, previous)))
    found = np.full((3, nodes), np.inf)
    found[:, reached] = total
    return Routes(
        network=network, barriers=walls, cover=cover,
        upstream_m=found[0], downstream_m=found[1], passability=np.exp(np.minimum(found[2], 0.0)),
    )  # fmt: skip


def _seeds(network: Network, cover: Cover) -> tuple[Ints, Floats, Ints, Bools]:
    """Nodes next to the water: how far, over which edge, and whether downstream; sorted, each once."""
    node = np.concatenate([network.start[cover.edge], network.end[cover.edge]]).astype(np.int64)
    cost = np.maximum(np.concatenate([cover.first_m, network.length_m[cover.edge] - cover.last_m]), 0.0)
    edge = np.concatenate([cover.edge, cover.edge])
    down = np.repeat([False, True], len(cover.edge))
    order = np.lexsort([edge, cost, node])
    keep = order[np.unique(node[order], return_index=True)[1]]
    return node[keep], cost[keep], edge[keep], down[keep]


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


# Records on the network.


class Lakes:
    """Outlines of waters, with the flow lines that touch each.

    A record in a wide lake may lie far from the flow line that is drawn through its middle.  It is
    put on the nearest one that touches the lake, and the straight way across is added.

    Parameters
    ----------
    layer : Layer
        Polygons.
    snapper : Snapper
    """

    def __init__(self, layer: Layer, snapper: Snapper) -> None:
        self._layer, self._snapper = layer, snapper
        self._touching: dict[int, Ints] = {}

    def spots(self, rows: Ints, longitude: Floats, latitude: Floats) -> Spots:
        """The nearest flow line of the lake that each record lies in.

        Parameters
        ----------
        rows : int array, (m,)
            Records to look at, as positions in *longitude* and *latitude*.
        """
        who, lake = holders(self._layer.tree, shapely.points(longitude[rows], latitude[rows]))
        found = []
        for number in np.unique(lake).tolist():
            mine = rows[who[lake == number]]
            if number not in self._touching:
                self._touching[number] = self._snapper.touching(
                    self._snapper.plane.project(self._layer.geometry[number])
                )
            if len(edges := self._touching[number]):
                found.append(self._snapper.nearest_of(edges, mine, longitude[mine], latitude[mine]))
        return together(found).nearest()


MAP_SIGMA_M = 24.0
"""How far a drawn flow line itself may be off: 90 % of points within 1/50 inch on maps smaller than
1:20,000 (United States National Map Accuracy Standards, 1947; from memory), which is 50.8 m at
1:100,000 and σ = 50.8 / 2.146."""
SMALLEST_WEIGHT = 1e-300
"""A record in another lake may lie so far from its line that the density there is 0."""


@dataclass(frozen=True, kw_only=True)
class Streams:
    """The network around a water, with the ways to it.

    Attributes
    ----------
    snapper : Snapper
    routes : Routes or None
        None when the water touches no flow line.
    barriers : Barriers or None
    settings : Settings
    lakes : Lakes or None
        Other waters; a record in one is on the network wherever that water touches it.
    """

    snapper: Snapper
    routes: Routes | None
    barriers: Barriers | None
    settings: Settings
    lakes: Lakes | None = None

    def place(
        self, longitude: Floats, latitude: Floats, uncertainty_m: Floats, sigma_m: Floats, wet: Bools
    ) -> dict[str, NDArray[Any]]:
        """Put records on flow lines and measure the ways to the water.

        A record may lie on any flow line within its uncertainty (at least ``streamSnapM``).  Each
        is weighed by the density of the record's location at the line, the line's own error
        included, and the ways are averaged with these weights over the lines that are connected
        with the water.  When these hold less than half of the weight, the record counts as not connected.

        Parameters
        ----------
        longitude, latitude, uncertainty_m, sigma_m : float arrays, (n,)
        wet : bool array, (n,)
            Records that lie in the outline: at distance 0.

        Returns
        -------
        dict
            Arrays of (n,) by their names in `Placement`.
        """
        settings, count = self.settings, len(longitude)
        certain = uncertainty_m <= max(settings.stream_snap_uncertainty_m, settings.stream_snap_m)
        radius = np.where(certain & ~wet, np.maximum(settings.stream_snap_m, uncertainty_m), np.nan)
        near = self.snapper.near(longitude, latitude, radius)
        afloat = together([])
        if self.lakes is not None:
            left = np.isfinite(radius)
            left[near.who] = False
            afloat = self.lakes.spots(np.flatnonzero(left), longitude, latitude)
        found = together([near, afloat])
        ways, linked, distant = self._ways(found, np.arange(len(found.who)) >= len(near.who), sigma_m)
        ways[:, wet] = [[0.0], [0.0], [1.0]]
        snap = np.full(count, "unsnapped", dtype=object)
        snap[found.who] = "unconnected"
        snap[linked] = "stream"
        snap[afloat.who[linked[afloat.who]]] = "lake"
        snap[distant], snap[~certain], snap[wet] = "distant", "uncertain", "water"
        best = found.nearest()
        at = np.full((3, count), np.nan)
        at[0, best.who] = best.off_m
        at[1:, best.who] = self.snapper.places(best.edge, best.at_m)
        upstream_km, downstream_km = ways[:2] / 1000
        return {
            "by_water_km": upstream_km + downstream_km, "upstream_km": upstream_km,
            "downstream_km": downstream_km, "passability": ways[2], "snap": snap,
            "snap_m": at[0], "snap_longitude": at[1], "snap_latitude": at[2],
        }  # fmt: skip

    def _ways(self, found: Spots, across: Bools, sigma_m: Floats) -> tuple[Floats, Bools, Bools]:
        """Weighted means over the connected spots.

        Parameters
        ----------
        found : Spots
        across : bool array, (spots,)
            Whether the way from the record to its line is counted too.
        sigma_m : float array, (n,)
            Of each record's location.

        Returns
        -------
        ways : (3, n) array
            Metres upstream, metres downstream and passability; NaN for records that are not connected.
        linked : bool array, (n,)
            Records that ways lead to.
        distant : bool array, (n,)
            Records that ways lead to, but longer ones than are followed.
        """
        count, net = len(sigma_m), self.snapper.network
        if self.routes is None:
            return np.full((3, count), np.nan), np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
        spread = np.hypot(sigma_m[found.who], MAP_SIGMA_M)
        weight = np.maximum(np.exp(-0.5 * (found.off_m / spread) ** 2), SMALLEST_WEIGHT)
        ways = np.stack(self.routes.to(found.edge, found.at_m, np.where(across, found.off_m, 0.0)))
        led = np.isfinite(ways[0])
        pieces = net.piece[net.start[self.routes.cover.edge]] if not led.all() else ()
        same = led if led.all() else np.isin(net.piece[net.start[found.edge]], pieces)

        def summed(values: Any) -> Floats:
            return np.bincount(found.who, weights=weight * values, minlength=count).astype(np.float64)

        whole, part, joined = summed(1.0), summed(led), summed(same)
        linked, distant = (part > 0) & (part >= 0.5 * whole), (joined > 0) & (joined >= 0.5 * whole)
        with np.errstate(invalid="ignore", divide="ignore"):
            means = np.stack([summed(np.where(led, each, 0.0)) / part for each in ways])
        return np.where(linked, means, np.nan), linked, distant & ~linked


def find_streams(
    site: Site,
    outline: Outline | None,
    *,
    network: Network,
    barriers: Layer | None = None,
    waters: Layer | None = None,
    settings: Settings,
) -> tuple[Streams, list[str]]:
    """Find the ways to the water on a network.

    Parameters
    ----------
    barriers : Layer, optional
        Dams and falls.
    waters : Layer, optional
        Outlines of all waters.

    Returns
    -------
    Streams
    list of str
        How the network was joined and where the water stands in it.
    """
    notes = [f"streams: {line}" for line in network.notes]
    reach = max(site.radius_km, settings.reach_km) + settings.stream_snap_uncertainty_m / 1000
    snapper = Snapper(network, site, reach_km=reach)
    cover = None
    if outline is not None:
        cover, said = cover_of_outline(snapper, outline, settings=settings)
        notes.append(said)
    if cover is None:
        cover, said = cover_of_site(snapper, site, settings=settings)
        notes.append(said)
    walls = None
    if barriers is not None:
        walls, assumed = read_barriers(barriers, settings=settings)
        walls, lost = put_barriers(walls, snapper, cover, settings=settings)
        notes += [f"barriers: {line}" for line in (*assumed, *lost)]
    routes = None
    if cover is not None:
        routes = find_routes(network, cover, barriers=walls, limit_km=settings.network_reach_km)
    lakes = None if waters is None else Lakes(waters, snapper)
    return Streams(snapper=snapper, routes=routes, barriers=walls, settings=settings, lakes=lakes), notes
