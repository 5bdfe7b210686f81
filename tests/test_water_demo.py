"""The demo's layers: drawn again they are the same, and by water the order of places changes."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely

from poolbuilder import Settings, Site, Water
from poolbuilder.places.layers import read_layer

ROOT = Path(__file__).parents[1]
SHIPPED = ROOT / "poolbuilder" / "demo_data" / "layers.gpkg"
PLACES = {
    "in the lake": (-91.1960, 36.8940),
    "upper river": (-91.2600, 36.9500),
    "below the dam": (-91.1700, 36.8700),
    "big river": (-91.0500, 36.7600),
    "over the ridge": (-91.1300, 36.9300),
}


@pytest.fixture
def water(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Water:
    monkeypatch.setenv("POOLBUILDER_CACHE", str(tmp_path))
    layers = {use: f"{SHIPPED}:{use}" for use in ("outline", "basins", "streams", "barriers")}
    return Water.at(Site(longitude=-91.2, latitude=36.9), settings=Settings(), **layers)


def test_drawn_again_the_layers_are_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["make_layers.py", str(tmp_path / "again.gpkg")])
    runpy.run_path(str(ROOT / "demo" / "make_layers.py"), run_name="__main__")
    for name in ("outline", "basins", "streams", "barriers"):
        one, other = (
            read_layer(f"{path}:{name}", purpose="layers") for path in (SHIPPED, tmp_path / "again.gpkg")
        )
        assert one.attributes == other.attributes
        # to 1e-5 degrees: another version of GEOS may round a vertex differently
        assert all(shapely.equals_exact(one.geometry, other.geometry, tolerance=1e-5))
    assert SHIPPED.stat().st_size < 300_000


def test_nothing_in_the_demo_s_layers_had_to_be_repaired(water: Water) -> None:
    assert not [note for note in water.notes if "repaired" in note or "left out" in note or "apart" in note]
    assert "streams: 14 flow lines in one connected network" in water.notes


def test_by_water_the_ridge_is_farther_than_the_big_river(water: Water) -> None:
    lon, lat = np.array(list(PLACES.values())).T
    placed = water.place(lon, lat, np.full(len(lon), 30.0))
    lake, upper, below, river, ridge = range(5)
    assert placed.shore_km[ridge] < placed.shore_km[river]
    assert placed.by_water_km[ridge] > 3 * placed.by_water_km[river] > 60
    assert placed.by_water_km[lake] == 0
    assert placed.downstream_km[upper] == 0
    assert placed.upstream_km[below] == 0
    assert placed.passability[upper] == 1
    assert placed.passability[[below, river]] == pytest.approx([0.1, 0.1])  # the dam, at the floor
    assert placed.passability[ridge] == pytest.approx(0.09)  # and over a weir on the way down to it
    assert placed.basin_relation == ["same", "upstream", "downstream", "downstream", "neighbouring"]
