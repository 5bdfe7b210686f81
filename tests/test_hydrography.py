"""The water's own layers, from a loopback service that answers as the national map service does.

Layer names and columns are those of NHDPlus High Resolution (permanent_identifier, gnis_name, ftype,
areasqkm, nhdplusid, fromnode, tonode, hydroseq, dnhydroseq, streamorde; huc12, tohuc); the paging flag
and the error that comes with status 200 are those of the ArcGIS REST query documentation.
"""

from __future__ import annotations

import html
import json
import stat
import threading
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pyarrow.parquet as pq
import pytest
import shapely

import poolbuilder
from poolbuilder import Store, read_pool
from poolbuilder.cli import main
from poolbuilder.water import hydrography
from poolbuilder.web.views import application
from poolbuilder.web.workspace import Workspace
from tests import service_double as occurrences
from tests.test_page import PORT, TOKEN, Client

DEMO = Path(poolbuilder.__file__).parent / "demo_data"
NAMES = ("NHDPoint", "NetworkNHDFlowline", "NonNetworkNHDFlowline", "NHDArea", "NHDWaterbody", "WBDHU12")
HERE = (-91.2, 36.9)


def feature(shape: Any, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "properties": properties, "geometry": json.loads(shapely.to_geojson(shape))}


def box(west: float, south: float, east: float, north: float) -> Any:
    """A box in thousandths of a degree from the point."""
    lon, lat = HERE
    return shapely.box(lon + west / 1e3, lat + south / 1e3, lon + east / 1e3, lat + north / 1e3)


def line(*points: tuple[float, float]) -> Any:
    return shapely.LineString([(HERE[0] + x / 1e3, HERE[1] + y / 1e3) for x, y in points])


LAKE = feature(
    box(-10, -10, 10, 10).difference(box(-5, -5, -3, -3)),  # with an island
    permanent_identifier="{1}", gnis_name="Heron Reservoir", ftype=390, fcode=39004, areasqkm=3.9,
)  # fmt: skip
CREEK = feature(
    line((0, 60), (0, 0)), permanent_identifier="{2}", gnis_name="Heron Creek", ftype=460, nhdplusid=21.0,
    fromnode=1.0, tonode=2.0, hydroseq=20.0, dnhydroseq=10.0, streamorde=3,
)  # fmt: skip
BELOW = feature(
    line((0, 0), (0, -60)), permanent_identifier="{3}", gnis_name=" ", ftype=460, nhdplusid=22.0,
    fromnode=2.0, tonode=3.0, hydroseq=10.0, dnhydroseq=0.0, streamorde=3,
)  # fmt: skip
DAM = feature(shapely.Point(HERE[0], HERE[1] - 0.010), permanent_identifier="{4}", gnis_name=None, ftype=343)
SHED = feature(box(-90, -90, 90, 90), huc12="110100080101", name="Heron Creek", tohuc="110100080102")
WHOLE = {
    "NHDWaterbody": [LAKE], "NetworkNHDFlowline": [CREEK, BELOW], "NHDPoint": [DAM], "WBDHU12": [SHED],
}  # fmt: skip


class Service:
    """A map service: features by layer, the size of a page, and what to answer instead."""

    def __init__(self) -> None:
        self.features: dict[str, list[dict[str, Any]]] = dict(WHOLE)
        self.page = 1
        self.instead: Callable[[str], tuple[int, Any] | None] = lambda path: None
        self.asked: list[tuple[str, dict[str, list[str]]]] = []
        self.url = ""

    def answer(self, path: str, values: dict[str, list[str]]) -> tuple[int, Any]:
        self.asked.append((path, values))
        if (other := self.instead(path)) is not None:
            return other
        if path == "/s":
            return 200, {"layers": [{"id": k, "name": name} for k, name in enumerate(NAMES)]}
        name = NAMES[int(path.split("/")[2])]
        here = shapely.box(*map(float, values["geometry"][0].split(",")))
        met = [
            item
            for item in self.features.get(name, [])
            if shapely.geometry.shape(item["geometry"]).intersects(here)
        ]
        start = int(values["resultOffset"][0])
        body = {"type": "FeatureCollection", "features": met[start : start + self.page]}
        if start + self.page < len(met):
            body["exceededTransferLimit"] = True
        return 200, body


@pytest.fixture
def service(monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    double = Service()
    monkeypatch.setattr(hydrography, "BACKOFF_S", 0.01)

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            parts = urlsplit(self.path)
            status, body = double.answer(parts.path, parse_qs(parts.query))
            self.send_response(status)
            self.end_headers()
            self.wfile.write(body if isinstance(body, bytes) else json.dumps(body).encode())

        def log_message(self, *values: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
    double.url = f"http://127.0.0.1:{server.server_address[1]}/s"
    yield double
    server.shutdown()
    server.server_close()


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, service: Service
) -> Run:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("POOLBUILDER_WATER_URL", service.url)

    def call(*arguments: str, at: tuple[float, float] = HERE) -> tuple[int, str, str]:
        place = [] if arguments[0] == "add" else ["--lon", str(at[0]), "--lat", str(at[1])]
        with pytest.raises(SystemExit) as ended:
            main([arguments[0], *place, "--store", "store", *arguments[1:]])
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), out, err

    return call


