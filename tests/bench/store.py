"""The store's benchmarks: figures, goals, and whether they are met.

Run by hand: ``python tests/bench/store.py --records 10000000 --waters 10000``.  All ratios are
of times taken in one run, medians of five where a case is short.  Records are invented: fixed
seed, clustered places, abundances by Zipf's law.  What is compared is said in each line.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from figures import Report, median_s, once_s
from store_many import bench_many, bench_workers
from store_records import PLACE, STRIPS, batches, write_unsorted

from poolbuilder import Store, tables
from poolbuilder.places import geodesy
from poolbuilder.records import store_files
from poolbuilder.records.store_files import boxes_meeting, within

MEMORY_GIB = 3


def python_s(code: str, times: int = 5) -> float:
    """Median time of a new Python process."""
    return median_s(lambda: subprocess.run([sys.executable, "-c", code], check=True), times)


def in_turn_s(first: str, second: str, times: int = 15) -> tuple[float, float]:
    """Median times of two new Python processes, run in turn so that what slows the machine slows both."""
    taken = [(python_s(first, 1), python_s(second, 1)) for _ in range(times)]
    one, other = np.median(np.array(taken), axis=0).tolist()
    return float(one), float(other)


INGEST = """
import resource, sys, time
from pathlib import Path
import pyarrow as pa, pyarrow.parquet as pq
from poolbuilder import schemas
from poolbuilder.records import store_files
from poolbuilder.records.store import Store
def tables(path):
    source = pq.ParquetFile(path, read_dictionary=store_files.CODED, pre_buffer=False)
    for batch in source.iter_batches(50_000, columns=schemas.RECORDS.names):
        yield pa.Table.from_batches([batch])
start = time.perf_counter()
Store(sys.argv[2]).add_table(tables(sys.argv[1]), source={"path": "bench", "sha256": "bench"})
print(time.perf_counter() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20)
"""

COPY = """
import sys, time, duckdb, resource
duckdb.sql(f"set memory_limit='{sys.argv[3]}GB'; set threads=2; set preserve_insertion_order=true; set temp_directory='{sys.argv[2]}.tmp'")
start = time.perf_counter()
duckdb.sql(f"copy (select * exclude (place, geometry) from read_parquet('{sys.argv[1]}') order by place) "
           f"to '{sys.argv[2]}' (format parquet, compression zstd, row_group_size 16384)")
print(time.perf_counter() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20)
"""


def _child(code: str, *arguments: object) -> tuple[float, float]:
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)], check=True, capture_output=True, text=True
    )
    seconds, gib = done.stdout.split()[-2:]
    return float(seconds), float(gib)


def bench_ingest(report: Report, work: Path, count: int) -> None:
    """Adding, with the newest versions found and the index written, against DuckDB's sort alone."""
    ours, gib = _child(INGEST, work / "unsorted.parquet", work / "store")
    theirs, _ = _child(COPY, work / "unsorted.parquet", work / "copy.parquet", MEMORY_GIB)
    size = sum(path.stat().st_size for path in (work / "store").glob("*.parquet")) / 2**20
    report.add(
        f"ingest, sorted, {count:,} records",
        f"{theirs / ours:.2f}x DuckDB COPY ORDER BY ({ours:.1f} s against {theirs:.1f} s; {size:.0f} MiB)",
        ">= 0.5x",
        theirs / ours >= 0.5,
    )
    report.add("ingest, memory", f"{gib:.2f} GiB", "<= 3 GiB at 50M", gib <= 3)


class Reads:
    """Counts the bytes of the column chunks that are asked for."""

    def __init__(self) -> None:
        self.bytes = 0
        self.calls: list[tuple[str, list[int], tuple[str, ...]]] = []

    def __enter__(self) -> Reads:
        self._read = pq.ParquetFile.read_row_groups
        reads = self

        def counted(this: Any, groups: list[int], columns: Any = None, **more: Any) -> pa.Table:
            reads.bytes += sum(chunk_bytes(this.metadata, group, columns) for group in groups)
            return reads._read(this, groups, columns=columns, **more)

        pq.ParquetFile.read_row_groups = counted
        return self

    def __exit__(self, *told: object) -> None:
        pq.ParquetFile.read_row_groups = self._read


def chunk_bytes(metadata: Any, group: int, wanted: Any) -> int:
    """Compressed bytes of some columns of a row group."""
    meta = metadata.row_group(group)
    chunks = [meta.column(number) for number in range(meta.num_columns)]
    return sum(
        chunk.total_compressed_size for chunk in chunks if wanted is None or chunk.path_in_schema in wanted
    )


