"""The map that is printed: an SVG around the search disc, for all species or for one.

It needs no script, so it stands in for the interactive map on paper, in a notebook and
where scripts are off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.pool import Pool
from poolbuilder.report import geography

__all__ = ["Marks", "chart", "locator", "marks"]

Floats = NDArray[np.float64]
HALF = 300.0
"""Half the width of the drawing in its own units."""

COARSE_KM = 2.0
"""Events placed less exactly than this are drawn as the circle they may lie in."""


@dataclass(frozen=True, kw_only=True)
class Marks:
    """The events to draw: kilometres east and north, uncertainty in km, kind, species number."""

    x: Floats
    y: Floats
    unsure_km: Floats
    kind: NDArray[np.int64]
    species: NDArray[np.int64]

    def of(self, species: int) -> Marks:
        """Those of one species."""
        keep = self.species == species
        return Marks(
            x=self.x[keep],
            y=self.y[keep],
            unsure_km=self.unsure_km[keep],
            kind=self.kind[keep],
            species=self.species[keep],
        )


def marks(pool: Pool) -> Marks:
    """Where the events of a pool lie on the map."""
    table = pool.evidence
    names = tables.strings(pool.candidates["scientificName"])
    number = {name: index for index, name in enumerate(names)}
    kinds = {"record": 0, "ambiguous": 1, "hybrid": 2}
    x, y = geography.project(tables.numbers(table["longitude"]), tables.numbers(table["latitude"]), pool.site)
    return Marks(
        x=x,
        y=y,
        unsure_km=tables.numbers(table["coordinateUncertaintyInMeters"]) / 1000,
        kind=np.array([kinds.get(str(kind), 0) for kind in tables.strings(table["kind"])], dtype=np.int64),
        species=np.array(
            [number.get(name, -1) for name in tables.strings(table["scientificName"])], dtype=np.int64
        ),
    )


def _whole(x: Floats, y: Floats, scale: float) -> list[tuple[int, int]]:
    places = np.stack([np.round(x * scale), np.round(-y * scale)], axis=1).astype(int)
    inside = (np.abs(places) <= HALF).all(axis=1)
    return sorted({(int(east), int(south)) for east, south in places[inside]})


def _dots(shown: Marks, scale: float) -> list[str]:
    """Exact events as dots, coarse ones as circles; those that fall together are drawn once."""
    coarse = shown.unsure_km > COARSE_KM
    body = []
    for kind, name in ((0, "m-dot"), (1, "m-dot m-ambiguous"), (2, "m-dot m-hybrid")):
        keep = ~coarse & (shown.kind == kind)
        way = "".join(f"M{x} {y}h0" for x, y in _whole(shown.x[keep], shown.y[keep], scale))
        if way:
            body.append(f'<path class="{name}" d="{way}"/>')
    circles = {
        (round(x * scale), round(-y * scale), round(r * scale))
        for x, y, r in zip(
            shown.x[coarse].tolist(),
            shown.y[coarse].tolist(),
            shown.unsure_km[coarse].tolist(),
            strict=True,
        )
    }
    near = sorted(c for c in circles if abs(c[0]) <= HALF and abs(c[1]) <= HALF)
    body += [f'<circle class="m-coarse" cx="{x}" cy="{y}" r="{r}"/>' for x, y, r in near[:400]]
    return body


def _ways(pool: Pool, scale: float, layers: Sequence[str]) -> list[str]:
    body = []
    found = geography.around(pool)
    for layer in layers:
        for shape in found.get(layer, []):
            for x, y, ring in geography.lines(shape["geometry"], pool.site):
                places = [
                    f"{east:.0f} {-north:.0f}" for east, north in zip(x * scale, y * scale, strict=True)
                ]
                if len(places) == 1:
                    east, south = places[0].split(" ")
                    body.append(f'<path class="m-{layer}" d="M{east} {south}m-6 -5h12l-6 10z"/>')
                else:
                    kept = [
                        place for place, last in zip(places, [None, *places], strict=False) if place != last
                    ]
                    way = "M" + "L".join(kept) + ("Z" if ring else "")
                    body.append(f'<path class="m-{layer}" d="{way}"/>')
    return body


def _furniture(pool: Pool, scale: float) -> list[str]:
    """Graticule, scale bar and north."""
    body = []
    for label, x, y in geography.graticule(pool):
        way = "M" + "L".join(f"{a:.0f} {-b:.0f}" for a, b in zip(x * scale, y * scale, strict=True))
        body.append(f'<path class="m-grid" d="{way}"/>')
        inside = np.flatnonzero((np.abs(x * scale) < HALF - 12) & (np.abs(y * scale) < HALF - 12))
        if not len(inside):
            continue
        flat = label.endswith(("N", "S", "0°"))
        at = inside[0] if flat else inside[0 if y[inside[0]] > y[inside[-1]] else -1]
        east, south = (-HALF + 6, -y[at] * scale - 4) if flat else (x[at] * scale + 4, -HALF + 14)
        body.append(f'<text class="m-text" x="{east:.0f}" y="{south:.0f}">{escape(label)}</text>')
    length = geography.round_length(0.5 * pool.site.radius_km)
    wide = length * scale
    left, low = -HALF + 16, HALF - 18
    bar = f"M{left:.0f} {low - 6:.0f}v6h{wide:.0f}v-6M{left + wide / 2:.0f} {low:.0f}v-4"
    body.append(
        f'<path class="m-scale" d="{bar}"/>'
        f'<text class="m-text" x="{left + wide + 6:.0f}" y="{low + 3:.0f}">{length:g} km</text>'
        f'<path class="m-scale" d="M{HALF - 22:.0f} {low:.0f}v-26l-5 8m5 -8l5 8"/>'
        f'<text class="m-text" x="{HALF - 22:.0f}" y="{low + 12:.0f}" text-anchor="middle">N</text>'
    )
    return body


def chart(pool: Pool, shown: Marks) -> Markup:
    """The whole map: graticule, layers, disc, events, scale and north."""
    scale = HALF / geography.view_km(pool)
    body = [
        *_furniture(pool, scale),
        *_ways(pool, scale, geography.LAYERS),
        f'<circle class="m-disc" cx="0" cy="0" r="{pool.site.radius_km * scale:.0f}"/>',
        *_dots(shown, scale),
        '<path class="m-site" d="M0 -9V9M-9 0H9"/>',
    ]
    title = f"map of {len(shown.x)} events around the site; the circle is {pool.site.radius_km:g} km away"
    return _drawn(body, "sheet-map", title)


def locator(pool: Pool, shown: Marks, name: str) -> Markup:
    """One species' events in the disc, small."""
    scale = HALF / geography.view_km(pool)
    body = [
        f'<circle class="m-disc" cx="0" cy="0" r="{pool.site.radius_km * scale:.0f}"/>',
        *_dots(shown, scale),
        '<path class="m-site" d="M0 -14V14M-14 0H14"/>',
    ]
    return _drawn(body, "locator", f"where {name} is recorded around the site")


def _drawn(body: Sequence[str], kind: str, title: str) -> Markup:
    size = f"{-HALF:.0f} {-HALF:.0f} {2 * HALF:.0f} {2 * HALF:.0f}"
    return Markup(
        f'<svg class="{kind}" viewBox="{size}" role="img" aria-label="{escape(title)}">{"".join(body)}</svg>'
    )
