"""Records become events and hazards; presence can be taken apart exactly."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import tables
from poolbuilder.accounts import list_datasets
from poolbuilder.model.argument import Part, Regional
from poolbuilder.model.candidates import Decision, Frame, decide
from poolbuilder.model.evidence import damped_hazards, gather, leak, logit, name_shares
from poolbuilder.settings import Settings
from poolbuilder.status.decision import Establishment
from tests.rows import located, status

SETTINGS = Settings()
GREEN, BLUEGILL, LONGEAR = "Lepomis cyanellus", "Lepomis macrochirus", "Lepomis megalotis"
SPECIES = (GREEN, BLUEGILL, LONGEAR)


def record(name: str = GREEN, **more: Any) -> dict[str, Any]:
    row = {
        "scientificName": name, "longitude": -91.2, "latitude": 36.9, "uncertaintyM": 100.0, "distanceKm": 3.0,
        "insideShare": 1.0, "kernel": 0.8, "ageYears": 0.0, "eventDay": "2020-06-01", "eventYear": 2020,
    }  # fmt: skip
    return {**row, **more}


def maps(**more: Any) -> pa.Table:
    return status(*({"scientificName": name, **more} for name in SPECIES))


def decided(
    rows: list[dict[str, Any]], *, regional: Regional | None = None, outlined: bool = False
) -> Decision:
    said = maps()
    evidence = gather(located(*rows), said, species=SPECIES, settings=SETTINGS)
    return decide(
        evidence,
        said,
        species=SPECIES,
        vernacular={},
        establishment={name: Establishment(means="uncertain", source="unknown") for name in SPECIES},
        frame=Frame(radius_km=40, outlined=outlined, year=2026),
        regional=regional,
        settings=SETTINGS,
    )


def row_of(decision: Decision, name: str = GREEN) -> dict[str, Any]:
    return next(row for row in decision.candidates.to_pylist() if row["scientificName"] == name)


def test_one_event_counts_once_with_its_best_record() -> None:
    rows = [
        record(eventID="e1", quality=0.5),
        record(eventID="e1", quality=1.0),
        record(eventID="e2", distanceKm=9.0),
    ]
    evidence = gather(located(*rows), maps(), species=SPECIES, settings=SETTINGS)
    assert evidence["records"].to_pylist() == [2, 1]
    assert evidence["weight"].to_pylist()[0] == pytest.approx(0.8 * 0.8)
    assert evidence["recordIDs"].to_pylist() == [["r0", "r1"], ["r2"]]


def test_without_event_id_place_day_and_collector_make_the_event() -> None:
    rows = [
        record(recordedBy="A. Ray; B. Carp"), record(recordedBy="b carp, a ray"), record(recordedBy="C. Perch"),
        record(eventDay="2020-06-02"), record(latitude=36.95), record(eventDay=None, eventYear=1950),
        record(eventDay=None, eventYear=1950, recordedBy="someone"),
    ]  # fmt: skip
    evidence = gather(located(*rows), maps(), species=SPECIES, settings=SETTINGS)
    assert sorted(evidence["records"].to_pylist()) == [1, 1, 1, 2, 2]


def test_damping_of_one_place() -> None:
    """12 records in events 6, 3, 1, 1, 1 with exponent 0.5 count as 7.181541 (arithmetic)."""
    place = np.array([0] * 6 + [1] * 3 + [2, 3, 4])
    one = 1 - math.exp(-1)  # a hazard of 1 each
    assert damped_hazards(np.full(12, one), place, exponent=0.5).sum() == pytest.approx(7.181541, abs=5e-7)


def spread(count: int, **more: Any) -> list[dict[str, Any]]:
    """Records at as many places, one a day."""
    return [
        record(
            longitude=-91.025 - 0.05 * n,
            eventDay=f"2020-{n // 28 + 1:02d}-{n % 28 + 1:02d}",
            kernel=0.3,
            **more,
        )
        for n in range(count)
    ]


def test_many_places_around_do_not_make_a_species_certain() -> None:
    few, many = (row_of(decided(spread(count)))["presence"] for count in (2, 120))
    assert few < many < 0.9
    independent = SETTINGS.replace(crowd_exponent=0)
    alone = gather(located(*spread(120)), maps(), species=SPECIES, settings=independent)
    assert 1 - math.exp(-tables.numbers(alone["hazard"]).sum()) > 0.999  # what is avoided


def test_places_as_near_with_other_species_crowd_too() -> None:
    one = [record(kernel=0.3)]
    among = decided([*one, *spread(40, scientificName=BLUEGILL)])
    assert row_of(among)["presence"] < row_of(decided(one))["presence"]
    left = [row["crowding"] for row in among.evidence.to_pylist()]
    assert left == pytest.approx([(41 * 0.3 / 2) ** -SETTINGS.crowd_exponent] * 41)  # none is the nearer one
    said = {row["words"] for row in among.contributions.to_pylist() if row["part"] == "records"}
    assert "40 events around the water, counting as 4.1: many places around hold records" in said


def test_the_nearest_place_speaks_whole_however_many_stand_behind_it() -> None:
    near = record(kernel=0.9)
    behind = spread(60, scientificName=BLUEGILL)
    alone, among = (row_of(decided(rows))["presence"] for rows in ([near], [near, *behind]))
    assert among == pytest.approx(alone)
    last = {row["scientificName"]: row["crowding"] for row in decided([near, *behind]).evidence.to_pylist()}
    assert last[GREEN] == 1
    assert last[BLUEGILL] == pytest.approx((0.9 + 60 * 0.3 / 2) ** -SETTINGS.crowd_exponent)


def test_records_of_one_place_do_not_crowd_each_other() -> None:
    days = [record(eventDay=f"2020-06-{day:02d}", kernel=0.9) for day in range(1, 29)]
    assert {row["crowding"] for row in decided(days).evidence.to_pylist()} == {1.0}


def test_a_record_in_the_water_counts_whole_however_much_lies_around() -> None:
    inside = record(inWaterShare=1.0, kernel=1.0)
    around = spread(60, scientificName=BLUEGILL, inWaterShare=0.0)
    alone = row_of(decided([inside], outlined=True))["presence"]
    assert row_of(decided([inside, *around], outlined=True))["presence"] == pytest.approx(alone)


def test_hybrids_are_weak_evidence_and_never_records() -> None:
    rows = [record(role="hybrid", acceptedNames=[GREEN, BLUEGILL], scientificName="x")]
    decision = decided(rows)
    row = row_of(decision)
    assert (row["records"], row["hybridRecords"], row["tier"]) == (0, 1, "none")
    assert row["presence"] > row_of(decision, LONGEAR)["presence"]
    assert decision.evidence["weight"].to_pylist() == pytest.approx([0.3 * 0.64] * 2)


def test_ambiguous_names_spread_and_count_for_the_likeliest() -> None:
    rows = [record(acceptedNames=[LONGEAR, GREEN], scientificName="Lepomis megalotis")]
    decision = decided(rows)
    assert row_of(decision, LONGEAR)["records"] == 1
    assert row_of(decision, GREEN)["records"] == 0
    assert "may mean another species" in row_of(decision, GREEN)["note"]
    assert decision.evidence["weight"].to_pylist() == pytest.approx([0.32, 0.32])


def test_a_map_decides_how_an_ambiguous_name_spreads() -> None:
    leaks = {LONGEAR: 0.35, GREEN: 0.05, BLUEGILL: 0.01}
    shares = dict(name_shares([GREEN, LONGEAR], leaks, frozenset(leaks)))
    assert shares == {GREEN: pytest.approx(0.05 / 0.40), LONGEAR: pytest.approx(0.35 / 0.40)}
    assert name_shares([BLUEGILL, LONGEAR], leaks, frozenset(leaks)) == [(LONGEAR, 1.0)]
    assert dict(name_shares([GREEN, LONGEAR], leaks, frozenset([GREEN]))) == {GREEN: 0.5, LONGEAR: 0.5}


def test_tiers() -> None:
    assert row_of(decided([record(inWaterShare=0.9)], outlined=True))["tier"] == "water"
    assert row_of(decided([record(byWaterKm=12.0)]))["tier"] == "connected"
    assert row_of(decided([record()]))["tier"] == "radius"
    assert row_of(decided([record(distanceKm=60.0)]))["tier"] == "beyond"
    assert row_of(decided([]))["tier"] == "none"


def test_records_in_water_are_null_without_an_outline() -> None:
    assert row_of(decided([record()]))["recordsInWater"] is None
    assert row_of(decided([record(inWaterShare=0.9)], outlined=True))["recordsInWater"] == 1


def test_the_leak_falls_from_the_edge_and_never_below_the_far_value() -> None:
    far = [leak("outside", km, settings=SETTINGS) for km in (0, 10, 100, 1e6)]
    assert far == sorted(far, reverse=True)
    assert far[0] == pytest.approx(SETTINGS.leak_extant / 2)
    assert far[-1] == pytest.approx(SETTINGS.leak_outside)
    assert leak("no_map", None, settings=SETTINGS) == SETTINGS.leak_no_map


def test_silence_lowers_a_species_by_the_chance_that_it_was_missed() -> None:
    parts = {name: [Part("effort", 0.0, "even odds")] for name in SPECIES}
    looked = {LONGEAR: (0.25, "missed by 3 lists")}
    regional = Regional(step="effort", parts=parts, silence=looked)
    decision = decided([record(inWaterShare=1.0)], regional=regional, outlined=True)
    # psi = .5 and a miss probability of .25 leave .2 (Bayes' rule).
    assert row_of(decision, LONGEAR)["presence"] == pytest.approx(0.2)
    assert row_of(decision)["presence"] > 0.95


def test_regional_evidence_replaces_the_records_around() -> None:
    parts = {GREEN: [Part("effort", -2.0, "rarely found")]}
    decision = decided([record()], regional=Regional(step="effort", parts=parts))
    assert row_of(decision)["presence"] == pytest.approx(1 / (1 + math.exp(2)))


def test_species_at_the_floor_keep_their_order() -> None:
    low = {
        name: (Part("effort", value, "few"),) for name, value in zip(SPECIES, (-9.0, -7.0, -8.0), strict=True)
    }
    rows = decided([], regional=Regional(step="effort", parts=low)).candidates.to_pylist()
    assert [row["presence"] for row in rows] == pytest.approx([SETTINGS.floor] * 3)
    assert [row["scientificName"] for row in rows] == [BLUEGILL, LONGEAR, GREEN]


kernels = st.floats(0, 1)
anyone = st.builds(
    record,
    st.sampled_from(SPECIES),
    kernel=kernels,
    quality=kernels,
    inWaterShare=st.one_of(st.none(), kernels),
    distanceKm=st.floats(0, 99),
    eventID=st.sampled_from(["a", "b", "c", None]),
    ageYears=st.one_of(st.none(), st.floats(0, 200)),
    role=st.sampled_from(["candidate", "candidate", "hybrid"]),
)


@settings(deadline=None, max_examples=60, derandomize=True)
@given(st.lists(anyone, max_size=12), st.randoms(use_true_random=False))
def test_laws_of_a_decision(rows: list[dict[str, Any]], random: Any) -> None:
    rows = [{"recordKey": f"k{number}", **row} for number, row in enumerate(rows)]
    decision = decided(rows, outlined=True)
    candidates = decision.candidates.to_pylist()
    assert sum(row["weight"] for row in candidates) == pytest.approx(1)
    for row in candidates:
        assert SETTINGS.floor <= row["presence"] * (1 + 1e-9)
        assert row["presence"] <= 1 - SETTINGS.floor + 1e-12
        parts = [
            part
            for part in decision.contributions.to_pylist()
            if part["scientificName"] == row["scientificName"]
        ]
        assert sum(part["logOdds"] for part in parts) == pytest.approx(logit(row["presence"]), abs=1e-9)
        of_events = sum(
            item["logOdds"]
            for item in decision.evidence.to_pylist()
            if item["scientificName"] == row["scientificName"]
        )
        direct = sum(part["logOdds"] for part in parts if part["part"] in {"records", "water", "hybrids"})
        assert of_events == pytest.approx(direct, abs=1e-9)
    shuffled = rows[:]
    random.shuffle(shuffled)
    again = decided(shuffled, outlined=True)
    for before, after in zip(candidates, again.candidates.to_pylist(), strict=True):
        assert after == {
            key: pytest.approx(value) if isinstance(value, float) else value for key, value in before.items()
        }
    assert tables.strings(again.evidence["eventKey"]) == tables.strings(decision.evidence["eventKey"])


def test_a_data_set_is_called_by_the_title_that_its_records_give() -> None:
    rows = [
        record(datasetKey="k1", datasetName="Survey of 2020", license="CC0"),
        record(datasetKey="k1", datasetName="Survey of 2020", eventDay="2020-06-02"),
        record(datasetKey="k2", eventDay="2020-06-03"),
    ]
    known = [{"datasetKey": "k2", "title": "Museum", "citation": "Museum (2021)", "license": "CC BY"}]
    survey, museum = list_datasets(located(*rows), known)
    assert survey == {
        "datasetKey": "k1",
        "title": "Survey of 2020",
        "citation": None,
        "license": "CC0",
        "records": 2,
    }
    assert (museum["datasetKey"], museum["title"], museum["citation"]) == ("k2", "Museum", "Museum (2021)")
