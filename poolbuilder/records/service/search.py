"""What is asked: taxa in the service's own names, area and filters as one value; its parts when too big."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import json
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from poolbuilder.errors import SourceError, fault, said
from poolbuilder.records.service.client import Client, failure, text_of

FOLDER = "fetches"
"""Where a store keeps what was fetched."""

SMALLEST_DEGREES = 1e-3
"""A cell narrower than this (about 100 m) is split by year instead."""

FIRST_YEAR = 1500
HEADROOM = 0.95
"""Share of the ceiling that a part may fill, so that it may grow while it is paged."""

CORNERS = 64
MOST_PARTS = 2000
"""Counts asked for to split one query; a service that would need more does not count as documented."""


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
            raise failure("", *fault("shape_neither_distance", shape=self.shape))
        if not self.taxa:
            raise failure("", *fault("no_taxon_asked"))

    @property
    def distance_km(self) -> int:
        """Whole kilometres asked for: rounding the centre to 4 decimals moves it by up to 8 m."""
        return math.ceil(self.reach_km + 0.01)

    def params(self) -> dict[str, Any]:
        """The parameters of ``/occurrence/search``, without paging."""
        params: dict[str, Any] = {"taxonKey": [key for _, key in self.taxa], "hasCoordinate": "true"}
        if self.shape == "distance":
            params["geoDistance"] = f"{self.latitude:.4f},{self.longitude:.4f},{self.distance_km}km"
        else:
            params["geometry"] = self.polygon_wkt()
        if self.licences:
            params["license"] = list(self.licences)
        if self.changed_since is not None:
            params["lastInterpreted"] = f"{self.changed_since.isoformat()},*"
        return params

    def predicate(self) -> dict[str, Any]:
        """The query in the form of the download service."""
        parts: list[dict[str, Any]] = [
            {"type": "in", "key": "TAXON_KEY", "values": [key for _, key in self.taxa]},
            {"type": "equals", "key": "HAS_COORDINATE", "value": "true"},
        ]
        if self.shape == "distance":
            at = {"latitude": f"{self.latitude:.4f}", "longitude": f"{self.longitude:.4f}"}
            parts.append({"type": "geoDistance", **at, "distance": f"{self.distance_km}km"})
        else:
            parts.append({"type": "within", "geometry": self.polygon_wkt()})
        if self.licences:
            parts.append({"type": "in", "key": "LICENSE", "values": list(self.licences)})
        if self.changed_since is not None:
            since = self.changed_since.isoformat()
            parts.append({"type": "greaterThanOrEquals", "key": "LAST_INTERPRETED", "value": since})
        return {"type": "and", "predicates": parts}

    def polygon_wkt(self) -> str:
        """A polygon that holds the disc; exterior rings run anticlockwise, as the service demands."""
        import shapely

        from poolbuilder.places import geodesy

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
class SearchPart:
    """A piece of a query: a cell of longitude and latitude, and years within it.

    A part without a cell is the whole query.
    """

    west: float | None = None
    south: float | None = None
    east: float | None = None
    north: float | None = None
    years: tuple[int, int] | None = None

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> SearchPart:
        """The part that :func:`dataclasses.asdict` wrote, whatever stands beside it."""
        years = values["years"]
        sides = {side: values[side] for side in ("west", "south", "east", "north")}
        return cls(**sides, years=None if years is None else (int(years[0]), int(years[1])))

    def params(self) -> dict[str, str]:
        """What the part adds to the query's parameters; ranges hold both their ends."""
        params = {}
        if self.west is not None:
            params["decimalLongitude"] = f"{self.west:.6f},{self.east:.6f}"
            params["decimalLatitude"] = f"{self.south:.6f},{self.north:.6f}"
        if self.years is not None:
            params["year"] = f"{self.years[0]},{self.years[1]}"
        return params

    def halves(self, *, last_year: int) -> list[SearchPart]:
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
        turn = (first + last) // 2
        years = [(first, turn), (turn + 1, last)] if first < last else []
        return [dataclasses.replace(self, years=each) for each in years]


