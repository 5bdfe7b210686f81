"""The dated folders of a plan, and what their pools were built from.

::

    pools/
      2026-03-31/   mill-pond/ ... summary.json summary.html summary.md
      2026-06-30/
      inputs/       lists, layers and settings by their content, once, compressed
      latest        a link to the youngest; a text file with its name where links are not possible
      .lock
"""

from __future__ import annotations

import datetime
import gzip
import json
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from poolbuilder.errors import PlanError, PoolFileError, said
from poolbuilder.files import recover, write_whole
from poolbuilder.folder import FILES, read_pool, write_pool
from poolbuilder.intake import restore_records
from poolbuilder.job import Job, content_digest, files_of
from poolbuilder.pages.pool_page import render
from poolbuilder.pool import Pool

LATEST = "latest"
WORK = ".run"
DAY_MARK = ".day"
INPUTS = "inputs"


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
        """A folder to write a run into; a run of the day that was killed goes on in its folder.

        Raises
        ------
        PlanError
            When a run of a later day is there: a clock is wrong.
        """
        for path in self.out.glob(".*.previous"):
            recover(path.with_name(path.name[1 : -len(".previous")]))
        days = self.days()
        if days and days[-1] > day:
            raise PlanError.of(
                "last_run_after", days=self.folder(days[-1]), days2=days[-1].isoformat(), day=day.isoformat()
            )
        work = self.out / WORK
        mark = work / DAY_MARK
        if not (mark.is_file() and mark.read_text(encoding="utf-8", errors="replace") == day.isoformat()):
            shutil.rmtree(work, ignore_errors=True)
            work.mkdir()
            mark.write_text(day.isoformat(), encoding="utf-8")
        return work

    def finish(self, work: Path, day: datetime.date) -> Path:
        """Put a written run in its place, and let ``latest`` point to it."""
        for path in (*work.glob(".*.json"), work / DAY_MARK):
            path.unlink(missing_ok=True)
        target = self.folder(day)
        previous = target.with_name(f".{target.name}.previous")
        shutil.rmtree(previous, ignore_errors=True)
        if target.exists():
            target.rename(previous)
        work.rename(target)
        shutil.rmtree(previous, ignore_errors=True)
        link, beside = self.out / LATEST, self.out / f".{LATEST}.new"
        beside.unlink(missing_ok=True)
        if link.is_dir() and not link.is_symlink():
            return target  # somebody's own folder is left alone
        if not point(beside, target.name):
            beside.write_text(target.name + "\n", encoding="utf-8")
        beside.replace(link)
        return target

    def latest_fault(self) -> str | None:
        """What is wrong with ``latest``, if anything; the youngest dated folder counts in its place."""
        link, days = self.out / LATEST, self.days()
        try:
            named = str(link.readlink()) if link.is_symlink() else link.read_text(encoding="utf-8").strip()
        except FileNotFoundError:
            return said("latest_missing", link=link) if days else None
        except (OSError, UnicodeDecodeError):
            return said("latest_unreadable", link=link)
        day = _day(Path(named).name)
        return None if day in days else said("latest_elsewhere", link=link, named=named[:40])

    def last_summary(self, day: datetime.date) -> dict[str, Any]:
        """The summary of the youngest run before *day*; empty when there is none that can be read."""
        for earlier in reversed([item for item in self.days() if item < day]):
            try:
                found = json.loads((self.folder(earlier) / "summary.json").read_text(encoding="utf-8"))
            except (OSError, ValueError):
                continue
            return {**found, "waters": {water["slug"]: water for water in found["waters"] if "slug" in water}}
        return {}

    def introduced_before(self, day: datetime.date) -> Path | None:
        """The folder of introduced species of the youngest run before *day* that has one."""
        found = [self.folder(item) / "introduced" for item in self.days() if item < day]
        path = next((path for path in reversed(found) if (path / "introduced.json").is_file()), None)
        return None if path is None else path.resolve()

    def holds(self, folder: str) -> bool:
        """Whether a pool is whole, as far as can be seen without reading its tables."""
        path = self.out / folder
        try:
            json.loads((path / "pool.json").read_text(encoding="utf-8"))
            return all((path / name).stat().st_size for name in FILES)
        except (OSError, ValueError):
            return False

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
                notes.append(said("pool_passed_over", error=error))
        return None, notes

    def prune(self, before: datetime.date) -> list[datetime.date]:
        """Remove runs older than a day, but for the youngest and what a kept run refers to."""
        days = self.days()
        kept = [day for day in days if day >= before] or days[-1:]
        seen = self.introduced_before(datetime.date.max)
        needed = set() if seen is None else {seen.parent.name}
        texts = []
        for day in kept:
            summary, introduced = self.folder(day) / "summary.json", self.folder(day) / "introduced"
            texts.append(summary.read_text(encoding="utf-8") if summary.is_file() else "")
            needed |= {introduced.resolve().parent.name} if introduced.is_symlink() else set()
        needed |= set(re.findall(r'"folder": "\.\./(\d{4}-\d\d-\d\d)/', "\n".join(texts)))
        gone = [day for day in days if day not in kept and day.isoformat() not in needed]
        for day in gone:
            shutil.rmtree(self.folder(day))
        left = [path.read_text(encoding="utf-8") for path in self.out.glob("2*/summary.json")]
        for path in (self.out / INPUTS).glob("*.gz"):
            if not any(path.name.removesuffix(".gz") in text for text in left):
                path.unlink()
        return gone

    def keep_inputs(self, job: Job) -> dict[str, Any]:
        """Keep the lists and layers of a job by their content; gives what `restored` needs to find them."""
        kept: dict[str, dict[str, str]] = {}
        for spec in job.specs():
            for path in files_of(spec):
                digest = content_digest(path)
                kept.setdefault(spec, {})[path.name] = digest
                target = self.out / INPUTS / f"{digest}.gz"
                if not target.exists():
                    write_whole(target, gzip.compress(path.read_bytes(), mtime=0))
        return {
            "checklist": job.checklist,
            "ranges": list(job.ranges),
            "regionLists": [list(pair) for pair in job.region_lists],
            "store": str(job.store),
            "files": kept,
        }


