"""What tells the species of a group apart: characters, what each species shows, and the tables of both.

A group has up to three files side by side: ``NAME_traits.csv`` with one row per species and
character (and form, sex or size where they differ), ``NAME_characters.csv`` with one row per
character, and ``NAME_correlations.csv`` with pairs of characters that vary together.  Every
row of the first has a source and says how well it is known.  ``lepomis_drawings.csv`` holds
the strokes of line drawings of characters and their states.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.errors import TraitError
from poolbuilder.names.checklist import read_rows

MARKS = ("measured", "read", "read in part", "from memory")
"""How a cell is known, the best first: fish measured one by one, an account, part of one, memory."""

Value = float | str | tuple[str, ...]
"""A count or measure, a state, or several states that were seen at once."""


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
        Characters of one group vary together (characterCorrelation).
    shows : str
        ``adult`` or ``breeding`` where it is plain only then; else empty.
    care : str
        When it may be looked at only under a condition.
    also : tuple of str
        Other names that people write.
    look : str
        How to see it.
    seconds : float
        How long a look takes a careful person; an estimate.
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
    seconds: float = 30.0

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

    def say(self, value: Value) -> str:
        """A value for reading."""
        if isinstance(value, tuple):
            return " and ".join(state.replace("_", " ") for state in value)
        return value.replace("_", " ") if isinstance(value, str) else f"{value:.3g}"


@dataclass(frozen=True, kw_only=True)
class Cell:
    """What one species shows of one character.

    Attributes
    ----------
    form : str
        A form of the species, where they differ; empty for the species as a whole.
    sex, size : str
        ``any``, or ``male``, ``female`` and ``young``, ``adult``.
    low, high, mode : float or None
        Of a number: the usual range that a key or account gives, and the commonest value.
    mean, sd : float or None
        Of a number: mean and standard deviation of measured fish.
    slope, at_mm, sd_at_size : float or None
        Of a proportion that changes with size: its change per natural logarithm of the
        standard length, the length at which the mean holds, and the spread at one size.
    shares : tuple of float
        One share for each state, or for each class of a count that was measured.
    n : int
        Measured fish; 0 where the cell is an account's statement.
    mark : str
        One of :data:`MARKS`.
    source, conflict, note : str
        Where it stands, what sources disagree on, what else there is to it.
    hybrid : str
        How first-generation hybrids show it: ``intermediate``, ``dominant``, ``lost`` or
        empty when nothing is known.
    hybrid_source : str
    """

    species: str
    character: str
    form: str = ""
    sex: str = "any"
    size: str = "any"
    low: float | None = None
    high: float | None = None
    mode: float | None = None
    mean: float | None = None
    sd: float | None = None
    slope: float | None = None
    at_mm: float | None = None
    sd_at_size: float | None = None
    shares: tuple[float, ...] = ()
    n: int = 0
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
    value : float, str or tuple of str
    sure : float
        How sure the observer is: one less the rate of errors, 0-1.
    words : str
        As it was given, for reading.
    why : str
        Why the observer is not sure.
    """

    character: str
    value: Value
    sure: float
    words: str
    why: str = ""


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
    length_mm : float or None
        Standard length.
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
    length_mm: float | None = None
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
    correlations : mapping
        Pair of characters to the correlation with which they vary within a species.
    source : dict
        ``path`` and ``sha256`` of the files.
    shown : dict
        What hypotheses show of characters, as it was worked out by now; the same for all fish of a kind.
    """

    name: str
    characters: tuple[Character, ...]
    cells: tuple[Cell, ...] = field(repr=False)
    correlations: Mapping[frozenset[str], float] = field(default_factory=dict, repr=False)
    source: Mapping[str, str] = field(default_factory=dict)
    shown: dict[object, NDArray[np.float64]] = field(init=False, default_factory=dict, repr=False)

    @cached_property
    def changing(self) -> frozenset[str]:
        """Characters that change with the size of a fish."""
        return frozenset(cell.character for cell in self.cells if cell.slope is not None)

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
        grouped: dict[tuple[str, str], list[Cell]] = {}
        for cell in self.cells:
            grouped.setdefault((cell.species, cell.character), []).append(cell)
        return {key: tuple(cells) for key, cells in grouped.items()}

    @cached_property
    def measured_spread(self) -> Mapping[str, float | None]:
        """Standard deviation within a form of measured fish, by character; None where none were measured."""
        spread: dict[str, float | None] = {}
        for character in self.characters:
            cells = [cell for cell in self.cells if cell.character == character.key and cell.sd and cell.n]
            fish = sum(cell.n for cell in cells)
            squares = sum(cell.n * (cell.sd or 0) ** 2 for cell in cells)
            spread[character.key] = math.sqrt(squares / fish) if fish else None
        return spread

    def forms(self, species: str) -> tuple[str, ...]:
        """Forms of a species that have cells of their own."""
        return tuple(sorted({cell.form for cell in self.cells if cell.species == species and cell.form}))

    def cells_of(self, species: str, character: str) -> tuple[Cell, ...]:
        """All cells of a species and character, whatever form, sex and size they are for."""
        return self._grouped.get((species, character), ())

    def fitting(
        self, species: str, character: str, *, sex: str, stage: str, form: str = ""
    ) -> tuple[Cell, ...]:
        """The cells for this form, sex and size, the most special ones alone.

        Several cells come back when one of them is unknown and the cells differ by it.
        """
        cells = self.cells_of(species, character)
        if any(cell.form for cell in cells):
            own = [cell for cell in cells if cell.form == form] if form else []
            cells = tuple(own or [cell for cell in cells if cell.form])
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

    def related(self, keys: Sequence[str], within_group: float) -> NDArray[np.float64]:
        """Correlations among characters: as listed, *within_group* within a group, else 0."""
        made = np.eye(len(keys))
        for i, first in enumerate(keys):
            for j, second in enumerate(keys[:i]):
                same = self.by_key[first].group == self.by_key[second].group
                usual = 1.0 if first == second else within_group if same else 0.0
                made[i, j] = made[j, i] = self.correlations.get(frozenset((first, second)), usual)
        return made

    def marks(self, species: Sequence[str], characters: Sequence[str]) -> dict[str, int]:
        """How many cells of these species and characters are known how well.

        Returns
        -------
        dict
            Number of cells by mark, and ``unknown`` for pairs without a cell.
        """
        counts = {**dict.fromkeys(MARKS, 0), "unknown": 0}
        for name in species:
            for key in characters:
                cells = self.cells_of(name, key)
                worst = max((MARKS.index(cell.mark) for cell in cells), default=None)
                counts["unknown" if worst is None else MARKS[worst]] += 1
        return counts


# -- the files ---------------------------------------------------------------------------

TRAITS = (
    "scientificName", "character", "kind", "sex", "size", "low", "high", "mode", "states", "mark", "source",
    "conflict", "note", "hybrid", "hybridSource",
)  # fmt: skip
MEASURED = ("form", "mean", "sd", "n", "frequencies", "slope", "atMm", "sdAtSize")
CHARACTERS = (
    "character", "words", "kind", "states", "low", "high", "step", "numerator", "denominator", "factor",
    "sides", "group", "shows", "care", "also", "look",
)  # fmt: skip
CORRELATIONS = ("character1", "character2", "r", "n", "source")
CHOICES = {
    "kind": ("count", "ratio", "scale", "state"),
    "sex": ("any", "male", "female"),
    "size": ("any", "young", "adult"),
    "mark": MARKS,
    "hybrid": ("", "intermediate", "dominant", "lost"),
    "shows": ("", "adult", "breeding"),
}
SHIPPED = "lepomis"
_SHARE = re.compile(r"([\w.]+) (\d{0,9}\.?\d{1,18})")


def read_traits(path: str | Path | None = None) -> TraitTable:
    """Read a trait table; without a path, the one that comes with the package.

    Parameters
    ----------
    path : path, optional
        ``NAME_traits.csv``.  ``NAME_characters.csv`` beside it describes the characters and
        ``NAME_correlations.csv`` how they vary together; without them, those that come with
        the package are used.

    Raises
    ------
    TraitError
        With file, row and remedy.
    """
    if path is None:
        return _table(SHIPPED, *map(shipped_file, ("traits", "characters", "correlations")))
    path = Path(path)

    def read(what: str) -> tuple[bytes, str]:
        own = path.with_name(path.name.replace("_traits", f"_{what}"))
        if what != "traits" and (own == path or not own.exists()):
            return shipped_file(what)
        return own.read_bytes(), str(own)

    try:
        files = [read(what) for what in ("traits", "characters", "correlations")]
    except OSError as error:
        raise TraitError.of("cannot_read", file=path, why=error.strerror) from error
    return _table(path.stem.removesuffix("_traits"), *files)


def shipped_file(what: str) -> tuple[bytes, str]:
    """A file of the group that comes with the package, and its name."""
    name = f"{SHIPPED}_{what}.csv"
    return (resources.files("poolbuilder.fish") / name).read_bytes(), f"poolbuilder/fish/{name}"


def _rows(file: tuple[bytes, str], required: Sequence[str], more: Sequence[str] = ()) -> list[_Row]:
    content, path = file
    known = (*required, *more)
    rows = read_rows(content, path=path, known=known, required=required, error=TraitError)
    return [_Row(cells, number, path) for number, cells in rows]


@lru_cache(maxsize=4)
def _table(
    name: str, traits: tuple[bytes, str], characters: tuple[bytes, str], correlations: tuple[bytes, str]
) -> TraitTable:
    described = [_character(row) for row in _rows(characters, CHARACTERS, ("seconds",))]
    by_key = {character.key: character for character in described}
    cells = [_cell(row, by_key) for row in _rows(traits, TRAITS, MEASURED)]
    if not cells:
        raise TraitError.of("no_cell", file=traits[1])
    _only_once(cells, traits[1])
    digest = hashlib.sha256(traits[0] + characters[0]).hexdigest()
    return TraitTable(
        name=name,
        characters=tuple(described),
        cells=tuple(cells),
        correlations={
            frozenset((row["character1"], row["character2"])): row.number("r") or 0.0
            for row in _rows(correlations, CORRELATIONS)
        },
        source={"path": Path(traits[1]).name, "sha256": digest},
    )


class _Row:
    """One row of a file, being read."""

    def __init__(self, cells: Mapping[str, str], line: int, path: str) -> None:
        self.cells, self.line, self.path = cells, line, path

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")

    def fault(self, key: str, **facts: Any) -> TraitError:
        return TraitError.of(key, file=self.path, row=self.line, **facts)

    def choice(self, column: str) -> str:
        if self[column] not in CHOICES[column]:
            listed = ", ".join(choice or "(empty)" for choice in CHOICES[column])
            raise self.fault("unknown_word", column=column, value=self[column], listed=listed)
        return self[column]

    def number(self, column: str) -> float | None:
        if not self[column]:
            return None
        try:
            value = float(self[column])
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise self.fault("cell_not_a_number", column=column, value=self[column])
        return value

    def list(self, column: str) -> tuple[str, ...]:
        return tuple(part.strip() for part in self[column].split(";") if part.strip())


def _character(row: _Row) -> Character:
    kind, states, key = row.choice("kind"), row.list("states"), row["character"]
    low, high = row.number("low") or 0.0, row.number("high") or 0.0
    if kind in {"scale", "state"} and len(states) < 2:
        raise row.fault("too_few_states", item=key, states=len(states))
    if kind in {"count", "ratio"} and not low < high:
        raise row.fault("no_span", item=key, low=low, high=high)
    return Character(
        key=key,
        states=states,
        low=low,
        high=high,
        step=row.number("step") or 1.0,
        factor=row.number("factor") or 1.0,
        sides=row.list("sides"),
        group=row["group"] or key,
        shows=row.choice("shows"),
        also=row.list("also"),
        seconds=row.number("seconds") or 30.0,
        **{name: row[name] for name in ("words", "kind", "numerator", "denominator", "care", "look")},
    )


def _listed(row: _Row, column: str, character: Character) -> dict[str, float]:
    """Classes with their shares or numbers of fish: ``blunt 0.9; pointed 0.1`` or ``9 4; 10 31``."""
    known = character.states or tuple(f"{value:g}" for value in character.grid)
    given: dict[str, float] = {}
    for part in row.list(column):
        match = _SHARE.fullmatch(part)
        if match is None or match[1] not in known or match[1] in given:
            raise row.fault("not_state_share", part=part, item=character.key, known=known[0], known2=known)
        given[match[1]] = float(match[2])
    return given


def _shares(row: _Row, character: Character) -> tuple[float, ...]:
    given = _listed(row, "states", character)
    total = sum(given.values())
    if abs(total - 1) > 0.005:
        raise row.fault("shares_sum", item=character.key, total=total)
    return tuple(given.get(state, 0.0) / total for state in character.states)


def _range(row: _Row, character: Character) -> dict[str, Any]:
    low, high, mode = (row.number(column) for column in ("low", "high", "mode"))
    if low is None or high is None:
        raise row.fault("no_range", item=character.key)
    order = [character.low, low, *([] if mode is None else [mode]), high, character.high]
    if any(first > second for first, second in pairwise(order)):
        own = f"low {low:g}, high {high:g}" + ("" if mode is None else f", mode {mode:g}")
        bounds = f"{character.low:g} and {character.high:g}"
        raise row.fault("out_order_not", item=character.key, own=own, bounds=bounds)
    return {"low": low, "high": high, "mode": mode}


def _measured(row: _Row, character: Character) -> dict[str, Any]:
    """Mean, spread and number of measured fish, from their frequencies where these are given."""
    counts = _listed(row, "frequencies", character)
    n = sum(counts.values())
    if n >= 1:
        shares = tuple(counts.get(f"{value:g}", 0.0) / n for value in character.grid)
        mean = float(np.dot(shares, character.grid))
        sd = math.sqrt(float(np.dot(shares, (character.grid - mean) ** 2)))
        return {"shares": shares, "mean": mean, "sd": sd, "n": int(n)}
    keys = ("mean", "sd", "slope", "atMm", "sdAtSize")
    mean_, sd_, slope, at_mm, at_size = (row.number(column) for column in keys)
    n_ = row.number("n")
    if mean_ is None or not sd_ or not n_:
        raise row.fault("marked_measured_without", item=character.key)
    return {"mean": mean_, "sd": sd_, "n": int(n_), "slope": slope, "at_mm": at_mm, "sd_at_size": at_size}


def _cell(row: _Row, by_key: Mapping[str, Character]) -> Cell:
    character = by_key.get(row["character"])
    if character is None:
        raise row.fault("unknown_character", character=row["character"])
    if row["kind"] != character.kind:
        kinds = {"kind": character.kind, "kind2": row["kind"]}
        raise row.fault("character_of_another_kind", item=character.key, **kinds)
    if not row["scientificName"] or not row["source"]:
        raise row.fault("cell_without", missing="source" if row["scientificName"] else "species")
    mark, hybrid = row.choice("mark"), row.choice("hybrid")
    if hybrid and not row["hybridSource"]:
        raise row.fault("no_source_hybrids", hybrid=hybrid)
    values: dict[str, Any] = {name: row[name] for name in ("source", "conflict", "note")}
    if not character.is_number:
        values["shares"] = _shares(row, character)
    elif mark == "measured":
        values |= _measured(row, character)
    else:
        values |= _range(row, character)
    return Cell(
        species=row["scientificName"],
        character=character.key,
        form=row["form"],
        sex=row.choice("sex"),
        size=row.choice("size"),
        mark=mark,
        hybrid=hybrid,
        hybrid_source=row["hybridSource"],
        **values,
    )


def _only_once(cells: Sequence[Cell], path: str) -> None:
    seen: set[tuple[str, ...]] = set()
    for cell in cells:
        key = (cell.species, cell.form, cell.character, cell.sex, cell.size)
        if key in seen:
            facts = {name: getattr(cell, name) for name in ("species", "character", "sex", "size")}
            raise TraitError.of("sex_size_stands", file=path, **facts)
        seen.add(key)
