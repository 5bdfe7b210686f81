"""Fit and score the model on surveys: settings.toml, scores.json and a page."""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import poolbuilder
from poolbuilder.calibration.by_water import compare_by_water, survey_distances, with_factor, words_of
from poolbuilder.calibration.fitting import Fitted, fit_settings, toml_text
from poolbuilder.calibration.scorecard import DRAWS, FEW_WATERS, predict_surveys, score_scheme
from poolbuilder.calibration.surveys import Surveys, read_surveys
from poolbuilder.folder import write_folder
from poolbuilder.names.checklist import Checklist
from poolbuilder.pages.calibration_page import render_page
from poolbuilder.settings import Settings
from poolbuilder.status.polygons import RangeMap
from poolbuilder.water.streams import StreamLayers

__all__ = ["Calibration", "calibrate", "write_calibration"]

SCHEMA_VERSION = "1.0"


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """What surveys say of the model.

    Attributes
    ----------
    fitted : Fitted
        Settings, and the grounds of every change.
    scores : dict
        Content of scores.json.
    surveys : str
        What the surveys are called.
    """

    fitted: Fitted
    scores: Mapping[str, Any]
    surveys: str

    @property
    def status(self) -> str:
        """``calibrated``, or ``uncalibrated`` with too few waters."""
        return str(self.scores["status"])

    def pool_words(self) -> dict[str, Any]:
        """What a pool built with these settings says of them."""
        card = self.scores.get("leaveOneOut")
        sites, species = self.scores["sites"], len(self.scores["species"])
        said: dict[str, Any] = {
            "title": f"{self.status} on {self.surveys}",
            "status": self.status,
            "surveys": self.surveys,
            "sites": sites,
            "species": species,
        }
        if card is None or self.status != "calibrated":
            said["words"] = f"uncalibrated: {sites:,} surveyed waters of {self.surveys} are too few to tell"
            return said
        model, base = card["model"], card["baselines"]["prevalence"]
        said["words"] = (
            f"scored on {sites:,} surveyed waters of {self.surveys} that the model had not seen: Brier "
            f"{model['brier']:.3f} (prevalence alone {base['brier']:.3f}), expected calibration error "
            f"{model['ece']:.3f}"
        )
        if model["slope"] is not None:
            said["words"] += f", calibration slope {model['slope']:.2f}"
        said |= {key: model[key] for key in ("brier", "logLoss", "auc", "ece", "slope", "intercept")}
        said["reliability"] = [
            {"predicted": row["meanPresence"], "observed": row["observedShare"], "surveys": int(row["count"])}
            for row in model["reliability"]
        ]
        return said


def calibrate(  # noqa: PLR0913 (each is an input of its own)
    events: Sequence[str | Path],
    records: Sequence[str | Path] = (),
    *,
    checklist: Checklist,
    as_of: datetime.date,
    settings: Settings | None = None,
    renames: Mapping[str, str] | None = None,
    title: str = "",
    draws: int = DRAWS,
    layers: StreamLayers | None = None,
    ranges: Sequence[str] = (),
) -> Calibration:
    """Fit settings to surveys and score the model on waters that it has not seen.

    Parameters
    ----------
    events : sequence of path
        Darwin Core files of surveys whose lists are near enough complete.
    records : sequence of path
        Darwin Core files that the surveys are predicted from; each other when empty.
    checklist : Checklist
    as_of : date
        "Today".
    settings : Settings, optional
        Start values.
    title : str
        What the surveys are called in the results; the first file's name by default.
    draws : int
        Bootstrap samples for the intervals.
    layers : StreamLayers, optional
        With them it is measured what distance by water gains over straight distance.
    ranges : sequence of str
        Layers of range polygons, ``FILE`` or ``FILE:layer``; with them the leaks by range class are fitted.

    Returns
    -------
    Calibration

    Raises
    ------
    CalibrationError, RecordFileError, LayerError
        When nothing can be fitted, or a file cannot be read.
    """
    start = settings or Settings()
    files = [Path(path) for path in events]
    surveys = read_surveys(
        files,
        [Path(path) for path in records],
        checklist=checklist,
        as_of=as_of,
        settings=start,
        renames=renames,
        ranges=RangeMap.read(ranges, checklist) if ranges else None,
    )
    distances = None if layers is None else survey_distances(surveys, layers, settings=start)
    predictions = predict_surveys(surveys, settings=start)
    fitted = fit_settings(surveys, predictions, settings=start)
    cards = {scheme: score_scheme(surveys, made, draws=draws) for scheme, made in predictions.items()}
    if distances is not None:
        surveys = distances.noted(surveys)
        straight = predictions.get("leaveOneOut") if len(surveys.waters) >= FEW_WATERS else None
        if straight is not None:
            cards["byWater"] = compare_by_water(surveys, straight, distances, settings=start, draws=draws)
        fitted = with_factor(fitted, cards.get("byWater"))
    return Calibration(
        fitted=fitted,
        scores=_document(surveys, cards, fitted, start),
        surveys=title or files[0].stem,
    )


def _document(surveys: Surveys, cards: Mapping[str, Any], fitted: Fitted, start: Settings) -> dict[str, Any]:
    waters = surveys.waters
    enough = len(waters) >= FEW_WATERS and "leaveOneOut" in cards
    return {
        "schemaVersion": SCHEMA_VERSION,
        "poolbuilderVersion": poolbuilder.__version__,
        "status": "calibrated" if enough else "uncalibrated",
        "sites": len(waters),
        "species": {
            name: int(count)
            for name, count in zip(waters.species, waters.found.sum(axis=0).tolist(), strict=True)
        },
        "sources": list(surveys.sources),
        "recordsApart": surveys.apart,
        "placesOfRecords": len(surveys.ground.points),
        "completenessOfLists": round(surveys.ground.completeness, 4),
        "gapKm": start.effort_gap_km,
        "reachKm": start.effort_reach_km,
        "fitted": dict(fitted.changes),
        "kept": list(fitted.kept),
        "notes": list(surveys.notes),
        **cards,
    }


def write_calibration(calibration: Calibration, out: str | Path) -> Path:
    """Write settings.toml, scores.json and calibration.html to a folder, whole or not at all.

    Raises
    ------
    PoolFileError
        When *out* holds something else, or writing fails.
    """
    words = calibration.pool_words()
    head = (
        f"Settings fitted to {calibration.surveys} ({words['sites']:,} waters): {calibration.status}.\n"
        "Use with `poolbuilder build --settings FILE`."
    )

    def fill(folder: Path) -> None:
        text = json.dumps(calibration.scores, ensure_ascii=False, indent=1, allow_nan=False)
        (folder / "scores.json").write_text(text + "\n", encoding="utf-8")
        (folder / "settings.toml").write_text(
            toml_text(calibration.fitted, words, head=head), encoding="utf-8"
        )
        by_water = calibration.scores.get("byWater")
        page = render_page(
            calibration.scores,
            surveys=calibration.surveys,
            by_water="" if by_water is None else words_of(by_water),
        )
        (folder / "calibration.html").write_text(page, encoding="utf-8")

    return write_folder(out, fill, marker="scores.json")
