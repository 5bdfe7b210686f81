"""Trait tables: reading, their defects, what the shipped one holds; how hybrids express a character."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import Checklist, PoolBuilderError, Settings
from poolbuilder.fish.characters import MARKS, Cell, Character, Fish, read_traits
from poolbuilder.fish.reasons import hybrid_index, mean_index
from poolbuilder.fish.weighing import hybrid_shares, moments, species_shares, spread

LAWS = settings(deadline=None, derandomize=True, max_examples=60)
DEFECTS = Path(__file__).parent / "data" / "specimen" / "traits"
COUNT = Character(key="rays", words="rays", kind="count", low=5, high=20, group="rays")
SCALE = Character(key="tip", words="tip", kind="scale", states=("round", "blunt", "pointed"), group="tip")
STATE = Character(key="edge", words="edge", kind="state", states=("dark", "pale", "red"), group="edge")
PLAIN = Settings(trait_error_floor=0, range_widening=1)


def cell(**values: object) -> Cell:
    return Cell(**{"species": "A a", "character": "rays", "mark": "read", "source": "s", **values})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("unknown_character", "row 2: unknown character 'dorsal_softrays' (describe it"),
        ("other_kind", "row 2: dorsal_rays is a count, got 'state'"),
        (
            "unknown_mark",
            "row 2: mark 'seen' is unknown (use one of measured, read, read in part, from memory)",
        ),
        ("no_source", "row 2: no source (every cell has both"),
        ("no_range", "row 2: dorsal_rays has no range"),
        ("range_upside_down", "low 11, high 9, mode 10 are out of order"),
        ("not_a_number", "row 2: low 'nine' is not a number"),
        ("shares_of_one_half", "shares of pectoral_tip sum to 0.5"),
        ("unknown_state", "'square 1' is not a state of pectoral_tip"),
        ("twice", "Lepomis gulosus, dorsal_rays for any sex and any size stands twice"),
        ("hybrid_without_source", "row 2: no source for 'lost' in hybrids"),
        ("empty", "holds no cell"),
    ],
)
def test_a_defective_trait_table_is_named_with_its_row(name: str, message: str) -> None:
    path = DEFECTS / f"{name}_traits.csv"
    with pytest.raises(PoolBuilderError) as caught:
        read_traits(path)
    assert str(caught.value).startswith(str(path))
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("low", "frequencies", "message"),
    [
        ("nan", "", "low 'nan' is not a number"),
        ("inf", "", "low 'inf' is not a number"),
        ("", f"9 {'9' * 400}", "is not a state of dorsal_rays with its share"),
        ("", "9 0", "dorsal_rays is marked measured without mean, sd and n"),
    ],
)
def test_figures_without_end_are_one_line(tmp_path: Path, low: str, frequencies: str, message: str) -> None:
    heading, row = (DEFECTS / "not_a_number_traits.csv").read_text(encoding="utf-8").splitlines()
    row = row.replace("nine", low).replace(",read,", ",measured," if frequencies else ",read,")
    path = tmp_path / "endless_traits.csv"
    path.write_text(f"{heading},frequencies\n{row},{frequencies}\n", encoding="utf-8")
    with pytest.raises(PoolBuilderError, match=message):
        read_traits(path)


def test_a_missing_trait_table_says_so(tmp_path: Path) -> None:
    with pytest.raises(PoolBuilderError, match="cannot be read"):
        read_traits(tmp_path / "none_traits.csv")


def test_a_group_may_describe_its_own_characters(tmp_path: Path) -> None:
    shipped = Path("poolbuilder/fish")
    for what in ("traits", "characters"):
        text = (shipped / f"lepomis_{what}.csv").read_text(encoding="utf-8")
        (tmp_path / f"own_{what}.csv").write_text(
            text.replace("dorsal_rays,", "soft_rays,"), encoding="utf-8"
        )
    own = read_traits(tmp_path / "own_traits.csv")
    assert own.name == "own"
    assert "soft_rays" in own.by_key
    assert own.source["sha256"] != read_traits().source["sha256"]


def test_the_shipped_table_knows_every_sunfish_and_names_a_source_for_every_cell() -> None:
    table = read_traits()
    assert table.species == Checklist.load("lepomis").species
    assert len(table.characters) == 38
    for each in table.cells:
        assert each.source
        assert (each.mark == "from memory") == (each.source == "from memory")
        if each.hybrid:
            assert each.hybrid_source
    marks = table.marks(table.species, [each.key for each in table.characters])
    assert sum(marks.values()) == 13 * 38
    assert marks["measured"] + marks["read"] > 200
    assert marks["from memory"] > 150  # never to be hidden


def test_every_value_of_the_sources_lies_within_the_shipped_range(shared_data: Path) -> None:
    """Counts of the source rows, but for those named as not used, lie in the condensed range."""
    import csv

    names = {"gill_rakers_total": "gill_rakers", "gill_rakers_lower_limb": "gill_rakers_lower"}
    table, checked, outside = read_traits(), 0, []
    with (shared_data / "traits/lepomis_characters.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            key = names.get(row["character"], row["character"])
            cells = table.cells_of(row["scientificName"], key)
            if (
                row["kind"] != "count"
                or not cells
                or cells[0].low is None
                or row["mark"] == "M"
                or not row["low"]
                or not row["high"]
            ):
                continue
            checked += 1
            if not cells[0].low <= float(row["low"]) <= float(row["high"]) <= cells[0].high:  # type: ignore[operator]
                outside.append((row["scientificName"], key, row["low"], row["high"]))
    assert checked > 80
    assert sorted(outside) == [
        ("Lepomis cyanellus", "lateral_line_scales", "35.0", "55.0"),  # a key's limits
        ("Lepomis symmetricus", "dorsal_spines", "6.0", "13.0"),  # a key's limits
    ]


def test_a_range_holds_the_share_that_the_setting_says() -> None:
    shares = spread(cell(low=10.0, high=14.0), COUNT, PLAIN)
    inside = (COUNT.grid >= 10) & (COUNT.grid <= 14)
    assert shares.sum() == pytest.approx(1)
    assert shares[inside].sum() == pytest.approx(0.95, abs=1e-6)
    assert shares.argmax() == COUNT.place(12)


def test_a_mode_off_the_middle_leans() -> None:
    shares = spread(cell(low=8.0, high=14.0, mode=9.0), COUNT, PLAIN)
    assert shares.argmax() == COUNT.place(9)
    assert shares[COUNT.place(12)] > shares[COUNT.place(7)]


def test_one_figure_is_nearly_certain_but_not_quite() -> None:
    shares = spread(
        cell(low=3.0, high=3.0), Character(key="k", words="", kind="count", low=2, high=4, group="g"), PLAIN
    )
    assert shares[1] == pytest.approx(0.95, abs=1e-3)


def test_the_midpoint_of_two_states_in_order_lies_between() -> None:
    round_, pointed = np.array([1.0, 0, 0]), np.array([0, 0, 1.0])
    sure = Settings(f1_intermediate=1)
    assert hybrid_shares(round_, pointed, SCALE, reported=("", ""), settings=sure).tolist() == [0, 1, 0]
    half = hybrid_shares(round_, np.array([0, 1.0, 0]), SCALE, reported=("", ""), settings=sure)
    assert half.tolist() == [0.5, 0.5, 0]
    mixed = hybrid_shares(round_, pointed, STATE, reported=("", ""), settings=sure)
    assert mixed.tolist() == [0.5, 0, 0.5]


def test_lost_and_dominant_lean_to_the_other_or_to_itself() -> None:
    first, second = np.array([1.0, 0, 0]), np.array([0, 0, 1.0])
    lost = hybrid_shares(first, second, STATE, reported=("lost", ""), settings=PLAIN)
    dominant = hybrid_shares(first, second, STATE, reported=("dominant", ""), settings=PLAIN)
    assert lost[2] == pytest.approx(0.8 + 0.2 * 0.5)
    assert dominant[0] == pytest.approx(0.8 + 0.2 * 0.5)
    both = hybrid_shares(first, second, STATE, reported=("lost", "lost"), settings=PLAIN)
    assert both.tolist() == [0.5, 0, 0.5]


def test_what_a_source_says_of_hybrids_counts_more_than_the_start_value() -> None:
    first = spread(cell(low=8.0, high=10.0), COUNT, PLAIN)
    second = spread(cell(low=14.0, high=16.0), COUNT, PLAIN)
    middle = COUNT.place(12)
    plain = hybrid_shares(first, second, COUNT, reported=("", ""), settings=PLAIN)
    told = hybrid_shares(first, second, COUNT, reported=("intermediate", ""), settings=PLAIN)
    assert told[middle] / plain[middle] == pytest.approx(0.8 / 0.6, rel=1e-3)


shares_of_states = st.lists(st.floats(0.01, 1), min_size=3, max_size=3).map(lambda x: np.array(x) / sum(x))


@LAWS
@given(shares_of_states, shares_of_states, st.sampled_from(["", "lost", "dominant", "intermediate"]))
def test_hybrid_shares_sum_to_one_and_do_not_depend_on_the_order_of_parents(
    first: np.ndarray, second: np.ndarray, said: str
) -> None:
    for character in (SCALE, STATE):
        one = hybrid_shares(first, second, character, reported=(said, ""), settings=PLAIN)
        other = hybrid_shares(second, first, character, reported=("", said), settings=PLAIN)
        assert one.sum() == pytest.approx(1)
        assert one == pytest.approx(other)


@LAWS
@given(st.floats(8, 12), st.floats(0.5, 3), st.floats(13, 17), st.floats(0.5, 3))
def test_hybrids_of_counts_keep_the_mean_of_the_parents(
    mean1: float, width1: float, mean2: float, width2: float
) -> None:
    first = spread(cell(low=mean1 - width1, high=mean1 + width1), COUNT, PLAIN)
    second = spread(cell(low=mean2 - width2, high=mean2 + width2), COUNT, PLAIN)
    made = hybrid_shares(first, second, COUNT, reported=("", ""), settings=PLAIN)
    middle = (moments(first, COUNT)[0] + moments(second, COUNT)[0]) / 2
    assert moments(made, COUNT)[0] == pytest.approx(middle, abs=0.02)


def test_sex_and_size_choose_the_cell() -> None:
    table, flap = read_traits(), read_traits().by_key["flap_length"]
    males, females, unknown = (
        species_shares(table, "Lepomis megalotis", flap, Fish(sex=sex, stage="adult"), Settings())
        for sex in ("male", "female", "unknown")
    )
    assert males[3] > females[3]
    assert unknown == pytest.approx((males + females) / 2)
    young = species_shares(table, "Lepomis auritus", flap, Fish(sex="male", stage="young"), Settings())
    adult = species_shares(table, "Lepomis auritus", flap, Fish(sex="male", stage="adult"), Settings())
    assert adult[3] > 0.6 > 0.1 > young[3]


def test_a_species_without_a_cell_gets_what_the_others_show() -> None:
    whole = read_traits()
    cells = tuple(
        each for each in whole.cells if (each.species, each.character) != ("Lepomis gulosus", "tongue_teeth")
    )
    table = dataclasses.replace(whole, cells=cells)
    teeth = table.by_key["tongue_teeth"]
    others = [
        species_shares(table, n, teeth, Fish(), Settings()) for n in table.species if n != "Lepomis gulosus"
    ]
    assert species_shares(table, "Lepomis gulosus", teeth, Fish(), Settings()) == pytest.approx(
        np.mean(others, axis=0)
    )


def test_measured_fish_speak_by_their_frequencies_and_their_size() -> None:
    table = read_traits()
    scales = table.by_key["lateral_line_scales"]
    forms = {each.form: each for each in table.cells_of("Lepomis megalotis", "lateral_line_scales")}
    assert table.forms("Lepomis megalotis") == tuple(sorted(forms))
    assert forms["Ouachita form"].n == 14
    assert moments(spread(forms["Ouachita form"], scales, PLAIN), scales)[0] == pytest.approx(45.6, abs=0.2)
    depth, deep = table.by_key["depth_in_sl"], []
    for length in (50.0, 120.0):
        shares = species_shares(table, "Lepomis peltastes", depth, Fish(length_mm=length), PLAIN)
        deep.append(moments(shares, depth)[0])
    assert deep[0] > deep[1] + 0.2  # larger fish are deeper


def test_a_keys_range_spreads_wider_than_it_reads() -> None:
    narrow, wide = (spread(cell(low=10.0, high=14.0), COUNT, each) for each in (PLAIN, Settings()))
    assert moments(wide, COUNT)[1] > 1.3 * moments(narrow, COUNT)[1]


def test_hybrid_index_is_undefined_between_equal_parents_and_left_out_where_they_overlap() -> None:
    assert np.isnan(hybrid_index(10, 10, 10))
    found = mean_index(
        ("A a", "B b"),
        {"rays": (11.0, 10.0, 12.0, 1.0), "spines": (10.2, 10.0, 10.5, 1.0), "same": (3.0, 3.0, 3.0, 0.2)},
    )
    assert list(found.by_character) == ["rays"]
    assert found.left_out == ("spines", "same")
    assert found.weighted == 50
    assert np.isnan(mean_index(("A a", "B b"), {}).weighted)


def test_marks_are_told_worst_first_for_a_pair_of_cells() -> None:
    table = read_traits()
    assert table.marks(["Lepomis gulosus"], ["tongue_teeth", "no_such", "gill_rakers"]) == {
        **dict.fromkeys(MARKS, 0), "read": 1, "from memory": 1, "unknown": 1,
    }  # fmt: skip
