"""Golden results: what the command line gives for invented waters, to see what a change does to it.

Regenerate after a change that is meant, and commit the differences with their reason::

    python -m tests.golden.results            # all
    python -m tests.golden.results demo many  # some

Numbers are rounded to 1e-6; versions, hashes and the paths of files are left out.
"""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from tests import service_double as service
from tests.commands import command

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
LAKES = ROOT / "poolbuilder" / "demo_data" / "lake_district"
# Two lakes with news, one beside each, and one where little happens.
CHOSEN = ("Ilkenlanke", "Mirnwoog", "Fahlbruch", "Lusenkolk", "Orkensee")
CACHE = tempfile.mkdtemp(prefix="golden-")  # what a user keeps changes nothing
OMITTED = {
    "poolbuilderVersion",
    "storeState",
    "sha256",
    "bytes",
    "service",
    "ageDays",
    "fetched",
    "fingerprint",
}


def run(*arguments: object, code: int = 0) -> str:
    """Standard output of one command."""
    done = command(*arguments, environment={"POOLBUILDER_CACHE": CACHE, "POOLBUILDER_MAP": CACHE})
    assert done.returncode == code, f"{done.args} ended with {done.returncode}: {done.stderr[-2000:]}"
    return done.stdout


def plain(value: Any, scratch: Path) -> Any:
    """A document without what differs between machines and versions; numbers rounded."""
    if isinstance(value, dict):
        return {
            key: plain(item, scratch)
            for key, item in value.items()
            if key not in OMITTED and not (key == "added" and isinstance(item, str))  # the day it was run
        }
    if isinstance(value, list):
        return [plain(item, scratch) for item in value]
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, str):
        return re.sub(r"http://127\.0\.0\.1:\d+", "service", value.replace(str(scratch), "scratch")).replace(
            str(ROOT) + "/", ""
        )
    return value


def number(text: str) -> Any:
    """A cell as a number where it is one."""
    try:
        return float(text)
    except ValueError:
        return text


def rows(path: Path) -> list[dict[str, Any]]:
    """The rows of a CSV table."""
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return [{key: number(cell) for key, cell in row.items()} for row in csv.DictReader(stream)]


def document(path: Path) -> Any:
    """A JSON file."""
    return json.loads(path.read_text(encoding="utf-8"))


def demo(scratch: Path) -> dict[str, Any]:
    """Pool and pairs of the demo water."""
    run("demo", "--out", scratch / "demo")
    return {
        "pool": document(scratch / "demo" / "pool.json"),
        "crosses": rows(scratch / "demo" / "crosses.csv"),
    }


def lake_table(scratch: Path, chosen: Sequence[str] = CHOSEN) -> Path:
    """Some lakes of the lake district."""
    path = scratch / "waters.csv"
    lines = (LAKES / "waters.csv").read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if line.split(",")[0] in chosen]
    path.write_text("\n".join([lines[0], *kept, ""]), encoding="utf-8")
    return path


def layers() -> list[object]:
    """Options for the layers of the lake district."""
    named = ("--water", "outlines"), ("--streams", "streams"), ("--barriers", "barriers")
    return [part for option, name in named for part in (option, LAKES / f"{name}.geojson")]


def lake_district(scratch: Path) -> dict[str, Any]:
    """Introduced species in two seasons, one pool in each, and what changed between them."""
    table, store = lake_table(scratch), scratch / "lakes"
    fishes: list[object] = ["--checklist", LAKES / "fishes.csv", "--store", store]
    listed: list[object] = ["--region-list", LAKES / "status.csv", "--regions", LAKES / "regions.geojson"]
    lake = next(line.split(",") for line in table.read_text().splitlines() if line.startswith("Ilkenlanke"))
    place: list[object] = ["--name", lake[0], "--lat", lake[1], "--lon", lake[2], "--radius-km", lake[3]]
    for year in ("2025", "2026"):
        run("add", LAKES / f"season_{year}.zip", "--store", store)
        day: list[object] = ["--as-of", f"{year}-10-31"]
        previous: list[object] = ["--previous", scratch / "lakes_2025"] if year == "2026" else []
        out = scratch / f"lakes_{year}"
        run("introduced", table, *fishes, *listed, *layers(), *day, *previous, "--out", out)
        run("build", *place, *fishes, *day, "--out", scratch / f"pool_{year}")
    changed = run("compare", scratch / "pool_2025", scratch / "pool_2026", "--format", "json")
    found = document(scratch / "lakes_2026" / "introduced.json")
    for water in found["waters"]:
        for row in (*water["introduced"], *water["unsettled"]):
            (row["front"] or {}).pop("years", None)
    return {"introduced": found, "compare": json.loads(changed)}


