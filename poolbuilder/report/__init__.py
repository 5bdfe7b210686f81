"""Pages made from a pool: the report, what a notebook shows, and the map alone."""

from __future__ import annotations

from poolbuilder.pool import Pool
from poolbuilder.report.notebook import Frame, explore, notebook_html
from poolbuilder.report.page import page as _page

__all__ = ["Frame", "explore", "notebook_html", "render"]


def render(pool: Pool) -> str:
    """The report of a pool: one HTML text that needs no other file and no network.

    The same pool gives the same text.
    """
    return _page(pool)
