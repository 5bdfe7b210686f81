"""One fish, on fish that were measured one by one: fitted on every second fish, scored on the others.

Longear and northern sunfish: GitHub manolofperez/CNN_SNPs_Traits, EmpiricalData/Lepomis.
Bluegill of 14 lakes: GitHub MFEh2o/BluegillMorphologyDataDOC, data/outputs.  Naive Bayes and
the Gaussian classifier with one covariance of scikit-learn are the general references.
"""

from __future__ import annotations

import csv
import dataclasses
import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from poolbuilder import Settings, write_pool
from poolbuilder.cli import main
from poolbuilder.fish.characters import Cell, Fish, Seen, TraitTable, read_traits
from poolbuilder.fish.reasons import forms
from poolbuilder.fish.weighing import Hypothesis, Weighing, spread, together
from tests.pools import invented_pool

SETTINGS = Settings()
COUNTS = (
    "dorsal_spines", "dorsal_rays", "anal_rays", "pectoral_rays", "lateral_line_scales", "cheek_scale_rows",
)  # fmt: skip
KEYS = {*COUNTS, "depth_in_sl", "gill_rakers", "gill_rakers_lower", "pectoral_in_sl"}
TABLE = dataclasses.replace(
    read_traits(), characters=tuple(each for each in read_traits().characters if each.key in KEYS)
)
FORMS = {
    "Lepomis peltastes": "",
    "Lepomis megalotis": "megalotis in the strict sense",
    "Lepomis megalotis (form aquilensis)": "aquilensis",
    "Lepomis megalotis (form solis)": "solis",
    "Lepomis megalotis (Ozark form)": "Ozark form",
    "Lepomis megalotis (Ouachita form)": "Ouachita form",
}
PURE = tuple(Hypothesis(parents=(name, name), formula=name) for name in TABLE.species)
EVEN = np.full(len(PURE), 1 / len(PURE))
Row = dict[str, str]


