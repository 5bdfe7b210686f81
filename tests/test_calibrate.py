"""Calibration: no leaks, honest scores, clear refusals, files that can be used."""

from __future__ import annotations

import datetime
import importlib.util
import json
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from click.testing import CliRunner

from poolbuilder.calibration import calibrate, write_calibration
from poolbuilder.calibration.scorecard import Predictions, score_scheme, without_lists
from poolbuilder.calibration.surveys import Surveys, read_surveys
from poolbuilder.cli.calibrate import calibrate as command
from poolbuilder.errors import CalibrationError, PoolFileError, RecordFileError
from poolbuilder.model import scores
from poolbuilder.model.calibrate import (
    BASELINES,
    blocks,
    clusters,
    cross_validate,
    folds_of,
    make_folds,
)
from poolbuilder.model.effort import pair_km
from poolbuilder.names.checklist import Checklist
from poolbuilder.pages.drawings import reliability
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.settings import Settings

AS_OF = datetime.date(2026, 6, 1)
SETTINGS = Settings()
DEMO = Path(__file__).parents[1] / "demo" / "simulate.py"


def simulator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("simulate", DEMO)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["simulate"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("simulated")
    simulator().simulate(out, seed=4, waters=220, visits=500)
    return out


@pytest.fixture(scope="module")
def checklist() -> Checklist:
    return Checklist.load("lepomis")


@pytest.fixture(scope="module")
def surveys(simulated: Path, checklist: Checklist) -> Surveys:
    return read_surveys([simulated / "surveys.txt"], [], checklist=checklist, as_of=AS_OF, settings=SETTINGS)


@pytest.fixture(scope="module")
def done(simulated: Path, checklist: Checklist):
    return calibrate(
        [simulated / "surveys.txt"], checklist=checklist, as_of=AS_OF, title="simulated surveys", draws=40
    )


HEADER = "eventID\tscientificName\tdecimalLatitude\tdecimalLongitude\toccurrenceStatus\tsamplingProtocol"


def table(path: Path, rows: list[str]) -> Path:
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    return path


def lists(count: int, *, own=lambda i: i % 2 == 0, other: str = "Micropterus salmoides") -> list[str]:
    rows = []
    for i in range(count):
        place = f"{40 + 0.05 * (i % 10):.4f}\t{-90 + 0.05 * (i // 10):.4f}\tpresent\telectrofishing"
        rows += [f"e{i}\tLepomis macrochirus\t{place}"] if own(i) else []
        rows += [f"e{i}\t{other}\t{place}"] if other else []
    return rows


# -- folds -------------------------------------------------------------------------------


def test_no_training_water_stands_within_the_gap_of_a_tested_one(surveys: Surveys) -> None:
    waters = surveys.waters
    points = waters.points
    for label, closed in (
        (folds_of(clusters(points, 2.0), 10), False),
        (blocks(waters.longitude, waters.latitude, 10), True),
    ):
        folds = make_folds(waters, surveys.ground, label, closed=closed, settings=SETTINGS)
        assert sorted(np.concatenate([fold.test for fold in folds]).tolist()) == list(range(len(waters)))
        for fold in folds:
            assert pair_km(points[fold.test], points[fold.train]).min() > 2
            shut = ~fold.for_train
            assert shut.any()
            assert pair_km(points[fold.test], surveys.ground.points[fold.for_train]).min() > 2


def test_clusters_chain_neighbours() -> None:
    step = 1.5 / 111.2
    latitude = np.array([40, 40 + step, 40 + 2 * step, 41, 42, 42 + step])
    label = clusters(to_ecef(np.full(6, -90.0), latitude), 2.0)
    assert label.tolist() == [0, 0, 0, 1, 2, 2]


def test_folds_are_of_like_size_and_keep_clusters_whole() -> None:
    cluster = np.repeat(np.arange(30), np.arange(1, 31))
    fold = folds_of(cluster, 5)
    assert all(len(set(fold[cluster == one].tolist())) == 1 for one in range(30))
    assert np.ptp(np.bincount(fold)) <= 6


def test_blocks_are_ten_and_of_like_size() -> None:
    rng = np.random.default_rng(0)
    sizes = np.bincount(blocks(rng.uniform(-80, -75, 400), rng.uniform(38, 40, 400), 10))
    assert len(sizes) == 10
    assert sizes.min() >= 25


@pytest.mark.parametrize("scheme", ["leaveOneOut", "blocks"])
def test_a_waters_own_outcome_never_reaches_its_prediction(surveys: Surveys, scheme: str) -> None:
    """Turning over what was found at the tested waters of a fold changes none of their predictions."""
    waters, ground = surveys.waters, surveys.ground
    closed = scheme == "blocks"
    label = (
        blocks(waters.longitude, waters.latitude, 10)
        if closed
        else folds_of(clusters(waters.points, 2.0), 40)
    )
    fold = make_folds(waters, ground, label, closed=closed, settings=SETTINGS)[3]
    before = cross_validate(waters, ground, [fold], settings=SETTINGS)
    for water in fold.test[:3].tolist():
        found = waters.found.copy()
        found[water] = 1 - found[water]
        place = pair_km(waters.points[[water]], ground.points)[0].argmin()
        held = ground.places.found.copy()
        held[place] = 1 - held[place]
        turned = replace(ground, places=replace(ground.places, found=held))
        after = cross_validate(replace(waters, found=found), turned, [fold], settings=SETTINGS)
        for name in ("model", "withoutCommunity", *BASELINES):
            assert after[name][water] == pytest.approx(before[name][water], abs=1e-9), name


def test_a_leak_would_be_seen(surveys: Surveys) -> None:
    """The same turn, with the gap closed to 0 and the place itself let in, moves the prediction."""
    waters, ground = surveys.waters, surveys.ground
    fold = make_folds(
        waters, ground, folds_of(clusters(waters.points, 2.0), 40), closed=False, settings=SETTINGS
    )[3]
    water = int(fold.test[0])
    place = pair_km(waters.points[[water]], ground.points)[0].argmin()
    held = ground.places.found.copy()
    held[place] = 1 - held[place]
    turned = replace(ground, places=replace(ground.places, found=held))
    moved = waters.longitude.copy()
    moved[water] += 2.5 / 111.2 / np.cos(np.radians(waters.latitude[water]))
    shifted = replace(waters, longitude=moved)
    before = cross_validate(shifted, ground, [fold], settings=SETTINGS)
    after = cross_validate(shifted, turned, [fold], settings=SETTINGS)
    assert np.abs(after["model"][water] - before["model"][water]).max() > 0.02


def test_records_without_lists_leave_out_the_water_itself(surveys: Surveys) -> None:
    """Records within the gap say nothing of a water; those farther out do."""
    waters, told = surveys.waters, surveys.sightings
    label = folds_of(clusters(waters.points, 2.0), 10)
    folds = make_folds(waters, surveys.ground, label, closed=False, settings=SETTINGS)
    water = int(np.argmax(waters.found.sum(axis=1)))
    away = pair_km(waters.points[[water]], surveys.ground.points)[0][told.place]

    def without(rows: np.ndarray) -> np.ndarray:
        names = ("place", "species", "age_years", "basis", "certainty")
        fewer = replace(told, **{name: getattr(told, name)[~rows] for name in names})
        return without_lists(replace(surveys, sightings=fewer), folds, SETTINGS)[water]

    whole = without(np.zeros(len(away), dtype=bool))
    assert (away <= 2).any()
    assert without(away <= 2) == pytest.approx(whole)
    assert not np.allclose(without((away > 2) & (away < 12)), whole)


# -- scores ------------------------------------------------------------------------------


def test_the_model_beats_the_baselines_on_simulated_waters(done) -> None:
    card = done.scores["leaveOneOut"]
    assert done.status == "calibrated"
    assert card["sites"] == 220
    for name in BASELINES:
        assert card["model"]["brier"] < card["baselines"][name]["brier"], name
        assert card["differences"]["model"][name]["brier"] < 0
    assert card["model"]["brier"] < card["withoutCommunity"]["brier"]
    assert card["noLists"]["brier"] < card["baselines"]["anyRecord"]["brier"]
    assert 0.7 < card["model"]["slope"] < 1.3
    assert card["model"]["ece"] < 0.05
    for low, high in card["model"]["interval90"].values():
        assert low <= high
    assert sum(row["count"] for row in card["model"]["reliability"]) == 220 * len(done.scores["species"])


def test_a_score_lies_in_its_interval(done) -> None:
    for scheme in ("leaveOneOut", "blocks"):
        for name in ("brier", "logLoss", "auc"):
            low, high = done.scores[scheme]["model"]["interval90"][name]
            assert low <= done.scores[scheme]["model"][name] <= high


def test_cut_lists_tell_of_the_rare() -> None:
    p = np.array([[0.9, 0.6, 0.02], [0.8, 0.1, 0.01], [0.7, 0.05, 0.3], [0.6, 0.5, 0.02]])
    y = np.array([[1, 1, 0], [1, 0, 0], [1, 0, 1], [1, 1, 1]])
    whole = scores.cut(p, y, keep=1.0, rare=[2])
    assert (whole.share, whole.threshold, whole.rare_share) == (1.0, 0.02, 1.0)
    assert whole.length == pytest.approx((3 + 2 + 3 + 3) / 4)
    most = scores.cut(p, y, keep=0.8, rare=[2])
    assert most.share == pytest.approx(7 / 8)
    assert most.rare_share == 0.5
    assert most.length < whole.length


def test_scores_of_one_outcome_are_not_a_number() -> None:
    p, y = np.array([0.2, 0.4]), np.zeros(2)
    assert np.isnan(scores.auc(p, y))
    assert np.isnan(scores.calibration_line(p, y)).all()
    assert scores.brier(p, y) == pytest.approx(0.1)


def test_perfect_separation_has_no_calibration_line() -> None:
    y = np.repeat([0.0, 1.0], 20)
    assert np.isnan(scores.calibration_line(np.where(y > 0, 0.9, 0.1) + 0.001 * np.arange(40) / 40, y)).all()


def test_the_diagram_shows_counts_and_reads_aloud() -> None:
    rows = [{"meanPresence": 0.05, "observedShare": 0.04, "count": 900}]
    drawn = reliability(rows, title="a < b")
    assert ">900</text>" in drawn
    assert "a &lt; b: predicted 0.05, found 0.04 of 900" in drawn


# -- surveys -----------------------------------------------------------------------------


def test_records_apart_are_predicted_from_alone_too(simulated: Path, checklist: Checklist) -> None:
    apart = read_surveys(
        [simulated / "surveys.txt"],
        [simulated / "records.txt"],
        checklist=checklist,
        as_of=AS_OF,
        settings=SETTINGS,
    )
    assert apart.apart
    assert apart.ground.completeness < 0.9
    assert any("those of its own surveys" in note for note in apart.notes)
    folds = make_folds(
        apart.waters,
        apart.ground,
        folds_of(clusters(apart.waters.points, 2.0), 3),
        closed=False,
        settings=SETTINGS,
    )
    made = cross_validate(apart.waters, apart.ground, folds, settings=SETTINGS, alone=True)
    for name in ("model", "withoutCommunity", "recordsAlone"):
        assert ((made[name] > 0) & (made[name] < 1)).all()


def test_thinned_records_of_the_surveys_stand_for_the_waters_lists(
    simulated: Path, checklist: Checklist, tmp_path: Path
) -> None:
    rng = np.random.default_rng(0)
    head, *rows = (simulated / "surveys.txt").read_text().splitlines()
    thin = tmp_path / "thin.txt"
    thin.write_text("\n".join([head, *[row for row in rows if rng.random() < 0.3]]) + "\n")
    made = read_surveys(
        [simulated / "surveys.txt"], [thin], checklist=checklist, as_of=AS_OF, settings=SETTINGS
    )
    whole = read_surveys([simulated / "surveys.txt"], [], checklist=checklist, as_of=AS_OF, settings=SETTINGS)
    assert any("as the records name them" in note for note in made.notes)
    assert made.waters.others.sum() == pytest.approx(0.3 * whole.waters.others.sum(), rel=0.1)
    assert made.waters.found.sum() == whole.waters.found.sum()


@pytest.mark.parametrize(
    ("rows", "error", "words"),
    [
        ([row.replace("\t4", "\tnorth of ") for row in lists(4)], CalibrationError, "no survey has usable coordinates"),
        (lists(60, other=""), CalibrationError, "no list of other fishes"),
        (lists(60, own=lambda i: True), CalibrationError, "missed at others"),
        (lists(60, own=lambda i: False), CalibrationError, "no species of the checklist was found"),
    ],
)  # fmt: skip
def test_surveys_that_teach_nothing_are_refused(
    rows: list[str], error: type[Exception], words: str, checklist: Checklist, tmp_path: Path
) -> None:
    with pytest.raises(error, match=words):
        read_surveys(
            [table(tmp_path / "s.txt", rows)], [], checklist=checklist, as_of=AS_OF, settings=SETTINGS
        )


def test_surveys_without_coordinate_columns_are_refused(checklist: Checklist, tmp_path: Path) -> None:
    path = tmp_path / "s.txt"
    path.write_text("eventID\tscientificName\ne1\tLepomis macrochirus\n")
    with pytest.raises(RecordFileError, match="decimalL"):
        read_surveys([path], [], checklist=checklist, as_of=AS_OF, settings=SETTINGS)


def test_more_waters_than_can_be_held_are_refused(checklist: Checklist, tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match=r"60 waters, more than 50 at once \(choose a region"):
        read_surveys(
            [table(tmp_path / "s.txt", lists(60))],
            [],
            checklist=checklist,
            as_of=AS_OF,
            settings=SETTINGS.replace(region_max_places=50),
        )


def test_one_name_for_two_sites_is_said(checklist: Checklist, tmp_path: Path) -> None:
    rows = [*lists(40), "e0\tMicropterus dolomieu\t41.5000\t-88.0000\tpresent\telectrofishing"]
    made = read_surveys(
        [table(tmp_path / "s.txt", rows)], [], checklist=checklist, as_of=AS_OF, settings=SETTINGS
    )
    assert any("1 surveys stand at two places" in note for note in made.notes)


def test_a_perfectly_separable_survey_is_fitted(checklist: Checklist, tmp_path: Path) -> None:
    rows = [row for row in lists(120) if row]
    rows += [
        row.replace("Micropterus salmoides", "Esox lucius")
        for row in lists(120, own=lambda i: False)
        if int(row.split("\t")[0][1:]) % 2
    ]
    done = calibrate([table(tmp_path / "s.txt", rows)], checklist=checklist, as_of=AS_OF, draws=20)
    model = done.scores["leaveOneOut"]["model"]
    assert model["auc"] > 0.99
    assert model["brier"] < 0.1
    assert done.scores["leaveOneOut"]["model"]["reliability"][0]["meanPresence"] > 0


def test_few_waters_stay_uncalibrated(checklist: Checklist, tmp_path: Path) -> None:
    done = calibrate([table(tmp_path / "s.txt", lists(20))], checklist=checklist, as_of=AS_OF, draws=20)
    assert done.status == "uncalibrated"
    assert done.fitted.settings == SETTINGS
    assert done.fitted.changes == {}
    folder = write_calibration(done, tmp_path / "out")
    page = (folder / "calibration.html").read_text()
    assert "Uncalibrated. 20 surveyed waters" in page
    assert Settings.from_toml(folder / "settings.toml") == SETTINGS
    assert "too few to tell" in done.pool_words()["words"]


# -- files -------------------------------------------------------------------------------


def test_the_folder_holds_settings_scores_and_a_page(done, tmp_path: Path) -> None:
    folder = write_calibration(done, tmp_path / "out")
    assert sorted(path.name for path in folder.iterdir()) == [
        "calibration.html",
        "scores.json",
        "settings.toml",
    ]
    told = json.loads((folder / "scores.json").read_text())
    for scheme in ("leaveOneOut", "blocks"):
        for values in (
            told[scheme]["model"],
            told[scheme]["withoutCommunity"],
            *told[scheme]["baselines"].values(),
        ):
            assert {"brier", "logLoss", "auc", "ece", "slope", "intercept"} <= set(values)
        assert set(told[scheme]["baselines"]) == set(BASELINES)
    used = Settings.from_toml(folder / "settings.toml")
    assert used == done.fitted.settings != SETTINGS
    words = tomllib.loads((folder / "settings.toml").read_text())["calibration"]
    assert words["status"] == "calibrated"
    assert words["sites"] == 220
    assert {"predicted", "observed", "surveys"} == set(words["reliability"][0])
    assert words["brier"] == told["leaveOneOut"]["model"]["brier"]


def test_the_page_carries_the_numbers_and_fetches_nothing(done, tmp_path: Path) -> None:
    page = (write_calibration(done, tmp_path / "out") / "calibration.html").read_text()
    model = done.scores["leaveOneOut"]["model"]
    assert f"{model['brier']:.3f}" in page
    assert page.count("<svg") == 4
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")
    assert "simulated surveys" in page
    assert "Lepomis cyanellus" in page


def test_same_surveys_same_bytes(simulated: Path, checklist: Checklist, done, tmp_path: Path) -> None:
    again = calibrate(
        [simulated / "surveys.txt"], checklist=checklist, as_of=AS_OF, title="simulated surveys", draws=40
    )
    one, two = write_calibration(done, tmp_path / "one"), write_calibration(again, tmp_path / "two")
    for path in one.iterdir():
        assert path.read_bytes() == (two / path.name).read_bytes(), path.name


def test_a_folder_of_other_things_is_left_alone(done, tmp_path: Path) -> None:
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "home.txt").write_text("dear all")
    with pytest.raises(PoolFileError, match="did not write"):
        write_calibration(done, tmp_path / "letters")
    assert (tmp_path / "letters" / "home.txt").read_text() == "dear all"


