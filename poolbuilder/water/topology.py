"""How flow lines hang together: cut where they meet, joined by their ends or by the layer's identifiers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.places.geodesy import distance_km, to_ecef
from poolbuilder.water.outline import find_column, text_of

Bools = NDArray[np.bool_]
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


NEAR_MISS_M = 50.0
"""Ends farther apart than this can hardly be one node; closer ones that are not joined are counted."""
CELLS_PER_DEGREE = 1e7
"""Ends are the same place when their coordinates agree to 1e-7 degrees, about 1 cm."""


@dataclass(frozen=True, kw_only=True)
class Ends:
    """Lines with the nodes at their ends.

    Attributes
    ----------
    lines : Lines
        Drawn with the flow, as far as it is known.
    start, end : int arrays, (lines,)
        Nodes, numbered from 0.
    notes : list of str
        How they were joined, and what did not join.
    """

    lines: Lines
    start: Ints
    end: Ints
    notes: list[str]


def united(size: int, first: Ints, second: Ints) -> Ints:
    """Number nodes anew so that each pair of nodes given becomes one; (size,) labels."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    graph = coo_array((np.ones(len(first), dtype=np.int8), (first, second)), shape=(size, size))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def nodes_by_place(lines: Lines) -> tuple[Ints, Ints]:
    """Nodes of ends that lie at the same coordinates."""
    first, last = lines.offsets[:-1], lines.offsets[1:] - 1
    index = np.concatenate([first, last])
    lon = np.rint(lines.longitude[index] * CELLS_PER_DEGREE).astype(np.int64)
    lat = np.rint(lines.latitude[index] * CELLS_PER_DEGREE).astype(np.int64)
    half = int(180 * CELLS_PER_DEGREE)
    lon = (lon + half) % (2 * half) - half
    key = lon * int(181 * CELLS_PER_DEGREE * 2) + lat
    node = np.unique(key, return_inverse=True)[1].astype(np.int64)
    return node[: lines.count], node[lines.count :]


METRES_PER_DEGREE = 110_500.0
"""At most this much shorter than a degree of latitude is anywhere (110,574 m at the equator)."""


def ends_from_places(lines: Lines, attributes: Mapping[str, list[Any]], *, join_m: float) -> Ends:
    """Join lines whose ends meet, or stop on another line, within *join_m* metres."""
    against = against_flow(attributes, lines.row)
    lines = lines.turned(against)
    notes = [f"flow lines are joined where their ends meet within {join_m:g} m"]
    if against.any():
        notes.append(f"{int(against.sum())} flow lines are drawn against the flow; turned round")
    start, end = nodes_by_place(lines)
    start, end, merged = _join_near(lines, start, end, join_m)
    if merged:
        notes.append(f"{merged} ends did not meet exactly and were joined")
    lines, start, end, met, missed = _join_onto(lines, start, end, join_m)
    if met:
        notes.append(f"{met} lines end on the middle of another, which is divided there")
    if missed:
        notes.append(missed)
    notes += _suspects(start, end)
    return Ends(lines=lines, start=start, end=end, notes=notes)


def _join_near(lines: Lines, start: Ints, end: Ints, join_m: float) -> tuple[Ints, Ints, int]:
    """Join each loose end to the nearest other node within the tolerance."""
    from scipy.spatial import cKDTree

    ends = np.concatenate([start, end])
    count = int(ends.max()) + 1
    place = np.zeros((count, 3))
    place[ends] = np.concatenate(lines.ends())
    loose = np.flatnonzero(np.bincount(ends, minlength=count) == 1)
    if join_m <= 0 or len(loose) == 0:
        return start, end, 0
    near, other = cKDTree(place).query(place[loose], k=2, distance_upper_bound=join_m)
    # the first found is the node itself, or another one at the same place
    partner = np.where(other[:, 0] == loose, other[:, 1], other[:, 0])
    gap = np.where(other[:, 0] == loose, near[:, 1], near[:, 0])
    close = np.isfinite(gap)
    label = united(count, loose[close], partner[close])
    return label[start], label[end], int(close.sum())


