"""The share of looked-at sites that hold a species: near, farther, wide, each leaning on the next wider one.

    π_k = (Σ K_k f + m π_{k+1}) / (Σ K_k c + m),    K_k(d) = exp(-d / s_k)

with f what was found at a site and c how well it was looked at.  The widest share leans on a prior by native
status.  Sites of the other type of water (still or running) speak through the shift between the types, with
no more weight than its spread allows.  At every scale it is the mean of a beta-binomial whose prior is the
next wider share with the weight of m sites.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.constants import Constants
from poolbuilder.model.logistic import inverse_logit, logit
from poolbuilder.model.looking import RUNNING, STILL, Looking, richness_spread
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SCALES_KM = (300.0, 100.0, 20.0, 3.0)
"""Any sensible choice predicts alike (Brier .100 to .101 over six data sets): wide, to near."""
NEAR = 2
"""The first scale that counts as near."""
LEAN = 2.0
"""Sites that the next wider share counts for; 1.5 to 4 predict alike."""
CUT = 5.0
"""Kernels end at so many scales."""
MOST_SHARE = 0.98
TOGETHER_KM = 100.0
BLOCK = 1.5
"""Sites of one survey or valley are not independent: variances count so many times."""
PRIOR_SITES = 1.0
DIFFERENT = 0.02
"""One water in fifty is unlike all around it (stocked, dug, cut off): there the prior stands."""
_SPREAD = np.array([-1.55, -0.5, 0.5, 1.55])
_SPREAD_WEIGHT = np.array([0.19, 0.31, 0.31, 0.19])


@dataclass(frozen=True, eq=False)
class Shares:
    """What the surroundings say.

    Attributes
    ----------
    prior, wide, share : (m, s) array
        The prior, the share at the scales that are not near, the share at all scales.
    variance : (m, s) array
        Of the log-odds of *share*.
    effective : (m, s) array
        Effective number of looked-at sites within the near scales.
    """

    prior: Floats
    wide: Floats
    share: Floats
    variance: Floats
    effective: Floats


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


def shifted(share: Floats, shift: Floats, spread: float) -> Floats:
    """A share moved by log-odds that are known with a normal error, averaged over it."""
    at = logit(share)[..., None] + shift[..., None] + spread * _SPREAD
    out: Floats = inverse_logit(at) @ _SPREAD_WEIGHT
    return out


def shift_of(species: tuple[str, ...], kind: int, constants: Constants) -> Floats:
    """Log-odds of a water of this type minus those of the other type, (s,)."""
    sign = 1.0 if kind == STILL else -1.0
    return sign * np.array([constants.shift.get(name, 0.0) for name in species])


def nested_shares(
    distance_km: Floats, usable: Bools, looking: Looking, prior: Floats, *, kind: int, constants: Constants
) -> Shares:
    """Shares around waters.

    Parameters
    ----------
    distance_km : (m, n) array
        From each water to each site.
    usable : (m, n) bool array
        Which sites may speak for which water.
    looking : Looking
    prior : (s,) array
        Starting share by status.
    kind : int
        Type of the waters; 0 where it is not known: then all sites speak as they are.

    Returns
    -------
    Shares
    """
    away = np.sqrt(distance_km**2 + looking.spread_km[None, :] ** 2)
    other = np.zeros(len(looking), dtype=bool)
    if kind:
        other = looking.water_type == (RUNNING if kind == STILL else STILL)
    looked = np.ones_like(looking.looked) if looking.only_candidates else looking.looked
    shift = shift_of(looking.species, kind, constants)
    share = np.repeat(prior[None, :], len(away), axis=0)
    variance = (share * (1 - share)) / (PRIOR_SITES + 1)
    wide, effective = share, np.zeros_like(share)
    for k, scale in enumerate(SCALES_KM):
        kernel = np.exp(-away / scale) * (usable & (away < CUT * scale))
        same = kernel * ~other
        hits, number = same @ looking.found, same @ looked
        square = (same**2) @ looked
        if other.any():
            theirs = kernel * other
            there = theirs @ looked
            unshifted = shifted(share, -shift, 0.0)
            seen = np.minimum((theirs @ looking.found + LEAN * unshifted) / (there + LEAN), MOST_SHARE)
            moved = shifted(seen, shift, constants.shift_spread)
            worth = 1 / np.maximum(constants.shift_spread**2 * moved * (1 - moved), 0.02)
            count = there * worth / (there + worth)
            hits, number, square = (
                hits + count * moved,
                number + count,
                square + count**2 / np.maximum(worth, 1),
            )
        share = np.minimum((hits + LEAN * share) / (number + LEAN), MOST_SHARE)
        spread = share * (1 - share)
        variance = (BLOCK * square * spread + LEAN**2 * variance) / (number + LEAN) ** 2
        effective = number if k == NEAR else effective
        wide = share if k == NEAR - 1 else wide
    if looking.only_candidates:
        share, wide = (_of_all_sites(one, away, usable, looking) for one in (share, wide))
    share, wide = ((1 - DIFFERENT) * one + DIFFERENT * prior for one in (share, wide))
    edge = np.maximum(share * (1 - share), 1e-6)
    unlike = (
        DIFFERENT * prior / share
    ) ** 2  # how often a water is unlike the others is known to a factor of e
    return Shares(
        np.repeat(prior[None, :], len(away), axis=0), wide, share, variance / edge**2 + unlike, effective
    )


def _of_all_sites(share: Floats, away: Floats, usable: Bools, looking: Looking) -> Floats:
    """Shares of all sites from shares of the sites with a candidate.

    Sites without any candidate left no record.  How many they are is told by how many candidates the others
    hold: a negative binomial without its zeros, near sites counting most.
    """
    held = np.rint((looking.found > 0).sum(axis=1)).astype(np.int64)
    out = np.empty_like(share)
    for i in range(len(share)):
        some = usable[i] & (held > 0)
        if not some.any():
            out[i] = share[i]
            continue
        weight = np.exp(-away[i, some] / TOGETHER_KM) + 1e-3
        mean, shape = richness_spread(held[some], weight * min(1.0, 200 / weight.sum()))
        out[i] = share[i] * (1 - (1 + mean / shape) ** -shape)
    return out
