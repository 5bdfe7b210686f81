"""The share of looked-at sites that hold a species: near, farther, wide, each leaning on the next wider one.

    π_k = (Σ K_k f + m π_{k+1}) / (Σ K_k c + m),    K_k(d) = exp(-d / s_k)

with f what was found at a site and c how well it was looked at.  The widest share leans on a prior by native
status.  At every scale it is the mean of a beta-binomial whose prior is the next wider share with the weight
of m sites; m and the nearest scale are those that best foretell the region's sites from one another.
Sites of the other type of water (still or running) move the prior through the shift between the
types and its spread, once, and pass on how far they differ from scale to scale.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.constants import Constants
from poolbuilder.model.logistic import inverse_logit, logit, pair_km, product
from poolbuilder.model.looking import (
    MOST_NAMES,
    RICHNESS,
    SHAPE_PRIOR,
    SHAPES,
    STILL,
    Looking,
    added_up,
    without_zeros,
)
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

SCALES_KM = (300.0, 100.0, 20.0, 3.0)
"""Wide, to near.  Any sensible choice predicts alike; how many of them tell something is learnt by region."""
NEAR = 2
"""The first scale that counts as near."""
LEANS, LEAST_SCALES = (2.0, 5.0, 12.0), 2
MOST_JUDGED, UNUSUAL = 400, 6.0
"""Sites that judge; log-likelihood that another smoothing than the usual one must gain."""
CUT = 5.0
"""Kernels end at so many scales."""
MOST_SHARE = 0.98
TOGETHER_KM, MOST_LISTS = 100.0, 200.0
"""Lists so near one another tell of the same waters, and no more than so many count."""
USUAL_CANDIDATES, CANDIDATES_SPREAD = 1.5, 0.4
"""Candidates in a water: 1.2 to 3 on average in five public data sets."""
WHOLE = 0.97
"""Where only candidates were recorded, lists are whole but for the odd extract."""
EDGE = 1e-9
BLOCK = 1.5
"""Sites of one survey or valley are not independent: variances count so many times."""
PRIOR_SITES = 1.0
DIFFERENT = 0.02
"""One water in fifty is unlike all around it (stocked, dug, cut off): there the prior stands."""
THERE = inverse_logit(np.arange(-14.0, 8.0, 0.05))
"""Shares of the other type that are weighed."""
LOGISTIC = math.pi / 8
"""Of the variance, in the mean of a share with normal log-odds (MacKay 1992, Neural Computation 4:720; from
memory)."""


@dataclass(frozen=True)
class Smoothing:
    """How far the surroundings are alike, learnt by region.

    Attributes
    ----------
    lean : float
        Sites that the next wider share counts for.
    scales : int
        How many of the scales tell something, from the widest on.
    """

    lean: float = LEANS[0]
    scales: int = len(SCALES_KM)


@dataclass(frozen=True, eq=False)
class Shares:
    """What the surroundings say.

    Attributes
    ----------
    prior, wide, share : (m, s) array
        The prior, the share at the scales that are not near, the share at all scales.
    variance : (m, s) array
        Of the log-odds of *share*.
    """

    prior: Floats
    wide: Floats
    share: Floats
    variance: Floats


_BY_CLASS = {
    "extant": "native",
    "probably_extant": "native",
    "introduced": "introduced",
    "possibly_extant": "doubtful",
    "possibly_extinct": "doubtful",
    "uncertain": "doubtful",
    "vagrant": "doubtful",
    "extinct": "extinct",
}
_BY_MEANS = {
    "native": "native",
    "nativeReintroduced": "native",
    "nativeEndemic": "native",
    "introduced": "introduced",
    "introducedAssistedColonisation": "introduced",
}


def starting_share(
    range_class: str, range_km: float | None, means: str | None, *, settings: Settings
) -> float:
    """Share of waters that hold a species before any site was looked at, by its status here.

    The range class of the polygons decides where it says something, else who says native or introduced
    (*means*); outside of every polygon the share falls with the distance to the nearest.
    """
    by = {
        "native": settings.prior_native,
        "introduced": settings.prior_introduced,
        "doubtful": settings.prior_doubtful,
        "extinct": settings.prior_outside,
    }
    kind = _BY_CLASS.get(range_class) or _BY_MEANS.get(means or "")
    if kind:
        return by[kind]
    if range_class == "outside" and range_km is not None:
        near = math.exp(-range_km / settings.range_edge_km)
        return settings.prior_outside + (settings.prior_doubtful - settings.prior_outside) * near
    return settings.prior_not_stated


def shifted(share: Floats, shift: Floats) -> Floats:
    """A share moved by log-odds."""
    out: Floats = inverse_logit(logit(share) + shift)
    return out


def shift_of(species: tuple[str, ...], kinds: Ints, constants: Constants) -> Floats:
    """Log-odds of waters of each type minus those of the other type, (m, s)."""
    sign = np.where(kinds == STILL, 1.0, -1.0)
    shift: Floats = sign[:, None] * np.array([constants.shift.get(name, 0.0) for name in species])
    return shift


def nested_shares(
    distance_km: Floats,
    usable: Bools,
    looking: Looking,
    prior: Floats,
    *,
    kinds: Ints,
    constants: Constants,
    smoothing: Smoothing = Smoothing(),
) -> tuple[Shares, Shares]:
    """Shares around waters.

    Parameters
    ----------
    distance_km : (m, n) array
        From each water to each site.
    usable : (m, n) bool array
        Which sites may speak for which water.
    looking : Looking
    prior : (m, s) array
        Starting share by status.
    kinds : (m,) int array
        Type of each water; 0 where it is not known.
    smoothing : Smoothing

    Returns
    -------
    Shares, Shares
        With all sites as they are; and with those of the other type of water set apart, where the type of a
        water is known.
    """
    away = np.where(usable, np.sqrt(distance_km**2 + looking.spread_km**2), np.inf)
    variance = prior * (1 - prior) / (PRIOR_SITES + 1)
    looked = _looked(looking, away)
    of = looking.water_type[None, :]
    apart: Bools = (of != 0) & (kinds[:, None] != 0) & (of != kinds[:, None])
    parted = np.asarray(apart.any(axis=1), dtype=bool)
    if not parted.any():
        plain = _shares(_counted(away, looking.found, looked, smoothing.scales), smoothing, prior, variance)
        return plain, plain
    own = _counted(np.where(apart, np.inf, away), looking.found, looked, smoothing.scales)
    theirs = _counted(np.where(apart, away, np.inf), looking.found, looked, smoothing.scales)
    all_sites = [(a + x, b + y, c + z) for (a, b, c), (x, y, z) in zip(own, theirs, strict=True)]
    plain = _shares(all_sites, smoothing, prior, variance)
    shift = shift_of(looking.species, kinds, constants)
    led = _Led(
        parted[:, None],
        list(_scales(theirs, smoothing.lean, shifted(prior, -shift), variance)),
        theirs[0][0] / BLOCK,
        np.maximum(theirs[0][1] - theirs[0][0], 0) / BLOCK,
        shift,
        constants.shift_spread,
    )
    return plain, _shares(own, smoothing, prior, variance, led)


def mean_shares(
    distance_km: Floats, usable: Bools, looking: Looking, prior: Floats, smoothing: Smoothing
) -> Floats:
    """The share around waters with all sites as they are, as `nested_shares` has it, (m, s)."""
    away = np.where(usable, np.sqrt(distance_km**2 + looking.spread_km**2), np.inf)
    counted = _counted(away, looking.found, _looked(looking, away), smoothing.scales, learning=True)
    share: Floats = _shares(counted, smoothing, prior, np.zeros_like(prior)).share
    return share


def _shares(
    counted: list[Counted], smoothing: Smoothing, prior: Floats, variance: Floats, led: _Led | None = None
) -> Shares:
    """Shares from what was counted around each water."""
    nested = list(_scales(counted, smoothing.lean, prior, variance, led))
    wide, (share, variance) = nested[NEAR - 1][0], nested[-1]
    wide, _ = some_unlike(wide, prior, variance)
    share, variance = some_unlike(share, prior, variance)
    return Shares(prior, wide, share, _of_log_odds(share, variance))


def some_unlike(share: Floats, prior: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Share and variance where one water in fifty is unlike those around it: there the prior stands."""
    mixed = (1 - DIFFERENT) * share + DIFFERENT * prior
    # How often a water is unlike the others is known to a factor of e.
    return mixed, (1 - DIFFERENT) ** 2 * variance + (DIFFERENT * prior * (1 - mixed)) ** 2


