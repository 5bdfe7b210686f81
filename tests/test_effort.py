"""Lists, effort, silence and the model of a region."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import tables
from poolbuilder.model.effort import (
    Detectability,
    agreement,
    decluster,
    fit_detectability,
    list_completeness,
    pair_km,
    place_completeness,
    reporting_share,
    silence,
)
from poolbuilder.model.lists import Lists, list_name, lists_from
from poolbuilder.model.logistic import fit, inverse_logit, logit
from poolbuilder.model.region import Region, fit_region
from poolbuilder.settings import Settings
from tests.listed import BLUEGILL, COLD, GREEN, SETTINGS, SPECIES, WARM, WARMOUTH, listed, region, rows_of
from tests.rows import located, screened


def presence(parts) -> float:
    return float(1 / (1 + math.exp(-sum(part.log_odds for part in parts))))


# -- lists -------------------------------------------------------------------------------


def test_lists_hold_the_names_of_each_event() -> None:
    lists = listed([(0, 0, 2001, [BLUEGILL], WARM[:2]), (9, 0, 2004, [], COLD[:1]), (20, 0, 2005, [], [])])
    assert len(lists) == 3
    assert lists.names == (BLUEGILL, *sorted([*WARM[:2], COLD[0]]))
    assert lists.candidates == 1
    assert lists.species == (BLUEGILL,)
    assert lists.lengths.tolist() == [3, 1, 0]
    assert lists.year.tolist() == [2001, 2004, 2005]
    assert lists.matrix().sum() == 4


def test_an_empty_catch_is_a_list_without_names() -> None:
    lists = listed([(0, 0, 2001, [], WARM), (5, 5, 2002, [], [])])
    assert lists.lengths.tolist() == [4, 0]


def test_rejected_records_are_on_no_list() -> None:
    rows = rows_of([(0, 0, 2001, [BLUEGILL], WARM)])
    rows[1]["rejectedBy"] = "fossil"
    assert lists_from(screened(*rows), settings=SETTINGS).lengths.tolist() == [4]


def test_hybrids_and_fishes_named_to_the_genus_are_no_entry() -> None:
    rows = rows_of([(0, 0, 2001, [BLUEGILL], WARM[:1])])
    rows.append({**rows[0], "role": "hybrid", "scientificName": "Lepomis cyanellus × macrochirus"})
    rows.append({**rows[1], "scientificName": "Notropis sp."})
    assert lists_from(screened(*rows), settings=SETTINGS).lengths.tolist() == [2]


def test_without_the_wider_group_there_are_no_lists() -> None:
    assert len(listed([(0, 0, 2001, [BLUEGILL], []), (9, 9, 2001, [GREEN], [])])) == 0


@pytest.mark.parametrize(
    ("given_name", "kept"),
    [
        ("Micropterus salmoides (Lacepède, 1802)", "Micropterus salmoides"),
        ("Salmo trutta Linnaeus, 1758", "Salmo trutta"),
        ("WHITE SUCKER", "white sucker"),
        ("Blue Ridge Sculpin", "blue ridge sculpin"),
        ("Notropis sp.", None),
        ("Moxostoma spp.", None),
        ("", None),
        (None, None),
    ],
)
def test_one_spelling_for_a_name_of_the_wider_group(given_name: str | None, kept: str | None) -> None:
    assert list_name(given_name) == kept


def test_lists_of_located_records_know_distance_and_water() -> None:
    rows = rows_of([(0, 0, 2001, [], WARM), (8, 0, 2001, [], COLD)])
    for row in rows:
        row |= {"distanceKm": 0.1 if row["scientificName"] in WARM else 8.0, "inWaterShare": None}
    lists = lists_from(located(*rows), settings=SETTINGS)
    assert lists.in_water(settings=SETTINGS).tolist() == [True, False]
    outlined = replace(lists, in_water_share=np.array([0.0, 0.9]))
    assert outlined.in_water(settings=SETTINGS).tolist() == [False, True]


@given(st.permutations(range(20)))
@settings(deadline=None, derandomize=True, max_examples=15)
def test_row_order_changes_nothing(order: list[int]) -> None:
    rows = rows_of([(i % 3, i % 2, 2000 + i, [BLUEGILL], [WARM[i % 4]]) for i in range(10)])
    assert len(rows) == 20
    plain = lists_from(screened(*rows), settings=SETTINGS)
    mixed = lists_from(screened(*[rows[i] for i in order]), settings=SETTINGS)
    assert plain.keys == mixed.keys
    assert plain.names == mixed.names
    assert (plain.matrix() == mixed.matrix()).all()
    assert (plain.longitude == mixed.longitude).all()


def test_places_join_visits_and_where_keeps_what_it_should() -> None:
    lists = listed(
        [(0, 0, 2001, [BLUEGILL], WARM[:1]), (0, 0, 2002, [GREEN], WARM[1:2]), (30, 0, 2001, [], COLD)]
    )
    places = lists.places(settings=SETTINGS, species=SPECIES)
    assert places.visits.tolist() == [2, 1]
    assert places.found.tolist() == [[1, 0, 1], [0, 0, 0]]
    assert places.others.sum(axis=1).tolist() == [2, 4]
    later = lists.where(lists.year > 2001)
    assert later.keys == ("|event-00001",)
    assert later.lengths.tolist() == [2]
    assert later.names == lists.names


# -- effort ------------------------------------------------------------------------------


def test_reporting_share_is_detections_over_effort() -> None:
    """By hand: places at 2 km (weight 1), 2 + 2 ln 2 km (weight 1/2), and one out of reach."""
    distance = np.array([[1.0, 2 + 2 * math.log(2), 41.0]])
    found = np.array([[1.0], [0.0], [1.0]])
    share = reporting_share(
        distance, np.ones((1, 3), bool), found, np.ones(3), kernel_km=2, reach_km=40, settings=SETTINGS
    )
    mean = 2.1 / 4
    assert share[0, 0] == pytest.approx((1 + 0.3 * mean) / (1.5 + 0.3))
    shut = np.array([[False, True, True]])
    alone = reporting_share(distance, shut, found, np.ones(3), kernel_km=2, reach_km=40, settings=SETTINGS)
    assert alone[0, 0] == pytest.approx(0.3 * (1.1 / 3) / (0.5 + 0.3))


def test_pair_km_is_near_the_geodesic() -> None:
    from poolbuilder.places.geodesy import distance_km, to_ecef

    a, b = (
        to_ecef(np.array([-88.0]), np.array([40.0])),
        to_ecef(np.array([-88.2, -85.0]), np.array([40.3, 41.0])),
    )
    exact = distance_km([-88.2, -85.0], [40.3, 41.0], from_longitude=-88, from_latitude=40)
    assert pair_km(a, b)[0] == pytest.approx(exact, rel=3e-3)


def test_crowded_places_count_less() -> None:
    longitude = np.array([-90.0, -90.0, -90.0, -90.0, -80.0])
    weight = decluster(longitude, np.full(5, 40.0))
    assert weight == pytest.approx([0.5, 0.5, 0.5, 0.5, 1.0])


def test_thinning_lists_multiplies_their_agreement() -> None:
    rng = np.random.default_rng(5)
    made = [
        (float(east), 0.1 * i, 2010, [], [f"fish {j}" for j in range(30) if rng.random() < 0.6])
        for i in range(2)
        for east in range(0, 300, 3)
    ]
    whole = listed(made)
    thin = listed([(e, n, y, [], [f for f in other if rng.random() < 0.3]) for e, n, y, _, other in made])
    first, comparisons = agreement(whole)
    second, _ = agreement(thin)
    assert comparisons > 100
    assert second / first == pytest.approx(0.3, abs=0.04)
    tuned = SETTINGS.replace(complete_list_agreement=first)
    assert list_completeness(whole, settings=tuned) == pytest.approx(1.0)
    assert list_completeness(thin, settings=tuned) == pytest.approx(0.3, abs=0.04)


def test_completeness_cannot_be_told_from_lists_far_apart() -> None:
    assert (
        list_completeness(listed([(30 * i, 0, 2001, [], WARM) for i in range(30)]), settings=SETTINGS) is None
    )
    assert place_completeness(None, np.array([1, 4])) == 1
    assert place_completeness(0.5, np.array([1, 2])) == pytest.approx((0.5 + 0.75) / 2)


# -- silence -----------------------------------------------------------------------------

WORKED = Detectability(alpha={}, group_alpha=-2.0, beta=1.0, lists=0)


def test_silence_of_three_lists() -> None:
    """Worked example: lengths 4, 9 and 12 with α = -2, β = 1 give m = 0.111473."""
    fishes = [f"fish {i}" for i in range(12)]
    lists = listed(
        [(0, 0, 2001, [], fishes[:4]), (0, 0, 2002, [], fishes[:9]), (0, 0, 2003, [BLUEGILL], fishes[:11])]
    )
    assert WORKED.probability(GREEN, np.array([4.0, 9.0, 12.0])) == pytest.approx(
        [0.351214, 0.549147, 0.618906], abs=1e-6
    )
    told = silence(lists, [GREEN, BLUEGILL], detectability=WORKED)
    assert set(told) == {GREEN}
    assert told[GREEN][0] == pytest.approx(0.111473, abs=1e-6)
    assert "not on 3 lists made in this water" in told[GREEN][1]


def test_silence_is_unknown_without_lists() -> None:
    assert silence(listed([(0, 0, 2001, [BLUEGILL], [])]), [GREEN], detectability=WORKED) == {}


def test_silence_never_reaches_0() -> None:
    lists = listed([(0, 0, 2001, [], [f"fish {i}" for i in range(50)])] * 60)
    assert len(lists) == 60
    assert silence(lists, [GREEN], detectability=WORKED)[GREEN][0] > 0


def test_detectability_recovers_what_made_the_lists() -> None:
    rng = np.random.default_rng(8)
    made = []
    for place in range(400):
        for _ in range(4):
            size = int(rng.integers(1, 15))
            own = [GREEN] if rng.random() < 1 / (1 + math.exp(-(-1.5 + 0.8 * math.log(size)))) else []
            made.append(
                (place * 3.0 % 300, place * 3.0 // 300, 2001, own, [f"fish {i}" for i in range(size)])
            )
    seen = fit_detectability(listed(made), settings=SETTINGS)
    assert seen.lists > 300
    assert seen.alpha[GREEN] + seen.beta * math.log(5) == pytest.approx(-1.5 + 0.8 * math.log(5), abs=0.25)
    assert seen.beta == pytest.approx(0.8, abs=0.25)


def test_detectability_keeps_its_start_without_repeats() -> None:
    seen = fit_detectability(listed([(i, 0, 2001, [GREEN], WARM) for i in range(9)]), settings=SETTINGS)
    assert (seen.group_alpha, seen.beta, seen.lists) == (SETTINGS.list_alpha, SETTINGS.list_beta, 0)


# -- logistic ----------------------------------------------------------------------------


def test_separable_data_give_a_finite_fit() -> None:
    x = np.column_stack([np.ones(40), np.linspace(-1, 1, 40)])
    found = fit(x, (x[:, 1] > 0).astype(float), mean=np.zeros(2), precision=np.full(2, 0.1))
    assert found.converged
    assert np.isfinite(found.coefficients).all()
    p = inverse_logit(x @ found.coefficients)
    assert ((p > 0) & (p < 1)).all()


@pytest.mark.parametrize("outcome", [0.0, 1.0])
def test_outcomes_all_alike_give_a_finite_fit(outcome: float) -> None:
    found = fit(np.ones((20, 1)), np.full(20, outcome), mean=np.array([-2.0]), precision=np.array([0.05]))
    assert found.converged
    assert 0 < inverse_logit(found.coefficients)[0] < 1


def test_imperfect_lists_are_made_up_for() -> None:
    rng = np.random.default_rng(2)
    x = np.column_stack([np.ones(20_000), rng.normal(size=20_000)])
    lives = rng.random(20_000) < inverse_logit(x @ np.array([-0.5, 1.2]))
    seen = lives & (rng.random(20_000) < 0.4)
    start = {"mean": np.zeros(2), "precision": np.full(2, 0.01)}
    blind = fit(x, seen.astype(float), **start).coefficients
    aware = fit(x, seen.astype(float), found_share=0.4, **start).coefficients
    assert blind[0] < -1.2
    assert aware == pytest.approx([-0.5, 1.2], abs=0.12)


def test_log_odds_stay_finite() -> None:
    assert np.isfinite(logit(np.array([0.0, 1.0]))).all()
    assert ((inverse_logit(np.array([-1e6, 1e6])) > 0) & (inverse_logit(np.array([-1e6, 1e6])) < 1)).all()


# -- region ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def lists() -> Lists:
    return listed(region(400))


@pytest.fixture(scope="module")
def learnt(lists: Lists) -> Region:
    return fit_region(lists, SPECIES, settings=SETTINGS)


CENTRE = {"longitude": -90 + 50 / 111.2 / math.cos(math.radians(40)), "latitude": 40 + 50 / 111.2}


def water(*other: str, own: tuple[str, ...] = ()) -> Lists:
    made = listed([(50.0, 50.0, 2020, own, other)])
    return replace(made, keys=tuple(f"own {key}" for key in made.keys))


def test_the_other_fishes_tell_warm_water_from_cold(learnt: Region) -> None:
    assert learnt.step == "community"
    assert learnt.converged
    warm = learnt.predict(**CENTRE, in_water=water(*WARM), settings=SETTINGS)
    cold = learnt.predict(**CENTRE, in_water=water(*COLD), settings=SETTINGS)
    assert warm is not None
    assert cold is not None
    assert warm.step == "community"
    assert presence(warm.parts[BLUEGILL]) > 0.7 > 0.2 > presence(cold.parts[BLUEGILL])
    words = [part.words for part in warm.parts[BLUEGILL]]
    assert (
        "4 other fishes recorded here, more than" in words[2]
        or "4 other fishes recorded here, as" in words[2]
    )
    assert "for it: " in words[3]


def test_a_species_of_the_east_is_not_expected_in_the_west(learnt: Region) -> None:
    west = learnt.predict(CENTRE["longitude"] - 0.5, CENTRE["latitude"], in_water=None, settings=SETTINGS)
    east = learnt.predict(CENTRE["longitude"] + 0.5, CENTRE["latitude"], in_water=None, settings=SETTINGS)
    assert west is not None
    assert east is not None
    assert east.step == "effort"
    assert presence(east.parts[WARMOUTH]) > 0.3 > 0.08 > presence(west.parts[WARMOUTH])
    assert any("no list of the wider group from this water" in note for note in east.notes)
    assert east.silence == {}


def test_the_waters_own_candidates_are_never_used(learnt: Region) -> None:
    without = learnt.predict(**CENTRE, in_water=water(*WARM), settings=SETTINGS)
    having = learnt.predict(**CENTRE, in_water=water(*WARM, own=SPECIES), settings=SETTINGS)
    assert without is not None
    assert having is not None
    assert without.parts == having.parts
    assert having.silence == {}
    assert set(without.silence) == set(SPECIES)


def test_lists_of_this_water_do_not_count_as_effort_around_it(lists: Lists, learnt: Region) -> None:
    mine = lists.where(np.arange(len(lists)) == 7)
    place = {"longitude": float(mine.longitude[0]), "latitude": float(mine.latitude[0])}
    known = learnt.predict(**place, in_water=mine, settings=SETTINGS)
    strange = learnt.predict(**place, in_water=replace(mine, keys=("another",)), settings=SETTINGS)
    assert known is not None
    assert strange is not None
    count = [int(one.parts[GREEN][1].words.split(" of ")[1].split()[0]) for one in (known, strange)]
    assert count[0] == count[1] - 1


def test_parts_add_up_and_intervals_hold_the_estimate(learnt: Region) -> None:
    told = learnt.predict(**CENTRE, in_water=water(*WARM), settings=SETTINGS)
    assert told is not None
    for name in SPECIES:
        assert told.low[name] < 0 < told.high[name]
        assert 0 < presence(told.parts[name]) < 1
        assert {part.part for part in told.parts[name]} == {"effort", "community"}


def test_the_calibration_line_is_a_part_of_the_argument(lists: Lists, learnt: Region) -> None:
    lined = SETTINGS.replace(calibration_intercept=-0.5, calibration_slope=0.8)
    plain = learnt.predict(**CENTRE, in_water=water(*WARM), settings=SETTINGS)
    moved = fit_region(lists, SPECIES, settings=lined).predict(
        **CENTRE, in_water=water(*WARM), settings=lined
    )
    assert plain is not None
    assert moved is not None
    before = sum(part.log_odds for part in plain.parts[GREEN])
    after = sum(part.log_odds for part in moved.parts[GREEN])
    assert moved.parts[GREEN][-1].part == "calibration"
    assert after == pytest.approx(-0.5 + 0.8 * before)
    assert moved.high[GREEN] == pytest.approx(0.8 * plain.high[GREEN])


@pytest.mark.parametrize(
    ("size", "step"), [(0, "records"), (20, "records"), (60, "effort"), (220, "community")]
)
def test_with_fewer_lists_the_model_steps_down_and_says_so(size: int, step: str) -> None:
    made = fit_region(listed(region(size)) if size else listed([]), SPECIES, settings=SETTINGS)
    assert made.step == step
    told = made.predict(**CENTRE, in_water=water(*WARM), settings=SETTINGS)
    assert (told is None) == (step == "records")
    if told is not None:
        assert told.step == step


def test_far_from_every_list_records_stand_alone(learnt: Region) -> None:
    assert learnt.predict(-100.0, 45.0, in_water=None, settings=SETTINGS) is None


def test_roughly_placed_lists_are_not_learnt_from(lists: Lists) -> None:
    rough = replace(lists, uncertainty_m=np.full(len(lists), 28_000.0))
    assert fit_region(rough, SPECIES, settings=SETTINGS).step == "records"


def paired(size: int, kept: float, seed: int) -> tuple[list, list]:
    """Pairs of places 300 m apart that share nine in ten of their fishes: whole lists, and thin ones."""
    rng = np.random.default_rng(seed)
    whole, thin = [], []
    for east, north, year, own, other in region(size, seed=6):
        for step in range(2):
            near = [name for name in (*own, *other) if rng.random() < 0.9]
            mine = ([n for n in near if n in SPECIES], [n for n in near if n not in SPECIES])
            place = (east + 0.3 * step, north, year)
            whole.append((*place, *mine))
            thin.append((*place, *([n for n in part if rng.random() < kept] for part in mine)))
    return whole, [made for made in thin if made[3] or made[4]]  # a list without a name leaves no record


def test_thin_records_do_not_make_the_fishes_rare() -> None:
    """With 30 % of the records kept, presence stays near that of the whole lists."""
    whole, thin = paired(700, 0.3, 4)
    tuned = SETTINGS.replace(complete_list_agreement=agreement(listed(whole))[0])
    full = fit_region(listed(whole), SPECIES, settings=tuned)
    bare = fit_region(listed(thin), SPECIES, settings=tuned)
    assert bare.completeness == pytest.approx(0.3, abs=0.05)
    sums = []
    for made in (full, bare):
        told = [
            made.predict(-90 + x * 0.0117, 40 + y * 0.009, in_water=None, settings=tuned)
            for x in (20, 50, 80)
            for y in (20, 50, 80)
        ]
        sums.append([presence(one.parts[name]) for one in told if one for name in SPECIES])
    assert np.mean(sums[1]) == pytest.approx(np.mean(sums[0]), abs=0.07)
    assert bare.places.found.mean() < 0.4 * full.places.found.mean()


def test_a_thin_list_of_candidates_alone_tells_of_no_community() -> None:
    _, made = paired(200, 0.3, 4)
    thin = fit_region(listed(made), SPECIES, settings=SETTINGS)
    assert thin.completeness is not None
    assert thin.completeness < 0.9
    bare = water(*WARM[:1], own=(GREEN,))
    alone = replace(bare, event=bare.event[:1], name=bare.name[:1])
    assert alone.lengths.tolist() == [1]
    for told, step in ((bare, "community"), (alone, "effort")):
        found = thin.predict(**CENTRE, in_water=told, settings=SETTINGS)
        assert found is not None
        assert found.step == step


def test_of_too_many_places_the_middle_ones_are_learnt_from(lists: Lists) -> None:
    made = fit_region(lists, SPECIES, settings=SETTINGS.replace(region_max_places=100))
    assert len(made.places) == 100
    assert len(made.keys) == len(made.places.place)
    far = np.abs(made.places.latitude - 40 - 50 / 111.2).max()
    assert far < 0.7 * np.abs(lists.latitude - 40 - 50 / 111.2).max()


def test_same_lists_same_numbers(lists: Lists, learnt: Region) -> None:
    again = fit_region(lists, SPECIES, settings=SETTINGS)
    one = learnt.predict(**CENTRE, in_water=water(*WARM), settings=SETTINGS)
    two = again.predict(**CENTRE, in_water=water(*WARM), settings=SETTINGS)
    assert one == two


def test_a_species_that_is_on_no_list_stays_possible(lists: Lists) -> None:
    made = fit_region(lists, (*SPECIES, "Lepomis symmetricus"), settings=SETTINGS)
    told = made.predict(**CENTRE, in_water=water(*WARM), settings=SETTINGS)
    assert told is not None
    assert 0 < presence(told.parts["Lepomis symmetricus"]) < 0.05


def test_learning_a_region_does_not_import_pandas_or_scipy() -> None:
    import subprocess
    import sys

    code = (
        "import sys; from tests.listed import listed, region, SPECIES, SETTINGS; "
        "from poolbuilder.model.region import fit_region; "
        "fit_region(listed(region(250)), SPECIES, settings=SETTINGS); "
        "print(sorted({'pandas', 'scipy', 'geopandas'} & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_settings_of_the_region_have_reasons() -> None:
    names = {row["name"] for row in Settings.explain() if row["reason"]}
    assert {"effortNearKm", "likePower", "communityAxes", "completeListAgreement"} <= names


def test_columns_of_an_empty_table() -> None:
    assert (
        len(
            lists_from(
                tables.where(screened(*rows_of([(0, 0, 1, [], WARM)])), np.zeros(4, bool)), settings=SETTINGS
            )
        )
        == 0
    )
