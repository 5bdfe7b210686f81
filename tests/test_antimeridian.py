"""Shapes across ±180° and around the poles."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder.places.geodesy import split_at_antimeridian
from poolbuilder.places.layers import unwrap_rings


def _unwrapped(shape):
    array = np.empty(1, dtype=object)
    array[0] = shape
    found, crossing = unwrap_rings(array)
    return found[0], crossing


@settings(deadline=None, derandomize=True, max_examples=100)
@given(st.floats(-539, 500), st.floats(0.01, 39), st.floats(-89, 60), st.floats(0.01, 29))
def test_split_keeps_area_and_stays_on_the_globe(west, width, south, height) -> None:
    shape = shapely.box(west, south, west + width, south + height)
    split = split_at_antimeridian(shape)
    assert split.is_valid
    assert split.area == pytest.approx(shape.area, rel=1e-6, abs=1e-9)
    assert split.bounds[0] >= -180
    assert split.bounds[2] <= 180


def test_a_cut_that_only_touches_leaves_no_sliver() -> None:
    shape = shapely.MultiPolygon([shapely.box(170, 0, 180, 1), shapely.box(185, 5, 190, 6)])
    split = split_at_antimeridian(shape)
    assert {part.geom_type for part in shapely.get_parts(split)} == {"Polygon"}


def test_what_does_not_cross_is_left_as_it_is() -> None:
    shape = shapely.box(-180, -10, 180, 10)
    assert split_at_antimeridian(shape) is shape
    found, crossing = _unwrapped(shape)
    assert crossing == 0
    assert found is shape


def test_a_ring_that_jumps_is_the_short_way_around() -> None:
    found, crossing = _unwrapped(shapely.Polygon([(179, -1), (-179, -1), (-179, 1), (179, 1)]))
    assert crossing == 1
    assert found.area == pytest.approx(4)
    assert found.covers(shapely.Point(179.5, 0))
    assert found.covers(shapely.Point(-179.5, 0))
    assert not found.covers(shapely.Point(0, 0))


def test_holes_follow_their_ring_across() -> None:
    ring = [(178, -2), (-178, -2), (-178, 2), (178, 2)]
    for hole in (
        [(-179.5, -1), (-178.5, -1), (-178.5, 1), (-179.5, 1)],
        [(179.5, -1), (-179.5, -1), (-179.5, 1), (179.5, 1)],
    ):
        found, _ = _unwrapped(shapely.Polygon(ring, [hole]))
        assert found.area == pytest.approx(16 - 2)


def test_lines_and_points_are_brought_back() -> None:
    line, crossing = _unwrapped(shapely.LineString([(179, 0), (-179, 0)]))
    assert crossing == 1
    assert line.length == pytest.approx(2)
    point, _ = _unwrapped(shapely.Point(190, 5))
    assert (point.x, point.y) == pytest.approx((-170, 5))


@pytest.mark.parametrize("side", [1, -1])
def test_a_ring_around_the_globe_holds_its_pole(side: int) -> None:
    ring = [(lon, 70 * side) for lon in range(-180, 180, 30)]
    found, crossing = _unwrapped(shapely.Polygon(ring))
    assert crossing == 1
    assert found.covers(shapely.Point(33, 85 * side))
    assert found.covers(shapely.Point(180, 71 * side))
    assert not found.covers(shapely.Point(33, 69 * side))


def test_none_stays_none() -> None:
    array = np.array([None, shapely.Point(1, 1)], dtype=object)
    found, crossing = unwrap_rings(array)
    assert found is array
    assert crossing == 0
