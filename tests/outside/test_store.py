"""The store against published standards and reference libraries.

Sources: GeoParquet 1.1.0 (OGC, its JSON Schema and its specification, as checked by the
`geoparquet-validator` library); DuckDB and geopandas as readers; PROJ's geodesic solver
(Karney 2013, doi 10.1007/s00190-012-0578-z); Hilbert curve of geopandas.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from pyproj import Geod

from poolbuilder import Store
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.records import store_files
from poolbuilder.records.store_files import within
from tests.store_rows import added, many_rows

GEOD = Geod(ellps="WGS84")
PLACE = {"longitude": -91.2, "latitude": 36.1, "reach_km": 40.0}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """Two files, with coordinates of five and of nine decimals."""
    made = Store(tmp_path_factory.mktemp("outside") / "store")
    added(made, many_rows(20_000))
    added(made, many_rows(5_000, seed=1, first=20_000, decimals=9))
    return made


@pytest.fixture(scope="module")
def wanted(store: Store) -> set[str]:
    """Keys that `select` gives."""
    found = store.select(**PLACE)
    assert 50 < found.num_rows < 5000
    return set(found["recordKey"].to_pylist())


def _near(x: Any, y: Any) -> Any:
    size = len(x)
    lon, lat = np.full(size, PLACE["longitude"]), np.full(size, PLACE["latitude"])
    return GEOD.inv(lon, lat, np.asarray(x), np.asarray(y))[2] <= 1000 * PLACE["reach_km"]


def _paths(store: Store) -> list[Path]:
    return [store.path / file.name for file in store.index.of_kind("placed")]


def test_duckdb_reads_the_files_and_selects_the_same(store: Store, wanted: set[str]) -> None:
    duckdb = pytest.importorskip("duckdb")
    names = [str(path) for path in _paths(store)]
    rows = duckdb.execute(
        "select recordKey, geometry.x, geometry.y from read_parquet(?) "
        "where geometry.x between -92 and -90.4 and geometry.y between 35.6 and 36.6",
        [names],
    ).fetchall()
    key, x, y = zip(*rows, strict=True)
    assert {name for name, hit in zip(key, _near(x, y), strict=True) if hit} == wanted


def test_geopandas_reads_the_files_and_selects_the_same(store: Store, wanted: set[str]) -> None:
    geopandas = pytest.importorskip("geopandas")
    found: set[str] = set()
    for path in _paths(store):
        frame = geopandas.read_parquet(path, columns=["recordKey", "geometry"], bbox=(-92, 35.6, -90.4, 36.6))
        assert frame.crs.to_authority() == ("OGC", "CRS84")
        found |= set(frame["recordKey"][_near(frame.geometry.x, frame.geometry.y)])
    assert found == wanted


def test_gdal_opens_the_files(store: Store) -> None:
    pyogrio = pytest.importorskip("pyogrio")
    if "Parquet" not in pyogrio.list_drivers():
        pytest.skip("this build of GDAL has no Parquet driver")
    info = pyogrio.read_info(_paths(store)[0])
    assert info["geometry_type"] == "Point"


def test_the_files_conform_to_geoparquet_1_1(store: Store) -> None:
    validator = pytest.importorskip("geoparquet_validator")
    for path in _paths(store):
        report = validator.check(str(path))
        assert validator.failed(report, "core") == []
        assert sum(item["status"] == "pass" for item in report["outcomes"]) >= 10


@pytest.mark.parametrize(
    "change", [{"encoding": "WKT"}, {"geometry_types": ["Dot"]}, {"bbox": [1, 2, 3]}, {"encoding": None}]
)
def test_the_validator_would_notice(store: Store, tmp_path: Path, change: dict[str, Any]) -> None:
    validator = pytest.importorskip("geoparquet_validator")
    path = _paths(store)[0]
    geo = json.loads(pq.read_metadata(path).metadata[b"geo"])
    geo["columns"]["geometry"].update(change)
    table = pq.ParquetFile(path).read().replace_schema_metadata({"geo": json.dumps(geo)})
    pq.write_table(table, tmp_path / "bad.parquet")
    assert validator.failed(validator.check(str(tmp_path / "bad.parquet")), "core")


def test_the_bounding_box_of_the_metadata_holds_the_points(store: Store) -> None:
    for path in _paths(store):
        west, south, east, north = json.loads(pq.read_metadata(path).metadata[b"geo"])["columns"]["geometry"][
            "bbox"
        ]
        points = pq.ParquetFile(path).read(columns=["geometry"])["geometry"].to_pylist()
        assert min(point["x"] for point in points) == west
        assert max(point["x"] for point in points) == east
        assert min(point["y"] for point in points) == south
        assert max(point["y"] for point in points) == north


def test_within_is_the_geodesic_for_a_million_pairs() -> None:
    rng = np.random.default_rng(8)
    for _ in range(20):
        lon, lat = float(rng.uniform(-180, 180)), float(rng.uniform(-90, 90))
        reach = float(rng.uniform(1, 500))
        azimuth = rng.uniform(0, 360, 50_000)
        metres = reach * 1000 * np.concatenate([rng.uniform(0, 2, 25_000), 1 + rng.normal(0, 1e-6, 25_000)])
        x, y, _ = GEOD.fwd(np.full(50_000, lon), np.full(50_000, lat), azimuth, np.abs(metres))
        exact = GEOD.inv(np.full(50_000, lon), np.full(50_000, lat), x, y)[2] <= reach * 1000
        assert np.array_equal(within(x, y, to_ecef(x, y), of=(lon, lat), reach_km=reach), exact)
        assert 10_000 < exact.sum() < 45_000


def _haversine_m(lon: Any, lat: Any, x: Any, y: Any) -> Any:
    """Great circle on the sphere of the IUGG mean radius, 6,371,008.8 m (Moritz 2000)."""
    a, b = np.radians(lat), np.radians(y)
    half = np.sin((b - a) / 2) ** 2 + np.cos(a) * np.cos(b) * np.sin(np.radians(x - lon) / 2) ** 2
    return 2 * 6_371_008.8 * np.arcsin(np.sqrt(half))


def test_haversine_is_off_by_up_to_half_a_percent_which_is_why_distances_are_exact() -> None:
    # Extremes follow from the radii of curvature of WGS84: along the meridian a²/b = 6,399,594 m
    # at the pole and b²/a = 6,335,439 m at the equator, against the mean radius.
    latitude = np.concatenate([np.linspace(-90, 90, 1801), [0.0, 89.9999]])
    errors = []
    for azimuth in (0.0, 45.0, 90.0):
        size = len(latitude)
        x, y, _ = GEOD.fwd(np.zeros(size), latitude, np.full(size, azimuth), np.full(size, 1000.0))
        errors.append(_haversine_m(np.zeros(size), latitude, x, y) / 1000.0 - 1)
    error = 100 * np.concatenate(errors)
    assert error.min() == pytest.approx(-0.45, abs=0.005)
    assert error.max() == pytest.approx(0.56, abs=0.005)
    # At 40 km that is a ring of 180 to 224 m, in which records would be counted wrongly.


def test_the_curve_is_that_of_geopandas() -> None:
    geopandas = pytest.importorskip("geopandas")
    cells = np.random.default_rng(2).integers(0, 1 << 16, (2, 5000), dtype=np.uint32)
    x, y = (cells + 0.25) / 65_535  # geopandas cuts the extent into 65,535 cells, not 65,536
    series = geopandas.GeoSeries.from_xy(x, y)
    theirs = series.hilbert_distance(total_bounds=(0, 0, 1, 1), level=16)
    assert store_files.of_cells(*cells).tolist() == theirs.tolist()
