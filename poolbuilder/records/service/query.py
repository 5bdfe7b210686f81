"""What is asked: taxa, area and filters, as one value; and its parts when it is too big."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from poolbuilder.errors import SourceError

__all__ = ["Part", "Query", "split"]

SMALLEST_DEGREES = 1e-3
"""A cell narrower than this (about 100 m) is split by year instead."""

FIRST_YEAR = 1500
HEADROOM = 0.95
"""Share of the ceiling that a part may fill, so that it may grow while it is paged."""

CORNERS = 64


@dataclass(frozen=True, kw_only=True)
class Query:
    """Records of some taxa around a place.

    Parameters
    ----------
    longitude, latitude : float
        WGS84 degrees.
    reach_km : float
        All records with coordinates within this distance are asked for.
    taxa : tuple of (name, key)
        From the service's own matching; keys are text.
    licences : tuple of str
        Licence keys to keep to; empty for all.
    changed_since : date, optional
        Only records that the service changed on or after this day.
    shape : {"distance", "polygon"}
        The area as ``geoDistance`` (latitude first) or as ``geometry`` (WKT, anticlockwise).
    """

    longitude: float
    latitude: float
    reach_km: float
    taxa: tuple[tuple[str, str], ...]
    licences: tuple[str, ...] = ()
    changed_since: datetime.date | None = None
    shape: str = "distance"

    def __post_init__(self) -> None:
        if self.shape not in {"distance", "polygon"}:
            raise SourceError(
                f"shape {self.shape!r}: neither distance nor polygon", source="occurrence service"
            )
        if not self.taxa:
            raise SourceError("query: no taxon (name at least one)", source="occurrence service")

    @property
    def distance_km(self) -> int:
        """Whole kilometres asked for: rounding the centre to 4 decimals moves it by up to 8 m."""
        return math.ceil(self.reach_km + 0.01)

    def params(self) -> dict[str, Any]:
        """The parameters of ``/occurrence/search``, without paging."""
        params: dict[str, Any] = {
            "taxonKey": [key for _, key in self.taxa],
            "hasCoordinate": "true",
        }
        if self.shape == "distance":
            params["geoDistance"] = f"{self.latitude:.4f},{self.longitude:.4f},{self.distance_km}km"
        else:
            params["geometry"] = self.polygon_wkt()
        if self.licences:
            params["license"] = list(self.licences)
        if self.changed_since is not None:
            params["lastInterpreted"] = f"{self.changed_since.isoformat()},*"
        return params

    def polygon_wkt(self) -> str:
        """A polygon that holds the disc; exterior rings run anticlockwise, as the service demands."""
        import shapely

        from poolbuilder import geodesy

        widened = self.distance_km / math.cos(math.pi / CORNERS)
        disc = geodesy.disc(self.longitude, self.latitude, widened)
        return str(shapely.to_wkt(shapely.orient_polygons(disc), rounding_precision=4, trim=True))

    def as_dict(self) -> dict[str, Any]:
        """The query as it is written beside its answers."""
        return {
            "longitude": self.longitude,
            "latitude": self.latitude,
            "reachKm": self.reach_km,
            "taxa": [{"name": name, "key": key} for name, key in self.taxa],
            "licences": list(self.licences),
            "changedSince": None if self.changed_since is None else self.changed_since.isoformat(),
            "shape": self.shape,
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> Query:
        """The query that :meth:`as_dict` wrote."""
        since = values["changedSince"]
        return cls(
            longitude=values["longitude"],
            latitude=values["latitude"],
            reach_km=values["reachKm"],
            taxa=tuple((taxon["name"], taxon["key"]) for taxon in values["taxa"]),
            licences=tuple(values["licences"]),
            changed_since=None if since is None else datetime.date.fromisoformat(since),
            shape=values["shape"],
        )

    def digest(self, base_url: str) -> str:
        """Sixteen hexadecimal digits that stand for this query at this service, whenever it is asked."""
        text = json.dumps([base_url, self.replace(changed_since=None).as_dict()], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def replace(self, **changes: Any) -> Query:
        """The same query with something changed."""
        return dataclasses.replace(self, **changes)


@dataclass(frozen=True, kw_only=True)
class Part:
    """A piece of a query: a cell of longitude and latitude, and years within it.

    A part without a cell is the whole query.
    """

    west: float | None = None
    south: float | None = None
    east: float | None = None
    north: float | None = None
    years: tuple[int, int] | None = None

    def params(self) -> dict[str, str]:
        """What the part adds to the query's parameters; ranges hold both their ends."""
        params = {}
        if self.west is not None:
            params["decimalLongitude"] = f"{self.west:.6f},{self.east:.6f}"
            params["decimalLatitude"] = f"{self.south:.6f},{self.north:.6f}"
        if self.years is not None:
            params["year"] = f"{self.years[0]},{self.years[1]}"
        return params

    def halves(self, *, last_year: int) -> list[Part]:
        """The two parts that make up this one; empty when it cannot be halved.

        Cells come before years: every record asked for has coordinates, not every one a year.
        """
        if self.west is None or self.east is None or self.south is None or self.north is None:
            return []
        width, height = self.east - self.west, self.north - self.south
        if self.years is None and max(width, height) > SMALLEST_DEGREES:
            if width * math.cos(math.radians((self.south + self.north) / 2)) >= height:
                middle = round((self.west + self.east) / 2, 6)
                return [dataclasses.replace(self, east=middle), dataclasses.replace(self, west=middle)]
            middle = round((self.south + self.north) / 2, 6)
            return [dataclasses.replace(self, north=middle), dataclasses.replace(self, south=middle)]
        first, last = self.years or (FIRST_YEAR, last_year)
        if first == last:
            return []
        turn = (first + last) // 2
        return [
            dataclasses.replace(self, years=(first, turn)),
            dataclasses.replace(self, years=(turn + 1, last)),
        ]


