"""Plain counts of many waters: records of each species within the radius, join and sum in one loop.

Nothing is weighed here.  With numba the pairs of waters and records are never written down;
without it scipy's tree lists them water by water.  Both settle the edge by the geodesic.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import schemas, tables
from poolbuilder.geodesy import WGS84, chord_bounds_m, distance_km, to_ecef
from poolbuilder.many.ball import UNDATED
from poolbuilder.many.points import Balls, Points, balls_of_balls, has_numba
from poolbuilder.site import Site

__all__ = ["Tally", "tally", "tally_table"]


Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Tally:
    """Counts of each water (rows) and species (columns).

    ``nearest`` is the position of the nearest point in chord, -1 for none.
    """

    records: Ints
    nearest: Ints
    chord_m: Floats
    first: NDArray[np.int32]
    last: NDArray[np.int32]

    @classmethod
    def empty(cls, waters: int, species: int) -> Tally:
        """A tally without any record."""
        shape = (waters, species)
        found = cls(
            records=np.empty(shape, np.int64),
            nearest=np.empty(shape, np.int64),
            chord_m=np.empty(shape),
            first=np.empty(shape, np.int32),
            last=np.empty(shape, np.int32),
        )
        found.clear()
        return found

    def clear(self) -> None:
        """Forget what was counted."""
        self.records[:], self.nearest[:], self.chord_m[:] = 0, -1, np.inf
        self.first[:], self.last[:] = 32767, UNDATED

    def join(self, other: Tally) -> None:
        """Add what was counted among later points."""
        nearer = other.chord_m < self.chord_m
        self.records[:] += other.records
        self.nearest[nearer], self.chord_m[nearer] = other.nearest[nearer], other.chord_m[nearer]
        np.minimum(self.first, other.first, out=self.first)
        np.maximum(self.last, other.last, out=self.last)

    def add(self, water: int, points: Points, rows: Ints, chord_m: Floats) -> None:
        """Count the points at *rows* for one water."""
        for row, chord in zip(rows.tolist(), chord_m.tolist(), strict=True):
            at = water, points.species[row]
            self.records[at] += 1
            if chord < self.chord_m[at]:
                self.chord_m[at], self.nearest[at] = chord, row
            if points.year[row] != UNDATED:
                self.first[at] = min(self.first[at], points.year[row])
                self.last[at] = max(self.last[at], points.year[row])


def tally(points: Points, sites: Sequence[Site], *, compiled: bool | None = None) -> Tally:
    """Count the points within each site's radius, by species.

    Parameters
    ----------
    compiled : bool, optional
        Whether to use numba; by default where it is installed.
    """
    found = Tally.empty(len(sites), len(points.names))
    if not len(points.species) or not sites:
        return found
    if compiled is None:
        compiled = has_numba()
    places = to_ecef([site.longitude for site in sites], [site.latitude for site in sites])
    bounds = np.array([chord_bounds_m(site.radius_km) for site in sites])
    joined = _compiled(points, places, bounds, found) if compiled else _listed(points, places, bounds, found)
    for water, rows, chord in joined:
        site = sites[water]
        exact = distance_km(
            points.longitude[rows],
            points.latitude[rows],
            from_longitude=site.longitude,
            from_latitude=site.latitude,
        )
        inside = exact <= site.radius_km
        found.add(water, points, rows[inside], chord[inside])
    return found


Doubts = list[tuple[int, Ints, Floats]]
"""For each water, points so near the edge that the chord does not settle them."""


def _listed(points: Points, places: Floats, bounds: Floats, found: Tally) -> Doubts:
    from scipy.spatial import cKDTree

    ecef = _in_ecef(points)
    tree = cKDTree(ecef)
    doubts: Doubts = []
    for water, (place, (inside, outside)) in enumerate(zip(places, bounds, strict=True)):
        rows = np.sort(np.array(tree.query_ball_point(place, outside), dtype=np.int64))
        chord = np.sqrt(((ecef[rows] - place) ** 2).sum(axis=1))
        sure = chord < inside
        _add_sorted(found, water, points, rows[sure], chord[sure])
        if not sure.all():
            doubts.append((water, rows[~sure], chord[~sure]))
    return doubts


def _in_ecef(points: Points) -> Floats:
    """Points in ECEF, (n, 3), to the last bit as the compiled loop has them where that is installed."""
    if not has_numba():
        return to_ecef(points.longitude, points.latitude)
    from poolbuilder.many.compiled import place

    ecef = np.empty((3, len(points.longitude)))
    place(points.longitude, points.latitude, 0, ecef.shape[1], WGS84.a, WGS84.es, ecef)
    return np.ascontiguousarray(ecef.T)


def _add_sorted(found: Tally, water: int, points: Points, rows: Ints, chord: Floats) -> None:
    """Count many points of one water at once."""
    species, year = points.species[rows], points.year[rows]
    width = len(points.names)
    found.records[water] += np.bincount(species, minlength=width)
    order = np.lexsort((rows, chord, species))
    first = np.flatnonzero(np.diff(species[order], prepend=-1))
    best = order[first]
    found.nearest[water, species[best]] = rows[best]
    found.chord_m[water, species[best]] = chord[best]
    dated = year != UNDATED
    np.minimum.at(found.first[water], species[dated], year[dated])
    np.maximum.at(found.last[water], species[dated], year[dated])


def _compiled(points: Points, places: Floats, bounds: Floats, found: Tally) -> Doubts:
    """Count in as many threads as the process may use, each some of the points."""
    large = balls_of_balls(points.balls)
    threads = pa.cpu_count()
    ends = np.unique(np.linspace(0, len(large[1]), 2 * threads + 1).astype(int)).tolist()
    waters, shape = (places, bounds), found.records.shape

    def count(groups: tuple[int, int]) -> tuple[Tally, Doubts]:
        return _counted(points, groups, large, waters, Tally.empty(*shape))

    doubts: Doubts = []
    with ThreadPoolExecutor(threads) as pool:
        for part, more in pool.map(count, itertools.pairwise(ends)):
            found.join(part)
            doubts += more
    return doubts


def _counted(
    points: Points, groups: tuple[int, int], large: Balls, waters: tuple[Floats, Floats], found: Tally
) -> tuple[Tally, Doubts]:
    """Count the points of some groups of balls; again with more room if doubts are many."""
    from poolbuilder.many.compiled import loop

    room = 4096
    arrays = (points.longitude, points.latitude, points.species, points.year)
    tables = (found.records, found.nearest, found.chord_m, found.first, found.last)
    while True:
        doubts = (np.zeros(room, np.int64), np.zeros(room, np.int64), np.zeros(room))
        used = int(
            loop(arrays, groups, points.balls, large, waters, tables, doubts, WGS84.a, WGS84.es),
        )
        if used <= room:
            break
        room = used
        found.clear()
    np.sqrt(found.chord_m, out=found.chord_m)
    water, row, chord = (values[:used] for values in doubts)
    listed = [(int(which), row[water == which], chord[water == which]) for which in np.unique(water)]
    return found, listed


def tally_table(found: Tally, points: Points, sites: Sequence[Site], numbers: Sequence[int]) -> pa.Table:
    """A tally as a table; schema TALLIES, one row per water and species."""
    waters, species = found.records.shape
    km = np.full(found.records.shape, np.nan)
    water, code = np.nonzero(found.nearest >= 0)
    rows = found.nearest[water, code]
    km[water, code] = distance_km(
        points.longitude[rows],
        points.latitude[rows],
        from_longitude=np.array([site.longitude for site in sites])[water],
        from_latitude=np.array([site.latitude for site in sites])[water],
    )
    dated = (found.last != UNDATED).ravel()
    water_of = np.repeat(np.arange(waters), species)
    made = {
        "water": tables.array(np.asarray(numbers)[water_of], pa.int32()),
        "waterName": _repeated([site.name for site in sites], water_of),
        "scientificName": _repeated(points.names, np.tile(np.arange(species), waters)),
        "records": tables.array(found.records.ravel(), pa.int32()),
        "nearestKm": tables.array(km.ravel(), pa.float64()),
        "firstYear": tables.array(found.first.ravel(), pa.int32(), mask=dated),
        "lastYear": tables.array(found.last.ravel(), pa.int32(), mask=dated),
    }
    table = pa.Table.from_arrays([made[name] for name in schemas.TALLIES.names], schema=schemas.TALLIES)
    return schemas.check(table, schemas.TALLIES, "tally")


def _repeated(texts: Sequence[str], at: Ints) -> pa.Array:
    """Texts at the given positions, made without a Python object for each row."""
    return tables.array(texts, pa.string()).take(tables.array(at, pa.int64()))
