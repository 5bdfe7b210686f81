"""How well a water is known, and when a fish was last seen in it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poolbuilder.model.completeness import (
    ace,
    chao1,
    chao2,
    completeness,
    coverage,
    good_coverage,
    incidence_coverage,
)
from poolbuilder.model.lists import Lists
from poolbuilder.model.sightings import last_seen, mcinerny, solow, solow_bayes_factor, solow_roberts
from tests.listed import BLUEGILL, GREEN, WARM, listed


def visits(count: int, *, year: int = 1998, rare: bool = False) -> Lists:
    made = [
        (0.0, 0.0, year + i, [BLUEGILL], [*WARM, *([f"stray {i}"] if rare else [])]) for i in range(count)
    ]
    return listed(made)


def test_many_visits_with_nothing_new() -> None:
    known = completeness(visits(19))
    assert known["events"] == 19
    assert known["species"] == 5
    assert known["coverage"] == 1.0
    assert known["chao2"] == known["chao2BiasCorrected"] == 5
    assert (known["firstYear"], known["lastYear"]) == (1998, 2016)
    assert known["words"] == (
        "19 visits, 1998 to 2016, coverage 1.00: a species missing here is probably rare or absent"
    )


def test_many_visits_that_keep_adding_fishes() -> None:
    known = completeness(visits(10, rare=True))
    assert known["coverage"] < 0.9
    assert known["chao2"] > known["species"] == 15
    assert known["words"].endswith("species that live here are still being added")


def test_two_visits_mean_little() -> None:
    assert completeness(visits(2))["words"] == "2 visits, 1998 to 1999: silence means little"
    assert completeness(visits(1))["words"] == "1 visit in 1998: silence means little"
    assert completeness(visits(1))["coverage"] is None


def test_no_visit_means_nothing() -> None:
    known = completeness(listed([]))
    assert known["events"] == 0
    assert known["chao2"] is known["lastYear"] is None
    assert known["words"] == "no visit of anybody who recorded other fishes: silence means nothing"


def test_nothing_found_is_no_estimate() -> None:
    assert chao1([]) == chao1([0, 0]) == 0
    assert ace([]) == 0
    assert math.isnan(coverage([]))
    assert math.isnan(good_coverage([0]))
    assert math.isnan(incidence_coverage([0], 4))
    assert math.isnan(ace([1, 1, 1]))


def test_without_doubletons_the_estimators_stay_finite() -> None:
    """f1 = 3, f2 = 0, n = 23: the bias-corrected form is 4 + 22/23 x 3 x 2 / 2."""
    counts = [20, 1, 1, 1]
    assert chao1(counts) == pytest.approx(4 + 22 / 23 * 3)
    assert coverage(counts) == pytest.approx(1 - 3 / 23 * (22 * 2) / (22 * 2 + 2))
    assert coverage([20, 1]) == 1.0


def test_order_of_counts_is_irrelevant() -> None:
    counts = np.array([30, 20, 15, 10, 8, 5, 3, 2, 2, 2, 1, 1, 1, 1])
    for estimate in (chao1, ace, coverage, good_coverage):
        assert estimate(counts) == estimate(counts[::-1])
    assert chao2(counts, 40) == chao2(counts[::-1], 40)


# -- last seen ---------------------------------------------------------------------------


def record(held: str, *, start: int = 1980) -> Lists:
    """One visit a year; x where green sunfish is on the list."""
    return listed(
        [(0.0, 0.0, start + i, [GREEN] if mark == "x" else [], WARM) for i, mark in enumerate(held)]
    )


def test_time_runs_in_visits_not_in_years() -> None:
    """The same sightings; in the second record nobody came for fifty years."""
    busy = last_seen(record("xx.x........"), GREEN)
    idle = last_seen(record("xx.x"), GREEN)
    assert busy is not None
    assert idle is not None
    assert (busy.sightings, busy.events, busy.since, busy.last_year) == (3, 12, 8, 1983)
    assert busy.silence == pytest.approx(max((4 / 12) ** 3, 2 / 10))
    assert idle.since == 0
    assert idle.silence == 1
    assert busy.still_there is not None
    assert idle.still_there is not None
    assert busy.still_there < 0.5 < idle.still_there < 1
    assert busy.words == (
        "last recorded in 1983, 8 visits ago; on 3 of 12 lists; chance of so long a silence if it were "
        "still there: 0.2"
    )


def test_longer_silence_is_worse() -> None:
    values = [last_seen(record("x.x.x" + "." * extra), GREEN) for extra in range(0, 20, 4)]
    chances = [one.still_there for one in values if one is not None and one.still_there is not None]
    assert len(chances) == 5
    assert chances == sorted(chances, reverse=True)
    assert all(0 < chance < 1 for chance in chances)


def test_one_sighting_gives_no_probability() -> None:
    told = last_seen(record("..x......"), GREEN)
    assert told is not None
    assert told.still_there is None
    assert told.silence == pytest.approx(3 / 9)


def test_a_species_never_seen_has_no_record_of_sightings() -> None:
    assert last_seen(record("......"), GREEN) is None
    assert last_seen(visits(3), GREEN) is None


def test_undated_lists_cannot_be_ordered() -> None:
    assert last_seen(listed([(0, 0, -1, [GREEN], WARM)]), GREEN) is None


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: solow([], 10), "0 given"),
        (lambda: solow_bayes_factor([4], 10), "at least 2"),
        (lambda: solow_roberts([4, 12], 10), "from 0 to the end 10"),
        (lambda: mcinerny([0], 10), "the last above 0"),
    ],
)
def test_impossible_sightings_are_refused(call, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
