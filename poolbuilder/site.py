"""The place that a pool is built for."""

from __future__ import annotations

import math
from dataclasses import dataclass

from poolbuilder.errors import SiteError

__all__ = ["MILE_KM", "WATER_TYPES", "Site"]

MILE_KM = 1.609344
"""International mile, exact by definition (1959 agreement)."""

MAX_RADIUS_KM = 2000.0

WATER_TYPES = ("lake", "pond", "stream", "river", "canal", "estuary")
"""Kinds of water that a site can be; a reservoir is a lake."""


@dataclass(frozen=True, kw_only=True)
class Site:
    """A water body given by a point on it, and the radius that counts as near.

    Parameters
    ----------
    longitude, latitude : float
        WGS84 degrees; longitude comes first wherever the two stand together.
    radius_km : float
        Above 0, up to 2,000; 40 km is the usual search radius (25 miles are 40.2336 km).
    name : str
        What the water is called in the result.
    water_type : str, optional
        One of `WATER_TYPES`; None when it is not known.

    Raises
    ------
    SiteError
        When a value is not a number or is out of its range.
    """

    longitude: float
    latitude: float
    radius_km: float = 40.0
    name: str = ""
    water_type: str | None = None

    def __post_init__(self) -> None:
        label = f"site {self.name!r}" if self.name else "site"
        if self.water_type is not None and self.water_type not in WATER_TYPES:
            raise SiteError(
                f"{label}: water type {self.water_type!r} is not known (use one of {', '.join(WATER_TYPES)})"
            )
        for key in ("longitude", "latitude", "radius_km"):
            value = getattr(self, key)
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise SiteError(f"{label}: {key} {value!r} is not a number (use decimal degrees and km)")
            object.__setattr__(self, key, float(value))
        if abs(self.latitude) > 90 and abs(self.longitude) <= 90:
            raise SiteError(
                f"{label}: latitude {self.latitude:g} is not on the globe; latitude and longitude look "
                f"swapped (latitude is north, -90 to 90; longitude is east, -180 to 180)"
            )
        if abs(self.latitude) > 90:
            raise SiteError(
                f"{label}: latitude {self.latitude:g} is not on the globe (use -90 to 90, north positive)"
            )
        if abs(self.longitude) > 180:
            raise SiteError(
                f"{label}: longitude {self.longitude:g} is not on the globe (use -180 to 180, east positive)"
            )
        if not 0 < self.radius_km <= MAX_RADIUS_KM:
            raise SiteError(
                f"{label}: radius {self.radius_km:g} km is out of range (use more than 0, up to 2000 km)"
            )
