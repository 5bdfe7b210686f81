"""A pool folder is written whole or not at all, and reads back as the same pool."""

from __future__ import annotations

import dataclasses
import json
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import geopandas
import jsonschema
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely

from poolbuilder import Pool, PoolBuilderError, read_pool, tables, write_pool
from poolbuilder.folder import load_pool_schema, pool_document, table_schema
from poolbuilder.pages.pool_page import render
from poolbuilder.places.sites import WATER_TYPES
from poolbuilder.pool import SCHEMA_VERSION
from poolbuilder.schemas import CONTRIBUTIONS, POOL, REJECTED, STATUS
from tests.conftest import small_disk

FILES = (
    "pool.csv", "pool.parquet", "pool.json", "evidence.parquet", "rejected.parquet", "crosses.csv",
    "crosses.parquet", "map.geojson", "pool.gpkg", "datapackage.json",
)  # fmt: skip


@pytest.fixture
def folder(demo_pool: Pool, tmp_path: Path) -> Path:
    return write_pool(demo_pool, tmp_path / "pool", pages={"report.html": "<p>x</p>"})


def test_every_file_is_there(folder: Path) -> None:
    assert {path.name for path in folder.iterdir()} == {*FILES, "report.html"}


def test_round_trip(demo_pool: Pool, folder: Path) -> None:
    again = read_pool(folder)
    assert again.site == demo_pool.site
    assert again.settings == demo_pool.settings
    for name in ("candidates", "evidence", "contributions", "rejected", "crosses", "status"):
        assert getattr(again, name).equals(getattr(demo_pool, name)), name
    assert pool_document(again) == json.loads(json.dumps(pool_document(demo_pool)))
    for layer, items in demo_pool.features.items():
        for item, read in zip(items, again.features[layer], strict=True):
            assert read["properties"] == json.loads(json.dumps(item["properties"]))
            shapes = [shapely.geometry.shape(each["geometry"]) for each in (item, read)]
            assert shapes[0].normalize().equals_exact(shapes[1].normalize(), 1e-12)


def test_outer_rings_run_counter_clockwise(folder: Path) -> None:
    """RFC 7946, 3.1.6: exterior rings are counter-clockwise, holes are clockwise."""
    rings = []
    for item in json.loads((folder / "map.geojson").read_text(encoding="utf-8"))["features"]:
        shape = shapely.geometry.shape(item["geometry"])
        for part in getattr(shape, "geoms", [shape]):
            if part.geom_type == "Polygon":
                rings.append((part.exterior.is_ccw, [hole.is_ccw for hole in part.interiors]))
    assert rings
    assert all(outer and not any(holes) for outer, holes in rings)


def test_evidence_is_geoparquet(folder: Path) -> None:
    points = geopandas.read_parquet(folder / "evidence.parquet")
    assert points.crs.to_string() == "OGC:CRS84"
    assert points.geometry.x.tolist() == points["longitude"].tolist()


def test_csv_files_are_for_spreadsheets(demo_pool: Pool, tmp_path: Path) -> None:
    rows = demo_pool.candidates.to_pylist()
    rows[0]["vernacularName"] = "=1+1"
    bad = tables.table(POOL, {name: [row[name] for row in rows] for name in POOL.names})
    text = (
        write_pool(dataclasses.replace(demo_pool, candidates=bad), tmp_path / "a") / "pool.csv"
    ).read_bytes()
    assert text.startswith(b"\xef\xbb\xbf")
    assert b",'=1+1," in text
    assert max(len(cell.partition(b".")[2]) for cell in re.findall(rb"[\d.]+", text)) <= 4


def test_same_pool_same_bytes(demo_pool: Pool, tmp_path: Path) -> None:
    first, second = write_pool(demo_pool, tmp_path / "a"), write_pool(demo_pool, tmp_path / "b")
    for name in FILES:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


