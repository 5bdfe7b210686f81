"""`poolbuilder add` and `poolbuilder many` on the command line."""

from __future__ import annotations

import io
import os
import pty
import signal
import subprocess
import sys
import time
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from poolbuilder import Store
from poolbuilder.cli.output import progress_line
from tests.commands import command

TABLE = """id,fish,decimalLatitude,decimalLongitude
f1,Lepomis cyanellus,36.9,-91.2
f2,Lepomis macrochirus,36.91,-91.21
f3,Lepomis macrochirus,,
"""


def _run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return command(*arguments, folder=folder, environment={"POOLBUILDER_STORE": str(folder / "store")})


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
    line = [sys.executable, "-m", "poolbuilder", "add", "fish.csv", *MAP, "--store", "store"]
    with subprocess.Popen(line, cwd=folder, stderr=theirs, stdout=subprocess.PIPE, text=True) as process:
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


def test_time_left_is_told_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    clock, screen = iter([100.0, 101.0, 110.0, 120.0]), Terminal()
    monkeypatch.setattr("poolbuilder.cli.output.time.monotonic", lambda: next(clock))
    monkeypatch.setattr("sys.stderr", screen)
    for done in (0, 1, 10, 40):
        progress_line("building", done, 40)
    lines = [line.strip() for line in screen.getvalue().split("\r")[1:]]
    assert lines[1].endswith("1 of 40")  # too early to tell
    assert lines[2].endswith("10 of 40, 30 s left")
    assert lines[3].endswith("40 of 40")


def test_many_writes_pools_and_summary(folder: Path) -> None:
    _run(folder, "add", "fish.csv", *MAP)
    (folder / "waters.csv").write_text("name,lat,lon\nPond A,36.9,-91.2\nPond B,10,10\n", encoding="utf-8")
    done = _run(folder, "many", "waters.csv", "--out", "pools", "--as-of", "2026-06-01")
    assert done.returncode == 0, done.stderr
    assert done.stdout == "2 waters, 1 with a candidate recorded in them or near\n"
    lines = (folder / "pools" / "waters.csv").read_text(encoding="utf-8-sig").splitlines()
    head = "water,waterName,locationID,county,longitude,latitude,radiusKm,read,kept"
    assert lines[0].startswith(head)
    assert [line.split(",")[1] for line in lines[1:]] == ["Pond A", "Pond B"]
    bad = _run(folder, "many", "fish.csv", "--out", "other")
    assert "row 4: " in bad.stderr  # set aside and said; the other rows are built
    assert "itude '' is not a number" in bad.stderr


def _add_text(folder: Path, name: str, text: str) -> subprocess.CompletedProcess[str]:
    (folder / name).write_text(text, encoding="utf-8")
    return _run(folder, "add", name, *MAP)


def test_a_file_can_be_taken_out_again(folder: Path) -> None:
    _run(folder, "add", "fish.csv", *MAP)
    _add_text(folder, "more.csv", TABLE.replace("f3", "f4").replace("36.9,", "36.5,"))
    out = _run(folder, "add", "--remove", "more.csv")
    assert out.returncode == 0, out.stderr
    assert out.stdout.endswith("more.csv: taken out\nthe store holds 3 records, before 4\n")
    assert _run(folder, "add", "--check").stdout == "sound: 2 files, 3 records\n"
    assert _add_text(folder, "more.csv", (folder / "more.csv").read_text()).stdout.endswith(
        "holds 4 records\n"
    )
    unknown = _run(folder, "add", "--remove", "other.csv")
    assert unknown.returncode == 1
    assert "holds no source 'other.csv'" in unknown.stderr


def test_what_a_removed_file_had_replaced_counts_again(folder: Path) -> None:
    _run(folder, "add", "fish.csv", *MAP)
    first = (folder / "fish.csv").read_text(encoding="utf-8")
    newer = first.replace("36.9,", "37.9,").replace("f3,Lepomis macrochirus,,\n", "")
    (folder / "newer.csv").write_text(newer, encoding="utf-8")
    (folder / "third.csv").write_text(first.replace("36.9,", "38.9,"), encoding="utf-8")
    assert _run(folder, "add", "newer.csv", "third.csv", *MAP).stdout.endswith("the store holds 3 records\n")
    _run(folder, "add", "--remove", "third.csv")
    store = Store(folder / "store")
    assert [store.count_near(-91.2, latitude, 5.0) for latitude in (36.9, 37.9, 38.9)] == [1, 1, 0]
    assert store.records == 3
    assert _run(folder, "add", "--check").stdout.startswith("sound: ")


