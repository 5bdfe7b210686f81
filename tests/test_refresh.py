"""The seasonal run against a service on loopback: twice, at once, killed, broken, offline."""

from __future__ import annotations

import datetime
import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pyproj
import pytest
from filelock import FileLock
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from poolbuilder import PoolBuilderError, Settings, Site, Store, read_pool
from poolbuilder.errors import OfflineError
from poolbuilder.intake import Wanted, bring, fetch_reach_km, next_step
from poolbuilder.records.service.client import Client
from poolbuilder.refresh import SeasonalRun, refresh
from poolbuilder.refresh.plan import group_neighbours, read_plan
from tests import commands
from tests import service_double as service

SPRING = datetime.datetime(2026, 3, 31, 6, tzinfo=datetime.UTC)
SUMMER = datetime.datetime(2026, 6, 30, 6, tzinfo=datetime.UTC)
GEOD = pyproj.Geod(ellps="WGS84")
CYANELLUS, GULOSUS = "Lepomis cyanellus", "Lepomis gulosus"

PLAN = """
[refresh]
out = "pools"
store = "data_cache"
radiusKm = 40
checklist = "lepomis"
taxon = "Lepomis"

[settings]
serviceWaitS = 0
serviceAttempts = 2
serviceTimeoutS = 5

[[water]]
name = "Mill Pond"
lat = 38.51
lon = -90.50

[[water]]
name = "Étang du Loup"
lat = 38.60
lon = -90.40
"""


def fish(number: int, name: str = CYANELLUS, **changes: Any) -> dict[str, Any]:
    return service.occurrence(
        number,
        scientificName=name,
        decimalLongitude=round(-90.5 + (number % 7) * 0.03, 4),
        decimalLatitude=round(38.5 + (number % 5) * 0.03, 4),
        eventDate=f"20{number % 20 + 5:02d}-07-{number % 27 + 1:02d}",
        **changes,
    )


@pytest.fixture
def double() -> Iterator[service.ServiceDouble]:
    with service.serving(service.ServiceDouble([fish(number) for number in range(12)])) as running:
        yield running


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def done(
    plan_file: Path, double: service.ServiceDouble, now: datetime.datetime = SPRING, *, offline: bool = False
) -> SeasonalRun:
    plan = read_plan(plan_file).with_service(double.url)
    with Client(plan.service_url, settings=plan.settings, offline=offline, sleep=lambda _: None) as client:
        return refresh(plan, client, now=now)


def states(run: SeasonalRun) -> dict[str, str]:
    return {item.water.site.name: item.state for item in run.outcomes}


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


# ------------------------------------------------------------------ the ordinary way


def test_a_first_run_builds_every_water(plan_file: Path, double: service.ServiceDouble) -> None:
    run = done(plan_file, double)
    assert states(run) == {"Mill Pond": "new", "Étang du Loup": "new"}
    assert run.folder.name == "2026-03-31"
    assert read_pool(run.folder / "mill-pond").site.name == "Mill Pond"
    assert (run.folder / "étang-du-loup" / "report.html").is_file()
    assert (run.folder.parent / "latest").resolve() == run.folder.resolve()
    summary = json.loads((run.folder / "summary.json").read_text())
    assert summary["states"] == {"new": 2, "same": 0, "changed": 0, "stale": 0, "failed": 0}
    assert summary["waters"][0]["licence"] == "CC_BY_4_0"
    assert "Étang du Loup" in (run.folder / "summary.html").read_text(encoding="utf-8")


def test_a_second_run_says_what_changed_and_asks_only_for_changes(
    plan_file: Path, double: service.ServiceDouble
) -> None:
    done(plan_file, double)
    fresh = "2026-06-20T00:00:00.000+00:00"
    double.occurrences = [
        *double.occurrences,
        *(
            fish(number, GULOSUS, lastInterpreted=fresh, establishmentMeans="Introduced")
            for number in range(20, 24)
        ),
    ]
    asked = len(double.log)
    run = done(plan_file, double, SUMMER)
    assert set(states(run).values()) == {"changed"}
    assert run.found(["new-introduced"]) == [
        f"Mill Pond: new-introduced: {GULOSUS}",
        f"Étang du Loup: new-introduced: {GULOSUS}",
    ]
    searches = [params for path, params, _ in double.log[asked:] if path == "/occurrence/search"]
    records = [params for params in searches if "facet" not in params]
    assert {params["lastInterpreted"][0] for params in records} == {"2026-03-24,*"}
    assert len(searches) - len(records) == 1  # then all are counted, data set by data set
    (outcome, _) = run.outcomes
    assert outcome.comparison is not None
    words = [
        row["words"] for row in outcome.comparison.causes.to_pylist() if row["scientificName"] == GULOSUS
    ]
    assert any(text.startswith("4 new records") for text in words)


