"""Plain counts of many waters: records of each species within the radius, join and sum in one loop.

Nothing is weighed here.  With numba the pairs of waters and records are never written down;
without it scipy's tree lists them water by water.  Both settle the edge by the geodesic.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import columns, schemas
from poolbuilder.geodesy import WGS84, chord_bounds_m, distance_km, to_ecef
from poolbuilder.many.ball import BLOCK, UNDATED
from poolbuilder.records.store.curve import along_curve
from poolbuilder.site import Site

__all__ = ["Points", "Tally", "tally", "tally_table"]


Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Points:
    """Records as points, in the order of the curve, with balls around each `BLOCK` of them."""

    longitude: Floats
    latitude: Floats
    ecef: Floats
    species: NDArray[np.int32]
    year: NDArray[np.int32]
    centre: Floats
    size_m: Floats
    names: tuple[str, ...]

    @classmethod
    def of(
        cls, longitude: Floats, latitude: Floats, species: Ints, year: Ints, names: Sequence[str]
    ) -> Points:
        """Sort points along the curve and put balls around them.

        Parameters
        ----------
        longitude, latitude : (n,) array
            Degrees on the globe.
        species, year : (n,) int array
            Index into *names*; `UNDATED` where there is no year.
        """
        code = along_curve(longitude, latitude)
        if (code[1:] < code[:-1]).any():  # records of a store lie along the curve already
            order = np.argsort(code, kind="stable")
            longitude, latitude = longitude[order], latitude[order]
            species, year = species[order], year[order]
        ecef, centre, size = _placed(longitude, latitude)
        return cls(
            longitude=longitude,
            latitude=latitude,
            ecef=ecef,
            species=species.astype(np.int32),
            year=year.astype(np.int32),
            centre=centre,
            size_m=size,
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
        role, roles = columns.codes(screened["role"])
        candidate = np.array([name == "candidate" for name in roles] + [False], dtype=bool)[role]
        longitude, latitude = (columns.numbers(screened[name]) for name in ("longitude", "latitude"))
        kept = (
            ~columns.valid(screened["rejectedBy"])
            & candidate
            & (code >= 0)
            & np.isfinite(longitude + latitude)
        )
        year = columns.integers(screened["eventYear"], missing=UNDATED)
        return cls.of(longitude[kept], latitude[kept], code[kept], year[kept], names)


def has_numba() -> bool:
    """Whether numba is installed."""
    return importlib.util.find_spec("numba") is not None


def _placed(longitude: Floats, latitude: Floats) -> tuple[Floats, Floats, Floats]:
    """Points in ECEF, and centre and size of the balls around them."""
    if has_numba() and len(longitude):
        from poolbuilder.many import compiled

        ecef = compiled.to_ecef(longitude, latitude, WGS84.a, WGS84.es)
        return (ecef, *compiled.balls_of(ecef))
    ecef = to_ecef(longitude, latitude)
    return (ecef, *_balls(ecef, np.zeros(len(ecef))))


def _balls(points: Floats, size_m: Floats) -> tuple[Floats, Floats]:
    """Centre and size of a ball around every `BLOCK` points or balls, 1 mm for rounding added."""
    starts = np.arange(0, len(points), BLOCK)
    low, high = (by.reduceat(points, starts, axis=0) for by in (np.minimum, np.maximum))
    centre = (low + high) / 2
    own = np.repeat(centre, np.diff(starts, append=len(points)), axis=0)
    far = np.sqrt(((points - own) ** 2).sum(axis=1)) + size_m
    return np.ascontiguousarray(centre), np.maximum.reduceat(far, starts) + 1e-3


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
        return cls(
            records=np.zeros(shape, np.int64),
            nearest=np.full(shape, -1, np.int64),
            chord_m=np.full(shape, np.inf),
            first=np.full(shape, 32767, np.int32),
            last=np.full(shape, UNDATED, np.int32),
        )

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

    tree = cKDTree(points.ecef)
    doubts: Doubts = []
    for water, (place, (inside, outside)) in enumerate(zip(places, bounds, strict=True)):
        rows = np.sort(np.array(tree.query_ball_point(place, outside), dtype=np.int64))
        chord = np.sqrt(((points.ecef[rows] - place) ** 2).sum(axis=1))
        sure = chord < inside
        _add_sorted(found, water, points, rows[sure], chord[sure])
        if not sure.all():
            doubts.append((water, rows[~sure], chord[~sure]))
    return doubts


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
    from poolbuilder.many.compiled import loop

    room = 4096
    large = _balls(points.centre, points.size_m)
    while True:
        tables = (found.records, found.nearest, found.chord_m, found.first, found.last)
        doubts = (np.zeros(room, np.int64), np.zeros(room, np.int64), np.zeros(room))
        used = int(
            loop(
                (np.ascontiguousarray(points.ecef.T), points.species, points.year),
                (points.centre, points.size_m),
                large,
                places,
                bounds,
                tables,
                doubts,
            )
        )
        if used <= room:
            break
        room = used
        fresh = Tally.empty(*found.records.shape)
        found.records[:], found.nearest[:], found.chord_m[:] = fresh.records, fresh.nearest, fresh.chord_m
        found.first[:], found.last[:] = fresh.first, fresh.last
    np.sqrt(found.chord_m, out=found.chord_m)
    water, row, chord = (values[:used] for values in doubts)
    return [(int(which), row[water == which], chord[water == which]) for which in np.unique(water)]


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
        "water": columns.array(np.asarray(numbers)[water_of], pa.int32()),
        "waterName": _repeated([site.name for site in sites], water_of),
        "scientificName": _repeated(points.names, np.tile(np.arange(species), waters)),
        "records": columns.array(found.records.ravel(), pa.int32()),
        "nearestKm": columns.array(km.ravel(), pa.float64()),
        "firstYear": columns.array(found.first.ravel(), pa.int32(), mask=dated),
        "lastYear": columns.array(found.last.ravel(), pa.int32(), mask=dated),
    }
    table = pa.Table.from_arrays([made[name] for name in schemas.TALLIES.names], schema=schemas.TALLIES)
    return schemas.check(table, schemas.TALLIES, "tally")


def _repeated(texts: Sequence[str], at: Ints) -> pa.Array:
    """Texts at the given positions, made without a Python object for each row."""
    return columns.array(texts, pa.string()).take(columns.array(at, pa.int64()))
