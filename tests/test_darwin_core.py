"""Occurrence tables, archives and Parquet: every way of writing one gives the same records."""

from __future__ import annotations

import datetime
import importlib
import subprocess
import sys
import types
import unittest
import zipfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as parquet
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import Checklist, PoolBuilderError, Settings
from poolbuilder.names.reader import name_records
from poolbuilder.records import grids
from poolbuilder.records.reading import read_all, read_records
from poolbuilder.records.rules import screen, tally
from poolbuilder.records.service.answers import record_key
from poolbuilder.records.values import match_columns
from poolbuilder.schemas import RECORDS
from tests.registry import registry_package

FILES = Path(__file__).parent / "data" / "records"
LAW = settings(deadline=None, derandomize=True, max_examples=60)


def _read(name: str | Path, **more: object) -> tuple[dict[str, list[object]], tuple[str, ...]]:
    table, _, notes, _ = read_all([FILES / name], **more)  # type: ignore[arg-type]
    assert table.schema == RECORDS
    return table.to_pydict(), notes


SAME = [
    "comma_bom.csv", "tab.txt", "pipe.txt", "semicolon.csv", "utf16.txt", "utf16_without_mark.txt", "latin1.csv",
    "mixed_encoding.csv", "stray_quote.txt", "trailing_delimiter.csv", "namespaces.csv", "sep_line.csv",
    "leading_blank_lines.csv", "archive_plain", "archive_header_lines", "archive_no_header", "archive_extension",
    "archive_guide_defaults", "archive_core_id", "archive_latin1", "archive_prefixed", "archive_two_files",
    "archive_defaults", "quoted_newline.csv",
]  # fmt: skip


@pytest.mark.parametrize("name", SAME)
def test_every_way_of_writing_gives_the_same_records(name: str) -> None:
    records, _ = _read(name)
    assert records["scientificName"] == ["Lepomis cyanellus", "Lepomis macrochirus", "Lepomis gulosus"]
    assert records["decimalLatitude"] == [40.1234, 40.5, 39.98]
    assert records["decimalLongitude"] == [-88.2001, -88.75, -87.9]
    assert records["coordinateDecimals"] == [4, 2, 2]
    assert records["eventDate"] == ["1999-05-01", "1999-05-02", "2001-07-30"]
    assert len(set(records["recordKey"])) == 3
    assert records["readNote"] == [None] * 3
    if name not in {"quoted_newline.csv", "stray_quote.txt"}:
        assert records["recordedBy"][:2] == ["A. Müller", "B. Peña"]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("latin1.csv", "read as Latin-1 (check the accents of names): 2"),
        ("mixed_encoding.csv", "read as Latin-1 (check the accents of names): 1"),
        ("semicolon.csv", "decimal comma, read as decimals: 6"),
        ("ragged.csv", "rows that do not fit the header, kept with a note: 2"),
        ("ragged.csv", "rows that hold none of the terms, left out: 1"),
        ("not_numbers.csv", "are not, left out with a note: 3"),
        ("service_download.csv", "its coordinates are in WGS84"),
        ("two_headings.csv", "several columns are called decimalLatitude; the first is read"),
    ],
)
def test_what_is_assumed_is_said_aloud(name: str, words: str) -> None:
    _, notes = _read(name)
    assert any(words in note for note in notes)


def test_a_clean_file_has_no_notes() -> None:
    assert _read("comma_bom.csv")[1] == ()


def test_quoted_line_breaks_and_doubled_marks_stay_in_their_value() -> None:
    records, _ = _read("quoted_newline.csv")
    assert records["recordedBy"][0] == 'A. Müller,\nwith a "net"'
    assert records["sourceRow"] == [2, 3, 4]


def test_stray_marks_swallow_nothing_in_a_table_without_quoting() -> None:
    assert _read("stray_quote.txt")[0]["recordedBy"] == ["A. Müller", '"Big" B. Peña', '"unclosed']


