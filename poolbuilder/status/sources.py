"""The one answer to native or introduced at a water, from every source; all commands ask here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pyarrow as pa

from poolbuilder.names.checklist import Checklist
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.status.decision import ORDER, Establishment, establishment_of
from poolbuilder.status.region_lists import ListedStatus, RegionLists, statements_of
from poolbuilder.status.shipped import drainage_of, shipped_statements


def status_order(settings: Settings) -> tuple[str, ...]:
    """The sources, the most trusted first: the one that ``statusFirst`` names goes before the usual order."""
    first = settings.status_first
    return (first, *(source for source in ORDER if source != first))


def listed_at(
    lists: Sequence[RegionLists], site: Site, basins: Any, *, year: int
) -> dict[str, list[ListedStatus]]:
    """What lists say at a site: an agency's own first, then the smallest region of each list."""
    code = drainage_of(basins).code
    found: dict[str, list[ListedStatus]] = {}
    for each in lists:
        for name, items in each.at(site, year=year, code=code).items():
            found.setdefault(name, []).extend(items)
    return found


def status_answers(
    located: pa.Table,
    polygons: pa.Table,
    checklist: Checklist,
    site: Site,
    *,
    basins: Any = None,
    lists: Sequence[RegionLists] = (),
    year: int,
    settings: Settings,
) -> dict[str, Establishment]:
    """Native or introduced at a site, for each species of the list.

    Parameters
    ----------
    located : Table, schema LOCATED
        Kept records relative to the site: their terms within the radius are heard.
    polygons : Table, schema STATUS
        What the range polygons say.
    checklist : Checklist
    site : Site
    basins : poolbuilder.water.basins.Basins or None
        Watersheds around the site: their code or name decides which row of the shipped table speaks.
    lists : sequence of RegionLists
    year : int
        In which the answer is to hold.
    settings : Settings
        statusFirst.

    Returns
    -------
    dict
        Accepted name to answer, with the statement that decided and those against it.
    """
    return establishment_of(
        located,
        polygons,
        checklist,
        radius_km=site.radius_km,
        listed=statements_of(listed_at(lists, site, basins, year=year)),
        shipped=shipped_statements(checklist.species, site.longitude, site.latitude, drainage_of(basins)),
        order=status_order(settings),
    )
