"""Cross-validation: every water predicted from the others, by models that never saw it.

Two schemes.  *leaveOneOut*: clusters of waters are left out (waters nearer than the gap to
one another are of one cluster, so no training water stands within the gap of a tested one);
evidence for a water comes from all places beyond the gap.  *blocks*: whole spatial blocks are left
out, evidence and all.  In both, what trains a model never draws on records near a tested
water: evidence around the training waters that lies within the gap of a tested one is
withheld too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.community import (
    COMMUNITY_SLOPES,
    EFFORT_SLOPES,
    GLIMPSE,
    Ground,
    draw_line,
    gather,
)
from poolbuilder.model.effort import pair_km
from poolbuilder.model.logistic import fit, inverse_logit
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.settings import Settings

__all__ = [
    "BASELINES",
    "Fold",
    "Waters",
    "baselines",
    "blocks",
    "clusters",
    "cross_validate",
    "folds_of",
    "make_folds",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ROWS = 256
BASELINES = (
    "prevalence",
    "anyRecord",
    "recordShare",
    "nearestDistance",
    "occupancyShare",
    "kernelShare",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Waters:
    """Surveyed waters: what was found, and what else lives there.

    Attributes
    ----------
    longitude, latitude : (n,) array
    found : (n, s) array
        1 where a survey found the species.
    others : (n, k) array
        Other fishes, in the columns of the ground.
    listed : (n,) bool array
        Whether the records hold a list of the water, so that its other fishes are known.
    species : tuple of str
    """

    longitude: Floats
    latitude: Floats
    found: Floats
    others: Floats
    listed: Bools
    species: tuple[str, ...]

    @property
    def points(self) -> Floats:
        """ECEF coordinates in metres, (n, 3)."""
        return to_ecef(self.longitude, self.latitude)

    def __len__(self) -> int:
        return len(self.longitude)


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
class Fold:
    """One part of a scheme: tested and training waters, and the places open to each."""

    test: Ints
    train: Ints
    for_test: Bools
    for_train: Bools


def make_folds(
    waters: Waters, ground: Ground, label: Ints, *, closed: bool, settings: Settings
) -> list[Fold]:
    """Folds of a scheme.

    Parameters
    ----------
    label : (n,) int array
        Fold of each water.
    closed : bool
        Whether the places around a tested water, out to the border of its block, are
        withheld from it too.
    """
    points, gap = waters.points, settings.effort_gap_km
    nearest = np.empty(len(ground.points), dtype=np.int64)
    for start in range(0, len(ground.points), ROWS):
        rows = slice(start, start + ROWS)
        nearest[rows] = label[pair_km(ground.points[rows], points).argmin(axis=1)]
    made = []
    for one in np.unique(label).tolist():
        test = np.flatnonzero(label == one)
        near = _near(ground.points, points[test], gap)
        outside = nearest != one
        rest = np.flatnonzero(label != one)
        train = rest[~_near(points[rest], points[test], gap)]
        everywhere = np.ones(len(ground.points), dtype=bool)
        made.append(
            Fold(
                test=test,
                train=train,
                for_test=outside if closed else everywhere,
                for_train=(outside & ~near) if closed else ~near,
            )
        )
    return made


def _near(points: Floats, others: Floats, gap_km: float) -> Bools:
    """Which points lie within the gap of any of the others."""
    out = np.zeros(len(points), dtype=bool)
    for start in range(0, len(points), ROWS):
        rows = slice(start, start + ROWS)
        out[rows] = (pair_km(points[rows], others) <= gap_km).any(axis=1)
    return out


def cross_validate(
    waters: Waters, ground: Ground, folds: list[Fold], *, settings: Settings, alone: bool = False
) -> dict[str, Floats]:
    """Predict every water by models that never saw it.

    Parameters
    ----------
    alone : bool
        Whether to predict also by what the records teach without the surveys, as a pool is
        built where nobody surveyed.

    Returns
    -------
    dict
        ``model`` (with the water's other fishes), ``withoutCommunity`` and each of
        BASELINES, every one (n, s), strictly between 0 and 1 for the first two; with
        *alone* also ``recordsAlone``.
    """
    points = waters.points
    shape = waters.found.shape
    out = {name: np.full(shape, np.nan) for name in ("model", "withoutCommunity", *BASELINES)}
    for fold in folds:
        train, test = fold.train, fold.test
        y = waters.found[train]
        x = gather(points[train], waters.others[train], ground, settings=settings, usable=fold.for_train)
        z = gather(points[test], waters.others[test], ground, settings=settings, usable=fold.for_test)
        k = len(EFFORT_SLOPES)
        full = draw_line(x, y, COMMUNITY_SLOPES, found_share=1.0)
        bare = draw_line(x[:, :, :k], y, EFFORT_SLOPES, found_share=1.0)
        out["model"][test] = inverse_logit(full.log_odds(z))
        out["withoutCommunity"][test] = inverse_logit(bare.log_odds(z[:, :, :k]))
        if alone:
            out.setdefault("recordsAlone", np.full(shape, np.nan))[test] = _alone(
                z, _known(waters, ground)[test], ground, fold, settings
            )
        for name, value in baselines(waters, ground, fold, settings=settings).items():
            out[name][test] = value
    return out


def _known(waters: Waters, ground: Ground) -> Bools:
    """Where the records tell of the other fishes; a thin list of candidates alone does not."""
    if ground.completeness >= GLIMPSE:
        return waters.listed
    known: Bools = waters.listed & (waters.others.sum(axis=1) > 0)
    return known


def _alone(z: Floats, known: Bools, ground: Ground, fold: Fold, settings: Settings) -> Floats:
    """Presence at the tested waters by a model that learnt from the records only.

    Waters whose other fishes are not *known* are predicted from effort alone.
    """
    rows = np.flatnonzero(fold.for_train & ground.teaches)
    x = gather(
        ground.points[rows], ground.places.others[rows], ground, settings=settings, usable=fold.for_train
    )
    y, c, k = ground.places.found[rows], ground.completeness, len(EFFORT_SLOPES)
    full = draw_line(x, y, COMMUNITY_SLOPES, found_share=c).log_odds(z)
    bare = draw_line(x[:, :, :k], y, EFFORT_SLOPES, found_share=c).log_odds(z[:, :, :k])
    return inverse_logit(np.where(known[:, None], full, bare))


def baselines(waters: Waters, ground: Ground, fold: Fold, *, settings: Settings) -> dict[str, Floats]:
    """Simple answers to the same question, for the tested waters of a fold, each (m, s)."""
    points = waters.points
    y = waters.found[fold.train]
    usual = y.mean(axis=0)
    prevalence = np.broadcast_to(usual, (len(fold.test), y.shape[1]))
    counts = _Counts(points[fold.test], ground, fold.for_test, usual, settings)
    taught = _Counts(points[fold.train], ground, fold.for_train, usual, settings)
    return {
        "prevalence": prevalence,
        "anyRecord": (counts.records > 0).astype(float),
        "recordShare": counts.records / np.maximum(counts.records.sum(axis=1, keepdims=True), 1),
        "nearestDistance": _by_distance(taught.nearest_km, y, counts.nearest_km),
        "occupancyShare": counts.records / np.maximum(counts.places, 1)[:, None],
        "kernelShare": counts.kernel_share,
    }


BASELINE_KERNEL_KM = 3.0


class _Counts:
    """Records of each species around each water, as simple methods use them."""

    def __init__(
        self, points: Floats, ground: Ground, usable: Bools, usual: Floats, settings: Settings
    ) -> None:
        found = ground.places.found
        size, s = len(points), found.shape[1]
        self.records = np.zeros((size, s))
        self.places = np.zeros(size)
        self.nearest_km = np.full((size, s), settings.effort_reach_km)
        self.kernel_share = np.zeros((size, s))
        for start in range(0, size, ROWS):
            rows = slice(start, start + ROWS)
            distance = pair_km(points[rows], ground.points)
            open_to = (distance > settings.effort_gap_km) & (distance <= settings.effort_reach_km) & usable
            self.records[rows] = open_to @ found
            self.places[rows] = open_to.sum(axis=1)
            kernel = np.exp(-distance / BASELINE_KERNEL_KM) * open_to
            self.kernel_share[rows] = (kernel @ found + 0.2 * usual) / (kernel.sum(axis=1) + 0.2)[:, None]
            for j in range(s):
                holds = open_to & (found[:, j] > 0)
                shortest = np.where(holds, distance, settings.effort_reach_km).min(axis=1)
                self.nearest_km[rows, j] = shortest


def _by_distance(taught_km: Floats, y: Floats, asked_km: Floats) -> Floats:
    """Logistic line of presence on the distance to the nearest record, per species."""
    out = np.zeros(asked_km.shape)
    for j in range(y.shape[1]):
        x = np.column_stack([np.ones(len(y)), np.log1p(taught_km[:, j])])
        line = fit(x, y[:, j], mean=np.array([0.0, -1.0]), precision=np.array([0.05, 0.1]))
        out[:, j] = inverse_logit(line.coefficients[0] + line.coefficients[1] * np.log1p(asked_km[:, j]))
    return out
