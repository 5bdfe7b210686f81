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

from poolbuilder import wording

__all__ = ["distances", "gauge", "glyph", "pairs", "reliability", "steps", "years"]

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 340, 104
BASE, TOP, LEFT, RIGHT = 82.0, 12.0, 26.0, 332.0
CELL, MARGIN, HEAD = 26.0, 120.0, 62.0


def _n(value: float) -> str:
    """A coordinate with at most one decimal: short, and the same on every machine."""
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


def _svg(body: Sequence[str], *, width: float, height: float, kind: str, title: str) -> Markup:
    return Markup(
        f'<svg class="{kind}" viewBox="0 0 {_n(width)} {_n(height)}" role="img" '
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
    said = wording.percent(presence)
    span = wording.interval(low, high)
    title = f"presence {said}, interval {span}" if span else f"presence {said}, no interval"
    return _svg(body, width=120, height=21, kind="gauge", title=title)


def glyph(tier: str) -> Markup:
    """The search disc as a small sign, with a dot where the strongest evidence lies."""
    disc = '<circle class="y-disc" cx="10" cy="10" r="7"/>'
    dot = '<circle class="y-dot" cx="{}" cy="{}" r="2.9"/>'
    body = {
        "water": disc + dot.format(10, 10),
        "connected": disc + '<path class="y-line" d="M10 10L14 6"/>' + dot.format(14, 6),
        "radius": disc + '<circle class="y-site" cx="10" cy="10" r="1"/>' + dot.format(13.2, 12.4),
        "beyond": disc + '<circle class="y-site" cx="10" cy="10" r="1"/>' + dot.format(17.6, 3),
        "range": disc + '<path class="y-hatch" d="M4.8 12.6L12.6 4.8M7 15.6L15.6 7"/>',
        "none": '<circle class="y-disc y-none" cx="10" cy="10" r="7"/>',
    }.get(tier, disc)
    return Markup(f'<svg class="glyph" viewBox="0 0 21 20" aria-hidden="true" focusable="false">{body}</svg>')


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
    return _svg(body, width=WIDTH, height=HEIGHT, kind="chart", title=title)


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
    return _svg(body, width=WIDTH, height=HEIGHT, kind="chart", title=title)


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
            _svg(body, width=160, height=22, kind="step", title=f"{wording.signed(change)} in log-odds")
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
                title = f"{pair[0]} × {pair[1]}: {wording.percent(weight)}"
                body.append(_square("p-fill", x, y, side, title=title))
    body += _pair_names(names)
    count = len(names)
    title = f"weights of the {count * (count - 1) // 2} pairs of {count} species, as in the list beside it"
    width, height = MARGIN + (count - 1) * CELL + 70, HEAD + (count - 1) * CELL + 4
    return _svg(body, width=width, height=height, kind="pairs", title=title)


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


def reliability(rows: Sequence[tuple[float, float, int]]) -> Markup:
    """What was predicted against what was found; the area of a dot is the number of surveys.

    Parameters
    ----------
    rows : sequence of (predicted, observed, surveys)
        One row per group of predictions, each 0–1.
    """
    most = max([count for _, _, count in rows] or [1])
    body = ['<path class="c-axis" d="M30 10V190H210"/><path class="r-even" d="M30 190L210 10"/>']
    for predicted, observed, count in rows:
        x, y = 30 + 180 * predicted, 190 - 180 * observed
        radius = 2.5 + 7 * math.sqrt(count / most)
        body.append(f'<circle class="r-dot" cx="{_n(x)}" cy="{_n(y)}" r="{_n(radius)}"/>')
    body.append('<text class="c-label" x="210" y="204" text-anchor="end">predicted</text>')
    body.append(
        '<text class="c-label" x="26" y="14" text-anchor="end" transform="rotate(-90 26 14)">found</text>'
    )
    title = "; ".join(
        f"predicted {wording.percent(p)}, found {wording.percent(o)} of {n}" for p, o, n in rows
    )
    return _svg(body, width=220, height=210, kind="reliability", title=title or "no surveys")
