"""The rules: what is rejected, what is flagged, and that nothing is lost."""

from __future__ import annotations

import datetime
import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import Checklist, Settings, tables
from poolbuilder.errors import TableError
from poolbuilder.names.reader import name_records
from poolbuilder.records.dates import read_date, span_of
from poolbuilder.records.judged import half_cell_m, is_withheld
from poolbuilder.records.reading import read_all
from poolbuilder.records.rules import RULES, screen, tally
from poolbuilder.schemas import NAMED, RECORDS, SCREENED, check
from tests import rows

AS_OF = datetime.date(2024, 6, 30)
SETTINGS = Settings()
LAW = settings(deadline=None, derandomize=True, max_examples=30)

GOOD: dict[str, Any] = {
    "scientificName": "Lepomis gulosus",
    "decimalLongitude": -88.2034,
    "decimalLatitude": 40.1102,
    "geodeticDatum": "WGS84",
    "coordinateUncertaintyInMeters": 30.0,
    "coordinateDecimals": 4,
    "eventDate": "2014-06-30",
    "basisOfRecord": "PreservedSpecimen",
}


def _screened(*records: dict[str, Any], **changes: Any) -> list[dict[str, Any]]:
    table = rows.named(*[{**GOOD, **record} for record in records])
    return list(screen(table, settings=SETTINGS.replace(**changes), as_of=AS_OF).to_pylist())


def _one(**record: Any) -> dict[str, Any]:
    return _screened(record)[0]


def test_a_good_record_is_kept_without_a_flag() -> None:
    out = _one()
    assert out["rejectedBy"] is None
    assert out["flagged"] == []
    assert (out["longitude"], out["latitude"]) == (-88.2034, 40.1102)
    assert (out["uncertaintyM"], out["uncertaintySource"]) == (30.0, "given")
    assert out["quality"] == 1.0
    assert (out["eventYear"], out["eventDay"]) == (2014, "2014-06-30")
    assert out["ageYears"] == pytest.approx(10, abs=0.01)


REJECTED: list[tuple[dict[str, Any], str]] = [
    ({"decimalLatitude": None}, "no_coordinates"),
    ({"decimalLongitude": None, "readNote": "decimalLongitude '88W' is not a number"}, "no_coordinates"),
    ({"decimalLatitude": 90.01}, "out_of_range"),
    ({"decimalLongitude": -180.5}, "out_of_range"),
    ({"decimalLongitude": 0.0, "decimalLatitude": 0.0}, "zero_coordinates"),
    ({"occurrenceStatus": "absent"}, "absent"),
    ({"occurrenceStatus": "ABSENT"}, "absent"),
    ({"occurrenceStatus": "notDetected"}, "absent"),
    ({"occurrenceStatus": "not detected"}, "absent"),
    ({"occurrenceStatus": None, "individualCount": 0.0}, "absent"),
    ({"organismQuantity": "0.0"}, "absent"),
    ({"basisOfRecord": "FossilSpecimen"}, "fossil"),
    ({"basisOfRecord": "FOSSIL_SPECIMEN"}, "fossil"),
    ({"basisOfRecord": "Living Specimen"}, "captive"),
    ({"degreeOfEstablishment": "Captive"}, "captive"),
    ({"degreeOfEstablishment": "cultivated"}, "captive"),
    ({"establishmentMeans": "MANAGED"}, "captive"),
    ({"basisOfRecord": "Taxon"}, "not_a_record"),
    ({"role": "none", "acceptedNames": []}, "no_name"),
    ({"role": "genus", "acceptedNames": [], "scientificName": "Lepomis sp."}, "not_to_species"),
    ({"role": "unknown", "acceptedNames": [], "scientificName": "Lepomis novus"}, "unknown_species"),
    ({"eventDate": "2024-07-01"}, "impossible_date"),
    ({"eventDate": "1582-11-14"}, "impossible_date"),
    ({"eventDate": "2001-13-01"}, "impossible_date"),
    ({"eventDate": "2001-02-30"}, "impossible_date"),
    ({"eventDate": None, "year": 2001, "month": 13}, "impossible_date"),
    ({"eventDate": None, "year": 2025}, "impossible_date"),
    ({"eventDate": None, "year": 1500}, "impossible_date"),
]


@pytest.mark.parametrize(("record", "key"), REJECTED)
def test_what_rejects_a_record(record: dict[str, Any], key: str) -> None:
    assert _one(**record)["rejectedBy"] == key


