"""The noisy-OR fitted to surveyed waters: leaks, weight, quality and age of records, reach of the kernel.

A water's presence is predicted from the records at all *other* places::

    P = 1 - (1 - λ_z) Π (1 - c n^-e q_b 2^(-age / h) K(d; a))

with λ_z the leak of the water's range class, q_b the quality of the basis of record, h the
half-life, n the number of places with records at least as near (``crowd``).  The likelihood
alone runs to the boundary (c towards 1), so weak priors are part of the method:
``ln a ~ N(ln a0, 1)``, ``logit c ~ N(0, 1.5)``, ``logit λ ~ N(logit λ0, 1)``; ``ln h`` and
``logit q`` likewise.  Only what the records vary in is fitted; e is given, since surveys hardly
tell it from a and c together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.crowd import crowd
from poolbuilder.model.evidence import leak, logit
from poolbuilder.model.location import kernel
from poolbuilder.records.judged import BASES
from poolbuilder.settings import Settings

__all__ = [
    "HazardFit",
    "Ranges",
    "Sightings",
    "fit_hazard",
    "negative_log_likelihood",
    "presence",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FEW_RECORDS = 30
FEW_CASES = 30
"""A basis with fewer records, a range class with fewer cases, keeps its start value."""

SPREAD_YEARS = 10.0
"""Half-life is fitted where the ages of the middle 80 % of records span this much."""

SURE = 0.97
"""A quality or leak of 1 starts from here, since its log-odds are not finite."""

EDGE = 3e-4
"""Shares are fitted this far off 0 and 1."""

WEIGHT_SD = 1.5
NEARLY_THERE = 0.05
"""Log posterior still to gain at which a fit counts as done: a third of a standard error away."""

Z90 = 1.6448536269514722
STEP = 0.05
"""Of differences, log-odds or logarithm: wide enough to see over the kinks of the crowd."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Sightings:
    """Records of the species at the places that evidence comes from.

    Attributes
    ----------
    place, species : (r,) int array
    age_years : (r,) array
        NaN without a date.
    basis : (r,) int array
        Code in BASES.
    certainty : (r,) array
        Quality apart from the basis of record: of name and place, 0-1.
    places, kinds : int
        How many places and species there are.
    """

    place: Ints
    species: Ints
    age_years: Floats
    basis: Ints
    certainty: Floats
    places: int
    kinds: int

    def strength(self, *, settings: Settings) -> Floats:
        """Aged quality of the best record of each species at each place, (places, kinds)."""
        by_basis = np.array([getattr(settings, name) for name in BASES])
        age = np.where(np.isnan(self.age_years), settings.undated_age_years, np.maximum(self.age_years, 0))
        value = by_basis[self.basis] * self.certainty * np.exp2(-age / settings.half_life_years)
        best = np.zeros((self.places, self.kinds))
        np.maximum.at(best, (self.place, self.species), value)
        return best


@dataclass(frozen=True, kw_only=True, eq=False)
class Ranges:
    """Range class of each water and species.

    Attributes
    ----------
    keys : tuple of str
        The classes that occur.
    code : (m, s) int array
        Row of *keys*.
    km : (m, s) array
        Distance to the nearest edge, infinite where there is no polygon of presence.
    """

    keys: tuple[str, ...]
    code: Ints
    km: Floats

    @classmethod
    def unmapped(cls, waters: int, species: int) -> Ranges:
        """No map of any species."""
        shape = (waters, species)
        return cls(keys=("no_map",), code=np.zeros(shape, dtype=np.int64), km=np.full(shape, math.inf))

    def leaks(self, *, settings: Settings) -> Floats:
        """Leak of each water and species, (m, s)."""
        out = np.empty(self.code.shape)
        for code, key in enumerate(self.keys):
            here = self.code == code
            if key == "outside":
                near = leak("outside", 0.0, settings=settings)
                fall = np.exp(-self.km[here] / settings.leak_edge_km)
                out[here] = settings.leak_outside + (near - settings.leak_outside) * fall
            else:
                out[here] = leak(key, None, settings=settings)
        return out


@dataclass(frozen=True, kw_only=True)
class HazardFit:
    """Posterior mode of the settings that were fitted.

    Attributes
    ----------
    values : mapping
        Setting to its value.
    interval90 : mapping
        Setting to the ends of its 90 % interval by Laplace's method, expected information.
    kept : tuple of str
        What the records do not vary in, in words.
    objective : float
        Negative log-likelihood and the priors' penalty.
    converged : bool
    """

    values: Mapping[str, float]
    interval90: Mapping[str, tuple[float, float]]
    kept: tuple[str, ...]
    objective: float
    converged: bool


