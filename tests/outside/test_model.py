"""The parts of the model against general libraries, textbook formulae and open data."""

from __future__ import annotations

import itertools
from collections import Counter
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import scipy.special
import scipy.stats

from poolbuilder import Settings
from poolbuilder.model import memory as memory_module
from poolbuilder.model import share as share_module
from poolbuilder.model.constants import Constants, beta_nodes
from poolbuilder.model.logistic import fit
from poolbuilder.model.memory import SURE, WaterEvents, remember
from poolbuilder.records.reading import read_all

CONSTANTS = Constants.shipped()


@pytest.mark.parametrize(
    ("a", "b"), [(1.2, 0.45), (0.3, 0.45), (2.0, 5.0), (1.0, 1.0), (0.5, 0.5), (9.0, 1.0)]
)
def test_nodes_of_detection_against_scipy(a: float, b: float) -> None:
    """scipy.special.roots_jacobi on (-1, 1) with weight (1 - x)^(b - 1) (1 + x)^(a - 1)."""
    nodes, weight = beta_nodes(a, b)
    roots, worth = scipy.special.roots_jacobi(len(nodes), b - 1, a - 1)
    assert nodes == pytest.approx((roots + 1) / 2, abs=1e-11)
    assert weight == pytest.approx(worth / worth.sum(), abs=1e-11)
    for power in (1, 2, 7):
        assert weight @ nodes**power == pytest.approx(scipy.stats.beta(a, b).moment(power), abs=1e-11)


def _history(rng: np.random.Generator, species: int, length: int) -> WaterEvents:
    """Events of whole years, several in some of them; complete lists, thin ones, doubtful finds and places."""
    listed = rng.random((length, species)) < 0.8
    named = listed & (rng.random((length, species)) < 0.4)
    return WaterEvents(
        year=1950.0 + rng.integers(0, 60, size=length),
        here=rng.choice([1.0, 0.95, 0.5, 0.1], size=length),
        found=np.where(named, rng.choice([1.0, 0.6], size=(length, species)), 0.0),
        completeness=np.where(listed, rng.uniform(0.05, 1.0, size=(length, species)), 0.0),
        event=np.arange(length),
    )


def _frames(events: WaterEvents, j: int, usual: float, now: int) -> np.ndarray:
    """Log-likelihood of each state in each year: absent, then present at each node of detection."""
    roots, worth = scipy.special.roots_jacobi(16, CONSTANTS.detection_b - 1, CONSTANTS.detection_a - 1)
    chance = np.append(CONSTANTS.mistake, (roots + 1) / 2)
    met = float((roots + 1) / 2 @ worth / worth.sum())
    first = int(events.year.min())
    frames = np.zeros((now - first + 1, len(chance)))
    for e in range(len(events)):
        c, q = events.completeness[e, j], events.here[e] * SURE
        elsewhere = (usual * met + (1 - usual) * CONSTANTS.mistake) * c
        report = q * chance * c + (1 - q) * elsewhere
        right = events.found[e, j]
        of_event = right * report / elsewhere + (1 - right) if right else 1 - report
        frames[int(events.year[e]) - first] += np.log(of_event)
    return frames


