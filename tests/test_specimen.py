"""One fish: its notes, the weighing, the argument, the files, the command."""

from __future__ import annotations

import csv
import dataclasses
import html
import itertools
import json
import re
import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import PoolBuilderError, Settings, tables, write_pool
from poolbuilder.cli import main
from poolbuilder.fish.answer import (
    Specimen,
    drawing,
    field_sheet,
    identify,
    identify_all,
    render,
    second_opinion,
    write_specimen,
)
from poolbuilder.fish.characters import Fish, Seen, read_traits
from poolbuilder.fish.notes import parse_fish, read_fish, template
from poolbuilder.fish.reasons import next_characters
from poolbuilder.fish.weighing import Weighing, damping, hypotheses, posterior, prior_with_f1_share
from tests.pools import invented_pool

LAWS = settings(deadline=None, derandomize=True, max_examples=20)
DATA = Path(__file__).parent / "data" / "specimen"
TABLE, SETTINGS = read_traits(), Settings()
FILES = ("posterior.csv", "trait_evidence.csv", "specimen.html", "second_opinion.html", "field_sheet.html")
HYBRID = """
[fish]
name = "fish 7"
sex = "male"
breeding = "no"
photos = ["side.jpg"]
[seen]
standard_length_mm = 142
pectoral_length_mm = 41
dorsal_rays = 11
anal_rays = 10
lateral_line_scales = { value = 45, sure = 0.85 }
maxilla_reach = "front of pupil"
pectoral_tip = "blunt"
flap_edge = "narrow pale"
flap_length = "short"
flap_stiffness = "partly"
dorsal_blotch = "distinct"
anal_blotch = "faint"
fin_edges = "yellow_orange"
tongue_teeth = false
gill_rakers_lower = 11
"""


def fish(text: str) -> Fish:
    return parse_fish(text, TABLE, settings=SETTINGS)


invented = cache(invented_pool)


@cache
def specimen(text: str = HYBRID, **options: object) -> Specimen:
    return identify(invented(), fish(text), TABLE, **options)  # type: ignore[arg-type]


# -- notes -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "row", "message"),
    [
        ("unknown_character", 3, "unknown character 'dorsal_softrays' (nearest are dorsal_rays"),
        ("unknown_section", 1, "unknown section or key 'counts' (put it under [fish] or [seen])"),
        ("unknown_about", 2, "unknown key 'observr' under [fish] (did you mean observer?)"),
        ("impossible_count", 2, "anal spines: 6 is not possible in this group (2 to 4 are; count again"),
        ("half_a_ray", 2, "dorsal_rays = 10.5 is not a whole number"),
        ("words_for_a_count", 2, "dorsal_rays = 'eleven' is not a number"),
        (
            "unknown_state",
            2,
            "pectoral_tip = 'square' is not a state of it (use one of rounded, blunt, pointed)",
        ),
        ("two_states", 2, "pectoral_tip = 'square' is not a state of it"),
        ("too_sure", 2, "dorsal_rays: sure = 80 is not a share"),
        ("sides_apart", 3, "pectoral rays: 12 and 15 contradict one another"),
        ("rakers_contradict", 2, "9 gill rakers in all, 10 of them on the lower limb, contradict"),
        ("state_against_measure", 4, "length of the ear flap: short contradicts"),
        ("twice", 3, "dorsal_rays is given twice"),
        ("fin_longer_than_fish", 3, "pectoral_length_mm 90 is too long for a standard length of 100 mm"),
        ("ratio_and_measures", 2, "standard length in pectoral lengths: 4 and 3.33 contradict one another"),
        ("not_toml", None, "is not TOML"),
        ("unknown_sex", 2, "sex 'both' is unknown (use one of male, female, unknown)"),
        ("photos_not_a_list", 2, "photos is not a list of texts"),
        ("no_value", 2, "dorsal_rays has no value"),
    ],
)
def test_defective_notes_are_named_with_their_line(name: str, row: int | None, message: str) -> None:
    path = DATA / "fish" / f"{name}.toml"
    with pytest.raises(PoolBuilderError) as caught:
        read_fish(path, TABLE, settings=SETTINGS)
    assert message in str(caught.value)
    assert str(caught.value).startswith(f"{path}, row {row}: " if row else f"{path}: ")