@pytest.mark.parametrize(
    ("lines", "quote"),
    [
        (["a\tb\tc", '1\t"x"\ty', '2\tz\t"open'], None),  # names in quotation marks here and there
        (['"a"\t"b"\t"c"', '1\t"x"\t"y"', '2\t"z"\t"w"'], '"'),  # enclosed throughout
        (["a\tb\tc", '1\t"say ""hi"""\ty', "2\tz\tw"], '"'),  # doubled marks
        (["a\tb\tc", '1\t"x\ty"\tz', "2\tz\tw"], '"'),  # a delimiter inside
        (["a,b", '"x",y', "z,w"], '"'),
    ],
)
def test_whether_marks_enclose_is_seen_from_the_values(lines: list[str], quote: str | None) -> None:
    assert grids.sniff("\n".join(lines).encode(), file="f").quote == quote


def test_rows_that_do_not_fit_are_kept_in_place_with_a_note() -> None:
    records, _ = _read("ragged.csv")
    assert records["occurrenceID"] == ["a1", "a2", "a3", "a4"]
    assert records["sourceRow"] == [2, 4, 5, 6]
    assert records["readNote"] == [
        "the row has 4 values, the header 6 columns",
        "the row has 8 values, the header 6 columns; left over: left; over",
        None,
        None,
    ]
    assert records["recordedBy"] == [None, "B. Peña", None, None]


def test_rows_swallowed_in_a_column_that_is_not_read_are_found(tmp_path: Path) -> None:
    path = tmp_path / "remarks.csv"
    head = "occurrenceID,remarks,scientificName,decimalLatitude,decimalLongitude\n"
    good = [f"r{number},ok,Lepomis gulosus,40.1,-88.2\n" for number in range(6)]
    good[1] = 'r1,"in a net,Lepomis gulosus,40.1,-88.2\n'
    good[4] = 'r4,"in a trap,Lepomis gulosus,40.1,-88.2\n'
    path.write_text(head + "".join(good))
    with pytest.raises(PoolBuilderError, match=r"row 3: a quotation mark is never closed"):
        read_all([path])
    good[1] = 'r1,"net, trap,\nand line, 40, of 41, fathoms",Lepomis gulosus,40.1,-88.2\n'
    good[4] = "r4,ok,Lepomis gulosus,40.1,-88.2\n"
    path.write_text(head + "".join(good))
    assert read_all([path])[0].num_rows == 6


def test_a_swallowed_row_that_leaves_a_misfit_is_given_back(tmp_path: Path) -> None:
    path = tmp_path / "misfit.csv"
    lines = ["occurrenceID,scientificName,decimalLatitude,decimalLongitude"]
    lines += ['r1,"Lepomis gulosus,40.1,-88.2', "r2,Lepomis auritus,40.2,-88.2", 'r3,Lepomis,"40.3",-88.2']
    lines += [f"s{number},Lepomis gulosus,40.1,-88.2" for number in range(5)]
    path.write_text("\n".join(lines))
    records = read_all([path])[0].to_pydict()
    assert [key for key in records["occurrenceID"] if key[0] == "r"] == ["r1", "r2", "r3"]


def test_row_numbers_stay_right_over_many_batches(tmp_path: Path) -> None:
    lines = ["occurrenceID,scientificName,decimalLatitude,decimalLongitude"]
    for number in range(2, 130_002):
        short = number % 1000 == 0
        lines.append(f"r{number},Lepomis gulosus,40.1" + ("" if short else ",-88.2"))
    path = tmp_path / "long.csv"
    path.write_text("\n".join(lines))
    keys, rows, batches = [], [], 0
    for table in read_records(path).batches():
        keys += table["recordKey"].to_pylist()
        rows += table["sourceRow"].to_pylist()
        batches += 1
    assert batches > 1
    assert keys == [f"r{number}" for number in range(2, 130_002)]
    assert rows == list(range(2, 130_002))


def test_values_that_are_no_numbers_become_null_and_are_quoted() -> None:
    records, _ = _read("not_numbers.csv")
    assert records["decimalLatitude"] == [None, 40.1, None]
    assert "40°07'N" in str(records["readNote"][0])
    assert records["readNote"][1] is None
    assert "'inf'" in str(records["readNote"][2])


