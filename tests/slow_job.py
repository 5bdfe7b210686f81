"""Jobs for the tests of cancelling and failing: they must be importable in a child process."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass

from poolbuilder import Job, Pool
from poolbuilder.errors import RecordFileError


@dataclass(frozen=True, kw_only=True)
class SlowJob(Job):
    """Takes a minute, after it has said so."""

    def run(self) -> Pool:
        time.sleep(60)
        raise AssertionError("nobody stopped the job")


@dataclass(frozen=True, kw_only=True)
class RefusedJob(Job):
    """Ends with an error of ours."""

    def run(self) -> Pool:
        raise RecordFileError("the store holds no records", remedy="add some")


@dataclass(frozen=True, kw_only=True)
class KilledJob(Job):
    """Ends without a word, as a process short of memory does."""

    def run(self) -> Pool:
        os._exit(9)
