"""Two pools of one water set against each other, through the face of the package."""

from __future__ import annotations

import json
import math
import re
from datetime import date
from importlib import resources
from pathlib import Path

import pytest

import poolbuilder
from poolbuilder import Pool, PoolBuilderError, pool_at, tables
from poolbuilder.compare import Comparison, compare
from poolbuilder.pages.pool_page import render

HEAD = (
    "occurrenceID,eventID,scientificName,decimalLatitude,decimalLongitude,eventDate,basisOfRecord,datasetName"
)
FISHES = ("Micropterus salmoides", "Esox lucius", "Perca flavescens")


def rows(sites: int = 30, *, warmouth: int = 6) -> list[str]:
    """Whole lists at invented sites around 36.9, -91.2; every site holds bluegill, some warmouth."""
    made = []
    for site in range(sites):
        lat, lon = 36.6 + 0.02 * site, -91.2 + 0.03 * (site % 7)
        names = [*FISHES, "Lepomis macrochirus", *(["Lepomis gulosus"] if site < warmouth else [])]
        made += [
            f"s{site}-{k},site-{site},{name},{lat:.4f},{lon:.4f},2015-06-{1 + site % 28:02d},HumanObservation,Invented"
            for k, name in enumerate(names)
        ]
    return made


def pool_of(
    folder: Path, lines: list[str], *, lat: float = 36.905, day: date = date(2026, 6, 1), **given: object
) -> Pool:
    path = folder / "records.csv"
    path.write_text("\n".join([HEAD, *lines]) + "\n")
    return poolbuilder.pool_at(lat, -91.205, records=path, as_of=day, **given)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Pool:
    return pool_of(tmp_path_factory.mktemp("before"), rows())


def causes_add_up(found: Comparison) -> None:
    total: dict[str, float] = {}
    for row in found.causes.to_pylist():
        total[row["scientificName"]] = total.get(row["scientificName"], 0.0) + (row["logOdds"] or 0.0)
    for row in found.changes.to_pylist():
        if row["logOddsChange"] is not None:
            assert total.get(row["scientificName"], 0.0) == pytest.approx(row["logOddsChange"], abs=1e-9)


def test_a_pool_and_itself_differ_in_nothing(before: Pool) -> None:
    found = compare(before, before)
    assert set(found.changes["change"].to_pylist()) == {"steady"}
    assert found.causes.num_rows == 0


def test_new_records_in_the_water_are_named_and_the_causes_add_up(before: Pool, tmp_path: Path) -> None:
    new = [
        f"n{k},n-{k},Lepomis gulosus,36.905,-91.205,2025-07-0{k + 1},HumanObservation,Invented museum"
        for k in range(3)
    ]
    found = compare(before, pool_of(tmp_path, rows() + new))
    causes_add_up(found)
    warmouth = [row for row in found.causes.to_pylist() if row["scientificName"] == "Lepomis gulosus"]
    told = next(row for row in warmouth if row["cause"] == "new")
    assert told["records"] == 3
    assert told["logOdds"] > 1
    assert "some in this water" in told["words"]
    assert "Invented museum" in told["words"]
    change = next(row for row in found.changes.to_pylist() if row["scientificName"] == "Lepomis gulosus")
    assert change["presenceAfter"] > change["presenceBefore"] + 0.1


def test_a_withdrawn_and_a_re_identified_record_are_told_apart(before: Pool, tmp_path: Path) -> None:
    kept = [line.replace("s0-4,site-0,Lepomis gulosus", "s0-4,site-0,Lepomis cyanellus") for line in rows()]
    kept = [line for line in kept if not line.startswith("s1-4,")]
    found = compare(before, pool_of(tmp_path, kept))
    causes_add_up(found)
    told = {(row["scientificName"], row["cause"]): row["words"] for row in found.causes.to_pylist()}
    lost = told["Lepomis gulosus", "withdrawn"]
    assert "1 record re-identified as Lepomis cyanellus" in lost
    assert "1 record no longer among the records" in lost
    assert "before Lepomis gulosus" in told["Lepomis cyanellus", "new"]


def test_changed_settings_are_the_cause_and_are_noted(before: Pool, tmp_path: Path) -> None:
    after = pool_of(tmp_path, rows(), settings={"priorNotStated": 0.3})
    found = compare(before, after)
    causes_add_up(found)
    assert any("priorNotStated" in note for note in found.notes)
    assert {"settings", "status"} >= set(found.causes["cause"].to_pylist())


def test_gained_and_lost_go_by_records_within_the_radius(before: Pool, tmp_path: Path) -> None:
    after = pool_of(tmp_path, rows(warmouth=0))
    assert compare(before, after).having("lost") == ["Lepomis gulosus"]
    assert compare(after, before).having("gained") == ["Lepomis gulosus"]


def test_pools_of_two_waters_are_refused(before: Pool, tmp_path: Path) -> None:
    with pytest.raises(PoolBuilderError, match="two waters"):
        compare(before, pool_of(tmp_path, rows(), lat=38.0))


def test_the_argument_of_each_pool_adds_up(before: Pool) -> None:
    for row in before:
        total = sum(step["logOdds"] for step in before.reasons(row["scientificName"]))
        assert total == pytest.approx(math.log(row["presence"] / (1 - row["presence"])), abs=1e-9)


def test_of_very_many_events_those_within_the_radius_and_the_nearest_are_listed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    records = resources.files("poolbuilder") / "demo_data" / "records.zip"

    def pool() -> Pool:
        return pool_at(36.9, -91.2, records=records, as_of="2026-06-01", radius_km=10)

    whole = pool()
    monkeypatch.setattr("poolbuilder.model.evidence.MOST_DRAWN", 20)
    cut = pool()
    assert cut.candidates.equals(whole.candidates)
    unlisted = cut.counts["unlisted"]
    assert unlisted
    assert "unlisted" not in whole.counts
    events, listed = (one.evidence.to_pylist() for one in (whole, cut))
    for name in tables.strings(whole.candidates["scientificName"]):
        mine = [row for row in events if row["scientificName"] == name]
        far = unlisted.get(name, {"beyondKm": math.inf, "events": 0})
        near = [row for row in mine if row["distanceKm"] <= far["beyondKm"] or row["inWaterShare"] > 0.01]
        assert [row for row in listed if row["scientificName"] == name] == near
        assert len(mine) - len(near) == far["events"]
        assert far["beyondKm"] >= 10
        assert len(near) >= min(len(mine), 20)
    assert compare(whole, cut).causes.num_rows == compare(cut, whole).causes.num_rows == 0
    text = render(cut)
    drawn = json.loads(re.findall(r'<script type="application/json" id="data">(.*?)</script>', text)[0])
    assert sum(drawn["totals"]) == whole.evidence.num_rows
    assert text.count("they are counted, but not listed one by one") == len(unlisted)
