"""A picture of a pool for papers and field sheets: the map and the bars, by matplotlib."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from poolbuilder import tables
from poolbuilder.errors import MissingExtraError, PoolFileError
from poolbuilder.pages import maps
from poolbuilder.words import pool_words

if TYPE_CHECKING:
    from poolbuilder.pool import Pool

MOST_SPECIES = 24
INK, SOFT, RULE, WATER, WASH, AGAINST = "#14252b", "#4b5f66", "#bccac8", "#175d7a", "#d5e5ea", "#a8480f"
PALE, PALE_EDGE = "#cfe0e8", "#a9c6d4"

# No date and no program version in the file, so that its bytes stay the same.
FORMATS: dict[str, dict[str, str | None]] = {
    ".png": {"Software": "poolbuilder"},
    ".svg": {"Date": None, "Creator": "poolbuilder"},
    ".pdf": {"CreationDate": None, "Producer": "poolbuilder", "Creator": "poolbuilder"},
}
"""Endings of a picture, with what stands in the file about itself."""

# Fixed so that the same pool gives the same file, whatever the reader's own settings are.
_STYLE = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "svg.hashsalt": "poolbuilder",
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
    "axes.edgecolor": INK,
    "text.color": INK,
    "axes.labelcolor": INK,
    "xtick.color": SOFT,
    "ytick.color": INK,
}

# Layer: colour of the line, its width and dashes, colour of the inside.
_LOOKS: dict[str, tuple[str, float, Any, str]] = {
    "lake": (PALE_EDGE, 0.4, "-", PALE),
    "river": (PALE_EDGE, 0.8, "-", "none"),
    "county": (RULE, 0.4, "-", "none"),
    "state": (SOFT, 0.6, (0, (5, 2)), "none"),
    "coast": (SOFT, 0.7, "-", "none"),
    "border": (SOFT, 0.7, "-", "none"),
    "ranges": (AGAINST, 1.2, (0, (7, 2, 1, 2)), "none"),
    "states": (RULE, 0.8, "-", "none"),
    "basins": (SOFT, 0.5, (0, (1, 2)), "none"),
    "outline": (WATER, 1.0, "-", WASH),
    "streams": (WATER, 0.7, "-", "none"),
}
_MARKS: tuple[dict[str, Any], ...] = (
    {"marker": "o", "color": WATER, "s": 9},
    {"marker": "o", "facecolor": "none", "edgecolor": WATER, "s": 12},
    {"marker": "D", "color": AGAINST, "s": 12},
)
"""How the kinds of events look, in the order of `maps.KINDS`."""


def _matplotlib() -> Any:
    try:
        import matplotlib
    except ImportError as error:
        raise MissingExtraError.of("picture_needs_matplotlib") from error
    return matplotlib


def plot(pool: Pool, axes: Any = None) -> Any:
    """Draw the presence of each candidate, with its interval, as bars.

    Parameters
    ----------
    pool : Pool
    axes : matplotlib Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    Axes

    Raises
    ------
    MissingExtraError
        When matplotlib is not installed.

    Examples
    --------
    >>> from poolbuilder.demonstration import demo_pool
    >>> plot(demo_pool()).get_yticklabels()[0].get_text()
    'Lepomis megalotis'
    """
    _matplotlib()
    table = pool.candidates.slice(0, MOST_SPECIES)
    if axes is None:
        import matplotlib.pyplot as plt

        _, axes = plt.subplots(figsize=(6.4, 1.1 + 0.32 * table.num_rows), layout="constrained")
    low, high = tables.numbers(table["presenceLow"]), tables.numbers(table["presenceHigh"])
    y = np.arange(table.num_rows)
    axes.barh(y, tables.numbers(table["presence"]), height=0.62, color=WATER)
    known = ~np.isnan(low) & ~np.isnan(high)
    if known.any():
        for colour, width in (("white", 3.6), (INK, 1.4)):
            axes.hlines(y[known], low[known], high[known], color=colour, linewidth=width)
        axes.plot(np.concatenate([low[known], high[known]]), np.tile(y[known], 2), "|", color=INK, ms=7)
    axes.set_yticks(y, [str(name) for name in tables.strings(table["scientificName"])], style="italic")
    axes.set_ylim(table.num_rows - 0.4, -0.6)
    axes.set_xlim(0, 1)
    axes.set_xticks(np.linspace(0, 1, 5), ["0", "25", "50", "75", "100 %"])
    axes.set_xlabel(textwrap.fill(pool_words.presence_axis(bool(known.any())), 50), fontsize=9)
    axes.tick_params(labelsize=9)
    axes.spines[["top", "right"]].set_visible(False)
    return axes


def _map(pool: Pool, axes: Any) -> None:
    """The same shapes and marks as the report's printed map."""
    half, radius = maps.view_km(pool), pool.site.radius_km
    for label, parallel, x, y in maps.graticule(pool):
        axes.plot(x, y, color=RULE, linewidth=0.6, zorder=1)
        inside = np.flatnonzero((np.abs(x) < half) & (np.abs(y) < half))
        if len(inside) and (parallel or x[inside[-1]] < 0.8 * half):
            at = inside[0 if parallel else -1]
            offset = (2, 2 if parallel else -8)
            place = (float(x[at]), float(y[at]))
            axes.annotate(label, place, fontsize=6, color=SOFT, xytext=offset, textcoords="offset points")
    _layers(pool, axes)
    circle = np.exp(1j * np.linspace(0, 2 * np.pi, 181))
    disc = radius * circle
    axes.plot(disc.real, disc.imag, color=INK, linewidth=1, linestyle=(0, (5, 3)))
    shown = maps.marks(pool)
    coarse = shown.unsure_km > maps.COARSE_KM
    for kind, look in enumerate(_MARKS):
        keep = ~coarse & (shown.kind == kind)
        axes.scatter(shown.x[keep], shown.y[keep], linewidths=0.7, zorder=5, **look)
    for x, y, unsure in zip(shown.x[coarse], shown.y[coarse], shown.unsure_km[coarse], strict=True):
        ring_of = x + 1j * y + unsure * circle
        axes.plot(ring_of.real, ring_of.imag, color=WATER, linewidth=0.5, linestyle=(0, (3, 2)), zorder=3)
    for name, east, north in maps.towns(pool):
        axes.plot([east], [north], "s", color=SOFT, markersize=2.5, zorder=4)
        aside, align = (4, "left") if east < 0.6 * half else (-4, "right")
        axes.annotate(
            name, (east, north), (aside, 0), textcoords="offset points", ha=align, va="center", fontsize=6.5
        )
    axes.plot([0], [0], "+", color=INK, markersize=9, zorder=6)
    length = maps.round_length(0.5 * radius)
    axes.plot([-0.95 * half, -0.95 * half + length], [-0.93 * half] * 2, color=INK, linewidth=1.5)
    axes.text(-0.95 * half, -0.91 * half, f"{length:g} km", fontsize=7, va="bottom")
    tip, tail = (0.93 * half, 0.95 * half), (0.93 * half, 0.8 * half)
    axes.annotate("N", tip, tail, arrowprops={"arrowstyle": "->", "color": INK}, ha="center", fontsize=8)
    axes.set(xlim=(-half, half), ylim=(-half, half), aspect="equal", xticks=[], yticks=[])