def test_twice_on_one_day_changes_no_byte_and_asks_for_no_record(
    plan_file: Path, double: service.ServiceDouble
) -> None:
    done(plan_file, double)
    double.occurrences = double.occurrences[:-2]
    first = done(plan_file, double, SUMMER)
    before, asked = contents(first.folder), len(double.log)
    second = done(plan_file, double, SUMMER + datetime.timedelta(hours=5))
    assert contents(second.folder) == before
    assert not [path for path, _, _ in double.log[asked:] if path == "/occurrence/search"]


def test_the_next_run_finds_the_withdrawn(plan_file: Path, double: service.ServiceDouble) -> None:
    double.occurrences = [*double.occurrences, fish(30, GULOSUS)]
    done(plan_file, double)
    double.occurrences = double.occurrences[:-1]
    run = done(plan_file, double, SUMMER)
    comparison = run.outcomes[0].comparison
    assert comparison is not None
    assert comparison.having("lost") == [GULOSUS]
    assert run.found(["lost"]) == [f"Mill Pond: lost: {GULOSUS}", f"Étang du Loup: lost: {GULOSUS}"]


@pytest.mark.parametrize(
    ("made", "step"),
    [
        ([], ("all", None)),
        ([(0, True)], ("changes", datetime.date(2026, 3, 24))),
        ([(0, True), (30, True)], ("changes", datetime.date(2026, 4, 23))),
        ([(0, True), (30, False)], ("changes", datetime.date(2026, 3, 24))),
        ([(0, True), (30, True), (60, True), (70, True)], ("all", None)),
        ([(0, True), (91, True)], ("none", None)),
        ([(0, True), (91, False)], ("changes", datetime.date(2026, 3, 24))),
        ([(400, True)], ("all", None)),
    ],
    ids=["never", "once", "twice", "broken", "many", "today", "broken today", "future"],
)
def test_what_to_fetch_next(made: list[tuple[int, bool]], step: tuple[str, datetime.date | None]) -> None:
    times = [(SPRING + datetime.timedelta(days=days), whole) for days, whole in made]
    assert next_step(times, now=SUMMER, settings=Settings()) == step


def test_the_order_of_the_waters_changes_nothing(
    plan_file: Path, double: service.ServiceDouble, tmp_path: Path
) -> None:
    done(plan_file, double)
    head, first, second = PLAN.split("[[water]]")
    other = tmp_path / "other"
    other.mkdir()
    (other / "plan.toml").write_text("[[water]]".join([head, second, first]), encoding="utf-8")
    done(other / "plan.toml", double)
    for slug in ("mill-pond", "étang-du-loup"):
        pools = [read_pool(folder / "pools" / "2026-03-31" / slug) for folder in (tmp_path, other)]
        assert pools[0].candidates.equals(pools[1].candidates)


def test_neighbours_share_a_fetch_that_takes_in_all_they_need(
    plan_file: Path, double: service.ServiceDouble, tmp_path: Path
) -> None:
    run = done(plan_file, double)
    (params,) = [
        params for path, params, _ in double.log if path == "/occurrence/search" and params["limit"] != ["0"]
    ]
    assert params["geoDistance"] == ["38.5100,-90.5000,151km"]  # reach 100, margin 30, 13 km apart: 20
    alone = tmp_path / "alone"
    alone.mkdir()
    (alone / "plan.toml").write_text(
        PLAN.replace("[settings]", "[settings]\nsharedFetchKm = 0"), encoding="utf-8"
    )
    asked = len(double.log)
    apart = done(alone / "plan.toml", double)
    assert len([path for path, params, _ in double.log[asked:] if params.get("limit") == ["300"]]) == 2
    for slug in ("mill-pond", "étang-du-loup"):
        one, other = read_pool(run.folder / slug).candidates, read_pool(apart.folder / slug).candidates
        assert one.equals(other)


