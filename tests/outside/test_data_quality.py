"""Decisions of the public data-quality tests, and cell sizes against a reference library.

Source of the cases: Biodiversity Data Quality tests of TDWG (https://github.com/tdwg/bdq,
tg2/core/TG2_tests.csv and its test data).  COMPLIANT means that the rule stays silent,
NOT_COMPLIANT that it strikes, and INTERNAL_PREREQUISITES_NOT_MET that there is nothing to
judge, so that it stays silent too.
"""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np
import pyproj
import pytest

from poolbuilder import Settings
from poolbuilder.records.judged import LARGEST_UNCERTAINTY_M, half_cell_m
from poolbuilder.records.rules import RULES, screen
from tests import rows

AS_OF = datetime.date(2024, 6, 30)


def _struck(**record: Any) -> set[str]:
    good = {
        "scientificName": "Lepomis gulosus", "decimalLongitude": -88.2, "decimalLatitude": 40.1,
        "geodeticDatum": "WGS84", "coordinateUncertaintyInMeters": 30.0, "eventDate": "2014-06-30",
    }  # fmt: skip
    [out] = screen(rows.named({**good, **record}), settings=Settings(), as_of=AS_OF).to_pylist()
    return {out["rejectedBy"], *out["flagged"]} - {None}


@pytest.mark.parametrize(
    ("uncertainty", "result"),
    [
        (0.0, "NOT_COMPLIANT"),
        (None, "INTERNAL_PREREQUISITES_NOT_MET"),
        (1.0, "COMPLIANT"),
        (20_037_509.0, "COMPLIANT"),
        (20_037_510.0, "NOT_COMPLIANT"),
        (0.5, "NOT_COMPLIANT"),
        (-1.0, "NOT_COMPLIANT"),
    ],
)
def test_validation_coordinateuncertainty_inrange(uncertainty: float | None, result: str) -> None:
    struck = _struck(coordinateUncertaintyInMeters=uncertainty)
    assert ("uncertainty_invalid" in struck) is (result == "NOT_COMPLIANT")
    assert ("uncertainty_missing" in struck) is (result == "INTERNAL_PREREQUISITES_NOT_MET")


@pytest.mark.parametrize(
    ("latitude", "longitude", "result"),
    [
        (0.0, 0.0, "NOT_COMPLIANT"),
        (0.0, 5.0, "COMPLIANT"),
        (5.0, 0.0, "COMPLIANT"),
        (None, 0.0, "INTERNAL_PREREQUISITES_NOT_MET"),
    ],
)
def test_validation_coordinates_notzero(latitude: float | None, longitude: float, result: str) -> None:
    struck = _struck(decimalLatitude=latitude, decimalLongitude=longitude)
    assert ("zero_coordinates" in struck) is (result == "NOT_COMPLIANT")


@pytest.mark.parametrize(
    ("latitude", "longitude", "compliant"),
    [
        (90.0, 180.0, True),
        (-90.0, -180.0, True),
        (90.1, 0.5, False),
        (0.5, -180.1, False),
        (200.0, 10.0, False),
    ],
)
def test_validation_coordinates_inrange(latitude: float, longitude: float, compliant: bool) -> None:
    assert ("out_of_range" not in _struck(decimalLatitude=latitude, decimalLongitude=longitude)) is compliant


@pytest.mark.parametrize(
    ("date", "compliant"),
    [
        ("1582-11-15", True), ("1582-11-14", False), ("1499-01-01", False), ("2024-06-30", True),
        ("2024-07-01", False), ("2023", True), ("1962-11-01T10:00-0600", True), ("1999-13-01", False),
    ],
)  # fmt: skip
def test_validation_eventdate_inrange(date: str, compliant: bool) -> None:
    """1582-11-15 up to the present day, both included."""
    assert ("impossible_date" not in _struck(eventDate=date)) is compliant


@pytest.mark.parametrize(
    ("status", "is_absent", "is_understood"),
    [
        ("present", False, True), ("absent", True, True), ("detected", False, True), ("notDetected", True, True),
        ("PRESENT", False, True), ("ABSENT", True, True), ("", False, True), (None, False, True),
        ("perhaps", False, False),
    ],
)  # fmt: skip
def test_validation_occurrencestatus_standard(
    status: str | None, is_absent: bool, is_understood: bool
) -> None:
    """Both pairs: `present`/`absent` of the tests, `detected`/`notDetected` that Darwin Core now recommends."""
    struck = _struck(occurrenceStatus=status)
    assert ("absent" in struck) is is_absent
    assert ("odd_status" not in struck) is is_understood


def test_amendment_occurrencestatus_assumeddefault() -> None:
    """Present is assumed only where count and quantity do not say otherwise."""
    assert "absent" not in _struck(occurrenceStatus=None)
    assert "absent" in _struck(occurrenceStatus=None, individualCount=0.0)
    assert "absent" in _struck(occurrenceStatus=None, organismQuantity="0")


def test_amendment_geodeticdatum_assumeddefault() -> None:
    """An empty datum is read as EPSG:4326 and the possible shift goes into the uncertainty."""
    good = {"decimalLongitude": -88.2, "decimalLatitude": 40.1, "coordinateUncertaintyInMeters": 30.0}
    table = rows.named({**good, "geodeticDatum": None}, {**good, "geodeticDatum": "EPSG:4326"})
    out = screen(table, settings=Settings(unknown_datum_shift_m=250), as_of=AS_OF).to_pylist()
    assert [record["uncertaintyM"] for record in out] == [280.0, 30.0]
    assert out[0]["longitude"] == out[1]["longitude"] == -88.2


