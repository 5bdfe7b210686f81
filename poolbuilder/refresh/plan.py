"""A refresh plan: which waters, from what, to where; and which of them share a fetch."""

from __future__ import annotations

import csv
import dataclasses
import difflib
import math
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import zip_longest
from pathlib import Path
from typing import Any

import numpy as np

from poolbuilder.errors import PlanError, SettingsError, SiteError, SourceError, said
from poolbuilder.names.checklist import SHIPPED
from poolbuilder.places.geodesy import distance_km
from poolbuilder.places.sites import Site, read_waters
from poolbuilder.records.service.client import DEFAULT_URL
from poolbuilder.records.service.search import read_filter
from poolbuilder.settings import Settings, parsed_toml, read_calibration
from poolbuilder.surroundings import reach_of
from poolbuilder.water.hydrography import HYDROGRAPHY_URL

MAKES = ("pools", "introduced", "both")
"""What a run may make."""

LAYERS = ("water", "basins", "streams", "barriers")

KINDS: dict[str, tuple[type, ...]] = {
    "text": (str,), "path": (str,), "texts": (str, list), "paths": (str, list), "number": (int, float),
    "switch": (bool,), "table": (dict,), "tables": (list,),
}  # fmt: skip
"""What may stand for a key, by the kind that ``plan.csv`` gives it."""


TABLES = {"refresh": ("table", ""), "water": ("tables", ""), "settings": ("table", "")}


