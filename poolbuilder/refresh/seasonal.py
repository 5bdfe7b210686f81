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
import hashlib
import json
import re
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa

import poolbuilder
from poolbuilder.compare import Comparison, compare
from poolbuilder.errors import (
    OfflineError,
    PlanError,
    PoolBuilderError,
    PoolFileError,
    SourceError,
)
from poolbuilder.files import locked, recover, write_whole
from poolbuilder.folder import read_pool, write_pool
from poolbuilder.intake import Wanted, bring, last_fetched
from poolbuilder.introduced import Run as IntroducedRun
from poolbuilder.introduced import find_introduced
from poolbuilder.introduced.report import write_run
from poolbuilder.introduced.season import NEWS, Reviewed, Season, read_run
from poolbuilder.job import Engine, Job, file_digest, is_genus, record_reach_km, store_digest
from poolbuilder.names.checklist import Checklist
from poolbuilder.pages.pool_page import render
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool
from poolbuilder.records.service.client import Client
from poolbuilder.records.store import Store
from poolbuilder.refresh.plan import Plan, PlannedWater, group_neighbours
from poolbuilder.refresh.summary import summary_document, summary_page
from poolbuilder.surroundings import Regions, cell_of, centre_of, region_reach
from poolbuilder.water.hydrography import fetch_water, water_layers