@given(
    st.lists(
        st.tuples(st.floats(-92, -89), st.floats(37, 39), st.sampled_from([10.0, 40.0, 140.0])),
        min_size=1,
        max_size=12,
    ),
    st.sampled_from([0.0, 15.0, 50.0]),
)
@hypothesis_settings(deadline=None, derandomize=True, max_examples=60)
def test_every_water_is_in_one_group_and_its_reach_is_fetched(
    places: list[tuple[float, float, float]], shared: float
) -> None:
    limits = Settings(shared_fetch_km=shared)
    sites = [Site(longitude=lon, latitude=lat, radius_km=radius) for lon, lat, radius in places]
    groups = group_neighbours(sites, settings=limits)
    assert sorted(number for group in groups for number in group.members) == list(range(len(sites)))
    for group in groups:
        assert group.spread_km <= shared
        fetched = fetch_reach_km(group.site, settings=limits) + group.spread_km
        for number in group.members:
            site = sites[number]
            _, _, away = GEOD.inv(group.site.longitude, group.site.latitude, site.longitude, site.latitude)
            assert away / 1000 + fetch_reach_km(site, settings=limits) <= fetched + 1e-6


def test_waters_can_come_from_a_table(plan_file: Path, double: service.ServiceDouble, tmp_path: Path) -> None:
    (tmp_path / "waters.csv").write_text("name,lat,lon\nReed Lake,38.55,-90.45\n")
    plan_file.write_text(PLAN.partition("[[water]]")[0].replace("taxon =", 'waters = "waters.csv"\ntaxon ='))
    assert states(done(plan_file, double)) == {"Reed Lake": "new"}


# ------------------------------------------------------------------ failing waters and services


def test_one_failing_water_stops_no_other(plan_file: Path, double: service.ServiceDouble) -> None:
    plan_file.write_text(
        PLAN.replace("lon = -90.40", 'lon = -90.40\nwater = "missing.gpkg"'), encoding="utf-8"
    )
    run = done(plan_file, double)
    assert states(run) == {"Mill Pond": "new", "Étang du Loup": "failed"}
    assert run.missing == ["Étang du Loup"]
    summary = json.loads((run.folder / "summary.json").read_text())
    assert "missing.gpkg" in summary["waters"][1]["fault"]


def test_a_failing_service_leaves_older_records_and_says_so(
    plan_file: Path, double: service.ServiceDouble
) -> None:
    done(plan_file, double)
    double.inject("/species/match", service.status(503), times=99)
    run = done(plan_file, double, SUMMER)
    assert states(run) == {"Mill Pond": "stale", "Étang du Loup": "stale"}
    summary = json.loads((run.folder / "summary.json").read_text())
    assert summary["waters"][0]["fetched"].startswith("2026-03-31")
    assert summary["waters"][0]["ageDays"] == 91
    assert "is busy (status 503)" in summary["waters"][0]["fault"]
    again = commands.command("refresh", plan_file, "--service-url", double.url, "--as-of", "2026-06-30")
    assert "built from older records" in again.stdout


def test_a_failing_service_at_the_first_run_builds_nothing_from_nothing(
    plan_file: Path, double: service.ServiceDouble
) -> None:
    double.inject("/species/match", service.status(503), times=99)
    run = done(plan_file, double)
    assert set(states(run).values()) == {"failed"}
    assert "no records were ever fetched for this water" in str(run.outcomes[0].fault)
    assert not (run.folder / "mill-pond").exists()


def test_a_dead_service_is_not_asked_for_every_water(plan_file: Path, double: service.ServiceDouble) -> None:
    waters = "".join(f'[[water]]\nname = "Pond {n}"\nlat = 38.5\nlon = {-90.5 + n}\n' for n in range(8))
    plan_file.write_text(PLAN.partition("[[water]]")[0] + waters)
    double.inject("/", service.status(503), times=999)
    run = done(plan_file, double)
    assert len(double.log) == 4  # two waters far from each other, two attempts each
    assert str(run.outcomes[7].fault).startswith("not asked: the service failed for the waters before")


