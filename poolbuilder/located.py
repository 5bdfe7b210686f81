"""Kept records, each with its place relative to the site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.model.detour import SCALE_KM, effective_km
from poolbuilder.places.geodesy import distance_km
from poolbuilder.places.sites import Site
from poolbuilder.places.uncertainty import share_inside, sigma_km
from poolbuilder.schemas import LOCATED, check
from poolbuilder.settings import Settings
from poolbuilder.water import Water

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
    kept = ~tables.valid(screened["rejectedBy"])
    code, names = tables.codes(screened["role"])
    wanted = np.array([name in roles for name in names] + [False], dtype=bool)
    rows = np.flatnonzero(kept & wanted[code])
    near = tables.take(screened.select(["longitude", "latitude", "uncertaintyM"]), rows)
    distance = distance_km(
        tables.numbers(near["longitude"]),
        tables.numbers(near["latitude"]),
        from_longitude=site.longitude,
        from_latitude=site.latitude,
    )
    inside = distance <= reach_km + SPREAD * tables.numbers(near["uncertaintyM"]) / 1000
    return tables.take(screened, rows[inside]), distance[inside]


@dataclass(frozen=True, kw_only=True)
class Located:
    """Records with their place relative to the site.

    Attributes
    ----------
    records : Table, schema LOCATED
    notes : tuple of str
        How many records were placed on the water's layers, and how.
    snapped : list of dict
        GeoJSON points on the stream network that records were put on; empty without one.
    """

    records: pa.Table
    notes: tuple[str, ...] = ()
    snapped: Sequence[dict[str, Any]] = ()


def _kernel(away_km: Floats, uncertainty_m: Floats) -> Floats:
    """exp(-d / 20 km), the uncertainty added to the distance."""
    out: Floats = np.exp(-np.hypot(away_km, np.nan_to_num(uncertainty_m) / 1000) / SCALE_KM)
    return out


def locate(
    screened: pa.Table, site: Site, *, water: Water | None, settings: Settings, drawn: bool = True
) -> Located:
    """Place the kept records of checklist species and hybrids relative to the site.

    Parameters
    ----------
    screened : Table, schema SCREENED
    water : Water or None
        Outline, basins and streams, where they are known.
    drawn : bool
        Whether the points on the stream network are wanted, which take their time.

    Returns
    -------
    Located
        Its records are rows of *screened* in their order: those that may lie within the radius
        or within ``reachKm``, whichever is larger.
    """
    roles = frozenset({"candidate", "hybrid"})
    near, straight = within_reach(screened, site, roles=roles, reach_km=reach_of(site, settings=settings))
    uncertainty = tables.numbers(near["uncertaintyM"])
    sigma = sigma_km(uncertainty, quantile=settings.uncertainty_quantile)
    inside = share_inside(straight, sigma, site.radius_km)
    count = near.num_rows
    place: dict[str, Any] = dict.fromkeys(
        ["inWaterShare", "byWaterKm", "upstreamKm", "downstreamKm", "passability"], np.full(count, np.nan)
    )
    place["basinRelation"] = [None] * count
    reported = straight
    notes: tuple[str, ...] = ()
    snapped: list[dict[str, Any]] = []
    if water is None:
        kernel = _kernel(straight, uncertainty)
    else:
        placed = water.place(tables.numbers(near["longitude"]), tables.numbers(near["latitude"]), uncertainty)
        reported = np.where(np.isnan(placed.shore_km), straight, placed.shore_km)
        away = effective_km(
            reported, placed.by_water_km, placed.passability, placed.divided, settings=settings
        )
        kernel = _kernel(away, uncertainty)
        notes, snapped = placed.notes, placed.features() if drawn else []
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
        "kernel": kernel,
        **place,
    }
    for field in LOCATED:
        if field.name in values:
            near = near.append_column(field, tables.array(values[field.name], field.type))
    table = check(near.select(LOCATED.names), LOCATED, "located")
    return Located(records=table, notes=notes, snapped=snapped)
