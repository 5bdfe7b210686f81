"""Records as points with balls around neighbours, so that far ones are passed over together."""

from __future__ import annotations

import importlib.util
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.geodesy import WGS84, to_ecef
from poolbuilder.many.ball import BLOCK, UNDATED
from poolbuilder.records.store.curve import along_curve

__all__ = ["Balls", "Points", "balls_around", "has_numba"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_LARGEST_CURVATURE_M = WGS84.a**2 / WGS84.b
"""No radius of curvature of the ellipsoid is larger; both are as large as this at the poles."""
Balls = tuple[Floats, Floats]
"""Centres (m, 3) and sizes (m,) in metres."""


def has_numba() -> bool:
    """Whether numba is installed."""
    return importlib.util.find_spec("numba") is not None


@dataclass(frozen=True, kw_only=True)
class Points:
    """Records as points, neighbours together, with a ball around each `BLOCK` of them."""

    longitude: Floats
    latitude: Floats
    species: Ints
    year: Ints
    balls: Balls
    names: tuple[str, ...]

    @classmethod
    def of(
        cls, longitude: Floats, latitude: Floats, species: Ints, year: Ints, names: Sequence[str]
    ) -> Points:
        """Put balls around points, which are sorted along the curve before unless they lie so.

        Parameters
        ----------
        longitude, latitude : (n,) array
            Degrees on the globe.
        species, year : (n,) int array
            Index into *names*; `UNDATED` where there is no year.
        """
        # Every point is right in any order; one of each ball tells whether sorting is worth while.
        code = along_curve(longitude[::BLOCK], latitude[::BLOCK])
        if (code[1:] < code[:-1]).any():
            order = np.argsort(along_curve(longitude, latitude), kind="stable")
            longitude, latitude = longitude[order], latitude[order]
            species, year = species[order], year[order]
        return cls(
            longitude=longitude,
            latitude=latitude,
            species=species.astype(np.int64, copy=False),
            year=year.astype(np.int64, copy=False),
            balls=balls_around(longitude, latitude),
            names=tuple(names),
        )

    @classmethod
    def of_screened(cls, screened: pa.Table, names: Sequence[str]) -> Points:
        """The kept records that name one species of *names* and no other."""
        index = {name: code for code, name in enumerate(names)}
        accepted = screened["acceptedNames"].to_pylist()
        code = np.array(
            [index.get(item[0], -1) if len(item) == 1 else -1 for item in accepted], dtype=np.int64
        )
        role, roles = tables.codes(screened["role"])
        candidate = np.array([name == "candidate" for name in roles] + [False], dtype=bool)[role]
        longitude, latitude = (tables.numbers(screened[name]) for name in ("longitude", "latitude"))
        kept = (
            ~tables.valid(screened["rejectedBy"])
            & candidate
            & (code >= 0)
            & np.isfinite(longitude + latitude)
        )
        year = tables.integers(screened["eventYear"], missing=UNDATED)
        return cls.of(longitude[kept], latitude[kept], code[kept], year[kept], names)


def balls_around(longitude: Floats, latitude: Floats) -> Balls:
    """A ball around every `BLOCK` points, from the box of their coordinates; 1 mm for rounding added.

    Notes
    -----
    On the ellipsoid ds² = M² dφ² + N² cos²φ dλ², and neither M nor N is larger than a²/b.  The
    line from the middle of a box that is straight in φ and λ is therefore not longer than
    a²/b · √(Δφ² + cos²φ Δλ²) with the largest cosine of the box, and no chord is longer than it.
    """
    starts = np.arange(0, len(longitude), BLOCK)
    if not len(starts):
        return np.zeros((0, 3)), np.zeros(0)

    def ends(axis: Floats) -> tuple[Floats, Floats]:
        return np.minimum.reduceat(axis, starts), np.maximum.reduceat(axis, starts)

    with ThreadPoolExecutor(pa.cpu_count()) as pool:
        (west, east), (south, north) = pool.map(ends, (longitude, latitude))
    nearest_equator = np.where((south <= 0) & (north >= 0), 0.0, np.minimum(np.abs(south), np.abs(north)))
    across = np.radians(east - west) / 2 * np.cos(np.radians(nearest_equator))
    size = _LARGEST_CURVATURE_M * np.hypot(np.radians(north - south) / 2, across) + 1e-3
    return to_ecef((west + east) / 2, (south + north) / 2), size


def balls_of_balls(balls: Balls) -> Balls:
    """A ball around every `BLOCK` balls, 1 mm for rounding added."""
    centres, sizes = balls
    starts = np.arange(0, len(sizes), BLOCK)
    low, high = (by.reduceat(centres, starts, axis=0) for by in (np.minimum, np.maximum))
    middle = (low + high) / 2
    own = np.repeat(middle, np.diff(starts, append=len(sizes)), axis=0)
    far = np.sqrt(((centres - own) ** 2).sum(axis=1)) + sizes
    return np.ascontiguousarray(middle), np.maximum.reduceat(far, starts) + 1e-3
