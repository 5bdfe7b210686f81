"""The store when things go wrong: broken files, full disks, killed and competing writers."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import textwrap
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from poolbuilder import PoolBuilderError, Store
from tests.conftest import small_disk
from tests.store_rows import added, everything, files, many_rows

PLACE = {"longitude": -91.0, "latitude": 36.0, "reach_km": 300.0}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """A store of two sources: 900 records, 100 of them replaced versions."""
    made = Store(tmp_path / "store")
    added(made, many_rows(500), name="one.csv")
    added(made, many_rows(500, seed=1, first=400), name="two.csv")
    return made


def _folder(store: Store) -> Path:
    return store._folder.local


def _first(store: Store) -> Path:
    return _folder(store) / store.index.of_kind("placed")[0].name


def _edit(store: Store, **changes: object) -> None:
    path = _folder(store) / "index.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**content, **changes}), encoding="utf-8")


@pytest.mark.parametrize("length", [11, -1])
def test_a_truncated_file_is_named_and_set_aside(store: Store, length: int) -> None:
    whole = everything(store)
    path = _first(store)
    path.write_bytes(path.read_bytes()[:length])
    with pytest.raises(PoolBuilderError, match=rf"{path.name}: has \d+ bytes.*poolbuilder add --check"):
        store.select(**PLACE)
    found = store.check()
    assert any(path.name in problem for problem in found.problems)
    assert [source["path"] for source in found.again] == ["one.csv"]
    assert (_folder(store) / "damaged" / path.name).stat().st_size == path.with_name("damaged").joinpath(
        path.name
    ).stat().st_size
    assert not path.exists()
    assert 0 < store.records < 900
    added(store, many_rows(500), name="one.csv")
    assert store.records == 900
    assert set(everything(store)["recordKey"].to_pylist()) == set(whole["recordKey"].to_pylist())


def test_garbled_bytes_of_the_right_length_are_named(store: Store) -> None:
    path = _first(store)
    content = bytearray(path.read_bytes())
    content[4:4000] = bytes(3996)
    path.write_bytes(content)
    with pytest.raises(PoolBuilderError, match=rf"{path.name}: is broken.*poolbuilder add --check"):
        store.select(**PLACE)
    assert [source["path"] for source in store.check().again] == ["one.csv"]
    assert store.check().problems == ()


@pytest.mark.parametrize("content", [b"{", b"[]", b'{"schemaVersion": 2, "files": [{}]}'])
def test_a_broken_index_is_named_and_made_anew(store: Store, content: bytes) -> None:
    whole, sources = everything(store), store.sources()
    path = _folder(store) / "index.json"
    path.write_bytes(content)
    with pytest.raises(PoolBuilderError, match=r"index\.json: .*poolbuilder add --check"):
        store.select(**PLACE)
    with pytest.raises(PoolBuilderError, match=r"index\.json"):
        added(store, many_rows(10, first=5000))
    found = store.check()
    assert found.again == ()
    assert everything(store).equals(whole)
    assert store.sources() == sources
    assert store.check().problems == ()


def test_an_index_lost_with_its_copy_is_made_from_the_files(store: Store) -> None:
    whole = everything(store)
    for name in ("index.json", "index.copy.json"):
        (_folder(store) / name).unlink()
    with pytest.raises(PoolBuilderError, match=r"index\.json: is missing though there are record files"):
        store.select(**PLACE)
    found = store.check()
    assert any("sources and data sets" in problem for problem in found.problems)
    assert everything(store).equals(whole)


@pytest.mark.parametrize("change", ["rows", "groups", "box", "size"])
def test_an_index_that_does_not_fit_its_files_is_noticed_and_mended(store: Store, change: str) -> None:
    whole = everything(store)
    path = _folder(store) / "index.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    file = content["files"][0]
    if change == "rows":
        file["rows"][0] -= 1
    elif change == "groups":
        file["rows"] = [*file["rows"], 5]
        file["box"] = [[*edge, edge[0]] for edge in file["box"]]
    elif change == "box":
        file["box"][0][0] += 0.5
    else:
        file["size"] += 1
    path.write_text(json.dumps(content), encoding="utf-8")
    if change != "box":  # a box cannot be seen to be wrong without reading the file
        with pytest.raises(PoolBuilderError, match=r"records-000001\.parquet: .*poolbuilder add --check"):
            store.select(**PLACE)
    assert any("records-000001" in problem for problem in store.check().problems)
    assert everything(store).equals(whole)


def test_a_broken_side_file_is_made_anew(store: Store) -> None:
    whole = everything(store)
    name = "replaced-000002.npy"
    (_folder(store) / name).write_bytes(b"not numpy")
    store = Store(_folder(store))
    with pytest.raises(PoolBuilderError, match=rf"{name}: .*poolbuilder add --check"):
        added(store, many_rows(1, first=9000))
    found = store.check()
    assert any(name in problem for problem in found.problems)
    assert everything(store).equals(whole)
    assert added(store, many_rows(500, seed=2)).replaced == 500


def test_another_schema_version_is_refused_by_reader_writer_and_check(store: Store) -> None:
    _edit(store, schemaVersion=1)
    before = files(_folder(store))
    for use in (
        lambda: store.select(**PLACE),
        lambda: added(store, many_rows(1)),
        store.check,
        store.compact,
    ):
        with pytest.raises(
            PoolBuilderError, match=r"index\.json: schemaVersion 1, this program reads 2 .add the files again"
        ):
            use()
    assert files(_folder(store)) == before


def test_a_file_of_another_schema_version_is_set_aside(store: Store) -> None:
    path = _first(store)
    table = pq.read_table(path)
    meta = {
        **pq.read_metadata(path).metadata,
        b"poolbuilder": b'{"kind": "placed", "schemaVersion": 9, "sources": []}',
    }
    pq.write_table(table.replace_schema_metadata(meta), path)
    found = store.check()
    assert any("schemaVersion 9" in problem for problem in found.problems)
    assert (_folder(store) / "damaged" / path.name).exists()


def test_a_stranger_among_the_files_is_left_alone(store: Store) -> None:
    stranger = _folder(store) / "README.md"
    stranger.write_text("mine", encoding="utf-8")
    added(store, many_rows(10, first=2000))
    store.compact()
    assert store.check().problems == ()
    assert stranger.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("size", ["1200k", "1600k", "2000k"])
def test_a_full_disk_leaves_the_store_as_it_was(tmp_path: Path, size: str) -> None:
    with small_disk(tmp_path / "small", size) as disk:
        store = Store(disk, memory_mib=32)
        added(store, many_rows(2000))
        before, whole = files(disk), everything(store)
        with pytest.raises(PoolBuilderError, match="no space left on the disk"):
            added(
                store,
                *(many_rows(10_000, seed=seed, first=seed * 10_000, decimals=12) for seed in range(1, 4)),
            )
        assert files(disk) == before
        assert everything(store).equals(whole)
        assert added(store, many_rows(50, seed=9, first=90_000)).read == 50


@contextmanager
def _without_rights() -> Iterator[None]:
    """Root may do everything, so be nobody for a while."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_no_permission_is_told(store: Store) -> None:
    with tempfile.TemporaryDirectory() as parent:
        Path(parent).chmod(0o755)
        moved = Path(parent) / "store"
        _folder(store).rename(moved)
        store = Store(moved)
        before = files(moved)
        moved.chmod(0o555)
        try:
            with (
                _without_rights(),
                pytest.raises(PoolBuilderError, match=r"cannot be written: Permission denied"),
            ):
                added(store, many_rows(10, first=2000))
            _first(store).chmod(0)
            with (
                _without_rights(),
                pytest.raises(PoolBuilderError, match=r"records-000001\.parquet: no permission"),
            ):
                store.select(**PLACE)
        finally:
            moved.chmod(0o755)
            _first(store).chmod(0o644)
        assert files(moved) == before


