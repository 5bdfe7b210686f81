"""The noisy-OR fitted to surveyed waters: leaks, weight, quality and age of records, reach of the kernel.

The likelihood alone runs to the boundary (c towards 1), so weak priors are part of the method:
``ln a ~ N(ln a0, 1)``, ``logit c ~ N(0, 1.5)``, ``logit λ ~ N(logit λ0, 1)``; ``ln h`` and
``logit q`` likewise.  Only what the records vary in is fitted; e is given, since surveys hardly
tell it from a and c together.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.evidence import logit
from poolbuilder.model.hazard import Ranges, Sightings, nearness, negative_log_likelihood, noisy_or
from poolbuilder.records.judged import BASES
from poolbuilder.settings import Settings

__all__ = ["HazardFit", "fit_hazard"]

Floats = NDArray[np.float64]
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

SLICES = 13
WIDE_SD = 3.0
"""The kernel's scale is cut so many times, first over so many standard deviations of its prior."""

NEGLIGIBLE = 6.0
FINE = 801
STEP = 0.05
"""Of differences, log-odds or logarithm: wide enough to see over the kinks of the crowd."""


@dataclass(frozen=True, kw_only=True)
class HazardFit:
    """Posterior mode of the settings that were fitted.

    Attributes
    ----------
    values : mapping
        Setting to its value.
    interval90 : mapping
        Setting to the ends of its 90 % interval: along the kernel's scale, Laplace's method for
        all else (expected information), mixed.
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
    where = ranges or Ranges.unmapped(*found.shape)
    plan = _plan(records, where, settings)
    problem = _Problem(distance_km, usable, records, found, where, plan.terms, settings)
    slices = problem.slices()
    start = max(slices, key=lambda one: one.log_weight)
    best, arrived = problem.peak(np.concatenate([[start.at], start.mode]))
    ends = _intervals(plan.terms, slices, best)
    return HazardFit(
        values=problem.values(best),
        interval90=ends,
        kept=plan.kept,
        objective=problem.objective(best),
        converged=arrived,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Slice:
    """The posterior at one scale of the kernel: mode and spread of all else, and its weight."""

    at: float
    mode: Floats
    spread: Floats
    log_weight: float


class _Problem:
    """The posterior of the settings on their own scales; the kernel's comes first."""

    def __init__(
        self,
        distance_km: Floats,
        usable: Bools,
        records: Sightings,
        found: Floats,
        ranges: Ranges,
        terms: Sequence[_Term],
        settings: Settings,
    ) -> None:
        self.records, self.found, self.ranges = records, found, ranges
        self.terms, self.settings = terms, settings
        self.mean = np.array([term.mean for term in terms])
        self.precision = np.array([term.sd**-2 for term in terms])
        holding: Bools = records.strength(settings=settings).max(axis=1, initial=0.0) > 0

        @lru_cache(maxsize=4)
        def near(kernel_km: float) -> Floats:
            return nearness(distance_km, usable, holding, settings.replace(kernel_km=kernel_km))

        self.near = near

    def values(self, theta: Floats) -> dict[str, float]:
        return {term.name: term.value(at) for term, at in zip(self.terms, theta.tolist(), strict=True)}

    def predicted(self, theta: Floats) -> Floats:
        tried = self.settings.replace(**self.values(theta))
        strength, leaks = self.records.strength(settings=tried), self.ranges.leaks(settings=tried)
        return noisy_or(self.near(tried.kernel_km), strength, leaks, tried.record_weight)

    def objective(self, theta: Floats) -> float:
        pull = float((self.precision * (theta - self.mean) ** 2).sum())
        return negative_log_likelihood(self.predicted(theta), self.found) + 0.5 * pull

    def peak(self, start: Floats) -> tuple[Floats, bool]:
        """The mode from a start close to it, and whether it was reached.

        At a kink the optimizer may complain though it has arrived: what a Newton step would
        still gain decides.
        """
        best = self._least(start, [(term.low, term.high) for term in self.terms], ftol=1e-13, gtol=1e-6)
        if best.success:
            return best.x, True
        slope, information = self.curvature(best.x, range(len(self.terms)))
        return best.x, float(slope @ np.linalg.solve(information, slope)) / 2 < NEARLY_THERE

    def _least(self, start: Floats, bounds: list[tuple[float, float]], *, ftol: float, gtol: float) -> Any:
        """Where the objective is least, as scipy's optimizer tells it."""
        from scipy.optimize import minimize

        options = {"maxiter": 200, "ftol": ftol, "gtol": gtol}
        return minimize(self.objective, start, method="L-BFGS-B", bounds=bounds, options=options)

    def curvature(self, at: Floats, rows: Sequence[int]) -> tuple[Floats, Floats]:
        """Slope of the log posterior and the expected information with the priors', for some terms."""
        which = list(rows)
        step = np.eye(len(at))[which] * STEP
        rise = np.stack(
            [(self.predicted(at + one) - self.predicted(at - one)).ravel() / (2 * STEP) for one in step]
        )
        p = np.clip(self.predicted(at).ravel(), 1e-12, 1 - 1e-12)
        information = (rise / (p * (1 - p))) @ rise.T + np.diag(self.precision[which])
        pull = (self.precision * (at - self.mean))[which]
        return rise @ ((self.found.ravel() - p) / (p * (1 - p))) - pull, information

    def slices(self) -> list[_Slice]:
        """The posterior along the kernel's scale: coarsely over the prior, finely where it has weight."""
        first = self.terms[0]
        wide = np.clip(first.mean + np.linspace(-WIDE_SD, WIDE_SD, SLICES), first.low, first.high)
        coarse = self._cut(np.unique(wide), self.mean[1:])
        most = max(one.log_weight for one in coarse)
        held = [one for one in coarse if one.log_weight > most - NEGLIGIBLE]
        gap = float(np.diff(wide).max())
        low, high = held[0].at - gap, held[-1].at + gap
        fine = np.clip(np.linspace(low, high, SLICES), first.low, first.high)
        middle = max(held, key=lambda one: one.log_weight).mode
        return self._cut(np.unique(fine), middle)

    def _cut(self, scales: Floats, start: Floats) -> list[_Slice]:
        made = []
        rest = range(1, len(self.terms))
        free = [(term.low, term.high) for term in self.terms[1:]]
        for at in scales.tolist():
            best = self._least(np.concatenate([[at], start]), [(at, at), *free], ftol=1e-9, gtol=1e-4)
            _, information = self.curvature(best.x, rest)
            start = best.x[1:]
            made.append(
                _Slice(
                    at=at,
                    mode=start,
                    spread=np.sqrt(np.diag(np.linalg.inv(information))),
                    log_weight=-float(best.fun) - float(np.linalg.slogdet(information)[1]) / 2,
                )
            )
        return made