def cells(query: Query) -> list[SearchPart]:
    """One cell around the area, or two when it crosses the antimeridian."""
    from poolbuilder.places import geodesy

    boxes = geodesy.covering_box(query.longitude, query.latitude, query.distance_km + 1.0)
    return [SearchPart(west=west, south=south, east=east, north=north) for west, south, east, north in boxes]


def split(
    query: Query, *, count: Callable[[SearchPart], int], ceiling: int, last_year: int
) -> list[tuple[SearchPart, int]]:
    """Parts of a query, each small enough to be paged to its end.

    Parameters
    ----------
    count : callable
        Asks the service how many records a part holds.
    ceiling : int
        Most records that can be paged.

    Returns
    -------
    list of (SearchPart, int)
        Parts with their counts; empty parts are left out, unless the whole is empty.

    Raises
    ------
    SourceError
        When one spot and year alone holds more, or when undated records cannot be reached.
    """
    whole = SearchPart()
    total = count(whole)
    if total <= ceiling * HEADROOM:
        return [(whole, total)]
    found: list[tuple[SearchPart, int]] = []
    boxes = cells(query)
    waiting = [(part, count(part)) for part in reversed(boxes)]
    asked = len(boxes)
    while waiting:
        part, held = waiting.pop()
        if held == 0:
            continue
        if held <= ceiling * HEADROOM:
            found.append((part, held))
            continue
        halves = [(half, count(half)) for half in part.halves(last_year=last_year)]
        asked += len(halves)
        if sum(size for _, size in halves) < held:
            raise _too_many(part, held, ceiling)
        if asked > MOST_PARTS:
            raise failure("", *fault("records_more_questions", total=total, most_parts=MOST_PARTS))
        waiting.extend(reversed(halves))
    return found


def _too_many(part: SearchPart, held: int, ceiling: int) -> SourceError:
    where = ", ".join(f"{name} {value}" for name, value in part.params().items())
    return failure("", *fault("records_spot_only", held=held, where=where, ceiling=ceiling))


# ------------------------------------------------------------------ taxa


@dataclass(frozen=True, kw_only=True)
class TaxonMatch:
    """How the service understood a name.

    Attributes
    ----------
    asked : str
        The name given.
    key : str
        The service's key; text, never assumed to be a number. Empty without a match.
    name, rank : str
        Name and rank of the taxon matched.
    kind : str
        ``EXACT``, ``FUZZY``, ``HIGHERRANK``, ``VARIANT`` or ``NONE``, as the service says.
    confidence : int, optional
        0 to 100, as the service says.
    """

    asked: str
    key: str
    name: str
    rank: str
    kind: str
    confidence: int | None = None

    def words(self) -> str:
        """The match on one line."""
        if not self.key:
            return f"{self.asked}: no match"
        sure = "" if self.confidence is None else f", confidence {self.confidence}"
        how = f"{self.rank.lower()}, key {self.key}, {self.kind.lower()} match{sure}"
        return f"{self.asked} → {self.name} ({how})"


def _read_match(asked: str, answer: dict[str, Any]) -> TaxonMatch:
    """Read the answer of ``/species/match``, of the first or the second version of the service."""
    usage, diagnostics = answer.get("usage"), answer.get("diagnostics")
    second = isinstance(usage, dict)
    named: dict[str, Any] = usage if isinstance(usage, dict) else answer
    about: dict[str, Any] = diagnostics if isinstance(diagnostics, dict) else answer
    key, confidence = named.get("key" if second else "usageKey"), about.get("confidence")
    return TaxonMatch(
        asked=asked,
        key=(text_of(key) or "") if isinstance(key, str | int) else "",
        name=text_of(named.get("name" if second else "scientificName")) or "",
        rank=text_of(named.get("rank")) or "",
        kind=(text_of(about.get("matchType")) or "NONE").upper(),
        confidence=confidence if isinstance(confidence, int) else None,
    )


