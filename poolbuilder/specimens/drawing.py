"""Small drawings for the page of one fish, as SVG text; colours stand in the style sheet."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup, escape

from poolbuilder import wording

__all__ = ["between", "shift", "speaks"]

REACH = 2.5
"""Log-odds at which a bar is as long as it gets."""


def _n(value: float) -> str:
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


def _svg(body: str, *, width: float, height: float, kind: str, title: str) -> Markup:
    return Markup(
        f'<svg class="{kind}" viewBox="0 0 {_n(width)} {_n(height)}" role="img" '
        f'aria-label="{escape(title)}">{body}</svg>'
    )


def shift(prior: float, posterior: float) -> Markup:
    """A bar filled to the posterior, with a tick where the pool alone would stand."""
    end, tick = _n(max(0.8, 158 * posterior)), _n(1 + 158 * prior)
    body = (
        '<path class="g-ticks" d="M1 12.5H159M1 12.5V16M80 12.5V16M159 12.5V16"/>'
        f'<rect class="g-fill" x="1" y="2" width="{end}" height="8"/>'
        f'<path class="g-halo" d="M{tick} 0V12"/><path class="g-whisker" d="M{tick} 0V12"/>'
    )
    title = f"{wording.percent(posterior)} after looking, {wording.percent(prior)} by the pool alone"
    return _svg(body, width=160, height=17, kind="shift", title=title)


def speaks(value: float) -> Markup:
    """A bar to the right for what speaks for a parent, to the left for what speaks against it."""
    length = 36 * min(abs(value), REACH) / REACH
    start = 38.0 if value >= 0 else 38 - length
    kind = "s-for" if value >= 0 else "s-against"
    body = (
        f'<rect class="{kind}" x="{_n(start)}" y="3" width="{_n(length)}" height="8"/>'
        '<path class="s-zero" d="M38 0V14"/>'
    )
    title = f"log-odds {wording.signed(value)}"
    return _svg(body, width=76, height=14, kind="speaks", title=title)


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
    for words, index in marks:
        body.append(
            f'<circle class="h-dot" cx="{x(index)}" cy="20" r="4.5">'
            f"<title>{escape(words)}: {index:.0f}</title></circle>"
        )
    body.append(f'<path class="h-mean" d="M{x(mean)} 2l-5 -0l5 8l5 -8z"/>')
    for index, anchor in ((0.0, "middle"), (50.0, "middle"), (100.0, "middle")):
        body.append(f'<text class="c-label" x="{x(index)}" y="43" text-anchor="{anchor}">{index:.0f}</text>')
    listed = ", ".join(f"{words} {index:.0f}" for words, index in marks)
    return _svg("".join(body), width=400, height=46, kind="between", title=f"mean {mean:.0f}; {listed}")
