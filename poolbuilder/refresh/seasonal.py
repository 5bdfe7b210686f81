"""The seasonal run: fetch what is new, build, compare with the last run, say what changed.

All waters are fetched before the first is built: what is learnt of a region must not depend
on the order of the waters.  One failing water stops no other.  Runs are written into dated
folders::

    pools/
      2026-03-31/   mill-pond/ ... summary.json summary.html
      2026-06-30/
      latest        a link to the youngest; a text file with its name where links are not possible
      .lock
"""

from __future__ import annotations

import datetime
import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from poolbuilder.compare import Comparison, compare
from poolbuilder.errors import (
    OfflineError,
    PlanError,
    PoolBuilderError,
    PoolFileError,
    SourceError,
)
from poolbuilder.files import locked, recover
from poolbuilder.folder import read_pool, write_pool
from poolbuilder.intake import Wanted, bring, last_fetched
from poolbuilder.job import Job, is_genus
from poolbuilder.pages import render
from poolbuilder.pool import Pool
from poolbuilder.records.service import Client
from poolbuilder.refresh.plan import Plan, PlannedWater, group_neighbours
from poolbuilder.refresh.summary import summary_document, summary_page
from poolbuilder.surroundings import Regions

LATEST = "latest"


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


Progress = Callable[[str, int, "int | None"], None]

PATIENCE = 2
"""Waters in a row that the service may fail for before it is left alone."""


@dataclass
class Outcome:
    """What became of one water.

    Attributes
    ----------
    fault : str, optional
        Why its records could not be fetched, or its pool not built.
    fetched : datetime, optional
        When the records were fetched that the pool rests on.
    built : dict, optional
        Counts and leading candidates of the pool; None when nothing could be built.
    comparison : Comparison, optional
        None for a water without an earlier run.
    """

    water: PlannedWater
    fetched: datetime.datetime | None = None
    licence: str | None = None
    fault: str | None = None
    built: dict[str, Any] | None = None
    comparison: Comparison | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def state(self) -> str:
        """``failed``, ``stale`` (built, but not from fresh records), ``new``, ``changed`` or ``same``."""
        if self.built is None:
            return "failed"
        if self.fault is not None:
            return "stale"
        if self.comparison is None:
            return "new"
        return "changed" if self.comparison.found("changed") else "same"


@dataclass(frozen=True, kw_only=True)
class SeasonalRun:
    """A finished run."""

    plan: Plan
    day: datetime.date
    folder: Path
    outcomes: tuple[Outcome, ...]
    notes: tuple[str, ...] = ()

    @property
    def missing(self) -> list[str]:
        """Waters whose records could not be refreshed, or that have no pool."""
        return [item.water.site.name for item in self.outcomes if item.state in {"failed", "stale"}]

    def found(self, questions: Sequence[str]) -> list[str]:
        """What the run found of what was asked about, one line for each water and question."""
        lines = []
        for item in self.outcomes:
            for question in questions:
                species = item.comparison.found(question) if item.comparison else []
                if species:
                    lines.append(f"{item.water.site.name}: {question}: {', '.join(species)}")
        return lines


def refresh(
    plan: Plan,
    client: Client,
    *,
    now: datetime.datetime,
    progress: Progress = lambda doing, done, total: None,
) -> SeasonalRun:
    """Do a plan once.

    A run of the same day takes the place of an earlier one and is compared with the same run
    before it, so that doing a plan twice changes nothing.

    Parameters
    ----------
    client : Client
        When it is offline, everything is built from the store.
    now : datetime
        With time zone; its day names the run and counts as today.

    Raises
    ------
    StoreError
        When another run holds the folder.
    PlanError
        When a later run is there: a clock is wrong.
    PoolFileError
        When the run cannot be written; earlier runs are as they were.
    """
    day = now.date()
    with locked(plan.out / ".lock"):
        runs = Runs(plan.out)
        _, broken = runs.latest()
        work = runs.begin(day)
        try:
            outcomes = [Outcome(water) for water in plan.waters]
            _fetch(plan, client, outcomes, now=now, progress=progress)
            regions: Regions = {}
            for number, outcome in enumerate(outcomes):
                progress("building", number, len(outcomes))
                _build(plan, outcome, runs, work, day, regions)
            progress("building", len(outcomes), len(outcomes))
            notes = () if broken is None else (broken,)
            run = SeasonalRun(
                plan=plan, day=day, folder=runs.folder(day), outcomes=tuple(outcomes), notes=notes
            )
            _summarise(run, now, work)
            runs.finish(work, day)
        except OSError as error:
            raise PoolFileError(
                f"cannot be written: {error.strerror or error}",
                file=plan.out,
                remedy="earlier runs are as they were; free some space and run again",
            ) from error
        finally:
            shutil.rmtree(work, ignore_errors=True)
    return run


