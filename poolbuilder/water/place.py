"""Where records stand in relation to the water."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["Placement"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Placement:
    """Records in relation to the water, one element each; NaN or None where unknown.

    Attributes
    ----------
    shore_km : float array
        Geodesic distance to the nearest shore, 0 in the water; NaN without an outline.
    in_water_share : float array
        Probability that the record lies in the water; NaN without an outline.
    by_water_km : float array
        Distance along the stream network; NaN when the record is put on no flow line, or on one
        that is not connected to the water.
    upstream_km, downstream_km : float array
        The parts of it that run upstream and downstream from the site towards the record.
    passability : float array
        Product of the barriers' passabilities on the way from the record to the site.
    basin_relation : list
        `same`, `upstream`, `downstream`, `neighbouring`, `other`, or None.
    snap : list
        What was done to place the record on the network: `water` (it lies in the outline),
        `stream`, `lake` (it lies in another water and is put where that touches a flow line),
        `unconnected`, `unsnapped` (no flow line near), `uncertain` (less certain than
        ``streamSnapUncertaintyM``); None without a network.
    snap_m : float array
        Distance to the likeliest flow line.
    snap_longitude, snap_latitude : float array
        The place on it.
    notes : tuple of str
        How many records were placed how.
    """

    shore_km: Floats
    in_water_share: Floats
    by_water_km: Floats
    upstream_km: Floats
    downstream_km: Floats
    passability: Floats
    basin_relation: list[str | None]
    snap: list[str | None]
    snap_m: Floats
    snap_longitude: Floats
    snap_latitude: Floats
    notes: tuple[str, ...] = field(default=())