def test_the_command_prints_scores_beside_baselines(checklist: Checklist, tmp_path: Path) -> None:
    path = table(tmp_path / "s.txt", lists(50))
    got = CliRunner().invoke(
        command, ["--events", str(path), "--out", str(tmp_path / "out"), "--as-of", "2026-06-01"]
    )
    assert got.exit_code == 0, got.output
    assert "waters left out (50 waters): Brier, log loss, AUC, ECE, slope" in got.output
    assert all(name in got.output for name in BASELINES)
    assert (tmp_path / "out" / "scores.json").exists()


def test_ranges_let_the_leaks_be_fitted(simulated: Path, tmp_path: Path) -> None:
    """Polygons over the eastern half: inside and outside get leaks of their own."""
    placed = read_surveys(
        [simulated / "surveys.txt"], [], checklist=Checklist.load("lepomis"), as_of=AS_OF, settings=SETTINGS
    ).waters
    middle, (south, north) = float(np.median(placed.longitude)), (-80, 80)
    ring = [[middle, south], [middle + 20, south], [middle + 20, north], [middle, north], [middle, south]]
    features = [
        {
            "type": "Feature",
            "properties": {"scientificName": name, "presence": 1, "origin": 1},
            "geometry": {"type": "Polygon", "coordinates": [ring]},
        }
        for name in placed.species
    ]
    path = tmp_path / "ranges.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    given = ["--events", str(simulated / "surveys.txt"), "--ranges", str(path), "--as-of", "2026-06-01"]
    got = CliRunner().invoke(command, [*given, "--out", str(tmp_path / "out")])
    assert got.exit_code == 0, got.output
    settings = tomllib.loads((tmp_path / "out" / "settings.toml").read_text(encoding="utf-8"))["settings"]
    assert {"leakExtant", "leakOutside"} <= set(settings)
    assert "leakNoMap" not in settings
    scored = json.loads((tmp_path / "out" / "scores.json").read_text(encoding="utf-8"))
    assert any(str(source["path"]).endswith("ranges.geojson") for source in scored["sources"])
    assert "90 % interval" in scored["fitted"]["leak_extant"]


