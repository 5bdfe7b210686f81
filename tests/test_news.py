"""News of introduced species, season after season, with planted truth: only what happened is told."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyogrio
import pytest

from poolbuilder import Store
from poolbuilder.cli import main
from tests.rows import records
from tests.store_rows import added

GIBBOSUS, CYANELLUS = "Lepomis gibbosus", "Lepomis cyanellus"
QUICK = "reachKm = 10\nobscuredUncertaintyM = 2000\n"
CHECKED = {"identificationVerificationStatus": "verified", "associatedMedia": "https://example.org/fish.jpg"}


def fish(key: str, name: str = GIBBOSUS, date: str | None = "2024-06-01", **more: Any) -> dict[str, Any]:
    """A record beside the pier of Weir Pool."""
    return {
        "recordKey": key, "occurrenceID": f"urn:{key}", "scientificName": name, "eventDate": date,
        "decimalLongitude": 8.0, "decimalLatitude": 50.0, "geodeticDatum": "WGS84", "datasetKey": "club",
        "datasetName": "Anglers (invented)", "coordinateUncertaintyInMeters": 30.0, "license": "CC0-1.0",
        "recordedBy": "A. Netz", **more,
    }  # fmt: skip


@dataclass
class Desk:
    """A folder with one water, a list, and runs by name; every run has a store of its own."""

    folder: Path
    read: Callable[[], tuple[str, str]]

    def run(
        self, name: str, rows: list[dict[str, Any]], *arguments: str, day: str = "2025-10-31"
    ) -> tuple[int, str]:
        """Exit code and standard output of a run over these records."""
        store = self.folder / f"store_{name}"
        if not store.exists():
            added(Store(store), records(*rows))
        command = [
            "introduced", str(self.folder / "waters.csv"), "--store", str(store), "--as-of", day,
            "--settings", str(self.folder / "quick.toml"), "--checklist", str(self.folder / "list.csv"),
            "--out", str(self.folder / name), *arguments,
        ]  # fmt: skip
        with pytest.raises(SystemExit) as ended:
            main(command)
        out, _ = self.read()
        return int(ended.value.code or 0), out

    def next(self, rows: list[dict[str, Any]], *arguments: str, day: str = "2026-10-31") -> tuple[int, str]:
        """A quiet run after the first, that fails on any news."""
        kinds = "new-in-water,new-near,more-records,disputed"
        previous = ("--previous", str(self.folder / "first"), "--fail-on", kinds, "--quiet")
        return self.run("second", rows, *previous, *arguments, day=day)

    def document(self, name: str = "second") -> dict[str, Any]:
        """What a run wrote."""
        found: dict[str, Any] = json.loads((self.folder / name / "introduced.json").read_text("utf-8"))
        return found

    def species(self, name: str = "second", species: str = GIBBOSUS) -> dict[str, Any]:
        """One species at the water."""
        rows = self.document(name)["waters"][0]["introduced"]
        return next(row for row in rows if row["scientificName"] == species)

    def review(self, *rows: str) -> tuple[str, str]:
        """Options for a table of reviews."""
        path = self.folder / "reviewed.csv"
        path.write_text("\n".join(["record,scientificName,water,verdict,by,date,until", *rows]), "utf-8")
        return "--reviewed", str(path)


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    (tmp_path / "quick.toml").write_text(QUICK)
    (tmp_path / "waters.csv").write_text("name,latitude,longitude\nWeir Pool,50.0,8.0\n")
    (tmp_path / "list.csv").write_text(
        f"scientificName,establishmentMeans\n{GIBBOSUS},introduced\n{CYANELLUS},introduced\n"
    )
    return Desk(tmp_path, lambda: tuple(capsys.readouterr()))  # type: ignore[arg-type]


# ------------------------------------------------------------------ seasons

FAR = {"decimalLongitude": 8.2}
OLD = [fish("a")]
SEASONS: dict[str, tuple[list[dict[str, Any]], str, str]] = {
    "nothing": (OLD, "", ""),
    "added": ([*OLD, fish("b", date="2026-05-01")], "more-records: Weir Pool: Lepomis gibbosus", "further"),
    "another species": (
        [*OLD, fish("b", CYANELLUS, "2026-05-01")],
        "new-in-water: Weir Pool: Lepomis cyanellus",
        "",
    ),
    "near": (
        [*OLD, fish("b", CYANELLUS, "2026-05-01", **FAR)],
        "new-near: Weir Pool: Lepomis cyanellus",
        "",
    ),
    "redated": ([fish("a", date="1998-06-01")], "", "re-dated, such as 2024-06-01 to 1998-06-01"),
    "moved away": ([fish("a", **FAR)], "", "moved into or out of the water"),
    "withdrawn in part": ([fish("a")], "", "not here any more"),
}


@pytest.mark.parametrize("season", SEASONS)
def test_a_season_tells_what_happened_and_nothing_else(desk: Desk, season: str) -> None:
    rows, line, note = SEASONS[season]
    desk.run("first", [*OLD, fish("z")] if season == "withdrawn in part" else OLD)
    code, out = desk.next(rows)
    assert out.strip() == line
    assert code == (4 if line else 0)
    assert note in desk.species()["note"]


def test_a_record_that_moves_into_the_water_is_news_of_the_water(desk: Desk) -> None:
    desk.run("first", [fish("a", **FAR)])
    code, out = desk.next([fish("a")])
    assert (code, out.strip()) == (4, "new-in-water: Weir Pool: Lepomis gibbosus")
    assert "moved into or out of the water" in desk.species()["note"]


def test_reidentified_records_are_named_on_both_sides(desk: Desk) -> None:
    desk.run("first", [fish("a")])
    desk.next([fish("a", CYANELLUS)])
    assert (
        "1 record re-identified, Lepomis gibbosus in the last run" in desk.species(species=CYANELLUS)["note"]
    )
    gone = desk.document()["waters"][0]["gone"]
    assert "identified as Lepomis cyanellus now" in gone[0]["note"]


def test_withdrawn_records_are_gone_without_a_claim_of_absence(desk: Desk) -> None:
    desk.run("first", [fish("a"), fish("c", CYANELLUS)])
    assert desk.next([fish("c", CYANELLUS)]) == (0, "")
    gone = desk.document()["waters"][0]["gone"]
    assert [item["scientificName"] for item in gone] == [GIBBOSUS]
    assert "no sign that the species is gone" in gone[0]["note"]


# ------------------------------------------------------------------ false, then true

FALSE = fish("false", CYANELLUS, "2025-05-01", identificationQualifier="cf.")
TRUE = fish("true", CYANELLUS, "2026-06-01", **CHECKED)


@pytest.mark.parametrize(
    "review",
    ["false,,,false,B. Blick,2025-11-05,", f",{CYANELLUS},Weir Pool,false,B. Blick,2025-11-05,"],
    ids=["record", "species and water"],
)
def test_a_false_alarm_does_not_silence_the_true_one(desk: Desk, review: str) -> None:
    desk.run("first", [*OLD, FALSE])
    reviewed = desk.review(review)
    code, out = desk.next([*OLD, FALSE, TRUE], *reviewed)
    assert (code, out.strip()) == (4, "new-in-water: Weir Pool: Lepomis cyanellus")
    row = desk.species(species=CYANELLUS)
    assert [record["recordKey"] for record in row["deciding"]] == ["true"]
    assert row["grade"] == "sure"
    assert row["review"] == {"verdict": "false", "by": "B. Blick", "date": "2025-11-05"}


def test_even_unreviewed_the_true_record_is_news(desk: Desk) -> None:
    desk.run("first", [*OLD, FALSE])
    code, out = desk.next([*OLD, FALSE, TRUE])
    assert (code, out.strip()) == (4, "more-records: Weir Pool: Lepomis cyanellus")


def test_a_reviewed_alarm_is_silent_until_the_review_ends(desk: Desk) -> None:
    desk.run("first", OLD)
    reviewed = desk.review("urn:false,,,seen,B. Blick,2026-10-31,2026-11-30")
    assert desk.next([*OLD, FALSE], *reviewed) == (0, "")
    assert "reviewed as seen by B. Blick on 2026-10-31" in desk.species(species=CYANELLUS)["note"]
    code, out = desk.next([*OLD, FALSE], *reviewed, day="2026-12-01")
    assert (code, out.strip()) == (4, "new-in-water: Weir Pool: Lepomis cyanellus")


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("false,,,maybe,,2025-11-05,", "row 2: verdict 'maybe' is unknown (use one of false, true, seen)"),
        ("false,,,false,,last May,", "write days as 2026-06-30"),
        (",,Weir Pool,false,,2025-11-05,", "names neither a record nor a species and a water"),
    ],
)
def test_a_bad_review_is_told(desk: Desk, row: str, message: str, capsys: pytest.CaptureFixture[str]) -> None:
    desk.read = lambda: ("", "")
    assert desk.run("first", OLD, *desk.review(row))[0] == 1
    assert message in capsys.readouterr().err


# ------------------------------------------------------------------ twelve cases of noise

NOISE: dict[str, tuple[dict[str, Any], str, str]] = {
    "specimen": ({"basisOfRecord": "PreservedSpecimen"}, "sure", "specimen"),
    "photograph": ({"associatedMedia": "https://example.org/1.jpg"}, "sure", "media"),
    "survey": ({"samplingProtocol": "electrofishing", "eventID": "e1"}, "sure", "survey"),
    "bare": ({}, "likely", "noProof"),
    "obscured": ({"dataGeneralizations": "to 0.2 degrees"}, "toBeChecked", "obscured"),
    "thirty kilometres": ({"coordinateUncertaintyInMeters": 30_000.0}, "toBeChecked", "coarse"),
    "cf": ({"identificationQualifier": "cf."}, "toBeChecked", "qualified"),
    "unverified": ({"identificationVerificationStatus": "unverified"}, "toBeChecked", "unverified"),
    "environmental DNA": ({"samplingProtocol": "eDNA, 2 L filtered"}, "toBeChecked", "environmentalDna"),
    "undated": ({"eventDate": None}, "toBeChecked", "undated"),
    "old, newly published": ({"eventDate": "1987-07-01"}, "toBeChecked", "oldNewlyPublished"),
    "aquarium": ({"occurrenceRemarks": "from an aquarium shop"}, "toBeChecked", "keptFish"),
    "market": ({"locality": "fish market"}, "toBeChecked", "keptFish"),
}


@pytest.mark.parametrize("case", NOISE)
def test_an_alert_is_graded_by_its_record_with_a_reason(desk: Desk, case: str) -> None:
    changes, grade, reason = NOISE[case]
    desk.run("first", OLD)
    code, out = desk.next([*OLD, fish("b", CYANELLUS, **{"date": "2026-05-01"}) | changes])
    assert code == 4
    row = desk.species(species=CYANELLUS)
    assert (row["grade"], reason in row["gradeReasons"]) == (grade, True)
    # A place known to 30 km is not in this water, wherever its middle lies.
    assert out.startswith("new-near" if case == "thirty kilometres" else "new-in-water")


# ------------------------------------------------------------------ what can be checked


def test_every_alert_names_its_record_in_csv_json_and_map(desk: Desk) -> None:
    desk.run("first", OLD)
    own = {"references": "https://example.org/record/7", "occurrenceRemarks": "caught by a child", **CHECKED}
    desk.next([*OLD, fish("b", CYANELLUS, "2026-05-01", **own), fish("gbif:77", CYANELLUS, "2026-05-02")])
    with (desk.folder / "second" / "introduced.csv").open(encoding="utf-8-sig", newline="") as stream:
        row = next(csv.DictReader(stream))
    assert row["scientificName"] == CYANELLUS
    assert row["occurrenceID"] == "urn:b"
    assert row["link"] == "https://example.org/record/7"
    assert (row["recordedBy"], row["eventDate"], row["datasetName"]) == (
        "A. Netz", "2026-05-01", "Anglers (invented)",
    )  # fmt: skip
    assert (row["occurrenceRemarks"], row["license"], row["grade"]) == (
        "caught by a child",
        "CC0-1.0",
        "sure",
    )
    with (desk.folder / "second" / "records.csv").open(encoding="utf-8-sig", newline="") as stream:
        found = [item for item in csv.DictReader(stream) if item["species"] == CYANELLUS]
    assert [item["recordKey"] for item in found] == ["b", "gbif:77"]
    assert found[1]["link"].endswith("/occurrence/77")


def test_a_licence_that_forbids_commercial_use_is_said_in_quiet_seasons_too(desk: Desk) -> None:
    desk.run("first", [fish("a", license="CC-BY-NC-4.0")])
    desk.next([fish("a", license="CC-BY-NC-4.0")])
    notes = desk.document()["notes"]
    assert any("not for commercial use" in note and "Anglers (invented)" in note for note in notes)
    assert "not for commercial use" in (desk.folder / "second" / "introduced.html").read_text("utf-8")


# ------------------------------------------------------------------ digest, feed, cron


def test_the_digest_says_what_is_new_where_how_sure_and_which_record(desk: Desk) -> None:
    desk.run("first", OLD)
    desk.next([*OLD, fish("gbif:7", CYANELLUS, "2026-05-01", recordedBy="Dr <b>*Netz*</b>", **CHECKED)])
    page = (desk.folder / "second" / "digest.html").read_text("utf-8")
    for text in ("Weir Pool", CYANELLUS, "new in the water", "sure", "occurrence/7", "2026-05-01"):
        assert text in page
    assert "<b>" not in page
    markdown = (desk.folder / "second" / "digest.md").read_text("utf-8")
    assert "- **Weir Pool**: *Lepomis cyanellus*: new in the water; sure" in markdown
    assert "/occurrence/7" in markdown
    assert r"\*Netz\*" in markdown


def test_a_general_reader_reads_the_feed_and_news_keep_their_identity(desk: Desk) -> None:
    """Outside check: RFC 4287 as feedparser, a general reader of feeds, understands it."""
    feedparser = pytest.importorskip("feedparser")
    desk.run("first", OLD)
    desk.next([*OLD, fish("b", CYANELLUS, "2026-05-01", references="https://example.org/b?x=1&y=2")])
    later = [*OLD, fish("b", CYANELLUS, "2026-05-01"), fish("c", date="2026-11-01")]
    desk.run("third", later, "--previous", str(desk.folder / "second"), day="2026-11-30")
    one, two = (
        feedparser.parse((desk.folder / name / "feed.xml").read_bytes()) for name in ("second", "third")
    )
    assert (one.bozo, one.version, two.bozo) == (False, "atom10", False)
    assert [entry.title for entry in one.entries] == ["Weir Pool: Lepomis cyanellus: new in the water"]
    assert one.entries[0].link == "https://example.org/b?x=1&y=2"
    assert one.entries[0].updated == "2026-10-31T00:00:00Z"
    assert [entry.id for entry in two.entries][1:] == [one.entries[0].id]
    assert one.feed.id == two.feed.id
    assert one.feed.author == "poolbuilder"


def test_since_last_compares_with_the_run_that_it_replaces(desk: Desk) -> None:
    cron = ("--since-last", "--quiet", "--fail-on", "new,more-records")
    assert desk.run("weekly", OLD, *cron) == (0, "")
    assert desk.run("weekly", OLD, *cron, day="2025-11-07") == (0, "")
    added(Store(desk.folder / "store_weekly"), records(fish("b", CYANELLUS, "2025-11-01")))
    code, out = desk.run("weekly", [], *cron, day="2025-11-14")
    assert (code, out.strip()) == (4, "new-in-water: Weir Pool: Lepomis cyanellus")
    assert desk.run("weekly", [], *cron, day="2025-11-21") == (0, "")


def test_the_page_shows_under_what_is_new_which_record_says_so(desk: Desk) -> None:
    desk.run("first", OLD)
    own = {"occurrenceRemarks": "caught <i>by</i> a child", "references": "javascript:alert(1)", **CHECKED}
    desk.next([*OLD, fish("gbif:7", CYANELLUS, "2026-05-01", **own)])
    page = (desk.folder / "second" / "introduced.html").read_text("utf-8")
    assert "<b>sure</b>: there is a photograph or other media; the identification was verified" in page
    assert "caught &lt;i&gt;by&lt;/i&gt; a child" in page
    assert "± 30 m" in page
    assert "javascript:alert" not in page


# ------------------------------------------------------------------ further seasons

OTHER = {"datasetKey": "museum", "datasetName": "Museum (invented)"}


def test_a_data_set_that_is_gone_is_no_news_where_another_holds_the_species(desk: Desk) -> None:
    desk.run("first", [fish("a"), fish("b", **OTHER)])
    assert desk.next([fish("a")]) == (0, "")
    assert "1 record of the last run not here any more" in desk.species()["note"]
    assert [item["title"] for item in desk.document()["datasets"]] == ["Anglers (invented)"]


def test_a_name_that_is_split_is_told_on_both_sides(desk: Desk) -> None:
    desk.run("first", [fish("a"), fish("b")])
    code, out = desk.next([fish("a"), fish("b", CYANELLUS)])
    assert (code, out.strip()) == (4, "new-in-water: Weir Pool: Lepomis cyanellus")
    note = desk.species(species=CYANELLUS)["note"]
    assert "1 record re-identified, Lepomis gibbosus in the last run" in note
    assert "1 record of the last run not here any more" in desk.species()["note"]
    assert desk.document()["waters"][0]["gone"] == []


def test_polygons_that_say_otherwise_make_a_dispute_and_no_arrival(desk: Desk) -> None:
    box = [[7, 49], [9, 49], [9, 51], [7, 51], [7, 49]]
    native = {"scientificName": GIBBOSUS, "establishmentMeans": "native"}
    shape = {"type": "Feature", "properties": native, "geometry": {"type": "Polygon", "coordinates": [box]}}
    layer = desk.folder / "ranges.geojson"
    layer.write_text(json.dumps({"type": "FeatureCollection", "features": [shape]}))
    desk.run("first", OLD)
    code, out = desk.next(OLD, "--ranges", str(layer))
    assert (code, out.strip()) == (4, "disputed: Weir Pool: Lepomis gibbosus")
    (row,) = desk.document()["waters"][0]["unsettled"]
    assert (row["isNew"], row["disputed"]) == (False, True)
    assert "native" in row["conflict"]
    assert "introduced" in row["conflict"]


def test_other_settings_are_said_and_are_no_news(desk: Desk) -> None:
    desk.run("first", OLD)
    (desk.folder / "quick.toml").write_text(QUICK.replace("reachKm = 10", "reachKm = 12"))
    assert desk.next(OLD) == (0, "")
    assert "settings differ from the last run: reachKm" in desk.document()["notes"]


def test_a_lake_that_was_swapped_is_not_compared_and_the_old_one_is_named(desk: Desk) -> None:
    desk.run("first", OLD)
    (desk.folder / "waters.csv").write_text("name,latitude,longitude\nWeir Pool,50.0,8.3\n")
    assert desk.next(OLD) == (0, "")
    water = desk.document()["waters"][0]
    assert "was not in the last run at this place: what is new cannot be told" in water["notes"]
    assert "in the last run, not in this one any more: Weir Pool" in desk.document()["notes"]


def test_the_first_young_fish_of_a_known_species_are_said_with_the_count(desk: Desk) -> None:
    desk.run("first", OLD)
    young = fish("y", date="2026-07-01", occurrenceRemarks="three juveniles in the seine")
    code, out = desk.next([*OLD, young, fish("b", date="2026-05-01")])
    assert (code, out.strip()) == (4, "more-records: Weir Pool: Lepomis gibbosus")
    assert "2 further records, the first of young fish among them" in desk.species()["note"]
    digest = (desk.folder / "second" / "digest.md").read_text("utf-8")
    assert "further records of a species known there (2)" in digest
    later = [*OLD, young, fish("b", date="2026-05-01"), fish("z", date="2026-11-01", occurrenceRemarks="fry")]
    desk.run("third", later, "--previous", str(desk.folder / "second"), day="2026-11-30")
    assert "1 further record, of young fish too" in desk.species("third")["note"]


def test_a_licence_is_said_on_every_page_and_file_that_rests_on_it(desk: Desk) -> None:
    restricted = fish("b", CYANELLUS, "2026-05-01", license="http://creativecommons.org/licenses/by-nc/4.0/")
    desk.run("first", OLD)
    desk.next([*OLD, restricted])
    folder = desk.folder / "second"
    pages = ["introduced.html", "digest.html", "digest.md", "feed.xml", *(
        str(path.relative_to(folder)) for path in (folder / "waters").iterdir()
    )]  # fmt: skip
    for name in pages:
        assert "ot for commercial use" in (folder / name).read_text("utf-8"), name
    for name in ("introduced.csv", "expected.csv", "records.csv"):
        rows = list(csv.DictReader((folder / name).read_text("utf-8-sig").splitlines()))
        said = {row.get("scientificName") or row["species"]: row for row in rows}
        if CYANELLUS in said:
            row = said[CYANELLUS]
            assert "not for commercial use" in row.get("restriction", "") or "by-nc" in row["license"], name
            assert not (said.get(GIBBOSUS) or {}).get("restriction"), name


def test_a_record_near_two_waters_is_counted_and_drawn_once(desk: Desk) -> None:
    lakes = "name,latitude,longitude\nWeir Pool,50.0,8.0\nMill Pond,50.01,8.0\n"
    (desk.folder / "waters.csv").write_text(lakes)
    desk.run("first", [*OLD, fish("b", CYANELLUS, "2024-05-01")])
    document = desk.document("first")
    assert [len(water["introduced"]) for water in document["waters"]] == [2, 2]
    assert [(item["title"], item["records"]) for item in document["datasets"]] == [("Anglers (invented)", 2)]
    path = desk.folder / "first" / "introduced.gpkg"
    for layer in ("records", "deciding"):
        table = pyogrio.read_dataframe(path, layer=layer)
        assert len(table) == 2
        assert set(table["waters"]) == {"Weir Pool; Mill Pond"}
        assert set(table["datasetKey"]) == {"club"}
