"""The base map that ships.

Checked against: US Census Bureau, counties and equivalents of the states and the District of Columbia: 3,142
from 2013 to 2018, the year of the outlines; 78 municipios of Puerto Rico (US Geological Survey, "How many
counties are there in the United States?"; its 3,141 are of an earlier year).
"""

from __future__ import annotations

import hashlib
import json
from importlib import resources
from pathlib import Path

import pyarrow.parquet as pq
import pytest
import shapely

from poolbuilder import PoolBuilderError, Site
from poolbuilder.places import base_map as shipped
from poolbuilder.places.base_map import BASE_LAYERS, base_map, fetch_finer
from poolbuilder.places.geodesy import distance_km


@pytest.fixture(autouse=True)
def _no_finer_layers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("POOLBUILDER_MAP", str(tmp_path / "map"))


def test_the_map_ships_small_and_whole() -> None:
    shipped_file = resources.files("poolbuilder.places") / "base_map.parquet"
    with resources.as_file(shipped_file) as path:
        assert path.stat().st_size <= 3_000_000
        file = pq.ParquetFile(path)
        names = file.schema_arrow.metadata[b"layers"].decode().split(",")
        codes = {name: file.read_row_group(k)["code"].to_pylist() for k, name in enumerate(names)}
    assert set(BASE_LAYERS) == set(names)
    counties = set(codes["county"])
    of_states = {code for code in counties if int(code[:2]) <= 56}
    assert all(len(code) == 5 for code in counties)
    assert len({code[:2] for code in of_states}) == 50 + 1  # the states and the District of Columbia
    assert len(of_states) == 3142 - 1  # Falls Church, Virginia (51610), has no extent at this scale
    assert "51610" not in counties
    assert sum(code.startswith("72") for code in counties) == 78


def test_only_what_lies_near_is_given() -> None:
    site = Site(longitude=-76.6, latitude=39.3, radius_km=40)
    found = base_map(site)
    assert set(found) <= {*BASE_LAYERS, "region"}
    assert found["region"][0]["properties"]["name"] == "Maryland"
    assert {"coast", "county", "town", "state"} <= set(found)
    assert "Baltimore" in {item["properties"]["name"] for item in found["town"]}
    for features in found.values():
        for feature in features:
            lon, lat = shapely.get_coordinates(shapely.from_geojson(json.dumps(feature["geometry"]))).T
            away = distance_km(lon, lat, from_longitude=site.longitude, from_latitude=site.latitude)
            assert away.max() <= 2 * 40 * 1.45  # the corner of a square
    assert len(json.dumps(found)) < 100_000


def test_a_place_without_towns_has_its_state_named() -> None:
    found = base_map(Site(longitude=-156.0, latitude=68.5, radius_km=10))
    assert "town" not in found
    assert [item["properties"]["name"] for item in found["region"]] == ["Alaska"]


def test_both_sides_of_180_degrees_are_drawn() -> None:
    coast = base_map(Site(longitude=179.95, latitude=-16.8, radius_km=40))["coast"]
    west = [shapely.from_geojson(json.dumps(item["geometry"])).bounds[0] for item in coast]
    assert min(west) < -179
    assert max(west) > 179


def test_finer_layers_are_taken_only_when_they_are_the_ones_expected(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lake = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"name": "Heron Reservoir"},
                "geometry": json.loads(shapely.to_geojson(shapely.box(-91.3, 36.8, -91.1, 36.9))),
            }
        ],
    }
    folder = tmp_path / "map"
    folder.mkdir()
    path = folder / "lakes.json"
    path.write_text(json.dumps(lake))
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    good = shipped.FinerLayer("lake", "a/lakes.json", digest)
    monkeypatch.setattr(shipped, "FINER", (good,))
    assert fetch_finer(folder, url="http://127.0.0.1:9/") == [path]  # kept: nobody is asked again
    drawn = base_map(Site(longitude=-91.2, latitude=36.9))["lake"]
    assert drawn[0]["properties"]["name"] == "Heron Reservoir"
    monkeypatch.setattr(shipped, "FINER", (good._replace(sha256="0" * 64),))
    with pytest.raises(PoolBuilderError, match=r"lakes.json: cannot be downloaded"):
        fetch_finer(folder, url="http://127.0.0.1:9/")
