"""One fish, on fish that were measured one by one: fitted on every second fish, scored on the others.

Longear and northern sunfish: GitHub manolofperez/CNN_SNPs_Traits, EmpiricalData/Lepomis.
Bluegill of 14 lakes: GitHub MFEh2o/BluegillMorphologyDataDOC, data/outputs.  Naive Bayes of
scikit-learn is the general reference.
"""

from __future__ import annotations

import csv
import dataclasses
import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from poolbuilder.fish.characters import Cell, Fish, Seen, TraitTable, read_traits
from poolbuilder.fish.evidence import forms
from poolbuilder.fish.weighing import Hypothesis, Weighing, weigh
from poolbuilder.settings import Settings

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
PURE = tuple(Hypothesis(kind="pure", parents=(name, name), formula=name) for name in TABLE.species)
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
    return weigh(fish, table, PURE, EVEN, settings=SETTINGS, shares=None)


@pytest.fixture(scope="module")
def halves(shared_data: Path) -> tuple[list[Row], list[Row]]:
    rows = [row for row in _rows(shared_data, "longear_complex.csv") if row["namedAs"] in FORMS]
    return rows[::2], rows[1::2][::2]


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


def test_two_species_are_told_apart_as_well_as_by_naive_bayes(halves: tuple[list[Row], list[Row]]) -> None:
    bayes = pytest.importorskip("sklearn.naive_bayes").GaussianNB()
    train, test = halves
    x, y = ([[_value(row, key) for key in COUNTS] for row in half] for half in halves)
    bayes.fit(x, [_species(row) for row in train])
    theirs = float(np.mean(bayes.predict(y) == [_species(row) for row in test]))
    table, ours = _fitted(train), []
    for row in test:
        chance = {
            each.formula: p
            for each, p in zip(PURE, _weighed(table, row, COUNTS).posterior.tolist(), strict=True)
        }
        ours.append(max(("Lepomis megalotis", "Lepomis peltastes"), key=chance.__getitem__) == _species(row))
    assert np.mean(ours) >= theirs - 0.03


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
        found = weigh(
            Fish(stage="adult", length_mm=length, seen=(seen,)), TABLE, PURE, EVEN, settings=SETTINGS
        )
        assert found.posterior[index] > 0.1 * EVEN[index], value
