"""Two pools of one water: what changed, and causes that add up to the whole change."""

from __future__ import annotations

import datetime
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder.compare import Comparison, compare
from poolbuilder.errors import PoolFileError
from poolbuilder.model.argument import Part, Regional
from poolbuilder.model.candidates import Frame, decide
from poolbuilder.names.checklist import Checklist
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool, Provenance, build
from poolbuilder.settings import Settings
from poolbuilder.status.decision import Establishment
from tests.rows import records

SITE = Site(longitude=-90.5, latitude=38.51, radius_km=40, name="Mill Pond")
BEFORE, AFTER = datetime.date(2025, 6, 1), datetime.date(2026, 6, 1)
LEPOMIS = Checklist.load("lepomis")
CYANELLUS, MACROCHIRUS, GULOSUS = "Lepomis cyanellus", "Lepomis macrochirus", "Lepomis gulosus"


def caught(number: int, name: str = CYANELLUS, **changes: Any) -> dict[str, Any]:
    """An invented record, by default at a place and on a day of its own."""
    return {
        "recordKey": f"urn:invented:{number}",
        "occurrenceID": f"urn:invented:{number}",
        "scientificName": name,
        "decimalLongitude": -90.5 + 0.031 * (number % 9),
        "decimalLatitude": 38.5 + 0.023 * (number % 7),
        "geodeticDatum": "WGS84",
        "coordinateUncertaintyInMeters": 100.0,
        "eventDate": f"20{number % 20 + 5:02d}-07-{number % 27 + 1:02d}",
        "recordedBy": "A. Invented",
        "datasetKey": "d1",
        "basisOfRecord": "PreservedSpecimen",
    } | changes


def pool(rows: list[dict[str, Any]], as_of: datetime.date = AFTER, **changes: Any) -> Pool:
    provenance = Provenance(
        datasets=[{"datasetKey": "d1", "title": "Invented survey", "citation": "", "license": ""}]
    )
    return build(
        changes.pop("site", SITE),
        records(*rows),
        checklist=LEPOMIS,
        as_of=as_of,
        provenance=provenance,
        **changes,
    )


def causes(comparison: Comparison, species: str = CYANELLUS) -> dict[str, float]:
    return {
        row["cause"]: row["logOdds"]
        for row in comparison.causes.to_pylist()
        if row["scientificName"] == species
    }


def words(comparison: Comparison, cause: str, species: str = CYANELLUS) -> str:
    (found,) = [
        row["words"]
        for row in comparison.causes.to_pylist()
        if row["scientificName"] == species and row["cause"] == cause
    ]
    return str(found)


def assert_adds_up(comparison: Comparison) -> None:
    sums: dict[str, float] = {}
    for row in comparison.causes.to_pylist():
        sums[row["scientificName"]] = sums.get(row["scientificName"], 0.0) + (row["logOdds"] or 0.0)
    for row in comparison.changes.to_pylist():
        change = row["logOddsChange"]
        assert sums.get(row["scientificName"], 0.0) == pytest.approx(change, abs=1e-9)
        if row["presenceBefore"] and row["presenceAfter"]:
            logit = [math.log(p / (1 - p)) for p in (row["presenceBefore"], row["presenceAfter"])]
            assert change == pytest.approx(logit[1] - logit[0], abs=1e-7)


def test_a_pool_set_against_itself_says_nothing() -> None:
    same = pool([caught(1), caught(2, MACROCHIRUS)])
    comparison = compare(same, same)
    assert comparison.causes.num_rows == 0
    assert {row["change"] for row in comparison.changes.to_pylist()} == {"steady"}
    assert comparison.notes == ()


def test_new_records_are_counted_with_owner_and_place() -> None:
    old, new = pool([caught(1)]), pool([caught(1), caught(2), caught(3)])
    comparison = compare(old, new)
    assert causes(comparison).keys() == {"new"}
    assert causes(comparison)["new"] > 0
    assert words(comparison, "new").startswith("2 new records in 2 events: Invented survey 2; nearest")
    assert_adds_up(comparison)


