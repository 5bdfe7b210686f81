"""The site asked about, and tables of waters: a name, a place and perhaps a radius in each row."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from poolbuilder.errors import PlanError, SiteError

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


_HEADINGS = {
    "name": ("name", "water", "waterbody", "waterbodyname", "locality"),
    "latitude": ("latitude", "lat", "decimallatitude"),
    "longitude": ("longitude", "lon", "long", "lng", "decimallongitude"),
    "radius": ("radiuskm", "radius"),
    "water_type": ("watertype",),
}
_REMEDY = (
    "give a CSV table with the columns name, latitude and longitude, and if you like radius_km and water_type"
)


def read_waters(
    path: str | Path, *, radius_km: float = 40.0, water_type: str | None = None
) -> tuple[Site, ...]:
    """Read a table of waters.

    Parameters
    ----------
    path : path
        UTF-8 text with a header; separated by commas, semicolons or tabs.  Columns: name,
        latitude, longitude, and if wanted radius_km and water_type; Darwin Core's headings are
        known too.
    radius_km : float
        For rows without a radius.
    water_type : str, optional
        For rows without a water type.

    Returns
    -------
    tuple of Site
        In the order of the rows; a water without a name is called by its row.

    Raises
    ------
    PlanError
        When the table cannot be read, lacks a column or has a row that is no place.
    """
    rows, delimiter = _rows(Path(path))
    columns = _columns(rows[0], path)
    sites = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        try:
            sites.append(_site(row, columns, number, radius_km, water_type))
        except SiteError as error:
            raise PlanError(str(error), file=path, row=number, remedy="mend or remove the row") from error
        except ValueError as error:
            comma = delimiter != "," and "," in str(error)
            raise PlanError(
                f"{error}", file=path, row=number, remedy="write a decimal point" if comma else _REMEDY
            ) from error
    if not sites:
        raise PlanError("has no waters", file=path, remedy=_REMEDY)
    return tuple(sites)


def _rows(path: Path) -> tuple[list[list[str]], str]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise PlanError("is not UTF-8 text", file=path, remedy="save it as CSV UTF-8") from error
    except OSError as error:
        raise PlanError(
            f"cannot be read: {error.strerror}", file=path, remedy="check path and permissions"
        ) from error
    first = text.partition("\n")[0]
    delimiter = max("\t;,", key=first.count)
    rows = list(csv.reader(io.StringIO(text), delimiter=delimiter))
    if not rows:
        raise PlanError("is empty", file=path, remedy=_REMEDY)
    return rows, delimiter


def _columns(header: list[str], path: str | Path) -> dict[str, int]:
    folded = ["".join(letter for letter in name.lower() if letter.isalnum()) for name in header]
    found = {}
    for key, headings in _HEADINGS.items():
        at = [folded.index(heading) for heading in headings if heading in folded]
        if at:
            found[key] = at[0]
    missing = [key for key in ("latitude", "longitude") if key not in found]
    if missing:
        raise PlanError(f"has no column {' or '.join(missing)}", file=path, row=1, remedy=_REMEDY)
    return found


def _site(
    row: list[str], columns: Mapping[str, int], number: int, radius_km: float, water_type: str | None
) -> Site:
    cells = {key: row[at].strip() if at < len(row) else "" for key, at in columns.items()}
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
    )