def test_every_defect_file_has_a_line_and_a_test() -> None:
    text = (DATA / "README.md").read_text(encoding="utf-8")
    own = Path(__file__).read_text(encoding="utf-8") + (Path(__file__).parent / "test_traits.py").read_text(
        encoding="utf-8"
    )
    for path in [*(DATA / "fish").iterdir(), *(DATA / "traits").iterdir()]:
        assert f"`{path.name}`" in text
        assert path.stem.removesuffix("_traits") in own


def test_sides_are_averaged_and_keep_what_was_counted() -> None:
    (seen,) = fish("[seen]\npectoral_rays_left = 13\npectoral_rays_right = { value = 14, sure = 0.5 }").seen
    assert seen.value == 13.5
    assert seen.sure == pytest.approx((SETTINGS.observer_sure + 0.5) / 2)
    assert "mean of 13 and 14" in seen.words


def test_measures_become_ratios_with_the_lesser_certainty() -> None:
    found = fish("[seen]\nstandard_length_mm = 120\nbody_depth_mm = { value = 60, sure = 0.4 }")
    assert [(each.character, each.value, each.sure) for each in found.seen] == [("depth_in_sl", 2.0, 0.4)]
    assert found.stage == "adult"
    assert fish("[seen]\nstandard_length_mm = 40").stage == "young"


def test_a_measure_alone_and_a_contradicted_size_are_doubts() -> None:
    assert "says nothing without standard_length_mm" in fish("[seen]\nflap_length_mm = 8").doubts[0]
    small = fish('[fish]\nsize = "adult"\n[seen]\nstandard_length_mm = 40')
    assert small.stage == "adult"
    assert "says young" in small.doubts[0]


def test_empty_unknown_and_unsure_values_are_not_seen() -> None:
    assert (
        fish('[seen]\npectoral_tip = ""\nflap_edge = "unknown"\ndorsal_rays = { value = 11, sure = 0 }').seen
        == ()
    )


def test_other_names_and_spellings_are_read() -> None:
    found = fish('[seen]\n"Dorsal soft rays" = 11\nflap-colour = "red spot"\ntongue_tooth_patch = true')
    assert {each.character: each.value for each in found.seen} == {
        "dorsal_rays": 11.0, "flap_edge": "red_spot", "tongue_teeth": "present",
    }  # fmt: skip


def test_the_template_is_valid_empty_and_complete() -> None:
    text = template(TABLE, settings=SETTINGS)
    assert fish(text).seen == ()
    filled = []
    for line in text.splitlines():
        match = re.fullmatch(r"# (\w+) =(.*)", line)
        plain = match and match[1] not in {
            "name",
            "date",
            "place",
            "observer",
            "photos",
            "remarks",
            "sex",
            "size",
            "breeding",
        }
        filled.append(f"{match[1]} = {match[2].strip() or '1'}" if match and plain else line)
    keys = set(tomllib.loads("\n".join(filled))["seen"])
    for character in TABLE.characters:
        if character.kind == "ratio":
            assert {character.numerator, character.denominator} <= keys
        else:
            assert character.key in keys or {f"{character.key}_{side}" for side in character.sides} <= keys


# -- weighing ----------------------------------------------------------------------------


def _weighed(seen: list[Seen], names: int = 4) -> Weighing:
    species = TABLE.species[:names]
    rows = [{"parent1": n, "parent2": n, "formula": n, "weight": 1.0} for n in species]
    rows += [
        {"parent1": a, "parent2": b, "formula": f"{a} × {b}", "weight": 0.2}
        for a, b in itertools.combinations(species, 2)
    ]
    listed, prior = hypotheses(rows, species)
    fish_ = Fish(sex="male", stage="adult", seen=tuple(seen))
    return Weighing(fish=fish_, table=TABLE, hypotheses=listed, prior=prior, settings=SETTINGS)


def _any_value(key: str) -> st.SearchStrategy[Seen]:
    character = TABLE.by_key[key]
    values = (
        st.sampled_from(character.states) if character.states else st.sampled_from(character.grid.tolist())
    )
    return st.builds(
        lambda value, sure: Seen(character=key, value=value, sure=sure, words=str(value)),
        values,
        st.floats(0.1, 1),
    )


