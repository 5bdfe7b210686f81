"""Predictions of surveyed waters ──► scores beside baselines, with bootstrap intervals."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.calibration.surveys import Surveys
from poolbuilder.model import hazard, scores
from poolbuilder.model.calibrate import (
    BASELINES,
    Fold,
    blocks,
    clusters,
    cross_validate,
    folds_of,
    make_folds,
)
from poolbuilder.model.effort import chunks, pair_km
from poolbuilder.model.hybrid_waters import learn_hybrid_waters
from poolbuilder.model.logistic import inverse_logit, logit
from poolbuilder.settings import Settings

__all__ = [
    "COMMON_SHARE",
    "FEW_WATERS",
    "SCHEMES",
    "Predictions",
    "difference",
    "draws_of",
    "predict_surveys",
    "score_scheme",
    "without_lists",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SCHEMES = ("leaveOneOut", "blocks")
FEW_WATERS = 30
"""With fewer waters nothing is called calibrated."""

METHODS = ("model", "withoutCommunity", "recordsAlone", "noLists")
FOLDS = 10
BLOCKS = 10
DRAWS = 200
SEED = 1
"""Of the bootstrap; fixed, so that the same surveys give the same bytes."""

COMMON_SHARE = 0.05
"""A species is common when it was found at this share of the waters, and rare below."""
RARITY_POWER = 0.25
KEEP = 0.99
FIRST_PAIRS = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Predictions:
    """Cross-validated predictions of one scheme.

    Attributes
    ----------
    presence : mapping
        Method to (n, s) array.
    group : (n,) int array
        Fold of each water.
    folds : int
    """

    presence: Mapping[str, Floats]
    group: Ints
    folds: int


def predict_surveys(surveys: Surveys, *, settings: Settings) -> dict[str, Predictions]:
    """Predict every surveyed water under both schemes by models that never saw it.

    Returns
    -------
    dict
        Scheme to predictions.  A scheme that leaves no training water is missing.
    """
    waters, ground = surveys.waters, surveys.ground
    labels = {
        "leaveOneOut": folds_of(clusters(waters.points, settings.effort_gap_km), FOLDS),
        "blocks": blocks(waters.longitude, waters.latitude, BLOCKS),
    }
    made = {}
    for scheme, label in labels.items():
        folds = make_folds(waters, ground, label, closed=scheme == "blocks", settings=settings)
        if not folds or min(len(fold.train) for fold in folds) == 0:
            continue
        presence = cross_validate(waters, ground, folds, settings=settings, alone=surveys.apart)
        presence["noLists"] = without_lists(surveys, folds, settings)
        made[scheme] = Predictions(presence=presence, group=label, folds=len(folds))
    return made


def without_lists(surveys: Surveys, folds: Sequence[Fold], settings: Settings) -> Floats:
    """Presence as a pool gives it without lists of the wider group: the noisy-OR as it starts, (n, s)."""
    points, ground = surveys.waters.points, surveys.ground.points
    strength = surveys.sightings.strength(settings=settings)
    leaks = surveys.ranges.leaks(settings=settings)
    out = np.empty(surveys.waters.found.shape)
    for fold in folds:
        for some in chunks(len(fold.test)):
            rows = fold.test[some]
            distance = pair_km(points[rows], ground)
            near = (distance > settings.effort_gap_km) & (distance <= settings.reach_km) & fold.for_test
            out[rows] = hazard.presence(distance, near, strength, leaks=leaks[rows], settings=settings)
    return out


def draws_of(group: Ints, size: int) -> Floats:
    """Weights of each water in bootstrap samples of whole groups, (draws, n)."""
    rng = np.random.default_rng(SEED)
    names, code = np.unique(group, return_inverse=True)
    taken = rng.integers(0, len(names), size=(size, len(names)))
    counts = np.stack([np.bincount(row, minlength=len(names)) for row in taken])
    out: Floats = counts[:, code.reshape(-1)].astype(float)
    return out


def _clean(value: float) -> float | None:
    """A number for JSON, rounded to six decimals; None for what is not a number."""
    return round(float(value), 6) + 0.0 if math.isfinite(value) else None  # no -0.0


def _interval(values: list[float]) -> list[float | None]:
    finite = np.array([value for value in values if math.isfinite(value)])
    if len(finite) < len(values) / 2 or not len(finite):
        return [None, None]
    return [_clean(float(q)) for q in np.quantile(finite, [0.05, 0.95])]


def _scored(p: Floats, y: Floats, weights: Floats) -> dict[str, Any]:
    """Scores of one method with 90 % intervals; *weights* are (draws, n) by water."""
    flat = {name: _clean(value) for name, value in scores.score(p.ravel(), y.ravel()).items()}
    kept = [
        scores.score(p.ravel(), y.ravel(), np.repeat(weight, y.shape[1]))
        for weight in weights
        if weight.sum() > 0
    ]
    intervals = {name: _interval([one[name] for one in kept]) for name in scores.SCORES}
    return {**flat, "interval90": intervals}


def difference(p: Floats, other: Floats, y: Floats, weights: Floats) -> dict[str, Any]:
    """Brier and log loss of a method less those of a baseline; below 0 the method is better."""

    def less(kind: Callable[..., float], weight: Floats | None) -> float:
        flat = None if weight is None else np.repeat(weight, y.shape[1])
        return kind(p.ravel(), y.ravel(), flat) - kind(other.ravel(), y.ravel(), flat)

    out: dict[str, Any] = {}
    for name, kind in (("brier", scores.brier), ("logLoss", scores.log_loss)):
        out[name] = _clean(less(kind, None))
        out[f"{name}Interval90"] = _interval([less(kind, weight) for weight in weights if weight.sum() > 0])
    return out


def _cuts(p: Floats, y: Floats) -> dict[str, Any]:
    """Lists cut to keep 99 % of occurrences: pooled, and with regard to rarity."""
    share = y.mean(axis=0)
    rare = np.flatnonzero(share < COMMON_SHARE).tolist()

    def told(cut: scores.Cut) -> dict[str, Any]:
        return {
            "threshold": _clean(cut.threshold),
            "occurrencesKept": _clean(cut.share),
            "speciesPerWater": _clean(cut.length),
            "rareOccurrencesKept": _clean(cut.rare_share),
        }

    return {
        "keep": KEEP,
        "rareBelowShare": COMMON_SHARE,
        "pooled": told(scores.cut(p, y, keep=KEEP, rare=rare)),
        "byRarity": {
            "power": RARITY_POWER,
            **told(scores.cut(p / share**RARITY_POWER, y, keep=KEEP, rare=rare)),
        },
    }


def _pairs_found(p: Floats, y: Floats, rows: Ints) -> float:
    """Share of the pairs caught together that stand among the first three, as far as three can hold them."""
    every = list(combinations(range(p.shape[1]), 2))
    hit = possible = 0
    for row in rows.tolist():
        value = np.array([p[row, a] * p[row, b] for a, b in every])
        caught = {i for i, (a, b) in enumerate(every) if y[row, a] > 0 and y[row, b] > 0}
        first = set(np.argsort(-value, kind="stable")[:FIRST_PAIRS].tolist())
        hit += len(first & caught)
        possible += min(FIRST_PAIRS, len(caught))
    return hit / possible if possible else math.nan


def _beside_hybrids(p: Floats, surveys: Surveys, group: Ints) -> Floats:
    """Presence in a water that holds a hybrid, the shifts learnt from the other folds' hybrids, (n, s)."""
    y = surveys.waters.found
    odds = logit(p)
    out = p.copy()
    for one in np.unique(group).tolist():
        rows = np.flatnonzero(surveys.hybrid & (group != one))
        learnt = learn_hybrid_waters(odds[rows], y[rows], surveys.waters.species, found_share=1.0)
        if learnt is not None:
            tested = group == one
            out[tested] = inverse_logit(odds[tested] + [learnt.shift(name) for name in learnt.species])
    return out