@pytest.mark.parametrize("seed", range(12))
def test_memory_against_the_forward_algorithm(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """hmmlearn's forward-backward pass, one frame a year, on random histories of three species.

    Hidden states: absent, and present at each node of detection; a year's transition is
    ``exp(-rate) I + (1 - exp(-rate)) 1 usual'``.  Without the slip after each event, which such a model lacks.
    """
    slipping = memory_module.SLIP
    monkeypatch.setattr(memory_module, "SLIP", 0.0)
    base = pytest.importorskip("hmmlearn.base")

    class Water(base.BaseHMM):
        """A model whose observations are the frames themselves."""

        def _compute_log_likelihood(self, X: np.ndarray) -> np.ndarray:
            return X

    rng = np.random.default_rng(seed)
    presence, rate, now = rng.uniform(0.01, 0.95, size=3), rng.uniform(0.001, 0.2, size=3), 2015
    events, other = _history(rng, 3, int(rng.integers(1, 15))), _history(rng, 3, int(rng.integers(0, 9)))

    def both() -> tuple[memory_module.Memory, np.ndarray]:
        """This water and another one beside it."""
        (memory, _), known = remember(
            np.stack([presence, rng.uniform(0.01, 0.95, size=3)])[None],
            [events, other],
            rate=rate[None, None],
            now=np.full(2, float(now)),
            mistake=np.full((1, 1, 3), CONSTANTS.mistake),
            constants=CONSTANTS,
        )
        return memory, known[0, 0]

    memory, known = both()
    _, worth = scipy.special.roots_jacobi(16, CONSTANTS.detection_b - 1, CONSTANTS.detection_a - 1)
    for j in range(3):
        usual = np.append(1 - presence[j], presence[j] * worth / worth.sum())
        water = Water(n_components=len(usual), implementation="scaling" if seed % 2 else "log")
        water.n_features = len(usual)
        water.startprob_ = usual
        kept = np.exp(-rate[j])
        water.transmat_ = kept * np.eye(len(usual)) + (1 - kept) * usual[None, :]
        last = water.predict_proba(_frames(events, j, presence[j], now))[-1]
        assert known[j] == pytest.approx(1 - last[0], abs=1e-9)
        assert memory.state[j] == pytest.approx(last, abs=1e-9)
    change = scipy.special.logit(known) - scipy.special.logit(presence)
    assert memory.log_odds.sum(axis=0) == pytest.approx(change, abs=1e-9)
    monkeypatch.setattr(memory_module, "SLIP", slipping)
    slipped = both()[1]
    assert slipped == pytest.approx(known, abs=20 * slipping)
    assert (slipped != known).any()


def test_logistic_fit_with_offset_against_statsmodels() -> None:
    """GLM, binomial, with an offset: without a penalty to speak of, and standard errors by the information."""
    statsmodels = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(5)
    x = np.column_stack([np.ones(600), rng.normal(size=(600, 3))])
    offset = rng.normal(-1, 1.5, size=600)
    y = (rng.random(600) < scipy.special.expit(offset + x @ [0.3, 0.8, -0.5, 0.0])).astype(float)
    ours = fit(x, y, mean=np.zeros(4), precision=np.full(4, 1e-9), offset=offset)
    theirs = statsmodels.GLM(y, x, family=statsmodels.families.Binomial(), offset=offset).fit(tol=1e-12)
    assert ours.converged
    assert ours.coefficients == pytest.approx(theirs.params, abs=1e-5)
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse, rel=1e-4)


def test_ridge_against_scikit_learn() -> None:
    """Penalised logistic regression; its C is the inverse of the precision, its intercept is free."""
    linear = pytest.importorskip("sklearn.linear_model")
    rng = np.random.default_rng(6)
    x = rng.normal(size=(300, 5))
    y = (rng.random(300) < scipy.special.expit(x @ [1.0, -1.0, 0.5, 0.0, 0.0] - 0.4)).astype(float)
    ours = fit(
        np.column_stack([np.ones(300), x]), y, mean=np.zeros(6), precision=np.array([1e-9, *[15.0] * 5])
    )
    theirs = linear.LogisticRegression(C=1 / 15, tol=1e-12, max_iter=1000).fit(x, y)
    assert ours.coefficients == pytest.approx([*theirs.intercept_, *theirs.coef_[0]], abs=1e-4)


def _share(found: np.ndarray, looked: np.ndarray, km: np.ndarray, prior: float) -> float:
    """The share of one species around a water, by the package."""

    class Sites(SimpleNamespace):
        def __len__(self) -> int:
            return len(self.found)

    looking = Sites(
        found=found[:, None], looked=looked[:, None], spread_km=np.zeros(len(found)), species=("Lepomis cyanellus",),
        water_type=np.zeros(len(found), dtype=np.int64), only_candidates=False,
    )  # fmt: skip
    out, _ = share_module.nested_shares(
        km[None, :],
        np.ones((1, len(found)), dtype=bool),
        looking,
        np.array([[prior]]),
        kinds=np.zeros(1, dtype=np.int64),
        constants=CONSTANTS,
    )
    assert out.variance[0, 0] > 0
    return float(out.share[0, 0])


def _beta_binomial_mean(hits: float, number: float, mean: float, size: float) -> float:
    """Posterior mean of a beta-binomial: Beta(size mean, size (1 - mean)) before, (number - hits) misses.

    Gelman et al., Bayesian Data Analysis, section 2.4 (from memory); by scipy's beta distribution.
    """
    return float(scipy.stats.beta(size * mean + hits, size * (1 - mean) + number - hits).mean())


def _undone(share: float, prior: float) -> float:
    """The share without the one water in fifty that is unlike all around it."""
    return (share - share_module.DIFFERENT * prior) / (1 - share_module.DIFFERENT)