observations = st.lists(
    st.sampled_from([each.key for each in TABLE.characters]), max_size=6, unique=True
).flatmap(lambda keys: st.tuples(*map(_any_value, keys)))


@LAWS
@given(observations, st.randoms(use_true_random=False))
def test_the_posterior_sums_to_one_and_the_order_of_characters_is_irrelevant(
    seen: tuple[Seen, ...], random: object
) -> None:
    shuffled = list(seen)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = _weighed(list(seen)), _weighed(shuffled)
    assert one.posterior.sum() == pytest.approx(1)
    assert (one.posterior > 0).all()
    assert one.posterior == pytest.approx(other.posterior)
    assert one.parenthood == pytest.approx(other.parenthood)


@LAWS
@given(observations)
def test_no_single_character_rules_a_hypothesis_out(seen: tuple[Seen, ...]) -> None:
    found = _weighed(list(seen))
    for row in range(len(seen)):
        classes = found.shares(seen[row].character).shape[1]
        assert np.exp(found.log_likelihood[row]).min() >= SETTINGS.trait_error_floor * 0.1 / classes


def test_nothing_seen_gives_back_the_prior_and_says_so() -> None:
    found = specimen("[fish]")
    assert found.weighing.posterior == pytest.approx(found.weighing.prior)
    assert found.sentences[0].startswith("Nothing was observed")
    assert not found.conclusions[0].decided
    assert found.trait_evidence == []
    assert "Nothing was observed" in render(found)


def test_less_certainty_moves_the_answer_less() -> None:
    sure, unsure = (
        _weighed([Seen(character="tongue_teeth", value="present", sure=sure, words="present")], 13)
        for sure in (1.0, 0.3)
    )
    warmouth = sure.species.index("Lepomis gulosus")
    prior = (sure.membership @ sure.prior)[warmouth]
    assert sure.parenthood[warmouth] > unsure.parenthood[warmouth] > prior


def test_characters_of_one_group_do_not_count_twice() -> None:
    one = Seen(character="pectoral_tip", value="pointed", sure=1.0, words="pointed")
    other = Seen(character="pectoral_bent_forward", value="past_nostril", sure=1.0, words="past nostril")
    assert _weighed([one]).damping.tolist() == [1]
    assert _weighed([one, other]).damping == pytest.approx([1 / 1.25, 1 / 1.25])
    assert _weighed(
        [one, Seen(character="tongue_teeth", value="absent", sure=1.0, words="")]
    ).damping.tolist() == [1, 1]


def test_priors_hold_the_share_of_hybrids_and_the_presence_of_the_parents() -> None:
    found = specimen()
    pairs = np.array([each.kind == "F1" for each in found.weighing.hypotheses])
    assert found.weighing.prior[pairs].sum() == pytest.approx(0.05)
    assert len(pairs) == 91
    assert pairs.sum() == 78
    more = specimen(settings=Settings(f1_share=0.4)).weighing
    crossed = np.array([each.kind == "F1" for each in more.hypotheses])
    assert more.prior[crossed].sum() == pytest.approx(0.4)
    again = prior_with_f1_share(found.weighing.hypotheses, found.weighing.prior, 0.4)
    by_formula = {each.formula: p for each, p in zip(more.hypotheses, more.prior, strict=True)}
    assert again == pytest.approx([by_formula[each.formula] for each in found.weighing.hypotheses])


def test_a_character_given_twice_does_not_count_twice() -> None:
    """Rakers of the whole arch repeat those of its lower limb; soft rays do not."""

    def moved(*keys: str) -> float:
        found = _weighed([Seen(character=key, value=8.0, sure=1.0, words="8") for key in keys], 13)
        return float(found.damping.sum())

    assert moved("gill_rakers") == moved("gill_rakers_lower") == 1
    assert moved("gill_rakers", "gill_rakers_lower") < 1.25
    assert moved("gill_rakers", "dorsal_rays") == pytest.approx(2)
    doubled = dataclasses.replace(TABLE, correlations={frozenset(("dorsal_rays", "anal_rays")): 1.0})
    assert damping(["dorsal_rays", "anal_rays"], doubled, SETTINGS).sum() == pytest.approx(1)