def presence(
    distance_km: Floats,
    usable: Bools,
    strength: Floats,
    *,
    leaks: Floats | float,
    settings: Settings,
) -> Floats:
    """Noisy-OR of every water and species, (m, s).

    Parameters
    ----------
    distance_km, usable : (m, n) array
        From each water to each place, and which places may speak for it.
    strength : (n, s) array
        Aged quality of the best record of each species at each place, 0 without one.
    leaks : (m, s) array or float
    settings : Settings
        kernel, kernelKm, recordWeight and crowdExponent.
    """
    holding: Bools = strength.max(axis=1, initial=0.0) > 0
    near = _nearness(distance_km, usable, holding, settings)
    return _noisy_or(near, strength, leaks, settings.record_weight)


def _nearness(distance_km: Floats, usable: Bools, holding: Bools, settings: Settings) -> Floats:
    """Kernel of each place for each water, as far as other places leave it, (m, n)."""
    near = kernel(distance_km, settings=settings) * usable
    if settings.crowd_exponent > 0:
        for row in near:
            row[holding] *= crowd(row[holding], row[holding]) ** -settings.crowd_exponent
    return near


def _noisy_or(near: Floats, strength: Floats, leaks: Floats | float, weight: float) -> Floats:
    hazard = np.zeros((near.shape[0], strength.shape[1]))
    for j in range(strength.shape[1]):
        holds = strength[:, j] > 0
        hazard[:, j] = -np.log1p(-weight * near[:, holds] * strength[holds, j]).sum(axis=1)
    out: Floats = 1 - (1 - leaks) * np.exp(-hazard)
    return out


def negative_log_likelihood(p: Floats, found: Floats) -> float:
    """Of outcomes 0 or 1 under probabilities kept off 0 and 1 by 1e-12."""
    q = np.clip(p, 1e-12, 1 - 1e-12)
    return -float((found * np.log(q) + (1 - found) * np.log1p(-q)).sum())


@dataclass(frozen=True)
class _Term:
    """One fitted setting: its normal prior on the scale it is fitted on, and the ends of that scale."""

    name: str
    mean: float
    sd: float
    low: float
    high: float
    by_logarithm: bool = False

    def value(self, theta: float) -> float:
        low, high = _limits(self.name)
        value = math.exp(theta) if self.by_logarithm else 1 / (1 + math.exp(-theta))
        return min(max(value, low), high)


def _limits(name: str) -> tuple[float, float]:
    (meta,) = (item.metadata for item in fields(Settings) if item.name == name)
    return float(meta["low"]), float(meta["high"])


def _scale(name: str, settings: Settings) -> _Term:
    low, high = _limits(name)
    start = float(getattr(settings, name))
    return _Term(name, math.log(start), 1.0, math.log(low), math.log(high), by_logarithm=True)


def _share(name: str, settings: Settings) -> _Term:
    low, high = (logit(min(max(end, EDGE), 1 - EDGE)) for end in _limits(name))
    return _Term(name, logit(min(max(float(getattr(settings, name)), 1 - SURE), SURE)), 1.0, low, high)


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """What is fitted, and what is kept with the reason in words."""

    terms: tuple[_Term, ...]
    kept: tuple[str, ...]


def _plan(records: Sightings, ranges: Ranges, settings: Settings) -> _Plan:
    terms = [
        _scale("kernel_km", settings),
        replace(_share("record_weight", settings), mean=0.0, sd=WEIGHT_SD),
    ]
    kept = []
    for code, key in enumerate(ranges.keys):
        cases = int((ranges.code == code).sum())
        name = f"leak_{key}"
        if cases >= FEW_CASES or len(ranges.keys) == 1:
            terms.append(_share(name, settings))
        else:
            kept.append(f"{name}: {cases:,} cases are too few")
    if ranges.keys == ("no_map",):
        kept.append("leaks inside polygons: no range polygons were given")
    terms += _age_terms(records, settings, kept)
    terms += _basis_terms(records, settings, kept)
    return _Plan(terms=tuple(terms), kept=tuple(kept))


def _age_terms(records: Sightings, settings: Settings, kept: list[str]) -> list[_Term]:
    dated = records.age_years[~np.isnan(records.age_years)]
    if len(dated) < FEW_RECORDS:
        kept.append(f"half-life: {len(dated):,} dated records are too few")
        return []
    young, old = np.quantile(dated, [0.1, 0.9])
    if old - young < SPREAD_YEARS:
        kept.append(f"half-life: most records are {young:.0f} to {old:.0f} years old, too alike to tell")
        return []
    return [_scale("half_life_years", settings)]


