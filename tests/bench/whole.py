"""Whole commands as people wait for them: one water, many waters, introduced species.

    python tests/bench/whole.py [--survey occurrence.txt] [--dense 1000000] [--waters 4000] [--only cold,dense,many,...]

Prints one table with goals.  Seconds are those at work (user time of the command's processes), since a busy machine
stretches the others.  The survey is any Darwin Core table of complete lists; without one, waters are simulated
(demo/simulate.py).
"""

from __future__ import annotations

import argparse
import csv
import datetime
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa

from poolbuilder import Checklist, Settings, Site, Store, tables
from poolbuilder.model.constants import Constants
from poolbuilder.pool import prepare
from poolbuilder.surroundings import cell_of, learn_region
from tests.bench.figures import Report
from tests.bench.store_records import batches
from tests.store_rows import added

MIDDLE = (-89.2, 37.6)
TODAY = "2026-06-01"
SURROUNDINGS = {**os.environ, "OMP_NUM_THREADS": "1"}
SURROUNDINGS.pop("PYTHONDONTWRITEBYTECODE", None)  # modules are compiled once, as they are for a user
CASES = ("cold", "dense", "many", "learn", "introduced", "workers", "straight", "growth")


def command(*words: object) -> tuple[float, float, float]:
    """Run poolbuilder: seconds at work, seconds in all, MiB at most in one process."""
    started = time.perf_counter()
    with subprocess.Popen(
        [sys.executable, "-m", "poolbuilder", *map(str, words)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=SURROUNDINGS,
    ) as process:
        said = process.stderr.read() if process.stderr else b""
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 3):
        raise SystemExit(said.decode()[-2000:])
    return used.ru_utime, time.perf_counter() - started, used.ru_maxrss / 1024


def at_work(code: str) -> float:
    """User seconds of a piece of Python in a process of its own."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    subprocess.run([sys.executable, "-c", code], check=True, env=SURROUNDINGS)
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before


def megabytes(folder: Path) -> float:
    """Size of a folder."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6


def dense_store(folder: Path, count: int) -> Path:
    """Invented records at 4,000 places within 100 km of the middle."""
    store = Store(folder / f"dense-{count}")
    if store.is_empty:
        rng = np.random.default_rng(3)
        east, north = rng.uniform(-1.1, 1.1, 4000), rng.uniform(-0.8, 0.8, 4000)
        for number, table in enumerate(batches(count)):
            place = (np.floor(tables.numbers(table["decimalLongitude"]) * 50).astype(int) * 7919
                     + np.floor(tables.numbers(table["decimalLatitude"]) * 50).astype(int) * 104_729) % 4000  # fmt: skip
            for name, middle, offset in (
                ("decimalLongitude", MIDDLE[0], east),
                ("decimalLatitude", MIDDLE[1], north),
            ):
                values = tables.array((middle + offset[place]).round(5), pa.float64())
                table = table.set_column(table.schema.get_field_index(name), name, values)
            added(store, table, name=f"batch {number}")
    return store.path


def survey_store(folder: Path, survey: Path | None) -> tuple[Path, list[tuple[float, float]]]:
    """A store of a survey, and where it was made."""
    if survey is None:
        made = folder / "simulated"
        if not made.exists():
            script = Path(__file__).parents[2] / "demo" / "simulate.py"
            subprocess.run([sys.executable, script, "--seed", "1", "--out", made], check=True)
        survey = made / "surveys.txt"
    store = folder / "survey"
    if Store(store).is_empty:
        command("add", survey, "--store", store)
    found = pa.concat_tables(list(Store(store).batches()))
    lon, lat = tables.numbers(found["decimalLongitude"]), tables.numbers(found["decimalLatitude"])
    points = np.unique(np.stack([lon, lat], axis=1).round(4), axis=0)
    return store, [(float(x), float(y)) for x, y in points]


