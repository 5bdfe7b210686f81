"""Names with two meanings: place first, then date, then the records around."""

from __future__ import annotations

import numpy as np
import pytest

from poolbuilder import Checklist, Settings
from poolbuilder.names.checklist import name_shares
from poolbuilder.names.reader import name_records
from poolbuilder.places.regions import region_codes, region_name, regions_at
from tests import rows

SUNFISHES = Checklist.load("lepomis")
LONGEAR = ("Lepomis megalotis", "Lepomis peltastes")
SPOTTED = ("Lepomis miniatus", "Lepomis punctatus")


def _shares(names, longitude, latitude, year=1980, **more):
    found = name_shares([names], [longitude], [latitude], [year], checklist=SUNFISHES, **more)
    return {SUNFISHES.species[k]: share for k, share in zip(found.species, found.share, strict=True)}


# States by name, from any atlas.  Ranges: the northern sunfish in the Great Lakes, Hudson Bay and upper
# Mississippi drainages; redspotted sunfish west of the Mobile basin, spotted sunfish on the Atlantic slope
# (Warren 1992, Bulletin Alabama Museum of Natural History 12, from memory).
@pytest.mark.parametrize(
    ("names", "longitude", "latitude", "meant"),
    [
        (LONGEAR, -92.5, 31.2, "Lepomis megalotis"),  # Louisiana
        (LONGEAR, -98.0, 31.0, "Lepomis megalotis"),  # Texas
        (LONGEAR, -91.2, 36.9, "Lepomis megalotis"),  # Missouri
        (LONGEAR, -84.5, 43.5, "Lepomis peltastes"),  # Michigan
        (LONGEAR, -79.5, 44.5, "Lepomis peltastes"),  # Ontario
        (SPOTTED, -80.5, 25.8, "Lepomis punctatus"),  # Florida
        (SPOTTED, -91.0, 30.4, "Lepomis miniatus"),  # Louisiana
    ],
)
def test_geography_comes_first(names, longitude, latitude, meant) -> None:
    assert _shares(names, longitude, latitude)[meant] > 0.95
    everywhere = np.array([50.0 if name in names and name != meant else 0.0 for name in SUNFISHES.species])
    assert _shares(names, longitude, latitude, around=everywhere)[meant] > 0.4  # a crowd next door counts


def test_a_known_drainage_decides_before_the_state() -> None:
    """In the Chicago region both live; the Great Lakes drainage holds one."""
    assert _shares(LONGEAR, -88.0, 41.8)["Lepomis peltastes"] == pytest.approx(0.5)
    unit = np.array(["04040002"], dtype=object)
    assert _shares(LONGEAR, -88.0, 41.8, unit=unit)["Lepomis peltastes"] > 0.95


def test_where_both_live_date_and_neighbours_decide() -> None:
    assert _shares(LONGEAR, -88.2, 40.1, year=2020)["Lepomis megalotis"] == pytest.approx(0.9)
    around = np.array([9.5 if name == "Lepomis peltastes" else 0.0 for name in SUNFISHES.species])
    assert _shares(LONGEAR, -88.2, 40.1, around=around)["Lepomis peltastes"] == pytest.approx(10 / 10.5)
    assert _shares(LONGEAR, float("nan"), float("nan"))["Lepomis peltastes"] == pytest.approx(0.5)


def test_shares_of_a_record_sum_to_one() -> None:
    names = [LONGEAR, (), ("Lepomis gulosus",), SPOTTED]
    found = name_shares(names, [-88.2] * 4, [40.1] * 4, [1990] * 4, checklist=SUNFISHES)
    assert np.bincount(found.row, found.share, minlength=4).tolist() == pytest.approx([1, 0, 1, 1])


def _accepted(name, longitude, latitude, year) -> list[str]:
    record = {
        "scientificName": name,
        "decimalLongitude": longitude,
        "decimalLatitude": latitude,
        "year": year,
    }
    return name_records(rows.records(record), SUNFISHES, settings=Settings())["acceptedNames"].to_pylist()[0]


def test_records_are_read_by_their_place() -> None:
    assert _accepted("Lepomis megalotis", -92.5, 31.2, 1980) == ["Lepomis megalotis"]
    assert _accepted("Lepomis megalotis", -84.5, 43.5, 2020) == ["Lepomis peltastes"]  # the old name goes on
    assert _accepted("Lepomis megalotis", -88.2, 40.1, 1980) == list(LONGEAR)
    assert _accepted("Lepomis megalotis", -88.2, 40.1, 2020) == ["Lepomis megalotis"]
    assert _accepted("Lepomis megalotis megalotis", -84.5, 43.5, 2020) == ["Lepomis megalotis"]
    assert _accepted("Lepomis solis", -90.0, 30.5, 2023) == ["Lepomis megalotis"]


# US Census Bureau: fifty states and the District of Columbia, and five territories in its boundary files;
# Statistics Canada: ten provinces and three territories.
def test_the_outlines_are_those_of_all_states_and_provinces() -> None:
    codes = region_codes()
    assert sum(code.startswith("US-") for code in codes) == 56
    assert sum(code.startswith("CA-") for code in codes) == 13
    assert region_name("US-MO") == "Missouri"
    points = {"US-MD": (-76.5, 39.0), "US-CA": (-121.5, 38.6), "CA-ON": (-79.4, 44.0), "DE": (11.5, 48.1)}
    x, y = zip(*points.values(), strict=True)
    assert regions_at(x, y).tolist() == list(points)
    assert regions_at([-40.0, float("nan")], [40.0, 40.0]).tolist() == ["", ""]


# Towns whose state, province or country is common knowledge.
@pytest.mark.parametrize(
    ("longitude", "latitude", "code"),
    [
        (-90.20, 38.63, "US-MO"),  # St. Louis, west bank
        (-90.16, 38.62, "US-IL"),  # East St. Louis, east bank
        (-69.95, 41.5, "US-MA"),  # off Cape Cod: the nearest shore
        (-71.25, 46.85, "CA-QC"),
        (-1.5, 52.5, "GB"),
    ],
)
def test_region_of_a_point(longitude: float, latitude: float, code: str) -> None:
    assert regions_at(longitude, latitude).tolist() == [code]