def test_places_that_came_nearer_crowd_what_was_there() -> None:
    far = caught(5, decimalLatitude=38.8)
    old = pool([far])
    new = pool([far, *(caught(number, GULOSUS, decimalLatitude=38.52) for number in range(10, 18))])
    comparison = compare(old, new)
    assert causes(comparison).keys() == {"crowding"}
    assert causes(comparison)["crowding"] < 0
    assert causes(compare(new, old))["crowding"] == pytest.approx(-causes(comparison)["crowding"])
    assert_adds_up(comparison)


def test_withdrawn_records_are_told_from_re_identified_ones() -> None:
    old = pool([caught(number) for number in range(1, 5)])
    new = pool([caught(1), caught(2, MACROCHIRUS), caught(3, decimalLongitude=None)])
    comparison = compare(old, new)
    assert words(comparison, "withdrawn").split("; ") == [
        "1 record no longer among the records",
        f"1 record re-identified as {MACROCHIRUS}",
        "1 record rejected now (no coordinates)",
    ]
    assert causes(comparison)["withdrawn"] < 0
    assert causes(comparison, MACROCHIRUS).keys() == {"new"}
    assert_adds_up(comparison)


def test_a_withdrawal_from_a_crowded_place_is_a_withdrawal_alone() -> None:
    place = {"decimalLongitude": -90.45, "decimalLatitude": 38.55}
    old = pool([caught(1, **place), caught(2, **place), caught(3, **place)])
    comparison = compare(old, pool([caught(1, **place), caught(2, **place)]))
    assert causes(comparison).keys() == {"withdrawn"}


def test_time_alone_lowers_and_is_named() -> None:
    comparison = compare(pool([caught(1), caught(2)], BEFORE), pool([caught(1), caught(2)]))
    assert causes(comparison).keys() == {"dates"}
    assert causes(comparison)["dates"] < 0
    assert words(comparison, "dates") == "everything is older now: 1 years passed"
    assert_adds_up(comparison)


def test_undated_records_do_not_age() -> None:
    undated = caught(1, eventDate=None)
    assert compare(pool([undated], BEFORE), pool([undated])).causes.num_rows == 0


def test_settings_are_a_cause_and_are_named() -> None:
    rows = [caught(1), caught(2)]
    comparison = compare(pool(rows), pool(rows, settings=Settings(kernel_km=40)))
    assert causes(comparison).keys() == {"settings"}
    assert "setting kernelKm was 15 and is 40" in comparison.notes
    assert_adds_up(comparison)


def test_a_shorter_reach_is_a_setting_not_a_withdrawal() -> None:
    rows = [caught(1), caught(2, decimalLatitude=39.2)]
    comparison = compare(pool(rows), pool(rows, settings=Settings(reach_km=50)))
    assert causes(comparison).keys() == {"settings"}
    assert compare(pool(rows, settings=Settings(reach_km=50)), pool(rows)).causes["cause"].to_pylist() == [
        "settings"
    ]


def test_a_moved_pin_is_the_place() -> None:
    rows = [caught(1), caught(2)]
    comparison = compare(pool(rows), pool(rows, site=replace(SITE, longitude=-90.52)))
    assert causes(comparison).keys() == {"place"}
    assert comparison.notes[0] == "the place moved by 1.74 km"
    assert_adds_up(comparison)


def test_a_corrected_record_is_neither_new_nor_withdrawn() -> None:
    old = pool([caught(1), caught(2)])
    new = pool([caught(1), caught(2, decimalLatitude=38.7, eventDate="2001-01-01")])
    comparison = compare(old, new)
    assert causes(comparison).keys() == {"crowding", "edited"}  # nearer, it crowds the other one more
    assert_adds_up(comparison)


