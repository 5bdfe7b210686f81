"""Hybrids without parents' names: what the waters they were caught in tell of the parents."""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import schemas
from poolbuilder.model.crosses import pair
from poolbuilder.model.hybrid_waters import (
    FEW_WATERS,
    LEAN_SD,
    SHARED_SD,
    HybridWaters,
    learn_hybrid_waters,
)
from poolbuilder.model.lists import lists_from
from poolbuilder.names.checklist import Checklist
from poolbuilder.places.sites import Site
from poolbuilder.pool import build_screened
from poolbuilder.settings import Settings
from tests.listed import BLUEGILL, GREEN, SPECIES, WARMOUTH, region, rows_of
from tests.rows import screened
from tests.test_crosses import pool

SETTINGS = Settings()
AS_OF = datetime.date(2026, 6, 1)


def learnt(green: int, waters: int = 20) -> HybridWaters:
    """Ten of twenty waters have each species by their look; green sunfish was at *green* of them."""
    found = np.zeros((waters, 3))
    found[:green, 0] = 1
    found[: waters // 2, 1:] = 1
    made = learn_hybrid_waters(np.zeros((waters, 3)), found, SPECIES, found_share=1.0)
    assert made is not None
    return made


def test_a_species_met_beside_hybrids_more_than_usual_leans_towards_them() -> None:
    made = learnt(green=19)
    assert made.shift(GREEN) > made.shift(WARMOUTH) == pytest.approx(made.shift(BLUEGILL))
    assert made.presence(GREEN, 0.5) > 0.7
    assert made.met.tolist() == [19, 10, 10]
    assert "found at 19 of the 20 places" in made.words(GREEN)
    more, less = made.summary().split("; ")[2:]
    assert more == f"found there more often than usual: {GREEN} (at 19, usual 13)"
    assert less.startswith("found there less often than usual: ")


def test_nothing_leans_where_all_is_as_expected() -> None:
    made = learnt(green=10)
    assert [made.shift(name) for name in SPECIES] == pytest.approx([0, 0, 0], abs=1e-9)
    assert made.words(GREEN) == ""


def test_few_hybrids_teach_nothing() -> None:
    few = FEW_WATERS - 1
    assert learn_hybrid_waters(np.zeros((few, 3)), np.ones((few, 3)), SPECIES, found_share=1.0) is None


def test_the_shifts_are_the_posterior_mode() -> None:
    from scipy.optimize import minimize

    rng = np.random.default_rng(5)
    odds, found = rng.normal(size=(30, 3)), (rng.random((30, 3)) < 0.6).astype(float)
    made = learn_hybrid_waters(odds, found, SPECIES, found_share=1.0)
    assert made is not None

    def objective(theta: np.ndarray) -> float:
        moved = (odds + theta[0] + theta[1:]) * (2 * found - 1)
        prior = (theta[0] / SHARED_SD) ** 2 + ((theta[1:] / LEAN_SD) ** 2).sum()
        return float(np.logaddexp(0, -moved).sum() + prior / 2)

    best = minimize(objective, np.zeros(4), tol=1e-10).x
    np.testing.assert_allclose([made.shared, *made.lean], best, atol=1e-5)


def test_a_species_that_the_region_does_not_know_shifts_as_all_do() -> None:
    made = learnt(green=19)
    assert made.shift("Lepomis humilis") == made.shared
    assert made.words("Lepomis humilis") == ""


def test_incomplete_lists_lower_what_is_expected() -> None:
    found = np.ones((20, 3))
    found[10:] = 0
    whole = learn_hybrid_waters(np.zeros((20, 3)), found, SPECIES, found_share=1.0)
    half = learn_hybrid_waters(np.zeros((20, 3)), found, SPECIES, found_share=0.6)
    assert whole is not None
    assert half is not None
    assert half.shared > whole.shared + 0.5  # half found on lists that hold six in ten: nearly everywhere


@settings(deadline=None, derandomize=True, max_examples=50)
@given(
    shared=st.floats(-3, 3),
    lean=st.floats(-3, 3),
    low=st.floats(0.002, 0.998),
    high=st.floats(0.002, 0.998),
)
def test_presence_stays_between_0_and_1_and_in_order(
    shared: float, lean: float, low: float, high: float
) -> None:
    one = np.array([lean])
    made = HybridWaters(species=(GREEN,), waters=9, shared=shared, lean=one, met=one, expected=one)
    first, second = sorted((low, high))
    assert 0 < made.presence(GREEN, first) <= made.presence(GREEN, second) < 1


def test_pairs_are_weighed_as_in_waters_with_hybrids() -> None:
    candidates = pool(dict.fromkeys(SPECIES, 0.5))
    none = schemas.HYBRIDS.empty_table()
    plain = pair(candidates, none, settings=SETTINGS).to_pylist()
    moved = pair(candidates, none, settings=SETTINGS, hybrid_waters=learnt(green=19)).to_pylist()
    by_parents = {(row["parent1"], row["parent2"]): row for row in moved}
    assert GREEN in (moved[0]["parent1"], moved[0]["parent2"])
    assert moved[0]["prior"] > plain[0]["prior"]
    assert "19 of the 20 places" in by_parents[GREEN, BLUEGILL]["note"]
    assert "19 of the 20 places" not in by_parents[WARMOUTH, BLUEGILL]["note"]


def _with_hybrids() -> list[dict[str, object]]:
    """A region of 120 places; a hybrid without parents' names at most places with green sunfish."""
    made = region(120)
    rows = rows_of(made)
    greens = [number for number, (_, _, _, own, _) in enumerate(made) if GREEN in own][:25]
    for number in greens:
        key = f"event-{number:05d}"
        place = next(row for row in rows if row["eventID"] == key)
        hybrid = {"scientificName": "Lepomis hybrid", "role": "hybrid", "acceptedNames": []}
        rows.append({**place, **hybrid, "rejectedBy": None})
    return rows


def test_a_pool_learns_from_hybrids_that_name_nobody() -> None:
    table = screened(*_with_hybrids())
    lists = lists_from(table, settings=SETTINGS)
    assert int(lists.hybrid.sum()) == 25
    assert int(lists.where(lists.hybrid).hybrid.sum()) == 25
    site = Site(longitude=-89.5, latitude=40.4)
    checklist = Checklist.load("lepomis")
    made = build_screened(site, table, checklist=checklist, as_of=AS_OF, settings=SETTINGS)
    first = made.crosses.to_pylist()[0]
    assert GREEN in (first["parent1"], first["parent2"])
    assert "where a hybrid was caught" in first["note"]
    assert any("hybrids were caught at 25 sampled places" in note for note in made.notes)