def test_two_states_on_one_fish_point_to_a_hybrid_of_both() -> None:
    text = "[seen]\nflank_marks = {}"
    both = specimen(text.format('["bars", "orange_spots"]')).weighing
    one = specimen(text.format('"bars"')).weighing
    assert both.fish.seen[0].words == "bars and orange spots"
    share = [float(each.posterior[each.crossed].sum()) for each in (both, one)]
    assert share[0] > 1.5 * share[1]
    found = next(both.hypotheses[i] for i in both.order.tolist() if both.crossed[i])
    assert found.parents == ("Lepomis humilis", "Lepomis macrochirus")


def test_both_questions_are_answered_and_one_control_moves_both() -> None:
    plain, more = specimen(), specimen(settings=Settings(f1_share=0.2))
    for found, share in ((plain, 0.05), (more, 0.2)):
        odds = 16 * share / (1 - share)
        assert found.conclusions[0].hybrids_before == pytest.approx(share)
        assert found.misfit.prior[found.misfit.crossed].sum() == pytest.approx(odds / (1 + odds))
    assert plain.misfit.hypotheses[int(plain.misfit.order[0])].parents == (
        "Lepomis cyanellus",
        "Lepomis macrochirus",
    )
    page = html.unescape(render(plain))
    assert "As any fish of this water" in page
    assert "As a fish that fits no species" in page


def test_the_same_cross_is_likelier_again_in_one_water() -> None:
    alone = specimen().weighing
    several = identify_all(invented(), [fish(HYBRID)] * 5, TABLE)
    pair = next(
        i
        for i, each in enumerate(alone.hypotheses)
        if each.parents == ("Lepomis cyanellus", "Lepomis macrochirus")
    )
    assert several[0].weighing.posterior[pair] > alone.posterior[pair]
    assert several[0].weighing.posterior.sum() == pytest.approx(1)
    assert identify_all(invented(), [fish(HYBRID)], TABLE)[0].weighing.posterior == pytest.approx(
        alone.posterior
    )


def test_words_for_how_sure_are_error_rates_with_a_reason() -> None:
    (seen,) = fish('[seen]\ndorsal_rays = { value = 11, sure = "unsure", why = "fin folded" }').seen
    assert (seen.sure, seen.why) == (0.6, "fin folded")
    found = specimen('[seen]\ndorsal_rays = { value = 11, sure = "unsure", why = "fin folded" }')
    assert any("not sure, fin folded" in text for text in found.doubts)


def test_a_fish_of_another_genus_is_thought_of_first() -> None:
    assert specimen("[seen]\nanal_spines = 4").doubts[0].startswith("Is it a Lepomis at all?")
    assert specimen().doubts[-1].startswith("Is it a Lepomis at all?")


def test_the_field_sheet_has_eight_looks_of_five_minutes_with_drawings() -> None:
    found = specimen("[fish]")
    rows = found.sheet_characters
    assert 6 <= len(rows) <= 8
    assert sum(row["seconds"] for row in rows) <= 300
    assert not any(row["care"] for row in rows)
    page = field_sheet(found)
    shown = [TABLE.by_key[row["character"]] for row in rows]
    assert page.count('<svg class="character"') == sum(len(each.states) or 1 for each in shown)
    assert "breeding" in page.lower()
    for each in TABLE.characters:
        drawn = [drawing(each, state) for state in each.states] or [drawing(each)]
        assert all("<path" in text for text in drawn), each.key
        assert len(set(drawn)) == len(drawn), each.key


def test_a_second_opinion_tells_the_place_no_finer_than_chosen() -> None:
    exact = second_opinion(specimen(), place="exact")
    assert "Marsh Hollow Lake" in exact
    assert "37.6000" in exact
    for place in ("tenth", "degree", "none"):
        page = second_opinion(specimen(), place=place)
        assert "Marsh Hollow" not in page
        assert "37.6000" not in page
        assert ("37.6" in page) == (place == "tenth")
        assert "What was seen" in page


