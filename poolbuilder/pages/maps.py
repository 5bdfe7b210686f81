"""Maps: what they draw, clipped, thinned and in kilometres; and those that need no script.

The same shapes go to the interactive map (degrees), to the printed map and to the
picture (kilometres east and north of the site on an azimuthal equidistant projection,
where the search disc is a true circle).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import shapely
from markupsafe import Markup
from numpy.typing import NDArray
from pyproj import Geod

from poolbuilder import tables
from poolbuilder.errors import said
from poolbuilder.pages.drawings import label, path, shape, svg
from poolbuilder.places.base_map import base_map
from poolbuilder.places.sites import Site

if TYPE_CHECKING:
    from poolbuilder.pool import Pool

BASE = ("coast", "lake", "river", "county", "state", "border")
"""Layers of the base map in the order they are drawn, beneath everything else; towns come on top."""

LAYERS = (*BASE, "ranges", "states", "basins", "outline", "streams", "barriers")
"""Layers of `Pool.features` in the order they are drawn; the disc is drawn last."""

MARGIN = 1.18
"""How far a map reaches beyond the disc, in radii."""

HALF, SMALL = 300.0, 100.0
"""Half the width of the map of a pool and of a water's small map, in their own units."""
WIDE, HIGH = 600.0, 420.0
"""Width and height of the map of many waters."""

COARSE_KM = 2.0
"""Events placed less exactly than this are drawn as the circle they may lie in."""
MOST_CIRCLES, MOST_TOWNS, MOST_WATERS = 400, 7, 14
"""What is drawn or named at most."""

KINDS = ("record", "ambiguous", "hybrid")
"""Kinds of events by their number in `Marks`; any other is drawn as a record."""

_GEOD = Geod(ellps="WGS84")
_KM_PER_DEGREE = 111.32
Floats = NDArray[np.float64]


# -- on the plane ------------------------------------------------------------------------


def wrapped(longitude: Floats, site: Site) -> Floats:
    """Longitudes moved by whole turns to within 180 degrees of the site, so that nothing is cut in two."""
    return longitude - 360.0 * np.round((longitude - site.longitude) / 360.0)


