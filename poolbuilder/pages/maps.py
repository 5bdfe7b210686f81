"""Maps: what they draw, clipped, thinned and in kilometres; and those that need no script.

The same shapes go to the interactive map (degrees), to the printed map and to the
picture (kilometres east and north of the site on an azimuthal equidistant projection,
where the search disc is a true circle).
"""

from __future__ import annotations

import itertools
import math
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import shapely
from markupsafe import Markup
from numpy.typing import NDArray
from pyproj import Geod

from poolbuilder import pages, tables
from poolbuilder.errors import MissingExtraError, PoolFileError, said
from poolbuilder.places.base_map import base_map
from poolbuilder.places.sites import Site
from poolbuilder.words import pool_words

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
Ways = list[tuple[str, str]]
"""Lines to draw: their layer and how they run."""


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


def _dots(shown: Marks, scale: float) -> dict[str, Any]:
    """Exact events as dots, coarse ones as circles; those that fall together are drawn once."""
    coarse = shown.unsure_km > COARSE_KM
    places = (
        np.stack([shown.x * scale, -shown.y * scale, shown.unsure_km * scale], axis=1).round().astype(int)
    )
    inside = (np.abs(places[:, :2]) <= HALF).all(axis=1)
    exact = []
    for kind, name in enumerate(("m-dot", "m-dot m-ambiguous", "m-dot m-hybrid")):
        found = {(x, y) for x, y, _ in places[inside & ~coarse & (shown.kind == kind)].tolist()}
        if found:
            exact.append((name, "".join(f"M{x} {y}h0" for x, y in sorted(found))))
    circles = sorted({tuple(row) for row in places[inside & coarse].tolist()})[:MOST_CIRCLES]
    return {"exact": exact, "coarse": circles}


# -- the pieces of a map -----------------------------------------------------------------


def _way(x: Floats, y: Floats, *, ring: bool = False, digits: int = 0) -> str:
    """A line in the units of a drawing, each point once."""
    places = [f"{east:.{digits}f} {-north:.{digits}f}" for east, north in zip(x, y, strict=True)]
    kept = [place for place, last in zip(places, [None, *places], strict=False) if place != last]
    return "M" + "L".join(kept) + ("Z" if ring else "")


def _ways(
    found: Mapping[str, Iterable[Mapping[str, Any]]],
    layers: Sequence[str],
    site: Site,
    scale: float,
    east: float = 0.0,
    north: float = 0.0,
) -> Ways:
    """Layers of shapes as lines, in their order; points as marks of a barrier."""
    drawn = []
    for layer in layers:
        for item in found.get(layer, ()):
            for x, y, ring in lines(item["geometry"], site):
                way = _way((x - east) * scale, (y - north) * scale, ring=ring)
                drawn.append((layer, f"{way}m-6 -5h12l-6 10z" if len(x) == 1 else way))
    return drawn


def _bar(km: float, scale: float) -> dict[str, float]:
    """The bar of a scale, about half of what is seen."""
    return {"km": round_length(0.5 * km), "length": round_length(0.5 * km) * scale}


def _grid(pool: Pool, scale: float) -> list[dict[str, Any]]:
    """Parallels and meridians, each with the place of its name where that is on the map."""
    drawn = []
    for text, parallel, x, y in graticule(pool):
        x, y = x * scale, y * scale
        inside = np.flatnonzero((np.abs(x) < HALF - 12) & (np.abs(y) < HALF - 12))
        place = None
        if len(inside):
            top = inside[int(np.argmax(y[inside]))]
            place = (-HALF + 6, -y[inside[0]] - 4) if parallel else (x[top] + 4, -HALF + 14)
            place = round(place[0]), round(place[1])
        drawn.append({"way": _way(x, y), "place": place, "text": text})
    return drawn


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


def _points(pool: Pool, layer: str) -> list[tuple[dict[str, Any], float, float]]:
    """Properties of the points of a layer, and kilometres east and north."""
    found = pool.features.get(layer, ())
    points = np.array([item["geometry"]["coordinates"][:2] for item in found]).reshape(-1, 2)
    x, y = project(points[:, 0], points[:, 1], pool.site)
    return [(item["properties"], e, n) for item, e, n in zip(found, x.tolist(), y.tolist(), strict=True)]


def towns(pool: Pool) -> list[tuple[str, float, float]]:
    """The largest towns near that can be named without covering another: name, kilometres east and north."""
    half = view_km(pool)
    found = sorted(_points(pool, "town"), key=lambda town: -float(town[0].get("size", 0)))
    places = [
        (str(town["name"]), east, north)
        for town, east, north in found
        if town.get("name") and max(abs(east), abs(north)) <= 0.95 * half
    ]
    return list(_spread(places, most=MOST_TOWNS, wide=0.4 * half, high=0.075 * half, taken=[(0.0, 0.0)]))


