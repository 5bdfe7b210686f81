"""The loop over waters, balls and points, compiled by numba; imported only where numba is installed.

Points lie in the order of the curve.  A ball holds 64 neighbouring points, a large ball 64
balls; whole balls out of reach are passed over, and no list of pairs is ever written.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from poolbuilder.many.ball import BLOCK, UNDATED

__all__ = ["balls_of", "loop", "to_ecef"]

compiled = numba.njit(nogil=True, cache=True)  # each process of a run would compile it again


@compiled
def to_ecef(longitude, latitude, a, es):  # type: ignore[no-untyped-def]
    """What `geodesy.to_ecef` gives, (n, 3) in metres, in one pass over the points."""
    found = np.empty((longitude.shape[0], 3))
    for at in range(longitude.shape[0]):
        lam, phi = math.radians(longitude[at]), math.radians(latitude[at])
        sine = math.sin(phi)
        normal = a / math.sqrt(1 - es * sine * sine)
        across = normal * math.cos(phi)
        found[at, 0] = across * math.cos(lam)
        found[at, 1] = across * math.sin(lam)
        found[at, 2] = normal * (1 - es) * sine
    return found


@compiled
def balls_of(points):  # type: ignore[no-untyped-def]
    """Centre and size of the ball around every `BLOCK` points, 1 mm for rounding added."""
    count = (points.shape[0] + BLOCK - 1) // BLOCK
    centre, size = np.empty((count, 3)), np.empty(count)
    for ball in range(count):
        start, stop = ball * BLOCK, min((ball + 1) * BLOCK, points.shape[0])
        for axis in range(3):
            low = high = points[start, axis]
            for at in range(start + 1, stop):
                low, high = min(low, points[at, axis]), max(high, points[at, axis])
            centre[ball, axis] = (low + high) / 2
        far = 0.0
        for at in range(start, stop):
            x, y, z = (
                points[at, 0] - centre[ball, 0],
                points[at, 1] - centre[ball, 1],
                points[at, 2] - centre[ball, 2],
            )
            far = max(far, x * x + y * y + z * z)
        size[ball] = math.sqrt(far) + 1e-3
    return centre, size


@compiled
def meets(balls, at, place, outside):  # type: ignore[no-untyped-def]
    """Whether a ball may hold a point within reach."""
    centre = balls[0]
    x, y, z = centre[at, 0] - place[0], centre[at, 1] - place[1], centre[at, 2] - place[2]
    reach = outside + balls[1][at]
    return x * x + y * y + z * z <= reach * reach


@compiled
def squares(ecef, start, stop, place, found):  # type: ignore[no-untyped-def]
    """Squares of the chords from a place to the points of a ball; without branches, so it is quick."""
    x, y, z = ecef[0, start:stop], ecef[1, start:stop], ecef[2, start:stop]
    for at in range(stop - start):
        found[at] = (x[at] - place[0]) ** 2 + (y[at] - place[1]) ** 2 + (z[at] - place[2]) ** 2


@compiled
def visit(points, ball, place, bound, row, water, doubts, used, found):  # type: ignore[no-untyped-def]
    """Count the points of a ball, and note those that the chord does not settle."""
    ecef, species, year = points
    records, nearest, nearest_m2, first, last = row
    start, stop = ball * BLOCK, min((ball + 1) * BLOCK, ecef.shape[1])
    squares(ecef, start, stop, place, found)
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
def loop(points, balls, large, places, bounds, tables, doubts):  # type: ignore[no-untyped-def]
    """Count for every water; gives the number of doubts, which may be more than there is room for.

    Parameters
    ----------
    points : tuple
        ECEF (3, n) in metres, species (n,), year (n,).
    balls, large : tuple
        Centres (m, 3) and sizes (m,) of balls of points, and of balls of balls.
    places, bounds : (w, 3), (w, 2) array
        Waters in ECEF; chords that are surely inside and surely outside.
    tables : tuple
        records, nearest, square of the nearest chord, first and last year, each (w, species);
        filled here.
    doubts : tuple
        water, point and chord of the pairs to be settled by the geodesic; filled here.
    """
    used = 0
    found = np.empty(BLOCK)
    records, nearest, nearest_m2, first, last = tables
    for water in range(places.shape[0]):
        place, bound = places[water], bounds[water]
        row = (records[water], nearest[water], nearest_m2[water], first[water], last[water])
        for group in range(large[0].shape[0]):
            if not meets(large, group, place, bound[1]):
                continue
            for ball in range(group * BLOCK, min((group + 1) * BLOCK, balls[0].shape[0])):
                if meets(balls, ball, place, bound[1]):
                    used = visit(points, ball, place, bound, row, water, doubts, used, found)
    return used
