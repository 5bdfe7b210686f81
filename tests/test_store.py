"""The record store: what goes in comes out, by place, whatever the order of adding."""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import PoolBuilderError, Store, tables
from poolbuilder.places import geodesy
from tests.rows import records
from tests.store_rows import added, everything, files, many_rows

LAW = settings(deadline=None, derandomize=True, max_examples=40)

longitudes = st.floats(-180, 180) | st.sampled_from([-180.0, 180.0, 179.999999, 0.0, -0.0, -89.12345])
latitudes = st.floats(-90, 90) | st.sampled_from([-90.0, 90.0, 89.999999, -0.0, 36.5])
anything = st.none() | st.floats(allow_nan=False) | longitudes | st.sampled_from([95.0, 500000.0, -1e300])


def _by_geodesic(table: pa.Table, longitude: float, latitude: float, reach_km: float) -> set[str]:
    """Keys within reach, one geodesic per record."""
    x, y = (tables.numbers(table[name]) for name in ("decimalLongitude", "decimalLatitude"))
    on_globe = (abs(x) <= 180) & (abs(y) <= 90)  # not where one is missing
    km = np.full(len(table), np.inf)
    km[on_globe] = geodesy.distance_km(
        x[on_globe], y[on_globe], from_longitude=longitude, from_latitude=latitude
    )
    return set(_keys(tables.where(table, km <= reach_km)))


def _keys(table: pa.Table) -> list[str]:
    return [str(key) for key in table["recordKey"].to_pylist()]


@settings(LAW, max_examples=15)
@given(points=st.lists(st.tuples(anything, anything), min_size=1, max_size=40))
def test_every_coordinate_comes_back_to_the_last_bit(
    tmp_path_factory: pytest.TempPathFactory, points: list[tuple[float | None, float | None]]
) -> None:
    store = Store(tmp_path_factory.mktemp("store"))
    table = records(*({"decimalLongitude": x, "decimalLatitude": y} for x, y in points))
    added(store, table)
    back = everything(store)
    assert back.equals(table.sort_by("recordKey"))
    for name in ("decimalLongitude", "decimalLatitude"):
        bits = [
            tables.numbers(rows[name]).view(np.int64).tolist() for rows in (back, table.sort_by("recordKey"))
        ]
        assert bits[0] == bits[1]


EDGES = [
    (x, y)
    for x in (-180.0, 180.0, 179.999999, 0.0, -0.0, -89.12345)
    for y in (-90.0, 90.0, 89.999999, -0.0, 36.5)
]


@pytest.fixture(scope="module")
def globe(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Store, pa.Table]]:
    """Stores of one, of twenty-five and of a thousand points of the globe; a part of each came twice."""
    rng = np.random.default_rng(11)
    stores = []
    for count in (1, 25, 1000):
        points = [*EDGES, *zip(rng.uniform(-180, 180, count), rng.uniform(-90, 90, count), strict=True)]
        points = [points[number] for number in rng.permutation(len(points))[: max(count, 1)]]
        table = records(*({"decimalLongitude": x, "decimalLatitude": y} for x, y in points))
        store = Store(tmp_path_factory.mktemp("globe"))
        added(store, table.slice(0, 9))
        added(store, table.slice(9))
        added(store, table.slice(3, 2))  # replaces two
        stores.append((store, table))
    return stores


@settings(LAW, max_examples=60)
@given(
    longitude=longitudes,
    latitude=latitudes,
    reach_km=st.floats(0.1, 5000) | st.sampled_from([40.0, 100.0, 2000.0]),
)
def test_select_is_the_geodesic_everywhere_on_the_globe(
    globe: list[tuple[Store, pa.Table]], longitude: float, latitude: float, reach_km: float
) -> None:
    for store, table in globe:
        found = store.select(longitude=longitude, latitude=latitude, reach_km=reach_km)
        assert set(_keys(found)) == _by_geodesic(table, longitude, latitude, reach_km)


def test_records_at_the_very_edge_are_settled_by_the_geodesic(tmp_path: Path) -> None:
    azimuths = np.linspace(0, 360, 73)[:-1]
    rows = []
    for metres in (39_999.999, 40_000.001):
        x, y, _ = geodesy.WGS84.fwd(np.full(72, -89.4), np.full(72, 36.4), azimuths, np.full(72, metres))
        rows += [
            {"decimalLongitude": a, "decimalLatitude": b, "year": int(metres)}
            for a, b in zip(x, y, strict=True)
        ]
    store = Store(tmp_path)
    added(store, records(*rows))
    found = store.select(longitude=-89.4, latitude=36.4, reach_km=40.0)
    assert found["year"].to_pylist() == [39_999] * 72


