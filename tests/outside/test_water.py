"""The water against reference libraries, published definitions and a layer's own attributes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from pyproj import Geod, Transformer
from scipy.stats import ncx2, norm

from poolbuilder import Settings, Site
from poolbuilder.places.layers import read_layer
from poolbuilder.water.basins import find_basins
from poolbuilder.water.network import Network, build_network
from poolbuilder.water.outline import Plane, find_outline
from poolbuilder.water.streams import Cover, find_routes
from tests.waters import lake, layer, places

GEOD = Geod(ellps="WGS84")


@pytest.fixture(scope="module")
def hydrography(shared_data: Path) -> str:
    return str(shared_data / "hydrography" / "new_hope.gpkg")


@pytest.fixture(scope="module")
def flowlines(hydrography: str) -> Any:
    return read_layer(f"{hydrography}:flowline", purpose="flow lines")


@pytest.fixture(scope="module")
def network(flowlines: Any) -> Network:
    return build_network(flowlines, join_m=1.0)


# Shares

ACCURACY = 0.006
"""The share is that of two thousand points of the location; what is said of it has two digits."""


@pytest.mark.parametrize(
    ("distance_km", "uncertainty_km"), [(0, 10), (30, 10), (40, 10), (45, 10), (50, 30), (0, 40)]
)
def test_share_in_a_disc_is_the_noncentral_chi_square(distance_km: float, uncertainty_km: float) -> None:
    # The squared distance of a bivariate normal from a point, over σ², is noncentral χ² with 2
    # degrees of freedom (Johnson, Kotz & Balakrishnan 1995, Continuous univariate distributions,
    # vol. 2, chapter 29; from memory); scipy's ncx2.
    turn = np.linspace(0, 2 * np.pi, 20_001)
    disc = lake(shapely.Polygon(40_000 * np.stack([np.cos(turn), np.sin(turn)], axis=1)))
    sigma = 1000 * uncertainty_km / np.sqrt(-2 * np.log(0.05))
    share = disc.share(*places((1000.0 * distance_km, 0)), np.array([sigma]))
    exact = ncx2.cdf((40_000 / sigma) ** 2, 2, (1000 * distance_km / sigma) ** 2)
    assert share[0] == pytest.approx(exact, abs=ACCURACY)


@pytest.mark.parametrize(
    ("x", "y", "sigma"), [(0, 0, 100), (300, -200, 250), (900, 100, 400), (500, 500, 3000)]
)
def test_share_in_a_rectangle_is_the_product_of_normals(x: float, y: float, sigma: float) -> None:
    share = lake(shapely.box(-500, -300, 500, 300)).share(*places((x, y)), np.array([sigma]))
    exact = np.diff(norm.cdf([-500, 500], x, sigma)) * np.diff(norm.cdf([-300, 300], y, sigma))
    assert share[0] == pytest.approx(exact[0], abs=ACCURACY)


@pytest.mark.parametrize("sigma", [20.0, 150.0, 600.0, 4000.0, 11_440.0])
def test_share_in_a_real_lake_against_a_million_draws(hydrography: str, sigma: float) -> None:
    lakes = read_layer(f"{hydrography}:waterbody", purpose="water outlines")
    site = Site(longitude=-79.0955, latitude=35.899)
    outline, _ = find_outline(lakes, site, settings=Settings())
    assert outline is not None
    rng = np.random.default_rng(11)
    shapely.prepare(outline.polygon)
    for x, y in ((0.0, 0.0), (-700.0, 250.0), (400.0, -900.0)):
        lon, lat = outline.plane.backward(np.array([x]), np.array([y]))
        share = outline.share(lon, lat, np.array([sigma]))[0]
        draws = rng.normal(0, sigma, (1_000_000, 2)) + np.array([x, y])
        hits = shapely.contains_xy(outline.polygon, draws).mean()
        noise = np.sqrt(max(share * (1 - share), 1e-6) / 1e6)
        assert abs(share - hits) < 4 * noise + ACCURACY  # one in 16,000 by chance


# Distances


def test_the_map_keeps_geodesic_distances_from_its_centre() -> None:
    rng = np.random.default_rng(2)
    lon, lat = rng.uniform(-3, 3, 500) - 91.2, rng.uniform(-3, 3, 500) + 36.9
    x, y = Plane(-91.2, 36.9).forward(lon, lat)
    metres = GEOD.inv(np.full(500, -91.2), np.full(500, 36.9), lon, lat)[2]
    assert np.hypot(x, y) == pytest.approx(metres, abs=1e-3)


def test_shore_distance_against_geodesics_to_a_dense_shore(hydrography: str) -> None:
    lakes = read_layer(f"{hydrography}:waterbody", purpose="water outlines")
    outline, _ = find_outline(lakes, Site(longitude=-79.02, latitude=35.76), settings=Settings())
    assert outline is not None
    shore = shapely.get_coordinates(shapely.segmentize(outline.geometry, 2e-5))
    rng = np.random.default_rng(3)
    lon, lat = rng.uniform(-80, -78, 15), rng.uniform(35.2, 36.4, 15)
    found = outline.shore_km(lon, lat)
    for k in range(15):
        size = len(shore)
        nearest = (
            GEOD.inv(np.full(size, lon[k]), np.full(size, lat[k]), shore[:, 0], shore[:, 1])[2].min() / 1000
        )
        if shapely.intersects_xy(outline.geometry, lon[k], lat[k]):
            nearest = 0.0
        # at most 0.01 % too long, and never shorter than to the dense vertices by more than their step
        assert -0.0015 <= found[k] - nearest <= 1e-4 * nearest + 1e-6


def test_lengths_are_geodesic(network: Network) -> None:
    for edge in range(0, network.edges, 5):
        line = network.shapes(np.array([edge]))[0]
        lon, lat = shapely.get_coordinates(line).T
        assert network.length_m[edge] == pytest.approx(GEOD.line_length(lon, lat), abs=1e-4)


def test_the_layer_s_own_lengths_are_planar_in_albers(network: Network, flowlines: Any) -> None:
    """lengthkm departs from the ellipsoid because it is measured on an equal-area map.

    On EPSG:5070 (Albers, conterminous United States) every length agrees to its last digit; on the
    ellipsoid 98 % lie within 2 %, and the whole within 0.06 %.
    """
    given = np.array(flowlines.attributes["lengthkm"])[network.row - 1]
    albers = Transformer.from_crs("EPSG:4326", "EPSG:5070", always_xy=True)
    shapes = network.shapes(np.arange(network.edges))
    flat = shapely.transform(shapes, lambda xy: np.column_stack(albers.transform(xy[:, 0], xy[:, 1])))
    assert np.abs(shapely.length(flat) / 1000 - given).max() <= 0.000501
    geodesic = network.length_m / 1000
    low, high = np.percentile(geodesic / given - 1, [1, 99])
    assert (low, high) == pytest.approx((-0.0173, 0.0184), abs=5e-4)
    assert geodesic.sum() == pytest.approx(given.sum(), rel=6e-4)


# Networks


def _reference(network: Network, flowlines: Any) -> Any:
    """The graph by the layer's node numbers, with lengths by PROJ."""
    networkx = pytest.importorskip("networkx")
    graph = networkx.MultiGraph()
    columns = flowlines.attributes
    for row, shape in enumerate(flowlines.geometry):
        (part,) = shapely.get_parts(shape)
        length = GEOD.line_length(*shapely.get_coordinates(part).T)
        graph.add_edge(columns["fromnode"][row], columns["tonode"][row], key=row, weight=length)
    return graph


