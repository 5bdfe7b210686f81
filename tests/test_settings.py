"""Settings say what they are, and refuse what cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest

from poolbuilder.errors import SettingsError
from poolbuilder.settings import Settings


def test_every_setting_has_unit_bounds_and_reason() -> None:
    for row in Settings.explain():
        assert row["unit"], row
        assert len(row["reason"]) > 10, row
        assert row["bounds"], row


def test_toml_flat_or_under_a_table(tmp_path: Path) -> None:
    flat, nested = tmp_path / "a.toml", tmp_path / "b.toml"
    flat.write_text("kernelKm = 20\n")
    nested.write_text('[settings]\nkernelKm = 20\nkernel = "gaussian"\n')
    assert Settings.from_toml(flat).kernel_km == 20
    assert Settings.from_toml(nested).changed() == {"kernelKm": 20.0, "kernel": "gaussian"}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("kernelkm = 20", r"s.toml: unknown setting 'kernelkm' \(did you mean kernelKm\?\)"),
        ("kernelKm = -1", r"s.toml: setting kernelKm: -1 is out of bounds \(use 0.1 to 2000 km\)"),
        ('kernelKm = "far"', "kernelKm: 'far' is not a number"),
        ("kernelKm = true", "kernelKm: True is not a number"),
        ('kernel = "square"', "kernel: 'square' is not one of exponential, gaussian"),
        ("settings = 3", "settings is not a table"),
        ("kernelKm = ", "is not TOML"),
    ],
)
def test_a_bad_file_is_named_with_its_remedy(tmp_path: Path, text: str, message: str) -> None:
    file = tmp_path / "s.toml"
    file.write_text(text)
    with pytest.raises(SettingsError, match=message):
        Settings.from_toml(file)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"none.toml: cannot be read"):
        Settings.from_toml(tmp_path / "none.toml")


def test_names_round_trip() -> None:
    values = Settings().as_dict()
    assert Settings.from_dict(values) == Settings()
