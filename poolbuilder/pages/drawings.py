"""Small drawings for the pages, as SVG text: gauges, years, distances, pairs, reliability.

Colours and line styles stand in the style sheet; the drawings carry classes only, so the
strict content policy holds and dark mode and print restyle them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from poolbuilder import words
from poolbuilder.errors import said

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 340, 104
BASE, TOP, LEFT, RIGHT = 82.0, 12.0, 26.0, 332.0
CELL, MARGIN, HEAD = 26.0, 120.0, 76.0
SIZE, R_LEFT, R_BASE, SPAN = 240.0, 34.0, 206.0, 190.0
REACH = 2.5
"""Log-odds at which the bar of one character is as long as it gets."""


# -- the pieces --------------------------------------------------------------------------


def n(value: float) -> str:
    """A coordinate with at most one decimal: short, and the same on every machine."""
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


def svg(
    body: Sequence[str], *, width: float, height: float, kind: str, title: str, middle: bool = False
) -> Markup:
    """A drawing as SVG text; with *middle*, 0, 0 is its middle and not its upper left corner."""
    x, y = (-width / 2, -height / 2) if middle else (0, 0)
    box = " ".join(map(n, (x, y, width, height)))
    given = {"class": kind, "viewBox": box, "role": "img", "aria-label": title}
    attributes = "".join(f' {name}="{escape(value)}"' for name, value in given.items())
    return Markup(f"<svg{attributes}>{''.join(body)}</svg>")


def shape(tag: str, kind: str, title: str = "", **values: float | str) -> str:
    """One element of a class; numbers are coordinates, and a title shows under the pointer."""
    given = "".join(
        f' {name.replace("_", "-")}="{value if isinstance(value, str) else n(value)}"'
        for name, value in values.items()
    )
    end = f"><title>{escape(title)}</title></{tag}>" if title else "/>"
    return f'<{tag} class="{kind}"{given}{end}'


def path(kind: str, d: str) -> str:
    """A line of a class."""
    return f'<path class="{kind}" d="{d}"/>'


def label(
    x: float, y: float, text: object, *, anchor: str = "middle", kind: str = "c-label", **more: str
) -> str:
    """Letters at a place."""
    given = "".join(f' {name}="{value}"' for name, value in more.items())
    place = "" if "transform" in more else f' x="{n(x)}" y="{n(y)}"'
    return f'<text class="{kind}"{place} text-anchor="{anchor}"{given}>{escape(text)}</text>'


# -- presence and the argument -----------------------------------------------------------

_TICKS = "M1 14.5H117" + "".join(f"M{1 + 11.6 * k:.1f} 14.5V{17.5 if k % 5 else 20.5}" for k in range(11))


def gauge(presence: float, low: float | None = None, high: float | None = None) -> Markup:
    """A staff gauge from 0 to 100 %, filled to the presence, with its interval as a whisker."""
    body = [
        path("g-ticks", _TICKS),
        shape("rect", "g-fill", x=1, y=2, width=max(0.8, 116 * presence), height=10),
    ]
    if low is not None and high is not None:
        left, right = n(1 + 116 * low), n(1 + 116 * high)
        way = f"M{left} 7H{right}M{left} 3V11M{right} 3V11"
        body += [path("g-halo", way), path("g-whisker", way)]
    span = words.interval(low, high)
    title = f"presence {words.percent(presence)}, {f'interval {span}' if span else 'no interval'}"
    return svg(body, width=120, height=21, kind="gauge", title=title)


def shift(prior: float, posterior: float) -> Markup:
    """A bar filled to the posterior, with a tick where the pool alone would stand."""
    tick = f"M{n(1 + 158 * prior)} 0V12"
    body = [
        path("g-ticks", "M1 12.5H159M1 12.5V16M80 12.5V16M159 12.5V16"),
        shape("rect", "g-fill", x=1, y=2, width=max(0.8, 158 * posterior), height=8),
        path("g-halo", tick),
        path("g-whisker", tick),
    ]
    title = f"{words.percent(posterior)} after looking, {words.percent(prior)} before"
    return svg(body, width=160, height=17, kind="shift", title=title)


def _signed_bar(change: float, left: float, width: float, y: float, height: float) -> str:
    return shape("rect", "s-for" if change >= 0 else "s-against", x=left, y=y, width=width, height=height)


def speaks(value: float) -> Markup:
    """A bar to the right for evidence for a parent, to the left for evidence against it."""
    length = 36 * min(abs(value), REACH) / REACH
    body = [
        _signed_bar(value, 38.0 if value >= 0 else 38 - length, length, 3, 8),
        path("s-zero", "M38 0V14"),
    ]
    return svg(body, width=76, height=14, kind="speaks", title=f"log-odds {words.signed(value)}")


def steps(changes: Sequence[float]) -> list[Markup]:
    """One bar per step of the argument, from where the last one ended; log-odds on a shared axis."""
    ends = np.cumsum(np.asarray(changes, dtype=np.float64))
    starts = np.concatenate([[0.0], ends])[: len(ends)]
    low = min(-1.0, float(ends.min(initial=0)))
    scale = 150 / (max(1.0, float(ends.max(initial=0))) - low)
    drawn = []
    for start, end, change in zip(starts.tolist(), ends.tolist(), changes, strict=True):
        left, right = (5 + (edge - low) * scale for edge in sorted((start, end)))
        body = [
            path("s-zero", f"M{n(5 - low * scale)} 0V22"),
            _signed_bar(change, left, max(1.2, right - left), 6, 10),
            path("s-tip", f"M{n(5 + (end - low) * scale)} 3V19"),
        ]
        drawn.append(
            svg(body, width=160, height=22, kind="step", title=f"{words.signed(change)} in log-odds")
        )
    return drawn


# -- events by year and by distance ------------------------------------------------------


def _bars(
    counts: NDArray[np.int64], edges: Floats, *, low: float, high: float, hollow_from: float = math.inf
) -> list[str]:
    top = max(1, int(counts.max(initial=0)))
    scale = (RIGHT - LEFT) / (high - low)
    body = [
        shape(
            "rect",
            "c-bar c-hollow" if start >= hollow_from else "c-bar",
            x=LEFT + (start - low) * scale + 0.5,
            y=BASE - (BASE - TOP) * count / top,
            width=max(1.0, (end - start) * scale - 1),
            height=(BASE - TOP) * count / top,
        )
        for count, start, end in zip(counts.tolist(), edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        if count
    ]
    return [*body, path("c-axis", f"M{LEFT} {BASE}H{RIGHT}"), label(LEFT - 4, TOP + 8, top, anchor="end")]


def _below(x: float, text: object, anchor: str = "middle") -> str:
    return label(x, BASE + 15, text, anchor=anchor)


def years(values: NDArray[np.int64], *, first: int, last: int) -> Markup:
    """Events by year; *first* and *last* bound the axis, the same for every species of a pool."""
    step = 1 if last - first < 40 else 5 if last - first < 120 else 10
    start, stop = first - first % step, last - last % step + step
    edges = np.arange(start, stop + step, step)
    counts = np.histogram(values, bins=edges)[0]
    body = _bars(counts, edges.astype(float), low=start, high=stop)
    body += [_below(LEFT, first, "start"), _below((LEFT + RIGHT) / 2, (first + last) // 2)]
    body.append(_below(RIGHT, last, "end"))
    each = "year" if step == 1 else f"{step} years"
    title = f"events per {each} from {first} to {last}, at most {int(counts.max(initial=0))}"
    return svg(body, width=WIDTH, height=HEIGHT, kind="chart", title=title)


def distances(values: Floats, *, radius_km: float, reach_km: float) -> Markup:
    """Events by distance; filled within the radius, hollow beyond it."""
    reach = max(reach_km, radius_km)
    inner = max(4, round(20 * radius_km / reach))
    outer = max(1, round(inner * (reach - radius_km) / radius_km)) if reach > radius_km else 0
    edges = np.linspace(0, radius_km, inner + 1)
    if outer:
        edges = np.concatenate([edges, np.linspace(radius_km, reach, outer + 1)[1:]])
    counts = np.histogram(values, bins=edges)[0]
    body = _bars(counts, edges, low=0, high=reach, hollow_from=radius_km * (1 - 1e-9))
    x = LEFT + (RIGHT - LEFT) * radius_km / reach
    body.append(path("c-radius", f"M{n(x)} {TOP - 6}V{BASE + 4}"))
    body += [_below(LEFT, "0", "start"), _below(RIGHT, f"{reach:g} km", "end")]
    if x < RIGHT - 60:
        body.append(_below(x, f"{radius_km:g} km"))
    within = int(np.count_nonzero(values <= radius_km))
    title = f"events by distance: {within} within {radius_km:g} km, {len(values) - within} beyond"
    return svg(body, width=WIDTH, height=HEIGHT, kind="chart", title=title)


# -- pairs -------------------------------------------------------------------------------


def pairs(names: Sequence[str], weights: Mapping[Any, tuple[float, bool]]) -> Markup:
    """A triangle of parent pairs; a square's area is the pair's weight, a frame marks a documented cross.

    Parameters
    ----------
    names : sequence of str
        Species in the order of the sides.
    weights : mapping
        ``(first, second)`` in alphabetical order to weight and whether it is documented.
    """
    top = max([weight for weight, _ in weights.values()] or [1.0]) or 1.0
    body = []
    for row, second in enumerate(names[1:]):
        for column, first in enumerate(names[: row + 1]):
            pair = (min(first, second), max(first, second))
            weight, documented = weights.get(pair, (0.0, False))
            x, y = MARGIN + column * CELL, HEAD + row * CELL
            body.append(_square("p-cell p-known" if documented else "p-cell", x, y, CELL - 3))
            side = (CELL - 6) * math.sqrt(weight / top)
            if side >= 0.8:
                body.append(_square("p-fill", x, y, side, f"{pair[0]} × {pair[1]}: {words.percent(weight)}"))
    for row, name in enumerate(names[1:]):
        y = HEAD + (row + 0.5) * CELL + 4
        body.append(label(MARGIN - 6, y, words.short(name), anchor="end", kind="p-name"))
    for column, name in enumerate(names[:-1]):
        x, y = MARGIN + (column + 0.5) * CELL + 3, HEAD + (max(column, 1) - 1) * CELL - 5
        turned = f"translate({n(x)} {n(y)}) rotate(-38)"
        body.append(label(x, y, words.short(name), anchor="start", kind="p-name", transform=turned))
    width, height = MARGIN + (len(names) - 1) * CELL + 70, HEAD + (len(names) - 1) * CELL + 4
    title = said("pairs_drawn", names=len(names))
    return svg(body, width=width, height=height, kind="pairs", title=title)


def _square(kind: str, x: float, y: float, side: float, title: str = "") -> str:
    """A square in the middle of the cell whose corner is at x, y."""
    gap = (CELL - side) / 2
    return shape("rect", kind, title, x=x + gap, y=y + gap, width=side, height=side)


def between(marks: Sequence[tuple[str, float]], mean: float) -> Markup:
    """A line from one parent to the other, with a mark for each character and for their mean.

    The line runs from -50 to 150 per cent of the way; marks beyond stand at its ends.
    """

    def x(index: float) -> float:
        return 8 + 384 * (min(max(index, -50), 150) + 50) / 200

    body = [
        path("c-axis", f"M{n(x(-50))} 20H{n(x(150))}"),
        shape("rect", "h-middle", x=x(40), y=9, width=384 * 20 / 200, height=22),
        path("s-tip", f"M{n(x(0))} 10V30M{n(x(100))} 10V30"),
        *(
            shape("circle", "h-dot", f"{name}: {index:.0f}", cx=x(index), cy=20, r=4.5)
            for name, index in marks
        ),
        path("h-mean", f"M{n(x(mean))} 2l-5 -0l5 8l5 -8z"),
        *(label(x(index), 43, index) for index in (0, 50, 100)),
    ]
    listed = ", ".join(f"{name} {index:.0f}" for name, index in marks)
    return svg(body, width=400, height=46, kind="between", title=f"mean {mean:.0f}; {listed}")


# -- predicted against found -------------------------------------------------------------


def _wilson(share: float, count: float) -> tuple[float, float]:
    """Wilson's 90 % interval of a share."""
    z = 1.6448536269514722
    middle = (share + z**2 / (2 * count)) / (1 + z**2 / count)
    half = z * math.sqrt(share * (1 - share) / count + z**2 / (4 * count**2)) / (1 + z**2 / count)
    return max(0.0, middle - half), min(1.0, middle + half)


