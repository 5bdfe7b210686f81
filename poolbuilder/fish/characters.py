"""What tells the species of a group apart: characters, what each species shows, and the tables of both."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib import resources
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from poolbuilder.errors import TraitError
from poolbuilder.names.checklist import read_rows

MARKS = ("read", "read in part", "from memory")
"""How a cell is known, the best first."""


@dataclass(frozen=True, kw_only=True)
class Character:
    """One thing that can be seen, counted or measured on a fish.

    Attributes
    ----------
    key, words : str
        Its name in files, and in sentences.
    kind : str
        ``count``, ``ratio``, ``scale`` (states in an order, so that there is a between) or
        ``state``.
    states : tuple of str
        Of a scale or state.
    low, high, step : float
        Of a count or ratio: what is possible at all, and the width of a class.
    numerator, denominator : str, factor : float
        Measures from which a ratio is made.
    sides : tuple of str
        Suffixes of the keys under which it may be counted twice; the mean is used.
    group : str
        Characters of one group tell partly the same story.
    shows : str
        ``adult`` or ``breeding`` where it is plain only then; else empty.
    care : str
        When it may be looked at only under a condition.
    also : tuple of str
        Other names that people write.
    look : str
        How to see it.
    """

    key: str
    words: str
    kind: str
    states: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 0.0
    step: float = 1.0
    numerator: str = ""
    denominator: str = ""
    factor: float = 1.0
    sides: tuple[str, ...] = ()
    group: str
    shows: str = ""
    care: str = ""
    also: tuple[str, ...] = ()
    look: str = ""

    @property
    def is_number(self) -> bool:
        """Whether it is counted or measured."""
        return self.kind in {"count", "ratio"}

    @cached_property
    def grid(self) -> NDArray[np.float64]:
        """Class centres of a number; 0, 1, 2 ... for states."""
        if not self.is_number:
            return np.arange(len(self.states), dtype=np.float64)
        size = round((self.high - self.low) / self.step) + 1
        return self.low + self.step * np.arange(size, dtype=np.float64)

    def place(self, value: float | str) -> int:
        """The class that a value falls into; values beyond the ends go to the end classes."""
        if isinstance(value, str):
            return self.states.index(value)
        index = math.floor((value - self.low) / self.step + 0.5)
        return min(max(index, 0), len(self.grid) - 1)

    def say(self, value: float | str) -> str:
        """A value for reading."""
        if isinstance(value, str):
            return value.replace("_", " ")
        return f"{value:.3g}"


@dataclass(frozen=True, kw_only=True)
class Cell:
    """What one species shows of one character.

    Attributes
    ----------
    low, high, mode : float or None
        Of a number: the usual range, and the commonest value.
    shares : tuple of float
        Of states: one share for each state of the character; they sum to 1.
    sex, size : str
        ``any``, or ``male``, ``female`` and ``young``, ``adult``.
    mark : str
        One of :data:`MARKS`.
    source, conflict, note : str
        Where it stands, what sources disagree on, what else is to be said.
    hybrid : str
        How first-generation hybrids show it: ``intermediate``, ``dominant``, ``lost`` or
        empty when nothing is known.
    hybrid_source : str
    """

    species: str
    character: str
    sex: str = "any"
    size: str = "any"
    low: float | None = None
    high: float | None = None
    mode: float | None = None
    shares: tuple[float, ...] = ()
    mark: str
    source: str
    conflict: str = ""
    note: str = ""
    hybrid: str = ""
    hybrid_source: str = ""


@dataclass(frozen=True, kw_only=True)
class Seen:
    """One character as seen on the fish.

    Attributes
    ----------
    value : float or str
    sure : float
        How sure the observer is, 0-1.
    words : str
        As it was given, for reading.
    """

    character: str
    value: float | str
    sure: float
    words: str


@dataclass(frozen=True, kw_only=True)
class Fish:
    """What was seen on one specimen.

    Attributes
    ----------
    sex : str
        ``male``, ``female`` or ``unknown``.
    stage : str
        ``young``, ``adult`` or ``unknown``.
    breeding : bool or None
        Whether it is in breeding condition; None when not known.
    seen : tuple of Seen
        At most one for each character.
    about : mapping
        What does not enter the weighing: who, when, where, photos, remarks.
    doubts : tuple of str
        What the notes themselves make doubtful.
    """

    name: str = ""
    sex: str = "unknown"
    stage: str = "unknown"
    breeding: bool | None = None
    seen: tuple[Seen, ...] = ()
    about: Mapping[str, object] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class TraitTable:
    """Characters of a group and what its species show.

    Attributes
    ----------
    characters : tuple of Character
    cells : tuple of Cell
    source : dict
        ``path`` and ``sha256`` of the files.
    """

    name: str
    characters: tuple[Character, ...]
    cells: tuple[Cell, ...] = field(repr=False)
    source: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def species(self) -> tuple[str, ...]:
        """Species with at least one cell, in alphabetical order."""
        return tuple(sorted({cell.species for cell in self.cells}))

    @cached_property
    def by_key(self) -> Mapping[str, Character]:
        """Characters by their key."""
        return {character.key: character for character in self.characters}

    @cached_property
    def _grouped(self) -> Mapping[tuple[str, str], tuple[Cell, ...]]:
        found: dict[tuple[str, str], list[Cell]] = {}
        for cell in self.cells:
            found.setdefault((cell.species, cell.character), []).append(cell)
        return {key: tuple(group) for key, group in found.items()}

    def cells_of(self, species: str, character: str) -> tuple[Cell, ...]:
        """All cells of a species and character, whatever sex and size they are for."""
        return self._grouped.get((species, character), ())

    def fitting(self, species: str, character: str, *, sex: str, stage: str) -> tuple[Cell, ...]:
        """The cells that speak of this sex and size, the most special ones alone.

        Several cells come back when sex or size is unknown and the cells differ by it.
        """
        cells = self.cells_of(species, character)
        for part, wanted in (("size", stage), ("sex", sex)):
            exact = [cell for cell in cells if getattr(cell, part) == wanted]
            general = [cell for cell in cells if getattr(cell, part) == "any"]
            special = [cell for cell in cells if getattr(cell, part) != "any"]
            if wanted == "unknown":
                # A fish of unknown size is mostly an adult: the young are seldom asked about.
                cells = tuple(special if part == "sex" else [c for c in special if c.size == "adult"])
                cells = cells or tuple(general or special)
            else:
                cells = tuple(exact or general or special)
        return cells

    def marks(self, species: Sequence[str], characters: Sequence[str]) -> dict[str, int]:
        """How many cells of these species and characters are known how well.

        Returns
        -------
        dict
            Number of cells by mark, and ``not known`` for pairs without a cell.
        """
        counts = {**dict.fromkeys(MARKS, 0), "not known": 0}
        for name in species:
            for key in characters:
                cells = self.cells_of(name, key)
                worst = max((MARKS.index(cell.mark) for cell in cells), default=None)
                counts["not known" if worst is None else MARKS[worst]] += 1
        return counts


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
    content = (resources.files("poolbuilder.fish") / name).read_bytes()
    return content, f"poolbuilder/fish/{name}"


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