def test_years_in_words_and_months_out_of_all_bounds_are_noted() -> None:
    records, _ = _read("odd_years.csv")
    assert records["year"] == [1999, None, None]
    assert records["month"] == [5, 5, None]
    assert "'ca. 1950'" in str(records["readNote"][1])
    assert "month 400" in str(records["readNote"][2])


def test_keys_are_unique_within_a_file_and_keep_the_identifier() -> None:
    keys = _read("repeated_ids.csv")[0]["recordKey"]
    assert keys == ["a1", "a1#3", "records/repeated_ids.csv#4", "records/repeated_ids.csv/17"]


def test_a_download_and_a_fetch_of_one_record_have_one_key() -> None:
    records, _ = _read("service_download.csv")
    assert records["recordKey"] == ["gbif:4011", "gbif:4012"] == [record_key(4011), record_key("4012")]
    assert records["geodeticDatum"] == ["WGS84", "WGS84"]
    assert records["license"] == ["CC_BY_4_0", "CC0_1_0"]
    assert records["issue"][0] == "ZERO_COORDINATE;COORDINATE_ROUNDED"


def test_the_key_carries_the_data_set(tmp_path: Path) -> None:
    path = tmp_path / "keys.csv"
    path.write_text(
        "datasetKey,occurrenceID,scientificName,decimalLatitude,decimalLongitude\n"
        "abc,urn:x:1,Lepomis gulosus,40.1,-88.2\nabc,17,Lepomis gulosus,40.1,-88.2\n"
    )
    assert read_all([path])[0]["recordKey"].to_pylist() == ["abc/urn:x:1", "abc/17"]


@pytest.mark.parametrize(
    ("name", "names", "ranks"),
    [
        (
            "archive_verbatim",
            [
                "Lepomis cyanellus × L. macrochirus",
                "Lepomis gulosus (Cuvier, 1829)",
                "Lepomis Rafinesque, 1819",
            ],
            [None, "SPECIES", "GENUS"],
        ),
        (
            "service_names.csv",
            ["(Lepomis auritus x Lepomis gibbosus)", "Lepomis gulosus (Cuvier, 1829)"],
            [None, "SPECIES"],
        ),
    ],
)
def test_names_that_a_service_could_not_place_whole_are_put_back(
    name: str, names: list[str], ranks: list[str | None]
) -> None:
    records, notes = _read(name)
    assert records["scientificName"] == names
    assert records["taxonRank"] == ranks
    assert str(records["readNote"][0]).startswith(f"the service reads the name {names[0]!r} as ")
    assert records["readNote"][1:] == [None] * (len(names) - 1)
    assert any("kept only a part of them: 1" in note for note in notes)


def test_words_for_missing_are_missing_and_spaces_go() -> None:
    records, _ = _read("missing_words.csv")
    assert records["occurrenceID"][0] is None
    assert records["eventDate"][:2] == [None, None]
    assert records["recordedBy"][:2] == [None, None]
    assert records["scientificName"][1] == "Lepomis cyanellus"
    assert records["decimalLatitude"][1] == 40.25


def test_a_vernacular_name_stands_in() -> None:
    records, _ = _read("vernacular_only.txt")
    assert records["scientificName"] == ["BLUEGILL", "Lepomis gulosus"]
    assert records["vernacularName"] == ["BLUEGILL", None]


def test_a_column_of_the_very_name_comes_before_one_of_the_same_meaning() -> None:
    assert (
        match_columns(
            ["taxonID", "taxonKey", "scientificName", "decimalLatitude", "decimalLongitude"], file="f"
        )["taxonKey"]
        == 1
    )
    assert _read("two_headings.csv")[0]["taxonKey"] == ["7"]


def test_archive_defaults_fill_absent_columns_and_empty_cells() -> None:
    records, _ = _read("archive_defaults")
    assert records["basisOfRecord"] == ["PreservedSpecimen"] * 3
    assert records["geodeticDatum"] == ["NAD83"] * 3
    assert records["recordedBy"] == ["A. Müller", "B. Peña", "unknown collector"]