# -- the map of a pool -------------------------------------------------------------------


def chart(pool: Pool, found: Mapping[str, Any]) -> Markup:
    """The whole map: base, graticule, layers that are `around`, disc, events, scale and north."""
    scale, radius, shown = HALF / view_km(pool), pool.site.radius_km, marks(pool)
    return _drawn(
        "chart",
        title=said("map_events_circle", x=len(shown.x), radius=radius),
        beneath=_ways(found, BASE, pool.site, scale),
        above=_ways(found, LAYERS[len(BASE) :], pool.site, scale),
        grid=_grid(pool, scale),
        bar=_bar(radius, scale),
        radius=round(radius * scale),
        dots=_dots(shown, scale),
        towns=[(name, x * scale, -y * scale) for name, x, y in towns(pool)],
        regions=[
            (region["name"], round(x * scale), round(-y * scale))
            for region, x, y in _points(pool, "region")
            if max(abs(x), abs(y)) * scale <= 0.9 * HALF
        ],
    )


def _drawn(name: str, **facts: Any) -> Markup:
    return pages.draw(name, facts, file="maps.svg")


def locator(pool: Pool, shown: Marks, name: str) -> Markup:
    """One species' events in the disc, small."""
    scale = HALF / view_km(pool)
    radius = round(pool.site.radius_km * scale)
    return _drawn("locator", title=f"where {name} is recorded", radius=radius, dots=_dots(shown, scale))


# -- maps of introduced species ----------------------------------------------------------


def water_map(
    document: Mapping[str, Any], places: Sequence[Mapping[str, Any]], outline: Mapping[str, Any] | None
) -> Markup:
    """The records of introduced and unsettled species around one water."""
    site, radius = Site(longitude=document["longitude"], latitude=document["latitude"]), document["radiusKm"]
    scale = SMALL / (MARGIN * radius)
    rows = {row["scientificName"]: row for row in (*document["introduced"], *document["unsettled"])}
    shapes = () if outline is None else lines(shapely.geometry.shape(outline), site)
    x, y = project([one["longitude"] for one in places], [one["latitude"] for one in places], site)
    coarse, exact = [], set()
    for place, east, south in zip(places, (x * scale).round(), (-y * scale).round(), strict=True):
        if place["uncertaintyM"] > 1000 * COARSE_KM:
            coarse.append((east, south, round(place["uncertaintyM"] / 1000 * scale)))
        else:
            exact.add((_class_of(place, rows.get(place["scientificName"])), int(east), int(south)))
    return _drawn(
        "water",
        title=said("records_introduced_species", water=document["water"], radius=radius),
        radius=radius * scale,
        outline=[_way(x * scale, y * scale, ring=True, digits=1) for x, y, _ in shapes],
        coarse=coarse,
        dots=[
            (_CLASSES[kind], "".join(f"M{east} {south}h0" for _, east, south in alike))
            for kind, alike in itertools.groupby(sorted(exact), key=lambda mark: mark[0])
            if kind < SINGLY
        ],
        marks=[(_CLASSES[kind], east, south) for kind, east, south in sorted(exact) if kind >= SINGLY],
        bar=_bar(radius, scale),
    )


_CLASSES = ("i-far", "i-old", "i-open", "i-new i-check", "i-new")
"""Records beyond what is listed, known, of disputed status, new and to be checked, and new."""
SINGLY = 2
"""Of the classes from here on each mark is drawn by itself, the others are dots of one path."""


def _class_of(place: Mapping[str, Any], row: Mapping[str, Any] | None) -> int:
    if row is None:
        return 0
    if row["isNew"] and (place["inWater"] or row["newIn"] == "near"):
        return 3 if row["grade"] == "toBeChecked" else 4
    return 2 if place["kind"] == "unsettled" else 1


