"""Surveys and a stream network ──► whether distance by water predicts better, and how much."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.calibration.fitting import GAIN, Fitted
from poolbuilder.calibration.scorecard import BLOCKS, DRAWS, Predictions, difference, draws_of
from poolbuilder.calibration.surveys import Surveys
from poolbuilder.errors import CalibrationError
from poolbuilder.model import scores
from poolbuilder.model.calibrate import blocks, make_folds
from poolbuilder.model.community import COMMUNITY_SLOPES, EFFORT_SLOPES, Line, draw_line, gather
from poolbuilder.model.detour import DETOUR_REACHES, PLACED_M, effective_km, shift_by_water
from poolbuilder.model.effort import pair_km
from poolbuilder.model.logistic import inverse_logit, logit
from poolbuilder.settings import Settings
from poolbuilder.water.streams import Points, StreamLayers, Ways, find_ways

__all__ = [
    "FACTORS",
    "Distances",
    "Trained",
    "best_factor",
    "compare_by_water",
    "survey_distances",
    "with_factor",
    "words_of",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FACTORS = (1.0, 0.7, 0.5, 0.35, 0.25, 0.15, 0.1, 0.05, 0.02)
"""Values of ``divideFactor`` that are tried; at 1 straight distance alone decides."""

WORSE = 2
MODELS = ("model", "withoutCommunity")


@dataclass(frozen=True, kw_only=True, eq=False)
class Distances:
    """Distances from every surveyed water to every place of the ground, for any divideFactor.

    Attributes
    ----------
    straight_km : (n, m) array
    near : (n, m) bool array
        Pairs for which ways by water are asked.
    ways : Ways
    settings : Settings
    """

    straight_km: Floats
    near: Bools
    ways: Ways
    settings: Settings

    def by(self, factor: float, rows: Ints) -> Floats:
        """Effective distances of some waters."""
        near, ways = self.near[rows], self.ways
        away = self.straight_km[rows]
        away[near] = effective_km(
            away[near],
            ways.by_water_km[rows][near],
            ways.passability[rows][near],
            ways.divided[rows][near],
            settings=self.settings.replace(divide_factor=factor),
        )
        return away

    def noted(self, surveys: Surveys) -> Surveys:
        """The surveys, with what is to be said of the layers."""
        ways = self.ways
        return replace(
            surveys, notes=(*surveys.notes, *ways.notes), sources=(*surveys.sources, *ways.sources)
        )


def survey_distances(surveys: Surveys, layers: StreamLayers, *, settings: Settings) -> Distances:
    """Find the ways by water from every surveyed water to every place of the ground within reach.

    Raises
    ------
    LayerError
        When a layer cannot be used.
    CalibrationError
        When no survey stands on the network.
    """
    waters, places = surveys.waters, surveys.ground.places
    straight = pair_km(waters.points, surveys.ground.points)
    reach = DETOUR_REACHES * settings.effort_reach_km
    # A longer way leaves less of the kernel than carrying does at the smallest factor that is tried.
    longest = reach - settings.effort_far_km * math.log(min(FACTORS))
    ways = find_ways(
        Points(longitude=waters.longitude, latitude=waters.latitude),
        Points(longitude=places.longitude, latitude=places.latitude),
        straight <= reach,
        layers,
        uncertainty_m=PLACED_M,
        limit_km=min(settings.network_reach_km, longest),
        settings=settings,
    )
    if not ways.snapped.any():
        raise CalibrationError(
            f"{layers.streams}: none of the {len(waters):,} surveyed waters lies within "
            f"{settings.stream_snap_m:g} m of a flow line (give the streams of the region that was "
            "surveyed, or raise streamSnapM)"
        )
    return Distances(straight_km=straight, near=straight <= reach, ways=ways, settings=settings)


def compare_by_water(
    surveys: Surveys,
    straight: Predictions,
    distances: Distances,
    *,
    settings: Settings,
    draws: int = DRAWS,
) -> dict[str, Any]:
    """Predict the surveyed waters by water, and score that beside the predictions by straight distance.

    Parameters
    ----------
    straight : Predictions
        By straight distance; the same split is used again.

    Returns
    -------
    dict
        The part ``byWater`` of scores.json.

    Notes
    -----
    As in a pool, distances along the water shift what lines learnt with straight distances say.
    Each fold takes the ``divideFactor`` that predicts the fold's training waters best; the one that
    is reported predicts all waters best.  Intervals are 90 %, from resampling ten spatial blocks.
    """
    waters, ground, ways = surveys.waters, surveys.ground, distances.ways
    wet = {name: np.full(waters.found.shape, np.nan) for name in MODELS}
    chosen = []
    for fold in make_folds(waters, ground, straight.group, closed=False, settings=settings):
        trained = Trained.on(surveys, fold.train, fold.for_train, settings=settings)
        factor = best_factor(surveys, distances, trained)
        chosen.append(factor)
        shifts = trained.shifts(surveys, distances, fold.test, fold.for_test, factor)
        for name in MODELS:
            odds = logit(straight.presence[name][fold.test])
            wet[name][fold.test] = inverse_logit(odds + shifts[name])
    everywhere = np.ones(len(ground.points), dtype=bool)
    trained = Trained.on(surveys, np.arange(len(waters)), everywhere, settings=settings)
    factor = best_factor(surveys, distances, trained)
    told = {name: _compared(surveys, straight.presence[name], wet[name], draws) for name in MODELS}
    lows = [told["model"]["gain"][name][1] for name in ("brier", "logLoss")]
    return {
        "divideFactor": factor,
        "divideFactorByFold": chosen,
        "snapped": int(ways.snapped.sum()),
        "unsnapped": int((~ways.snapped).sum()),
        **told["model"],
        "withoutCommunity": told["withoutCommunity"],
        "helps": factor < 1 and min(lows) > 0,
    }


@dataclass(frozen=True, kw_only=True, eq=False)
class Trained:
    """Lines learnt with straight distances on some waters, and what they say of these.

    Attributes
    ----------
    rows : int array
        The waters.
    usable : bool array
        Places that may speak for them.
    effort : Line
    bare : array
        Predictors of effort.
    odds : array
        Log-odds of the model, other fishes known.
    """

    rows: Ints
    usable: Bools
    effort: Line
    bare: Floats
    odds: Floats
    settings: Settings

    @classmethod
    def on(cls, surveys: Surveys, rows: Ints, usable: Bools, *, settings: Settings) -> Trained:
        """Learn from some waters and the places open to them."""
        waters, k = surveys.waters, len(EFFORT_SLOPES)
        y = waters.found[rows]
        points, others = waters.points[rows], waters.others[rows]
        x = gather(points, others, surveys.ground, settings=settings, usable=usable)
        return cls(
            rows=rows,
            usable=usable,
            effort=draw_line(x[:, :, :k], y, EFFORT_SLOPES, found_share=1.0),
            bare=x[:, :, :k],
            odds=draw_line(x, y, COMMUNITY_SLOPES, found_share=1.0).log_odds(x),
            settings=settings,
        )

    def shifts(
        self, surveys: Surveys, distances: Distances, rows: Ints, usable: Bools, factor: float
    ) -> dict[str, Floats]:
        """What ways by water change at some waters, by model; each (m, s)."""
        points, ground, settings = surveys.waters.points[rows], surveys.ground, self.settings
        same = rows is self.rows
        straight = self.bare if same else gather(points, None, ground, settings=settings, usable=usable)
        away = distances.by(factor, rows)
        along = gather(points, None, ground, settings=settings, usable=usable, away_km=away)
        return {
            name: shift_by_water(self.effort, straight, along, community=name == "model") for name in MODELS
        }


def best_factor(surveys: Surveys, distances: Distances, trained: Trained) -> float:
    """The ``divideFactor`` that predicts the training waters best.

    Notes
    -----
    The factors are tried from 1 down until two in a row are worse than the best.  Straight
    distance, 1, stays unless another gains 2 in log-likelihood.
    """
    y = surveys.waters.found[trained.rows]
    loss: dict[float, float] = {}
    best = FACTORS[0]
    for step, factor in enumerate(FACTORS):
        if step - FACTORS.index(best) > WORSE:
            break
        shift = trained.shifts(surveys, distances, trained.rows, trained.usable, factor)["model"]
        p = inverse_logit(trained.odds + shift)
        loss[factor] = scores.log_loss(p.ravel(), y.ravel()) * y.size
        best = factor if loss[factor] < loss[best] else best
    return best if loss[FACTORS[0]] - loss[best] > GAIN else FACTORS[0]


def _compared(surveys: Surveys, straight: Floats, by_water: Floats, draws: int) -> dict[str, Any]:
    """Scores of both, and the gain of the second: estimate and interval."""
    waters, y = surveys.waters, surveys.waters.found
    whole_blocks = draws_of(blocks(waters.longitude, waters.latitude, BLOCKS), draws)
    less = difference(straight, by_water, y, whole_blocks)
    kinds = {"brier": scores.brier, "logLoss": scores.log_loss, "auc": scores.auc}
    return {
        name: {key: round(kind(p.ravel(), y.ravel()), 6) for key, kind in kinds.items()}
        for name, p in (("straight", straight), ("byWater", by_water))
    } | {"gain": {name: [less[name], *less[f"{name}Interval90"]] for name in ("brier", "logLoss")}}


def words_of(scores: Mapping[str, Any]) -> str:
    """What is said of distance by water, in a sentence or two.

    Parameters
    ----------
    scores : mapping
        The part ``byWater`` of scores.json.
    """

    def gained(name: str) -> str:
        estimate, low, high = scores["gain"][name]
        return f"{estimate:+.4f} (90 % interval {low:+.4f} to {high:+.4f})"

    off = scores["unsnapped"]
    placed = (
        f"{scores['snapped']:,} of {scores['snapped'] + off:,} surveyed waters stand on the stream network"
    )
    placed += f"; {off:,} lie near no flow line and keep their straight distance" if off else ""
    compared = (
        f"Brier {scores['byWater']['brier']:.4f} by water against {scores['straight']['brier']:.4f} in a "
        f"straight line, a gain of {gained('brier')}, in log loss of {gained('logLoss')}"
    )
    if scores["helps"]:
        factor = f"{scores['divideFactor']:g}"
        return f"Distance by water helps: {compared}. The fitted divideFactor is {factor}. {placed}."
    none = "Distance by water: no gain over straight distance that stands clear of 0"
    return f"{none}. {compared}; divideFactor is kept. {placed}."


def with_factor(fitted: Fitted, scores: Mapping[str, Any] | None) -> Fitted:
    """Settings with the fitted ``divideFactor``, where distance by water helps.

    Parameters
    ----------
    scores : mapping or None
        The part ``byWater`` of scores.json; None with too few waters to tell.
    """
    if scores is None or not scores["helps"]:
        words = "too few waters to tell what distance by water gains"
        if scores is not None:
            words = "distance by water gains nothing over straight distance on these surveys"
        return replace(fitted, kept=(*fitted.kept, f"divideFactor: {words}"))
    why = f"{fitted.settings.divide_factor:g} before; highest likelihood on a grid, held-out waters gain"
    return replace(
        fitted,
        settings=fitted.settings.replace(divide_factor=scores["divideFactor"]),
        changes={**fitted.changes, "divide_factor": why},
    )
