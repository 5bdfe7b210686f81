"""The noisy-OR of surveyed waters: each is predicted from the records at all *other* places.

::

    P = 1 - (1 - λ_z) Π (1 - c n^-e q_b 2^(-age / h) K(d; a))

with λ_z the leak of the water's range class, q_b the quality of the basis of record, h the
half-life, and n the number of places with records at least as near (``crowd``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.crowd import crowd
from poolbuilder.model.evidence import faded, leak, leak_outside
from poolbuilder.model.location import kernel
from poolbuilder.records.judged import BASES
from poolbuilder.settings import Settings

__all__ = ["Ranges", "Sightings", "nearness", "negative_log_likelihood", "noisy_or", "presence"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


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
        value = faded(by_basis[self.basis] * self.certainty, self.age_years, settings=settings)
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
                out[here] = leak_outside(self.km[here], settings=settings)
            else:
                out[here] = leak(key, None, settings=settings)
        return out


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
    near = nearness(distance_km, usable, holding, settings)
    return noisy_or(near, strength, leaks, settings.record_weight)


def nearness(distance_km: Floats, usable: Bools, holding: Bools, settings: Settings) -> Floats:
    """Kernel of each place for each water, as far as other places leave it, (m, n)."""
    near = kernel(distance_km, settings=settings) * usable
    if settings.crowd_exponent > 0:
        for row in near:
            row[holding] *= crowd(row[holding], row[holding]) ** -settings.crowd_exponent
    return near


def noisy_or(near: Floats, strength: Floats, leaks: Floats | float, weight: float) -> Floats:
    """Presence from :func:`nearness`, the records' strength, leaks and the weight of a record, (m, s)."""
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
