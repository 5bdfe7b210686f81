"""Where a record may really lie, and what that does to counts within a radius.

A record's true location is taken as bivariate normal around its coordinates, with the σ at
which the given uncertainty holds the share *quantile* of locations.  Darwin Core defines
`coordinateUncertaintyInMeters` as the radius that holds the whole location, so the quantile
is high.

The distance of the true location from the site then has the Rice distribution.  All functions
take and give arrays and need nothing but numpy.

References
----------
Rice, S. O. 1945. Mathematical analysis of random noise. Bell System Technical Journal 24,
46-156 (from memory).
Marcum, J. I. 1950. Table of Q functions. RAND RM-339 (from memory).
Chapman, A. D. and Wieczorek, J. R. 2020. Georeferencing Best Practices, glossary.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

TAIL = 7.0
"""Standard deviations looked at on either side: beyond lie 2e-11 of the locations."""
SMALLEST_SIGMA_KM = 1e-9
"""A micrometre: below it a location is a point."""
FEW = 64
"""So few are computed one by one."""
CHUNK = 512
"""Records at a time, so that the nodes of one step stay in the processor's cache."""


def sigma_km(uncertainty_m: ArrayLike, *, quantile: float) -> Floats:
    """Standard deviation of the location on each axis, in km.

    Parameters
    ----------
    uncertainty_m : array_like
        Radius in metres that holds the share *quantile* of true locations.
    quantile : float
        Above 0, below 1.

    Notes
    -----
    The distance from the centre is Rayleigh distributed: P(r ≤ u) = 1 - exp(-u²/2σ²), so
    σ = u / √(-2 ln(1 - q)); for q = 0.95, σ = 0.408539 u.
    """
    return np.asarray(uncertainty_m, dtype=np.float64) / 1000 / math.sqrt(-2 * math.log1p(-quantile))


# The Rice distribution.  With a = d/σ and t = (r - d)/σ its density in t is
#     (a + t) exp(-t²/2) I0e(a(a + t)),   I0e(x) = exp(-x) I0(x),
# in which nothing overflows and nothing large is subtracted, whatever d and σ.


BESSEL_CELLS = 1024
BESSEL_SCALE = 2.0


def _bessel_exact(x: Floats) -> Floats:
    """√(1 + 2πx) I0e(x): smooth, and between 1 and 1.2 everywhere on x ≥ 0."""
    small, large = np.minimum(x, 600.0), np.maximum(x, 600.0)
    near = np.sqrt(1 + 2 * np.pi * small) * np.exp(-small) * np.i0(small)
    series = 1 + 1 / (8 * large) + 9 / (128 * large**2) + 75 / (1024 * large**3)
    return np.asarray(np.where(x < 600.0, near, np.sqrt(1 + 1 / (2 * np.pi * large)) * series))


def _bessel_table() -> Floats:
    """A cubic through four Chebyshev points of each cell of y = x/(x + 2); (4, cells), constant first."""
    node = (1 - np.cos(np.pi * (np.arange(4) + 0.5) / 4)) / 2
    y = (np.arange(BESSEL_CELLS)[:, None] + node) / BESSEL_CELLS
    values = _bessel_exact(BESSEL_SCALE * y / (1 - y))
    return np.ascontiguousarray(np.linalg.solve(np.vander(node, increasing=True), values.T))


_BESSEL = _bessel_table()


def _scaled_bessel(x: Floats) -> Floats:
    """√(1 + 2πx) I0e(x) for x ≥ 0, within 1e-11, from the table."""
    y = x / (x + BESSEL_SCALE) * BESSEL_CELLS
    cell = np.minimum(y.astype(np.int64), BESSEL_CELLS - 1)
    y -= cell
    out: Floats = _BESSEL[3].take(cell)
    for row in (2, 1, 0):
        out *= y
        out += _BESSEL[row].take(cell)
    return out


def _rice_without_gauss(a: Floats, t: Floats) -> Floats:
    """The Rice density in t without its factor exp(-t²/2); *a* is (n, 1), *t* (n, nodes)."""
    r = a + t
    x = a * r
    return np.asarray(r * _scaled_bessel(x) / np.sqrt(1 + 2 * np.pi * x))


_NODES_28 = legendre.leggauss(28)


def _distinct(first: Floats, second: Floats, compute: Callable[[Floats, Floats], Floats]) -> Floats:
    """Compute once for each distinct pair: records of one survey share place and uncertainty."""
    if len(first) <= FEW:
        return compute(first, second)
    pairs, back = np.unique(first + 1j * second, return_inverse=True)
    out = np.empty(len(pairs))
    for start in range(0, len(pairs), CHUNK):
        part = pairs[start : start + CHUNK]
        out[start : start + CHUNK] = compute(part.real.copy(), part.imag.copy())
    return np.asarray(out[back])


def share_inside(distance_km: ArrayLike, sigma_km: ArrayLike, radius_km: ArrayLike) -> Floats:
    """Probability that the true location lies within the radius.

    Parameters
    ----------
    distance_km, sigma_km : array_like, (n,)
        Distance of the given coordinates from the site; σ of the location, 0 for a point.
    radius_km : float
        Radius around the site.

    Returns
    -------
    float64 array
        NaN where distance or σ is missing.

    Notes
    -----
    The Rice distribution function 1 - Q₁(d/σ, R/σ), which is that of the noncentral χ² with two
    degrees of freedom at (R/σ)² with noncentrality (d/σ)².  Integrated with Gauss-Legendre nodes
    over the part of the density within the radius; right to 1e-9.

    Examples
    --------
    >>> share_inside([40, 45], sigma_km([10_000, 10_000], quantile=0.95), 40).round(6).tolist()
    [0.4796, 0.101674]
    """
    distance, sigma = np.broadcast_arrays(
        np.asarray(distance_km, dtype=np.float64), np.asarray(sigma_km, dtype=np.float64)
    )
    radius = float(np.asarray(radius_km))
    width = np.maximum(sigma, SMALLEST_SIGMA_KM)
    edge = (radius - distance) / width
    out = np.where(edge >= 0, 1.0, 0.0)
    out[np.isnan(distance) | np.isnan(sigma)] = np.nan
    near = (np.abs(edge) < TAIL) & (sigma >= SMALLEST_SIGMA_KM)
    if near.any():
        out[near] = _distinct(distance[near], sigma[near], lambda d, s: _rice_inside(d, s, radius))
    return out


def _rice_inside(distance: Floats, sigma: Floats, radius: float) -> Floats:
    a = (distance / sigma)[:, None]
    low = np.maximum(-a, -TAIL)
    high = np.minimum(((radius - distance) / sigma)[:, None], TAIL)
    half = np.maximum(high - low, 0) / 2
    nodes, weights = _NODES_28
    t = low + half * (1 + nodes)
    density = _rice_without_gauss(a, t) * np.exp(-0.5 * t * t)
    return np.asarray(np.clip((density @ weights) * half[:, 0], 0.0, 1.0))