def test_pool_json_fits_its_schema(folder: Path) -> None:
    document = json.loads((folder / "pool.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, load_pool_schema(), format_checker=jsonschema.FormatChecker())


def test_the_shipped_schema_is_the_one_of_the_tables() -> None:
    shipped = load_pool_schema()
    assert shipped["$id"] == f"urn:poolbuilder:pool:{SCHEMA_VERSION}"
    properties = shipped["properties"]
    assert properties["schemaVersion"] == {"const": SCHEMA_VERSION}
    assert properties["site"]["properties"]["waterType"] == {"enum": [*WATER_TYPES, None]}
    for name, schema in (("candidates", POOL), ("contributions", CONTRIBUTIONS), ("status", STATUS)):
        described = {}
        for field in table_schema(schema)["fields"]:
            nullable = schema.field(field["name"]).nullable
            kind = [field["type"], "null"] if nullable else field["type"]
            described[field["name"]] = {"type": kind, "description": field["description"]}
        assert properties[name]["items"] == {
            "type": "object",
            "properties": described,
            "required": schema.names,
            "additionalProperties": False,
        }


BLUEGILL = {
    "scientificName": "Lepomis macrochirus",
    "vernacularName": "bluegill",
    "presence": 0.9,
    "presenceLow": None,
    "presenceHigh": None,
    "weight": 1.0,
    "tier": "radius",
    "records": 3,
    "recordsInWater": None,
    "expectedRecords": 2.5,
    "events": 1,
    "nearestKm": 4.5,
    "medianKm": 4.5,
    "nearestByWaterKm": None,
    "firstYear": 1998,
    "lastYear": 2020,
    "establishmentMeans": "native",
    "establishmentSource": "polygon",
    "rangeKm": 0.0,
    "hybridRecords": 0,
    "note": "",
}
PAIR = {
    "parent1": "Lepomis cyanellus",
    "parent2": "Lepomis macrochirus",
    "formula": "Lepomis cyanellus × Lepomis macrochirus",
    "prior": 0.4,
    "weight": 1.0,
    "documented": True,
    "viability": "viable in both directions",
    "hybridRecords": 0,
    "note": "",
}
EVENT = {
    "scientificName": "Lepomis macrochirus",
    "eventKey": "a",
    "placeKey": "b",
    "kind": "record",
    "records": 3,
    "longitude": -91.0,
    "latitude": 37.0,
    "distanceKm": 4.5,
    "byWaterKm": None,
    "basinRelation": None,
    "coordinateUncertaintyInMeters": 30.0,
    "eventDate": "2020-05-02",
    "year": 2020,
    "ageYears": 6.1,
    "quality": 0.9,
    "insideShare": 1.0,
    "inWaterShare": None,
    "kernel": 0.7,
    "crowding": 1.0,
    "weight": 0.4,
    "hazard": 0.5,
    "logOdds": 1.5,
    "datasetKey": None,
    "recordIDs": ["a:1", "a:2", "a:3"],
}
ARGUMENT = [
    ("range", -0.6190392084062235, "inside the extant native polygon"),
    ("records", 2.816263785742555, "3 records, the nearest 4.5 km away"),
]
SITE = {"name": "Old Mill Pond", "longitude": -91.0, "latitude": 37.04, "radiusKm": 40.0, "waterType": None}


def _by_hand(folder: Path) -> Path:
    """A pool folder as version 1.0 wrote it, with one species, one pair and one event."""
    folder.mkdir()
    steps = [
        {"scientificName": "Lepomis macrochirus", "part": part, "logOdds": change, "words": said}
        for part, change, said in ARGUMENT
    ]
    status = {
        "scientificName": "Lepomis macrochirus",
        "rangeClass": "extant",
        "establishmentMeans": "native",
        "rangeKm": 0.0,
        "words": "inside the extant native polygon",
        "polygonsDisagree": False,
    }
    document = {
        **{"schemaVersion": "1.0", "poolbuilderVersion": "0.0.9", "site": SITE, "asOf": "2026-06-01"},
        **{"checklist": "lepomis", "step": "records", "candidates": [BLUEGILL], "contributions": steps},
        **{"status": [status], "counts": {"read": 3, "kept": 3, "rejected": {}}, "calibration": None},
        **{"completeness": None, "notes": [], "inputs": [], "datasets": []},
        "settings": {"halfLifeYears": 30, "kernelKm": 15.0, "floor": 0.002, "regionKm": 200},
    }
    (folder / "pool.json").write_text(json.dumps(document), encoding="utf-8")
    (folder / "map.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    kinds = {"byWaterKm": pa.float64(), "basinRelation": pa.string(), "inWaterShare": pa.float64()}
    event = pa.table({key: pa.array([value], kinds.get(key)) for key, value in EVENT.items()})
    pq.write_table(event, folder / "evidence.parquet")
    pq.write_table(pa.Table.from_pylist([PAIR]), folder / "crosses.parquet")
    later = {"habitat", "isTaxonomicScopeFullyReported", "targetTaxonomicScope"}
    rejected = pa.schema([field for field in REJECTED if field.name not in later])
    pq.write_table(rejected.empty_table(), folder / "rejected.parquet")
    return folder


def test_a_folder_of_version_1_0_is_read(tmp_path: Path) -> None:
    old = read_pool(_by_hand(tmp_path / "old"))
    bluegill = old["bluegill"]
    assert bluegill | BLUEGILL == bluegill
    assert bluegill["presenceIfFound"] is bluegill["presenceIfMissed"] is bluegill["listsToRuleOut"] is None
    assert [(row["part"], row["logOdds"], row["words"]) for row in old.reasons("bluegill")] == ARGUMENT
    assert {row["sampled"] for row in old.reasons("bluegill")} == {None}
    assert old.crosses.to_pylist() == [{**PAIR, "frequency": None, "bredAndStocked": None}]
    assert old.evidence["recordIDs"].to_pylist() == [["a:1", "a:2", "a:3"]]
    assert old.settings.changed() == {"regionKm": 200}


def test_a_pool_of_version_1_0_is_shown_and_written_anew(tmp_path: Path) -> None:
    old = read_pool(_by_hand(tmp_path / "old"))
    page = render(old)
    assert "3 records, the nearest 4.5 km away" in page
    assert "One more complete list" not in page
    again = read_pool(write_pool(old, tmp_path / "new"))
    assert again.contributions.equals(old.contributions)
    assert json.loads((tmp_path / "new" / "pool.json").read_text())["schemaVersion"] == "2.0"


def test_a_folder_of_version_1_0_that_lacks_a_column_of_its_own_is_named(tmp_path: Path) -> None:
    folder = _by_hand(tmp_path / "old")
    pq.write_table(
        pq.read_table(folder / "evidence.parquet").drop_columns("quality"), folder / "evidence.parquet"
    )
    with pytest.raises(PoolBuilderError, match=r"evidence\.parquet: lacks 'quality'"):
        read_pool(folder)


def test_every_column_is_described(folder: Path) -> None:
    tables_of = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))["resources"]
    columns = [field for table in tables_of for field in table.get("schema", {}).get("fields", ())]
    assert len(columns) > 100
    assert all(len(field["description"]) > 8 for field in columns)
    for path in folder.glob("*.parquet"):
        assert all(len(field.metadata[b"doc"]) > 8 for field in pq.read_schema(path)), path.name


def test_a_folder_of_something_else_is_left_alone(demo_pool: Pool, tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(PoolBuilderError, match="holds something that poolbuilder did not write"):
        write_pool(demo_pool, tmp_path)
    assert (tmp_path / "thesis.txt").read_text() == "mine"


def test_a_failing_write_leaves_the_old_folder(demo_pool: Pool, folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(PoolBuilderError, match="cannot be written"):
        write_pool(demo_pool, folder, pages={"no/such/folder.html": "x"})
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert [path.name for path in folder.parent.iterdir()] == ["pool"]


def test_a_killed_write_leaves_the_old_folder(folder: Path) -> None:
    """Kill -9 while the new folder is being filled."""
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    program = f"""
import os, signal
from poolbuilder import folder as writing
def die(*_): os.kill(os.getpid(), signal.SIGKILL)
writing._write_geopackage = die
writing.write_pool(writing.read_pool({str(folder)!r}), {str(folder)!r})
"""
    done = subprocess.run([sys.executable, "-c", program], check=False)
    assert done.returncode == -signal.SIGKILL
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    read_pool(folder)


@pytest.mark.parametrize("share", [0.05, 0.4, 0.7, 0.95])
def test_a_disk_that_fills_up_while_the_geopackage_is_written_leaves_the_old_folder(
    demo_pool: Pool, folder: Path, tmp_path: Path, share: float
) -> None:
    """Wherever in the file the disk ends, the user is told of the disk."""
    sizes = {path.name: -(-path.stat().st_size // 4096) * 4 for path in folder.iterdir()}
    held, later = sum(sizes.values()), ("pool.gpkg", "report.html", "datapackage.json")
    room_kib = held - sum(sizes.get(name, 0) for name in later) + round(share * sizes["pool.gpkg"])
    with small_disk(tmp_path / "small", f"{held + 8 + room_kib}k") as disk:
        shutil.copytree(folder, disk / "pool")
        before = {path.name: path.read_bytes() for path in (disk / "pool").iterdir()}
        with pytest.raises(PoolBuilderError, match="cannot be written: no space left on the disk") as told:
            write_pool(demo_pool, disk / "pool")
        assert len(str(told.value).splitlines()) == 1
        assert {path.name: path.read_bytes() for path in (disk / "pool").iterdir()} == before
        assert [path.name for path in disk.iterdir()] == ["pool"]


def test_a_file_size_limit_is_one_line_of_the_command(folder: Path) -> None:
    """A limit stops the GeoPackage after every smaller file has been written."""
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    limit = len(before["pool.gpkg"]) - 5000
    assert all(len(before[name]) < limit for name in before if name not in {"pool.gpkg", "report.html"})
    program = f"""
import resource
from poolbuilder.cli import main
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
main(["demo", "--out", {str(folder)!r}])
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert (done.returncode, len(done.stderr.splitlines())) == (1, 1), done.stderr
    assert "pool.gpkg could not be finished" in done.stderr
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)])
def test_an_ended_build_clears_up(folder: Path, number: signal.Signals, code: int) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    program = f"""
import signal, time
signal.signal(signal.SIGINT, signal.default_int_handler)  # which a job in the background may not have
from poolbuilder import folder as writing
from poolbuilder.cli import main
writing._write_geopackage = lambda *_: (print("ready", flush=True), time.sleep(60))
main(["demo", "--out", {str(folder)!r}])
"""
    with subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        assert [path.name for path in folder.parent.iterdir() if path.name.startswith(".part-")]
        process.send_signal(number)
        _, told = process.communicate(timeout=120)
    assert process.returncode == code
    assert "Traceback" not in told
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert [path.name for path in folder.parent.iterdir()] == ["pool"]


def test_a_kill_between_the_renames_is_mended(folder: Path) -> None:
    folder.rename(folder.with_name(".pool.previous"))
    assert read_pool(folder).candidates.num_rows == 13


@pytest.mark.parametrize(
    ("file", "content", "message"),
    [
        ("pool.json", "{", "pool.json: is not JSON"),
        ("pool.json", "{}", "is not a pool"),
        ("pool.json", '{"schemaVersion": "99"}', "has schemaVersion 99, this version reads"),
        ("pool.json", '{"schemaVersion": "2.0"}', "lacks 'site'"),
        ("pool.json", '{"schemaVersion": "1.0"}', "lacks 'site'"),
        ("evidence.parquet", "not parquet", "evidence.parquet: cannot be read"),
        ("crosses.parquet", "a", "crosses.parquet: cannot be read"),
        ("map.geojson", "[", "map.geojson: is not JSON"),
    ],
)
def test_a_broken_file_is_named(folder: Path, file: str, content: str, message: str) -> None:
    (folder / file).write_text(content)
    with pytest.raises(PoolBuilderError, match=message):
        read_pool(folder)


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(PoolBuilderError, match="is not a folder"):
        read_pool(tmp_path / "none")


def test_geopackage_opens_with_its_layers(folder: Path, demo_pool: Pool) -> None:
    import geopandas

    frame = geopandas.read_file(folder / "pool.gpkg", layer="evidence")
    assert len(frame) == demo_pool.evidence.num_rows
    assert frame.crs.to_epsg() == 4326
    layers = set(geopandas.list_layers(folder / "pool.gpkg")["name"])
    assert layers >= {"evidence", "candidates", "crosses", "disc", "ranges"}
    table = geopandas.read_file(folder / "pool.gpkg", layer="candidates")
    assert "geometry" not in table.columns
    assert table["scientificName"].tolist() == demo_pool.candidates["scientificName"].to_pylist()
    assert table["presence"].tolist() == demo_pool.candidates["presence"].to_pylist()