KEPT: list[dict[str, Any]] = [
    {"decimalLongitude": 0.0, "decimalLatitude": 5.0},
    {"decimalLongitude": 180.0, "decimalLatitude": -90.0},
    {"occurrenceStatus": "Detected"},
    {"occurrenceStatus": None},
    {"individualCount": 3.0, "organismQuantity": "10^2"},
    {"role": "group", "acceptedNames": [], "scientificName": "Esox lucius"},
    {"role": "hybrid", "acceptedNames": ["Lepomis gulosus", "Lepomis auritus"]},
    {"eventDate": "2024-06-30"},
    {"eventDate": "2024"},
    {"eventDate": "1582-11-15"},
    {"eventDate": "1900-00-00"},
    {"eventDate": "0000-00-00"},
    {"eventDate": "30 June 1999"},
    {"eventDate": None, "year": 1999, "month": 0, "day": 0},
]


@pytest.mark.parametrize("record", KEPT)
def test_what_does_not_reject_a_record(record: dict[str, Any]) -> None:
    assert _one(**record)["rejectedBy"] is None


def test_the_first_rule_names_the_rejection() -> None:
    out = _one(decimalLatitude=None, occurrenceStatus="absent", eventDate="2030-01-01")
    assert out["rejectedBy"] == "no_coordinates"


FLAGS: list[tuple[dict[str, Any], str]] = [
    ({"nameQuality": 0.4}, "doubtful_name"),
    ({"issue": "COUNTRY_COORDINATE_MISMATCH"}, "suspect_place"),
    ({"issue": "COORDINATE_ROUNDED;PRESUMED_NEGATED_LONGITUDE"}, "suspect_place"),
    ({"issue": "TAXON_MATCH_FUZZY"}, "fuzzy_name"),
    ({"dataGeneralizations": "rounded to 0.1 degree"}, "withheld"),
    ({"informationWithheld": "Coordinate uncertainty increased to 27126m"}, "withheld"),
    ({"coordinateUncertaintyInMeters": None}, "uncertainty_missing"),
    ({"coordinateUncertaintyInMeters": 0.0}, "uncertainty_invalid"),
    ({"coordinateUncertaintyInMeters": -5.0}, "uncertainty_invalid"),
    ({"coordinateUncertaintyInMeters": 20_037_510.0}, "uncertainty_invalid"),
    ({"coordinateDecimals": 1}, "coarse_coordinates"),
    ({"coordinatePrecision": 0.1}, "coarse_coordinates"),
    ({"geodeticDatum": None}, "datum_assumed"),
    ({"geodeticDatum": "not recorded"}, "datum_assumed"),
    ({"issue": "GEODETIC_DATUM_ASSUMED_WGS84"}, "datum_assumed"),
    ({"geodeticDatum": "my own grid"}, "datum_unknown"),
    ({"geodeticDatum": "EPSG:32616"}, "datum_unknown"),
    ({"geodeticDatum": "EPSG:99999"}, "datum_unknown"),
    ({"geodeticDatum": "NAD27"}, "datum_transformed"),
    ({"geodeticDatum": "EPSG:4269"}, "datum_transformed"),
    ({"eventDate": None}, "undated"),
    ({"eventDate": "June 1999"}, "doubtful_date"),
    ({"eventDate": "1999-06-01", "year": 1998}, "doubtful_date"),
    ({"issue": "RECORDED_DATE_MISMATCH"}, "doubtful_date"),
    ({"eventDate": "2001/2019"}, "wide_date"),
    ({"occurrenceStatus": "maybe"}, "odd_status"),
    ({"basisOfRecord": "photo"}, "odd_basis"),
    ({"basisOfRecord": None}, "odd_basis"),
    ({"degreeOfEstablishment": "released"}, "released"),
    ({"readNote": "year 'ca. 1950' is not a number"}, "unreadable_value"),
]


@pytest.mark.parametrize(("record", "key"), FLAGS)
def test_what_is_flagged_and_kept(record: dict[str, Any], key: str) -> None:
    out = _one(**record)
    assert out["rejectedBy"] is None
    assert key in out["flagged"]


def test_every_rule_is_tested() -> None:
    seen = {key for _, key in [*REJECTED, *FLAGS]}
    assert {rule.key for rule in RULES} - seen == {"duplicate", "reused_identifier"}


