"""Location uncertainty against a statistics library, a geometry library and published formulae."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from poolbuilder import Settings
from poolbuilder.places.geodesy import distance_km
from poolbuilder.places.uncertainty import share_inside, sigma_km


# Rayleigh distribution (Johnson, Kotz and Balakrishnan 1994, Continuous Univariate Distributions 1, chapter 10, from
# memory): u/σ = √(-2 ln(1 - q)).  For q = 0.5 this is the circular error probable, 1.17741 σ.
@pytest.mark.parametrize(
    ("q", "ratio"),
    [(0.393469, 1.000000), (0.50, 0.849322), (0.90, 0.465991), (0.95, 0.408539), (0.99, 0.329505)],
)
def test_sigma_of_a_quantile(q: float, ratio: float) -> None:
    assert float(sigma_km(1000, quantile=q)) == pytest.approx(ratio, abs=1e-6)
    assert stats.rayleigh.cdf(1, scale=float(sigma_km(1000, quantile=q))) == pytest.approx(q, abs=1e-12)


# Rice 1945; distribution function computed with scipy 1.17 both as ncx2 and as rice, and for (40, 45, 10)
# with mpmath quadrature (0.101674447628).
RICE = [
    (40, 0, 10, 1.000000),
    (40, 30, 10, 0.991549),
    (40, 40, 10, 0.479600),
    (40, 45, 10, 0.101674),
    (40, 50, 30, 0.169917),
    (40, 40, 28, 0.442343),
    (40, 0, 40, 0.950000),
    (5, 3, 10, 0.439309),
]


@pytest.mark.parametrize(("radius", "distance", "uncertainty", "expected"), RICE)
def test_share_inside_of_the_normal(radius, distance, uncertainty, expected) -> None:
    sigma = sigma_km([uncertainty * 1000.0], quantile=0.95)
    found = float(share_inside([float(distance)], sigma, radius)[0])
    assert found == pytest.approx(expected, abs=5e-7)
    square = (radius / sigma[0]) ** 2, (distance / sigma[0]) ** 2
    assert found == pytest.approx(stats.ncx2.cdf(square[0], 2, max(square[1], 1e-300)), abs=1e-9)
    assert found == pytest.approx(stats.rice.cdf(radius / sigma[0], distance / sigma[0]), abs=1e-9)


def test_share_inside_to_a_dozen_places_and_its_sensitivity_to_the_quantile() -> None:
    """(40, 45, 10) by mpmath quadrature; then with other readings of the same 10 km."""
    sigma = sigma_km([10_000.0], quantile=0.95)
    assert float(share_inside([45.0], sigma, 40)[0]) == pytest.approx(0.101674447628, abs=1e-10)
    for q, expected in ((0.50, 0.245275), (1 - math.exp(-0.5), 0.267983), (0.95, 0.101674)):
        found = share_inside([45.0], sigma_km([10_000.0], quantile=q), 40)
        assert float(found[0]) == pytest.approx(expected, abs=5e-7)


def test_share_inside_is_ncx2_over_the_whole_domain() -> None:
    """scipy.stats.ncx2 and rice; where the one gives up the other answers."""
    rng = np.random.default_rng(4)
    radius = 40.0
    sigma = 10 ** rng.uniform(-2, 3.5, 6000)
    distance = np.abs(radius + rng.standard_normal(6000) * sigma * 10 ** rng.uniform(-2, 0.7, 6000))
    distance[:300] = 0.0
    expected = stats.rice.cdf(radius / sigma, distance / sigma)
    alternative = stats.ncx2.cdf((radius / sigma) ** 2, 2, np.maximum((distance / sigma) ** 2, 1e-300))
    expected = np.where(np.isnan(expected), alternative, expected)
    known = ~np.isnan(expected)
    assert known.mean() > 0.99
    assert np.abs(share_inside(distance, sigma, radius) - expected)[known].max() < 1e-9


# Generalised coordinates, an aggregator's 0.2° grid: the diagonal of such a cell on WGS84, computed with pyproj; the text
# "Coordinate uncertainty increased to 27126m" was published for cells near 46° N.
@pytest.mark.parametrize(
    ("latitude", "metres"), [(0, 31380.66), (35, 28720.33), (40, 27999.94), (45, 27236.65), (45.71, 27126.0)]
)
def test_diagonal_of_a_cell_of_a_fifth_of_a_degree(latitude: float, metres: float) -> None:
    found = float(distance_km(0.2, latitude + 0.2, from_longitude=0, from_latitude=latitude)) * 1000
    assert found == pytest.approx(metres, abs=1.0 if latitude == 45.71 else 0.01)
    assert Settings().obscured_uncertainty_m == pytest.approx(27999.94, abs=1)


# From a rounded coordinate at 40° N to the corner of what rounds to it, computed with pyproj.
@pytest.mark.parametrize(("decimals", "metres"), [(1, 7002.8), (2, 700.36), (3, 70.04), (4, 7.0037)])
def test_half_diagonal_of_rounded_coordinates(decimals: int, metres: float) -> None:
    cell = 10.0**-decimals
    found = float(distance_km(cell / 2, 40 + cell / 2, from_longitude=0, from_latitude=40)) * 1000
    assert found == pytest.approx(metres, rel=5e-5)
