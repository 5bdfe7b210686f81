"""A site is on the globe, and says so when it is not."""

from __future__ import annotations

import math

import pytest

from poolbuilder import PoolBuilderError, Site


def test_swapped_coordinates_are_named() -> None:
    with pytest.raises(PoolBuilderError, match=r"site 'Mill Pond': latitude -91.2 .* look swapped"):
        Site(longitude=36.9, latitude=-91.2, name="Mill Pond")


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"longitude": 200, "latitude": 10}, "longitude 200"),
        ({"longitude": 200, "latitude": 95}, "latitude 95"),
        ({"longitude": math.nan, "latitude": 10}, "longitude nan is not a number"),
        ({"longitude": "x", "latitude": 10}, "longitude 'x' is not a number"),
        ({"longitude": 1, "latitude": 1, "radius_km": 0}, "radius 0 km"),
        ({"longitude": 1, "latitude": 1, "radius_km": 2001}, "radius 2001 km"),
        ({"longitude": 1, "latitude": 1, "water_type": "marsh"}, "water type 'marsh' is unknown .*canal"),
    ],
)
def test_values_out_of_range(values: dict[str, object], message: str) -> None:
    with pytest.raises(PoolBuilderError, match=message) as caught:
        Site(**values)  # type: ignore[arg-type]
    assert isinstance(caught.value, PoolBuilderError)
    assert isinstance(caught.value, ValueError)


def test_the_edges_are_allowed() -> None:
    assert Site(longitude=-180, latitude=90, radius_km=2000).radius_km == 2000.0