def _day(name: str) -> datetime.date | None:
    try:
        day = datetime.date.fromisoformat(name)
    except ValueError:
        return None
    return day if day.isoformat() == name else None


def point(link: Path, target: str) -> bool:
    """Make a link to a folder; False where links are not possible."""
    try:
        link.symlink_to(target, target_is_directory=True)
    except (OSError, NotImplementedError):
        return False
    return True


def restored(folder: str | Path, *, store: Path | None, usual: Path, into: Path) -> list[str]:
    """Restore what a pool was built from, and where a seasonal run wrote it build the pool again.

    Parameters
    ----------
    folder : path
        The pool.
    store : path, optional
        Where answers of the service are kept; by default where the seasonal run had its store.
    usual : path
        Where they are looked for of a pool that no seasonal run made.
    into : path
        A store of its own, in which ``inputs`` holds the lists and layers and ``pool`` the pool.

    Returns
    -------
    list of str
        What was done, and what is left to do by hand.

    Raises
    ------
    StoreError
        When *into* holds records already, or an answer is missing or was changed.
    PoolFileError
        When the pool cannot be read, or an input that is kept is broken.
    """
    place = Path(folder).resolve()
    pool = read_pool(place)
    made = _made_with(place)
    kept_in = store or (usual if made is None else Path(made["store"]))
    records, others = restore_records(pool.inputs, store=kept_in, into=into)
    lines = [
        said("records_restored", store=into, records=records),
        *(f"add it yourself: {other}" for other in others),
    ]
    if made is None or others:
        return lines
    here = {spec: _unpacked(place.parents[1], spec, files, into) for spec, files in made["files"].items()}

    def now(spec: str | None) -> Any:
        return None if spec is None else here.get(spec, spec)

    job = Job(
        site=pool.site,
        as_of=pool.as_of,
        checklist=now(made["checklist"]),
        ranges=tuple(now(spec) for spec in made["ranges"]),
        region_lists=tuple((now(table), now(layer)) for table, layer in made["regionLists"]),
        store=into,
        settings=pool.settings,
        calibration=pool.calibration,
        **{name: now(spec) for name, spec in made["layers"].items()},
    )
    again = job.run()
    write_pool(again, into / "pool", pages={"report.html": render(again)})
    same = again.candidates.equals(pool.candidates) and again.contributions.equals(pool.contributions)
    return [*lines, said("pool_the_same" if same else "pool_differs", folder=into / "pool")]


def _made_with(place: Path) -> dict[str, Any] | None:
    """What the summary of its run says of how a pool was made; None for a pool of no run."""
    try:
        document = json.loads((place.parent / "summary.json").read_text(encoding="utf-8"))
        row = next(item for item in document["waters"] if item["slug"] == place.name)
        return {**document["inputs"], "layers": row["layers"]}
    except (OSError, ValueError, KeyError, TypeError, StopIteration):
        return None


def _unpacked(out: Path, spec: str, files: Mapping[str, str], into: Path) -> str:
    """The files of a list or layer beside the store, the main one first; how it is named there."""
    main = next(iter(files))
    folder = into / INPUTS / files[main][:12]
    for name, digest in files.items():
        source = out / INPUTS / f"{digest}.gz"
        try:
            write_whole(folder / name, gzip.decompress(source.read_bytes()))
        except (OSError, EOFError) as error:
            raise PoolFileError.of("cannot_read_runs", file=source, error=error, spec=spec) from error
        if content_digest(folder / name) != digest:
            raise PoolFileError.of("input_changed", file=source, spec=spec)
    return f"{folder / main}{spec.rpartition(main)[2]}"
