"""What a person asks the page for: read from the address, each fault beside its field."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from poolbuilder.errors import SiteError
from poolbuilder.job import Job
from poolbuilder.page.coordinates import read_coordinates
from poolbuilder.page.workspace import Workspace
from poolbuilder.site import Site

__all__ = ["Query", "address", "read_query"]

NAME_LENGTH = 200
FIELDS = ("at", "name", "radiusKm", "asOf", "checklist", "store")


@dataclass(frozen=True, kw_only=True)
class Query:
    """The fields as typed, the faults by field, and the job when there is no fault."""

    values: Mapping[str, str]
    ranges: tuple[str, ...] = ()
    faults: Mapping[str, str] = field(default_factory=dict)
    job: Job | None = None

    @property
    def address(self) -> str:
        """The query as the part of an address after ``?``."""
        pairs = [(key, value) for key, value in self.values.items() if value]
        return urlencode([*pairs, *(("ranges", label) for label in self.ranges)])


def address(site: Site, *, as_of: str, checklist: str, ranges: tuple[str, ...] = ()) -> str:
    """The address of a pool of a site, after ``?``."""
    values = {
        "at": f"{site.latitude!r}, {site.longitude!r}",
        "name": site.name,
        "radiusKm": f"{site.radius_km:g}",
        "asOf": as_of,
        "checklist": checklist,
    }
    return Query(values=values, ranges=ranges).address


def read_query(given: Mapping[str, str], ranges: list[str], workspace: Workspace) -> Query:
    """Read the fields of the form.

    Parameters
    ----------
    given : mapping
        ``at``, ``name``, ``radiusKm``, ``asOf`` and ``checklist``, as typed, and the name of
        the ``store``; without one the first is taken.
    ranges : list of str
        Labels of the chosen range layers.
    """
    values = {key: str(given.get(key, "")).strip() for key in FIELDS}
    faults: dict[str, str] = {}
    place = _attempt(faults, "at", lambda: read_coordinates(values["at"]))
    radius = _attempt(faults, "radiusKm", lambda: _radius(values["radiusKm"]))
    as_of = _attempt(faults, "asOf", lambda: _day(values["asOf"]))
    if len(values["name"]) > NAME_LENGTH:
        faults["name"] = f"the name has more than {NAME_LENGTH} letters (shorten it)"
    if values["checklist"] not in workspace.checklists:
        faults["checklist"] = f"there is no checklist {values['checklist']!r} here (choose one of the list)"
    stores = workspace.store_labels()
    if values["store"] and values["store"] not in stores:
        faults["store"] = f"there is no store {values['store']!r} here (choose one of the list)"
    labels = workspace.range_labels()
    chosen = tuple(label for label in ranges if label in labels)
    if len(chosen) < len(ranges):
        faults["ranges"] = "one of the range layers is not offered here (choose from the list)"
    if faults or place is None or radius is None or as_of is None:
        return Query(values=values, ranges=chosen, faults=faults)
    site = _attempt(
        faults,
        "radiusKm",
        lambda: Site(longitude=place[0], latitude=place[1], radius_km=radius, name=values["name"]),
    )
    if site is None:
        return Query(values=values, ranges=chosen, faults=faults)
    job = Job(
        site=site,
        as_of=as_of,
        checklist=values["checklist"],
        ranges=tuple(labels[label] for label in chosen),
        store=stores.get(values["store"], workspace.store),
        settings=workspace.settings,
        water=workspace.layers.get("water"),
        basins=workspace.layers.get("basins"),
        streams=workspace.layers.get("streams"),
        barriers=workspace.layers.get("barriers"),
    )
    return Query(values=values, ranges=chosen, job=job)


def _attempt(faults: dict[str, str], name: str, read: Any) -> Any:
    try:
        return read()
    except (SiteError, ValueError) as error:
        faults[name] = str(error)
        return None


def _radius(text: str) -> float:
    try:
        return float(text.lower().removesuffix("km").strip().replace(",", "."))
    except ValueError:
        raise ValueError(f"{text!r} is not a radius in km (such as 40)") from None


def _day(text: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a day (write it as 2026-06-30)") from None
