"""By hand: do intervals cover, do thin records hurt, how long does it take?

    python tests/bench/calibration.py coverage
    python tests/bench/calibration.py hazard
    python tests/bench/calibration.py thinned SURVEYS.txt
    python tests/bench/calibration.py speed

``coverage`` simulates regions whose parameters are drawn from the model's own priors, fits
them, and counts how often the 90 % interval of a new water's log-odds holds the truth;
``hazard`` does the same for the settings of the noisy-OR.  ``thinned`` keeps a random part of
the records of surveys and predicts the whole surveys from them.  ``speed`` times the fit of a
region.
"""

from __future__ import annotations

import argparse
import datetime
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from poolbuilder.calibration.surveys import read_surveys
from poolbuilder.model import scores
from poolbuilder.model.calibrate import clusters, cross_validate, folds_of, make_folds
from poolbuilder.model.community import (
    AXIS_PRECISION,
    COMMUNITY_SLOPES,
    INTERCEPT_MEAN,
    OWN_SLOPE_PRECISION,
    SLOPE_PRECISION,
    draw_line,
)
from poolbuilder.model.hazard_fit import fit_hazard
from poolbuilder.model.logistic import inverse_logit, logit
from poolbuilder.model.region import Z90, fit_region
from poolbuilder.names.checklist import Checklist
from poolbuilder.settings import Settings
from tests.known_world import draw_world
from tests.listed import SPECIES, listed, region

SETTINGS = Settings()
AS_OF = datetime.date(2026, 6, 1)


def coverage(regions: int, waters: int, species: int, axes: int, found_share: float) -> None:
    """Share of true log-odds of new waters within their 90 % interval."""
    rng = np.random.default_rng(1)
    k = len(COMMUNITY_SLOPES)
    covered = []
    for _ in range(regions):
        shared = COMMUNITY_SLOPES + rng.normal(size=k) / SLOPE_PRECISION**0.5
        own = shared + rng.normal(size=(species, k)) / OWN_SLOPE_PRECISION**0.5
        free = rng.normal(size=(species, axes)) / AXIS_PRECISION**0.5
        slopes = np.concatenate([own, free], axis=1)
        start = INTERCEPT_MEAN + rng.normal(size=species)
        x = rng.normal(size=(waters + 200, species, k + axes))
        x -= x[:waters].mean(axis=0)
        truth = start + (x * slopes).sum(axis=2)
        lives = rng.random(truth.shape) < inverse_logit(truth)
        seen = lives & (rng.random(truth.shape) < found_share)
        line = draw_line(x[:waters], seen[:waters].astype(float), COMMUNITY_SLOPES, found_share=found_share)
        off = np.abs(line.log_odds(x[waters:]) - truth[waters:])
        covered.append(float((off <= Z90 * line.spread(x[waters:])).mean()))
    print(
        f"{regions} regions of {waters} waters, {species} species, lists {found_share:.0%} complete: "
        f"90 % intervals hold {np.mean(covered):.3f} of the true log-odds "
        f"(middle 90 % of regions: {np.quantile(covered, 0.05):.3f} to {np.quantile(covered, 0.95):.3f})"
    )


def thinned(path: Path, shares: list[float], seeds: int) -> None:
    """Brier scores when only a part of the records is kept."""
    checklist = Checklist.load("lepomis")
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    for share in shares:
        told: dict[str, list[float]] = {}
        slopes = []
        for seed in range(seeds):
            rng = np.random.default_rng(seed)
            kept = [row for row in rows if rng.random() < share]
            with tempfile.TemporaryDirectory() as folder:
                thin = Path(folder) / "records.txt"
                thin.write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")
                made = read_surveys([path], [thin], checklist=checklist, as_of=AS_OF, settings=SETTINGS)
            label = folds_of(clusters(made.waters.points, SETTINGS.effort_gap_km), 10)
            folds = make_folds(made.waters, made.ground, label, closed=False, settings=SETTINGS)
            out = cross_validate(made.waters, made.ground, folds, settings=SETTINGS, alone=True)
            y = made.waters.found.ravel()
            for name in ("model", "withoutCommunity", "recordsAlone", "kernelShare"):
                told.setdefault(name, []).append(scores.brier(out[name].ravel(), y))
            slopes.append(scores.calibration_line(out["recordsAlone"].ravel(), y))
        words = ", ".join(f"{name} {np.mean(values):.4f}" for name, values in told.items())
        line = np.mean(slopes, axis=0)
        print(
            f"{share:.0%} kept, {seeds} draws: Brier {words}; "
            f"recordsAlone slope {line[0]:.2f}, intercept {line[1]:.2f}",
            flush=True,
        )


def hazard_coverage(regions: int) -> None:
    """Share of regions in which the 90 % intervals of the noisy-OR's settings hold what was put in."""
    rng = np.random.default_rng(1)
    shares = ("record_weight", "leak_extant", "leak_outside", "quality_citation")
    inside: dict[str, list[bool]] = {}
    for seed in range(regions):
        truth = {
            name: float(inverse_logit(rng.normal(logit(getattr(SETTINGS, name)), 1.0, 1))[0])
            for name in shares
        }
        truth["record_weight"] = float(inverse_logit(rng.normal(0.0, 1.5, 1))[0])
        for name in ("kernel_km", "half_life_years"):
            truth[name] = float(getattr(SETTINGS, name) * np.exp(rng.normal()))
        truth = {name: min(max(value, 0.012), 400.0) for name, value in truth.items()}
        world = draw_world(SETTINGS.replace(**truth), seed=seed, waters=150, places=150, species=7)
        found = fit_hazard(
            world.distance_km,
            world.usable,
            world.records,
            world.found,
            ranges=world.ranges,
            settings=SETTINGS,
        )
        for name, (low, high) in found.interval90.items():
            inside.setdefault(name, []).append(low <= truth[name] <= high)
    for name, held in inside.items():
        print(f"{name}: the 90 % interval holds the truth in {np.mean(held):.3f} of {len(held)} regions")
    print(f"all: {np.mean(np.concatenate(list(inside.values()))):.3f}")


def speed(sizes: list[int]) -> None:
    """Seconds of processor time to learn a region, and to predict one water of it."""
    for size in sizes:
        lists = listed(region(size))
        start = time.process_time()
        made = fit_region(lists, SPECIES, settings=SETTINGS)
        fitted = time.process_time()
        made.predict(-89.5, 40.4, in_water=None, settings=SETTINGS)
        print(
            f"{size:,} lists: learnt in {fitted - start:.2f} s, one water {time.process_time() - fitted:.4f} s"
        )


def main() -> None:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["coverage", "hazard", "thinned", "speed"])
    parser.add_argument("surveys", nargs="?", type=Path)
    parser.add_argument("--regions", type=int, default=200)
    parser.add_argument("--draws", type=int, default=3)
    given = parser.parse_args()
    if given.what == "coverage":
        for found_share in (1.0, 0.5, 0.2):
            coverage(given.regions, 400, 6, 12, found_share)
    elif given.what == "hazard":
        hazard_coverage(given.regions)
    elif given.what == "thinned":
        if given.surveys is None:
            parser.error("thinned needs a file of surveys")
        thinned(given.surveys, [1.0, 0.5, 0.2, 0.1], given.draws)
    else:
        speed([250, 1000, 1700, 4000])


if __name__ == "__main__":
    main()
