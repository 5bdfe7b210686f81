"""Predictors of presence from the lists around a water, and the lines through them.

Each species has a logistic line on (1) its reporting share near and farther out, (2) its
reporting share among the places with like fishes, (3) the number of other fishes in the
water, and (4) the water's position on the main gradients of the fish community.  Slopes of
(1)-(3) are shared among the species, each of which may depart a little; (4) is held near 0.

Where lists are incomplete, a water's own list is only a glimpse: the more is missing, the
more of the gradients, and of the places around, is taken in with (3) and (4).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.effort import decluster, pair_km, reporting_share
from poolbuilder.model.lists import Places
from poolbuilder.model.logistic import Fit, fit, logit
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.settings import Settings

__all__ = [
    "COMMUNITY_SLOPES",
    "EFFORT_SLOPES",
    "GLIMPSE",
    "Ground",
    "Line",
    "draw_line",
    "gather",
    "lay_ground",
    "predictors",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ROWS = 256
"""Waters whose predictors are worked out at once."""

RARE_NAME = 5
"""A name on fewer lists than this is no guide to the community."""

LIKE_SCALE = 30.0
"""Likeness to a power is small; this brings its pseudo-places to the scale of places."""

# Slopes that a fit starts from and is held near: those of 1,661 stream surveys, per unit of
# log-odds of the shares (near, far, like) and of ln(1 + number of other fishes) and its square.
EFFORT_SLOPES = np.array([0.60, 0.40])
COMMUNITY_SLOPES = np.array([0.25, 0.0, 0.70, 0.35, 0.10])
SLOPE_PRECISION = 4.0
OWN_SLOPE_PRECISION = 20.0
AXIS_PRECISION = 15.0
INTERCEPT_MEAN = -2.0
INTERCEPT_PRECISION = 0.05
POOLED_SPECIES = 20
"""Shared slopes are learnt from so many of the most recorded species."""

MOST_SHARE = 0.98

GLIMPSE = 0.95
"""Below this completeness of lists, the fishes of the places around are taken in."""
AROUND_KM = 5.0
AROUND_AXES = 20
MOST_AXES = 40


@dataclass(frozen=True, eq=False)
class Ground:
    """The places that evidence comes from, with all that does not depend on the water.

    Attributes
    ----------
    places : Places
    points : (n, 3) array
        Their ECEF coordinates in metres.
    weight : (n,) array
        Weight of each place against crowding.
    rarity : (k,) array
        What a shared name counts for likeness.
    axes : (k, r) array
        Loadings of the names on the gradients of the community.
    centre : (k,) array
        Share of places that hold each name.
    completeness : float
        Share of the fishes present that a list holds; 1 where it cannot be told.
    teaches : (n,) bool array
        Where somebody looked at the wider group.  Incomplete lists that hold candidates only
        exist because a candidate was there: they would make it look common.
    """

    places: Places
    points: Floats
    weight: Floats
    rarity: Floats
    axes: Floats
    centre: Floats
    completeness: float
    teaches: Bools


def _axes(others: Floats, number: int) -> Floats:
    """Main gradients of the community, (k, r): the leading principal axes of the usual names."""
    usual = others.sum(axis=0) >= RARE_NAME
    r = int(min(number, usual.sum()))
    loadings = np.zeros((others.shape[1], r))
    if r == 0:
        return loadings
    shifted = others[:, usual] - others[:, usual].mean(axis=0)
    values, vectors = np.linalg.eigh(shifted.T @ shifted)
    leading = vectors[:, np.argsort(-values, kind="stable")[:r]]
    sign = np.sign(leading[np.abs(leading).argmax(axis=0), np.arange(r)])
    loadings[usual] = leading * sign
    return loadings


def lay_ground(places: Places, completeness: float, *, settings: Settings) -> Ground:
    """Work out what the places of a region share, whatever the water.

    Parameters
    ----------
    completeness : float
        Share of the fishes present that the lists of a place hold.

    Notes
    -----
    Weight, rarity and axes depend on the other fishes and on where the places are, never on
    the candidates.
    """
    number = min(settings.community_axes / completeness, max(settings.community_axes, MOST_AXES))
    share = places.others.mean(axis=0)
    teaches = np.ones(len(places), dtype=bool)
    if completeness < GLIMPSE:
        teaches = (places.others.sum(axis=1) > 0) | (places.found.sum(axis=1) == 0)
    return Ground(
        places=places,
        points=to_ecef(places.longitude, places.latitude),
        weight=decluster(places.longitude, places.latitude) * teaches,
        rarity=np.minimum(-np.log(np.maximum(share, 1e-9)), 7.0),
        axes=_axes(places.others, int(number)),
        centre=share,
        completeness=completeness,
        teaches=teaches,
    )


def _likeness(mine: Floats, ground: Ground) -> Floats:
    """Weighted Jaccard likeness of lists, (m, n): shared names over all names, rare ones counting more."""
    others = ground.places.others
    shared = (mine * ground.rarity) @ others.T
    a = mine @ ground.rarity
    b = others @ ground.rarity
    out: Floats = (shared + 1.0) / (a[:, None] + b[None, :] - shared + 1.0)
    return out


def predictors(
    points: Floats,
    mine: Floats | None,
    usable: Bools,
    ground: Ground,
    *,
    settings: Settings,
    away_km: Floats | None = None,
) -> Floats:
    """Predictors of every species at every water, (m, s, k).

    Parameters
    ----------
    points : (m, 3) array
        ECEF coordinates of the waters.
    mine : (m, k) array or None
        Other fishes of each water, in the columns of the ground.  None leaves the community
        out: then only the two shares of effort are given.
    usable : (m, n) bool array
        Which places may speak for which water.
    away_km : (m, n) array, optional
        Distances to use in place of those in a straight line.

    Returns
    -------
    (m, s, k) array
        Log-odds of the near and the far share; with *mine* also of the share among like
        places, ln(1 + number of other fishes), its square, and the positions on the axes.
    """
    distance = pair_km(points, ground.points) if away_km is None else away_km

    def share(weight: Floats, kernel_km: float, reach_km: float) -> Floats:
        value = reporting_share(
            distance,
            usable,
            ground.places.found,
            weight,
            kernel_km=kernel_km,
            reach_km=reach_km,
            settings=settings,
        )
        return logit(np.minimum(value / ground.completeness, MOST_SHARE))

    near = share(ground.weight, settings.effort_near_km, settings.effort_reach_km)
    far = share(ground.weight, settings.effort_far_km, settings.effort_reach_km)
    if mine is None:
        return np.stack([near, far], axis=2)
    alike = LIKE_SCALE * ground.teaches * _likeness(mine, ground) ** settings.like_power
    like = share(alike, settings.like_km, np.inf)
    wide = _position(distance, mine, usable, ground)[:, None, :]
    whole = np.broadcast_to(wide, (*near.shape, wide.shape[2]))
    return np.concatenate([np.stack([near, far, like], axis=2), whole], axis=2)


def _position(distance: Floats, mine: Floats, usable: Bools, ground: Ground) -> Floats:
    """Number of other fishes, its square and the place on the gradients, (m, 2 + r).

    With incomplete lists also the means of the places around, as far as lists fall short.
    """
    c = ground.completeness
    number = np.log1p(mine.sum(axis=1) / c)
    position = (mine - ground.centre) @ ground.axes / np.sqrt(c)
    own = np.column_stack([number, number**2, position])
    if c >= GLIMPSE:
        return own
    kernel = np.exp(-distance / AROUND_KM) * usable * ground.weight
    others = ground.places.others
    about = (others - ground.centre) @ ground.axes[:, :AROUND_AXES] / np.sqrt(c)
    size = np.log1p(others.sum(axis=1) / c)
    about = np.column_stack([size - size.mean(), about])
    mean = (kernel @ about) / (kernel.sum(axis=1, keepdims=True) + 0.1)
    return np.column_stack([own, (1 - c) * mean])


def gather(
    points: Floats,
    mine: Floats | None,
    ground: Ground,
    *,
    settings: Settings,
    usable: Bools | None = None,
    away_km: Floats | None = None,
) -> Floats:
    """Predictors of many waters, each from the places beyond the gap around it.

    Parameters
    ----------
    points, mine
        As in :func:`predictors`.
    usable : (n,) bool array, optional
        Places that may speak at all.
    away_km : (m, n) array, optional
        Distances to use in place of those in a straight line; the gap stays a straight one.
    """
    open_to = np.ones(len(ground.points), dtype=bool) if usable is None else usable
    parts = []
    for start in range(0, len(points), ROWS):
        rows = slice(start, start + ROWS)
        beyond = pair_km(points[rows], ground.points) > settings.effort_gap_km
        some = None if mine is None else mine[rows]
        away = None if away_km is None else away_km[rows]
        told = predictors(points[rows], some, beyond & open_to, ground, settings=settings, away_km=away)
        parts.append(told)
    return np.concatenate(parts)


@dataclass(frozen=True, eq=False)
class Line:
    """Logistic lines of all species on the same kinds of predictors.

    Attributes
    ----------
    centre : (s, k) array
        What each predictor is on average; coefficients refer to the difference from it.
    coefficients : (s, 1 + k) array
        Intercept first.
    covariance : (s, 1 + k, 1 + k) array
        By Laplace's method; that of the shared slopes is included.
    converged : bool
    """

    centre: Floats
    coefficients: Floats
    covariance: Floats
    converged: bool

    def _shifted(self, x: Floats) -> Floats:
        return np.concatenate([np.ones((*x.shape[:2], 1)), x - self.centre], axis=2)

    def parts(self, x: Floats) -> Floats:
        """Parts of the log-odds, (m, s, 1 + k): intercept first, then each predictor."""
        out: Floats = self._shifted(x) * self.coefficients
        return out

    def log_odds(self, x: Floats) -> Floats:
        """Log-odds of presence, (m, s)."""
        out: Floats = self.parts(x).sum(axis=2)
        return out

    def spread(self, x: Floats) -> Floats:
        """Standard error of the log-odds, (m, s), from the parameters' covariance."""
        shifted = self._shifted(x)
        out: Floats = np.sqrt(np.einsum("msi,sij,msj->ms", shifted, self.covariance, shifted))
        return out


