"""The local page without a browser: who may ask, what is read, what is written."""

from __future__ import annotations

import asyncio
import dataclasses
import datetime
import html
import re
import stat
import time
import tomllib
from pathlib import Path
from typing import Any

import httpx
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.datastructures import QueryParams

from poolbuilder import PoolBuilderError, Site, Store, write_pool
from poolbuilder.pages import fill
from poolbuilder.pages.pool_page import beside, changes, render
from poolbuilder.refresh.plan import read_plan
from poolbuilder.web.builds import Build, Builds
from poolbuilder.web.views import application, serve
from poolbuilder.web.workspace import (
    Asked,
    Waters,
    Workspace,
    places,
    read_coordinates,
    read_token,
    shapes,
)
from tests import service_double as service
from tests.pools import SITE, invented_pool
from tests.slow_job import KilledJob, RefusedJob, SlowJob

TOKEN = "a-token-that-is-long-enough"
PORT = 8123
HOME = f"http://127.0.0.1:{PORT}"
KEY = "marsh-hollow-lake-0123456789ab"

# ---- coordinates


@pytest.mark.parametrize(
    "text",
    [
        "35.75, -79.02",
        "35.75 -79.02",
        "  35.75,-79.02 ",
        "(35.75, -79.02)",
        "35.75°, \N{MINUS SIGN}79.02°",
        "35.75N 79.02W",
        "79.02W, 35.75N",
        "N35°45' W79°1.2'",
        "35°45'00\"N 79°01'12\"W",
        "35° 45′ 00″ N, 79° 01′ 12″ W",
        "35 45 00 N, 79 01 12 W",
        "35 deg 45 min N, 79 deg 1 min 12 sec W",
        "W 79 1.2', N 35 45'",
        "geo:35.75,-79.02;u=35",
        "35,75; -79,02",
        "35,75 -79,02",
    ],
)
def test_coordinates_as_people_paste_them(text: str) -> None:
    assert read_coordinates(text) == pytest.approx((-79.02, 35.75), abs=1e-9)


@pytest.mark.parametrize(
    ("text", "fact"),
    [
        ("", "no coordinates"),
        ("Mill Pond", "not a pair"),
        ("35.75", "not a pair"),
        ("1, 2, 3", "not a pair"),
        ("1e3, 4", "not a pair"),
        ("nan, inf", "not a pair"),
        ("35.5 30 N, 70 W", "not a pair"),
        ("35 61 N, 70 W", "minutes of 60"),
        ("35N 36N", "latitude twice"),
        ("100, 20", "look swapped"),
        ("20, 200", "longitude 200 is not on the globe"),
    ],
)
def test_coordinates_that_are_none(text: str, fact: str) -> None:
    with pytest.raises(PoolBuilderError, match=fact):
        read_coordinates(text)


@given(st.floats(-90, 90), st.floats(-180, 180))
@settings(deadline=None, derandomize=True, max_examples=200)
def test_decimal_coordinates_come_back(latitude: float, longitude: float) -> None:
    text = f"{latitude:.7f}, {longitude:.7f}"
    assert read_coordinates(text) == (round(longitude, 7), round(latitude, 7))


@given(st.text(alphabet="0123456789.,;NSEW°'\" -+x", max_size=24))
@settings(deadline=None, derandomize=True, max_examples=300)
def test_any_text_gives_a_place_on_the_globe_or_a_site_error(text: str) -> None:
    try:
        longitude, latitude = read_coordinates(text)
    except PoolBuilderError:
        return
    assert abs(longitude) <= 180
    assert abs(latitude) <= 90


# ---- the list of waters


def waters(folder: Path) -> Waters:
    start = {"out": "refreshed", "store": 'a "b" \\c', "radiusKm": 40, "taxon": ["Lepomis"]}
    return Waters(path=folder / "waters.toml", start=start)


def test_waters_come_back_from_the_file(tmp_path: Path) -> None:
    listed = waters(tmp_path)
    assert listed.sites() == []
    mill = Site(longitude=-90.5, latitude=38.51, radius_km=25, name='Mill "Pond" é\x7f', water_type="pond")
    assert listed.add(SITE)
    assert listed.add(mill)
    assert not listed.add(mill)
    assert listed.sites() == [SITE, mill]
    plan = tomllib.loads(listed.path.read_text(encoding="utf-8"))
    assert plan["refresh"]["store"] == 'a "b" \\c'
    assert plan["water"][1] == {
        "name": mill.name,
        "lat": 38.51,
        "lon": -90.5,
        "radiusKm": 25.0,
        "waterType": "pond",
    }