WRITER = """
import sys, time
from poolbuilder.records import store as store_module, store_files
from poolbuilder.records.store import Store
from tests.store_rows import added, many_rows

def stop(*args, **kwargs):
    print("ready", flush=True)
    time.sleep(60)

at = sys.argv[2]
whole = store_module.write_whole
if at == "while staging":
    store_module.pq.ParquetWriter.close = stop
elif at == "before writing":
    store_files.parquet_writer = stop
elif at == "before the index":
    store_module.write_whole = stop
elif at == "half an index":
    replace = store_module.Path.replace
    store_module.Path.replace = lambda self, to: stop() if to.name == "index.json" else replace(self, to)
elif at == "after the index":
    store_module.write_whole = lambda path, *more: stop() if "copy" in path.name else whole(path, *more)
added(Store(sys.argv[1]), many_rows(700, seed=5, first=300))
"""


@contextmanager
def _writer_stopped(store: Store, at: str) -> Iterator[subprocess.Popen[str]]:
    """Another process that adds to the store and hangs at a point, holding the lock."""
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(WRITER), str(_folder(store)), at],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[1],
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield process
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


@pytest.mark.parametrize(
    "at", ["while staging", "before writing", "before the index", "half an index", "after the index"]
)
def test_a_killed_add_happened_wholly_or_not_at_all(store: Store, at: str) -> None:
    whole = everything(store)
    with _writer_stopped(store, at) as process:
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert (_folder(store) / "lock.holder").exists()  # a stale lock is left behind
    after = everything(store)
    if at == "after the index":
        assert after.num_rows == 1000
    else:
        assert after.equals(whole)
    assert added(store, many_rows(700, seed=5, first=300)).read == (0 if at == "after the index" else 700)
    added(store, many_rows(10, seed=6, first=5000))
    assert store.records == 1010
    assert store.check().problems == ()
    named = {file.name for file in store.index.files}
    assert {path.name for path in _folder(store).glob("*.parquet")} == named
    assert not (_folder(store) / "adding").exists()


def test_two_adds_at_once_the_second_says_whom_it_waits_for(store: Store) -> None:
    before = store.records
    told: list[str] = []
    with _writer_stopped(store, "before the index") as process:
        hurried = Store(_folder(store), wait_s=0)
        with pytest.raises(PoolBuilderError, match=rf"is being written by process {process.pid} on "):
            added(hurried, many_rows(10, first=5000))
        patient = Store(_folder(store), wait_s=0.3, waiting=told.append)
        start = time.monotonic()
        with pytest.raises(PoolBuilderError, match="is being written"):
            patient.compact()
        assert time.monotonic() - start >= 0.3
        assert told == [f"{_folder(store)}: waiting for process {process.pid} on {os.uname().nodename}"]
        assert store.select(**PLACE).num_rows > 0  # readers never wait
        process.kill()
        process.wait()
        assert added(hurried, many_rows(10, first=5000)).read == 10
    assert store.records == before + 10


def test_two_adds_at_once_both_arrive(store: Store) -> None:
    writers = [
        subprocess.Popen(
            [
                sys.executable,
                "-c",
                "import sys\nfrom poolbuilder.records.store import Store\n"
                "from tests.store_rows import added, many_rows\n"
                f"added(Store({str(_folder(store))!r}), many_rows(400, seed={seed}, first={seed * 1000}))",
            ],
            cwd=Path(__file__).parents[1],
        )
        for seed in (3, 4)
    ]
    assert [writer.wait() for writer in writers] == [0, 0]
    assert store.records == 900 + 800
    assert store.check().problems == ()
