"""Small drawings for the report, as SVG text: gauges, years, distances, pairs, reliability.

Colours and line styles stand in the style sheet; the drawings carry classes only, so the
strict content policy holds and dark mode and print restyle them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from poolbuilder import words

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 340, 104
BASE, TOP, LEFT, RIGHT = 82.0, 12.0, 26.0, 332.0
CELL, MARGIN, HEAD = 26.0, 120.0, 62.0
REACH = 2.5
"""Log-odds at which the bar of one character is as long as it gets."""


def _n(value: float) -> str:
    """A coordinate with at most one decimal: short, and the same on every machine."""
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


def svg(
    body: Sequence[str], *, width: float, height: float, kind: str, title: str, middle: bool = False
) -> Markup:
    """A drawing as SVG text; with *middle*, 0, 0 is its middle and not its upper left corner."""
    x, y = (-width / 2, -height / 2) if middle else (0, 0)
    return Markup(
        f'<svg class="{kind}" viewBox="{_n(x)} {_n(y)} {_n(width)} {_n(height)}" role="img" '
        f'aria-label="{escape(title)}">{"".join(body)}</svg>'
    )


_TENTHS = tuple(f"{1 + 11.6 * tenth:.1f}" for tenth in range(11))


def gauge(presence: float, low: float | None, high: float | None) -> Markup:
    """A staff gauge from 0 to 100 %, filled to the presence, with its interval as a whisker."""
    body = ['<path class="g-ticks" d="M1 14.5H117']
    body += [f"M{x} 14.5V{17.5 if n % 5 else 20.5}" for n, x in enumerate(_TENTHS)]
    body.append('"/>')
    body.append(f'<rect class="g-fill" x="1" y="2" width="{_n(max(0.8, 116 * presence))}" height="10"/>')
    if low is not None and high is not None:
        left, right = _n(1 + 116 * low), _n(1 + 116 * high)
        way = f"M{left} 7H{right}M{left} 3V11M{right} 3V11"
        body.append(f'<path class="g-halo" d="{way}"/><path class="g-whisker" d="{way}"/>')
    said = words.percent(presence)
    span = words.interval(low, high)
    title = f"presence {said}, interval {span}" if span else f"presence {said}, no interval"
    return svg(body, width=120, height=21, kind="gauge", title=title)


def _bars(
    counts: NDArray[np.int64], edges: Floats, *, low: float, high: float, hollow_from: float = math.inf
) -> list[str]:
    top = max(1, int(counts.max(initial=0)))
    scale = (RIGHT - LEFT) / (high - low)
    body = []
    for count, start, end in zip(counts.tolist(), edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if not count:
            continue
        height = (BASE - TOP) * count / top
        x = LEFT + (start - low) * scale + 0.5
        width = max(1.0, (end - start) * scale - 1)
        kind = "c-bar c-hollow" if start >= hollow_from else "c-bar"
        size = f'width="{_n(width)}" height="{_n(height)}"'
        body.append(f'<rect class="{kind}" x="{_n(x)}" y="{_n(BASE - height)}" {size}/>')
    body.append(f'<path class="c-axis" d="M{LEFT} {BASE}H{RIGHT}"/>')
    body.append(f'<text class="c-label" x="{LEFT - 4}" y="{TOP + 8}" text-anchor="end">{top}</text>')
    return body


def _label(x: float, text: object, anchor: str = "middle") -> str:
    return f'<text class="c-label" x="{_n(x)}" y="{BASE + 15}" text-anchor="{anchor}">{escape(text)}</text>'


def years(values: NDArray[np.int64], *, first: int, last: int) -> Markup:
    """Events by year; *first* and *last* bound the axis, the same for every species of a pool."""
    step = 1 if last - first < 40 else 5 if last - first < 120 else 10
    start = first - first % step
    stop = last - last % step + step
    edges = np.arange(start, stop + step, step)
    counts = np.histogram(values, bins=edges)[0]
    body = _bars(counts, edges.astype(float), low=start, high=stop)
    body += [
        _label(LEFT, first, "start"),
        _label((LEFT + RIGHT) / 2, (first + last) // 2),
        _label(RIGHT, last, "end"),
    ]
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
    body.append(f'<path class="c-radius" d="M{_n(x)} {TOP - 6}V{BASE + 4}"/>')
    body.append(_label(LEFT, "0", "start"))
    if x < RIGHT - 60:
        body += [_label(x, f"{radius_km:g} km"), _label(RIGHT, f"{reach:g} km", "end")]
    else:
        body.append(_label(RIGHT, f"{reach:g} km", "end"))
    within = int(np.count_nonzero(values <= radius_km))
    title = f"events by distance: {within} within {radius_km:g} km, {len(values) - within} farther out"
    return svg(body, width=WIDTH, height=HEIGHT, kind="chart", title=title)


def steps(changes: Sequence[float]) -> list[Markup]:
    """One bar per step of the argument, from where the last one ended; log-odds on a shared axis."""
    ends = np.cumsum(np.asarray(changes, dtype=np.float64))
    starts = np.concatenate([[0.0], ends])[: len(ends)]
    low = min(-1.0, float(ends.min(initial=0)))
    high = max(1.0, float(ends.max(initial=0)))
    scale = 150 / (high - low)
    zero = _n(5 - low * scale)
    drawn = []
    for start, end, change in zip(starts.tolist(), ends.tolist(), changes, strict=True):
        left, right = 5 + (min(start, end) - low) * scale, 5 + (max(start, end) - low) * scale
        tip = 5 + (end - low) * scale
        kind = "s-for" if change >= 0 else "s-against"
        body = [
            f'<path class="s-zero" d="M{zero} 0V22"/>',
            f'<rect class="{kind}" x="{_n(left)}" y="6" width="{_n(max(1.2, right - left))}" height="10"/>',
            f'<path class="s-tip" d="M{_n(tip)} 3V19"/>',
        ]
        drawn.append(
            svg(body, width=160, height=22, kind="step", title=f"{words.signed(change)} in log-odds")
        )
    return drawn


def pairs(names: Sequence[str], weights: Mapping[tuple[str, str], tuple[float, bool]]) -> Markup:
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
                title = f"{pair[0]} × {pair[1]}: {words.percent(weight)}"
                body.append(_square("p-fill", x, y, side, title=title))
    body += _pair_names(names)
    count = len(names)
    title = f"weights of the {count * (count - 1) // 2} pairs of {count} species, as in the list beside it"
    width, height = MARGIN + (count - 1) * CELL + 70, HEAD + (count - 1) * CELL + 4
    return svg(body, width=width, height=height, kind="pairs", title=title)


def _square(kind: str, x: float, y: float, side: float, *, title: str = "") -> str:
    """A square in the middle of the cell whose corner is at x, y."""
    gap = (CELL - side) / 2
    told = f"<title>{escape(title)}</title>" if title else ""
    size = f'x="{_n(x + gap)}" y="{_n(y + gap)}" width="{_n(side)}" height="{_n(side)}"'
    return f'<rect class="{kind}" {size}>{told}</rect>'


def _pair_names(names: Sequence[str]) -> list[str]:
    body = []
    for row, name in enumerate(names[1:]):
        y = _n(HEAD + (row + 0.5) * CELL + 4)
        body.append(
            f'<text class="p-name" x="{MARGIN - 6}" y="{y}" text-anchor="end">{escape(short(name))}</text>'
        )
    for column, name in enumerate(names[:-1]):
        x, y = _n(MARGIN + (column + 0.5) * CELL + 3), _n(HEAD + (max(column, 1) - 1) * CELL - 5)
        turned = f"translate({x} {y}) rotate(-38)"
        body.append(f'<text class="p-name" transform="{turned}">{escape(short(name))}</text>')
    return body


def short(name: str) -> str:
    """A binomial with its genus shortened.

    Examples
    --------
    >>> short("Lepomis macrochirus"), short("Lepomis")
    ('L. macrochirus', 'Lepomis')
    """
    genus, _, rest = name.partition(" ")
    return f"{genus[:1]}. {rest}" if rest else name


SIZE, R_LEFT, R_BASE, SPAN = 240.0, 34.0, 206.0, 190.0


def _band(share: float, count: float) -> tuple[float, float]:
    """Wilson's 90 % interval of a share."""
    z = 1.6448536269514722
    middle = (share + z**2 / (2 * count)) / (1 + z**2 / count)
    half = z * math.sqrt(share * (1 - share) / count + z**2 / (4 * count**2)) / (1 + z**2 / count)
    return max(0.0, middle - half), min(1.0, middle + half)