def test_removing_a_water_keeps_the_rest_and_its_comments(tmp_path: Path) -> None:
    listed = waters(tmp_path)
    listed.path.write_text(
        '# mine\n[refresh]\nradiusKm = 30\n\n[[water]] # first\nname = "A"\nlat = 1\nlon = 2\n\n'
        '# about B\n[[water]]\nname = "B"\nlat = 3\nlon = 4\nradiusKm = 9\n\n[other]\nkept = true\n'
    )
    assert [site.radius_km for site in listed.sites()] == [30, 9]
    assert listed.remove("B")
    assert not listed.remove("B")
    text = listed.path.read_text()
    assert [site.name for site in listed.sites()] == ["A"]
    assert text.startswith("# mine\n[refresh]\nradiusKm = 30\n")
    assert "[other]\nkept = true\n" in text


@pytest.mark.parametrize(
    ("text", "fact"),
    [
        ("[[water]\n", "is not TOML"),
        ('[[water]]\nname = "A"\nlat = 1\n', r"\[\[water\]\] number 1 has no lon"),
        ('[[water]]\nname = "A"\nlat = 91\nlon = 2\n', r"\[\[water\]\] number 1: .*91"),
    ],
)
def test_broken_list_is_told_and_left_alone(tmp_path: Path, text: str, fact: str) -> None:
    listed = waters(tmp_path)
    listed.path.write_text(text)
    for attempt in (listed.sites, lambda: listed.add(SITE)):
        with pytest.raises(PoolBuilderError, match=fact):
            attempt()
    assert listed.path.read_text() == text


def test_refresh_reads_the_list_that_the_page_begins(tmp_path: Path) -> None:
    data = Path(__file__).parents[1] / "poolbuilder" / "demo_data"
    space = Workspace(
        store=tmp_path / "store",
        folder=tmp_path,
        ranges=[str(data / "ranges.geojson")],
        region_lists=[
            (str(tmp_path / "states.csv"), None),
            (str(tmp_path / "basins.csv"), str(tmp_path / "basins.gpkg")),
        ],
        layers={"water": f"{data / 'layers.gpkg'}:outline"},
    )
    Waters(path=space.waters, start=space.plan()).add(SITE)
    plan = read_plan(space.waters)
    assert plan.waters[0].site == SITE
    assert plan.taxa == ("Lepomis",)
    assert plan.store == tmp_path / "store"
    assert plan.ranges == (str(data / "ranges.geojson"),)
    assert plan.region_lists == (
        (str(tmp_path / "basins.csv"), str(tmp_path / "basins.gpkg")),
        (str(tmp_path / "states.csv"), None),
    )
    assert plan.waters[0].layers == {"water": f"{data / 'layers.gpkg'}:outline"}


def test_two_waters_of_one_name_are_refused(tmp_path: Path) -> None:
    listed = waters(tmp_path)
    listed.add(SITE)
    with pytest.raises(PoolBuilderError, match="would share one folder"):
        listed.add(Site(longitude=1, latitude=2, name=SITE.name))
    with pytest.raises(PoolBuilderError, match="would share one folder"):
        listed.add(Site(longitude=1, latitude=2, name=SITE.name.upper() + "!"))
    assert listed.sites() == [SITE]
    assert [path.name for path in tmp_path.iterdir()] == ["waters.toml"]
    with pytest.raises(PoolBuilderError, match="needs a name"):
        listed.add(Site(longitude=1, latitude=2))


# ---- who may ask


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    folder = tmp_path_factory.mktemp("page")
    (folder / "pools").mkdir()
    pool = invented_pool()
    write_pool(pool, folder / "pools" / KEY, pages={"report.html": render(pool)})
    return Workspace(store=folder / "store", folder=folder / "pools")


