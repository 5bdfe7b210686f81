"""Pairs of candidates: weights, factors by direction, hybrid records, the command."""

from __future__ import annotations

import csv
import io
import json
import math
from itertools import combinations
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import Checklist, Pool, PoolBuilderError, Settings, schemas, tables, write_pool
from poolbuilder.cli import cli
from poolbuilder.model.looking import RUNNING, STILL
from poolbuilder.model.pairs import FREQUENCY, frequency_of, pair, viability_factor, with_pure
from poolbuilder.names.checklist import KnownCross, KnownCrosses
from poolbuilder.words import percent

LAWS = settings(deadline=None, derandomize=True, max_examples=50)
DEFECTS = Path(__file__).parent / "data" / "names" / "crosses"
NONE_KNOWN = KnownCrosses()
SUNFISHES = Checklist.load("lepomis").species


def pool(presence: dict[str, float]) -> pa.Table:
    """A POOL table of which only names and presence matter."""
    filler = {pa.string(): "-", pa.int32(): 0, pa.float64(): 0.0}
    values = {field.name: [filler[field.type]] * len(presence) for field in schemas.POOL}
    values["scientificName"], values["presence"] = list(presence), list(presence.values())
    return tables.table(schemas.POOL, values)


def hybrids(*found: tuple[list[str], int, float]) -> pa.Table:
    """A HYBRIDS table."""
    names = ("parents", "records", "weight")
    return tables.table(schemas.HYBRIDS, {name: [row[at] for row in found] for at, name in enumerate(names)})


def weights(crosses: pa.Table) -> dict[str, float]:
    """Formula to weight."""
    return dict(zip(tables.strings(crosses["formula"]), tables.numbers(crosses["weight"]), strict=True))


def one(crosses: pa.Table, formula: str) -> dict[str, object]:
    """The row of a formula."""
    (row,) = [row for row in crosses.to_pylist() if row["formula"] == formula]
    return dict(row)


# -- weights -----------------------------------------------------------------------------

PRESENCES = st.dictionaries(
    st.sampled_from(SUNFISHES), st.floats(0.002, 0.999), min_size=2, max_size=len(SUNFISHES)
)


@LAWS
@given(PRESENCES, st.floats(0, 5), st.booleans(), st.floats(0, 1))
def test_weights_sum_to_one_and_fall(
    presence: dict[str, float], seen: float, pure: bool, share: float
) -> None:
    first, second = sorted(presence)[:2]
    found = pair(
        pool(presence),
        hybrids(([first, second], 3, seen)),
        settings=Settings(f1_share=share),
        include_pure=pure,
    )
    weight = tables.numbers(found["weight"])
    assert weight.sum() == pytest.approx(1)
    assert (np.diff(weight) <= 0).all()
    count = len(presence)
    assert found.num_rows == count * (count - 1) // 2 + (count if pure else 0)


@LAWS
@given(PRESENCES, st.randoms(use_true_random=False))
def test_the_order_of_candidates_changes_nothing(presence: dict[str, float], chance: object) -> None:
    names = list(presence)
    chance.shuffle(names)  # type: ignore[attr-defined]
    shuffled = {name: presence[name] for name in names}
    one_way, other = (pair(pool(each), hybrids(), settings=Settings()) for each in (presence, shuffled))
    assert one_way.equals(other)


def test_parents_stand_in_alphabetical_order() -> None:
    found = pair(pool({"Lepomis gulosus": 0.5, "Lepomis auritus": 0.9}), hybrids(), settings=Settings())
    assert found.to_pylist()[0]["formula"] == "Lepomis auritus × Lepomis gulosus"
    assert found.to_pylist()[0]["parent1"] == "Lepomis auritus"


def test_one_candidate_makes_no_pair_and_stands_alone_as_a_species() -> None:
    alone = pool({"Lepomis gulosus": 0.5})
    assert pair(alone, hybrids(), settings=Settings()).num_rows == 0
    found = pair(alone, hybrids(), settings=Settings(), include_pure=True)
    assert weights(found) == {"Lepomis gulosus": 1.0}


def test_pure_species_share_what_the_pairs_leave() -> None:
    presence = {"A a": 0.8, "A b": 0.4}
    found = weights(
        pair(pool(presence), hybrids(), settings=Settings(f1_share=0.25), include_pure=True, known=NONE_KNOWN)
    )
    assert found == {"A a": pytest.approx(0.5), "A b": pytest.approx(0.25), "A a × A b": pytest.approx(0.25)}


