"""Plain counts of many waters: records of each species within the radius, join and sum in one loop.

Records are points with balls around neighbours, so that far ones are passed over together.
Nothing is weighed here.  With numba the pairs of waters and records are never written down;
without it scipy's tree lists them water by water.  Both settle the edge by the geodesic.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import schemas, tables
from poolbuilder.places.geodesy import WGS84, chord_bounds_m, distance_km, to_ecef
from poolbuilder.places.sites import Site
from poolbuilder.records.store_files import along_curve

try:
    import numba
except ImportError:  # every water then has its records listed
    HAS_NUMBA = False
else:
    HAS_NUMBA = True

BLOCK: Final = 64
"""Points, or balls, that one ball holds."""
UNDATED: Final = -32768
"""Year of a record without one."""


Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_LARGEST_CURVATURE_M = WGS84.a**2 / WGS84.b
"""No radius of curvature of the ellipsoid is larger; both are as large as this at the poles."""
Balls = tuple[Floats, Floats]
"""Centres (m, 3) and sizes (m,) in metres."""


def compiled(function: Any) -> Any:
    """The function compiled by numba, where that is installed."""
    # Kept on disk: each process of a run would compile it again.
    return numba.njit(nogil=True, cache=True)(function) if HAS_NUMBA else function


@compiled
def place(longitude, latitude, start, stop, a, es, found):  # type: ignore[no-untyped-def]
    """What `geodesy.to_ecef` gives for the points of a ball, into (3, `BLOCK`) metres."""
    for at in range(start, stop):
        lam, phi = math.radians(longitude[at]), math.radians(latitude[at])
        sine = math.sin(phi)
        normal = a / math.sqrt(1 - es * sine * sine)
        across = normal * math.cos(phi)
        found[0, at - start] = across * math.cos(lam)
        found[1, at - start] = across * math.sin(lam)
        found[2, at - start] = normal * (1 - es) * sine


@compiled
def meets(balls, at, place, outside):  # type: ignore[no-untyped-def]
    """Whether a ball may hold a point within reach."""
    centre = balls[0]
    x, y, z = centre[at, 0] - place[0], centre[at, 1] - place[1], centre[at, 2] - place[2]
    reach = outside + balls[1][at]
    return x * x + y * y + z * z <= reach * reach


@compiled
def squares(ecef, place, found):  # type: ignore[no-untyped-def]
    """Squares of the chords from a place to the points of a ball; without branches, so it is quick."""
    x, y, z = ecef[0], ecef[1], ecef[2]
    for at in range(BLOCK):
        found[at] = (x[at] - place[0]) ** 2 + (y[at] - place[1]) ** 2 + (z[at] - place[2]) ** 2


@compiled
def visit(found, start, stop, points, bound, row, water, doubts, used):  # type: ignore[no-untyped-def]
    """Count the points of a ball by their squares, and note those that the chord does not settle."""
    _, _, species, year = points
    records, nearest, nearest_m2, first, last = row
    inside2, outside2 = bound[0] * bound[0], bound[1] * bound[1]
    for at in range(start, stop):
        d2 = found[at - start]
        if d2 > outside2:
            continue
        if d2 >= inside2:
            if used < doubts[0].shape[0]:
                doubts[0][used], doubts[1][used], doubts[2][used] = water, at, np.sqrt(d2)
            used += 1
            continue
        kind = species[at]
        records[kind] += 1
        if d2 < nearest_m2[kind]:
            nearest_m2[kind], nearest[kind] = d2, at
        if year[at] != UNDATED:
            first[kind] = min(first[kind], year[at])
            last[kind] = max(last[kind], year[at])
    return used


@compiled
def loop(points, groups, balls, large, waters, tables, doubts, a, es):  # type: ignore[no-untyped-def]
    """Count some of the points for every water; gives the number of doubts, however little room there is.

    A group is the balls of a large ball.  The points of a ball are placed when the first water
    may reach it, and stay in the processor's cache for the other waters.

    Parameters
    ----------
    points : tuple
        Longitude, latitude, species and year, each (n,).
    groups : (int, int)
        Large balls from the first to the one before the second.
    balls, large : tuple
        Centres (m, 3) and sizes (m,) of balls of points, and of balls of balls.
    waters : tuple
        Waters in ECEF (w, 3); chords that are surely inside and surely outside (w, 2).
    tables : tuple
        records, nearest, square of the nearest chord, first and last year, each (w, species);
        filled here.
    doubts : tuple
        water, point and chord of the pairs to be settled by the geodesic; filled here.
    a, es : float
        The ellipsoid's larger half axis and the square of its eccentricity.
    """
    used = 0
    places, bounds = waters
    records, nearest, nearest_m2, first, last = tables
    ecef = np.zeros((BLOCK, 3, BLOCK))
    placed = np.empty(BLOCK, np.bool_)
    found = np.empty(BLOCK)
    for group in range(groups[0], groups[1]):
        placed[:] = False
        for water in range(places.shape[0]):
            if not meets(large, group, places[water], bounds[water, 1]):
                continue
            row = (records[water], nearest[water], nearest_m2[water], first[water], last[water])
            for ball in range(group * BLOCK, min((group + 1) * BLOCK, balls[1].shape[0])):
                if not meets(balls, ball, places[water], bounds[water, 1]):
                    continue
                start, stop = ball * BLOCK, min((ball + 1) * BLOCK, points[0].shape[0])
                own = ecef[ball - group * BLOCK]
                if not placed[ball - group * BLOCK]:
                    place(points[0], points[1], start, stop, a, es, own)
                    placed[ball - group * BLOCK] = True
                squares(own, places[water], found)
                used = visit(found, start, stop, points, bounds[water], row, water, doubts, used)
    return used


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


def tally(points: Points, sites: Sequence[Site], *, by_numba: bool | None = None) -> Tally:
    """Count the points within each site's radius, by species.

    Parameters
    ----------
    by_numba : bool, optional
        Whether to use numba; by default where it is installed.
    """
    found = Tally.empty(len(sites), len(points.names))
    if not len(points.species) or not sites:
        return found
    if by_numba is None:
        by_numba = HAS_NUMBA
    places = to_ecef([site.longitude for site in sites], [site.latitude for site in sites])
    bounds = np.array([chord_bounds_m(site.radius_km) for site in sites])
    joined = _compiled(points, places, bounds, found) if by_numba else _listed(points, places, bounds, found)
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
    if not HAS_NUMBA:
        return to_ecef(points.longitude, points.latitude)
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
