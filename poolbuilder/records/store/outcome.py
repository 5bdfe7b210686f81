"""What adding and checking came to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

__all__ = ["AddResult", "Findings", "Progress", "silent"]

Progress = Callable[[str, int, "int | None"], None]
"""Told what is being done, how many rows are done, and of how many (None: not known)."""


def silent(doing: str, done: int, total: int | None) -> None:
    """Tell nobody."""


@dataclass(frozen=True, kw_only=True)
class AddResult:
    """What an add did; read = placed + unplaced, of which outdated were not the newest version."""

    read: int = 0
    placed: int = 0
    unplaced: int = 0
    replaced: int = 0
    outdated: int = 0
    sources: tuple[dict[str, Any], ...] = ()
    skipped: tuple[dict[str, Any], ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What a check found.

    ``problems`` says what was wrong, one sentence each; ``again`` lists the sources that have
    to be added again, because some of their records lay in a broken file.
    """

    files: int = 0
    records: int = 0
    problems: tuple[str, ...] = ()
    again: tuple[dict[str, Any], ...] = ()