def project(longitude: Any, latitude: Any, site: Site) -> tuple[Floats, Floats]:
    """Kilometres east and north of the site, azimuthal equidistant on WGS84.

    Examples
    --------
    >>> x, y = project([0.0], [1.0], Site(longitude=0, latitude=0))
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
    half = 2 * view_km(pool)
    found: dict[str, list[dict[str, Any]]] = {}
    for layer in ("disc", *LAYERS, "region", "town"):
        tolerance = 0 if layer == "disc" else half / 1200 / _KM_PER_DEGREE
        for feature in pool.features.get(layer, ()):
            geometry = feature.get("geometry")
            near = geometry and _near(shapely.geometry.shape(geometry), pool.site, half, tolerance)
            if near:
                properties = dict(feature.get("properties") or {})
                found.setdefault(layer, []).append({"geometry": near, "properties": properties})
    return found


def _near(given: Any, site: Site, half_km: float, tolerance: float) -> Any | None:
    def move(points: Floats) -> Floats:
        return np.column_stack([wrapped(points[:, 0], site), points[:, 1]])

    moved = shapely.transform(shapely.force_2d(given), move)
    if moved.geom_type.endswith("Polygon"):
        moved = shapely.make_valid(moved)
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


def graticule(pool: Pool) -> list[tuple[str, bool, Floats, Floats]]:
    """Parallels and meridians that cross the map: label, whether a parallel, kilometres east and north."""
    west, south, east, north = _box(pool.site, view_km(pool) * 1.1)
    fine, drawn = np.linspace(0, 1, 40), []
    for value in _whole_degrees(south, north):
        x, y = project(west + (east - west) * fine, np.full(40, value), pool.site)
        drawn.append((_degrees(value, "N", "S"), True, x, y))
    for value in _whole_degrees(west, east):
        x, y = project(np.full(40, value), south + (north - south) * fine, pool.site)
        drawn.append((_degrees((value + 180) % 360 - 180, "E", "W"), False, x, y))
    return drawn


def _whole_degrees(low: float, high: float) -> list[float]:
    """Round degrees between two, about three of them."""
    steps = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0)
    step = max([step for step in steps if step <= min(high - low, 180.0) / 3] or [steps[0]])
    return (np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step).tolist()  # type: ignore[no-any-return]


def _degrees(value: float, positive: str, negative: str) -> str:
    return f"{abs(value):g}° {positive if value > 0 else negative if value < 0 else ''}".strip()


# -- events ------------------------------------------------------------------------------


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
        return Marks(**{name: values[keep] for name, values in vars(self).items()})


def marks(pool: Pool, table: pa.Table | None = None) -> Marks:
    """Where the events of a pool lie on the map, or some of them."""
    table = pool.evidence if table is None else table
    x, y = project(tables.numbers(table["longitude"]), tables.numbers(table["latitude"]), pool.site)

    def numbered(column: str, names: Sequence[str | None], otherwise: int) -> NDArray[np.int64]:
        number = {name: index for index, name in enumerate(names)}
        code, distinct = tables.codes(table[column])
        return np.array([*(number.get(name, otherwise) for name in distinct), otherwise], dtype=np.int64)[
            code
        ]

    return Marks(
        x=x,
        y=y,
        unsure_km=tables.numbers(table["coordinateUncertaintyInMeters"]) / 1000,
        kind=numbered("kind", KINDS, 0),
        species=numbered("scientificName", tables.strings(pool.candidates["scientificName"]), -1),
    )


def _dots(shown: Marks, scale: float) -> list[str]:
    """Exact events as dots, coarse ones as circles; those that fall together are drawn once."""
    coarse = shown.unsure_km > COARSE_KM
    places = (
        np.stack([shown.x * scale, -shown.y * scale, shown.unsure_km * scale], axis=1).round().astype(int)
    )
    inside = (np.abs(places[:, :2]) <= HALF).all(axis=1)
    body = []
    for kind, name in enumerate(("m-dot", "m-dot m-ambiguous", "m-dot m-hybrid")):
        exact = {(x, y) for x, y, _ in places[inside & ~coarse & (shown.kind == kind)].tolist()}
        if exact:
            body.append(path(name, "".join(f"M{x} {y}h0" for x, y in sorted(exact))))
    circles = sorted({tuple(row) for row in places[inside & coarse].tolist()})[:MOST_CIRCLES]
    return body + [shape("circle", "m-coarse", cx=x, cy=y, r=r) for x, y, r in circles]


# -- the pieces of a map -----------------------------------------------------------------


def _way(x: Floats, y: Floats, *, ring: bool = False, digits: int = 0) -> str:
    """A line in the units of a drawing, each point once."""
    places = [f"{east:.{digits}f} {-north:.{digits}f}" for east, north in zip(x, y, strict=True)]
    kept = [place for place, last in zip(places, [None, *places], strict=False) if place != last]
    return "M" + "L".join(kept) + ("Z" if ring else "")


def _layers(
    found: Mapping[str, Iterable[Mapping[str, Any]]],
    layers: Sequence[str],
    site: Site,
    scale: float,
    east: float = 0.0,
    north: float = 0.0,
) -> list[str]:
    """Layers of shapes as lines, in their order; points as marks of a barrier."""
    body = []
    for layer in layers:
        for item in found.get(layer, ()):
            for x, y, ring in lines(item["geometry"], site):
                way = _way((x - east) * scale, (y - north) * scale, ring=ring)
                body.append(path(f"m-{layer}", f"{way}m-6 -5h12l-6 10z" if len(x) == 1 else way))
    return body


def _scale_bar(km: float, scale: float, left: float, low: float, kind: str) -> list[str]:
    length = round_length(0.5 * km)
    bar = path(f"{kind}-scale", f"M{left:.0f} {low - 5:.0f}v5h{length * scale:.1f}v-5")
    return [
        bar,
        label(left + length * scale + 5, low + 2, f"{length:g} km", anchor="start", kind=f"{kind}-text"),
    ]


def _north(x: float, low: float, kind: str) -> list[str]:
    arrow = path(f"{kind}-scale", f"M{x:.0f} {low:.0f}v-24l-5 8m5 -8l5 8")
    return [arrow, label(x, low + 12, "N", kind=f"{kind}-text")]


def _grid(pool: Pool, scale: float) -> list[str]:
    body = []
    for text, parallel, x, y in graticule(pool):
        x, y = x * scale, y * scale
        body.append(path("m-grid", _way(x, y)))
        inside = np.flatnonzero((np.abs(x) < HALF - 12) & (np.abs(y) < HALF - 12))
        if len(inside):
            top = inside[int(np.argmax(y[inside]))]
            place = (-HALF + 6, -y[inside[0]] - 4) if parallel else (x[top] + 4, -HALF + 14)
            body.append(label(round(place[0]), round(place[1]), text, anchor="start", kind="m-text"))
    return body


def _spread(
    places: Iterable[tuple[str, float, float]],
    *,
    most: int,
    wide: float,
    high: float,
    taken: list[tuple[float, float]],
) -> Iterator[tuple[str, float, float]]:
    """Names beside their places, in order of their weight; one that would cover another is left out."""
    count = 0
    for name, x, y in places:
        if count < most and not any(abs(x - a) < wide and abs(y - b) < high for a, b in taken):
            taken.append((x, y))
            count += 1
            yield name, x, y


def towns(pool: Pool) -> list[tuple[str, float, float]]:
    """The largest towns near that can be named without covering another: name, kilometres east and north."""
    found = sorted(pool.features.get("town", ()), key=lambda item: -float(item["properties"].get("size", 0)))
    points = np.array([town["geometry"]["coordinates"][:2] for town in found]).reshape(-1, 2)
    x, y = project(points[:, 0], points[:, 1], pool.site)
    half = view_km(pool)
    places = [
        (str(town["properties"].get("name") or ""), east, north)
        for town, east, north in zip(found, x.tolist(), y.tolist(), strict=True)
        if town["properties"].get("name") and max(abs(east), abs(north)) <= 0.95 * half
    ]
    return list(_spread(places, most=MOST_TOWNS, wide=0.4 * half, high=0.075 * half, taken=[(0.0, 0.0)]))


def _region_names(pool: Pool, scale: float) -> list[str]:
    """Names of states and countries, where their middle is on the map."""
    found = pool.features.get("region", ())
    points = np.array([item["geometry"]["coordinates"][:2] for item in found]).reshape(-1, 2)
    x, y = project(points[:, 0], points[:, 1], pool.site)
    return [
        label(
            round(e * scale),
            round(-n * scale),
            item["properties"]["name"],
            anchor="middle",
            kind="m-region",
        )
        for item, e, n in zip(found, x.tolist(), y.tolist(), strict=True)
        if max(abs(e), abs(n)) * scale <= 0.9 * HALF
    ]


def _towns(pool: Pool, scale: float) -> list[str]:
    body = []
    for name, x, y in towns(pool):
        east, south = x * scale, -y * scale
        aside, anchor = (6, "start") if east < HALF - 8 * len(name) - 20 else (-6, "end")
        body.append(path("m-town", f"M{east - 2.5:.0f} {south - 2.5:.0f}h5v5h-5z"))
        body.append(label(round(east + aside), round(south + 4), name, anchor=anchor, kind="m-text m-place"))
    return body


# -- the map of a pool -------------------------------------------------------------------


def chart(pool: Pool) -> Markup:
    """The whole map: base, graticule, layers, disc, events, scale and north."""
    scale, radius = HALF / view_km(pool), pool.site.radius_km
    found, shown = around(pool), marks(pool)
    body = [
        *_layers(found, BASE, pool.site, scale),
        *_grid(pool, scale),
        *_scale_bar(radius, scale, 16 - HALF, HALF - 18, "m"),
        *_north(HALF - 22, HALF - 18, "m"),
        *_region_names(pool, scale),
        *_towns(pool, scale),
        *_layers(found, LAYERS[len(BASE) :], pool.site, scale),
        shape("circle", "m-disc", cx=0, cy=0, r=round(radius * scale)),
        *_dots(shown, scale),
        path("m-site", "M0 -9V9M-9 0H9"),
    ]
    title = said("map_events_circle", x=len(shown.x), radius=radius)
    return svg(body, width=2 * HALF, height=2 * HALF, kind="sheet-map", title=title, middle=True)


def locator(pool: Pool, shown: Marks, name: str) -> Markup:
    """One species' events in the disc, small."""
    scale = HALF / view_km(pool)
    body = [
        shape("circle", "m-disc", cx=0, cy=0, r=round(pool.site.radius_km * scale)),
        *_dots(shown, scale),
        path("m-site", "M0 -14V14M-14 0H14"),
    ]
    title = f"where {name} is recorded"
    return svg(body, width=2 * HALF, height=2 * HALF, kind="locator", title=title, middle=True)


