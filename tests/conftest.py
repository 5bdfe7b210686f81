"""What every test shares: no network but loopback, and where the real data lie."""

from __future__ import annotations

import ipaddress
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from poolbuilder import Pool
from poolbuilder.demonstration import demo_pool as build_demo_pool

SHARED = Path(os.environ.get("POOLBUILDER_SHARED", Path(__file__).parents[2] / "shared")) / "data"


def _is_loopback(address: object) -> bool:
    if not isinstance(address, tuple):
        return True  # a Unix socket
    host = str(address[0])
    if host in {"localhost", ""}:
        return True
    try:
        return ipaddress.ip_address(host.split("%")[0]).is_loopback
    except ValueError:
        return False


@pytest.fixture(autouse=True)
def _no_network(
    request: pytest.FixtureRequest,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """Block every socket but loopback; tests marked `live` are let through."""
    if request.node.get_closest_marker("live"):
        return
    connect, connect_ex = socket.socket.connect, socket.socket.connect_ex

    def guarded(self: socket.socket, address: object) -> None:
        if not _is_loopback(address):
            raise OSError(f"a test may not connect to {address!r}")
        connect(self, address)

    def guarded_ex(self: socket.socket, address: object) -> int:
        if not _is_loopback(address):
            raise OSError(f"a test may not connect to {address!r}")
        return connect_ex(self, address)

    monkeypatch.setattr(socket.socket, "connect", guarded)
    monkeypatch.setattr(socket.socket, "connect_ex", guarded_ex)
    monkeypatch.setenv("POOLBUILDER_STORE", "no-store-in-tests")
    monkeypatch.setenv("POOLBUILDER_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))
    monkeypatch.setenv("POOLBUILDER_MAP", str(tmp_path_factory.getbasetemp() / "no-map-layers"))


@pytest.fixture(scope="session", autouse=True)
def mypy(request: pytest.FixtureRequest) -> Iterator[subprocess.Popen[str] | None]:
    """Mypy, which checks the types beside the tests from their start on where one of them waits for it."""
    if not any("mypy" in item.name for item in request.session.items):
        yield None
        return
    with subprocess.Popen(
        [sys.executable, "-m", "mypy"],
        cwd=Path(__file__).parents[1],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        yield process
        process.kill()  # where the tests end before it


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """The folder of real data beside the checkout; the test skips where it is absent."""
    if not SHARED.is_dir():
        pytest.skip("the real data are not here")
    return SHARED


@pytest.fixture(scope="session")
def demo_pool() -> Pool:
    """The pool of the invented demo water."""
    return build_demo_pool()


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """A disk of its own, of such a size as ``1200k``; the test skips where none can be mounted."""
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], check=False, capture_output=True
    )
    if made.returncode:
        pytest.skip("a small tmpfs cannot be mounted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)