def _join_onto(lines: Lines, start: Ints, end: Ints, join_m: float) -> tuple[Lines, Ints, Ints, int, str]:
    """Divide lines where a loose end stops on them; count those that stop a little short."""
    ends = np.concatenate([start, end])
    size = np.bincount(ends)
    loose = np.flatnonzero(size[ends] == 1)
    vertex = np.concatenate([lines.offsets[:-1], lines.offsets[1:] - 1])[loose]
    lon, lat = lines.longitude[vertex], lines.latitude[vertex]
    reach = NEAR_MISS_M / METRES_PER_DEGREE
    wide = reach / np.maximum(np.cos(np.radians(lat)), 0.01)
    xy = np.column_stack([lines.longitude, lines.latitude])
    shapes = shapely.linestrings(xy, indices=np.repeat(np.arange(lines.count), np.diff(lines.offsets)))
    boxes = shapely.box(lon - wide, lat - reach, lon + wide, lat + reach)
    who, line = shapely.STRtree(shapes).query(boxes, predicate="intersects")
    own = loose[who] % lines.count
    who, line = who[line != own], line[line != own]
    cuts: list[tuple[int, int, float, int]] = []
    short: list[tuple[float, float, float]] = []
    taken: set[int] = set()
    feet = [_foot(lines, int(k), lon[w], lat[w]) for w, k in zip(who.tolist(), line.tolist(), strict=True)]
    for index in sorted(range(len(feet)), key=lambda k: feet[k][0]):
        w, k, (gap, segment, part) = int(who[index]), int(line[index]), feet[index]
        if w in taken or gap > NEAR_MISS_M:
            continue
        taken.add(w)
        if gap <= join_m:
            cuts.append((k, segment, part, int(ends[loose[w]])))
        else:
            short.append((gap, float(lon[w]), float(lat[w])))
    if cuts:
        lines, start, end = _divide(lines, start, end, cuts)
    missed = ""
    if short:
        gap, x, y = short[0]
        missed = (
            f"{len(short)} ends stop within {NEAR_MISS_M:g} m of another line without joining "
            f"it, the nearest {gap:.1f} m short at longitude {x:.5f}, latitude {y:.5f}; "
            f"raise streamJoinM if they should join"
        )
    return lines, start, end, len(cuts), missed


def _foot(lines: Lines, line: int, longitude: float, latitude: float) -> tuple[float, int, float]:
    """Gap in metres from a point to a line, and where on it: vertex before, and part of the way on."""
    window = slice(int(lines.offsets[line]), int(lines.offsets[line + 1]))
    east = np.cos(np.radians(latitude)) * METRES_PER_DEGREE * 1.0074  # a degree of longitude, within 0.4 %
    x = ((lines.longitude[window] - longitude + 180) % 360 - 180) * east
    y = (lines.latitude[window] - latitude) * METRES_PER_DEGREE
    dx, dy = np.diff(x), np.diff(y)
    squared = np.maximum(dx**2 + dy**2, 1e-18)
    part = np.clip(-(x[:-1] * dx + y[:-1] * dy) / squared, 0, 1)
    gap = np.hypot(x[:-1] + part * dx, y[:-1] + part * dy)
    best = int(np.argmin(gap))
    return float(gap[best]), best, float(part[best])


def _divide(
    lines: Lines, start: Ints, end: Ints, cuts: list[tuple[int, int, float, int]]
) -> tuple[Lines, Ints, Ints]:
    """Cut lines at the given places; the cut is at the given node."""
    by_line: dict[int, list[tuple[int, float, int]]] = {}
    for line, segment, part, node in cuts:
        by_line.setdefault(line, []).append((segment, part, node))
    whole = np.setdiff1d(np.arange(lines.count), np.fromiter(by_line, dtype=np.int64))
    kept = lines.take(whole)
    runs: list[Floats] = []
    rows, firsts, lasts = [], [], []
    for line, places in by_line.items():
        window = slice(int(lines.offsets[line]), int(lines.offsets[line + 1]))
        xy = np.column_stack([lines.longitude[window], lines.latitude[window]])
        pieces, nodes = _cut_run(xy, sorted(places))
        nodes = [int(start[line]), *nodes, int(end[line])]
        runs += pieces
        rows += [int(lines.row[line])] * len(pieces)
        firsts += nodes[:-1]
        lasts += nodes[1:]
    added = np.concatenate(runs)
    divided = Lines(
        longitude=np.concatenate([kept.longitude, added[:, 0]]),
        latitude=np.concatenate([kept.latitude, added[:, 1]]),
        offsets=np.concatenate([kept.offsets, kept.offsets[-1] + np.cumsum([len(run) for run in runs])]),
        row=np.concatenate([kept.row, np.array(rows, dtype=np.int64)]),
    )
    start, end = np.concatenate([start[whole], firsts]), np.concatenate([end[whole], lasts])
    long_enough = measure(divided) > 0
    lost = np.flatnonzero(~long_enough)
    if len(lost):  # cut at its very end: the two nodes are one
        label = united(int(max(start.max(), end.max())) + 1, start[lost], end[lost])
        keep = np.flatnonzero(long_enough)
        return divided.take(keep), label[start][keep], label[end][keep]
    return divided, start, end


