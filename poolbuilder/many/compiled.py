"""The loop over waters, balls and points, compiled by numba; imported only where numba is installed.

Points lie in the order of the curve.  A ball holds 64 neighbouring points, a large ball 64
balls; whole balls out of reach are passed over, and no list of pairs is ever written.
"""

from __future__ import annotations

import numba
import numpy as np

from poolbuilder.many.ball import BLOCK, UNDATED

__all__ = ["loop"]

compiled = numba.njit(nogil=True)


@compiled
def square(points, at, place):  # type: ignore[no-untyped-def]
    """Square of the chord between a point and a place."""
    x, y, z = points[at, 0] - place[0], points[at, 1] - place[1], points[at, 2] - place[2]
    return x * x + y * y + z * z


@compiled
def meets(balls, at, place, outside):  # type: ignore[no-untyped-def]
    """Whether a ball may hold a point within reach."""
    reach = outside + balls[1][at]
    return square(balls[0], at, place) <= reach * reach


@compiled
def count(tables, water, species, year, at, d2):  # type: ignore[no-untyped-def]
    """Count one point."""
    records, nearest, nearest_m2, first, last = tables
    records[water, species] += 1
    if d2 < nearest_m2[water, species]:
        nearest_m2[water, species], nearest[water, species] = d2, at
    if year != UNDATED:
        first[water, species] = min(first[water, species], year)
        last[water, species] = max(last[water, species], year)


@compiled
def visit(points, ball, place, bound, tables, water, doubts, used):  # type: ignore[no-untyped-def]
    """Count the points of a ball, and note those that the chord does not settle."""
    ecef, species, year = points
    inside2, outside2 = bound[0] * bound[0], bound[1] * bound[1]
    for at in range(ball * BLOCK, min((ball + 1) * BLOCK, ecef.shape[0])):
        d2 = square(ecef, at, place)
        if d2 < inside2:
            count(tables, water, species[at], year[at], at, d2)
        elif d2 <= outside2:
            if used < doubts[0].shape[0]:
                doubts[0][used], doubts[1][used], doubts[2][used] = water, at, np.sqrt(d2)
            used += 1
    return used


@compiled
def loop(points, balls, large, places, bounds, tables, doubts):  # type: ignore[no-untyped-def]
    """Count for every water; gives the number of doubts, which may be more than there is room for.

    Parameters
    ----------
    points : tuple
        ECEF (n, 3) in metres, species (n,), year (n,).
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
    for water in range(places.shape[0]):
        place, bound = places[water], bounds[water]
        for group in range(large[0].shape[0]):
            if not meets(large, group, place, bound[1]):
                continue
            for ball in range(group * BLOCK, min((group + 1) * BLOCK, balls[0].shape[0])):
                if meets(balls, ball, place, bound[1]):
                    used = visit(points, ball, place, bound, tables, water, doubts, used)
    return used