@pytest.mark.parametrize("comid", [8897784, 8896344, 8896014, 8888398])
def test_distances_equal_those_of_networkx(network: Network, flowlines: Any, comid: int) -> None:
    networkx = pytest.importorskip("networkx")
    graph = _reference(network, flowlines)
    columns = flowlines.attributes
    row = columns["comid"].index(comid)
    (edge,) = np.flatnonzero(network.row == row + 1)
    length = network.length_m[edge : edge + 1]
    cover = Cover(edge=np.array([edge]), first_m=length, last_m=length)  # the lower end of the line
    routes = find_routes(network, cover, barriers=None, limit_km=1e4)
    expected = networkx.single_source_dijkstra_path_length(graph, columns["tonode"][row], weight="weight")
    assert len(expected) == network.nodes
    ours = (routes.upstream_m + routes.downstream_m)[network.end]
    theirs = np.array([expected[columns["tonode"][k - 1]] for k in network.row])
    assert np.abs(ours - theirs).max() < 1e-3


def test_distances_equal_those_of_networkx_on_braids_of_chance() -> None:
    networkx = pytest.importorskip("networkx")
    rng = np.random.default_rng(9)
    place = np.stack([rng.uniform(-91.3, -91.1, 60), rng.uniform(36.8, 37.0, 60)], axis=1)
    pairs = [(int(a), int(b)) for a, b in rng.integers(0, 60, (150, 2)) if a != b]
    shapes = [shapely.LineString(place[list(pair)]) for pair in pairs]
    net = build_network(
        layer(shapes, fromnode=[f"n{a}" for a, _ in pairs], tonode=[f"n{b}" for _, b in pairs]), join_m=1
    )
    graph = networkx.MultiGraph()
    for (a, b), shape in zip(pairs, shapes, strict=True):
        graph.add_edge(a, b, weight=GEOD.line_length(*shapely.get_coordinates(shape).T))
    edge = int(np.flatnonzero(net.row == 1)[0])
    zero = np.zeros(1)
    routes = find_routes(
        net, Cover(edge=np.array([edge]), first_m=zero, last_m=zero), barriers=None, limit_km=1e4
    )
    expected = networkx.single_source_dijkstra_path_length(graph, pairs[0][0], weight="weight")
    ours = (routes.upstream_m + routes.downstream_m)[net.end]
    theirs = np.array([expected.get(pairs[row - 1][1], np.inf) for row in net.row])
    known = np.isfinite(theirs)
    assert np.isfinite(ours).tolist() == known.tolist()
    assert np.abs(ours[known] - theirs[known]).max() < 1e-3