def _intervals(
    terms: Sequence[_Term], slices: Sequence[_Slice], best: Floats
) -> dict[str, tuple[float, float]]:
    """Central 90 % of each setting: the kernel's scale along the slices, the others mixed over them."""
    from scipy.special import ndtr

    at = np.array([one.at for one in slices])
    log_weight = np.array([one.log_weight for one in slices])
    fine = np.linspace(at[0], at[-1], FINE)
    density = np.exp(np.interp(fine, at, log_weight - log_weight.max()))
    share = np.cumsum(density) / density.sum()
    found = {terms[0].name: _ends(terms[0], fine, share, float(best[0]))}
    weight = np.exp(log_weight - log_weight.max()) * np.gradient(at)
    weight /= weight.sum()
    for row, term in enumerate(terms[1:]):
        middle = np.array([one.mode[row] for one in slices])
        spread = np.array([one.spread[row] for one in slices])
        x = np.linspace((middle - 4 * spread).min(), (middle + 4 * spread).max(), FINE)
        share = (weight * ndtr((x[:, None] - middle) / spread)).sum(axis=1)
        found[term.name] = _ends(term, x, share, float(best[row + 1]))
    return found


def _ends(term: _Term, x: Floats, share: Floats, best: float) -> tuple[float, float]:
    low, high = np.interp([0.05, 0.95], share, x).tolist()
    return term.value(min(low, best)), term.value(max(high, best))
