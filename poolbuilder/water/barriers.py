"""Dams and falls: where they stand on the network, and what they let through each way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.errors import LayerError
from poolbuilder.places.layers import Layer
from poolbuilder.settings import Settings
from poolbuilder.water.labels import find_column, names_of, text_of

__all__ = ["Barriers", "read_barriers"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

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