def _basis_terms(records: Sightings, settings: Settings, kept: list[str]) -> list[_Term]:
    """Each basis but the most frequent, against which the others are measured."""
    counts = np.bincount(records.basis, minlength=len(BASES))
    reference = int(counts.argmax())
    terms = []
    for code, name in enumerate(BASES):
        if code == reference or counts[code] == 0:
            continue
        if counts[code] < FEW_RECORDS:
            kept.append(f"{name}: {counts[code]:,} records are too few")
        else:
            terms.append(_share(name, settings))
    if np.count_nonzero(counts) <= 1:
        kept.append("quality by basis of record: all records have the same")
    return terms


def fit_hazard(
    distance_km: Floats,
    usable: Bools,
    records: Sightings,
    found: Floats,
    *,
    ranges: Ranges | None = None,
    settings: Settings,
    most_steps: int = 200,
) -> HazardFit:
    """Find the settings of the noisy-OR that fit the surveys best under the priors.

    Parameters
    ----------
    distance_km, usable : (m, n) array
        As in :func:`presence`.
    records : Sightings
        At the n places.
    found : (m, s) array
        1 where a survey found the species.
    ranges : Ranges, optional
        Of the m waters; without them no species has a map.
    settings : Settings
        Shape of the kernel; start values, which are the priors' means.

    Notes
    -----
    Ages count from one day, so surveys should not be much older than "today" for the
    half-life to mean what it says.
    """
    from scipy.optimize import minimize

    where = ranges or Ranges.unmapped(*found.shape)
    plan = _plan(records, where, settings)
    terms = plan.terms

    holding: Bools = records.strength(settings=settings).max(axis=1, initial=0.0) > 0

    @lru_cache(maxsize=4)
    def nearness(kernel_km: float) -> Floats:
        return _nearness(distance_km, usable, holding, settings.replace(kernel_km=kernel_km))

    def predicted(theta: Floats) -> Floats:
        tried = settings.replace(**_values(terms, theta))
        strength, leaks = records.strength(settings=tried), where.leaks(settings=tried)
        return _noisy_or(nearness(tried.kernel_km), strength, leaks, tried.record_weight)

    def objective(theta: Floats) -> float:
        pull = sum(((at - term.mean) / term.sd) ** 2 for at, term in zip(theta.tolist(), terms, strict=True))
        return negative_log_likelihood(predicted(theta), found) + 0.5 * float(pull)

    best = minimize(
        objective,
        np.array([term.mean for term in terms]),
        method="L-BFGS-B",
        bounds=[(term.low, term.high) for term in terms],
        options={"maxiter": most_steps, "ftol": 1e-13, "gtol": 1e-6},
    )
    spread, to_go = _peak(predicted, best.x, found, terms)
    ends = {
        term.name: (term.value(at - Z90 * sd), term.value(at + Z90 * sd))
        for term, at, sd in zip(terms, best.x.tolist(), spread.tolist(), strict=True)
    }
    return HazardFit(
        values=_values(terms, best.x),
        interval90=ends,
        kept=plan.kept,
        objective=float(best.fun),
        converged=bool(best.success) or to_go < NEARLY_THERE,
    )


def _values(terms: Sequence[_Term], theta: Floats) -> dict[str, float]:
    return {term.name: term.value(at) for term, at in zip(terms, theta.tolist(), strict=True)}


def _peak(
    predicted: Callable[[Floats], Floats], at: Floats, found: Floats, terms: Sequence[_Term]
) -> tuple[Floats, float]:
    """Standard deviations by Laplace's method, from the expected information and the priors.

    And the log posterior that a Newton step would still gain: at a kink the optimizer may stop
    with a complaint though it has arrived.
    """
    mean, precision = np.array([term.mean for term in terms]), np.array([term.sd**-2 for term in terms])
    step = np.eye(len(at)) * STEP
    rise = np.stack([(predicted(at + one) - predicted(at - one)).ravel() / (2 * STEP) for one in step])
    p = np.clip(predicted(at).ravel(), 1e-12, 1 - 1e-12)
    information = (rise / (p * (1 - p))) @ rise.T + np.diag(precision)
    slope = rise @ ((found.ravel() - p) / (p * (1 - p))) - precision * (at - mean)
    spread: Floats = np.sqrt(np.diag(np.linalg.inv(information)))
    return spread, float(slope @ np.linalg.solve(information, slope)) / 2
