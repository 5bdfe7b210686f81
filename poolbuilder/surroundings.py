"""What the wider group's lists around a water say: the region is learnt once for a cell of the globe.

Regions are those of a fixed grid of cells, so that a pool of one water and a run over many
waters learn from the same lists and give the same numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, MutableMapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.model.argument import Part, Regional
from poolbuilder.model.community import predictors
from poolbuilder.model.detour import DETOUR_REACHES, PLACED_M, effective_km, shift_by_water
from poolbuilder.model.effort import silence
from poolbuilder.model.evidence import name_shares, range_leaks
from poolbuilder.model.lists import Lists, Places, lists_from
from poolbuilder.model.region import Region, fit_region
from poolbuilder.model.sightings import last_seen
from poolbuilder.places.geodesy import distance_km, to_ecef
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.status.polygons import RangeMap, status_at
from poolbuilder.water import Water

__all__ = [
    "Cell",
    "Regions",
    "away_km",
    "cell_of",
    "lists_in_water",
    "region_reach",
    "regional_evidence",
    "settle_names",
    "surveys_of",
]

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

Cell = tuple[int, int]
"""Row from the south and column from the west of a region's cell."""

Regions = MutableMapping[Cell, Region]
"""Regions that have been learnt, by cell; valid for one set of records, species and settings."""

CELL_DEGREES = 1.0
NEAR_KM = 5.0
"""Lists this near to the water are asked whether they were made in it."""

SHRINK = 0.75

TOO_FEW = (
    "too few places around the water were sampled for the wider group to learn effort from: range and "
    "records stand alone, and only the lists made in the water itself say what silence means"
)

ALONG_WATER = (
    "sampled places count by their way along the water; past a dam or a divide they count as farther away"
)

SURVEY_NAMES = 2
"""A list with fewer names is a find, no visit that could have met any fish of the water."""


def cell_of(site: Site) -> Cell:
    """The cell that a site lies in: 1 degree of latitude, and about as wide."""
    row = min(math.floor((site.latitude + 90) / CELL_DEGREES), int(180 / CELL_DEGREES) - 1)
    width = _width(row)
    return row, math.floor((site.longitude + 180) / width) % round(360 / width)


def _width(row: int) -> float:
    middle = math.radians((row + 0.5) * CELL_DEGREES - 90)
    count = max(1, round(360 * math.cos(middle) / CELL_DEGREES))
    return 360 / count


def centre_of(cell: Cell) -> tuple[float, float]:
    """Longitude and latitude of a cell's middle."""
    row, column = cell
    return -180 + (column + 0.5) * _width(row), (row + 0.5) * CELL_DEGREES - 90


def region_reach(cell: Cell, count: Callable[[float, float, float], int], *, settings: Settings) -> float:
    """How far from its middle a region's lists are taken, in km.

    ``regionKm``, or less where so many records are near that ``regionMaxRecords`` is passed.

    Parameters
    ----------
    count : callable
        Takes longitude, latitude and km; gives the number of records there, or a bound.
    """
    longitude, latitude = centre_of(cell)
    reach = settings.region_km
    while (
        reach > settings.effort_reach_km and count(longitude, latitude, reach) > settings.region_max_records
    ):
        reach *= SHRINK
    return reach


def _near(table: pa.Table, longitude: float, latitude: float, km: float) -> pa.Table:
    away = distance_km(
        tables.numbers(table["longitude"]),
        tables.numbers(table["latitude"]),
        from_longitude=longitude,
        from_latitude=latitude,
    )
    return tables.where(table, away <= km)


def settle_names(screened: pa.Table, status: pa.Table, *, settings: Settings) -> pa.Table:
    """Read each name that may mean several species as the one that the range maps make likeliest.

    Where they do not decide, it goes on meaning all of them.
    """
    if not (tables.lengths(screened["acceptedNames"]) > 1).any():
        return screened
    leaks, mapped = range_leaks(status, settings=settings)
    settled = []
    for names in screened["acceptedNames"].to_pylist():
        known = [name for name in names if name in leaks]
        if len(names) > 1 and known:
            shares = name_shares(known, leaks, mapped)
            most = max(share for _, share in shares)
            settled.append([name for name, share in shares if share == most])
        else:
            settled.append(names)
    place = screened.schema.get_field_index("acceptedNames")
    field = screened.schema.field(place)
    return screened.set_column(place, field, tables.array(settled, field.type))


def learn_region(
    screened: pa.Table,
    cell: Cell,
    species: Sequence[str],
    *,
    ranges: RangeMap | None = None,
    settings: Settings,
) -> Region:
    """Learn the region of a cell from screened records, which may reach beyond it.

    Parameters
    ----------
    ranges : RangeMap, optional
        Decides, at the middle of the cell, what an ambiguous name means there.
    """
    placed = tables.where(screened, tables.valid(screened["longitude"]) & tables.valid(screened["latitude"]))
    longitude, latitude = centre_of(cell)

    def count(longitude: float, latitude: float, km: float) -> int:
        return int(_near(placed, longitude, latitude, km).num_rows)

    reach = region_reach(cell, count, settings=settings)
    middle = Site(longitude=longitude, latitude=latitude)
    near = _near(placed, longitude, latitude, reach)
    near = settle_names(near, status_at(ranges, middle, species), settings=settings)
    return fit_region(lists_from(near, settings=settings), species, settings=settings)


def _extent_km(geometry: Any, site: Site) -> float:
    """Distance from the site to the farthest corner of a geometry's box."""
    west, south, east, north = geometry.bounds
    away = distance_km(
        np.array([west, west, east, east]),
        np.array([south, north, south, north]),
        from_longitude=site.longitude,
        from_latitude=site.latitude,
    )
    return float(away.max())


