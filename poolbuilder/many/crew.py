"""Who builds the parts: this process, others on this machine, or a Dask cluster."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from contextlib import contextmanager
from typing import Any, Protocol

import pyarrow as pa

from poolbuilder.errors import MissingExtraError, SourceError
from poolbuilder.job import Job
from poolbuilder.many.part import Desk, Part, PartTables, tables_of

__all__ = ["Crew", "crew"]


class Crew(Protocol):
    """Builds parts, in any order."""

    def build(self, parts: Sequence[Part]) -> Iterator[PartTables]:
        """The tables of the parts, each as soon as it is there."""


class _Alone:
    """Nobody but this process; what the job opens is opened once."""

    def __init__(self, job: Job, counts: bool) -> None:
        self._job, self._counts = job, counts

    def build(self, parts: Sequence[Part]) -> Iterator[PartTables]:
        desk = Desk.open(self._job) if parts else None
        for part in parts:
            yield tables_of(self._job, part, counts=self._counts, desk=desk)


_desk: Desk | None = None  # of a worker process, opened when it starts


def _sit_down(job: Job) -> None:
    """Open the job in a new process, which has one core to itself."""
    global _desk
    pa.set_cpu_count(1)
    _desk = Desk.open(job)


def _work(job: Job, part: Part, counts: bool) -> PartTables:
    return tables_of(job, part, counts=counts, desk=_desk)


class _Processes:
    """Processes of this machine."""

    def __init__(self, job: Job, counts: bool, pool: ProcessPoolExecutor) -> None:
        self._job, self._counts, self._pool = job, counts, pool

    def build(self, parts: Sequence[Part]) -> Iterator[PartTables]:
        waiting = {self._pool.submit(_work, self._job, part, self._counts) for part in parts}
        while waiting:
            done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in done:
                yield future.result()


class _Cluster:
    """The workers of a Dask scheduler."""

    def __init__(self, job: Job, counts: bool, client: Any) -> None:
        self._job, self._counts, self._client = job, counts, client

    def build(self, parts: Sequence[Part]) -> Iterator[PartTables]:
        from distributed import as_completed

        futures = [
            self._client.submit(tables_of, self._job, part, counts=self._counts, pure=False) for part in parts
        ]
        for future in as_completed(futures, loop=self._client.loop):  # type: ignore[no-untyped-call]
            yield future.result()


@contextmanager
def crew(job: Job, *, counts: bool = False, workers: int = 1, dask: str | None = None) -> Iterator[Crew]:
    """Who is to build: a cluster when *dask* names one, else *workers* processes."""
    if dask is not None:
        with _client(dask) as client:
            yield _Cluster(job, counts, client)
    elif workers > 1:
        Desk.open(job)  # what cannot be opened is told here, not by every worker
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, context, _sit_down, (job,)) as pool:
            try:
                yield _Processes(job, counts, pool)
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    else:
        yield _Alone(job, counts)


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError as error:
        raise MissingExtraError("a Dask cluster needs `pip install 'poolbuilder[dask]'`") from error
    try:
        return Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as error:
        raise SourceError(
            f"no Dask scheduler answers at {address}: {error} (check the address and the port)",
            source="Dask scheduler",
            url=address,
        ) from error