def reliability(rows: Sequence[Mapping[str, float]], *, title: str) -> Markup:
    """What was predicted against what was found, with counts and 90 % intervals per group, as SVG.

    Parameters
    ----------
    rows : sequence of mapping
        ``meanPresence``, ``observedShare`` and ``count`` of each group.
    """
    groups = [(row["meanPresence"], row["observedShare"], int(row["count"])) for row in rows]

    def x(p: float) -> float:
        return R_LEFT + SPAN * p

    def y(p: float) -> float:
        return R_BASE - SPAN * p

    most = max((count for _, _, count in groups), default=1)
    corner = f"{n(x(0))} {n(y(0))}"
    body = [
        path("c-axis", f"M{n(x(0))} {n(y(1))}V{n(y(0))}H{n(x(1))}"),
        path("r-even", f"M{corner}L{n(x(1))} {n(y(1))}"),
    ]
    for tick in (0.0, 0.5, 1.0):
        body.append(label(x(tick), R_BASE + 13, f"{tick:g}", kind="r-text"))
        body.append(label(R_LEFT - 5, y(tick), f"{tick:g}", anchor="end", kind="r-text"))
    for p, share, count in groups:
        low, high = _wilson(share, count)
        body.append(path("r-band", f"M{n(x(p))} {n(y(low))}V{n(y(high))}"))
        body.append(shape("circle", "r-dot", cx=x(p), cy=y(share), r=2 + 5 * math.sqrt(count / most)))
        aside, down, anchor = (9, 12, "start") if p < 0.5 else (-9, -5, "end")
        body.append(label(x(p) + aside, y(share) + down, f"{count:,}", anchor=anchor, kind="r-text"))
    middle = R_BASE - SPAN / 2
    turned = f"translate(10 {n(middle)}) rotate(-90)"
    body.append(label(x(0.5), R_BASE + 27, "predicted presence", kind="r-text"))
    body.append(label(10, middle, "share found", kind="r-text", transform=turned))
    each = "; ".join(f"predicted {p:.2f}, found {share:.2f} of {count:,}" for p, share, count in groups)
    return svg(body, width=SIZE, height=SIZE, kind="reliability", title=f"{title}: {each}")