def cells(query: Query) -> list[Part]:
    """One cell around the area, or two when it crosses the antimeridian."""
    from poolbuilder import geodesy

    boxes = geodesy.covering_box(query.longitude, query.latitude, query.distance_km + 1.0)
    return [Part(west=west, south=south, east=east, north=north) for west, south, east, north in boxes]


def split(
    query: Query, *, count: Callable[[Part], int], ceiling: int, last_year: int
) -> list[tuple[Part, int]]:
    """Parts of a query, each small enough to be paged to its end.

    Parameters
    ----------
    count : callable
        Asks the service how many records a part holds.
    ceiling : int
        Most records that can be paged.

    Returns
    -------
    list of (Part, int)
        Parts with their counts; empty parts are left out, unless the whole is empty.

    Raises
    ------
    SourceError
        When one spot and year alone holds more, or when undated records cannot be reached.
    """
    whole = Part()
    total = count(whole)
    if total <= ceiling * HEADROOM:
        return [(whole, total)]
    found: list[tuple[Part, int]] = []
    waiting = [(part, count(part)) for part in reversed(cells(query))]
    while waiting:
        part, held = waiting.pop()
        if held == 0:
            continue
        if held <= ceiling * HEADROOM:
            found.append((part, held))
            continue
        halves = [(half, count(half)) for half in part.halves(last_year=last_year)]
        if sum(size for _, size in halves) < held:
            raise _too_many(part, held, ceiling)
        waiting.extend(reversed(halves))
    return found


def _too_many(part: Part, held: int, ceiling: int) -> SourceError:
    where = ", ".join(f"{name} {value}" for name, value in part.params().items())
    return SourceError(
        f"occurrence service: {held:,} records at one spot ({where}), and only {ceiling:,} can be paged, "
        "some "
        "of them undated or of one year (fetch them with --download, which has no such limit, or ask for a "
        "narrower taxon)",
        source="occurrence service",
    )
