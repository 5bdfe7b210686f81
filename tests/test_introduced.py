"""Introduced species near many waters: ways, fronts, what is new, and what staff get."""

from __future__ import annotations

import csv
import datetime
import importlib.util
import json
import re
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyogrio
import pytest

import poolbuilder
from poolbuilder import Job, PoolBuilderError, Settings, Site, Store, schemas, tables
from poolbuilder.cli import main
from poolbuilder.files import csv_text
from poolbuilder.introduced import Run, Season, checklist_of_group, find_introduced
from poolbuilder.introduced.report import introduced_table, render, run_lines, water_pages, write_run
from poolbuilder.introduced.season import read_run
from poolbuilder.places.sites import read_waters
from poolbuilder.words.introduced_words import CAUTIONS, NO_STATUS
from tests.rows import make, records
from tests.store_rows import added

ROOT = Path(__file__).parents[1]
DEMO = Path(poolbuilder.__file__).parent / "demo_data" / "lake_district"
REGIONS = (str(DEMO / "status.csv"), str(DEMO / "regions.geojson"))
AUTUMN, NEXT_AUTUMN = datetime.date(2025, 10, 31), datetime.date(2026, 10, 31)
# Near is what counts here: nothing beyond is weighed, and no community is learnt, which takes its time.
QUICK = Settings(reach_km=10, obscured_uncertainty_m=2000, community_min_sites=10_000)
FILES = (
    "introduced.csv", "unsettled.csv", "expected.csv", "records.csv", "introduced.gpkg", "introduced.html",
    "waters", "digest.html", "digest.md", "feed.xml", "introduced.json",
)  # fmt: skip
COLUMNS = schemas.INTRODUCED.names