@pytest.mark.parametrize("seed", range(5))
def test_the_share_is_a_nested_beta_binomial_mean(seed: int) -> None:
    rng = np.random.default_rng(seed)
    km, prior = rng.uniform(0, 250, size=40), 0.3
    looked = rng.uniform(0.3, 1.0, size=40)
    found = looked * (rng.random(40) < 0.4)
    expected = prior
    for scale in share_module.SCALES_KM:
        kernel = np.where(km < share_module.CUT * scale, np.exp(-km / scale), 0.0)
        expected = _beta_binomial_mean(
            kernel @ found, kernel @ looked, expected, share_module.Smoothing().lean
        )
    assert _undone(_share(found, looked, km, prior), prior) == pytest.approx(expected, abs=1e-9)


def test_the_share_is_plain_where_counts_are_large_and_the_wider_one_where_there_are_none() -> None:
    many = np.zeros(20_000)
    found = (np.arange(20_000) % 4 == 0).astype(float)
    assert _undone(_share(found, many + 1, many, 0.02), 0.02) == pytest.approx(0.25, abs=5e-4)
    far = np.full(500, 400.0)  # within the widest kernel and that of 100 km alone
    wide = _share(found[:500], np.ones(500), far, 0.02)
    kernel = [np.exp(-400 / scale) * 500 for scale in (300.0, 100.0)]
    expected = 0.02
    for weight in kernel:
        expected = _beta_binomial_mean(weight / 4, weight, expected, share_module.Smoothing().lean)
    assert _undone(wide, 0.02) == pytest.approx(expected, abs=1e-9)
    assert _share(np.zeros(0), np.zeros(0), np.zeros(0), 0.13) == pytest.approx(0.13)


@pytest.fixture(scope="module")
def repeats(shared_data: Path) -> pd.DataFrame:
    """Pairs of lists of one site (five fishes or more, years apart), one row a pair and sunfish that is common or was
    found."""
    path = shared_data / "river_surveys" / "north_america.zip"
    if not path.is_file():
        pytest.skip("the river surveys are not here")
    table = read_all([path], settings=Settings())[0]
    frame = table.select(
        ["eventID", "scientificName", "decimalLatitude", "decimalLongitude", "year"]
    ).to_pandas()
    lists = frame.groupby("eventID").agg(
        lat=("decimalLatitude", "first"),
        lon=("decimalLongitude", "first"),
        year=("year", "first"),
        names=("scientificName", frozenset),
    )
    lists = lists[lists["names"].map(len) >= 5]
    sites = [list(zip(one["year"], one["names"], strict=True)) for _, one in lists.groupby(["lat", "lon"])]
    held = Counter(name for site in sites for name in frozenset().union(*(names for _, names in site)))
    common = [
        name for name, count in held.items() if name.startswith("Lepomis ") and count >= 0.1 * len(sites)
    ]
    rows = [
        (later - year, name, name in one, name in other)
        for site in sites
        for (year, one), (later, other) in itertools.permutations(site, 2)
        if later > year
        for name in {*common, *(fish for fish in one if fish.startswith("Lepomis "))}
    ]
    return pd.DataFrame(rows, columns=["years", "name", "before", "after"])


def test_sunfishes_of_repeat_lists_come_and_go_slowly(repeats: pd.DataFrame) -> None:
    """RivFishTIME, North America (Comte et al. 2021, Global Ecology and Biogeography; CC BY 4.0).

    What was found is found again as often after decades as after years, and what was missed is found somewhat
    more often: turnover is slow, and a list that names a fish in five names it again in about seven of ten.
    """
    short, long = repeats["years"].between(1, 3), repeats["years"] >= 19
    again = [repeats[band & repeats["before"]]["after"].mean() for band in (short, long)]
    fresh = [repeats[band & ~repeats["before"]]["after"].mean() for band in (short, long)]
    assert again == pytest.approx([0.70, 0.73], abs=0.015)
    assert 1.2 < fresh[1] / fresh[0] < 1.6
    assert max(fresh) < 0.2
    kept = np.exp(-CONSTANTS.turnover[""] * 20)
    assert 0.9 < kept < 1  # a turnover that agrees: found again no less often after twenty years


def test_the_shipped_turnover_predicts_who_is_found_again(repeats: pd.DataFrame) -> None:
    """By species, rates that ship order how fast what is missed is found: green sunfish, not pumpkinseed."""
    missed = repeats[~repeats["before"]]
    short, long = missed["years"].between(1, 3), missed["years"] >= 19
    gain = missed[long].groupby("name")["after"].mean() - missed[short].groupby("name")["after"].mean()
    assert gain["Lepomis cyanellus"] > 0.05
    assert CONSTANTS.turnover_of("Lepomis cyanellus") > 3 * CONSTANTS.turnover_of("Lepomis gibbosus")
    if "Lepomis gibbosus" in gain:
        assert gain["Lepomis cyanellus"] > gain["Lepomis gibbosus"]