def test_pure_species_can_be_added_later() -> None:
    table, none = pool({"A a": 0.8, "A b": 0.4, "A c": 0.3}), hybrids()
    later = with_pure(pair(table, none, settings=Settings()), table, settings=Settings())
    assert later.equals(pair(table, none, settings=Settings(), include_pure=True))


# -- factors -----------------------------------------------------------------------------


def cross(mother: str = "", viability: str = "", origin: str = "laboratory") -> KnownCross:
    return KnownCross(
        parents=("A a", "A b"), mother=mother, viability=viability, origin=origin, source="invented"
    )


@pytest.mark.parametrize(
    ("statements", "factor"),
    [
        ([], 1.0),
        ([cross()], 1.0),
        ([cross(origin="natural")], 1.0),
        ([cross("A a", "lethal")], 0.5),
        ([cross("A a", "partly lethal")], 0.75),
        ([cross("A a", "lethal"), cross("A b", "partly lethal")], 0.25),
        ([cross("both", "lethal")], 0.05),
        ([cross("A a", "lethal"), cross("A a", "viable")], 1.0),
        ([cross("", "lethal")], 1.0),
    ],
)
def test_factor_by_direction(statements: list[KnownCross], factor: float) -> None:
    assert viability_factor(statements, ("A a", "A b"), Settings()) == pytest.approx(factor)


def test_the_numbers_behind_the_factor_are_settings() -> None:
    partly = [cross("A a", "partly lethal")]
    assert viability_factor(partly, ("A a", "A b"), Settings(partial_viability=0.2)) == pytest.approx(0.6)
    lethal = [cross("both", "lethal")]
    assert viability_factor(lethal, ("A a", "A b"), Settings(cross_floor=0.3)) == pytest.approx(0.3)


def test_the_factor_enters_the_prior_and_is_said() -> None:
    known = KnownCrosses(statements=(cross("A a", "lethal"), cross(origin="natural")))
    found = pair(pool({"A a": 0.8, "A b": 0.5}), hybrids(), settings=Settings(), known=known)
    (row,) = found.to_pylist()
    assert row["prior"] == pytest.approx(0.5 * FREQUENCY["none known"] * 0.8 * 0.5)
    assert row["documented"] is True
    assert "♀ A. a × ♂ A. b lethal" in row["viability"]
    assert "invented" in row["note"]
    assert "Factor 0.5" in row["note"]


def test_what_nobody_documented_is_unknown_and_not_impossible() -> None:
    found = pair(pool({"A a": 0.8, "A b": 0.5}), hybrids(), settings=Settings())
    (row,) = found.to_pylist()
    assert row["prior"] == pytest.approx(FREQUENCY["none known"] * 0.4)
    assert (row["documented"], row["frequency"], row["viability"]) == (False, "none known", "unknown")
    assert "does not make it unlikely" in row["note"]


def test_a_cross_counts_by_how_often_it_is_met() -> None:
    names = ("common", "repeated", "single report")
    priors = []
    for name in names:
        said = KnownCross(parents=("A a", "A b"), origin="natural", frequency=name, source="invented")
        found = pair(
            pool({"A a": 0.8, "A b": 0.5}),
            hybrids(),
            settings=Settings(),
            known=KnownCrosses(statements=(said,)),
        )
        assert found["frequency"].to_pylist() == [name]
        priors.append(found["prior"][0].as_py())
    assert priors == [pytest.approx(0.4 * FREQUENCY[name]) for name in names]
    assert priors[0] > priors[1] > priors[2] > FREQUENCY["none known"] * 0.4


def test_a_cross_that_is_stocked_counts_more_in_still_water() -> None:
    stocked = KnownCross(parents=("A a", "A b"), origin="stocked", source="invented")
    given = {"settings": Settings(), "known": KnownCrosses(statements=(stocked,))}
    running, still = (
        pair(pool({"A a": 0.8, "A b": 0.5}), hybrids(), kind=kind, **given).to_pylist()[0]
        for kind in (RUNNING, STILL)
    )
    assert still["bredAndStocked"] is running["bredAndStocked"] is True
    assert still["prior"] == pytest.approx(2 * running["prior"])


# -- hybrid records ----------------------------------------------------------------------

THREE = pool({"A a": 0.5, "A b": 0.5, "A c": 0.5})
UNDOCUMENTED = 0.25 * FREQUENCY["none known"]


