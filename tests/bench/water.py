"""Time and memory of one water on a network of a million flow lines.

Run by hand: ``python tests/bench/water.py [LINES]``.  It writes an invented network to a temporary
folder, loads it once, and then builds waters from the cache, each in a process of its own.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

VERTICES = 12
SPACING_DEGREES = 0.015
WEST, SOUTH = -100.0, 31.0


def write_network(path: Path, lines: int) -> None:
    """One river basin on a grid: a minimum spanning tree of random weights, drained to a corner."""
    import pyarrow as pa
    import pyogrio
    import shapely

    side = int(np.ceil(np.sqrt(lines + 1)))
    rng = np.random.default_rng(20)
    below = _drainage(side, rng)
    here = np.flatnonzero(below >= 0)[:lines]
    below = below[here]
    spot = np.stack([np.arange(side * side) % side, -(np.arange(side * side) // side)], axis=1)
    place = np.array([WEST, SOUTH + SPACING_DEGREES * side]) + SPACING_DEGREES * spot
    step = place[below] - place[here]
    place = place[here]
    part = np.linspace(0, 1, VERTICES)[None, :, None]
    xy = place[:, None, :] + part * step[:, None, :]
    xy += rng.normal(0, SPACING_DEGREES / 60, xy.shape) * (part * (1 - part) * 4)
    geometry = shapely.linestrings(xy.reshape(-1, 2), indices=np.repeat(np.arange(lines), VERTICES))
    table = pa.table(
        {
            "comid": np.arange(lines),
            "fromnode": here,
            "tonode": below,
            "gnis_name": pa.array([f"Creek {k % 5000}" if k % 3 == 0 else " " for k in range(lines)]),
            "lengthkm": rng.random(lines),
            "streamorde": rng.integers(1, 7, lines),
            "ftype": pa.array(["StreamRiver"] * lines),
            "geom": shapely.to_wkb(geometry),
        }
    )
    pyogrio.write_arrow(
        table, path, layer="flowline", driver="GPKG", geometry_name="geom", geometry_type="LineString",
        crs="EPSG:4326",
    )  # fmt: skip


def _drainage(side: int, rng: np.random.Generator) -> np.ndarray:
    """The node that each node of a square grid drains to; -1 at the mouth."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

    node = np.arange(side * side).reshape(side, side)
    first = np.concatenate([node[:, :-1].ravel(), node[:-1].ravel()])
    second = np.concatenate([node[:, 1:].ravel(), node[1:].ravel()])
    grid = coo_array((rng.random(len(first)) + 0.1, (first, second)), shape=(side * side, side * side))
    return breadth_first_order(minimum_spanning_tree(grid.tocsr()), side * side - 1, directed=False)[1]


def one_water(path: str, lines: int) -> None:
    """Build one water, place 10,000 records, and say what it took."""
    from poolbuilder.places.sites import Site
    from poolbuilder.settings import Settings
    from poolbuilder.water import Water

    before = time.perf_counter()
    middle = SPACING_DEGREES * (int(np.ceil(np.sqrt(lines + 1))) // 2)  # a node of the grid
    site = Site(longitude=WEST + middle, latitude=SOUTH + middle)
    water = Water.at(site, streams=f"{path}:flowline", settings=Settings())
    found = time.perf_counter()
    rng = np.random.default_rng(1)
    placed = water.place(
        rng.normal(site.longitude, 0.4, 10_000),
        rng.normal(site.latitude, 0.4, 10_000),
        np.full(10_000, 100.0),
    )
    done = time.perf_counter()
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    peak = int(status.split("VmHWM:")[1].split()[0]) / 1024  # ru_maxrss would begin at the parent's peak
    assert water.streams is not None
    assert water.streams.routes is not None
    reached = int(np.isfinite(water.streams.routes.upstream_m).sum())
    connected = int(np.isfinite(placed.by_water_km).sum())
    print(
        f"  water {found - before:6.2f} s, 10,000 records {done - found:6.2f} s, {connected} connected, "
        f"{reached:,} nodes within reach, peak memory {peak:,.0f} MiB"
    )


def main() -> None:
    """Write the network, load it, and load it again."""
    lines = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "streams.gpkg"
        write_network(path, lines)
        print(f"{lines:,} flow lines of {VERTICES} vertices, {path.stat().st_size / 2**20:,.0f} MiB")
        environment = {**os.environ, "POOLBUILDER_CACHE": folder}
        for title in ("first load", "second load", "third load"):
            print(title, flush=True)
            subprocess.run(
                [sys.executable, __file__, "--water", str(path), str(lines)], check=True, env=environment
            )
        kept = sum(item.stat().st_size for item in Path(folder).glob("networks/*/*"))
        print(f"kept: {kept / 2**20:,.0f} MiB")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--water"]:
        one_water(sys.argv[2], int(sys.argv[3]))
    else:
        main()
