"""What the user knows of a water, and today's catch."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import pytest

import poolbuilder
from demo.make_catches import workbook
from poolbuilder import PoolBuilderError
from poolbuilder.cli import main
from poolbuilder.records.statements import read_statements

DATA = Path(poolbuilder.__file__).parent / "demo_data"
TODAY = datetime.date(2026, 6, 1)
HERE = ["--lat", "36.9", "--lon", "-91.2", "--as-of", "2026-06-01", "--records", str(DATA / "records.zip")]


def build(capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(["build", *HERE, "--format", "json", *more])
    out, err = capsys.readouterr()
    return int(ended.value.code or 0), out, err


def written(folder: Path, text: str, name: str = "known.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_statements_are_read_with_their_source(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "Species;What;Date;Source;Lake\n"
        "bluegill;on the agency's list;2024;agency page;\n"
        "Lepomis microlophus;Stocked;2015-05;hatchery;Kestrel Ford Lake\n"
        "warmouth;not found;;;\n",
    )
    rows = read_statements([path], as_of=TODAY).to_pylist()
    assert [(row["scientificName"], row["what"], row["date"], row["source"]) for row in rows] == [
        ("bluegill", "listed", "2024", "agency page"),
        ("Lepomis microlophus", "stocked", "2015-05", "hatchery"),
        ("warmouth", "absent", None, "known.csv"),
    ]
    assert rows[1]["waterBody"] == "Kestrel Ford Lake"


@pytest.mark.parametrize(
    ("text", "phrase"),
    [
        ("scientificName,what\nbluegill,perhaps\n", "row 2: what 'perhaps' is unknown (use one of present"),
        ("scientificName,what\n,present\n", "row 2: names no species"),
        ("scientificName,what,date\nbluegill,present,soon\n", "row 2: date 'soon' cannot be read"),
        ("scientificName,what,date\nbluegill,present,2031\n", "row 2: date '2031' lies after 2026-06-01"),
        ("scientificName\nbluegill\n", "row 1: has no column what"),
        ("scientificName,what\n", "has a header but no rows"),
        ("", "is empty"),
        (
            'scientificName,what\n"bluegill,present\n"green sunfish,present\n',
            "quotation mark that is never closed",
        ),
        ("scientificName,what\nblue\0gill,present\n", "row 2: holds 'blue\\x00gill'"),
        ("scientificName,what,date\nbluegill,present," + "9" * 5000 + "\n", "row 2: date '9999"),
        ("scientificName,what,date\nbluegill,present,5/6/2017\n", "can be read month first or day first"),
    ],
)
def test_a_statement_that_says_nothing_clear_is_refused_by_its_row(
    tmp_path: Path, text: str, phrase: str
) -> None:
    with pytest.raises(PoolBuilderError, match=r"known\.csv") as refused:
        read_statements([written(tmp_path, text)], as_of=TODAY)
    assert phrase in str(refused.value)


def test_a_catch_is_one_more_sampling_event(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = written(tmp_path, "Species,Count,Gear\nbluegill,4,seine\ngreen sunfish,0,seine\n", "catch.csv")
    bare = json.loads(build(capsys)[1])
    code, out, _ = build(capsys, "--catch", str(path))
    with_catch = json.loads(out)
    assert code == 0
    assert with_catch["counts"]["read"] == bare["counts"]["read"] + 2
    assert with_catch["counts"]["rejected"]["absent"] == bare["counts"]["rejected"]["absent"] + 1
    used = [item for item in with_catch["inputs"] if item.get("use") == "catch"]
    assert [item["path"] for item in used] == ["catch.csv"]


@pytest.mark.parametrize("count", ["", "-1", "many", "nan", "1e999"])
def test_a_count_that_is_none_is_refused_by_its_row(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, count: str
) -> None:
    path = written(tmp_path, f"species,count\nbluegill,{count}\n", "catch.csv")
    code, out, err = build(capsys, "--catch", str(path))
    assert (code, out) == (1, "")
    assert "catch.csv, row 2: individualCount" in err


def test_known_is_listed_among_the_inputs_or_refused(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = written(tmp_path, "scientificName,what,source\nbluegill,stocked,agency\n")
    code, out, _ = build(capsys, "--known", str(path))
    assert code == 0
    assert [item["path"] for item in json.loads(out)["inputs"] if item.get("use") == "known"] == ["known.csv"]
    code, out, err = build(capsys, "--known", str(tmp_path / "none.csv"))
    assert (code, out) == (1, "")
    assert "none.csv: cannot be read" in err


def test_dates_of_statements_are_read_by_their_order(tmp_path: Path) -> None:
    path = written(tmp_path, "species,what,date\nbluegill,present,4/20/2017\nwarmouth,absent,5/6/2017\n")
    assert read_statements([path], as_of=TODAY)["date"].to_pylist() == ["2017-04-20", "2017-05-06"]


def test_a_catch_may_be_a_spreadsheet(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "catch.xlsx"
    path.write_bytes(
        workbook({"today": [["Evening"], ["Species", "Count"], ["bluegill", 4], ["warmouth", 0]]})
    )
    code, out, _ = build(capsys, "--catch", str(path))
    assert code == 0
    assert json.loads(out)["counts"]["read"] == json.loads(build(capsys)[1])["counts"]["read"] + 2


@pytest.mark.parametrize(
    "text",
    [
        "reachKm = 1" + "0" * 400,
        "reachKm = " + "9" * 5000,
        "a = " + "[" * 5000,
        "reachKm = 3\0",
        'reachKm = "x',
    ],
)
def test_settings_that_no_one_can_read_are_one_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str
) -> None:
    code, out, err = build(capsys, "--settings", str(written(tmp_path, text, "settings.toml")))
    assert (code, out) == (1, "")
    assert err.startswith("error: ")
    assert err.count("\n") == 1
