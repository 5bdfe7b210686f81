"""Range codes against the published standard; distances to an edge against reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pyproj import Transformer

from poolbuilder.names.vocabularies import fold
from poolbuilder.places.geodesy import Edges
from poolbuilder.status.polygons import ORIGIN, PRESENCE, SEASONAL, polygon_class

# IUCN SSC Red List Technical Working Group, Mapping Standards and Data Quality for the IUCN Red List Spatial Data, version 1.20
# (January 2024), p. 15 for presence; labels of origin and seasonal from independent listings of the same attribute standard.
PUBLISHED = [
    (
        PRESENCE,
        [
            "Extant",
            "Probably Extant",
            "Possibly Extant",
            "Possibly Extinct",
            "Extinct",
            "Presence Uncertain",
            "Expected Additional Range",
        ],
    ),
    (
        ORIGIN,
        ["Native", "Reintroduced", "Introduced", "Vagrant", "Origin Uncertain", "Assisted Colonisation"],
    ),
    (
        SEASONAL,
        ["Resident", "Breeding Season", "Non-breeding Season", "Passage", "Seasonal Occurrence Uncertain"],
    ),
]


@pytest.mark.parametrize(("codes", "labels"), PUBLISHED)
def test_codes_are_those_of_the_standard(codes: dict[int, str], labels: list[str]) -> None:
    assert {code: fold(label) for code, label in codes.items()} == {
        code: fold(label) for code, label in enumerate(labels, start=1)
    }


# Legend of the Red List's own maps: presence 3, origin 1, seasonal 1 is shown as "Possibly Extant (resident)".
def test_a_combination_shown_by_the_publisher() -> None:
    range_class, means, words = polygon_class(3, 1, 1)
    assert range_class == "possibly_extant"
    assert means == "native"
    assert words.startswith("possibly extant")
    assert words.endswith("resident")


# Snyder, J. P. 1987. Map Projections: A Working Manual. USGS Professional Paper 1395, chapter 25: on the azimuthal equidistant
# projection distances from the centre are true; PROJ computes it on the ellipsoid.  Distance by shapely (GEOS).
@pytest.mark.parametrize("latitude", [-70.0, 0.0, 37.0, 85.0])
def test_distance_to_the_edge_is_that_on_an_equidistant_map(latitude: float) -> None:
    rng = np.random.default_rng(11)
    for _ in range(10):
        west, south = rng.uniform(-95, -85), latitude + rng.uniform(-4, 3)
        angle = np.sort(rng.uniform(0, 2 * np.pi, 12))
        reach = rng.uniform(0.3, 1.5, 12)
        shape = shapely.make_valid(
            shapely.Polygon(
                np.column_stack([west + reach * np.cos(angle), south + reach * np.sin(angle) / 2])
            )
        )
        site = -90.0, latitude
        found, _ = Edges([shape]).nearest(*site)
        flat = Transformer.from_crs(
            "EPSG:4326",
            f"+proj=aeqd +lon_0={site[0]} +lat_0={site[1]} +ellps=WGS84 +units=km",
            always_xy=True,
        )
        dense = shapely.segmentize(shape.boundary, 0.001)
        projected = shapely.transform(
            dense, lambda xy, flat=flat: np.column_stack(flat.transform(xy[:, 0], xy[:, 1]))
        )
        assert found == pytest.approx(shapely.distance(projected, shapely.Point(0, 0)), abs=1e-3)