class Client:
    """Asks the application without a network."""

    def __init__(self, app: Any) -> None:
        self._app = app

    def _ask(self, method: str, path: str, **options: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(app=self._app)
            async with httpx.AsyncClient(transport=transport, base_url=HOME) as asking:
                return await asking.request(method, path, **options)

        return asyncio.run(ask())

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self._ask("GET", path, **options)

    def post(self, path: str, **options: Any) -> httpx.Response:
        return self._ask("POST", path, **options)


@pytest.fixture
def client(workspace: Workspace) -> Client:
    return Client(application(workspace, token=TOKEN, port=PORT))


def test_page_answers_its_own_address_only(client: Client) -> None:
    assert client.get(f"/{TOKEN}/").status_code == 200
    for path in ("/", "/pool", "/wrong-token-of-some-length/", f"/{TOKEN}x/"):
        answer = client.get(path)
        assert answer.status_code == 404
        assert "Open the whole address" in answer.text


@pytest.mark.parametrize(
    "host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1", f"127.0.0.1.evil.example:{PORT}"]
)
def test_foreign_host_is_refused(client: Client, host: str) -> None:
    assert client.get(f"/{TOKEN}/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "headers", [{"origin": "http://evil.example"}, {"origin": "null"}, {"sec-fetch-site": "cross-site"}]
)
def test_foreign_origin_is_refused(client: Client, headers: dict[str, str]) -> None:
    answer = client.post(f"/{TOKEN}/waters", data={"remove": "x"}, headers=headers)
    assert answer.status_code == 403


def test_answers_carry_their_policy(client: Client) -> None:
    answer = client.get(f"/{TOKEN}/")
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["x-frame-options"] == "DENY"
    assert "default-src 'none'" in html.unescape(answer.text)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    refused = client.get("/")
    assert refused.headers["content-security-policy"] == "frame-ancestors 'none'"
    assert "access-control-allow-origin" not in answer.headers


def test_token_is_kept_and_private(tmp_path: Path) -> None:
    token = read_token(tmp_path)
    assert read_token(tmp_path) == token
    assert len(token) >= 32
    assert stat.S_IMODE((tmp_path / ".page-token").stat().st_mode) == 0o600
    (tmp_path / ".page-token").write_text("short")
    assert read_token(tmp_path) not in {"short", token}


# ---- files


def test_files_of_a_pool_are_handed_out(client: Client) -> None:
    answer = client.get(f"/{TOKEN}/file/{KEY}/pool.csv")
    assert answer.status_code == 200
    assert answer.content.startswith(b"\xef\xbb\xbfscientificName,")
    assert "attachment" in answer.headers["content-disposition"]
    assert client.get(f"/{TOKEN}/file/{KEY}/report.html").text == render(invented_pool())


@pytest.mark.parametrize(
    "path",
    [
        f"{KEY}/../.page-token",
        f"{KEY}/%2e%2e%2f.page-token",
        "..%2fpools/pool.csv",
        f"{KEY}/secret.txt",
        f"{KEY}/link.csv",
        "other/pool.csv",
        ".hidden/pool.csv",
    ],
)
def test_no_other_file_is(client: Client, workspace: Workspace, path: str) -> None:
    (workspace.folder / KEY / "secret.txt").write_text("secret")
    (workspace.folder / "other").mkdir(exist_ok=True)
    (workspace.folder / "other" / "pool.csv").write_text("secret")
    assert client.get(f"/{TOKEN}/file/{path}").status_code == 404


