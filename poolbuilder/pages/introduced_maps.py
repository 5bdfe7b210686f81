"""The maps of the page: all waters, and the surroundings of one, as SVG that needs no script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup, escape
from numpy.typing import NDArray

from poolbuilder.pages.drawings import svg
from poolbuilder.pages.maps import BASE, lines, project, round_length, wrapped
from poolbuilder.places.base_map import base_map
from poolbuilder.places.sites import Site

HALF = 100.0
"""Half the width of a water's map in its own units."""
VIEW = 1.18
"""How far a water's map reaches, in radii."""
COARSE_KM = 2.0
WIDE, HIGH = 600.0, 420.0
MOST_LABELS = 14

Floats = NDArray[np.float64]


def _class_of(place: Mapping[str, Any], rows: Mapping[str, Mapping[str, Any]]) -> str:
    row = rows.get(place["scientificName"])
    if row is None:
        return "i-far"
    if row["isNew"] and (place["inWater"] or row["newIn"] == "near"):
        return "i-new"
    return "i-open" if place["kind"] == "unsettled" else "i-old"


def water_map(
    document: Mapping[str, Any], places: Sequence[Mapping[str, Any]], outline: Mapping[str, Any] | None
) -> Markup:
    """The records of introduced and unsettled species around one water."""
    site = Site(longitude=document["longitude"], latitude=document["latitude"])
    scale = HALF / (VIEW * document["radiusKm"])
    rows = {row["scientificName"]: row for row in (*document["introduced"], *document["unsettled"])}
    body = [f'<circle class="i-disc" r="{document["radiusKm"] * scale:.1f}"/>']
    if outline is not None:
        for x, y, _ in lines(shapely.geometry.shape(outline), site):
            way = "L".join(f"{a:.1f} {-b:.1f}" for a, b in zip(x * scale, y * scale, strict=True))
            body.append(f'<path class="i-water" d="M{way}Z"/>')
    else:
        body.append('<path class="i-site" d="M0 -5V5M-5 0H5"/>')
    marks: dict[str, set[tuple[int, int]]] = {}
    x, y = project(
        np.array([place["longitude"] for place in places]),
        np.array([place["latitude"] for place in places]),
        site,
    )
    for place, east, north in zip(places, (x * scale).tolist(), (y * scale).tolist(), strict=True):
        kind = _class_of(place, rows)
        if place["uncertaintyM"] > 1000 * COARSE_KM:
            radius = place["uncertaintyM"] / 1000 * scale
            body.append(f'<circle class="i-coarse" cx="{east:.0f}" cy="{-north:.0f}" r="{radius:.0f}"/>')
            continue
        marks.setdefault(kind, set()).add((round(east), round(-north)))
    for kind in ("i-far", "i-old", "i-open", "i-new"):
        body += [_mark(kind, east, south, 5.0) for east, south in sorted(marks.get(kind, ()))]
    body += _scale_bar(document["radiusKm"], scale, -HALF + 4, HALF - 5)
    title = (
        f"records of species that do not belong around {document['water']}; the circle is "
        f"{document['radiusKm']:g} km away"
    )
    return svg(body, width=2 * HALF, height=2 * HALF, kind="i-map", title=title, middle=True)


def _mark(kind: str, east: float, south: float, size: float) -> str:
    if kind == "i-new":
        d = f"M{east:g} {south - 1.5 * size:g}l{1.5 * size:g} {1.5 * size:g}l{-1.5 * size:g} {1.5 * size:g}"
        return f'<path class="i-new" d="{d}l{-1.5 * size:g} {-1.5 * size:g}Z"/>'
    return f'<circle class="{kind}" cx="{east:g}" cy="{south:g}" r="{0.8 * size:g}"/>'


def _scale_bar(km: float, scale: float, left: float, low: float) -> list[str]:
    length = round_length(0.5 * km)
    return [
        f'<path class="i-scale" d="M{left:.0f} {low - 4:.0f}v4h{length * scale:.1f}v-4"/>',
        f'<text class="i-text" x="{left + length * scale + 4:.1f}" y="{low + 1:.0f}">{length:g} km</text>',
    ]