@lru_cache(maxsize=4)
def _beneath(
    site: Site, half_km: float, east_km: float, north_km: float, scale: float
) -> list[tuple[str, str]]:
    """The base map around a place, without names; moved to the middle of the drawing."""
    place = Site(longitude=site.longitude, latitude=site.latitude, radius_km=half_km)
    thinned = {
        layer: [
            {"geometry": shapely.simplify(shapely.geometry.shape(item["geometry"]), half_km / 111 / 600)}
            for item in items
        ]
        for layer, items in base_map(place).items()
    }
    return _ways(thinned, BASE, site, scale, east_km, north_km)


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
    half_km = min(2000.0, max(1.0, WIDE / 2 / scale))
    drawn: dict[str, list[tuple[str, float, float]]] = {}
    for water, a, b in zip(
        waters, ((x - east) * scale).round(1), ((north - y) * scale).round(1), strict=True
    ):
        drawn.setdefault(classes.get(water["number"], ""), []).append((water["water"], float(a), float(b)))
    kinds = [
        (marked, size)
        for kind, size in (("i-close", 4.0), ("i-held", 4.0), ("i-ring", 7.0), ("i-new", 6.0))
        for marked in (f"{kind} i-check", kind)
    ]
    news = [[*drawn.get(kind, ()), *drawn.get(f"{kind} i-check", ())] for kind in ("i-new", "i-ring")]
    named = (news[0] or news[1])[: 3 * MOST_WATERS] if labels else []
    return _drawn(
        "overview",
        title=title,
        beneath=_beneath(middle, half_km, east, north, scale) if beneath else None,
        lakes="".join(f"M{a:.0f} {b:.0f}h0" for _, a, b in drawn.get("", ())),
        marks=[(kind, a, b, size) for kind, size in kinds for _, a, b in drawn.get(kind, ())],
        named=list(_spread(named, most=MOST_WATERS, wide=110, high=15, taken=[])),
        bar=_bar(HIGH / 2 / scale, scale),
    )


# -- a picture for papers and field sheets: the map and the bars, by matplotlib ------------

MOST_SPECIES = 24
INK, SOFT, RULE, WATER, WASH, AGAINST = "#14252b", "#4b5f66", "#bccac8", "#175d7a", "#d5e5ea", "#a8480f"
PALE, PALE_EDGE = "#cfe0e8", "#a9c6d4"

# No date and no program version in the file, so that its bytes stay the same.
FORMATS: dict[str, dict[str, str | None]] = {
    ".png": {"Software": "poolbuilder"},
    ".svg": {"Date": None, "Creator": "poolbuilder"},
    ".pdf": {"CreationDate": None, "Producer": "poolbuilder", "Creator": "poolbuilder"},
}
"""Endings of a picture, with what stands in the file about itself."""

_STYLE = Path(__file__).parent / "templates" / "picture.mplstyle"

# Layer: colour of the line, its width and dashes, colour of the inside.
_LOOKS: dict[str, tuple[str, float, Any, str]] = {
    "lake": (PALE_EDGE, 0.4, "-", PALE),
    "river": (PALE_EDGE, 0.8, "-", "none"),
    "county": (RULE, 0.4, "-", "none"),
    "state": (SOFT, 0.6, (0, (5, 2)), "none"),
    "coast": (SOFT, 0.7, "-", "none"),
    "border": (SOFT, 0.7, "-", "none"),
    "ranges": (AGAINST, 1.2, (0, (7, 2, 1, 2)), "none"),
    "states": (RULE, 0.8, "-", "none"),
    "basins": (SOFT, 0.5, (0, (1, 2)), "none"),
    "outline": (WATER, 1.0, "-", WASH),
    "streams": (WATER, 0.7, "-", "none"),
}
_MARKS: tuple[dict[str, Any], ...] = (
    {"marker": "o", "color": WATER, "s": 9},
    {"marker": "o", "facecolor": "none", "edgecolor": WATER, "s": 12},
    {"marker": "D", "color": AGAINST, "s": 12},
)
"""How the kinds of events look, in the order of `KINDS`."""


