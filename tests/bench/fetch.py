"""A big fetch, 200 kills, and a plan of 200 waters, against the service on loopback.

Run by hand from the project's folder: ``python tests/bench/fetch.py [fetch] [kills] [waters]``.
Prints one line for each goal.  All records are invented.
"""

from __future__ import annotations

import datetime
import json
import multiprocessing
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from tests import service_double as service

RECORDS = 250_000
KILLS = 200
WATERS = 200
SPECIES = ("cyanellus", "macrochirus", "megalotis", "gulosus", "humilis", "auritus")


class Many:
    """A quarter of a million invented records, made when they are asked for."""

    def __init__(self, count: int) -> None:
        rng = np.random.default_rng(5)
        towns = rng.uniform([-91.6, 37.6], [-89.4, 39.4], (400, 2))
        places = towns[rng.integers(0, len(towns), count)] + rng.normal(0, 0.03, (count, 2))
        self.decimalLongitude, self.decimalLatitude = np.round(places, 5).T
        self.year = rng.integers(1950, 2026, count).astype(float)
        self.year[rng.random(count) < 0.1] = np.nan

    def __len__(self) -> int:
        return len(self.year)

    def __getitem__(self, number: int) -> dict[str, Any]:
        year = self.year[number]
        dated = (
            {}
            if np.isnan(year)
            else {"year": int(year), "eventDate": f"{int(year)}-07-{number % 28 + 1:02d}"}
        )
        return {
            **{
                key: value
                for key, value in service.TEMPLATE.items()
                if key not in {"year", "month", "day", "eventDate"}
            },
            **dated,
            "key": 8_000_000_000 + number,
            "occurrenceID": f"urn:invented:{number}",
            "catalogNumber": f"INV-F-{number}",
            "scientificName": f"Lepomis {SPECIES[number % len(SPECIES)]}",
            "decimalLongitude": float(self.decimalLongitude[number]),
            "decimalLatitude": float(self.decimalLatitude[number]),
            "recordedBy": f"Collector {number % 900}",
            "locality": f"Creek {number % 5000} (invented)",
        }


def verdict(what: str, value: str, goal: str, met: bool) -> None:
    print(f"{what:<52} {value:>16}  goal {goal:<14} {'met' if met else 'NOT MET'}", flush=True)


def big_fetch() -> None:
    """A fetch of 250,000 records arrives whole, byte-counted, in bounded memory."""
    double = service.ServiceDouble(Many(RECORDS))  # type: ignore[arg-type]
    with service.serving(double), tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "poolbuilder", "fetch", "--lat", "38.5", "--lon", "-90.5"]
        command += [
            "--radius-km",
            "200",
            "--taxon",
            "Lepomis",
            "--store",
            folder,
            "--service-url",
            double.url,
        ]
        start = time.perf_counter()
        child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        out = child.stdout.read() if child.stdout else ""
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        took = time.perf_counter() - start
        (manifest,) = [json.loads(path.read_bytes()) for path in Path(folder).glob("fetches/*/manifest.json")]
        counts = manifest["counts"]
        parts = max(note["part"] for note in manifest["pages"] if note["kind"] == "search") + 1
        print(out, end="")
        verdict(
            "records that arrived", f"{counts['distinct']:,}", f"{RECORDS:,}", counts["distinct"] == RECORDS
        )
        verdict("parts", str(parts), "several", parts > 1)
        same = counts["bytes"] == double.page_bytes and counts["wireBytes"] == double.page_wire_bytes
        verdict(
            "bytes kept, and bytes that were sent", f"{counts['bytes']:,}", f"{double.page_bytes:,}", same
        )
        peak = usage.ru_maxrss / 1024
        verdict("peak memory, MiB", f"{peak:.0f}", "≤ 500 MB", usage.ru_maxrss * 1024 <= 500e6)
        print(f"took {took:.0f} s, {len(double.log):,} requests, server on the same machine\n")


PLAN = """
[refresh]
out = "pools"
store = "data_cache"
taxon = "Lepomis"
{more}
[settings]
fullFetchEvery = 3
serviceWaitS = 0
"""


def plan_in(folder: Path, waters: int, more: str = "") -> Path:
    rows = [
        f'[[water]]\nname = "Pond {n}"\nlat = {38 + n % 20 / 20}\nlon = {-91 + n // 20 / 10}\n'
        for n in range(waters)
    ]
    path = folder / "plan.toml"
    path.write_text(PLAN.format(more=more) + "".join(rows), encoding="utf-8")
    return path