def test_the_core_id_stands_for_the_occurrence_id() -> None:
    assert _read("archive_core_id")[0]["occurrenceID"] == ["a1", "a2", "a3"]


def test_records_take_what_they_leave_out_from_their_event() -> None:
    records, notes = _read("archive_events")
    assert records["occurrenceID"] == ["a1", "a2", "a3", "a4"]
    assert records["eventID"] == ["river-1", "river-2", "river-2", None]
    assert records["eventDate"] == ["1999-05-01", "1999-05-02", "1999-05-02", None]
    assert records["decimalLatitude"] == [40.1234, 40.5, 40.51, None]
    assert records["decimalLongitude"] == [-88.2001, -88.75, -88.75, None]
    assert records["samplingProtocol"] == ["electrofishing", "seine", "seine", None]
    assert records["geodeticDatum"][:3] == ["NAD83"] * 3
    assert records["coordinateDecimals"] == [4, 2, 2, None]
    assert records["readNote"] == [None, None, None, "its event 'lost' is not in the event table"]
    assert any("joined to the events" in note for note in notes)
    assert any("not in the event table, kept with a note: 1" in note for note in notes)


def test_metadata_of_an_archive() -> None:
    _, _, _, datasets = read_all([FILES / "archive_plain"])
    assert datasets == (
        {
            "datasetKey": None,
            "title": "Invented surveys of an invented river",
            "citation": "Nobody (2001). Invented surveys.",
            "license": "http://creativecommons.org/licenses/by/4.0/legalcode",
        },
    )


def test_parts_of_a_core_keep_apart() -> None:
    assert _read("archive_two_files")[0]["sourceFile"] == [
        "records/archive_two_files/part1.txt",
        "records/archive_two_files/part1.txt",
        "records/archive_two_files/part2.txt",
    ]


REFUSED = [
    ("empty.csv", "is empty"),
    ("header_only.csv", "has a header but no records"),
    ("web_page.csv", "is a web page"),
    ("row_names.csv", "the header names 6 columns but most rows have 7 values"),
    ("swallowed_rows.csv", "row 2: a quotation mark is never closed and takes in the rows that follow"),
    ("no_coordinates.csv", "among occurrenceID, scientificName, river_mile, bank, eventDate, recordedBy"),
    ("no_names.csv", "no names: there is no column scientificName"),
    ("archive_missing_file", "'records.txt', which is not in the archive"),
    ("archive_escape", "'../tab.txt', which is not in the archive"),
    ("archive_broken_meta", "meta.xml: is not XML that can be read"),
    ("archive_odd_meta", "is not a descriptor that can be read"),
    ("archive_no_core", "names no core file"),
    ("archive_taxon_core", "its core holds rows of taxon and no occurrences"),
    ("archive_events_alone", "its core holds rows of event and no occurrences"),
    ("archive_unknown_encoding", "unknown encoding"),
    ("archive_long_delimiter", "separates fields by '||'"),
    ("archive_too_narrow", "its descriptor places a term in column 10, the table has 6"),
    ("no_such_file.csv", "does not exist"),
]


@pytest.mark.parametrize(("name", "words"), REFUSED)
def test_files_that_cannot_be_used_are_refused_with_a_remedy(name: str, words: str) -> None:
    with pytest.raises(PoolBuilderError) as caught:
        read_all([FILES / name])
    message = str(caught.value)
    assert words in message
    assert message.startswith(str(FILES / name))
    assert caught.value.remedy
    assert "\n" not in message


def test_every_file_of_the_folder_is_tested_and_described() -> None:
    told = (FILES / "README.md").read_text(encoding="utf-8")
    tested = {*SAME, *(name for name, _ in REFUSED)}
    source = Path(__file__).read_text(encoding="utf-8")
    for item in FILES.iterdir():
        if item.name != "README.md":
            assert f"`{item.name}`" in told
            assert item.name in tested or f'"{item.name}"' in source


