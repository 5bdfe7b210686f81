"""Geodesics and the ECEF frame against published cases and reference libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from geographiclib.test.test_geodesic import GeodesicTest
from pyproj import Transformer

from poolbuilder.places.geodesy import distance_km, to_ecef
from poolbuilder.words import KM_PER_MILE

# Karney, C. F. F. 2013. Algorithms for geodesics. J. Geodesy 87, 43-55, doi 10.1007/s00190-012-0578-z.
# The cases of his test set as distributed with the PyPI package geographiclib (lat1, lon1, azi1, lat2,
# lon2, azi2, s12 in metres, ...).
CASES = np.array(GeodesicTest.testcases)


def test_distances_of_the_published_test_set() -> None:
    lat1, lon1, lat2, lon2, expected = CASES[:, [0, 1, 3, 4, 6]].T
    found = distance_km(lon2, lat2, from_longitude=lon1, from_latitude=lat1) * 1000
    assert len(found) >= 20
    assert np.abs(found - expected).max() < 1e-7


# The same package's cases for pairs on which other solvers fail (nearly antipodal, short, meridional):
# GeodSolve0, 4, 6, 9, 10, 33, 74, 76, 78, 99; values as printed there, in metres.
@pytest.mark.parametrize(
    ("lat1", "lon1", "lat2", "lon2", "metres", "within"),
    [
        (40.6, -73.8, 49.01666667, 2.55, 5853226, 0.5),
        (36.493349428792, 0, 36.49334942879201, 0.0000008, 0.072, 0.5e-3),
        (88.202499451857, 0, -88.202499451857, 179.981022032992859592, 20003898.214, 0.5e-3),
        (89.262080389218, 0, -89.262080389218, 179.992207982775375662, 20003925.854, 0.5e-3),
        (56.320923501171, 0, -56.320923501171, 179.664747671772880215, 19993558.287, 0.5e-3),
        (52.784459512564, 0, -52.784459512563990912, 179.634407464943777557, 19991596.095, 0.5e-3),
        (0, 0, 0, 179, 19926189, 0.5),
        (0, 0, 0, 180, 20003931, 0.5),
        (0, 0, 1, 180, 19893357, 0.5),
        (54.1589, 15.3872, 54.1591, 15.3877, 39.527686385, 5e-9),
        (-(41 + 19 / 60), 174 + 49 / 60, 40 + 58 / 60, -(5 + 30 / 60), 19960543.857179, 0.5e-6),
        (27.2, 0.0, -27.1, 179.5, 19974354.765767, 0.5e-6),
        (45.0, 0.0, -45.0, 179.572719, 19987083.007, 0.5e-3),
    ],
)
def test_distances_of_pairs_on_which_solvers_fail(lat1, lon1, lat2, lon2, metres, within) -> None:
    found = float(distance_km(lon2, lat2, from_longitude=lon1, from_latitude=lat1)) * 1000
    assert found == pytest.approx(metres, abs=within)
    # and the second implementation of the package itself
    again = Geodesic.WGS84.Inverse(lat1, lon1, lat2, lon2)["s12"]
    assert found == pytest.approx(again, abs=2e-8)


# Haversine with the mean radius of IUGG (Moritz 1980, Geodetic Reference System 1980, R1 = 6371.0088 km for WGS84):
# what the usual short cut costs, computed with pyproj.
def test_haversine_is_off_by_up_to_half_a_percent() -> None:
    exact = float(distance_km(-88.2, 40.3, from_longitude=-88, from_latitude=40))
    assert exact == pytest.approx(37.417173, abs=5e-7)
    assert _haversine(-88, 40, -88.2, 40.3) == pytest.approx(37.439833, abs=5e-7)
    assert _haversine(-88, 40, -88.2, 40.3) / exact == pytest.approx(1.0006, abs=5e-5)
    # R1 over the radius of curvature: a (along the equator), a²/b (at the pole), b²/a (from the equator north)
    for place, ratio in (((0, 0, 1, 0), 0.998882), ((0, 89, 0, 90), 0.995534), ((0, 0, 0, 1), 1.005614)):
        lon1, lat1, lon2, lat2 = place
        true = float(distance_km(lon2, lat2, from_longitude=lon1, from_latitude=lat1))
        assert _haversine(*place) / true == pytest.approx(ratio, abs=2e-5)


def _haversine(lon1: float, lat1: float, lon2: float, lat2: float) -> float:
    phi1, phi2 = math.radians(lat1), math.radians(lat2)
    half = math.sin((phi2 - phi1) / 2) ** 2
    half += math.cos(phi1) * math.cos(phi2) * math.sin(math.radians(lon2 - lon1) / 2) ** 2
    return 2 * 6371.0088 * math.asin(math.sqrt(half))


# EPSG:4979 to EPSG:4978 as PROJ converts it (coordinate operation method EPSG:9602).
def test_ecef_is_that_of_proj() -> None:
    rng = np.random.default_rng(5)
    lon, lat = rng.uniform(-180, 180, 500), np.degrees(np.arcsin(rng.uniform(-1, 1, 500)))
    proj = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    expected = np.column_stack(proj.transform(lon, lat, np.zeros(500)))
    assert np.abs(to_ecef(lon, lat) - expected).max() < 1e-6


# International yard and pound agreement of 1 July 1959: 1 yard = 0.9144 m exactly, so 1 mile = 1.609344 km.
# 25 miles, about 40 km, as a search radius: common practice, no source.
def test_twenty_five_miles() -> None:
    assert pytest.approx(1760 * 0.9144 / 1000, abs=1e-12) == KM_PER_MILE
    assert pytest.approx(40.2336, abs=1e-12) == 25 * KM_PER_MILE
