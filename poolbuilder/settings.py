"""Every number of the model, each with its unit, bounds, default and reason.

They stand in ``settings.csv``, a row each.  A settings file is TOML with the camelCase names, flat or
under ``[settings]``::

    [settings]
    reachKm = 60
    statusFirst = "region"

The settings that a pool was built with are printed in its result.
"""

from __future__ import annotations

import csv
import difflib
import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from poolbuilder.errors import SettingsError

LARGEST = 1e15
"""No number of the settings is as large."""


def parsed_toml(text: str) -> dict[str, Any]:
    """The values of a TOML text.

    Raises
    ------
    ValueError
        When it is not TOML, is nested too deep, or has a whole number of more than 64 bits, which TOML
        1.0 does not promise to hold.
    """
    try:
        document = tomllib.loads(text)
    except RecursionError as error:
        raise ValueError("nested too deep") from error
    waiting: list[Any] = [document]
    while waiting:
        value = waiting.pop()
        if isinstance(value, dict | list):
            waiting.extend(value.values() if isinstance(value, dict) else value)
        elif isinstance(value, int) and not -(2**63) <= value < 2**63:
            raise ValueError("a whole number has more than 64 bits")
    return document


def _read_toml(path: str | Path) -> dict[str, Any]:
    try:
        return parsed_toml(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {error.strerror} (check the path)") from error
    except (ValueError, RecursionError) as error:
        raise SettingsError(f"{path}: is not TOML: {error} (one `name = number` a line)") from error


def read_calibration(path: str | Path) -> dict[str, Any] | None:
    """How the settings of a file were calibrated: its ``[calibration]`` table, None without one."""
    found = _read_toml(path).get("calibration")
    if found is not None and not isinstance(found, dict):
        raise SettingsError(f"{path}: calibration is not a table (write [calibration] on a line of its own)")
    return found


class _Setting(NamedTuple):
    """One setting; a choice has its words in place of a unit, and no bounds."""

    name: str
    default: float | str
    unit: str
    low: float
    high: float
    reason: str

    def checked(self, value: Any) -> float | str:
        """A value for the setting, or a SettingsError that says why it cannot be one."""
        if isinstance(self.default, str):
            choices = self.unit.split("|")
            if value not in choices:
                raise SettingsError(f"setting {self.name}: {value!r} is not one of {', '.join(choices)}")
            return str(value)
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < LARGEST:
            raise SettingsError(f"setting {self.name}: {repr(value)[:40]} is not a number of a usable size")
        if not self.low <= value <= self.high:
            bounds = f"use {self.low:g} to {self.high:g} {self.unit}"
            raise SettingsError(f"setting {self.name}: {value:g} is out of bounds ({bounds})")
        return float(value)


def _snake_case(name: str) -> str:
    """``reachKm`` as ``reach_km``."""
    return re.sub("[A-Z]", lambda capital: f"_{capital[0].lower()}", name)


def _rows() -> dict[str, _Setting]:
    """The rows of ``settings.csv`` by the name of their attribute."""
    with Path(__file__).with_suffix(".csv").open(encoding="utf-8", newline="") as stream:
        return {
            _snake_case(name): _Setting(name, float(default), unit, float(low), float(high), reason)
            if low
            else _Setting(name, default, unit, math.nan, math.nan, reason)
            for name, default, unit, low, high, reason in list(csv.reader(stream))[1:]
        }


_ROWS = _rows()


class Settings:
    """The numbers of the model, an attribute for each row of ``settings.csv``.

    Attributes are snake_case; files, results and messages use camelCase.  See
    :meth:`explain` for unit, bounds and reason of each.

    Raises
    ------
    SettingsError
        For a value that is not a number, is out of bounds or is not among the choices.

    Examples
    --------
    >>> Settings(reach_km=60).as_dict()["reachKm"]
    60.0
    """

    status_first: str

    def __init__(self, **values: Any) -> None:
        if unknown := values.keys() - _ROWS.keys():
            raise TypeError(f"there is no setting {min(unknown)!r}")
        vars(self).update(
            {attribute: row.checked(values.get(attribute, row.default)) for attribute, row in _ROWS.items()}
        )

    def __getattr__(self, name: str) -> float:
        """Only what is no setting is looked for here."""
        raise AttributeError(f"there is no setting {name!r}", name=name, obj=self)

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError("settings do not change (settings.replace makes others)", name=name, obj=self)

    def __eq__(self, other: object) -> bool:
        return vars(self) == vars(other) if isinstance(other, Settings) else NotImplemented

    def __hash__(self) -> int:
        return hash(tuple(vars(self).values()))

    def __repr__(self) -> str:
        return f"Settings({', '.join(f'{name}={value!r}' for name, value in vars(self).items())})"

    @classmethod
    def from_dict(cls, values: Mapping[str, Any], *, where: str = "settings") -> Settings:
        """Make settings from camelCase names; missing ones keep their default."""
        known = {row.name: attribute for attribute, row in _ROWS.items()}
        for key in values:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                remedy = f"did you mean {near[0]}?" if near else "`poolbuilder settings` lists them"
                raise SettingsError(f"{where}: unknown setting {key!r} ({remedy})")
        try:
            return cls(**{known[key]: value for key, value in values.items()})
        except SettingsError as error:
            raise SettingsError(f"{where}: {error}") from None

    @classmethod
    def from_toml(cls, path: str | Path) -> Settings:
        """Read settings from a TOML file, flat or under ``[settings]``."""
        values = _read_toml(path)
        section = values.get("settings", values)
        if not isinstance(section, dict):
            raise SettingsError(f"{path}: settings is not a table (write [settings] on a line of its own)")
        return cls.from_dict(section, where=str(path))

    def as_dict(self) -> dict[str, float | str]:
        """Every setting under its camelCase name, in order."""
        return {row.name: getattr(self, attribute) for attribute, row in _ROWS.items()}

    def changed(self) -> dict[str, float | str]:
        """The settings that differ from their defaults."""
        values = self.as_dict()
        return {row.name: values[row.name] for row in _ROWS.values() if values[row.name] != row.default}

    def replace(self, **changes: Any) -> Settings:
        """The same settings with some of them changed, by snake_case name."""
        return Settings(**{**vars(self), **changes})

    @classmethod
    def explain(cls) -> list[dict[str, Any]]:
        """Name, default, unit, bounds or choices, and reason of every setting."""
        rows = []
        for name, default, unit, low, high, reason in _ROWS.values():
            chosen = isinstance(default, str)
            unit, bounds = ("choice", unit) if chosen else (unit, f"{low:g}..{high:g}")
            rows.append({"name": name, "default": default, "unit": unit, "bounds": bounds, "reason": reason})
        return rows
