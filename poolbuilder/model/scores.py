"""How good probabilities are: Brier, log loss, AUC, calibration line, ECE, reliability.

Definitions, each pinned by a test against a reference library or worked values: Brier 1950,
Mon. Weather Rev. 78:1-3; Cox 1958, Biometrika 45:562-565, for the calibration line; Van
Calster et al. 2019, BMC Med. 17:230; Naeini et al. 2015, AAAI, for the expected calibration
error with equal bins (all from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.logistic import inverse_logit, logit

__all__ = [
    "BINS",
    "SCORES",
    "auc",
    "brier",
    "calibration_line",
    "ece",
    "log_loss",
    "reliability",
    "score",
]

Floats = NDArray[np.float64]

BINS = 10
"""Equal bins of probability, closed on the left, the last closed on both sides."""

SCORES = ("brier", "logLoss", "auc", "ece", "slope", "intercept")

_EDGE = 1e-9
MOST_STEPS = 60
STEEPEST = 30.0
"""A calibration slope beyond this means that outcomes are perfectly separated."""


def _weights(y: Floats, weight: Floats | None) -> Floats:
    return np.ones(len(y)) if weight is None else weight


def brier(p: Floats, y: Floats, weight: Floats | None = None) -> float:
    """Mean squared difference of probability and outcome."""
    w = _weights(y, weight)
    return float((w * (p - y) ** 2).sum() / w.sum())


def log_loss(p: Floats, y: Floats, weight: Floats | None = None) -> float:
    """Mean negative log-likelihood, natural logarithm; p is kept 1e-9 off 0 and 1."""
    w = _weights(y, weight)
    q = np.clip(p, _EDGE, 1 - _EDGE)
    return float(-(w * (y * np.log(q) + (1 - y) * np.log1p(-q))).sum() / w.sum())


def auc(p: Floats, y: Floats, weight: Floats | None = None) -> float:
    """Chance that a presence is given more than an absence, ties counting half; NaN with one class."""
    w = _weights(y, weight)
    _, tie = np.unique(p, return_inverse=True)
    size = int(tie.max(initial=-1)) + 1
    present = np.bincount(tie, w * y, minlength=size)
    absent = np.bincount(tie, w * (1 - y), minlength=size)
    if present.sum() <= 0 or absent.sum() <= 0:
        return float("nan")
    below = np.cumsum(absent) - absent
    return float((present * (below + absent / 2)).sum() / (present.sum() * absent.sum()))


def _bin(p: Floats) -> NDArray[np.int64]:
    return np.minimum((p * BINS).astype(np.int64), BINS - 1)


def ece(p: Floats, y: Floats, weight: Floats | None = None) -> float:
    """Expected calibration error over ten equal bins."""
    w = _weights(y, weight)
    where = _bin(p)
    gap = np.bincount(where, w * (p - y), minlength=BINS)
    return float(np.abs(gap).sum() / w.sum())


def reliability(p: Floats, y: Floats) -> list[dict[str, float]]:
    """Mean probability, observed share and count of each of ten equal bins that holds any."""
    where = _bin(p)
    count = np.bincount(where, minlength=BINS)
    rows = []
    for i in np.flatnonzero(count).tolist():
        inside = where == i
        rows.append(
            {
                "low": i / BINS,
                "high": (i + 1) / BINS,
                "meanPresence": float(p[inside].mean()),
                "observedShare": float(y[inside].mean()),
                "count": int(count[i]),
            }
        )
    return rows


def calibration_line(p: Floats, y: Floats, weight: Floats | None = None) -> tuple[float, float]:
    """Slope and intercept of ``logit P(y) = intercept + slope logit(p)``, fitted together.

    NaN where the outcomes are all alike, perfectly separated, or the probabilities all equal.
    """
    w = _weights(y, weight)
    x = logit(np.clip(p, _EDGE, 1 - _EDGE))
    intercept, slope = 0.0, 1.0
    for _ in range(MOST_STEPS):
        q = inverse_logit(intercept + slope * x)
        spread, off = w * q * (1 - q), w * (y - q)
        a, b, d = spread.sum(), (spread * x).sum(), (spread * x**2).sum()
        determinant = a * d - b**2
        if not determinant > 1e-10 * a * d or abs(slope) > STEEPEST:
            return float("nan"), float("nan")
        up, out = off.sum(), (off * x).sum()
        steps = (d * up - b * out) / determinant, (a * out - b * up) / determinant
        size = max(1.0, abs(steps[0]), abs(steps[1]))
        intercept += float(steps[0] / size)
        slope += float(steps[1] / size)
        if max(abs(steps[0]), abs(steps[1])) < 1e-9:
            return slope, intercept
    return float("nan"), float("nan")


def score(p: Floats, y: Floats, weight: Floats | None = None) -> dict[str, float]:
    """All scores of flat arrays of probabilities and outcomes."""
    slope, intercept = calibration_line(p, y, weight)
    return {
        "brier": brier(p, y, weight),
        "logLoss": log_loss(p, y, weight),
        "auc": auc(p, y, weight),
        "ece": ece(p, y, weight),
        "slope": slope,
        "intercept": intercept,
    }