def _crosses(predictions: Predictions, surveys: Surveys) -> dict[str, Any]:
    """How the pairs caught beside a hybrid rank in the lists of crosses.

    The model's with what the hybrids of other folds tell, as in a pool, and by presence alone.
    """
    y = surveys.waters.found
    presence = predictions.presence
    rows = np.flatnonzero(surveys.hybrid & (y.sum(axis=1) >= 2))
    models = ("model", "withoutCommunity")
    pairs = {name: _beside_hybrids(presence[name], surveys, predictions.group) for name in models}
    alone = {f"{name}ByPresence": presence[name] for name in models}
    simple = {name: presence[name] for name in ("recordShare", "kernelShare")}
    return {
        "waters": len(rows),
        "first": FIRST_PAIRS,
        **{name: _clean(_pairs_found(p, y, rows)) for name, p in {**pairs, **alone, **simple}.items()},
    }


def _by_kind(p: Floats, bare: Floats, surveys: Surveys) -> dict[str, Any]:
    """Scores for each kind of sampling that has enough waters."""
    kinds = np.array(surveys.kinds)
    out: dict[str, Any] = {}
    for kind in sorted(set(surveys.kinds)):
        rows = kinds == kind
        y = surveys.waters.found[rows]
        if rows.sum() < FEW_WATERS or not 0 < y.mean() < 1:
            out[kind] = {"sites": int(rows.sum()), "model": None, "withoutCommunity": None}
            continue
        told = {}
        for name, values in (("model", p), ("withoutCommunity", bare)):
            whole = scores.score(values[rows].ravel(), y.ravel())
            told[name] = {key: _clean(value) for key, value in whole.items()}
        out[kind] = {"sites": int(rows.sum()), **told}
    return out