def test_fetched_layers_are_kept_and_used_without_being_told(
    run: Run, service: Service, tmp_path: Path
) -> None:
    code, out, err = run("fetch", "--water")
    assert (code, err) == (0, "")
    assert "the point lies in Heron Reservoir, a lake" in out
    assert "keeps water, streams, barriers, basins of this water, fetched 20" in out
    flow = [values for path, values in service.asked if path == "/s/1/query"]
    assert [values["resultOffset"] for values in flow] == [["0"], ["1"]]  # two pages, and no third
    assert [values["where"] for path, values in service.asked if path == "/s/0/query"] == [["ftype = 343"]]

    assert run("add", str(DEMO / "records.zip"))[0] == 0
    service.asked.clear()
    code, _, err = run("build", "--as-of", "2026-06-01", "--out", "lake")
    assert code == 0, err
    assert service.asked == []
    pool = read_pool(tmp_path / "lake")
    assert pool.site.water_type == "lake"
    outline = shapely.geometry.shape(pool.features["outline"][0]["geometry"])
    assert not outline.covers(shapely.Point(HERE[0] - 0.004, HERE[1] - 0.004))  # the island
    assert pool.features["streams"]
    assert any("layers of the water fetched 20" in note and service.url in note for note in pool.notes)
    used = {item["use"]: item for item in pool.inputs if "use" in item}
    assert {"outline", "streams", "barriers", "basins"} <= set(used)
    assert (
        used["streams"]["path"] == "hydrography/36.90000_-91.20000/streams.geojson"
    )  # from the store's folder on
    assert used["streams"]["service"] == service.url
    assert str(tmp_path) not in (tmp_path / "lake" / "pool.json").read_text(encoding="utf-8")


