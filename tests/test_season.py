"""What is new against an earlier run or since a day, from small documents."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

import pytest

from poolbuilder import PoolBuilderError
from poolbuilder.introduced.season import Season, read_run


def water(*species: dict[str, Any], longitude: float = 8.0, radius_km: float = 40.0) -> dict[str, Any]:
    rows = [
        {
            "establishmentMeans": "introduced", "establishmentSource": "polygon", "inWater": False,
            "firstYear": 2026, "firstDate": "2026-05-01", "firstDateInWater": None, "undatedEvents": 0,
            "isNew": None, "newIn": None, "seenRecords": [], "disputed": False, "news": [], "conflict": "", "way": "", "front": None, "remark": "", "note": "",
            "vernacularName": None, **row,
        }
        for row in species
    ]  # fmt: skip
    return {
        "water": "Weir Pool", "longitude": longitude, "latitude": 50.0, "radiusKm": radius_km, "number": 1,
        "introduced": rows, "unsettled": [], "expected": [], "gone": [], "notes": [],
        "recorded": [{"scientificName": row["scientificName"], "inWater": row["inWater"]} for row in rows],
    }  # fmt: skip


def against(now: dict[str, Any], before: dict[str, Any] | None, since: str | None = None) -> dict[str, Any]:
    document = None if before is None else {"asOf": "2025-10-31", "waters": [before]}
    day = None if since is None else datetime.date.fromisoformat(since)
    Season(since=day, before=document).mark([now])
    return now


def test_new_near_and_new_in_the_water() -> None:
    now = against(
        water({"scientificName": "Aa a"}, {"scientificName": "Bb b", "inWater": True}),
        water({"scientificName": "Bb b"}),
    )
    first, second = now["introduced"]
    assert (first["isNew"], first["newIn"], first["note"]) == (
        True,
        "near",
        "new within 40 km since 2025-10-31",
    )
    assert (second["isNew"], second["newIn"]) == (True, "water")
    assert second["note"] == "new in this water since 2025-10-31; it was near before"


def test_what_is_gone_is_told_without_claiming_absence() -> None:
    now = against(water(), water({"scientificName": "Aa a"}))
    assert [item["scientificName"] for item in now["gone"]] == ["Aa a"]
    assert "no sign that the species is gone" in now["gone"][0]["note"]


def test_a_status_learnt_since_is_no_arrival() -> None:
    before = water({"scientificName": "Aa a"})
    before["introduced"] = []
    row = against(water({"scientificName": "Aa a"}), before)["introduced"][0]
    assert row["isNew"] is False
    assert "recorded here in the run of 2025-10-31 too, but not as introduced then" in row["note"]


def test_another_water_of_the_same_name_is_not_compared() -> None:
    now = against(water({"scientificName": "Aa a"}), water(longitude=8.5))
    assert now["introduced"][0]["isNew"] is None
    assert now["notes"] == ["was not in the last run at this place: what is new cannot be told"]


def test_another_radius_is_said() -> None:
    now = against(water({"scientificName": "Aa a"}), water(radius_km=20.0))
    assert "the radius was 20 km in the last run" in now["notes"][0]


@pytest.mark.parametrize(
    ("date", "undated", "new", "words"),
    [
        ("2026-05-01", 0, True, "first recorded 2026-05-01 within 40 km"),
        ("2026-04-30", 0, False, ""),
        ("2026", 0, False, "its first record is dated 2026 only: it may be new since 2026-05-01"),
        ("2027", 0, True, "first recorded 2027 within 40 km"),
        ("2026-05-01", 2, False, "its dated records begin 2026-05-01; others carry no date"),
        (None, 1, False, ""),
    ],
)
def test_since_a_day(date: str | None, undated: int, new: bool, words: str) -> None:
    row = {"scientificName": "Aa a", "firstDate": date, "undatedEvents": undated}
    found = against(water(row), None, since="2026-05-01")["introduced"][0]
    assert (found["isNew"], found["note"]) == (new, words)


def test_a_run_of_another_version_is_refused_or_said(tmp_path: Path) -> None:
    (tmp_path / "introduced.json").write_text(json.dumps({"schemaVersion": "0.1", "waters": []}))
    with pytest.raises(
        PoolBuilderError, match=r"has schemaVersion 0.1, this version reads 1.2 \(make the earlier"
    ):
        read_run(tmp_path)
    with pytest.raises(PoolBuilderError, match="leave --previous out on the first run"):
        read_run(tmp_path / "nothing")
    (tmp_path / "introduced.json").write_text("{")
    with pytest.raises(PoolBuilderError, match="is not JSON"):
        read_run(tmp_path)
    before = {"asOf": "2025-10-31", "poolbuilderVersion": "0.0.1", "checklist": "lepomis", "waters": []}
    notes = Season(before=before).notes(settings={"reachKm": 1.0}, version="9", checklist="fishes")
    assert [note.split(" ")[0] for note in notes] == ["the", "the", "settings"]
    assert "made by poolbuilder 0.0.1, this one by 9" in notes[0]
