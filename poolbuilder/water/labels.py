"""What features are called: names, codes and other attributes under their usual column names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["find_column", "names_of", "text_of"]

NAME_COLUMNS = ("name", "gnis_name", "lake_name", "water_name", "waterbody_name", "river_name", "namn", "nom")


def find_column(attributes: Mapping[str, Any], wanted: Sequence[str]) -> str | None:
    """The first of the wanted columns that is there; case and underscores do not matter."""
    known = {_plain(name): name for name in reversed(list(attributes))}
    return next((known[_plain(name)] for name in wanted if _plain(name) in known), None)


def _plain(name: str) -> str:
    return name.lower().replace("_", "").replace("-", "").replace(" ", "")


def _digits(name: str) -> str:
    return "".join(letter for letter in name if letter.isdigit())


def text_of(value: Any) -> str | None:
    """A cell as text; blanks and missing values are None, whole floats lose their ``.0``."""
    if value is None or value != value:
        return None
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return str(value).strip() or None


def names_of(
    attributes: Mapping[str, Sequence[Any]], rows: int, *, beside: str | None = None
) -> list[str | None]:
    """The name of each feature; None where it has none.

    With several columns of names, the one with the digits of the column *beside* is taken:
    ``hu_12_name`` beside ``huc_12``.
    """
    column = find_column(attributes, NAME_COLUMNS)
    if column is None:
        columns = [name for name in attributes if "name" in name.lower()]
        level = _digits(beside or "")
        column = next((name for name in columns if _digits(name) == level), next(iter(columns), None))
    return [None] * rows if column is None else [text_of(value) for value in attributes[column]]