def test_hybrid_records_raise_their_own_pair_alone() -> None:
    bare = pair(THREE, hybrids(), settings=Settings())
    found = pair(THREE, hybrids((["A b", "A a"], 2, 1.0)), settings=Settings(hybrid_pair_boost=2))
    row = one(found, "A a × A b")
    assert row["prior"] == pytest.approx(UNDOCUMENTED + 2 * (1 - math.exp(-1)))
    assert row["hybridRecords"] == 2
    for other in ("A a × A c", "A b × A c"):
        assert one(found, other)["prior"] == one(bare, other)["prior"]
        assert one(found, other)["hybridRecords"] == 0


@LAWS
@given(st.floats(0, 20), st.floats(0, 20))
def test_more_hybrid_evidence_never_lowers_a_pair(first: float, more: float) -> None:
    priors = [
        one(pair(THREE, hybrids((["A a", "A b"], 1, weight)), settings=Settings()), "A a × A b")["prior"]
        for weight in (first, first + more)
    ]
    assert UNDOCUMENTED <= priors[0] <= priors[1] <= UNDOCUMENTED + Settings().hybrid_pair_boost  # type: ignore[operator]


def test_hybrid_records_tell_pairs_apart_where_every_parent_surely_lives() -> None:
    sure = pool({"A a": 0.998, "A b": 0.998, "A c": 0.998})
    found = weights(pair(sure, hybrids((["A a", "A b"], 1, 1.0)), settings=Settings()))
    assert found["A a × A b"] > 2 * found["A a × A c"]


def test_three_parents_share_the_weight_of_their_record() -> None:
    found = pair(THREE, hybrids((["A a", "A b", "A c"], 1, 3.0)), settings=Settings(hybrid_pair_boost=1))
    assert all(row["hybridRecords"] == 1 for row in found.to_pylist())
    assert all(row["prior"] == pytest.approx(UNDOCUMENTED + 1 - math.exp(-1)) for row in found.to_pylist())


def test_parents_beyond_the_candidates_are_passed_over() -> None:
    found = pair(THREE, hybrids((["A a", "B b"], 5, 1.0)), settings=Settings())
    assert sum(row["hybridRecords"] for row in found.to_pylist()) == 0


def test_the_setting_can_leave_hybrid_records_out() -> None:
    found = pair(THREE, hybrids((["A a", "A b"], 9, 9.0)), settings=Settings(hybrid_pair_boost=0))
    assert tables.numbers(found["prior"]) == pytest.approx(UNDOCUMENTED)


# -- the tables that ship ----------------------------------------------------------------


def test_every_statement_that_ships_is_about_accepted_names() -> None:
    known = {name for each in ("lepomis", "leuciscids") for name in Checklist.load(each).species}
    statements = KnownCrosses.load().statements
    assert len(statements) > 50
    for each in statements:
        assert set(each.parents) <= known
        assert each.source


def test_how_often_a_cross_is_met() -> None:
    known = KnownCrosses.load()
    pairs = {
        ("Lepomis macrochirus", "Lepomis cyanellus"): "common",
        ("Abramis brama", "Rutilus rutilus"): "common",
        ("Squalius cephalus", "Rutilus rutilus"): "single report",
        ("Lepomis auritus", "Lepomis symmetricus"): "none known",
    }
    assert {pair: frequency_of(known.of(*pair)) for pair in pairs} == pairs
    assert "Chub Study Group" in known.of("Squalius cephalus", "Rutilus rutilus")[0].source
    stocked = [
        pair
        for pair in combinations(SUNFISHES, 2)
        if any(each.origin == "stocked" for each in known.of(*pair))
    ]
    assert stocked == [
        ("Lepomis cyanellus", "Lepomis gulosus"),
        ("Lepomis cyanellus", "Lepomis macrochirus"),
        ("Lepomis cyanellus", "Lepomis microlophus"),
        ("Lepomis macrochirus", "Lepomis microlophus"),
    ]


def test_pairs_outside_the_tables_are_most() -> None:
    known = KnownCrosses.load()
    silent = [parents for parents in combinations(SUNFISHES, 2) if not known.of(*parents)]
    assert 40 < len(silent) < 78
    assert known.of("Lepomis gulosus", "Lepomis cyanellus") == known.of(
        "Lepomis cyanellus", "Lepomis gulosus"
    )


