"""Layers of every format, and what is said of each defect."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
import struct
import subprocess
import sys
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely

from poolbuilder import PoolBuilderError
from poolbuilder.places.layers import Layer, read_layer, split_spec

DATA = Path(__file__).parent / "data" / "layers"
SQUARE = shapely.box(-90, 40, -89, 41)


def _read(name: str | Path) -> Layer:
    return read_layer(str(DATA / name), purpose="range polygons")


def _frame(crs: object = 4326) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"name": ["a", None], "n": [1, 2]}, geometry=[SQUARE, SQUARE], crs=crs)


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A GeoPackage with two layers, one of them in metres."""
    path = tmp_path_factory.mktemp("layers") / "two.gpkg"
    _frame().to_file(path, layer="ranges")
    _frame().to_crs(5070).to_file(path, layer="albers")
    return path


# Formats


def test_geopackage_layer(package: Path) -> None:
    layer = read_layer(f"{package}:ranges", purpose="range polygons")
    assert layer.rows == 2
    assert layer.attributes == {"name": ["a", None], "n": [1, 2]}
    assert layer.notes == ()
    assert layer.numbers.tolist() == [1, 2]
    assert layer.source["layer"] == "ranges"
    assert layer.source["sha256"] == hashlib.sha256(package.read_bytes()).hexdigest()
    assert shapely.equals(layer.geometry[0], SQUARE)


def test_geopackage_in_metres_comes_back_to_degrees(package: Path) -> None:
    layer = read_layer(f"{package}:albers", purpose="range polygons")
    assert layer.notes == ("brought from NAD83 / Conus Albers to WGS84",)
    assert layer.geometry[0].bounds == pytest.approx(SQUARE.bounds, abs=1e-7)


def test_degrees_on_another_datum_keep_their_axes(tmp_path: Path) -> None:
    """EPSG:4269 has latitude first by its definition; files have longitude first."""
    _frame(4269).to_file(tmp_path / "nad83.gpkg")
    layer = read_layer(tmp_path / "nad83.gpkg", purpose="basins")
    assert layer.notes == ("brought from NAD83 to WGS84",)
    assert layer.geometry[0].bounds == pytest.approx(SQUARE.bounds, abs=1e-4)


def test_geoparquet_with_and_without_crs(tmp_path: Path) -> None:
    _frame().to_parquet(tmp_path / "a.parquet")
    layer = read_layer(tmp_path / "a.parquet", purpose="basins")
    assert layer.attributes["n"] == [1, 2]
    assert shapely.equals(layer.geometry[0], SQUARE)
    _frame().to_crs(26915).to_parquet(tmp_path / "b.parquet")
    layer = read_layer(tmp_path / "b.parquet", purpose="basins")
    assert layer.geometry[0].bounds == pytest.approx(SQUARE.bounds, abs=1e-7)
    _rewrite_crs(tmp_path / "b.parquet", tmp_path / "absent.parquet", absent=True)
    with pytest.raises(PoolBuilderError, match="no degrees on the globe"):  # metres, read as OGC:CRS84
        read_layer(tmp_path / "absent.parquet", purpose="basins")
    _rewrite_crs(tmp_path / "a.parquet", tmp_path / "null.parquet", absent=False)
    with pytest.raises(PoolBuilderError, match="no coordinate reference system"):
        read_layer(tmp_path / "null.parquet", purpose="basins")


def _rewrite_crs(source: Path, target: Path, *, absent: bool) -> None:
    table = pq.ParquetFile(source).read()
    geo = json.loads(table.schema.metadata[b"geo"])
    if absent:
        del geo["columns"]["geometry"]["crs"]
    else:
        geo["columns"]["geometry"]["crs"] = None
    pq.write_table(table.replace_schema_metadata({"geo": json.dumps(geo)}), target)


def test_geoparquet_that_is_not_quite(tmp_path: Path) -> None:
    pq.write_table(pa.table({"a": [1]}), tmp_path / "plain.parquet")
    with pytest.raises(PoolBuilderError, match="without the `geo` description"):
        read_layer(tmp_path / "plain.parquet", purpose="basins")
    _frame().to_parquet(tmp_path / "native.parquet", geometry_encoding="geoarrow")
    with pytest.raises(PoolBuilderError, match=r"encoded as polygon.*WKB"):
        read_layer(tmp_path / "native.parquet", purpose="basins")
    (tmp_path / "text.parquet").write_text("no parquet")
    with pytest.raises(PoolBuilderError, match="cannot be read as basins"):
        read_layer(tmp_path / "text.parquet", purpose="basins")


