"""Ways along the network from the water to every node: how far up, how far down, past what."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.water.barriers import Barriers
from poolbuilder.water.network import Network

__all__ = ["Cover", "Routes", "find_routes"]

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