def _placed(waters: Sequence[Mapping[str, Any]]) -> tuple[Floats, Floats, Site]:
    """Kilometres east and north of the waters' middle, and that middle."""
    longitude = np.array([water["longitude"] for water in waters], dtype=float)
    latitude = np.array([water["latitude"] for water in waters], dtype=float)
    first = Site(longitude=float(longitude[0]), latitude=float(latitude[0]))
    near = wrapped(longitude, first)
    middle = (float(near.min() + near.max()) / 2 + 180) % 360 - 180
    site = Site(longitude=middle, latitude=float(latitude.min() + latitude.max()) / 2)
    return *project(longitude, latitude, site), site


@lru_cache(maxsize=4)
def _beneath(site: Site, half_km: float, east_km: float, north_km: float, scale: float) -> tuple[str, ...]:
    """The base map around a place as paths, without names; moved to the middle of the drawing."""
    body = []
    around = base_map(Site(longitude=site.longitude, latitude=site.latitude, radius_km=half_km))
    for layer in BASE:
        for item in around.get(layer, ()):
            shape = shapely.simplify(shapely.geometry.shape(item["geometry"]), half_km / 111 / 600)
            for x, y, ring in lines(shape, site):
                if len(x) < 2:
                    continue
                places = zip((x - east_km) * scale, (y - north_km) * scale, strict=True)
                way = "L".join(f"{a:.0f} {-b:.0f}" for a, b in places)
                body.append(f'<path class="m-{layer}" d="M{way}{"Z" if ring else ""}"/>')
    return tuple(body)


def overview(
    waters: Sequence[Mapping[str, Any]], news: Mapping[int, str], *, title: str, labels: bool = True
) -> Markup:
    """All waters, those with news marked: a diamond for news in the water, a ring for news near it.

    Parameters
    ----------
    waters : sequence of dict
        Documents of waters.
    news : mapping
        Number of a water to ``water`` or ``near``.
    labels : bool
        Whether to write the names of waters with news in them.
    """
    x, y, middle = _placed(waters)
    east, north = (max(float(np.ptp(values)) / 2, 1.0) for values in (x, y))
    scale = min((WIDE / 2 - 24) / east, (HIGH / 2 - 26) / north)
    centre = float(x.max() + x.min()) / 2, float(y.max() + y.min()) / 2
    half_km = min(2000.0, max(1.0, WIDE / 2 / scale))
    x, y = (x - (x.max() + x.min()) / 2) * scale, -(y - (y.max() + y.min()) / 2) * scale
    places = list(zip(waters, x.tolist(), y.tolist(), strict=True))
    body = list(_beneath(middle, half_km, *centre, scale))
    body += [
        f'<circle class="i-lake" cx="{a:.1f}" cy="{b:.1f}" r="2.6"/>'
        for water, a, b in places
        if water["number"] not in news
    ]
    told = [item for item in places if item[0]["number"] in news]
    body += [
        f'<circle class="i-ring" cx="{a:.1f}" cy="{b:.1f}" r="5.5"/>'
        for water, a, b in told
        if news[water["number"]] == "near"
    ]
    inside = [item for item in told if news[item[0]["number"]] == "water"]
    body += [_mark("i-new", round(a, 1), round(b, 1), 6.0) for _, a, b in inside]
    if labels:
        body += _labels(inside or told)
    body += _scale_bar(HIGH / 2 / scale, scale, -WIDE / 2 + 8, HIGH / 2 - 6)
    body.append(
        f'<path class="i-scale" d="M{WIDE / 2 - 14:g} {HIGH / 2 - 18:g}v-20l-4 7m4 -7l4 7"/>'
        f'<text class="i-text" x="{WIDE / 2 - 14:g}" y="{HIGH / 2 - 5:g}" text-anchor="middle">N</text>'
    )
    return svg(body, width=WIDE, height=HIGH, kind="i-overview", title=title, middle=True)


def _labels(places: Sequence[tuple[Mapping[str, Any], float, float]]) -> list[str]:
    """Names beside their waters; one that would cover another is left out."""
    taken: list[tuple[float, float]] = []
    body: list[str] = []
    for water, x, y in places[: 3 * MOST_LABELS]:
        if len(body) == MOST_LABELS or any(abs(x - a) < 110 and abs(y - b) < 15 for a, b in taken):
            continue
        taken.append((x, y))
        left = x > WIDE / 2 - 130
        at, anchor = (x - 12, "end") if left else (x + 12, "start")
        name = water["water"] if len(water["water"]) <= 22 else water["water"][:21] + "…"
        body.append(
            f'<text class="i-name" x="{at:.0f}" y="{y + 5:.0f}" text-anchor="{anchor}">{escape(name)}</text>'
        )
    return body