def test_geoparquet_of_other_columns_than_expected(tmp_path: Path) -> None:
    _frame().to_parquet(tmp_path / "a.parquet")
    table = pq.read_table(tmp_path / "a.parquet")
    late = pa.array([2**62] * 2, pa.timestamp("us"))
    odd = table.append_column("n", pa.array([7, 8])).append_column("when", late)
    pq.write_table(odd, tmp_path / "odd.parquet")
    layer = read_layer(tmp_path / "odd.parquet", purpose="basins")
    assert layer.attributes["n"] == [1, 2]  # of two columns of one name the first
    assert "out of range" in layer.attributes["when"][0]  # a year that no calendar has
    at = table.column_names.index("geometry")
    for values in (pa.array([1.5, 2.5]), pa.array([True, False]), pa.array([{"a": 1}, None])):
        pq.write_table(table.set_column(at, "geometry", values), tmp_path / "odd.parquet")
        with pytest.raises(PoolBuilderError, match="geometry is encoded as WKB in a column of"):
            read_layer(tmp_path / "odd.parquet", purpose="basins")
    arc = struct.pack("<BII", 1, 8, 3) + struct.pack("<6d", -90, 40, -89, 41, -88, 40)
    pq.write_table(table.set_column(at, "geometry", pa.array([arc, arc])), tmp_path / "odd.parquet")
    with pytest.raises(PoolBuilderError, match="cannot be read as basins: Nonlinear geometry"):
        read_layer(tmp_path / "odd.parquet", purpose="basins")
    for geo in ("[]", '{"primary_column": "geometry", "columns": {"geometry": 7}}', '{"primary_column": []}'):
        pq.write_table(table.replace_schema_metadata({"geo": geo}), tmp_path / "odd.parquet")
        with pytest.raises(PoolBuilderError, match="without the `geo` description"):
            read_layer(tmp_path / "odd.parquet", purpose="basins")


def test_shapefile_in_feet_is_hashed_with_its_parts() -> None:
    layer = _read("feet.shp")
    assert layer.geometry[0].bounds == pytest.approx((-79.0, 35.9, -78.9, 36.0), abs=1e-7)
    assert "ftUS" in layer.notes[0]
    digest = hashlib.sha256()
    for suffix in (".shp", ".shx", ".dbf", ".prj", ".cpg"):
        digest.update((DATA / f"feet{suffix}").read_bytes())
    assert layer.source["sha256"] == digest.hexdigest()


def test_zipped_shapefile(tmp_path: Path) -> None:
    folder = tmp_path / "parts"
    folder.mkdir()
    for item in DATA.glob("feet.*"):
        shutil.copy(item, folder)
    archive = shutil.make_archive(str(tmp_path / "feet"), "zip", folder)
    layer = read_layer(archive, purpose="basins")
    assert layer.geometry[0].bounds == pytest.approx((-79.0, 35.9, -78.9, 36.0), abs=1e-7)