def test_young_fish_and_plain_dress_say_less() -> None:
    text = '[fish]\nbreeding = "{0}"\nsize = "{1}"\nsex = "male"\n[seen]\ncheek_lines = "distinct"'
    moved = {}
    for breeding, size in (("yes", "adult"), ("no", "adult"), ("yes", "young")):
        found = specimen(text.format(breeding, size))
        moved[breeding, size] = np.abs(found.weighing.posterior - found.weighing.prior).sum()
    assert moved["yes", "adult"] > moved["no", "adult"]
    assert moved["yes", "adult"] > moved["yes", "young"]


def test_bayes_in_logarithms_does_not_underflow() -> None:
    assert posterior(np.array([0.5, 0.5]), np.array([-5000.0, -5001.0])) == pytest.approx(
        [1 / (1 + np.exp(-1)), 1 / (1 + np.e)]
    )


# -- the argument ------------------------------------------------------------------------


def test_trait_evidence_of_a_likely_green_sunfish_hybrid() -> None:
    found = specimen()
    first = found.misfit.hypotheses[int(found.misfit.order[0])]
    assert first.parents == ("Lepomis cyanellus", "Lepomis macrochirus")
    rows = {(row["scientificName"], row["character"]): row for row in found.trait_evidence}
    green, bluegill = "Lepomis cyanellus", "Lepomis macrochirus"
    assert rows[green, "maxilla_reach"]["logOdds"] > 0.5 > -0.5 > rows[bluegill, "maxilla_reach"]["logOdds"]
    assert rows[bluegill, "flap_edge"]["logOdds"] < -0.7
    assert (
        "L. macrochirus has dark to edge [read]; evidence against it" in rows[bluegill, "flap_edge"]["words"]
    )
    assert "lies within its range" in rows[green, "pectoral_in_sl"]["words"]
    assert len(found.trait_evidence) == 13 * len(found.fish.seen)


def test_a_pair_against_its_parents_adds_up() -> None:
    found = specimen().against_parents
    assert found is not None
    for side, (before, after) in zip(
        ("first", "second"), zip(found.prior, found.posterior, strict=True), strict=True
    ):
        assert before + sum(row[side] for row in found.rows) == pytest.approx(after)


def test_what_a_character_adds_is_the_change_when_it_is_left_out() -> None:
    found = specimen()
    weighing = found.weighing
    without = weighing.again(without="maxilla_reach")
    index = weighing.species.index("Lepomis cyanellus")
    odds = [float(np.log(p / (1 - p))) for p in (weighing.parenthood[index], without.parenthood[index])]
    row = next(
        r
        for r in found.trait_evidence
        if (r["scientificName"], r["character"]) == ("Lepomis cyanellus", "maxilla_reach")
    )
    assert row["added"] == pytest.approx(odds[0] - odds[1], abs=1e-6)


def test_candidates_drop_out_step_by_step_and_end_at_the_answer() -> None:
    found = specimen()
    steps, out = found.drop_outs, set()
    assert steps[0]["words"] == "the pool alone"
    assert len(steps) == len(found.fish.seen) + 1
    for step in steps:
        assert not set(step["dropped"]) & out
        out = (out | set(step["dropped"])) - set(step["returned"])
        assert step["left"] == 13 - len(out)
    chance = dict(zip(found.weighing.species, found.weighing.parenthood, strict=True))
    assert out == {name for name, value in chance.items() if value < SETTINGS.drop_below}


def test_what_tells_most_next_was_not_seen_yet_and_tells_less_than_is_unknown() -> None:
    found = specimen("[seen]\ndorsal_rays = 10\nanal_rays = 9")
    told = found.next_characters
    every = {row["character"] for row in next_characters(found.weighing, most=99)}
    assert every == set(TABLE.by_key) - {"dorsal_rays", "anal_rays"}
    assert [row["bits"] for row in told] == sorted((row["bits"] for row in told), reverse=True)
    p = found.weighing.posterior
    assert 0 < told[0]["bits"] < -float(np.sum(p * np.log2(p)))
    assert all(row["look"] for row in told)


def test_looking_at_the_throat_is_only_for_dead_fish() -> None:
    assert "dead" in TABLE.by_key["pharyngeal_teeth"].care


