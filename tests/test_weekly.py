"""The weekly run by its command: quiet weeks, a killed run, introduced species, old runs removed."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from poolbuilder import refresh
from poolbuilder.cli import main
from tests import service_double as service

GIBBOSUS, CYANELLUS = "Lepomis gibbosus", "Lepomis cyanellus"
PLAN = """
[refresh]
out = "pools"
store = "data_cache"
radiusKm = 10
checklist = "list.csv"
taxon = "Lepomis"
make = "both"

[settings]
serviceWaitS = 0
serviceAttempts = 2
serviceTimeoutS = 5
reachKm = 10
obscuredUncertaintyM = 2000

[[water]]
name = "Mill Pond"
lat = 38.51
lon = -90.50
"""
SECOND = '\n[[water]]\nname = "Weir Pool"\nlat = 38.80\nlon = -90.50\n'


def fish(number: int, name: str = GIBBOSUS, **changes: Any) -> dict[str, Any]:
    place = {"decimalLongitude": -90.5, "decimalLatitude": 38.51, "coordinateUncertaintyInMeters": 30.0}
    dated = {"scientificName": name, "eventDate": "2024-07-01"}
    return service.occurrence(number, **{**dated, **place, **changes})


@pytest.fixture
def double() -> Iterator[service.ServiceDouble]:
    away = fish(2, decimalLatitude=38.80)
    with service.serving(service.ServiceDouble([fish(1), away])) as running:
        yield running


class Weekly:
    """A plan and its command."""

    def __init__(self, folder: Path, url: str, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.url, self.capsys = folder, url, capsys
        self.plan = folder / "plan.toml"
        self.plan.write_text(PLAN + SECOND, "utf-8")
        (folder / "list.csv").write_text(
            f"scientificName,establishmentMeans\n{GIBBOSUS},introduced\n{CYANELLUS},introduced\n"
        )

    def run(self, day: str, *arguments: str) -> tuple[int, str, str]:
        """Exit code, stdout and stderr of a run on a day."""
        with pytest.raises(SystemExit) as ended:
            main(["refresh", str(self.plan), "--service-url", self.url, "--as-of", day, *arguments])
        out, err = self.capsys.readouterr()
        return int(ended.value.code or 0), out, err

    def summary(self, day: str) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.folder / "pools" / day / "summary.json").read_text("utf-8"))
        return found


@pytest.fixture
def weekly(tmp_path: Path, double: service.ServiceDouble, capsys: pytest.CaptureFixture[str]) -> Weekly:
    return Weekly(tmp_path, double.url, capsys)


QUIET = ("--quiet", "--fail-on", "new-in-water,new-near,more-records,disputed,lost")


def test_a_quiet_week_prints_nothing_builds_nothing_and_refers_to_the_last(
    weekly: Weekly, double: service.ServiceDouble
) -> None:
    assert weekly.run("2026-03-01", *QUIET)[0] == 0
    assert weekly.run("2026-03-08", *QUIET) == (0, "", "")
    assert weekly.run("2026-03-15", *QUIET) == (0, "", "")
    folder = weekly.folder / "pools" / "2026-03-15"
    assert not (folder / "mill-pond").exists()
    waters = weekly.summary("2026-03-15")["waters"]
    assert [water["folder"] for water in waters] == ["../2026-03-01/mill-pond", "../2026-03-01/weir-pool"]
    assert (folder / waters[0]["folder"] / "report.html").is_file()
    assert {water["state"] for water in waters} == {"same"}


def test_only_the_water_with_a_new_record_is_built_and_told(
    weekly: Weekly, double: service.ServiceDouble
) -> None:
    weekly.plan.write_text((PLAN + SECOND).replace("lat = 38.80", "lat = 45.80"), "utf-8")
    double.occurrences = [fish(1), fish(2, decimalLatitude=45.80)]
    weekly.run("2026-03-01", *QUIET)
    fresh = {"lastInterpreted": "2026-03-05T00:00:00.000+00:00", "eventDate": "2026-03-02"}
    double.occurrences = [*double.occurrences, fish(3, CYANELLUS, **fresh)]
    code, out, _ = weekly.run("2026-03-08", *QUIET)
    assert code == 4
    assert "new-in-water: Mill Pond: Lepomis cyanellus" in out
    assert "Weir Pool" not in out  # it lies in another region
    digest = (weekly.folder / "pools" / "2026-03-08" / "introduced" / "digest.md").read_text("utf-8")
    assert "**Mill Pond**: *Lepomis cyanellus*: new in the water" in digest
    assert weekly.run("2026-03-15", *QUIET)[:2] == (0, "")


def test_a_service_that_is_down_is_said_and_is_no_quiet_week(
    weekly: Weekly, double: service.ServiceDouble
) -> None:
    weekly.run("2026-03-01", *QUIET)
    double.inject("/", service.status(503), times=999)
    code, out, _ = weekly.run("2026-03-08", *QUIET)
    assert code == 3
    assert "Mill Pond: built from older records" in out


def test_a_killed_run_goes_on_where_it_stood(weekly: Weekly, monkeypatch: pytest.MonkeyPatch) -> None:
    built: list[str] = []
    plain = refresh.write_pool

    def killed(pool: Any, folder: Path, **more: Any) -> Path:
        if built:
            raise KeyboardInterrupt
        built.append(folder.name)
        return plain(pool, folder, **more)

    monkeypatch.setattr(refresh, "write_pool", killed)
    assert weekly.run("2026-03-01")[0] == 130
    monkeypatch.setattr(refresh, "write_pool", lambda *a, **b: built.append(a[1].name) or plain(*a, **b))
    assert weekly.run("2026-03-01")[0] == 0
    assert built == ["mill-pond", "weir-pool"]
    assert sorted(path.name for path in (weekly.folder / "pools" / "2026-03-01").iterdir()) == [
        "introduced", "mill-pond", "summary.html", "summary.json", "summary.md", "weir-pool",
    ]  # fmt: skip


def test_changed_settings_build_anew_and_a_dropped_lake_is_named(weekly: Weekly) -> None:
    weekly.run("2026-03-01", *QUIET)
    weekly.plan.write_text(PLAN.replace("reachKm = 10", "reachKm = 12"), "utf-8")
    _, out, _ = weekly.run("2026-03-08", *QUIET)
    assert "in the last run, not in this plan any more: Weir Pool" in out
    assert (weekly.folder / "pools" / "2026-03-08" / "mill-pond" / "pool.json").is_file()


def test_old_runs_are_removed_but_not_what_is_referred_to(weekly: Weekly) -> None:
    for day in ("2026-01-01", "2026-01-08", "2026-03-01"):
        weekly.run(day, *QUIET)
    weekly.run("2026-03-08", *QUIET, "--prune-days", "30")
    days = sorted(path.name for path in (weekly.folder / "pools").glob("2026-*"))
    # The pools of 1 January still hold; the run of 8 January is needed by none.
    assert days == ["2026-01-01", "2026-03-01", "2026-03-08"]
    assert weekly.run("2026-03-15", *QUIET) == (0, "", "")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('make = "both"', 'make = "all"'), "make 'all' is unknown (use one of pools, introduced, both)"),
        (('make = "both"', 'regions = "x.geojson"'), "regions belong to a regionList"),
        (('"Weir Pool"', '"Introduced"'), "two waters would share one folder"),
    ],
)
def test_a_wrong_plan_is_told(weekly: Weekly, change: tuple[str, str], message: str) -> None:
    weekly.plan.write_text((PLAN + SECOND).replace(*change), "utf-8")
    code, _, err = weekly.run("2026-03-01")
    assert (code, message in err) == (1, True)


def test_introduced_species_alone(weekly: Weekly) -> None:
    weekly.plan.write_text((PLAN + SECOND).replace('"both"', '"introduced"'), "utf-8")
    assert weekly.run("2026-03-01", *QUIET)[0] == 0
    folder = weekly.folder / "pools" / "2026-03-01"
    assert not (folder / "mill-pond").exists()
    assert (folder / "introduced" / "feed.xml").is_file()
    shutil.rmtree(weekly.folder / "pools")


def test_region_lists_speak_in_pools_as_in_the_news(weekly: Weekly) -> None:
    box = [[-91, 38], [-90, 38], [-90, 39], [-91, 39], [-91, 38]]
    area = {"type": "Polygon", "coordinates": [box]}
    region = {"type": "Feature", "properties": {"locationID": "R1"}, "geometry": area}
    (weekly.folder / "regions.geojson").write_text(
        json.dumps({"type": "FeatureCollection", "features": [region]})
    )
    (weekly.folder / "status.csv").write_text(
        f"scientificName,locationID,establishmentMeans\n{GIBBOSUS},R1,native\n"
    )
    lists = '[refresh]\nregionList = "status.csv"\nregions = "regions.geojson"'
    weekly.plan.write_text(PLAN.replace("[refresh]", lists), "utf-8")
    weekly.run("2026-03-01", *QUIET)
    pool = json.loads((weekly.folder / "pools/2026-03-01/mill-pond/pool.json").read_text("utf-8"))
    row = next(row for row in pool["candidates"] if row["scientificName"] == GIBBOSUS)
    assert (row["establishmentMeans"], row["establishmentSource"]) == ("native", "region")


LAKES = """LAKE_NAME,LAT_DD,LON_DD,DOW,County
Mud Lake,38.51,-90.50,27001,Hennepin
Mud Lake,38.80,-90.50,62002,Ramsey
Lost Lake,n/a,-90.50,9,Scott
"""
"""Headings as agencies have them; two lakes of one name, and a row that is no place."""


def test_two_lakes_of_one_name_stay_two_with_identifier_and_county_and_a_bad_row_is_named(
    weekly: Weekly,
) -> None:
    (weekly.folder / "lakes.csv").write_text(LAKES, "utf-8")
    weekly.plan.write_text(
        PLAN.partition("[[water]]")[0].replace("taxon =", 'waters = "lakes.csv"\ntaxon ='), "utf-8"
    )
    code, out, _ = weekly.run("2026-03-01")
    assert code == 0
    assert "row 4: latitude 'n/a' is not a number" in out
    waters = weekly.summary("2026-03-01")["waters"]
    assert [(row["slug"], row["locationID"], row["county"]) for row in waters] == [
        ("mud-lake-27001", "27001", "Hennepin"),
        ("mud-lake-62002", "62002", "Ramsey"),
    ]
    folder = weekly.folder / "pools" / "2026-03-01"
    page = (folder / "introduced" / "introduced.html").read_text("utf-8")
    assert "27001, Hennepin" in page
    assert 'data-find="mud lake 62002 ramsey' in page
    for name in ("introduced.csv", "records.csv"):
        rows = list(csv.DictReader((folder / "introduced" / name).read_text("utf-8-sig").splitlines()))
        assert {(row["locationID"], row["county"]) for row in rows} == {
            ("27001", "Hennepin"), ("62002", "Ramsey"),
        }  # fmt: skip
    assert "62002, Ramsey" in (folder / "summary.html").read_text("utf-8")
    # A bad row is no news: the quiet week stays silent.
    assert weekly.run("2026-03-08", *QUIET) == (0, "", "")


def test_in_a_quiet_week_introduced_species_are_a_link_and_little_is_written(weekly: Weekly) -> None:
    weekly.run("2026-03-01", *QUIET)
    weekly.run("2026-03-08", *QUIET)
    folder = weekly.folder / "pools" / "2026-03-08"
    assert (folder / "introduced").is_symlink()
    assert (weekly.folder / "pools" / "latest" / "introduced" / "feed.xml").is_file()
    written = [path for path in folder.iterdir() if not path.is_symlink()]
    assert sorted(path.name for path in written) == ["summary.html", "summary.json", "summary.md"]
    weekly.run("2026-03-15", *QUIET, "--prune-days", "5")
    days = sorted(path.name for path in (weekly.folder / "pools").glob("2026-*"))
    assert days == ["2026-03-01", "2026-03-15"]
    assert weekly.run("2026-03-22", *QUIET) == (0, "", "")


def test_a_review_that_ends_is_no_quiet_week(weekly: Weekly, double: service.ServiceDouble) -> None:
    table = weekly.folder / "reviewed.csv"
    table.write_text("record,verdict,date,until\ngbif:9,seen,2026-03-01,2026-03-10\n", "utf-8")
    weekly.plan.write_text(PLAN.replace("[refresh]", '[refresh]\nreviewed = "reviewed.csv"'), "utf-8")
    weekly.run("2026-03-01", *QUIET)
    assert weekly.run("2026-03-08", *QUIET)[0] == 0
    assert (weekly.folder / "pools" / "2026-03-08" / "introduced").is_symlink()
    weekly.run("2026-03-15", *QUIET)
    assert not (weekly.folder / "pools" / "2026-03-15" / "introduced").is_symlink()


def test_a_pool_of_last_spring_is_restored_without_anything_given_by_hand(
    weekly: Weekly, monkeypatch: pytest.MonkeyPatch
) -> None:
    outline = {
        "type": "Polygon",
        "coordinates": [[[-90.51, 38.5], [-90.49, 38.5], [-90.49, 38.52], [-90.51, 38.5]]],
    }
    lake = {"type": "Feature", "properties": {"name": "Mill Pond"}, "geometry": outline}
    layer = weekly.folder / "lake.geojson"
    layer.write_text(json.dumps({"type": "FeatureCollection", "features": [lake]}))
    text = PLAN.replace('name = "Mill Pond"', 'name = "Mill Pond"\nwater = "lake.geojson"')
    weekly.plan.write_text(text, "utf-8")
    weekly.run("2026-03-01", *QUIET)
    old = weekly.folder / "pools" / "2026-03-01" / "mill-pond"
    kept = list((weekly.folder / "pools" / "inputs").iterdir())
    assert len(kept) == 2  # the list and the outline, once each
    layer.unlink()
    (weekly.folder / "list.csv").write_text("scientificName\nLepomis auritus\n", "utf-8")
    out = weekly.folder / "again"
    monkeypatch.chdir("/")
    with pytest.raises(SystemExit) as ended:
        main(["restore", str(old), "--out", str(out)])
    said, fault = weekly.capsys.readouterr()
    assert ended.value.code in {0, None}, fault
    assert "the same in every number" in said
    assert (out / "pool" / "pool.csv").read_bytes() == (old / "pool.csv").read_bytes()
    assert (out / "pool" / "evidence.parquet").read_bytes() == (old / "evidence.parquet").read_bytes()


def test_the_same_bytes_whatever_the_number_of_threads(weekly: Weekly) -> None:
    weekly.run("2026-03-01", *QUIET)
    first = weekly.folder / "pools" / "2026-03-01"
    names = ["mill-pond/pool.parquet", "mill-pond/evidence.parquet", "mill-pond/pool.json"]
    before = [(first / name).read_bytes() for name in names]
    shutil.rmtree(weekly.folder / "pools")
    threads = pa.cpu_count()
    pa.set_cpu_count(threads + 3)
    try:
        weekly.run("2026-03-01", *QUIET)
    finally:
        pa.set_cpu_count(threads)
    assert [(first / name).read_bytes() for name in names] == before
