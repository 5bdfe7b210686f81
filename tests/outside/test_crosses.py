"""Pairs against arithmetic, worked values and published crossing experiments."""

from __future__ import annotations

import math
from itertools import combinations

import pytest

from poolbuilder import Checklist, Settings, tables
from poolbuilder.model.pairs import pair, viability_factor
from poolbuilder.names.checklist import KnownCrosses
from tests.test_crosses import NONE_KNOWN, hybrids, pool, weights

SUNFISHES = Checklist.load("lepomis").species


# Arithmetic: C(13, 2) = 78 crosses, 156 with direction, 78 + 13 = 91 with the pure species.
def test_thirteen_species_make_seventy_eight_crosses() -> None:
    table = pool(dict.fromkeys(SUNFISHES, 0.5))
    crosses = pair(table, hybrids(), settings=Settings())
    assert crosses.num_rows == math.comb(13, 2) == 78
    assert 2 * crosses.num_rows == math.perm(13, 2) == 156
    assert pair(table, hybrids(), settings=Settings(), include_pure=True).num_rows == 91


# Prior of a pair in proportion to P_a P_b; worked by hand: .54, .09, .06 of .69.
def test_pair_priors_of_three_presences() -> None:
    found = weights(pair(pool({"A a": 0.9, "A b": 0.6, "A c": 0.1}), hybrids(), settings=Settings()))
    assert found["A a × A b"] == pytest.approx(0.782609, abs=5e-7)
    assert found["A a × A c"] == pytest.approx(0.130435, abs=5e-7)
    assert found["A b × A c"] == pytest.approx(0.086957, abs=5e-7)


# Pure and first-generation hypotheses at an F1 share of .05; worked by hand from P = .95, .9, .6:
# pure .95 P / 2.45, crosses .05 P_a P_b / 1.965.
def test_priors_of_pure_species_and_crosses() -> None:
    presence = {"Lepomis macrochirus": 0.95, "Lepomis cyanellus": 0.9, "Lepomis gibbosus": 0.6}
    found = weights(
        pair(pool(presence), hybrids(), settings=Settings(f1_share=0.05), include_pure=True, known=NONE_KNOWN)
    )
    expected = {
        "Lepomis macrochirus": 0.368367,
        "Lepomis cyanellus": 0.348980,
        "Lepomis gibbosus": 0.232653,
        "Lepomis cyanellus × Lepomis macrochirus": 0.021756,
        "Lepomis gibbosus × Lepomis macrochirus": 0.014504,
        "Lepomis cyanellus × Lepomis gibbosus": 0.013740,
    }
    assert found.keys() == expected.keys()
    for formula, weight in expected.items():
        assert found[formula] == pytest.approx(weight, abs=5e-7)


# Childers 1967, Hybridization of four species of sunfishes (Centrarchidae), Illinois Natural History Survey
# Bulletin 29(3), abstract: of twelve crosses among bluegill, redear, green sunfish and warmouth, warmouth male
# × bluegill female and warmouth male × redear female were wholly lethal, warmouth male × green sunfish female
# partly; the other nine were as viable as the mother's own young.
def test_childers_twelve_crosses() -> None:
    known = KnownCrosses.load()
    four = ("cyanellus", "gulosus", "macrochirus", "microlophus")
    verdicts = {}
    for first, second in combinations(four, 2):
        statements = [
            each for each in known.of(f"Lepomis {first}", f"Lepomis {second}") if "Childers" in each.source
        ]
        for mother, father in ((first, second), (second, first)):
            (said,) = [each.viability for each in statements if each.speaks_of(f"Lepomis {mother}")]
            verdicts[mother, father] = said
    assert len(verdicts) == 12
    assert verdicts.pop(("macrochirus", "gulosus")) == "lethal"
    assert verdicts.pop(("microlophus", "gulosus")) == "lethal"
    assert verdicts.pop(("cyanellus", "gulosus")) == "partly lethal"
    assert set(verdicts.values()) == {"viable"}


def test_the_factor_falls_only_where_childers_found_failure() -> None:
    known = KnownCrosses.load()
    factors = {
        parents: viability_factor(known.of(*parents), parents, Settings())
        for parents in combinations(SUNFISHES, 2)
    }
    lowered = {parents: factor for parents, factor in factors.items() if factor < 1}
    assert lowered == {
        ("Lepomis gulosus", "Lepomis macrochirus"): 0.5,
        ("Lepomis gulosus", "Lepomis microlophus"): 0.5,
        ("Lepomis cyanellus", "Lepomis gulosus"): 0.75,
    }


# Childers, Hybridization of fishes in North America (Family Centrarchidae), FAO, abstract: natural
# hybridization is common among many species of the tribe Lepomini.  So no pair may be ruled out.
def test_no_pair_of_sunfishes_is_impossible() -> None:
    crosses = pair(pool(dict.fromkeys(SUNFISHES, 0.002)), hybrids(), settings=Settings())
    assert (tables.numbers(crosses["prior"]) > 0).all()
    assert sum(row["documented"] for row in crosses.to_pylist()) >= 15