def test_a_water_that_fails_on_the_second_run_of_a_day_keeps_its_pool(
    plan_file: Path, double: service.ServiceDouble
) -> None:
    first = done(plan_file, double)
    pool = contents(first.folder / "mill-pond")
    plan_file.write_text(PLAN.replace('checklist = "lepomis"', 'checklist = "nothing.csv"'), encoding="utf-8")
    run = done(plan_file, double)
    assert set(states(run).values()) == {"failed"}
    assert contents(run.folder / "mill-pond") == pool
    assert "the pool of an earlier run of this day is kept" in run.outcomes[0].notes


def test_offline_builds_from_the_store_and_says_how_old_it_is(
    plan_file: Path, double: service.ServiceDouble
) -> None:
    done(plan_file, double)
    asked = len(double.log)
    run = done(plan_file, double, SUMMER, offline=True)
    assert len(double.log) == asked
    assert run.missing == []
    assert json.loads((run.folder / "summary.json").read_text())["waters"][0]["ageDays"] == 91


def test_offline_without_a_fetch_names_the_remedy(plan_file: Path, double: service.ServiceDouble) -> None:
    run = done(plan_file, double, offline=True)
    assert "fetch once without --offline" in str(run.outcomes[0].fault)


# ------------------------------------------------------------------ clocks, locks, broken folders


def test_a_clock_set_back_is_an_error_and_loses_nothing(
    plan_file: Path, double: service.ServiceDouble
) -> None:
    run = done(plan_file, double, SUMMER)
    before = contents(run.folder)
    with pytest.raises(
        PoolBuilderError, match=r"the last run is of 2026-06-30, which is after today, 2026-03-31"
    ):
        done(plan_file, double, SPRING)
    assert contents(run.folder) == before
    assert str((run.folder.parent / "latest").readlink()) == "2026-06-30"


def test_two_at_once_do_not_mix(plan_file: Path, double: service.ServiceDouble, tmp_path: Path) -> None:
    (tmp_path / "pools").mkdir()
    with (
        FileLock(tmp_path / "pools" / ".lock"),
        pytest.raises(PoolBuilderError, match="is being written by another process"),
    ):
        done(plan_file, double)
    assert double.log == []
    assert set(states(done(plan_file, double)).values()) == {"new"}


@pytest.mark.parametrize("junk", ["nonsense\n", "1999-01-01", "", "\xff" * 9, "../elsewhere"])
def test_a_corrupt_latest_is_said_and_mended(
    plan_file: Path, double: service.ServiceDouble, tmp_path: Path, junk: str
) -> None:
    done(plan_file, double)
    latest = tmp_path / "pools" / "latest"
    latest.unlink()
    latest.write_bytes(junk.encode("latin-1"))
    run = done(plan_file, double, SUMMER)
    assert set(states(run).values()) <= {"same", "changed"}
    assert "the youngest run is used" in run.document["notes"][0]
    assert str(latest.readlink()) == "2026-06-30"


def test_a_latest_that_points_nowhere_is_mended(
    plan_file: Path, double: service.ServiceDouble, tmp_path: Path
) -> None:
    done(plan_file, double)
    latest = tmp_path / "pools" / "latest"
    latest.unlink()
    latest.symlink_to("2020-01-01")
    assert "names '2020-01-01', which is no run here" in done(plan_file, double, SUMMER).document["notes"][0]


def test_a_broken_earlier_pool_is_passed_over_for_an_older_one(
    plan_file: Path, double: service.ServiceDouble
) -> None:
    done(plan_file, double)
    double.occurrences = [*double.occurrences, fish(20, lastInterpreted="2026-04-20T00:00:00.000+00:00")]
    later = done(plan_file, double, SPRING + datetime.timedelta(days=30))
    (later.folder / "mill-pond" / "pool.json").write_text("{")
    run = done(plan_file, double, SUMMER)
    comparison = run.outcomes[0].comparison
    assert comparison is not None
    assert comparison.before == SPRING.date()
    assert any("passed over" in note for note in run.outcomes[0].notes)


