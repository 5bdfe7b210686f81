"""What the drawings of ``drawings.svg`` show, counted and placed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
HEIGHT, LEFT, RIGHT = 70.0, 26.0, 332.0
"""Of a chart: how high a bar can be, and where its axis begins and ends."""


def n(value: float) -> str:
    """A coordinate with at most one decimal: short, and the same on every machine."""
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


def steps(changes: Sequence[float]) -> list[dict[str, float]]:
    """One bar per step of the argument, from where the last one ended; log-odds on a shared axis."""
    ends = np.cumsum(np.asarray(changes, dtype=np.float64))
    starts = np.concatenate([[0.0], ends])[: len(ends)]
    low = min(-1.0, float(ends.min(initial=0)))
    scale = 150 / (max(1.0, float(ends.max(initial=0))) - low)
    bars = []
    for start, end, change in zip(starts.tolist(), ends.tolist(), changes, strict=True):
        left, width = 5 + (min(start, end) - low) * scale, max(1.2, abs(end - start) * scale)
        tip, zero = 5 + (end - low) * scale, 5 - low * scale
        bars.append({"change": change, "left": left, "width": width, "tip": tip, "zero": zero})
    return bars


def _chart(values: Any, edges: Floats, *, hollow_from: float = math.inf) -> dict[str, Any]:
    """Events counted between edges, as bars."""
    counts = np.histogram(values, bins=edges)[0]
    top = max(1, int(counts.max(initial=0)))
    x = LEFT + (RIGHT - LEFT) * (edges - edges[0]) / (edges[-1] - edges[0])
    bars = [
        {
            "x": x[bar] + 0.5,
            "width": max(1.0, x[bar + 1] - x[bar] - 1),
            "height": HEIGHT * counts[bar] / top,
            "hollow": edges[bar] >= hollow_from,
        }
        for bar in np.flatnonzero(counts).tolist()
    ]
    return {"bars": bars, "top": top, "most": int(counts.max(initial=0)), "radius_x": None}


def years(values: NDArray[np.int64], *, first: int, last: int) -> dict[str, Any]:
    """Events by year; *first* and *last* bound the axis, the same for every species of a pool."""
    step = 1 if last - first < 40 else 5 if last - first < 120 else 10
    start, stop = first - first % step, last - last % step + step
    chart = _chart(values, np.arange(start, stop + step, step, dtype=np.float64))
    each = "year" if step == 1 else f"{step} years"
    below = [
        (LEFT, first, "start"),
        ((LEFT + RIGHT) / 2, (first + last) // 2, "middle"),
        (RIGHT, last, "end"),
    ]
    title = f"events per {each} from {first} to {last}, at most {chart['most']}"
    return {**chart, "below": below, "title": title}


def distances(values: Floats, *, radius_km: float, reach_km: float) -> dict[str, Any]:
    """Events by distance; filled within the radius, hollow beyond it."""
    reach = max(reach_km, radius_km)
    inner = max(4, round(20 * radius_km / reach))
    outer = max(1, round(inner * (reach - radius_km) / radius_km)) if reach > radius_km else 0
    edges = np.linspace(0, radius_km, inner + 1)
    if outer:
        edges = np.concatenate([edges, np.linspace(radius_km, reach, outer + 1)[1:]])
    x = LEFT + (RIGHT - LEFT) * radius_km / reach
    below = [(LEFT, "0", "start"), (RIGHT, f"{reach:g} km", "end")]
    below += [(x, f"{radius_km:g} km", "middle")] if x < RIGHT - 60 else []
    within = int(np.count_nonzero(values <= radius_km))
    title = f"events by distance: {within} within {radius_km:g} km, {len(values) - within} beyond"
    chart = _chart(values, edges, hollow_from=radius_km * (1 - 1e-9))
    return {**chart, "radius_x": x, "below": below, "title": title}


def wilson(share: float, count: float) -> tuple[float, float]:
    """Wilson's 90 % interval of a share."""
    z = 1.6448536269514722
    middle = (share + z**2 / (2 * count)) / (1 + z**2 / count)
    half = z * math.sqrt(share * (1 - share) / count + z**2 / (4 * count**2)) / (1 + z**2 / count)
    return max(0.0, middle - half), min(1.0, middle + half)