def reliability(rows: Sequence[Mapping[str, float]], *, title: str) -> Markup:
    """What was predicted against what was found, with counts and 90 % intervals per bin, as SVG.

    Parameters
    ----------
    rows : sequence of mapping
        ``meanPresence``, ``observedShare`` and ``count`` of each bin.
    """

    def x(p: float) -> str:
        return f"{R_LEFT + SPAN * p:.1f}"

    def y(p: float) -> str:
        return f"{R_BASE - SPAN * p:.1f}"

    most = max((row["count"] for row in rows), default=1)
    body = [
        f'<path class="c-axis" d="M{x(0)} {y(1)}V{y(0)}H{x(1)}"/>',
        f'<path class="r-even" d="M{x(0)} {y(0)}L{x(1)} {y(1)}"/>',
    ]
    for tick in (0.0, 0.5, 1.0):
        body.append(f'<text x="{x(tick)}" y="{R_BASE + 13:.1f}" text-anchor="middle">{tick:g}</text>')
        body.append(f'<text x="{R_LEFT - 5:.1f}" y="{y(tick)}" text-anchor="end">{tick:g}</text>')
    for row in rows:
        p, share, count = row["meanPresence"], row["observedShare"], row["count"]
        low, high = _band(share, count)
        radius = 2 + 5 * math.sqrt(count / most)
        body.append(f'<path class="r-band" d="M{x(p)} {y(low)}V{y(high)}"/>')
        body.append(f'<circle class="r-dot" cx="{x(p)}" cy="{y(share)}" r="{radius:.1f}"/>')
        left = float(x(p)) < R_LEFT + SPAN / 2
        side = 9 if left else -9
        anchor = "start" if left else "end"
        body.append(
            f'<text x="{float(x(p)) + side:.1f}" y="{float(y(share)) + (12 if left else -5):.1f}" '
            f'text-anchor="{anchor}">{int(count):,}</text>'
        )
    body.append(f'<text x="{x(0.5)}" y="{R_BASE + 27:.1f}" text-anchor="middle">predicted presence</text>')
    middle = R_BASE - SPAN / 2
    body.append(
        f'<text x="10" y="{middle:.1f}" text-anchor="middle" '
        f'transform="rotate(-90 10 {middle:.1f})">share found</text>'
    )
    said = "; ".join(
        f"predicted {row['meanPresence']:.2f}, found {row['observedShare']:.2f} of {int(row['count']):,}"
        for row in rows
    )
    return svg(body, width=SIZE, height=SIZE, kind="reliability", title=f"{title}: {said}")


