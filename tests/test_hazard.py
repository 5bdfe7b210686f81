"""The noisy-OR fitted: it finds known settings again, and keeps what the records cannot tell."""

from __future__ import annotations

import numpy as np
import pytest

from poolbuilder.model.hazard import Ranges, Sightings, presence
from poolbuilder.model.hazard_fit import HazardFit, fit_hazard
from poolbuilder.settings import Settings
from tests.known_world import World, draw_world

SETTINGS = Settings()
TRUTH = {
    "kernel_km": 9.0,
    "record_weight": 0.45,
    "leak_extant": 0.3,
    "leak_outside": 0.04,
    "half_life_years": 18.0,
    "quality_citation": 0.35,
}


def fitted(world: World) -> HazardFit:
    return fit_hazard(
        world.distance_km, world.usable, world.records, world.found, ranges=world.ranges, settings=SETTINGS
    )


@pytest.fixture(scope="module")
def known() -> HazardFit:
    return fitted(draw_world(SETTINGS.replace(**TRUTH), seed=2, waters=300, places=250, species=8))


def test_what_was_put_in_comes_out(known: HazardFit) -> None:
    assert known.converged
    assert set(known.values) == set(TRUTH)
    inside = [name for name, (low, high) in known.interval90.items() if low <= TRUTH[name] <= high]
    assert len(inside) >= 5  # of six intervals of 90 %


def test_intervals_are_narrower_than_the_priors(known: HazardFit) -> None:
    for name, (low, high) in known.interval90.items():
        assert low < known.values[name] < high
        assert high / low < 20, name  # the priors' span factors of 27 (logarithms) and more


def test_more_waters_narrow_the_intervals(known: HazardFit) -> None:
    few = fitted(draw_world(SETTINGS.replace(**TRUTH), seed=2, waters=60, places=250, species=8))
    wide, narrow = (
        np.mean([np.log(high / low) for low, high in fit.interval90.values()]) for fit in (few, known)
    )
    assert wide > 1.2 * narrow


def test_records_all_alike_teach_neither_age_nor_basis() -> None:
    world = draw_world(SETTINGS, seed=3, waters=80, places=80, species=5, oldest=4, doubtful=0.0)
    found = fitted(world)
    assert "half_life_years" not in found.values
    assert not any(name.startswith("quality") for name in found.values)
    said = "; ".join(found.kept)
    assert "too alike to tell" in said
    assert "all records have the same" in said


def test_a_basis_with_few_records_keeps_its_quality() -> None:
    world = draw_world(SETTINGS, seed=3, waters=80, places=80, species=5, doubtful=0.05)
    found = fitted(world)
    assert "quality_citation" not in found.values
    assert any(words.startswith("quality_citation") and "too few" in words for words in found.kept)


def test_a_range_class_with_few_cases_keeps_its_leak() -> None:
    world = draw_world(SETTINGS, seed=4, waters=80, places=80, species=5)
    code = world.ranges.code.copy()
    code[:3, 0] = len(world.ranges.keys)
    rare = Ranges(keys=(*world.ranges.keys, "vagrant"), code=code, km=world.ranges.km)
    found = fit_hazard(
        world.distance_km, world.usable, world.records, world.found, ranges=rare, settings=SETTINGS
    )
    assert "leak_vagrant" not in found.values
    assert any(words.startswith("leak_vagrant: 3 cases") for words in found.kept)


def test_without_records_nothing_but_the_leak_is_learnt() -> None:
    none = np.zeros(0, dtype=np.int64)
    nothing = np.zeros(0)
    empty = Sightings(
        place=none, species=none, age_years=nothing, basis=none, certainty=nothing, places=10, kinds=2
    )
    found = fit_hazard(
        np.full((50, 10), 5.0),
        np.ones((50, 10), dtype=bool),
        empty,
        (np.arange(100).reshape(50, 2) % 4 == 0).astype(float),
        settings=SETTINGS,
    )
    assert found.values["leak_no_map"] == pytest.approx(0.25, abs=0.02)
    assert found.values["kernel_km"] == pytest.approx(SETTINGS.kernel_km)


def test_old_and_doubtful_records_weigh_less() -> None:
    record = {"place": [0, 0], "species": [0, 0], "age_years": [0.0, 30.0], "basis": [1, 1]}
    both = Sightings(
        **{name: np.array(value) for name, value in record.items()},
        certainty=np.array([0.4, 1.0]),
        places=1,
        kinds=1,
    )
    strength = both.strength(settings=SETTINGS.replace(half_life_years=30))
    assert strength[0, 0] == pytest.approx(0.9 * 0.5)  # the old but certain one is the better
    assert both.strength(settings=SETTINGS.replace(half_life_years=10))[0, 0] == pytest.approx(0.9 * 0.4)


def test_a_leak_falls_off_outside_its_polygon() -> None:
    ranges = Ranges(
        keys=("extant", "outside"),
        code=np.array([[0, 1, 1]]),
        km=np.array([[0.0, 0.0, np.inf]]),
    )
    inside, edge, far = ranges.leaks(settings=SETTINGS)[0]
    assert (inside, edge, far) == pytest.approx(
        (SETTINGS.leak_extant, SETTINGS.leak_extant / 2, SETTINGS.leak_outside)
    )
    p = presence(
        np.ones((1, 1)),
        np.zeros((1, 1), dtype=bool),
        np.ones((1, 3)),
        leaks=ranges.leaks(settings=SETTINGS),
        settings=SETTINGS,
    )
    assert p[0] == pytest.approx([inside, edge, far])  # a place that may not speak adds nothing
