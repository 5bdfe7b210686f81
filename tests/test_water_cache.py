"""Networks are made once and kept; a broken or old one is made again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from poolbuilder.water import network as cache
from poolbuilder.water.network import ARRAYS
from tests.waters import geojson, line


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("POOLBUILDER_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache" / "networks"


@pytest.fixture
def spec(tmp_path: Path) -> str:
    return geojson(
        tmp_path / "streams.geojson", [line((0, 3000), (0, 0)), line((0, 0), (0, -900))], name=["A", "B"]
    )


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Which layers were read."""
    seen: list[str] = []
    read_layer = cache.read_layer

    def counted(spec: str, **more: Any) -> Any:
        seen.append(spec)
        return read_layer(spec, **more)

    monkeypatch.setattr(cache, "read_layer", counted)
    return seen


def test_the_second_load_reads_no_layer_and_gives_the_same(kept: Path, spec: str, reads: list[str]) -> None:
    one, other = (cache.load_network(spec, join_m=1.0) for _ in range(2))
    assert reads == [spec]
    for name in ARRAYS:
        assert np.array_equal(getattr(one, name), getattr(other, name))
    assert (one.names, one.notes, one.source) == (other.names, other.notes, other.source)
    assert isinstance(other.longitude, np.memmap)


def test_a_changed_layer_or_tolerance_is_loaded_anew(kept: Path, spec: str, reads: list[str]) -> None:
    cache.load_network(spec, join_m=1.0)
    cache.load_network(spec, join_m=2.0)
    geojson(Path(spec), [line((0, 3000), (0, 0))], name=["A"])
    assert cache.load_network(spec, join_m=1.0).edges == 1
    assert len(reads) == 3


@pytest.mark.parametrize("name", ["offsets.npy", "network.json"])
@pytest.mark.parametrize("damage", ["gone", "cut", "other"])
def test_a_broken_network_is_made_again(kept: Path, spec: str, name: str, damage: str) -> None:
    whole = cache.load_network(spec, join_m=1.0)
    edges, length = whole.edges, whole.length_m.sum()
    (path,) = kept.glob(f"*/{name}")
    if damage == "gone":
        path.unlink()
    elif damage == "cut":
        path.write_bytes(path.read_bytes()[:20])
    elif name == "network.json":
        path.write_text("[]", encoding="utf-8")
    else:
        np.save(path, np.arange(7))
    again = cache.load_network(spec, join_m=1.0)
    assert (again.edges, again.length_m.sum()) == (edges, length)
    assert again.offsets[-1] == len(again.longitude)


def test_a_folder_that_cannot_be_written_is_no_error(
    tmp_path: Path, spec: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    monkeypatch.setenv("POOLBUILDER_CACHE", str(tmp_path / "file"))
    assert cache.load_network(spec, join_m=1.0).edges == 2


def test_a_full_disk_leaves_nothing_half_written(
    kept: Path, spec: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    saved = []

    def full(path: Path, values: Any) -> None:
        saved.append(path)
        if len(saved) > 3:
            raise OSError(28, "No space left on device")
        Path(path).write_bytes(b"half")

    monkeypatch.setattr(cache.np, "save", full)
    assert cache.load_network(spec, join_m=1.0).edges == 2
    assert len(saved) == 4
    assert not list(kept.glob("*/*"))


def test_the_cache_lies_in_the_user_s_folder_by_default(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("POOLBUILDER_CACHE", raising=False)
    assert cache.cache_folder().parts[-2:] == ("poolbuilder", "networks")