@cache
def _keys(table: str) -> dict[str, tuple[str, str]]:
    """The keys of a table of a plan, each with its kind and default."""
    with Path(__file__).with_name("plan.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["table"] == table]
    return {row["key"]: (row["kind"], row["default"]) for row in rows}


@dataclass(frozen=True, kw_only=True)
class PlannedWater:
    """One water of a plan.

    Attributes
    ----------
    slug : str
        Its folder's name.
    layers : mapping
        ``water``, ``basins``, ``streams``, ``barriers`` to layer, where given.
    """

    site: Site
    slug: str
    layers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a seasonal run does; paths are taken from the plan's own folder.

    Attributes
    ----------
    make : str
        ``pools``, ``introduced`` or ``both``.
    find : str, optional
        Genus, family or class whose introduced species are looked for, in place of the checklist.
    region_lists : sequence of (str, str or None)
        Lists of what is native and introduced, and the layer of the regions of each where it needs one.
    reviewed : Path, optional
        Table of what somebody looked at.
    layers : mapping
        Layers that all waters share.
    fetch_water : bool
        Whether the layers of waters that have none are brought from the hydrography service.
    notes : tuple of str
        Rows of the table of waters that were set aside.
    """

    path: Path
    out: Path
    store: Path
    waters: tuple[PlannedWater, ...]
    taxa: tuple[str, ...]
    group: tuple[str, ...] = ()
    checklist: str = "lepomis"
    ranges: tuple[str, ...] = ()
    licences: tuple[str, ...] = ()
    shape: str = "distance"
    accept_match: bool = False
    service_url: str = DEFAULT_URL
    settings: Settings = field(default_factory=Settings)
    calibration: Mapping[str, Any] | None = None
    make: str = "pools"
    find: str | None = None
    region_lists: tuple[tuple[str, str | None], ...] = ()
    reviewed: Path | None = None
    layers: Mapping[str, str] = field(default_factory=dict)
    fetch_water: bool = False
    water_url: str = HYDROGRAPHY_URL
    notes: tuple[str, ...] = ()

    def with_service(self, url: str | None) -> Plan:
        """The same plan with another service; None changes nothing."""
        return self if url is None else dataclasses.replace(self, service_url=url)


def read_plan(path: str | Path) -> Plan:
    """Read a plan.

    Raises
    ------
    PlanError
        For a file that cannot be read or is not TOML, an unknown key (the nearest known one
        is named), a missing or impossible value, and two waters of one name.
    """
    plan = Path(path)
    document = _document(plan)
    _check_keys(document, TABLES, "the plan", plan)
    main = document.get("refresh")
    if main is None:
        raise PlanError.of("no_refresh_table", file=plan)
    _check_keys(main, _keys("refresh"), "[refresh]", plan)
    for key in ("out", "taxon"):
        if key not in main:
            raise PlanError.of("no_key", file=plan, where="[refresh]", item=key)
    given = {key: _given(key, main, plan) for key in _keys("refresh")}
    if not given["taxon"]:
        raise PlanError.of("taxon_empty", file=plan)
    try:
        licences = read_filter(main["licence"]) if "licence" in main else ()
    except SourceError as error:
        raise PlanError(str(error), file=plan) from error
    for key, known in (("shape", ("distance", "polygon")), ("make", MAKES)):
        if given[key] not in known:
            raise PlanError.of("unknown_word", file=plan, column=key, value=given[key], listed=known)
    if len(given["regions"]) > len(given["regionList"]):
        raise PlanError.of("regions_belong_regionlist", file=plan)
    aside: list[str] = []
    return Plan(
        path=plan,
        out=Path(given["out"]),
        store=Path(given["store"]),
        waters=_waters(document, given, plan, aside),
        notes=tuple(aside),
        taxa=given["taxon"],
        group=given["group"],
        checklist=_checklist(given["checklist"], plan.absolute().parent),
        ranges=given["ranges"],
        licences=licences,
        shape=given["shape"],
        accept_match=bool(given["acceptMatch"]),
        service_url=given["serviceUrl"] or DEFAULT_URL,
        settings=_settings(document, given["settings"], plan),
        calibration=read_calibration(given["settings"]) if given["settings"] else None,
        make=given["make"],
        find=given["find"],
        region_lists=tuple(zip_longest(given["regionList"], given["regions"])),
        reviewed=Path(given["reviewed"]) if given["reviewed"] else None,
        layers=_layers(given),
        fetch_water=bool(given["fetchWater"]),
        water_url=given["waterUrl"] or HYDROGRAPHY_URL,
    )


def read_sites(path: str | Path) -> list[Site]:
    """The waters that stand in the tables of a plan, whatever else it says or lacks.

    Raises
    ------
    PlanError
        When the file cannot be read or is not TOML, or a water cannot be used.
    """
    plan = Path(path)
    document = _document(plan)
    main, rows = document.get("refresh", {}), document.get("water", [])
    _check_keys({"refresh": main, "water": rows}, TABLES, "the plan", plan)
    radius = {"radiusKm": main.get("radiusKm", 40)}
    _check_keys(radius, _keys("refresh"), "[refresh]", plan)
    waters = [_water(row, at, float(radius["radiusKm"]), {}, plan) for at, row in enumerate(rows, start=1)]
    return [water.site for water in waters]


def _given(key: str, main: Mapping[str, Any], plan: Path) -> Any:
    """What a plan says under a key, or its default; paths are taken from the plan's own folder."""
    home = plan.absolute().parent
    kind, default = _keys("refresh")[key]
    value = main.get(key, default or None)
    if kind in {"texts", "paths"}:
        items = [value] if isinstance(value, str) else value or []
        for item in items:
            if not isinstance(item, str) or not item.strip():
                raise PlanError.of("not_texts", file=plan, item=key, item2=item)
        return tuple(str(home / item) if kind == "paths" else item for item in items)
    return str(home / value) if kind == "path" and value is not None else value


def _layers(given: Mapping[str, Any]) -> dict[str, str]:
    return {key: given[key] for key in LAYERS if given[key] is not None}


def _document(plan: Path) -> dict[str, Any]:
    try:
        return parsed_toml(plan.read_text(encoding="utf-8"))
    except OSError as error:
        raise PlanError.of("cannot_read", file=plan, why=error.strerror) from error
    except UnicodeDecodeError as error:
        raise PlanError.of("not_utf_text", file=plan) from error
    except (ValueError, RecursionError) as error:
        raise PlanError.of("not_toml", file=plan, error=error) from error


def _check_keys(
    table: Mapping[str, Any], known: Mapping[str, tuple[str, str]], where: str, plan: Path
) -> None:
    for key, value in table.items():
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            remedy = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
            raise PlanError.of("unknown_key", file=plan, where=where, item=key, remedy_given=remedy)
        kinds = KINDS[known[key][0]]
        if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
            said_kind = said(f"plan_{known[key][0]}")
            raise PlanError.of("wrong_type", file=plan, where=where, item=key, value=value, kinds=said_kind)


def _checklist(given: str, home: Path) -> str:
    """A list that ships with the package or a genus stays as it is; a file is found beside the plan."""
    if given in SHIPPED or not (home / given).exists():
        return given
    return str(home / given)


def _settings(document: Mapping[str, Any], file: str | None, plan: Path) -> Settings:
    if "settings" in document and file is not None:
        raise PlanError.of("settings_stand_twice", file=plan)
    try:
        if file is not None:
            return Settings.from_toml(file)
        return Settings.from_dict(document.get("settings", {}), where=f"{plan}, [settings]")
    except SettingsError as error:
        raise PlanError(str(error)) from error


def _waters(
    document: Mapping[str, Any], given: Mapping[str, Any], plan: Path, aside: list[str]
) -> tuple[PlannedWater, ...]:
    """The waters of the plan's tables, then those of its file."""
    shared, radius = _layers(given), float(given["radiusKm"])
    waters = [
        _water(row, number, radius, shared, plan)
        for number, row in enumerate(document.get("water", []), start=1)
    ]
    if given["waters"]:
        sites = read_waters(given["waters"], radius_km=radius, aside=aside)
        named = Counter(_slug(site.name) for site in sites)
        waters += [
            PlannedWater(site=site, slug=_own_slug(site, alone=named[_slug(site.name)] == 1), layers=shared)
            for site in sites
        ]
    if not waters:
        raise PlanError.of("names_no_water", file=plan)
    seen: dict[str, str] = {"introduced": said("introduced_folder_introduced")}
    for water in waters:
        if water.slug in seen:
            raise PlanError.of("two_waters_would", file=plan, seen=seen[water.slug], name=water.site.name)
        seen[water.slug] = water.site.name
    return tuple(waters)


def _water(row: Any, number: int, radius: float, shared: Mapping[str, str], plan: Path) -> PlannedWater:
    where = f"[[water]] number {number}"
    if not isinstance(row, dict):
        raise PlanError.of("not_table", file=plan, where=where)
    _check_keys(row, _keys("water"), where, plan)
    for key in ("name", "lat", "lon"):
        if key not in row:
            raise PlanError.of("no_key", file=plan, where=where, item=key)
    if not _slug(row["name"]):
        raise PlanError.of("name_no_letter", file=plan, where=where, name=row["name"])
    try:
        site = Site(
            longitude=row["lon"],
            latitude=row["lat"],
            radius_km=float(row.get("radiusKm", radius)),
            name=row["name"].strip(),
            water_type=row.get("waterType"),
        )
    except SiteError as error:
        raise PlanError.of("water_of_the_plan", file=plan, where=where, error=error) from error
    own = {key: str(plan.absolute().parent / row[key]) for key in LAYERS if key in row}
    return PlannedWater(site=site, slug=_slug(site.name), layers={**shared, **own})


def _slug(name: str) -> str:
    """A folder's name: letters and digits of any script, in lower case, joined by hyphens."""
    folded = unicodedata.normalize("NFKC", name).casefold()
    return re.sub(r"[^\w]+|_+", "-", folded).strip("-")[:80]


def _own_slug(site: Site, *, alone: bool) -> str:
    """The folder of a water of a table; two of one name differ by identifier, else by place."""
    place = f"{site.latitude:.4f} {site.longitude:.4f}"
    return _slug(site.name if alone else f"{site.name} {site.location_id or place}")


STEP_KM = 10.0
"""The wider area is rounded up to this, so that a plan with one more water asks for the same."""


@dataclass(frozen=True, kw_only=True)
class Neighbours:
    """Waters that share a fetch.

    Attributes
    ----------
    site : Site
        The first of them, the centre of the fetch.
    spread_km : float
        How much farther than its own reach the others need; 0 for a water alone.
    members : tuple of int
        Positions in the plan.
    """

    site: Site
    spread_km: float
    members: tuple[int, ...]


def group_neighbours(sites: Sequence[Site], *, settings: Settings) -> list[Neighbours]:
    """Group waters in the order of the plan; every water is in exactly one group.

    A water joins the first one that is still alone or leads a group when the group's fetch,
    widened by at most ``sharedFetchKm``, takes in all that the water needs.
    """
    groups = []
    left = list(range(len(sites)))
    while left:
        lead = sites[left[0]]
        away = distance_km(
            np.array([sites[number].longitude for number in left]),
            np.array([sites[number].latitude for number in left]),
            from_longitude=lead.longitude,
            from_latitude=lead.latitude,
        )
        own = reach_of(lead, settings=settings)
        need = {
            number: float(far) + reach_of(sites[number], settings=settings) - own
            for number, far in zip(left, away, strict=True)
        }
        members = tuple(
            number for number in left if number == left[0] or need[number] <= settings.shared_fetch_km
        )
        widest = max(need[number] for number in members)
        spread = min(math.ceil(widest / STEP_KM) * STEP_KM, settings.shared_fetch_km) if widest > 0 else 0.0
        groups.append(Neighbours(site=lead, spread_km=spread, members=members))
        left = [number for number in left if number not in members]
    return groups
