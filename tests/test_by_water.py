"""Distance by water in calibration: the same ways as in a pool, an honest gain, nothing lost."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from click.testing import CliRunner

from poolbuilder.calibration import calibrate, write_calibration
from poolbuilder.calibration.by_water import (
    Trained,
    best_factor,
    survey_distances,
    words_of,
)
from poolbuilder.calibration.surveys import Surveys, read_surveys
from poolbuilder.cli.calibrate import calibrate as command
from poolbuilder.errors import CalibrationError, LayerError
from poolbuilder.model.calibrate import make_folds
from poolbuilder.names.checklist import Checklist
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.surroundings import away_km
from poolbuilder.water import Water
from poolbuilder.water.streams import Points, StreamLayers, find_ways
from tests.test_calibrate import AS_OF, lists, simulator, table
from tests.waters import geojson

SETTINGS = Settings()


@pytest.fixture(scope="module")
def checklist() -> Checklist:
    return Checklist.load("lepomis")


def read(folder: Path, checklist: Checklist) -> Surveys:
    return read_surveys([folder / "surveys.txt"], [], checklist=checklist, as_of=AS_OF, settings=SETTINGS)


def along(folder: Path) -> StreamLayers:
    return StreamLayers(streams=str(folder / "streams.geojson"))


@pytest.fixture(scope="module")
def swum(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A world whose fishes have spread along the streams."""
    out = tmp_path_factory.mktemp("swum")
    simulator().simulate(out, seed=4, waters=300, visits=1, by_water=1)
    return out


