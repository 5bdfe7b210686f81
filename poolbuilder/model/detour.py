"""How far a place is for a fish: along the water past what bars the way, or carried over land.

A region's lines are learnt with straight distances: ways between all of its places would cost
too much for one pool.  What the ways from one water tell is added as the shift that they
make in the line of effort.  Where the other fishes of the water are known, they tell part of it
already, and half of the shift is added.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.community import Line
from poolbuilder.settings import Settings

__all__ = ["DETOUR_REACHES", "PLACED_M", "effective_km", "shift_by_water"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

PLACED_M = 30.0
"""Places of lists are taken as placed this well when they are put on the stream network."""

DETOUR_REACHES = 2.0
"""Ways are looked for to places within so many reaches of effort; straight distance does beyond."""

COMMUNITY_PART = 0.5
"""Part of the shift that is added where the community is known.  On simulated waters whose fishes
had spread along streams, 0.3 to 0.7 predicted alike, 0 and 1 worse."""

LEAST_PASSED = 1e-6


def effective_km(
    straight_km: Floats,
    by_water_km: Floats,
    passability: Floats,
    divided: Bools,
    *,
    settings: Settings,
) -> Floats:
    """Distance at which the kernel of effort is what the way by water, or over land, leaves of it.

    Parameters
    ----------
    straight_km : array
    by_water_km, passability : array of the same shape
        Of the way along the water; NaN where none is known.
    divided : bool array of the same shape
        Whether a divide is known to lie in between.

    Notes
    -----
    The kernel is ``max(p K(by water), f K(straight))`` with p the share that passes the barriers
    on the way and f the ``divideFactor`` where a divide or a way by water is known, else 1; K falls
    by ``effortFarKm``.  A share p is as good as ``-effortFarKm ln p`` km more.  With f = 1 straight distance
    alone decides, as no way along the water is shorter.
    """
    scale = settings.effort_far_km
    connected = ~np.isnan(by_water_km)
    carried = max(settings.divide_factor, LEAST_PASSED)
    land = straight_km - scale * np.log(np.where(divided | connected, carried, 1.0))
    passed = np.maximum(np.nan_to_num(passability, nan=1.0), LEAST_PASSED)
    swum = np.where(connected, by_water_km - scale * np.log(passed), np.inf)
    return np.where(connected, np.minimum(swum, land), land)


def shift_by_water(effort: Line, straight: Floats, along: Floats, *, community: bool) -> Floats:
    """What ways along the water change in the log-odds of presence, (m, s).

    Parameters
    ----------
    effort : Line
        On the two shares of effort.
    straight, along : (m, s, 2) array
        Its predictors by straight and by effective distances.
    community : bool
        Whether the log-odds that are shifted rest on the water's other fishes too.
    """
    part = COMMUNITY_PART if community else 1.0
    out: Floats = part * (effort.log_odds(along) - effort.log_odds(straight))
    return out
