"""What tells the species of a group apart: characters, and what each species shows of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

__all__ = ["MARKS", "Cell", "Character", "Fish", "Seen", "TraitTable"]

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