def floor_s(store: Store) -> tuple[float, int]:
    """Time to read the row groups and columns that hold the answer, texts as codes, and nothing else."""
    boxes = geodesy.covering_box(*PLACE.values())
    wanted = []
    for file in store.index.of_kind("placed"):
        groups = np.flatnonzero(boxes_meeting(file.box.T, boxes))
        if len(groups):
            wanted.append((file, groups.tolist()))
            names = [
                name
                for name in store_files.SCHEMAS["placed"].names
                if name not in {"geometry", "sourceNumber", *file.empty}
            ]

    def read() -> None:
        for file, groups in wanted:
            with store._folder.parquet(file.name, size=file.size) as parquet:
                parquet.read_row_groups(groups, columns=names)

    return median_s(read), sum(len(groups) for _, groups in wanted)


BOX = geodesy.covering_box(*PLACE.values())[0]


def duck_s(paths: list[str], where: str, coordinates: str) -> float:
    """DuckDB: the box in SQL, then the exact distance; the whole rows as Arrow."""
    import duckdb

    duckdb.sql("set threads=2")

    def ask() -> None:
        found = duckdb.sql(
            f"select *, {coordinates} from read_parquet({paths}) where {where}"
        ).to_arrow_table()
        x, y = (np.asarray(found[name]) for name in ("x_", "y_"))
        near = geodesy.distance_km(x, y, from_longitude=PLACE["longitude"], from_latitude=PLACE["latitude"])
        found.filter(pa.array(near <= PLACE["reach_km"]))

    return median_s(ask, 3)


GEOPANDAS = """
import geopandas, shapely, sys
frame = geopandas.read_parquet(sys.argv[1], columns=["recordKey", "scientificName", "geometry"])
frame = frame.set_crs("OGC:CRS84", allow_override=True).to_crs("+proj=aeqd +lon_0={longitude} +lat_0={latitude}")
disc = geopandas.GeoDataFrame(geometry=[shapely.Point(0, 0).buffer({reach_km} * 1000)], crs=frame.crs)
geopandas.sjoin(frame, disc, predicate="within")
""".format(**PLACE)


def bench_one_water(report: Report, work: Path, count: int) -> None:
    """One water, warm."""
    store = Store(work / "store")
    ours = median_s(lambda: store.select(**PLACE))
    hits = store.select(**PLACE).num_rows
    floor, groups = floor_s(store)
    report.add(
        f"one water, {count:,} records, warm, {hits:,} hits",
        f"{ours / floor:.2f}x the floor ({1000 * ours:.1f} ms against {1000 * floor:.1f} ms, {groups} groups)",
        "<= 3x",
        ours <= 3 * floor,
    )
    west, south, east, north = BOX
    whole = f"geometry.x between {west} and {east} and geometry.y between {south} and {north}"
    files = [str(store.path / file.name) for file in store.index.of_kind("placed")]
    theirs = duck_s(files, whole, "geometry.x as x_, geometry.y as y_")
    report.add("… against DuckDB, same files", f"{theirs / ours:.1f}x faster", ">= 3x", theirs >= 3 * ours)
    flat = f"decimalLongitude between {west} and {east} and decimalLatitude between {south} and {north}"
    theirs = duck_s([str(work / "unsorted.parquet")], flat, "decimalLongitude as x_, decimalLatitude as y_")
    report.add(
        "… against DuckDB, unsorted file", f"{theirs / ours:.0f}x faster", ">= 20x", theirs >= 20 * ours
    )
    code = GEOPANDAS.replace("sys.argv[1]", repr(str(work / "unsorted.parquet")))
    geopandas_s = once_s(lambda: exec(code, {}))
    report.add(
        "… against geopandas: read all, buffer, sjoin",
        f"{geopandas_s / ours:.0f}x faster",
        ">= 100x",
        geopandas_s >= 100 * ours,
    )
    with Reads() as reads:
        store.select(**PLACE)
    needed = [name for name in store_files.SCHEMAS["placed"].names if name != "geometry"]
    total = 0
    for name in files:
        meta = pq.read_metadata(name)
        total += sum(chunk_bytes(meta, group, needed) for group in range(meta.num_row_groups))
    share = 100 * reads.bytes / total
    report.add("bytes read", f"{share:.2f} % of the needed columns", "<= 1.5 %", share <= 1.5)


