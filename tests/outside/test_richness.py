"""Richness and coverage against a reference library and printed values."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from poolbuilder.model.completeness import (
    ace,
    chao1,
    chao2,
    coverage,
    good_coverage,
    incidence_coverage,
)
from tests.registry import registry_package

COUNTS = [30, 20, 15, 10, 8, 5, 3, 2, 2, 2, 1, 1, 1, 1]  # n = 101, S = 14, f1 = 4, f2 = 3
INCIDENCES = [15, 12, 9, 6, 4, 3, 2, 2, 1, 1, 1]  # 20 sampling units, U = 56, Q1 = 3, Q2 = 2


@pytest.fixture(scope="module")
def alpha():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("skbio.diversity.alpha")


def test_chao1_with_the_factor_of_n() -> None:
    """Chao 1984, classic variant with (n-1)/n; value computed from the formula."""
    assert chao1(COUNTS) == pytest.approx(16.640264, abs=1e-6)
    assert chao1(COUNTS, bias_corrected=True) == pytest.approx(15.485149, abs=1e-6)


@pytest.mark.parametrize("counts", [COUNTS, [5, 4, 3, 2, 1, 1], [100, 50, 2, 2, 2, 1]])
def test_chao1_against_scikit_bio(alpha, counts: list[int]) -> None:
    """scikit-bio omits (n-1)/n in both variants: the part above S is compared after that factor."""
    n, seen = sum(counts), len(counts)
    factor = (n - 1) / n
    for corrected in (False, True):
        theirs = alpha.chao1(np.array(counts), bias_corrected=corrected)
        assert chao1(counts, bias_corrected=corrected) == pytest.approx(seen + factor * (theirs - seen))


@pytest.mark.parametrize("counts", [COUNTS, [5, 4, 3, 2, 1, 1], [11, 10, 9, 3, 1]])
def test_ace_against_scikit_bio(alpha, counts: list[int]) -> None:
    """Chao & Lee 1992, rare up to ten individuals."""
    assert ace(counts) == pytest.approx(alpha.ace(np.array(counts)))


def test_ace_of_the_worked_example() -> None:
    assert ace(COUNTS) == pytest.approx(18.741964, abs=1e-6)


def test_good_coverage_against_scikit_bio(alpha) -> None:
    """Good 1953, Biometrika 40:237-264; formula read in scikit-bio's documentation."""
    assert good_coverage(COUNTS) == pytest.approx(alpha.goods_coverage(np.array(COUNTS)))
    assert good_coverage(COUNTS) == pytest.approx(0.960396, abs=1e-6)


def test_coverage_after_chao_and_jost() -> None:
    """Chao & Jost 2012, Ecology 93:2533-2547 (from memory): 1 - f1/n (n-1)f1/((n-1)f1 + 2f2)."""
    assert coverage(COUNTS) == pytest.approx(0.960981, abs=1e-6)
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


def test_chao1_and_ace_of_one_forest_plot(trees: np.ndarray) -> None:
    """Printed for plot 33: 86 species, Chao1 126.071429 (bias-corrected, without (n-1)/n), ACE 126.656885."""
    counts = trees[32][trees[32] > 0]
    seen, n = len(counts), counts.sum()
    assert seen == 86
    part = chao1(counts, bias_corrected=True) - seen
    assert seen + part * n / (n - 1) == pytest.approx(126.071429, abs=1e-6)
    assert ace(counts) == pytest.approx(126.656885, abs=1e-6)


def test_the_forest_plots_are_known_nearly_whole(trees: np.ndarray) -> None:
    """Fifty plots know more than five; among 21,457 trees Chao and Jost agree with Good."""
    incidences = (trees > 0).sum(axis=0)
    few = (trees[:5] > 0).sum(axis=0)
    assert incidence_coverage(few[few > 0], 5) < incidence_coverage(incidences, 50) < 1
    assert coverage(trees.sum(axis=0)) == pytest.approx(good_coverage(trees.sum(axis=0)), abs=1e-4)