def test_another_version_is_named() -> None:
    old = pool([caught(1), caught(2)])
    shifted = [
        {**row, "logOdds": row["logOdds"] + (0.5 if row["part"] == "range" else 0)}
        for row in old.contributions.to_pylist()
    ]
    table = pa.Table.from_pylist(shifted, schema=old.contributions.schema)
    comparison = compare(replace(old, contributions=table, version="0.0.9"), old)
    assert causes(comparison)["version"] == pytest.approx(-0.5)
    assert any("built by version 0.0.9 before" in note for note in comparison.notes)


def test_a_record_that_joins_an_event_is_new_and_no_withdrawal() -> None:
    near = caught(1, eventID="e1", coordinateUncertaintyInMeters=9000.0)
    better = caught(2, eventID="e1", decimalLongitude=-90.5, decimalLatitude=38.51)
    comparison = compare(pool([near]), pool([near, better]))
    assert causes(comparison).keys() == {"new"}
    back = compare(pool([near, better]), pool([near]))
    assert causes(back).keys() == {"withdrawn"}
    assert causes(back)["withdrawn"] == pytest.approx(-causes(comparison)["new"])


def test_gained_lost_and_moved() -> None:
    far = caught(5, decimalLatitude=39.2)  # beyond the radius, within reach
    old = pool([caught(1), caught(2, MACROCHIRUS), far])
    new = pool([caught(1), *(caught(number, GULOSUS) for number in range(10, 18)), far])
    comparison = compare(old, new)
    assert comparison.having("gained") == [GULOSUS]
    assert comparison.having("lost") == [MACROCHIRUS]
    assert comparison.found("lost") == [MACROCHIRUS]
    assert comparison.found("changed") == [GULOSUS, MACROCHIRUS]
    moved = compare(
        pool([far]), pool([far, *(caught(number, decimalLatitude=38.9) for number in range(20, 60))])
    )
    assert moved.having("moved") == [CYANELLUS]
    assert_adds_up(comparison)


def test_newly_introduced_needs_a_record_and_the_word() -> None:
    old = pool([caught(1)])
    introduced = caught(2, GULOSUS, establishmentMeans="introduced")
    assert compare(old, pool([caught(1), introduced])).newly_introduced() == [GULOSUS]
    assert compare(old, pool([caught(1), caught(2, GULOSUS)])).newly_introduced() == []
    both = pool([caught(1), introduced])
    assert compare(both, both).newly_introduced() == []


def test_a_species_of_another_checklist_is_said() -> None:
    short = Checklist.from_records("Lepomis", records(caught(1)))
    old = build(SITE, records(caught(1)), checklist=short, as_of=AFTER)
    comparison = compare(old, pool([caught(1)]))
    row = next(row for row in comparison.changes.to_pylist() if row["scientificName"] == GULOSUS)
    assert (row["presenceBefore"], row["logOddsChange"]) == (None, None)
    assert words(comparison, "checklist", GULOSUS) == "on the checklist now, not before"


def test_pools_of_two_waters_are_refused() -> None:
    with pytest.raises(
        PoolFileError, match=r"pools of two waters, \d+ km apart: 'Mill Pond' and 'Elsewhere'"
    ):
        compare(pool([caught(1)]), pool([caught(1)], site=Site(longitude=-80, latitude=38, name="Elsewhere")))