def _matplotlib() -> Any:
    try:
        import matplotlib
    except ImportError as error:
        raise MissingExtraError.of("picture_needs_matplotlib") from error
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

    Examples
    --------
    >>> from poolbuilder.demonstration import demo_pool
    >>> plot(demo_pool()).get_yticklabels()[0].get_text()
    'Lepomis megalotis'
    """
    _matplotlib()
    table = pool.candidates.slice(0, MOST_SPECIES)
    if axes is None:
        import matplotlib.pyplot as plt

        _, axes = plt.subplots(figsize=(6.4, 1.1 + 0.32 * table.num_rows), layout="constrained")
    low, high = tables.numbers(table["presenceLow"]), tables.numbers(table["presenceHigh"])
    y = np.arange(table.num_rows)
    axes.barh(y, tables.numbers(table["presence"]), height=0.62, color=WATER)
    known = ~np.isnan(low) & ~np.isnan(high)
    if known.any():
        for colour, width in (("white", 3.6), (INK, 1.4)):
            axes.hlines(y[known], low[known], high[known], color=colour, linewidth=width)
        axes.plot(np.concatenate([low[known], high[known]]), np.tile(y[known], 2), "|", color=INK, ms=7)
    axes.set_yticks(y, [str(name) for name in tables.strings(table["scientificName"])], style="italic")
    axes.set_ylim(table.num_rows - 0.4, -0.6)
    axes.set_xlim(0, 1)
    axes.set_xticks(np.linspace(0, 1, 5), ["0", "25", "50", "75", "100 %"])
    axes.set_xlabel(textwrap.fill(pool_words.presence_axis(bool(known.any())), 50), fontsize=9)
    axes.tick_params(labelsize=9)
    axes.spines[["top", "right"]].set_visible(False)
    return axes


def _map(pool: Pool, axes: Any) -> None:
    """The same shapes and marks as the report's printed map."""
    half, radius = view_km(pool), pool.site.radius_km
    for label, parallel, x, y in graticule(pool):
        axes.plot(x, y, color=RULE, linewidth=0.6, zorder=1)
        inside = np.flatnonzero((np.abs(x) < half) & (np.abs(y) < half))
        if len(inside) and (parallel or x[inside[-1]] < 0.8 * half):
            at = inside[0 if parallel else -1]
            offset = (2, 2 if parallel else -8)
            place = (float(x[at]), float(y[at]))
            axes.annotate(label, place, fontsize=6, color=SOFT, xytext=offset, textcoords="offset points")
    _outlines(pool, axes)
    circle = np.exp(1j * np.linspace(0, 2 * np.pi, 181))
    disc = radius * circle
    axes.plot(disc.real, disc.imag, color=INK, linewidth=1, linestyle=(0, (5, 3)))
    shown = marks(pool)
    coarse = shown.unsure_km > COARSE_KM
    for kind, look in enumerate(_MARKS):
        keep = ~coarse & (shown.kind == kind)
        axes.scatter(shown.x[keep], shown.y[keep], linewidths=0.7, zorder=5, **look)
    for x, y, unsure in zip(shown.x[coarse], shown.y[coarse], shown.unsure_km[coarse], strict=True):
        ring_of = x + 1j * y + unsure * circle
        axes.plot(ring_of.real, ring_of.imag, color=WATER, linewidth=0.5, linestyle=(0, (3, 2)), zorder=3)
    for name, east, north in towns(pool):
        axes.plot([east], [north], "s", color=SOFT, markersize=2.5, zorder=4)
        aside, align = (4, "left") if east < 0.6 * half else (-4, "right")
        axes.annotate(
            name, (east, north), (aside, 0), textcoords="offset points", ha=align, va="center", fontsize=6.5
        )
    axes.plot([0], [0], "+", color=INK, markersize=9, zorder=6)
    length = round_length(0.5 * radius)
    axes.plot([-0.95 * half, -0.95 * half + length], [-0.93 * half] * 2, color=INK, linewidth=1.5)
    axes.text(-0.95 * half, -0.91 * half, f"{length:g} km", fontsize=7, va="bottom")
    tip, tail = (0.93 * half, 0.95 * half), (0.93 * half, 0.8 * half)
    axes.annotate("N", tip, tail, arrowprops={"arrowstyle": "->", "color": INK}, ha="center", fontsize=8)
    axes.set(xlim=(-half, half), ylim=(-half, half), aspect="equal", xticks=[], yticks=[])


def _outlines(pool: Pool, axes: Any) -> None:
    for layer, shapes in around(pool).items():
        for x, y, ring in (line for shape in shapes for line in lines(shape["geometry"], pool.site)):
            if layer == "barriers":
                axes.plot(x, y, "v", color=INK, markersize=5, zorder=4)
            elif layer in _LOOKS:
                line, width, dashes, inside_of = _LOOKS[layer]
                if ring:
                    look = {"edgecolor": line, "facecolor": inside_of}
                    axes.fill(x, y, linewidth=width, linestyle=dashes, zorder=2, **look)
                else:
                    axes.plot(x, y, color=line, linewidth=width, linestyle=dashes, zorder=2)


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
        raise PoolFileError.of(
            "picture_cannot", file=path, suffix=path.suffix or "file without ending", formats=FORMATS
        )
    matplotlib = _matplotlib()
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    with matplotlib.rc_context(fname=_STYLE):
        height = max(5.2, 1.6 + 0.3 * min(MOST_SPECIES, pool.candidates.num_rows))
        figure = Figure(figsize=(11, height), layout=ConstrainedLayoutEngine(w_pad=0.14, h_pad=0.14))
        left, right = figure.subplots(1, 2, width_ratios=[1, 1.05])
        _map(pool, left)
        plot(pool, right)
        left.set_title(
            f"{pool.site.name}\n{pool_words.where_and_when(pool)}".strip(), loc="left", fontsize=10
        )
        figure.supxlabel(textwrap.fill(pool_words.findings(pool), 150), fontsize=8, color=SOFT)
        try:
            figure.savefig(path, dpi=200, metadata=FORMATS[path.suffix.lower()])
        except OSError as error:
            raise PoolFileError.of("cannot_written", file=path, why=error.strerror) from error
    return path