Counted = tuple[Floats, Floats, Floats]
"""Kernel-weighted finds and looked-at sites, and the latter by the squared kernel, (m, s) each."""


def _counted(
    away: Floats, found: Floats, looked: Floats, scales: int, *, learning: bool = False
) -> list[Counted]:
    """What is counted around each water at each scale, wide to near; sites infinitely far do not count.

    For *learning*, which asks for no variances, the squares are left at 0.
    """
    out = []
    alike = looked.ndim == 2  # for every water
    both = np.concatenate([found, looked], axis=1) if alike else found
    for scale in SCALES_KM[:scales]:
        kernel = np.exp(away / -scale)
        kernel *= away < CUT * scale
        finds, number = np.split(product(kernel, both, blocked=learning), [found.shape[1]], axis=1)
        if not alike:
            number = product(kernel, looked, blocked=False)
        squares = np.zeros_like(number) if learning else product(kernel**2, looked, blocked=False)
        out.append((finds, number, squares))
    return out


def _scales(
    counted: list[Counted], lean: float, share: Floats, variance: Floats, led: _Led | None = None
) -> Iterator[tuple[Floats, Floats]]:
    """Share and its variance at each scale, wide to near, (m, s) each."""
    for k, (found, number, squares) in enumerate(counted):
        if led is not None:
            share, variance = led(k, share, variance)
        share = np.minimum((found + lean * share) / (number + lean), MOST_SHARE)
        spread = share * (1 - share)
        variance = (BLOCK * squares * spread + lean**2 * variance) / (number + lean) ** 2
        yield share, variance