def test_assumptions_are_changed_one_by_one() -> None:
    found = specimen()
    words = [row["words"] for row in found.sensitivity]
    assert len(words) == 3 + len(found.fish.seen)
    assert words[1:3] == ["share of hybrids halved, to 0.025", "share of hybrids doubled, to 0.1"]
    first = found.weighing.posterior.max()
    halved, doubled = found.sensitivity[1], found.sensitivity[2]
    assert halved["before"] > first > doubled["before"]  # a green sunfish is first


def test_below_the_setting_the_answer_is_cannot_tell() -> None:
    open_, strict = (
        specimen(settings=Settings(specimen_decided=0.5)),
        specimen(settings=Settings(specimen_decided=0.999)),
    )
    assert open_.conclusions[0].decided
    assert open_.sentences[0].endswith("without DNA this is an argued guess.")
    assert not strict.conclusions[0].decided
    assert strict.sentences[0].startswith("Cannot tell")
    assert strict.conclusions[0].share >= 0.999


def test_two_that_reach_the_setting_together_are_not_decided() -> None:
    first = float(specimen().weighing.posterior.max())
    found = specimen(settings=Settings(specimen_decided=first + 0.01))
    assert len(found.conclusions[0].leading) == 2
    assert not found.conclusions[0].decided
    assert found.sentences[0].startswith(
        "Cannot tell between Lepomis cyanellus and Lepomis cyanellus × Lepomis macrochirus"
    )


def test_no_sentence_is_certain() -> None:
    sure = HYBRID + 'iris = "red"\n'
    text = specimen(sure, settings=Settings(f1_share=0.5)).sentences[0]
    assert "100 %" not in text
    assert re.search(r"\d\d[\s\xa0]%", text)


def test_a_fish_that_fits_nothing_is_said_to_fit_nothing() -> None:
    odd = """[seen]
    dorsal_spines = 7
    dorsal_rays = 15
    anal_rays = 14
    lateral_line_scales = 58
    pectoral_rays = 17
    gill_rakers = 5
    cheek_scale_rows = 11
    """
    assert "fits poorly" in specimen(odd).doubts[0]
    assert not any("fits poorly" in text for text in specimen().doubts)


def test_the_share_that_rests_on_memory_is_told() -> None:
    found = specimen()
    assert sum(found.marks.values()) == 13 * len(found.fish.seen)
    assert any(re.search(r"\d+ \(\d+ %\) rest on memory or are missing", text) for text in found.doubts)


def test_candidates_without_traits_are_named_and_not_weighed() -> None:
    pool = invented_pool(rename={"Lepomis symmetricus": "Micropterus salmoides"})
    found = identify(pool, fish(HYBRID), TABLE)
    assert found.left_out == ("Micropterus salmoides",)
    assert len(found.weighing.hypotheses) == 12 + 66
    assert any("Micropterus salmoides" in text for text in found.doubts)


def test_a_pool_without_the_group_is_an_error() -> None:
    with pytest.raises(PoolBuilderError, match="knows none of the pool's 13 candidates"):
        identify(invented_pool(), Fish(), read_traits(DATA / "traits/trout_traits.csv"))


# -- files -------------------------------------------------------------------------------


