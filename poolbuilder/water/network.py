"""The stream network of a layer: how its flow lines hang together, its barriers, and the copy kept on disk.

Lines are cut where they meet and joined by their ends, or by the layer's identifiers.  A network of a
million flow lines takes a minute to make and hundreds of megabytes to hold; from the copy a water touches
only the pages around it.
"""

from __future__ import annotations

import functools
import hashlib
import json
import logging
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.ops import substring

from poolbuilder.errors import LayerError, PoolFileError, said
from poolbuilder.files import whole_folder
from poolbuilder.names.vocabularies import vocabulary
from poolbuilder.places.geodesy import WGS84, distance_km, to_ecef
from poolbuilder.places.layers import Layer, find_column, names_of, read_layer, split_spec, text_of
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[Any]
Shapes = NDArray[np.object_]

log = logging.getLogger(__name__)

ARRAYS = (
    "longitude", "latitude", "offsets", "row", "name", "bounds",
    "start", "end", "length_m", "first_arc", "arc_to", "arc_edge",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Network:
    """Flow lines as the edges of a graph, drawn with the flow.

    Attributes
    ----------
    longitude, latitude : float arrays, (vertices,)
        Longitudes run on beyond ±180° where a line crosses it.
    offsets : int array, (edges + 1,)
        Edge e holds the vertices from ``offsets[e]`` up to ``offsets[e + 1]``.
    bounds : float array, (edges, 4)
        West, south, east, north.
    row : int array, (edges,)
        Feature in the layer, counted from 1.
    name : int array, (edges,)
        Index in *names*; -1 without a name.
    start, end : int arrays, (edges,)
        Nodes, numbered from 0; water flows from start to end.
    length_m : float array, (edges,)
    first_arc : int array, (nodes + 1,)
        The arcs that leave node n are from ``first_arc[n]`` up to ``first_arc[n + 1]``.
    arc_to, arc_edge : int arrays, (arcs,)
        Node that an arc leads to, sorted within a node, and its edge; both ways along each
        edge, of parallel edges the shortest.
    names : tuple of str
    notes : tuple of str
    source : dict
    """

    longitude: Floats
    latitude: Floats
    offsets: Ints
    row: Ints
    name: Ints
    bounds: Floats
    start: Ints
    end: Ints
    length_m: Floats
    first_arc: Ints
    arc_to: Ints
    arc_edge: Ints
    names: tuple[str, ...]
    notes: tuple[str, ...]
    source: Mapping[str, Any]

    @property
    def edges(self) -> int:
        """How many edges there are."""
        return len(self.length_m)

    @property
    def nodes(self) -> int:
        """How many nodes there are."""
        return len(self.first_arc) - 1

    @functools.cached_property
    def piece(self) -> Ints:
        """Number of the connected network that each node belongs to, (nodes,)."""
        return _united(self.nodes, self.start, self.end)

    def shapes(self, edges: Ints) -> Shapes:
        """Edges as lines of degrees."""
        length = (self.offsets[edges + 1] - self.offsets[edges]).astype(np.int64)
        begin = np.concatenate([[0], np.cumsum(length)])
        index = np.repeat(self.offsets[edges] - begin[:-1], length) + np.arange(begin[-1])
        xy = np.column_stack([self.longitude[index], self.latitude[index]])
        return np.asarray(shapely.linestrings(xy, indices=np.repeat(np.arange(len(edges)), length)))

    def called(self, edge: int) -> str:
        """The name of an edge, for messages."""
        name = int(self.name[edge])
        return self.names[name] if name >= 0 else said("unnamed_flow_line", line=int(self.row[edge]))


def build_network(layer: Layer, *, join_m: float) -> Network:
    """Make the network of a layer of flow lines.

    Raises
    ------
    LayerError
        When the layer holds no line with a length.
    """
    layer = layer.only("lines", "flow lines")
    columns = Identifiers.of(layer.attributes)
    lines, notes = _lines_of(layer.geometry, bridge=columns is not None)
    if len(lines.row) == 0:
        raise LayerError.of("no_lines_length", file=layer.source.get("path"))
    by_place = _by_place(lines.ends())
    joined = None if columns is None else columns.joined(lines, by_place)
    if joined is None:
        given = said("identifiers_connect_fewer")
        notes = [*([given] if columns else []), *notes]
        lines, node, more = _joined_by_place(lines, by_place, layer.attributes, join_m)
    else:
        lines, node, more = joined
    return _arranged(layer, lines, node, [*layer.notes, *notes, *more])


# Lines and their ends.


@dataclass(frozen=True, kw_only=True)
class Lines:
    """Single lines of degrees, which may run on beyond ±180°, and the position in the layer of each."""

    shapes: Shapes
    row: Ints

    def ends(self) -> Floats:
        """Longitude and latitude of both ends, (lines, 2, 2)."""
        points = np.stack([shapely.get_point(self.shapes, 0), shapely.get_point(self.shapes, -1)], axis=1)
        return np.stack([shapely.get_x(points), shapely.get_y(points)], axis=2)

    def turned(self, against: NDArray[np.bool_]) -> tuple[Lines, list[str]]:
        """The lines with some of them drawn the other way round, and how many."""
        if not against.any():
            return self, []
        shapes = np.where(against, shapely.reverse(self.shapes), self.shapes)
        note = said("flow_lines_drawn", against=int(against.sum()))
        return Lines(shapes=shapes, row=self.row), [note]


SAME_PLACE_DEGREES = 1e-9


def _lines_of(geometry: Shapes, *, bridge: bool) -> tuple[Lines, list[str]]:
    """Single lines; features of several pieces are put together.

    Parameters
    ----------
    geometry : object array of (multi)lines
    bridge : bool
        Whether the pieces of one feature are joined across gaps (its identifiers say that it is one
        line); otherwise pieces that do not meet stay lines of their own.

    Returns
    -------
    Lines, list of str
        What was left out or bridged.
    """
    notes = []
    parts, row = shapely.get_parts(geometry, return_index=True)
    long_enough = shapely.length(parts) > 0
    if not long_enough.all():
        notes.append(said("flow_lines_without_length", long_enough=int((~long_enough).sum())))
        parts, row = parts[long_enough], row[long_enough]
    begin = np.flatnonzero(np.diff(row, prepend=-1))
    size = np.diff(begin, append=len(row))
    shapes, rows = list(parts[begin[size == 1]]), list(row[begin[size == 1]])
    bridged = 0
    for first, count in zip(begin[size > 1].tolist(), size[size > 1].tolist(), strict=True):
        pieces, gaps = _put_together(parts[first : first + count], bridge=bridge)
        shapes += pieces
        rows += [row[first]] * len(pieces)
        bridged += gaps > 0
    if bridged:
        notes.append(said("flow_lines_several", bridged=bridged))
    made = np.empty(len(shapes), dtype=object)
    made[:] = shapes
    return Lines(shapes=made, row=np.array(rows, dtype=np.int64)), notes


def _put_together(parts: Iterable[Any], *, bridge: bool) -> tuple[list[Any], int]:
    """Join the pieces of a feature end to end where they meet (or always), and count the gaps."""
    runs: list[Floats] = []
    gaps = 0
    for xy in map(shapely.get_coordinates, parts):
        if runs:
            xy[:, 0] += 360 * np.rint((runs[-1][-1, 0] - xy[0, 0]) / 360)  # pieces cut at ±180° meet
            apart = np.abs(xy[0] - runs[-1][-1]).max() > SAME_PLACE_DEGREES
            if bridge or not apart:
                runs[-1] = np.vstack([runs[-1], xy])
                gaps += apart
                continue
        runs.append(xy)
    return [shapely.LineString(xy) for xy in runs], gaps


def _united(size: int, first: Ints, second: Ints) -> Ints:
    """Number nodes anew so that each pair of nodes given becomes one; (size,) labels."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    graph = coo_array((np.ones(len(first), dtype=np.int8), (first, second)), shape=(size, size))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


# Joined by their ends.

NEAR_MISS_M = 50.0
"""Ends farther apart than this can hardly be one node; closer ones that are not joined are counted."""
CELLS_PER_DEGREE = 10_000_000
"""Ends are the same place when their coordinates agree to 1e-7 degrees, about 1 cm."""
METRES_PER_DEGREE = 110_500.0
"""At most this much shorter than a degree of latitude is anywhere (110,574 m at the equator)."""


def _by_place(ends: Floats) -> Ints:
    """Nodes of ends that lie at the same coordinates, (lines, 2)."""
    lon, lat = np.rint(np.moveaxis(ends, 2, 0) * CELLS_PER_DEGREE).astype(np.int64)
    key = (lon % (360 * CELLS_PER_DEGREE)) * (181 * CELLS_PER_DEGREE) + lat
    return np.unique(key, return_inverse=True)[1].reshape(key.shape)


def _joined_by_place(
    lines: Lines, node: Ints, attributes: Mapping[str, list[Any]], join_m: float
) -> tuple[Lines, Ints, list[str]]:
    """Join lines whose ends meet, or stop on another line, within *join_m* metres."""
    notes = [said("flow_lines_joined", join_m=join_m)]
    column = find_column(attributes, vocabulary("flowlines")["direction"])
    stated = attributes[column] if column else []
    against = np.array(["against" in (text_of(value) or "").lower() for value in stated] or [False])
    against = against[lines.row] if column else np.zeros(len(lines.row), dtype=bool)
    lines, more = lines.turned(against)
    node = np.where(against[:, None], node[:, ::-1], node)
    ends = lines.ends()
    node, merged = _join_near(ends, node, join_m)
    notes += [*more, *([said("ends_did_not", merged=merged)] if merged else [])]
    lines, node, more = _join_onto(lines, ends, node, join_m)
    return lines, node, [*notes, *more, *_suspects(node)]


def _join_near(ends: Floats, node: Ints, join_m: float) -> tuple[Ints, int]:
    """Join each loose end to the nearest other node within the tolerance."""
    from scipy.spatial import cKDTree

    count = int(node.max()) + 1
    place = np.zeros((count, 3))
    place[node] = to_ecef(ends[..., 0], ends[..., 1])
    loose = np.flatnonzero(np.bincount(node.ravel(), minlength=count) == 1)
    gap, near = cKDTree(place).query(place[loose], k=2, distance_upper_bound=join_m)
    second = (near[:, 0] == loose).astype(int)  # the first found is mostly the node itself
    rank = np.arange(len(loose))
    close = np.isfinite(gap[rank, second])
    return _united(count, loose[close], near[rank, second][close])[node], int(close.sum())


def _join_onto(lines: Lines, ends: Floats, node: Ints, join_m: float) -> tuple[Lines, Ints, list[str]]:
    """Divide lines where a loose end stops on them; count those that stop a little short."""
    loose = np.flatnonzero(np.bincount(node.ravel())[node.ravel()] == 1)
    lon, lat = ends.reshape(-1, 2)[loose].T
    points = shapely.points(lon, lat)
    wide = NEAR_MISS_M / METRES_PER_DEGREE / np.maximum(np.cos(np.radians(lat)), 0.01)
    who, line = shapely.STRtree(lines.shapes).query(points, predicate="dwithin", distance=wide)
    other = line != loose[who] // 2
    who, line = who[other], line[other]
    at = shapely.line_locate_point(lines.shapes[line], points[who], normalized=True)
    foot = shapely.line_interpolate_point(lines.shapes[line], at, normalized=True)
    gap = 1000 * distance_km(
        shapely.get_x(foot), shapely.get_y(foot), from_longitude=lon[who], from_latitude=lat[who]
    )
    order = np.lexsort([line, gap, who])
    nearest = order[np.unique(who[order], return_index=True)[1]]
    cut = nearest[gap[nearest] <= join_m]
    short = nearest[(gap[nearest] > join_m) & (gap[nearest] <= NEAR_MISS_M)]
    notes = []
    if len(cut):
        notes.append(said("lines_end_middle", cut=len(cut)))
        lines, node = _divided(lines, node, line[cut], at[cut], node.ravel()[loose[who[cut]]])
    if len(short):
        k = short[np.argmin(gap[short])]
        notes.append(
            said(
                "ends_stop_within",
                short=len(short),
                near_miss_m=NEAR_MISS_M,
                gap=gap[k],
                lon=lon[who[k]],
                lat=lat[who[k]],
            )
        )
    return lines, node, notes


def _divided(lines: Lines, node: Ints, line: Ints, at: Floats, joint: Ints) -> tuple[Lines, Ints]:
    """Cut lines at shares of their lengths; each cut is at the given node."""
    whole = np.setdiff1d(np.arange(len(lines.row)), line)
    shapes, rows, nodes = list(lines.shapes[whole]), list(lines.row[whole]), node[whole].tolist()
    same: list[list[int]] = []
    for k in np.unique(line).tolist():
        mine = np.flatnonzero(line == k)
        mine = mine[np.argsort(at[mine], kind="stable")]
        stops = [(0.0, node[k, 0]), *zip(at[mine], joint[mine], strict=True), (1.0, node[k, 1])]
        for (begin, first), (stop, last) in pairwise(stops):
            piece = substring(lines.shapes[k], begin, stop, normalized=True)
            if piece.length == 0:  # cut at its very end: the two nodes are one
                same.append([first, last])
            else:
                shapes.append(piece)
                rows.append(lines.row[k])
                nodes.append([first, last])
    made = np.empty(len(shapes), dtype=object)
    made[:] = shapes
    pairs = np.array(same, dtype=np.int64).reshape(-1, 2).T
    label = _united(int(node.max()) + 1, *pairs)
    return Lines(shapes=made, row=np.array(rows)), label[np.array(nodes)]


def _suspects(node: Ints) -> list[str]:
    """Nodes from which no line leaves though several arrive, or the reverse."""
    count = int(node.max()) + 1
    out, into = (np.bincount(node[:, side], minlength=count) for side in (0, 1))
    odd = int(((out == 0) & (into > 1)).sum() + ((into == 0) & (out > 1)).sum())
    if odd == 0:
        return []
    return [said("nodes_all_lines", odd=odd)]


# Joined by identifiers.

NODE_COLUMNS = (
    ("fromnode", "tonode"), ("fnode", "tnode"), ("from_node_id", "to_node_id"), ("startnode", "endnode"),
)  # fmt: skip
NEXT_COLUMNS = (
    ("hydroseq", "dnhydroseq", "dnminorhyd"), ("hyriv_id", "next_down"), ("linkno", "dslinkno"),
    ("comid", "tocomid"), ("nhdplusid", "tonhdplusid"),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Identifiers:
    """Columns that say how lines connect, and their cells as text."""

    columns: tuple[str, ...]
    by_node: bool
    cells: Sequence[Sequence[str | None]]

    @classmethod
    def of(cls, attributes: Mapping[str, list[Any]]) -> Identifiers | None:
        """The columns of the nodes at both ends, else that of the line and those of the next ones down."""
        for by_node, kinds in ((True, NODE_COLUMNS), (False, NEXT_COLUMNS)):
            for wanted in kinds:
                found = [find_column(attributes, [name]) for name in wanted]
                columns = tuple(name for name in found if name is not None)
                if found[0] is not None and found[1] is not None:
                    labels = [list(map(text_of, attributes[name])) for name in columns]
                    cells = [[None if one in {"0", "-1"} else one for one in column] for column in labels]
                    return cls(columns=columns, by_node=by_node, cells=cells)
        return None

    def joined(self, lines: Lines, by_place: Ints) -> tuple[Lines, Ints, list[str]] | None:
        """Lines joined by their identifiers.

        None when they connect fewer lines than their ends do (columns that are there but empty, or cut
        out of another network).
        """
        node = self._nodes(lines.row)
        if _connected(node) < CONNECTED * _connected(by_place):
            return None
        lines, more = lines.turned(_drawn_backwards(node, by_place))
        first, *rest = self.columns
        notes = [said("flow_lines_joined_network", first=first, rest=rest), *more]
        return lines, node, notes + _disagreements(lines.ends(), node)

    def _nodes(self, row: Ints) -> Ints:
        """The nodes at both ends of each line, (lines, 2)."""
        number: dict[str, int] = {}
        if self.by_node:
            node = np.arange(2 * len(row)).reshape(-1, 2) + len(row) * 2
            for side, column in enumerate(self.cells):
                for k, label in enumerate(column[at] for at in row.tolist()):
                    if label is not None:  # an end without a number is an end of its own
                        node[k, side] = number.setdefault(label, len(number))
            return np.unique(node, return_inverse=True)[1].reshape(node.shape)
        own, *below = ([column[at] for at in row.tolist()] for column in self.cells)
        number = {label: k for k, label in enumerate(own) if label is not None}
        pairs = [
            (2 * k + 1, 2 * number[label])  # its end is the start of the next one down
            for column in below
            for k, label in enumerate(column)
            if label in number and number[label] != k
        ]
        return _united(2 * len(row), *np.array(pairs, dtype=np.int64).reshape(-1, 2).T).reshape(-1, 2)


CONNECTED = 0.9
"""Identifiers that join less than this share of the ends that meet are not followed."""


def _connected(node: Ints) -> int:
    """How many ends share their node with another."""
    return int((np.bincount(node.ravel())[node.ravel()] > 1).sum())


def _drawn_backwards(node: Ints, place: Ints) -> NDArray[np.bool_]:
    """Lines whose ends meet the others' only when they are turned round.

    Each end is compared with both ends of the other lines at its node, so that it does not
    matter which of two neighbours is the one drawn backwards.
    """
    pair = node[:, [0, 0, 1, 1]] * (int(place.max()) + 1) + place[:, [0, 1, 0, 1]]
    _, code, times = np.unique(pair, return_inverse=True, return_counts=True)
    others: Ints = times[code.reshape(pair.shape)] - 1
    return np.asarray((others[:, 0] + others[:, 3] == 0) & (others[:, 1] + others[:, 2] > 0))


def _disagreements(ends: Floats, node: Ints) -> list[str]:
    """Where identifiers and coordinates tell different stories."""
    notes = []
    flat, place = node.ravel(), to_ecef(ends[..., 0], ends[..., 1]).reshape(-1, 3)
    size = np.bincount(flat)
    middle = (
        np.stack([np.bincount(flat, place[:, k]) for k in range(3)], axis=1) / np.maximum(size, 1)[:, None]
    )
    off = np.linalg.norm(place - middle[flat], axis=1) > NEAR_MISS_M
    if off.any():
        notes.append(said("nodes_join_lines", flat=len(np.unique(flat[off])), near_miss_m=NEAR_MISS_M))
    at = _by_place(ends).ravel()
    alone = (size[flat] == 1) & (np.bincount(at)[at] > 1)
    if alone.any():
        notes.append(said("ends_touch_another", alone=int(alone.sum())))
    return notes


# The network.


def _arranged(layer: Layer, lines: Lines, node: Ints, notes: list[str]) -> Network:
    """Edges ordered by place, so that what lies around a site lies together on disk."""
    first = lines.ends()[:, 0]
    order = np.argsort(np.floor(first[:, 1] * 10) * 4000 + np.floor(first[:, 0] * 10), kind="stable")
    shapes, row = lines.shapes[order], lines.row[order]
    known, seen, position = np.unique(node[order], return_index=True, return_inverse=True)
    number = np.empty(len(known), dtype=np.int32)
    number[np.argsort(seen)] = np.arange(len(known))  # in the order in which the edges name them
    start, end = number[position.reshape(-1, 2)].T
    xy, edge = shapely.get_coordinates(shapes, return_index=True)
    step = np.where(np.diff(edge) == 0, WGS84.line_lengths(xy[:, 0], xy[:, 1]), 0.0)
    length: Floats = np.bincount(edge[1:], weights=step, minlength=len(shapes)).astype(np.float64)
    first_arc, arc_to, arc_edge = _arcs(start, end, length, len(known))
    labels = names_of(layer.attributes, layer.rows)
    names = sorted({label for label in labels if label is not None})
    code = {label: k for k, label in enumerate(names)}
    return Network(
        longitude=xy[:, 0],
        latitude=xy[:, 1],
        offsets=np.concatenate([[0], np.cumsum(np.bincount(edge))]),
        row=layer.numbers[row],
        name=np.array([-1 if label is None else code[label] for label in labels], dtype=np.int32)[row],
        bounds=shapely.bounds(shapes),
        start=start,
        end=end,
        length_m=length,
        first_arc=first_arc,
        arc_to=arc_to,
        arc_edge=arc_edge,
        names=tuple(names),
        notes=(*notes, _pieces(start, end, len(known))),
        source=dict(layer.source),
    )


def _arcs(start: Ints, end: Ints, length: Floats, nodes: int) -> tuple[Ints, Ints, Ints]:
    """Both ways along each edge, the shortest of parallel ones, sorted by node."""
    edge = np.flatnonzero(start != end).astype(np.int32)  # a loop that returns to its node leads nowhere
    out, into = np.concatenate([[start[edge], end[edge]], [end[edge], start[edge]]], axis=1)
    both = np.concatenate([edge, edge])
    order = np.lexsort([length[both], into, out])
    out, into, both = out[order], into[order], both[order]
    keep = np.ones(len(out), dtype=bool)
    keep[1:] = (out[1:] != out[:-1]) | (into[1:] != into[:-1])
    first_arc = np.concatenate([[0], np.cumsum(np.bincount(out[keep], minlength=nodes))])
    return first_arc, into[keep], both[keep]


def _pieces(start: Ints, end: Ints, nodes: int) -> str:
    size = np.bincount(_united(nodes, start, end)[start])
    text = f"{len(start)} flow lines"
    if len(size) == 1:
        return said("connected_network", text=text)
    return said("networks_do_not", text=text, size=len(size), max=size.max() / len(start))


# Barriers.

ROUNDING_M = 0.01
SPAN_M = 1e7
"""Longer than any edge."""


@dataclass(frozen=True, kw_only=True)
class Barriers:
    """Points with their passabilities; after `read_barriers` not yet on the network.

    Attributes
    ----------
    longitude, latitude : float arrays, (n,)
    up, down : float arrays, (n,)
        Share of fish that pass upstream and downstream, at least ``barrierFloor``.
    names : list of str or None
    edge : int array, (n,)
        Edge of the network; -1 where none is near.
    at_m : float array, (n,)
        Place on the edge, in metres from its start.
    """

    longitude: Floats
    latitude: Floats
    up: Floats
    down: Floats
    names: list[str | None]
    edge: Ints
    at_m: Floats

    def __len__(self) -> int:
        return len(self.edge)

    @functools.cached_property
    def _along(self) -> tuple[Floats, Floats, Floats]:
        """Places along all edges in order, and logarithms of what passes all barriers up to each."""
        on = np.flatnonzero(self.edge >= 0)
        at = self.edge[on] * SPAN_M + self.at_m[on]
        order = np.argsort(at)
        up, down = (
            np.concatenate([[0.0], np.cumsum(np.log(each[on][order]))]) for each in (self.up, self.down)
        )
        return at[order], up, down

    def between(self, edge: Ints, first_m: Floats, last_m: Floats) -> tuple[Floats, Floats]:
        """What passes the barriers on a stretch of each edge, upstream and downstream.

        Parameters
        ----------
        edge : int array, (m,)
        first_m, last_m : float arrays, (m,)
            The stretch, in metres from the edge's start; first ≤ last.  A barrier at its very
            end lies on it.

        Returns
        -------
        up, down : float arrays, (m,)
            Products of the passabilities.
        """
        at, up, down = self._along
        low = np.searchsorted(at, edge * SPAN_M + first_m - ROUNDING_M)
        high = np.searchsorted(at, edge * SPAN_M + last_m + ROUNDING_M)
        return np.exp(up[high] - up[low]), np.exp(down[high] - down[low])


def read_barriers(layer: Layer, *, settings: Settings) -> tuple[Barriers, list[str]]:
    """Read barriers with their passability.

    Returns
    -------
    Barriers
        Not yet on the network.
    list of str
        What was assumed.

    Raises
    ------
    LayerError
        When the layer holds no point, or a passability is not a number from 0 to 1.
    """
    given, layer = layer, layer.only("points", "dams and falls")
    points, row = shapely.get_parts(layer.geometry, return_index=True)
    known = vocabulary("barriers")
    both = find_column(layer.attributes, known["both"])
    notes, passable = list(layer.notes[len(given.notes) :]), []
    for columns, default, way in (
        (known["up"], settings.barrier_up, "up"),
        (known["down"], settings.barrier_down, "down"),
    ):
        column = find_column(layer.attributes, columns) or both
        share = np.array([_share(layer, column, k) for k in row.tolist()])
        lacking = np.isnan(share)
        if lacking.any():
            notes.append(said("barriers_no_passability", lacking=lacking.sum(), way=way, default=default))
        passable.append(np.maximum(np.where(lacking, default, share), settings.barrier_floor))
    labels = names_of(layer.attributes, layer.rows)
    barriers = Barriers(
        longitude=shapely.get_x(points),
        latitude=shapely.get_y(points),
        up=passable[0],
        down=passable[1],
        names=[labels[k] for k in row.tolist()],
        edge=np.full(len(row), -1, dtype=np.int64),
        at_m=np.full(len(row), np.nan),
    )
    return barriers, notes


def _share(layer: Layer, column: str | None, row: int) -> float:
    text = None if column is None else text_of(layer.attributes[column][row])
    try:
        share = np.nan if text is None else float(text)
    except ValueError:
        share = -1.0
    if text is not None and not 0 <= share <= 1:
        raise LayerError.of(
            "not_share", file=layer.source.get("path"), row=int(layer.numbers[row]), column=column, text=text
        )
    return share


# The copy on disk.

CACHE_VARIABLE = "POOLBUILDER_CACHE"
VERSION = 2
"""Raised when what is kept, or how it is made, changes."""


def cache_folder() -> Path:
    """Where networks are kept: ``$POOLBUILDER_CACHE``, else the user's cache folder."""
    from platformdirs import user_cache_path

    named = os.environ.get(CACHE_VARIABLE)
    return (Path(named) if named else user_cache_path("poolbuilder")) / "networks"


def load_network(spec: str, *, join_m: float) -> Network:
    """The network of a layer of flow lines, made at the first load and mapped from its copy after.

    A copy belongs to one path, and holds while size and time of change of the file stay the same.

    Parameters
    ----------
    spec : str
        ``FILE[:layer]``.
    join_m : float
        Tolerance for ends that meet, in metres.

    Raises
    ------
    LayerError
        When the layer cannot be used.
    """
    path, layer = split_spec(spec)
    state = path.stat()
    key = [VERSION, str(path), str(path.resolve()), layer, join_m, state.st_size, state.st_mtime_ns]
    folder = cache_folder() / hashlib.sha256(json.dumps(key).encode()).hexdigest()[:32]
    network = _read(folder)
    if network is None:
        network = build_network(read_layer(spec, purpose="flow lines"), join_m=join_m)
        try:
            _write(folder, network)
        except PoolFileError as error:
            log.info("network not kept: %s", error)
    return _read(folder) or network


def _read(folder: Path) -> Network | None:
    """A network from its folder; None when it is not there, or not whole."""
    try:
        meta = json.loads((folder / "network.json").read_text(encoding="utf-8"))
        arrays = {name: np.load(folder / f"{name}.npy", mmap_mode="r") for name in ARRAYS}
        if any(list(arrays[name].shape) != meta["shapes"][name] for name in ARRAYS):
            return None
        return Network(
            names=tuple(meta["names"]), notes=tuple(meta["notes"]), source=meta["source"], **arrays
        )
    except (OSError, ValueError, RecursionError, KeyError, TypeError):
        return None


def _write(folder: Path, network: Network) -> None:
    with whole_folder(folder) as beside:
        for name in ARRAYS:
            np.save(beside / f"{name}.npy", np.ascontiguousarray(getattr(network, name)))
        meta = {
            "names": network.names,
            "notes": network.notes,
            "source": dict(network.source),
            "shapes": {name: list(getattr(network, name).shape) for name in ARRAYS},
        }
        (beside / "network.json").write_text(json.dumps(meta), encoding="utf-8")