@pytest.mark.parametrize(
    ("longitude", "latitude"), [(179.99, 12.0), (-179.99, 12.0), (0.0, 90.0), (33.0, -90.0), (12.0, 89.95)]
)
def test_select_works_across_the_antimeridian_and_at_the_poles(
    tmp_path: Path, longitude: float, latitude: float
) -> None:
    rng = np.random.default_rng(4)
    x, y, _ = geodesy.WGS84.fwd(
        np.full(200, longitude), np.full(200, latitude), rng.uniform(0, 360, 200), rng.uniform(0, 90_000, 200)
    )
    table = records(*({"decimalLongitude": a, "decimalLatitude": b} for a, b in zip(x, y, strict=True)))
    store = Store(tmp_path)
    added(store, table)
    found = store.select(longitude=longitude, latitude=latitude, reach_km=40.0)
    assert 0 < len(found) < 200
    assert set(_keys(found)) == _by_geodesic(table, longitude, latitude, 40.0)


def test_many_row_groups_and_files_give_the_same_as_one_by_one(tmp_path: Path) -> None:
    table = many_rows(60_000)
    store = Store(tmp_path)
    added(store, table.slice(0, 45_000))
    added(store, table.slice(45_000))
    assert [len(file.rows) for file in store.index.of_kind("placed")] == [3, 1]
    near = store.select(longitude=-91.0, latitude=36.0, reach_km=25.0)
    x, y = (tables.numbers(table[name]) for name in ("decimalLongitude", "decimalLatitude"))
    km = geodesy.distance_km(np.nan_to_num(x, nan=179), y, from_longitude=-91.0, from_latitude=36.0)
    wanted = tables.where(table, km <= 25.0).sort_by("recordKey")
    assert 10 < len(near) < 1000
    assert near.equals(wanted)


def test_the_order_of_adding_changes_nothing_that_is_selected(tmp_path: Path) -> None:
    parts = [many_rows(300, seed=seed, first=1000 * seed) for seed in range(3)]
    shuffled = [tables.take(part, np.random.default_rng(1).permutation(len(part))) for part in parts]
    one, other = Store(tmp_path / "one"), Store(tmp_path / "other")
    for part in parts:
        added(one, part)
    added(other, shuffled[2], shuffled[0])
    added(other, shuffled[1])
    other.compact()
    assert everything(one).equals(everything(other))
    assert everything(one)["decimalLongitude"].null_count == 18


def test_the_same_adds_give_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one", "other"):
        store = Store(tmp_path / name)
        added(store, many_rows(500))
        added(store, many_rows(500, seed=1, first=250))
    assert files(tmp_path / "one") == files(tmp_path / "other")


def test_an_external_sort_gives_what_a_sort_in_memory_gives(tmp_path: Path) -> None:
    table = many_rows(30_000, decimals=9)
    small, large = Store(tmp_path / "small", memory_mib=32), Store(tmp_path / "large")
    batches = [table.slice(start, 1000) for start in range(0, 30_000, 1000)]
    added(small, *batches)
    added(large, *batches)
    assert everything(small).equals(table.sort_by("recordKey"))
    assert files(tmp_path / "small") == files(tmp_path / "large")


def test_records_without_coordinates_are_kept_and_come_only_when_asked(tmp_path: Path) -> None:
    store = Store(tmp_path)
    table = records(
        {"decimalLongitude": -90.0, "decimalLatitude": 40.0},
        {"decimalLongitude": None, "decimalLatitude": 40.0},
        {"decimalLongitude": -90.0, "decimalLatitude": 140.0},
        {"decimalLongitude": 590_000.0, "decimalLatitude": 4_400_000.0},
    )
    result = added(store, table)
    assert (result.read, result.placed, result.unplaced) == (4, 1, 3)
    place = {"longitude": -90.0, "latitude": 40.0, "reach_km": 40.0}
    assert _keys(store.select(**place)) == ["r0"]
    assert _keys(everything(store)) == ["r0", "r1", "r2", "r3"]


def test_the_same_source_is_not_added_twice(tmp_path: Path) -> None:
    store = Store(tmp_path)
    table = many_rows(100)
    assert added(store, table).read == 100
    before = files(tmp_path)
    again = added(store, table)
    assert again.read == 0
    assert [source["sha256"] for source in again.skipped] == [store.sources()[0]["sha256"]]
    assert files(tmp_path) == before