def _cut_run(xy: Floats, places: list[tuple[int, float, int]]) -> tuple[list[Floats], list[int]]:
    pieces, nodes, begun, head = [], [], 0, xy[:1]
    for segment, part, node in places:
        point = (xy[segment] + part * (xy[segment + 1] - xy[segment]))[None, :]
        pieces.append(np.concatenate([head, xy[begun + 1 : segment + 1], point]))
        nodes.append(node)
        begun, head = segment, point
    pieces.append(np.concatenate([head, xy[begun + 1 :]]))
    return pieces, nodes


def _suspects(start: Ints, end: Ints) -> list[str]:
    """Nodes from which no line leaves though several arrive, or the reverse."""
    count = int(max(start.max(), end.max())) + 1
    out, into = np.bincount(start, minlength=count), np.bincount(end, minlength=count)
    odd = int(((out == 0) & (into > 1)).sum() + ((into == 0) & (out > 1)).sum())
    if odd == 0:
        return []
    return [
        f"at {odd} nodes all lines arrive or all leave: some may be drawn against the flow; distances do not "
        f"depend on it, but what is upstream does"
    ]


NODE_COLUMNS = (
    ("fromnode", "tonode"),
    ("fnode", "tnode"),
    ("from_node_id", "to_node_id"),
    ("startnode", "endnode"),
)
NEXT_COLUMNS = (
    ("hydroseq", ("dnhydroseq", "dnminorhyd")),
    ("hyriv_id", ("next_down",)),
    ("linkno", ("dslinkno",)),
    ("comid", ("tocomid",)),
    ("nhdplusid", ("tonhdplusid",)),
)


def has_identifiers(attributes: Mapping[str, Any]) -> bool:
    """Whether the layer has columns that say how its lines connect."""
    return _node_columns(attributes) is not None or _next_columns(attributes) is not None


def _node_columns(attributes: Mapping[str, Any]) -> tuple[str, str] | None:
    for first, second in NODE_COLUMNS:
        found = find_column(attributes, [first]), find_column(attributes, [second])
        if found[0] is not None and found[1] is not None:
            return found[0], found[1]
    return None


def _next_columns(attributes: Mapping[str, Any]) -> tuple[str, list[str]] | None:
    for own, below in NEXT_COLUMNS:
        column = find_column(attributes, [own])
        down = [name for wanted in below if (name := find_column(attributes, [wanted])) is not None]
        if column is not None and down:
            return column, down
    return None


def _labels(values: list[Any]) -> list[str | None]:
    return [None if (label := text_of(value)) in {None, "0", "-1"} else label for value in values]


def ends_from_identifiers(lines: Lines, attributes: Mapping[str, list[Any]]) -> Ends | None:
    """Join lines by their identifiers.

    Returns
    -------
    Ends or None
        None when the identifiers connect fewer lines than their ends do (columns that are there
        but empty, or cut out of another network).
    """
    nodes, pointers = _node_columns(attributes), _next_columns(attributes)
    if nodes is not None:
        start, end = _by_node(lines, attributes, nodes)
        how = f"{nodes[0]} and {nodes[1]}"
    elif pointers is not None:
        start, end = _by_next(lines, attributes, pointers)
        how = f"{pointers[0]} and {' and '.join(pointers[1])}"
    else:
        return None
    by_place = nodes_by_place(lines)
    joined, touching = _shared(start, end), _shared(*by_place)
    if joined < 0.9 * touching:
        return None
    turned = _drawn_backwards(lines, start, end)
    lines = lines.turned(turned)
    notes = [f"flow lines are joined by {how}"]
    if turned.any():
        notes.append(f"{int(turned.sum())} flow lines are drawn against the flow; turned round")
    notes += _disagreements(lines, start, end)
    return Ends(lines=lines, start=start, end=end, notes=notes)


