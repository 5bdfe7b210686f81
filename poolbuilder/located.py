"""Kept records, each with its place relative to the site."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import columns
from poolbuilder.geodesy import distance_km
from poolbuilder.model.location import expected_kernel, share_inside, sigma_km
from poolbuilder.schemas import LOCATED, check
from poolbuilder.settings import Settings
from poolbuilder.site import Site
from poolbuilder.water import Placement, Water

__all__ = ["locate", "reach_of", "within_reach"]

Floats = NDArray[np.float64]

SPREAD = 2.0
"""A record is looked at out to the reach plus this many times its uncertainty: at the
default quantile that is nearly five standard deviations, beyond which nothing is left."""


def reach_of(site: Site, *, settings: Settings) -> float:
    """How far from the site records are weighed, in km, before their uncertainty is added."""
    return max(site.radius_km, settings.reach_km)


def within_reach(
    screened: pa.Table, site: Site, *, roles: frozenset[str], reach_km: float
) -> tuple[pa.Table, Floats]:
    """The kept records of the given roles whose location may lie within reach.

    Returns
    -------
    Table, (n,) array
        Rows of *screened* in their order, and their geodesic distance in km.
    """
    kept = ~columns.valid(screened["rejectedBy"])
    code, names = columns.codes(screened["role"])
    wanted = np.array([name in roles for name in names] + [False], dtype=bool)
    rows = np.flatnonzero(kept & wanted[code])
    near = columns.take(screened.select(["longitude", "latitude", "uncertaintyM"]), rows)
    distance = distance_km(
        columns.numbers(near["longitude"]),
        columns.numbers(near["latitude"]),
        from_longitude=site.longitude,
        from_latitude=site.latitude,
    )
    inside = distance <= reach_km + SPREAD * columns.numbers(near["uncertaintyM"]) / 1000
    return columns.take(screened, rows[inside]), distance[inside]


def _wet_kernel(
    straight: Floats, sigma: Floats, placed: Placement, *, settings: Settings
) -> tuple[Floats, Floats]:
    """Distance and factor that the kernel uses where the water itself is mapped."""
    by_water = np.where(np.isnan(placed.by_water_km), straight, placed.by_water_km)
    factor = np.ones(len(straight))
    factor *= np.nan_to_num(placed.passability, nan=1.0)
    divided = np.array(
        [relation in {"neighbouring", "other"} for relation in placed.basin_relation], dtype=bool
    )
    factor *= np.where(divided, settings.divide_factor, 1.0)
    return by_water, factor


def locate(screened: pa.Table, site: Site, *, water: Water | None, settings: Settings) -> pa.Table:
    """Place the kept records of checklist species and hybrids relative to the site.

    Parameters
    ----------
    screened : Table, schema SCREENED
    water : Water or None
        Outline, basins and streams, where they are known.

    Returns
    -------
    Table, schema LOCATED
        Rows of *screened* in their order: those that may lie within the radius or within
        ``reachKm``, whichever is larger.
    """
    roles = frozenset({"candidate", "hybrid"})
    near, straight = within_reach(screened, site, roles=roles, reach_km=reach_of(site, settings=settings))
    uncertainty = columns.numbers(near["uncertaintyM"])
    sigma = sigma_km(uncertainty, quantile=settings.uncertainty_quantile)
    inside = share_inside(straight, sigma, site.radius_km)
    count = near.num_rows
    place: dict[str, Any] = dict.fromkeys(
        ["inWaterShare", "byWaterKm", "upstreamKm", "downstreamKm", "passability"], np.full(count, np.nan)
    )
    place["basinRelation"] = [None] * count
    distance, factor = straight, np.ones(count)
    reported = straight
    if water is not None:
        placed = water.place(
            columns.numbers(near["longitude"]), columns.numbers(near["latitude"]), uncertainty
        )
        reported = np.where(np.isnan(placed.shore_km), straight, placed.shore_km)
        distance, factor = _wet_kernel(reported, sigma, placed, settings=settings)
        place = {
            "inWaterShare": placed.in_water_share,
            "byWaterKm": placed.by_water_km,
            "upstreamKm": placed.upstream_km,
            "downstreamKm": placed.downstream_km,
            "passability": placed.passability,
            "basinRelation": placed.basin_relation,
        }
    values = {
        "distanceKm": reported,
        "insideShare": inside,
        "kernel": factor * expected_kernel(distance, sigma, settings=settings),
        **place,
    }
    for field in LOCATED:
        if field.name in values:
            near = near.append_column(field, columns.array(values[field.name], field.type))
    return check(near.select(LOCATED.names), LOCATED, "located")