def test_a_full_disk_leaves_the_last_run_whole(
    plan_file: Path, double: service.ServiceDouble, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    first = done(plan_file, double)
    before = contents(first.folder)

    def full(self: Path, *_: Any, **__: Any) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(PoolBuilderError, match="No space left on device"):
        done(plan_file, double, SUMMER)
    monkeypatch.undo()
    assert contents(first.folder) == before
    assert sorted(path.name for path in (tmp_path / "pools").iterdir()) == [".lock", "2026-03-31", "latest"]
    assert set(states(done(plan_file, double, SUMMER)).values()) <= {"same", "changed"}


def test_a_foreign_folder_called_latest_is_left_alone(
    plan_file: Path, double: service.ServiceDouble, tmp_path: Path
) -> None:
    own = tmp_path / "pools" / "latest"
    own.mkdir(parents=True)
    (own / "mine.txt").write_text("mine")
    done(plan_file, double)
    assert (own / "mine.txt").read_text() == "mine"


def test_names_from_strangers_are_escaped_on_the_page(plan_file: Path, double: service.ServiceDouble) -> None:
    plan_file.write_text(PLAN.replace('"Mill Pond"', '"<script>alert(1)</script> Pond"'), encoding="utf-8")
    run = done(plan_file, double)
    page = (run.folder / "summary.html").read_text(encoding="utf-8")
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


# ------------------------------------------------------------------ killed


def command(plan_file: Path, double: service.ServiceDouble, *more: str) -> subprocess.Popen[bytes]:
    environ = {**os.environ, "POOLBUILDER_SERVICE_URL": double.url}
    line = [sys.executable, "-W", "error", "-m", "poolbuilder", "refresh", str(plan_file), *more]
    return subprocess.Popen(line, env=environ, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def assert_whole(folder: Path) -> None:
    """No dated folder is half-written, and the store has no fault."""
    for day in folder.glob("pools/20*"):
        summary = json.loads((day / "summary.json").read_text())
        for water in summary["waters"]:
            if water["pool"]:
                read_pool(day / water["folder"])
    if (folder / "data_cache").is_dir():
        assert not Store(folder / "data_cache").check().problems


STAGES = {
    "the first page is kept": "data_cache/fetches/*/000001.json.gz",
    "the first fetch is whole": "data_cache/fetches/*/manifest.json",
    "the store is written": "data_cache/index.json",
    "the first pool is written": "pools/.run/mill-pond",
    "the run is in its place": "pools/20*/summary.json",
}
"""What has just appeared when the run is killed, in the order in which it appears."""


def test_killed_at_every_stage_the_next_run_finishes_the_job(
    plan_file: Path, double: service.ServiceDouble, tmp_path: Path
) -> None:
    for pattern in STAGES.values():
        with command(plan_file, double) as killed:
            while killed.poll() is None and not list(tmp_path.glob(pattern)):
                time.sleep(0.002)
            killed.send_signal(signal.SIGKILL)
            killed.communicate(timeout=60)
        assert list(tmp_path.glob(pattern))
        assert_whole(tmp_path)
    with command(plan_file, double) as last:
        _, said = last.communicate(timeout=120)
    assert last.returncode == 0, said
    assert_whole(tmp_path)
    (finished,) = tmp_path.glob("pools/20*")
    assert sorted(path.name for path in (tmp_path / "pools").iterdir()) == [".lock", finished.name, "latest"]
    other = tmp_path / "undisturbed"
    other.mkdir()
    shutil.copy(plan_file, other)
    day = datetime.datetime.fromisoformat(finished.name).replace(tzinfo=datetime.UTC)
    undisturbed = done(other / "plan.toml", double, day).folder
    for slug in ("mill-pond", "étang-du-loup"):
        assert (finished / slug / "pool.csv").read_bytes() == (undisturbed / slug / "pool.csv").read_bytes()


def test_the_command_ends_with_4_when_it_finds_what_was_asked_about(
    plan_file: Path, double: service.ServiceDouble, tmp_path: Path
) -> None:
    done(plan_file, double)
    double.occurrences = [
        *double.occurrences,
        fish(30, GULOSUS, lastInterpreted="2026-06-20T00:00:00.000+00:00"),
    ]
    run = commands.command("refresh", plan_file, "--service-url", double.url, "--fail-on", "changed")
    assert run.returncode == 4, run.stderr
    assert "found: Mill Pond: changed: Lepomis gulosus" in run.stderr
    assert "gained: Lepomis gulosus" in run.stdout


def test_the_command_ends_with_3_and_names_what_is_missing(
    plan_file: Path, double: service.ServiceDouble
) -> None:
    double.inject("/", service.status(404), times=99)
    run = commands.command("refresh", plan_file, "--service-url", double.url)
    assert run.returncode == 3
    assert "not refreshed: Mill Pond, Étang du Loup" in run.stderr
    assert "Traceback" not in run.stderr


# ------------------------------------------------------------------ plans


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("radiusKm", "radiuskm"), r"\[refresh\] has an unknown key 'radiuskm' \(did you mean radiusKm\?\)"),
        (("[settings]", "[setings]"), r"the plan has an unknown key 'setings' \(did you mean settings\?\)"),
        (
            ("lat = 38.60", "latt = 38.60"),
            r"\[\[water\]\] number 2 has an unknown key 'latt' \(did you mean lat\?\)",
        ),
        (
            ("serviceWaitS", "serviceWaits"),
            r"\[settings\].*unknown setting 'serviceWaits' \(did you mean serviceWaitS\?\)",
        ),
        (("Étang du Loup", "mill  POND"), r"two waters would share one folder: 'Mill Pond' and 'mill POND'"),
        (('name = "Mill Pond"\n', ""), r"\[\[water\]\] number 1 has no name"),
        (('"Mill Pond"', '"…"'), r"name '…' has no letter or digit"),
        (
            ("lat = 38.51", "lat = 138.51"),
            r"\[\[water\]\] number 1: site 'Mill Pond': latitude 138\.51 is not on the globe",
        ),
        (("lat = 38.51", 'lat = "38.51"'), r"lat is '38\.51' \(give a number\)"),
        (("lat = 38.51", "lat = true"), r"lat is True \(give a number\)"),
        (('taxon = "Lepomis"', "taxon = []"), r"taxon is empty"),
        (('taxon = "Lepomis"', "taxon = [7]"), r"taxon holds 7"),
        (('taxon = "Lepomis"\n', ""), r"\[refresh\] has no taxon"),
        (('taxon = "Lepomis"', 'taxon = "Lepomis"\nlicence = "MIT"'), r"licence 'MIT': not one"),
        (('taxon = "Lepomis"', 'taxon = "Lepomis"\nshape = "square"'), r"shape 'square' is unknown"),
        (("[refresh]", "[refresh"), r"is not TOML"),
        (("[refresh]\n", ""), r"unknown key 'out'"),
        (('taxon = "Lepomis"', 'taxon = "Lepomis"\nsettings = "x.toml"'), r"settings stand twice"),
    ],
)
def test_a_plan_with_a_fault_is_refused_with_file_and_remedy(
    plan_file: Path, change: tuple[str, str], words: str
) -> None:
    plan_file.write_text(PLAN.replace(*change), encoding="utf-8")
    with pytest.raises(PoolBuilderError, match=words) as caught:
        read_plan(plan_file)
    assert re.match(r".*plan\.toml", str(caught.value))


