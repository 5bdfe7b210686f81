"""One water: which species do not belong in it, and what its records say of each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.introduced.deciding import records_near
from poolbuilder.introduced.spread import (
    APART,
    Visits,
    Way,
    arrival,
    best_way,
    ranked,
    trace_front,
    way_document,
    ways_of,
)
from poolbuilder.model.constants import Constants
from poolbuilder.model.evidence import OWN_KINDS
from poolbuilder.model.looking import Events, look
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.vocabularies import DEGREE_OF_ESTABLISHMENT, PATHWAY, read_term
from poolbuilder.places.geodesy import distance_km
from poolbuilder.places.sites import Site
from poolbuilder.places.uncertainty import share_inside, sigma_km
from poolbuilder.pool import Pool
from poolbuilder.settings import Settings
from poolbuilder.status.decision import Establishment, listed_at, own_names, status_answers
from poolbuilder.status.lists import RegionLists
from poolbuilder.status.statements import Statement, side
from poolbuilder.surroundings import meanings_of, reach_of
from poolbuilder.water import Water

Floats = NDArray[np.float64]


Bools = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Sightings:
    """The events of one species: arrays of one length, nearest first.

    Attributes
    ----------
    near, in_water : bool array
        Within the radius; in the water itself.
    date : list
        Day or year as text, None when undated.
    """

    km: Floats
    uncertainty_m: Floats
    near: Bools
    in_water: Bools
    date: list[str | None]
    longitude: Floats
    latitude: Floats
    records: NDArray[np.int64]

    def first_date(self, mask: Bools) -> str | None:
        """The earliest date among some events; a year alone comes before its days."""
        dates = [date for date, wanted in zip(self.date, mask.tolist(), strict=True) if wanted and date]
        return min(dates, default=None)

    def undated(self, mask: Bools) -> int:
        """How many of some events carry no date."""
        return sum(wanted and not date for date, wanted in zip(self.date, mask.tolist(), strict=True))


def sightings_of(
    evidence: pa.Table, *, radius_km: float, outlined: bool, settings: Settings
) -> dict[str, Sightings]:
    """The events of each species by its own name.

    In the water is what lies there with a chance of one half or more: by the outline, without
    one within ``sameWaterKm`` of the site.
    """
    own = [str(kind) in OWN_KINDS for kind in tables.strings(evidence["kind"])]
    table = tables.where(evidence, np.array(own, dtype=bool))
    km = tables.numbers(table["distanceKm"])
    share = np.nan_to_num(tables.numbers(table["inWaterShare"]))
    uncertainty = tables.numbers(table["coordinateUncertaintyInMeters"])
    if not outlined:
        sigma = sigma_km(uncertainty, quantile=settings.uncertainty_quantile)
        share = share_inside(km, sigma, settings.same_water_km)
    inside = share >= 0.5
    longitude, latitude = (tables.numbers(table[name]) for name in ("longitude", "latitude"))
    dates, records = tables.strings(table["eventDate"]), tables.integers(table["records"])
    rows: dict[str, list[int]] = {}
    for row, name in enumerate(tables.strings(table["scientificName"])):
        rows.setdefault(str(name), []).append(row)
    found = {}
    for name, mine in rows.items():
        order = np.array(sorted(mine, key=lambda row: (km[row], dates[row] or "", row)), dtype=np.int64)
        found[name] = Sightings(
            km=km[order],
            uncertainty_m=uncertainty[order],
            near=km[order] <= radius_km,
            in_water=inside[order] & (km[order] <= radius_km),
            date=[dates[row] for row in order.tolist()],
            longitude=longitude[order],
            latitude=latitude[order],
            records=records[order],
        )
    return found


@dataclass(frozen=True, kw_only=True)
class Said:
    """What records carry besides native or introduced: the latest degree, and every pathway."""

    degree: str | None = None
    pathways: tuple[str, ...] = ()


def terms_said(located: pa.Table, *, radius_km: float) -> dict[str, Said]:
    """Degree and pathways of the records within the radius, by species.

    The degree changes as a species settles, so the latest year that states one decides, and
    among its records the most frequent; ``native`` is no degree of an introduction.
    """
    given = tables.valid(located["degreeOfEstablishment"]) | tables.valid(located["pathway"])
    near = tables.numbers(located["distanceKm"]) <= radius_km
    heard = tables.where(located, given & near)
    degrees: dict[str, list[tuple[int, str]]] = {}
    ways: dict[str, Counter[str]] = {}
    for name, year, degree, pathway in zip(
        own_names(heard),
        tables.integers(heard["eventYear"]).tolist(),
        tables.strings(heard["degreeOfEstablishment"]),
        tables.strings(heard["pathway"]),
        strict=True,
    ):
        if name is None:
            continue
        if (term := read_term(degree, DEGREE_OF_ESTABLISHMENT)) and term != "native":
            degrees.setdefault(name, []).append((year, term))
        for part in (pathway or "").split("|"):
            if way := read_term(part, PATHWAY):
                ways.setdefault(name, Counter())[way] += 1
    return {
        name: Said(degree=_latest(degrees.get(name, [])), pathways=_ranked(ways.get(name, {})))
        for name in sorted({*degrees, *ways})
    }


def _latest(stated: Sequence[tuple[int, str]]) -> str | None:
    if not stated:
        return None
    year = max(when for when, _ in stated)
    counts = Counter(term for when, term in stated if when == year)
    return min(counts, key=lambda term: (-counts[term], DEGREE_OF_ESTABLISHMENT.index(term)))


def _ranked(counts: Mapping[str, int]) -> tuple[str, ...]:
    return tuple(sorted(counts, key=lambda term: (-counts[term], term)))


Document = dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Assessment:
    """What was found of one water.

    Attributes
    ----------
    document : dict
        Ready for the json module.
    places : list of dict
        Events of the species listed, to draw.
    outline : dict or None
        GeoJSON geometry of the water.
    datasets : tuple of dict
    notes, inputs : tuple
        As the pool has them.
    record_keys : mapping
        Data set to the keys of its records within reach.
    """

    document: Document
    places: list[Document]
    outline: Document | None
    datasets: tuple[Mapping[str, Any], ...] = ()
    notes: tuple[str, ...] = ()
    inputs: tuple[Mapping[str, Any], ...] = ()
    record_keys: Mapping[str, frozenset[str]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Scene:
    """Everything about one water that its species are looked up in."""

    pool: Pool
    sightings: Mapping[str, Sightings]
    ways: Mapping[str, Sequence[Way]]
    said: Mapping[str, Said]
    listed: Mapping[str, Sequence[Statement]]
    decided: Mapping[str, Establishment]
    records: Mapping[str, list[Document]]
    lists: Events | None
    list_km: Any
    species: Sequence[str]


def assess(
    pool: Pool,
    screened: pa.Table,
    located: pa.Table,
    *,
    number: int,
    checklist: Checklist,
    water: Water | None = None,
    region_lists: Sequence[RegionLists] = (),
    year: int,
) -> Assessment:
    """Look at one water.

    Parameters
    ----------
    pool : Pool
    screened : Table, schema SCREENED
        The records that the pool was built from.
    located : Table, schema LOCATED
        The same, relative to the site.
    number : int
        Of the water in its table, from 1.
    checklist : Checklist
    water : Water, optional
    region_lists : sequence of RegionLists
    year : int
        That counts as this year.
    """
    site = pool.site
    basins = None if water is None else water.basins
    decided = status_answers(
        located,
        pool.status,
        checklist,
        site,
        basins=basins,
        lists=region_lists,
        year=year,
        settings=pool.settings,
    )
    listed = listed_at(region_lists, site, basins, year=year)
    outlined = water is not None and water.outline is not None
    lists, list_km = _visits(screened, pool.site, checklist, water, settings=pool.settings)
    scene = _Scene(
        pool=pool,
        sightings=sightings_of(
            pool.evidence, radius_km=pool.site.radius_km, outlined=outlined, settings=pool.settings
        ),
        ways=ways_of(located, settings=pool.settings),
        said=terms_said(located, radius_km=pool.site.radius_km),
        listed=listed,
        decided=decided,
        records=records_near(
            located,
            radius_km=pool.site.radius_km,
            outlined=outlined,
            as_of=pool.as_of,
            settings=pool.settings,
        ),
        lists=lists,
        list_km=list_km,
        species=checklist.species,
    )
    found = _assessed(scene, number, located.num_rows, outlined)
    return replace(found, record_keys=_keys_by_data_set(located))


def _keys_by_data_set(located: pa.Table) -> dict[str, frozenset[str]]:
    """Keys of the records by data set, to count a record near two waters once."""
    found: dict[str, set[str]] = {}
    names = (tables.strings(located[name]) for name in ("datasetKey", "datasetName", "recordKey"))
    for key, title, record in zip(*names, strict=True):
        found.setdefault(str(key or title), set()).add(str(record))
    return {name: frozenset(keys) for name, keys in found.items()}


def _assessed(scene: _Scene, number: int, located: int, outlined: bool) -> Assessment:
    pool = scene.pool
    candidates = pool.candidates.to_pylist()
    introduced: list[Document] = []
    unsettled: list[Document] = []
    expected: list[Document] = []
    recorded: list[Document] = []
    places: list[Document] = []
    for candidate in candidates:
        name = candidate["scientificName"]
        decided, seen = scene.decided[name], scene.sightings.get(name)
        if seen is not None and seen.near.any():
            recorded.append({"scientificName": name, "inWater": bool(seen.in_water.any())})
        kind = _kind(decided)
        if kind == "native" or (seen is None and kind != "introduced"):
            continue
        row = _row(scene, candidate)
        if row["events"]:
            (introduced if kind in {"introduced", "vagrant"} else unsettled).append(row)
        if kind == "introduced" and not row["inWater"] and (seen is not None or candidate["rangeKm"] == 0):
            way = best_way(scene.ways.get(name, ()))
            expected.append(arrival(row, way, inside_range=candidate["rangeKm"] == 0))
        if seen is not None:
            places += _places(name, kind, seen, 1.18 * pool.site.radius_km)
    site = pool.site
    document = {
        "water": site.name,
        "number": number,
        "longitude": site.longitude,
        "latitude": site.latitude,
        "radiusKm": site.radius_km,
        "outlined": outlined,
        "introduced": introduced,
        "unsettled": unsettled,
        "expected": ranked(expected),
        "gone": [],
        "named": {item["recordKey"]: name for name, mine in scene.records.items() for item in mine},
        "recorded": sorted(recorded, key=lambda item: item["scientificName"]),
        "notes": [] if located else [NOTHING],
    }
    shapes = pool.features.get("outline") or []
    return Assessment(
        document=document,
        places=places,
        outline=shapes[0]["geometry"] if shapes else None,
        datasets=tuple(pool.datasets),
        notes=tuple(pool.notes),
        inputs=tuple(pool.inputs),
    )


def _kind(decided: Establishment) -> str:
    """``introduced``, ``vagrant``, ``native``, or ``unsettled`` when nobody says or native is disputed."""
    if side(decided.means) == "introduced":
        return "introduced"
    if decided.means == "vagrant":
        return "vagrant"
    return "native" if side(decided.means) == "native" and not decided.disputed else "unsettled"


def _row(scene: _Scene, candidate: Mapping[str, Any]) -> Document:
    name = candidate["scientificName"]
    decided, seen = scene.decided[name], scene.sightings.get(name)
    ways = scene.ways.get(name, ())
    said, listed = scene.said.get(name, Said()), scene.listed.get(name, ())
    of_list = next((item for item in listed if item.degree), None)
    degree = said.degree or (None if of_list is None else of_list.degree)
    who = "record" if said.degree else None if of_list is None else f"the checklist of {of_list.region}"
    paths = said.pathways or tuple(dict.fromkeys(item.pathway for item in listed if item.pathway))
    none = np.zeros(0, dtype=bool)
    near, inside = (none, none) if seen is None else (seen.near, seen.in_water)
    return {
        "scientificName": name,
        "vernacularName": candidate["vernacularName"],
        "establishmentMeans": decided.means,
        "establishmentSource": decided.source,
        "conflict": decided.remark,
        "disputed": decided.disputed,
        "presence": candidate["presence"],
        "presenceLow": candidate["presenceLow"],
        "presenceHigh": candidate["presenceHigh"],
        "nearestKm": candidate["nearestKm"],
        "nearestByWaterKm": candidate["nearestByWaterKm"],
        **way_document(ways[0] if ways else APART),
        "way": (ways[0] if ways else APART).words,
        "firstYear": candidate["firstYear"],
        "lastYear": candidate["lastYear"],
        "firstDate": None if seen is None else seen.first_date(near),
        "firstDateInWater": None if seen is None else seen.first_date(inside),
        "undatedEvents": 0 if seen is None else seen.undated(near),
        "events": int(near.sum()),
        "records": candidate["records"],
        "inWater": bool(inside.any()),
        "isNew": None,
        "newIn": None,
        "news": [],
        "newRecords": None,
        "grade": None,
        "gradeReasons": [],
        "review": None,
        "deciding": [],
        "seenRecords": scene.records.get(name, []),
        "degreeOfEstablishment": degree,
        "degreeSource": who,
        "pathway": " | ".join(paths) or None,
        "front": _front(scene, name),
        "remark": candidate["note"],
        "note": "",
    }


def _front(scene: _Scene, name: str) -> Document | None:
    seen, settings = scene.sightings.get(name), scene.pool.settings
    if seen is None:
        return None
    away = np.where(seen.in_water, 0.0, seen.km)
    placed = [
        (int(str(date)[:4]), float(km))
        for date, km, unsure in zip(seen.date, away.tolist(), seen.uncertainty_m.tolist(), strict=True)
        if date and unsure <= settings.list_max_uncertainty_m
    ]
    visits = None
    if scene.lists is not None:
        met = scene.lists.found[:, scene.species.index(name)] > 0
        known = ~np.isnan(scene.lists.year) & (scene.lists.uncertainty_m <= settings.list_max_uncertainty_m)
        visits = Visits(
            year=scene.lists.year[known].astype(np.int64), km=scene.list_km[known], met=met[known]
        )
    front = trace_front(
        [year for year, _ in placed],
        [km for _, km in placed],
        visits,
        last=scene.pool.as_of.year,
        settings=settings,
    )
    if front is None:
        return None
    return {
        "trend": front.trend,
        "words": front.words,
        "speedKmPerYear": front.speed_km,
        "speedLowKmPerYear": front.speed_low_km,
        "speedHighKmPerYear": front.speed_high_km,
        "years": [
            {"year": item.year, "nearestKm": item.nearest_km, "lowKm": item.low_km, "visits": item.visits}
            for item in front.years
        ],
    }


def _visits(
    screened: pa.Table, site: Site, checklist: Checklist, water: Water | None, *, settings: Settings
) -> tuple[Events | None, Any]:
    """Sampling events of the wider group within reach, and their distance; None when nobody recorded it."""
    away = _km(tables.numbers(screened["longitude"]), tables.numbers(screened["latitude"]), site)
    near = tables.where(screened, np.nan_to_num(away, nan=np.inf) <= reach_of(site, settings=settings))
    looking = look(
        near,
        meanings_of(near, checklist),
        species=tuple(checklist.species),
        middle=(site.longitude, site.latitude),
        constants=Constants.shipped(),
        settings=settings,
    )
    events = looking.events
    if not len(events) or looking.only_candidates:
        return None, None
    if water is not None and water.outline is not None:
        return events, water.outline.shore_km(events.longitude, events.latitude)
    return events, _km(events.longitude, events.latitude, site)


def _km(longitude: Any, latitude: Any, site: Site) -> Any:
    return distance_km(longitude, latitude, from_longitude=site.longitude, from_latitude=site.latitude)


def _places(name: str, kind: str, seen: Sightings, reach_km: float) -> list[Document]:
    return [
        {
            "scientificName": name,
            "kind": kind,
            "longitude": float(seen.longitude[row]),
            "latitude": float(seen.latitude[row]),
            "uncertaintyM": float(seen.uncertainty_m[row]),
            "distanceKm": float(seen.km[row]),
            "inWater": bool(seen.in_water[row]),
            "eventDate": seen.date[row],
            "records": int(seen.records[row]),
        }
        for row in range(len(seen.km))
        if seen.km[row] <= reach_km
    ]


NOTHING = (
    "no kept record of a species of the checklist within reach: nothing is known there, which is not the "
    "same as nothing being there"
)
