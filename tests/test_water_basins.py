"""Watersheds: the site's own, those above and below it, and the rest."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from poolbuilder import PoolBuilderError
from poolbuilder.water.basins import find_basins
from tests.waters import SITE, degrees, layer, places

# Four strips from west to east; the site lies in the second.  Then one far off.
STRIPS = [shapely.box(x, -1000, x + 1000, 1000) for x in (-1500, -500, 500, 1500)] + [
    shapely.box(9000, 0, 9900, 900)
]
SHAPES = [degrees(strip) for strip in STRIPS]
MIDDLES = places((-1000, 0), (0, 0), (1000, 0), (2000, 0), (9500, 500), (0, 5000))


def test_pointers_tell_upstream_and_downstream() -> None:
    basins, notes = find_basins(
        layer(
            SHAPES,
            huc12=["010101010101", "010101010102", "010101010103", "010101010104", "020202020202"],
            tohuc=["010101010102", "010101010103", "010101010104", "999999999999", None],
            name=["West", "Middle", "East", "Far east", "Elsewhere"],
        ),
        SITE,
    )
    assert basins.relations(*MIDDLES) == ["upstream", "same", "downstream", "downstream", "other", None]
    assert notes == [
        "the site lies in the watershed Middle (010101010102); upstream and downstream follow the column tohuc"
    ]


def test_a_basin_two_above_is_upstream_and_a_side_branch_is_not() -> None:
    basins, _ = find_basins(
        layer(SHAPES, code=["1", "2", "3", "4", "5"], downstream=["2", "9", "2", "3", "1"]), SITE
    )
    assert basins.relations(*MIDDLES)[:5] == ["upstream", "same", "upstream", "upstream", "upstream"]
    basins, _ = find_basins(
        layer(SHAPES, code=["1", "2", "3", "4", "5"], downstream=["4", "4", "4", None, "4"]), SITE
    )
    assert basins.relations(*MIDDLES)[:5] == ["neighbouring", "same", "neighbouring", "downstream", "other"]


def test_pointers_that_run_in_a_circle_end() -> None:
    basins, _ = find_basins(
        layer(SHAPES, code=["1", "2", "3", "4", "5"], downstream=["2", "3", "1", "5", "4"]), SITE
    )
    assert basins.relations(*MIDDLES)[:5] == ["downstream", "same", "downstream", "other", "other"]
    basins, _ = find_basins(  # a circle further down, which the site's is no part of
        layer(SHAPES, code=["1", "2", "3", "4", "5"], downstream=["2", "3", "4", "3", "4"]), SITE
    )
    assert basins.relations(*MIDDLES)[:5] == ["upstream", "same", "downstream", "downstream", "other"]


def test_without_pointers_borders_and_prefixes_tell_neighbours() -> None:
    codes = ["010101010101", "010101010102", "010101010203", "010101010104", "010101010105"]
    basins, notes = find_basins(layer(SHAPES, huc12=codes), SITE)
    assert basins.relations(*MIDDLES)[:5] == [
        "neighbouring",
        "same",
        "neighbouring",
        "neighbouring",
        "neighbouring",
    ]
    assert "no column names the next watershed down" in notes[0]
    basins, _ = find_basins(layer(SHAPES), SITE)
    assert basins.relations(*MIDDLES)[:5] == ["neighbouring", "same", "neighbouring", "other", "other"]


def test_nested_polygons_tell_neighbours_by_containment() -> None:
    parent = degrees(shapely.box(-1500, -1000, 2500, 1000))
    basins, _ = find_basins(layer([*SHAPES, parent]), SITE)
    assert basins.home == 1
    assert basins.relations(*MIDDLES)[:5] == ["neighbouring", "same", "neighbouring", "neighbouring", "other"]


def test_pfafstetter_codes_tell_upstream_and_downstream() -> None:
    # 3 on the main stem; 1 below it; 2 a tributary below; 5 above; another system
    basins, notes = find_basins(layer(SHAPES, pfaf_id=[813, 815, 811, 812, 925]), SITE)
    assert basins.relations(*MIDDLES)[:5] == ["downstream", "same", "downstream", "other", "other"]
    assert "Pfafstetter" in notes[0]
    basins, _ = find_basins(layer(SHAPES, pfaf_id=[815, 813, 816, 814, 812]), SITE)
    assert basins.relations(*MIDDLES)[:5] == ["upstream", "same", "upstream", "upstream", "other"]


def test_a_site_outside_every_watershed_is_told_so() -> None:
    basins, notes = find_basins(layer(SHAPES[4:]), SITE)
    assert basins.home is None
    assert basins.relations(*MIDDLES) == [None] * 6
    assert notes == [
        "the site lies in no watershed of the layer: how records stand to it by watershed is unknown"
    ]


def test_missing_coordinates_have_no_watershed() -> None:
    basins, _ = find_basins(layer(SHAPES), SITE)
    assert basins.relations(np.array([np.nan]), np.array([37.0])) == [None]


def test_lines_are_no_watersheds() -> None:
    with pytest.raises(PoolBuilderError, match=r"holds no polygons \(give watersheds as polygons\)"):
        find_basins(layer([shapely.LineString([(-91, 37), (-90, 37)])]), SITE)
    with pytest.raises(PoolBuilderError, match="is empty"):
        find_basins(layer([]), SITE)
