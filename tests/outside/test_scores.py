"""Scores against scikit-learn and worked values."""

from __future__ import annotations

import numpy as np
import pytest

from poolbuilder import Settings
from poolbuilder.model import scores

metrics = pytest.importorskip("sklearn.metrics")

P = np.array([0.05, 0.10, 0.20, 0.35, 0.50, 0.60, 0.75, 0.80, 0.90, 0.95])
Y = np.array([0, 0, 0, 1, 0, 1, 1, 0, 1, 1], dtype=float)


def test_ten_predictions() -> None:
    """Computed with scikit-learn; the calibration line (Cox 1958, from memory) by maximum likelihood."""
    assert scores.brier(P, Y) == pytest.approx(0.16)
    assert scores.log_loss(P, Y) == pytest.approx(0.468737, abs=1e-6)
    assert scores.auc(P, Y) == pytest.approx(0.84)
    slope, intercept = scores.calibration_line(P, Y)
    assert intercept == pytest.approx(-0.130520, abs=1e-6)
    assert slope == pytest.approx(0.987549, abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("weighted", [False, True])
def test_random_predictions_against_scikit_learn(seed: int, weighted: bool) -> None:
    rng = np.random.default_rng(seed)
    p = rng.beta(0.6, 1.5, size=400).round(2)  # with ties, 0s and 1s
    y = (rng.random(400) < p).astype(float)
    weight = rng.integers(0, 4, size=400).astype(float) if weighted else None
    q = np.clip(p, 1e-9, 1 - 1e-9)
    assert scores.brier(p, y, weight) == pytest.approx(metrics.brier_score_loss(y, p, sample_weight=weight))
    assert scores.log_loss(p, y, weight) == pytest.approx(metrics.log_loss(y, q, sample_weight=weight))
    assert scores.auc(p, y, weight) == pytest.approx(metrics.roc_auc_score(y, p, sample_weight=weight))


def test_the_calibration_line_against_scikit_learn() -> None:
    """Unpenalised logistic regression of the outcome on logit(p)."""
    linear = pytest.importorskip("sklearn.linear_model")
    rng = np.random.default_rng(7)
    p = rng.uniform(0.02, 0.98, size=500)
    y = (rng.random(500) < p**1.5).astype(float)
    line = linear.LogisticRegression(C=np.inf, tol=1e-10, max_iter=500).fit(
        np.log(p / (1 - p))[:, None], y.astype(int)
    )
    slope, intercept = scores.calibration_line(p, y)
    assert slope == pytest.approx(line.coef_[0, 0], abs=1e-4)
    assert intercept == pytest.approx(line.intercept_[0], abs=1e-4)


def test_expected_calibration_error_by_hand() -> None:
    """Ten equal bins, closed on the left, the last on both sides (Naeini et al. 2015, from memory).

    Only 0.90 and 0.95 share a bin, where the gap of their sums is 0.15; every other
    prediction differs from its outcome by itself.
    """
    single = np.abs(P - Y)[:-2].sum()
    assert scores.ece(P, Y) == pytest.approx((single + 0.15) / 10)
    assert scores.ece(np.array([1.0, 0.9]), np.array([1.0, 0.0])) == pytest.approx(0.9 / 2)


# -- the noisy-OR on a line of eight sites -------------------------------------------------

SITES = np.array([0.0, 5, 12, 20, 45, 60, 66, 100])
FOUND = np.array([[1, 1, 1, 0, 0, 1, 1, 0], [0, 0, 1, 1, 1, 0, 0, 0]], dtype=float).T
DISTANCE = np.abs(SITES[:, None] - SITES)
OTHERS = ~np.eye(8, dtype=bool)
SETTINGS = Settings()
