"""The noisy-OR fitted to surveyed waters: leak, weight of a record, and reach of its kernel.

A water's presence is predicted from the records at all *other* places::

    P = 1 - (1 - λ) Π (1 - c q K(d; a))

The likelihood alone runs to the boundary (c towards 1), so weak priors are part of the
method: ``ln a ~ N(ln a0, 1)``, ``logit c ~ N(0, 1.5)``, ``logit λ ~ N(logit λ0, 1)``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.location import kernel
from poolbuilder.model.logistic import inverse_logit
from poolbuilder.settings import Settings

__all__ = ["HazardFit", "fit_hazard", "negative_log_likelihood", "presence"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WEIGHT_SD = 1.5


@dataclass(frozen=True, kw_only=True)
class HazardFit:
    """Posterior mode: leak λ, record weight c, kernel scale a in km, the objective, convergence."""

    leak: float
    weight: float
    kernel_km: float
    objective: float
    converged: bool


def presence(
    distance_km: Floats,
    usable: Bools,
    strength: Floats,
    *,
    kernel_km: float,
    weight: float,
    leak: float,
    settings: Settings,
) -> Floats:
    """Noisy-OR of every water and species, (m, s).

    Parameters
    ----------
    distance_km, usable : (m, n) array
        From each water to each place, and which places may speak for it.
    strength : (n, s) array
        Quality of the best record of each species at each place, 0 without one.
    """
    decay = kernel(distance_km, settings=settings.replace(kernel_km=kernel_km)) * usable
    hazard = np.zeros((distance_km.shape[0], strength.shape[1]))
    for j in range(strength.shape[1]):
        holds = strength[:, j] > 0
        hazard[:, j] = -np.log1p(-weight * decay[:, holds] * strength[holds, j]).sum(axis=1)
    out: Floats = 1 - (1 - leak) * np.exp(-hazard)
    return out


def negative_log_likelihood(p: Floats, found: Floats) -> float:
    """Of outcomes 0 or 1 under probabilities kept off 0 and 1 by 1e-12."""
    q = np.clip(p, 1e-12, 1 - 1e-12)
    return -float((found * np.log(q) + (1 - found) * np.log1p(-q)).sum())


def _prior(theta: Floats, kernel0: float, leak0: float) -> float:
    start = math.log(leak0 / (1 - leak0))
    pulled = (theta[0] - math.log(kernel0)) ** 2 + (theta[1] / WEIGHT_SD) ** 2 + (theta[2] - start) ** 2
    return 0.5 * float(pulled)


def fit_hazard(
    distance_km: Floats,
    usable: Bools,
    strength: Floats,
    found: Floats,
    *,
    settings: Settings,
    most_steps: int = 200,
) -> HazardFit:
    """Find leak, weight and scale that fit the surveys best under the priors.

    Parameters
    ----------
    found : (m, s) array
        1 where a survey found the species.
    settings : Settings
        Shape of the kernel, and its scale and leak as the priors' means.
    """
    from scipy.optimize import minimize

    kernel0, leak0 = settings.kernel_km, settings.leak_no_map

    def objective(theta: Floats) -> float:
        c, lam = inverse_logit(theta[1:])
        p = presence(
            distance_km,
            usable,
            strength,
            kernel_km=math.exp(theta[0]),
            weight=float(c),
            leak=float(lam),
            settings=settings,
        )
        return negative_log_likelihood(p, found) + _prior(theta, kernel0, leak0)

    start = np.array([math.log(kernel0), 0.5, math.log(leak0 / (1 - leak0))])
    bounded: Callable[[Floats], float] = lambda theta: objective(np.clip(theta, -8, 8))  # noqa: E731
    best = minimize(
        bounded, start, method="Nelder-Mead", options={"maxiter": most_steps, "xatol": 1e-6, "fatol": 1e-8}
    )
    c, lam = inverse_logit(np.clip(best.x[1:], -8, 8))
    return HazardFit(
        leak=float(lam),
        weight=float(c),
        kernel_km=float(math.exp(np.clip(best.x[0], -8, 8))),
        objective=float(best.fun),
        converged=bool(best.success),
    )
