"""Waters that lie near each other and can share one fetch: the service is asked far less often."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poolbuilder.geodesy import distance_km
from poolbuilder.located import reach_of
from poolbuilder.settings import Settings
from poolbuilder.site import Site

__all__ = ["Neighbours", "group_neighbours"]

STEP_KM = 10.0
"""The wider area is rounded up to this, so that a plan with one more water asks for the same."""


@dataclass(frozen=True, kw_only=True)
class Neighbours:
    """Waters that share a fetch.

    Attributes
    ----------
    site : Site
        The first of them, the centre of the fetch.
    spread_km : float
        How much farther than its own reach the others need; 0 for a water alone.
    members : tuple of int
        Positions in the plan.
    """

    site: Site
    spread_km: float
    members: tuple[int, ...]


def group_neighbours(sites: Sequence[Site], *, settings: Settings) -> list[Neighbours]:
    """Group waters in the order of the plan; every water is in exactly one group.

    A water joins the first one that is still alone or leads a group when the group's fetch,
    widened by at most ``sharedFetchKm``, takes in all that the water needs.
    """
    groups = []
    left = list(range(len(sites)))
    while left:
        lead = sites[left[0]]
        away = distance_km(
            np.array([sites[number].longitude for number in left]),
            np.array([sites[number].latitude for number in left]),
            from_longitude=lead.longitude,
            from_latitude=lead.latitude,
        )
        own = reach_of(lead, settings=settings)
        need = {
            number: float(far) + reach_of(sites[number], settings=settings) - own
            for number, far in zip(left, away, strict=True)
        }
        members = tuple(
            number for number in left if number == left[0] or need[number] <= settings.shared_fetch_km
        )
        widest = max(need[number] for number in members)
        spread = min(math.ceil(widest / STEP_KM) * STEP_KM, settings.shared_fetch_km) if widest > 0 else 0.0
        groups.append(Neighbours(site=lead, spread_km=spread, members=members))
        left = [number for number in left if number not in members]
    return groups