def test_the_same_bytes_read_through_another_map_are_another_source(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("id,fish,lat,lon\n1,Lepomis gulosus,36,-90\n", encoding="utf-8")
    store = Store(tmp_path / "store")
    terms = {
        "id": "occurrenceID",
        "fish": "scientificName",
        "lat": "decimalLatitude",
        "lon": "decimalLongitude",
    }
    assert store.add([path], rename={**terms, "fish": "vernacularName"}, added="2026-05-01").read == 1
    assert store.add([path], rename=terms, added="2026-05-02").replaced == 1
    assert store.add([path], rename=terms, added="2026-05-03").read == 0
    assert [source["added"] for source in store.sources()] == ["2026-05-01", "2026-05-02"]


def test_a_newer_version_replaces_the_older_wherever_it_moved(tmp_path: Path) -> None:
    store = Store(tmp_path)
    at = {"recordKey": "fish-1", "decimalLongitude": -90.0, "decimalLatitude": 40.0}
    added(store, records({**at, "modified": "2024-01-01", "locality": "old"}))
    moved = {**at, "decimalLatitude": 45.0, "modified": "2024-02-01T10:00:00Z", "locality": "new"}
    assert added(store, records(moved)).replaced == 1
    assert everything(store)["locality"].to_pylist() == ["new"]
    lost = {**at, "decimalLatitude": None, "modified": "2025-02-01", "locality": "no coordinates now"}
    assert added(store, records(lost)).replaced == 1
    assert everything(store)["locality"].to_pylist() == ["no coordinates now"]
    assert store.records == 1
    older = added(store, records({**at, "modified": "2023-12-31", "locality": "older"}))
    assert (older.read, older.outdated, older.replaced) == (1, 1, 0)
    assert everything(store)["locality"].to_pylist() == ["no coordinates now"]


def test_without_a_date_the_version_that_came_last_counts(tmp_path: Path) -> None:
    store = Store(tmp_path)
    rows = [
        {"recordKey": "a", "locality": "first", "modified": "2024-01-01"},
        {"recordKey": "a", "locality": "second", "modified": "yesterday"},
        {"recordKey": "a", "locality": "third"},
    ]
    result = added(store, records(*rows))
    assert result.outdated == 2
    assert everything(store)["locality"].to_pylist() == ["third"]


def test_a_version_without_a_time_hides_older_ones_also_when_the_store_is_checked(tmp_path: Path) -> None:
    store = Store(tmp_path)
    added(store, records({"recordKey": "a", "modified": "2021", "locality": "first"}))
    added(store, records({"recordKey": "a"}, {"recordKey": "a", "modified": "2020", "locality": "last"}))
    added(store, records({"recordKey": "b"}), name="b.csv")
    assert store.check().problems == ()
    store.remove("b.csv")
    assert everything(store)["locality"].to_pylist() == ["last"]


def test_a_store_from_before_rows_were_numbered_is_used_as_any_other(tmp_path: Path) -> None:
    store = Store(tmp_path)
    added(store, many_rows(300), name="one.csv")
    added(store, many_rows(300, seed=1, first=200), name="two.csv")
    for path in tmp_path.glob("*.parquet"):
        file = pq.ParquetFile(path)
        about = file.metadata.metadata
        rows = file.read().drop_columns(["arrivalNumber"])
        pq.write_table(rows.replace_schema_metadata({**rows.schema.metadata, **about}), path)
    assert store.check().again == ()  # the sizes are other ones now
    assert store.check().problems == ()
    whole = everything(store)
    assert added(store, many_rows(100, seed=2, first=450), name="three.csv").replaced == 50
    store.remove("three.csv")
    assert everything(store).equals(whole)
    assert store.check().problems == ()


@settings(LAW, max_examples=8)  # each with many fish: a store takes its time, a row does not
@given(
    rows=st.lists(
        st.tuples(
            st.sampled_from("abcdefghij"), st.none() | st.sampled_from(["2020", "2021-05", "2021-05-03"])
        ),
        min_size=1,
        max_size=60,
    ),
    cuts=st.lists(st.integers(0, 60), max_size=3),
)
def test_versions_end_the_same_in_one_add_or_in_many(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, str | None]], cuts: list[int]
) -> None:
    table = records(
        *(
            {
                "recordKey": key,
                "modified": modified,
                "locality": str(number),
                "decimalLongitude": float(number),
            }
            | {"decimalLatitude": 1.0 if number % 3 else None}
            for number, (key, modified) in enumerate(rows)
        )
    )
    once, often = Store(tmp_path_factory.mktemp("once")), Store(tmp_path_factory.mktemp("often"))
    total = added(once, table)
    ends = sorted({*cuts, 0, len(rows)})
    for start, stop in itertools.pairwise(ends):
        if start < len(rows):
            added(often, table.slice(start, min(stop, len(rows)) - start))
    assert everything(once).equals(everything(often))
    assert total.read - total.outdated == once.records == len({key for key, _ in rows})
    newest: dict[str, int] = {}
    for number, (key, modified) in enumerate(rows):
        last = rows[newest[key]][1] if key in newest else None
        if modified is None or last is None or modified >= last:
            newest[key] = number
    assert everything(once)["locality"].to_pylist() == [str(newest[key]) for key in sorted(newest)]
    often.compact()
    assert everything(once).equals(everything(often))


