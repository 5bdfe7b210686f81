"""Settings say what they are, and refuse what cannot be."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import poolbuilder
from poolbuilder import PoolBuilderError, Settings


def test_every_setting_has_unit_bounds_and_reason() -> None:
    for row in Settings.explain():
        assert row["unit"], row
        assert len(row["reason"]) > 10, row
        assert row["bounds"], row


def test_toml_flat_or_under_a_table(tmp_path: Path) -> None:
    flat, nested = tmp_path / "a.toml", tmp_path / "b.toml"
    flat.write_text("reachKm = 20\n")
    nested.write_text('[settings]\nreachKm = 20\nstatusFirst = "region"\n')
    assert Settings.from_toml(flat).reach_km == 20
    assert Settings.from_toml(nested).changed() == {"reachKm": 20.0, "statusFirst": "region"}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("reachkm = 20", r"s.toml: unknown setting 'reachkm' \(did you mean reachKm\?\)"),
        ("reachKm = -1", r"s.toml: setting reachKm: -1 is out of bounds \(use 1 to 5000 km\)"),
        ('reachKm = "far"', "reachKm: 'far' is not a number"),
        ("reachKm = true", "reachKm: True is not a number"),
        ('statusFirst = "square"', "statusFirst: 'square' is not one of agency, region"),
        ("settings = 3", "settings is not a table"),
        ("reachKm = ", "is not TOML"),
    ],
)
def test_a_bad_file_is_named_with_its_remedy(tmp_path: Path, text: str, message: str) -> None:
    file = tmp_path / "s.toml"
    file.write_text(text)
    with pytest.raises(PoolBuilderError, match=message):
        Settings.from_toml(file)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(PoolBuilderError, match=r"none.toml: cannot be read"):
        Settings.from_toml(tmp_path / "none.toml")


def test_names_round_trip() -> None:
    values = Settings().as_dict()
    assert Settings.from_dict(values) == Settings()


def test_every_number_that_the_code_asks_for_is_a_setting() -> None:
    known = set(dir(Settings()))
    for file in Path(poolbuilder.__file__).parent.rglob("*.py"):
        asked = set(re.findall(r"\bsettings\.([a-z]\w*)", file.read_text(encoding="utf-8")))
        assert asked <= known | {"csv", "toml", "items"}, file
    with pytest.raises(AttributeError, match="no setting 'reach'"):
        Settings().reach  # noqa: B018