def learn_smoothing(looking: Looking, prior: Floats, *, open_to: Bools, gap_km: float) -> Smoothing:
    """The lean and the nearest scale that best foretell the sites of a region from one another.

    By the likelihood of what was found at each site, from those beyond the gap around it.  Where only
    candidates were recorded, among the sites with any.
    """
    rows = np.flatnonzero(open_to)
    rows = rows[:: max(1, -(-len(rows) // MOST_JUDGED))]
    if len(rows) < 2:
        return Smoothing()
    looked = np.minimum(looking.looked, 1.0)
    if looking.only_candidates:
        looked = np.ones_like(looked)
    places = added_up(replace(looking, looked=looked), open_to)
    km = pair_km(looking.points[rows], places.points)
    away = np.where(km > gap_km, np.sqrt(km**2 + places.spread_km**2), np.inf)
    counted = _counted(away, places.found, places.looked, len(SCALES_KM), learning=True)
    start = np.repeat(prior[None, :], len(rows), axis=0)
    found, c = looking.found[rows], looked[rows]
    best, most = Smoothing(), -np.inf
    for lean in LEANS:
        for number, (share, _) in enumerate(_scales(counted, lean, start, start), start=1):
            chance = np.clip(c * share, 1e-4, 1 - 1e-4)
            fit = float((found * np.log(chance) + (c > 0) * (1 - found) * np.log1p(-chance)).sum())
            if (one := Smoothing(lean, number)) != Smoothing():
                fit -= UNUSUAL
            if number >= LEAST_SCALES and fit > most:
                best, most = one, fit
    return best


def _of_log_odds(share: Floats, variance: Floats) -> Floats:
    out: Floats = variance / np.maximum(share * (1 - share), 1e-6) ** 2
    return out


@dataclass(frozen=True, eq=False)
class _Led:
    """Where sites of the other type of water lead the share of this type.

    At the widest scale they move the prior by Bayes: log-odds of this type are normal around the prior,
    those of the other type lie the shift away with its spread, and its sites are a binomial sample.  So a
    hundred streams without a lake fish say little of lakes, and a hundred with it much.  At nearer scales
    they pass on how far they differ from the wider one.
    """

    parted: Bools
    theirs: list[tuple[Floats, Floats]]
    hits: Floats
    misses: Floats
    shift: Floats
    spread: float

    def __call__(self, k: int, share: Floats, variance: Floats) -> tuple[Floats, Floats]:
        if k:
            there, error = self.theirs[k]
            moved = logit(there) - logit(self.theirs[k - 1][0])
            passed = shifted(share, moved / (1 + _of_log_odds(there, error)))
            return np.where(self.parted, passed, share), variance
        lead, spread = self._widest(share, variance)
        return np.where(self.parted, lead, share), np.where(self.parted, spread, variance)

    def _widest(self, share: Floats, variance: Floats) -> tuple[Floats, Floats]:
        own = _of_log_odds(share, variance)
        middle = logit(share) * np.sqrt(1 + LOGISTIC * own)
        apart = own + self.spread**2
        left = own * self.spread**2 / apart
        here = logit(THERE) + self.shift[..., None]
        fit = self.hits[..., None] * np.log(THERE) + self.misses[..., None] * np.log1p(-THERE)
        fit = fit - (here - middle[..., None]) ** 2 / (2 * apart[..., None])
        weight = np.exp(fit - fit.max(axis=-1, keepdims=True))
        weight = weight / weight.sum(axis=-1, keepdims=True)
        toward = (own / apart)[..., None]
        ours = middle[..., None] * (1 - toward) + toward * here
        value = inverse_logit(ours / np.sqrt(1 + LOGISTIC * left[..., None]))
        mean = (weight * value).sum(axis=-1)
        within = left * (weight * (value * (1 - value)) ** 2).sum(axis=-1)
        return mean, (weight * value**2).sum(axis=-1) - mean**2 + within


@functools.cache
def _stands_for() -> tuple[Floats, Floats]:
    """By shape and mean of what lists name and by how much of it they name: sites a list stands for, odds.

    The number of candidates that a water holds is log-normal around USUAL_CANDIDATES; nearly all lists
    name all of them, a few any part.
    """
    part = np.exp(np.linspace(np.log(0.03), 0.0, 15))
    odds = np.log(np.where(part == 1, WHOLE, (1 - WHOLE) * part / part[:-1].sum()))
    odds = odds - 0.5 * (np.log(RICHNESS[:, None] / part / USUAL_CANDIDATES) / CANDIDATES_SPREAD) ** 2
    any_named = 1 - (1 + RICHNESS / SHAPES[:, None]) ** -SHAPES[:, None]
    return part / any_named[..., None], odds


def _looked(looking: Looking, away: Floats) -> Floats:
    """How many looked-at sites each site stands for, (n, s), or (m, n, 1) where that depends on the water.

    Where only candidates were recorded, sites without any left no record.  How many they are is told by how
    many candidates the lists of other sites hold, near sites counting most.  Single finds do not tell: what
    they miss of a water's candidates and the waters without any are taken to balance.
    """
    if not looking.only_candidates:
        return looking.looked
    held = np.minimum((looking.found > 0).sum(axis=1), MOST_NAMES)
    some = np.isfinite(away) & looking.lists & (held > 0)
    weight = some * (np.exp(-away / TOGETHER_KM) + 1e-3)
    weight *= np.minimum(1.0, MOST_LISTS / np.maximum(weight.sum(axis=1, keepdims=True), EDGE))
    stands, odds = _stands_for()
    out = np.ones((*away.shape, 1))
    for i in np.flatnonzero(some.any(axis=1)):
        counts = np.bincount(held, weight[i], minlength=MOST_NAMES + 1)[1:]
        score = (without_zeros() @ counts + SHAPE_PRIOR[:, None])[..., None] + odds
        chance = np.exp(score - score.max())
        out[i, looking.lists] = chance.sum() / (chance / stands).sum()
    return out
