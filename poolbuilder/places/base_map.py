"""The base map that ships: coasts, borders, states, counties, lakes, rivers and towns near a site.

It is a picture, true to about a kilometre, and never decides in which water or state a point lies.
Coasts, borders, lakes, rivers, state lines: Natural Earth (public domain).  Counties:
US Census Bureau (public domain).  Towns: GeoNames, CC BY 4.0.  ``demo/make_base_map.py`` makes it.
"""

from __future__ import annotations

import functools
import json
import os
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import shapely
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import LayerError, said
from poolbuilder.places.geodesy import Box, covering_box, disc
from poolbuilder.places.regions import region_name, regions_in
from poolbuilder.places.sites import Site

Feature = dict[str, Any]
Shape = tuple[Any, dict[str, Any]]
"""A geometry and its properties."""
Ints = NDArray[np.int64]

BASE_LAYERS = ("coast", "border", "state", "county", "lake", "river", "town")
CREDIT = said("map_credit")
SCALE = 1000
"""The file holds thousandths of a degree, about 100 m."""
FACTOR = 2.0
"""The map is drawn this many radii out."""
PIXELS = 1500.0
"""Across a map that is drawn large."""
COUNTY_KM = 120.0
MOST_TOWNS = 60
LABEL_RADII = 0.8
"""Names of states and countries stand this far from the site."""


class FinerLayer(NamedTuple):
    """A layer of Natural Earth 1:10m with names, downloaded once and checked by its hash."""

    layer: str
    path: str
    sha256: str


FINER_URL = "https://raw.githubusercontent.com/martynafford/natural-earth-geojson/0b9a6ceb0a70/"
FINER = tuple(
    FinerLayer(*line.split(","))
    for line in (Path(__file__).parent / "finer_layers.csv").read_text(encoding="utf-8").splitlines()[1:]
)


def finer_folder() -> Path:
    """Where the finer layers are kept: ``$POOLBUILDER_MAP``, else the user's cache folder."""
    import platformdirs

    return Path(os.environ.get("POOLBUILDER_MAP") or platformdirs.user_cache_path("poolbuilder") / "map")


def base_map(site: Site, *, folder: Path | None = None) -> dict[str, list[Feature]]:
    """What lies near a site, to draw under its map.

    Parameters
    ----------
    site : Site
        The map reaches twice its radius.
    folder : Path, optional
        Where `fetch_finer` put the finer layers, `finer_folder` by default; lakes or rivers
        that are there are drawn in place of the coarse ones.

    Returns
    -------
    dict
        GeoJSON features for each of `BASE_LAYERS` that has any, clipped to the box around the
        circle; ``region`` holds the names of states and countries as points.  Properties: name, code,
        and of a town its people as size.
    """
    reach = min(FACTOR * site.radius_km, 9000.0)
    boxes = covering_box(site.longitude, site.latitude, reach)
    found: dict[str, list[Feature]] = {}
    for layer in BASE_LAYERS:
        if layer == "county" and site.radius_km > COUNTY_KM:
            continue
        drawn = _clipped(_finer(folder or finer_folder(), layer), boxes)
        drawn = drawn or [item for box in boxes for item in _clipped(_coarse(layer, box), [box])]
        if layer == "town":
            drawn = sorted(drawn, key=lambda item: -item["properties"]["size"])[:MOST_TOWNS]
        if drawn:
            found[layer] = drawn
    if site.radius_km <= COUNTY_KM and (names := _region_names(site, found.get("town", ()))):
        found["region"] = names
    return found


