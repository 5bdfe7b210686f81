"""Last sightings against the published formulae; the numbers are computed from them.

Monk-seal sightings 1915, 1922, 1932, 1948, 1952 as used by Solow 1993 (data from memory; the
table of the paper was not at hand), looked at in 1992.
"""

from __future__ import annotations

import pytest

from poolbuilder.model.sightings import (
    mcinerny,
    solow,
    solow_bayes_factor,
    solow_roberts,
    solow_roberts_limit,
)

FROM_FIRST = [7, 17, 33, 37]  # 1915 as the origin
END = 77


def posterior(factor: float) -> float:
    return factor / (1 + factor)


def test_solow_1993_with_the_first_sighting_as_origin() -> None:
    """Ecology 74:962-964: p = (t_n/T)^n, B = (n-1)/((T/t_n)^(n-1) - 1)."""
    assert solow(FROM_FIRST, END) == pytest.approx(0.053314, abs=1e-6)
    assert solow_bayes_factor(FROM_FIRST, END) == pytest.approx(0.374394, abs=1e-6)
    assert posterior(solow_bayes_factor(FROM_FIRST, END)) == pytest.approx(0.272407, abs=1e-6)


def test_solow_1993_with_the_first_sighting_counted() -> None:
    every = [0, *FROM_FIRST]
    assert solow(every, END) == pytest.approx(0.025619, abs=1e-6)
    assert solow_bayes_factor(every, END) == pytest.approx(0.225267, abs=1e-6)
    assert posterior(solow_bayes_factor(every, END)) == pytest.approx(0.183852, abs=1e-6)


def test_solow_1993_six_sightings() -> None:
    times = [2, 4, 6, 8, 10, 12]
    assert solow(times, 30) == pytest.approx(0.4**6)
    assert solow_bayes_factor(times, 30) == pytest.approx(0.051730, abs=1e-6)
    assert posterior(solow_bayes_factor(times, 30)) == pytest.approx(0.049185, abs=1e-6)


def test_solow_and_roberts_2003() -> None:
    """Ecology 84:1329-1332 (from memory): the last two sightings alone."""
    assert solow_roberts([1948, 1952], 1992) == pytest.approx(4 / 44)
    assert solow_roberts_limit([1948, 1952], alpha=0.05) == pytest.approx(2028)


def test_mcinerny_2006() -> None:
    """Conserv. Biol. 20:562-567 (from memory): (1 - n/t_n)^(T - t_n)."""
    assert mcinerny([5, 12], 15) == pytest.approx(0.578704, abs=1e-6)
