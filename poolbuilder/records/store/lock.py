"""One writer at a time.

The lock is the operating system's, so it ends with the process that holds it, however that
process ended; the file beside it only tells others whom they wait for.
"""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from poolbuilder.errors import StoreError
from poolbuilder.records.store.folder import told

__all__ = ["LOCK_NAME", "held"]

LOCK_NAME = "lock"
HOLDER_NAME = "lock.holder"


def holder(folder: Path) -> str:
    """Who holds the lock, in words."""
    try:
        values = json.loads((folder / HOLDER_NAME).read_text(encoding="utf-8"))
        return f"process {values['pid']} on {values['host']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "another process"


@contextmanager
def held(
    folder: Path, *, wait_s: float = 0.0, waiting: Callable[[str], None] | None = None
) -> Iterator[None]:
    """Hold the store's lock while the block runs.

    Parameters
    ----------
    folder : Path
        The store; made when it is not there.
    wait_s : float
        How long to wait for another writer; 0 does not wait.
    waiting : callable, optional
        Told once, in words, whom it waits for.

    Raises
    ------
    StoreError
        When another process still writes after *wait_s*, or the folder cannot be written.
    """
    with told(str(folder), "writing"):
        folder.mkdir(parents=True, exist_ok=True)
    lock = FileLock(folder / LOCK_NAME)
    with told(str(folder / LOCK_NAME), "writing"):
        try:
            lock.acquire(timeout=0)
        except Timeout:
            if waiting is not None and wait_s > 0:
                waiting(f"{folder}: waiting for {holder(folder)}")
            try:
                lock.acquire(timeout=wait_s)
            except Timeout:
                raise StoreError(
                    f"{folder}: is being written by {holder(folder)} (wait for its end, then try again)"
                ) from None
    try:
        about = json.dumps({"pid": os.getpid(), "host": socket.gethostname()})
        with told(str(folder / HOLDER_NAME), "writing"):
            (folder / HOLDER_NAME).write_text(about, encoding="utf-8")
        yield
    finally:
        (folder / HOLDER_NAME).unlink(missing_ok=True)
        lock.release()