def script() -> Any:
    """The script that draws the lake district."""
    spec = importlib.util.spec_from_file_location("lake_district", ROOT / "demo" / "make_lake_district.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def drawing() -> Any:
    return script()


def job(store: Path, day: datetime.date, **more: Any) -> Job:
    return Job(
        site=Site(longitude=0, latitude=0),
        as_of=day,
        checklist=str(DEMO / "fishes.csv"),
        store=store,
        settings=QUICK,
        **{"water": str(DEMO / "outlines.geojson"), "region_lists": (REGIONS,), **more},
    )


@pytest.fixture(scope="module")
def seasons(tmp_path_factory: pytest.TempPathFactory, drawing: Any) -> tuple[Run, Run, Path]:
    """Both seasons at every water with news, and at every seventh of the others; folder of the first run."""
    news = {water for water, _, _ in drawing.arrivals()}
    sites = [
        site
        for number, site in enumerate(read_waters(DEMO / "waters.csv"))
        if site.name in news or number % 7 == 0
    ]
    folder = tmp_path_factory.mktemp("lakes")
    store = Store(folder / "store")
    store.add([DEMO / "season_2025.zip"], settings=QUICK)
    first = find_introduced(sites, job(store.path, AUTUMN))
    write_run(first, folder / "first")
    store.add([DEMO / "season_2026.zip"], settings=QUICK)
    second = find_introduced(
        sites,
        job(store.path, NEXT_AUTUMN),
        season=Season(before=read_run(folder / "first")),
    )
    return first, second, folder


def row_of(run: Run, water: str, species: str, kind: str = "introduced") -> dict[str, Any]:
    found = [
        row
        for item in run.waters
        for row in item[kind]
        if item["water"] == water and row["scientificName"] == species
    ]
    assert len(found) == 1, (water, species, kind)
    return found[0]


# Two seasons


def test_the_demo_files_are_what_the_script_writes(drawing: Any) -> None:
    for name, content in drawing.files().items():
        assert (DEMO / name).read_bytes() == content, name


def test_two_runs_a_season_apart_show_exactly_the_planted_arrivals(
    seasons: tuple[Run, Run, Path], drawing: Any
) -> None:
    found = {(water["water"], row["scientificName"], row["newIn"]) for water, row in seasons[1].new()}
    assert found == drawing.arrivals()
    assert len(drawing.PLANTED) == 6
    assert len([item for item in found if item[2] == "water"]) == 6


def test_the_first_run_has_nothing_to_compare_with(seasons: tuple[Run, Run, Path]) -> None:
    first = seasons[0]
    assert {row["isNew"] for water in first.waters for row in water["introduced"]} == {None}
    assert not first.new()
    assert "what is new is unknown" in "\n".join(run_lines(first))


def test_old_and_vernacular_names_are_one_species(seasons: tuple[Run, Run, Path], drawing: Any) -> None:
    by_place = {(lake.column, lake.row): lake.name for lake in drawing.lakes()}
    for column, line, species, label, _ in drawing.PLANTED:
        assert row_of(seasons[1], by_place[column, line], species)["inWater"], label
    names = {row["scientificName"] for water in seasons[1].waters for row in water["introduced"]}
    assert names == set(drawing.SETTLED) - {"Carassius gibelio"}


def test_a_lot_published_late_is_new_and_says_so(seasons: tuple[Run, Run, Path]) -> None:
    row = row_of(seasons[1], "Fahlbruch", "Pseudorasbora parva")
    assert (row["isNew"], row["firstYear"]) == (True, 1987)
    assert row["note"].startswith(
        "new in this water since 2025-10-31, though its first record is of 1987: published or corrected since"
    )


def test_a_native_transplant_is_introduced_in_the_next_basin(
    seasons: tuple[Run, Run, Path], drawing: Any
) -> None:
    row = row_of(seasons[1], "Ilkenlanke", "Leuciscus aspius")
    assert (row["establishmentMeans"], row["establishmentSource"]) == ("introduced", "region")
    assert (
        row["conflict"] == "the checklist of Dreve says introduced, but the checklist of Dreiland says native"
    )
    assert (row["degreeOfEstablishment"], row["pathway"]) == ("released", "fisheryInTheWild")
    ostra = {lake.name for lake in drawing.lakes() if lake.basin == "Ostra"}
    assert not any(
        row["scientificName"] == "Leuciscus aspius"
        for water in seasons[1].waters
        if water["water"] in ostra
        for row in water["introduced"]
    )


def test_what_nobody_says_is_listed_apart(seasons: tuple[Run, Run, Path]) -> None:
    rows = [row for water in seasons[1].waters for row in water["unsettled"]]
    carps = [row for row in rows if row["scientificName"] == "Carassius gibelio"]
    assert len(carps) >= 10
    assert {(row["establishmentMeans"], row["establishmentSource"]) for row in carps} == {
        ("uncertain", "unknown")
    }
    assert "no source says whether it is native here" in carps[0]["note"]


def test_a_record_that_says_native_is_heard_against_the_checklist(
    seasons: tuple[Run, Run, Path], drawing: Any
) -> None:
    by_place = {(lake.column, lake.row): lake.name for lake in drawing.lakes()}
    near = [
        row
        for water in seasons[1].waters
        for row in water["introduced"]
        if row["scientificName"] == "Lepomis gibbosus" and "record" in row["conflict"]
    ]
    assert near
    assert all("the checklist of Dreiland says introduced, but" in row["conflict"] for row in near)
    assert by_place[8, 12]


def test_expected_arrivals_are_not_in_the_water_and_carry_reasons(seasons: tuple[Run, Run, Path]) -> None:
    lists = [(water, item) for water in seasons[1].waters for item in water["expected"]]
    assert lists
    for water, item in lists:
        inside = {row["scientificName"] for row in water["recorded"] if row["inWater"]}
        assert item["scientificName"] not in inside
        assert item["reasons"]
    for water in seasons[1].waters:
        assert [item["rank"] for item in water["expected"]] == list(range(1, len(water["expected"]) + 1))


def test_terminal_page_and_the_water_s_own_page_count_the_same_arrivals(
    seasons: tuple[Run, Run, Path],
) -> None:
    run = seasons[1]
    told: dict[str, tuple[str, ...]] = {}

    def fitted(heads: Any, rows: Any, right: Any) -> list[str]:
        told.update({row[0]: row for row in rows})
        return []

    run_lines(run, fitted)
    overview, own = render(run), "".join(water_pages(run).values())
    checked = 0
    for water in run.waters:
        card = own.split(f'id="water-{water["number"]}"')[1].split("</article>")[0]
        listed = re.search(r'Arrivals to expect.*?<ul class="i-expect">(.*?)</ul>', card, re.DOTALL)
        count = listed[1].count("<li>") if listed else 0
        lines = (part.split("</tr>")[0] for part in overview.split('<tr class="i-line')[1:])
        (line,) = (part for part in lines if f'#water-{water["number"]}"' in part)
        cell = re.search(r'data-label="to expect">(\d*)<', line)
        assert cell is not None
        assert int(cell[1] or 0) == count
        if water["water"] in told:
            assert int(told[water["water"]][3]) == count
            checked += count > 0
    assert checked


# Files


def test_the_csv_has_the_columns_and_opens_in_a_spreadsheet(
    seasons: tuple[Run, Run, Path], tmp_path: Path
) -> None:
    folder = write_run(seasons[1], tmp_path / "out")
    assert {path.name for path in folder.iterdir()} == set(FILES)
    raw = (folder / "introduced.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader((folder / "introduced.csv").read_text(encoding="utf-8-sig").splitlines()))
    assert list(rows[0]) == COLUMNS
    new = [row["isNew"] for row in rows]
    assert new == ["true"] * 40 + ["false"] * (len(rows) - 40)
    assert not any(row["establishmentSource"] == "unknown" for row in rows)
    apart = list(csv.DictReader((folder / "unsettled.csv").read_text(encoding="utf-8-sig").splitlines()))
    assert {row["establishmentSource"] for row in apart} >= {"unknown"}


def test_no_cell_is_taken_for_a_formula() -> None:
    text = csv_text(pa.table({"water": ['=cmd|"/c calc"!A1'], "presence": [-0.5]}))
    assert text.splitlines()[1] == '"\'=cmd|""/c calc""!A1",-0.5'
    listed = csv_text(pa.table({"names": [["=1+1", "x"], ["x", "=1+1"]]}))
    assert listed.splitlines()[1:] == ["'=1+1; x", "x; =1+1"]


def test_the_geopackage_holds_waters_and_records(seasons: tuple[Run, Run, Path], tmp_path: Path) -> None:
    path = write_run(seasons[1], tmp_path / "out") / "introduced.gpkg"
    assert [name for name, _ in pyogrio.list_layers(path)] == ["waters", "records", "deciding"]
    waters = pyogrio.read_dataframe(path, layer="waters")
    assert waters["new"].sum() == 40
    found = pyogrio.read_dataframe(path, layer="records")
    assert set(found.loc[found["isNew"] == 1, "scientificName"]) == {
        row["scientificName"] for _, row in seasons[1].new()
    }
    assert waters.crs.to_epsg() == 4326


def test_the_same_run_gives_the_same_bytes(seasons: tuple[Run, Run, Path], tmp_path: Path) -> None:
    one, two = (write_run(seasons[1], tmp_path / name) for name in ("one", "two"))
    names = [path.relative_to(one) for path in sorted(one.rglob("*.*"))]
    assert {str(name.parts[0]) for name in names} == set(FILES)
    for name in names:
        assert (one / name).read_bytes() == (two / name).read_bytes(), name


def test_a_failed_write_leaves_the_old_run_whole(
    seasons: tuple[Run, Run, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write_run(seasons[0], tmp_path / "out")
    before = {path: path.read_bytes() for path in folder.rglob("*.*")}

    def full(run: Run) -> str:
        raise OSError(28, "no space left")

    monkeypatch.setattr("poolbuilder.introduced.report.render", full)
    with pytest.raises(PoolBuilderError, match="no space left"):
        write_run(seasons[1], folder)
    assert {path: path.read_bytes() for path in folder.rglob("*.*")} == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_another_folder_is_left_alone(seasons: tuple[Run, Run, Path], tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("mine")
    with pytest.raises(PoolBuilderError, match="holds something that poolbuilder did not write"):
        write_run(seasons[1], tmp_path)


# The page


def test_the_page_shows_the_new_first(seasons: tuple[Run, Run, Path]) -> None:
    page = render(seasons[1])
    assert "<h1>New in 6 waters, and near 34 more</h1>" in page
    six = {"Nolmteich", "Ilkenlanke", "Dormkolk", "Fahlbruch", "Elggrund", "Fahlhaken"}
    lines = re.findall(r'<th scope="row"><a href="(.*?)">(.*?)</a>', page)
    assert {name for _, name in lines[:6]} == six
    for caution in CAUTIONS:
        assert page.count(caution) == 1
    assert page == render(seasons[1])
    details = water_pages(seasons[1])
    first = re.findall(r'<h2 id="name-\d+">(.*?)</h2>', next(iter(details.values())))
    assert set(first[:6]) == six
    for text in details.values():
        assert text.count('class="i-map"') == text.count('class="i-card')
    for target, name in lines:
        file, _, mark = target.partition("#")
        card = details[file].partition(f'id="{mark}"')[2]
        assert re.search(r'<h2 id="name-\d+">(.*?)</h2>', card)[1] == name  # type: ignore[index]


def test_the_page_runs_nothing_but_its_own_script_and_asks_for_nothing(
    seasons: tuple[Run, Run, Path],
) -> None:
    pages = [render(seasons[1]), *water_pages(seasons[1]).values()]
    for page in pages[1:]:
        assert "script-src &#39;none&#39;" in page
        assert not re.search(r'(?:src|href)="(?!#|\.\./introduced\.html)', page)
    page = pages[0]
    policy = re.search(r'Content-Security-Policy" content="(.*?)"', page)
    assert policy is not None
    assert policy[1].startswith("default-src &#39;none&#39;; script-src &#39;sha256-")
    assert "unsafe" not in policy[1]
    assert "http-equiv" in page
    assert not re.search(r'(?:src|href)="(?!#|waters/\d{3}\.html#)', page)
    assert not re.search(r' style="| on[a-z]+="', page)


HOSTILE = "<script>alert(1)</script>\"&'>"


def hostile(run: Run) -> Run:
    """A run every text of which is hostile."""
    document = json.loads(json.dumps(run.document))
    assessments = []
    for item, own in zip(document["waters"], run.assessments, strict=True):
        item["water"] = HOSTILE + item["water"]
        item["notes"], item["county"], item["locationID"] = [HOSTILE], HOSTILE, HOSTILE
        for row in (*item["introduced"], *item["unsettled"]):
            row["vernacularName"], row["pathway"], row["note"], row["conflict"] = [HOSTILE] * 4
        assessments.append(replace(own, document=item))
    document["notes"], document["layerNotes"], document["checklist"] = [HOSTILE], [HOSTILE], HOSTILE
    document["inputs"] = [{"path": HOSTILE, "kind": HOSTILE, "sha256": HOSTILE}]
    document["datasets"] = [{"title": HOSTILE, "license": HOSTILE}]
    return replace(run, document=document, assessments=tuple(assessments))


def test_every_text_is_escaped(seasons: tuple[Run, Run, Path]) -> None:
    run = hostile(seasons[1])
    for number, page in enumerate([render(run), *water_pages(run).values()]):
        assert "<script>alert" not in page
        assert page.count("<script") == (not number)
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


# Bad input and odd places


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A store of three sunfishes without any status."""
    rows = [
        {
            "occurrenceID": f"x{number}", "scientificName": name, "decimalLongitude": 8.0 + 0.01 * number,
            "decimalLatitude": 50.0, "eventDate": f"20{10 + number}-06-01", "geodeticDatum": "WGS84",
            "coordinateUncertaintyInMeters": 30.0, "recordKey": f"x{number}",
        }
        for number, name in enumerate(("Lepomis gibbosus", "Lepomis cyanellus", "Lepomis gibbosus"))
    ]  # fmt: skip
    added(Store(tmp_path / "store"), records(*rows))
    return tmp_path / "store"


HERE = Site(longitude=8.0, latitude=50.0, name="Weir Pool")
SEA = Site(longitude=5.5, latitude=54.0, name="Point Nowhere")


def plain(store: Path, **more: Any) -> Job:
    return Job(site=HERE, as_of=NEXT_AUTUMN, store=store, settings=QUICK, **more)


def test_without_any_status_everything_is_unknown_and_that_is_said_first(tmp_path: Path) -> None:
    """A species of which the shipped table states nothing."""
    seen = {
        "occurrenceID": "g1", "recordKey": "g1", "scientificName": "Tinca tinca", "decimalLongitude": 8.0,
        "decimalLatitude": 50.001, "eventDate": "2012-06-01", "geodeticDatum": "WGS84",
    }  # fmt: skip
    added(Store(tmp_path / "store"), records(seen))
    run = find_introduced([HERE], plain(tmp_path / "store"), group="Tinca")
    assert [row["scientificName"] for row in run.waters[0]["unsettled"]] == ["Tinca tinca"]
    assert run.waters[0]["introduced"] == run.waters[0]["expected"] == []
    assert run.document["notes"][0] == NO_STATUS == run_lines(run)[0]
    page = render(run)
    assert page.index(NO_STATUS) < page.index('id="new"')


def test_the_shipped_table_settles_what_no_other_source_states(bare: Path) -> None:
    run = find_introduced([HERE], plain(bare))
    rows = {row["scientificName"]: row for row in run.waters[0]["introduced"]}
    assert set(rows) == {"Lepomis gibbosus", "Lepomis cyanellus"}
    assert {row["establishmentSource"] for row in rows.values()} == {"shipped"}
    assert run.waters[0]["unsettled"] == []
    assert NO_STATUS not in run.document["notes"]


def test_a_water_far_at_sea_and_one_without_records(bare: Path) -> None:
    run = find_introduced([SEA, HERE], plain(bare))
    sea = run.waters[0]
    assert (sea["water"], sea["introduced"], sea["unsettled"], sea["recorded"]) == (
        "Point Nowhere",
        [],
        [],
        [],
    )
    assert "not the same as nothing being there" in sea["notes"][0]
    assert any("1 of 2 waters have no kept record" in note for note in run.document["notes"])
    assert "Point Nowhere" in render(run)


def test_only_waters_without_records(bare: Path, tmp_path: Path) -> None:
    run = find_introduced([SEA], plain(bare))
    folder = write_run(run, tmp_path / "out")
    assert (folder / "introduced.csv").read_text(encoding="utf-8-sig").splitlines() == [",".join(COLUMNS)]


def test_a_species_listed_twice_is_named_with_its_rows(bare: Path, tmp_path: Path) -> None:
    path = tmp_path / "twice.csv"
    path.write_text("scientificName\nLepomis gibbosus\nLepomis gibbosus\n")
    with pytest.raises(PoolBuilderError, match="row 3: Lepomis gibbosus stands in row 2 already"):
        find_introduced([HERE], plain(bare, checklist=str(path)))


def test_an_empty_store_is_told(tmp_path: Path) -> None:
    with pytest.raises(PoolBuilderError, match="holds no records"):
        find_introduced([HERE], plain(tmp_path / "none"))


def test_contradictory_polygons_are_listed_as_not_settled(bare: Path, tmp_path: Path) -> None:
    shape = {"type": "Polygon", "coordinates": [[[7, 49], [9, 49], [9, 51], [7, 51], [7, 49]]]}
    path = tmp_path / "ranges.geojson"
    path.write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "features": [
                    {
                        "type": "Feature",
                        "properties": {"scientificName": "Lepomis gibbosus", "establishmentMeans": means},
                        "geometry": shape,
                    }
                    for means in ("native", "introduced")
                ],
            }
        )
    )
    run = find_introduced([HERE], plain(bare, ranges=(str(path),)))
    row = row_of(run, "Weir Pool", "Lepomis gibbosus", "unsettled")
    assert row["conflict"] == (
        "the range map says native, but the built-in table for Germany says introduced and other polygons "
        "disagree"
    )


def test_a_record_in_the_water_is_at_no_distance_from_it(tmp_path: Path) -> None:
    seen = {
        "occurrenceID": "y1", "recordKey": "y1", "scientificName": "Lepomis gibbosus", "decimalLongitude": 8.0,
        "decimalLatitude": 50.001, "eventDate": "2012-06-01", "geodeticDatum": "WGS84",
        "coordinateUncertaintyInMeters": 30.0,
    }  # fmt: skip
    added(Store(tmp_path / "store"), records(seen))
    row = find_introduced([HERE], plain(tmp_path / "store")).waters[0]["introduced"][0]
    assert row["inWater"]
    assert row["nearestKm"] == pytest.approx(0.111, abs=0.001)  # of the point, there being no outline
    assert (row["front"]["trend"], row["front"]["years"][0]["nearestKm"]) == ("arrived", 0.0)


def test_a_group_is_every_species_of_it_in_the_records(bare: Path) -> None:
    found = checklist_of_group("lepomis", Store(bare).batches())
    assert found.species == ("Lepomis cyanellus", "Lepomis gibbosus")
    with pytest.raises(PoolBuilderError, match="no record names a species of 'Gobiidae'"):
        checklist_of_group("Gobiidae", Store(bare).batches())
    family = make(
        schemas.RECORDS,
        [
            {"scientificName": "Neogobius melanostomus (Pallas, 1814)", "family": "Gobiidae"},
            {"family": "Gobiidae"},
        ],
    )
    assert checklist_of_group("gobiidae", [family]).species == ("Neogobius melanostomus",)
    run = find_introduced([HERE, SEA], plain(bare), group="Lepomis")
    assert len(run.waters[0]["introduced"]) == 2
    assert run.document["checklist"] == "Lepomis"


def test_several_processes_find_the_same(bare: Path) -> None:
    sites = [HERE, SEA]
    alone, together = (find_introduced(sites, plain(bare), workers=number) for number in (1, 2))
    assert alone.document == together.document


# The command


Run_ = Callable[..., tuple[int, str, str]]


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], tmp_path: Path, bare: Path) -> Run_:
    (tmp_path / "quick.toml").write_text("reachKm = 10\nobscuredUncertaintyM = 2000\n")
    (tmp_path / "waters.csv").write_text("name,latitude,longitude\nWeir Pool,50.0,8.0\n")
    (tmp_path / "list.csv").write_text(
        "scientificName,establishmentMeans\nLepomis gibbosus,introduced\nLepomis cyanellus,introduced\n"
    )
    fixed = [
        "introduced", str(tmp_path / "waters.csv"), "--store", str(bare), "--as-of", "2026-10-31",
        "--settings", str(tmp_path / "quick.toml"), "--checklist", str(tmp_path / "list.csv"),
    ]  # fmt: skip

    def call(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            main([*fixed, *arguments])
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), out, err

    return call


def test_the_command_prints_and_writes(command: Run_, tmp_path: Path) -> None:
    code, out, err = command("--out", str(tmp_path / "out"))
    assert code == 0
    assert "2 introduced species are recorded near 1 of 1 water." in out
    assert "L. gibbosus, in the water" in out
    assert "verify before acting" in out
    assert max(len(line) for line in out.splitlines()) <= 100
    assert "introduced.html" in err


def test_fail_on_new_exits_with_4(command: Run_, tmp_path: Path) -> None:
    code, out, err = command("--since", "2011-01-01", "--fail-on", "new")
    assert code == 4
    assert "found: new-in-water: Weir Pool: Lepomis cyanellus" in err
    assert "NEW Weir Pool: Lepomis cyanellus" in out
    assert command("--since", "2026-01-01", "--fail-on", "new")[0] == 0
    assert command("--out", str(tmp_path / "out"))[0] == 0
    assert command("--previous", str(tmp_path / "out"), "--fail-on", "new")[0] == 0


def test_json_and_csv_on_stdout(command: Run_) -> None:
    document = json.loads(command("--format", "json")[1])
    assert document["waters"][0]["introduced"][0]["scientificName"] == "Lepomis gibbosus"
    rows = list(csv.DictReader(command("--format", "csv")[1].splitlines()))
    assert [row["water"] for row in rows] == ["Weir Pool", "Weir Pool"]


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (("--fail-on", "new"), 2, "--fail-on needs --previous or --since"),
        (("--regions", "x.geojson"), 2, "--regions belongs to a --region-list before it"),
        (("--previous", "nowhere"), 1, "leave --previous out on the first run"),
        (("--since", "last May"), 2, "is not a day"),
    ],
)
def test_wrong_usage_is_told(command: Run_, arguments: tuple[str, ...], code: int, message: str) -> None:
    found, _, err = command(*arguments)
    assert found == code
    assert message in err


def test_the_table_has_its_schema(seasons: tuple[Run, Run, Path]) -> None:
    table = introduced_table(seasons[1])
    assert table.schema.equals(schemas.INTRODUCED)
    assert tables.flags(table["isNew"]).sum() == 40