def _fetch(
    plan: Plan, client: Client, outcomes: Sequence[Outcome], *, now: datetime.datetime, progress: Progress
) -> None:
    """Bring the records of every water, neighbours together; note the faults."""
    failures, done = 0, 0
    for group in group_neighbours([item.water.site for item in outcomes], settings=plan.settings):
        progress("fetching", done, len(outcomes))
        members = [outcomes[number] for number in group.members]
        wanted = Wanted(
            site=group.site,
            taxa=plan.taxa,
            group=plan.group,
            licences=plan.licences,
            shape=plan.shape,
            accept_doubtful=plan.accept_match,
            spread_km=group.spread_km,
        )
        held = last_fetched(client, wanted, store=plan.store, settings=plan.settings)
        fault: str | None = "not asked: the service failed for the waters before"
        licence, notes = None, []
        if failures < PATIENCE:
            try:
                intake = bring(client, wanted, store=plan.store, settings=plan.settings, now=now, update=True)
                held, licence, notes = intake.oldest, intake.licence, intake.notes()
                fault = None if intake.complete else "not every promised record arrived"
                failures = 0
            except PoolBuilderError as error:
                fault = str(error)
                unanswered = isinstance(error, SourceError) and not isinstance(error, OfflineError)
                failures = failures + 1 if unanswered else 0
        for item in members:
            item.fetched, item.licence, item.fault = held, licence, fault
            item.notes += notes
        done += len(members)
    progress("fetching", len(outcomes), len(outcomes))


def _build(
    plan: Plan, outcome: Outcome, runs: Runs, work: Path, day: datetime.date, regions: Regions
) -> None:
    """Build, compare and write one water; an earlier pool of the day outlives a failure."""
    water = outcome.water
    try:
        if outcome.fetched is None:
            raise PoolFileError("no records were ever fetched for this water")
        pool = Job(
            site=water.site,
            as_of=day,
            checklist=plan.checklist,
            ranges=plan.ranges,
            store=plan.store,
            settings=plan.settings,
            calibration=plan.calibration,
            water=water.layers.get("water"),
            basins=water.layers.get("basins"),
            streams=water.layers.get("streams"),
            barriers=water.layers.get("barriers"),
        ).run(None if is_genus(plan.checklist) else regions)
        before, notes = runs.before(water.slug, day)
        outcome.notes += notes
        outcome.comparison = None if before is None else compare(before, pool)
        write_pool(pool, work / water.slug, pages={"report.html": render(pool)})
        outcome.built = _built(pool)
    except PoolBuilderError as error:
        outcome.fault = "; ".join([outcome.fault, str(error)] if outcome.fault else [str(error)])
        outcome.comparison = None
        earlier = runs.folder(day) / water.slug
        if earlier.is_dir():
            shutil.copytree(earlier, work / water.slug, dirs_exist_ok=True)
            outcome.notes.append("the pool of an earlier run of this day is kept")


def _built(pool: Pool) -> dict[str, Any]:
    """What the summary says of a pool."""
    rows = pool.candidates.to_pylist()
    return {
        "candidates": len(rows),
        "recorded": sum(row["records"] > 0 for row in rows),
        "kept": pool.counts["kept"],
        "withinRadius": pool.counts["withinRadius"],
        "leading": [
            {"scientificName": row["scientificName"], "presence": row["presence"]} for row in rows[:3]
        ],
    }


def _summarise(run: SeasonalRun, now: datetime.datetime, work: Path) -> None:
    document: dict[str, Any] = summary_document(run.plan, run.day, run.outcomes, run.notes, now=now)
    text = json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    (work / "summary.json").write_text(text, encoding="utf-8", newline="\n")
    (work / "summary.html").write_text(summary_page(document), encoding="utf-8", newline="\n")