def many(scratch: Path) -> dict[str, Any]:
    """Pools of two of the lakes in one pass, and plain counts."""
    table, store = lake_table(scratch, CHOSEN[:2]), scratch / "many_store"
    run("add", LAKES / "season_2025.zip", "--store", store)
    shared: list[object] = [
        table, "--checklist", LAKES / "fishes.csv", "--store", store, "--as-of", "2025-10-31",
    ]  # fmt: skip
    run("many", *shared, "--out", scratch / "many")
    run("many", *shared, "--counts", "--out", scratch / "counts")
    counts = [row for row in rows(scratch / "counts" / "counts.csv") if row["records"]]
    return {"waters": rows(scratch / "many" / "waters.csv"), "counts": counts}


PLAN = """
[refresh]
out = "pools"
store = "refreshed"
radiusKm = 40
checklist = "lepomis"
taxon = "Lepomis"

[settings]
serviceWaitS = 0

[[water]]
name = "Mill Pond"
lat = 38.51
lon = -90.50

[[water]]
name = "Étang du Loup"
lat = 38.60
lon = -90.40
"""


def _fish(number: int, name: str, **changes: Any) -> dict[str, Any]:
    return service.occurrence(
        number,
        scientificName=name,
        decimalLongitude=round(-90.5 + (number % 7) * 0.03, 4),
        decimalLatitude=round(38.5 + (number % 5) * 0.03, 4),
        eventDate=f"20{number % 20 + 5:02d}-07-{number % 27 + 1:02d}",
        **changes,
    )


def refresh(scratch: Path) -> dict[str, Any]:
    """Two seasons of a plan against an occurrence service on loopback."""
    plan = scratch / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    first = [_fish(number, "Lepomis cyanellus") for number in range(12)]
    later = {"lastInterpreted": "2026-06-20T00:00:00.000+00:00", "establishmentMeans": "Introduced"}
    with service.serving(service.ServiceDouble(first)) as double:
        run("refresh", plan, "--service-url", double.url, "--as-of", "2026-03-31")
        double.occurrences = [
            *first,
            *(_fish(number, "Lepomis gulosus", **later) for number in range(20, 24)),
        ]
        run("refresh", plan, "--service-url", double.url, "--as-of", "2026-06-30")
    return {"summary": document(scratch / "pools" / "2026-06-30" / "summary.json")}


def scores(scratch: Path) -> dict[str, Any]:
    """Scores of the model on a small simulated region."""
    simulate = [sys.executable, str(ROOT / "demo" / "simulate.py"), "--seed", "1", "--waters", "80"]
    region = scratch / "region"
    subprocess.run([*simulate, "--visits", "150", "--out", str(region)], check=True, capture_output=True)
    run(
        "calibrate",
        "--events",
        region / "surveys.txt",
        "--as-of",
        "2026-06-01",
        "--title",
        "simulated",
        "--out",
        scratch / "fit",
    )
    return {"scores": document(scratch / "fit" / "scores.json")}


RESULTS: dict[str, Callable[[Path], dict[str, Any]]] = {
    "demo": demo,
    "lake_district": lake_district,
    "many": many,
    "refresh": refresh,
    "scores": scores,
}


def result(name: str, scratch: Path) -> dict[str, Any]:
    """What the command line gives now, as a golden file holds it."""
    found: dict[str, Any] = plain(RESULTS[name](scratch), scratch)
    return found


def golden(name: str) -> dict[str, Any]:
    """What it gave when the golden file was written."""
    found: dict[str, Any] = document(HERE / f"{name}.json")
    return found


def differences(was: Any, now: Any, where: str = "") -> list[str]:
    """Where two documents differ by more than rounding."""
    if isinstance(was, dict) and isinstance(now, dict):
        keys = [*was, *(key for key in now if key not in was)]
        return [
            line
            for key in keys
            for line in differences(was.get(key, "nothing"), now.get(key, "nothing"), f"{where}/{key}")
        ]
    if isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        pairs = enumerate(zip(was, now, strict=True))
        return [line for at, pair in pairs for line in differences(*pair, f"{where}/{at}")]
    numbers = all(isinstance(item, int | float) and not isinstance(item, bool) for item in (was, now))
    same = abs(was - now) <= 2e-6 if numbers else was == now
    return [] if same else [f"{where}: {str(was)[:200]} -> {str(now)[:200]}"]


def regenerate(names: Sequence[str]) -> None:
    """Write golden files anew."""
    for name in names or RESULTS:
        with tempfile.TemporaryDirectory() as scratch:
            found = result(name, Path(scratch))
        text = json.dumps(found, ensure_ascii=False, indent=1, sort_keys=True)
        (HERE / f"{name}.json").write_text(text + "\n", encoding="utf-8", newline="\n")
        print(f"wrote {name}.json, {len(text) / 1000:.0f} kB")


if __name__ == "__main__":
    regenerate(sys.argv[1:])
