"""Status and distance against published county maps, and the codes of the published mapping standard.

County maps: US Geological Survey, Gap Analysis Project, species habitat maps, summed over the
counties of the US Census Bureau's cartographic boundaries at 1:10,000,000 (US Government data).
Fetched as vega-datasets 3.2.1 (species.csv) and us-atlas 3.0.1 (counties-10m.json).
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic

import poolbuilder
from poolbuilder import Checklist, RangeMap, Site
from poolbuilder.names.vocabularies import DEGREE_OF_ESTABLISHMENT, ESTABLISHMENT_MEANS, PATHWAY
from poolbuilder.places.geodesy import disc
from poolbuilder.status.decision import decide
from poolbuilder.status.lists import Statement, side
from poolbuilder.status.polygons import polygon_class, status_at
from tests.registry import registry_package

Shapes = dict[str, Any]


def _arc_points(topology: dict[str, Any]) -> list[np.ndarray]:
    """The arcs of a TopoJSON file, unquantised: each point is a difference from the one before."""
    scale, move = (np.array(topology["transform"][key]) for key in ("scale", "translate"))
    return [np.cumsum(np.array(arc), axis=0) * scale + move for arc in topology["arcs"]]


def _ring(arcs: list[np.ndarray], numbers: list[int]) -> np.ndarray:
    """Arcs end to end; a negative number is an arc walked backwards."""
    parts = [arcs[number] if number >= 0 else arcs[~number][::-1] for number in numbers]
    return np.concatenate([parts[0], *(part[1:] for part in parts[1:])])


def _polygons(arcs: list[np.ndarray], geometry: dict[str, Any]) -> Iterator[Any]:
    several = [geometry["arcs"]] if geometry["type"] == "Polygon" else geometry["arcs"]
    for rings in several:
        shell, *holes = (_ring(arcs, ring) for ring in rings)
        if len(shell) >= 4:  # islets that the quantisation left without extent
            yield shapely.Polygon(shell, [hole for hole in holes if len(hole) >= 4])


@pytest.fixture(scope="module")
def counties() -> Shapes:
    path = registry_package("us-atlas") / "counties-10m.json"
    topology = json.loads(path.read_text(encoding="utf-8"))
    arcs = _arc_points(topology)
    return {
        item["id"]: shapely.make_valid(shapely.MultiPolygon(list(_polygons(arcs, item))))
        for item in topology["objects"]["counties"]["geometries"]
    }


@pytest.fixture(scope="module")
def habitat(counties: Shapes) -> dict[str, dict[str, float]]:
    """Species to share of habitat in each county that has an outline."""
    path = registry_package("vega-datasets") / "data" / "species.csv"
    found: dict[str, dict[str, float]] = {}
    with path.open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            county = row["county_id"].zfill(5)
            if county in counties:
                found.setdefault(row["scientific_name"], {})[county] = float(row["habitat_yearround_pct"])
    return found


@pytest.fixture(scope="module")
def range_map(
    counties: Shapes, habitat: dict[str, dict[str, float]], tmp_path_factory: pytest.TempPathFactory
) -> RangeMap:
    """One polygon for each species and county with habitat, as a range layer would have them."""
    rows = [
        (name, county) for name, shares in habitat.items() for county, share in shares.items() if share > 0
    ]
    path = tmp_path_factory.mktemp("ranges") / "counties.parquet"
    gpd.GeoDataFrame(
        {"scientificName": [name for name, _ in rows], "presence": [1] * len(rows)},
        geometry=[counties[county] for _, county in rows],
        crs=4326,
    ).to_parquet(path)
    listed = Checklist.from_csv("\n".join(["scientificName", *habitat]).encode(), path="four.csv")
    return RangeMap.read([str(path)], listed)


def _chosen(shares: dict[str, float]) -> list[str]:
    """Five counties of a species: two without habitat, three with, spread over the list."""
    none = sorted(county for county, share in shares.items() if share == 0)
    some = sorted(county for county, share in shares.items() if share > 0)
    return [none[len(none) // 3], none[-1], some[0], some[len(some) // 2], some[-1]]


def _kilometres_to(shape: Any, place: Any) -> float:
    """Shortest geodesic to points set close along a boundary, by geographiclib."""
    points = shapely.get_coordinates(shapely.segmentize(shape, 0.002))
    flat = np.hypot((points[:, 0] - place.x) * np.cos(np.radians(place.y)), points[:, 1] - place.y)
    near = points[np.argsort(flat)[:40]]
    return min(
        Geodesic.WGS84.Inverse(place.y, place.x, float(lat), float(lon))["s12"] / 1000 for lon, lat in near
    )


@pytest.mark.registry
def test_status_and_distance_at_twenty_county_centres(
    counties: Shapes, habitat: dict[str, dict[str, float]], range_map: RangeMap
) -> None:
    checked = 0
    assert set(habitat) == {
        "Lithobates catesbeianus", "Thamnophis sirtalis", "Odocoileus virginianus", "Turdus migratorius",
    }  # fmt: skip
    for name, shares in habitat.items():
        living = [counties[county] for county, share in shares.items() if share > 0]
        tree = shapely.STRtree(living)
        for county in _chosen(shares):
            centre = shapely.point_on_surface(counties[county])
            row = status_at(range_map, Site(longitude=centre.x, latitude=centre.y), [name])[0]
            if shares[county] > 0:
                assert (row["rangeClass"], row["rangeKm"]) == ("extant", 0), (name, county)
            else:
                reach = 2 * float(centre.distance(living[int(tree.query_nearest(centre)[0])]))
                around = tree.query(centre.buffer(reach), "intersects")  # in degrees: not yet the nearest
                nearest = min(_kilometres_to(living[item], centre) for item in around)
                assert row["rangeClass"] == "outside", (name, county)
                assert row["rangeKm"] == pytest.approx(nearest, rel=0.01), (name, county)
            checked += 1
            assert row["establishmentMeans"] is None  # the table does not say native or introduced
            decided = decide([])
            assert (decided.means, decided.source) == ("uncertain", "unknown")
    assert checked == 20


@pytest.mark.registry
def test_a_40_km_disc_touches_nine_counties(counties: Shapes) -> None:
    area = disc(-93.3, 44.95, 40.0)
    assert sum(bool(area.intersects(shape)) for shape in counties.values()) == 9


# IUCN Red List, Mapping and Distribution Data Attribute Standards, version 1.20 (January 2024): what
# each pair of presence (rows 1-7) and origin (columns 1-6) says of a species at a place, by hand:
# n native, r native reintroduced, i introduced, a introduced to save it, v vagrant, u uncertain;
# - where the polygon is not about presence.
BY_HAND = ("nrivua", "nrivua", "nrivua", "nrivua", "nrivua", "nrivua", "------")
MEANS = {
    "n": "native", "r": "nativeReintroduced", "i": "introduced", "v": "vagrant", "u": "uncertain",
    "a": "introducedAssistedColonisation", "-": None,
}  # fmt: skip


def test_every_combination_of_codes_gives_the_status_of_the_standard() -> None:
    combinations = list(product(range(1, 8), range(1, 7), range(1, 6)))
    assert len(combinations) == 210
    for presence, origin, seasonal in combinations:
        _, means, _ = polygon_class(presence, origin, seasonal)
        wanted = MEANS[BY_HAND[presence - 1][origin - 1]]
        assert means == wanted, (presence, origin, seasonal)
        decided = decide([Statement(source="polygon", means=means)] if means else [])
        if wanted is None:
            assert decided.source == "unknown"
        else:
            assert (decided.means, decided.source) == (wanted, "polygon")
            assert side(wanted) == {"n": "native", "r": "native", "i": "introduced", "a": "introduced"}.get(
                BY_HAND[presence - 1][origin - 1]
            )


def test_the_demo_speaks_darwin_core() -> None:
    """Terms of http://rs.tdwg.org/dwc/doc/em/, doe/ and pw/, as the demo's region list uses them."""
    path = Path(poolbuilder.__file__).parent / "demo_data" / "lake_district" / "status.csv"
    with path.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["establishmentMeans"] for row in rows} <= set(ESTABLISHMENT_MEANS)
    assert {row["degreeOfEstablishment"] for row in rows} - {""} <= set(DEGREE_OF_ESTABLISHMENT)
    assert {row["pathway"] for row in rows} - {""} <= set(PATHWAY)
