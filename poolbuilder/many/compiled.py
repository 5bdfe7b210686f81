"""The loop over waters, balls and points, compiled by numba; imported only where numba is installed.

Points lie in the order of the curve.  A ball holds 64 neighbouring points, a large ball 64
balls; whole balls out of reach are passed over, their points are not even placed, and no list
of pairs is ever written.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from poolbuilder.many.counting import BLOCK, UNDATED

__all__ = ["loop", "place"]

compiled = numba.njit(nogil=True, cache=True)  # each process of a run would compile it again


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