def _layers(pool: Pool, axes: Any) -> None:
    for layer, shapes in maps.around(pool).items():
        for x, y, ring in (line for shape in shapes for line in maps.lines(shape["geometry"], pool.site)):
            if layer == "barriers":
                axes.plot(x, y, "v", color=INK, markersize=5, zorder=4)
            elif layer in _LOOKS:
                line, width, dashes, inside_of = _LOOKS[layer]
                if ring:
                    look = {"edgecolor": line, "facecolor": inside_of}
                    axes.fill(x, y, linewidth=width, linestyle=dashes, zorder=2, **look)
                else:
                    axes.plot(x, y, color=line, linewidth=width, linestyle=dashes, zorder=2)


def picture(pool: Pool, path: str | Path) -> Path:
    """Write the map and the bars side by side to a PNG, SVG or PDF file.

    The same pool gives the same bytes with the same matplotlib.

    Raises
    ------
    MissingExtraError
        When matplotlib is not installed.
    PoolFileError
        When the file's ending is none of the three, or it cannot be written.
    """
    path = Path(path)
    if path.suffix.lower() not in FORMATS:
        raise PoolFileError.of(
            "picture_cannot", file=path, suffix=path.suffix or "file without ending", formats=FORMATS
        )
    matplotlib = _matplotlib()
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    with matplotlib.rc_context(_STYLE):
        height = max(5.2, 1.6 + 0.3 * min(MOST_SPECIES, pool.candidates.num_rows))
        figure = Figure(figsize=(11, height), layout=ConstrainedLayoutEngine(w_pad=0.14, h_pad=0.14))
        left, right = figure.subplots(1, 2, width_ratios=[1, 1.05])
        _map(pool, left)
        plot(pool, right)
        left.set_title(
            f"{pool.site.name}\n{pool_words.where_and_when(pool)}".strip(), loc="left", fontsize=10
        )
        figure.supxlabel(textwrap.fill(pool_words.findings(pool), 150), fontsize=8, color=SOFT)
        try:
            figure.savefig(path, dpi=200, metadata=FORMATS[path.suffix.lower()])
        except OSError as error:
            raise PoolFileError.of("cannot_written", file=path, why=error.strerror) from error
    return path
