"""Richness and coverage against a reference library and printed values."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from poolbuilder.model.candidates import chao2, incidence_coverage
from tests.registry import registry_package

INCIDENCES = [15, 12, 9, 6, 4, 3, 2, 2, 1, 1, 1]  # 20 sampling units, U = 56, Q1 = 3, Q2 = 2


def test_coverage_after_chao_and_jost() -> None:
    """Chao & Jost 2012, Ecology 93:2533-2547 (from memory): 1 - Q1/U (m-1)Q1/((m-1)Q1 + 2Q2)."""
    assert incidence_coverage(INCIDENCES, 20) == pytest.approx(0.949941, abs=1e-6)


def test_chao2_of_twenty_lists() -> None:
    """Chao 1987, both variants with (m-1)/m; values computed from the formula."""
    assert chao2(INCIDENCES, 20) == pytest.approx(13.1375)
    assert chao2(INCIDENCES, 20, bias_corrected=True) == pytest.approx(11.95)


@pytest.fixture(scope="module")
def trees() -> np.ndarray:
    """Trees of a tropical forest, 50 plots of a hectare by 225 species (Condit and others 2002, Science 295:666-669).

    As carried in the data of the R package vegan; its manual prints the estimates below.
    """
    folder = registry_package("vegan")
    rdata = pytest.importorskip("rdata")
    (path,) = folder.rglob("BCI.rda")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return rdata.read_rda(path)["BCI"].to_numpy().astype(int)


def test_chao2_of_the_forest_plots(trees: np.ndarray) -> None:
    """Printed for all plots: 225 species, Chao 236.3732; classic variant with (m-1)/m."""
    assert trees.shape == (50, 225)
    incidences = (trees > 0).sum(axis=0)
    assert chao2(incidences, 50) == pytest.approx(236.3732, abs=5e-5)


def test_the_forest_plots_are_known_nearly_whole(trees: np.ndarray) -> None:
    """Fifty plots know more than five."""
    incidences = (trees > 0).sum(axis=0)
    few = (trees[:5] > 0).sum(axis=0)
    assert incidence_coverage(few[few > 0], 5) < incidence_coverage(incidences, 50) < 1