def test_the_simulator_writes_the_same_bytes_for_the_same_seed(tmp_path: Path) -> None:
    for name in ("a", "b"):
        simulator().simulate(tmp_path / name, seed=9, waters=30, visits=20)
    for name in ("surveys.txt", "records.txt"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_stream_surveys_are_predicted_well(shared_data: Path, checklist: Checklist) -> None:
    """1,661 stream surveys, waters left out by clusters with a gap of 2 km; bounds as README's table, rounded."""
    surveys = read_surveys(
        [shared_data / "stream_surveys" / "occurrence.txt"],
        [],
        checklist=checklist,
        as_of=AS_OF,
        settings=SETTINGS,
    )
    assert len(surveys.waters) == 1661
    assert len(surveys.waters.species) == 7
    label = folds_of(clusters(surveys.waters.points, 2.0), 10)
    folds = make_folds(surveys.waters, surveys.ground, label, closed=False, settings=SETTINGS)
    made = cross_validate(surveys.waters, surveys.ground, folds, settings=SETTINGS)
    y = surveys.waters.found.ravel()
    whole = scores.score(made["model"].ravel(), y)
    assert whole["brier"] <= 0.073
    assert whole["logLoss"] <= 0.231
    assert whole["auc"] >= 0.94
    assert whole["ece"] <= 0.015
    assert 0.9 <= whole["slope"] <= 1.1
    brier = {name: scores.brier(values.ravel(), y) for name, values in made.items()}
    assert brier["withoutCommunity"] < brier["kernelShare"] < brier["occupancyShare"]
    card = score_scheme(surveys, Predictions(presence=made, group=label, folds=len(folds)), draws=2)
    assert card["crosses"]["waters"] == 36
    assert card["crosses"]["model"] >= 0.89 > card["crosses"]["modelByPresence"]
    assert card["crosses"]["withoutCommunity"] >= 0.89 > card["crosses"]["recordShare"]
    assert card["cut"]["byRarity"]["speciesPerWater"] < 4
    assert card["cut"]["byRarity"]["rareOccurrencesKept"] >= 0.85