def test_no_record_is_lost_between_read_and_stored(tmp_path: Path) -> None:
    store = Store(tmp_path)
    before = 0
    for seed, first in ((0, 0), (1, 250), (2, 100)):
        result = added(store, many_rows(500, seed=seed, first=first))
        assert result.read == result.placed + result.unplaced == 500
        assert store.records == before + result.read - result.outdated - result.replaced
        before = store.records
    assert before == sum(len(batch) for batch in store.batches()) == 750


def test_compacting_leaves_replaced_versions_out(tmp_path: Path) -> None:
    store = Store(tmp_path)
    for seed in range(4):
        added(store, many_rows(400, seed=seed, first=100 * seed))
    kept = everything(store)
    assert sum(sum(file.rows) for file in store.index.files) == 1600
    store.compact()
    assert sum(sum(file.rows) for file in store.index.files) == 700
    assert everything(store).equals(kept)
    assert len(store.sources()) == 4
    assert sorted(path.name for path in tmp_path.glob("*.parquet")) == sorted(
        file.name for file in store.index.files
    )


def test_sources_and_datasets_are_remembered(tmp_path: Path) -> None:
    store = Store(tmp_path)
    source = {"path": "a.csv", "sha256": "aa", "added": "2026-04-01"}
    store.add_table(
        many_rows(3), source=source, datasets=[{"datasetKey": "k2", "title": "Two"}, {"datasetKey": "k1"}]
    )
    store.add_table(
        many_rows(3, first=9),
        source={**source, "sha256": "bb"},
        datasets=[{"datasetKey": "k1", "title": "One"}],
    )
    reopened = Store(tmp_path)
    assert [(item["path"], item["rows"], item["added"]) for item in reopened.sources()] == [
        ("a.csv", 3, "2026-04-01")
    ] * 2
    assert reopened.datasets() == ({"datasetKey": "k1", "title": "One"}, {"datasetKey": "k2", "title": "Two"})


def test_a_store_that_is_not_there_is_empty_and_is_not_made_by_looking(tmp_path: Path) -> None:
    store = Store(tmp_path / "nowhere")
    assert store.is_empty
    assert store.select(longitude=0, latitude=0, reach_km=10).num_rows == 0
    assert not (tmp_path / "nowhere").exists()


def test_files_lie_as_they_are_said_to_lie(tmp_path: Path) -> None:
    store = Store(tmp_path)
    added(store, many_rows(20_000))
    file = pq.ParquetFile(tmp_path / store.index.of_kind("placed")[0].name)
    meta = file.metadata.row_group(0)
    at = {meta.column(number).path_in_schema: meta.column(number) for number in range(meta.num_columns)}
    assert file.metadata.num_row_groups == 2
    assert meta.num_rows == 16_384
    for name in ("geometry.x", "geometry.y"):
        assert at[name].physical_type == "DOUBLE"
        assert "BYTE_STREAM_SPLIT" in at[name].encodings
        assert "RLE_DICTIONARY" not in at[name].encodings
    assert "RLE_DICTIONARY" not in at["recordKey"].encodings
    assert "RLE_DICTIONARY" in at["scientificName"].encodings
    assert {column.compression for column in at.values()} == {"ZSTD"}


