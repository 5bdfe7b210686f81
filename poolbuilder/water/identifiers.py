"""Which flow lines meet, by the identifiers that their layer gives them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.water.labels import find_column, text_of
from poolbuilder.water.lines import Lines
from poolbuilder.water.topology import NEAR_MISS_M, Ends, nodes_by_place, united

__all__ = ["ends_from_identifiers", "has_identifiers"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

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