# -- maps of introduced species ----------------------------------------------------------


def water_map(
    document: Mapping[str, Any], places: Sequence[Mapping[str, Any]], outline: Mapping[str, Any] | None
) -> Markup:
    """The records of introduced and unsettled species around one water."""
    site, radius = Site(longitude=document["longitude"], latitude=document["latitude"]), document["radiusKm"]
    scale = SMALL / (MARGIN * radius)
    rows = {row["scientificName"]: row for row in (*document["introduced"], *document["unsettled"])}
    body = [shape("circle", "i-disc", r=radius * scale)]
    if outline is None:
        body.append(path("i-site", "M0 -5V5M-5 0H5"))
    else:
        drawn = lines(shapely.geometry.shape(outline), site)
        body += [path("i-water", _way(x * scale, y * scale, ring=True, digits=1)) for x, y, _ in drawn]
    marked: set[tuple[int, int, int]] = set()
    x, y = project([one["longitude"] for one in places], [one["latitude"] for one in places], site)
    for place, east, south in zip(places, (x * scale).round(), (-y * scale).round(), strict=True):
        if place["uncertaintyM"] > 1000 * COARSE_KM:
            size = round(place["uncertaintyM"] / 1000 * scale)
            body.append(shape("circle", "i-coarse", cx=east, cy=south, r=size))
        else:
            marked.add((_class_of(place, rows.get(place["scientificName"])), int(east), int(south)))
    body += [_mark(_CLASSES[kind], east, south, 5.0) for kind, east, south in sorted(marked)]
    body += _scale_bar(radius, scale, 4 - SMALL, SMALL - 5, "i")
    title = said("records_introduced_species", water=document["water"], radius=radius)
    return svg(body, width=2 * SMALL, height=2 * SMALL, kind="i-map", title=title, middle=True)