def test_rules_are_complete_data() -> None:
    assert len({rule.key for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert rule.title
        assert rule.reason
        assert rule.terms
        assert set(rule.terms) <= set(RECORDS.names)
        assert (rule.factor is not None) == (rule.effect == "lower")
        assert rule.factor is None or rule.factor in NAMED.names or hasattr(SETTINGS, rule.factor)


# -- quality -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("basis", "quality"),
    [
        ("PreservedSpecimen", 1.0), ("PRESERVED_SPECIMEN", 1.0), ("HumanObservation", 0.9),
        ("machine observation", 0.9), ("OBSERVATION", 0.9), ("MaterialSample", 0.7), ("MATERIAL_CITATION", 0.7),
        ("Occurrence", 0.7), (None, 0.7),
    ],
)  # fmt: skip
def test_quality_by_basis(basis: str | None, quality: float) -> None:
    assert _one(basisOfRecord=basis)["quality"] == quality


def test_quality_is_basis_times_name_times_flags() -> None:
    out = _one(basisOfRecord="HumanObservation", nameQuality=0.4, issue="COUNTRY_COORDINATE_MISMATCH")
    assert out["quality"] == pytest.approx(0.9 * 0.4 * 0.5)
    assert _one(issue="TAXON_MATCH_FUZZY")["quality"] == 0.8
    assert _one(issue="TAXON_MATCH_FUZZY", nameQuality=0.8)["quality"] == 0.8  # counted once


# -- place ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("record", "metres", "source"),
    [
        ({}, 30, "given"),
        ({"coordinateUncertaintyInMeters": None}, 5000, "default"),
        ({"coordinateUncertaintyInMeters": None, "basisOfRecord": "HumanObservation"}, 1000, "default"),
        ({"coordinateUncertaintyInMeters": 0.0, "basisOfRecord": "HumanObservation"}, 1000, "default"),
        ({"coordinateUncertaintyInMeters": None, "dataGeneralizations": "obscured"}, 28_000, "withheld"),
        ({"coordinateUncertaintyInMeters": 0.0, "informationWithheld": "place obscured"}, 28_000, "withheld"),
        ({"dataGeneralizations": "obscured"}, 30, "given"),
        ({"coordinateUncertaintyInMeters": None, "dataGeneralizations": "none"}, 5000, "default"),
        (
            {"coordinateUncertaintyInMeters": None, "informationWithheld": "uncertainty increased to 31,000m to protect"},
            31_000,
            "withheld",
        ),
        ({"geodeticDatum": None}, 330, "given"),
        ({"issue": "GEODETIC_DATUM_ASSUMED_WGS84"}, 330, "given"),
        ({"geodeticDatum": "NAD83"}, 34, "given"),
        ({"coordinateUncertaintyInMeters": 20_037_509.0, "geodeticDatum": None}, 20_037_509, "given"),
        ({"decimalLatitude": None}, None, None),
    ],
)  # fmt: skip
def test_uncertainty(record: dict[str, Any], metres: float | None, source: str | None) -> None:
    out = _one(**record)
    assert out["uncertaintyM"] == metres
    assert out["uncertaintySource"] == source


def test_few_decimals_set_a_floor() -> None:
    out = _one(decimalLatitude=40.0, decimalLongitude=-88.0, coordinateDecimals=1)
    assert out["uncertaintyM"] == pytest.approx(7002.8, rel=2e-4)
    assert out["uncertaintySource"] == "decimals"
    assert _one(coordinateDecimals=4, coordinateUncertaintyInMeters=None)["uncertaintySource"] == "default"
    # A withheld place is not made more exact by its decimals.
    assert (
        _one(coordinateUncertaintyInMeters=None, coordinateDecimals=6, dataGeneralizations="x")[
            "uncertaintyM"
        ]
        == 28_000
    )


@pytest.mark.parametrize(
    "words",
    [
        "none",
        "None.",
        "no",
        "N/A",
        "not withheld",
        "Information not withheld",
        "coordinates not generalised",
        " ",
    ],
)
def test_remarks_that_withhold_nothing(words: str) -> None:
    assert not is_withheld(words)


@pytest.mark.parametrize(
    "datum",
    ["WGS84", "WGS 84", "wgs_84", "EPSG:4326", "epsg:4326", "World Geodetic System 1984", "WGS84 (EPSG:4326)",
     "urn:ogc:def:crs:EPSG::4326", "http://www.opengis.net/def/crs/EPSG/0/4326", "4326", "OGC:CRS84", "GPS"],
)  # fmt: skip
def test_ways_of_saying_wgs84(datum: str) -> None:
    out = _one(geodeticDatum=datum)
    assert out["flagged"] == []
    assert out["uncertaintyM"] == 30


