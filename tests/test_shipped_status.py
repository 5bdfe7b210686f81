"""The status table that ships: drainage before state, states before nothing, and what is not stated."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from poolbuilder import Checklist
from poolbuilder.cli import cli
from poolbuilder.names.checklist import SHIPPED
from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS
from poolbuilder.places.regions import region_codes, regions_at
from poolbuilder.status.lists import Drainage, shipped_statements

FOLDER = Path(__file__).parents[1] / "poolbuilder" / "status"
SUNFISHES = Checklist.load("lepomis")


def means(longitude: float, latitude: float, code: str = "", names: tuple[str, ...] = ()) -> dict[str, str]:
    found = shipped_statements(SUNFISHES.species, longitude, latitude, Drainage(code, names))
    return {name.split()[1]: item.means for name, item in found.items()}


def test_every_row_has_a_source_and_a_region_that_exists() -> None:
    regions = set(region_codes())
    for path in FOLDER.glob("native_*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        keys = [(row["scientificName"], row["region"]) for row in rows]
        assert len(keys) == len(set(keys))
        for row in rows:
            assert row["source"], row
            assert row["establishmentMeans"] in ESTABLISHMENT_MEANS
            assert row["extent"] in {"", "part", "not reported"}
            region = row["region"]
            # US Geological Survey: hydrologic unit codes have two digits for each level, regions 01 to 22.
            unit = re.fullmatch(r"(\d\d){1,6}", region) and 1 <= int(region[:2]) <= 22
            assert unit or region.startswith("basin ") or region in regions, region


def test_the_page_on_status_states_how_much_is_from_memory() -> None:
    text = " ".join((FOLDER.parents[1] / "demo" / "native_or_introduced.md").read_text().split())
    for name in ("lepomis", "leuciscids"):
        with (FOLDER / f"native_{name}.csv").open(encoding="utf-8", newline="") as stream:
            rows = [row for row in csv.DictReader(stream) if row["extent"] != "not reported"]
        memory = sum("from memory" in row["source"] for row in rows)
        assert f"{memory} of {len(rows)} rows" in text


def test_every_listed_species_has_rows() -> None:
    said = {
        row
        for path in FOLDER.glob("native_*.csv")
        for row in re.findall(r"^(\w+ \w+),", path.read_text(), re.M)
    }
    for name in SHIPPED:
        assert set(Checklist.load(name).species) <= said


def test_the_ozarks_and_alaska() -> None:
    """Current River, Missouri (hydrologic unit 11010008), and the interior of Alaska."""
    ozarks = means(-91.2, 36.9, "11010008")
    assert {name for name, term in ozarks.items() if term == "native"} >= {
        "cyanellus", "gulosus", "humilis", "macrochirus", "megalotis", "miniatus",
    }  # fmt: skip
    assert "native" not in means(-149.0, 63.0).values()
    statement = shipped_statements(["Lepomis gulosus"], -149.0, 63.0)["Lepomis gulosus"]
    assert (statement.means, statement.extent) == ("introduced", "not reported")


def test_the_drainage_decides_where_a_divide_runs_through_a_state() -> None:
    """Virginia: the redbreast is native on the Atlantic slope (0208) and introduced in the New River (0505)."""
    atlantic = shipped_statements(["Lepomis auritus"], -78.5, 37.5, Drainage("02080203"))["Lepomis auritus"]
    new = shipped_statements(["Lepomis auritus"], -80.6, 37.2, Drainage("05050001"))["Lepomis auritus"]
    state = shipped_statements(["Lepomis auritus"], -80.6, 37.2)["Lepomis auritus"]
    assert (atlantic.means, new.means) == ("native", "introduced")
    assert (state.means, state.extent) == ("native", "part")
    assert "introduced" in state.note


def test_the_longest_prefix_wins() -> None:
    assert means(-99.0, 38.0, "11030001")["macrochirus"] == "native"  # region 11
    assert means(-104.5, 38.2, "11020002")["macrochirus"] == "introduced"  # subregion 1102


@pytest.mark.parametrize(
    ("longitude", "latitude", "native", "introduced"),
    [
        (-76.7, 39.4, {"auritus", "gibbosus"}, {"macrochirus", "cyanellus", "microlophus"}),  # Maryland
        (-93.0, 38.2, {"cyanellus", "megalotis"}, set()),  # Missouri
        (
            -120.0,
            37.5,
            set(),
            {"macrochirus", "cyanellus", "gulosus"},
        ),  # California
        (-79.0, 44.5, {"gibbosus", "peltastes"}, set()),  # Ontario
        (11.5, 48.1, set(), {"gibbosus"}),  # Bavaria
    ],
)
def test_five_reservoirs(longitude: float, latitude: float, native: set[str], introduced: set[str]) -> None:
    found = means(longitude, latitude)
    assert all(found[name] == "native" for name in native)
    assert all(found[name] == "introduced" for name in introduced)


def test_european_basins_decide_before_countries() -> None:
    def nase(names: tuple[str, ...]) -> str:
        found = shipped_statements(["Chondrostoma nasus"], 4.8, 45.7, Drainage("", names))
        return found["Chondrostoma nasus"].means

    assert nase(()) == "native"  # France, in part: the Rhine and the Meuse
    assert nase(("Rhone",)) == "introduced"


def test_what_has_no_row_is_not_stated() -> None:
    assert shipped_statements(["Tinca tinca"], 11.5, 48.1) == {}
    assert means(-40.0, 30.0) == {}


def _records(folder: Path) -> Path:
    path = folder / "records.csv"
    path.write_text(
        "occurrenceID,scientificName,decimalLatitude,decimalLongitude,eventDate,geodeticDatum\n"
        "a,Lepomis auritus,37.21,-80.61,2018-06-01,WGS84\nb,Lepomis gulosus,37.22,-80.6,2018-06-01,WGS84\n"
    )
    return path


def _built(*options: str) -> dict[str, Any]:
    arguments = ["--lat", "37.2", "--lon", "-80.6", "--as-of", "2026-06-01", "--format", "json", *options]
    result = CliRunner().invoke(cli, ["build", *arguments], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return dict(json.loads(result.stdout))


def _statuses(*options: str) -> dict[str, tuple[str, str]]:
    rows = _built(*options)["candidates"]
    return {
        row["scientificName"].split()[1]: (row["establishmentMeans"], row["establishmentSource"])
        for row in rows
    }


def test_build_says_status_out_of_the_box_and_lists_come_first(tmp_path: Path) -> None:
    records = ("--records", str(_records(tmp_path)))
    alone = _statuses(*records)
    assert alone["auritus"] == ("native", "shipped")  # the state's row: a part of Virginia
    assert alone["peltastes"] == ("uncertain", "unknown")
    listed = tmp_path / "virginia.csv"
    listed.write_text("State;Species;Status\nVA;Redbreast sunfish;non-native\n")
    assert _statuses(*records, "--region-list", str(listed))["auritus"] == ("introduced", "region")
    order = tmp_path / "settings.toml"
    order.write_text('statusFirst = "shipped"\n')
    turned = _statuses(*records, "--region-list", str(listed), "--settings", str(order))
    assert turned["auritus"] == ("native", "shipped")


def test_build_names_source_and_year_of_a_status_and_what_was_set_aside(tmp_path: Path) -> None:
    listed = tmp_path / "virginia.csv"
    listed.write_text(
        "State;Species;Status;Year;Source\nVA;Redbreast sunfish;non-native;2019;State survey\nVA;Warmouth;see remarks;;\n"
    )
    pool = _built("--records", str(_records(tmp_path)), "--region-list", str(listed))
    step = {row["scientificName"]: row["words"] for row in pool["contributions"] if row["part"] == "status"}
    assert step["Lepomis auritus"] == "the checklist of Virginia says introduced, source: State survey, 2019"
    assert step["Lepomis peltastes"] == "no source states whether it is native here"
    assert any("1 row set aside, such as row 3: status 'see remarks'" in note for note in pool["notes"])
    assert any(item["path"] == str(listed) for item in pool["inputs"])


def test_russia_is_cut_at_180_degrees_and_lies_over_nobody_else() -> None:
    """Brooks Range, Gällivare, Rovaniemi, Novosibirsk and the Chukchi peninsula beyond 180 degrees (an atlas)."""
    found = regions_at([-150.0, 20.7, 25.7, 82.9, -175.0], [67.5, 67.1, 66.5, 55.0, 67.0])
    assert found.tolist() == ["US-AK", "SE", "FI", "RU", "RU"]