def _rows(shared_data: Path, name: str) -> list[Row]:
    with (shared_data / "fish_measured" / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def _value(row: Row, key: str) -> float:
    return 100 / float(row["body_depth_percent_sl"]) if key == "depth_in_sl" else float(row[key])


def _species(row: Row) -> str:
    return " ".join(row["namedAs"].split()[:2])


def _fitted(rows: list[Row]) -> TraitTable:
    """The shipped table with the cells of these two species fitted on these fish alone."""
    own = {_species(row) for row in rows}
    cells = [each for each in TABLE.cells if each.species not in own or each.mean is None]
    for name, form in FORMS.items():
        fish = [row for row in rows if row["namedAs"] == name]
        if not fish:
            continue
        for key in (*COUNTS, "depth_in_sl"):
            character, values = TABLE.by_key[key], np.array([_value(row, key) for row in fish])
            made = Cell(
                species=" ".join(name.split()[:2]), form=form, character=key, mark="measured", source="s",
                n=len(values), mean=float(values.mean()), sd=float(max(values.std(ddof=1), 0.1)),
            )  # fmt: skip
            if key == "depth_in_sl":
                size = np.log([float(row["standard_length_mm"]) for row in fish])
                slope, at = np.polyfit(size, values, 1)
                rest = values - slope * size - at
                made = dataclasses.replace(
                    made, slope=float(slope), at_mm=math.exp(size.mean()), sd_at_size=float(rest.std(ddof=2))
                )
            else:
                found = Counter(character.place(value) for value in values)
                shares = tuple(found[i] / len(values) for i in range(len(character.grid)))
                made = dataclasses.replace(made, shares=shares)
            cells.append(made)
    return dataclasses.replace(TABLE, cells=tuple(cells))


def _weighed(table: TraitTable, row: Row, keys: tuple[str, ...]) -> Weighing:
    seen = tuple(
        Seen(character=key, value=_value(row, key), sure=SETTINGS.observer_sure, words="") for key in keys
    )
    fish = Fish(stage="adult", length_mm=float(row["standard_length_mm"]), seen=seen)
    return Weighing(fish=fish, table=table, hypotheses=PURE, prior=EVEN, settings=SETTINGS)


@pytest.fixture(scope="module")
def both_halves(shared_data: Path) -> tuple[list[Row], list[Row]]:
    rows = [row for row in _rows(shared_data, "longear_complex.csv") if row["namedAs"] in FORMS]
    return rows[::2], rows[1::2]


@pytest.fixture(scope="module")
def halves(both_halves: tuple[list[Row], list[Row]]) -> tuple[list[Row], list[Row]]:
    return both_halves[0], both_halves[1][::2]


@pytest.mark.parametrize(
    ("keys", "goals"), [(COUNTS, (0.45, 0.45)), ((*COUNTS, "depth_in_sl"), (0.55, 0.55))]
)
def test_longear_and_northern_sunfish_of_the_other_half(
    halves: tuple[list[Row], list[Row]], keys: tuple[str, ...], goals: tuple[float, float]
) -> None:
    table = _fitted(halves[0])
    first: dict[str, list[bool]] = {"Lepomis megalotis": [], "Lepomis peltastes": []}
    third: dict[str, list[bool]] = {name: [] for name in first}
    for row in halves[1]:
        ranked = [PURE[index].formula for index in _weighed(table, row, keys).order.tolist()]
        first[_species(row)].append(ranked[0] == _species(row))
        third[_species(row)].append(_species(row) in ranked[:3])
    for name, goal, among in zip(first, goals, (0.88, 0.92), strict=True):
        assert np.mean(first[name]) >= goal, name
        assert np.mean(third[name]) >= among, name


@pytest.mark.parametrize(
    "name", ["naive_bayes.GaussianNB", "discriminant_analysis.LinearDiscriminantAnalysis"]
)
def test_two_species_are_told_apart_as_well_as_by_general_classifiers(
    halves: tuple[list[Row], list[Row]], name: str
) -> None:
    module, _, kind = name.partition(".")
    reference = getattr(pytest.importorskip(f"sklearn.{module}"), kind)()
    train, test = halves
    x, y = ([[_value(row, key) for key in COUNTS] for row in half] for half in halves)
    reference.fit(x, [_species(row) for row in train])
    theirs = float(np.mean(reference.predict(y) == [_species(row) for row in test]))
    table, ours = _fitted(train), []
    for row in test:
        chance = {
            each.formula: p
            for each, p in zip(PURE, _weighed(table, row, COUNTS).posterior.tolist(), strict=True)
        }
        ours.append(max(("Lepomis megalotis", "Lepomis peltastes"), key=chance.__getitem__) == _species(row))
    assert np.mean(ours) >= theirs - 0.03


def _given(weighings: list[Weighing], rows: list[Row], low: float, high: float) -> tuple[float, float, int]:
    """Of the fish whose first hypothesis is given *low* to *high*: mean share given, share right, fish."""
    given, right = [], []
    for found, row in zip(weighings, rows, strict=True):
        first = int(found.order[0])
        if low <= found.posterior[first] < high:
            given.append(float(found.posterior[first]))
            right.append(PURE[first].formula == _species(row))
    return float(np.mean(given)), float(np.mean(right)), len(right)


@pytest.mark.parametrize("keys", [COUNTS, (*COUNTS, "depth_in_sl")])
@pytest.mark.parametrize("fitted_on", [0, 1])
def test_of_fish_of_one_water_that_are_given_80_per_cent_70_to_90_are_right(
    both_halves: tuple[list[Row], list[Row]], keys: tuple[str, ...], fitted_on: int
) -> None:
    """Weighed together, what the fish are is learnt from the fish themselves (cf. Saerens et al. 2002,
    Neural Computation 14:21-41, priors adjusted to the sample)."""
    table, test = _fitted(both_halves[fitted_on]), both_halves[1 - fitted_on]
    found = together([_weighed(table, row, keys) for row in test])
    given, right, fish = _given(found, test, 0.7, 0.9)
    assert fish > 30
    assert 0.7 <= right <= 0.9
    assert right == pytest.approx(given, abs=0.1)
    given, right, fish = _given(found, test, 0.9, 1.01)
    assert right == pytest.approx(given, abs=0.03)


@pytest.mark.parametrize("keys", [COUNTS, (*COUNTS, "depth_in_sl")])
def test_among_13_species_of_which_two_are_there_more_are_right_by_the_share_of_those_that_are_not(
    both_halves: tuple[list[Row], list[Row]], keys: tuple[str, ...]
) -> None:
    """Asked one by one with every species alike, a fish given 80 % is right in over 90 %: no fish of the other
    eleven is among them.  Divided by what the two hold together, the shares are right again."""
    table, test = _fitted(both_halves[0]), both_halves[1]
    found = [_weighed(table, row, keys) for row in test]
    two = [table.species.index(name) for name in ("Lepomis megalotis", "Lepomis peltastes")]
    expected, right = [], []
    for each, row in zip(found, test, strict=True):
        first = int(each.order[0])
        if first in two and 0.7 <= each.posterior[first] < 0.9:
            expected.append(float(each.posterior[first] / each.posterior[two].sum()))
            right.append(PURE[first].formula == _species(row))
    assert np.mean(expected) > 0.9
    assert np.mean(right) == pytest.approx(np.mean(expected), abs=0.05)


def test_a_range_spreads_as_measured_fish_of_another_species_do(
    both_halves: tuple[list[Row], list[Row]],
) -> None:
    """Longear by the ranges of accounts (Alabama DCNR; Henshall 1903), spread by northern sunfish alone."""
    ranges = {
        "dorsal_rays": (10, 12),
        "anal_rays": (9, 10),
        "dorsal_spines": (9, 11),
        "cheek_scale_rows": (5, 6),
    }
    rows = [row for half in both_halves for row in half]
    longear = [row for row in rows if _species(row) == "Lepomis megalotis"]
    northern = _fitted([row for row in rows if _species(row) == "Lepomis peltastes"])
    total = {"widened": 0.0, "measured": 0.0}
    for key, (low, high) in ranges.items():
        character = TABLE.by_key[key]
        made = Cell(species="a", character=key, low=low, high=high, mark="read", source="s")
        own = [each for each in northern.cells_of("Lepomis peltastes", key) if each.sd]
        places = [character.place(_value(row, key)) for row in longear]
        for name, measured in (("widened", None), ("measured", own[0].sd)):
            shares = spread(made, character, SETTINGS, measured=measured)
            total[name] += float(np.log(0.97 * shares[places] + 0.03 / len(shares)).mean())
    assert total["measured"] > total["widened"] + 0.2


def test_intergrades_lie_between_their_forms(shared_data: Path) -> None:
    """A fish between two forms is seldom given to one alone, and mostly to one of its own two or a neighbour."""
    rows = _rows(shared_data, "longear_complex.csv")
    between = [row for row in rows if row["namedAs"].startswith("intergrade Ozark form x megalotis")]
    near = []
    for row in between:
        names = [name for name, _ in forms(_weighed(TABLE, row, COUNTS), "Lepomis megalotis")[:3]]
        near.append(bool({"Ozark form", "megalotis in the strict sense"} & set(names)))
    assert len(between) == 39
    assert np.mean(near) > 0.9


@pytest.mark.parametrize("key", ["gill_rakers", "gill_rakers_lower", "pectoral_in_sl"])
def test_a_measured_bluegill_is_never_excluded(shared_data: Path, key: str) -> None:
    name = "bluegill_pectoral.csv" if key == "pectoral_in_sl" else "bluegill_gill_rakers.csv"
    index = TABLE.species.index("Lepomis macrochirus")
    for row in _rows(shared_data, name):
        length = float(row["standard_length_mm"])
        value = (
            length / float(row["pectoral_length_mm"])
            if key == "pectoral_in_sl"
            else float(row["gill_rakers_counted"])
        )
        seen = Seen(character=key, value=value, sure=SETTINGS.observer_sure, words="")
        fish = Fish(stage="adult", length_mm=length, seen=(seen,))
        found = Weighing(fish=fish, table=TABLE, hypotheses=PURE, prior=EVEN, settings=SETTINGS)
        assert found.posterior[index] > 0.1 * EVEN[index], value


def test_measured_fish_through_the_command_line(
    shared_data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A table of fish against a pool of thirteen species: what is there is learnt, and the shares hold."""
    rows = [row for row in _rows(shared_data, "longear_complex.csv") if row["namedAs"] in FORMS][1::6]
    fields = {key: key if key != "pectoral_rays" else "pectoral_rays_left" for key in COUNTS}
    with (tmp_path / "fish.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow([*fields.values(), "standard_length_mm", "body_depth_mm"])
        for row in rows:
            length = float(row["standard_length_mm"])
            depth = f"{length * float(row['body_depth_percent_sl']) / 100:.1f}"
            writer.writerow([*(row[key] for key in fields), length, depth])
    pool = write_pool(invented_pool(), tmp_path / "pool")
    with pytest.raises(SystemExit) as left:
        main(["specimen", str(pool), str(tmp_path / "fish.csv"), "--format", "csv", "--f1-share", "0.01"])
    assert left.value.code == 0
    answers = list(csv.DictReader(capsys.readouterr().out.splitlines()))
    right = np.array([each["first"] == _species(row) for each, row in zip(answers, rows, strict=True)])
    given = np.array([float(each["firstPosterior"]) for each in answers])
    assert len(rows) > 100
    assert right.mean() > 0.8
    assert right.mean() == pytest.approx(given.mean(), abs=0.08)
    among = (given >= 0.6) & (given < 0.95)
    assert right[among].mean() == pytest.approx(given[among].mean(), abs=0.12)