_CLASSES = ("i-far", "i-old", "i-open", "i-new i-check", "i-new")
"""Records beyond what is listed, known, of disputed status, new and to be checked, and new."""


def _class_of(place: Mapping[str, Any], row: Mapping[str, Any] | None) -> int:
    if row is None:
        return 0
    if row["isNew"] and (place["inWater"] or row["newIn"] == "near"):
        return 3 if row["grade"] == "toBeChecked" else 4
    return 2 if place["kind"] == "unsettled" else 1


def _mark(kind: str, east: float, south: float, size: float) -> str:
    """A mark by its class: diamond, square, triangle, else a circle."""
    side, whole = f"{1.5 * size:g}", f"{2 * size:g}"
    drawn = {
        "i-new": f"M{east:g} {south - 1.5 * size:g}l{side} {side}l-{side} {side}l-{side} -{side}Z",
        "i-held": f"M{east - size:g} {south - size:g}h{whole}v{whole}h-{whole}Z",
        "i-close": f"M{east:g} {south - size:g}l{size:g} {whole}h-{whole}Z",
    }
    if way := drawn.get(kind.partition(" ")[0]):
        return path(kind, way)
    return shape("circle", kind, cx=east, cy=south, r=0.8 * size)


@lru_cache(maxsize=4)
def _beneath(site: Site, half_km: float, east_km: float, north_km: float, scale: float) -> tuple[str, ...]:
    """The base map around a place, without names; moved to the middle of the drawing."""
    place = Site(longitude=site.longitude, latitude=site.latitude, radius_km=half_km)
    thinned = {
        layer: [
            {"geometry": shapely.simplify(shapely.geometry.shape(item["geometry"]), half_km / 111 / 600)}
            for item in items
        ]
        for layer, items in base_map(place).items()
    }
    return tuple(_layers(thinned, BASE, site, scale, east_km, north_km))


