"""Predicting surveyed waters that were left out: folds, and plain predictors beside the model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.logistic import fit, inverse_logit, pair_km

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ROWS = 256
REACH_KM = 40.0
KERNEL_KM = 3.0
BASELINES = ("prevalence", "anyRecord", "recordShare", "nearestDistance", "occupancyShare", "kernelShare")


def clusters(points: Floats, gap_km: float) -> Ints:
    """Number of the cluster of each point: chains of neighbours nearer than the gap, (n,)."""
    label = np.arange(len(points), dtype=np.int64)
    pairs = []
    for start in range(0, len(points), ROWS):
        a, b = np.nonzero(pair_km(points[start : start + ROWS], points) <= gap_km)
        pairs.append(np.stack([a + start, b], axis=1))
    joined = np.concatenate(pairs) if pairs else np.zeros((0, 2), dtype=np.int64)
    while True:
        lowest = label.copy()
        np.minimum.at(lowest, joined[:, 0], label[joined[:, 1]])
        lowest = lowest[lowest]
        if (lowest == label).all():
            break
        label = lowest
    return np.unique(label, return_inverse=True)[1].reshape(-1).astype(np.int64)


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