def test_maps_are_taken_whatever_their_case() -> None:
    rename = {"latitude": "decimallatitude", "LONGITUDE": "dwc:decimalLongitude", "Date": "eventDate"}
    records, _ = _read("everyday_names.csv", rename=rename)
    assert records["decimalLatitude"] == [40.1234, 40.5, 39.98]
    assert records["eventDate"][0] == "1999-05-01"


def test_everyday_headings_are_read_and_said() -> None:
    records, notes = _read("spaced_names.csv")
    assert records["decimalLatitude"][:2] == [40.1234, 40.5]
    assert records["scientificName"][0] == "Lepomis cyanellus"
    assert "Lat (dd) as decimalLatitude, Long dd as decimalLongitude" in " ".join(notes)


@pytest.mark.parametrize(
    ("header", "phrase"),
    [
        (
            "Species,Lat,Latitude,Long",
            "Lat and Latitude could each be decimalLatitude (say which with --map Lat=",
        ),
        ("Species,Taxon,Lat,Long", "Species and Taxon could each be scientificName"),
        ("Species,Lat,Long,Date,Survey date", '--map "Survey date=eventDate"'),
    ],
)
def test_headings_of_which_two_could_be_meant_are_refused(tmp_path: Path, header: str, phrase: str) -> None:
    path = tmp_path / "catch.csv"
    path.write_text(header + "\n" + ",".join("1" for _ in header.split(",")) + "\n")
    with pytest.raises(PoolBuilderError) as refused:
        read_records(path)
    assert phrase in str(refused.value)


@pytest.mark.parametrize(
    ("rename", "words"),
    [
        ({"Lat": "decimalLatitude"}, "there is no column 'Lat'"),
        ({"Latitude": "northing"}, "'northing' is not a Darwin Core term"),
    ],
)
def test_maps_that_lead_nowhere_are_refused(rename: dict[str, str], words: str) -> None:
    with pytest.raises(PoolBuilderError, match=words):
        read_all([FILES / "everyday_names.csv"], rename=rename)


# -- zips ----------------------------------------------------------------------------------


