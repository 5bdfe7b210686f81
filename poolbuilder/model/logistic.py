"""Logistic regression with a normal prior on the coefficients, by Newton's method.

The response may be seen through imperfect eyes: a fish that is there is found with
probability *c*, so that ``P(found) = c / (1 + exp(-x·b))``.  With c = 1 this is ridge
logistic regression.  A proper prior keeps every fit finite, separable data included.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_TINY = 1e-12
EARTH_KM = 6371.0088


def inverse_logit(x: Floats) -> Floats:
    """Log-odds to probability, without overflow; strictly between 0 and 1."""
    bounded = np.clip(x, -30.0, 30.0)
    out: Floats = 1 / (1 + np.exp(-bounded))
    return out


def logit(p: Floats) -> Floats:
    """Probability to log-odds; 0 and 1 are taken as 1e-12 away from the edge."""
    bounded = np.clip(p, _TINY, 1 - _TINY)
    out: Floats = np.log(bounded) - np.log1p(-bounded)
    return out


def pair_km(a: Floats, b: Floats) -> Floats:
    """Distances between ECEF points in metres, (m, 3) and (n, 3), as an (m, n) array in km.

    The chord is bent to the arc of the mean sphere by the first terms of the arcsine; up to
    1,000 km the result is within 0.4 % of the geodesic, far below what a kernel can tell apart.
    """
    square = np.zeros((len(a), len(b)), dtype=a.dtype)
    for i in range(3):
        apart = np.subtract.outer(a[:, i], b[:, i])
        apart *= apart
        square += apart
    return chord_km(square)


def chord_km(square: Floats) -> Floats:
    """Distance over the ground in km from the squared straight line in m²."""
    square = square * 1e-6
    bend = square / (4 * EARTH_KM**2)
    out: Floats = np.sqrt(square) * (1 + bend * (1 / 6 + bend * 3 / 40))
    return out


def product(a: Floats, b: Floats, *, blocked: bool) -> Floats:
    """Matrix product; each row as if it were alone, to the last bit, unless *blocked*, which is faster.

    What is said of a water then does not depend on the waters that it is weighed together with.
    """
    out: Floats = a @ b if blocked else (a[:, None, :] @ b)[:, 0, :]
    return out


@dataclass(frozen=True, eq=False)
class Fit:
    """Coefficients (k,), their covariance (k, k) by Laplace's method, and whether Newton converged."""

    coefficients: Floats
    covariance: Floats
    converged: bool


def _objective(
    b: Floats, x: Floats, y: Floats, mean: Floats, precision: Floats, c: float, offset: Floats | float
) -> float:
    p = np.clip(c * inverse_logit(x @ b + offset), _TINY, 1 - _TINY)
    loss = -float((y * np.log(p) + (1 - y) * np.log1p(-p)).sum())
    return loss + 0.5 * float((precision * (b - mean) ** 2).sum())


def fit(
    x: Floats,
    y: Floats,
    *,
    mean: Floats,
    precision: Floats,
    found_share: float = 1.0,
    offset: Floats | float = 0.0,
    steps: int = 50,
) -> Fit:
    """Find the posterior mode of the coefficients.

    Parameters
    ----------
    x : (n, k) array
        Predictors; put a column of ones first for an intercept.
    y : (n,) array
        0 or 1.
    mean, precision : (k,) array
        Normal prior, independent coefficients; every precision above 0.
    found_share : float
        c: the probability that a species that is there is found, in (0, 1].
    offset : (n,) array, optional
        Known part of the log-odds.

    Returns
    -------
    Fit

    Notes
    -----
    Fisher scoring with step halving: the expected information keeps the curvature positive
    where c < 1 makes the likelihood lose its concavity.
    """
    b = np.array(mean, dtype=float)
    value = _objective(b, x, y, mean, precision, found_share, offset)
    converged = False
    information = np.diag(precision).astype(float)
    for _ in range(steps):
        gradient, information = _slope(b, x, y, mean, precision, found_share, offset)
        step = np.linalg.solve(information, gradient)
        size = 1.0
        while size > 1e-6:
            moved = _objective(b + size * step, x, y, mean, precision, found_share, offset)
            if moved <= value:
                break
            size /= 2
        else:
            converged = True  # no better point in the direction of ascent: rounding is all that is left
            break
        b = b + size * step
        converged = value - moved < 1e-9 * (1 + abs(value))
        value = moved
        if converged:
            break
    _, information = _slope(b, x, y, mean, precision, found_share, offset)
    return Fit(b, np.asarray(np.linalg.inv(information), dtype=np.float64), converged)


def _slope(
    b: Floats, x: Floats, y: Floats, mean: Floats, precision: Floats, c: float, offset: Floats | float
) -> tuple[Floats, Floats]:
    """Gradient of the log posterior and the expected information."""
    psi = inverse_logit(x @ b + offset)
    p = np.clip(c * psi, _TINY, 1 - _TINY)
    rise = p * (1 - psi)
    spread = p * (1 - p)
    gradient = x.T @ ((y - p) * rise / spread) - precision * (b - mean)
    information = (x * (rise**2 / spread)[:, None]).T @ x
    information[np.diag_indices_from(information)] += precision
    return gradient, information
