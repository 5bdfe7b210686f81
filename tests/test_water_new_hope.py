"""Three real lakes with invented records in, above, below and beside them.

What is expected was read off the layer's own tables, without its geometry: lengths of the
flow lines (`lengthkm`) summed down the main path (`dnhydroseq`) from the record's line, half of it
counted, and from the lake's outlet, to where they meet.  Ours may be shorter through minor channels,
and differs by up to 2 % as lengthkm is measured on an equal-area map.
"""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pytest

from poolbuilder import Job, Pool, Settings, Site, Water, read_pool, write_pool
from poolbuilder.places.geodesy import distance_km

RECORDS = {
    "Phils Creek": (-79.1178, 35.9082),
    "Wilson Creek": (-79.0634, 35.8727),
    "Cub Creek": (-79.0276, 35.8438),
    "Morgan Creek": (-79.0436, 35.8921),
    "Bolin Creek": (-79.0607, 35.9225),
    "New Hope Creek": (-78.9754, 35.8575),
    "Northeast Creek": (-78.9541, 35.8314),
    "Booker Creek": (-79.0262, 35.9347),
    "Third Fork Creek": (-78.8950, 35.9675),
    "East Branch Price Creek": (-79.0927, 35.8655),
    "Kit Creek": (-78.9132, 35.8529),
    "Mud Creek": (-78.9659, 36.0108),
}

# km up and down by the layer's tables, and the watershed's relation
UNIVERSITY_LAKE = {
    "Phils Creek": (1.76, 0, "same"),
    "Wilson Creek": (2.41, 4.41, "downstream"),
    "Cub Creek": (3.92, 19.89, "downstream"),
    "Morgan Creek": (0, 6.55, "downstream"),
    "Bolin Creek": (21.96, 21.69, "neighbouring"),
    "New Hope Creek": (6.76, 21.69, "neighbouring"),
    "Northeast Creek": (6.06, 21.69, "neighbouring"),
    "Booker Creek": (19.39, 21.69, "neighbouring"),
    "Third Fork Creek": (27.41, 21.69, "neighbouring"),
    "East Branch Price Creek": (1.80, 0, "same"),
    "Kit Creek": (14.03, 21.69, "neighbouring"),
    "Mud Creek": (31.96, 21.69, "neighbouring"),
}
EASTWOOD_LAKE = {
    "Phils Creek": (25.26, 21.08, "neighbouring"),
    "Wilson Creek": (19.69, 21.08, "neighbouring"),
    "Cub Creek": (5.73, 21.08, "neighbouring"),
    "Morgan Creek": (15.14, 21.08, "neighbouring"),
    "Bolin Creek": (4.25, 3.38, "same"),
    "New Hope Creek": (0, 14.32, "downstream"),
    "Northeast Creek": (2.99, 18.02, "neighbouring"),
    "Booker Creek": (0, 1.69, "same"),
    "Third Fork Creek": (19.28, 12.96, "neighbouring"),
    "East Branch Price Creek": (25.75, 21.08, "neighbouring"),
    "Kit Creek": (10.96, 18.02, "neighbouring"),
    "Mud Creek": (23.83, 12.96, "neighbouring"),
}
RESERVOIR = {
    "Phils Creek": (19.77, 0, "upstream"),
    "Wilson Creek": (14.20, 0, "upstream"),
    "Cub Creek": (2.21, 0, "upstream"),
    "Morgan Creek": (9.65, 0, "upstream"),
    "Bolin Creek": (13.03, 0, "upstream"),
    "New Hope Creek": (0, 0, "upstream"),  # in the lake's upper arm, within another watershed
    "Northeast Creek": (1.81, 0, "upstream"),
    "Booker Creek": (10.47, 0, "upstream"),
    "Third Fork Creek": (18.65, 0, "upstream"),
    "East Branch Price Creek": (20.27, 0, "upstream"),
    "Kit Creek": (9.78, 0, "upstream"),
    "Mud Creek": (23.20, 0, "upstream"),
}
LAKES = {
    "University Lake": (-79.0955, 35.899, UNIVERSITY_LAKE),
    "Eastwood Lake": (-79.0347, 35.9455, EASTWOOD_LAKE),
    "reservoir": (-78.990, 35.81, RESERVOIR),
}
MINOR_CHANNELS_KM = 2.2
"""The most that a way here is shortened by channels beside the main path."""


@pytest.fixture(scope="module")
def layers(shared_data: Path) -> dict[str, str]:
    path = shared_data / "hydrography" / "new_hope.gpkg"
    return {"outline": f"{path}:waterbody", "basins": f"{path}:huc12", "streams": f"{path}:flowline"}