def test_the_comparison_is_json() -> None:
    comparison = compare(pool([caught(1)], BEFORE), pool([caught(1), caught(2)]))
    document = json.loads(json.dumps(comparison.as_dict(), allow_nan=False))
    assert document["before"] == "2025-06-01"
    assert len(document["changes"]) == len(LEPOMIS.species)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 40), st.sampled_from([CYANELLUS, MACROCHIRUS, "Lepomis cyanellus x macrochirus"])
        ),
        max_size=14,
    ),
    st.lists(st.tuples(st.integers(0, 40), st.sampled_from([CYANELLUS, MACROCHIRUS, GULOSUS])), max_size=14),
    st.integers(0, 4000),
    st.sampled_from(
        [
            {},
            {"kernel_km": 30},
            {"half_life_years": 10, "place_exponent": 1},
            {"reach_km": 20},
            {"leak_no_map": 0.3},
        ]
    ),
    st.booleans(),
)
@settings(deadline=None, derandomize=True, max_examples=40)
def test_the_causes_always_add_up(
    before: list[tuple[int, str]],
    after: list[tuple[int, str]],
    days: int,
    changed: dict[str, float],
    moved: bool,
) -> None:
    old = pool(
        [caught(number, name) for number, name in dict(before).items()], AFTER - datetime.timedelta(days=days)
    )
    site = replace(SITE, latitude=38.53, radius_km=30) if moved else SITE
    new = pool(
        [caught(number, name) for number, name in dict(after).items()],
        site=site,
        settings=Settings(**changed),
    )
    comparison = compare(old, new)
    assert_adds_up(comparison)
    assert "interaction" not in comparison.causes["cause"].to_pylist()


def listed(base: Pool, parts: dict[str, list[Part]], silence: dict[str, tuple[float, str]]) -> Pool:
    """The same pool, decided from what lists of a target group say."""
    species = [row["scientificName"] for row in base.status.to_pylist()]
    decision = decide(
        base.evidence.sort_by(
            [("scientificName", "ascending"), ("weight", "descending"), ("eventKey", "ascending")]
        ),
        base.status,
        species=species,
        vernacular=dict.fromkeys(species),
        establishment={name: Establishment(means="uncertain", source="unknown") for name in species},
        frame=Frame(radius_km=base.site.radius_km, outlined=False, year=base.as_of.year),
        regional=Regional(step="community", parts=parts, silence=silence),
        settings=base.settings,
    )
    return replace(
        base,
        candidates=decision.candidates,
        evidence=decision.evidence,
        contributions=decision.contributions,
        step="community",
    )


def test_what_the_lists_say_is_a_cause_of_its_own_and_so_is_calibration() -> None:
    rows = [caught(1), caught(2, MACROCHIRUS)]
    before = [Part("range", -1.0, "r"), Part("effort", 0.4, "e"), Part("calibration", 0.2, "c")]
    after = [
        Part("range", -1.0, "r"),
        Part("effort", 1.5, "e"),
        Part("community", -0.3, "m"),
        Part("calibration", 0.5, "c"),
    ]
    old = listed(pool(rows), {CYANELLUS: before}, {})
    new = listed(pool([*rows, caught(3)]), {CYANELLUS: after}, {CYANELLUS: (0.5, "two lists without it")})
    comparison = compare(old, new)
    assert_adds_up(comparison)
    assert causes(comparison) == pytest.approx({"lists": 0.8 + math.log(0.5), "new": 0.0, "calibration": 0.3})
    assert words(comparison, "lists") == (
        "the lists around the water say otherwise: detections against effort +1.10, the other fishes of the water "
        "-0.30, silence in the water -0.69"
    )
    assert words(comparison, "new").endswith("they count through the lists")


def test_lists_where_there_were_none_before() -> None:
    old = pool([caught(1)])
    new = listed(pool([caught(1)]), {CYANELLUS: [Part("range", -2.0, "r"), Part("effort", 3.0, "e")]}, {})
    comparison = compare(old, new)
    assert causes(comparison).keys() == {"lists"}
    assert "regional evidence was records and is community" in comparison.notes
    assert_adds_up(comparison)


def test_pools_read_back_from_their_folders_compare_alike(tmp_path: Path) -> None:
    from poolbuilder.folder import read_pool, write_pool

    old, new = pool([caught(1), caught(4)], BEFORE), pool([caught(1), caught(2)])
    for name, item in (("old", old), ("new", new)):
        write_pool(item, tmp_path / name)
    again = compare(read_pool(tmp_path / "old"), read_pool(tmp_path / "new"))
    assert again.as_dict() == compare(old, new).as_dict()