@pytest.mark.parametrize(
    ("file", "words"),
    [
        ("order.csv", "alphabetical order"),
        ("no_source.csv", "no source"),
        ("other_mother.csv", "mother 'Lepomis auritus'"),
        ("unknown_origin.csv", "origin 'wild'"),
        ("unknown_viability.csv", "viability 'dead'"),
    ],
)
def test_a_defect_in_a_table_of_crosses_is_named(file: str, words: str) -> None:
    with pytest.raises(PoolBuilderError) as caught:
        KnownCrosses.load(DEFECTS / file)
    assert words in str(caught.value)
    assert (caught.value.row, bool(caught.value.remedy)) == (2, True)
    assert file in str(caught.value)


def test_a_missing_table_of_crosses_is_an_error() -> None:
    with pytest.raises(PoolBuilderError, match="cannot be read"):
        KnownCrosses.load("no/such/table.csv")


def test_a_table_of_ones_own_takes_the_place_of_those_that_ship(tmp_path: Path) -> None:
    path = tmp_path / "own.csv"
    path.write_text(
        "parent1,parent2,mother,origin,viability,words,source\nA a,A b,both,laboratory,lethal,,own trial\n"
    )
    known = KnownCrosses.load(path)
    assert len(known.statements) == 1
    found = pair(pool({"A a": 1.0, "A b": 1.0}), hybrids(), settings=Settings(), known=known)
    assert found.to_pylist()[0]["prior"] == pytest.approx(0.05 * FREQUENCY["none known"])
    assert found.to_pylist()[0]["viability"] == "lethal in both directions"


# -- the command -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(demo_pool: Pool, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("crosses") / "pool"
    return write_pool(demo_pool, target, pages={"report.html": "<p>x</p>"})


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["crosses", *arguments])


def test_the_command_lists_the_heaviest_pairs_within_100_columns(folder: Path, demo_pool: Pool) -> None:
    said = run(str(folder), "--top", "3")
    assert said.exit_code == 0
    lines = said.stdout.splitlines()
    assert max(map(len, lines)) <= 100
    for row in demo_pool.crosses.to_pylist()[:3]:
        starts = [at for at, line in enumerate(lines) if line.startswith(f"{percent(row['weight']):>6}")]
        told = [" ".join(lines[at : at + 3]) for at in starts]  # a long cell goes on in the next lines
        assert any(all(word in text for word in row["formula"].split()) for text in told)
    assert lines[-1] == "and 75 more (--top 78 shows all)"


def test_the_command_gives_every_pair_as_json_and_csv(folder: Path, demo_pool: Pool) -> None:
    assert json.loads(run(str(folder), "--format", "json").stdout) == demo_pool.crosses.to_pylist()
    table = list(csv.DictReader(io.StringIO(run(str(folder), "--format", "csv").stdout)))
    assert [row["formula"] for row in table] == tables.strings(demo_pool.crosses["formula"])


def test_the_command_adds_the_pure_species_at_the_share_given(folder: Path) -> None:
    arguments = (str(folder), "--include-pure", "--f1-share", "0.25", "--format", "json")
    found = json.loads(run(*arguments).stdout)
    assert len(found) == 91
    pairs = sum(row["weight"] for row in found if row["parent1"] != row["parent2"])
    assert pairs == pytest.approx(0.25)
    assert "pairs share 0.25 of the weight" in run(*arguments[:-2]).stdout


def test_a_share_without_pure_species_is_wrong_usage(folder: Path) -> None:
    assert run(str(folder), "--f1-share", "0.25").exit_code == 2


def test_a_share_out_of_bounds_is_an_error(folder: Path) -> None:
    assert isinstance(run(str(folder), "--include-pure", "--f1-share", "2").exception, PoolBuilderError)


def test_a_folder_that_is_no_pool_is_an_error(tmp_path: Path) -> None:
    assert isinstance(run(str(tmp_path)).exception, PoolBuilderError)


def test_the_demo_raises_the_pairs_that_its_hybrid_records_name(demo_pool: Pool) -> None:
    rows = demo_pool.crosses.to_pylist()
    named = [row for row in rows if row["hybridRecords"]]
    assert named
    assert all(
        row["prior"] > max(other["prior"] for other in rows if not other["hybridRecords"])
        for row in named[:1]
    )
    assert demo_pool.counts["hybridsWithinReach"] >= sum(row["hybridRecords"] for row in named)
