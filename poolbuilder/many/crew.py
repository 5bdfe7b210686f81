"""Who builds the parts: this process, others on this machine, or a Dask cluster."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from contextlib import contextmanager
from typing import Any, Generic, Protocol, TypeAlias, TypeVar

import pyarrow as pa

from poolbuilder.errors import MissingExtraError, SourceError
from poolbuilder.job import Job
from poolbuilder.many.part import Desk, Part

__all__ = ["Crew", "Make", "crew"]

T = TypeVar("T")
Out = TypeVar("Out", covariant=True)

Make: TypeAlias = Callable[[Job, Part, "Desk | None"], T]
"""What is made of a part; a function that can be sent to another process."""


class Crew(Protocol[Out]):
    """Works on parts, in any order."""

    def build(self, parts: Sequence[Part]) -> Iterator[Out]:
        """What is made of the parts, each as soon as it is there."""


class _Alone(Generic[T]):
    """Nobody but this process; what the job opens is opened once."""

    def __init__(self, job: Job, make: Make[T]) -> None:
        self._job, self._make = job, make

    def build(self, parts: Sequence[Part]) -> Iterator[T]:
        desk = Desk.open(self._job) if parts else None
        for part in parts:
            yield self._make(self._job, part, desk)


_desk: Desk | None = None  # of a worker process, opened when it starts


def _sit_down(job: Job) -> None:
    """Open the job in a new process, which has one core to itself."""
    global _desk
    pa.set_cpu_count(1)
    _desk = Desk.open(job)


def _work(make: Make[T], job: Job, part: Part) -> T:
    return make(job, part, _desk)


class _Processes(Generic[T]):
    """Processes of this machine."""

    def __init__(self, job: Job, make: Make[T], pool: ProcessPoolExecutor) -> None:
        self._job, self._make, self._pool = job, make, pool

    def build(self, parts: Sequence[Part]) -> Iterator[T]:
        waiting = {self._pool.submit(_work, self._make, self._job, part) for part in parts}
        while waiting:
            done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in done:
                yield future.result()


class _Cluster(Generic[T]):
    """The workers of a Dask scheduler."""

    def __init__(self, job: Job, make: Make[T], client: Any) -> None:
        self._job, self._make, self._client = job, make, client

    def build(self, parts: Sequence[Part]) -> Iterator[T]:
        from distributed import as_completed

        futures = [self._client.submit(self._make, self._job, part, None, pure=False) for part in parts]
        for future in as_completed(futures, loop=self._client.loop):  # type: ignore[no-untyped-call]
            yield future.result()


@contextmanager
def crew(job: Job, make: Make[T], *, workers: int = 1, dask: str | None = None) -> Iterator[Crew[T]]:
    """Who is to build: a cluster when *dask* names one, else *workers* processes."""
    if dask is not None:
        with _client(dask) as client:
            yield _Cluster(job, make, client)
    elif workers > 1:
        Desk.open(job)  # what cannot be opened is told here, not by every worker
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, context, _sit_down, (job,)) as pool:
            try:
                yield _Processes(job, make, pool)
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    else:
        yield _Alone(job, make)


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
