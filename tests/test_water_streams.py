"""Flow lines: how they join, what lies how far up and down, past which barriers."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import PoolBuilderError, Settings, Water
from poolbuilder.water.network import Network, build_network, read_barriers
from poolbuilder.water.outline import find_outline
from poolbuilder.water.streams import Streams, find_streams
from tests.waters import PLANE, SITE, degrees, geojson, layer, line, places

SETTINGS = Settings()
LAWS = settings(deadline=None, derandomize=True, max_examples=30)

# A river from north to south through the site, and a creek that joins it 2 km below:
#   (0, 3000) → (0, 0) → (0, -2000) → (0, -5000);  (4000, -2000) → (0, -2000)
RIVER = [
    line((0, 3000), (0, 0)),
    line((0, 0), (0, -2000)),
    line((0, -2000), (0, -5000)),
    line((4000, -2000), (2000, -2100), (0, -2000)),
]


def network(shapes: list[Any] = RIVER, join_m: float = 1.0, **attributes: list[Any]) -> Network:
    return build_network(layer(shapes, **attributes), join_m=join_m)


def streams(
    net: Network, *, barriers: Any = None, outline: Any = None, options: Settings = SETTINGS
) -> Streams:
    return find_streams(SITE, outline, network=net, barriers=barriers, settings=options)[0]


def place(found: Streams, *points: tuple[float, float], uncertainty_m: float = 10.0) -> Any:
    lon, lat = places(*points)
    count = len(lon)
    sigma = np.full(count, uncertainty_m * 0.408539)
    placed = found.place(lon, lat, np.full(count, uncertainty_m), sigma, np.zeros(count, dtype=bool))
    return SimpleNamespace(**{**placed, "snap": placed["snap"].tolist()})


def dams(*rows: tuple[float, float, Any, Any]) -> Any:
    shapes = [degrees(shapely.Point(x, y)) for x, y, _, _ in rows]
    return layer(shapes, passability_up=[row[2] for row in rows], passability_down=[row[3] for row in rows])


def test_ways_run_up_and_down_the_flow() -> None:
    placed = place(streams(network()), (0, 2500), (30, -1000), (0, -4000), (2000, -2100))
    assert placed.upstream_km == pytest.approx([2.5, 0, 0, 2.0025], abs=1e-3)
    assert placed.downstream_km == pytest.approx([0, 1.0, 4.0, 2.0], abs=1e-3)
    assert placed.snap == ["stream"] * 4
    assert placed.snap_m == pytest.approx([0, 30, 0, 0], abs=0.1)


def test_the_way_to_a_place_on_the_site_s_own_line_does_not_go_around_by_its_ends() -> None:
    placed = place(streams(network([line((0, 3000), (0, -3000))])), (0, 400), (0, -250), (0, 0))
    assert placed.upstream_km == pytest.approx([0.4, 0, 0], abs=1e-3)
    assert placed.downstream_km == pytest.approx([0, 0.25, 0], abs=1e-3)


def test_records_near_no_line_and_uncertain_ones_are_told_apart() -> None:
    found = streams(network())
    placed = place(found, (-3000, 0), (0, -4000))
    assert placed.snap == ["unsnapped", "stream"]
    assert np.isnan(placed.upstream_km[0])
    assert np.isnan(placed.snap_m[0])
    slanting = streams(network([line((3000, 3000), (0, 0))]))
    assert place(slanting, (2500, 900), (2500, 2000)).snap == ["unsnapped", "stream"]
    # within its own uncertainty a record reaches farther than streamSnapM, up to a limit
    assert place(found, (-1800, 0), uncertainty_m=1900).snap == ["stream"]
    assert place(found, (-1800, 0), uncertainty_m=2001).snap == ["uncertain"]


def test_an_uncertain_record_is_shared_out_between_the_lines_it_may_lie_on() -> None:
    twins = [line((0, 3000), (0, -3000)), line((1000, 3000), (500, 2000), (0, 1000))]
    found = streams(network(twins, join_m=1))
    (near,) = place(found, (480, 2000), uncertainty_m=50).upstream_km
    assert near == pytest.approx(1.0 + np.hypot(500, 1000) / 1000, abs=0.03)
    (between,) = place(found, (250, 2000), uncertainty_m=400).upstream_km
    assert 2.0 < between < near


def test_an_island_of_lines_is_not_connected() -> None:
    net = network([*RIVER, line((3000, 3000), (3000, 1000))])
    assert "5 flow lines in 2 networks that do not touch; the largest holds 80.0%" in net.notes
    placed = place(streams(net), (3000, 2000))
    assert placed.snap == ["unconnected"]
    assert np.isnan(placed.downstream_km[0])
    assert placed.snap_m[0] == pytest.approx(0, abs=0.1)


def test_a_record_counts_as_connected_when_most_of_its_weight_is() -> None:
    found = streams(network([*RIVER, line((-1000, 3000), (-1000, 1000))]))
    placed = place(found, (-700, 2000), (-300, 2000), uncertainty_m=800)
    assert placed.snap == ["unconnected", "stream"]
    assert placed.upstream_km[1] == pytest.approx(2.0, abs=1e-3)


def test_ways_beyond_the_reach_are_not_followed() -> None:
    options = Settings(network_reach_km=3)
    placed = place(streams(network(), options=options), (0, -1900), (0, -4900))
    assert placed.snap == ["stream", "stream"]  # the start of its line, at 2 km, is within reach
    options = Settings(network_reach_km=1)
    island = line((3000, 3000), (3000, 1000))
    placed = place(streams(network([*RIVER, island]), options=options), (0, -4900), (3000, 2000))
    assert placed.snap == ["distant", "unconnected"]  # the first is known to be far, of the other nothing is
    assert np.isnan(placed.upstream_km).all()


def test_a_way_too_long_to_be_followed_is_a_divide(tmp_path: Path) -> None:
    spec = geojson(tmp_path / "streams.geojson", [*RIVER, line((3000, 3000), (3000, 1000))])
    lon, lat = places((0, -4900), (3000, 2000), (0, -500))
    water = Water.at(SITE, streams=spec, settings=Settings(network_reach_km=1))
    placed = water.place(lon, lat, np.full(3, 30.0))
    assert placed.divided.tolist() == [True, False, False]
    assert any("1 record lies more than 1 km away along the network" in note for note in placed.notes)


# Topology


def test_identifiers_and_places_make_the_same_network() -> None:
    by_place = network()
    by_node = network(fromnode=[1, 2, 3, 9], tonode=[2, 3, 4, 3])
    by_next = network(hydroseq=[40, 30, 20, 25], dnhydroseq=[30, 20, 0, 20])
    for net in (by_node, by_next):
        assert np.array_equal(net.start, by_place.start)
        assert np.array_equal(net.end, by_place.end)
    assert by_place.notes[0] == "flow lines are joined where their ends meet within 1 m"
    assert by_node.notes[0] == "flow lines are joined by fromnode and tonode"
    assert by_next.notes[0] == "flow lines are joined by hydroseq and dnhydroseq"


def test_identifiers_that_do_not_connect_give_way_to_the_ends() -> None:
    net = network(fromnode=[None, 0, -1, None], tonode=[None] * 4)
    assert net.notes[0] == "identifiers connect fewer flow lines than their ends do; the ends are followed"
    assert net.nodes == 5


def test_identifiers_join_across_gaps_and_say_so() -> None:
    shapes = [line((0, 1000), (0, 0)), line((0, -300), (0, -2000))]
    net = network(shapes, fromnode=["a", "b"], tonode=["b", "c"])
    assert net.nodes == 3
    assert any(
        note.startswith("1 nodes join lines whose ends lie more than 50 m apart") for note in net.notes
    )


def test_identifiers_keep_apart_what_only_touches_and_say_so() -> None:
    upper = [line((0, 3000 + 500 * k + 500), (0, 3000 + 500 * k)) for k in range(6)]
    shapes = [*RIVER, line((0, -2000), (-2000, -2000)), *upper]  # a canal that crosses over
    net = network(
        shapes,
        fromnode=[1, 2, 3, 9, 20, *range(31, 37)],
        tonode=[2, 3, 4, 3, 21, 1, *range(31, 36)],
    )
    assert any(note.startswith("1 ends touch another line's end but") for note in net.notes)
    assert place(streams(net), (-1500, -2000)).snap == ["unconnected"]


@pytest.mark.parametrize("backwards", [(0,), (1,), (3,), (1, 2), (0, 1, 2, 3)])
def test_lines_drawn_against_the_flow_are_turned_by_their_identifiers(backwards: tuple[int, ...]) -> None:
    shapes = [shape.reverse() if k in backwards else shape for k, shape in enumerate(RIVER)]
    net = network(shapes, fromnode=[1, 2, 3, 9], tonode=[2, 3, 4, 3])
    assert f"{len(backwards)} flow lines are drawn against the flow; turned round" in net.notes
    placed = place(streams(net), (0, 2500), (0, -4000), (2000, -2100))
    assert placed.upstream_km == pytest.approx([2.5, 0, 2.0025], abs=1e-3)
    assert placed.downstream_km == pytest.approx([0, 4.0, 2.0], abs=1e-3)


def test_lines_drawn_against_the_flow_are_turned_by_an_attribute() -> None:
    shapes = [RIVER[0], RIVER[1].reverse(), *RIVER[2:]]
    net = network(shapes, flowdir=["With Digitized", "Against Digitized", "With Digitized", "Uninitialized"])
    assert "1 flow lines are drawn against the flow; turned round" in net.notes
    assert place(streams(net), (0, -1000)).downstream_km == pytest.approx([1.0], abs=1e-3)


def test_a_line_that_nothing_says_is_backwards_is_at_least_suspected() -> None:
    net = network([RIVER[0], RIVER[1].reverse(), *RIVER[2:]])
    assert any(note.startswith("at 1 nodes all lines arrive or all leave") for note in net.notes)
    assert not any("all lines arrive" in note for note in network().notes)


def test_ends_that_nearly_meet_are_joined_within_the_tolerance_only() -> None:
    shapes = [line((0, 3000), (0, 2)), line((0, 0), (0, -2000))]
    apart = network(shapes, join_m=1.0)
    assert any(
        "2 ends stop within 50 m of another line" in note and "2.0 m short" in note for note in apart.notes
    )
    joined = network(shapes, join_m=3.0)
    assert joined.nodes == 3
    assert any("ends did not meet exactly and were joined" in note for note in joined.notes)


def test_a_line_that_ends_on_the_middle_of_another_divides_it() -> None:
    shapes = [line((0, 3000), (0, -3000)), line((2000, 500), (0.4, -1000))]
    net = network(shapes)
    assert "1 lines end on the middle of another, which is divided there" in net.notes
    assert (net.edges, net.nodes) == (3, 4)
    assert net.length_m.sum() == pytest.approx(6000 + np.hypot(2000, 1500), abs=1)
    placed = place(streams(net), (2000, 500))
    assert placed.downstream_km == pytest.approx([1.0], abs=2e-3)
    assert placed.upstream_km == pytest.approx([2.5], abs=2e-3)


def test_a_bent_line_keeps_its_bends_when_it_is_divided() -> None:
    bends = line((0, 3000), (0, 0), (900, -1200), (0, -2400), (0, -3000))
    net = network([bends, line((2000, -600), (450, -600))])
    assert np.sort(net.length_m) == pytest.approx([1550, 750 + 1500 + 600, 3000 + 750], abs=1)
    assert place(streams(net), (900, -1200)).downstream_km == pytest.approx([1.5], abs=2e-3)


def test_two_creeks_that_end_on_one_line_divide_it_twice() -> None:
    shapes = [line((0, 3000), (0, -3000)), line((2000, -500), (0, -1000)), line((-2000, 500), (0, -2000))]
    net = network(shapes)
    assert (net.edges, net.nodes) == (5, 6)
    assert np.sort(net.length_m) == pytest.approx(
        [1000, 1000, np.hypot(2000, 500), np.hypot(2000, 2500), 4000], abs=1
    )


def test_braids_take_the_shorter_channel() -> None:
    shapes = [
        line((0, 1000), (0, 0)),
        line((0, 0), (800, -500), (0, -1000)),
        line((0, 0), (-200, -500), (0, -1000)),
        line((0, -1000), (0, -3000)),
    ]
    for ids in ({}, {"fromnode": [1, 2, 2, 3], "tonode": [2, 3, 3, 4]}):
        placed = place(streams(network(shapes, **ids)), (0, -2000), (800, -500))
        short, long = 2 * np.hypot(200, 500) / 1000, np.hypot(800, 500) / 1000
        assert placed.downstream_km == pytest.approx([short + 1.0, long], abs=2e-3)


def test_a_loop_that_returns_to_its_start_can_hold_a_record() -> None:
    loop = line((0, -1000), (300, -1300), (0, -1600), (-300, -1300), (0, -1000))
    net = network([line((0, 0), (0, -1000)), loop])
    placed = place(streams(net), (300, -1300), (-300, -1300))
    side = np.hypot(300, 300) / 1000
    assert placed.downstream_km + placed.upstream_km == pytest.approx([1 + side, 1 + side], abs=2e-3)


def test_pieces_of_one_feature_are_joined_where_they_meet() -> None:
    pieces = shapely.MultiLineString([RIVER[1], RIVER[2]])
    net = network([RIVER[0], pieces])
    assert (net.edges, net.nodes) == (2, 3)
    gap = shapely.MultiLineString([line((0, 0), (0, -2000)), line((0, -2100), (0, -5000))])
    assert network([RIVER[0], gap]).edges == 3
    bridged = network([RIVER[0], gap], fromnode=[1, 2], tonode=[2, 3])
    assert "1 flow lines are in several pieces with gaps; each is taken as one line" in bridged.notes
    assert bridged.length_m[1] == pytest.approx(5000, abs=1)


def test_lines_without_length_are_left_out_and_counted() -> None:
    dot = shapely.LineString([(-91, 37), (-91, 37)])
    net = network([*RIVER, dot, shapely.Point(-91, 37)])
    assert net.edges == 4
    assert "1 flow lines without length left out" in net.notes
    assert "1 features are not lines and are left out" in net.notes


@pytest.mark.parametrize(
    ("shapes", "fact"), [([], "is empty"), ([degrees(shapely.box(0, 0, 9, 9))], "holds no lines")]
)
def test_a_layer_without_lines_is_an_error(shapes: list[Any], fact: str) -> None:
    with pytest.raises(PoolBuilderError, match=f"{fact}.*give flow lines as lines"):
        network(shapes)


# Lakes


def test_distance_is_zero_all_over_the_lake_and_starts_at_its_shore() -> None:
    lake, _ = find_outline(layer([degrees(shapely.box(-600, -500, 600, 1200))]), SITE, settings=SETTINGS)
    feeder = line((3000, 1000), (550, 1000))
    found = streams(network([*RIVER, feeder]), outline=lake)
    placed = place(found, (0, 1700), (0, 700), (0, -400), (0, -1500), (0, -4000), (1600, 1000))
    assert placed.upstream_km == pytest.approx([0.5, 0, 0, 0, 0, 1.0], abs=3e-3)
    assert placed.downstream_km == pytest.approx([0, 0, 0, 1.0, 3.5, 0], abs=3e-3)


def test_a_lake_that_touches_no_line_says_so() -> None:
    lake, _ = find_outline(layer([degrees(shapely.box(-90, -90, -40, 90))]), SITE, settings=SETTINGS)
    assert lake is not None
    found, notes = find_streams(SITE, lake, network=network(), settings=SETTINGS)
    assert notes[-2:] == [
        "no flow line touches the water",
        "the site is put on an unnamed flow line (feature 1), 0 m away",
    ]
    assert found.routes is not None


def test_a_site_far_from_every_line_says_so() -> None:
    net = network([line((900, 900), (900, -900))])
    found, notes = find_streams(SITE, None, network=net, settings=SETTINGS)
    assert found.routes is None
    assert notes[-1].startswith("no flow line within 500 m of the site (streamSnapM)")


# Barriers


def test_barriers_multiply_along_the_way_by_the_fish_s_direction() -> None:
    walls = dams((0, 1000, 0.3, 0.8), (0, -3000, 0.5, 0.9), (0, -4000, 0.4, 0.7))
    placed = place(
        streams(network(), barriers=walls),
        (0, 2500),
        (0, 500),
        (0, -2500),
        (0, -3500),
        (0, -4500),
        (3000, -2050),
    )
    # a fish from above swims down over the first dam; one from below climbs the others
    assert placed.passability == pytest.approx([0.8, 1, 1, 0.5, 0.2, 1])


def test_two_dams_on_one_line_multiply() -> None:
    walls = dams((0, 1000, 0.3, 0.8), (0, 2000, 0.2, 0.5), (0, -500, 0.3, 0.8), (0, -1000, 0.2, 0.5))
    placed = place(streams(network(), barriers=walls), (0, 2500), (0, -1500))
    assert placed.passability == pytest.approx([0.4, 0.06])


def test_a_barrier_on_the_site_s_own_line_parts_only_what_lies_beyond_it() -> None:
    walls = dams((0, -400, 0.5, 0.9))
    one = network([line((0, 3000), (0, -3000))])
    placed = place(streams(one, barriers=walls), (0, -300), (0, -500), (0, 500))
    assert placed.passability == pytest.approx([1, 0.5, 1])


def test_no_barrier_passes_nothing() -> None:
    walls, _ = read_barriers(dams((0, -1000, 0, 0.02)), settings=Settings(barrier_floor=0.05))
    assert walls.up == pytest.approx([0.05])
    assert walls.down == pytest.approx([0.05])


def test_a_dam_within_the_lake_stands_at_its_outlet() -> None:
    lake, _ = find_outline(layer([degrees(shapely.box(-600, -500, 600, 1200))]), SITE, settings=SETTINGS)
    walls = dams((50, -380, 0.3, 0.8))
    placed = place(streams(network(), barriers=walls, outline=lake), (0, -600), (0, -450), (0, 2000))
    assert placed.passability == pytest.approx([0.3, 1, 1])


def test_a_barrier_in_the_middle_of_the_lake_parts_nothing_and_says_so() -> None:
    lake, _ = find_outline(layer([degrees(shapely.box(-600, -1900, 600, 1200))]), SITE, settings=SETTINGS)
    assert lake is not None
    walls = dams((0, -300, 0.3, 0.8))
    found, notes = find_streams(SITE, lake, network=network(), barriers=walls, settings=SETTINGS)
    assert "barriers: 1 barriers stand within the water and part nothing" in notes
    assert place(found, (0, 2000), (0, -4000)).passability.tolist() == [1, 1]


def test_barriers_off_every_line_are_counted() -> None:
    walls = dams((900, 900, 0.3, 0.8), (10, 100, 0.3, 0.8))
    found, notes = find_streams(SITE, None, network=network(), barriers=walls, settings=SETTINGS)
    assert found.barriers is not None
    assert (found.barriers.edge >= 0).tolist() == [False, True]
    assert notes[-1] == (
        "barriers: 1 of 2 barriers are on no flow line around the site within 200 m (barrierSnapM) "
        "and have no effect"
    )


def test_barriers_without_passability_take_the_settings() -> None:
    points = layer([degrees(shapely.Point(0, 100))] * 2, passability=[0.5, None])
    walls, notes = read_barriers(points, settings=SETTINGS)
    assert walls.up == pytest.approx([0.5, 0.2])
    assert walls.down == pytest.approx([0.5, 0.7])
    assert notes == [
        "1 barriers give no passability upstream; 0.2 is taken",
        "1 barriers give no passability downstream; 0.7 is taken",
    ]


@pytest.mark.parametrize("value", [50, "half", -0.1])
def test_a_passability_that_is_no_share_names_its_row(value: Any) -> None:
    points = layer([degrees(shapely.Point(0, 100))] * 2, passability_up=[0.5, value])
    with pytest.raises(
        PoolBuilderError,
        match=rf"test\.gpkg, row 2: passability_up is '{value}', not a share from 0 to 1 \(write",
    ):
        read_barriers(points, settings=SETTINGS)


# Laws


@st.composite
def trees(draw: Any) -> list[Any]:
    """A tree of lines that flows to the site, each joined to an earlier one's upper end."""
    ends = [(0.0, 0.0)]
    shapes = []
    for _ in range(draw(st.integers(1, 12))):
        x, y = ends[draw(st.integers(0, len(ends) - 1))]
        turn, reach = draw(st.floats(0, 6.28)), draw(st.floats(300, 4000))
        upper = (round(x + reach * np.cos(turn), 1), round(y + reach * np.sin(turn), 1))
        ends.append(upper)
        shapes.append(line(upper, (x, y)))
    return shapes


