"""The shipped table of native status and the outlines of states against what others published.

`data/native_status.csv` holds 330 statements, 13 to 40 for each species, with the source of each. Independent
of the sources of the table are those of *auritus*, *cyanellus*, *macrochirus*, *microlophus*, *miniatus* and a
few of the others; for *gibbosus*, *gulosus*, *humilis* and *megalotis* both go back to one field guide, read
twice; no second source of *marginatus*, *punctatus*, *symmetricus* and nearly all of *peltastes* could be read:
their rows are from memory, and say so. Names of the units: US Geological Survey, Watershed Boundary Dataset.
"""

from __future__ import annotations

import csv
import gzip
import json
from collections import Counter
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely
from topojson.utils import serialize_as_geojson

from demo.make_regions import STATES, decode
from poolbuilder.places.regions import region_outline
from poolbuilder.status.lists import Drainage, shipped_statements
from tests.registry import registry_package

HERE = Path(__file__).parent
TABLE = HERE.parents[1] / "poolbuilder" / "status" / "native_lepomis.csv"


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


PUBLISHED = _rows(HERE / "data" / "native_status.csv")


@pytest.mark.parametrize("name", sorted({row["scientificName"] for row in PUBLISHED}))
def test_published_ranges_by_watershed_and_state(name: str) -> None:
    rows = [row for row in PUBLISHED if row["scientificName"] == name]
    assert len(rows) >= 20 or name == "Lepomis punctatus"  # lives in thirteen of the units
    for row in rows:
        region, unit = row["region"], row["region"][0].isdigit()
        place = shapely.Point(-95, 39) if unit else region_outline(region).representative_point()
        drainage = Drainage(f"{region}0101") if unit else None  # a unit within; it decides, not the point
        found = shipped_statements([name], place.x, place.y, drainage)[name]
        assert found.means == row["establishmentMeans"], row


def test_every_published_row_has_its_source() -> None:
    sources = Counter(row["source"].startswith("from memory") for row in PUBLISHED)
    assert all(row["source"] for row in PUBLISHED)
    assert sources == {False: 258, True: 72}


@pytest.fixture(scope="module")
def units(shared_data: Path) -> dict[str, dict[str, object]]:
    """Hydrologic units of two and four digits by code, decoded by the topojson package."""
    found: dict[str, dict[str, object]] = {}
    for level in ("huc2", "huc4"):
        with gzip.open(shared_data / "base" / f"{level}_us.topojson.gz", "rt", encoding="utf-8") as stream:
            features = serialize_as_geojson(json.load(stream), objectname=level)["features"]
        found |= {
            item["properties"][level]: {"name": item["properties"]["name"], "shape": item["geometry"]}
            for item in features
        }
    return found


# US Geological Survey, Watershed Boundary Dataset: 21 regions and 225 subregions in the file; the code of a unit
# begins with that of the unit that holds it.
def test_units_nest_and_are_those_of_the_survey(units: dict[str, dict[str, object]]) -> None:
    regions = {code for code in units if len(code) == 2}
    subregions = {code for code in units if len(code) == 4}
    assert (len(regions), len(subregions)) == (21, 225)
    assert {code[:2] for code in subregions} == regions
    for code in subregions:
        inner = shapely.make_valid(shapely.geometry.shape(units[code]["shape"]))
        outer = shapely.make_valid(shapely.geometry.shape(units[code[:2]]["shape"]))
        assert shapely.intersection(inner, outer).area > 0.95 * inner.area, code  # both are simplified
    stated = {row["region"] for row in _rows(TABLE) if row["region"][0].isdigit()}
    assert {code[:4] for code in stated} <= regions | subregions
    for row in PUBLISHED:
        if row["region"][0].isdigit():
            assert row["regionName"] == units[row["region"]]["name"]


# GDAL's reader of TopoJSON and the topojson package as references for the decoding; US Census Bureau codes.
@pytest.mark.registry
def test_states_are_decoded_as_the_references_do() -> None:
    path: Path = registry_package("us-atlas") / "states-10m.json"
    topology = json.loads(path.read_text(encoding="utf-8"))
    ours = {row["id"]: shape for row, shape in decode(topology, "states")}
    _, _, geometry, fields = pyogrio.raw.read(path, layer="states", columns=["id"])
    by_gdal = dict(zip(fields[0], shapely.from_wkb(geometry), strict=True))
    by_package = {
        item["id"]: shapely.geometry.shape(item["geometry"])
        for item in serialize_as_geojson(topology, objectname="states")["features"]
    }
    assert set(by_gdal) == set(by_package) == set(ours) == set(STATES)
    for code, shape in ours.items():
        for theirs in map(shapely.make_valid, (by_gdal[code], by_package[code])):
            assert shapely.symmetric_difference(shape, theirs).area < 1e-6 * theirs.area
        shipped = region_outline(f"US-{STATES[code]}")
        apart = shapely.symmetric_difference(shipped, theirs).area / theirs.area
        assert apart < 0.02 or theirs.area < 0.3, code  # thinned to about a kilometre
    assert np.all(shapely.is_valid([region_outline(f"US-{state}") for state in STATES.values()]))
