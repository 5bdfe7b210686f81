"""The other fishes of a water: what the company of species around tells of each candidate.

One ridge logistic a candidate, learnt from the sites around with whole lists: on the log-odds of its share
there (with a slope of its own), of its share among sites with like fishes, on how many other fishes there
are, and on the main gradients of the community.  It moves the share and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.constants import Constants
from poolbuilder.model.logistic import fit, logit, pair_km, product
from poolbuilder.model.looking import Looking, added_up
from poolbuilder.model.share import MOST_SHARE, Smoothing, mean_shares
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

SHARED = np.array([0.35, 0.70, 0.35, 0.10])
"""Where the slopes start and are held near: share, share among like sites, ln(1 + fishes), its square."""
SHARED_PRECISION, OWN_PRECISION = 4.0, 20.0
BASE_MEAN, BASE_PRECISION = -2.0, 0.05
RARE_NAME = 5
FEW_FINDS = 5
MOST_AXES = 40
LIKE_SCALE, LIKE_KM, LIKE_PRIOR = 30.0, 30.0, 0.3
ROWS = 128
_SINGLE = ("spread_km", "looked", "found", "others")
POOLED_SPECIES = 20
MOST_SITES = 2500
"""The sites nearest to the middle of the region are learnt from."""


@dataclass(frozen=True, eq=False)
class Community:
    """What was learnt.

    Attributes
    ----------
    rows : (n,) int array
        Sites of the region with lists: like ones among them speak.
    rarity, centre, axes
        What a shared name counts for likeness; share of sites with each name; loadings on the gradients.
    mean : (s, k) array
        Of each predictor.
    coefficients : (s, 1 + k) array
    covariance : (s, 1 + k, 1 + k) array
    taught : (s,) bool array
        Species found at enough sites to be learnt; the others keep their share.
    completeness : float
        Of the lists.
    """

    rows: Ints
    rarity: Floats
    centre: Floats
    axes: Floats
    mean: Floats
    coefficients: Floats
    covariance: Floats
    taught: Bools
    completeness: float

    def log_odds(self, x: Floats) -> tuple[Floats, Floats]:
        """Log-odds of presence and their standard error, (m, s), from predictors (m, s, k)."""
        shifted = np.concatenate([np.ones((*x.shape[:2], 1)), x - self.mean], axis=2)
        value = (shifted * self.coefficients).sum(axis=2)
        error = np.sqrt(np.einsum("msi,sij,msj->ms", shifted, self.covariance, shifted))
        return value, error

    def pull(self) -> Floats:
        """What each other fish adds to the log-odds of each candidate, (k, s)."""
        first = 1 + len(SHARED)
        out: Floats = self.axes @ self.coefficients[:, first:].T
        return out


def _axes(others: Floats, number: int) -> Floats:
    """Main gradients of the community, (k, r): the leading principal axes of the usual names."""
    usual = others.sum(axis=0) >= RARE_NAME
    r = int(min(number, usual.sum()))
    loadings = np.zeros((others.shape[1], r))
    if r == 0:
        return loadings
    centred = others[:, usual] - others[:, usual].mean(axis=0)
    values, vectors = np.linalg.eigh(centred.T @ centred)
    leading = vectors[:, np.argsort(-values, kind="stable")[:r]]
    loadings[usual] = leading * np.sign(leading[np.abs(leading).argmax(axis=0), np.arange(r)])
    return loadings


def predictors(
    share: Floats,
    distance_km: Floats,
    usable: Bools,
    mine: Floats,
    looking: Looking,
    community: Community,
    *,
    learning: bool = False,
) -> Floats:
    """Predictors of waters, (m, s, k).

    Parameters
    ----------
    share : (m, s) array
        Of the surroundings.
    distance_km, usable : (m, n) array
        To the sites that taught, and which of them may speak.
    mine : (m, k) array
        Other fishes of each water.
    """
    c, rarity = community.completeness, community.rarity.astype(mine.dtype)
    others, found = looking.others[community.rows], looking.found[community.rows]
    shared = product(mine * rarity, others.T, blocked=learning)
    total = (mine * rarity).sum(axis=1)[:, None] + (others @ rarity)[None, :]
    total -= shared
    total += 1
    shared += 1
    shared /= total
    shared *= shared
    kernel = np.exp(np.where(usable, distance_km, np.inf) / -LIKE_KM)
    kernel *= shared  # the fourth power of how alike two lists are
    kernel *= shared
    kernel *= LIKE_SCALE
    like = product(kernel, found, blocked=learning) + LIKE_PRIOR * share * c
    like /= (kernel.sum(axis=1, keepdims=True) + LIKE_PRIOR) * c
    number = np.log1p(mine.sum(axis=1) / c)
    axes = product(mine - community.centre, community.axes, blocked=learning) / np.sqrt(c)
    own = np.column_stack([number, number**2, axes])
    wide = np.broadcast_to(own[:, None, :], (*share.shape, own.shape[1]))
    pair = np.stack([logit(share), logit(np.clip(like, 1e-4, MOST_SHARE))], axis=2)
    return np.concatenate([pair, wide], axis=2)


def learn_community(
    looking: Looking,
    prior: Floats,
    smoothing: Smoothing,
    *,
    constants: Constants,
    settings: Settings,
    open_to: Bools,
) -> Community | None:
    """Learn the community of a region.

    Parameters
    ----------
    open_to : (n,) bool array
        Sites that teach, and speak to those that do.

    Returns
    -------
    Community or None
        None with fewer sites with lists than ``communityMinSites``.
    """
    rows = np.flatnonzero(looking.listed)
    if len(rows) < settings.community_min_sites or not len(looking.species):
        return None
    if len(rows) > MOST_SITES:
        away = ((looking.points[rows] - np.median(looking.points[rows], axis=0)) ** 2).sum(axis=1)
        rows = np.sort(rows[np.argsort(away, kind="stable")[:MOST_SITES]])
    teach = rows[open_to[rows]]
    if not len(teach):
        return None
    c = float(np.clip(looking.looked[rows].max(axis=1).mean(), 0.05, 1.0))
    others = looking.others[rows]
    half = Community(
        rows=rows,
        rarity=np.minimum(-np.log(np.maximum(others.mean(axis=0), 1e-9)), 7.0),
        centre=others.mean(axis=0),
        axes=_axes(others, int(min(settings.community_axes / c, MOST_AXES))),
        mean=np.zeros(0),
        coefficients=np.zeros(0),
        covariance=np.zeros(0),
        taught=looking.found[teach].sum(axis=0) >= FEW_FINDS,
        completeness=c,
    )
    x = _of_sites(teach, open_to, looking, prior, smoothing, half, settings)
    return _fitted(x, looking.found[teach], half, constants)


def _of_sites(
    rows: Ints,
    open_to: Bools,
    looking: Looking,
    prior: Floats,
    smoothing: Smoothing,
    half: Community,
    settings: Settings,
) -> Floats:
    """Predictors of the teaching sites, each from the sites beyond the gap around it.

    In single precision, about which no coefficient knows: 3 cm and seven digits of a share.
    """
    places, middle = added_up(looking, open_to), looking.points.mean(axis=0)
    looking, places = (
        replace(
            one,
            points=(one.points - middle).astype(np.float32),
            **{name: getattr(one, name).astype(np.float32) for name in _SINGLE},
        )
        for one in (looking, places)
    )
    parts = []
    for start in range(0, len(rows), ROWS):
        some = rows[start : start + ROWS]
        km = pair_km(looking.points[some], places.points)
        usual = np.tile(prior, (len(some), 1))
        share = mean_shares(km, km > settings.effort_gap_km, places, usual, smoothing)
        km = pair_km(looking.points[some], looking.points[half.rows])
        beyond = (km > settings.effort_gap_km) & open_to[half.rows]
        parts.append(predictors(share, km, beyond, looking.others[some], looking, half, learning=True))
    return np.concatenate(parts)


def _fitted(x: Floats, found: Floats, half: Community, constants: Constants) -> Community:
    """Slopes common to the species first, then each species' departures."""
    y = (found >= 0.5).astype(float)
    n, s, k = x.shape
    q = len(SHARED)
    mean = x.mean(axis=0)
    centred = x - mean
    c = min(1.0, half.completeness / MOST_SHARE)
    picked = np.argsort(-y.sum(axis=0), kind="stable")[: min(s, POOLED_SPECIES)]
    stacked = np.zeros((n * len(picked), len(picked) + q))
    for i, species in enumerate(picked.tolist()):
        stacked[i * n : (i + 1) * n, i] = 1
        stacked[i * n : (i + 1) * n, len(picked) :] = centred[:, species, :q]
    pooled = fit(
        stacked,
        y[:, picked].T.reshape(-1),
        mean=np.concatenate([np.full(len(picked), BASE_MEAN), SHARED]),
        precision=np.concatenate([np.full(len(picked), BASE_PRECISION), np.full(q, SHARED_PRECISION)]),
        found_share=c,
    )
    slopes, slopes_covariance = pooled.coefficients[-q:], pooled.covariance[-q:, -q:]
    middle = np.concatenate([[BASE_MEAN], slopes, np.zeros(k - q)])
    precision = np.concatenate(
        [[BASE_PRECISION], np.full(q, OWN_PRECISION), np.full(k - q, constants.penalty)]
    )
    ones = np.ones((n, 1))
    fits = [
        fit(np.hstack([ones, centred[:, j]]), y[:, j], mean=middle, precision=precision, found_share=c)
        for j in range(s)
    ]
    covariance = np.stack([one.covariance for one in fits])
    covariance[:, 1 : 1 + q, 1 : 1 + q] += slopes_covariance
    return Community(
        half.rows,
        half.rarity,
        half.centre,
        half.axes,
        mean,
        np.stack([one.coefficients for one in fits]),
        covariance,
        half.taught,
        half.completeness,
    )
