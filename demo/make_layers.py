"""Draw the demo's invented water: a dammed reservoir, its river, and a river over the ridge.

Run by hand: ``python demo/make_layers.py [FILE]``.  The same layers come out each time.  Nothing
in them is a real place.  Coordinates are drawn in kilometres around the middle of the lake.

The Tallow River flows south-east through Kestrel Ford Lake and over its dam to the Marrow River.
Linnet Branch, Harrow Creek and Wren Run flow into the lake.  Sallow Fork runs beside it, 5 km
away over the ridge, and meets the Marrow farther down: by water it is some 80 km from the lake.
"""

from __future__ import annotations

import itertools
import sys
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from poolbuilder.places.geodesy import distance_km
from poolbuilder.water.outline import Plane

LONGITUDE, LATITUDE = -91.2, 36.9
SEED = 20
STAMP = "2026-01-01T00:00:00.000Z"
PLANE = Plane(LONGITUDE, LATITUDE)

# name, order, ftype, corner points in km from the lake's middle, from the spring down
REACHES: list[tuple[str, int, str, list[tuple[float, float]]]] = [
    ("Tallow River", 4, "stream", [(-24, 26), (-17, 18), (-11, 12), (-7.13, 7.77), (-5.35, 5.55), (-3.4, 2.6), (-1.7, 1.9)]),
    ("Linnet Branch", 2, "stream", [(-5, 24), (-4.4, 15), (-3.2, 8), (-2.67, 3.33), (-1.7, 1.9)]),
    ("Tallow River", 4, "lake path", [(-1.7, 1.9), (-0.6, 0.9)]),
    ("Wren Run", 1, "stream", [(3.4, 9), (3.1, 5.5), (2.67, 2.77), (0.25, 1.25)]),
    ("Wren Run", 1, "lake path", [(0.25, 1.25), (-0.6, 0.9)]),
    ("Tallow River", 4, "lake path", [(-0.6, 0.9), (0, -0.1)]),
    ("Harrow Creek", 3, "stream", [(-21, -5), (-14, -4), (-8, -1.8), (-2.4, -0.5)]),
    ("Harrow Creek", 3, "lake path", [(-2.4, -0.5), (-1.2, -0.2), (0, -0.1)]),
    ("Tallow River", 5, "lake path", [(0, -0.1), (0.3, -0.6), (0.9, -1.4), (1.7, -2.2)]),
    ("Tallow River", 5, "stream", [(1.7, -2.2), (2.67, -3.33), (4.46, -5.55), (8, -11), (10, -14.5)]),
    ("Marrow River", 6, "stream", [(-32, -13), (-20, -15), (-6, -13.5), (10, -14.5)]),
    ("Marrow River", 6, "stream", [(10, -14.5), (13.4, -15.5), (17.8, -17.8), (24, -22), (30, -25)]),
    (
        "Sallow Fork", 4, "stream",
        [(5, 27), (5.2, 18), (6, 10), (6.24, 3.33), (7.13, 1.66), (8.3, -4), (13, -9.5), (23, -16), (30, -25)],
    ),
    ("Marrow River", 6, "stream", [(30, -25), (36, -27), (44, -26)]),
]  # fmt: skip
# Where the reservoir is wide: place in km and half its width in km
WIDTHS = [(-1.7, 1.9, 0.08), (-0.6, 0.9, 0.45), (0, -0.1, 0.5), (0.9, -1.4, 0.55), (1.45, -1.95, 0.3)]
ARMS = [
    [(-2.4, -0.5, 0.07), (-1.2, -0.2, 0.2), (0, -0.1, 0.4)],
    [(0.25, 1.25, 0.05), (-0.4, 0.98, 0.25)],
]
ISLAND = (0.75, -0.95, 0.12)
PONDS = [("Dunnock Pond", 4.6, -0.4, 0.16), ("Sallow Millpond", 7.1, 1.95, 0.2)]
BARRIERS = [
    ("Kestrel Ford Dam", 1.7, -2.2, 0.0, 0.6),
    ("Linnet Falls", -3.2, 8.0, 0.05, 0.9),
    ("Sallow Mill Weir", 7.13, 1.66, 0.4, 0.9),
]
# name, code, code of the next one down, and the reaches that drain it
BASINS = [
    ("Upper Tallow River", "410101", "410104", [0]),
    ("Linnet Branch", "410102", "410104", [1]),
    ("Harrow Creek", "410103", "410104", [6]),
    ("Kestrel Ford Lake", "410104", "410105", [2, 3, 4, 5, 7, 8]),
    ("Lower Tallow River", "410105", "410202", [9]),
    ("Upper Marrow River", "410201", "410202", [10]),
    ("Lower Marrow River", "410202", "", [11, 13]),
    ("Sallow Fork", "410301", "410202", [12]),
]


def wind(corners: list[tuple[float, float]], swing_km: float, rng: np.random.Generator) -> np.ndarray:
    """A winding line that passes through its corner points; one point about every 150 m."""
    runs = [np.array(corners[:1])]
    for first, last in itertools.pairwise(np.array(corners)):
        reach = float(np.hypot(*(last - first)))
        part = np.linspace(0, 1, max(5, int(reach / 0.15)))
        across = np.array([first[1] - last[1], last[0] - first[0]]) / reach
        waves = np.zeros(len(part))
        for k, length in enumerate((3.1, 1.7, 0.9)):
            waves += np.sin(2 * np.pi * (part * reach / length + rng.random())) / (k + 1)
        swing = waves * np.sin(np.pi * part) ** 0.5 * swing_km
        runs.append((first + part[:, None] * (last - first) + swing[:, None] * across)[1:])
    return np.concatenate(runs)


