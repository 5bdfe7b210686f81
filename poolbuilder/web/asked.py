"""What a person asks the page for: read from the address or a form, each fault beside its field."""

from __future__ import annotations

import dataclasses
import datetime
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import urlencode

from starlette.datastructures import QueryParams
from starlette.requests import Request

from poolbuilder.errors import PoolBuilderError, SiteError, said
from poolbuilder.job import Job
from poolbuilder.places.sites import WATER_TYPES, Site
from poolbuilder.web.workspace import Workspace

if TYPE_CHECKING:
    from poolbuilder.pool import Pool

T = TypeVar("T")

NAME_LENGTH = 200
MOST_FORM_BYTES = 64 * 1024
FIELDS = ("at", "name", "waterType", "radiusKm", "asOf", "checklist", "store", "known", "catch")
"""The fields of the form for a water; *known* and *catch* name tables that the page keeps."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """The fields as typed, the faults by field, and the job when there is no fault."""

    values: Mapping[str, str]
    ranges: tuple[str, ...] = ()
    faults: Mapping[str, str] = field(default_factory=dict)
    job: Job | None = None

    @property
    def address(self) -> str:
        """What was asked as the part of an address after ``?``."""
        pairs = [(key, value) for key, value in self.values.items() if value]
        return urlencode([*pairs, *(("ranges", label) for label in self.ranges)])

    def with_values(self, **changed: str) -> Asked:
        """The same with some fields changed, not read again."""
        return dataclasses.replace(self, values={**self.values, **changed})


def blank(workspace: Workspace, given: QueryParams | None = None) -> Asked:
    """The form with what an address already holds, nothing of it judged."""
    given = QueryParams() if given is None else given
    start = {
        "radiusKm": "40",
        "asOf": datetime.date.today().isoformat(),
        "checklist": workspace.checklists[0],
    }
    values = {key: given.get(key, start.get(key, "")) for key in FIELDS}
    ranges = given.getlist("ranges") if "at" in given else workspace.range_labels()
    return Asked(values=values, ranges=tuple(ranges))


def of_site(site: Site, *, as_of: str, checklist: str, ranges: tuple[str, ...] = ()) -> Asked:
    """What asks for a pool of a site."""
    values = dict.fromkeys(FIELDS, "") | {
        "at": f"{site.latitude!r}, {site.longitude!r}",
        "name": site.name,
        "waterType": site.water_type or "",
        "radiusKm": f"{site.radius_km:g}",
        "asOf": as_of,
        "checklist": checklist,
    }
    return Asked(values=values, ranges=ranges)


def of_pool(pool: Pool, workspace: Workspace) -> Asked:
    """What was asked for, as far as it can be asked for again here."""
    used = {str(item.get("path")) for item in pool.inputs}
    labels = workspace.range_labels().items()
    ranges = tuple(label for label, spec in labels if spec in used or spec.rpartition(":")[0] in used)
    found = of_site(pool.site, as_of=pool.as_of.isoformat(), checklist=pool.checklist_name, ranges=ranges)
    kept = {path.name for path in workspace.notes.glob("*.csv")} & used
    return found.with_values(
        **{kind: name for name in sorted(kept) for kind in ("known", "catch") if name.startswith(kind)}
    )


def read_asked(given: QueryParams, workspace: Workspace) -> Asked:
    """Read the fields of the form; *ranges* may come several times."""
    values = {key: given.get(key, "").strip() for key in FIELDS}
    faults: dict[str, str] = {}

    def read(name: str, how: Callable[[str], T]) -> T | None:
        try:
            return how(values[name])
        except (ValueError, PoolBuilderError) as error:
            faults[name] = str(error)
            return None

    def chosen(name: str, offered: Any, what: str) -> None:
        if values[name] not in offered:
            faults[name] = said("there_no_here", what=what, values=values[name])

    place, radius, as_of = read("at", read_coordinates), read("radiusKm", _radius), read("asOf", _day)
    if len(values["name"]) > NAME_LENGTH:
        faults["name"] = said("name_more_letters", name_length=NAME_LENGTH)
    stores, labels = workspace.store_labels(), workspace.range_labels()
    chosen("waterType", ("", *WATER_TYPES), "kind of water")
    chosen("checklist", workspace.checklists, "checklist")
    chosen("store", ("", *stores), "store")
    known, catch = (read(name, workspace.note) for name in ("known", "catch"))
    ranges = tuple(label for label in given.getlist("ranges") if label in labels)
    if len(ranges) < len(given.getlist("ranges")):
        faults["ranges"] = said("range_maps_lists")
    job = None
    if not faults and place is not None and radius is not None and as_of is not None:
        try:
            site = Site(
                longitude=place[0],
                latitude=place[1],
                radius_km=radius,
                name=values["name"],
                water_type=values["waterType"] or None,
            )
        except SiteError as error:
            faults["radiusKm"] = str(error)
        else:
            specs = {labels[label] for label in ranges}
            job = Job(
                site=site,
                as_of=as_of,
                checklist=values["checklist"],
                ranges=tuple(spec for spec in workspace.ranges if spec in specs),
                region_lists=tuple(pair for pair in workspace.region_lists if pair[0] in specs),
                store=stores.get(values["store"], workspace.store),
                settings=workspace.settings,
                known=(known,) if known else (),
                catch=(catch,) if catch else (),
                water=workspace.layers.get("water"),
                basins=workspace.layers.get("basins"),
                streams=workspace.layers.get("streams"),
                barriers=workspace.layers.get("barriers"),
            )
    return Asked(values=values, ranges=ranges, faults=faults, job=job)


async def read_form(request: Request) -> QueryParams:
    """The fields of a small form; none of a form that is too long."""
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_FORM_BYTES:
            return QueryParams()
    return QueryParams(body.decode("utf-8", "replace"))


def _radius(text: str) -> float:
    try:
        return float(text.lower().removesuffix("km").strip().replace(",", "."))
    except ValueError:
        raise ValueError(said("not_radius_km", text=text[:40])) from None


def _day(text: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise ValueError(said("not_day_2026", text=text[:40])) from None


_REMEDY = "write latitude, longitude, such as 35.75, -79.02 or 35°45'N 79°01'W"
_MARKS = re.compile(r"[°º'′’\"″”]|(?<=\d)\s*(?:deg|min|sec)\b", re.IGNORECASE)
_PART = re.compile(r"(?P<first>[NSEW])?\s*(?P<numbers>[+-]?\d[\d.\s]*)(?P<last>[NSEW])?", re.IGNORECASE)
_DECIMAL_COMMAS = re.compile(r"([+-]?\d+),(\d+)(?:\s*;\s*|\s+)([+-]?\d+),(\d+)")


def read_coordinates(text: str) -> tuple[float, float]:
    """Longitude and latitude, in degrees, of a pasted pair.

    Latitude comes first, as people and maps write it, unless letters say otherwise.
    Decimal degrees, degrees and minutes, degrees, minutes and seconds, and a ``geo:``
    address (RFC 5870) are read.

    Raises
    ------
    SiteError
        When the text is not a pair of coordinates on the globe.

    Examples
    --------
    >>> read_coordinates("35.75, -79.02")
    (-79.02, 35.75)
    >>> read_coordinates("35°45′00″N 79°01′12″W")
    (-79.02, 35.75)
    >>> read_coordinates("W 79 1.2', N 35 45'")
    (-79.02, 35.75)
    """
    cleaned = text.strip()
    if cleaned.startswith("geo:"):
        cleaned = cleaned.removeprefix("geo:").split(";")[0]
    cleaned = cleaned.strip("()[] ")
    cleaned = cleaned.replace("\N{MINUS SIGN}", "-").replace("\N{EN DASH}", "-")
    cleaned = _MARKS.sub(" ", _DECIMAL_COMMAS.sub(r"\1.\2; \3.\4", cleaned)).strip()
    if not cleaned:
        raise SiteError(f"no coordinates given ({_REMEDY})")
    parts = [_degrees(piece, text) for piece in _halves(cleaned, text)]
    axes = [axis for _, axis in parts]
    if axes in (["x", "y"], ["x", ""], ["", "y"]):
        parts.reverse()
    elif axes[0] == axes[1] != "":
        raise SiteError(f"{text!r} gives {'latitude' if axes[0] == 'y' else 'longitude'} twice ({_REMEDY})")
    latitude, longitude = parts[0][0], parts[1][0]
    if abs(latitude) > 90:
        swapped = said("two_look_swapped") if abs(longitude) <= 90 else ""
        raise SiteError.of("latitude_not_globe_latitude", latitude=latitude, swapped=swapped)
    if abs(longitude) > 180:
        raise SiteError.of("longitude_not_globe_180", longitude=longitude)
    return longitude, latitude


def _halves(text: str, given: str) -> list[str]:
    """The two coordinates: split at the comma, at a letter, or at the space between two numbers."""
    for pattern in (r"[,;/|]", r"(?<=[NSEW])\s+(?=[+-]?\d)", r"(?<=[\d\s.])(?=[NSEW]\s*\d)", r"\s+"):
        pieces = [piece.strip() for piece in re.split(pattern, text, flags=re.IGNORECASE) if piece.strip()]
        if len(pieces) == 2:
            return pieces
    raise SiteError.of("not_pair_coordinates", given=given, remedy_given=_REMEDY)


def _degrees(piece: str, given: str) -> tuple[float, str]:
    """Degrees, and `y` for latitude, `x` for longitude or nothing when no letter says."""
    found = _PART.fullmatch(piece)
    numbers = found["numbers"].split() if found else []
    if (
        found is None
        or (found["first"] and found["last"])
        or not 1 <= len(numbers) <= 3
        or not all(re.fullmatch(r"[+-]?\d+", text) for text in numbers[:-1])
        or not re.fullmatch(r"[+-]?\d+(\.\d*)?", numbers[-1])
    ):
        raise SiteError.of("not_pair_coordinates_cannot", given=given, piece=piece, remedy_given=_REMEDY)
    degrees, minutes, seconds = [*map(float, numbers), 0.0, 0.0][:3]
    if minutes >= 60 or seconds >= 60:
        raise SiteError.of(
            "minutes_beyond_60", given=given, minutes="minutes" if minutes >= 60 else "seconds"
        )
    letter = (found["first"] or found["last"] or "").upper()
    size = round(abs(degrees) + minutes / 60 + seconds / 3600, 9)
    negative = numbers[0].startswith("-") or letter in {"S", "W"}
    return (-size if negative else size), {"N": "y", "S": "y", "E": "x", "W": "x"}.get(letter, "")
