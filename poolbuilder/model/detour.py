"""How far a site is for a fish: along the water past what bars the way, or carried over land.

Ways along the water enter the shares of the surroundings as longer distances.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

PLACED_M = 30.0
"""Places of lists are taken as placed this well when they are put on the stream network."""

SCALE_KM = 20.0
"""Kernel by which a share that passes barriers is turned into a longer way."""
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
    by 20 km.  A share p is as good as ``-20 ln p`` km more.  With f = 1 straight distance
    alone decides, as no way along the water is shorter.
    """
    scale = SCALE_KM
    connected = ~np.isnan(by_water_km)
    carried = max(settings.divide_factor, LEAST_PASSED)
    land = straight_km - scale * np.log(np.where(divided | connected, carried, 1.0))
    passed = np.maximum(np.nan_to_num(passability, nan=1.0), LEAST_PASSED)
    swum = np.where(connected, by_water_km - scale * np.log(passed), np.inf)
    return np.where(connected, np.minimum(swum, land), land)
