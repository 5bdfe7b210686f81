"""The shipped table of native status against published ranges that it was not made from."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely

from demo.make_regions import STATES, decode
from poolbuilder.places.regions import region_outline
from poolbuilder.status.lists import Drainage, shipped_statements
from tests.registry import registry_package

# Page & Burr 1991, A field guide to freshwater fishes, and Jenkins & Burkhead 1993, Freshwater fishes of
# Virginia; ranges as later texts quote them.  Subregions by the US Geological Survey's codes (from memory).
# Bluegill: Great Lakes and Mississippi basins, Atlantic coastal plain from the Pee Dee, Gulf slope; introduced in
# the Columbia, San Francisco Bay and Hawaii.  Green sunfish: Great Lakes, Hudson Bay and Mississippi basins, west
# on the Gulf slope to the Rio Grande; introduced in Nevada, Utah, California, Chesapeake and Delaware Bays and
# the Hudson.  Redear: Mississippi and Gulf slope from Indiana to the Nueces; introduced in the Great Lakes basin,
# the Chesapeake and California.
PUBLISHED = [
    ("macrochirus", "04080201", "native"),  # Tittabawassee, Lake Huron
    ("macrochirus", "07140101", "native"),  # Mississippi below the Missouri
    ("macrochirus", "03040201", "native"),  # Pee Dee
    ("macrochirus", "03180004", "native"),  # Pearl
    ("macrochirus", "17090003", "introduced"),  # Willamette
    ("macrochirus", "18050001", "introduced"),  # San Francisco Bay
    ("macrochirus", "20060000", "introduced"),  # Oahu
    ("cyanellus", "04100009", "native"),  # Maumee, Lake Erie
    ("cyanellus", "09020104", "native"),  # Red River of the North
    ("cyanellus", "07110001", "native"),  # upper Mississippi
    ("cyanellus", "13080001", "native"),  # Rio Grande
    ("cyanellus", "16050102", "introduced"),  # Truckee, Nevada
    ("cyanellus", "16020204", "introduced"),  # Jordan, Utah
    ("cyanellus", "18040001", "introduced"),  # San Joaquin
    ("cyanellus", "02060003", "introduced"),  # Patapsco, Chesapeake Bay
    ("cyanellus", "02040202", "introduced"),  # lower Delaware
    ("cyanellus", "02020006", "introduced"),  # middle Hudson
    ("microlophus", "05120113", "native"),  # lower Wabash
    ("microlophus", "12110111", "native"),  # lower Nueces
    ("microlophus", "04050001", "introduced"),  # St. Joseph, Lake Michigan
    ("microlophus", "02060006", "introduced"),  # Patuxent, Chesapeake Bay
    ("microlophus", "18030012", "introduced"),  # Tulare
]


@pytest.mark.parametrize(("epithet", "unit", "means"), PUBLISHED)
def test_published_ranges_by_watershed(epithet: str, unit: str, means: str) -> None:
    name = f"Lepomis {epithet}"
    found = shipped_statements([name], -95.0, 39.0, Drainage(unit))[name]  # the unit decides, not the point
    assert found.means == means


# GDAL's reader of TopoJSON as reference for the decoding; US Census Bureau codes for the states.
@pytest.mark.registry
def test_states_are_decoded_as_the_reference_does() -> None:
    path: Path = registry_package("us-atlas") / "states-10m.json"
    ours = {row["id"]: shape for row, shape in decode(json.loads(path.read_text(encoding="utf-8")), "states")}
    _, _, geometry, fields = pyogrio.raw.read(path, layer="states", columns=["id"])
    assert set(fields[0]) == set(ours) == set(STATES)
    for code, wkb in zip(fields[0], geometry, strict=True):
        theirs = shapely.make_valid(shapely.from_wkb(wkb))
        assert shapely.symmetric_difference(ours[code], theirs).area < 1e-6 * theirs.area
        shipped = region_outline(f"US-{STATES[code]}")
        apart = shapely.symmetric_difference(shipped, theirs).area / theirs.area
        assert apart < 0.02 or theirs.area < 0.3, code  # thinned to about a kilometre
    assert np.all(shapely.is_valid([region_outline(f"US-{state}") for state in STATES.values()]))
