"""The demo shows what its story says."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import poolbuilder
from poolbuilder import Job, Pool

ROOT = Path(__file__).parents[1]
DATA = Path(poolbuilder.__file__).parent / "demo_data"


def row(pool: Pool, epithet: str) -> dict[str, Any]:
    return next(
        item for item in pool.candidates.to_pylist() if item["scientificName"] == f"Lepomis {epithet}"
    )


def near(pool: Pool, epithet: str) -> float:
    """What the sites near the water say of a species, in log-odds."""
    return float(sum(r["logOdds"] for r in pool.reasons(f"Lepomis {epithet}") if r["part"] == "near"))


@pytest.fixture(scope="module")
def straight(demo_pool: Pool) -> Pool:
    """The same water with its outline alone: no streams, no watersheds."""
    job = Job(
        site=demo_pool.site,
        as_of=demo_pool.as_of,
        ranges=[str(DATA / "ranges.geojson")],
        water=f"{DATA / 'layers.gpkg'}:outline",
        records=[DATA / "records.zip"],
    )
    return job.run()


@pytest.mark.parametrize(
    ("epithet", "tier"),
    [
        ("macrochirus", "water"), ("cyanellus", "water"), ("megalotis", "water"), ("microlophus", "water"),
        ("gulosus", "connected"), ("miniatus", "connected"), ("humilis", "radius"), ("marginatus", "range"),
        ("peltastes", "none"),
    ],
)  # fmt: skip
def test_tiers_of_the_story(demo_pool: Pool, epithet: str, tier: str) -> None:
    assert row(demo_pool, epithet)["tier"] == tier


def test_the_ridge_is_near_in_a_straight_line_and_far_by_water(demo_pool: Pool, straight: Pool) -> None:
    by_air, by_water = (
        {name: near(pool, name) for name in ("humilis", "miniatus")} for pool in (straight, demo_pool)
    )
    assert by_air["humilis"] > by_air["miniatus"]  # more sites with it lie near in a straight line
    assert by_water["humilis"] - by_air["humilis"] < by_water["miniatus"] - by_air["miniatus"]
    before, after = ({name: row(pool, name)["presence"] for name in by_air} for pool in (straight, demo_pool))
    assert after["humilis"] < before["humilis"] / 2
    assert after["miniatus"] > before["miniatus"] / 2
    ridge = row(demo_pool, "humilis")
    assert ridge["nearestKm"] < 7
    assert ridge["nearestByWaterKm"] > 50
    assert "km away over land" in ridge["note"]
    assert any("stand on the stream network" in note for note in demo_pool.notes)


def test_introduced_fishes_say_who_says_so(demo_pool: Pool) -> None:
    assert (
        row(demo_pool, "microlophus")["establishmentMeans"],
        row(demo_pool, "microlophus")["establishmentSource"],
    ) == ("introduced", "record")
    assert (
        row(demo_pool, "auritus")["establishmentMeans"],
        row(demo_pool, "auritus")["establishmentSource"],
    ) == ("introduced", "record")


def test_hybrids_support_their_pair(demo_pool: Pool) -> None:
    first = demo_pool.crosses.slice(0, 1).to_pylist()[0]
    assert first["formula"] == "Lepomis cyanellus × Lepomis macrochirus"
    assert first["hybridRecords"] == 3
    assert demo_pool.counts["hybrids"] == 5


def test_every_kind_of_mess_is_met(demo_pool: Pool) -> None:
    assert set(demo_pool.counts["rejected"]) >= {
        "absent",
        "fossil",
        "captive",
        "not_to_species",
        "impossible_date",
        "duplicate",
    }
    assert demo_pool.counts["read"] == demo_pool.counts["kept"] + sum(demo_pool.counts["rejected"].values())


def test_the_scripts_write_the_files_that_ship(tmp_path: Path) -> None:
    program = f"""
import runpy, pathlib
made = runpy.run_path({str(ROOT / "demo/make_records.py")!r})
out = pathlib.Path({str(tmp_path)!r})
(out / "records.zip").write_bytes(made["archive"](made["records"]()))
import json
(out / "ranges.geojson").write_text(json.dumps(made["ranges"](), indent=0) + "\\n")
"""
    subprocess.run([sys.executable, "-c", program], check=True)
    for name in ("records.zip", "ranges.geojson"):
        assert (tmp_path / name).read_bytes() == (DATA / name).read_bytes(), name


def test_no_machine_path_in_the_result(demo_pool: Pool) -> None:
    told = [*demo_pool.notes, *(item["path"] for item in demo_pool.inputs)]
    assert not [text for text in told if str(ROOT) in text]