@pytest.fixture(params=list(LAKES))
def lake(
    request: pytest.FixtureRequest, layers: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Water:
    monkeypatch.setenv("POOLBUILDER_CACHE", str(tmp_path))
    lon, lat, _ = LAKES[request.param]
    site = Site(longitude=lon, latitude=lat, name=request.param)
    return Water.at(site, settings=Settings(), **layers)


def test_a_dozen_records_by_hand(lake: Water) -> None:
    lon, lat = np.array(list(RECORDS.values())).T
    placed = lake.place(lon, lat, np.full(len(lon), 20.0))
    for k, (name, (up, down, relation)) in enumerate(LAKES[lake.site.name][2].items()):
        assert name == list(RECORDS)[k]
        assert placed.basin_relation[k] == relation, name
        slack = 0.03 + 0.02 * (up + down)
        assert up + down - MINOR_CHANNELS_KM - slack <= placed.by_water_km[k] <= up + down + slack, name
        assert placed.downstream_km[k] == pytest.approx(down, abs=0.25), name
        assert placed.passability[k] == 1


def test_what_is_near_in_a_straight_line_may_be_far_by_water(
    layers: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("POOLBUILDER_CACHE", str(tmp_path))
    site = Site(longitude=-79.0955, latitude=35.899)
    water = Water.at(site, settings=Settings(), **layers)
    lon, lat = np.array([RECORDS["Bolin Creek"], RECORDS["Wilson Creek"]]).T
    straight = distance_km(lon, lat, from_longitude=site.longitude, from_latitude=site.latitude)
    by_water = water.place(lon, lat, np.array([20.0, 20.0])).by_water_km
    assert straight[0] < straight[1] < 4.2
    assert by_water[0] > 6 * by_water[1]


def test_records_across_the_great_divides_keep_their_straight_distance(lake: Water) -> None:
    # Haw River side, Eno River side: in the watersheds of the layer, but its flow lines stop short
    placed = lake.place(np.array([-79.19, -79.05]), np.array([35.85, 36.04]), np.array([20.0, 20.0]))
    assert placed.snap == ["unsnapped", "unsnapped"]
    assert np.isnan(placed.by_water_km).all()
    assert placed.basin_relation[1] == "other"
    assert np.isfinite(placed.shore_km).all()


def test_the_layers_are_found_whole(lake: Water) -> None:
    assert "streams: 746 flow lines in one connected network" in lake.notes
    assert [source["rows"] for source in lake.sources] == [99, 21, 746]
    assert lake.outline is not None


# Pools

SPECIES = (
    "auritus", "cyanellus", "gibbosus", "gulosus", "humilis", "macrochirus", "marginatus",
    "megalotis", "microlophus", "miniatus", "peltastes", "punctatus", "symmetricus",
)  # fmt: skip
POOL_RECORDS = {
    **{name: RECORDS[name] for name in list(RECORDS)[:9]},
    "Mud Creek": RECORDS["Mud Creek"],
    "Haw River side": (-79.19, 35.85),
    "Eno River side": (-79.05, 36.04),
    "far west": (-79.75, 35.95),
}
"""One record for each species, in their order."""

OFF_THE_NETWORK = ("Haw River side", "Eno River side", "far west")


@pytest.fixture
def pool(
    request: pytest.FixtureRequest, layers: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Pool:
    monkeypatch.setenv("POOLBUILDER_CACHE", str(tmp_path / "cache"))
    rows = [
        "eventID\tscientificName\tdecimalLongitude\tdecimalLatitude\tcoordinateUncertaintyInMeters\teventDate"
    ]
    rows += [
        f"{place}\tLepomis {name}\t{lon}\t{lat}\t20\t2020-06-01"
        for name, (place, (lon, lat)) in zip(SPECIES, POOL_RECORDS.items(), strict=True)
    ]
    records = tmp_path / "records.txt"
    records.write_text("\n".join(rows) + "\n")
    lon, lat, _ = LAKES[request.param]
    job = Job(
        site=Site(longitude=lon, latitude=lat),
        as_of=datetime.date(2026, 6, 1),
        water=layers["outline"],
        basins=layers["basins"],
        streams=layers["streams"],
        records=[records],
    )
    built = job.run()
    return read_pool(write_pool(built, tmp_path / "pool"))


@pytest.mark.parametrize("pool", list(LAKES), indirect=True)
def test_tiers_and_ways_of_the_pools_by_hand(pool: Pool, request: pytest.FixtureRequest) -> None:
    lake = request.node.callspec.params["pool"]
    assert pool.site.name == ("" if lake == "reservoir" else lake)  # that one has no name on the map
    rows = {row["scientificName"].split()[1]: row for row in pool.candidates.to_pylist()}
    for name, place in zip(SPECIES, POOL_RECORDS, strict=True):
        row = rows[name]
        if place in OFF_THE_NETWORK:
            assert row["nearestByWaterKm"] is None
            assert row["tier"] == ("beyond" if place == "far west" else "radius"), place
            continue
        up, down, _ = LAKES[lake][2][place]
        way = up + down
        slack = 0.03 + 0.02 * way
        assert way - MINOR_CHANNELS_KM - slack <= row["nearestByWaterKm"] <= way + slack, place
        wanted = "water" if way == 0 else "connected" if row["nearestByWaterKm"] <= 40 else "radius"
        assert row["tier"] == wanted, place
        assert row["recordsInWater"] == int(way == 0)
        assert row["nearestByWaterKm"] >= row["nearestKm"] - 0.5
    assert {row["tier"] for row in rows.values()} >= {"connected", "radius", "beyond"}
    assert len(pool.features["outline"]) == 1
    assert len(pool.features["snapped"]) == sum(
        row["nearestByWaterKm"] not in {None, 0} for row in rows.values()
    )
