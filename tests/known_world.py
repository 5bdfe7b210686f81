"""Worlds drawn from the noisy-OR itself, so that what is fitted can be compared with what was put in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.hazard import Ranges, Sightings, presence
from poolbuilder.records.judged import BASES
from poolbuilder.settings import Settings

SIZE_KM = 120.0
DENSITY = 0.12
"""Chance that a place holds a record of a species."""


@dataclass(frozen=True, kw_only=True, eq=False)
class World:
    """Waters and places with distances; records at the places; what lives in the waters."""

    distance_km: NDArray[np.float64]
    usable: NDArray[np.bool_]
    records: Sightings
    ranges: Ranges
    found: NDArray[np.float64]


def draw_world(
    truth: Settings,
    *,
    seed: int,
    waters: int,
    places: int,
    species: int,
    oldest: float = 80.0,
    doubtful: float = 0.4,
) -> World:
    """Draw a world in which *truth* holds.

    Parameters
    ----------
    oldest : float
        Ages of records are even up to this many years.
    doubtful : float
        Share of records that are citations; the others are observations.
    """
    rng = np.random.default_rng(seed)
    water, place = rng.uniform(0, SIZE_KM, (waters, 2)), rng.uniform(0, SIZE_KM, (places, 2))
    distance = np.sqrt(((water[:, None] - place) ** 2).sum(axis=2))
    at, of = np.nonzero(rng.random((places, species)) < DENSITY)
    cited = rng.random(len(at)) < doubtful
    records = Sightings(
        place=at,
        species=of,
        age_years=rng.uniform(0, oldest, len(at)).round(1),
        basis=np.where(cited, BASES.index("quality_citation"), BASES.index("quality_observation")),
        certainty=np.ones(len(at)),
        places=places,
        kinds=species,
    )
    inside = water[:, :1] < np.linspace(0.3, 0.7, species) * SIZE_KM
    ranges = Ranges(
        keys=("extant", "outside"),
        code=np.where(inside, 0, 1),
        km=np.where(inside, 0.0, 200.0),
    )
    usable = np.ones(distance.shape, dtype=bool)
    p = presence(
        distance,
        usable,
        records.strength(settings=truth),
        leaks=ranges.leaks(settings=truth),
        settings=truth,
    )
    return World(
        distance_km=distance,
        usable=usable,
        records=records,
        ranges=ranges,
        found=(rng.random(p.shape) < p).astype(float),
    )
