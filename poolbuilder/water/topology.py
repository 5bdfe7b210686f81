"""Flow lines with the nodes at their ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.water.lines import Lines

__all__ = ["NEAR_MISS_M", "Ends", "nodes_by_place", "united"]

Ints = NDArray[np.int64]

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
