"""How good probabilities are on waters left out: scores, folds, and plain predictors beside the model.

Definitions, each pinned by a test against a reference library or worked values: Brier 1950,
Mon. Weather Rev. 78:1-3; Cox 1958, Biometrika 45:562-565, for the calibration line; Van
Calster et al. 2019, BMC Med. 17:230; Naeini et al. 2015, AAAI, for the expected calibration
error with equal bins (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.logistic import fit, inverse_logit, logit, pair_km

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BINS = 10
"""Equal bins of probability, closed on the left, the last closed on both sides."""

SCORES = ("brier", "logLoss", "auc", "ece", "slope", "intercept")

ROWS = 256
REACH_KM = 40.0
KERNEL_KM = 3.0
BASELINES = ("prevalence", "anyRecord", "recordShare", "nearestDistance", "occupancyShare", "kernelShare")
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


def _bin(p: Floats) -> Ints:
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


# -- waters left out and plain predictors


def clusters(points: Floats, gap_km: float) -> Ints:
    """Number of the cluster of each point: chains of neighbours nearer than the gap, (n,)."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    near = cKDTree(points).query_pairs(1000 * gap_km, output_type="ndarray")
    joined = coo_array((np.ones(len(near)), (near[:, 0], near[:, 1])), shape=(len(points),) * 2)
    label: Ints = connected_components(joined, directed=False)[1].astype(np.int64)
    return label


def folds_of(cluster: Ints, number: int) -> Ints:
    """Deal clusters out to folds of like size: the largest first, each to the smallest fold, (n,)."""
    sizes = np.bincount(cluster)
    number = max(2, min(number, len(sizes)))
    load = np.zeros(number)
    fold = np.zeros(len(sizes), dtype=np.int64)
    for one in np.argsort(-sizes, kind="stable").tolist():
        smallest = int(load.argmin())
        fold[one] = smallest
        load[smallest] += sizes[one]
    return fold[cluster]


def blocks(longitude: Floats, latitude: Floats, number: int) -> Ints:
    """Divide waters into spatial blocks of like size, (n,).

    By halving, again and again, the largest block across its longer side.
    """
    label = np.zeros(len(longitude), dtype=np.int64)
    x = longitude * np.cos(np.radians(latitude.mean() if len(latitude) else 0.0))
    for new in range(1, number):
        largest = int(np.bincount(label).argmax())
        rows = np.flatnonzero(label == largest)
        if len(rows) < 2:
            break
        wide = np.ptp(x[rows]) >= np.ptp(latitude[rows])
        along = x[rows] if wide else latitude[rows]
        order = rows[np.lexsort((longitude[rows], latitude[rows], along))]
        label[order[len(order) // 2 :]] = new
    return label


@dataclass(frozen=True, eq=False)
class _Counts:
    """Records of each species around each water, as plain predictors use them."""

    records: Floats
    places: Floats
    nearest_km: Floats
    kernel_share: Floats


def _count(points: Floats, sites: Floats, found: Floats, usual: Floats, gap_km: float) -> _Counts:
    parts = []
    for start in range(0, max(len(points), 1), ROWS):
        km = pair_km(points[start : start + ROWS], sites)
        near = (km > gap_km) & (km <= REACH_KM)
        kernel = np.exp(-km / KERNEL_KM) * near
        nearest = np.stack(
            [
                np.where(near & (found[:, j] > 0), km, REACH_KM).min(axis=1, initial=REACH_KM)
                for j in range(found.shape[1])
            ],
            axis=1,
        )
        shares = (kernel @ found + 0.2 * usual) / (kernel.sum(axis=1) + 0.2)[:, None]
        parts.append((near @ found, near.sum(axis=1).astype(np.float64), nearest, shares))
    records, places, nearest_km, share = (np.concatenate([part[i] for part in parts]) for i in range(4))
    return _Counts(records, places, nearest_km, share)


def baselines(
    test: Floats, train: Floats, train_found: Floats, sites: Floats, found: Floats, *, gap_km: float
) -> dict[str, Floats]:
    """Plain answers to the same question from the same sites, (m, s) each.

    Parameters
    ----------
    test, train : (m, 3), (n, 3) array
        ECEF metres of the waters asked about, and of those whose fishes are known.
    train_found : (n, s) array
    sites, found : (k, 3), (k, s) array
        Sampled sites that may speak.
    """
    usual = train_found.mean(axis=0)
    asked = _count(test, sites, found, usual, gap_km)
    taught = _count(train, sites, found, usual, gap_km)
    by_distance = np.zeros((len(test), found.shape[1]))
    for j in range(by_distance.shape[1]):
        x = np.column_stack([np.ones(len(train)), np.log1p(taught.nearest_km[:, j])])
        line = fit(x, train_found[:, j], mean=np.array([0.0, -1.0]), precision=np.array([0.05, 0.1]))
        by_distance[:, j] = inverse_logit(
            line.coefficients[0] + line.coefficients[1] * np.log1p(asked.nearest_km[:, j])
        )
    return {
        "prevalence": np.broadcast_to(usual, by_distance.shape),
        "anyRecord": (asked.records > 0).astype(float),
        "recordShare": asked.records / np.maximum(asked.records.sum(axis=1, keepdims=True), 1),
        "nearestDistance": by_distance,
        "occupancyShare": asked.records / np.maximum(asked.places, 1)[:, None],
        "kernelShare": asked.kernel_share,
    }
