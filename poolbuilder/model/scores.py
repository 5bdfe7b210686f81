"""What surveys tell of the model: how good it is on waters left out, and its constants.

Scores, folds, and plain predictors beside the model; agreement of lists, detection and turnover from repeat
lists.

Definitions, each pinned by a test against a reference library or worked values: Brier 1950,
Mon. Weather Rev. 78:1-3; Cox 1958, Biometrika 45:562-565, for the calibration line; Van
Calster et al. 2019, BMC Med. 17:230; Naeini et al. 2015, AAAI, for the expected calibration
error with equal bins (all from memory).
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln

from poolbuilder.model.constants import Constants
from poolbuilder.model.logistic import fit, inverse_logit, logit, pair_km
from poolbuilder.model.looking import RUNNING, STILL, Looking, list_agreement

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


# -- the constants that lists of surveys can tell: agreement, detection, turnover ---------------

Fitted = Mapping[tuple[str, str], tuple[float, float, int]]
"""Constant and what it is of, to its value, its standard error and the cases it rests on."""

FEW_LISTS, FEW_HISTORIES, FEW_PAIRS = 100, 100, 200
LEAST_VISITS = 3
GRID = np.exp(np.linspace(math.log(0.05), math.log(5.0), 41))
RATES = np.array([0.0005, 0.001, 0.0015, 0.002, 0.003, 0.004, 0.006, 0.008, 0.012, 0.02, 0.03, 0.05])
PRIOR_PAIRS = 300.0


def fit_constants(lookings: Sequence[Looking], given: Constants) -> Fitted:
    """Fit what the lists of some regions can tell.

    Parameters
    ----------
    lookings : sequence of Looking
        Of near-complete lists.
    given : Constants
        Turnover of single species is held near what all species share.

    Returns
    -------
    mapping
        ``agreement`` by water type, ``metA`` and ``metB`` (how often a list names a candidate
        that its site was ever found to hold), ``turnover`` (of all, and by species).  Too few cases: missing.
    """
    found: dict[tuple[str, str], tuple[float, float, int]] = {}
    for name, kind in (("still", STILL), ("running", RUNNING)):
        told = [list_agreement(looking, kind) for looking in lookings]
        told = [(value, pairs) for value, pairs in told if pairs >= FEW_LISTS and math.isfinite(value)]
        if told:
            values, pairs = np.array([one for one, _ in told]), np.array([two for _, two in told])
            mean = float((values * pairs).sum() / pairs.sum())
            spread = float(np.sqrt((pairs * (values - mean) ** 2).sum() / pairs.sum()))
            found["agreement", name] = (mean, max(spread, 0.02), int(pairs.sum()))
    hits, visits = _histories(lookings)
    if len(hits) >= FEW_HISTORIES:
        a, b, spread = _beta(hits, visits)
        found["metA", ""] = (a, spread, len(hits))
        found["metB", ""] = (b, spread * b / a, len(hits))
    gaps = _pairs(lookings)
    if len(gaps.years) >= FEW_PAIRS:
        detected = given.detection_a / (given.detection_a + given.detection_b)
        own = {}
        for name in sorted(set(gaps.species.tolist())):
            rows = gaps.species == name
            if rows.sum() >= FEW_PAIRS:
                own[str(name)] = (*_rate(gaps, rows, detected), int(rows.sum()))
        if own:
            size = np.array([n for _, _, n in own.values()], dtype=float)
            logs = np.log([rate for rate, _, _ in own.values()])
            mean = float((size * logs).sum() / size.sum())
            found["turnover", ""] = (math.exp(mean), float(np.std(logs)) * math.exp(mean), int(size.sum()))
            for name, (rate, error, n) in own.items():
                weight = n / (n + PRIOR_PAIRS)
                found["turnover", name] = (math.exp(weight * math.log(rate) + (1 - weight) * mean), error, n)
    return found


def _histories(lookings: Sequence[Looking]) -> tuple[Ints, Ints]:
    """Lists that named a candidate, and lists made, at sites with three lists; one row a site and species."""
    hits, visits = [], []
    for looking in lookings:
        events = looking.events
        event, name = looking.named // looking.width, looking.named % looking.width
        lists = events.names >= LEAST_VISITS
        made = np.bincount(events.site, lists, minlength=len(looking)).astype(np.int64)
        fit = lists[event] & (name < len(looking.species))
        key, count = np.unique(events.site[event[fit]] * looking.width + name[fit], return_counts=True)
        good = made[key // looking.width] >= LEAST_VISITS
        hits.append(count[good])
        visits.append(made[key[good] // looking.width])
    return np.concatenate(hits).astype(np.int64), np.concatenate(visits).astype(np.int64)


def _beta(hits: Ints, visits: Ints) -> tuple[float, float, float]:
    """Beta-binomial without its zeros, by likelihood on a grid: a, b and the error of a."""
    pairs, count = np.unique(np.stack([hits, visits]), axis=1, return_counts=True)
    a, b = GRID[:, None, None], GRID[None, :, None]
    k, n = pairs[0].astype(float), pairs[1].astype(float)
    seen = betaln(a + k, b + n - k) - betaln(a, b)
    unseen = np.exp(betaln(a, b + n) - betaln(a, b))
    score = ((seen - np.log1p(-np.minimum(unseen, 1 - 1e-9))) * count).sum(axis=2)
    best = np.unravel_index(int(score.argmax()), score.shape)
    near = np.exp(score.max(axis=1) - score.max())
    spread = float(np.sqrt((near * (GRID - GRID[best[0]]) ** 2).sum() / near.sum()))
    return float(GRID[best[0]]), float(GRID[best[1]]), max(spread, 0.01)


class _Pairs:
    """Two lists of one site, some years apart: the species, whether each found it, and its usual share."""

    def __init__(self) -> None:
        self.species = np.zeros(0, dtype=object)
        self.first = np.zeros(0)
        self.second = np.zeros(0)
        self.years = np.zeros(0)
        self.usual = np.zeros(0)


def _pairs(lookings: Sequence[Looking]) -> _Pairs:
    """Pairs of the first list of a site with each later one, for every candidate ever found in the region."""
    rows: list[tuple[str, float, float, float, float]] = []
    for looking in lookings:
        events = looking.events
        usable = np.flatnonzero((events.names >= 5) & ~np.isnan(events.year))
        usual = (looking.found >= 0.5).mean(axis=0) if len(looking) else np.zeros(0)
        order = usable[np.lexsort((events.year[usable], events.site[usable]))]
        found = events.found.of(np.arange(len(events)))
        site = events.site[order]
        first = {int(s): int(order[i]) for i, s in reversed(list(enumerate(site.tolist())))}
        for row in order.tolist():
            start = first[int(events.site[row])]
            years = float(events.year[row] - events.year[start])
            if years <= 0:
                continue
            for j in np.flatnonzero(usual > 0.02).tolist():
                one, two = found[start, j] > 0.25, found[row, j] > 0.25
                rows.append((looking.species[j], float(one), float(two), years, float(usual[j])))
    out = _Pairs()
    if rows:
        names, first_, second, gap, share = zip(*rows, strict=True)
        out.species = np.array(names, dtype=object)
        out.first, out.second, out.years, out.usual = (np.array(one) for one in (first_, second, gap, share))
    return out


def _rate(pairs: _Pairs, rows: NDArray[np.bool_], detected: float) -> tuple[float, float]:
    """Turnover a year: the chance to be found again, or at last, passes from its start into the usual one."""
    score = np.zeros(len(RATES))
    for found in (0.0, 1.0):
        some = rows & (pairs.first == found)
        if not some.any():
            continue
        y, gap, usual = pairs.second[some], pairs.years[some], np.minimum(pairs.usual[some] * detected, 0.95)
        start = np.clip(y[gap <= np.quantile(gap, 0.3)].mean(), 0.01, 0.99)
        for i, rate in enumerate(RATES.tolist()):
            p = np.clip(usual + (start - usual) * np.exp(-rate * gap), 1e-3, 1 - 1e-3)
            score[i] += float((y * np.log(p) + (1 - y) * np.log1p(-p)).sum())
    weight = np.exp(score - score.max())
    best = float(RATES[int(score.argmax())])
    return best, float(np.sqrt((weight * (RATES - best) ** 2).sum() / weight.sum())) + 0.1 * best


def fitted_table(given: Constants, fitted: Fitted, *, source: str) -> str:
    """The table of constants as text: fitted ones in place of the given ones."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["constant", "of", "value", "spread", "source"])
    for row in given.rows:
        key = (row["constant"], row["of"])
        if key in fitted:
            value, spread, cases = fitted[key]
            writer.writerow([*key, f"{value:.4g}", f"{spread:.2g}", f"{source}: {cases:,} cases"])
        else:
            writer.writerow([row[name] for name in ("constant", "of", "value", "spread", "source")])
    have = {(row["constant"], row["of"]) for row in given.rows}
    for (name, of), (value, spread, cases) in fitted.items():
        if (name, of) not in have:
            writer.writerow([name, of, f"{value:.4g}", f"{spread:.2g}", f"{source}: {cases:,} cases"])
    return out.getvalue()