def _shared_slopes(x: Floats, y: Floats, start: Floats, found_share: float) -> Fit:
    """Slopes common to the species, each with its own intercept; x (n, s, k), y (n, s)."""
    n, s, k = x.shape
    picked = np.argsort(-y.sum(axis=0), kind="stable")[: min(s, POOLED_SPECIES)]
    size = len(picked)
    stacked = np.zeros((n * size, size + k))
    for i, species in enumerate(picked.tolist()):
        stacked[i * n : (i + 1) * n, i] = 1
        stacked[i * n : (i + 1) * n, size:] = x[:, species]
    found = fit(
        stacked,
        y[:, picked].T.reshape(-1),
        mean=np.concatenate([np.full(size, INTERCEPT_MEAN), start]),
        precision=np.concatenate([np.full(size, INTERCEPT_PRECISION), np.full(k, SLOPE_PRECISION)]),
        found_share=found_share,
    )
    return Fit(found.coefficients[size:], found.covariance[size:, size:], found.converged)


def draw_line(x: Floats, y: Floats, start: Floats, *, found_share: float) -> Line:
    """Fit the lines of all species: shared slopes first, then each species' departures.

    Parameters
    ----------
    x : (n, s, k) array
        Predictors; the first ``len(start)`` have shared slopes, the others are axes.
    y : (n, s) array
        1 where the species was found.
    start : array
        Prior means of the shared slopes.
    found_share : float
        Completeness of the lists that *y* comes from.
    """
    shared = len(start)
    centre = x.mean(axis=0)
    shifted = x - centre
    pooled = _shared_slopes(shifted[:, :, :shared], y, start, found_share)
    free = x.shape[2] - shared
    mean = np.concatenate([[INTERCEPT_MEAN], pooled.coefficients, np.zeros(free)])
    precision = np.concatenate(
        [[INTERCEPT_PRECISION], np.full(shared, OWN_SLOPE_PRECISION), np.full(free, AXIS_PRECISION)]
    )
    ones = np.ones((len(y), 1))
    fits = [
        fit(
            np.hstack([ones, shifted[:, j]]), y[:, j], mean=mean, precision=precision, found_share=found_share
        )
        for j in range(y.shape[1])
    ]
    covariance = np.stack([one.covariance for one in fits])
    covariance[:, 1 : 1 + shared, 1 : 1 + shared] += pooled.covariance
    return Line(
        centre=centre,
        coefficients=np.stack([one.coefficients for one in fits]),
        covariance=covariance,
        converged=pooled.converged and all(one.converged for one in fits),
    )