LATEST = "latest"
WORK = ".run"
DAY_MARK = ".day"


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
            raise PlanError(
                f"{self.folder(days[-1])}: the last run is of {days[-1].isoformat()}, which is after today, "
                f"{day.isoformat()}",
                remedy="set the clock of this computer right, or move that folder away",
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
        return next((path for path in reversed(found) if (path / "introduced.json").is_file()), None)

    def prune(self, before: datetime.date) -> list[datetime.date]:
        """Remove runs older than a day, but for the youngest and what a kept run refers to."""
        days = self.days()
        kept = [day for day in days if day >= before] or days[-1:]
        seen = self.introduced_before(datetime.date.max)
        needed = set() if seen is None else {seen.parent.name}
        for day in kept:
            summary = self.folder(day) / "summary.json"
            text = summary.read_text(encoding="utf-8") if summary.is_file() else ""
            needed |= set(re.findall(r'"folder": "\.\./(\d{4}-\d\d-\d\d)/', text))
        gone = [day for day in days if day not in kept and day.isoformat() not in needed]
        for day in gone:
            shutil.rmtree(self.folder(day))
        return gone

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
    fingerprint : dict
        Digests of what the pool rests on.
    kept : str, optional
        Day and folder of the earlier pool that still holds, where nothing changed since.
    """

    water: PlannedWater
    fetched: datetime.datetime | None = None
    licence: str | None = None
    fault: str | None = None
    built: dict[str, Any] | None = None
    comparison: Comparison | None = None
    notes: list[str] = field(default_factory=list)
    fingerprint: dict[str, str] = field(default_factory=dict)
    kept: str | None = None

    @property
    def state(self) -> str:
        """``failed``, ``stale`` (built, but not from fresh records), ``new``, ``changed`` or ``same``."""
        if self.built is None:
            return "failed"
        if self.fault is not None:
            return "stale"
        if self.kept is not None:
            return "same"
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
    introduced: IntroducedRun | None = None
    store_state: str = ""

    @property
    def missing(self) -> list[str]:
        """Waters whose records could not be refreshed, or that have no pool."""
        return [item.water.site.name for item in self.outcomes if item.state in {"failed", "stale"}]

    def found(self, questions: Sequence[str]) -> list[str]:
        """What the run found of what was asked about, one line for each water and question."""
        lines = []
        for item in self.outcomes:
            for question in (question for question in questions if question not in NEWS):
                species = item.comparison.found(question) if item.comparison else []
                if species:
                    lines.append(f"{item.water.site.name}: {question}: {', '.join(species)}")
        news = [question for question in questions if question in NEWS]
        return lines + ([] if self.introduced is None else self.introduced.found(news))


def refresh(
    plan: Plan,
    client: Client,
    *,
    now: datetime.datetime,
    workers: int = 1,
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
        try:
            work = runs.begin(day)
            outcomes = [Outcome(water) for water in plan.waters]
            _fetch(plan, client, outcomes, now=now, progress=progress)
            if plan.fetch_water and not client.offline:
                _fetch_layers(plan, outcomes, day)
            season = _Season(plan=plan, runs=runs, work=work, day=day, last=runs.last_summary(day))
            for number, outcome in enumerate(outcomes if plan.make != "introduced" else ()):
                progress("building", number, len(outcomes))
                season.build(outcome)
            progress("building", len(outcomes), len(outcomes))
            found = None if plan.make == "pools" else season.find(outcomes, workers, progress)
            run = SeasonalRun(
                plan=plan,
                day=day,
                folder=runs.folder(day),
                outcomes=tuple(outcomes),
                notes=tuple(filter(None, [broken, *season.notes(outcomes)])),
                introduced=found,
                store_state=season.store_state,
            )
            _summarise(run, now, work)
            runs.finish(work, day)
        except OSError as error:
            shutil.rmtree(plan.out / WORK, ignore_errors=True)
            raise PoolFileError(
                f"cannot be written: {error.strerror or error}",
                file=plan.out,
                remedy="earlier runs are as they were; free some space and run again",
            ) from error
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


def _fetch_layers(plan: Plan, outcomes: Sequence[Outcome], day: datetime.date) -> None:
    """Bring the layers of waters that have none of their own and none in the store; note what is lacking."""
    failures = 0
    for item in outcomes:
        site = item.water.site
        if item.water.layers or water_layers(plan.store, site) is not None:
            continue
        fault = "the service failed for the waters before"
        if failures < PATIENCE:
            try:
                item.notes += fetch_water(site, plan.store, today=day, url=plan.water_url).notes
                failures = 0
                continue
            except PoolBuilderError as error:
                fault = str(error)
                failures += isinstance(error, SourceError)
        item.notes.append(f"the layers of the water were not fetched: {fault}")


@dataclass(kw_only=True)
class _Season:
    """One run while it is made: what the last one had, and what is learnt on the way."""

    plan: Plan
    runs: Runs
    work: Path
    day: datetime.date
    last: dict[str, Any]
    regions: Regions = field(default_factory=dict)
    region_digests: dict[Any, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.store_state = store_digest(self.plan.store)

    def job(self, site: Site, layers: Mapping[str, str]) -> Job:
        """What a water is built with."""
        plan = self.plan
        return Job(
            site=site,
            as_of=self.day,
            checklist=plan.checklist,
            ranges=plan.ranges,
            region_lists=plan.region_lists,
            store=plan.store,
            settings=plan.settings,
            calibration=plan.calibration,
            water=layers.get("water"),
            basins=layers.get("basins"),
            streams=layers.get("streams"),
            barriers=layers.get("barriers"),
        )

    def build(self, outcome: Outcome) -> None:
        """Build, compare and write one water; an earlier pool of the day outlives a failure."""
        water = outcome.water
        try:
            if outcome.fetched is None:
                raise PoolFileError("no records were ever fetched for this water")
            job = self.job(water.site, water.layers)
            outcome.fingerprint = self.fingerprint(job, water.slug)
            if self.keep(outcome):
                return
            pool = self.resumed(outcome) or self.built(outcome, job)
            before, notes = self.runs.before(water.slug, self.day)
            outcome.notes += notes
            outcome.comparison = None if before is None else compare(before, pool)
            outcome.built = _built(pool)
        except PoolBuilderError as error:
            outcome.fault = "; ".join([outcome.fault, str(error)] if outcome.fault else [str(error)])
            outcome.comparison = None
            earlier = self.runs.folder(self.day) / water.slug
            if earlier.is_dir():
                shutil.copytree(earlier, self.work / water.slug, dirs_exist_ok=True)
                outcome.notes.append("the pool of an earlier run of this day is kept")

    def built(self, outcome: Outcome, job: Job) -> Pool:
        """Build and write a pool, then note from what: a killed run goes on after it."""
        slug = outcome.water.slug
        pool = job.drawn(next(Engine(job, self.regions).pools([job.site])).pool)
        write_pool(pool, self.work / slug, pages={"report.html": render(pool)})
        write_whole(self.work / f".{slug}.json", json.dumps(outcome.fingerprint))
        return pool

    def resumed(self, outcome: Outcome) -> Pool | None:
        """The pool that a killed run of this day had written from the same inputs."""
        slug = outcome.water.slug
        try:
            if json.loads((self.work / f".{slug}.json").read_text("utf-8")) == outcome.fingerprint:
                return read_pool(self.work / slug)
        except (OSError, ValueError, PoolFileError):
            pass
        shutil.rmtree(self.work / slug, ignore_errors=True)
        return None

    def fingerprint(self, job: Job, slug: str) -> dict[str, str]:
        """Digests of the records near a water and in its region, and of all else that its pool rests on."""
        lists = [spec for pair in job.region_lists for spec in pair]
        layers = [*job.ranges, *filter(None, (*lists, job.water, job.basins, job.streams, job.barriers))]
        listed = job.checklist if is_genus(job.checklist) else Checklist.load(job.checklist).source["sha256"]
        rest = digest_of(
            {
                "version": poolbuilder.__version__,
                "site": asdict(job.site),
                "checklist": listed,
                "layers": {spec: file_digest(spec) for spec in layers},
                "waterLayers": None if (kept := job.kept_layers()) is None else kept.digest,
                "settings": job.settings.as_dict(),
                "calibration": job.calibration,
            }
        )
        past = self.last.get("waters", {}).get(slug, {}).get("fingerprint") or {}
        if self.last.get("storeState") == self.store_state and past.get("rest") == rest:
            return dict(past)
        cell = cell_of(job.site)
        if cell not in self.region_digests:
            longitude, latitude = centre_of(cell)
            store = Store(job.store)
            reach = region_reach(cell, store.count_near, settings=job.settings)
            records = store.select(longitude=longitude, latitude=latitude, reach_km=reach)
            self.region_digests[cell] = _table_digest(records)
        return {
            "rest": rest,
            "records": _table_digest(
                Store(job.store).select(
                    longitude=job.site.longitude,
                    latitude=job.site.latitude,
                    reach_km=record_reach_km(job.site, settings=job.settings),
                )
            ),
            "region": self.region_digests[cell],
        }

    def keep(self, outcome: Outcome) -> bool:
        """Refer to the last pool of a water where nothing changed, and write nothing."""
        past = self.last.get("waters", {}).get(outcome.water.slug, {})
        folder = str(past.get("folder") or "").removeprefix("../")
        day = folder if "/" in folder else f"{self.last.get('day')}/{folder}"
        if not past.get("pool") or past.get("fingerprint") != outcome.fingerprint:
            return False
        try:
            read_pool(self.runs.out / day)
        except PoolFileError:
            return False  # it is built anew, and compared with an older one
        outcome.kept, outcome.built = day, past["pool"]
        return True

    def find(self, outcomes: Sequence[Outcome], workers: int, progress: Progress) -> IntroducedRun | None:
        """Find introduced species near the waters that have records, and write them."""
        plan = self.plan
        ready = [item for item in outcomes if item.fetched is not None]
        if not ready:
            return None
        before = self.runs.introduced_before(self.day)
        run = find_introduced(
            [item.water.site for item in ready],
            self.job(ready[0].water.site, plan.layers),
            group=plan.find,
            season=Season(
                before=None if before is None else read_run(before),
                reviewed=Reviewed() if plan.reviewed is None else Reviewed.read(plan.reviewed),
            ),
            workers=workers,
            progress=progress,
        )
        write_run(run, self.work / "introduced")
        if plan.make == "introduced":
            for item, water in zip(ready, run.waters, strict=True):
                item.built = {"candidates": None, "recorded": len(water["recorded"]), "leading": []}
        return run

    def notes(self, outcomes: Sequence[Outcome]) -> list[str]:
        """Waters of the last run that this plan does not have any more."""
        names = {item.water.slug for item in outcomes}
        gone = [item["name"] for slug, item in self.last.get("waters", {}).items() if slug not in names]
        return [f"in the last run, not in this plan any more: {', '.join(gone)}"] if gone else []


def digest_of(content: Any) -> str:
    """SHA-256 of a document."""
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


def _table_digest(table: pa.Table) -> str:
    """SHA-256 of records, whichever file or query brought them last."""
    table = table.drop_columns(["sourceFile", "sourceRow"])
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as stream:
        stream.write_table(table.combine_chunks())
    return hashlib.sha256(sink.getvalue()).hexdigest()


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
    document: dict[str, Any] = summary_document(run, now=now)
    text = json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    (work / "summary.json").write_text(text, encoding="utf-8", newline="\n")
    (work / "summary.html").write_text(summary_page(document), encoding="utf-8", newline="\n")
