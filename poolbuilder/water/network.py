"""The stream network of a layer, loaded once and then read from a cache."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.errors import LayerError
from poolbuilder.places.layers import Layer
from poolbuilder.water.identifiers import ends_from_identifiers, has_identifiers
from poolbuilder.water.joints import ends_from_places
from poolbuilder.water.labels import names_of
from poolbuilder.water.lines import Lines, lines_of, measure
from poolbuilder.water.topology import Ends

__all__ = ["ARRAYS", "Network", "build_network"]

Floats = NDArray[np.float64]
Ints = NDArray[Any]

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
        from scipy.sparse import csr_array
        from scipy.sparse.csgraph import connected_components

        arcs = (np.ones(len(self.arc_to), dtype=np.int8), self.arc_to, self.first_arc)
        graph = csr_array(arcs, shape=(self.nodes, self.nodes))
        return np.asarray(connected_components(graph, directed=False)[1])

    def shapes(self, edges: Ints) -> NDArray[np.object_]:
        """Edges as lines of degrees."""
        length = (self.offsets[edges + 1] - self.offsets[edges]).astype(np.int64)
        begin = np.concatenate([[0], np.cumsum(length)])
        index = np.repeat(self.offsets[edges] - begin[:-1], length) + np.arange(begin[-1])
        xy = np.column_stack([self.longitude[index], self.latitude[index]])
        return np.asarray(shapely.linestrings(xy, indices=np.repeat(np.arange(len(edges)), length)))

    def called(self, edge: int) -> str:
        """The name of an edge, for messages."""
        name = int(self.name[edge])
        return self.names[name] if name >= 0 else f"an unnamed flow line (feature {int(self.row[edge])})"


def build_network(layer: Layer, *, join_m: float) -> Network:
    """Make the network of a layer of flow lines.

    Raises
    ------
    LayerError
        When the layer holds no line with a length.
    """
    linear = np.flatnonzero(shapely.get_dimensions(layer.geometry) == 1)
    notes = list(layer.notes)
    if len(linear) < layer.rows:
        notes.append(f"{layer.rows - len(linear)} features are not lines and are left out")
    attributes = layer.attributes
    if len(linear) < layer.rows:
        attributes = {name: [values[row] for row in linear.tolist()] for name, values in attributes.items()}
    lines, said = lines_of(layer.geometry[linear], bridge=has_identifiers(attributes))
    if lines.count == 0:
        found = "is empty" if layer.rows == 0 else "holds no lines with a length"
        raise LayerError(found, file=layer.source.get("path"), remedy="give flow lines as lines")
    joined = ends_from_identifiers(lines, attributes)
    if joined is None and has_identifiers(attributes):
        notes.append("identifiers connect fewer flow lines than their ends do; the ends are followed")
    joined = joined or ends_from_places(lines, attributes, join_m=join_m)
    notes += said + joined.notes
    return _arranged(joined, names_of(attributes, len(linear)), layer.numbers[linear], notes, layer.source)


def _arranged(
    joined: Ends, labels: list[str | None], numbers: Ints, notes: list[str], source: Mapping[str, Any]
) -> Network:
    """Edges ordered by place, so that what lies around a site lies together on disk."""
    lines = joined.lines
    first = lines.offsets[:-1]
    cell = np.floor(lines.latitude[first] * 10) * 4000 + np.floor(lines.longitude[first] * 10)
    order = np.argsort(cell, kind="stable")
    lines = lines.take(order)
    ends = np.stack([joined.start[order], joined.end[order]], axis=1)
    known, position = np.unique(ends, return_inverse=True)
    rank = np.full(len(known), len(ends) * 2)
    np.minimum.at(rank, position.ravel(), np.arange(ends.size))
    number = np.empty(len(known), dtype=np.int64)
    number[np.argsort(rank, kind="stable")] = np.arange(len(known))
    start, end = number[position.reshape(ends.shape)].T.astype(np.int32)
    length = measure(lines)
    first_arc, arc_to, arc_edge = _arcs(start, end, length, len(known))
    names = sorted({label for label in labels if label is not None})
    code = {label: k for k, label in enumerate(names)}
    label_code = np.array([-1 if label is None else code[label] for label in labels], dtype=np.int32)
    notes = [*notes, *_pieces(start, end, len(known))]
    return Network(
        longitude=lines.longitude,
        latitude=lines.latitude,
        offsets=lines.offsets,
        row=numbers[lines.row],
        name=label_code[lines.row],
        bounds=_bounds(lines),
        start=start,
        end=end,
        length_m=length,
        first_arc=first_arc,
        arc_to=arc_to,
        arc_edge=arc_edge,
        names=tuple(names),
        notes=tuple(notes),
        source=dict(source),
    )


def _bounds(lines: Lines) -> Floats:
    first = lines.offsets[:-1]
    return np.stack(
        [
            np.minimum.reduceat(lines.longitude, first),
            np.minimum.reduceat(lines.latitude, first),
            np.maximum.reduceat(lines.longitude, first),
            np.maximum.reduceat(lines.latitude, first),
        ],
        axis=1,
    )


def _arcs(start: Ints, end: Ints, length: Floats, nodes: int) -> tuple[Ints, Ints, Ints]:
    """Both ways along each edge, the shortest of parallel ones, sorted by node."""
    edge = np.arange(len(start), dtype=np.int32)
    out, into = np.concatenate([start, end]), np.concatenate([end, start])
    both, cost = np.concatenate([edge, edge]), np.concatenate([length, length])
    other = out != into  # a loop that returns to its node leads nowhere
    out, into, both, cost = out[other], into[other], both[other], cost[other]
    order = np.lexsort([cost, into, out])
    out, into, both = out[order], into[order], both[order]
    keep = np.ones(len(out), dtype=bool)
    keep[1:] = (out[1:] != out[:-1]) | (into[1:] != into[:-1])
    first_arc = np.concatenate([[0], np.cumsum(np.bincount(out[keep], minlength=nodes))])
    return first_arc, into[keep], both[keep]


def _pieces(start: Ints, end: Ints, nodes: int) -> list[str]:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    graph = coo_array((np.ones(len(start), dtype=np.int8), (start, end)), shape=(nodes, nodes))
    count, label = connected_components(graph, directed=False)
    edges = np.bincount(label[start], minlength=count)
    text = f"{len(start)} flow lines"
    if count == 1:
        return [f"{text} in one connected network"]
    return [f"{text} in {count} networks that do not touch; the largest holds {edges.max() / len(start):.1%}"]
