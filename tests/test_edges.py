"""Exact distances to the nearest edge."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from poolbuilder.places.geodesy import Edges, distance_km
from poolbuilder.places.layers import split_at_antimeridian


def _brute(shape, lon: float, lat: float) -> float:
    """Least distance to points a few metres apart near the nearest of coarser ones."""
    xy = shapely.get_coordinates(shapely.segmentize(shape.boundary, 0.01))
    coarse = distance_km(xy[:, 0], xy[:, 1], from_longitude=lon, from_latitude=lat)
    best = xy[np.argmin(coarse)]
    near = shapely.intersection(shape.boundary, shapely.Point(best).buffer(0.01))
    fine = shapely.get_coordinates(shapely.segmentize(near, 0.0001))
    return float(distance_km(fine[:, 0], fine[:, 1], from_longitude=lon, from_latitude=lat).min())


@settings(deadline=None, derandomize=True, max_examples=30)
@given(
    st.floats(-175, 165),
    st.floats(-80, 70),
    st.floats(0.5, 8),
    st.floats(0.5, 8),
    st.floats(-12, 12),
    st.floats(-9, 9),
)
@example(-100.0, 30.0, 8.0, 8.0, -3.0, 4.0)
@example(-100.0, 60.0, 8.0, 1.0, 4.0, 8.0)
def test_nearest_edge_agrees_with_dense_sampling(west, south, width, height, dx, dy) -> None:
    shape = shapely.box(west, south, west + width, south + height)
    lon, lat = west + dx, max(-88.0, min(88.0, south + dy))
    km, polygon = Edges([shape]).nearest(lon, lat)
    assert polygon == 0
    dense = _brute(shape, lon, lat)
    assert km == pytest.approx(dense, abs=8e-3)  # its points are 11 m apart
    assert km <= dense + 5e-3  # a projection on to the chord is within 5 m


def test_a_long_edge_is_met_between_its_vertices() -> None:
    """The nearest point of a 10° parallel at 45° N lies due north, not at a corner."""
    km, _ = Edges([shapely.box(-95, 35, -85, 45)]).nearest(-90, 46)
    assert km == pytest.approx(float(distance_km(-90, 45, from_longitude=-90, from_latitude=46)), abs=1e-3)


def test_the_nearest_polygon_is_named_and_holes_count() -> None:
    ring = shapely.Polygon(shapely.box(0, 0, 4, 4).exterior, [shapely.box(1, 1, 3, 3).exterior])
    far = shapely.box(10, 0, 11, 1)
    edges = Edges([far, ring])
    km, polygon = edges.nearest(2, 1.1)
    assert polygon == 1
    assert km == pytest.approx(float(distance_km(2, 1, from_longitude=2, from_latitude=1.1)), abs=1e-3)
    assert edges.nearest(9.5, 0.5)[1] == 0


def test_an_edge_whose_ends_are_farther_than_another_vertex() -> None:
    """The nearest point lies inside a segment although a corner elsewhere is nearer than its ends."""
    corner = shapely.Polygon([(0, 0.09), (0.001, 0.2), (-0.001, 0.2)])
    passing = shapely.Polygon([(-0.1, -0.08), (0.1, -0.08), (0, -0.3)])
    km, polygon = Edges([corner, passing]).nearest(0, 0)
    assert polygon == 1
    assert km == pytest.approx(8.846, abs=1e-3)


def test_an_edge_around_the_globe() -> None:
    km, _ = Edges([shapely.box(-180, 60, 180, 90)]).nearest(3, 59)
    assert km == pytest.approx(111.4, abs=0.1)


def test_distance_across_the_antimeridian() -> None:
    shape = split_at_antimeridian(shapely.box(179, -1, 181, 1))
    km, _ = Edges([shape]).nearest(-178.5, 0)
    assert km == pytest.approx(float(distance_km(0.5, 0, from_longitude=0, from_latitude=0)), abs=1e-6)


def test_without_edges_there_is_no_distance() -> None:
    km, polygon = Edges([]).nearest(0, 0)
    assert np.isnan(km)
    assert polygon == -1
