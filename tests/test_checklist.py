"""Checklists: what ships, what is refused, and lists made from records."""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path

import pytest

from poolbuilder import Checklist, PoolBuilderError
from poolbuilder.names.checklist import SHIPPED
from tests import rows

PACKAGE = Path(__file__).parents[1] / "poolbuilder" / "checklists"
LISTS = Path(__file__).parent / "data" / "names" / "lists"

DEFECTS = [
    ("accepted_elsewhere.csv", 2, "stands for another"),
    ("ambiguous_alone.csv", 3, "has 1 names"),
    ("author.csv", 2, "without author"),
    ("bad_year.csv", 2, "validTo '199' is not a year"),
    ("empty.csv", 1, "found nothing"),
    ("formula.csv", 2, "is not a name"),
    ("latin1.csv", None, "save it as UTF-8"),
    ("no_accepted.csv", None, "no accepted name"),
    ("no_header.csv", 1, "no column scientificName, found Lepomis auritus"),
    ("open_quote.csv", 2, "quote without its twin"),
    ("ragged.csv", 2, "3 cells, the header has 2"),
    ("stray_synonym.csv", 3, "Lepomis aureus, which is not an accepted name"),
    ("twice.csv", 1, "stands twice"),
    ("two_rows.csv", 4, "stands in row 2 already"),
    ("unknown_column.csv", 1, "'commonName'"),
    ("unknown_means.csv", 2, "'naturalised'"),
    ("unknown_status.csv", 2, "'valid'"),
    ("years_swapped.csv", 2, "swap the two years"),
]


@pytest.mark.parametrize(("file", "row", "words"), DEFECTS, ids=[item[0] for item in DEFECTS])
def test_a_defect_is_named_with_file_row_and_remedy(file: str, row: int | None, words: str) -> None:
    with pytest.raises(PoolBuilderError) as caught:
        Checklist.load(LISTS / file)
    message = str(caught.value)
    assert words in message
    assert file in message
    assert caught.value.row == row
    assert caught.value.remedy
    assert "\n" not in message


def test_every_defect_file_is_tried() -> None:
    assert {item[0] for item in DEFECTS} == {path.name for path in LISTS.glob("*.csv")}


def test_a_missing_file_names_the_lists_that_ship() -> None:
    with pytest.raises(PoolBuilderError, match="lepomis, leuciscids"):
        Checklist.load("no/such/list.csv")


@pytest.mark.parametrize("name", SHIPPED)
def test_every_row_that_ships_has_its_source(name: str) -> None:
    with (PACKAGE / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            assert row["source"], row["scientificName"]


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_list_carries_the_hash_of_its_file(name: str) -> None:
    found = Checklist.load(name)
    assert found.source["sha256"] == hashlib.sha256((PACKAGE / f"{name}.csv").read_bytes()).hexdigest()
    assert found.name == name


def test_thirteen_sunfishes_each_with_a_vernacular_name() -> None:
    sunfishes = Checklist.load("lepomis")
    assert len(sunfishes.species) == 13
    assert sunfishes.species == tuple(sorted(sunfishes.species))
    assert all(sunfishes.vernacular(name) for name in sunfishes.species)
    assert sunfishes.vernacular("Lepomis peltastes") == "northern sunfish"
    assert sunfishes.vernacular("Perca flavescens") is None
    assert sunfishes.genera == ("Lepomis",)
    assert sunfishes.establishment("Lepomis auritus") is None


def test_a_second_list_spans_genera() -> None:
    leuciscids = Checklist.load("leuciscids")
    wanted = {"Rutilus rutilus", "Abramis brama", "Scardinius erythrophthalmus", "Alburnus alburnus"}
    wanted |= {"Blicca bjoerkna", "Squalius cephalus"}
    assert wanted <= set(leuciscids.species)
    assert len(leuciscids.genera) > 5


def test_a_list_may_hold_names_alone(tmp_path: Path) -> None:
    path = tmp_path / "gobies.csv"
    path.write_text("scientificName\nGobius niger\n\nGobius paganellus\n", encoding="utf-8-sig")
    found = Checklist.load(path)
    assert found.species == ("Gobius niger", "Gobius paganellus")
    assert found.name == "gobies"


def test_establishment_comes_from_the_list(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("scientificName,establishmentMeans\nGobius niger,introduced\n", encoding="utf-8")
    assert Checklist.load(path).establishment("Gobius niger") == "introduced"


def test_one_vernacular_name_of_two_species_stays_both(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("scientificName,vernacularName\nGobius niger,goby\nGobius cobitis,goby\n")
    assert len(Checklist.load(path).by_vernacular["goby"]) == 2


def test_species_of_a_genus_come_from_the_records() -> None:
    table = rows.records(
        *[{"scientificName": "Gobius niger Linnaeus, 1758", "vernacularName": "black goby"}] * 3,
        {"scientificName": "Gobius niger", "vernacularName": "goby"},
        {"scientificName": "Gobius cobitis"},
        {"scientificName": "Gobius sp."},
        {"scientificName": "Gobius hybrid"},
        {"scientificName": "Gobius niger × Gobius cobitis"},
        {"scientificName": "Perca fluviatilis"},
        {"scientificName": None},
    )
    found = Checklist.from_records("gobius", table)
    assert found.species == ("Gobius cobitis", "Gobius niger")
    assert found.vernacular("Gobius niger") == "black goby"
    assert found.source["path"] == "species of Gobius in the records"


def test_a_rare_misspelling_in_the_records_is_no_species() -> None:
    table = rows.records(*[{"scientificName": "Gobius niger"}] * 10, {"scientificName": "Gobius nigre"})
    assert Checklist.from_records("Gobius", table).species == ("Gobius niger",)
    fewer = table.slice(5)
    assert Checklist.from_records("Gobius", fewer).species == ("Gobius niger", "Gobius nigre")


def test_records_without_the_genus_are_an_error() -> None:
    with pytest.raises(PoolBuilderError, match="no record names a species of Gobius"):
        Checklist.from_records("Gobius", rows.records({"scientificName": "Perca fluviatilis"}))


def test_years_are_where_senses_change() -> None:
    assert Checklist.load("lepomis").years == (1993, 2016)
