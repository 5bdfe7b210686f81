"""Which flow lines meet, by where their ends lie."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.water.lines import Lines, against_flow, measure
from poolbuilder.water.topology import NEAR_MISS_M, Ends, nodes_by_place, united

__all__ = ["ends_from_places"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

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