def _shared(start: Ints, end: Ints) -> int:
    """How many ends lie at a node that another end shares."""
    ends = np.concatenate([start, end])
    return int((np.bincount(ends)[ends] > 1).sum())


def _by_node(
    lines: Lines, attributes: Mapping[str, list[Any]], columns: tuple[str, str]
) -> tuple[Ints, Ints]:
    number: dict[str, int] = {}
    out = []
    for column in columns:
        labels = _labels(attributes[column])
        codes = np.array(
            [-1 if label is None else number.setdefault(label, len(number)) for label in labels],
            dtype=np.int64,
        )
        out.append(codes[lines.row])
    start, end = out
    free = len(number)
    for codes in (start, end):  # an end without a number is an end of its own
        lacking = np.flatnonzero(codes < 0)
        codes[lacking] = free + np.arange(len(lacking))
        free += len(lacking)
    return start, end


def _by_next(
    lines: Lines, attributes: Mapping[str, list[Any]], columns: tuple[str, list[str]]
) -> tuple[Ints, Ints]:
    """The end of a line and the start of the next one down are one node."""
    own = _labels(attributes[columns[0]])
    line_of = {own[row]: k for k, row in enumerate(lines.row.tolist()) if own[row] is not None}
    upper: list[int] = []
    lower: list[int] = []
    for column in columns[1]:
        below = _labels(attributes[column])
        for k, row in enumerate(lines.row.tolist()):
            following = line_of.get(below[row])
            if following is not None and following != k:
                upper.append(k)
                lower.append(following)
    count = lines.count
    joined = united(2 * count, np.array(upper, dtype=np.int64) + count, np.array(lower, dtype=np.int64))
    return joined[:count], joined[count:]


def _drawn_backwards(lines: Lines, start: Ints, end: Ints) -> Bools:
    """Lines whose ends meet the others' only when they are turned round.

    Each end is compared with both ends of the other lines at its node, so that it does not
    matter which of two neighbours is the one drawn backwards.
    """
    head, tail = lines.ends()
    node = np.concatenate([start, end])
    line = np.tile(np.arange(lines.count), 2)
    as_drawn, turned = np.concatenate([head, tail]), np.concatenate([tail, head])
    straight, swapped = np.zeros(lines.count), np.zeros(lines.count)
    order = np.argsort(node, kind="stable")
    bounds = np.flatnonzero(np.diff(node[order], prepend=-1, append=-1))
    size = np.diff(bounds)
    for count in np.unique(size[size > 1]).tolist():
        group = order[bounds[:-1][size == count][:, None] + np.arange(count)]
        for k in range(count):
            others = np.concatenate([group[:, :k], group[:, k + 1 :]], axis=1)
            candidates = np.concatenate([head[line[others]], tail[line[others]]], axis=1)
            own = group[:, k]
            foreign = np.concatenate([line[others], line[others]], axis=1) != line[own][:, None]
            for total, place in ((straight, as_drawn), (swapped, turned)):
                gap = np.linalg.norm(candidates - place[own][:, None, :], axis=2)
                nearest = np.where(foreign, gap, np.inf).min(axis=1)
                np.add.at(total, line[own], np.where(np.isfinite(nearest), nearest, 0.0))
    return (straight > 1.0) & (swapped < 0.1 * straight)


def _disagreements(lines: Lines, start: Ints, end: Ints) -> list[str]:
    """Where identifiers and coordinates tell different stories."""
    notes = []
    head, tail = lines.ends()
    node, place = np.concatenate([start, end]), np.concatenate([head, tail])
    count = int(node.max()) + 1
    size = np.bincount(node, minlength=count)
    middle = np.stack([np.bincount(node, place[:, k], count) / np.maximum(size, 1) for k in range(3)], axis=1)
    off = np.linalg.norm(place - middle[node], axis=1) > NEAR_MISS_M
    if off.any():
        notes.append(
            f"{len(np.unique(node[off]))} nodes join lines whose ends lie more than {NEAR_MISS_M:g} m "
            f"apart; the identifiers are followed"
        )
    at = np.concatenate(nodes_by_place(lines))
    alone = (size[node] == 1) & (np.bincount(at)[at] > 1)
    if alone.any():
        notes.append(
            f"{int(alone.sum())} ends touch another line's end but the identifiers do not join them; "
            f"the identifiers are followed"
        )
    return notes