def _by_species(p: Floats, surveys: Surveys) -> dict[str, Any]:
    y = surveys.waters.found
    out = {}
    for j, name in enumerate(surveys.waters.species):
        told = {key: _clean(value) for key, value in scores.score(p[:, j], y[:, j]).items()}
        out[name] = {"found": int(y[:, j].sum()), **told}
    return out


def score_scheme(surveys: Surveys, predictions: Predictions, *, draws: int = DRAWS) -> dict[str, Any]:
    """Everything that is said of one scheme, ready for JSON.

    Parameters
    ----------
    draws : int
        Bootstrap samples.

    Notes
    -----
    Intervals of scores come from resampling waters, those of differences from resampling
    ten spatial blocks; all are 90 %.
    """
    y = surveys.waters.found
    presence = predictions.presence
    waters = draws_of(np.arange(len(y)), draws)
    whole_blocks = draws_of(blocks(surveys.waters.longitude, surveys.waters.latitude, BLOCKS), draws)
    prevalence = presence["prevalence"]
    methods = [name for name in METHODS if name in presence]
    card: dict[str, Any] = {"sites": len(y), "folds": predictions.folds}
    for name in methods:
        card[name] = _scored(presence[name], y, waters)
        base = scores.brier(prevalence.ravel(), y.ravel())
        card[name]["skill"] = _clean(1 - card[name]["brier"] / base) if base else None
        card[name]["reliability"] = [
            {key: _clean(value) for key, value in row.items()}
            for row in scores.reliability(presence[name].ravel(), y.ravel())
        ]
    card["baselines"] = {name: _scored(presence[name], y, waters) for name in BASELINES}
    card["differences"] = {
        name: {
            base: difference(presence[name], presence[base], y, whole_blocks)
            for base in (*BASELINES, *(["withoutCommunity"] if name == "model" else []))
        }
        for name in methods
    }
    card["bySpecies"] = _by_species(presence["model"], surveys)
    card["byKind"] = _by_kind(presence["model"], presence["withoutCommunity"], surveys)
    card["cut"] = _cuts(presence["model"], y)
    card["crosses"] = _crosses(predictions, surveys)
    return card
