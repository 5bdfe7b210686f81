"""Names as people write them, through the command line: other languages, pairs, disagreement, a genus alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from poolbuilder import Pool, read_pool
from poolbuilder.cli import main
from poolbuilder.words import pool_words

Build = Callable[..., Pool]
HEADER = "occurrenceID,eventID,scientificName,vernacularName,decimalLatitude,decimalLongitude,coordinateUncertaintyInMeters,eventDate,geodeticDatum,basisOfRecord"


@pytest.fixture
def build(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Build:
    """The pool of records near 36.9° N, 91.2° W, each given by what differs from the others."""
    monkeypatch.chdir(tmp_path)

    def call(rows: Sequence[Mapping[str, Any]], *more: str) -> Pool:
        lines = [HEADER]
        for k, row in enumerate(rows):
            cells = {
                "occurrenceID": k, "eventID": f"e{k}", "decimalLatitude": 36.90012, "decimalLongitude": -91.20034,
                "coordinateUncertaintyInMeters": 30, "eventDate": "2020-05-01",
                "geodeticDatum": "WGS84", "basisOfRecord": "HumanObservation", **row,
            }  # fmt: skip
            lines.append(",".join(str(cells.get(name, "")) for name in HEADER.split(",")))
        Path("records.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        words = [
            "build",
            "--lat",
            "36.90012",
            "--lon",
            "-91.20034",
            "--records",
            "records.csv",
            "--out",
            "pool",
        ]
        with pytest.raises(SystemExit) as ended:
            main([*words, "--as-of", "2026-06-01", "--replace", *more])
        out, err = capsys.readouterr()
        assert not ended.value.code, out + err
        Path("shown.txt").write_text(out + err, encoding="utf-8")
        return read_pool(tmp_path / "pool")

    return call


def names_of(pool: Pool, column: str = "records") -> set[str]:
    return {row["scientificName"] for row in pool.candidates.to_pylist() if row[column]}


@pytest.mark.parametrize(
    ("language", "names"),
    [
        ("French", {"crapet-soleil": "gibbosus", "Crapet arlequin": "macrochirus", "crapet vert": "cyanellus"}),
        ("Spanish", {"mojarra verde": "cyanellus", "pez sol": "gibbosus", "mojarra oreja roja": "microlophus"}),
        ("German", {"Gemeiner Sonnenbarsch": "gibbosus", "Grüner Sonnenbarsch": "cyanellus", "Rotbrust-Sonnenbarsch": "auritus"}),
        ("Dutch", {"zonnebaars": "gibbosus", "groene zonnebaars": "cyanellus"}),
        ("Swedish", {"solabborre": "gibbosus", "grön solabborre": "cyanellus"}),
        ("Finnish", {"aurinkoahven": "gibbosus"}),
        ("Hungarian", {"naphal": "gibbosus"}),
    ],
)  # fmt: skip
def test_names_of_other_languages_are_read(build: Build, language: str, names: dict[str, str]) -> None:
    for column in ("vernacularName", "scientificName"):
        pool = build([{column: name} for name in names])
        assert names_of(pool) == {f"Lepomis {epithet}" for epithet in names.values()}, language


@pytest.mark.parametrize(
    "text", ["bluegill green sunfish", "hybrid between bluegill & green sunfish", "green sunfish x bluegill"]
)
def test_a_pair_is_read_with_and_without_a_sign(build: Build, text: str) -> None:
    pool = build([{"scientificName": text}, {"scientificName": "Lepomis gulosus"}])
    hybrid = {row["scientificName"] for row in pool.candidates.to_pylist() if row["hybridRecords"]}
    assert hybrid == {"Lepomis cyanellus", "Lepomis macrochirus"}


def test_a_vernacular_name_that_disagrees_is_said(build: Build) -> None:
    pool = build([{"scientificName": "Lepomis gulosus", "vernacularName": "bluegill"}])
    assert names_of(pool) == {"Lepomis gulosus"}
    (line,) = pool_words.mended_names(pool)
    assert line == (
        "scientific and vernacular names that disagree, the scientific one taken in doubt: "
        "Lepomis gulosus called bluegill as Lepomis gulosus (1)"
    )
    assert line in Path("shown.txt").read_text(encoding="utf-8").replace("\n    ", " ")
    assert "called bluegill" in Path("pool/report.html").read_text(encoding="utf-8")


SOUTHERN = (
    "Alburnus arborella", "Chondrostoma soetta", "Parachondrostoma toxostoma", "Phoxinus lumaireul",
    "Protochondrostoma genei", "Rutilus aula", "Rutilus pigus", "Rutilus rubilio", "Scardinius hesperidicus",
    "Squalius squalus", "Telestes muticellus",
)  # fmt: skip


def test_eleven_leuciscids_of_southern_europe_are_candidates(build: Build) -> None:
    place = {"decimalLatitude": 45.40012, "decimalLongitude": 9.00034}
    pool = build(
        [{"scientificName": name, **place} for name in SOUTHERN],
        "--checklist", "leuciscids", "--lat", "45.40012", "--lon", "9.00034",
    )  # fmt: skip
    assert names_of(pool) == set(SOUTHERN)


def test_a_record_of_the_genus_alone_is_said_and_lifts_all_its_species_together(build: Build) -> None:
    around = [
        {
            "eventID": f"list {k // 2}",
            "scientificName": name,
            "decimalLatitude": f"{36.50012 + (k // 2) * 0.013:.5f}",
        }
        for k, name in enumerate(["Perca flavescens", "Esox niger"] * 25)
    ]
    found = [{"scientificName": "Lepomis gulosus", "decimalLatitude": "36.53912", "eventID": "list 3"}]
    other = {"scientificName": "Micropterus salmoides", "eventID": "here"}
    before = build([*around, *found, other])
    genus = {"scientificName": "Lepomis sp.", "eventDate": "2021-05-01", "eventID": "one"}
    after = build([*around, *found, other, genus])
    was = {row["scientificName"]: row["presence"] for row in before.candidates.to_pylist()}
    now = {row["scientificName"]: row["presence"] for row in after.candidates.to_pylist()}
    assert all(now[name] > was[name] for name in was)
    any_before = 1 - math.prod(1 - p for p in was.values())
    assert any_before < 0.9
    # at least one of them lives there: the chance of each among the cases with any, a little less for years since
    for name, chance in was.items():
        assert chance < now[name] <= chance / any_before + 0.02
    assert any("1 record here names Lepomis only" in note for note in after.notes)
    steps = [row for row in after.contributions.to_pylist() if "names Lepomis only" in row["words"]]
    assert {row["scientificName"] for row in steps} == set(was)
    assert all(row["logOdds"] > 0 for row in steps)
    for name in was:  # the argument still adds up
        total = sum(
            row["logOdds"] for row in after.contributions.to_pylist() if row["scientificName"] == name
        )
        assert total == pytest.approx(math.log(now[name] / (1 - now[name])), abs=1e-6)
    # nothing more where the same event names a species
    same = build([*around, *found, {**genus, "scientificName": "Lepomis gulosus"}, genus])
    assert not any("names Lepomis only" in note for note in same.notes)
