"""The water from files: what each defect leads to, and what becomes of the records."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from poolbuilder import PoolBuilderError, Settings, Site, Water
from tests.waters import SITE, degrees, geojson, line, places

DATA = Path(__file__).parent / "data"
SETTINGS = Settings()


@pytest.fixture(autouse=True)
def _cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("POOLBUILDER_CACHE", str(tmp_path / "cache"))


def at(site: Site = SITE, **layers: str) -> Water:
    return Water.at(
        site, settings=SETTINGS, **{use: str(DATA / "water" / name) for use, name in layers.items()}
    )


def by_water(water: Water, longitude: float, latitude: float) -> tuple[float, float]:
    placed = water.place(np.array([longitude]), np.array([latitude]), np.array([10.0]))
    return float(placed.upstream_km[0]), float(placed.downstream_km[0])


def test_an_unclosed_shore_is_named_and_the_other_lake_is_kept() -> None:
    notes = at(outline="unclosed_ring.geojson").notes
    assert any("feature 1" in note for note in notes)


def test_a_shore_that_crosses_itself_is_repaired_and_said() -> None:
    water = at(Site(longitude=-91.005, latitude=37.0), outline="bowtie.geojson")
    assert "outline: 1 invalid geometry repaired" in water.notes
    assert water.outline is not None
    # two triangles of half the box each quarter: 0.02° × 0.02° / 2
    assert water.outline.area_km2 == pytest.approx(0.5 * 1.780 * 2.220, rel=2e-3)


def test_an_island_is_not_water() -> None:
    water = at(outline="island.geojson")
    placed = water.place(np.array([-91.0, -91.005]), np.array([37.0, 37.0]), np.array([1.0, 1.0]))
    assert placed.in_water_share == pytest.approx([0, 1], abs=1e-9)
    assert placed.shore_km[0] == pytest.approx(0.178, abs=1e-3)


def test_an_island_beside_its_lake_is_repaired_and_said() -> None:
    assert "outline: 1 invalid geometry repaired" in at(outline="outside_island.geojson").notes


def test_lines_drawn_against_the_flow_are_turned_and_counted() -> None:
    water = at(streams="against_flow.geojson")
    assert "streams: 2 flow lines are drawn against the flow; turned round" in water.notes
    assert by_water(water, -91.0, 37.03) == pytest.approx((3.329, 0), abs=2e-3)
    assert by_water(water, -91.0, 36.97) == pytest.approx((0, 3.329), abs=2e-3)
    assert by_water(water, -90.97, 37.0) == pytest.approx((2.670, 0), abs=2e-3)


def test_a_braid_and_a_loop_are_followed() -> None:
    water = at(streams="braid.geojson")
    assert "streams: 5 flow lines in one connected network" in water.notes
    _, short = by_water(water, -91.0, 36.975)
    assert short == pytest.approx(2 * np.hypot(1.110, 0.178) + 0.555, abs=3e-3)


def test_what_does_not_join_is_reported_with_its_place() -> None:
    notes = at(streams="pieces.geojson").notes
    assert (
        "streams: 2 ends stop within 50 m of another line without joining it, the nearest 2.2 m short at "
        "longitude -91.00000, latitude 37.00002; raise streamJoinM if they should join"
    ) in notes
    assert "streams: 3 flow lines in 3 networks that do not touch; the largest holds 33.3%" in notes


def test_heights_are_dropped_and_said() -> None:
    water = at(streams="heights.geojson")
    assert "streams: heights and measures dropped" in water.notes
    assert by_water(water, -91.0, 37.03) == pytest.approx((3.329, 0), abs=2e-3)


@pytest.mark.filterwarnings("ignore:Measured")
def test_measures_are_dropped_and_said() -> None:
    water = at(streams="measures.gpkg")
    assert "streams: heights and measures dropped" in water.notes
    assert by_water(water, -91.0, 37.03) == pytest.approx((3.329, 0), abs=2e-3)


@pytest.mark.parametrize("use", ["outline", "basins", "streams"])
def test_an_empty_layer_is_an_error_that_names_the_file(use: str) -> None:
    with pytest.raises(PoolBuilderError, match=r"empty\.geojson: .*\(.*\)"):
        at(**{use: "empty.geojson"})


def test_a_layer_without_a_reference_system_is_an_error() -> None:
    with pytest.raises(PoolBuilderError, match=r"no_system\.shp: .*coordinate reference system"):
        Water.at(SITE, outline=str(DATA / "layers" / "no_system.shp"), settings=SETTINGS)


def test_a_layer_in_feet_is_brought_to_degrees_and_lies_with_one_in_degrees(tmp_path: Path) -> None:
    import pyogrio
    from pyproj import Transformer

    site = Site(longitude=-79.0, latitude=36.0)
    lake = shapely.segmentize(shapely.box(-79.01, 35.99, -78.99, 36.01), 0.002)
    feet = Transformer.from_crs("EPSG:4326", "EPSG:2264", always_xy=True)
    shape = shapely.transform(lake, lambda xy: np.column_stack(feet.transform(xy[:, 0], xy[:, 1])))
    pyogrio.raw.write(
        tmp_path / "feet.gpkg", geometry=shapely.to_wkb([shape]), field_data=[np.array(["Foot Pond"])],
        fields=["name"], geometry_type="Polygon", crs="EPSG:2264",
    )  # fmt: skip
    streams = geojson(tmp_path / "streams.geojson", [shapely.LineString([(-79, 36.05), (-79, 35.95)])])
    water = Water.at(site, outline=str(tmp_path / "feet.gpkg"), streams=streams, settings=SETTINGS)
    assert any("ftUS" in note for note in water.notes)
    # 0.04° of latitude beyond the shore: 4.438 km
    assert by_water(water, -79.0, 36.05) == pytest.approx((4.438, 0), abs=5e-3)


def test_a_lake_and_its_river_across_the_antimeridian() -> None:
    site = Site(longitude=179.999, latitude=-16.8)
    water = at(site, outline="antimeridian_lake.geojson", streams="antimeridian_streams.geojson")
    placed = water.place(np.array([179.975, -179.975, 180.0]), np.full(3, -16.8), np.full(3, 5.0))
    kilometre = 0.015 * 106.6
    assert placed.by_water_km == pytest.approx([kilometre, kilometre, 0], abs=3e-3)
    assert placed.upstream_km == pytest.approx([kilometre, 0, 0], abs=3e-3)
    assert placed.snap == ["stream", "stream", "water"]
    (drawn,) = water.features()["streams"]
    assert shapely.geometry.shape(drawn["geometry"]).bounds == pytest.approx((-180, -16.8, 180, -16.8))
    assert shapely.geometry.shape(drawn["geometry"]).length == pytest.approx(0.06)
    east = at(Site(longitude=-179.972, latitude=-16.8), streams="antimeridian_streams.geojson")
    assert by_water(east, 179.975, -16.8) == pytest.approx((0.053 * 106.6, 0), abs=5e-3)


def test_a_barrier_in_per_cent_names_file_and_row() -> None:
    with pytest.raises(PoolBuilderError, match=r"percent\.geojson, row 2: passability_up is '40'"):
        at(streams="heights.geojson", barriers="percent.geojson")


def test_barriers_without_streams_have_no_effect_and_say_so(tmp_path: Path) -> None:
    spec = geojson(tmp_path / "dams.geojson", [shapely.Point(-91, 37)])
    assert Water.at(SITE, barriers=spec, settings=SETTINGS).notes == (
        "barriers have no effect without streams",
    )


@pytest.fixture
def valley(tmp_path: Path) -> Water:
    """A lake on a river, a dam at its outlet, a second river over the divide that joins below."""
    specs = {
        "outline": geojson(tmp_path / "lakes.geojson", [degrees(shapely.box(-400, -500, 400, 900))], name=["Long Pond"]),
        "streams": geojson(
            tmp_path / "streams.geojson",
            [line((0, 6000), (0, -9000)), line((3000, 5000), (3000, 0), (0, -9000)), line((0, -9000), (0, -12_000))],
            name=["Long River", "Over River", "Long River"],
        ),
        "basins": geojson(
            tmp_path / "basins.geojson",
            [degrees(shapely.box(-1500, -9000, 1500, 6000)), degrees(shapely.box(1500, -9000, 4500, 6000)), degrees(shapely.box(-2000, -12_000, 2000, -9000))],
            code=["a", "b", "c"], downstream=["c", "c", None],
        ),
        "barriers": geojson(tmp_path / "dams.geojson", [degrees(shapely.Point(0, -510))], name=["Long Dam"], passability_up=[0.2], passability_down=[0.9]),
    }  # fmt: skip
    return Water.at(SITE, settings=SETTINGS, **specs)


def test_a_whole_valley(valley: Water) -> None:
    lon, lat = places((0, 0), (0, 2000), (0, -4000), (3000, 1000), (-2500, 3000), (0, -7000), (0, -20_000))
    uncertainty = np.array([20.0, 20, 20, 20, 20, 20_000, 20])
    placed = valley.place(lon, lat, uncertainty)
    around = 8.5 + np.hypot(3, 9) + 1
    assert placed.shore_km == pytest.approx([0, 1.1, 3.5, 2.602, 2.970, 6.5, 19.5], abs=2e-3)
    assert placed.by_water_km == pytest.approx(
        [0, 1.1, 3.5, around, np.nan, np.nan, np.nan], abs=5e-3, nan_ok=True
    )
    assert placed.upstream_km[:4] == pytest.approx([0, 1.1, 0, np.hypot(3, 9) + 1], abs=5e-3)
    assert placed.downstream_km[:4] == pytest.approx([0, 0, 3.5, 8.5], abs=5e-3)
    assert placed.passability[:4] == pytest.approx([1, 1, 0.2, 0.2])
    assert placed.basin_relation == ["same", "same", "same", "neighbouring", None, "same", None]
    assert placed.snap == ["water", "stream", "stream", "stream", "unsnapped", "uncertain", "unsnapped"]
    assert placed.in_water_share[:2] == pytest.approx([1, 0], abs=1e-9)
    assert 0 < placed.in_water_share[5] < 0.01
    assert placed.notes == (
        "2 records lie in none of the watersheds given",
        "4 records stand on the stream network, 1 of them in the water",
        "2 records lie near no flow line: straight distance is kept",
        "1 record is less certain than 2000 m (streamSnapUncertaintyM) and put on no flow line: "
        "straight distance is kept",
    )


def test_the_valley_s_sources_and_features(valley: Water) -> None:
    assert [source["use"] for source in valley.sources] == ["outline", "basins", "streams", "barriers"]
    assert all(len(source["sha256"]) == 64 for source in valley.sources)
    drawn = valley.features()
    assert {name: len(rows) for name, rows in drawn.items()} == {
        "outline": 1,
        "basins": 3,
        "streams": 3,
        "barriers": 1,
    }
    over = next(row for row in drawn["streams"] if row["properties"]["name"] == "Over River")
    assert over["properties"]["passability"] == pytest.approx(0.2)
    assert over["properties"]["downstreamKm"] == pytest.approx(8.5, abs=5e-3)
    assert drawn["barriers"][0]["properties"]["onNetwork"] is True
    for rows in drawn.values():
        for row in rows:
            assert shapely.geometry.shape(row["geometry"]).is_valid


def test_snapped_records_can_be_drawn(valley: Water) -> None:
    placed = valley.place(*places((200, 2000), (-2500, 3000)), np.array([20.0, 20.0]))
    (row,) = placed.features()
    lon, lat = places((0, 2000))
    assert row["geometry"]["coordinates"] == pytest.approx([lon[0], lat[0]], abs=1e-5)
    assert row["properties"]["record"] == 0
    assert row["properties"]["snapM"] == pytest.approx(200, abs=0.5)


def test_no_record_is_lost(valley: Water) -> None:
    rng = np.random.default_rng(5)
    count = 3000
    lon, lat = places(*rng.uniform(-15_000, 15_000, (count, 2)))
    lon[::50] = np.nan
    placed = valley.place(
        lon, lat, np.where(np.arange(count) % 7 == 0, np.nan, 10 ** rng.uniform(0, 4.5, count))
    )
    for name in ("shore_km", "in_water_share", "by_water_km", "passability", "snap", "basin_relation"):
        assert len(getattr(placed, name)) == count
    assert sum(int(note.split()[0].replace(",", "")) for note in placed.notes[1:]) == count
    known = np.isfinite(placed.by_water_km)
    total = placed.upstream_km[known] + placed.downstream_km[known]
    assert placed.by_water_km[known] == pytest.approx(total)
    assert np.isfinite(placed.shore_km).sum() == count - 60


def test_shuffled_records_get_the_same_places(valley: Water) -> None:
    rng = np.random.default_rng(6)
    lon, lat = places(*rng.uniform(-9000, 9000, (500, 2)))
    uncertainty = 10 ** rng.uniform(0, 4, 500)
    order = rng.permutation(500)
    one, other = valley.place(lon, lat, uncertainty), valley.place(lon[order], lat[order], uncertainty[order])
    for name in ("shore_km", "in_water_share", "by_water_km", "passability"):
        assert getattr(other, name) == pytest.approx(getattr(one, name)[order], nan_ok=True, abs=1e-12)


def test_records_that_share_a_place_share_its_placement(valley: Water) -> None:
    lon, lat = places((0, 2000), (-2500, 3000), (0, -4000))
    repeated = np.array([2, 0, 0, 1, 2, 2])
    one = valley.place(lon, lat, np.full(3, 20.0))
    many = valley.place(lon[repeated], lat[repeated], np.full(6, 20.0))
    assert many.by_water_km == pytest.approx(one.by_water_km[repeated], nan_ok=True)
    assert many.snap == [one.snap[k] for k in repeated]
    assert many.notes[-2].startswith("5 records stand on the stream network")


def test_a_layer_that_changed_is_read_again(tmp_path: Path) -> None:
    spec = geojson(
        tmp_path / "lakes.geojson", [degrees(shapely.box(-400, -500, 400, 900))], name=["Old Pond"]
    )
    assert "Old Pond" in Water.at(SITE, outline=spec, settings=SETTINGS).notes[0]
    geojson(tmp_path / "lakes.geojson", [degrees(shapely.box(-400, -500, 400, 800))], name=["Newer Pond"])
    assert "Newer Pond" in Water.at(SITE, outline=spec, settings=SETTINGS).notes[0]


def test_without_layers_nothing_is_known() -> None:
    water = Water.at(SITE, settings=SETTINGS)
    placed = water.place(np.array([-91.0]), np.array([37.0]), np.array([10.0]))
    values: list[Any] = [placed.shore_km, placed.in_water_share, placed.by_water_km, placed.passability]
    assert all(np.isnan(value).all() for value in values)
    assert placed.snap == [None]
    assert water.features() == {}


def test_a_record_in_another_lake_reaches_the_network_through_it(tmp_path: Path) -> None:
    lakes = [degrees(shapely.box(-400, -500, 400, 900)), degrees(shapely.box(-4000, -9000, 3000, -5000))]
    water = Water.at(
        SITE,
        outline=geojson(tmp_path / "lakes.geojson", lakes, name=["Long Pond", "Wide Lake"]),
        streams=geojson(tmp_path / "streams.geojson", [line((0, 6000), (0, -6000))]),
        settings=SETTINGS,
    )
    lon, lat = places((2500, -5500), (0, -8500), (2500, -4500), (200, -5500))
    placed = water.place(lon, lat, np.full(4, 20.0))
    assert placed.snap == ["lake", "lake", "unsnapped", "stream"]
    assert placed.downstream_km[:2] == pytest.approx([5.0 + 2.5, 5.5 + 2.5], abs=5e-3)
    assert placed.upstream_km[:2] == pytest.approx([0, 0])
    assert placed.downstream_km[3] == pytest.approx(5.0, abs=5e-3)
    assert (
        placed.notes[0] == "3 records stand on the stream network, 0 of them in the water, 2 in other waters"
    )
