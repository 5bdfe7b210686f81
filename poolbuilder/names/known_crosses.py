"""What is known of crosses between species: in nature, in ponds, in the laboratory.

The tables are CSV, one statement a row: ``parent1`` and ``parent2`` (accepted names in
alphabetical order), ``mother`` (one of them, ``both``, or empty when the source does not
say), ``origin`` (natural, stocked, laboratory), ``viability`` (lethal, partly lethal,
viable, or empty), ``frequency`` (how often the cross is met in nature: common, repeated,
single report, or empty), ``words`` and ``source``.  A pair without a row is not known.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib import resources
from pathlib import Path

from poolbuilder.errors import ChecklistError
from poolbuilder.names.checklist import read_rows

COLUMNS = ("parent1", "parent2", "mother", "origin", "viability", "words", "source", "frequency")
ORIGINS = ("natural", "stocked", "laboratory")
FREQUENCIES = ("common", "repeated", "single report", "none known")
"""How often a cross is met in nature, the most often first."""
VIABILITIES = ("", "lethal", "partly lethal", "viable")
SHIPPED = ("crosses_lepomis", "crosses_leuciscids")


@dataclass(frozen=True, kw_only=True)
class KnownCross:
    """One statement of one source about one pair.

    Attributes
    ----------
    parents : tuple of (str, str)
        In alphabetical order.
    mother : str
        One of the parents, ``both``, or empty when not said.
    origin, viability, words, source, frequency : str
    """

    parents: tuple[str, str]
    mother: str = ""
    origin: str
    viability: str = ""
    words: str = ""
    source: str
    frequency: str = ""

    def speaks_of(self, mother: str) -> bool:
        """Whether the statement names this direction."""
        return self.mother in {mother, "both"}


@dataclass(frozen=True, kw_only=True, eq=False)
class KnownCrosses:
    """Statements about crosses, by pair."""

    statements: tuple[KnownCross, ...] = field(default=(), repr=False)

    @cached_property
    def _by_pair(self) -> Mapping[tuple[str, str], tuple[KnownCross, ...]]:
        found: dict[tuple[str, str], list[KnownCross]] = {}
        for each in self.statements:
            found.setdefault(each.parents, []).append(each)
        return {parents: tuple(group) for parents, group in found.items()}

    def of(self, first: str, second: str) -> tuple[KnownCross, ...]:
        """The statements about a pair, in the order of the table."""
        return self._by_pair.get((min(first, second), max(first, second)), ())

    def frequency(self, first: str, second: str) -> tuple[str, str]:
        """How often a cross is met in nature, and the source.

        Returns
        -------
        frequency : str
            One of `FREQUENCIES`; the most frequent that a statement gives.  A cross found in nature
            without a class is a single report.
        source : str
            Empty for ``none known``.
        """
        found = []
        for each in self.of(first, second):
            if each.frequency or each.origin == "natural":
                found.append((FREQUENCIES.index(each.frequency or "single report"), each.source))
        if not found:
            return "none known", ""
        place, source = min(found, key=lambda item: item[0])
        return FREQUENCIES[place], source

    def bred_and_stocked(self, first: str, second: str) -> bool:
        """Whether the cross is bred and put into ponds."""
        return any(each.origin == "stocked" for each in self.of(first, second))

    @classmethod
    def load(cls, *paths: str | Path) -> KnownCrosses:
        """Read tables of crosses; without paths, those that come with the package.

        Raises
        ------
        ChecklistError
            With file, row and remedy.
        """
        if not paths:
            return _shipped()
        statements: list[KnownCross] = []
        for path in paths:
            try:
                content = Path(path).read_bytes()
            except OSError as error:
                raise ChecklistError(
                    f"cannot be read: {error.strerror}", file=path, remedy="check the path"
                ) from error
            statements += _read(content, str(path))
        return cls(statements=tuple(statements))


@cache
def _shipped() -> KnownCrosses:
    folder = resources.files("poolbuilder") / "checklists"
    statements: list[KnownCross] = []
    for name in SHIPPED:
        statements += _read((folder / f"{name}.csv").read_bytes(), f"poolbuilder/checklists/{name}.csv")
    return KnownCrosses(statements=tuple(statements))


def _read(content: bytes, path: str) -> Iterable[KnownCross]:
    rows = read_rows(content, path=path, known=COLUMNS, required=COLUMNS[:-1], error=ChecklistError)
    return [_statement(row, number, path) for number, row in rows]


def _choice(row: Mapping[str, str], column: str, choices: Sequence[str], number: int, path: str) -> str:
    if row[column] not in choices:
        listed = ", ".join(choice or "(empty)" for choice in choices)
        raise ChecklistError(
            f"{column} {row[column]!r} is not known", file=path, row=number, remedy=f"use one of {listed}"
        )
    return row[column]


def _statement(row: Mapping[str, str], number: int, path: str) -> KnownCross:
    first, second = row["parent1"], row["parent2"]
    if not first or not second or first >= second:
        raise ChecklistError(
            f"parents {first!r} and {second!r} are not two names in alphabetical order",
            file=path,
            row=number,
            remedy="put the parents in order; say which is the mother in its own column",
        )
    if not row["source"]:
        raise ChecklistError(
            "no source", file=path, row=number, remedy="name the source, or write: from memory"
        )
    return KnownCross(
        parents=(first, second),
        mother=_choice(row, "mother", ("", "both", first, second), number, path),
        origin=_choice(row, "origin", ORIGINS, number, path),
        viability=_choice(row, "viability", VIABILITIES, number, path),
        words=row["words"],
        source=row["source"],
        frequency=_choice(row, "frequency", ("", *FREQUENCIES), number, path) if "frequency" in row else "",
    )