def bench_cold(report: Report, work: Path) -> None:
    """One water, in a new process."""
    place = ", ".join(f"{name}={value}" for name, value in PLACE.items())
    code = f"import click\nfrom poolbuilder.records.store import Store\nStore({str(work / 'store')!r}).select({place})"
    imports, ours = in_turn_s("import numpy, pyproj, pyarrow.parquet, click", code)
    theirs = python_s(GEOPANDAS.replace("sys.argv[1]", repr(str(work / "unsorted.parquet"))), 1)
    report.add(
        "one water, cold process",
        f"{ours / imports:.2f}x the imports ({1000 * ours:.0f} ms against {1000 * imports:.0f} ms)",
        "<= 1.3x",
        ours <= 1.3 * imports,
    )
    report.add("… against geopandas, cold", f"{theirs / ours:.0f}x faster", ">= 40x", theirs >= 40 * ours)


def bench_growth(report: Report, work: Path, count: int) -> None:
    """The same hits in a store a fifth of the size."""
    small, large = Store(work / "fifth"), Store(work / "store")
    part = count // STRIPS
    fifth = (
        table.slice(0, part + 2 - int(tables.integers(table["sourceRow"])[0]))
        for table in batches(count)
        if tables.integers(table["sourceRow"])[0] < part + 2
    )
    small.add_table(fifth, source={"path": "bench", "sha256": "fifth"})
    hits = [store.select(**PLACE).num_rows for store in (small, large)]
    times = [median_s(lambda store=store: store.select(**PLACE), 9) for store in (small, large)]
    report.add(
        f"{count:,} against {small.records:,} records, {hits[1]:,} and {hits[0]:,} hits",
        f"{times[1] / times[0]:.2f}x",
        "<= 1.5x",
        times[1] <= 1.5 * times[0],
    )


def bench_exact(report: Report, pairs: int) -> None:
    """The set within 40 km against PROJ, and distances against GeographicLib."""
    rng = np.random.default_rng(9)
    wrong = done = 0
    while done < pairs:
        size = min(1_000_000, pairs - done)
        lon, lat = float(rng.uniform(-180, 180)), float(rng.uniform(-89, 89))
        azimuth = rng.uniform(0, 360, size)
        metres = np.where(
            rng.random(size) < 0.5, 40_000 + rng.normal(0, 50, size), rng.uniform(0, 80_000, size)
        )
        x, y, _ = geodesy.WGS84.fwd(np.full(size, lon), np.full(size, lat), azimuth, np.abs(metres))
        exact = geodesy.WGS84.inv(np.full(size, lon), np.full(size, lat), x, y)[2] <= 40_000
        wrong += int((within(x, y, geodesy.to_ecef(x, y), of=(lon, lat), reach_km=40.0) != exact).sum())
        done += size
    report.add(f"set within 40 km, {done:,} pairs", f"{wrong} differ from pyproj.Geod", "0", wrong == 0)
    from geographiclib.geodesic import Geodesic

    worst = 0.0
    for _ in range(2000):
        lon, lat, azimuth = rng.uniform(-180, 180), rng.uniform(-89, 89), rng.uniform(0, 360)
        there = Geodesic.WGS84.Direct(lat, lon, azimuth, 40_000.0)
        ours = geodesy.distance_km(there["lon2"], there["lat2"], from_longitude=lon, from_latitude=lat)
        worst = max(worst, abs(float(ours) * 1000 - 40_000))
    report.add("distance at 40 km", f"{1000 * worst:.6f} mm off GeographicLib", "<= 1 mm", worst <= 1e-3)


def main() -> None:
    """Make the records, run the cases, print the table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--records", type=int, default=1_000_000)
    ask.add_argument("--waters", type=int, default=1_000)
    ask.add_argument("--pairs", type=int, default=10_000_000)
    ask.add_argument("--only", help="cases, separated by commas: one, cold, growth, many, workers, exact")
    ask.add_argument("--folder", type=Path, help="keep records and store here, and use them again")
    given = ask.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        work = given.folder or Path(scratch)
        work.mkdir(parents=True, exist_ok=True)
        report = Report()
        print("| case | figure | goal | |\n|---|---|---|---|")
        if not (work / "unsorted.parquet").exists():
            write_unsorted(work / "unsorted.parquet", given.records)
        if not (work / "store" / "index.json").exists():
            bench_ingest(report, work, given.records)
        cases: dict[str, Callable[[], None]] = {
            "one": lambda: bench_one_water(report, work, given.records),
            "cold": lambda: bench_cold(report, work),
            "growth": lambda: bench_growth(report, work, given.records),
            "many": lambda: bench_many(report, work, given.records, given.waters),
            "workers": lambda: bench_workers(report, work, given.waters),
            "exact": lambda: bench_exact(report, given.pairs),
        }
        for name in given.only.split(",") if given.only else cases:
            cases[name]()
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        missed = sum(line["met"] is False for line in report.lines)
        print(
            f"\n{len(report.lines)} figures, {missed} goals not met; this process took {peak:.1f} GiB at most"
        )


if __name__ == "__main__":
    main()
