"""Names as given: spellings of real life, hostile texts, years, and the table of records."""

from __future__ import annotations

import csv
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import poolbuilder.names.reader
from poolbuilder import Checklist, Settings, schemas, tables
from poolbuilder.errors import TableError
from poolbuilder.names.checklist import write_formula
from poolbuilder.names.reader import name_records, read_name
from tests import rows

LAWS = settings(deadline=None, derandomize=True, max_examples=200)
SUNFISHES = Checklist.load("lepomis")
LISTS = {name: Checklist.load(name) for name in ("lepomis", "leuciscids")}
PAIRS = list(combinations(SUNFISHES.species, 2))
ROLES = {"candidate", "hybrid", "group", "genus", "unknown", "none"}

with (Path(__file__).parent / "data" / "names" / "spellings.csv").open(
    encoding="utf-8", newline=""
) as stream:
    SPELLINGS = list(csv.DictReader(stream))


# -- spellings ---------------------------------------------------------------------------


def test_the_table_of_spellings_is_long() -> None:
    assert len({(row["given"], row["checklist"]) for row in SPELLINGS}) >= 80


@pytest.mark.parametrize("row", SPELLINGS, ids=[f"{row['given']} {row['year']}".strip() for row in SPELLINGS])
def test_spelling(row: dict[str, str]) -> None:
    year = int(row["year"]) if row["year"] else None
    reading = read_name(row["given"], LISTS[row["checklist"]], year=year)
    found = (reading.role, " | ".join(reading.accepted), reading.parent_order or "", reading.match)
    assert found == (row["role"], row["accepted"], row["parentOrder"], row["match"])
    assert reading.given == row["given"]


@pytest.mark.parametrize(
    "text",
    [
        "Lepomis cf. gulosus",
        "Lepomis gulosus?",
        "L. nr gulosus",
        "possible bluegill",
        "bluegill?",
        "bluegill hybrid?",
    ],
)
def test_doubt_lowers_the_quality(text: str) -> None:
    reading = read_name(text, SUNFISHES)
    assert reading.qualified
    assert reading.quality(Settings(quality_qualifier=0.25)) == 0.25


def test_a_mended_spelling_lowers_the_quality_and_is_said() -> None:
    reading = read_name("Lepomis cf. gibbosis", SUNFISHES)
    assert reading.misspelt
    assert reading.quality(Settings(quality_qualifier=0.5, quality_misspelt=0.5)) == 0.25
    assert "spelling mended to Lepomis gibbosus" in reading.note


def test_three_edits_are_too_many() -> None:
    assert read_name("Lepomis gulowus", SUNFISHES).accepted == ("Lepomis gulosus",)
    assert read_name("Lepomis gxxxsus", SUNFISHES).role == "unknown"
    assert read_name("Leponis gulocus", SUNFISHES).accepted == ("Lepomis gulosus",)
    assert read_name("Lepoxis gulxcus", SUNFISHES).role == "group"