def test_a_link_out_of_the_folder_is_not_followed(workspace: Workspace, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("secret")
    folder = workspace.folder / "linked-0123"
    folder.mkdir()
    (folder / "datapackage.json").write_text("{}")
    (folder / "pool.csv").symlink_to(tmp_path / "secret")
    assert workspace.file("linked-0123", "pool.csv") is None


# ---- what is shown


def test_wrong_fields_come_back_with_their_faults(client: Client) -> None:
    answer = client.get(
        f"/{TOKEN}/pool?at=95,200&radiusKm=x&asOf=2026-13-01&checklist=no&ranges=none&name=<b>"
    )
    assert answer.status_code == 422
    for name in ("at", "radiusKm", "asOf", "checklist"):
        assert f'id="{name}-fault"' in answer.text
    assert "&lt;b&gt;" in answer.text


def test_a_list_of_what_is_native_can_be_chosen(tmp_path: Path) -> None:
    space = Workspace(
        store=tmp_path, folder=tmp_path, ranges=["a/r.gpkg"], region_lists=[("a/states.csv", None)]
    )
    asked = {"at": "37, -91", "radiusKm": "40", "asOf": "2026-06-01", "checklist": "lepomis"}
    job = Asked.read(QueryParams({**asked, "ranges": "states.csv"}), space).job
    assert job is not None
    assert (job.ranges, job.region_lists) == ((), (("a/states.csv", None),))
    page = Client(application(space, token=TOKEN, port=PORT))
    assert 'value="states.csv"' in page.get(f"/{TOKEN}/").text


def test_without_records_the_form_says_what_to_do(client: Client) -> None:
    path = f"/{TOKEN}/pool?at=1,2&radiusKm=40&asOf=2026-06-01&checklist=lepomis"
    assert client.get(path).status_code == 202
    for _ in range(300):
        answer = client.get(path)
        if answer.status_code != 202:
            break
        time.sleep(0.1)
    assert answer.status_code == 422
    assert "the store holds no records" in answer.text
    assert "poolbuilder add" in answer.text


def test_kept_list_is_shown_as_it_was(client: Client) -> None:
    answer = client.get(f"/{TOKEN}/list?key={KEY}")
    assert answer.status_code == 200
    assert "Could be parents here: bluegill (<i>Lepomis macrochirus</i>)" in answer.text
    assert "Build again" in answer.text
    assert client.get(f"/{TOKEN}/list?key=nothing").status_code == 404


def test_keeping_and_removing_a_water(client: Client, workspace: Workspace) -> None:
    kept = client.post(f"/{TOKEN}/waters", data={"key": KEY, "address": "at=1"})
    assert (kept.status_code, kept.headers["location"]) == (303, "pool?at=1")
    assert SITE.name in client.get(f"/{TOKEN}/").text
    removed = client.post(f"/{TOKEN}/waters", data={"remove": SITE.name})
    assert removed.status_code == 303
    assert "water" not in tomllib.loads(workspace.waters.read_text())
    assert client.post(f"/{TOKEN}/waters", data={"key": "nothing"}).status_code == 404


def test_two_pools_side_by_side() -> None:
    one = invented_pool()
    rows = [row | {"presence": row["presence"] / 2} for row in one.candidates.to_pylist()]
    other = invented_pool(candidates=rows, site=Site(longitude=10, latitude=50, name="Elsewhere"))
    table = beside(one, other)
    assert [pool.site.name for pool in table["pools"]] == ["Marsh Hollow Lake", "Elsewhere"]
    page = fill("compare.html", keys=["one", "other"], changes=None, **table)
    row = next(row for row in page.split("<tr>") if row.strip().startswith("<th") and "macrochirus" in row)
    assert "\N{MINUS SIGN}49 points" in row
    assert changes(one, other) is None  # two waters: what changed is no question


def test_comparison_needs_two(client: Client) -> None:
    assert client.get(f"/{TOKEN}/compare?with={KEY}").status_code == 422
    assert client.get(f"/{TOKEN}/compare?with={KEY}&with={KEY}").status_code == 200


def test_address_of_a_site_reads_back(workspace: Workspace) -> None:
    site = Site(longitude=-89.123456789, latitude=37.6, radius_km=12.5, name="A & B = C?", water_type="pond")
    address = Asked.of_site(site, as_of="2026-06-01", checklist="lepomis").address
    query = Asked.read(QueryParams(address), workspace)
    assert query.faults == {}
    assert query.job is not None
    assert query.job.site == site


def test_key_changes_with_what_is_asked_and_with_the_records(workspace: Workspace, tmp_path: Path) -> None:
    job = RefusedJob(site=SITE, as_of=datetime.date(2026, 6, 1), store=workspace.store)
    key = workspace.key(job)
    assert key.startswith("marsh-hollow-lake-")
    assert key == workspace.key(job)
    later = RefusedJob(site=SITE, as_of=datetime.date(2026, 6, 2), store=workspace.store)
    assert key != workspace.key(later)
    records = tmp_path / "a.csv"
    records.write_text(
        "occurrenceID,scientificName,decimalLatitude,decimalLongitude\n1,Lepomis humilis,37.6,-89.2\n"
    )
    fresh = Workspace(store=tmp_path / "store", folder=tmp_path)
    mine = RefusedJob(site=SITE, as_of=datetime.date(2026, 6, 1), store=fresh.store)
    before = fresh.key(mine)
    Store(fresh.store).add([records])
    assert fresh.key(mine) != before
    assert places(Store(fresh.store)) == [(-89.2, 37.6)]


def test_backdrop_draws_waters_with_their_names() -> None:
    data = Path(__file__).parents[1] / "poolbuilder" / "demo_data" / "layers.gpkg"
    drawn = shapes(f"{data}:outline", purpose="outlines")
    assert "Kestrel Ford Lake" in {item["name"] for item in drawn}
    assert all(item["geometry"]["type"].endswith("Polygon") for item in drawn)


def test_form_draws_the_layers_it_was_started_with(workspace: Workspace) -> None:
    data = Path(__file__).parents[1] / "poolbuilder" / "demo_data" / "layers.gpkg"
    layered = dataclasses.replace(workspace, layers={"water": f"{data}:outline", "streams": "nowhere.gpkg"})
    text = Client(application(layered, token=TOKEN, port=PORT)).get(f"/{TOKEN}/").text
    assert "Kestrel Ford Lake" in text


# ---- builds


def ended(build: Build, seconds: float = 40) -> Build:
    limit = time.monotonic() + seconds
    while not build.ended and time.monotonic() < limit:
        time.sleep(0.02)
    return build


def job(kind: Any) -> Any:
    return kind(site=SITE, as_of=datetime.date(2026, 6, 1))


def test_cancelled_build_leaves_nothing(tmp_path: Path) -> None:
    builds = Builds()
    build = builds.start("slow", job(SlowJob), tmp_path / "slow")
    for _ in range(1000):
        if build.steps:
            break
        time.sleep(0.02)
    assert build.state == "running"
    assert builds.start("slow", job(SlowJob), tmp_path / "slow") is build
    started = time.monotonic()
    assert builds.cancel("slow")
    assert time.monotonic() - started < 5
    assert build.state == "cancelled"
    assert build.gone.is_set()
    assert build.process.exitcode is not None
    assert list(tmp_path.iterdir()) == []
    assert not builds.cancel("slow")
    assert not builds.cancel("unknown")


def test_failed_builds_say_why(tmp_path: Path) -> None:
    builds = Builds()
    refused = ended(builds.start("refused", job(RefusedJob), tmp_path / "refused"))
    assert (refused.state, refused.error) == ("failed", "the store holds no records (add some)")
    killed = ended(builds.start("killed", job(KilledJob), tmp_path / "killed"))
    assert killed.state == "failed"
    assert "exit code 9" in killed.error
    builds.forget("refused")
    assert builds.get("refused") is None


def test_two_builds_run_at_once_and_a_third_waits_and_can_be_taken_back(tmp_path: Path) -> None:
    builds = Builds()
    one, two, three = (builds.start(name, job(SlowJob), tmp_path / name) for name in ("one", "two", "three"))
    for _ in range(1000):
        if one.steps and two.steps:
            break
        time.sleep(0.02)
    assert [build.state for build in (one, two, three)] == ["running", "running", "waiting"]
    assert builds.cancel("three")
    four = builds.start("four", job(RefusedJob), tmp_path / "four")
    time.sleep(0.2)
    assert (three.state, three.process, four.state) == ("cancelled", None, "waiting")
    assert builds.cancel("one")
    assert ended(four).state == "failed"  # its turn came
    assert three.process is None
    builds.stop()
    assert list(tmp_path.iterdir()) == []


def test_the_page_says_that_a_build_waits(workspace: Workspace) -> None:
    app = application(workspace, token=TOKEN, port=PORT)
    asking = Client(app)
    ask = f"/{TOKEN}/pool?radiusKm=40&asOf=2026-06-01&checklist=lepomis&at=1,"
    pages = [asking.get(f"{ask}{number}") for number in range(10, 14)]
    assert [page.status_code for page in pages] == [202] * 4
    assert '<span id="waiting">Waiting for another build' in pages[-1].text
    key = html.unescape(pages[-1].text).split('name="key" value="')[1].split('"')[0]
    assert asking.get(f"/{TOKEN}/status?key={key}").json()["state"] == "waiting"
    back = asking.post(f"/{TOKEN}/cancel", data={"key": key, "address": "at=1,13"})
    assert (back.status_code, back.headers["location"]) == (303, "./?at=1,13")
    assert asking.get(f"/{TOKEN}/status?key={key}").json()["state"] == "cancelled"
    assert "It was cancelled; nothing was written" in asking.get(f"{ask}13").text


@pytest.mark.parametrize("field", ["at", "radiusKm", "asOf", "name", "known", "catch", "store", "waterType"])
@pytest.mark.parametrize("text", ["9" * 400, "9" * 5000 + ", 1", "-1e999, 1e999", "\x00\ud800", "nan"])
def test_figures_of_hundreds_of_digits_are_a_message(client: Client, field: str, text: str) -> None:
    fields = {"at": "1,2", "radiusKm": "40", "asOf": "2026-06-01", "checklist": "lepomis"} | {field: text}
    if field == "name" and len(text) < 200:
        return
    answer = client.get(f"/{TOKEN}/pool", params={k: v.encode("utf-8", "replace") for k, v in fields.items()})
    assert answer.status_code == 422
    assert '-fault"' in answer.text


def test_port_in_use_is_a_clear_error(workspace: Workspace) -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(PoolBuilderError, match=r"port \d+: cannot be used"):
            serve(workspace, port=taken.getsockname()[1])


def test_page_command_is_in_the_help() -> None:
    from poolbuilder.cli import cli

    ran = CliRunner().invoke(cli, ["page", "--help"])
    assert ran.exit_code == 0
    assert "waters.toml" in ran.output


def test_a_store_is_chosen_among_those_offered(tmp_path: Path) -> None:
    space = Workspace(store=tmp_path / "a", more_stores=[tmp_path / "b"], folder=tmp_path)
    asked = {"at": "36.9, -91.2", "radiusKm": "40", "asOf": "2026-06-01", "checklist": "lepomis"}
    first = Asked.read(QueryParams(asked), space)
    other = Asked.read(QueryParams({**asked, "store": str(tmp_path / "b")}), space)
    assert first.job is not None
    assert other.job is not None
    assert (first.job.store, other.job.store) == (tmp_path / "a", tmp_path / "b")
    assert space.key(first.job) != space.key(other.job)
    assert "store=" in other.address
    assert "store=" not in first.address
    refused = Asked.read(QueryParams({**asked, "store": "/etc"}), space)
    assert refused.job is None
    assert "there is no store '/etc' here" in refused.faults["store"]


def test_the_form_offers_stores_only_when_there_are_several(tmp_path: Path) -> None:
    for more, shown in (((), False), ((tmp_path / "b",), True)):
        space = Workspace(store=tmp_path / "a", more_stores=more, folder=tmp_path)
        page = Client(application(space, token=TOKEN, port=PORT)).get(f"/{TOKEN}/")
        assert ('id="store"' in page.text) is shown


# ---- the base map


def test_the_form_can_ask_for_the_base_map(client: Client) -> None:
    found = client.get(f"/{TOKEN}/base?lat=48.9&lon=11.5&km=100").json()
    assert "GeoNames" in found["credit"]
    towns = {item["name"] for item in found["layers"]["town"]}
    assert {"Ingolstadt", "Regensburg"} <= towns  # towns of Bavaria within 100 km of 48.9 N, 11.5 E
    assert client.get(f"/{TOKEN}/base?lat=148&lon=x&km=1").status_code == 422


@pytest.mark.parametrize(
    ("asked", "first", "among"),
    [
        ("Rolla, Missouri", "Rolla, Missouri, US", "37.951"),
        ("rolla, mo", "Rolla, Missouri, US", "37.951"),
        ("SAINT-ETIENNE", "Saint-Étienne", "45.43"),
        ("ingolstadt", "Ingolstadt", "48.7"),
    ],
)
def test_a_town_is_found_in_the_map_that_ships(client: Client, asked: str, first: str, among: str) -> None:
    # Coordinates of the towns: GeoNames, to a hundredth of a degree.
    answer = client.get(f"/{TOKEN}/", params={"find": asked, "radiusKm": "25", "name": "Mill Pond"})
    text = re.sub(
        r"<[^>]+>", "", html.unescape(answer.text.split('<ul class="matches">')[1].split("</li>")[0])
    )
    assert text.startswith(first)
    assert among in text
    link = html.unescape(answer.text.split('<ul class="matches"><li><a href="./')[1].split('"')[0])
    filled = client.get(f"/{TOKEN}/{link}").text
    assert f'name="at" value="{among}' in filled
    assert 'name="radiusKm" value="25"' in filled  # what was typed stays
    assert 'name="name" value="Mill Pond"' in filled


def test_a_water_of_the_layer_is_found_and_gives_its_name(workspace: Workspace) -> None:
    data = Path(__file__).parents[1] / "poolbuilder" / "demo_data" / "layers.gpkg"
    layered = dataclasses.replace(workspace, layers={"water": f"{data}:outline"})
    asking = Client(application(layered, token=TOKEN, port=PORT))
    answer = asking.get(f"/{TOKEN}/?find=kestrel").text
    assert "Kestrel Ford Lake</a>, Missouri, US" in answer
    link = html.unescape(answer.split('<ul class="matches"><li><a href="./')[1].split('"')[0])
    assert 'name="name" value="Kestrel Ford Lake"' in asking.get(f"/{TOKEN}/{link}").text


def test_a_name_that_the_map_has_not_is_said(client: Client) -> None:
    answer = client.get(f"/{TOKEN}/?find=Qqqxyz<b>").text
    assert "No town or lake of the map has “Qqqxyz&lt;b&gt;” in its name" in answer
    assert "No town or lake" in client.get(f"/{TOKEN}/?find=Rolla, Bavaria").text
    assert "No town or lake" not in client.get(f"/{TOKEN}/?find=").text


# ---- fetching


def test_an_empty_store_says_so_and_fetches(tmp_path: Path) -> None:
    fish = [
        service.occurrence(
            n, scientificName="Lepomis cyanellus", decimalLatitude=36.9, decimalLongitude=-91.2
        )
        for n in range(3)
    ]
    with service.serving(service.ServiceDouble(fish)) as double:
        workspace = Workspace(store=tmp_path / "store", folder=tmp_path / "pools", service_url=double.url)
        (tmp_path / "pools").mkdir()
        client = Client(application(workspace, token=TOKEN, port=PORT))
        form = client.get(f"/{TOKEN}/").text
        assert "holds no records yet" in form
        assert double.url in form
        fields = {"at": "36.9, -91.2", "radiusKm": "40", "asOf": "2026-06-01", "checklist": "lepomis"}
        sent = client.post(f"/{TOKEN}/fetch", data=fields)
        assert sent.status_code == 303
        where = f"/{TOKEN}/{sent.headers['location']}"
        for _ in range(200):
            answer = client.get(where)
            if answer.status_code != 202:
                break
            time.sleep(0.1)
        assert answer.status_code == 303, html.unescape(answer.text)
        assert answer.headers["location"].startswith("pool?at=36.9")
        assert Store(tmp_path / "store").records > 0
        assert "holds no records yet" not in client.get(f"/{TOKEN}/").text


def test_a_fetch_that_fails_is_told_on_the_form(tmp_path: Path) -> None:
    (tmp_path / "pools").mkdir()
    with service.serving(service.ServiceDouble()) as double:
        workspace = Workspace(
            store=tmp_path / "s", folder=tmp_path / "pools", service_url=f"{double.url}/nowhere"
        )
        client = Client(application(workspace, token=TOKEN, port=PORT))
        assert client.post(f"/{TOKEN}/fetch", data={"at": "x"}).status_code == 422
        fields = {"at": "36.9, -91.2", "radiusKm": "40", "asOf": "2026-06-01", "checklist": "lepomis"}
        where = f"/{TOKEN}/{client.post(f'/{TOKEN}/fetch', data=fields).headers['location']}"
        for _ in range(200):
            answer = client.get(where)
            if answer.status_code != 202:
                break
            time.sleep(0.1)
    assert answer.status_code == 422
    assert "Not everything was fetched" in answer.text
    assert 'value="36.9, -91.2"' in answer.text