def test_a_plan_without_waters_or_without_a_file_is_refused(plan_file: Path, tmp_path: Path) -> None:
    plan_file.write_text(PLAN.partition("[[water]]")[0])
    with pytest.raises(PoolBuilderError, match="names no water"):
        read_plan(plan_file)
    with pytest.raises(PoolBuilderError, match="cannot be read"):
        read_plan(tmp_path / "none.toml")


def test_paths_are_taken_from_the_folder_of_the_plan(
    plan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir("/")
    plan_file.write_text(PLAN.replace("taxon", 'ranges = ["r.gpkg:layer"]\ntaxon'), encoding="utf-8")
    plan = read_plan(plan_file)
    assert plan.out == tmp_path / "pools"
    assert plan.ranges == (str(tmp_path / "r.gpkg:layer"),)


# ------------------------------------------------------------------ one water at a time


def wanted(**changes: Any) -> Wanted:
    return Wanted(site=Site(longitude=-90.5, latitude=38.51), taxa=["Lepomis"], **changes)


def test_records_of_taxon_and_group_reach_the_store(double: service.ServiceDouble, tmp_path: Path) -> None:
    double.taxa["centrarchidae"] = {**service.answer("match_exact"), "usageKey": 9000000, "rank": "FAMILY"}
    double.occurrences = [
        *double.occurrences,
        *(
            fish(number, "Micropterus salmoides", genusKey=77, lineage=["9000000"])
            for number in range(50, 53)
        ),
    ]
    with Client(double.url, settings=Settings(), sleep=lambda _: None) as client:
        intake = bring(
            client, wanted(group=["Centrarchidae"]), store=tmp_path, settings=Settings(), now=SPRING
        )
    assert [item.table.num_rows for item in intake.fetches] == [12, 3]
    assert Store(tmp_path).records == 15


def test_a_fetch_that_never_reached_the_store_does_so_the_next_time(
    double: service.ServiceDouble, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    with Client(double.url, settings=Settings(), sleep=lambda _: None) as client:
        monkeypatch.setattr(Store, "add_table", killed)
        with pytest.raises(KeyboardInterrupt):
            bring(client, wanted(), store=tmp_path, settings=Settings(), now=SPRING)
        monkeypatch.undo()
        bring(client, wanted(), store=tmp_path, settings=Settings(), now=SUMMER, update=True)
    assert Store(tmp_path).records == 12


def test_a_wrong_taxon_brings_nothing(double: service.ServiceDouble, tmp_path: Path) -> None:
    with Client(double.url, settings=Settings()) as client:
        strange = Wanted(site=Site(longitude=-90.5, latitude=38.51), taxa=["Lepomsi"])
        with pytest.raises(PoolBuilderError, match="knows no such name"):
            bring(client, strange, store=tmp_path, settings=Settings(), now=SPRING)
    assert Store(tmp_path).is_empty


def test_offline_a_store_without_the_taxon_is_no_help(double: service.ServiceDouble, tmp_path: Path) -> None:
    with Client(double.url, settings=Settings(), offline=True) as client, pytest.raises(OfflineError):
        bring(client, wanted(), store=tmp_path, settings=Settings(), now=SPRING)


# ------------------------------------------------------------------ the fetch and compare commands


def cli(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    from poolbuilder.cli import main

    with pytest.raises(SystemExit) as ended:
        main(list(arguments))
    said = capsys.readouterr()
    return int(ended.value.code or 0), said.out, said.err


def fetch_line(double: service.ServiceDouble, store: Path, *more: str) -> list[str]:
    where = ["--lat", "38.51", "--lon", "-90.5", "--taxon", "Lepomis"]
    return ["fetch", *where, "--store", str(store), "--service-url", double.url, *more]


def test_the_fetch_command_shows_match_counts_licence_and_citation(
    double: service.ServiceDouble, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    double.datasets = {TEMPLATE_KEY: service.answer("dataset")}
    code, out, err = cli(capsys, *fetch_line(double, tmp_path))
    assert (code, err) == (0, "")
    assert out.splitlines() == [
        "Lepomis → Lepomis Rafinesque, 1819 (genus, key 9000001, exact match, confidence 94)",
        "Lepomis: 12 records within 131 km, 12 promised, 0 repeats left out; "
        f"fetched today ({datetime.datetime.now(datetime.UTC):%Y-%m-%d})",
        f"the store {tmp_path} took up 12, of which 0 replace an older version",
        "most restrictive licence: CC BY 4.0",
        "cite: Invented Museum (2026). Invented fish collection. Occurrence dataset.",
    ]


TEMPLATE_KEY = service.answer("dataset")["key"]


def test_the_fetch_command_offline_says_how_old_the_records_are(
    double: service.ServiceDouble, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = cli(capsys, *fetch_line(double, tmp_path, "--offline"))
    assert code == 1
    assert err.startswith("error: offline, and the store")
    cli(capsys, *fetch_line(double, tmp_path))
    asked = len(double.log)
    code, out, _ = cli(capsys, *fetch_line(double, tmp_path, "--offline"))
    assert code == 0
    assert "fetched today" in out
    assert len(double.log) == asked


def test_the_fetch_command_ends_with_3_when_records_are_missing(
    double: service.ServiceDouble, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def lose(value: dict[str, Any]) -> None:
        value["results"] = value["results"][:-1]

    double.inject("/occurrence/search", service.edited(lose), times=99, after=1)
    code, out, _ = cli(capsys, *fetch_line(double, tmp_path))
    assert code == 3
    assert "note: 1 of 12 promised records did not arrive" in out


def test_the_fetch_command_can_leave_licences_out_and_wants_an_account_for_archives(
    double: service.ServiceDouble,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    code, out, _ = cli(capsys, *fetch_line(double, tmp_path, "--licence", "CC0"))
    assert code == 0
    assert "Lepomis: 0 records" in out
    assert "most restrictive licence: no records" in out
    monkeypatch.delenv("POOLBUILDER_SERVICE_USER", raising=False)
    code, _, err = cli(capsys, *fetch_line(double, tmp_path, "--download"))
    assert code == 1
    assert "POOLBUILDER_SERVICE_USER or POOLBUILDER_SERVICE_PASSWORD is not set" in err


def test_the_fetch_command_brings_a_prepared_archive(
    double: service.ServiceDouble,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    double.archive = (service.DATA / "archive.zip").read_bytes()
    double.download_states.clear()
    double.download_states.append("SUCCEEDED")
    monkeypatch.setenv("POOLBUILDER_SERVICE_USER", "tester")
    monkeypatch.setenv("POOLBUILDER_SERVICE_PASSWORD", "secret")
    code, out, err = cli(capsys, *fetch_line(double, tmp_path, "--download"))
    assert (code, "https address" in err, double.asked("/occurrence/download/request")) == (1, True, [])
    code, out, err = cli(capsys, *fetch_line(double, tmp_path, "--download", "--account-over-http"))
    assert (code, err) == (0, "")
    assert "Lepomis: 3 records added, 3 promised" in out
    assert "cite: Occurrence download https://doi.org/10.0000/dl.invented" in out
    assert Store(tmp_path).records == 3


def test_the_compare_command_lists_causes(
    plan_file: Path, double: service.ServiceDouble, capsys: pytest.CaptureFixture[str]
) -> None:
    old = done(plan_file, double).folder / "mill-pond"
    double.occurrences = [
        *double.occurrences,
        fish(30, GULOSUS, lastInterpreted="2026-06-20T00:00:00.000+00:00"),
    ]
    new = done(plan_file, double, SUMMER).folder / "mill-pond"
    code, out, err = cli(capsys, "compare", str(old), str(new), "--fail-on", "lost")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "Mill Pond: 2026-03-31 to 2026-06-30"
    assert lines[1].startswith("gained: Lepomis gulosus  presence ")
    assert any("1 new record in 1 event" in line for line in lines)
    code, out, err = cli(capsys, "compare", str(old), str(new), "--fail-on", "changed", "--format", "json")
    assert code == 4
    assert err == "found: changed: Lepomis gulosus\n"
    assert json.loads(out)["after"] == "2026-06-30"


def test_an_older_pool_can_be_built_again_without_network(
    plan_file: Path, double: service.ServiceDouble, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan_file.write_text(PLAN.replace("[settings]", "[settings]\nfullFetchEvery = 1"))
    old = done(plan_file, double).folder / "mill-pond"
    double.occurrences = [*double.occurrences[3:], fish(40, GULOSUS)]
    done(plan_file, double, SUMMER)
    asked = len(double.log)
    store, again = tmp_path / "as_it_was", tmp_path / "again"
    code, out, _ = cli(
        capsys, "restore", str(old), "--store", str(tmp_path / "data_cache"), "--out", str(store)
    )
    assert code == 0
    assert out.splitlines()[0] == f"{store} holds 12 records of the service"
    place = ["--lat", "38.51", "--lon", "-90.50", "--name", "Mill Pond", "--as-of", "2026-03-31"]
    assert cli(capsys, "build", *place, "--store", str(store), "--out", str(again))[0] == 0
    assert read_pool(again).candidates.equals(read_pool(old).candidates)
    assert len(double.log) == asked
    code, _, err = cli(
        capsys, "restore", str(old), "--store", str(tmp_path / "data_cache"), "--out", str(store)
    )
    assert code == 1
    assert "holds records already" in err


# ------------------------------------------------------------------ the page on scheduling

PAGE = (Path(__file__).parents[1] / "demo" / "scheduling.md").read_text(encoding="utf-8")


def test_the_plan_on_the_page_is_a_plan(tmp_path: Path) -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)
    (tmp_path / "plan.toml").write_text(block, encoding="utf-8")
    plan = read_plan(tmp_path / "plan.toml")
    assert [water.site.radius_km for water in plan.waters] == [40, 25]
    assert plan.licences == ("CC0_1_0", "CC_BY_4_0")


def test_the_commands_on_the_page_are_commands() -> None:
    from poolbuilder.cli import cli as group

    lines = re.findall(r"(?:\$ |/bin/|run: )poolbuilder (.*)", PAGE)
    assert len(lines) >= 8
    for line in lines:
        name, *arguments = shlex.split(line)
        command = group.get_command(click.Context(group), name)
        assert command is not None, line
        command.make_context(name, arguments)
