"""The site asked about, and tables of waters: a name, a place and perhaps a radius in each row."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from poolbuilder.errors import PlanError, SiteError, said
from poolbuilder.names.vocabularies import read_rows

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
        What the water is called in the result, on one line.
    water_type : str, optional
        One of `WATER_TYPES`; None when it is unknown.
    location_id, county : str
        What its owner calls it, and where it lies; carried into tables of many waters.

    Raises
    ------
    SiteError
        When a value is not a number or is out of its range.

    Examples
    --------
    >>> Site(longitude=-91.2, latitude=36.9, name="Mill Pond").radius_km
    40.0
    """

    longitude: float
    latitude: float
    radius_km: float = 40.0
    name: str = ""
    water_type: str | None = None
    location_id: str = ""
    county: str = ""

    def __post_init__(self) -> None:
        for key in ("name", "location_id", "county"):
            object.__setattr__(self, key, " ".join(str(getattr(self, key)).split()))
        label = f"site {self.name!r}" if self.name else "site"
        if self.water_type is not None and self.water_type not in WATER_TYPES:
            raise SiteError.of(
                "water_type_unknown", label=label, water_type=self.water_type, water_types=WATER_TYPES
            )
        for key in ("longitude", "latitude", "radius_km"):
            value = getattr(self, key)
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise SiteError.of("not_number_decimal", label=label, item=key, value=value)
            object.__setattr__(self, key, float(value))
        if abs(self.latitude) > 90 and abs(self.longitude) <= 90:
            raise SiteError.of("latitude_not_globe", label=label, latitude=self.latitude)
        if abs(self.latitude) > 90:
            raise SiteError.of("latitude_not_globe_90", label=label, latitude=self.latitude)
        if abs(self.longitude) > 180:
            raise SiteError.of("longitude_not_globe", label=label, longitude=self.longitude)
        if not 0 < self.radius_km <= MAX_RADIUS_KM:
            raise SiteError.of("radius_km_out", label=label, radius_km=self.radius_km)


def read_waters(
    path: str | Path,
    *,
    radius_km: float = 40.0,
    water_type: str | None = None,
    aside: list[str] | None = None,
) -> tuple[Site, ...]:
    """Read a table of waters.

    Parameters
    ----------
    path : path
        UTF-8 text with a header; separated by commas, semicolons or tabs.  Columns: name,
        latitude, longitude, and if wanted radius_km, water_type, an identifier and county;
        Darwin Core's headings are known too, and those that agencies use, such as LAKE_NAME,
        LAT_DD, LON_DD.
    radius_km : float
        For rows without a radius.
    water_type : str, optional
        For rows without a water type.
    aside : list, optional
        Takes a sentence for each row that is no place; without it such a row is an error.

    Returns
    -------
    tuple of Site
        In the order of the rows; a water without a name is called by its row.

    Raises
    ------
    PlanError
        When the table cannot be read, lacks a column or has no row that can be used.
    """
    sites: list[Site] = []
    wrong: PlanError | None = None
    remedy = said("table_of_waters")
    rows = read_rows(path, "waters", needed=("latitude", "longitude"), remedy=remedy, error=PlanError)
    for number, cells in rows:
        try:
            sites.append(_site(cells, number, radius_km, water_type))
        except ValueError as error:
            comma = "write a decimal point" if "," in str(error) else remedy
            mend = said("mend_remove_row") if isinstance(error, SiteError) else comma
            wrong = PlanError(str(error), file=path, row=number, remedy=mend)
            if aside is None:
                raise wrong from None
            aside.append(f"set aside: {wrong}")
    if not sites:
        raise wrong or PlanError.of("no_waters", file=path, remedy_given=remedy)
    return tuple(sites)


def _site(cells: Mapping[str, str], number: int, radius_km: float, water_type: str | None) -> Site:
    values = {"radius": radius_km}
    for key in ("latitude", "longitude", "radius"):
        text = cells.get(key, "")
        if text or key != "radius":
            try:
                values[key] = float(text)
            except ValueError:
                raise ValueError(f"{key} {text!r} is not a number") from None
    return Site(
        longitude=values["longitude"],
        latitude=values["latitude"],
        radius_km=values["radius"],
        name=cells.get("name") or f"row {number}",
        water_type=cells.get("water_type", "").lower() or water_type,
        location_id=cells.get("location_id", ""),
        county=cells.get("county", ""),
    )
