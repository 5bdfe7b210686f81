"""Calibration on a small simulated survey, through the face and the command line."""

from __future__ import annotations

import csv
import json
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from poolbuilder import Checklist, PoolBuilderError
from poolbuilder.calibrate import Calibration, calibrate, write_calibration
from poolbuilder.cli import main
from poolbuilder.model.constants import Constants
from tests.commands import command

ROOT = Path(__file__).parents[1]
DAY = date(2026, 6, 1)


@pytest.fixture(scope="module")
def surveys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Surveys of invented waters whose fishes follow the land: north and south differ."""
    out = tmp_path_factory.mktemp("surveys") / "surveys.txt"
    draw = np.random.default_rng(4)
    lines = ["eventID\tscientificName\tdecimalLatitude\tdecimalLongitude\teventDate\tbasisOfRecord\thabitat"]
    for site in range(120):
        lat, lon = 36 + draw.random(), -92 + draw.random()
        north = lat > 36.5
        share = {
            "Lepomis macrochirus": 0.9 if north else 0.2,
            "Lepomis megalotis": 0.1 if north else 0.8,
            "Micropterus salmoides": 0.9,
            "Etheostoma caeruleum": 0.2 if north else 0.8,
            "Campostoma anomalum": 0.6,
        }
        for name, chance in share.items():
            if draw.random() < chance:
                lines.append(f"e{site}\t{name}\t{lat:.4f}\t{lon:.4f}\t2015-07-01\tHumanObservation\tstream")
    out.write_text("\n".join(lines) + "\n")
    return out


@pytest.fixture(scope="module")
def done(surveys: Path) -> Calibration:
    return calibrate([surveys], checklist=Checklist.load("lepomis"), as_of=DAY, draws=5)


def test_left_out_waters_are_predicted_better_than_by_prevalence(done: Calibration) -> None:
    card = done.scores["leaveOneOut"]
    assert done.status == "calibrated"
    assert card["withoutCommunity"]["brier"] < 0.8 * card["baselines"]["prevalence"]["brier"]
    assert card["withoutCommunity"]["ece"] < 0.2
    assert done.scores["waterTypes"] == ["running"]
    assert set(card["bySpecies"]) == {"Lepomis macrochirus", "Lepomis megalotis"}


def test_what_is_written_is_read_again(done: Calibration, tmp_path: Path) -> None:
    folder = write_calibration(done, tmp_path / "calibration")
    assert json.loads((folder / "scores.json").read_text())["sites"] == done.scores["sites"]
    fitted = Constants.read(folder / "constants.csv")
    assert 0 < fitted.agreement["running"] <= 1
    with (folder / "constants.csv").open() as stream:
        rows = {(row["constant"], row["of"]): row["source"] for row in csv.DictReader(stream)}
    assert "surveys" in rows["agreement", "running"]
    assert "How far the probabilities can be trusted" in (folder / "calibration.html").read_text(
        encoding="utf-8"
    )


def test_a_pool_takes_the_fitted_constants_and_says_so(
    done: Calibration, surveys: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write_calibration(done, tmp_path / "calibration")
    words = ["build", "--lat", "36.8", "--lon", "-91.5", "--records", str(surveys), "--as-of", "2026-06-01"]
    given = ["--constants", str(folder / "constants.csv"), "--settings", str(folder / "settings.toml")]
    with pytest.raises(SystemExit) as end:
        main([*words, *given, "--water-type", "stream", "--format", "json"])
    assert end.value.code in (None, 0)
    pool = json.loads(capsys.readouterr().out)
    assert pool["calibration"]["sites"] == done.scores["sites"]
    assert any(item.get("use") == "constants" for item in pool["inputs"])
    with pytest.raises(SystemExit):
        main([*words, *given, "--water-type", "lake", "--format", "json"])
    assert json.loads(capsys.readouterr().out)["calibration"] is None  # no lake was surveyed


def test_the_same_surveys_give_the_same_bytes(surveys: Path, done: Calibration) -> None:
    again = calibrate([surveys], checklist=Checklist.load("lepomis"), as_of=DAY, draws=5)
    assert json.dumps(again.scores) == json.dumps(done.scores)
    assert again.constants == done.constants


def test_surveys_without_other_fishes_are_refused(surveys: Path, tmp_path: Path) -> None:
    only = tmp_path / "only.txt"
    lines = surveys.read_text().splitlines()
    only.write_text("\n".join([lines[0], *(line for line in lines if "Lepomis" in line)]) + "\n")
    with pytest.raises(PoolBuilderError, match="no list of other fishes"):
        calibrate([only], checklist=Checklist.load("lepomis"), as_of=DAY, draws=5)


def test_a_table_that_lacks_a_constant_is_one_line(tmp_path: Path) -> None:
    short = tmp_path / "constants.csv"
    short.write_text("constant,of,value,spread,source\nmistake,,0.01,0.01,x\n")
    words = ["build", "--lat", "1", "--lon", "1", "--constants", str(short), "--records", str(short)]
    ended = command(*words)
    assert ended.returncode == 1
    assert "Traceback" not in ended.stderr
