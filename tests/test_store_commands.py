"""`poolbuilder add` and `poolbuilder many` on the command line."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

TABLE = """id,fish,decimalLatitude,decimalLongitude
f1,Lepomis cyanellus,36.9,-91.2
f2,Lepomis macrochirus,36.91,-91.21
f3,Lepomis macrochirus,,
"""


def _run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "POOLBUILDER_STORE": str(folder / "store")}
    command = [sys.executable, "-m", "poolbuilder", *arguments]
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with one table of records."""
    (tmp_path / "fish.csv").write_text(TABLE, encoding="utf-8")
    return tmp_path


MAP = ("--map", "id=occurrenceID", "--map", "fish=scientificName")


def test_add_says_what_it_did(folder: Path) -> None:
    first = _run(folder, "add", "fish.csv", *MAP)
    assert first.returncode == 0, first.stderr
    assert "read 3 records: 2 with coordinates, 1 without\n" in first.stdout
    assert first.stdout.endswith("the store holds 3 records\n")
    assert first.stderr == ""  # no progress when nobody looks at a terminal
    again = _run(folder, "add", "fish.csv", *MAP)
    assert "was added before; left out" in again.stdout
    assert (
        _run(folder, "add", "--check", "--compact").stdout
        == "sound: 2 files, 3 records\n3 records in 2 files\n"
    )


def test_add_without_a_file_is_wrong_usage(folder: Path) -> None:
    assert _run(folder, "add").returncode == 2


def test_one_bad_file_leaves_all_out(folder: Path) -> None:
    done = _run(folder, "add", "fish.csv", "none.csv", *MAP)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "none.csv" in done.stderr
    assert "holds no records" in _run(folder, "build", "--lat", "36.9", "--lon", "-91.2").stderr


def test_check_says_what_to_add_again(folder: Path) -> None:
    _run(folder, "add", "fish.csv", *MAP)
    (folder / "store" / "records-000001.parquet").write_bytes(b"PAR1")
    build = _run(folder, "build", "--lat", "36.9", "--lon", "-91.2")
    assert build.returncode == 1
    assert "records-000001.parquet" in build.stderr
    assert "poolbuilder add --check" in build.stderr
    check = _run(folder, "add", "--check")
    assert check.returncode == 3
    assert "fish.csv" in next(line for line in check.stdout.splitlines() if line.startswith("add again: "))
    assert "repaired: 1 files, 1 records" in check.stdout
    assert _run(folder, "add", "fish.csv", *MAP).stdout.endswith("the store holds 3 records\n")


def test_a_bar_is_drawn_on_a_terminal(folder: Path) -> None:
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "poolbuilder", "add", "fish.csv", *MAP, "--store", "store"]
    with subprocess.Popen(command, cwd=folder, stderr=theirs, stdout=subprocess.PIPE, text=True) as process:
        os.close(theirs)
        drawn = b""
        while True:
            try:
                part = os.read(ours, 4096)
            except OSError:  # the terminal was closed at the other end
                break
            if not part:
                break
            drawn += part
        assert process.wait() == 0
    os.close(ours)
    assert b"reading 3 records" in drawn
    assert b"writing [########################] 3 of 3" in drawn


def test_many_writes_pools_and_summary(folder: Path) -> None:
    _run(folder, "add", "fish.csv", *MAP)
    (folder / "waters.csv").write_text("name,lat,lon\nPond A,36.9,-91.2\nPond B,10,10\n", encoding="utf-8")
    done = _run(folder, "many", "waters.csv", "--out", "pools", "--as-of", "2026-06-01")
    assert done.returncode == 0, done.stderr
    assert done.stdout == "2 waters, 1 with a candidate recorded in them or near\n"
    lines = (folder / "pools" / "waters.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith('"water","waterName","longitude","latitude","radiusKm","read","kept"')
    assert [line.split(",")[1] for line in lines[1:]] == ['"Pond A"', '"Pond B"']
    bad = _run(folder, "many", "fish.csv", "--out", "other")
    assert bad.returncode == 1
    assert "fish.csv, row 4: longitude '' is not a number" in bad.stderr or "latitude '' is not" in bad.stderr