def _region_names(site: Site, towns: Sequence[Feature]) -> list[Feature]:
    """Names of the states, provinces or countries within the circle, away from borders and towns."""
    ring = disc(site.longitude, site.latitude, LABEL_RADII * site.radius_km, vertices=24)
    box = covering_box(site.longitude, site.latitude, 1.1 * site.radius_km)[0]
    points = shapely.points(shapely.get_coordinates(ring))
    beside = shapely.MultiPoint([item["geometry"]["coordinates"] for item in towns])
    found = []
    for code, outline in regions_in(box):
        part = _cut(outline, box)
        within = points[shapely.contains(part, points)]
        if len(within):
            depth = np.fmin(*(shapely.distance(shape, within) for shape in (part.boundary, beside)))
            name = {"name": region_name(code), "code": code}
            found.append((part.area, _feature(within[int(np.argmax(depth.round(3)))], name)))
    return [feature for _, feature in sorted(found, key=lambda item: -item[0])]


class Place(NamedTuple):
    """A town, or a lake with a name, of the map."""

    name: str
    kind: str
    longitude: float
    latitude: float
    people: int


def find_places(text: str, *, most: int = 60, folder: Path | None = None) -> list[Place]:
    """Towns, and lakes where the finer layers are there, whose name holds a text; whatever its accents.

    Names that are the text come first, then those that begin with it, then the others; large towns first.

    Examples
    --------
    >>> [(place.name, place.kind) for place in find_places("ingolstadt")]
    [('Ingolstadt', 'town')]
    """
    wanted = _folded(text)
    if not wanted:
        return []
    table, boxes = _layer("town")
    names, sizes = table["name"].to_pylist(), table["size"].to_pylist()
    found = [
        Place(names[at], "town", boxes[at, 0] / SCALE, boxes[at, 1] / SCALE, sizes[at])
        for at, folded in enumerate(_town_names())
        if wanted in folded
    ]
    for shape, about in _finer(folder or finer_folder(), "lake"):
        if wanted in _folded(about.get("name", "")):
            point = shape.representative_point()
            found.append(Place(about["name"], "lake", point.x, point.y, 0))

    def order(place: Place) -> tuple[int, int, str]:
        name = _folded(place.name)
        return (0 if name == wanted else 1 if name.startswith(wanted) else 2, -place.people, name)

    return sorted(found, key=order)[:most]


@functools.lru_cache(maxsize=1)
def _town_names() -> list[str]:
    return [_folded(name) for name in _layer("town")[0]["name"].to_pylist()]


def _folded(text: str) -> str:
    """A name without accents and capitals."""
    plain = unicodedata.normalize("NFKD", text.strip())
    return "".join(letter for letter in plain if not unicodedata.combining(letter)).casefold()


def fetch_finer(folder: Path, *, url: str = FINER_URL) -> list[Path]:
    """Download the finer lakes and rivers once; a file that is there already is only checked.

    Raises
    ------
    LayerError
        When a file cannot be had, or is not the one that is expected.
    """
    import pooch

    paths = []
    for item in FINER:
        name, digest = Path(item.path).name, f"sha256:{item.sha256}"
        try:
            paths.append(Path(pooch.retrieve(url + item.path, known_hash=digest, fname=name, path=folder)))
        except (OSError, ValueError) as error:
            fact = str(error).strip().splitlines()[0]
            raise LayerError.of("cannot_downloaded", file=name, fact=fact) from error
    return paths


@functools.lru_cache(maxsize=16)
def _layer(name: str) -> tuple[pa.Table, Ints]:
    """The rows of a layer, and their boxes as (rows, 4)."""
    with resources.as_file(resources.files("poolbuilder.places") / "base_map.parquet") as path:
        file = pq.ParquetFile(path)
        table = file.read_row_group(file.schema_arrow.metadata[b"layers"].decode().split(",").index(name))
    if name == "town":
        x, y = (tables.integers(table[key].combine_chunks().values) for key in ("x", "y"))
        return table, np.stack([x, y, x, y], axis=1)
    return table, np.stack(
        [tables.integers(table[key]) for key in ("west", "south", "east", "north")], axis=1
    )


