"""The public surface is what it says."""

from __future__ import annotations

import datetime
import subprocess
import sys

import geopandas
import pandas as pd
import pytest

import poolbuilder
from poolbuilder import PoolBuilderError
from tests.test_cli import DATA


def test_all_is_sorted_and_complete() -> None:
    exported = set(poolbuilder.__all__)
    assert poolbuilder.__all__ == sorted(exported)
    for name in exported:
        assert hasattr(poolbuilder, name), name
    assert "build" in exported


def test_every_name_comes_with_an_example_that_runs() -> None:
    """Examples run with the tests (``--doctest-modules``)."""
    assert [name for name in poolbuilder.__all__ if ">>>" not in getattr(poolbuilder, name).__doc__] == []


def test_importing_the_package_is_cheap() -> None:
    program = "import sys, poolbuilder; sys.exit(bool({'pandas', 'pyarrow', 'numpy'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


RECORDS = pd.DataFrame(
    [
        {
            "scientificName": name,
            "decimalLatitude": 36.9 + step / 100,
            "decimalLongitude": -91.2,
            "eventDate": "2019-05-01",
        }
        for step, name in enumerate(["Lepomis macrochirus", "Lepomis cyanellus", "Micropterus salmoides"])
    ]
)


def test_a_pool_from_what_is_at_hand() -> None:
    points = geopandas.GeoDataFrame(
        RECORDS[["scientificName", "eventDate"]],
        geometry=geopandas.points_from_xy(RECORDS["decimalLongitude"], RECORDS["decimalLatitude"]),
        crs="EPSG:4326",
    ).to_crs("EPSG:5070")
    one = poolbuilder.pool_at(
        36.9, -91.2, records=RECORDS, ranges=DATA / "ranges.geojson", as_of="2026-06-01"
    )
    other = poolbuilder.pool_at(
        36.9, -91.2, records=[points], ranges=str(DATA / "ranges.geojson"), as_of="2026-06-01"
    )
    assert one["bluegill"]["presence"] == pytest.approx(other["Lepomis macrochirus"]["presence"], abs=1e-6)
    assert len(one) == len(list(one)) == 13
    assert {row["scientificName"] for row in one.reasons("bluegill")} == {"Lepomis macrochirus"}
    assert any(item["path"] == "records_1.csv" for item in one.inputs)
    changed = poolbuilder.pool_at(36.9, -91.2, records=RECORDS, as_of="2026-06-01", settings={"regionKm": 50})
    assert changed.settings.changed() == {"regionKm": 50}


def test_paths_layers_settings_and_days_as_they_come() -> None:
    archive = DATA / "records.zip"
    ranges = geopandas.read_file(DATA / "ranges.geojson")
    pools = [
        poolbuilder.pool_at(36.9, -91.2, records=records, ranges=layer, as_of=day, settings=settings)
        for records, layer, day, settings in (
            (archive, ranges, "2026-06-01", {}),
            (str(archive), [DATA / "ranges.geojson"], datetime.date(2026, 6, 1), poolbuilder.Settings()),
            ([archive], (str(DATA / "ranges.geojson"),), datetime.datetime(2026, 6, 1, 12), None),
        )
    ]
    presences = [{row["scientificName"]: round(row["presence"], 9) for row in pool} for pool in pools]
    assert presences[0] == presences[1] == presences[2]
    assert poolbuilder.pool_at(36.9, -91.2, records=archive).as_of == datetime.date.today()


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("ranges", 3, "ranges are paths or tables, not int"),
        ("settings", 3, "settings are a Settings or a mapping, not int"),
        ("as_of", 3.0, "as_of is a date or a text such as 2026-06-01, not float"),
    ],
)
def test_another_kind_than_asked_for_is_named(name: str, value: object, told: str) -> None:
    with pytest.raises(TypeError, match=told):
        poolbuilder.pool_at(36.9, -91.2, records=RECORDS, **{name: value})


def test_wrong_names_and_kinds_are_told() -> None:
    pool = poolbuilder.pool_at(36.9, -91.2, records=RECORDS, as_of="2026-06-01")
    with pytest.raises(PoolBuilderError, match=r"no species 'blugill' \(did you mean bluegill\?\)"):
        pool["blugill"]
    with pytest.raises(KeyError, match="did you mean"):
        pool.reasons("Lepomis macrochirrus")
    with pytest.raises(TypeError, match="records are paths or tables, not int"):
        poolbuilder.pool_at(36.9, -91.2, records=3)
    with pytest.raises(TypeError, match="as_of is a date"):
        poolbuilder.pool_at(36.9, -91.2, records=RECORDS, as_of=2026)