@LAWS
@given(shapes=trees(), data=st.data())
def test_the_order_of_lines_does_not_matter(shapes: list[Any], data: Any) -> None:
    order = data.draw(st.permutations(range(len(shapes))))
    one, other = network(shapes), network([shapes[k] for k in order])
    middle = [PLANE.project(shape).interpolate(0.5, normalized=True) for shape in shapes]
    spots = [(point.x, point.y) for point in middle]
    left, right = place(streams(one), *spots), place(streams(other), *spots)
    assert left.upstream_km + left.downstream_km == pytest.approx(
        right.upstream_km + right.downstream_km, abs=1e-6
    )


@LAWS
@given(shapes=trees())
def test_the_way_is_never_shorter_than_the_straight_line(shapes: list[Any]) -> None:
    found = streams(network(shapes))
    assert found.routes is not None
    net = found.routes.network
    edge = np.arange(net.edges)
    up, down, _ = found.routes.to(edge, net.length_m * 0.3)
    x, y = PLANE.forward(*found.snapper.places(edge, net.length_m * 0.3))
    start = found.routes.cover
    x0, y0 = PLANE.forward(*found.snapper.places(start.edge, start.first_m))
    assert (up + down >= np.hypot(x - x0, y - y0) - 0.05).all()


@LAWS
@given(shapes=trees(), shares=st.lists(st.floats(0.1, 1), min_size=2, max_size=2))
def test_a_barrier_never_raises_what_passes(shapes: list[Any], shares: list[float]) -> None:
    spot = PLANE.project(shapes[-1]).interpolate(0.5, normalized=True)
    walls = dams((spot.x, spot.y, *shares))
    free, shut = streams(network(shapes)).routes, streams(network(shapes), barriers=walls).routes
    assert free is not None
    assert shut is not None
    edge = np.arange(free.network.edges)
    before, after = (ways.to(edge, ways.network.length_m) for ways in (free, shut))
    assert after[0] + after[1] == pytest.approx(before[0] + before[1])
    assert (after[2] <= before[2] + 1e-12).all()
    assert (after[2] >= min(shares) * 0.999).all()
