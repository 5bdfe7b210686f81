"""A picture of a pool for papers and field sheets: the map and the bars, by matplotlib."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from poolbuilder import tables, words
from poolbuilder.errors import MissingExtraError, PoolFileError
from poolbuilder.pages import maps
from poolbuilder.pool import Pool

FORMATS = (".png", ".svg", ".pdf")
MOST_SPECIES = 24

INK, SOFT, RULE, WATER, WASH, AGAINST = "#14252b", "#4b5f66", "#bccac8", "#175d7a", "#d5e5ea", "#a8480f"
PALE, PALE_EDGE = "#cfe0e8", "#a9c6d4"

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


def _matplotlib() -> Any:
    try:
        import matplotlib
    except ImportError as error:
        raise MissingExtraError(
            "a picture needs matplotlib, which is not installed (pip install 'poolbuilder[plot]')"
        ) from error
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
    """
    _matplotlib()
    table = pool.candidates.slice(0, MOST_SPECIES)
    if axes is None:
        import matplotlib.pyplot as plt

        _, axes = plt.subplots(figsize=(6.4, 1.1 + 0.32 * table.num_rows), layout="constrained")
    presence = tables.numbers(table["presence"])
    low, high = tables.numbers(table["presenceLow"]), tables.numbers(table["presenceHigh"])
    y = np.arange(table.num_rows)
    axes.barh(y, presence, height=0.62, color=WATER)
    known = ~np.isnan(low) & ~np.isnan(high)
    if known.any():
        for colour, width in (("white", 3.6), (INK, 1.4)):
            axes.hlines(y[known], low[known], high[known], color=colour, linewidth=width)
        axes.plot(np.concatenate([low[known], high[known]]), np.tile(y[known], 2), "|", color=INK, ms=7)
    names = tables.strings(table["scientificName"])
    axes.set_yticks(y, [f"{name}" for name in names], style="italic")
    axes.set_ylim(table.num_rows - 0.4, -0.6)
    axes.set_xlim(0, 1)
    axes.set_xticks(np.linspace(0, 1, 5), ["0", "25", "50", "75", "100 %"])
    axes.set_xlabel(_axis_words(bool(known.any())), fontsize=9)
    axes.tick_params(labelsize=9)
    axes.spines[["top", "right"]].set_visible(False)
    return axes


def _axis_words(intervals: bool) -> str:
    said = "probability that the species lives in this water"
    if intervals:
        said += ",\nwith its 90 % interval"
    return said


def _map(pool: Pool, axes: Any) -> None:
    """The same shapes and marks as the report's printed map."""
    half = maps.view_km(pool)
    for label, x, y in maps.graticule(pool):
        axes.plot(x, y, color=RULE, linewidth=0.6, zorder=1)
        inside = np.flatnonzero((np.abs(x) < half) & (np.abs(y) < half))
        parallel = label[-1] in "NS"
        if len(inside) and (parallel or x[inside[-1]] < 0.8 * half):
            at = inside[0] if parallel else inside[-1]
            offset = (2, 2) if parallel else (2, -8)
            place = (float(x[at]), float(y[at]))
            axes.annotate(label, place, fontsize=6, color=SOFT, xytext=offset, textcoords="offset points")
    _shapes(pool, axes)
    angle = np.linspace(0, 2 * np.pi, 181)
    radius = pool.site.radius_km
    axes.plot(radius * np.sin(angle), radius * np.cos(angle), color=INK, linewidth=1, linestyle=(0, (5, 3)))
    _events(pool, axes)
    axes.plot([0], [0], "+", color=INK, markersize=9, zorder=6)
    length = maps.round_length(0.5 * radius)
    axes.plot([-0.95 * half, -0.95 * half + length], [-0.93 * half] * 2, color=INK, linewidth=1.5)
    axes.text(-0.95 * half, -0.91 * half, f"{length:g} km", fontsize=7, va="bottom")
    axes.annotate(
        "N",
        (0.93 * half, 0.95 * half),
        (0.93 * half, 0.8 * half),
        arrowprops={"arrowstyle": "->", "color": INK},
        ha="center",
        fontsize=8,
    )
    axes.set(xlim=(-half, half), ylim=(-half, half), aspect="equal", xticks=[], yticks=[])