def test_the_folder_is_whole_repeatable_and_in_the_schema(tmp_path: Path) -> None:
    first, second = (write_specimen(specimen(), tmp_path / name) for name in ("a", "b"))
    assert sorted(path.name for path in first.iterdir()) == sorted(FILES)
    for name in FILES:
        assert (first / name).read_bytes() == (second / name).read_bytes()
    with (first / "posterior.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert list(rows[0]) == ["hypothesis", "parent1", "parent2", "prior", "posterior", "rank"]
    assert [int(row["rank"]) for row in rows] == list(range(1, 92))
    assert sum(float(row["posterior"]) for row in rows) == pytest.approx(1, abs=2e-3)
    with (first / "trait_evidence.csv").open(encoding="utf-8-sig", newline="") as stream:
        assert next(csv.reader(stream)) == [
            "scientificName",
            "character",
            "seen",
            "expected",
            "mark",
            "logOdds",
            "added",
        ]


def test_a_folder_of_other_things_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(PoolBuilderError, match="holds something"):
        write_specimen(specimen(), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_a_page_that_cannot_be_made_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(_: Specimen) -> str:
        raise OSError(28, "No space left on device")

    write_specimen(specimen(), tmp_path / "fish")
    before = (tmp_path / "fish/specimen.html").read_bytes()
    monkeypatch.setattr("poolbuilder.fish.answer.render", fails)
    with pytest.raises(PoolBuilderError, match="no space left"):
        write_specimen(specimen("[seen]\ndorsal_rays = 10"), tmp_path / "fish")
    assert (tmp_path / "fish/specimen.html").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["fish"]


EVIL = '<script>alert("x")</script>'


def test_every_text_of_a_stranger_is_escaped() -> None:
    text = f"""[fish]
name = '{EVIL}'
place = '{EVIL}'
observer = '{EVIL}'
date = '{EVIL}'
remarks = '{EVIL}'
photos = ['{EVIL}', 'javascript:alert(1)', 'side.jpg', 'https://example.org/a.jpg']
[seen]
dorsal_rays = 11
"""
    page = render(specimen(text))
    assert "<script" not in page
    assert html.escape(EVIL, quote=False) in page.replace("&#34;", '"')
    assert re.findall(r'href="([^"#][^"]*)"', page) == ["side.jpg", "https://example.org/a.jpg"]


def test_the_page_asks_the_network_for_nothing() -> None:
    page = render(specimen())
    assert "default-src 'none'; script-src 'none'; style-src 'sha256-" in html.unescape(page)
    assert not re.search(r"<(?:img|iframe|link|script|object)\b|@import|url\(", page)
    assert " style=" not in page
    for words in ("without DNA", "second opinion", "Wet hands", "from memory", "permits"):
        assert words.lower() in page.lower()


# -- the command -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pool_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_pool(invented_pool(), tmp_path_factory.mktemp("pools") / "marsh")


def run(*arguments: object) -> int | str | None:
    with pytest.raises(SystemExit) as left:
        main([str(each) for each in ("specimen", *arguments)])
    return left.value.code


def test_the_command_prints_the_argument_and_writes_the_folder(
    pool_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "fish.toml").write_text(HYBRID, encoding="utf-8")
    assert run(pool_folder, tmp_path / "fish.toml", "--out", tmp_path / "out") == 0
    out, err = capsys.readouterr()
    for words in (
        "fish 7: 14 characters",
        "as a parent",
        "candidates drop out",
        "bits",
        "hybrid index",
        "argued guess",
    ):
        assert words in out
    assert max(map(len, out.splitlines())) <= 100
    assert "specimen.html" in err
    assert (tmp_path / "out/specimen.html").exists()


def test_the_command_speaks_csv_and_json_and_takes_settings(
    pool_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "fish.toml").write_text(HYBRID, encoding="utf-8")
    (tmp_path / "s.toml").write_text("traitErrorFloor = 0.2\n", encoding="utf-8")
    assert run(pool_folder, tmp_path / "fish.toml", "--format", "json") == 0
    rows = json.loads(capsys.readouterr().out)
    assert run(pool_folder, tmp_path / "fish.toml", "--format", "csv", "--f1-share", "0.2") == 0
    listed = list(csv.DictReader(capsys.readouterr().out.splitlines()))
    share = sum(float(row["prior"]) for row in listed if row["parent1"] != row["parent2"])
    assert share == pytest.approx(0.2)
    assert (
        run(pool_folder, tmp_path / "fish.toml", "--format", "json", "--settings", tmp_path / "s.toml") == 0
    )
    changed = json.loads(capsys.readouterr().out)
    assert {row["hypothesis"]: row["prior"] for row in changed} == {
        row["hypothesis"]: row["prior"] for row in rows
    }
    assert changed[0]["posterior"] != rows[0]["posterior"]


def test_the_command_prints_an_empty_form(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--template") == 0
    assert fish(capsys.readouterr().out).seen == ()


def test_simulated_fish_are_found_better_with_more_characters(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = []
    for name in ("a", "b"):
        assert run("--simulate", "--simulated", 12, "--out", tmp_path / name) == 0
        said.append(capsys.readouterr().out)
    assert said[0] == said[1]
    few, all_ = said[0].split("everything: ")
    assert few.startswith("counts alone: 9 characters")
    assert all_.startswith("38 characters, 12 fish of each of 91 hypotheses")
    third, score = (
        [float(re.search(pattern, part)[1]) for part in (few, all_)]  # type: ignore[index]
        for pattern in (r"pairs: first [\d.]+, among\s+the first three ([\d.]+)", r"the truth ([\d.]+)")
    )
    assert third[1] > 0.78 > 0.35 > third[0] > 3 / 91
    assert score[1] < score[0]
    for mean, true, count in re.findall(r"^ +\d\.\d-\d\.\d +([\d.]+) +([\d.]+) +([\d,]+)$", all_, re.M):
        if int(count.replace(",", "")) > 2000:
            assert float(true) == pytest.approx(float(mean), abs=0.12)
    pairs = re.findall(r"^ +([\d.]+) +([\d.]+)  \w+ × \w+:", all_, re.M)
    assert len(pairs) == 78
    assert all(float(first) <= float(among) for first, among in pairs)
    known = re.search(r"\d+ measured, .*? (\d+) from memory, 0 unknown \((\d+) % from memory\)", all_)
    assert known
    assert int(known[1]) < 245
    assert int(known[2]) <= 49
    tables = [(tmp_path / name / "confusion.csv").read_text(encoding="utf-8-sig") for name in ("a", "b")]
    assert tables[0] == tables[1]
    rows = list(csv.reader(tables[0].splitlines()))
    assert len(rows) == 92
    assert sum(int(cell) for row in rows[1:] for cell in row[1:]) == 91 * 12


def test_a_table_of_fishes_gives_a_table_of_answers(
    pool_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "fish.csv").write_text(
        "name,sex,flank_marks,dorsal_rays,sure_dorsal_rays\n"
        "a,male,bars and orange_spots,11,unsure\nb,female,mottled,,\n",
        encoding="utf-8",
    )
    assert run(pool_folder, tmp_path / "fish.csv", "--format", "json", "--out", tmp_path / "out") == 0
    rows = json.loads(capsys.readouterr().out)
    assert [row["fish"] for row in rows] == ["a", "b"]
    assert rows[1]["first"] == "Lepomis gulosus"
    assert (tmp_path / "out/answers.csv").exists()
    (tmp_path / "bad.csv").write_text("name,dorsal_rays\na,11\nb,eleven\n", encoding="utf-8")
    assert run(pool_folder, tmp_path / "bad.csv") == 1
    assert "bad.csv, row 3: dorsal_rays = 'eleven' is not a number" in capsys.readouterr().err
    assert run(pool_folder, "--field-sheet") == 0
    assert "Field sheet" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        ([], 2, "name a pool folder and the notes"),
        (["POOL", "--template"], 2, "take no POOL"),
        (["POOL", "none.toml"], 1, "none.toml: cannot be read"),
        (["none", "none.toml"], 1, "none: is not a folder"),
        (["POOL", DATA / "fish/unknown_character.toml"], 1, "nearest are dorsal_rays"),
        (
            ["POOL", DATA / "fish/unknown_character.toml", "--traits", "none.csv"],
            1,
            "none.csv: cannot be read",
        ),
    ],
)
def test_wrong_calls_are_one_clear_line(
    arguments: list[object], code: int, message: str, pool_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    given_ = [pool_folder if each == "POOL" else each for each in arguments]
    assert run(*given_) == code
    assert message in capsys.readouterr().err


def test_a_pool_of_another_version_is_refused(
    pool_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import shutil

    old = shutil.copytree(pool_folder, tmp_path / "old")
    text = (old / "pool.json").read_text(encoding="utf-8")
    (old / "pool.json").write_text(
        text.replace('"schemaVersion": "2.0"', '"schemaVersion": "0.9"'), encoding="utf-8"
    )
    (tmp_path / "fish.toml").write_text(HYBRID, encoding="utf-8")
    assert run(old, tmp_path / "fish.toml") == 1
    assert "schemaVersion 0.9" in capsys.readouterr().err


def test_the_posterior_table_matches_the_weighing() -> None:
    found = specimen()
    table = found.posterior_table()
    assert tables.numbers(table["posterior"]).tolist() == sorted(
        found.weighing.posterior.tolist(), reverse=True
    )
