"""Maps: what they draw, clipped, thinned and in kilometres; and the one that needs no script.

The same shapes go to the interactive map (degrees), to the printed map and to the
picture (kilometres east and north of the site on an azimuthal equidistant projection,
where the search disc is a true circle).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup, escape
from numpy.typing import NDArray
from pyproj import Geod

from poolbuilder import tables
from poolbuilder.pages.drawings import svg
from poolbuilder.places.base_map import base_map
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool

BASE = ("coast", "lake", "river", "county", "state", "border")
"""Layers of the base map in the order they are drawn, beneath everything else; towns come on top."""

LAYERS = (*BASE, "ranges", "states", "basins", "outline", "streams", "barriers")
"""Layers of `Pool.features` in the order they are drawn; the disc is drawn last."""

MOST_NAMES = 7
"""Towns and lakes whose names a still map carries."""

MARGIN = 1.18
"""How far the map reaches beyond the disc, in radii."""

_GEOD = Geod(ellps="WGS84")
_KM_PER_DEGREE = 111.32
Floats = NDArray[np.float64]


def wrapped(longitude: Floats, site: Site) -> Floats:
    """Longitudes moved by whole turns to within 180 degrees of the site, so that nothing is cut in two."""
    return longitude - 360.0 * np.round((longitude - site.longitude) / 360.0)


def project(longitude: Floats, latitude: Floats, site: Site) -> tuple[Floats, Floats]:
    """Kilometres east and north of the site, azimuthal equidistant on WGS84.

    Examples
    --------
    >>> import numpy as np
    >>> x, y = project(np.array([0.0]), np.array([1.0]), Site(longitude=0, latitude=0))
    >>> round(float(x[0]), 6), round(float(y[0]), 3)
    (0.0, 110.574)
    """
    longitude = np.asarray(longitude, dtype=np.float64)
    latitude = np.asarray(latitude, dtype=np.float64)
    start = np.full(longitude.shape, site.longitude), np.full(longitude.shape, site.latitude)
    azimuth, _, metres = _GEOD.inv(*start, longitude, latitude)
    angle = np.radians(azimuth)
    return metres / 1000 * np.sin(angle), metres / 1000 * np.cos(angle)


def view_km(pool: Pool) -> float:
    """Half the width of the map."""
    return MARGIN * pool.site.radius_km


def _box(site: Site, half_km: float) -> tuple[float, float, float, float]:
    up = half_km / 110.0
    south, north = max(-90.0, site.latitude - up), min(90.0, site.latitude + up)
    shrink = math.cos(math.radians(min(89.0, max(abs(south), abs(north)))))
    side = min(180.0, half_km / (_KM_PER_DEGREE * shrink))
    return site.longitude - side, south, site.longitude + side, north


def around(pool: Pool) -> dict[str, list[dict[str, Any]]]:
    """The pool's features within twice the map, thinned to what an eye can tell apart.

    Returns
    -------
    dict
        Layer to a list of ``{"geometry": geometry, "properties": dict}``; longitudes are
        within 180 degrees of the site's, coordinates are rounded to about a metre.
    """
    site = pool.site
    half = 2 * view_km(pool)
    tolerance = half / 1200 / _KM_PER_DEGREE
    found: dict[str, list[dict[str, Any]]] = {}
    for layer in ("disc", *LAYERS, "town"):
        shapes = []
        for feature in pool.features.get(layer, []):
            geometry = feature.get("geometry")
            if not geometry:
                continue
            shape = _near(shapely.geometry.shape(geometry), site, half, 0 if layer == "disc" else tolerance)
            if shape is not None:
                shapes.append({"geometry": shape, "properties": dict(feature.get("properties") or {})})
        if shapes:
            found[layer] = shapes
    return found


def _near(shape: Any, site: Site, half_km: float, tolerance: float) -> Any | None:
    def move(points: Floats) -> Floats:
        out = points.copy()
        out[:, 0] = wrapped(points[:, 0], site)
        return out

    moved = shapely.transform(shapely.force_2d(shape), move)
    if shapely.get_num_coordinates(moved) > 4 * shapely.get_num_geometries(moved):
        moved = shapely.make_valid(moved) if moved.geom_type.endswith("Polygon") else moved
    clipped = shapely.clip_by_rect(moved, *_box(site, half_km))
    if tolerance:
        clipped = shapely.simplify(clipped, tolerance)
    return None if clipped.is_empty else shapely.transform(clipped, lambda points: np.round(points, 5))


def lines(geometry: Any, site: Site) -> Iterator[tuple[Floats, Floats, bool]]:
    """The rings, lines and points of a geometry in kilometres, each with whether it is a ring."""
    for part in shapely.get_parts(np.atleast_1d(geometry)):
        if part.geom_type == "GeometryCollection" or part.geom_type.startswith("Multi"):
            yield from lines(part, site)
            continue
        rings = shapely.get_rings(part) if part.geom_type == "Polygon" else [part]
        for ring in rings:
            points = shapely.get_coordinates(ring)
            yield *project(points[:, 0], points[:, 1], site), part.geom_type == "Polygon"


def round_length(limit: float) -> float:
    """The largest of 1, 2 or 5 times a power of ten that is not above *limit*.

    Examples
    --------
    >>> round_length(47), round_length(0.3), round_length(10)
    (20.0, 0.2, 10.0)
    """
    power: float = 10.0 ** math.floor(math.log10(limit) + 1e-9)
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= limit * (1 + 1e-9))


def graticule(pool: Pool) -> list[tuple[str, Floats, Floats]]:
    """Meridians and parallels that cross the map: label, kilometres east, kilometres north."""
    site, half = pool.site, view_km(pool)
    west, south, east, north = _box(site, half * 1.1)
    step = _degree_step(min(north - south, 180.0) / 3)
    drawn = []
    fine = np.linspace(0, 1, 40)
    for value in np.arange(math.ceil(south / step), math.floor(north / step) + 1) * step:
        x, y = project(west + (east - west) * fine, np.full(40, value), site)
        drawn.append((_label(float(value), "N", "S"), x, y))
    step = _degree_step((east - west) / 3)
    for value in np.arange(math.ceil(west / step), math.floor(east / step) + 1) * step:
        x, y = project(np.full(40, value), south + (north - south) * fine, site)
        turned = (float(value) + 180) % 360 - 180
        drawn.append((_label(turned, "E", "W"), x, y))
    return drawn


def _degree_step(limit: float) -> float:
    steps = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0)
    return max([step for step in steps if step <= limit] or [steps[0]])


def _label(value: float, positive: str, negative: str) -> str:
    return f"{abs(value):g}° {positive if value > 0 else negative if value < 0 else ''}".strip()


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
    x, y = project(tables.numbers(table["longitude"]), tables.numbers(table["latitude"]), pool.site)
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
    found = around(pool)
    for layer in layers:
        for shape in found.get(layer, []):
            for x, y, ring in lines(shape["geometry"], pool.site):
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
    for label, x, y in graticule(pool):
        way = "M" + "L".join(f"{a:.0f} {-b:.0f}" for a, b in zip(x * scale, y * scale, strict=True))
        body.append(f'<path class="m-grid" d="{way}"/>')
        inside = np.flatnonzero((np.abs(x * scale) < HALF - 12) & (np.abs(y * scale) < HALF - 12))
        if not len(inside):
            continue
        flat = label.endswith(("N", "S", "0°"))
        at = inside[0] if flat else inside[0 if y[inside[0]] > y[inside[-1]] else -1]
        east, south = (-HALF + 6, -y[at] * scale - 4) if flat else (x[at] * scale + 4, -HALF + 14)
        body.append(f'<text class="m-text" x="{east:.0f}" y="{south:.0f}">{escape(label)}</text>')
    length = round_length(0.5 * pool.site.radius_km)
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


def _names(pool: Pool, scale: float) -> list[str]:
    """The largest towns near, with their names; one that would cover another is left out."""
    towns = sorted(pool.features.get("town", ()), key=lambda item: -float(item["properties"].get("size", 0)))
    taken: list[tuple[float, float]] = [(0.0, 0.0)]
    body: list[str] = []
    for town in towns:
        longitude, latitude = town["geometry"]["coordinates"][:2]
        x, y = project(np.array([longitude]), np.array([latitude]), pool.site)
        east, south = float(x[0]) * scale, -float(y[0]) * scale
        name = str(town["properties"].get("name") or "")
        right = east < HALF - 8 * len(name) - 20
        if not name or max(abs(east), abs(south)) > HALF - 14 or len(body) >= MOST_NAMES:
            continue
        if any(abs(east - a) < 120 and abs(south - b) < 22 for a, b in taken):
            continue
        taken.append((east, south))
        at, anchor = (east + 6, "start") if right else (east - 6, "end")
        body.append(
            f'<path class="m-town" d="M{east - 2.5:.0f} {south - 2.5:.0f}h5v5h-5z"/>'
            f'<text class="m-text m-place" x="{at:.0f}" y="{south + 4:.0f}" text-anchor="{anchor}">'
            f"{escape(name)}</text>"
        )
    return body


def chart(pool: Pool, shown: Marks) -> Markup:
    """The whole map: graticule, layers, disc, events, scale and north."""
    scale = HALF / view_km(pool)
    body = [
        *_ways(pool, scale, BASE),
        *_furniture(pool, scale),
        *_names(pool, scale),
        *_ways(pool, scale, LAYERS[len(BASE) :]),
        f'<circle class="m-disc" cx="0" cy="0" r="{pool.site.radius_km * scale:.0f}"/>',
        *_dots(shown, scale),
        '<path class="m-site" d="M0 -9V9M-9 0H9"/>',
    ]
    title = f"map of {len(shown.x)} events around the site; the circle is {pool.site.radius_km:g} km away"
    return svg(body, width=2 * HALF, height=2 * HALF, kind="sheet-map", title=title, middle=True)


def locator(pool: Pool, shown: Marks, name: str) -> Markup:
    """One species' events in the disc, small."""
    scale = HALF / view_km(pool)
    body = [
        f'<circle class="m-disc" cx="0" cy="0" r="{pool.site.radius_km * scale:.0f}"/>',
        *_dots(shown, scale),
        '<path class="m-site" d="M0 -14V14M-14 0H14"/>',
    ]
    return svg(
        body,
        width=2 * HALF,
        height=2 * HALF,
        kind="locator",
        title=f"where {name} is recorded around the site",
        middle=True,
    )


SMALL = 100.0
"""Half the width of a water's map in its own units."""
VIEW = 1.18
"""How far a water's map reaches, in radii."""
WIDE, HIGH = 600.0, 420.0
MOST_LABELS = 14


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
    scale = SMALL / (VIEW * document["radiusKm"])
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
    body += _scale_bar(document["radiusKm"], scale, -SMALL + 4, SMALL - 5)
    title = (
        f"records of species that do not belong around {document['water']}; the circle is "
        f"{document['radiusKm']:g} km away"
    )
    return svg(body, width=2 * SMALL, height=2 * SMALL, kind="i-map", title=title, middle=True)


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