def match_taxon(
    client: Client, name: str, *, rank: str | None = None, accept_doubtful: bool = False
) -> TaxonMatch:
    """Ask the service what a name means.

    Parameters
    ----------
    name : str
        Scientific name of a taxon of any rank.
    rank : str, optional
        Rank that is meant, such as ``GENUS``; it helps where a name stands at two ranks.
    accept_doubtful : bool
        Take a fuzzy match, or a match to a higher taxon than asked.

    Raises
    ------
    SourceError
        When nothing matches, or the match is doubtful and not accepted.
    """
    asked = " ".join(name.split())
    if not asked:
        raise failure("", *fault("no_name_taxon"))
    params = {"name": asked, **({"rank": rank.upper()} if rank else {})}
    match = _read_match(asked, client.get("/species/match", params).value)
    if not match.key or match.kind == "NONE":
        raise failure("", *fault("taxon_service_knows", asked=asked))
    if match.kind != "EXACT" and not accept_doubtful:
        kinds = {"FUZZY": said("service_only_finds"), "HIGHERRANK": said("service_only_finds_higher")}
        doubt, rank = kinds.get(match.kind, said("service_calls_match", kind=match.kind)), match.rank.lower()
        raise failure("", *fault("taxon_got", asked=asked, doubt=doubt, name=match.name, rank=rank))
    return match


# ------------------------------------------------------------------ licences

LICENCES = {
    "CC0_1_0": "CC0 1.0",
    "CC_BY_4_0": "CC BY 4.0",
    "CC_BY_NC_4_0": "CC BY-NC 4.0",
    "UNSPECIFIED": "no licence stated",
    "UNSUPPORTED": "another licence",
}
"""The service's licence keys, from the freest to the most restrictive, and how they are written.

A licence that is missing or unknown may forbid anything, so it stands last.
"""

_ORDER = {key: place for place, key in enumerate(LICENCES)}


def parse_licence(text: str | None) -> str:
    """The key of a licence given as key, name or Creative Commons address.

    >>> parse_licence("http://creativecommons.org/licenses/by-nc/4.0/legalcode")
    'CC_BY_NC_4_0'
    >>> parse_licence("CC0"), parse_licence(None), parse_licence("all rights reserved")
    ('CC0_1_0', 'UNSPECIFIED', 'UNSUPPORTED')
    """
    squeezed = re.sub(r"[^a-z0-9]+", "", (text or "").lower())
    if squeezed in {"", "unspecified", "nolicencestated"}:
        return "UNSPECIFIED"
    if "cc0" in squeezed or "publicdomainzero" in squeezed:
        return "CC0_1_0"
    if not (squeezed.startswith("cc") or "creativecommons" in squeezed):
        return "UNSUPPORTED"
    version = re.search(r"by(nc)?(?P<rest>nd|sa)?(?P<version>\d*)", squeezed)
    if version is None or version["rest"] or version["version"] not in {"", "4", "40"}:
        return "UNSUPPORTED"
    return "CC_BY_NC_4_0" if version[1] else "CC_BY_4_0"


def strictest(keys: Iterable[str]) -> str | None:
    """The licence that binds the whole; None when there are no records."""
    return max(keys, key=_ORDER.__getitem__, default=None)


def read_filter(text: str) -> tuple[str, ...]:
    """Licences to ask for, from words such as ``CC0,CC-BY``.

    Raises
    ------
    SourceError
        For a word that names no licence of the service.
    """
    found = []
    for word in re.split(r"[,;]", text):
        key = parse_licence(word)
        if key in {"UNSPECIFIED", "UNSUPPORTED"}:
            raise failure("", *fault("licence_not_service", word=word.strip()))
        found.append(key)
    return tuple(sorted(set(found), key=_ORDER.__getitem__))
