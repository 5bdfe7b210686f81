"""The front of a species: how near by year, and how sure that is given who looked."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import Settings
from poolbuilder.introduced.assessment import Visits, chance_of_misses, trace_front


def visits(*rows: tuple[int, float, bool]) -> Visits:
    return Visits(
        year=np.array([row[0] for row in rows], dtype=np.int64),
        km=np.array([row[1] for row in rows], dtype=float),
        met=np.array([row[2] for row in rows], dtype=bool),
    )


@pytest.mark.parametrize(("misses", "met", "count"), [(1, 1, 1), (5, 3, 9), (12, 0, 4), (3, 20, 20)])
def test_the_chance_of_misses_is_the_integral(misses: int, met: int, count: int) -> None:
    p = (np.arange(2_000_000) + 0.5) / 2_000_000
    density = p ** (met - 0.5) * (1 - p) ** (count - met - 0.5)
    wanted = float((density * (1 - p) ** misses).sum() / density.sum())
    assert chance_of_misses(misses, met=met, visits=count)[-1] == pytest.approx(wanted, rel=2e-3)


def test_a_thin_year_cannot_show_a_front() -> None:
    seen = visits((2010, 30.0, True), (2020, 5.0, True))
    front = trace_front([2010, 2020], [30.0, 5.0], seen, last=2020, settings=Settings())
    assert front is not None
    assert {item["lowKm"] for item in front["years"]} == {0.0}
    assert front["trend"] == "unclear"
    assert "too few earlier sampling events" in front["words"]


def test_visits_in_vain_show_an_approach() -> None:
    rows = [(year, km, km >= 30.0) for year in (2009, 2010) for km in (3.0, 10.0, 20.0, 30.0, 33.0) * 6]
    rows += [(2020, km, km >= 10.0) for km in (3.0, 10.0, 20.0, 30.0) * 6]
    front = trace_front([2010, 2020], [30.0, 10.0], visits(*rows), last=2020, settings=Settings())
    assert front is not None
    assert (front["years"][0]["nearestKm"], front["years"][0]["lowKm"]) == (30.0, 20.0)
    assert front["trend"] == "approaching"
    assert front["speedKmPerYear"] == pytest.approx(2.0)
    assert front["speedLowKmPerYear"] == pytest.approx(1.0)
    assert front["words"].startswith("approaching by 2.0 km a year (1.0 to ")


def test_without_effort_no_interval() -> None:
    front = trace_front([2010, 2020], [30.0, 10.0], None, last=2021, settings=Settings())
    assert front is not None
    assert (front["speedLowKmPerYear"], front["trend"]) == (None, "unclear")
    assert "sampling effort is unknown" in front["words"]
    assert trace_front([], [], None, last=2020, settings=Settings()) is None


def test_words_of_other_fronts() -> None:
    def words(year: list[int], km: list[float]) -> str:
        front = trace_front(year, km, None, last=2020, settings=Settings())
        assert front is not None
        return str(front["words"])

    assert words([2000, 2010], [5.0, 9.0]) == "no nearer than 5.0 km since 2000"
    assert words([2020], [5.0]) == "dated records of 2020 alone show no trend"
    assert words([2000], [0.0]) == "its first dated record, of 2000, is in the water itself"


@settings(deadline=None, derandomize=True, max_examples=60)
@given(
    st.lists(st.tuples(st.integers(1990, 2020), st.floats(0, 100)), min_size=1, max_size=8),
    st.lists(st.tuples(st.integers(1990, 2020), st.floats(0, 100), st.booleans()), max_size=30),
)
def test_a_front_only_comes_nearer_and_its_low_end_lies_below(
    seen: list[tuple[int, float]], looked: list[tuple[int, float, bool]]
) -> None:
    front = trace_front(
        [year for year, _ in seen], [km for _, km in seen], visits(*looked), last=2020, settings=Settings()
    )
    assert front is not None
    nearest = [item["nearestKm"] for item in front["years"]]
    assert nearest == sorted(nearest, reverse=True)
    assert all(item["lowKm"] is not None and item["lowKm"] <= item["nearestKm"] for item in front["years"])
    if front["speedKmPerYear"] is not None:
        assert front["speedLowKmPerYear"] is not None
        assert front["speedHighKmPerYear"] is not None
        assert front["speedLowKmPerYear"] <= front["speedKmPerYear"] + 1e-9
        assert front["speedKmPerYear"] <= front["speedHighKmPerYear"] + 1e-9


@pytest.mark.parametrize(("misses", "low"), [(4, 0.0), (5, 6.0)])
def test_it_takes_five_misses_after_one_hit(misses: int, low: float) -> None:
    """By hand, after one visit that met it: ½/2 · 1½/3 · 2½/4 · 3½/5 = .055, and · 4½/6 = .041."""
    nearer = [(2020, 10.0 - number, False) for number in range(misses)]
    front = trace_front([2020], [30.0], visits((2020, 30.0, True), *nearer), last=2020, settings=Settings())
    assert front is not None
    assert (front["years"][0]["lowKm"], front["years"][0]["visits"]) == (low, misses)


def test_visits_of_long_ago_say_nothing_of_now() -> None:
    looked = [(2012, 10.0, False)] * 40 + [(2012, 35.0, True)] * 5 + [(2020, 35.0, True)]
    front = trace_front([2012, 2020], [35.0, 35.0], visits(*looked), last=2020, settings=Settings())
    assert front is not None
    low = {item["year"]: item["lowKm"] for item in front["years"]}
    assert (low[2012], low[2014], low[2015], low[2020]) == (10.0, 10.0, 0.0, 0.0)