@pytest.mark.parametrize(
    "datum", ["NAD27", "nad 27", "NAD1927", "EPSG:4267", "North American Datum 1927", "NAD27 CONUS"]
)
def test_ways_of_saying_nad27(datum: str) -> None:
    out = _one(geodeticDatum=datum)
    assert out["flagged"] == ["datum_transformed"]
    assert out["longitude"] == pytest.approx(-88.2034, abs=0.001)
    assert out["longitude"] != -88.2034
    assert 30 < out["uncertaintyM"] < 60


def test_a_datum_is_transformed_whatever_its_neighbours() -> None:
    alone = _one(geodeticDatum="NAD27")
    many = _screened(
        {"geodeticDatum": "NAD83"}, {"geodeticDatum": "NAD27"}, {}, {"geodeticDatum": "EPSG:4267"}
    )
    for name in ("longitude", "latitude", "uncertaintyM"):
        assert many[1][name] == many[3][name] == alone[name]


def test_coordinates_off_the_globe_survive_a_transformation() -> None:
    out = _one(geodeticDatum="NAD27", decimalLatitude=4000.0)
    assert out["rejectedBy"] == "out_of_range"
    assert out["latitude"] == 4000.0


# -- dates ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ("1999", "1999-01-01", "1999-12-31"),
        ("1999-02", "1999-02-01", "1999-02-28"),
        ("1999-12", "1999-12-01", "1999-12-31"),
        ("2000-02-29", "2000-02-29", "2000-02-29"),
        ("1999-5-1", "1999-05-01", "1999-05-01"),
        ("19990501", "1999-05-01", "1999-05-01"),
        ("1999-121", "1999-05-01", "1999-05-01"),
        ("1999-365", "1999-12-31", "1999-12-31"),
        ("2000-366", "2000-12-31", "2000-12-31"),
        ("1999-05-01T13:45", "1999-05-01", "1999-05-01"),
        ("1999-05-01T13:45:10.5Z", "1999-05-01", "1999-05-01"),
        ("1999-05-01 13:45:10-06:00", "1999-05-01", "1999-05-01"),
        ("1999-05-01/1999-05-03", "1999-05-01", "1999-05-03"),
        ("2007-11-13/15", "2007-11-13", "2007-11-15"),
        ("1971-06/08", "1971-06-01", "1971-08-31"),
        ("1990/1995", "1990-01-01", "1995-12-31"),
        ("1999-05-01T08:00/12:30", "1999-05-01", "1999-05-01"),
        ("1999-05-00", "1999-05-01", "1999-05-31"),
        ("1999-00-00", "1999-01-01", "1999-12-31"),
    ],
)
def test_dates_that_are_read(text: str, start: str, end: str) -> None:
    span, how = read_date(text)
    assert how == "read"
    assert span is not None
    assert (span.start.isoformat(), span.end.isoformat()) == (start, end)


@pytest.mark.parametrize(
    ("text", "how"),
    [
        ("", "empty"), ("unknown", "empty"), ("0000-00-00", "empty"), ("?", "empty"),
        ("5/1/1999", "unreadable"), ("May 1999", "unreadable"), ("1999-05-01/later", "unreadable"),
        ("1999-13-01", "impossible"), ("1999-02-29", "impossible"), ("1999-366", "impossible"),
        ("1999-05-03/1999-05-01", "impossible"),
    ],
)  # fmt: skip
def test_dates_that_are_not(text: str, how: str) -> None:
    assert read_date(text) == (None, how)


@pytest.mark.parametrize(
    ("record", "year", "day", "age"),
    [
        ({"eventDate": "2014"}, 2014, None, 10.0),
        ({"eventDate": "2014-06"}, 2014, None, 10.04),
        ({"eventDate": None, "year": 2014, "month": 6, "day": 30}, 2014, "2014-06-30", 10.0),
        ({"eventDate": "sometime", "year": 2014}, 2014, None, 10.0),
        ({"eventDate": "2013/2015"}, 2014, None, 10.0),
        ({"eventDate": "2024"}, 2024, None, 0.25),
        ({"eventDate": "2024-06-30"}, 2024, "2024-06-30", 0.0),
        ({"eventDate": None}, None, None, None),
    ],
)
def test_year_day_and_age(
    record: dict[str, Any], year: int | None, day: str | None, age: float | None
) -> None:
    out = _one(**record)
    assert (out["eventYear"], out["eventDay"]) == (year, day)
    assert out["ageYears"] == (None if age is None else pytest.approx(age, abs=0.02))


