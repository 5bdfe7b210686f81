"""Where records stand in relation to the water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Placement"]

Floats = NDArray[np.float64]

NUMBERS = (
    "shore_km", "in_water_share", "by_water_km", "upstream_km", "downstream_km", "passability",
    "snap_m", "snap_longitude", "snap_latitude",
)  # fmt: skip
WORDS = ("basin_relation", "snap")
DIVIDED = frozenset({"neighbouring", "other"})
"""Watersheds that a fish can reach only by the sea, or over a divide."""


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
        `distant` (the way is longer than ``networkReachKm``), `unconnected`,
        `unsnapped` (no flow line near), `uncertain` (less certain than
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
    notes: tuple[str, ...] = ()

    @property
    def divided(self) -> NDArray[np.bool_]:
        """Whether a divide is known to lie in between: by watersheds, or as the way is too long to follow."""
        apart = zip(self.basin_relation, self.snap, strict=True)
        return np.array([basin in DIVIDED or snap == "distant" for basin, snap in apart], dtype=bool)

    @classmethod
    def unknown(cls, count: int) -> Placement:
        """A placement of *count* records of which nothing is known."""
        numbers: dict[str, Any] = {name: np.full(count, np.nan) for name in NUMBERS}
        return cls(**numbers, basin_relation=[None] * count, snap=[None] * count)

    def taken(self, rows: NDArray[np.int64]) -> Placement:
        """The placement of some records, or of records that share a place."""
        numbers = {name: getattr(self, name)[rows] for name in NUMBERS}
        words: dict[str, Any] = {
            name: np.array(getattr(self, name), dtype=object)[rows].tolist() for name in WORDS
        }
        return Placement(**numbers, **words)
