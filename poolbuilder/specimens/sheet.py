"""One fish as a page to print and to send."""

from __future__ import annotations


from poolbuilder.specimens import Specimen

__all__ = ["render"]


def render(specimen: Specimen) -> str:
    """The page of one fish."""
    return specimen.verdict.sentence