@LAW
@given(day=st.dates(datetime.date(1583, 1, 1), AS_OF))
def test_a_day_written_in_any_way_is_that_day(day: datetime.date) -> None:
    for text in (
        day.isoformat(),
        day.strftime("%Y%m%d"),
        day.strftime("%Y-%j"),
        f"{day}T06:00:00Z",
        f"{day}/{day}",
    ):
        span, how = read_date(text)
        assert how == "read"
        assert span == span_of(day.year, day.month, day.day)


# -- duplicates ----------------------------------------------------------------------------

MUSEUM = {"catalogNumber": "INHS 1234", "recordedBy": "P. W. Smith", "occurrenceID": "urn:a"}


def _rejected(*records: dict[str, Any]) -> list[str | None]:
    return [out["rejectedBy"] for out in _screened(*records)]


def test_one_identifier_and_name_is_one_record() -> None:
    assert _rejected({"occurrenceID": "urn:1"}, {"occurrenceID": "urn:1"}) == [None, "duplicate"]
    assert _rejected({"occurrenceID": "urn:1"}, {"occurrenceID": "urn:2"}) == [None, None]
    assert _rejected({"occurrenceID": None}, {"occurrenceID": None}) == [None, None]


def test_one_identifier_on_two_species_keeps_both() -> None:
    out = _screened({"occurrenceID": "urn:1"}, {"occurrenceID": "urn:1", "scientificName": "Lepomis auritus"})
    assert [record["rejectedBy"] for record in out] == [None, None]
    assert all("reused_identifier" in record["flagged"] for record in out)


def test_a_running_number_is_an_identifier_only_within_its_file() -> None:
    one, other = {"occurrenceID": "17", "sourceFile": "a"}, {"occurrenceID": "17", "sourceFile": "b"}
    assert _rejected(one, other) == [None, None]
    assert _rejected(one, one) == [None, "duplicate"]
    assert _rejected({**one, "datasetKey": "d"}, {**other, "datasetKey": "d"}) == [None, "duplicate"]


@pytest.mark.parametrize(
    ("change", "is_repeat"),
    [
        ({}, True),
        ({"catalogNumber": "1234", "institutionCode": None}, False),
        ({"catalogNumber": "inhs-1234"}, True),
        ({"recordedBy": "Smith, P.W."}, True),
        ({"recordedBy": None}, True),
        ({"recordedBy": "L. M. Page"}, False),
        ({"catalogNumber": "INHS 1235"}, False),
        ({"eventDate": "2014-06-29"}, False),
        ({"eventDate": "2014-06"}, False),
        ({"decimalLatitude": 40.11}, True),
        ({"decimalLatitude": 40.1098}, True),
        ({"decimalLatitude": 40.12}, False),
        ({"scientificName": "Lepomis auritus"}, False),
    ],
)
def test_one_catalogue_number_across_data_sets(change: dict[str, Any], is_repeat: bool) -> None:
    first = {**MUSEUM, "datasetKey": "a"}
    second = {**MUSEUM, "datasetKey": "b", "occurrenceID": "urn:b", **change}
    assert (_rejected(first, second).count("duplicate") == 1) is is_repeat


def test_a_house_before_the_number_changes_nothing() -> None:
    first = {**MUSEUM, "institutionCode": "INHS"}
    second = {**MUSEUM, "institutionCode": "INHS", "catalogNumber": "1234", "occurrenceID": "urn:b"}
    assert _rejected(first, second) == [None, "duplicate"]


def test_a_field_number_serves_where_there_is_no_catalogue_number() -> None:
    first = {"recordNumber": "PWS 12-1", "occurrenceID": "urn:a"}
    assert _rejected(first, {**first, "occurrenceID": "urn:b"}) == [None, "duplicate"]
    assert _rejected({"occurrenceID": "urn:a"}, {"occurrenceID": "urn:b"}) == [None, None]


