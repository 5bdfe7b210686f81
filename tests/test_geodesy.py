"""Distances, chord bounds, boxes and discs on the ellipsoid."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from pyproj import Geod

from poolbuilder import PoolBuilderError
from poolbuilder.places.geodesy import chord_bounds_m, covering_box, disc, distance_km, to_ecef

GEOD = Geod(ellps="WGS84")
LONGITUDE = st.floats(-180, 180)
LATITUDE = st.one_of(st.floats(-90, 90), st.floats(89, 90), st.floats(-90, -89), st.just(90.0))
RADIUS = st.one_of(st.floats(0.01, 2000), st.floats(0.001, 1))
law = settings(max_examples=150, deadline=None, derandomize=True)


def test_distance_broadcasts_and_keeps_the_shape() -> None:
    found = distance_km([[0.0, 1.0], [2.0, 3.0]], 0.0, from_longitude=0, from_latitude=0)
    assert found.shape == (2, 2)
    assert found[0] == pytest.approx([0, 111.31949079327357], abs=1e-9)
    assert distance_km([], [], from_longitude=0, from_latitude=0).shape == (0,)
    assert distance_km(1.0, 0.0, from_longitude=0, from_latitude=0).shape == ()


def test_distance_of_a_missing_coordinate_is_missing() -> None:
    found = distance_km([0.0, np.nan, 0.0], [np.nan, 0.0, 91.0], from_longitude=0, from_latitude=0)
    assert np.isnan(found).all()


@pytest.mark.parametrize(
    ("longitude", "latitude", "expected"),
    [(0, 0, (6378137.0, 0, 0)), (90, 0, (0, 6378137.0, 0)), (0, 90, (0, 0, 6356752.314245))],
)
def test_ecef_of_the_axes(longitude: float, latitude: float, expected: tuple[float, ...]) -> None:
    assert to_ecef([longitude], [latitude])[0] == pytest.approx(expected, abs=1e-6)


@law
@given(LONGITUDE, LATITUDE, st.floats(0, 360), RADIUS, st.floats(0.9, 1.1))
@example(180.0, 0.0, 90.0, 40.0, 1.0)
@example(0.0, 0.0, 0.0, 2000.0, 1.0)
def test_chord_bounds_hold_around_every_radius(lon, lat, azimuth, radius, factor) -> None:
    lon2, lat2, _ = GEOD.fwd(lon, lat, azimuth, radius * factor * 1000)
    geodesic = GEOD.inv(lon, lat, lon2, lat2)[2]
    chord = float(np.linalg.norm(to_ecef(lon, lat) - to_ecef(lon2, lat2)))
    inside, outside = chord_bounds_m(radius)
    if chord < inside:
        assert geodesic <= radius * 1000
    if chord > outside:
        assert geodesic > radius * 1000


@law
@given(LONGITUDE, LATITUDE, LONGITUDE, LATITUDE, st.one_of(RADIUS, st.floats(2000, 20100)))
@example(0.0, 0.0, 179.9, 0.1, 19900.0)
@example(0.0, 90.0, 0.0, -90.0, 20000.0)
def test_chord_bounds_hold_for_any_two_points(lon, lat, lon2, lat2, radius) -> None:
    geodesic = GEOD.inv(lon, lat, lon2, lat2)[2]
    chord = float(np.linalg.norm(to_ecef(lon, lat) - to_ecef(lon2, lat2)))
    inside, outside = chord_bounds_m(radius)
    assert not (chord < inside and geodesic > radius * 1000)
    assert not (chord > outside and geodesic <= radius * 1000)


@pytest.mark.parametrize(("radius", "share"), [(40, 4e-6), (100, 2e-5), (2000, 5e-3)])
def test_chord_bounds_leave_little_to_measure(radius: float, share: float) -> None:
    inside, outside = chord_bounds_m(radius)
    assert 0 < (outside - inside) / (radius * 1000) < share


def _in_boxes(boxes: list[tuple[float, ...]], lon: float, lat: float) -> bool:
    return any(w <= lon <= e and s <= lat <= n for w, s, e, n in boxes)


@law
@given(LONGITUDE, LATITUDE, RADIUS, st.floats(0, 360), st.floats(0, 1))
@example(179.99, 60.0, 100.0, 90.0, 1.0)
@example(-180.0, -60.0, 100.0, 270.0, 1.0)
@example(0.0, 80.0, 1200.0, 60.0, 1.0)
def test_covering_box_holds_every_point_within_the_radius(lon, lat, radius, azimuth, share) -> None:
    lon2, lat2, _ = GEOD.fwd(lon, lat, azimuth, radius * share * 1000)
    assume(GEOD.inv(lon, lat, lon2, lat2)[2] <= radius * 1000)
    boxes = covering_box(lon, lat, radius)
    assert _in_boxes(boxes, lon2, lat2)
    assert all(-180 <= w <= e <= 180 and -90 <= s <= n <= 90 for w, s, e, n in boxes)


def test_covering_box_is_tight_and_splits_at_the_antimeridian() -> None:
    ((west, south, east, north),) = covering_box(-88, 40, 40)
    assert (west, east) == pytest.approx((-88.468413, -87.531587), abs=2e-3)
    assert (south, north) == pytest.approx((39.639741, 40.360237), abs=1e-6)
    left, right = sorted(covering_box(179.9, 0, 40))
    assert left[0] == -180
    assert left[2] == pytest.approx(-179.74, abs=0.01)
    assert right[2] == 180
    assert right[0] == pytest.approx(179.54, abs=0.01)
    mirrored = sorted(
        (-east, south, -west, north) for west, south, east, north in covering_box(-179.9, 0, 40)
    )
    for box, other in zip(mirrored, (left, right), strict=True):
        assert box == pytest.approx(other, abs=1e-9)


@pytest.mark.parametrize(("latitude", "edge"), [(89.9, 90.0), (-89.9, -90.0)])
def test_covering_box_with_a_pole_holds_all_longitudes(latitude: float, edge: float) -> None:
    ((west, south, east, north),) = covering_box(12, latitude, 40)
    assert (west, east) == (-180, 180)
    assert edge in (south, north)
    assert abs(north - south) < 1


@law
@given(
    LONGITUDE,
    st.one_of(st.floats(-89.99, 89.99), st.floats(89, 90), st.just(-90.0)),
    st.floats(0.1, 2000),
    st.floats(0, 360),
)
@example(179.9, 10.0, 40.0, 90.0)
@example(10.0, 89.9, 40.0, 5.0)
@example(0.0, -89.0, 400.0, 180.0)
def test_disc_holds_what_is_within_and_nothing_beyond(lon, lat, radius, azimuth) -> None:
    shape = disc(lon, lat, radius)
    assert shape.is_valid
    west, south, east, north = shape.bounds
    assert -180 <= west <= east <= 180
    assert -90 <= south <= north <= 90
    # the polygon's chords cut the circle a little, most where it bends around a pole
    for share, expected in ((0.97, True), (1.03, False)):
        lon2, lat2, _ = GEOD.fwd(lon, lat, azimuth, radius * share * 1000)
        if abs(abs(lat2) - 90) * 111 > 0.03 * radius:
            assert shape.intersects(shapely.Point(lon2, lat2)) is expected


def test_disc_has_the_area_of_a_cap() -> None:
    flat = np.pi * 40_000.0**2  # the ellipsoid's curvature takes 3e-6 of it
    for place in ((-88, 40), (180, 10), (0, 89.9), (30, -90)):
        shape = disc(*place, 40)
        area = abs(GEOD.geometry_area_perimeter(shapely.segmentize(shape, 0.5))[0])
        assert area == pytest.approx(flat, rel=3e-3)


@pytest.mark.parametrize("radius", [0, -1, 9001, float("nan")])
def test_disc_refuses_a_radius_that_cannot_be_drawn(radius: float) -> None:
    with pytest.raises(PoolBuilderError, match="cannot be drawn"):
        disc(0, 0, radius)
