"""The command line: what it prints, where, and how it ends."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path

import geopandas
import pyarrow.parquet as pq
import pytest

import poolbuilder
from poolbuilder import Settings, read_pool
from poolbuilder.cli import COMMANDS, cli, main
from tests.commands import command as run_command

ROOT = Path(__file__).parents[1]
DATA = Path(poolbuilder.__file__).parent / "demo_data"
HERE = ["--lat", "36.9", "--lon", "-91.2", "--as-of", "2026-06-01"]
RECORDS = ["--records", str(DATA / "records.zip")]

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command in an empty folder; give its exit code, stdout and stderr."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            main(list(arguments))
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), out, err

    return call


def test_build_prints_a_table_that_fits(run: Run) -> None:
    code, out, err = run("build", *HERE, "--name", "Kestrel Ford Lake", *RECORDS)
    assert (code, err) == (0, "")
    assert max(len(line) for line in out.splitlines()) <= 80
    answer = " ".join(out.split("Kestrel Ford Lake, 36.9000° N, 91.2000° W")[1].split())
    assert answer.startswith(
        ", within 40 km (25 mi), as of 1 June 2026 Could be parents here: longear sunfish (Lepomis"
    )
    assert "bluegill (Lepomis macrochirus)" in answer
    assert "Think first of the pair" in answer  # the answer stands last, above the prompt
    for phrase in ("read 2,", "rejected ", "bluegill (L. macrochirus)", "not move live fish"):
        assert phrase in " ".join(out.split()), phrase


def test_what_reading_a_table_has_to_say_is_said_once(run: Run, tmp_path: Path) -> None:
    table = tmp_path / "finds.csv"
    head = "occurrenceID,scientificName,decimalLatitude,decimalLongitude,eventDate"
    table.write_text(
        f"{head}\na,Lepomis cyanellus,36.9,-91.2,55/55/2017\nb,Lepomis gulosus,36.9,-91.2,2016\n"
    )
    code, out, err = run("-v", "build", *HERE, "--records", str(table))
    assert code == 0
    assert err.count("finds.csv: 1 of 2 dates could not be read") == 1
    assert "finds.csv: 1 of 2 dates could not be read" not in out


def test_six_notes_at_most_and_the_rest_on_request(run: Run) -> None:
    _, out, _ = run("demo")
    assert out.count("note: ") == 6
    assert "more notes" in out
    assert run("-v", "demo")[1].count("note: ") > 6


def test_a_build_says_where_its_time_went(run: Run) -> None:
    run("add", str(DATA / "records.zip"), "--store", "store")
    _, _, err = run("build", *HERE, "--store", "store", "--out", "lake", "--explain-time")
    (line,) = [line for line in err.splitlines() if line.startswith("time: ")]
    for stage in (
        "learning the region",
        "weighing",
        "making the tables",
        "writing the folder and its report",
    ):
        assert re.search(rf"{stage} \d+\.\d s", line), stage
    assert "time: " not in run("build", *HERE, "--store", "store")[2]


def test_miles_are_kilometres_too(run: Run) -> None:
    miles = run("build", *HERE, *RECORDS, "--radius-mi", "25", "--format", "json")[1]
    assert json.loads(miles)["site"]["radiusKm"] == pytest.approx(40.2336)
    assert run("build", *HERE, *RECORDS, "--radius-mi", "25", "--radius-km", "40")[0] == 2


def test_another_place_is_not_overwritten(run: Run, tmp_path: Path) -> None:
    assert run("build", *HERE, *RECORDS, "--out", "lake")[0] == 0
    code, _, err = run("build", *HERE, *RECORDS, "--out", "lake", "--radius-km", "30")
    assert (code, "replaced the pool of this place of 2026-06-01, 40 km" in err) == (0, True)
    elsewhere = ["--lat", "36.95", "--lon", "-91.2", "--as-of", "2026-06-01", *RECORDS, "--out", "lake"]
    code, _, err = run("build", *elsewhere)
    assert (code, err.count("\n")) == (1, 1)
    assert "lake: holds the pool of another place" in err
    assert json.loads((tmp_path / "lake/pool.json").read_text())["site"]["latitude"] == 36.9
    assert run("build", *elsewhere, "--replace")[0] == 0


def test_without_a_record_there_is_no_answer(run: Run) -> None:
    away = ["--lat", "-40", "--lon", "140", "--as-of", "2026-06-01", *RECORDS, "--out", "sea"]
    code, out, _ = run("build", *away)
    assert code == 3
    assert "No record lies within reach of this water" in " ".join(out.split())
    assert "×" not in out
    assert "(Lepomis " not in out  # no species is offered
    code, out, _ = run("crosses", "sea")
    assert (code, "×" in out) == (3, False)


def test_a_reader_that_leaves_early_is_told_nothing(tmp_path: Path) -> None:
    command = f"{sys.executable} -m poolbuilder settings | head -n 1"
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.stdout == "[settings]\n"
    assert done.stderr == ""


def test_read_is_kept_plus_rejected(run: Run) -> None:
    _, out, _ = run("build", *HERE, *RECORDS, "--format", "json")
    counts = json.loads(out)["counts"]
    assert counts["read"] == counts["kept"] + sum(counts["rejected"].values())


def test_csv_on_stdout_is_the_pool(run: Run) -> None:
    code, out, _ = run("build", *HERE, *RECORDS, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert code == 0
    assert len(rows) == 13
    assert sum(float(row["weight"]) for row in rows) == pytest.approx(1, abs=1e-3)  # four digits each


def test_the_same_from_store_and_from_file(run: Run) -> None:
    assert run("add", str(DATA / "records.zip"), "--store", "store")[0] == 0
    _, stored, _ = run("build", *HERE, "--store", "store", "--format", "csv")
    _, direct, _ = run("build", *HERE, *RECORDS, "--format", "csv")
    assert stored == direct


def test_build_writes_a_folder(run: Run, tmp_path: Path) -> None:
    code, _, err = run("build", *HERE, *RECORDS, "--out", "lake")
    assert code == 0
    assert "report.html" in err
    assert (tmp_path / "lake/datapackage.json").exists()


def test_build_keeps_the_water_type(run: Run, tmp_path: Path) -> None:
    code, _, _ = run("build", *HERE, *RECORDS, "--water-type", "pond", "--out", "lake")
    assert code == 0
    assert json.loads((tmp_path / "lake/pool.json").read_text())["site"]["waterType"] == "pond"
    assert read_pool(tmp_path / "lake").site.water_type == "pond"
    code, _, err = run("build", *HERE, *RECORDS, "--water-type", "swamp")
    assert (code, "'lake', 'pond', 'stream', 'river', 'canal', 'estuary'" in err) == (2, True)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--records", "none.csv"], "none.csv: "),
        (["--settings", "none.toml", *RECORDS], "none.toml: there is no such file"),
        (["--radius-km", "0", *RECORDS], "radius 0 km is out of range"),
        (["--radius-km", "2001", *RECORDS], "radius 2001 km is out of range"),
        (["--lat", "-91.2", "--lon", "36.9", *RECORDS], "look swapped"),
        (["--checklist", "none.csv", *RECORDS], "none.csv: cannot be read"),
        (["--checklist", "Cottidae", *RECORDS], "no record names a species of Cottidae"),
        (["--ranges", "none.gpkg", *RECORDS], "none.gpkg"),
        (["--water", "none.gpkg", *RECORDS], "none.gpkg"),
        (["--store", "empty"], "the store holds no records"),
    ],
)
def test_bad_input_is_one_line_and_exit_1(
    run: Run, tmp_path: Path, arguments: list[str], message: str
) -> None:
    code, out, err = run("build", *HERE, *arguments, "--out", "lake")
    assert (code, out) == (1, "")
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert message in err
    assert "Traceback" not in err
    assert not (tmp_path / "lake").exists()


def test_an_unknown_setting_names_the_nearest(run: Run, tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text("reachkm = 3\n")
    code, _, err = run("build", *HERE, *RECORDS, "--settings", "s.toml")
    assert code == 1
    assert "s.toml: unknown setting 'reachkm' (did you mean reachKm?)" in err


def test_an_empty_file_is_named(run: Run, tmp_path: Path) -> None:
    (tmp_path / "empty.csv").write_text("")
    code, _, err = run("build", *HERE, "--records", "empty.csv")
    assert code == 1
    assert "empty.csv" in err


def test_a_file_without_any_usable_row_still_gives_a_pool(run: Run, tmp_path: Path) -> None:
    """Nothing kept is no answer: that is said, and every rejected row is counted."""
    (tmp_path / "r.csv").write_text(
        "scientificName,decimalLatitude,decimalLongitude\nLepomis cyanellus,0,0\n"
    )
    code, out, _ = run("build", *HERE, "--records", "r.csv")
    assert code == 3
    assert "read 1 records, kept 0" in out
    assert "rejected 1" in out


@pytest.mark.parametrize(
    "arguments", [["build"], ["build", "--lat", "x"], ["nothing"], ["build", *HERE, "--map", "x"]]
)
def test_wrong_usage_is_exit_2(run: Run, arguments: list[str]) -> None:
    assert run(*arguments)[0] == 2


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_has_help_and_stands_in_readme(run: Run, name: str) -> None:
    code, out, _ = run(name, "--help")
    assert code == 0
    assert len(out.splitlines()[2].strip()) > 10, out
    assert f"poolbuilder {name}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_help_lists_every_command(run: Run) -> None:
    _, out, _ = run("--help")
    assert cli.help
    for name in COMMANDS:
        assert f"\n  {name}" in out


def test_settings_listing_reads_back(run: Run, tmp_path: Path) -> None:
    _, out, _ = run("settings")
    (tmp_path / "s.toml").write_text(out)
    assert Settings.from_toml(tmp_path / "s.toml") == Settings()


def test_demo(run: Run, tmp_path: Path) -> None:
    code, out, err = run("demo")
    assert code == 0
    assert "Kestrel Ford Lake (invented)" in out
    assert (tmp_path / "demo_pool/report.html").exists()
    assert "wrote" in err


def test_import_budget_of_build(tmp_path: Path) -> None:
    """A pool from a store loads neither pandas nor geopandas nor scipy nor numba."""
    program = f"""
