"""The seasonal run: fetch what is new, build, compare with the last run, say what changed.

All waters are fetched before the first is built: what is learnt of a region must not depend
on the order of the waters.  One failing water stops no other.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import pyarrow as pa

import poolbuilder
from poolbuilder import pages, words
from poolbuilder.compare import Comparison, compare
from poolbuilder.errors import OfflineError, PoolBuilderError, PoolFileError, SourceError, said
from poolbuilder.files import locked, write_whole
from poolbuilder.folder import read_pool, write_pool
from poolbuilder.intake import Wanted, bring, last_fetched
from poolbuilder.introduced import Run as IntroducedRun
from poolbuilder.introduced import find_introduced
from poolbuilder.introduced.report import write_run
from poolbuilder.introduced.season import NEWS, Reviewed, Season, read_run
from poolbuilder.job import Engine, Job, record_reach_km, store_digest
from poolbuilder.pages.pool_page import render
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool
from poolbuilder.records.service.client import Client
from poolbuilder.records.store import Store
from poolbuilder.refresh.plan import LAYERS, Plan, PlannedWater, group_neighbours
from poolbuilder.refresh.runs import WORK, Runs, point
from poolbuilder.surroundings import cell_of, centre_of, region_reach
from poolbuilder.water.hydrography import fetch_water, water_layers
from poolbuilder.words import few
from poolbuilder.words.introduced_words import is_restricted

Progress = Callable[[str, int, "int | None"], None]
T = TypeVar("T")

STATES = words.terms("state")
"""What became of a water, in words."""
CHANGES = ("gained", "lost", "moved")
TEXTS = "refresh.txt"
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
    """A finished run: its folder, what summary.json says, and what became of each water."""

    folder: Path
    document: dict[str, Any]
    outcomes: tuple[Outcome, ...]
    introduced: IntroducedRun | None = None

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
        broken = runs.latest_fault()
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
            document = season.document(outcomes, found, now=now, broken=broken)
            texts = {
                "summary.json": json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n",
                "summary.html": summary_page(document),
                "summary.md": "\n".join([*words.lines(TEXTS, "mail", document, STATES, CHANGES), ""]),
            }
            for name, text in texts.items():
                (work / name).write_text(text, encoding="utf-8", newline="\n")
            runs.finish(work, day)
        except OSError as error:
            shutil.rmtree(plan.out / WORK, ignore_errors=True)
            raise PoolFileError.of(
                "cannot_written_seasonal", file=plan.out, error=error.strerror or error
            ) from error
    return SeasonalRun(folder=runs.folder(day), document=document, outcomes=tuple(outcomes), introduced=found)


@dataclass
class _Patience:
    """Asks a service, and leaves it alone when it failed for some waters in a row."""

    left_alone: str
    failures: int = 0

    def ask(self, question: Callable[[], T]) -> tuple[T | None, str | None]:
        """The answer, or why there is none."""
        if self.failures >= PATIENCE:
            return None, self.left_alone
        try:
            answer = question()
        except PoolBuilderError as error:
            unanswered = isinstance(error, SourceError) and not isinstance(error, OfflineError)
            self.failures = self.failures + 1 if unanswered else 0
            return None, str(error)
        self.failures = 0
        return answer, None


def _fetch(
    plan: Plan, client: Client, outcomes: Sequence[Outcome], *, now: datetime.datetime, progress: Progress
) -> None:
    """Bring the records of every water, neighbours together; note the faults."""
    patience, done = _Patience(said("water_not_asked")), 0
    for group in group_neighbours([item.water.site for item in outcomes], settings=plan.settings):
        progress("fetching", done, len(outcomes))
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
        fetch = partial(bring, client, wanted, store=plan.store, settings=plan.settings, now=now, update=True)
        intake, fault = patience.ask(fetch)
        for item in (outcomes[number] for number in group.members):
            item.fetched, item.fault = held, fault
            if intake is not None:
                item.fetched, item.licence = intake.oldest, intake.licence
                item.fault = None if intake.complete else said("fetch_incomplete")
                item.notes += intake.notes()
        done += len(group.members)
    progress("fetching", len(outcomes), len(outcomes))


def _fetch_layers(plan: Plan, outcomes: Sequence[Outcome], day: datetime.date) -> None:
    """Bring the layers of waters that have none of their own and none in the store; note what is lacking."""
    patience = _Patience(said("layers_not_asked"))
    for item in outcomes:
        site = item.water.site
        if not item.water.layers and water_layers(plan.store, site) is None:
            found, fault = patience.ask(partial(fetch_water, site, plan.store, today=day, url=plan.water_url))
            item.notes += [said("layers_not_fetched", fault=fault)] if found is None else found.notes


@dataclass(kw_only=True)
class _Season:
    """One run while it is made: what the last one had, and what is learnt on the way."""

    plan: Plan
    runs: Runs
    work: Path
    day: datetime.date
    last: dict[str, Any]
    engines: dict[Any, Engine] = field(default_factory=dict)
    region_digests: dict[Any, str] = field(default_factory=dict)
    introduced_digest: str = ""
    layers: dict[str, dict[str, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.store_state = store_digest(self.plan.store)

    def job(self, site: Site, layers: Mapping[str, Any]) -> Job:
        """What a water is built with."""
        names = ("checklist", "ranges", "region_lists", "store", "settings", "calibration")
        given = {name: getattr(self.plan, name) for name in names}
        return Job(site=site, as_of=self.day, **given, **layers)

    def build(self, outcome: Outcome) -> None:
        """Build, compare and write one water; an earlier pool of the day outlives a failure."""
        water = outcome.water
        try:
            if outcome.fetched is None:
                raise PoolFileError(said("never_fetched"))
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
                outcome.notes.append(said("pool_of_today_kept"))

    def built(self, outcome: Outcome, job: Job) -> Pool:
        """Build and write a pool, then note from what: a killed run goes on after it."""
        slug = outcome.water.slug
        layers = tuple(sorted(outcome.water.layers.items()))
        if layers not in self.engines:
            self.engines[layers] = Engine(job)
        pool = job.drawn(next(self.engines[layers].pools([job.site])).pool)
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
        kept = job.kept_layers()
        of_water = {"site": asdict(job.site), "waterLayers": None if kept is None else kept.digest}
        rest = digest_of({**job.identity(), "asOf": None, "store": None, **of_water})
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
        if not self.runs.holds(day):
            return False  # it is built anew, and compared with an older one
        outcome.kept, outcome.built = day, past["pool"]
        return True

    def find(self, outcomes: Sequence[Outcome], workers: int, progress: Progress) -> IntroducedRun | None:
        """Introduced species near the waters that have records, written; None where nothing changed since."""
        plan = self.plan
        ready = [item for item in outcomes if item.fetched is not None]
        if not ready:
            return None
        for item in ready:
            job = self.job(item.water.site, item.water.layers)
            item.fingerprint = item.fingerprint or self.fingerprint(job, item.water.slug)
        reviewed = Reviewed() if plan.reviewed is None else Reviewed.read(plan.reviewed)
        self.introduced_digest = digest_of(
            [[item.fingerprint for item in ready], plan.find, reviewed.on(self.day.isoformat())]
        )
        before = self.runs.introduced_before(self.day)
        same = before is not None and self.last.get("introducedDigest") == self.introduced_digest
        if before is not None and same and self._refer(before):
            for item in ready if plan.make == "introduced" else ():
                item.built = self.last["waters"].get(item.water.slug, {}).get("pool")
            return None
        run = find_introduced(
            [item.water.site for item in ready],
            self.job(ready[0].water.site, plan.layers),
            group=plan.find,
            season=Season(before=None if before is None else read_run(before), reviewed=reviewed),
            workers=workers,
            progress=progress,
        )
        write_run(run, self.work / "introduced")
        for item, water in zip(ready, run.waters, strict=True) if plan.make == "introduced" else ():
            item.built = {"candidates": None, "recorded": len(water["recorded"]), "leading": []}
        return run

    def _refer(self, before: Path) -> bool:
        """Let the folder of introduced species be a link to an earlier one; False where that cannot be."""
        link = self.work / "introduced"
        if link.is_symlink():
            link.unlink()
        shutil.rmtree(link, ignore_errors=True)
        return point(link, f"../{before.parent.name}/{before.name}")

    def inputs(self) -> dict[str, Any]:
        """Keep what the pools are built from, each list and layer once; how to find it."""
        every = []
        for water in self.plan.waters:
            job = self.job(water.site, water.layers)
            if kept := job.kept_layers():
                found = {name: kept.path(name) for name in LAYERS}
                self.layers[water.slug] = {name: path for name, path in found.items() if path}
                job = self.job(water.site, self.layers[water.slug])
            every.append(self.runs.keep_inputs(job))
        return {**every[0], "files": {spec: files for one in every for spec, files in one["files"].items()}}

    def document(
        self,
        outcomes: Sequence[Outcome],
        found: IntroducedRun | None,
        *,
        now: datetime.datetime,
        broken: str | None,
    ) -> dict[str, Any]:
        """The run, ready for the json module."""
        plan, inputs = self.plan, self.inputs()
        names = {item.water.slug for item in outcomes}
        gone = [item["name"] for slug, item in self.last.get("waters", {}).items() if slug not in names]
        dropped = said("waters_dropped", names=few(gone)) if gone else None
        restricted = any(is_restricted(item.licence) for item in outcomes)
        return {
            "schemaVersion": "1.2",
            "poolbuilderVersion": poolbuilder.__version__,
            "day": self.day.isoformat(),
            "service": plan.service_url,
            "taxon": list(plan.taxa),
            "group": list(plan.group),
            "notes": list(filter(None, [broken, dropped])),
            "aside": list(plan.notes),
            "restriction": said("some_restricted") if restricted else None,
            "storeState": self.store_state,
            "introducedDigest": self.introduced_digest,
            "states": {state: sum(item.state == state for item in outcomes) for state in STATES},
            "introducedNews": [] if found is None else found.found(NEWS),
            "waters": [
                {**_water(item, now), "layers": self.layers.get(item.water.slug, dict(item.water.layers))}
                for item in outcomes
            ],
            "inputs": inputs,
        }


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


def run_lines(document: Mapping[str, Any], part: str = "below") -> list[str]:
    """What a run has to say *below* its table, or only what *changed*."""
    return words.lines(TEXTS, part, document, STATES, CHANGES)


def _water(item: Outcome, now: datetime.datetime) -> dict[str, Any]:
    site, compared = item.water.site, item.comparison
    return {
        "name": site.name,
        "locationID": site.location_id or None,
        "county": site.county or None,
        "slug": item.water.slug,
        "folder": item.water.slug if item.kept is None else f"../{item.kept}",
        "fingerprint": item.fingerprint,
        "longitude": site.longitude,
        "latitude": site.latitude,
        "radiusKm": site.radius_km,
        "state": item.state,
        "fault": item.fault,
        "fetched": None if item.fetched is None else item.fetched.isoformat(),
        "ageDays": None if item.fetched is None else (now - item.fetched).days,
        "licence": item.licence,
        "pool": item.built,
        **{name: compared.having(name) if compared else [] for name in CHANGES},
        "newIntroduced": compared.newly_introduced() if compared else [],
        "comparison": None if compared is None else compared.as_dict(),
        "notes": list(dict.fromkeys(item.notes)),
    }


def summary_page(document: Mapping[str, Any]) -> str:
    """A run as one HTML page that needs no other file but the reports it links to."""
    return pages.fill("refresh.html", styles=("calibration.css",), run=document, states=STATES)