def overview(
    waters: Sequence[Mapping[str, Any]],
    classes: Mapping[int, str],
    *,
    title: str,
    labels: bool = True,
    beneath: bool = True,
) -> Markup:
    """All waters, marked by class; the others are dots.

    Parameters
    ----------
    waters : sequence of dict
        Documents of waters.
    classes : mapping
        Number of a water to ``i-new`` (a diamond), ``i-ring``, ``i-held`` (a square) or ``i-close``
        (a triangle), with ``i-check`` after it where it is to be checked.
    labels : bool
        Whether to write the names of waters with news in them, or near them.
    beneath : bool
        Whether to draw the base map; a later map of the same waters on a page takes it from the first.
    """
    longitude, latitude = (np.array([one[name] for one in waters]) for name in ("longitude", "latitude"))
    near = wrapped(longitude, Site(longitude=float(longitude[0]), latitude=float(latitude[0])))
    middle = Site(
        longitude=(float(near.min() + near.max()) / 2 + 180) % 360 - 180,
        latitude=float(latitude.min() + latitude.max()) / 2,
    )
    x, y = project(longitude, latitude, middle)
    east, north = (max(float(np.ptp(values)) / 2, 1.0) for values in (x, y))
    scale = min((WIDE / 2 - 24) / east, (HIGH / 2 - 26) / north)
    east, north = (float(values.max() + values.min()) / 2 for values in (x, y))
    body = ['<use href="#i-base"/>']
    if beneath:
        half_km = min(2000.0, max(1.0, WIDE / 2 / scale))
        body = ['<g id="i-base">', *_beneath(middle, half_km, east, north, scale), "</g>"]
    drawn: dict[str, list[tuple[str, float, float]]] = {}
    for water, a, b in zip(
        waters, ((x - east) * scale).round(1), ((north - y) * scale).round(1), strict=True
    ):
        drawn.setdefault(classes.get(water["number"], ""), []).append((water["water"], float(a), float(b)))
    body.append(path("i-lakes", "".join(f"M{a:.0f} {b:.0f}h0" for _, a, b in drawn.get("", ()))))
    shown: list[tuple[str, float, float]] = []
    for kind, size in (("i-close", 4.0), ("i-held", 4.0), ("i-ring", 7.0), ("i-new", 6.0)):
        for marked in (f"{kind} i-check", kind):
            body += [_mark(marked, a, b, size) for _, a, b in drawn.get(marked, ())]
        if kind in {"i-ring", "i-new"}:
            shown = [*drawn.get(kind, ()), *drawn.get(f"{kind} i-check", ())] or shown
    named = shown[: 3 * MOST_WATERS] if labels else []
    for name, a, b in _spread(named, most=MOST_WATERS, wide=110, high=15, taken=[]):
        aside, anchor = (-12, "end") if a > WIDE / 2 - 130 else (12, "start")
        text = name if len(name) <= 22 else name[:21] + "…"
        body.append(label(round(a + aside), round(b + 5), text, anchor=anchor, kind="i-name"))
    body += _scale_bar(HIGH / 2 / scale, scale, 8 - WIDE / 2, HIGH / 2 - 6, "i")
    body += _north(WIDE / 2 - 14, HIGH / 2 - 18, "i")
    return svg(body, width=WIDE, height=HIGH, kind="i-overview", title=title, middle=True)