def lists_in_water(screened: pa.Table, site: Site, *, water: Water | None, settings: Settings) -> Lists:
    """The lists that were made in the site's water: in its outline, or near the site without one."""
    placed = tables.where(screened, tables.valid(screened["longitude"]) & tables.valid(screened["latitude"]))
    outline = None if water is None else water.outline
    reach = NEAR_KM + (0.0 if outline is None else _extent_km(outline.geometry, site))
    lists = lists_from(_near(placed, site.longitude, site.latitude, reach), settings=settings)
    if not len(lists):
        return lists
    away = distance_km(
        lists.longitude, lists.latitude, from_longitude=site.longitude, from_latitude=site.latitude
    )
    share = np.full(len(lists), np.nan)
    if water is not None and outline is not None:
        share = water.place(lists.longitude, lists.latitude, lists.uncertainty_m).in_water_share
    told = replace(lists, distance_km=away, in_water_share=share)
    return told.where(told.in_water(settings=settings))


def regional_evidence(
    screened: pa.Table,
    site: Site,
    species: Sequence[str],
    *,
    in_water: Lists,
    settings: Settings,
    ranges: RangeMap | None = None,
    water: Water | None = None,
    regions: Regions | None = None,
) -> Regional | None:
    """What effort and community around a water say of each species.

    Parameters
    ----------
    screened : Table, schema SCREENED
        Records at least out to the region's reach around its cell.
    in_water : Lists
        Lists made in this very water, as :func:`lists_in_water` gives them.
    ranges : RangeMap, optional
    water : Water, optional
        Its streams and watersheds say how far the places of the region are for a fish.
    regions : mapping, optional
        Regions learnt before; a new one is added.

    Returns
    -------
    Regional or None
        None when there are too few lists to go by around the water and none in it: then
        records and range stand alone.
    """
    cell = cell_of(site)
    known = {} if regions is None else regions
    if cell not in known:
        known[cell] = learn_region(screened, cell, species, ranges=ranges, settings=settings)
    told = known[cell].predict(
        site.longitude,
        site.latitude,
        in_water=in_water if len(in_water) else None,
        settings=settings,
    )
    away = away_km(known[cell].places, site, water, settings=settings)
    if told is not None and away is not None:
        told = _along_water(told, known[cell], site, in_water, away, settings)
    if not len(in_water):
        return told
    unseen = _silence(in_water, species, known[cell])
    if told is None:
        return Regional(step="records", silence=unseen, notes=(TOO_FEW,))
    return replace(told, silence=unseen)


def _along_water(
    told: Regional, region: Region, site: Site, in_water: Lists, away: Floats, settings: Settings
) -> Regional:
    """What the ways along the water change in the evidence of the region, as a part of its own."""
    if region.model is None:
        return told
    ground = region.model.ground
    point = to_ecef(np.array([site.longitude]), np.array([site.latitude]))
    usable = np.ones((1, len(region.places)), dtype=bool)
    usable[0, region.rows_of(in_water)] = False
    straight = predictors(point, None, usable, ground, settings=settings)
    along = predictors(point, None, usable, ground, settings=settings, away_km=away[None, :])
    shift = shift_by_water(region.model.effort, straight, along, community=told.step == "community")[0]
    calibrated = settings.calibration_slope * shift
    parts = {
        name: (*told.parts[name], Part("effort", float(calibrated[j]), ALONG_WATER))
        for j, name in enumerate(region.species)
    }
    return replace(told, parts=parts, notes=(*told.notes, ALONG_WATER))


def away_km(places: Places, site: Site, water: Water | None, *, settings: Settings) -> Floats | None:
    """How far the places of a region are: by water, or carried over land where that is nearer.

    Returns
    -------
    (n,) array or None
        None where neither streams nor watersheds are known.
    """
    if water is None or (water.streams is None and water.basins is None) or not len(places):
        return None
    straight = distance_km(
        places.longitude, places.latitude, from_longitude=site.longitude, from_latitude=site.latitude
    )
    near = np.flatnonzero(straight <= DETOUR_REACHES * settings.effort_reach_km)
    placed = water.place(places.longitude[near], places.latitude[near], np.full(len(near), PLACED_M))
    away = straight.copy()
    away[near] = effective_km(
        np.where(np.isnan(placed.shore_km), straight[near], placed.shore_km),
        placed.by_water_km,
        placed.passability,
        placed.divided,
        settings=settings,
    )
    return away


def surveys_of(in_water: Lists) -> Lists:
    """The lists that are visits: a single name is a find, and says nothing of other fishes."""
    return in_water.where(in_water.lengths >= SURVEY_NAMES)


def _silence(in_water: Lists, species: Sequence[str], region: Region) -> dict[str, tuple[float, str]]:
    """What the visits to this water say of species that they did not record, or not of late."""
    visits = surveys_of(in_water)
    seen = {in_water.names[code] for code in np.unique(in_water.name).tolist()}
    never = silence(visits, species, detectability=region.detectability)
    return {name: told for name, told in never.items() if name not in seen} | _long_unseen(visits)


def _long_unseen(visits: Lists) -> dict[str, tuple[float, str]]:
    """Species that visits to this water met, but not of late: Bayes factor for still there, and words."""
    unseen = {}
    for name in visits.species:
        seen = last_seen(visits, name)
        if seen is None or seen.still_there is None or not seen.since:
            continue
        factor = seen.still_there / (1 - seen.still_there)
        if factor < 1:
            unseen[name] = (factor, seen.words)
    return unseen