def test_issue_datageneralizations_notempty() -> None:
    assert "withheld" in _struck(dataGeneralizations="Coordinates rounded to 0.1 degree")
    assert "withheld" not in _struck(dataGeneralizations=None)


def test_every_public_test_is_named_as_it_is_published() -> None:
    """Names as they stand in TG2_tests.csv."""
    published = {
        "AMENDMENT_GEODETICDATUM_ASSUMEDDEFAULT", "ISSUE_DATAGENERALIZATIONS_NOTEMPTY",
        "MEASURE_EVENTDATE_DURATIONINSECONDS", "VALIDATION_BASISOFRECORD_STANDARD",
        "VALIDATION_COORDINATESCOUNTRYCODE_CONSISTENT", "VALIDATION_COORDINATES_NOTZERO",
        "VALIDATION_COORDINATEUNCERTAINTY_INRANGE", "VALIDATION_DECIMALLATITUDE_INRANGE",
        "VALIDATION_DECIMALLATITUDE_NOTEMPTY", "VALIDATION_DECIMALLONGITUDE_INRANGE",
        "VALIDATION_DECIMALLONGITUDE_NOTEMPTY", "VALIDATION_DEGREEOFESTABLISHMENT_STANDARD",
        "VALIDATION_EVENTDATE_INRANGE", "VALIDATION_EVENTDATE_NOTEMPTY", "VALIDATION_EVENTDATE_STANDARD",
        "VALIDATION_EVENT_CONSISTENT", "VALIDATION_GEODETICDATUM_STANDARD", "VALIDATION_OCCURRENCESTATUS_STANDARD",
        "VALIDATION_SCIENTIFICNAME_FOUND", "VALIDATION_SCIENTIFICNAME_NOTEMPTY", "VALIDATION_TAXON_UNAMBIGUOUS",
    }  # fmt: skip
    named = {name for rule in RULES if rule.test for name in rule.test.split(", ")}
    assert named == published


@pytest.mark.parametrize(("decimals", "metres"), [(1, 7002.8), (2, 700.36), (3, 70.04), (4, 7.0037)])
def test_half_diagonal_of_the_rounding_cell(decimals: int, metres: float) -> None:
    """At 40 degrees north; computed once with pyproj's geodesics (no published table)."""
    cell = half_cell_m(np.array([40.0]), np.array([10.0**-decimals]))[0]
    assert cell == pytest.approx(metres, rel=2e-4)


@pytest.mark.parametrize("latitude", [-60.0, 0.0, 35.0, 40.0, 45.0, 75.0])
@pytest.mark.parametrize("degrees", [0.01, 0.1, 0.2])
def test_half_cells_against_geodesics(latitude: float, degrees: float) -> None:
    """Reference: pyproj.Geod on WGS84, from the middle of the cell to its four corners."""
    geod = pyproj.Geod(ellps="WGS84")
    half = degrees / 2
    corners = [
        geod.inv(10, latitude, 10 + east * half, latitude + north * half)[2]
        for east in (-1, 1)
        for north in (-1, 1)
    ]
    cell = half_cell_m(np.array([latitude]), np.array([degrees]))[0]
    assert min(corners) - 0.01 <= cell <= max(corners) + 0.01
    assert cell == pytest.approx(np.mean(corners), rel=1e-4)


def test_obscured_uncertainty_is_the_diagonal_of_a_fifth_of_a_degree() -> None:
    """Full diagonal of a 0.2 degree cell at 40 degrees: 27,999.94 m (computed on WGS84)."""
    diagonal = pyproj.Geod(ellps="WGS84").inv(0, 39.9, 0.2, 40.1)[2]
    assert diagonal == pytest.approx(27_999.94, abs=20)
    assert Settings().obscured_uncertainty_m == pytest.approx(diagonal, rel=1e-3)


def test_the_largest_uncertainty_is_half_the_way_round_the_earth() -> None:
    """Half the equator of WGS84, rounded up to the metre, as in the public test."""
    assert np.ceil(np.pi * 6_378_137.0) == LARGEST_UNCERTAINTY_M


def test_nad27_against_the_registered_transformation() -> None:
    """Reference: PROJ's own choice for the point (EPSG Geodetic Parameter Dataset).

    In the conterminous states NAD27 lies within some tens of metres of WGS84 (from memory).
    """
    longitude, latitude = -88.2034, 40.1102
    good = {"decimalLongitude": longitude, "decimalLatitude": latitude, "coordinateUncertaintyInMeters": 30.0}
    table = rows.named({**good, "geodeticDatum": "NAD27"}, {**good, "geodeticDatum": "NAD83"})
    first, second = screen(table, settings=Settings(), as_of=AS_OF).to_pylist()
    change = pyproj.Transformer.from_crs(4267, 4326, always_xy=True)
    assert (first["longitude"], first["latitude"]) == pytest.approx(change.transform(longitude, latitude))
    moved = pyproj.Geod(ellps="WGS84").inv(longitude, latitude, first["longitude"], first["latitude"])[2]
    assert 1 < moved < 100
    assert 30 < first["uncertaintyM"] < 60
    # NAD83 and WGS84 are taken as one; the registry states an accuracy of 4 m for that.
    assert (second["longitude"], second["latitude"]) == (longitude, latitude)
    assert second["uncertaintyM"] == 34