def waters(path: Path, points: list[tuple[float, float]], number: int, seed: int = 1) -> Path:
    """A table of so many waters near some points."""
    rng = np.random.default_rng(seed)
    picked = np.array(points)[rng.integers(0, len(points), number)] + rng.normal(0, 0.03, (number, 2))
    with path.open("w", newline="") as sink:
        rows = csv.writer(sink)
        rows.writerow(["name", "latitude", "longitude"])
        rows.writerows([f"Water {i}", f"{y:.5f}", f"{x:.5f}"] for i, (x, y) in enumerate(picked.tolist()))
    return path


def build(store: Path, at: tuple[float, float], out: Path) -> tuple[float, float, float]:
    shutil.rmtree(out, ignore_errors=True)
    return command("build", "--lat", at[1], "--lon", at[0], "--store", store, "--as-of", TODAY, "--out", out)


def cold(report: Report, folder: Path, store: Path, points: list[tuple[float, float]]) -> None:
    """One water among few records."""
    at = points[len(points) // 2]
    needed = "import poolbuilder.cli.one_water, poolbuilder.folder, poolbuilder.pages.pool_page"
    at_work(needed)
    imports = at_work(needed)
    shutil.rmtree(store / "regions", ignore_errors=True)
    unknown, known = build(store, at, folder / "one"), build(store, at, folder / "one")
    report.add(
        "cold build, a survey around, region unknown", f"{unknown[0]:.2f} s", "≤ 0.6 s", unknown[0] <= 0.6
    )
    report.add(
        "… region known",
        f"{known[0] / imports:.1f} × its imports ({known[0]:.2f} s)",
        "≤ 2.5 ×",
        known[0] <= 2.5 * imports,
    )


def dense(report: Report, folder: Path, store: Path, count: int) -> None:
    """One water among many records."""
    shutil.rmtree(store / "regions", ignore_errors=True)
    unknown, known = build(store, MIDDLE, folder / "dense"), build(store, MIDDLE, folder / "dense")
    case = f"cold build, {count:,} records within 100 km"
    report.add(f"{case}, region unknown", f"{unknown[0]:.1f} s", "≤ 4 s", unknown[0] <= 4)
    report.add(
        "… region known",
        f"{known[0]:.1f} s, {known[2]:.0f} MiB",
        "≤ 1.5 s, ≤ 600 MiB",
        known[0] <= 1.5 and known[2] <= 600,
    )
    size = megabytes(folder / "dense")
    report.add("… its folder", f"{size:.1f} MB", "≤ 6 MB", size <= 6)


def many(folder: Path, store: Path, table: Path, name: str, *more: object) -> tuple[float, float, float]:
    out = folder / name
    shutil.rmtree(out, ignore_errors=True)
    return command("many", table, "--store", store, "--as-of", TODAY, "--out", out, *more)


def many_waters(
    report: Report, folder: Path, store: Path, points: list[tuple[float, float]], number: int
) -> None:
    """Many waters on a survey, one process."""
    table = waters(folder / "waters.csv", points, number)
    shutil.rmtree(store / "regions", ignore_errors=True)
    used, _, peak = many(folder, store, table, "many")
    each = 1000 * used / number
    report.add(
        f"many, {number:,} waters on the survey, one process",
        f"{each:.1f} ms a water, {peak:.0f} MiB",
        "≤ 8 ms",
        each <= 8,
    )


def many_dense(report: Report, folder: Path, store: Path, count: int) -> None:
    """Forty waters among many records."""
    table = waters(folder / "forty.csv", [MIDDLE], 40)
    shutil.rmtree(store / "regions", ignore_errors=True)
    used, _, peak = many(folder, store, table, "forty")
    report.add(
        f"many, {count:,} records within 100 km, 40 waters", f"{used / 40:.2f} s a water, {peak:.0f} MiB",
        "≤ 0.3 s, ≤ 800 MiB", used / 40 <= 0.3 and peak <= 800,
    )  # fmt: skip


def learn(report: Report, store: Path, points: list[tuple[float, float]]) -> None:
    """Learning a region."""
    checklist, settings, constants = Checklist.load("lepomis"), Settings(), Constants.shipped()
    at = points[len(points) // 2]
    records = Store(store).select(longitude=at[0], latitude=at[1], reach_km=300)
    screened = prepare(records, checklist, settings=settings, as_of=datetime.date.fromisoformat(TODAY))
    cell = cell_of(Site(longitude=at[0], latitude=at[1]))
    started = time.process_time()
    region = learn_region(screened, cell, checklist, settings=settings, constants=constants)
    taken = time.process_time() - started
    report.add(
        f"learning a region of {len(region.looking):,} sites, 13 species",
        f"{taken:.2f} s",
        "≤ 0.7 s",
        taken <= 0.7,
    )


def introduced(report: Report, folder: Path, store: Path, points: list[tuple[float, float]]) -> None:
    """Introduced species at a thousand lakes."""
    table, out = waters(folder / "lakes.csv", points, 1000), folder / "introduced"
    shutil.rmtree(out, ignore_errors=True)
    used, _, _ = command("introduced", table, "--store", store, "--as-of", TODAY, "--out", out)
    page = (out / "introduced.html").stat().st_size / 1e6
    report.add(
        "introduced, 1,000 lakes",
        f"{used:.0f} s, a page of {page:.1f} MB",
        "≤ 20 s, ≤ 3 MB",
        used <= 20 and page <= 3,
    )


def workers(
    report: Report, folder: Path, store: Path, points: list[tuple[float, float]], number: int
) -> None:
    """Two processes against one."""
    table = waters(folder / "workers.csv", points, number // 2)
    times, tables_made = [], []
    for count in (1, 2):
        shutil.rmtree(store / "regions", ignore_errors=True)
        times.append(many(folder, store, table, f"workers{count}", "--workers", count)[1])
        made = sorted((folder / f"workers{count}").rglob("*.parquet"))
        tables_made.append([(path.name, path.read_bytes()) for path in made])
    gain = times[0] / times[1]
    same = "same bytes" if tables_made[0] == tables_made[1] else "OTHER BYTES"
    report.add(
        "two workers", f"{gain:.2f} ×, {same}", "≥ 1.7 ×, same bytes", gain >= 1.7 and same == "same bytes"
    )


STRAIGHT = """
import geopandas, numpy as np, pandas as pd, sys
from sklearn.linear_model import LogisticRegression
from scipy.spatial import cKDTree
from poolbuilder.records.store import Store
import pyarrow as pa
store, waters = sys.argv[1:3]
records = pa.concat_tables(list(Store(store).batches())).select(
    ["scientificName", "vernacularName", "decimalLongitude", "decimalLatitude", "eventID"]).to_pandas()
records = geopandas.GeoDataFrame(records, geometry=geopandas.points_from_xy(records.decimalLongitude, records.decimalLatitude), crs=4326).to_crs(5070)
records["name"] = records.scientificName.fillna(records.vernacularName)
table = pd.read_csv(waters)
sites = geopandas.GeoDataFrame(table, geometry=geopandas.points_from_xy(table.longitude, table.latitude), crs=4326).to_crs(5070)
near = geopandas.sjoin(records, sites.set_geometry(sites.buffer(40_000))[["name", "geometry"]].rename(columns={"name": "water"}), predicate="within")
counts = near.groupby(["water", "name"]).size()
xy = np.stack([records.geometry.x, records.geometry.y], axis=1)
place, code = np.unique(xy.round(-2), axis=0, return_inverse=True)
names = records.name.value_counts().index[:60]
held = np.zeros((len(place), len(names)))
column = records.name.map({name: i for i, name in enumerate(names)})
fine = column.notna().to_numpy()
held[code.reshape(-1)[fine], column[fine].astype(int)] = 1
wanted = [i for i, name in enumerate(names) if "epomis" in str(name) or str(name).lower() in {"bluegill", "pumpkinseed", "green sunfish", "redbreast sunfish", "warmouth", "longear sunfish", "redear sunfish"}]
tree = cKDTree(place)
def shares(at):
    out = np.zeros((len(at), len(wanted)))
    for i, mine in enumerate(tree.query_ball_point(at, 300_000)):
        weight = np.exp(-np.hypot(*(place[mine] - at[i]).T) / 20_000)
        out[i] = (weight @ held[np.ix_(mine, wanted)] + 0.1) / (weight.sum() + 1)
    return out
train = np.random.default_rng(0).choice(len(place), min(len(place), 1500), replace=False)
known = shares(place[train])
asked = shares(np.stack([sites.geometry.x, sites.geometry.y], axis=1))
for j, i in enumerate(wanted):
    if len(set(held[train, i])) == 2:
        others = np.delete(held[train], wanted, axis=1)
        fitted = LogisticRegression(C=0.1, max_iter=500).fit(np.column_stack([np.log(known[:, j] + 1e-3), others]), held[train, i])
        fitted.predict_proba(np.column_stack([np.log(asked[:, j] + 1e-3), np.zeros((len(asked), others.shape[1]))]))
"""


def straight(report: Report, folder: Path, cases: list[tuple[str, Path, Path, float]]) -> None:
    """The same job written straight with geopandas, scipy and scikit-learn, in one run."""
    for name, store, table, goal in cases:
        before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
        subprocess.run([sys.executable, "-c", STRAIGHT, str(store), str(table)], check=True, env=SURROUNDINGS)
        theirs = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before
        shutil.rmtree(store / "regions", ignore_errors=True)
        ours = many(folder, store, table, "straight")[0]
        report.add(
            f"the whole job straight with geopandas, {name}",
            f"{theirs / ours:.1f} × slower ({theirs:.0f} s)",
            f"≥ {goal} ×",
            theirs / ours >= goal,
        )


def growth(report: Report, folder: Path, store: Path, points: list[tuple[float, float]], number: int) -> None:
    """How time and memory grow with the number of waters."""
    used = []
    for part in (8, 4, 2, 1):
        table = waters(folder / "growing.csv", points, number // part)
        shutil.rmtree(store / "regions", ignore_errors=True)
        used.append((number // part, *many(folder, store, table, "growing")))
    slope = (used[-1][1] - used[-2][1]) / (used[-1][0] - used[-2][0])
    hours = slope * 50_000 / 3600 / 2
    grown = used[-1][3] / used[0][3]
    report.add(
        "50,000 waters, two cores, by growth at " + ", ".join(f"{line[0]:,}" for line in used),
        f"{hours:.2f} h; memory × {grown:.2f}", "≤ 1.5 h; flat", hours <= 1.5 and grown <= 1.2,
    )  # fmt: skip


def main() -> None:
    """Run the cases that were asked for."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--survey", type=Path)
    ask.add_argument("--dense", type=int, default=1_000_000)
    ask.add_argument("--waters", type=int, default=4000)
    ask.add_argument("--folder", type=Path)
    ask.add_argument("--only", default=",".join(CASES))
    asked = ask.parse_args()
    wanted = asked.only.split(",")
    with tempfile.TemporaryDirectory() as made:
        folder = asked.folder or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        report = Report()
        print("| case | figure | goal | |\n|---|---|---|---|")
        store, points = survey_store(folder, asked.survey)
        crowd = dense_store(folder, asked.dense) if {"dense", "straight"} & set(wanted) else Path()
        if "cold" in wanted:
            cold(report, folder, store, points)
        if "dense" in wanted:
            dense(report, folder, crowd, asked.dense)
            many_dense(report, folder, crowd, asked.dense)
        if "many" in wanted:
            many_waters(report, folder, store, points, asked.waters)
        if "learn" in wanted:
            learn(report, store, points)
        if "introduced" in wanted:
            introduced(report, folder, store, points)
        if "workers" in wanted:
            workers(report, folder, store, points, asked.waters)
        if "straight" in wanted:
            table = waters(folder / "waters.csv", points, 400)
            forty = waters(folder / "forty.csv", [MIDDLE], 40)
            straight(
                report,
                folder,
                [
                    ("400 waters on the survey", store, table, 2.5),
                    ("40 waters in the dense store", crowd, forty, 10),
                ],
            )
        if "growth" in wanted:
            growth(report, folder, store, points, 2 * asked.waters)


if __name__ == "__main__":
    main()
