"""Files are written whole or not at all; a lock ends with its process; leftovers are cleared."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from poolbuilder import PoolBuilderError
from poolbuilder.files import locked, whole_file, whole_folder, write_whole

HANG = """
import sys, time
from poolbuilder import files
with getattr(files, sys.argv[1])(sys.argv[2]) as beside:
    if beside is None:
        pass
    elif sys.argv[1] == "whole_folder":
        (beside / "half").write_text("half")
    else:
        beside.write_text("half")
    print("ready", flush=True)
    time.sleep(60)
"""


def _killed_in(what: str, path: Path) -> None:
    """Kill -9 a process in the middle of writing to *path*."""
    command = [sys.executable, "-c", HANG, what, str(path)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[1]
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        process.send_signal(signal.SIGKILL)


def test_a_killed_write_leaves_the_old_file_and_the_next_clears_up(tmp_path: Path) -> None:
    path = write_whole(tmp_path / "list [1].csv", "old\n")
    _killed_in("whole_file", path)
    assert path.read_text() == "old\n"
    assert len(list(tmp_path.iterdir())) == 2
    write_whole(path, "new\n")
    assert [item.name for item in tmp_path.iterdir()] == ["list [1].csv"]
    assert path.read_text() == "new\n"


def test_a_killed_folder_leaves_the_old_one_and_the_next_clears_up(tmp_path: Path) -> None:
    path = tmp_path / "pool"
    with whole_folder(path) as beside:
        (beside / "a").write_text("old")
    _killed_in("whole_folder", path)
    assert (path / "a").read_text() == "old"
    with whole_folder(path) as beside:
        (beside / "b").write_text("new")
    assert [item.relative_to(tmp_path).as_posix() for item in tmp_path.rglob("*")] == ["pool", "pool/b"]


def test_what_a_living_process_writes_is_left_alone(tmp_path: Path) -> None:
    with whole_file(tmp_path / "a.csv") as first:
        first.write_text("1")
        write_whole(tmp_path / "a.csv", "2")
    assert (tmp_path / "a.csv").read_text() == "1"


def _write_and_fail(path: Path) -> None:
    with whole_file(path) as beside:
        beside.write_text("half")
        raise ValueError("no")


def test_a_failing_write_leaves_nothing(tmp_path: Path) -> None:
    path = write_whole(tmp_path / "a.csv", "old")
    with pytest.raises(ValueError, match="no"):
        _write_and_fail(path)
    assert [item.name for item in tmp_path.iterdir()] == ["a.csv"]
    assert path.read_text() == "old"


def _write_to_a_full_disk(path: Path) -> None:
    with whole_file(path), Path("/dev/full").open("w") as stream:
        stream.write("x")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(PoolBuilderError, match=r"a\.csv: cannot be written: no space left on the disk"):
        _write_to_a_full_disk(tmp_path / "a.csv")
    assert list(tmp_path.iterdir()) == []


def _lock(path: Path) -> None:
    with locked(path):
        pass


def test_a_lock_ends_with_its_process(tmp_path: Path) -> None:
    refused = pytest.raises(PoolBuilderError, match=rf"is being written by process {os.getpid()} on")
    with locked(tmp_path / "lock"), refused:
        _lock(tmp_path / "lock")
    _killed_in("locked", tmp_path / "lock")
    _lock(tmp_path / "lock")