def test_removing_after_compacting_says_what_to_add_again(folder: Path) -> None:
    _run(folder, "add", "fish.csv", *MAP)
    _add_text(folder, "newer.csv", TABLE.replace("36.9,", "37.9,"))
    _run(folder, "add", "--compact")
    out = _run(folder, "add", "--remove", "newer.csv")
    assert out.returncode == 3
    assert "fish.csv" in next(line for line in out.stdout.splitlines() if line.startswith("add again: "))
    assert _run(folder, "add", "fish.csv", *MAP).stdout.endswith("the store holds 3 records\n")


def test_bytes_that_are_no_text_are_read_and_noted(folder: Path) -> None:
    whole = pa.table(
        {
            "occurrenceID": ["a", "b"],
            "scientificName": ["Lepomis gulosus", "Lepomis auritus"],
            "decimalLatitude": [36.9, 36.9],
            "decimalLongitude": [-91.2, -91.2],
            "locality": ["Grand Marais", "Pond"],
        }
    )
    pq.write_table(whole, folder / "fish.parquet", compression="none", write_statistics=False)
    content = (folder / "fish.parquet").read_bytes()
    assert content.count(b"Grand Marais") >= 1
    (folder / "fish.parquet").write_bytes(content.replace(b"Grand Marais", b"Grand M\xe9\xff\xfeis"))
    done = _run(folder, "add", "fish.parquet")
    assert done.returncode == 0, done.stderr
    assert "fish.parquet: characters that could not be decoded, read as \ufffd: 3\n" in done.stdout
    assert _run(folder, "build", "--lat", "36.9", "--lon", "-91.2").returncode == 0
    assert _run(folder, "add", "--check").stdout == "sound: 1 files, 2 records\n"


def test_check_reads_the_texts(folder: Path) -> None:
    _run(folder, "add", "fish.csv", *MAP)
    path = folder / "store" / "records-000001.parquet"
    parquet = pq.ParquetFile(path)
    rows, about = parquet.read(), parquet.metadata.metadata
    broken = pa.array([b"\xff\xfe" for _ in range(len(rows))], pa.binary()).view(pa.string())
    rows = rows.set_column(rows.column_names.index("locality"), "locality", broken)
    pq.write_table(rows.replace_schema_metadata(about), path)
    check = _run(folder, "add", "--check")
    assert check.returncode == 3
    assert "records-000001.parquet: is broken: " in check.stdout


def test_a_store_is_its_owners_until_it_is_shared(folder: Path) -> None:
    def mode() -> int:
        return (folder / "store").stat().st_mode & 0o777

    _run(folder, "add", "fish.csv", *MAP)
    assert mode() == 0o700
    assert _run(folder, "add", "--share").stdout.endswith("read by everyone on this computer\n")
    assert mode() == 0o755
    _add_text(folder, "more.csv", TABLE.replace("f3", "f4"))
    assert mode() == 0o755
    _run(folder, "add", "--no-share")
    assert mode() == 0o700


ENDED = """
import signal, sys, time

signal.signal(signal.SIGINT, signal.default_int_handler)  # which a job in the background may not have
from poolbuilder.records import store as store_module, store_files
from poolbuilder.cli import main

def stop(*args):
    print("ready", flush=True)
    time.sleep(60)

if sys.argv[1] == "writing":
    store_files.parquet_writer = stop
else:
    store_module._LOST = "create temp table lost as select sum(hash(range)) from range(2000000000)"
    find = store_module.Store._lost
    store_module.Store._lost = lambda *args, **more: (print("ready", flush=True), find(*args, **more))
main(sys.argv[2:])
"""


@pytest.mark.parametrize(
    ("at", "number", "codes"),
    [
        ("writing", signal.SIGTERM, {143}),
        ("writing", signal.SIGINT, {130}),
        ("sorting", signal.SIGTERM, {130, 143}),
        ("sorting", signal.SIGINT, {130}),
    ],
)
def test_an_ended_add_clears_up(folder: Path, at: str, number: signal.Signals, codes: set[int]) -> None:
    line = [sys.executable, "-c", ENDED, at, "add", "fish.csv", "--store", "store", *MAP]
    with subprocess.Popen(
        line, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        time.sleep(0.5)
        process.send_signal(number)
        _, told = process.communicate(timeout=180)
        assert process.returncode in codes
    assert "Traceback" not in told
    assert {path.name for path in (folder / "store").iterdir()} <= {"lock"}


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_behind_the_output_is_one_line(folder: Path) -> None:
    line = [sys.executable, "-m", "poolbuilder", "rules"]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(line, cwd=folder, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr == "error: no space left on the disk for the output (free some space)\n"
