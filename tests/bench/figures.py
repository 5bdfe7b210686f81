"""Figures of a benchmark with their goals, and the clock that takes them."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any


@dataclass
class Report:
    """Lines of the table."""

    lines: list[dict[str, Any]] = field(default_factory=list)

    def add(self, case: str, figure: str, goal: str, met: bool | None) -> None:
        """One line; *met* is None for what has no goal."""
        self.lines.append({"case": case, "figure": figure, "goal": goal, "met": met})
        mark = {True: "met", False: "NOT MET", None: ""}[met]
        print(f"| {case} | {figure} | {goal} | {mark} |", flush=True)


def median_s(work: Callable[[], Any], times: int = 5) -> float:
    """Median time of a piece of work."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def once_s(work: Callable[[], Any]) -> float:
    """Time of a piece of work that is done once."""
    return median_s(work, 1)
