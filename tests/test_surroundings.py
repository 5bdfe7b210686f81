"""The region around a water: its cell, its reach, what its lists say and what silence means."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder.places.geodesy import distance_km
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.surroundings import (
    cell_of,
    centre_of,
    learn_region,
    lists_in_water,
    region_reach,
    regional_evidence,
    settle_names,
)
from poolbuilder.water import Water
from tests.rows import screened, status
from tests.waters import geojson

SETTINGS = Settings()
HERE = Site(longitude=-91.2, latitude=36.9)
GREEN, LONGEAR, NORTHERN = "Lepomis cyanellus", "Lepomis megalotis", "Lepomis peltastes"
SPECIES = (GREEN, LONGEAR, NORTHERN)
OTHERS = [f"Notropis {word}" for word in ("alpha", "beta", "gamma", "delta", "epsilon", "zeta")]


def row(name: str, event: str, *, lon: float = -91.2, lat: float = 36.9, **more: Any) -> dict[str, Any]:
    base = {
        "scientificName": name, "eventID": event, "longitude": lon, "latitude": lat, "uncertaintyM": 30.0,
        "eventYear": 2020, "role": "candidate" if name.startswith("Lepomis") else "group",
    }  # fmt: skip
    return {**base, **more}


def visits(count: int, *, year: int = 2000) -> list[dict[str, Any]]:
    """Lists of six other fishes made in this water, one a year."""
    return [row(name, f"v{n}", eventYear=year + n) for n in range(count) for name in OTHERS]


@settings(deadline=None, derandomize=True, max_examples=200)
@given(st.floats(-180, 180), st.floats(-90, 90))
def test_a_site_lies_within_its_cell(longitude: float, latitude: float) -> None:
    cell = cell_of(Site(longitude=longitude, latitude=latitude))
    east, north = centre_of(cell)
    away = distance_km(np.array([longitude]), np.array([latitude]), from_longitude=east, from_latitude=north)
    assert away[0] < 90
    assert cell_of(Site(longitude=(east + 180) % 360 - 180, latitude=north)) == cell


def test_the_reach_shrinks_until_there_are_few_enough_records() -> None:
    asked: list[float] = []

    def count(longitude: float, latitude: float, km: float) -> int:
        asked.append(km)
        return int(km**2 * 10)

    reach = region_reach(cell_of(HERE), count, settings=SETTINGS)
    assert reach < SETTINGS.region_km
    assert count(0, 0, reach) <= SETTINGS.region_max_records
    assert asked == sorted(asked[:-1], reverse=True) + asked[-1:]
    assert region_reach(cell_of(HERE), lambda *_: 0, settings=SETTINGS) == SETTINGS.region_km


def test_a_map_settles_what_a_name_means() -> None:
    table = screened(row(LONGEAR, "a", acceptedNames=[LONGEAR, NORTHERN]), row(GREEN, "a"))
    mapped = status(
        {"scientificName": LONGEAR, "rangeClass": "outside", "rangeKm": 500.0},
        {"scientificName": NORTHERN, "rangeClass": "extant", "rangeKm": 0.0},
        {"scientificName": GREEN},
    )
    settled = settle_names(table, mapped, settings=SETTINGS)
    assert settled["acceptedNames"].to_pylist() == [[NORTHERN], [GREEN]]
    unmapped = status(*({"scientificName": name} for name in SPECIES))
    assert settle_names(table, unmapped, settings=SETTINGS)["acceptedNames"].to_pylist()[0] == [
        LONGEAR,
        NORTHERN,
    ]


def test_without_an_outline_lists_close_to_the_point_are_of_the_water() -> None:
    table = screened(*visits(2), row(OTHERS[0], "far", lat=36.95))
    assert len(lists_in_water(table, HERE, water=None, settings=SETTINGS)) == 2


def test_no_wider_group_no_regional_evidence() -> None:
    table = screened(row(GREEN, "a"), row(GREEN, "b", lat=37.0))
    told = lists_in_water(table, HERE, water=None, settings=SETTINGS)
    assert regional_evidence(table, HERE, SPECIES, in_water=told, settings=SETTINGS) is None


def test_few_places_leave_records_alone_but_silence_counts() -> None:
    table = screened(*visits(5), row(GREEN, "v0", eventYear=2000))
    told = lists_in_water(table, HERE, water=None, settings=SETTINGS)
    regional = regional_evidence(table, HERE, SPECIES, in_water=told, settings=SETTINGS)
    assert regional is not None
    assert regional.step == "records"
    assert not regional.parts
    assert regional.silence[LONGEAR][0] < 0.5
    assert GREEN not in regional.silence


def test_more_silent_visits_weigh_more() -> None:
    missed = []
    for count in (1, 4, 16):
        table = screened(*visits(count))
        told = lists_in_water(table, HERE, water=None, settings=SETTINGS)
        regional = regional_evidence(table, HERE, SPECIES, in_water=told, settings=SETTINGS)
        assert regional is not None
        missed.append(regional.silence[GREEN][0])
    assert missed == sorted(missed, reverse=True)
    assert missed[0] == pytest.approx(missed[1] ** (1 / 4))


def test_a_species_unseen_for_long_loses_by_the_visits_since() -> None:
    old = [row(GREEN, f"v{n}", eventYear=1960 + n) for n in (1, 2, 3)]
    factors = []
    for count in (6, 20, 60):
        table = screened(*visits(count, year=1960), *old)
        told = lists_in_water(table, HERE, water=None, settings=SETTINGS)
        regional = regional_evidence(table, HERE, SPECIES, in_water=told, settings=SETTINGS)
        assert regional is not None
        factors.append(regional.silence.get(GREEN, (1.0, ""))[0])
    assert factors[0] > factors[1] > factors[2]
    assert "last recorded in 1963, 56 visits ago" in regional.silence[GREEN][1]


def test_a_region_is_learnt_once_for_its_cell() -> None:
    table = screened(*visits(3))
    told = lists_in_water(table, HERE, water=None, settings=SETTINGS)
    regions: dict[Any, Any] = {}
    regional_evidence(table, HERE, SPECIES, in_water=told, settings=SETTINGS, regions=regions)
    (region,) = regions.values()
    beside = Site(longitude=-91.3, latitude=36.8)
    regional_evidence(screened(), beside, SPECIES, in_water=told, settings=SETTINGS, regions=regions)
    assert list(regions.values()) == [region]


def test_records_far_beyond_the_region_teach_nothing() -> None:
    near = screened(*visits(3))
    both = screened(*visits(3), *(row(name, "far", lat=60.0) for name in OTHERS))
    cell = cell_of(HERE)
    one, two = (learn_region(table, cell, SPECIES, settings=SETTINGS) for table in (near, both))
    assert one.keys == two.keys


# -- along the water ----------------------------------------------------------------------


def sampled_places() -> list[dict[str, Any]]:
    """Forty places on a river 1 km east of the site, and forty on one over the ridge to the west.

    The green sunfish lives in the first, the longear in the second.
    """
    rows = []
    for side, name in ((0.01, GREEN), (-0.03, LONGEAR)):
        for n in range(40):
            place = {"lon": HERE.longitude + side, "lat": HERE.latitude - 0.14 + 0.007 * n + 0.003}
            event = f"{name} {n}"
            rows += [row(other, event, **place) for other in OTHERS[: 2 + n % 4]]
            rows += [row(name, event, **place)] if n % 3 else []
    return rows


@pytest.fixture(scope="module")
def water(tmp_path_factory: pytest.TempPathFactory) -> Water:
    """The first river flows past the site; the two meet 60 km below."""
    lines = [
        [(HERE.longitude + 0.01, 37.2), (HERE.longitude + 0.01, 36.3), (HERE.longitude - 0.01, 36.3)],
        [(HERE.longitude - 0.03, 37.2), (HERE.longitude - 0.03, 36.3), (HERE.longitude - 0.01, 36.3)],
        [(HERE.longitude, HERE.latitude), (HERE.longitude + 0.01, HERE.latitude)],
    ]
    path = tmp_path_factory.mktemp("layers") / "streams.geojson"
    spec = geojson(path, [shapely.LineString(line) for line in lines])
    return Water.at(HERE, streams=spec, settings=SETTINGS)


def test_ways_along_the_water_are_a_part_of_their_own(water: Water) -> None:
    table = screened(*sampled_places())
    nowhere = lists_in_water(screened(), HERE, water=None, settings=SETTINGS)
    dry, wet = (
        regional_evidence(table, HERE, SPECIES, in_water=nowhere, settings=SETTINGS, water=one)
        for one in (None, water)
    )
    assert dry is not None
    assert wet is not None
    assert not any("along the water" in note for note in dry.notes)
    assert any("along the water" in note for note in wet.notes)
    for name in SPECIES:
        *before, along = wet.parts[name]
        assert tuple(before) == tuple(dry.parts[name])
        assert "along the water" in along.words
    shift = {name: wet.parts[name][-1].log_odds for name in SPECIES}
    assert shift[GREEN] > 0 > shift[LONGEAR]


def test_the_other_fishes_of_the_water_tell_half_of_the_way(water: Water) -> None:
    table = screened(*sampled_places(), *visits(2))
    here = lists_in_water(table, HERE, water=None, settings=SETTINGS)
    known, unknown = (
        regional_evidence(table, HERE, SPECIES, in_water=here, settings=options, water=water)
        for options in (SETTINGS.replace(community_min_places=60), SETTINGS)
    )
    assert known is not None
    assert unknown is not None
    assert (known.step, unknown.step) == ("community", "effort")
    for name in (GREEN, LONGEAR):
        whole = unknown.parts[name][-1].log_odds
        assert known.parts[name][-1].log_odds == pytest.approx(whole / 2)
        assert abs(whole) > 0.5