def test_a_spelling_between_two_species_stays_both(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("scientificName\nGobius minutus\nGobius minatus\n")
    reading = read_name("Gobius minetus", Checklist.load(path))
    assert reading.accepted == ("Gobius minatus", "Gobius minutus")
    assert reading.match == "ambiguous"


def test_an_unknown_epithet_is_named() -> None:
    assert read_name("Lepomis obscurus", SUNFISHES).note == "epithet obscurus is not on the checklist"


def test_an_ambiguous_name_says_what_it_may_mean_and_why() -> None:
    reading = read_name("Lepomis megalotis", SUNFISHES, year=1960)
    assert reading.dated
    assert "may mean Lepomis megalotis or Lepomis peltastes" in reading.note
    assert "2013" in reading.note


def test_a_formula_is_written_in_full_and_in_order() -> None:
    assert read_name("L. gulosus x cyanellus", SUNFISHES).formula is not None
    assert read_name("warmouth x bluegill", SUNFISHES).formula == "Lepomis gulosus × Lepomis macrochirus"
    assert read_name("Lepomis gulosus hybrid", SUNFISHES).formula is None


def test_notes_on_what_is_not_known_of_a_cross() -> None:
    assert "no parent is named" in read_name("Lepomis hybrid", SUNFISHES).note
    assert "only one parent is known" in read_name("green sunfish hybrid", SUNFISHES).note
    assert "not on the checklist" in read_name("bluegill x rock bass", SUNFISHES).note


def test_the_second_parent_may_stand_in_the_qualifier() -> None:
    reading = read_name("Lepomis cyanellus", SUNFISHES, qualifier="x Lepomis macrochirus")
    assert reading.formula == "Lepomis cyanellus × Lepomis macrochirus"
    assert read_name("Lepomis cyanellus", SUNFISHES, qualifier="hybrid").role == "hybrid"


@pytest.mark.parametrize("qualifier", ["cf.", "cf. species", "aff. gulosus", "?"])
def test_a_qualifier_is_heeded(qualifier: str) -> None:
    assert read_name("Lepomis gulosus", SUNFISHES, qualifier=qualifier).qualified


def test_a_qualifier_that_says_nothing_changes_nothing() -> None:
    assert not read_name("Lepomis gulosus", SUNFISHES, qualifier="sensu lato").qualified


def test_the_rank_may_say_hybrid() -> None:
    assert read_name("Lepomis cyanellus", SUNFISHES, rank="hybrid").role == "hybrid"
    assert read_name("Lepomis cyanellus", SUNFISHES, rank="species").role == "candidate"


# -- hostile texts -----------------------------------------------------------------------

HOSTILE = [
    "",
    " ",
    "\x00",
    "\x00\x01Lepomis\x07",
    "x" * 10_000,
    "Lepomis " * 1_250,
    "× " * 5_000,
    "(" * 5_000,
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "Lepomis <b onmouseover='x'>gulosus</b>",
    "=HYPERLINK(1)",
    "Lepоmis gulоsus",
    "Λεπομις",
    "\u202eLepomis",
    "\ud800",
    "Lepomis\u200b gulosus",
    "🐟",
    "12345",
    "%s %d {0}",
    "'; drop table",
    "×",
    "x",
    "hybrid",
    "?",
]


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_a_hostile_text_neither_raises_nor_leaks(text: str) -> None:
    reading = read_name(text, SUNFISHES)
    assert reading.role in ROLES
    assert not set("<>=\x00\x07") & set(reading.note)
    assert len(reading.note) < 500


def test_letters_of_another_script_are_folded() -> None:
    assert read_name("Lepоmis gulоsus", SUNFISHES).accepted == ("Lepomis gulosus",)
    assert read_name("Lepomis\u200b gulosus", SUNFISHES).accepted == ("Lepomis gulosus",)
    assert read_name("Lepomis <b onmouseover='x'>gulosus</b>", SUNFISHES).accepted == ("Lepomis gulosus",)


def test_what_is_no_name_is_none() -> None:
    long = "Lepomis gulosus " + "(Cuvier and others) " * 20
    for text in (None, "", "\x00", "x" * 10_000, long, "12345", "🐟"):
        assert read_name(text, SUNFISHES).role == "none", text


@LAWS
@given(st.text())
def test_no_text_raises(text: str) -> None:
    reading = read_name(text, SUNFISHES)
    assert reading.role in ROLES
    assert set(reading.accepted) <= set(SUNFISHES.species)


PIECES = st.sampled_from(
    [
        "Lepomis",
        "L.",
        "cyanellus",
        "gulosus",
        "×",
        "x",
        "X",
        "*",
        "(",
        ")",
        "hybrid",
        "♀",
        "male",
        "cf.",
        "sp.",
        "SUNFISH",
        "GREEN",
        "bluegill",
        "/",
        "-",
        ",",
        "?",
        "Cross",
        "&",
        "1829",
        "[",
        "or",
        "F1",
        "\xa0",
        "<i>",
    ]
)


@LAWS
@given(st.lists(PIECES, max_size=9), st.sampled_from([" ", ""]), st.sampled_from([None, 1950, 2020]))
def test_no_heap_of_pieces_raises(pieces: list[str], joint: str, year: int | None) -> None:
    reading = read_name(joint.join(pieces), SUNFISHES, year=year, qualifier=pieces[0] if pieces else None)
    assert reading.role in ROLES
    assert list(reading.accepted) == sorted(set(reading.accepted))
    if reading.role in {"group", "genus", "unknown", "none"}:
        assert reading.accepted == ()
    if reading.role == "candidate":
        assert reading.accepted
    assert (reading.formula is not None) == (reading.role == "hybrid" and len(reading.accepted) > 1)
    assert reading.parent_order is None or len(reading.accepted) == 2


# -- pairs -------------------------------------------------------------------------------


@pytest.mark.parametrize("pair", PAIRS, ids=[write_formula(pair) for pair in PAIRS])
def test_a_written_formula_reads_back_as_its_pair(pair: tuple[str, str]) -> None:
    first, second = pair
    epithets = [name.split()[1] for name in pair]
    vernacular = [str(SUNFISHES.vernacular(name)) for name in pair]
    for text in (
        write_formula(pair),
        f"{second} x {first}",
        f"Lepomis {epithets[0]} × L. {epithets[1]}",
        f"Lepomis {epithets[0]}×{epithets[1]}",
        f"{first} X {epithets[1]}",
        f"{vernacular[0].upper()} X {vernacular[1].upper()}",
        f"{vernacular[1]} x {vernacular[0]} hybrid",
    ):
        for year in (None, 1950, 2020):
            reading = read_name(text, SUNFISHES, year=year)
            assert (reading.role, reading.accepted) == ("hybrid", pair), text
            assert reading.formula == write_formula(pair)
            assert reading.parent_order is None


@pytest.mark.parametrize("pair", PAIRS[:13], ids=[write_formula(pair) for pair in PAIRS[:13]])
def test_direction_survives_the_order_of_writing(pair: tuple[str, str]) -> None:
    first, second = pair
    assert read_name(f"♀ {first} × ♂ {second}", SUNFISHES).parent_order == "female,male"
    assert read_name(f"{second} ♂ x {first}", SUNFISHES).parent_order == "female,male"
    assert read_name(f"female {second} x male {first}", SUNFISHES).parent_order == "male,female"


@LAWS
@given(st.sampled_from(SUNFISHES.species), st.integers(0, 40), st.sampled_from("abcdefghiklmnoprstu"))
def test_one_slip_in_an_epithet_never_reads_as_another_species(name: str, at: int, letter: str) -> None:
    genus, epithet = name.split()
    at %= len(epithet)
    reading = read_name(f"{genus} {epithet[:at]}{letter}{epithet[at + 1 :]}", SUNFISHES, year=2020)
    assert reading.accepted == (name,)


# -- the table ---------------------------------------------------------------------------


def _named(*given: dict[str, object], **more: object) -> list[dict[str, object]]:
    table = name_records(rows.records(*given), SUNFISHES, settings=Settings(**more))  # type: ignore[arg-type]
    found: list[dict[str, object]] = table.to_pylist()
    return found


def test_records_keep_their_rows_and_order() -> None:
    table = rows.records(
        {"scientificName": "Perca flavescens"},
        {"scientificName": None, "vernacularName": "BLUEGILL"},
        {"scientificName": "Lepomis gulosus", "identificationQualifier": "cf."},
        {"scientificName": None},
        {"scientificName": "green sunfish x bluegill"},
    )
    named = name_records(table, SUNFISHES, settings=Settings())
    assert named.select(schemas.RECORDS.names).equals(table)
    assert tables.strings(named["role"]) == ["group", "candidate", "candidate", "none", "hybrid"]
    assert tables.numbers(named["nameQuality"]).tolist() == [1, 1, Settings().quality_qualifier, 1, 1]
    assert named["acceptedNames"].to_pylist()[4] == ["Lepomis cyanellus", "Lepomis macrochirus"]


def test_no_records_are_no_trouble() -> None:
    empty = rows.records({}).slice(0, 0)
    assert name_records(empty, SUNFISHES, settings=Settings()).num_rows == 0


def test_the_year_decides_row_by_row() -> None:
    found = _named(
        {"scientificName": "Lepomis megalotis", "year": 2015},
        {"scientificName": "Lepomis megalotis", "year": 2016},
        {"scientificName": "Lepomis megalotis", "eventDate": "1988-06/1988-07"},
        {"scientificName": "Lepomis megalotis", "eventDate": "2020-06-01"},
        {"scientificName": "Lepomis megalotis"},
        {"scientificName": "Lepomis megalotis", "year": 1999, "eventDate": "2020-06-01"},
    )
    assert [len(row["acceptedNames"]) for row in found] == [2, 1, 2, 1, 2, 2]  # type: ignore[arg-type]


def test_names_that_disagree_are_said() -> None:
    table = rows.records(
        {"scientificName": "Lepomis gulosus", "vernacularName": "bluegill"},
        {"scientificName": "Micropterus salmoides", "vernacularName": "Bluegill"},
        {"scientificName": "Lepomis gulosus", "vernacularName": "Warmouth"},
    )
    first, second, third = name_records(table, SUNFISHES, settings=Settings()).to_pylist()
    assert first["acceptedNames"] == ["Lepomis gulosus"]
    assert "bluegill means Lepomis macrochirus" in first["nameNote"]
    assert first["nameQuality"] < third["nameQuality"]
    assert (second["role"], third["nameNote"]) == ("group", None)
    assert "Lepomis macrochirus" in second["nameNote"]


def test_the_vernacular_name_helps_where_the_scientific_one_says_less() -> None:
    found = _named(
        {"scientificName": "Lepomis", "vernacularName": "Hybrid sunfish"},
        {"scientificName": "Lepomis", "vernacularName": "warmouth"},
        {"scientificName": "Lepomis gulosus", "vernacularName": "bluegill"},
        {"scientificName": "Perca flavescens", "vernacularName": "yellow perch"},
        {"scientificName": "Centrarchidae", "vernacularName": "bluegill"},
        {"scientificName": "  ", "vernacularName": "bluegill"},
    )
    assert [row["role"] for row in found] == ["hybrid", *["candidate"] * 2, "group", *["candidate"] * 2]
    assert [row["acceptedNames"] for row in found[1:3]] == [["Lepomis gulosus"]] * 2
    assert "vernacular" in str(found[1]["nameNote"])


@settings(LAWS, max_examples=40)
@given(st.lists(st.sampled_from(SPELLINGS), min_size=1, max_size=20), st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(given: list[dict[str, str]], chance: object) -> None:
    table = rows.records(*[{"scientificName": row["given"]} for row in given])
    order = np.array(chance.sample(range(len(given)), len(given)))  # type: ignore[attr-defined]
    one = tables.take(name_records(table, SUNFISHES, settings=Settings()), order)
    other = name_records(tables.take(table, order), SUNFISHES, settings=Settings())
    assert one.to_pylist() == other.to_pylist()


def test_each_distinct_name_is_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[object] = []
    true_reading = read_name
    monkeypatch.setattr(
        poolbuilder.names.reader,
        "read_name",
        lambda text, *rest, **more: seen.append(text) or true_reading(text, *rest, **more),
    )
    table = rows.records(
        *[{"scientificName": "Perca flavescens"}, {"scientificName": "Lepomis gulosus"}] * 500
    )
    name_records(table, SUNFISHES, settings=Settings())
    assert sorted(map(str, seen)) == ["Lepomis gulosus", "Perca flavescens"]


def test_another_table_is_refused() -> None:
    with pytest.raises(TableError):
        name_records(rows.named({}), SUNFISHES, settings=Settings())


def test_two_rows_of_one_name_may_change_by_year(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text(
        "scientificName,taxonomicStatus,acceptedNameUsage,validFrom,validTo\nGobius niger,,,,\nGobius ater,,,,\n"
        "Gobius fumosus,ambiguous,Gobius niger | Gobius ater,1950,1960\nGobius fumosus,synonym,Gobius niger,,\n"
    )
    found = Checklist.load(path)
    assert [len(read_name("Gobius fumosus", found, year=year).accepted) for year in (1949, 1950, 1960, 1961)] == [
        1, 2, 2, 1,
    ]  # fmt: skip


# -- what stands around an epithet ----------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "accepted"),
    [
        ("Lepomis [Chaenobryttus] gulosus auct.", ("Lepomis gulosus",)),
        ("Lepomis (Chaenobryttus) gulosus", ("Lepomis gulosus",)),
        ("Lepomis macrochirus subsp. purpurescens Cope", ("Lepomis macrochirus",)),
        ("Lepomis virus-1 [incertae] #7", ()),
    ],
)
def test_an_epithet_is_told_from_what_stands_around_it(text: str, accepted: tuple[str, ...]) -> None:
    assert read_name(text, SUNFISHES).accepted == accepted
