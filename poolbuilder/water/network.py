"""The stream network of a layer, its barriers, and the network kept from one run to the next.

A network of a million flow lines takes a minute to make and hundreds of megabytes to hold; from
the cache a water touches only the pages around it.  The key is the SHA-256 of the layer's file;
size and time of change stand for it while they stay the same.
"""

from __future__ import annotations

import functools
import hashlib
import json
import logging
import os
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.errors import LayerError, PoolFileError
from poolbuilder.files import write_whole
from poolbuilder.places.layers import Layer, read_layer, split_spec
from poolbuilder.settings import Settings
from poolbuilder.water.outline import find_column, names_of, text_of
from poolbuilder.water.topology import (
    Ends,
    Lines,
    ends_from_identifiers,
    ends_from_places,
    has_identifiers,
    lines_of,
    measure,
)

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


UP_COLUMNS = (
    "passability_up",
    "pass_up",
    "up_pass",
    "upstream_passability",
    "passability_upstream",
    "passup",
)
DOWN_COLUMNS = (
    "passability_down", "pass_down", "down_pass", "downstream_passability",
    "passability_downstream", "passdown",
)  # fmt: skip
ROUNDING_M = 1e-6
BOTH_COLUMNS = ("passability", "pass")


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

    def between(self, edge: Ints, first_m: Floats, last_m: Floats) -> tuple[Floats, Floats]:
        """What passes the barriers on a stretch of each edge, downstream and upstream.

        Parameters
        ----------
        edge : int array, (m,)
        first_m, last_m : float arrays, (m,)
            The stretch, in metres from the edge's start; first ≤ last.  A barrier at its very
            end lies on it.

        Returns
        -------
        down, up : float arrays, (m,)
            Products of the passabilities.
        """
        down, up = np.ones(len(edge)), np.ones(len(edge))
        order = np.argsort(self.edge, kind="stable")
        low, high = (np.searchsorted(self.edge[order], edge, side=side) for side in ("left", "right"))
        here = np.flatnonzero(high > low)
        for step in range(int((high - low)[here].max()) if len(here) else 0):
            here = here[high[here] > low[here] + step]
            barrier = order[low[here] + step]
            at = self.at_m[barrier]
            on = (first_m[here] <= at + ROUNDING_M) & (at - ROUNDING_M <= last_m[here])
            down[here[on]] *= self.down[barrier[on]]
            up[here[on]] *= self.up[barrier[on]]
        return down, up


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
    pointed = np.flatnonzero(shapely.get_dimensions(layer.geometry) == 0)
    path = layer.source.get("path")
    if len(pointed) == 0:
        found = "is empty" if layer.rows == 0 else "holds no points"
        raise LayerError(found, file=path, remedy="give dams and falls as points")
    notes = []
    if len(pointed) < layer.rows:
        notes.append(f"{layer.rows - len(pointed)} features are not points and are left out")
    points, row = shapely.get_parts(layer.geometry[pointed], return_index=True)
    row = pointed[row]
    both = find_column(layer.attributes, BOTH_COLUMNS)
    passable = []
    for columns, default, way in (
        (UP_COLUMNS, settings.barrier_up, "up"),
        (DOWN_COLUMNS, settings.barrier_down, "down"),
    ):
        column = find_column(layer.attributes, columns) or both
        given = np.array([_share(layer, column, k) for k in row.tolist()])
        lacking = int(np.isnan(given).sum())
        if lacking:
            notes.append(f"{lacking} barriers give no passability {way}stream; {default:g} is taken")
        passable.append(np.maximum(np.where(np.isnan(given), default, given), settings.barrier_floor))
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
    value: Any = None if column is None else layer.attributes[column][row]
    text = text_of(value)
    if text is None:
        return np.nan
    try:
        share = float(text)
    except ValueError:
        share = np.nan
    if not 0 <= share <= 1:
        raise LayerError(
            f"{column} is {text!r}, not a share from 0 to 1",
            file=layer.source.get("path"),
            row=int(layer.numbers[row]),
            remedy="write 0 for nothing passes, 1 for everything, and leave it empty when unknown",
        )
    return share


log = logging.getLogger(__name__)

CACHE_VARIABLE = "POOLBUILDER_CACHE"
VERSION = 1
"""Raised when what is kept, or how it is made, changes."""


def cache_folder() -> Path:
    """Where networks are kept: ``$POOLBUILDER_CACHE``, else the user's cache folder."""
    from platformdirs import user_cache_path

    named = os.environ.get(CACHE_VARIABLE)
    return (Path(named) if named else user_cache_path("poolbuilder")) / "networks"


def load_network(spec: str, *, join_m: float) -> Network:
    """The network of a layer of flow lines, made at the first load and mapped from the cache after.

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
    path, _ = split_spec(spec)
    folder = cache_folder()
    stamp = folder / f"{_stamp(path, spec, join_m)}.json"
    known = _read_json(stamp)
    if known is not None:
        network = _read(folder / str(known.get("network")))
        if network is not None:
            return network
    layer = read_layer(spec, purpose="flow lines")
    key = _digest(layer.source.get("sha256"), layer.source.get("layer"), join_m)
    network = _read(folder / key)
    if network is None or network.source.get("path") != layer.source.get("path"):
        network = build_network(layer, join_m=join_m)
        _write(folder, key, network)
    try:
        write_whole(stamp, json.dumps({"network": key, "path": str(path)}))
    except PoolFileError as error:
        log.info("the network is not kept: %s", error)
    return _read(folder / key) or network


def _digest(*parts: Any) -> str:
    return hashlib.sha256(json.dumps([VERSION, *parts]).encode()).hexdigest()[:32]


def _stamp(path: Path, spec: str, join_m: float) -> str:
    state = path.stat()
    return _digest(str(path.resolve()), spec, join_m, state.st_size, state.st_mtime_ns)


def _read_json(path: Path) -> dict[str, Any] | None:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _read(folder: Path) -> Network | None:
    """A network from its folder; None when it is not there, or not whole."""
    meta = _read_json(folder / "network.json")
    if meta is None:
        return None
    try:
        arrays = {name: np.load(folder / f"{name}.npy", mmap_mode="r") for name in ARRAYS}
    except (OSError, ValueError, RecursionError):
        log.info("the kept network %s is not whole and is made again", folder)
        return None
    if any(list(arrays[name].shape) != meta["shapes"].get(name) for name in ARRAYS):
        return None
    return Network(names=tuple(meta["names"]), notes=tuple(meta["notes"]), source=meta["source"], **arrays)


def _write(folder: Path, key: str, network: Network) -> None:
    """Write beside and rename, so that nobody reads half a network; a full disk is no error."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{key}-", dir=folder))
    except OSError as error:
        log.info("the network cannot be kept in %s: %s", folder, error.strerror)
        return
    try:
        for name in ARRAYS:
            np.save(beside / f"{name}.npy", np.ascontiguousarray(getattr(network, name)))
        meta = {
            "names": network.names,
            "notes": network.notes,
            "source": dict(network.source),
            "shapes": {name: list(getattr(network, name).shape) for name in ARRAYS},
        }
        (beside / "network.json").write_text(json.dumps(meta), encoding="utf-8")
        shutil.rmtree(folder / key, ignore_errors=True)
        beside.rename(folder / key)
    except OSError as error:
        log.info("the network cannot be kept in %s: %s", folder, error.strerror)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
