"""Builds in processes of their own, so that a long one can be watched and cancelled."""

from __future__ import annotations

import datetime
import logging
import math
import multiprocessing
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from poolbuilder.errors import PoolBuilderError
from poolbuilder.files import clear_leftovers
from poolbuilder.job import Job
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings

AT_ONCE = 2
GRACE_S = 3.0
ENDED = ("done", "failed", "cancelled")


@dataclass(frozen=True, kw_only=True)
class Fetching:
    """Records around a place, to be brought from the occurrence service into a store.

    Attributes
    ----------
    site : Site
    taxa : tuple of str
    store : Path
    service_url : str
    """

    site: Site
    taxa: tuple[str, ...]
    store: Path
    service_url: str
    settings: Settings

    def run(self, say: Callable[[str], None]) -> None:
        """Bring the records, and say how it goes and what came.

        Raises
        ------
        PoolBuilderError
            When the service or the store fails, or not every record came.
        """
        from poolbuilder.intake import Wanted, bring
        from poolbuilder.records.service.client import Client

        say(f"asking {self.service_url} for {', '.join(self.taxa)}")
        last = -math.inf

        def progress(doing: str, done: int, total: int | None) -> None:
            nonlocal last
            if time.monotonic() - last > 1:
                last = time.monotonic()
                say(f"{doing}: {done:,} of {total:,}" if total else f"{doing}: {done:,}")

        with Client(self.service_url, settings=self.settings) as client:
            wanted = Wanted(site=self.site, taxa=self.taxa)
            now = datetime.datetime.now(datetime.UTC)
            intake = bring(
                client, wanted, store=self.store, settings=self.settings, now=now, progress=progress
            )
        say(f"{intake.added:,} records added; most restrictive licence: {intake.licence_words()}")
        if not intake.complete:
            raise PoolBuilderError("not every promised record came: " + "; ".join(intake.notes()))


class _Forward(logging.Handler):
    """Sends what the library logs to the page."""

    def __init__(self, pipe: Connection) -> None:
        super().__init__(level=logging.INFO)
        self.pipe = pipe

    def emit(self, record: logging.LogRecord) -> None:
        """Send one message."""
        self.pipe.send(("step", record.getMessage()))


def _work(pipe: Connection, job: Job | Fetching, target: Path) -> None:
    """Run in the child: build, write the folder, say how it went."""
    logger = logging.getLogger("poolbuilder")
    logger.setLevel(logging.INFO)
    logger.addHandler(_Forward(pipe))
    try:
        if isinstance(job, Fetching):
            job.run(lambda words: pipe.send(("step", words)))
            pipe.send(("done", ""))
            return
        from poolbuilder.folder import write_pool
        from poolbuilder.pages.pool_page import render

        pipe.send(("step", "reading records and weighing them"))
        pool = job.run()
        pipe.send(("step", f"writing {pool.candidates.num_rows:,} candidates and the report"))
        write_pool(pool, target, pages={"report.html": render(pool)})
        pipe.send(("done", ""))
    except PoolBuilderError as error:
        pipe.send(("failed", str(error)))
    except Exception as error:
        pipe.send(("failed", f"a fault of poolbuilder itself: {type(error).__name__}: {error}"))
        raise
    finally:
        pipe.close()


@dataclass(kw_only=True)
class Build:
    """One build: ``waiting``, ``running``, then ``done``, ``failed`` or ``cancelled``."""

    key: str
    job: Job | Fetching
    target: Path
    state: str = "waiting"
    error: str = ""
    steps: list[tuple[float, str]] = field(default_factory=list)
    began: float = field(default_factory=time.monotonic)
    lock: threading.Lock = field(default_factory=threading.Lock)
    gone: threading.Event = field(default_factory=threading.Event)
    process: Any = None

    @property
    def seconds(self) -> float:
        """Since it was asked for."""
        return time.monotonic() - self.began

    @property
    def ended(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in ENDED

    def say(self, words: str) -> None:
        """Note a step with its time."""
        self.steps.append((self.seconds, words))

    def as_dict(self) -> dict[str, Any]:
        """What the waiting page asks for."""
        return {
            "state": self.state,
            "error": self.error,
            "seconds": round(self.seconds, 1),
            "steps": [[round(at, 1), words] for at, words in self.steps],
        }


class Builds:
    """The builds of one page, at most two of them running."""

    def __init__(self) -> None:
        self._known: dict[str, Build] = {}
        self._lock = threading.Lock()
        self._turns = threading.Semaphore(AT_ONCE)
        self._context = multiprocessing.get_context("spawn")

    def get(self, key: str) -> Build | None:
        """The build of this key, if one was asked for."""
        return self._known.get(key)

    def start(self, key: str, job: Job | Fetching, target: Path) -> Build:
        """The build that is under way, or a new one."""
        with self._lock:
            known = self._known.get(key)
            if known is not None and not known.ended:
                return known
            build = Build(key=key, job=job, target=target)
            self._known[key] = build
        threading.Thread(target=self._run, args=(build,), daemon=True, name=f"build {key}").start()
        return build

    def forget(self, key: str) -> None:
        """Let a build that ended be asked for again."""
        with self._lock:
            if key in self._known and self._known[key].ended:
                del self._known[key]

    def cancel(self, key: str) -> bool:
        """Stop a build; nothing of it stays.  False when there is none to stop."""
        build = self._known.get(key)
        if build is None:
            return False
        with build.lock:
            if build.ended:
                return False
            build.state = "cancelled"
            process = build.process
        if process is not None:
            _stop(build)
        return True

    def stop(self) -> None:
        """Cancel everything, when the page ends."""
        for key in list(self._known):
            self.cancel(key)

    def _run(self, build: Build) -> None:
        with self._turns:
            receiver, sender = self._context.Pipe(duplex=False)
            with build.lock:
                if build.ended:
                    return
                build.process = self._context.Process(
                    target=_work, args=(sender, build.job, build.target), daemon=True
                )
                build.state = "running"
                build.process.start()
            sender.close()
            _listen(build, receiver)
            build.process.join()
            build.gone.set()


def _listen(build: Build, receiver: Connection) -> None:
    """Take the child's messages until it ends, however it ends."""
    while True:
        try:
            kind, words = receiver.recv()
        except (EOFError, OSError):
            break
        if kind == "step":
            build.say(words)
        else:
            with build.lock:
                if not build.ended:
                    build.state, build.error = kind, words
    with build.lock:
        if not build.ended:
            build.process.join(GRACE_S)
            build.state = "failed"
            build.error = (
                f"the build ended without a word (exit code {build.process.exitcode}); "
                "a machine short of memory does that"
            )


def _stop(build: Build) -> None:
    # Only the thread that listens joins the process: of two that wait for one child, one may
    # be told that there is none.
    build.process.terminate()
    if not build.gone.wait(GRACE_S):
        build.process.kill()
        build.gone.wait()
    clear_leftovers(build.target)