def shift(prior: float, posterior: float) -> Markup:
    """A bar filled to the posterior, with a tick where the pool alone would stand."""
    end, tick = _n(max(0.8, 158 * posterior)), _n(1 + 158 * prior)
    body = [
        '<path class="g-ticks" d="M1 12.5H159M1 12.5V16M80 12.5V16M159 12.5V16"/>',
        f'<rect class="g-fill" x="1" y="2" width="{end}" height="8"/>',
        f'<path class="g-halo" d="M{tick} 0V12"/><path class="g-whisker" d="M{tick} 0V12"/>',
    ]
    title = f"{words.percent(posterior)} after looking, {words.percent(prior)} by the pool alone"
    return svg(body, width=160, height=17, kind="shift", title=title)


def speaks(value: float) -> Markup:
    """A bar to the right for what speaks for a parent, to the left for what speaks against it."""
    length = 36 * min(abs(value), REACH) / REACH
    start = 38.0 if value >= 0 else 38 - length
    kind = "s-for" if value >= 0 else "s-against"
    body = [
        f'<rect class="{kind}" x="{_n(start)}" y="3" width="{_n(length)}" height="8"/>',
        '<path class="s-zero" d="M38 0V14"/>',
    ]
    title = f"log-odds {words.signed(value)}"
    return svg(body, width=76, height=14, kind="speaks", title=title)


def between(marks: Sequence[tuple[str, float]], mean: float) -> Markup:
    """A line from one parent to the other, with a mark for each character and for their mean.

    The line runs from -50 to 150 per cent of the way; marks beyond stand at its ends.
    """

    def x(index: float) -> str:
        return _n(8 + 384 * (min(max(index, -50), 150) + 50) / 200)

    body = [
        f'<path class="c-axis" d="M{x(-50)} 20H{x(150)}"/>',
        f'<rect class="h-middle" x="{x(40)}" y="9" width="{_n(384 * 20 / 200)}" height="22"/>',
        f'<path class="s-tip" d="M{x(0)} 10V30M{x(100)} 10V30"/>',
    ]
    for name, index in marks:
        body.append(
            f'<circle class="h-dot" cx="{x(index)}" cy="20" r="4.5">'
            f"<title>{escape(name)}: {index:.0f}</title></circle>"
        )
    body.append(f'<path class="h-mean" d="M{x(mean)} 2l-5 -0l5 8l5 -8z"/>')
    for index, anchor in ((0.0, "middle"), (50.0, "middle"), (100.0, "middle")):
        body.append(f'<text class="c-label" x="{x(index)}" y="43" text-anchor="{anchor}">{index:.0f}</text>')
    listed = ", ".join(f"{name} {index:.0f}" for name, index in marks)
    return svg(body, width=400, height=46, kind="between", title=f"mean {mean:.0f}; {listed}")