def test_the_better_record_is_kept() -> None:
    poor = {"occurrenceID": "urn:1", "basisOfRecord": "Occurrence"}
    assert _rejected(poor, {"occurrenceID": "urn:1"}) == ["duplicate", None]
    vague = {"occurrenceID": "urn:1", "coordinateUncertaintyInMeters": None}
    assert _rejected(vague, {"occurrenceID": "urn:1"}) == ["duplicate", None]


def test_among_equals_the_key_decides_not_the_order() -> None:
    one = {"recordKey": "a", "occurrenceID": "urn:1"}
    other = {"recordKey": "b", "occurrenceID": "urn:1"}
    for pair in ([one, other], [other, one]):
        kept = [out["recordKey"] for out in _screened(*pair) if out["rejectedBy"] is None]
        assert kept == ["a"]
    same = [{**one, "sourceFile": name, "sourceRow": row} for name, row in (("f", 9), ("e", 3), ("e", 2))]
    for order in itertools.permutations(same):
        kept_rows = [
            (out["sourceFile"], out["sourceRow"]) for out in _screened(*order) if out["rejectedBy"] is None
        ]
        assert kept_rows == [("e", 2)]


def test_a_rejected_record_does_not_make_its_twin_a_duplicate() -> None:
    assert _rejected({"occurrenceID": "urn:1", "occurrenceStatus": "absent"}, {"occurrenceID": "urn:1"}) == [
        "absent",
        None,
    ]


# -- laws ----------------------------------------------------------------------------------

MESSY = st.fixed_dictionaries(
    {
        "scientificName": st.sampled_from(["Lepomis gulosus", "Lepomis auritus", None]),
        "role": st.sampled_from(["candidate", "hybrid", "group", "genus", "unknown", "none"]),
        "decimalLongitude": st.sampled_from([None, 0.0, -88.2034, -88.2, 181.0]),
        "decimalLatitude": st.sampled_from([None, 0.0, 40.1102, 40.11, -91.0]),
        "geodeticDatum": st.sampled_from([None, "WGS84", "NAD27", "nonsense"]),
        "coordinateUncertaintyInMeters": st.sampled_from([None, 0.0, 30.0, 5e4, 1e9]),
        "coordinateDecimals": st.sampled_from([None, 0, 2, 4]),
        "coordinatePrecision": st.sampled_from([None, 0.01, -1.0]),
        "eventDate": st.sampled_from([None, "1999", "1999-05-01", "2030-01-01", "May", "1999-13-01"]),
        "year": st.sampled_from([None, 1999, 2050]),
        "month": st.sampled_from([None, 5, 13]),
        "occurrenceStatus": st.sampled_from([None, "present", "absent"]),
        "individualCount": st.sampled_from([None, 0.0, 2.0]),
        "basisOfRecord": st.sampled_from([None, "PRESERVED_SPECIMEN", "FossilSpecimen", "x"]),
        "degreeOfEstablishment": st.sampled_from([None, "captive", "established"]),
        "occurrenceID": st.sampled_from([None, "1", "urn:1", "urn:2"]),
        "catalogNumber": st.sampled_from([None, "7"]),
        "recordedBy": st.sampled_from([None, "A. Smith", "B. Jones"]),
        "issue": st.sampled_from([None, "ZERO_COORDINATE", "TAXON_MATCH_FUZZY"]),
        "dataGeneralizations": st.sampled_from([None, "obscured", "none"]),
        "nameQuality": st.sampled_from([1.0, 0.4]),
    }
)


@LAW
@given(records=st.lists(MESSY, max_size=14))
def test_no_record_is_lost(records: list[dict[str, Any]]) -> None:
    table = rows.named(*records)
    out = screen(table, settings=SETTINGS, as_of=AS_OF)
    assert check(out, SCREENED, "screened") is out
    assert out.select(NAMED.names).equals(table)
    kept = out["rejectedBy"].null_count
    counts = tally(out)
    assert kept + sum(counts.values()) == table.num_rows
    assert list(counts) == [rule.key for rule in RULES if rule.effect == "reject"]
    for record in out.to_pylist():
        assert 0 <= record["quality"] <= 1
        if record["rejectedBy"] is None:
            assert record["role"] in {"candidate", "hybrid", "group"}
            assert record["uncertaintyM"] >= 1
            assert record["uncertaintySource"] in {"given", "withheld", "decimals", "default"}
            assert -180 <= record["longitude"] <= 180
            assert record["ageYears"] is None or record["ageYears"] >= 0