def one_run(plan_file: str, url: str, now: datetime.datetime) -> None:
    """What a killed process was doing."""
    from poolbuilder.records.service.client import Client
    from poolbuilder.refresh import refresh
    from poolbuilder.refresh.plan import read_plan

    plan = read_plan(plan_file).with_service(url)
    with Client(url, settings=plan.settings) as client:
        run = refresh(plan, client, now=now)
    if run.missing:
        raise SystemExit(3)


def faults(folder: Path) -> list[str]:
    """What is broken in the store and the run folders."""
    from poolbuilder.errors import PoolBuilderError
    from poolbuilder.folder import read_pool
    from poolbuilder.records.store import Store

    found = []
    if (folder / "data_cache" / "index.json").exists():
        found += [str(problem) for problem in Store(folder / "data_cache").check().problems]
    for day in sorted(folder.glob("pools/2*"))[-2:]:
        try:
            for water in json.loads((day / "summary.json").read_bytes())["waters"]:
                read_pool(day / water["folder"])
        except (OSError, ValueError, PoolBuilderError) as error:
            found.append(f"{day.name}: {error}")
    return found


def kills() -> None:
    """200 kill -9 at random moments never leave a broken store or folder; the next run finishes the job."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(
        ["poolbuilder.refresh", "poolbuilder.pages", "requests", "pyogrio", "scipy.special"]
    )
    chance = random.Random(11)
    double = service.ServiceDouble(
        [service.occurrence(n, decimalLongitude=-90.9, decimalLatitude=38.1) for n in range(40)]
    )
    broken: list[str] = []
    unfinished, cut = 0, 0
    with service.serving(double), tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan = str(plan_in(folder, 3))
        day = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
        took = 0.0
        for number in range(KILLS + 1):
            now = day + datetime.timedelta(days=30 * number)
            fresh = service.occurrence(
                1000 + number,
                decimalLongitude=-90.95 + number % 9 / 100,
                decimalLatitude=38.05,
                lastInterpreted=now.isoformat(),
                scientificName=f"Lepomis {SPECIES[number % 6]}",
            )
            double.occurrences = [*double.occurrences[1:], fresh]
            if number:  # the first run only measures how long one takes
                child = context.Process(target=one_run, args=(plan, double.url, now))
                child.start()
                time.sleep(chance.uniform(0, took))
                cut += child.is_alive()
                child.kill()
                child.join()
                broken += faults(folder)
            start = time.perf_counter()
            child = context.Process(target=one_run, args=(plan, double.url, now))
            child.start()
            child.join()
            took = (
                time.perf_counter() - start
                if not number
                else 0.8 * took + 0.2 * (time.perf_counter() - start)
            )
            unfinished += child.exitcode != 0
            broken += faults(folder)
        left = [
            path.name
            for path in (folder / "pools").iterdir()
            if path.name.startswith(".") and path.name != ".lock"
        ]
    verdict("runs killed before their end", f"{cut} of {KILLS}", "most", cut > KILLS / 2)
    verdict("stores or folders found broken", str(len(broken)), "0", not broken)
    verdict("next runs that did not finish the job", str(unfinished), "0", unfinished == 0)
    verdict("leftovers after the last run", str(len(left)), "0", not left)
    print(*broken[:5], sep="\n")


def many_waters() -> None:
    """A plan of 200 waters refreshes in one command."""
    double = service.ServiceDouble(Many(20_000))  # type: ignore[arg-type]
    with service.serving(double), tempfile.TemporaryDirectory() as name:
        plan = plan_in(Path(name), WATERS)
        start = time.perf_counter()
        command = [sys.executable, "-m", "poolbuilder", "refresh", str(plan), "--service-url", double.url]
        ended = subprocess.run(command, capture_output=True, text=True, check=False)
        took = time.perf_counter() - start
        (summary,) = [json.loads(path.read_bytes()) for path in Path(name).glob("pools/2*/summary.json")]
        built = summary["states"]["new"]
        print(ended.stderr, end="")
        verdict(
            "waters refreshed by one command",
            str(built),
            str(WATERS),
            built == WATERS and ended.returncode == 0,
        )
        print(f"took {took:.0f} s, {len(double.log):,} requests\n")


PARTS = {"fetch": big_fetch, "kills": kills, "waters": many_waters}

if __name__ == "__main__":
    for part in sys.argv[1:] or PARTS:
        PARTS[part]()
