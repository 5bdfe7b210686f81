"""What a notebook shows of a pool: its findings and list, and the interactive map in a frame."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup, escape

from poolbuilder import wording
from poolbuilder.findings import doubts, findings
from poolbuilder.pool import Pool
from poolbuilder.report import drawing, sheet
from poolbuilder.report.document import asset, environment, page

__all__ = ["Frame", "explore", "notebook_html"]


@dataclass(frozen=True, kw_only=True)
class Frame:
    """A page in a frame of its own, as a notebook shows it.

    Parameters
    ----------
    page : str
        The whole HTML text.
    height : int
        Height of the frame in pixels.
    """

    page: str
    height: int = 680
    title: str = "map"

    def _repr_html_(self) -> str:
        return (
            f'<iframe srcdoc="{escape(self.page)}" title="{escape(self.title)}" '
            f'style="width:100%;height:{self.height}px;border:1px solid #8fa1a3"></iframe>'
        )


def explore(pool: Pool, *, height: int = 680) -> Frame:
    """The list and the interactive map of a pool, for a notebook cell."""
    return Frame(
        page=page(pool, view="map"), height=height, title=f"map of the pool of {wording.place(pool.site)}"
    )


def notebook_html(pool: Pool) -> str:
    """The findings, the doubts, the list and a still map as one HTML fragment; no script in it."""
    rows = sheet.species_rows(pool)
    style = asset("drawings.css") + asset("notebook.css")
    return (
        environment()
        .get_template("notebook.html")
        .render(
            style=Markup(style),
            water=wording.place(pool.site),
            findings=sheet.italic(findings(pool), [row["name"] for row in rows]),
            doubts=doubts(pool),
            rows=rows,
            still_map=drawing.chart(pool, drawing.marks(pool)),
        )
    )