def test_a_run_over_many_waters_uses_the_layers_of_each(
    run: Run, service: Service, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("fetch", "--water")[0] == 0
    assert run("add", str(DEMO / "records.zip"))[0] == 0
    service.asked.clear()
    Path("waters.csv").write_text("name,latitude,longitude\nHere,36.9,-91.2\nFar,36.95,-91.0\n")

    def many(code: int = 0) -> str:
        asked = ["many", "waters.csv", "--store", "store", "--as-of", "2026-06-01", "--out", "many"]
        with pytest.raises(SystemExit) as ended:
            main(asked)
        out, err = capsys.readouterr()
        assert (ended.value.code or 0) == code, out + err
        return err

    many()
    assert service.asked == []
    rows = pq.read_table(tmp_path / "many" / "pools").to_pylist()
    tiers = {row["waterName"]: set() for row in rows}
    for row in rows:
        tiers[row["waterName"]].add(row["tier"])
    assert "water" in tiers["Here"]
    assert "water" not in tiers["Far"]
    service.features = {**WHOLE, "NHDPoint": []}
    assert run("fetch", "--water")[0] == 0
    assert "waterLayers" in many(code=1)  # other layers give other pools: the folder is not gone on with


def test_a_plan_brings_the_layers_of_its_waters(run: Run, service: Service, tmp_path: Path) -> None:
    found = [
        occurrences.occurrence(
            k, scientificName="Lepomis cyanellus", decimalLongitude=-91.2, decimalLatitude=36.9
        )
        for k in range(5)
    ]
    plan = """
        [refresh]
        out = "pools"
        store = "store"
        taxon = "Lepomis"
        fetchWater = true
        waterUrl = "{url}"
        [settings]
        serviceWaitS = 0
        [[water]]
        name = "Heron"
        lat = 36.9
        lon = -91.2
        [[water]]
        name = "Isar"
        lat = 48.1
        lon = 11.6
    """
    Path("plan.toml").write_text(plan.format(url=service.url), encoding="utf-8")
    with occurrences.serving(occurrences.ServiceDouble(found)) as running:
        for folder, asks in (("2026-06-01", True), ("2026-07-01", False)):
            service.asked.clear()
            with pytest.raises(SystemExit):
                main(["refresh", "plan.toml", "--service-url", running.url, "--as-of", folder])
            assert bool(service.asked) == asks  # what the store keeps is not asked for again
    pool = read_pool(tmp_path / "pools" / "2026-06-01" / "heron")
    assert pool.features["outline"][0]["properties"]["name"] == "Heron Reservoir"
    summary = json.loads((tmp_path / "pools" / "2026-06-01" / "summary.json").read_text(encoding="utf-8"))
    notes = {row["name"]: " ".join(row["notes"]) for row in summary["waters"]}
    assert "the point lies in Heron Reservoir, a lake" in notes["Heron"]
    assert "the layers of the water were not fetched: the site lies in Germany" in notes["Isar"]
    # a pool does not hold any longer once the layers of its water are others
    service.features = {**WHOLE, "NHDPoint": []}
    assert run("fetch", "--water")[0] == 0
    with occurrences.serving(occurrences.ServiceDouble(found)) as running, pytest.raises(SystemExit):
        main(["refresh", "plan.toml", "--service-url", running.url, "--as-of", "2026-08-01"])
    assert "barriers" not in read_pool(tmp_path / "pools" / "2026-08-01" / "heron").features


def test_the_outline_given_says_what_kind_of_water_it_is(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    asked = [
        "build",
        "--lat",
        "36.9",
        "--lon",
        "-91.2",
        "--records",
        str(DEMO / "records.zip"),
        "--out",
        "lake",
    ]
    for stated, size, kind in (
        ("LakePond", 10, "lake"),
        ("LakePond", 1, "pond"),
        ("460", 5, "river"),
        ("x", 5, None),
    ):
        drawn = feature(box(-size, -size, size, size), name="Heron Water", FTYPE=stated)
        Path("w.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [drawn]}))
        with pytest.raises(SystemExit) as ended:
            main([*asked, "--water", "w.geojson"])
        assert not ended.value.code, capsys.readouterr().err
        assert read_pool(tmp_path / "lake").site.water_type == kind
    with pytest.raises(SystemExit):
        main([*asked, "--water", "w.geojson", "--water-type", "canal"])
    assert read_pool(tmp_path / "lake").site.water_type == "canal"


def test_a_lake_beside_the_point_is_named_and_not_taken(run: Run, tmp_path: Path) -> None:
    beside = (HERE[0] + 0.0115, HERE[1])
    code, out, _ = run("fetch", "--water", at=beside)
    assert code == 0
    assert "the nearest, Heron Reservoir, is 134 m away and is not taken" in out
    assert not list(tmp_path.glob("store/hydrography/*/water.geojson"))


def test_points_on_a_creek_a_canal_and_a_wide_river(run: Run, service: Service, tmp_path: Path) -> None:
    on_creek = (HERE[0], HERE[1] + 0.05)
    assert "Heron Creek, is 0 m away: a stream" in run("fetch", "--water", at=on_creek)[1]
    service.features = {
        **WHOLE,
        "NetworkNHDFlowline": [feature(line((0, 60), (0, -60)), gnis_name="Mill Race", ftype=336)],
    }
    assert "Mill Race, is 0 m away: a canal" in run("fetch", "--water", at=on_creek)[1]
    service.features = {
        **WHOLE,
        "NHDArea": [feature(box(-3, 40, 3, 60), gnis_name="Big Heron River", ftype=460, areasqkm=1.0)],
    }
    assert "lies in Big Heron River, drawn as an area: a river" in run("fetch", "--water", at=on_creek)[1]
    kept = [json.loads(path.read_text()) for path in tmp_path.glob("store/hydrography/*/source.json")]
    assert [item["waterType"] for item in kept] == ["river"]


def test_an_empty_answer_is_said(run: Run, service: Service) -> None:
    service.features = {}
    code, out, _ = run("fetch", "--water")
    assert code == 0
    assert "lies in no lake, and no flow line is within 250 m" in out
    assert "no flow line within 40 km" in out
    assert "keeps no layer" in out


def test_outside_the_united_states_public_layers_are_named(run: Run, service: Service) -> None:
    code, out, err = run("fetch", "--water", at=(11.6, 48.1))
    assert (code, out) == (1, "")
    assert "lies in Germany" in err
    assert "HydroRIVERS" in err
    assert "lies in no state of the United States" in run("fetch", "--water", at=(-40.0, 30.0))[2]
    assert service.asked == []


@pytest.mark.parametrize(
    ("status", "body", "words"),
    [
        (404, {}, "answered 404"),
        (200, b"<html>", "not JSON"),
        (200, [], "not a JSON object"),
        (200, {"error": {"code": 400, "message": "Failed to execute query."}}, "Failed to execute query"),
        (200, {"layers": "none"}, "does not list its layers"),
        (200, {"layers": []}, "has no layer"),
    ],
)
def test_a_service_that_fails_leaves_nothing(
    run: Run, service: Service, tmp_path: Path, status: int, body: Any, words: str
) -> None:
    service.instead = lambda path: (status, body)
    code, out, err = run("fetch", "--water")
    assert (code, out) == (1, "")
    assert words in err
    assert err.count("\n") == 1
    assert not list(tmp_path.glob("store/hydrography/*/*"))


def test_a_service_that_is_down_is_said_and_one_that_comes_back_is_asked_again(
    run: Run, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    faults = iter([(503, {}), (429, {})])
    service.instead = lambda path: next(faults, None)
    assert run("fetch", "--water")[0] == 0
    monkeypatch.setenv("POOLBUILDER_WATER_URL", "http://127.0.0.1:9/s")  # nobody listens there
    code, out, err = run("fetch", "--water")
    assert (code, out) == (1, "")
    assert "the hydrography service cannot be reached" in err
    assert "--water" in err


@pytest.mark.parametrize(
    "shape",
    [
        {"type": "Polygon", "coordinates": [[[0, 0], [1, "x"]]]},
        {"type": "Polygon"},
        {"type": "Curve", "coordinates": []},
        "none",
        {"type": "Point", "coordinates": []},
    ],
)
def test_a_feature_that_cannot_be_read_is_counted_and_left_out(
    run: Run, service: Service, shape: Any
) -> None:
    odd = {"type": "Feature", "properties": None, "geometry": shape}
    whole = service.answer("/s/4/query", {"geometry": ["-92,36,-91,37"], "resultOffset": ["0"]})[1]
    service.instead = lambda path: (200, {**whole, "features": [LAKE, odd, 7]}) if "/4/" in path else None
    code, out, _ = run("fetch", "--water")
    assert code == 0
    assert "the point lies in Heron Reservoir" in out
    assert "2 features without a readable shape are left out" in out


def test_an_answer_too_large_is_refused(
    run: Run, service: Service, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(hydrography, "LARGEST_MIB", 1)
    service.instead = lambda path: (200, b" " * (2 << 20)) if path != "/s" else None
    code, _, err = run("fetch", "--water")
    assert (code, err.count("\n")) == (1, 1)
    assert "more than 1 MiB" in err
    assert not list(tmp_path.glob("store/hydrography/*"))


def test_an_answer_that_trickles_ends_at_the_time_limit(
    run: Run, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hydrography, "SLOWEST_S", 0)
    assert "took longer than 0 s" in run("fetch", "--water")[2]


def test_nothing_at_all_does_not_take_away_what_was_there(run: Run, service: Service, tmp_path: Path) -> None:
    assert run("fetch", "--water")[0] == 0
    service.features = {}
    code, _, err = run("fetch", "--water")
    assert code == 1
    assert "without any feature; the layers fetched 20" in err
    assert list(tmp_path.glob("store/hydrography/*/water.geojson"))


def test_a_page_that_comes_again_is_refused(run: Run, service: Service) -> None:
    page = {"type": "FeatureCollection", "features": [LAKE], "exceededTransferLimit": True}
    service.instead = lambda path: None if path == "/s" else (200, page)
    code, _, err = run("fetch", "--water")
    assert code == 1
    assert "the same page twice" in err


def test_a_failed_fetch_keeps_the_layers_of_before(run: Run, service: Service, tmp_path: Path) -> None:
    assert run("fetch", "--water")[0] == 0
    before = {path: path.read_bytes() for path in tmp_path.glob("store/hydrography/*/*")}
    service.instead = lambda path: None if path != "/s/5/query" else (500, {})
    assert run("fetch", "--water")[0] == 1
    assert {path: path.read_bytes() for path in tmp_path.glob("store/hydrography/*/*")} == before


# On the page.


def test_the_page_fetches_the_outline_of_a_water_and_uses_it(tmp_path: Path, service: Service) -> None:
    folder = tmp_path / "pools"
    folder.mkdir()
    records = tmp_path / "a.csv"
    records.write_text(
        "occurrenceID,scientificName,decimalLatitude,decimalLongitude,eventDate\n"
        "1,Lepomis humilis,36.9,-91.2,2020-05-01\n"
    )
    space = Workspace(store=tmp_path / "store", folder=folder, water_url=service.url)
    Store(space.store).add([records])
    asking = Client(application(space, token=TOKEN, port=PORT))
    fields = {"at": "36.9, -91.2", "radiusKm": "40", "asOf": "2026-06-01", "checklist": "lepomis"}
    where = asking.post(f"/{TOKEN}/fetch", data={**fields, "what": "water"}).headers["location"]
    for _ in range(400):
        answer = asking.get(f"/{TOKEN}/{where}")
        if answer.status_code == 303:
            where = answer.headers["location"]
        elif answer.status_code != 202:
            break
        time.sleep(0.1)
    assert answer.status_code == 200, html.unescape(answer.text)
    assert "Heron Reservoir" in answer.text  # the name of the lake at the point
    assert stat.S_IMODE((tmp_path / "store").stat().st_mode) == 0o700
