"""The water at a point: which one, what lies in it, how far its shore is."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import PoolBuilderError, Settings, Site
from poolbuilder.water.outline import find_outline
from tests.waters import SITE, degrees, lake, layer, places

SETTINGS = Settings()
LAWS = settings(deadline=None, derandomize=True, max_examples=40)
SQUARE = shapely.box(-500, -500, 500, 500)
BAY = shapely.Polygon(
    [(0, 0), (1000, 0), (1000, 1000), (600, 200), (0, 900)], [[(300, 100), (500, 100), (400, 300)]]
)


def test_a_site_in_a_lake_finds_it() -> None:
    lakes = layer([degrees(SQUARE), degrees(shapely.box(3000, 0, 4000, 900))], name=["Long Pond", "Far Pond"])
    outline, notes = find_outline(lakes, SITE, settings=SETTINGS)
    assert outline is not None
    assert (outline.name, outline.rows) == ("Long Pond", (1,))
    assert outline.area_km2 == pytest.approx(1.0, rel=1e-6)
    assert notes == ["the site lies in Long Pond, 1 km²"]


def test_a_site_on_land_near_a_shore_takes_that_water_and_says_so() -> None:
    lakes = layer([degrees(shapely.box(120, -50, 900, 50))], name=["Long Pond"])
    outline, notes = find_outline(lakes, SITE, settings=SETTINGS)
    assert outline is not None
    assert notes == ["the site lies on land, 120 m from Long Pond; it is taken as in that water"]


def test_a_site_far_from_water_is_told_which_waters_are_nearest() -> None:
    boxes = [degrees(shapely.box(x, 0, x + 100, 100)) for x in (4000, 700, 1500, 2500)]
    outline, notes = find_outline(layer(boxes, name=["D", "A", "", "C"]), SITE, settings=SETTINGS)
    assert outline is None
    assert notes == [
        "no water at the site: the nearest are A (700 m), an unnamed water (feature 3) (1.5 km), C (2.5 km); "
        "waterSnapM is 500 m"
    ]


def test_nothing_within_fifty_kilometres_is_said() -> None:
    outline, notes = find_outline(
        layer([degrees(shapely.box(90_000, 0, 91_000, 500))]), SITE, settings=SETTINGS
    )
    assert outline is None
    assert notes == ["no water within 50 km of the site in test.gpkg"]


def test_the_smaller_of_two_waters_that_hold_the_site_is_taken() -> None:
    lakes = layer([degrees(SQUARE.buffer(900)), degrees(SQUARE)], name=["River", "Backwater"])
    outline, notes = find_outline(lakes, SITE, settings=SETTINGS)
    assert outline is not None
    assert outline.name == "Backwater"
    assert notes == ["the site lies in Backwater and in River; the smaller is taken as the water"]


def test_adjoining_polygons_of_one_name_are_one_water_without_a_shore_between() -> None:
    halves = [
        shapely.box(-500, -500, 200, 500),
        shapely.box(200, -500, 500, 500),
        shapely.box(900, 0, 950, 50),
    ]
    lakes = layer([degrees(half) for half in halves], name=["Long Pond"] * 3)
    outline, notes = find_outline(lakes, SITE, settings=SETTINGS)
    assert outline is not None
    assert outline.rows == (1, 2)
    assert notes[0] == "Long Pond: 2 adjoining polygons of that name taken as one water"
    lon, lat = places((200, 0))
    assert outline.share(lon, lat, np.array([20.0]))[0] == pytest.approx(1.0, abs=1e-9)


def test_a_site_on_an_island_is_on_land() -> None:
    ring = SQUARE.difference(shapely.Point(0, 0).buffer(80, quad_segs=64))
    outline, notes = find_outline(layer([degrees(ring)], name=["Long Pond"]), SITE, settings=SETTINGS)
    assert outline is not None
    assert notes[0].startswith("the site lies on land, 80 m from Long Pond")
    assert outline.shore_km(*places((0, 0)))[0] == pytest.approx(0.080, abs=1e-4)


@pytest.mark.parametrize(
    ("shapes", "fact"), [([], "is empty"), ([shapely.Point(-91, 37)], "holds no polygons")]
)
def test_a_layer_without_polygons_is_an_error(shapes: list[object], fact: str) -> None:
    with pytest.raises(
        PoolBuilderError, match=rf"test\.gpkg: {fact} \(give the outlines of waters as polygons\)"
    ):
        find_outline(layer(shapes), SITE, settings=SETTINGS)


def test_distances_run_to_the_nearest_shore_and_are_zero_inside() -> None:
    outline, _ = find_outline(layer([degrees(SQUARE)]), SITE, settings=SETTINGS)
    assert outline is not None
    lon, lat = places((0, 0), (499, 0), (500, 0), (1500, 100), (800, 900), (0, -20_500))
    km = outline.shore_km(np.append(lon, np.nan), np.append(lat, 37.0))
    assert km[:6] == pytest.approx([0, 0, 0, 1.0, 0.5, 20.0], abs=2e-5)
    assert np.isnan(km[6])


def test_the_share_in_the_water_of_known_locations() -> None:
    outline, _ = find_outline(layer([degrees(SQUARE)]), SITE, settings=SETTINGS)
    assert outline is not None
    lon, lat = places((0, 0), (0, 0), (500, 0), (500, 500), (900, 0), (0, 0))
    share = outline.share(lon, lat, np.array([0.0, 500.0, 10.0, 10.0, 0.0, 0.0]))
    one_sigma = 0.6826894921370859  # P(|z| < 1) of the standard normal
    assert share == pytest.approx([1, one_sigma**2, 0.5, 0.25, 0, 1], abs=0.003)


def test_a_lake_across_the_antimeridian_is_one_water() -> None:
    site = Site(longitude=179.999, latitude=-16.8)
    parts = shapely.MultiPolygon(
        [shapely.box(179.99, -16.81, 180, -16.79), shapely.box(-180, -16.81, -179.99, -16.79)]
    )
    outline, _ = find_outline(layer([parts], name=["Dateline Pond"]), site, settings=SETTINGS)
    assert outline is not None
    seam = outline.share(np.array([180.0, -180.0]), np.array([-16.8, -16.8]), np.array([50.0, 50.0]))
    assert seam == pytest.approx([1, 1], abs=1e-6)
    km = outline.shore_km(np.array([-179.985]), np.array([-16.8]))
    assert km[0] == pytest.approx(0.005 * 106.6, rel=2e-3)  # a degree of longitude there is 106.6 km


@LAWS
@given(
    x=st.floats(-1500, 2500), y=st.floats(-1500, 2500),
    sigma=st.floats(0.01, 5000), cut=st.floats(50, 900),
)  # fmt: skip
def test_shares_of_the_parts_of_a_polygon_add_up(x: float, y: float, sigma: float, cut: float) -> None:
    halves = [
        BAY.intersection(box) for box in (shapely.box(0, 0, cut, 1000), shapely.box(cut, 0, 1000, 1000))
    ]
    place = *places((x, y)), np.array([sigma])
    whole = lake(BAY).share(*place)[0]
    parts = sum(lake(half).share(*place)[0] for half in halves)
    assert 0 <= whole <= 1
    assert parts == pytest.approx(whole, abs=0.004)  # points on the cut lie in both


@LAWS
@given(x=st.floats(-900, 900), y=st.floats(-900, 900), sigma=st.floats(1, 2000), turn=st.floats(0, 360))
def test_the_share_does_not_depend_on_the_map_s_direction(
    x: float, y: float, sigma: float, turn: float
) -> None:
    from shapely import affinity

    spun = affinity.rotate(BAY, turn, origin=(0, 0))
    moved = affinity.rotate(shapely.Point(x, y), turn, origin=(0, 0))
    one = lake(BAY).share(*places((x, y)), np.array([sigma]))
    other = lake(spun).share(*places((moved.x, moved.y)), np.array([sigma]))
    assert other[0] == pytest.approx(one[0], abs=0.012)  # each within 0.006


def test_a_great_many_locations_of_all_sizes_are_settled() -> None:
    rng = np.random.default_rng(3)
    angle = np.linspace(0, 2 * np.pi, 1500, endpoint=False)
    radius = 3000 + 400 * np.sin(9 * angle) + 60 * rng.normal(size=1500)
    water = lake(shapely.Polygon(np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)))
    x, y = rng.normal(0, 6000, (2, 20_000))
    share = water.share(*water.plane.backward(x, y), 10 ** rng.uniform(-1, 4.2, 20_000))
    assert np.isfinite(share).all()
    assert ((share >= 0) & (share <= 1)).all()
    assert share[np.hypot(x, y) > 90_000].sum() == 0


def test_a_hair_s_breadth_between_two_sheets_is_no_shore() -> None:
    halves = [shapely.box(-500, -500, 200, 500), shapely.box(200.005, -500, 500, 500)]
    outline, _ = find_outline(
        layer([degrees(half) for half in halves], name=["Long Pond"] * 2), SITE, settings=SETTINGS
    )
    assert outline is not None
    assert len(shapely.get_parts(outline.polygon)) == 1
    assert outline.share(*places((200, 0)), np.array([1.0]))[0] == pytest.approx(1, abs=1e-9)
