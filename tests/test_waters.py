"""Tables of waters, good and bad."""

from __future__ import annotations

from pathlib import Path

import pytest

from poolbuilder import PoolBuilderError, Site
from poolbuilder.places.sites import read_waters


def _table(tmp_path: Path, text: str, encoding: str = "utf-8") -> Path:
    path = tmp_path / "waters.csv"
    path.write_bytes(text.encode(encoding))
    return path


@pytest.mark.parametrize(
    "text",
    [
        "name,latitude,longitude,radius_km\nHeron Pond,36.5,-91.25,\n,36.75,-91,25\n",
        "\ufeffWater;Lat;Lon;radiusKm\r\nHeron Pond;36.5;-91.25;\r\n;36.75;-91;25\r\n",
        "decimalLongitude\tdecimalLatitude\twaterBody\tradius km\n-91.25\t36.5\tHeron Pond\n\n-91\t36.75\t\t25\n",
    ],
)
def test_headings_and_separators_as_people_write_them(tmp_path: Path, text: str) -> None:
    first, second = read_waters(_table(tmp_path, text), radius_km=30)
    assert first == Site(longitude=-91.25, latitude=36.5, radius_km=30, name="Heron Pond")
    assert (second.longitude, second.latitude, second.radius_km) == (-91.0, 36.75, 25.0)
    assert second.name.startswith("row ")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("name,latitude,longitude\n", "has no waters"),
        ("name,place\nA,B\n", "row 1: has no column latitude or longitude"),
        ("name,lat,lon\nA,36,x\n", "row 2: longitude 'x' is not a number"),
        ("name,lat,lon\nA,36,\n", "row 2: longitude '' is not a number"),
        ("name;lat;lon\nA;36,5;-91\n", r"row 2: latitude '36,5' is not a number \(write a decimal point\)"),
        ("name,lat,lon\nA,36,-91\nB,-91,36\n", "row 3: site 'B': latitude -91 .*look swapped"),
        ("name,lat,lon,radius_km\nA,36,-91,0\n", "row 2: site 'A': radius 0 km is out of range"),
        ("name,lat,lon\nA,nan,-91\n", "row 2: site 'A': latitude nan is not a number"),
    ],
)
def test_bad_tables_name_file_row_and_remedy(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(PoolBuilderError, match=words) as caught:
        read_waters(_table(tmp_path, text))
    assert str(caught.value).startswith(str(tmp_path / "waters.csv"))
    assert str(caught.value).endswith(")")


def test_water_type_of_a_row_comes_before_the_one_for_all(tmp_path: Path) -> None:
    table = _table(tmp_path, "name,lat,lon,waterType\nA,36,-91,Pond\nB,36,-91,\n")
    assert [site.water_type for site in read_waters(table)] == ["pond", None]
    assert [site.water_type for site in read_waters(table, water_type="lake")] == ["pond", "lake"]
    with pytest.raises(PoolBuilderError, match="row 2: site 'A': water type 'swamp' is unknown"):
        read_waters(_table(tmp_path, "name,lat,lon,water_type\nA,36,-91,swamp\n"))


def test_other_encodings_and_missing_files_are_told(tmp_path: Path) -> None:
    with pytest.raises(PoolBuilderError, match="is not UTF-8 text"):
        read_waters(_table(tmp_path, "name,lat,lon\nÉtang,36,-91\n", encoding="latin-1"))
    with pytest.raises(PoolBuilderError, match="cannot be read"):
        read_waters(tmp_path / "none.csv")


def test_headings_of_agencies_and_rows_set_aside(tmp_path: Path) -> None:
    text = "LakeID;LAKE_NAME;Y;X;Cnty\n12-7;Mud Lake;36.5;-91.25;Ozark\n12-8;Mud Lake;x;-91;Dent\n"
    aside: list[str] = []
    (site,) = read_waters(_table(tmp_path, text), aside=aside)
    assert site == Site(longitude=-91.25, latitude=36.5, name="Mud Lake", location_id="12-7", county="Ozark")
    assert len(aside) == 1
    assert "row 3: latitude 'x' is not a number" in aside[0]
    with pytest.raises(PoolBuilderError, match="row 2: latitude 'x'"):
        read_waters(_table(tmp_path, "name,lat,lon\nA,x,-91\n"), aside=[])


def test_a_quote_that_is_never_closed_swallows_no_rows(tmp_path: Path) -> None:
    path = tmp_path / "waters.csv"
    path.write_text('name,latitude,longitude\nA,36.9,-91.2\n"B,37.0,-91.0\nC,37.1,-91.1\n')
    with pytest.raises(PoolBuilderError, match=r"waters\.csv, row 3: is not CSV: .*quote without its twin"):
        read_waters(path, aside=[])
