"""The page of a run."""

from __future__ import annotations

from poolbuilder.introduced.run import Run

__all__ = ["render"]


def render(run: Run) -> str:
    """The page of a run: one HTML text that needs no other file and no network."""
    return ""