import sys
from pathlib import Path
from poolbuilder.records.store import Store
from poolbuilder.cli import main
try:
    main({["build", *HERE, "--store", str(tmp_path / "store")]!r})
except SystemExit as ended:
    assert not ended.code, ended.code
heavy = {{"pandas", "geopandas", "scipy", "numba", "matplotlib", "pyarrow.compute", "pyarrow.dataset"}}
loaded = heavy & set(sys.modules)
sys.exit(f"loaded {{loaded}}" if loaded else 0)
"""
    assert not run_command("add", DATA / "records.zip", "--store", tmp_path / "store").returncode
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_what_no_one_foresaw_is_one_line_that_asks_for_a_report(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from poolbuilder.cli import record_store

    def broken(*_: object, **__: object) -> None:
        raise KeyError("a fault\nin two lines")

    monkeypatch.setattr(record_store, "rules", broken)
    code, out, err = run("rules")
    assert (code, out) == (70, "")
    assert len(err.splitlines()) == 1
    for words in (poolbuilder.__version__, "poolbuilder rules", "KeyError", "test_cli.py", "please report"):
        assert words in err
    _, _, spoken = run("-v", "rules")
    assert "Traceback" in spoken


@pytest.mark.parametrize(
    "arguments",
    [
        ["demo", "--out", "9" * 400],
        ["crosses", "9" * 400],
        ["build", *HERE, *RECORDS, "--catch", "folder"],
        ["build", *HERE, *RECORDS, "--ranges", "9" * 400],
        ["add", "folder", "--store", "s", "--settings", "9" * 400],
        ["fetch", "--lat", "1", "--lon", "1", "--taxon", "Lepomis", "--settings", "a\x00b"],
    ],
)
def test_what_the_system_says_of_a_path_is_one_line(run: Run, tmp_path: Path, arguments: list[str]) -> None:
    (tmp_path / "folder").mkdir()
    code, _, err = run(*arguments)
    assert (code, len([line for line in err.splitlines() if line.startswith("error: ")])) == (1, 1)
    assert "has a fault" not in err
    assert re.search(r"\((check|no file|name one|give|use)", err.splitlines()[-1])


BIDI = "\u202e\u2066\u200f\u061c"


def test_no_character_that_a_terminal_obeys_is_printed(run: Run, tmp_path: Path) -> None:
    name = f"Lepomis \x1b[31m\x07\x9b2Jodd{BIDI}"
    lines = ["scientificName,decimalLatitude,decimalLongitude,eventDate,datasetName"]
    lines += [f"{text},36.9,-91.2,2020-06-01,{name}" for text in ("Lepomis cyanellus", name)]
    (tmp_path / f"fish\x1b[31m{BIDI}.csv").write_text("\n".join(lines), encoding="utf-8")
    (tmp_path / "list.csv").write_text(
        f"scientificName,vernacularName,source\nLepomis cyanellus,{name},{name}\n", encoding="utf-8"
    )
    path = str(tmp_path / f"fish\x1b[31m{BIDI}.csv")
    told = ""
    for arguments in (
        ["build", *HERE, "--name", name, "--records", path, "--checklist", str(tmp_path / "list.csv")],
        ["build", *HERE, "--name", name, "--records", path, "--format", "csv"],
        ["build", *HERE, "--records", path + "x"],
        ["add", path, "--store", str(tmp_path / "store")],
        ["build", *HERE, "--checklist", str(tmp_path / "list.csv") + "\x1b[31m"],
        ["fetch", "--lat", "1", "--lon", "1", "--taxon", name, "--offline"],
        ["build", "--\x1b[31m"],
    ):
        _, out, err = run(*arguments)
        told += out + err
    assert len(told) > 1000
    assert not [c for c in told if unicodedata.category(c) in {"Cc", "Cf"} and c not in "\n\t\r"]


@pytest.mark.parametrize(
    ("column", "told"),
    [("informationWithheld", "Exact place held back"), ("dataGeneralizations", "rounded to 0.1 degree")],
)
def test_a_pool_says_that_a_source_made_coordinates_coarser(
    run: Run, tmp_path: Path, column: str, told: str
) -> None:
    rows = "\n".join(f"Lepomis cyanellus,36.9,-91.2,20{year}-06-01,{told}" for year in (10, 12))
    (tmp_path / "fish.csv").write_text(
        f"scientificName,decimalLatitude,decimalLongitude,eventDate,{column}\n{rows}\n"
        "Lepomis gulosus,36.9,-91.2,2014-06-01,\n",
        encoding="utf-8",
    )
    code, out, _ = run("build", *HERE, "--records", str(tmp_path / "fish.csv"), "--format", "json")
    assert (code, json.loads(out)["counts"]["generalised"]) == (0, 2)
    run("build", *HERE, "--records", str(tmp_path / "fish.csv"), "--out", str(tmp_path / "pool"))
    assert "2 records within reach were generalised" in (tmp_path / "pool" / "report.html").read_text("utf-8")


def test_names_with_line_breaks_split_no_row(run: Run, tmp_path: Path) -> None:
    name = "blue\ngill\r\nfish"
    (tmp_path / "list.csv").write_text(
        f'scientificName,vernacularName,source\nLepomis cyanellus,"{name}","a\nb"\n'
        "Lepomis gulosus,warmouth,a\n",
        encoding="utf-8",
    )
    (tmp_path / "fish.csv").write_text(
        "scientificName,decimalLatitude,decimalLongitude,eventDate,recordedBy,datasetName\n"
        f'Lepomis cyanellus,36.9,-91.2,2020-06-01,"A\nB","{name}"\n',
        encoding="utf-8",
    )
    files = ["--records", str(tmp_path / "fish.csv"), "--checklist", str(tmp_path / "list.csv")]
    _, out, _ = run("build", *HERE, "--name", name, *files, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out.lstrip("\ufeff"), newline="")))
    assert [row["scientificName"] for row in rows] == ["Lepomis cyanellus", "Lepomis gulosus"]
    _, table, _ = run("build", *HERE, "--name", name, *files, "--out", str(tmp_path / "pool"))
    lines = table.splitlines()
    assert not [line for line in lines if line.startswith(("gill", "fish"))]
    with (tmp_path / "pool" / "pool.csv").open(encoding="utf-8-sig", newline="") as stream:
        assert len(list(csv.reader(stream))) == 3


def test_no_output_is_finer_than_the_source_published(run: Run, tmp_path: Path) -> None:
    """A source that rounds to 0.1 degree (11 km) is nowhere given with more digits, nor as sure as a point."""
    (tmp_path / "fish.csv").write_text(
        "scientificName,decimalLatitude,decimalLongitude,eventDate,dataGeneralizations,informationWithheld\n"
        "Lepomis cyanellus,36.9,-91.2,2012-06-01,Coordinates rounded to 0.1 degree,\n"
        "Lepomis gulosus,36.8,-91.1,2013-06-01,,Exact place held back\n",
        encoding="utf-8",
    )
    run("build", *HERE, "--records", str(tmp_path / "fish.csv"), "--out", str(tmp_path / "pool"))
    evidence = pq.read_table(tmp_path / "pool" / "evidence.parquet").to_pylist()
    assert {(row["longitude"], row["latitude"]) for row in evidence} == {(-91.2, 36.9), (-91.1, 36.8)}
    assert min(row["coordinateUncertaintyInMeters"] for row in evidence) >= 11_000
    shapes = geopandas.read_file(tmp_path / "pool" / "pool.gpkg", layer="evidence").geometry
    assert {(shape.x, shape.y) for shape in shapes} == {(-91.2, 36.9), (-91.1, 36.8)}


@pytest.mark.parametrize("shape", ["csv", "table"])
def test_no_cell_starts_a_formula(run: Run, tmp_path: Path, shape: str) -> None:
    names = ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1"]
    rows = [f'"{text}",Lepomis cyanellus,"{text}",36.9,-91.2,2020-06-01' for text in names]
    heading = "occurrenceID,scientificName,datasetName,decimalLatitude,decimalLongitude,eventDate"
    (tmp_path / "fish.csv").write_text("\n".join([heading, *rows]), encoding="utf-8", newline="")
    (tmp_path / "list.csv").write_text(
        "scientificName,vernacularName,source\n" + '"Lepomis cyanellus","=1+1","@x"\n'
        '"Lepomis macrochirus","+2","=x"\n',
        encoding="utf-8",
    )
    arguments = ["build", *HERE, "--records", str(tmp_path / "fish.csv")]
    arguments += ["--checklist", str(tmp_path / "list.csv"), "--name", "=cmd"]
    _, out, _ = run(
        *arguments, *(["--format", "csv"] if shape == "csv" else ["--out", str(tmp_path / "pool")])
    )
    texts = [out] if shape == "csv" else [p.read_text("utf-8") for p in (tmp_path / "pool").glob("*.csv")]
    assert any(texts)
    for text in texts:
        for row in csv.reader(io.StringIO(text, newline="")):
            assert not [cell for cell in row if cell[:1] in set("=+@\t\r") or re.match("-[^0-9.]", cell)]


def test_the_words_that_options_take_are_those_of_the_code() -> None:
    from poolbuilder.cli.options import OPTIONS
    from poolbuilder.places.sites import WATER_TYPES
    from poolbuilder.records.service.client import DEFAULT_URL
    from poolbuilder.water.hydrography import HYDROGRAPHY_URL
    from poolbuilder.words.introduced_words import NEWS

    def taken(option: str) -> tuple[str, ...]:
        return tuple(OPTIONS[option]["takes"].split("|"))

    assert taken("--water-type") == WATER_TYPES
    assert taken("compare --fail-on") == ("new-introduced", "lost", "changed")
    assert taken("introduced --fail-on") == ("new", *NEWS)
    assert taken("refresh --fail-on") == (*taken("compare --fail-on"), *NEWS)
    assert [OPTIONS[f"--{of}-url"]["default"] for of in ("service", "water")] == [
        DEFAULT_URL,
        HYDROGRAPHY_URL,
    ]
