"""The model's constants from surveys: agreement of lists, detection and turnover from repeat lists."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln

from poolbuilder.model.constants import Constants
from poolbuilder.model.looking import RUNNING, STILL, Looking, list_agreement

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

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