def _shape(row: dict[str, Any]) -> Any:
    """The geometry of a row, in degrees."""
    xy = np.stack([np.cumsum(row["x"]), np.cumsum(row["y"])], axis=1) / SCALE
    rings = np.split(xy, np.cumsum(row["parts"])[:-1])
    if row["kind"] == "point":
        return shapely.Point(xy[0])
    if row["kind"] == "line":
        return shapely.multilinestrings([shapely.linestrings(ring) for ring in rings if len(ring) > 1])
    return _even_odd([shapely.polygons(ring) for ring in rings if len(ring) > 3])


def _even_odd(rings: Sequence[Any]) -> Any:
    """Rings of one feature as an area: a ring inside another is a hole."""
    area = shapely.Polygon()
    for ring in sorted(rings, key=lambda item: -item.area):
        area = area.symmetric_difference(shapely.make_valid(ring))
    return area


def _rows_in(layer: str, box: Box) -> list[dict[str, Any]]:
    """Rows of a layer whose boxes meet a box in degrees."""
    table, boxes = _layer(layer)
    west, south, east, north = (value * SCALE for value in box)
    meets = (boxes[:, 0] <= east) & (boxes[:, 2] >= west) & (boxes[:, 1] <= north) & (boxes[:, 3] >= south)
    if layer != "town":  # nobody sees what is smaller than a pixel of a map that is drawn large
        least = max(east - west, north - south) / PIXELS
        meets &= np.maximum(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]) >= least
    if not meets.any():
        return []
    some = tables.take(table, np.flatnonzero(meets))
    lists = {name: _lists(some[name]) for name in ("x", "y", "parts")}
    plain = some.drop_columns(list(lists)).to_pylist()
    return [
        {**row, **dict(zip(lists, parts, strict=True))}
        for row, *parts in zip(plain, *lists.values(), strict=True)
    ]


def _lists(column: pa.ChunkedArray) -> list[Ints]:
    """The values of a column of lists, an array a row."""
    joined = column.combine_chunks()
    return np.split(tables.integers(joined.values), tables.integers(joined.offsets)[1:-1])


def _coarse(layer: str, box: Box) -> Iterator[Shape]:
    """What a layer of the map that ships has in a box."""
    for row in _rows_in(layer, box):
        yield _shape(row), {key: row[key] for key in ("name", "code", "size") if row[key]}


def _finer(folder: Path, layer: str) -> Iterator[Shape]:
    """What a layer has in the finer files that are there."""
    for item in FINER:
        path = folder / Path(item.path).name
        if item.layer == layer and path.is_file():
            yield from _finer_shapes(path)


def _clipped(shapes: Iterable[Shape], boxes: Sequence[Box]) -> list[Feature]:
    """Features of the shapes, cut to boxes; a town is not cut."""
    found = []
    for shape, about in shapes:
        for box in boxes:
            if shape.geom_type == "Point":
                found.append(_feature(shape, about))
            elif (
                shapely.envelope(shape).intersects(shapely.box(*box))
                and not (cut := _cut(shape, box)).is_empty
            ):
                found.append(_feature(cut, about))
    return found


def _cut(shape: Any, box: Box) -> Any:
    return shapely.clip_by_rect(shape if shape.is_valid else shapely.make_valid(shape), *box)


def _feature(shape: Any, properties: dict[str, Any]) -> Feature:
    rounded = shapely.set_precision(shape, 1 / SCALE, mode="pointwise")
    geometry = json.loads(shapely.to_geojson(shapely.orient_polygons(rounded)))
    return {"type": "Feature", "properties": properties, "geometry": geometry}


@functools.lru_cache(maxsize=4)
def _finer_shapes(path: Path) -> list[Shape]:
    from poolbuilder.places.layers import read_layer

    layer = read_layer(path, purpose=said("lakes_rivers_map"))
    names = layer.attributes.get("name") or [None] * layer.rows
    about = [{"name": str(name)} if name else {} for name in names]
    return list(zip(layer.geometry, about, strict=True))
