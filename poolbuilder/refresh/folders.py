"""Where runs are written: a dated folder for each, and ``latest``.

::

    pools/
      2026-03-31/   mill-pond/ ... summary.json summary.html
      2026-06-30/
      latest        a link to the youngest; a text file with its name where links are not possible
      .lock
"""

from __future__ import annotations

import datetime
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from poolbuilder.errors import PlanError, PoolFileError, StoreError
from poolbuilder.files import recover
from poolbuilder.folder import read_pool
from poolbuilder.pool import Pool

__all__ = ["Runs", "locked"]

LATEST = "latest"


@contextmanager
def locked(out: Path) -> Iterator[None]:
    """Hold a plan's folder; the lock goes with the process, whatever ends it.

    Raises
    ------
    StoreError
        When another run holds it, or the folder cannot be made.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        lock = FileLock(out / ".lock", timeout=0)
        lock.acquire()
    except Timeout as error:
        raise StoreError(f"{out}: another refresh is writing here (wait until it is done)") from error
    except OSError as error:
        raise StoreError(
            f"{out}: cannot be written: {error.strerror} (check the path and its rights)"
        ) from error
    try:
        yield
    finally:
        lock.release()


@dataclass(frozen=True)
class Runs:
    """The dated folders below a plan's ``out``."""

    out: Path

    def days(self) -> list[datetime.date]:
        """Days of the runs that are there, oldest first."""
        return sorted(day for path in self.out.iterdir() if (day := _day(path.name)) and path.is_dir())

    def folder(self, day: datetime.date) -> Path:
        """The folder of a day's run."""
        return self.out / day.isoformat()

    def begin(self, day: datetime.date) -> Path:
        """An empty folder to write a run into; what killed runs left is mended or cleared away.

        Raises
        ------
        PlanError
            When a run of a later day is there: a clock is wrong.
        """
        for path in self.out.glob(".*.previous"):
            recover(path.with_name(path.name[1 : -len(".previous")]))
        days = self.days()
        if days and days[-1] > day:
            raise PlanError(
                f"{self.folder(days[-1])}: the last run is of {days[-1].isoformat()}, which is after today, "
                f"{day.isoformat()}",
                remedy="set the clock of this computer right, or move that folder away",
            )
        work = self.out / ".run"
        shutil.rmtree(work, ignore_errors=True)
        work.mkdir()
        return work

    def finish(self, work: Path, day: datetime.date) -> Path:
        """Put a written run in its place, and let ``latest`` point to it."""
        target = self.folder(day)
        previous = target.with_name(f".{target.name}.previous")
        shutil.rmtree(previous, ignore_errors=True)
        if target.exists():
            target.rename(previous)
        work.rename(target)
        shutil.rmtree(previous, ignore_errors=True)
        self._point(target.name)
        return target

    def _point(self, name: str) -> None:
        link, beside = self.out / LATEST, self.out / f".{LATEST}.new"
        beside.unlink(missing_ok=True)
        if link.is_dir() and not link.is_symlink():
            return  # somebody's own folder is left alone
        try:
            beside.symlink_to(name, target_is_directory=True)
        except (OSError, NotImplementedError):
            beside.write_text(name + "\n", encoding="utf-8")
        beside.replace(link)

    def latest(self) -> tuple[datetime.date | None, str | None]:
        """The day that ``latest`` names, and what is wrong with it, if anything.

        When it cannot be used, the youngest dated folder counts.
        """
        link = self.out / LATEST
        days = self.days()
        youngest = days[-1] if days else None
        try:
            named = str(link.readlink()) if link.is_symlink() else link.read_text(encoding="utf-8").strip()
        except FileNotFoundError:
            return youngest, None if youngest is None else f"{link} is missing: the youngest run is used"
        except (OSError, UnicodeDecodeError):
            return youngest, f"{link} cannot be read: the youngest run is used"
        day = _day(Path(named).name)
        if day is None or day not in days:
            return youngest, f"{link} names {named[:40]!r}, which is no run here: the youngest run is used"
        return day, None

    def before(self, slug: str, day: datetime.date) -> tuple[Pool | None, list[str]]:
        """The youngest readable pool of a water from a run before *day*, and what could not be read."""
        notes: list[str] = []
        for earlier in reversed([item for item in self.days() if item < day]):
            folder = self.folder(earlier) / slug
            if not folder.is_dir():
                continue
            try:
                return read_pool(folder), notes
            except PoolFileError as error:
                notes.append(f"an earlier pool cannot be read and is passed over: {error}")
        return None, notes


def _day(name: str) -> datetime.date | None:
    try:
        day = datetime.date.fromisoformat(name)
    except ValueError:
        return None
    return day if day.isoformat() == name else None