@LAW
@given(records=st.lists(MESSY, min_size=2, max_size=12), seed=st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(records: list[dict[str, Any]], seed: Any) -> None:
    table = rows.named(*records)
    order = list(range(len(records)))
    seed.shuffle(order)
    straight = screen(table, settings=SETTINGS, as_of=AS_OF)
    shuffled = screen(tables.take(table, np.array(order)), settings=SETTINGS, as_of=AS_OF)
    assert tables.take(straight, np.array(order)).to_pylist() == shuffled.to_pylist()


@LAW
@given(records=st.lists(MESSY, min_size=1, max_size=8), parts=st.integers(2, 4))
def test_chunks_change_nothing(records: list[dict[str, Any]], parts: int) -> None:
    table = rows.named(*records)
    size = -(-table.num_rows // parts)
    chunked = pa.concat_tables([table.slice(start, size) for start in range(0, table.num_rows, size)])
    assert screen(chunked, settings=SETTINGS, as_of=AS_OF).equals(
        screen(table, settings=SETTINGS, as_of=AS_OF)
    )


def test_nothing_in_gives_nothing_out() -> None:
    out = screen(NAMED.empty_table(), settings=SETTINGS, as_of=AS_OF)
    assert out.num_rows == 0
    assert set(tally(out).values()) == {0}


def test_another_table_is_refused() -> None:
    with pytest.raises(TableError):
        screen(RECORDS.empty_table(), settings=SETTINGS, as_of=AS_OF)


def test_two_real_surveys(shared_data: Path) -> None:
    """The facts stand in the README of each survey, but for the count of empty catches."""
    checklist = Checklist.load("lepomis")
    for name, rejected in (
        ("fish_surveys", {"not_to_species": 54}),  # 54 rows of "Lepomis sp."
        ("stream_surveys", {"absent": 106, "not_to_species": 3}),  # 106 visits without any fish
    ):
        table, _, _, _ = read_all([shared_data / name / "occurrence.txt"])
        out = screen(name_records(table, checklist, settings=SETTINGS), settings=SETTINGS, as_of=AS_OF)
        counts = tally(out)
        assert {key: count for key, count in counts.items() if count} == rejected
        assert out["rejectedBy"].null_count + sum(counts.values()) == table.num_rows
        flagged = {key for keys in out["flagged"].to_pylist() for key in keys}
        if name == "stream_surveys":
            assert {"datum_transformed", "undated", "uncertainty_missing"} <= flagged
            assert set(out["uncertaintyM"].to_pylist()) == {1004.0}  # 4 m for the datum
        else:
            assert "undated" not in flagged
            assert min(out["eventYear"].to_pylist()) == 2016


@LAW
@given(latitude=st.floats(-89, 89), decimals=st.integers(0, 6))
def test_the_floor_grows_tenfold_with_each_decimal_lost(latitude: float, decimals: int) -> None:
    fine, coarse = (
        half_cell_m(np.array([latitude]), np.array([10.0**-number]))[0] for number in (decimals + 1, decimals)
    )
    assert coarse == pytest.approx(10 * fine)


def test_all_settings_of_quality_are_used() -> None:
    changed = SETTINGS.replace(quality_specimen=0.5)
    table = rows.named(GOOD)
    assert screen(table, settings=changed, as_of=AS_OF)["quality"].to_pylist() == [0.5]
    pairs = itertools.pairwise(
        screen(rows.named({**GOOD, "coordinateUncertaintyInMeters": None}), settings=s, as_of=AS_OF)[
            "uncertaintyM"
        ][0].as_py()
        for s in (SETTINGS, SETTINGS.replace(default_uncertainty_specimen_m=6000))
    )
    assert list(pairs) == [(5000.0, 6000.0)]


def test_a_lot_published_twice_with_its_year_only_counts_once() -> None:
    lot = {
        "scientificName": "Lepomis gulosus", "decimalLongitude": -91.05, "decimalLatitude": 36.76,
        "eventDate": "1938", "catalogNumber": "HALD 4103", "basisOfRecord": "PreservedSpecimen",
    }  # fmt: skip
    table = rows.named(
        {**lot, "datasetKey": "a"},
        {**lot, "datasetKey": "b"},
        {**lot, "datasetKey": "c", "eventDate": "1939"},
    )
    found = screen(table, settings=Settings(), as_of=datetime.date(2026, 6, 1))
    assert found["rejectedBy"].to_pylist() == [None, "duplicate", None]