@pytest.fixture(scope="module")
def carried(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A world whose fishes have spread over land."""
    out = tmp_path_factory.mktemp("carried")
    simulator().simulate(out, seed=1, waters=200, visits=1, by_water=0)
    return out


@pytest.fixture(scope="module")
def done(swum: Path, checklist: Checklist):
    return calibrate(
        [swum / "surveys.txt"], checklist=checklist, as_of=AS_OF, title="swum", draws=20, layers=along(swum)
    )


# -- ways --------------------------------------------------------------------------------


def test_ways_are_those_of_the_simulated_network(tmp_path: Path) -> None:
    world = simulator().simulate(tmp_path, seed=3, waters=60, visits=1)
    here = Points(longitude=world.longitude, latitude=world.latitude)
    ways = find_ways(
        here, here, np.ones((60, 60), dtype=bool), along(tmp_path), uncertainty_m=0, limit_km=1000,
        settings=SETTINGS,
    )  # fmt: skip
    true = simulator().way_km(world.x, world.y, world.below)
    assert ways.snapped.all()
    assert ways.by_water_km == pytest.approx(true, rel=0.01, abs=0.03)
    assert not ways.divided.any()


@pytest.fixture(scope="module")
def layers(swum: Path) -> StreamLayers:
    """Most of the creeks, with two watersheds and a dam on every tenth creek."""
    document = json.loads((swum / "streams.geojson").read_text())
    creeks = [shapely.geometry.shape(feature["geometry"]) for feature in document["features"]]
    creeks = [creek for k, creek in enumerate(creeks) if k % 12]
    streams = geojson(swum / "most.geojson", creeks)
    middles = [creek.interpolate(0.5, normalized=True) for creek in creeks[::10]]
    ups = [0.1 + 0.02 * (k % 20) for k in range(len(middles))]
    dams = geojson(
        swum / "dams.geojson", middles, passability_up=ups, passability_down=[min(1, 2 * up) for up in ups]
    )
    basins = geojson(
        swum / "basins.geojson",
        [shapely.box(-94, 35, -91.6, 37.5), shapely.box(-91.6, 35, -90, 37.5)],
        huc12=["010203040101", "010203040102"],
    )
    return StreamLayers(streams=streams, basins=basins, barriers=dams)


def test_effective_distances_are_those_that_a_pool_uses(
    swum: Path, layers: StreamLayers, checklist: Checklist
) -> None:
    surveys = read(swum, checklist)
    distances = survey_distances(surveys, layers, settings=SETTINGS)
    rows = np.array([0, 17, 120, 240])
    ours = distances.by(SETTINGS.divide_factor, rows)
    used = {"by water": 0, "past a dam": 0, "over a divide": 0, "neither": 0}
    for k, row in enumerate(rows.tolist()):
        site = Site(
            longitude=float(surveys.waters.longitude[row]), latitude=float(surveys.waters.latitude[row])
        )
        water = Water.at(
            site, streams=layers.streams, basins=layers.basins, barriers=layers.barriers, settings=SETTINGS
        )
        theirs = away_km(surveys.ground.places, site, water, settings=SETTINGS)
        assert theirs is not None
        weight = np.exp(-ours[k] / SETTINGS.effort_far_km)
        assert weight == pytest.approx(np.exp(-theirs / SETTINGS.effort_far_km), rel=2e-3, abs=1e-6)
        passed = distances.ways.passability[row]
        divided = distances.ways.divided[row]
        used["by water"] += int((passed == 1).sum())
        used["past a dam"] += int((passed < 1).sum())
        used["over a divide"] += int((divided & np.isnan(passed)).sum())
        used["neither"] += int((~divided & np.isnan(passed)).sum())
    assert min(used.values()) > 10


def test_a_factor_of_one_leaves_straight_distance(swum: Path, checklist: Checklist) -> None:
    distances = survey_distances(read(swum, checklist), along(swum), settings=SETTINGS)
    rows = np.arange(20)
    assert distances.by(1.0, rows) == pytest.approx(distances.straight_km[rows], abs=1e-3)
    known = ~np.isnan(distances.ways.by_water_km[rows])
    assert (distances.by(0.5, rows) > distances.straight_km[rows] + 5)[known].mean() > 0.5


# -- gain --------------------------------------------------------------------------------


def test_fishes_that_spread_along_streams_are_predicted_better_by_water(done: Any) -> None:
    told = done.scores["byWater"]
    assert told["helps"] is True
    assert told["divideFactor"] < 0.6
    assert (told["snapped"], told["unsnapped"]) == (300, 0)
    for name in ("brier", "logLoss"):
        estimate, low, high = told["gain"][name]
        assert 0 < low < estimate < high
        assert estimate == pytest.approx(told["straight"][name] - told["byWater"][name], abs=2e-6)
    assert told["byWater"]["auc"] > told["straight"]["auc"]
    for name in ("brier", "logLoss", "auc"):
        assert told["straight"][name] == done.scores["leaveOneOut"]["model"][name]
    assert done.fitted.settings.divide_factor == told["divideFactor"]


def test_fishes_that_spread_over_land_gain_nothing(carried: Path, checklist: Checklist) -> None:
    done = calibrate(
        [carried / "surveys.txt"], checklist=checklist, as_of=AS_OF, draws=20, layers=along(carried)
    )
    told = done.scores["byWater"]
    assert told["helps"] is False
    assert told["divideFactor"] >= 0.7
    assert told["gain"]["brier"][1] <= 0
    assert done.fitted.settings.divide_factor == SETTINGS.divide_factor
    assert "divide_factor" not in done.fitted.changes
    assert any("gains nothing over straight distance" in words for words in done.fitted.kept)
    assert "no gain over straight distance" in words_of(told)


def test_the_factor_of_a_fold_never_sees_the_tested_waters(swum: Path, checklist: Checklist) -> None:
    surveys = read(swum, checklist)
    distances = survey_distances(surveys, along(swum), settings=SETTINGS)
    label = np.arange(300) % 4
    fold = make_folds(surveys.waters, surveys.ground, label, closed=False, settings=SETTINGS)[1]

    def loss_free(given: Surveys) -> tuple[float, np.ndarray]:
        trained = Trained.on(given, fold.train, fold.for_train, settings=SETTINGS)
        shift = trained.shifts(given, distances, fold.train, fold.for_train, 0.25)["model"]
        return best_factor(given, distances, trained), trained.odds + shift

    factor, odds = loss_free(surveys)
    found = surveys.waters.found.copy()
    found[fold.test] = 1 - found[fold.test]
    held = surveys.ground.places.found.copy()
    held[~fold.for_train] = 1 - held[~fold.for_train]
    ground = replace(surveys.ground, places=replace(surveys.ground.places, found=held))
    turned = replace(surveys, waters=replace(surveys.waters, found=found), ground=ground)
    again, moved = loss_free(turned)
    assert again == factor
    assert moved == pytest.approx(odds, abs=1e-9)
    assert (~fold.for_train).sum() >= len(fold.test)


# -- files and words ---------------------------------------------------------------------


def test_settings_scores_and_page_tell_of_the_gain(done: Any, tmp_path: Path) -> None:
    folder = write_calibration(done, tmp_path / "out")
    told = json.loads((folder / "scores.json").read_text())
    assert told["byWater"] == done.scores["byWater"]
    assert any(source.get("use") == "streams" for source in told["sources"])
    settings = tomllib.loads((folder / "settings.toml").read_text())["settings"]
    assert settings["divideFactor"] == told["byWater"]["divideFactor"]
    page = (folder / "calibration.html").read_text()
    assert "<h2>Distance by water</h2>" in page
    assert words_of(told["byWater"]).split(":")[0] in page
    estimate, low, high = told["byWater"]["gain"]["brier"]
    assert f"{estimate:+.4f} ({low:+.4f} to {high:+.4f})" in page


def run(tmp_path: Path, rows: list[str], *options: str) -> Any:
    surveys = table(tmp_path / "surveys.txt", rows)
    out = ["--out", str(tmp_path / "out"), "--as-of", "2026-06-01"]
    return CliRunner().invoke(command, ["--events", str(surveys), *out, *options])


def test_waters_off_the_network_are_counted_and_keep_their_straight_distance(tmp_path: Path) -> None:
    # fifty waters on a grid, ten on each meridian; the streams run along three of the five
    meridians = [[(-90 + 0.05 * k, 39.95), (-90 + 0.05 * k, 40.5)] for k in range(3)]
    spec = geojson(tmp_path / "streams.geojson", [shapely.LineString(line) for line in meridians])
    got = run(tmp_path, lists(50), "--streams", spec)
    assert got.exit_code == 0, got.output
    assert "Distance by water: no gain over straight distance" in got.output
    assert (
        "30 of 50 surveyed waters stand on the stream network; 20 lie near no flow line and keep"
        in got.output
    )
    told = json.loads((tmp_path / "out" / "scores.json").read_text())["byWater"]
    assert (told["snapped"], told["unsnapped"]) == (30, 20)


def test_without_streams_nothing_is_said_of_water(tmp_path: Path, checklist: Checklist) -> None:
    surveys = table(tmp_path / "surveys.txt", lists(40))
    folder = write_calibration(
        calibrate([surveys], checklist=checklist, as_of=AS_OF, draws=5), tmp_path / "out"
    )
    assert "byWater" not in json.loads((folder / "scores.json").read_text())
    assert "Distance by water" not in (folder / "calibration.html").read_text()
    assert "divideFactor" not in (folder / "settings.toml").read_text()


def test_too_few_waters_are_not_compared(tmp_path: Path) -> None:
    spec = geojson(tmp_path / "streams.geojson", [shapely.LineString([(-90, 39.95), (-90, 40.5)])])
    got = run(tmp_path, lists(12), "--streams", spec)
    assert got.exit_code == 0, got.output
    assert "not measured: too few surveyed waters" in got.output
    assert "divideFactor: too few waters" in (tmp_path / "out" / "settings.toml").read_text()


@pytest.mark.parametrize("option", ["--basins", "--barriers"])
def test_basins_and_barriers_need_streams(tmp_path: Path, option: str) -> None:
    got = run(tmp_path, lists(20), option, "any.gpkg")
    assert got.exit_code == 2
    assert "need --streams" in got.output


@pytest.mark.parametrize(
    ("shape", "error", "words"),
    [
        (shapely.Point(-90, 40), LayerError, "holds no lines with a length"),
        (shapely.LineString([(-80, 40), (-80, 41)]), CalibrationError, "none of the 50 surveyed waters lies within 500 m"),
    ],
)  # fmt: skip
def test_layers_that_tell_nothing_are_refused(
    tmp_path: Path, checklist: Checklist, shape: Any, error: type[Exception], words: str
) -> None:
    spec = geojson(tmp_path / "streams.geojson", [shape])
    surveys = table(tmp_path / "surveys.txt", lists(50))
    with pytest.raises(error, match=words):
        calibrate([surveys], checklist=checklist, as_of=AS_OF, draws=5, layers=StreamLayers(streams=spec))


def test_a_missing_layer_is_refused(tmp_path: Path, checklist: Checklist) -> None:
    surveys = table(tmp_path / "surveys.txt", lists(50))
    spec = str(tmp_path / "nowhere.gpkg")
    with pytest.raises(LayerError, match=r"nowhere\.gpkg"):
        calibrate([surveys], checklist=checklist, as_of=AS_OF, draws=5, layers=StreamLayers(streams=spec))


# -- the simulator -----------------------------------------------------------------------


def test_the_simulated_streams_are_the_same_for_the_same_seed(tmp_path: Path) -> None:
    for name in ("a", "b"):
        simulator().simulate(tmp_path / name, seed=9, waters=40, visits=10, by_water=0.5)
    for name in ("surveys.txt", "records.txt", "streams.geojson"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_where_fishes_spread_does_not_move_the_waters(tmp_path: Path) -> None:
    worlds = [
        simulator().simulate(tmp_path / str(k), seed=9, waters=40, visits=1, by_water=share)
        for k, share in enumerate((None, 0.0, 1.0))
    ]
    for world in worlds[1:]:
        assert (world.x == worlds[0].x).all()
        assert (world.below == worlds[0].below).all()
    assert len({(tmp_path / str(k) / "streams.geojson").read_bytes() for k in range(3)}) == 1
    assert not (worlds[1].chance == worlds[2].chance).all()