def _zip(path: Path, members: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return path


def _members(folder: str) -> dict[str, bytes]:
    return {item.name: item.read_bytes() for item in (FILES / folder).iterdir()}


def test_a_zip_gives_what_its_folder_gives(tmp_path: Path) -> None:
    flat = _zip(tmp_path / "a.zip", _members("archive_defaults"))
    nested = {f"inner/{name}": data for name, data in _members("archive_defaults").items()}
    deep = _zip(tmp_path / "b.zip", nested)
    expected, _, _, _ = read_all([FILES / "archive_defaults"])
    for path in (flat, deep):
        table, _, _, _ = read_all([path])
        assert table.drop_columns("sourceFile").equals(expected.drop_columns("sourceFile"))


def test_a_zip_of_one_table_is_read(tmp_path: Path) -> None:
    path = _zip(tmp_path / "t.zip", {"0001-2.csv": (FILES / "tab.txt").read_bytes(), "citations.txt": b"x"})
    assert read_all([path])[0].num_rows == 3


@pytest.mark.parametrize(
    "name", ["../evil.txt", "/etc/evil.txt", "a/../../evil.txt", "C:\\evil.txt", "..\\evil.txt"]
)
def test_a_zip_that_leaves_its_folder_is_refused(tmp_path: Path, name: str) -> None:
    path = _zip(tmp_path / "a.zip", {**_members("archive_plain"), name: b"x"})
    with pytest.raises(PoolBuilderError, match="would leave its folder"):
        read_records(path)


def test_a_zip_that_would_fill_the_disk_is_refused(tmp_path: Path) -> None:
    path = _zip(tmp_path / "a.zip", {**_members("archive_plain"), "more.bin": b"0" * (3 << 20)})
    assert path.stat().st_size < 20_000
    with pytest.raises(
        PoolBuilderError, match=r"unpack to 3 MiB, the limit is 2 \(raise the setting maxUnpackedMib"
    ):
        read_records(path, settings=Settings(max_unpacked_mib=2))
    assert read_all([path], settings=Settings(max_unpacked_mib=4))[0].num_rows == 3


def test_a_zip_that_holds_a_file_without_a_name_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "nameless.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(zipfile.ZipInfo(""), b"")
    with pytest.raises(PoolBuilderError, match="is a broken zip: a file without a name"):
        read_records(path)


def test_broken_zips_are_refused(tmp_path: Path) -> None:
    whole = _zip(
        tmp_path / "a.zip", {**_members("archive_plain"), "x.txt": bytes(range(256)) * 400}
    ).read_bytes()
    cut = tmp_path / "cut.zip"
    cut.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(PoolBuilderError, match="is a broken zip"):
        read_records(cut)
    locked = tmp_path / "locked.zip"
    data = bytearray(whole)
    data[data.index(b"PK\x01\x02") + 8] |= 1
    locked.write_bytes(bytes(data))
    with pytest.raises(PoolBuilderError, match="is encrypted"):
        read_records(locked)


def test_a_zip_with_a_damaged_table_says_so(tmp_path: Path) -> None:
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        for name, data in _members("archive_plain").items():
            archive.writestr(name, data)
    data = path.read_bytes()
    path.write_bytes(data.replace(b"Lepomis gulosus", b"Lepomis gulosum"))
    with pytest.raises(PoolBuilderError, match="is a broken zip"):
        read_all([path])


@pytest.mark.parametrize(
    ("members", "words"),
    [
        ({"a.txt": b"x", "b.txt": b"y"}, "has no meta.xml and holds 2 tables"),
        ({"photo.jpg": b"x"}, "holds no table of records"),
        ({"xl/workbook.xml": b"<x/>", "[Content_Types].xml": b"<x/>"}, "is a spreadsheet"),
    ],
)
def test_zips_of_something_else_are_refused(tmp_path: Path, members: dict[str, bytes], words: str) -> None:
    with pytest.raises(PoolBuilderError, match=words):
        read_records(_zip(tmp_path / "a.zip", members))


@pytest.mark.parametrize(
    ("head", "words"),
    [
        (b"%PDF-1.7", "is a PDF"),
        (b"\x1f\x8b\x08", "is compressed"),
        (b"SQLite format 3\x00", "holds no layer of points"),
    ],
)
def test_other_kinds_of_file_are_refused(tmp_path: Path, head: bytes, words: str) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(head + b"1234")
    with pytest.raises(PoolBuilderError, match=words):
        read_records(path)


def test_a_table_with_more_headings_than_an_unreadable_path(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(PoolBuilderError, match="holds no table of records"):
        read_records(tmp_path / "empty")


# -- Parquet -------------------------------------------------------------------------------


def test_parquet_of_records_comes_back(tmp_path: Path) -> None:
    table, _, _, _ = read_all([FILES / "archive_defaults"])
    parquet.write_table(table, tmp_path / "records.parquet")
    again, _, _, _ = read_all([tmp_path / "records.parquet"])
    made = ["sourceFile", "sourceRow", "coordinateDecimals"]
    assert again.drop_columns(made).equals(table.drop_columns(made))
    assert again["coordinateDecimals"].to_pylist() == [None] * 3  # binary numbers have no decimals


def test_parquet_as_a_service_writes_it(tmp_path: Path) -> None:
    table = pa.table(
        {
            "gbifid": pa.array([1, 2], pa.int64()),
            "occurrenceid": ["u:1", "u:2"],
            "scientificname": pa.array(["Lepomis gulosus", "Lepomis auritus"]).dictionary_encode(),
            "decimallatitude": pa.array([40.5, None], pa.float32()),
            "decimallongitude": pa.array([-88.25, -88.5], pa.float64()),
            "year": pa.array([1999, None], pa.int64()),
            "issue": pa.array([["ZERO_COORDINATE", "TAXON_MATCH_FUZZY"], []]),
            "recordedby": pa.array([[{"array_element": "A"}], None]),
            "eventdate": pa.array(["1999-05-01", None], pa.large_string()),
        }
    )
    folder = tmp_path / "occurrence.parquet"
    folder.mkdir()
    parquet.write_table(table, folder / "000001.parquet")
    parquet.write_table(table.slice(0, 1), folder / "000002.parquet")
    out, _, _, _ = read_all([folder])
    assert out.num_rows == 3
    records = out.to_pydict()
    assert records["decimalLatitude"] == [40.5, None, 40.5]
    assert records["year"] == [1999, None, 1999]
    assert records["issue"] == [
        "ZERO_COORDINATE;TAXON_MATCH_FUZZY",
        None,
        "ZERO_COORDINATE;TAXON_MATCH_FUZZY",
    ]
    assert records["recordedBy"][0] == "A"
    assert records["geodeticDatum"] == ["WGS84"] * 3
    assert len(set(records["recordKey"])) == 3


def test_broken_parquet_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    path.write_bytes(b"PAR1 and no more")
    with pytest.raises(PoolBuilderError, match="is a broken Parquet file"):
        read_records(path)


# -- laws ----------------------------------------------------------------------------------

CELLS = st.text(
    st.characters(codec="utf-8", exclude_categories=["C", "Zs", "Zl", "Zp"]), min_size=1, max_size=8
)


@LAW
@given(
    rows=st.lists(st.tuples(CELLS, CELLS), min_size=1, max_size=12),
    delimiter=st.sampled_from([",", ";", "|", "\t"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le"]),
    end=st.sampled_from(["\n", "\r\n"]),
)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[str, str]],
    delimiter: str,
    encoding: str,
    end: str,
) -> None:
    def quoted(cell: str) -> str:
        return '"' + cell.replace('"', '""') + '"'

    lines = ["occurrenceID", "scientificName", "locality", "decimalLatitude", "decimalLongitude"]
    text = [delimiter.join(map(quoted, lines))]
    text += [
        delimiter.join(map(quoted, [f"r{number}", name, place, "40.5", "-88.25"]))
        for number, (name, place) in enumerate(rows)
    ]
    path = tmp_path_factory.mktemp("law") / "t.txt"
    path.write_bytes((end.join(text) + end).encode(encoding))
    records = read_all([path])[0].to_pydict()
    missing = set(grids.MISSING)
    assert records["locality"] == [None if place in missing else place for _, place in rows]
    assert records["scientificName"] == [None if name in missing else name for name, _ in rows]
    assert records["decimalLatitude"] == [40.5] * len(rows)


PIECES = st.sampled_from(
    [
        b",",
        b'"',
        b"\n",
        b"\r",
        b"\t",
        b"a",
        b"40.1",
        b"-88",
        b"\xff",
        b"\x00",
        b";",
        b"\xc3\xa9",
        b"1e5",
        b"NA",
        b" ",
    ]
)
HEAD = b"occurrenceID,scientificName,decimalLatitude,decimalLongitude\n"


@LAW
@given(
    data=st.one_of(st.binary(max_size=60), st.lists(PIECES, max_size=50).map(b"".join)),
    with_header=st.booleans(),
)
def test_no_bytes_end_in_anything_but_records_or_a_clear_error(
    tmp_path_factory: pytest.TempPathFactory, data: bytes, with_header: bool
) -> None:
    path = tmp_path_factory.getbasetemp() / "anything.csv"
    path.write_bytes((HEAD if with_header else b"") + data)
    try:
        table, _, _, _ = read_all([path])
    except PoolBuilderError:
        return
    assert table.num_rows > 0
    assert len(set(table["recordKey"].to_pylist())) == table.num_rows


# -- real tables ---------------------------------------------------------------------------


def test_table_and_archive_of_one_survey_agree(shared_data: Path) -> None:
    table, sources, notes, _ = read_all([shared_data / "fish_surveys" / "occurrence.txt"])
    archive, _, _, datasets = read_all([shared_data / "fish_surveys" / "fish_surveys_dwca.zip"])
    assert table.drop_columns("sourceFile").equals(archive.drop_columns("sourceFile"))
    assert table.num_rows == sources[0]["rows"] == 6566
    assert notes == ()
    assert str(datasets[0]["license"]).startswith("CC0")


def test_a_survey_with_vernacular_names_alone(shared_data: Path) -> None:
    table, _, notes, _ = read_all([shared_data / "stream_surveys" / "occurrence.txt"])
    records = table.slice(0, 1).to_pylist()[0]
    assert table.num_rows == 15771
    assert notes == ()
    assert records["scientificName"] == records["vernacularName"] == "EASTERN MUDMINNOW"
    assert records["geodeticDatum"] == "NAD83"


def test_reading_imports_no_pandas() -> None:
    code = (
        "import sys; from poolbuilder.records.reading import read_all;"
        f"read_all([{str(FILES / 'ragged.csv')!r}, {str(FILES / 'archive_defaults')!r}, {str(FILES / 'archive_events')!r}]);"
        "print(sorted({'pandas', 'scipy', 'geopandas', 'pyarrow.dataset'} & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


@pytest.mark.registry
@pytest.mark.filterwarnings(
    "ignore::pytest.PytestUnraisableExceptionWarning"
)  # files that its tests leave open
def test_every_archive_that_the_reader_package_makes_for_its_own_tests(tmp_path: Path) -> None:
    """Source: the test folder of python-dwca-reader 0.17.1 on the package registry."""
    folder = registry_package("python-dwca-reader") / "dwca" / "test"
    made = _archives_made_in(folder, tmp_path / "made")
    assert len(made) > 40
    read = refused = 0
    for path in made:
        try:
            table, _, _, _ = read_all([path], rename={"term1": "scientificName"})
        except PoolBuilderError:
            refused += 1
        else:
            assert table["decimalLatitude"].to_pylist() == [40.5] * table.num_rows
            assert table["scientificName"].null_count == 0
            read += 1
    assert (read, refused) == (44, 5)


@pytest.mark.registry
def test_a_real_download_of_the_service() -> None:
    """Source: the sample data set in the source distribution of polars-darwin-core 4.0.0."""
    path = registry_package("polars-darwin-core") / "sample-dataset"
    table, sources, notes, datasets = read_all([path])
    assert table.num_rows == sources[0]["rows"] == 7929
    assert len(datasets) == 210
    assert all(item["license"] and item["title"] and item["citation"] for item in datasets)
    assert set(table["datasetKey"].to_pylist()) - {None} <= {item["datasetKey"] for item in datasets}
    assert set(table["geodeticDatum"].to_pylist()) == {"WGS84"}
    assert len(set(table["recordKey"].to_pylist())) == 7929
    assert [note.rsplit(": ", 1)[1] for note in notes] == ["66"]
    # A hybrid that the service had filed under the family of its parents.
    assert "Passer domesticus x Passer italiae" in table["scientificName"].to_pylist()
    named = name_records(table, Checklist.load("lepomis"), settings=Settings())
    screened = screen(named, settings=Settings(), as_of=datetime.date(2025, 6, 1))
    counts = tally(screened)
    assert screened["rejectedBy"].null_count + sum(counts.values()) == 7929
    assert counts["duplicate"] > 200  # one specimen published in two data sets, mostly


def _archives_made_in(folder: Path, out: Path) -> list[Path]:
    """Run the package's tests with coordinates added to every archive that they make."""
    package = types.ModuleType("archive_samples")
    package.__path__ = [str(folder)]
    sys.modules["archive_samples"] = package
    builder = importlib.import_module("archive_samples.archive_builder")
    build = builder.build_archive
    made: list[Path] = []
    prefix = "http://rs.tdwg.org/dwc/terms/"

    def recorded(directory: str, rows: object, **more: object) -> object:
        path = out / str(len(made))
        path.mkdir(parents=True)
        defaults = {f"{prefix}decimalLatitude": "40.5", f"{prefix}decimalLongitude": "-88.25"}
        build(str(path), rows, **{**more, "defaults": {**(more.get("defaults") or {}), **defaults}})  # type: ignore[dict-item]
        made.append(path)
        return build(directory, rows, **more)

    builder.build_archive = recorded
    for name in ("test_characterization", "test_datafile"):
        module = importlib.import_module(f"archive_samples.{name}")
        unittest.defaultTestLoader.loadTestsFromModule(module).run(unittest.TestResult())
    return made