def test_distances_against_the_layer_s_own_path_length(network: Network, flowlines: Any) -> None:
    """pathlength sums lengthkm down the main path; ours takes the shortest way, minor channels too."""
    columns = {name: np.array(values) for name, values in flowlines.attributes.items()}
    outlet = int(np.flatnonzero(columns["comid"][network.row - 1] == 8897784)[0])
    length = network.length_m[outlet : outlet + 1]
    cover = Cover(edge=np.array([outlet]), first_m=length, last_m=length)
    routes = find_routes(network, cover, barriers=None, limit_km=1e4)
    ours = (routes.upstream_m + routes.downstream_m)[network.end] / 1000
    path = columns["pathlength"][network.row - 1]
    path = path - path[outlet]
    geodesic_km = np.zeros(len(columns["comid"]))
    geodesic_km[network.row - 1] = network.length_m / 1000
    main = np.array([_down_the_main_path(columns, row - 1, geodesic_km) for row in network.row])
    assert np.abs(main - path).max() < 0.11  # the projection of lengthkm, over up to 50 km
    assert (ours <= main + 1e-6).all()
    assert np.mean(np.abs(ours - main) < 1e-6) > 0.45
    assert (main - ours).max() < 3.3


def _down_the_main_path(columns: dict[str, Any], row: int, length_km: np.ndarray) -> float:
    place = {number: k for k, number in enumerate(columns["hydroseq"].tolist())}
    total = 0.0
    while (row := place.get(int(columns["dnhydroseq"][row]), -1)) >= 0:
        total += length_km[row]
    return total


# Watersheds


def test_codes_of_watersheds_nest_by_two_digits(hydrography: str) -> None:
    # Each further pair of digits of a hydrologic unit code divides the unit of the pairs before
    # (Seaber, Kapinos & Knapp 1987, Hydrologic unit maps, USGS Water-Supply Paper 2294; from memory).
    sheds = read_layer(f"{hydrography}:huc12", purpose="watersheds")
    columns = sheds.attributes
    for small, middle, large in zip(columns["huc_12"], columns["huc_10"], columns["huc_8"], strict=True):
        assert (len(small), len(middle), len(large)) == (12, 10, 8)
        assert small.startswith(middle)
        assert middle.startswith(large)
    names: dict[str, set[str]] = {}
    for code, name in zip(columns["huc_10"], columns["hu_10_name"], strict=True):
        names.setdefault(code, set()).add(name)
    assert all(len(name) == 1 for name in names.values())


def test_watersheds_of_one_larger_unit_are_never_other(hydrography: str) -> None:
    sheds = read_layer(f"{hydrography}:huc12", purpose="watersheds")
    columns = sheds.attributes
    for row, shape in enumerate(sheds.geometry):
        point = shapely.point_on_surface(shape)
        basins, _ = find_basins(sheds, Site(longitude=point.x, latitude=point.y))
        assert basins.home == row
        inner = [k for k, code in enumerate(columns["huc_10"]) if code == columns["huc_10"][row]]
        assert all(basins.relation[k] != "other" for k in inner)
        below = columns["hu_12_ds"][row]
        if below in columns["huc_12"]:
            assert basins.relation[columns["huc_12"].index(below)] == "downstream"
        above = [k for k, code in enumerate(columns["hu_12_ds"]) if code == columns["huc_12"][row]]
        assert all(basins.relation[k] == "upstream" for k in above)