def _shapes(pool: Pool, axes: Any) -> None:
    looks: dict[str, dict[str, Any]] = {
        "lake": {"edgecolor": PALE_EDGE, "facecolor": PALE, "linewidth": 0.4},
        "river": {"edgecolor": PALE_EDGE, "facecolor": "none", "linewidth": 0.8},
        "county": {"edgecolor": RULE, "facecolor": "none", "linewidth": 0.4},
        "state": {"edgecolor": SOFT, "facecolor": "none", "linewidth": 0.6, "linestyle": (0, (5, 2))},
        "coast": {"edgecolor": SOFT, "facecolor": "none", "linewidth": 0.7},
        "border": {"edgecolor": SOFT, "facecolor": "none", "linewidth": 0.7},
        "ranges": {
            "edgecolor": AGAINST,
            "facecolor": "none",
            "linestyle": (0, (7, 2, 1, 2)),
            "linewidth": 1.2,
        },
        "states": {"edgecolor": RULE, "facecolor": "none", "linewidth": 0.8},
        "basins": {"edgecolor": SOFT, "facecolor": "none", "linewidth": 0.5, "linestyle": (0, (1, 2))},
        "outline": {"edgecolor": WATER, "facecolor": WASH, "linewidth": 1},
        "streams": {"edgecolor": WATER, "facecolor": "none", "linewidth": 0.7},
    }
    for layer, shapes in maps.around(pool).items():
        for shape in shapes:
            for x, y, ring in maps.lines(shape["geometry"], pool.site):
                if layer in looks and ring:
                    axes.fill(x, y, zorder=2, **looks[layer])
                elif layer in looks:
                    look = looks[layer]
                    axes.plot(
                        x,
                        y,
                        color=look["edgecolor"],
                        linewidth=look["linewidth"],
                        linestyle=look.get("linestyle", "-"),
                        zorder=2,
                    )
                elif layer == "barriers":
                    axes.plot(x, y, "v", color=INK, markersize=5, zorder=4)


def _events(pool: Pool, axes: Any) -> None:
    shown = maps.marks(pool)
    coarse = shown.unsure_km > maps.COARSE_KM
    looks: tuple[tuple[int, dict[str, Any]], ...] = (
        (0, {"marker": "o", "color": WATER, "s": 9}),
        (1, {"marker": "o", "facecolor": "none", "edgecolor": WATER, "s": 12}),
        (2, {"marker": "D", "color": AGAINST, "s": 12}),
    )
    for kind, look in looks:
        keep = ~coarse & (shown.kind == kind)
        axes.scatter(shown.x[keep], shown.y[keep], linewidths=0.7, zorder=5, **look)
    angle = np.linspace(0, 2 * np.pi, 61)
    for x, y, unsure in zip(shown.x[coarse], shown.y[coarse], shown.unsure_km[coarse], strict=True):
        axes.plot(
            x + unsure * np.sin(angle),
            y + unsure * np.cos(angle),
            color=WATER,
            linewidth=0.5,
            linestyle=(0, (3, 2)),
            zorder=3,
        )


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
        raise PoolFileError(
            f"a picture cannot be a {path.suffix or 'file without ending'}",
            file=path,
            remedy=f"end the name in {words.joined(FORMATS[:-1])} or {FORMATS[-1]}",
        )
    matplotlib = _matplotlib()
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    with matplotlib.rc_context(_STYLE):
        rows = min(MOST_SPECIES, pool.candidates.num_rows)
        figure = Figure(
            figsize=(11, max(5.2, 1.6 + 0.3 * rows)), layout=ConstrainedLayoutEngine(w_pad=0.14, h_pad=0.14)
        )
        left, right = figure.subplots(1, 2, width_ratios=[1, 1.05])
        _map(pool, left)
        plot(pool, right)
        site = pool.site
        left.set_title(
            f"{words.place(site)}\n{words.degrees(site)}, within {site.radius_km:g} km, "
            f"{words.day(pool.as_of)}",
            loc="left",
            fontsize=10,
        )
        figure.supxlabel(words.findings(pool), fontsize=8, wrap=True, color=SOFT)
        try:
            figure.savefig(path, dpi=200, metadata=_metadata(path.suffix.lower()))
        except OSError as error:
            raise PoolFileError(
                f"cannot be written: {error.strerror}", file=path, remedy="check the folder"
            ) from error
    return path


def _metadata(ending: str) -> dict[str, str | None]:
    """No date and no program version in the file, so that its bytes stay the same."""
    if ending == ".pdf":
        return {"CreationDate": None, "Producer": "poolbuilder", "Creator": "poolbuilder"}
    if ending == ".svg":
        return {"Date": None, "Creator": "poolbuilder"}
    return {"Software": "poolbuilder"}
