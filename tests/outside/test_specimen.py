"""One fish against published indices, arithmetic by hand, and facts of the trade."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from poolbuilder import Settings, schemas, tables
from poolbuilder.fish.characters import Cell, Character, Fish, Seen, TraitTable, read_traits
from poolbuilder.fish.reasons import hybrid_index, mean_index
from poolbuilder.fish.simulation import even_hypotheses
from poolbuilder.fish.weighing import Weighing, hypotheses, moments, species_shares
from poolbuilder.model.pairs import FREQUENCY, pair
from tests.test_crosses import hybrids, pool

TABLE = read_traits()
ADULT = Fish(sex="male", stage="adult", breeding=True)


# Hubbs & Kuronuma 1942, Pap. Mich. Acad. Sci. 27:267-306; Hubbs, Hubbs & Johnson 1943, Contrib.
# Lab. Vert. Biol. Univ. Mich. 22 (both from memory): HI = 100 (H - A) / (B - A).
def test_hubbs_index() -> None:
    assert hybrid_index(44, 47, 42) == pytest.approx(60)
    values = {"lateral line": (44.6, 47, 42), "pectoral": (13.4, 14, 13), "anal": (9.8, 9.2, 11)}
    found = [hybrid_index(*each) for each in values.values()]
    assert found == pytest.approx([48, 60, 100 / 3], abs=1e-9)
    assert np.mean(found) == pytest.approx(47.1111, abs=5e-5)
    assert math.isnan(hybrid_index(10, 12, 12))
    # Alike weights give the plain mean: each distance is one standard deviation here.
    alike = {key: (*each, abs(each[2] - each[1])) for key, each in values.items()}
    assert mean_index(("A", "B"), alike).weighted == pytest.approx(47.1111, abs=5e-5)


def _fine_count(key: str, means: dict[str, tuple[float, float]], low: float, high: float) -> TraitTable:
    """A measure in steps so fine that shares of classes are densities."""
    reach = 1.959963984540054
    character = Character(key=key, words=key, kind="ratio", low=low, high=high, step=0.002, group=key)
    cells = tuple(
        Cell(
            species=name,
            character=key,
            low=mean - reach * sd,
            high=mean + reach * sd,
            mode=mean,
            mark="read",
            source="s",
        )
        for name, (mean, sd) in means.items()
    )
    return TraitTable(name="toy", characters=(character,), cells=cells)


# Bayes' rule with the naive model of first-generation hybrids: mean (m1 + m2)/2, variance
# (v1 + v2)/2; numbers worked with scipy.stats.norm, illustrative parents.
def test_posterior_of_one_count_by_bayes_rule() -> None:
    mac, cya, gib = "Lepomis macrochirus", "Lepomis cyanellus", "Lepomis gibbosus"
    table = _fine_count("scales", {mac: (42, 1.8), cya: (47, 1.7), gib: (39.5, 1.8)}, 25, 62)
    settings = Settings(f1_share=0.05, f1_intermediate=1, trait_error_floor=0, range_widening=1)
    rows = _even_pairs({mac: 0.95, cya: 0.9, gib: 0.6}, settings)
    listed, prior = hypotheses(rows, [mac, cya, gib])
    fish = Fish(seen=(Seen(character="scales", value=44.5, sure=1.0, words="44.5"),))
    found = Weighing(fish=fish, table=table, hypotheses=listed, prior=prior, settings=settings)
    names = [frozenset(each.parents) for each in listed]
    expected = {
        (mac,): (0.368367, 0.459441), (cya,): (0.348980, 0.410055), (gib,): (0.232653, 0.016070),
        (mac, cya): (0.021756, 0.073191), (mac, gib): (0.014504, 0.005418), (cya, gib): (0.013740, 0.035825),
    }  # fmt: skip
    for parents, (before, after) in expected.items():
        index = names.index(frozenset(parents))
        assert found.prior[index] == pytest.approx(before, abs=6e-7)
        assert found.posterior[index] == pytest.approx(after, abs=6e-7)


def _even_pairs(presence: dict[str, float], settings: Settings) -> list[dict[str, object]]:
    """Pairs and species by presence alone: no crosses are known."""
    rows: list[dict[str, object]] = []
    total = sum(presence.values())
    products = {(a, b): presence[a] * presence[b] for a, b in itertools.combinations(sorted(presence), 2)}
    for name, value in presence.items():
        rows.append(
            {
                "parent1": name,
                "parent2": name,
                "formula": name,
                "weight": (1 - settings.f1_share) * value / total,
            }
        )
    for (a, b), value in products.items():
        weight = settings.f1_share * value / sum(products.values())
        rows.append({"parent1": a, "parent2": b, "formula": f"{a} × {b}", "weight": weight})
    return rows


# Bayes' rule worked by hand: three species, two characters of two states each.
def test_bayes_by_hand_on_three_species_and_two_characters() -> None:
    states = {"A a": (0.9, 0.2), "B b": (0.5, 0.5), "C c": (0.1, 0.8)}
    characters = tuple(
        Character(key=key, words=key, kind="state", states=("no", "yes"), group=key) for key in ("one", "two")
    )
    cells = tuple(
        Cell(species=name, character=key, shares=(1 - share, share), mark="read", source="s")
        for name, shares in states.items()
        for key, share in zip(("one", "two"), shares, strict=True)
    )
    settings = Settings(trait_error_floor=0, range_widening=1)
    rows = [
        {"parent1": n, "parent2": n, "formula": n, "weight": w}
        for n, w in (("A a", 0.5), ("B b", 0.3), ("C c", 0.2))
    ]
    listed, prior = hypotheses(rows, list(states))
    fish = Fish(seen=tuple(Seen(character=key, value="yes", sure=1.0, words="yes") for key in ("one", "two")))
    table = TraitTable(name="hand", characters=characters, cells=cells)
    found = Weighing(fish=fish, table=table, hypotheses=listed, prior=prior, settings=settings)
    by_hand = np.array([0.5 * 0.9 * 0.2, 0.3 * 0.5 * 0.5, 0.2 * 0.1 * 0.8])  # .09, .075, .016
    assert found.posterior == pytest.approx(by_hand / 0.181)


# Childers 1967, Ill. Nat. Hist. Surv. Bull. 29(3), abstract: all young of warmouth males and
# redear females die, part of those of warmouth males and green sunfish females; hence
# φ = 1/2 and 3/4 for the pairs, as a mean over both directions.
def test_childers_viability_enters_the_prior() -> None:
    parents = ["Lepomis cyanellus", "Lepomis gulosus", "Lepomis microlophus", "Lepomis punctatus"]
    table = pool(dict.fromkeys(parents, 0.5))
    rows = pair(table, hybrids(), settings=Settings(), include_pure=True).to_pylist()
    listed, prior = hypotheses(rows, TABLE.species)
    often = {(row["parent1"], row["parent2"]): FREQUENCY[row["frequency"] or "none known"] for row in rows}
    weight = {
        each.parents: value / often.get(each.parents, 1.0)
        for each, value in zip(listed, prior.tolist(), strict=True)
    }
    untried = weight["Lepomis gulosus", "Lepomis punctatus"]
    assert weight["Lepomis gulosus", "Lepomis microlophus"] / untried == pytest.approx(0.5)
    assert weight["Lepomis cyanellus", "Lepomis gulosus"] / untried == pytest.approx(0.75)


# -- facts of the trade: common practice, no source ----------------------------------------


def _shares(species: str, key: str, fish: Fish = ADULT) -> dict[str, float]:
    character = TABLE.by_key[key]
    found = species_shares(TABLE, f"Lepomis {species}", character, fish, Settings())
    return dict(zip(character.states, found.tolist(), strict=True))


def _mean(species: str, key: str) -> float:
    character = TABLE.by_key[key]
    return moments(species_shares(TABLE, f"Lepomis {species}", character, ADULT, Settings()), character)[0]


def _weighed(**seen: str | float) -> Weighing:
    listed, prior = even_hypotheses(TABLE)
    made = tuple(Seen(character=key, value=value, sure=0.95, words=str(value)) for key, value in seen.items())
    fish = Fish(sex="male", stage="adult", breeding=True, seen=made)
    return Weighing(fish=fish, table=TABLE, hypotheses=listed, prior=prior, settings=Settings())


def _parents(weighing: Weighing) -> list[str]:
    order = np.argsort(-weighing.parenthood, kind="stable")
    return [weighing.species[index].split()[1] for index in order]


def test_long_pointed_pectorals_and_small_mouths() -> None:
    for species in ("macrochirus", "microlophus", "gibbosus"):
        assert _shares(species, "pectoral_tip")["pointed"] > 0.8
        mouth = _shares(species, "maxilla_reach")
        assert mouth["short_of_eye"] + mouth["front_of_eye"] >= 0.9
    found = _parents(
        _weighed(pectoral_tip="pointed", pectoral_bent_forward="past_nostril", maxilla_reach="short_of_eye")
    )
    assert set(found[:3]) == {"macrochirus", "microlophus", "gibbosus"}


def test_large_mouths_of_green_sunfish_and_warmouth() -> None:
    for species in ("cyanellus", "gulosus"):
        mouth = _shares(species, "maxilla_reach")
        assert mouth["front_of_pupil"] + mouth["middle_of_eye"] + mouth["past_middle"] >= 0.95
    assert set(_parents(_weighed(maxilla_reach="middle_of_eye"))[:2]) == {"cyanellus", "gulosus"}


def test_long_rakers_of_green_sunfish_and_warmouth_short_ones_of_longear() -> None:
    for species in ("cyanellus", "gulosus"):
        assert _shares(species, "gill_raker_shape")["long_thin"] >= 0.8
    assert _shares("megalotis", "gill_raker_shape")["short_thick"] >= 0.8
    long, short = (_parents(_weighed(gill_raker_shape=shape)) for shape in ("long_thin", "short_thick"))
    assert {"cyanellus", "gulosus"} <= set(long[:5])
    assert long.index("megalotis") > 6 > short.index("megalotis")


def test_tongue_teeth_are_warmouth_alone_and_lost_in_its_hybrids() -> None:
    assert _shares("gulosus", "tongue_teeth")["present"] > 0.9
    others = [each.split()[1] for each in TABLE.species if each != "Lepomis gulosus"]
    assert all(_shares(species, "tongue_teeth")["present"] < 0.1 for species in others)
    toothed, bare = _weighed(tongue_teeth="present"), _weighed(tongue_teeth="absent")
    assert _parents(toothed)[0] == "gulosus"
    pure = next(
        i for i, each in enumerate(bare.hypotheses) if each.parents == ("Lepomis gulosus", "Lepomis gulosus")
    )
    cross = next(
        i
        for i, each in enumerate(bare.hypotheses)
        if each.parents == ("Lepomis cyanellus", "Lepomis gulosus")
    )
    assert bare.posterior[pure] < 0.15 * bare.prior[pure]
    assert bare.posterior[cross] > 0.7 * bare.prior[cross]


def test_the_longest_flaps_are_of_redbreast_and_longear_longer_in_males() -> None:
    lengths = {each.split()[1]: _mean(each.split()[1], "flap_percent_sl") for each in TABLE.species}
    assert sorted(lengths, key=lengths.__getitem__)[-2:] in (
        ["auritus", "megalotis"],
        ["megalotis", "auritus"],
    )
    female = Fish(sex="female", stage="adult")
    for species in ("auritus", "megalotis"):
        assert (
            _shares(species, "flap_length")["very_long"]
            > _shares(species, "flap_length", female)["very_long"]
        )
    assert set(_parents(_weighed(flap_length="very_long", flap_angle="level"))[:2]) == {
        "auritus",
        "megalotis",
    }


def test_green_sunfish_and_warmouth_have_fewer_soft_rays() -> None:
    """One or two fewer in dorsal and anal fin together than bluegill and redear; fewer than pumpkinseed."""
    rays = {
        each: _mean(each, "dorsal_rays") + _mean(each, "anal_rays")
        for each in ("cyanellus", "gulosus", "macrochirus", "microlophus", "gibbosus")
    }
    for few in ("cyanellus", "gulosus"):
        assert rays[few] <= rays["macrochirus"] - 1
        assert rays[few] <= rays["microlophus"] - 1
        assert rays[few] < rays["gibbosus"] + 0.1
    low, high = (_parents(_weighed(dorsal_rays=rays_, anal_rays=rays_ - 1)) for rays_ in (10.0, 12.0))
    assert low.index("gulosus") < low.index("macrochirus")
    assert high.index("macrochirus") < high.index("gulosus")


# Colgan, Ballantyne & Wilson (abstract), pumpkinseed x bluegill of Lake Opinicon: red flap,
# pharyngeal teeth and body depth together assigned every fish; outer characters alone did not.
def test_pumpkinseed_and_bluegill_need_the_throat_teeth() -> None:
    outside = _weighed(pectoral_tip="pointed", flap_edge="red_spot", maxilla_reach="front_of_eye")
    inside = _weighed(
        pectoral_tip="pointed", flap_edge="red_spot", maxilla_reach="front_of_eye", pharyngeal_teeth="blunt"
    )
    seed, cross = ("Lepomis gibbosus", "Lepomis gibbosus"), ("Lepomis gibbosus", "Lepomis macrochirus")

    def odds(weighing: Weighing) -> float:
        share = {
            each.parents: p for each, p in zip(weighing.hypotheses, weighing.posterior.tolist(), strict=True)
        }
        return share[cross] / share[seed]

    assert odds(inside) > 1.5 * odds(outside)


def test_the_posterior_schema_is_described() -> None:
    assert schemas.describe(schemas.POSTERIOR)
    assert tables.table(schemas.POSTERIOR, {name: [] for name in schemas.POSTERIOR.names}).num_rows == 0