def degrees(geometry: Any) -> Any:
    """Kilometres around the lake as degrees, rounded to 1e-6."""
    placed = PLANE.unproject(shapely.transform(geometry, lambda xy: xy * 1000))
    return shapely.set_precision(placed, 1e-6)


def reservoir() -> Any:
    """The lake: circles along its river and its arm, smoothed, with an island."""
    pieces = []
    for stretch in (WIDTHS, *ARMS):
        for (x0, y0, w0), (x1, y1, w1) in itertools.pairwise(stretch):
            ends = shapely.points([x0, x1], [y0, y1])
            pieces.append(shapely.union_all(shapely.buffer(ends, [w0, w1])).convex_hull)
    lake = shapely.union_all(pieces).buffer(0.12).buffer(-0.12)
    return lake.difference(shapely.Point(*ISLAND[:2]).buffer(ISLAND[2]))


def streams(rng: np.random.Generator) -> tuple[np.ndarray, dict[str, list[Any]]]:
    """Reaches with their nodes; lake paths run straight."""
    nodes: dict[tuple[float, float], int] = {}
    shapes, table = [], {key: [] for key in ("name", "order", "ftype", "fromnode", "tonode", "lengthkm")}
    for name, order, kind, corners in REACHES:
        swing = 0.0 if kind == "lake path" else 0.22
        shape = degrees(shapely.LineString(wind(corners, swing, rng)))
        lon, lat = shapely.get_coordinates(shape).T
        steps = distance_km(lon[1:], lat[1:], from_longitude=lon[:-1], from_latitude=lat[:-1])
        shapes.append(shape)
        table["name"].append(name)
        table["order"].append(order)
        table["ftype"].append(kind)
        table["fromnode"].append(nodes.setdefault(corners[0], len(nodes) + 1))
        table["tonode"].append(nodes.setdefault(corners[-1], len(nodes) + 1))
        table["lengthkm"].append(round(float(steps.sum()), 3))
    return np.array(shapes, dtype=object), table


def watersheds() -> tuple[np.ndarray, dict[str, list[Any]]]:
    """Every place belongs to the reach that it is nearest to."""
    sites, owner = [], []
    for number, (_, _, _, reaches) in enumerate(BASINS):
        for reach in reaches:
            line = shapely.LineString(REACHES[reach][3])
            part = np.linspace(0.02, 0.98, max(4, int(line.length)))
            sites.append(shapely.get_coordinates(shapely.line_interpolate_point(line, part, normalized=True)))
            owner += [number] * len(part)
    points = shapely.MultiPoint(np.concatenate(sites))
    frame = shapely.box(-40, -36, 52, 40)
    cells = shapely.get_parts(shapely.voronoi_polygons(points, extend_to=frame))
    nearest = shapely.STRtree(shapely.get_parts(points)).query(cells, predicate="contains")
    groups = np.empty(len(cells), dtype=np.int64)
    groups[nearest[0]] = np.array(owner)[nearest[1]]
    shapes = [shapely.union_all(cells[groups == k]).intersection(frame) for k in range(len(BASINS))]
    return np.array([degrees(shape) for shape in shapes], dtype=object), {
        "name": [basin[0] for basin in BASINS],
        "code": [basin[1] for basin in BASINS],
        "downstream": [basin[2] or None for basin in BASINS],
    }


def write_layer(path: Path, layer: str, geometry: np.ndarray, table: dict[str, list[Any]], kind: str) -> None:
    """Write one layer of the GeoPackage, on WGS84."""
    import pyogrio

    if kind == "MultiPolygon":
        geometry = np.array(
            [shapely.multipolygons(shapely.get_parts(item)) for item in geometry], dtype=object
        )
    pyogrio.raw.write(
        path,
        geometry=shapely.to_wkb(geometry),
        field_data=[np.array(values, dtype=object if isinstance(values[0], str) else None) for values in table.values()],
        fields=list(table),
        layer=layer,
        driver="GPKG",
        geometry_type=kind,
        crs="EPSG:4326",
        append=path.exists(),
        layer_options={"SPATIAL_INDEX": "NO"},
    )  # fmt: skip


def main() -> None:
    """Write the four layers."""
    import pyogrio

    default = Path(__file__).parents[1] / "poolbuilder" / "demo_data" / "layers.gpkg"
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else default
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})  # the file carries no other time
    rng = np.random.default_rng(SEED)
    ponds = [shapely.Point(x, y).buffer(radius) for _, x, y, radius in PONDS]
    waters = np.array([degrees(shape) for shape in (reservoir(), *ponds)], dtype=object)
    names = ["Kestrel Ford Lake", *(name for name, *_ in PONDS)]
    write_layer(path, "outline", waters, {"name": names}, "MultiPolygon")
    write_layer(path, "streams", *streams(rng), "LineString")
    write_layer(path, "basins", *watersheds(), "MultiPolygon")
    points = np.array([degrees(shapely.Point(x, y)) for _, x, y, _, _ in BARRIERS], dtype=object)
    table = {
        "name": [row[0] for row in BARRIERS],
        "passability_up": [row[3] for row in BARRIERS],
        "passability_down": [row[4] for row in BARRIERS],
    }
    write_layer(path, "barriers", points, table, "Point")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    print(f"{path}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
