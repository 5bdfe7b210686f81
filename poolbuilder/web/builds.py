"""Builds and fetches in processes of their own, so that a long one can be watched and cancelled."""

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

from poolbuilder.errors import PoolBuilderError, said
from poolbuilder.files import clear_leftovers
from poolbuilder.job import Job
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings

AT_ONCE = 2
GRACE_S = 3.0
Say = Callable[[str], None]


@dataclass(frozen=True, kw_only=True)
class Fetching:
    """What is to be brought from a service into a store: records around a place, or the water's own layers.

    Attributes
    ----------
    site : Site
    taxa : tuple of str
        Taxa of the records; empty for the layers of the water.
    store : Path
    url : str
        Address of the service.
    """

    site: Site
    taxa: tuple[str, ...]
    store: Path
    url: str
    settings: Settings

    def run(self, say: Say) -> None:
        """Bring it, and say how it goes and what came.

        Raises
        ------
        PoolBuilderError
            When the service or the store fails, or not every record came.
        """
        now = datetime.datetime.now(datetime.UTC)
        if not self.taxa:
            from poolbuilder.water.hydrography import fetch_water

            say(said("asking_outline_flow", address=self.url))
            for note in fetch_water(self.site, self.store, today=now.date(), url=self.url).notes:
                say(note)
            return
        from poolbuilder.intake import Wanted, bring
        from poolbuilder.records.service.client import Client

        say(f"asking {self.url} for {', '.join(self.taxa)}")
        last = -math.inf

        def progress(doing: str, done: int, total: int | None) -> None:
            nonlocal last
            if time.monotonic() - last > 1:
                last = time.monotonic()
                say(f"{doing}: {done:,} of {total:,}" if total else f"{doing}: {done:,}")

        with Client(self.url, settings=self.settings) as client:
            wanted = Wanted(site=self.site, taxa=self.taxa)
            intake = bring(
                client, wanted, store=self.store, settings=self.settings, now=now, progress=progress
            )
        say(said("records_added_most", added=intake.added, intake=intake.licence_words()))
        if not intake.complete:
            raise PoolBuilderError(said("not_every_record", notes="; ".join(intake.notes())))


class _Forward(logging.Handler):
    """Sends what the library logs to the page."""

    def __init__(self, say: Say) -> None:
        super().__init__(level=logging.INFO)
        self.say = say

    def emit(self, record: logging.LogRecord) -> None:
        """Send one message."""
        self.say(record.getMessage())


def _work(pipe: Connection, job: Job | Fetching, target: Path) -> None:
    """Run in the child: fetch, or build and write the folder; say how it went."""

    def say(text: str) -> None:
        pipe.send(("step", text))

    logger = logging.getLogger("poolbuilder")
    logger.setLevel(logging.INFO)
    logger.addHandler(_Forward(say))
    try:
        if isinstance(job, Fetching):
            job.run(say)
        else:
            from poolbuilder.folder import write_pool
            from poolbuilder.pages.pool_page import render

            say(said("reading_records_weighing"))
            pool = job.run()
            say(said("writing_candidates_report", num_rows=pool.candidates.num_rows))
            write_pool(pool, target, pages={"report.html": render(pool)})
        pipe.send(("done", ""))
    except PoolBuilderError as error:
        pipe.send(("failed", str(error)))
    except Exception as error:
        pipe.send(("failed", said("fault_poolbuilder_itself", name=type(error).__name__, error=error)))
        raise
    finally:
        pipe.close()


@dataclass(kw_only=True)
class Build:
    """One build or fetch: ``waiting``, ``running``, then ``done``, ``failed`` or ``cancelled``."""

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
    def ended(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in {"done", "failed", "cancelled"}

    def as_dict(self) -> dict[str, Any]:
        """What the waiting page asks for."""
        return {
            "state": self.state,
            "seconds": round(time.monotonic() - self.began, 1),
            "steps": [[round(at, 1), text] for at, text in self.steps],
        }

    def run(self, context: Any) -> None:
        """Start the process, unless it was cancelled before its turn, and listen until it ends."""
        receiver, sender = context.Pipe(duplex=False)
        with self.lock:
            if self.ended:
                return
            self.process = context.Process(target=_work, args=(sender, self.job, self.target), daemon=True)
            self.state = "running"
            self.process.start()
        sender.close()
        state = error = ""
        while True:
            try:
                kind, text = receiver.recv()
            except (EOFError, OSError):
                break
            if kind == "step":
                self.steps.append((time.monotonic() - self.began, text))
            else:
                state, error = kind, text
        if not state:
            self.process.join(GRACE_S)
            state = "failed"
            error = said("build_ended_silently", code=self.process.exitcode)
        with self.lock:
            if not self.ended:
                self.state, self.error = state, error
        self.process.join()
        self.gone.set()

    def cancel(self) -> bool:
        """Stop it, or take it out of the queue; nothing of it stays.  False when it has ended."""
        with self.lock:
            if self.ended:
                return False
            self.state = "cancelled"
        if self.process is not None:
            # Only the thread that listens joins the process: of two that wait for one child, one may
            # be told that there is none.
            self.process.terminate()
            if not self.gone.wait(GRACE_S):
                self.process.kill()
                self.gone.wait()
            clear_leftovers(self.target)
        return True


class Builds:
    """The builds of one page: at most two run, the others wait for their turn."""

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
            build = self._known[key] = Build(key=key, job=job, target=target)
        threading.Thread(target=self._run, args=(build,), daemon=True, name=f"build {key}").start()
        return build

    def _run(self, build: Build) -> None:
        with self._turns:
            build.run(self._context)

    def forget(self, key: str) -> Build | None:
        """Let a build that ended be asked for again; the build, if it had ended."""
        with self._lock:
            known = self._known.get(key)
            return self._known.pop(key) if known is not None and known.ended else None

    def cancel(self, key: str) -> bool:
        """Stop a build; False when there is none to stop."""
        build = self._known.get(key)
        return build is not None and build.cancel()

    def stop(self) -> None:
        """Cancel everything, when the page ends."""
        for key in list(self._known):
            self.cancel(key)
