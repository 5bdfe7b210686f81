"""Trait tables: CSV files ──► characters and cells.

A group has two files side by side: ``NAME_traits.csv`` with one row per species and
character (and sex or size where they differ), and ``NAME_characters.csv`` with one row per
character.  Every row of the first has a source and says how well it is known.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from pathlib import Path

from poolbuilder.errors import TraitError
from poolbuilder.listing import read_rows
from poolbuilder.model.traits import MARKS, Cell, Character, TraitTable

__all__ = ["read_traits"]

TRAITS = (
    "scientificName", "character", "kind", "sex", "size", "low", "high", "mode", "states", "mark", "source",
    "conflict", "note", "hybrid", "hybridSource",
)  # fmt: skip
CHARACTERS = (
    "character", "words", "kind", "states", "low", "high", "step", "numerator", "denominator", "factor",
    "sides", "group", "shows", "care", "also", "look",
)  # fmt: skip
CHOICES = {
    "kind": ("count", "ratio", "scale", "state"),
    "sex": ("any", "male", "female"),
    "size": ("any", "young", "adult"),
    "mark": MARKS,
    "hybrid": ("", "intermediate", "dominant", "lost"),
    "shows": ("", "adult", "breeding"),
}
SHIPPED = "lepomis"
_SHARE = re.compile(r"(\w+) (\d*\.?\d+)")

Row = Mapping[str, str]


def read_traits(path: str | Path | None = None) -> TraitTable:
    """Read a trait table; without a path, the one that comes with the package.

    Parameters
    ----------
    path : path, optional
        ``NAME_traits.csv``.  ``NAME_characters.csv`` beside it describes the characters;
        without that file, those that come with the package are used.

    Raises
    ------
    TraitError
        With file, row and remedy.
    """
    if path is None:
        return _shipped()
    path = Path(path)
    beside = path.with_name(path.name.replace("_traits", "_characters"))
    try:
        content = path.read_bytes()
        own = beside.read_bytes() if beside != path and beside.exists() else None
    except OSError as error:
        raise TraitError(f"cannot be read: {error.strerror}", file=path, remedy="check the path") from error
    if own is None:
        described, where = _packaged("characters")
    else:
        described, where = own, str(beside)
    return _table(path.stem.removesuffix("_traits"), content, str(path), described, where)


def _packaged(what: str) -> tuple[bytes, str]:
    name = f"{SHIPPED}_{what}.csv"
    content = (resources.files("poolbuilder") / "traits" / name).read_bytes()
    return content, f"poolbuilder/traits/{name}"


@cache
def _shipped() -> TraitTable:
    content, path = _packaged("traits")
    described, where = _packaged("characters")
    return _table(SHIPPED, content, path, described, where)


def _table(name: str, content: bytes, path: str, described: bytes, where: str) -> TraitTable:
    rows = read_rows(described, path=where, known=CHARACTERS, required=CHARACTERS, error=TraitError)
    characters = [_character(row, number, where) for number, row in rows]
    by_key = {character.key: character for character in characters}
    listed = read_rows(content, path=path, known=TRAITS, required=TRAITS, error=TraitError)
    cells = [_cell(row, number, path, by_key) for number, row in listed]
    if not cells:
        raise TraitError("holds no cell", file=path, remedy="one row per species and character")
    _only_once(cells, path)
    digest = hashlib.sha256(content + described).hexdigest()
    return TraitTable(
        name=name,
        characters=tuple(characters),
        cells=tuple(cells),
        source={"path": Path(path).name, "sha256": digest},
    )


def _choice(row: Row, column: str, number: int, path: str) -> str:
    if row[column] not in CHOICES[column]:
        listed = ", ".join(choice or "(empty)" for choice in CHOICES[column])
        raise TraitError(
            f"{column} {row[column]!r} is not known", file=path, row=number, remedy=f"use one of {listed}"
        )
    return row[column]


def _number(row: Row, column: str, number: int, path: str, default: float | None = None) -> float | None:
    if not row[column]:
        return default
    try:
        return float(row[column])
    except ValueError:
        raise TraitError(
            f"{column} {row[column]!r} is not a number", file=path, row=number, remedy="write digits alone"
        ) from None


def _list(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(";") if part.strip())


def _character(row: Row, number: int, path: str) -> Character:
    kind, states = _choice(row, "kind", number, path), _list(row["states"])
    low, high = (_number(row, column, number, path, 0.0) or 0.0 for column in ("low", "high"))
    if kind in {"scale", "state"} and len(states) < 2:
        raise TraitError(
            f"character {row['character']} has {len(states)} states",
            file=path, row=number, remedy="a scale or state needs two or more, parted by semicolons",
        )  # fmt: skip
    if kind in {"count", "ratio"} and not low < high:
        raise TraitError(
            f"character {row['character']}: {low:g} to {high:g} is no range",
            file=path, row=number, remedy="low and high say what is possible at all",
        )  # fmt: skip
    return Character(
        key=row["character"],
        words=row["words"],
        kind=kind,
        states=states,
        low=low,
        high=high,
        step=_number(row, "step", number, path) or 1.0,
        numerator=row["numerator"],
        denominator=row["denominator"],
        factor=_number(row, "factor", number, path) or 1.0,
        sides=_list(row["sides"]),
        group=row["group"] or row["character"],
        shows=_choice(row, "shows", number, path),
        care=row["care"],
        also=_list(row["also"]),
        look=row["look"],
    )


def _shares(row: Row, character: Character, number: int, path: str) -> tuple[float, ...]:
    given: dict[str, float] = {}
    for part in _list(row["states"]):
        match = _SHARE.fullmatch(part)
        if match is None or match[1] not in character.states or match[1] in given:
            raise TraitError(
                f"{part!r} is not a state of {character.key} with its share",
                file=path,
                row=number,
                remedy=f"write such as {character.states[0]} 0.9; known are {', '.join(character.states)}",
            )
        given[match[1]] = float(match[2])
    total = sum(given.values())
    if abs(total - 1) > 0.005:
        fact = f"shares of {character.key} sum to {total:g}"
        raise TraitError(fact, file=path, row=number, remedy="make them sum to 1")
    return tuple(given.get(state, 0.0) / total for state in character.states)


def _range(row: Row, character: Character, number: int, path: str) -> tuple[float, float, float | None]:
    low, high, mode = (_number(row, column, number, path) for column in ("low", "high", "mode"))
    if low is None or high is None:
        raise TraitError(
            f"{character.key} has no range",
            file=path,
            row=number,
            remedy="give low and high, equal ones for one figure",
        )
    inside = character.low <= low <= high <= character.high and (mode is None or low <= mode <= high)
    if not inside:
        middle = "" if mode is None else f", mode {mode:g}"
        raise TraitError(
            f"{character.key}: low {low:g}, high {high:g}{middle} are out of order, or not between "
            f"{character.low:g} and {character.high:g}",
            file=path,
            row=number,
            remedy="low, mode and high go upward",
        )
    return low, high, mode


def _cell(row: Row, number: int, path: str, by_key: Mapping[str, Character]) -> Cell:
    character = by_key.get(row["character"])
    if character is None:
        raise TraitError(
            f"unknown character {row['character']!r}",
            file=path,
            row=number,
            remedy="describe it in the file of characters",
        )
    if row["kind"] != character.kind:
        raise TraitError(
            f"{character.key} is a {character.kind}, got {row['kind']!r}",
            file=path,
            row=number,
            remedy="make the files agree",
        )
    if not row["scientificName"] or not row["source"]:
        missing = "source" if row["scientificName"] else "species"
        raise TraitError(
            f"no {missing}", file=path, row=number, remedy="every cell has both; a source may be: from memory"
        )
    mark, hybrid = _choice(row, "mark", number, path), _choice(row, "hybrid", number, path)
    if hybrid and not row["hybridSource"]:
        raise TraitError(
            f"no source for {hybrid!r} in hybrids",
            file=path,
            row=number,
            remedy="name one, or write: from memory",
        )
    low = high = mode = None
    shares: tuple[float, ...] = ()
    if character.is_number:
        low, high, mode = _range(row, character, number, path)
    else:
        shares = _shares(row, character, number, path)
    return Cell(
        species=row["scientificName"],
        character=character.key,
        sex=_choice(row, "sex", number, path),
        size=_choice(row, "size", number, path),
        low=low,
        high=high,
        mode=mode,
        shares=shares,
        mark=mark,
        source=row["source"],
        conflict=row["conflict"],
        note=row["note"],
        hybrid=hybrid,
        hybrid_source=row["hybridSource"],
    )


def _only_once(cells: Sequence[Cell], path: str) -> None:
    seen = set()
    for cell in cells:
        key = (cell.species, cell.character, cell.sex, cell.size)
        if key in seen:
            raise TraitError(
                f"{cell.species}, {cell.character} for {cell.sex} sex and {cell.size} size stands twice",
                file=path,
                remedy="put what sources say into one row, and their difference into conflict",
            )
        seen.add(key)
