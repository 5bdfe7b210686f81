"""From a spreadsheet of catches to records: dates, headings, sheets, layers, slips of coordinates."""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import tempfile
import time
import zipfile
from collections import Counter
from pathlib import Path
from typing import Any

import geopandas
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from demo.make_catches import catches, workbook
from poolbuilder import PoolBuilderError, Settings
from poolbuilder.cli import main
from poolbuilder.records.dates import read_column
from poolbuilder.records.reading import read_all, read_records

ROOT = Path(__file__).parents[1]
SHARED = ROOT.parent.parent / "work" / "shared" / "data"
SHARED = SHARED if SHARED.exists() else ROOT.parent / "shared" / "data"
HEADER = "Lake,Lat,Long,Species,Date\n"


def table(folder: Path, dates: list[str], name: str = "catch.csv") -> Path:
    path = folder / name
    rows = [f'Kestrel Ford Lake,36.9,-91.2,bluegill,"{date}"\n' for date in dates]
    path.write_text(HEADER + "".join(rows), encoding="utf-8")
    return path


def build(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(["build", "--lat", "36.9", "--lon", "-91.2", "--as-of", "2026-06-01", *arguments])
    out, err = capsys.readouterr()
    return int(ended.value.code or 0), out, err


@pytest.mark.parametrize(
    ("dates", "expected"),
    [
        (["4/20/2017", "5/6/2017"], ["2017-04-20", "2017-05-06"]),
        (["20/4/2017", "5/6/2017"], ["2017-04-20", "2017-06-05"]),
        (["20.4.2017", "5.6.2017"], ["2017-04-20", "2017-06-05"]),
        (["5.6.2017"], ["2017-06-05"]),
        (["20 Apr 2017", "April 3, 2018"], ["2017-04-20", "2018-04-03"]),
        (["4/20/17", "5/6/98"], ["2017-04-20", "1998-05-06"]),
        (["42845", "42846.5"], ["2017-04-20", "2017-04-21"]),
        (["2017/4/20", "2017-05"], ["2017-04-20", "2017-05"]),
        (["4/20/2017 3:15 PM", "5/6/2017"], ["2017-04-20", "2017-05-06"]),
    ],
)
def test_dates_are_read_by_the_order_that_fits_the_column(
    tmp_path: Path, dates: list[str], expected: list[str]
) -> None:
    records, _, _, _ = read_all([table(tmp_path, dates)])
    assert records["eventDate"].to_pylist() == expected


def test_where_two_orders_fit_the_reader_is_asked(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = table(tmp_path, ["5/6/2017", "7/8/2018"])
    code, out, err = build(capsys, "--records", str(path))
    assert (code, out) == (1, "")
    assert "can be read month first or day first" in err
    assert "--date-order mdy or --date-order dmy" in err
    code, _, err = build(capsys, "--records", str(path), "--date-order", "dmy")
    assert code in (0, 3)
    assert "'5/6/2017' as 2017-06-05" in err


def test_dates_that_cannot_be_read_are_counted_and_quoted(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = table(tmp_path, ["4/20/2017"] * 5 + ["last summer"] * 3)
    code, out, err = build(capsys, "--records", str(path), "--format", "json")
    words = "3 of 8 dates could not be read, such as 'last summer'"
    assert code in (0, 3)
    assert words in err
    assert words in json.loads(out)["notes"][0]
    with pytest.raises(SystemExit):
        main(["add", str(path), "--store", str(tmp_path / "store")])
    assert words in capsys.readouterr().out
    pool = json.loads(build(capsys, "--store", str(tmp_path / "store"), "--format", "json")[1])
    assert words in pool["notes"][0]
    facts = [item["unreadDates"] for item in pool["inputs"] if item["kind"] == "records"]
    assert facts == [[{"unread": 3, "dates": 8, "example": "last summer"}]]


def test_many_dates_without_a_readable_one_are_an_error(tmp_path: Path) -> None:
    with pytest.raises(PoolBuilderError, match="30 of 30 dates could not be read"):
        list(read_records(table(tmp_path, ["in spring"] * 30)).batches())


def test_the_same_records_give_the_same_pool_whatever_the_order_of_their_dates(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    days = [datetime.date(2017, 4, 20) + datetime.timedelta(days=9 * number) for number in range(20)]
    forms = {
        "iso": [day.isoformat() for day in days],
        "us": [f"{day.month}/{day.day}/{day.year}" for day in days],
        "points": [f"{day.day}.{day.month}.{day:%y}" for day in days],
    }
    made = {}
    for name, dates in forms.items():
        (tmp_path / name).mkdir()
        path = table(tmp_path / name, dates)
        made[name] = build(capsys, "--records", str(path), "--format", "csv")[1]
    assert made["iso"] == made["us"] == made["points"]


DAYS = st.lists(st.dates(datetime.date(1960, 1, 1), datetime.date(2025, 12, 31)), min_size=1, max_size=30)


@settings(max_examples=60, deadline=None)
@given(DAYS, st.sampled_from(["{m}/{d}/{y}", "{d}/{m}/{y}", "{d}.{m}.{y}", "{y}/{m}/{d}", "{d} {b} {y}"]))
def test_a_column_in_one_order_is_read_back_or_asked_about(days: list[datetime.date], form: str) -> None:
    texts = [form.format(d=day.day, m=day.month, y=day.year, b=f"{day:%b}") for day in days]
    read = read_column(dict.fromkeys(texts, 1))
    if len(read.fits) > 1:
        assert all(day.day <= 12 for day in days)
    else:
        assert [read.iso[text] for text in texts] == [day.isoformat() for day in days]


@settings(max_examples=150, deadline=None)
@given(
    st.dictionaries(
        st.text(max_size=25) | st.from_regex(r"[0-9]{1,5}[-/. ][0-9]{1,3}[-/. ][0-9]{1,5}"),
        st.integers(1, 9),
        max_size=8,
    )
)
def test_any_column_of_dates_is_read_or_counted(counts: dict[str, int]) -> None:
    read = read_column(counts)
    assert set(read.iso) | set(read.unread) <= set(counts)
    assert not set(read.iso) & set(read.unread)


def test_misspelt_names_that_were_mended_are_listed(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, _ = build(
        capsys, "--records", str(ROOT / "demo/catches.xlsx"), "--out", str(tmp_path / "lake")
    )
    count = sum(row[4:5] == ["Blugill"] for row in catches())
    words = f"Blugill as Lepomis macrochirus ({count})"
    assert code == 0
    assert words in " ".join(out.split())
    assert words in (tmp_path / "lake/report.html").read_text(encoding="utf-8")
    listed = json.loads((tmp_path / "lake/pool.json").read_text(encoding="utf-8"))["counts"]["mendedNames"]
    assert {"given": "Blugill", "readAs": ["Lepomis macrochirus"], "records": count} in listed


def catches_of(source: str, folder: Path) -> tuple[Path, tuple[str, str], int]:
    """A spreadsheet, a water in it, and its number of records: the demo's, or the shared surveys as one."""
    if source == "demo":
        return ROOT / "demo/catches.xlsx", ("36.9", "-91.2"), 244
    text = SHARED / "fish_surveys/occurrence.txt"
    if not text.exists():
        pytest.skip("needs the shared surveys")
    lines = [line.split("\t") for line in text.read_text(encoding="utf-8").splitlines()]
    path = folder / "surveys.xlsx"
    path.write_bytes(workbook({"surveys": lines}))
    at = [lines[0].index(term) for term in ("decimalLatitude", "decimalLongitude", "scientificName")]
    places = Counter((line[at[0]], line[at[1]]) for line in lines if "Lepomis" in line[at[2]])
    return path, places.most_common(1)[0][0], len(lines) - 1


@pytest.mark.parametrize("source", ["demo", "surveys"])
def test_from_a_spreadsheet_to_a_report_in_three_commands(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, source: str
) -> None:
    path, (latitude, longitude), rows = catches_of(source, tmp_path)
    store, lake = str(tmp_path / "store"), tmp_path / "lake"
    place = ["--lat", latitude, "--lon", longitude]
    for command, told in (
        (["add", str(path), "--store", store], f"{rows:,} records"),
        (["build", *place, "--store", store, "--out", str(lake)], "Could be"),
        (["report", str(lake)], "report.html"),
    ):
        with pytest.raises(SystemExit) as ended:
            main(command)
        assert not ended.value.code
        assert told in capsys.readouterr().out
    assert "Lepomis" in (lake / "report.html").read_text(encoding="utf-8")


def _xlsx(path: Path, sheets: dict[str, list[list[Any]]]) -> Path:
    path.write_bytes(workbook(sheets))
    return path


CATCHES: list[list[Any]] = [
    ["Catches of the summer", "", "", "", ""],
    ["Lake", "Lat", "Long", "Species", "Date"],
    ["Kestrel Ford Lake", 36.9, -91.2, "bluegill", 42845],
    ["Kestrel Ford Lake", "36,91", "-91,21", "green sunfish", 42846],
]


def test_a_sheet_is_read_from_below_its_title_and_the_others_are_named(tmp_path: Path) -> None:
    path = _xlsx(tmp_path / "catches.xlsx", {"Notes": [["written in May"]], "Fish": CATCHES})
    records, _, notes, _ = read_all([path])
    rows = records.to_pylist()
    assert [row["eventDate"] for row in rows] == ["2017-04-20", "2017-04-21"]
    assert [row["sourceRow"] for row in rows] == [3, 4]
    assert [row["decimalLatitude"] for row in rows] == [36.9, 36.91]
    assert any("sheet 'Notes' is not read" in note for note in notes)


def test_two_sheets_of_records_are_both_read(tmp_path: Path) -> None:
    path = _xlsx(tmp_path / "catches.xlsx", {"2016": CATCHES, "2017": CATCHES})
    records, sources, _, _ = read_all([path])
    assert len(records) == sources[0]["rows"] == 4
    assert len(set(records["sourceFile"].to_pylist())) == 2


def _ods(path: Path, rows: list[list[Any]]) -> Path:
    """The least of a spreadsheet that OpenDocument 1.3 (OASIS, part 3) asks for; days are ISO dates."""

    def cell(value: Any) -> str:
        if isinstance(value, datetime.date):
            return f'<table:table-cell office:value-type="date" office:date-value="{value.isoformat()}"/>'
        if isinstance(value, float):
            return f'<table:table-cell office:value-type="float" office:value="{value}"/>'
        return f'<table:table-cell office:value-type="string"><text:p>{value}</text:p></table:table-cell>'

    lines = "".join(f"<table:table-row>{''.join(map(cell, row))}</table:table-row>" for row in rows)
    oasis = "urn:oasis:names:tc:opendocument:xmlns"
    spaces = " ".join(f'xmlns:{name}="{oasis}:{name}:1.0"' for name in ("office", "table", "text"))
    content = (
        f'<office:document-content {spaces} office:version="1.3"><office:body><office:spreadsheet>'
        f'<table:table table:name="Fish">{lines}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = (
        f'<manifest:manifest xmlns:manifest="{oasis}:manifest:1.0" manifest:version="1.3">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
        '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/>'
        "</manifest:manifest>"
    )
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", kind, zipfile.ZIP_STORED)
        archive.writestr("META-INF/manifest.xml", manifest)
        archive.writestr("content.xml", content)
    return path


def test_an_open_document_gives_what_a_workbook_gives(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    day = datetime.date(2017, 4, 20)
    title, header, first, second = CATCHES
    rows = [title[:1], header, [*first[:4], day], [*second[:4], day + datetime.timedelta(days=1)]]
    path = _ods(tmp_path / "catches.ods", rows)
    wanted = read_all([_xlsx(tmp_path / "catches.xlsx", {"Fish": CATCHES})])[0]
    found = read_all([path])[0]
    made = ["sourceFile", "recordKey"]
    assert found.drop_columns(made).equals(wanted.drop_columns(made))
    assert found["eventDate"].to_pylist() == ["2017-04-20", "2017-04-21"]
    with pytest.raises(SystemExit) as ended:
        main(["add", str(path), "--store", str(tmp_path / "store")])
    assert not ended.value.code
    assert "catches.ods: 2 records\n" in capsys.readouterr().out


@pytest.mark.parametrize("damage", [b"", b"junk" * 40])
def test_a_broken_workbook_is_one_line(tmp_path: Path, damage: bytes) -> None:
    path = _xlsx(tmp_path / "broken.xlsx", {"Fish": CATCHES})
    with zipfile.ZipFile(tmp_path / "again.xlsx", "w") as archive, zipfile.ZipFile(path) as whole:
        for name in whole.namelist():
            archive.writestr(name, damage if name.endswith("workbook.xml") else whole.read(name))
    with pytest.raises(PoolBuilderError, match="is a spreadsheet that cannot be read"):
        read_records(tmp_path / "again.xlsx")


@pytest.mark.parametrize("name", ["points.gpkg", "points.geojson", "points.shp"])
def test_points_of_a_layer_are_records(tmp_path: Path, name: str) -> None:
    frame = geopandas.GeoDataFrame(
        {"Species": ["bluegill", "green sunfish"], "Date": ["2017-04-20", "2018-05-01"]},
        geometry=[shapely.Point(-91.2, 36.9), shapely.Point(-91.25, 36.95)],
        crs=4326,
    )
    frame = frame if name.endswith(".geojson") else frame.to_crs(32615)
    frame.to_file(tmp_path / name)
    records, _, _, _ = read_all([tmp_path / name])
    assert records["scientificName"].to_pylist() == ["bluegill", "green sunfish"]
    assert records["decimalLongitude"].to_pylist() == pytest.approx([-91.2, -91.25], abs=1e-6)
    assert records["eventDate"].to_pylist() == ["2017-04-20", "2018-05-01"]


def test_swapped_columns_are_an_error_that_names_the_swap(tmp_path: Path) -> None:
    path = tmp_path / "swapped.csv"
    path.write_text("Lat,Long,Species\n" + "-91.2,36.9,bluegill\n" * 5)
    with pytest.raises(PoolBuilderError, match="latitude and longitude are swapped"):
        read_all([path])


@pytest.mark.parametrize(
    ("latitude", "longitude", "phrase"),
    [("36.9", "91.2", "did you mean 91.2?"), ("-36.9", "-91.2", "did you mean latitude -36.9")],
)
def test_a_site_whose_mirror_image_has_the_records_is_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, latitude: str, longitude: str, phrase: str
) -> None:
    path = tmp_path / "mirrored.csv"
    path.write_text("Lat,Long,Species,Date\n" + f"{latitude},{longitude},bluegill,2017-04-20\n" * 3)
    code, _, err = build(capsys, "--records", str(path))
    assert code in (0, 3)
    assert phrase in err


def test_a_mapped_column_need_stand_in_one_of_several_files(tmp_path: Path) -> None:
    one, two = tmp_path / "one.csv", tmp_path / "two.csv"
    one.write_text("Breite,Long,Species\n36.9,-91.2,bluegill\n")
    two.write_text("Lat,Long,Species\n36.8,-91.2,bluegill\n")
    records, _, _, _ = read_all([one, two], rename={"Breite": "decimalLatitude"})
    assert records["decimalLatitude"].to_pylist() == [36.9, 36.8]
    with pytest.raises(PoolBuilderError, match="there is no column 'Nord'"):
        read_all([two, two], rename={"Nord": "decimalLatitude"})


def test_a_genus_in_its_own_column_stands_before_the_epithet(tmp_path: Path) -> None:
    path = tmp_path / "split.csv"
    path.write_text("Lat,Long,Genus,Species\n36.9,-91.2,Lepomis,macrochirus\n")
    records, _, _, _ = read_all([path])
    assert records["scientificName"].to_pylist() == ["Lepomis macrochirus"]


FILES = [
    (ROOT / "poolbuilder/demo_data/records.zip", 36.9, -91.2),
    (SHARED / "fish_surveys/occurrence.txt", 34.4, -96.6),
    (SHARED / "fish_surveys/fish_surveys_dwca.zip", 34.4, -96.6),
    (SHARED / "stream_surveys/occurrence.txt", 36.9, -91.2),
    (ROOT / "poolbuilder/demo_data/lake_district/season_2025.zip", 45.1, -93.4),
    (ROOT / "poolbuilder/demo_data/lake_district/season_2026.zip", 45.1, -93.4),
    (ROOT / "demo/catches.xlsx", 36.9, -91.2),
    (SHARED / "lake_surveys/michigan.zip", 44.5, -85.0),
    (SHARED / "river_surveys/national_streams.zip", 36.9, -91.2),
    (SHARED / "river_surveys/north_america.zip", 35.5, -79.0),
    (SHARED / "river_surveys/great_britain.zip", 52.2, -1.5),
]


def rows_in(path: Path) -> int:
    """Rows of a file counted by its lines, without the reader."""
    if path.suffix == ".xlsx":
        return sum(len(row) > 1 for row in catches()) - 1
    if path.suffix == ".zip":
        with zipfile.ZipFile(path) as archive:
            name = next(
                name for name in archive.namelist() if name.endswith(("occurrence.txt", "records.txt"))
            )
            content = archive.read(name)
    else:
        content = path.read_bytes()
    return sum(1 for line in content.splitlines() if line.strip()) - 1


@pytest.mark.parametrize(
    ("path", "latitude", "longitude"), FILES, ids=lambda value: getattr(value, "name", "")
)
def test_no_record_is_lost(
    capsys: pytest.CaptureFixture[str], path: Path, latitude: float, longitude: float
) -> None:
    if not path.exists():
        pytest.skip(f"needs {path.name}")
    with pytest.raises(SystemExit):
        main(
            [
                *("build", "--lat", f"{latitude}", "--lon", f"{longitude}", "--as-of", "2026-06-01"),
                *("--format", "json", "--records", str(path)),
            ]
        )
    counts = json.loads(capsys.readouterr().out)["counts"]
    assert counts["read"] == rows_in(path)
    assert counts["read"] == counts["kept"] + sum(counts["rejected"].values())
    assert counts["kept"] == counts["located"] + counts["targetGroup"] + counts["far"]


def test_what_the_store_holds_elsewhere_is_counted(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    store = str(tmp_path / "store")
    with pytest.raises(SystemExit):
        main(["add", str(FILES[0][0]), "--store", store])
    held = int(capsys.readouterr().out.rsplit("the store holds ", 1)[1].split()[0].replace(",", ""))
    counts = json.loads(build(capsys, "--store", store, "--format", "json")[1])["counts"]
    assert counts["elsewhere"] == 2  # one record without coordinates, one at 0, 0
    assert held == counts["elsewhere"] + counts["read"]


META = """<archive xmlns="http://rs.tdwg.org/dwc/text/"><core encoding="{encoding}" fieldsTerminatedBy=","
 linesTerminatedBy="\\n" fieldsEnclosedBy="" ignoreHeaderLines="{skip}"
 rowType="http://rs.tdwg.org/dwc/terms/Occurrence"><files><location>records.csv</location></files>
 <id index="0"/><field index="1" term="http://rs.tdwg.org/dwc/terms/scientificName"/>
 <field index="2" term="http://rs.tdwg.org/dwc/terms/decimalLatitude"/>
 <field index="{index}" term="http://rs.tdwg.org/dwc/terms/decimalLongitude"/></core></archive>"""


def archive(
    folder: Path, *, rows: int = 3, encoding: str = "UTF-8", skip: str = "1", index: str = "3"
) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "meta.xml").write_text(META.format(encoding=encoding, skip=skip, index=index))
    body = "".join(f"{folder.name}{row},bluegill,36.9,-91.2\n" for row in range(rows))
    (folder / "records.csv").write_text("id,name,latitude,longitude\n" + body)
    return folder


def test_two_archives_in_a_folder_are_both_read(tmp_path: Path) -> None:
    archive(tmp_path / "both" / "small", rows=10)
    archive(tmp_path / "both" / "large", rows=500)
    records, sources, _, _ = read_all([tmp_path / "both"])
    assert len(records) == sources[0]["rows"] == 510


@pytest.mark.parametrize("name", ["more.csv", "more.zip", "more.xlsx", "more.gpkg"])
def test_a_table_beside_an_archive_is_named_and_refused(tmp_path: Path, name: str) -> None:
    archive(tmp_path / "both" / "inner")
    (tmp_path / "both" / name).write_text("Species,Lat,Long\nbluegill,36.9,-91.2\n")
    with pytest.raises(PoolBuilderError, match=f"holds {name} beside what is read"):
        read_records(tmp_path / "both")


@pytest.mark.parametrize(
    "wrong",
    [
        {"index": "400000000"},
        {"index": "-3"},
        {"index": "3.5"},
        {"index": "9" * 400},
        {"skip": "9" * 400},
        {"skip": "many"},
        {"encoding": "hex"},
        {"encoding": "no such"},
        {"encoding": "&#10;"},
    ],
)
def test_a_descriptor_with_impossible_values_is_one_line(tmp_path: Path, wrong: dict[str, str]) -> None:
    with pytest.raises(PoolBuilderError) as refused:
        list(read_records(archive(tmp_path / "odd", **wrong)).batches())
    assert "\n" not in str(refused.value)


def test_a_descriptor_nested_without_end_is_one_line(tmp_path: Path) -> None:
    folder = archive(tmp_path / "deep")
    (folder / "meta.xml").write_text("<a>" * 200_000)
    with pytest.raises(PoolBuilderError, match="nested deeper than"):
        read_records(folder)


@settings(max_examples=80, deadline=None)
@given(st.text(max_size=60), st.integers(0, 500))
def test_a_mutated_descriptor_is_read_or_refused(text: str, at: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = archive(Path(name) / "mutated")
        meta = (folder / "meta.xml").read_text()
        (folder / "meta.xml").write_text(meta[:at] + text + meta[at + len(text) :], "utf-8", "replace")
        with contextlib.suppress(PoolBuilderError):
            list(read_records(folder).batches())


@settings(max_examples=120, deadline=None)
@given(
    st.binary(max_size=400),
    st.sampled_from(["", "Lat,Long,Species,Date\n", "PK\x03\x04", '{"type":', "PAR1"]),
)
def test_any_bytes_are_read_or_refused(content: bytes, start: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "any.csv"
        path.write_bytes(start.encode() + content)
        with contextlib.suppress(PoolBuilderError):
            list(read_records(path).batches())


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=60), st.integers(0, 4000))
def test_a_mutated_workbook_is_read_or_refused(content: bytes, at: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = _xlsx(Path(name) / "catches.xlsx", {"Fish": CATCHES})
        whole = path.read_bytes()
        at = at % len(whole)
        path.write_bytes(whole[:at] + content + whole[at + len(content) :])
        with contextlib.suppress(PoolBuilderError):
            list(read_records(path).batches())


def test_a_field_over_two_mebibytes_costs_its_row_only(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    good = "36.9,-91.2,bluegill,pond\n"
    long = f'36.9,-91.2,bluegill,"{"x" * (3 << 20)}",after\n'
    path.write_text("Lat,Long,Species,Locality\n" + good * 3 + long + good * 2)
    records, _, notes, _ = read_all([path])
    assert len(records) == 6
    assert records["sourceRow"].to_pylist() == [2, 3, 4, 5, 6, 7]
    assert any("rows longer than 1 MiB" in note for note in notes)


def test_a_heading_of_brackets_alone_is_no_riddle(tmp_path: Path) -> None:
    path = tmp_path / "brackets.csv"
    path.write_text(f"Lat,Long,Species,{'[' * 200_000}\n36.9,-91.2,bluegill,1\n")
    start = time.monotonic()
    assert len(read_all([path])[0]) == 1
    assert time.monotonic() - start < 10


@pytest.mark.skipif(os.name == "nt", reason="names of files are text there")
def test_a_file_whose_name_is_no_text_is_read(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"catch\xe9\xff.csv")
    path.write_text("Lat,Long,Species\n36.9,-91.2,bluegill\n")
    records, sources, _, _ = read_all([path])
    assert len(records) == 1
    json.dumps(sources).encode()
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / os.fsdecode(b"\xff.csv")).write_text("Lat,Long,Species\n")
    with pytest.raises(PoolBuilderError) as refused:
        read_all([tmp_path / "bad"])
    str(refused.value).encode()


@pytest.mark.parametrize(
    ("magic", "name"),
    [
        (b"BZh91AY", "bzip2"),
        (b"\xfd7zXZ\x00", "xz"),
        (b"\x28\xb5\x2f\xfd", "Zstandard"),
        (b"\x1f\x8b\x08", "gzip"),
    ],
)
def test_other_compressions_are_named(tmp_path: Path, magic: bytes, name: str) -> None:
    (tmp_path / "packed.csv").write_bytes(magic + b"1234567890")
    with pytest.raises(PoolBuilderError, match=f"is compressed with {name}"):
        read_records(tmp_path / "packed.csv")


def test_a_pipe_is_refused_for_what_it_is(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(PoolBuilderError, match="is a pipe or device"):
        read_records(tmp_path / "pipe.csv")


def test_an_empty_name_is_an_error(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["add", "", "--store", str(tmp_path / "store")])
    assert ended.value.code
    assert "an empty name is no file" in capsys.readouterr().err


@pytest.mark.parametrize(
    "values",
    [[True], [[36.9]], [datetime.time(3, 4)], [datetime.date(2020, 1, 1)], [{"lat": 36.9}]],
    ids=["bool", "list", "time", "date", "struct"],
)
def test_coordinates_that_are_no_numbers_are_refused_by_their_column(
    tmp_path: Path, values: list[object]
) -> None:
    path = tmp_path / "odd.parquet"
    columns = {"decimalLatitude": values, "decimalLongitude": [-91.2], "scientificName": ["bluegill"]}
    pq.write_table(pa.table(columns), path)
    with pytest.raises(PoolBuilderError, match=r"odd\.parquet: column decimalLatitude holds .*, not numbers"):
        read_records(path)


def test_of_two_parquet_columns_of_one_name_the_first_is_read(tmp_path: Path) -> None:
    names = ["scientificName", "decimalLatitude", "decimalLongitude", "scientificName"]
    columns = [pa.array([value]) for value in ("Lepomis gulosus", 36.9, -91.2, "Lepomis auritus")]
    pq.write_table(pa.Table.from_arrays(columns, names=names), tmp_path / "fish.parquet")
    table, _, notes, _ = read_all([tmp_path / "fish.parquet"])
    assert table["scientificName"].to_pylist() == ["Lepomis gulosus"]
    assert any("several columns are called scientificName; the first is read" in note for note in notes)


def test_rows_of_parquet_count_against_the_unpacked_limit(tmp_path: Path) -> None:
    path = tmp_path / "many.parquet"
    count = 3 << 20
    nothing = pa.nulls(count, pa.float64())
    pq.write_table(pa.table({"Lat": nothing, "Long": nothing, "Species": pa.nulls(count, pa.string())}), path)
    with pytest.raises(PoolBuilderError, match="would unpack to"):
        read_records(path, settings=Settings(max_unpacked_mib=5))
