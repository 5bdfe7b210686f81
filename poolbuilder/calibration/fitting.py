"""Surveys ──► settings: what can be learnt from them, with weak priors; the rest stays."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.calibration.scorecard import FEW_WATERS, Predictions
from poolbuilder.calibration.surveys import Surveys
from poolbuilder.model.community import EFFORT_SLOPES, draw_line, gather
from poolbuilder.model.effort import FEW_COMPARISONS, agreement, fit_detectability, pair_km
from poolbuilder.model.hazard_fit import HazardFit, fit_hazard
from poolbuilder.model.logistic import fit, logit
from poolbuilder.model.scores import log_loss
from poolbuilder.settings import Settings, camel_case

__all__ = ["Fitted", "fit_settings", "toml_text"]

Floats = NDArray[np.float64]

NEAR_KM = (1.0, 2.0, 4.0, 8.0)
FAR_KM = (10.0, 20.0, 40.0)
GAIN = 2.0
"""Log-likelihood that a new scale must gain before it takes the place of the old one."""

MOST_HAZARD_WATERS = 600
"""The noisy-OR is fitted to so many waters at most, every so-manieth of them."""

FEW_REPEATS = 30
LINE_PRECISION = np.array([25.0, 25.0])
"""The calibration line is held near intercept 0 and slope 1, standard deviation 0.2."""


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """Settings that the surveys speak for.

    Attributes
    ----------
    settings : Settings
    changes : mapping
        snake_case name to words: what it was, what it is, and on what grounds.
    kept : tuple of str
        What these surveys cannot tell, and why.
    """

    settings: Settings
    changes: Mapping[str, str]
    kept: tuple[str, ...]


def _scales(surveys: Surveys, settings: Settings) -> tuple[float, float] | None:
    """Near and far scale of effort that predict the surveys best, when they gain enough."""
    waters, ground = surveys.waters, surveys.ground

    def loss(near: float, far: float) -> float:
        tried = settings.replace(effort_near_km=near, effort_far_km=far)
        x = gather(waters.points, None, ground, settings=tried)
        line = draw_line(x, waters.found, EFFORT_SLOPES, found_share=1.0)
        p = 1 / (1 + np.exp(-line.log_odds(x)))
        return log_loss(p.ravel(), waters.found.ravel()) * waters.found.size

    start = loss(settings.effort_near_km, settings.effort_far_km)
    tried = {(near, far): loss(near, far) for near in NEAR_KM for far in FAR_KM if far > near}
    best = min(tried, key=lambda pair: (tried[pair], pair))
    return best if start - tried[best] > GAIN else None


def _hazard(surveys: Surveys, settings: Settings) -> HazardFit:
    """The noisy-OR fitted to the surveys: leaks, weight, kernel scale, half-life and qualities."""
    waters, ground = surveys.waters, surveys.ground
    step = max(1, -(-len(waters) // MOST_HAZARD_WATERS))
    rows = np.arange(0, len(waters), step)
    distance = pair_km(waters.points[rows], ground.points)
    usable = (distance > settings.effort_gap_km) & (distance <= settings.reach_km)
    ranges = replace(surveys.ranges, code=surveys.ranges.code[rows], km=surveys.ranges.km[rows])
    return fit_hazard(
        distance, usable, surveys.sightings, waters.found[rows], ranges=ranges, settings=settings
    )


def _hazard_words(found: HazardFit, name: str) -> str:
    low, high = found.interval90[name]
    return (
        "posterior mode of the noisy-OR, waters predicted from beyond the gap; "
        f"90 % interval {low:.3g} to {high:.3g}"
    )


def _line(p: Floats, y: Floats) -> tuple[float, float]:
    """Intercept and slope of the calibration line under a weak prior."""
    x = np.stack([np.ones(p.size), logit(p.ravel())], axis=1)
    found = fit(x, y.ravel(), mean=np.array([0.0, 1.0]), precision=LINE_PRECISION).coefficients
    return float(found[0]), float(found[1])


def fit_settings(surveys: Surveys, predictions: Mapping[str, Predictions], *, settings: Settings) -> Fitted:
    """Fit what the surveys can tell.

    With fewer than 30 waters every number keeps its start value.
    """
    waters = surveys.waters
    if len(waters) < FEW_WATERS:
        return Fitted(
            settings=settings,
            changes={},
            kept=(f"{len(waters):,} waters are too few to fit anything (30 are needed): all settings kept",),
        )
    values: dict[str, float] = {}
    why: dict[str, str] = {}
    kept = []

    def take(found: Mapping[str, float], reason: str) -> None:
        for name, value in found.items():
            values[name] = float(f"{value:.4g}")
            why[name] = f"{getattr(settings, name):g} before; {reason}"

    scales = _scales(surveys, settings)
    if scales is None:
        kept.append("scales of effort: no other predicts these surveys better")
    else:
        take(
            dict(zip(("effort_near_km", "effort_far_km"), scales, strict=True)),
            "highest likelihood on a grid",
        )
    hazard = _hazard(surveys, settings)
    kept += hazard.kept
    if hazard.converged:
        for name, value in hazard.values.items():
            take({name: value}, _hazard_words(hazard, name))
    else:
        kept.append("all of the noisy-OR: the fit did not come to rest")
    share, comparisons = agreement(surveys.lists)
    if comparisons >= FEW_COMPARISONS and 0.05 <= share <= 1:
        take(
            {"complete_list_agreement": share},
            f"agreement of neighbouring lists, {comparisons:.0f} comparisons",
        )
    else:
        kept.append(
            "agreement of complete lists: too few surveys stand within half a kilometre of each other"
        )
    seen = fit_detectability(surveys.lists, settings=settings)
    if seen.lists >= FEW_REPEATS:
        found = {"list_alpha": max(-10.0, seen.group_alpha), "list_beta": min(seen.beta, 5.0)}
        take(found, f"{seen.lists:,} repeat lists")
    else:
        kept.append(f"detectability by list length: {seen.lists:,} repeat lists are too few")
    if "leaveOneOut" in predictions:
        presence = predictions["leaveOneOut"].presence
        learnt = presence.get("recordsAlone", presence["model"])  # what a pool is built with
        intercept, slope = _line(learnt, waters.found)
        take(
            {"calibration_intercept": intercept, "calibration_slope": slope},
            "calibration line of the cross-validated predictions",
        )
    return Fitted(settings=settings.replace(**values), changes=why, kept=tuple(kept))


def toml_text(fitted: Fitted, calibration: Mapping[str, Any], *, head: str) -> str:
    """The settings file: every fitted number with its grounds, and what a pool says of them."""
    lines = [f"# {line}".rstrip() for line in head.splitlines()]
    lines += ["", "[settings]"]
    for name in sorted(fitted.changes):
        lines += [f"# {fitted.changes[name]}", f"{camel_case(name)} = {getattr(fitted.settings, name)!r}"]
    given = {camel_case(name) for name in fitted.changes}
    lines += [
        f"{name} = {json.dumps(value)}"
        for name, value in fitted.settings.changed().items()
        if name not in given
    ]
    lines += ["", *(f"# kept: {words}" for words in fitted.kept), "", "[calibration]"]
    rows = calibration.get("reliability", ())
    plain = {key: value for key, value in calibration.items() if key != "reliability" and value is not None}
    lines += [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in plain.items()]
    for row in rows:
        lines += ["", "[[calibration.reliability]]"]
        lines += [f"{key} = {json.dumps(value)}" for key, value in row.items()]
    return "\n".join(lines) + "\n"