def test_a_table_of_another_shape_is_refused(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with pytest.raises(PoolBuilderError, match="columns differ"):
        store.add_table(pa.table({"a": [1]}), source={"path": "a", "sha256": "b"})
    with pytest.raises(PoolBuilderError, match="source without sha256"):
        store.add_table(many_rows(1), source={"path": "a"})
    assert store.is_empty


def test_a_file_that_cannot_be_read_leaves_the_store_as_it_was(tmp_path: Path) -> None:
    good, bad = tmp_path / "good.csv", tmp_path / "bad.csv"
    good.write_text(
        "scientificName,decimalLatitude,decimalLongitude\nLepomis gulosus,36,-90\n", encoding="utf-8"
    )
    bad.write_text("scientificName,decimalLatitude,decimalLongitude\n", encoding="utf-8")
    store = Store(tmp_path / "store")
    store.add([good], added="2026-05-01")
    before = files(tmp_path / "store")
    good.write_text(good.read_text(encoding="utf-8") + "Lepomis auritus,36,-90\n", encoding="utf-8")
    with pytest.raises(PoolBuilderError, match=r"bad\.csv"):
        store.add([good, bad], added="2026-05-02")
    assert files(tmp_path / "store") == before


def test_the_index_alone_tells_where_to_look(tmp_path: Path) -> None:
    store = Store(tmp_path)
    added(store, many_rows(300, box=(-95, 33, -94, 34)))
    added(store, many_rows(300, seed=1, first=300, box=(10, 50, 11, 51)))
    far = next(file for file in store.index.of_kind("placed") if file.box[0, 0] > 0)
    (tmp_path / far.name).unlink()  # would be noticed if it were opened
    assert store.select(longitude=-94.5, latitude=33.5, reach_km=40).num_rows > 10


def test_an_add_seen_by_an_open_store(tmp_path: Path) -> None:
    reader, writer = Store(tmp_path), Store(tmp_path)
    assert reader.is_empty
    added(writer, many_rows(10))
    assert reader.records == 10
    added(writer, many_rows(10, seed=1))
    index = reader.index
    writer.compact()  # the files that the reader's index names are gone
    reader._seen = (reader._folder.stamp("index.json"), index)
    assert reader.select(longitude=-91, latitude=36, reach_km=2000).num_rows == 9


def test_records_come_sorted_by_key_from_one_file_and_from_several(tmp_path: Path) -> None:
    store = Store(tmp_path)
    for first in (0, 200):
        added(store, many_rows(200, seed=first, first=first))
        keys = tables.strings(store.select(longitude=-91, latitude=36, reach_km=2000)["recordKey"])
        assert len(keys) > 0.9 * (200 + first)
        assert keys == sorted(keys, key=str)


def test_selecting_imports_neither_pandas_nor_scipy_nor_compute(tmp_path: Path) -> None:
    added(Store(tmp_path), many_rows(200))
    code = (
        "import sys\n"
        "from poolbuilder.records.store import Store\n"
        f"store = Store({str(tmp_path)!r})\n"
        "assert store.select(longitude=-91, latitude=36, reach_km=500).num_rows\n"
        "bad = {'duckdb', 'filelock', 'pandas', 'geopandas', 'scipy', 'numba', 'pyarrow.dataset', 'pyarrow.compute'} & set(sys.modules)\n"
        "assert not bad, bad\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_store_behind_an_address_can_be_read_but_not_written(tmp_path: Path) -> None:
    fsspec = pytest.importorskip("fsspec")
    local = Store(tmp_path / "store")
    added(local, many_rows(500))
    added(local, many_rows(100, seed=1))
    memory = fsspec.filesystem("memory")
    for path in (tmp_path / "store").iterdir():
        memory.pipe_file(f"/fish/{path.name}", path.read_bytes())
    remote = Store("memory://fish")
    assert everything(remote).equals(everything(local))
    with pytest.raises(PoolBuilderError, match="can only be read"):
        added(remote, many_rows(1))


def test_the_index_is_plain_json(tmp_path: Path) -> None:
    store = Store(tmp_path)
    added(store, many_rows(100))
    content = json.loads((tmp_path / "index.json").read_text(encoding="utf-8"))
    assert content["schemaVersion"] == 2
    assert [file["rows"] for file in content["files"]] == [[98], [2]]


@settings(LAW, max_examples=20)  # each in three stores
@given(places=st.lists(st.tuples(longitudes, latitudes, st.sampled_from([5.0, 80.0, 3000.0])), max_size=5))
def test_select_each_is_select_for_every_place(
    globe: list[tuple[Store, pa.Table]], places: list[tuple[float, float, float]]
) -> None:
    x, y, reach = zip(*places, strict=True) if places else ((), (), ())
    for store, _ in globe:
        union, rows = store.select_each(longitude=x, latitude=y, reach_km=reach)
        for (lon, lat, km), mine in zip(places, rows, strict=True):
            alone = store.select(longitude=lon, latitude=lat, reach_km=km)
            assert tables.take(union, mine).cast(alone.schema).equals(alone)
        assert union.num_rows == len({int(row) for mine in rows for row in mine})