@pytest.mark.parametrize("at", [30, 60, -60, -150])
def test_a_zipped_shapefile_that_was_damaged_is_one_line(tmp_path: Path, at: int) -> None:
    _frame().to_file(tmp_path / "ranges.shp")
    with zipfile.ZipFile(tmp_path / "ranges.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for part in sorted(tmp_path.glob("ranges.*"))[::-1]:
            if part.suffix != ".zip":
                archive.write(part, part.name)
    content = bytearray((tmp_path / "ranges.zip").read_bytes())
    start = at % len(content)
    content[start : start + 40] = b"\xff" * len(content[start : start + 40])
    (tmp_path / "ranges.zip").write_bytes(content)
    with pytest.raises(PoolBuilderError, match="cannot be read as basins") as told:
        read_layer(tmp_path / "ranges.zip", purpose="basins")
    assert len(str(told.value).splitlines()) == 1


def test_one_feature_a_line() -> None:
    assert _read("lines.geojsonl").attributes["name"] == ["s0", "s2"]


def test_a_single_geometry_is_a_layer(tmp_path: Path) -> None:
    path = tmp_path / "bare.geojson"
    path.write_text('{"type": "Point", "coordinates": [1, 2]}')
    assert read_layer(path, purpose="barriers").geometry[0].coords[0] == (1, 2)


def test_geojson_does_not_import_geopandas() -> None:
    code = (
        "import sys; from poolbuilder.places.layers import read_layer; "
        f"read_layer({str(DATA / 'bow_tie.geojson')!r}, purpose='ranges'); "
        "assert not {'geopandas', 'pandas', 'scipy'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


# Repairs, each said


def test_bow_tie_is_repaired_and_keeps_its_area() -> None:
    layer = _read("bow_tie.geojson")
    assert layer.notes == ("1 invalid geometry repaired",)
    assert shapely.is_valid(layer.geometry).all()
    assert layer.geometry[0].area == pytest.approx(2)
    assert layer.attributes["name"] == ["bow tie", "square"]


def test_a_spike_is_repaired_to_the_polygon_alone() -> None:
    layer = _read("spike.geojson")
    assert layer.notes == ("1 invalid geometry repaired",)
    assert layer.geometry[0].geom_type == "Polygon"
    assert layer.geometry[0].area == pytest.approx(1)


def test_a_polygon_without_extent_is_left_out() -> None:
    layer = _read("flat.geojson")
    assert layer.notes == ("1 invalid geometry repaired", "1 repaired geometry without extent left out")
    assert layer.attributes["name"] == ["square"]


def test_heights_are_dropped() -> None:
    layer = _read("heights.geojson")
    assert layer.notes == ("heights and measures dropped",)
    assert not shapely.has_z(layer.geometry).any()


def test_features_without_geometry_are_counted_and_the_rest_keeps_its_number() -> None:
    layer = _read("without_geometry.geojson")
    assert layer.notes == (
        "1 geometry unreadable (feature 3): left out",
        "2 features without geometry left out",
    )
    assert layer.attributes["name"] == ["square"]
    assert layer.numbers.tolist() == [4]
    assert layer.source["rows"] == 4


@pytest.mark.parametrize("name", ["across_180.geojson", "beyond_180.geojson"])
def test_the_antimeridian_splits(name: str) -> None:
    layer = _read(name)
    assert layer.notes == ("1 feature across ±180° longitude: split there",)
    shape = layer.geometry[0]
    assert shape.area == pytest.approx(4)
    assert shape.covers(shapely.MultiPoint([(179.5, 0), (-179.5, 0)]))
    assert not shape.covers(shapely.Point(0, 0))


def test_a_ring_around_the_pole_holds_it() -> None:
    assert _read("around_pole.geojson").geometry[0].covers(shapely.Point(10, 89))


def test_the_crs_member_of_older_geojson_is_followed() -> None:
    layer = _read("old_crs.geojson")
    assert layer.notes == ("brought from NAD83 / UTM zone 15N to WGS84",)
    assert layer.geometry[0].bounds[:2] == pytest.approx((-91.83, 39.996), abs=0.01)


# Errors: file, fact, remedy


@pytest.mark.parametrize(
    ("name", "fact"),
    [
        ("missing.gpkg", r"missing\.gpkg: no such file \(check the path"),
        ("empty.gpkg", r"empty\.gpkg: is empty; expected range polygons"),
        ("not_a_layer.gpkg", r"not_a_layer\.gpkg: cannot be read as range polygons: .*\(use GeoPackage"),
        ("cut_short.geojson", r"cut_short\.geojson, row \d+: is not JSON: .*export again"),
        ("latin1.geojson", r"latin1\.geojson: is not UTF-8 text \(save it as UTF-8\)"),
        ("other.json", r"other\.json: is JSON but not GeoJSON"),
        ("null_crs.geojson", r"have no coordinate reference system \(.*ogr2ogr -a_srs"),
        ("no_system.shp", r"have no coordinate reference system \(.*ogr2ogr -a_srs"),
        ("metres_as_degrees.geojson", r"600000, .*no degrees on the globe; the file says .*CRS84"),
        ("all_empty.geojson", r"holds no usable range polygons \(1 feature without geometry left out\)"),
        ("bow_tie.geojson:ranges", r"GeoJSON has no layers, got 'ranges'"),
        ("../layers", r"is a folder, not a file of range polygons"),
    ],
)
def test_errors_name_file_fact_and_remedy(name: str, fact: str) -> None:
    with pytest.raises(PoolBuilderError, match=fact) as caught:
        _read(name)
    assert "\n" not in str(caught.value)


def test_layers_are_listed_when_none_or_a_wrong_one_is_named(package: Path) -> None:
    for spec, fact in ((package, "2 layers, none is named"), (f"{package}:basins", "no layer 'basins'")):
        with pytest.raises(PoolBuilderError, match=fact) as caught:
            read_layer(spec, purpose="basins")
        assert "ranges" in str(caught.value)
        assert "albers" in str(caught.value)


def test_a_shapefile_without_its_index_is_one_error(tmp_path: Path) -> None:
    shutil.copy(DATA / "feet.shp", tmp_path)
    with pytest.raises(PoolBuilderError, match=r"feet\.shp: its \.shx part is missing \(copy all parts"):
        read_layer(tmp_path / "feet.shp", purpose="basins")


# FILE:layer


def test_spec_with_colons_in_names(tmp_path: Path) -> None:
    odd = tmp_path / "a:b.geojson"
    odd.write_text("{}")
    assert split_spec(odd) == (odd, None)
    assert split_spec(f"{odd}:layer") == (odd, "layer")
    assert split_spec(f"{odd}:layer:with:colons") == (odd, "layer:with:colons")
    (tmp_path / "a").write_text("{}")
    assert split_spec(f"{odd}:layer") == (odd, "layer")


@pytest.mark.parametrize(
    ("spec", "named"),
    [
        ("C:\\maps\\ranges.gpkg", "C:\\maps\\ranges.gpkg"),
        ("C:\\maps\\ranges.gpkg:native", "C:\\maps\\ranges.gpkg"),
        ("nowhere/ranges.gpkg:native", "nowhere/ranges.gpkg"),
        ("nowhere/ranges.gpkg", "nowhere/ranges.gpkg"),
    ],
)
def test_a_missing_file_is_named_without_its_layer(spec: str, named: str) -> None:
    with pytest.raises(PoolBuilderError) as caught:
        split_spec(spec)
    assert caught.value.file == named


def test_a_windows_drive_is_not_a_layer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("C:").mkdir()
    Path("C:/r.gpkg").write_bytes(b"x")
    assert split_spec("C:/r.gpkg:native") == (Path("C:/r.gpkg"), "native")


def test_nothing_is_lost_between_file_and_layer() -> None:
    for path in sorted(DATA.glob("*.geojson")):
        try:
            layer = read_layer(path, purpose="range polygons")
        except PoolBuilderError:
            continue
        left_out = sum(int(note.split()[0]) for note in layer.notes if note.endswith("left out"))
        assert layer.rows + left_out == layer.source["rows"]
        assert all(len(values) == layer.rows for values in layer.attributes.values())
        assert np.all(np.diff(layer.numbers) > 0)


# Only the formats named, whatever the file is called


@pytest.mark.parametrize(
    "text",
    [
        '<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>{other}</SrcDataSource></OGRVRTLayer>'
        "</OGRVRTDataSource>",
        "<OGRWFSDataSource><URL>http://127.0.0.1:9/wfs</URL></OGRWFSDataSource>",
        "WFS:http://127.0.0.1:9/wfs",
        "name,x,y\na,1,2\n",
    ],
)
@pytest.mark.parametrize("name", ["layer.gpkg", "layer.shp", "layer.vrt", "layer"])
def test_text_that_sends_the_reader_elsewhere_is_refused(tmp_path: Path, text: str, name: str) -> None:
    _frame().to_file(tmp_path / "other.gpkg")
    path = tmp_path / name
    path.write_text(text.format(other=tmp_path / "other.gpkg"))
    with pytest.raises(PoolBuilderError, match=r"the format is unknown .*use GeoPackage") as caught:
        read_layer(path, purpose="basins")
    assert "\n" not in str(caught.value)


def test_the_content_counts_and_not_the_ending(package: Path, tmp_path: Path) -> None:
    shutil.copy(DATA / "bow_tie.geojson", tmp_path / "drawn.txt")
    assert read_layer(tmp_path / "drawn.txt", purpose="basins").rows == _read("bow_tie.geojson").rows


def test_a_geopackage_with_virtual_tables_is_refused(package: Path, tmp_path: Path) -> None:
    path = tmp_path / "virtual.gpkg"
    shutil.copy(package, path)
    with contextlib.closing(sqlite3.connect(path)) as file:
        file.execute("create virtual table words using fts5(word)")
        file.commit()
    with pytest.raises(PoolBuilderError, match="holds virtual tables"):
        read_layer(f"{path}:ranges", purpose="basins")


def test_a_geopackage_without_layers_and_one_with_a_huge_name(package: Path, tmp_path: Path) -> None:
    path = tmp_path / "changed.gpkg"
    shutil.copy(package, path)
    with contextlib.closing(sqlite3.connect(path)) as file:
        file.execute("update gpkg_contents set table_name = ? where table_name = 'albers'", ("n\n" * 50_000,))
        file.commit()
    with pytest.raises(PoolBuilderError, match="2 layers, none is named") as caught:
        read_layer(path, purpose="basins")
    assert len(str(caught.value)) < 600
    assert "\n" not in str(caught.value)
    with contextlib.closing(sqlite3.connect(path)) as file:
        file.execute("delete from gpkg_contents")
        file.commit()
    with pytest.raises(PoolBuilderError, match="has no layer with geometry"):
        read_layer(path, purpose="basins")


def test_nothing_but_our_own_words_is_printed_about_a_broken_geopackage(
    package: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str], recwarn: pytest.WarningsRecorder
) -> None:
    path = tmp_path / "broken.gpkg"
    shutil.copy(package, path)
    with contextlib.closing(sqlite3.connect(path)) as file:
        for (name,) in file.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            file.execute(f'drop trigger "{name}"')
        file.execute("update gpkg_geometry_columns set geometry_type_name = 'POI'")
        file.execute("update ranges set geom = x'47500001E6100000FF'")
        file.commit()
    with pytest.raises(PoolBuilderError, match="no usable basins"):
        read_layer(f"{path}:ranges", purpose="basins")
    assert capfd.readouterr() == ("", "")
    assert [str(item.message) for item in recwarn if "geometry" in str(item.message)] == []


def test_arcs_are_made_of_straight_edges_and_said(tmp_path: Path) -> None:
    """A full circle of radius 1 as one arc there and back; its area is pi (SQL/MM, ISO 13249-3)."""
    _frame().iloc[:1].to_file(tmp_path / "arcs.gpkg", layer="arcs")
    points = [(-90, 40), (-88, 40), (-90, 40)]
    ring = struct.pack("<BII", 1, 8, 3) + b"".join(struct.pack("<dd", *point) for point in points)
    wkb = struct.pack("<BII", 1, 10, 1) + ring
    with contextlib.closing(sqlite3.connect(tmp_path / "arcs.gpkg")) as file:
        for name in [row[0] for row in file.execute("select name from sqlite_master where type = 'trigger'")]:
            file.execute(f'drop trigger "{name}"')
        header = b"GP\x00\x01" + struct.pack("<i", 4326)
        file.execute("update arcs set geom = ?", (header + wkb,))
        file.execute("pragma writable_schema = 1")
        file.execute(
            "update sqlite_master set sql = replace(sql, 'POLYGON', 'CURVEPOLYGON') where name = 'arcs'"
        )
        file.execute("update gpkg_geometry_columns set geometry_type_name = 'CURVEPOLYGON'")
        file.commit()
    layer = read_layer(tmp_path / "arcs.gpkg", purpose="basins")
    assert layer.geometry[0].area == pytest.approx(np.pi, rel=0.002)
    assert "1 curved geometry made of straight edges" in layer.notes


def test_geometry_that_would_take_gigabytes_to_repair_is_refused(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    points = np.round(rng.uniform(-10, 10, (4000, 2)), 6).tolist()
    tangle = {"type": "Polygon", "coordinates": [[*points, points[0]]]}
    (tmp_path / "tangle.geojson").write_text(json.dumps(tangle))
    with pytest.raises(PoolBuilderError, match="4,001 points whose edges cross too often"):
        read_layer(tmp_path / "tangle.geojson", purpose="basins")


def test_properties_of_a_wrong_type_lose_nothing_but_themselves(tmp_path: Path) -> None:
    member = json.loads(shapely.to_geojson(SQUARE))
    features = [{"type": "Feature", "properties": given, "geometry": member} for given in ([1], "x", 7)]
    document = {"type": "FeatureCollection", "crs": {"properties": 3}, "features": features}
    (tmp_path / "odd.geojson").write_text(json.dumps(document))
    with pytest.raises(PoolBuilderError, match="no coordinate reference system"):
        read_layer(tmp_path / "odd.geojson", purpose="basins")
    del document["crs"]
    (tmp_path / "odd.geojson").write_text(json.dumps(document))
    assert read_layer(tmp_path / "odd.geojson", purpose="basins").rows == 3


def test_a_file_name_that_is_not_utf_8_is_refused_for_that_reason(tmp_path: Path) -> None:
    name = tmp_path / os.fsdecode(b"\xff.geojson")
    name.write_text('{"type": "FeatureCollection", "features": []}', encoding="utf-8")
    with pytest.raises(PoolBuilderError, match=r"has a name that is not UTF-8 \(rename the file\)"):
        read_layer(name, purpose="flow lines")
