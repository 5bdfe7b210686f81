"""Benchmarks of many waters: the compiled loop against a tree and a grid join, two workers against one."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from figures import Report, once_s
from store_records import NAMES

from poolbuilder import Store, tables
from poolbuilder.places import geodesy
from poolbuilder.records import store_files


def points_of(store: Store) -> Any:
    """Every record of the store as a point with its species and year."""
    from poolbuilder.many.counting import Points

    lon, lat, species, year = [], [], [], []
    index = {name: code for code, name in enumerate(NAMES)}
    for file in store.index.of_kind("placed"):
        with pq.ParquetFile(store.path / file.name) as parquet:
            rows = parquet.read(columns=["geometry.x", "geometry.y", "scientificName", "year"])
        for axis, values in zip((lon, lat), store_files.points(rows), strict=True):
            axis.append(values)
        code, names = tables.codes(rows["scientificName"])
        species.append(np.array([index[str(name)] for name in names])[code])
        year.append(tables.integers(rows["year"]))
    return lon, lat, species, year, Points


def bench_many(report: Report, work: Path, count: int, waters: int) -> None:
    """Join and count: the compiled loop against the tree's pairs and DuckDB's grid join."""
    from scipy.spatial import cKDTree

    from poolbuilder.many.counting import tally, tally_table
    from poolbuilder.places.sites import Site

    lon, lat, species, year, make = points_of(Store(work / "store"))
    x, y, code, when = (np.concatenate(part) for part in (lon, lat, species, year))
    rng = np.random.default_rng(3)
    at = rng.integers(0, len(x), waters)
    sites = [Site(longitude=float(x[row]) + 0.01, latitude=float(y[row]), name=f"w{row}") for row in at]
    tally(make.of(x[:99], y[:99], code[:99], when[:99], NAMES), sites[:1])  # compile

    def fused() -> None:
        points = make.of(x, y, code, when, NAMES)
        table = tally_table(tally(points, sites), points, sites, range(1, waters + 1))
        pq.write_table(table, work / "counts.parquet", compression="zstd")

    ours = once_s(fused)
    centre = geodesy.to_ecef([site.longitude for site in sites], [site.latitude for site in sites])

    found = 0

    def pairs() -> None:
        nonlocal found
        tree = cKDTree(geodesy.to_ecef(x, y))
        for start in range(0, waters, 500):
            near = cKDTree(centre[start : start + 500])
            found += len(near.sparse_distance_matrix(tree, 40_000.0, output_type="ndarray"))

    theirs = once_s(pairs)
    report.add(
        f"{waters:,} waters x {count:,} records ({found:,} pairs), file included",
        f"{theirs / ours:.1f}x faster than cKDTree pairs with distances, without aggregation "
        f"({ours:.1f} s against {theirs:.1f} s)",
        ">= 4x",
        theirs >= 4 * ours,
    )
    few = sites[: min(1000, waters)]

    def fused_few() -> None:
        points = make.of(x, y, code, when, NAMES)
        pq.write_table(
            tally_table(tally(points, few), points, few, range(1, len(few) + 1)), work / "few.parquet"
        )

    ours = once_s(fused_few)
    theirs = once_s(lambda: _grid_join(work, x, y, code, when, few))
    report.add(
        f"{len(few):,} waters, against DuckDB grid join with aggregation",
        f"{theirs / ours:.1f}x faster ({ours:.1f} s against {theirs:.1f} s)",
        ">= 8x",
        theirs >= 8 * ours,
    )


def _grid_join(work: Path, x: Any, y: Any, code: Any, when: Any, sites: Any) -> None:
    """Cells of half a degree, each water joined to its neighbourhood, haversine in SQL."""
    import duckdb

    records = pa.table({"x": x, "y": y, "s": code, "year": when})
    place = pa.table(
        {
            "w": list(range(len(sites))),
            "a": [item.longitude for item in sites],
            "b": [item.latitude for item in sites],
        }
    )
    base = duckdb.connect()
    base.register("records", records)
    base.register("place", place)
    base.sql("set threads=2")
    base.sql(
        f"""copy (with r as (select *, floor(x * 2)::int i, floor(y * 2)::int j from records),
        p as (select *, unnest(range(-2, 3))::int di from place),
        q as (select *, unnest(range(-1, 2))::int dj from p),
        c as (select *, floor(a * 2)::int + di i, floor(b * 2)::int + dj j from q),
        d as (select w, s, year, 12742.0176 * asin(sqrt(pow(sin(radians(y - b) / 2), 2)
              + cos(radians(y)) * cos(radians(b)) * pow(sin(radians(x - a) / 2), 2))) km
              from c join r using (i, j))
        select w, s, count(*) n, min(km) km, min(year) first, max(year) last from d where km <= 40 group by all)
        to '{work / "grid.parquet"}' (format parquet)"""
    )


WORKERS = """
import datetime, shutil, sys, time
from pathlib import Path
from poolbuilder import many
from poolbuilder.job import Job
from poolbuilder.places.sites import Site
if __name__ == "__main__":
    store, out, waters, workers = sys.argv[1:]
    sites = [
        Site(longitude=-123 + 0.55 * (n * 37 % 100), latitude=27 + 0.2 * (n * 11 % 100), name=str(n))
        for n in range(int(waters))
    ]
    job = Job(site=sites[0], as_of=datetime.date(2026, 6, 1), store=Path(store))
    start = time.perf_counter()
    many.build_many(sites, job, out, counts=True, workers=int(workers))
    print(time.perf_counter() - start, 0)
"""


def bench_workers(report: Report, work: Path, waters: int) -> None:
    """Two processes against one, reading, naming, screening and counting from the store."""
    script = work / "workers.py"
    script.write_text(WORKERS, encoding="utf-8")
    times = []
    for workers in (1, 2):
        shutil.rmtree(work / f"out{workers}", ignore_errors=True)
        command = [
            sys.executable,
            str(script),
            str(work / "store"),
            str(work / f"out{workers}"),
            str(waters),
            str(workers),
        ]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
        times.append(float(done.stdout.split()[0]))
    gain = times[0] / times[1]
    report.add(
        f"two workers, {waters:,} waters counted from the store",
        f"{gain:.2f}x one ({times[0]:.1f} s against {times[1]:.1f} s)",
        ">= 1.6x",
        gain >= 1.6,
    )
