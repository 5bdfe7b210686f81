"""The fetch: count, split, page, keep, check, cite; and the same again from what was kept."""

from __future__ import annotations

import dataclasses
import datetime
import json
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pyarrow as pa
from filelock import FileLock, Timeout

from poolbuilder import columns, schemas
from poolbuilder.errors import OfflineError, SourceError, StoreError
from poolbuilder.records.service import datasets as dataset_answers
from poolbuilder.records.service import licences
from poolbuilder.records.service.answers import Answers
from poolbuilder.records.service.client import SOURCE, Client
from poolbuilder.records.service.occurrences import doubtful_keys, records_table
from poolbuilder.records.service.paging import PageReport, count_part, fetch_part
from poolbuilder.records.service.query import Part, Query, split

__all__ = ["Fetch", "fetch", "fetches", "latest_fetch", "replay"]

FOLDER = "fetches"
STAMP = "%Y%m%dT%H%M%SZ"
VERBATIM_NAME = "http://rs.tdwg.org/dwc/terms/scientificName"

Progress = Callable[[int, int], None]


@dataclass(frozen=True, kw_only=True)
class Fetch:
    """What one fetch brought.

    Attributes
    ----------
    key : str
        Name of its folder below ``fetches``.
    query : Query
        What was asked.
    table : Table, schema RECORDS
        One row per distinct record.
    source : dict
        ``path``, ``sha256``, ``rows`` and the time, for the list of inputs.
    datasets : tuple of dict
        datasetKey, title, citation, license, doi, records.
    counts : dict
        promised, arrived, repeated, distinct, answers, bytes and wireBytes.
    licence : str, optional
        The most restrictive licence of the records; None without records.
    notes : tuple of str
        What a careful colleague would add.
    complete : bool
        Whether every promised record arrived.
    """

    key: str
    query: Query
    table: pa.Table
    source: dict[str, Any]
    datasets: tuple[dict[str, Any], ...]
    counts: dict[str, int]
    licence: str | None
    notes: tuple[str, ...]
    complete: bool
    fetched: datetime.datetime

    def age_words(self, now: datetime.datetime) -> str:
        """How old the data are, in words."""
        days = (now - self.fetched).days
        if days < 0:
            return f"fetched on {self.fetched:%Y-%m-%d}, which is in the future by this computer's clock"
        when = {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")
        return f"fetched {when} ({self.fetched:%Y-%m-%d})"


def fetch(
    client: Client,
    query: Query,
    *,
    store: Path,
    now: datetime.datetime,
    progress: Progress = lambda done, expected: None,
) -> Fetch:
    """Bring all records of a query; go on with a broken fetch of the same query.

    Parameters
    ----------
    store : path
        The store's folder; raw answers are kept below its ``fetches``.
    now : datetime
        With time zone; the time that the fetch is known by.
    progress : callable, optional
        Called with the rows that have arrived and the number expected.

    Raises
    ------
    SourceError
        When the service refuses, fails for too long, or holds more than can be paged.
    StoreError
        When answers cannot be kept, or the same query is being fetched by someone else.
    """
    root = store / FOLDER
    digest = query.digest(client.base_url)
    try:
        root.mkdir(parents=True, exist_ok=True)
        lock = FileLock(root / f".{digest}.lock", timeout=0)
        with lock:
            answers = _opened(root, digest, now, client)
            return _fetched(client, query, answers, root=root, now=now, progress=progress)
    except Timeout as error:
        raise StoreError(
            f"{root}: the same records are being fetched by another process (wait for it; the lock goes "
            "with it)"
        ) from error
    except OSError as error:
        raise StoreError(
            f"{root}: cannot be used: {error.strerror} (check the store's rights and space)"
        ) from error


def _opened(root: Path, digest: str, now: datetime.datetime, client: Client) -> Answers:
    """The folder of a broken fetch that is young enough to go on with, else a new one."""
    oldest = now - datetime.timedelta(hours=client.settings.fetch_resume_hours)
    for answers in reversed(list(_folders(root, digest))):
        began = _stamped(answers.key)
        if not answers.is_whole and answers.plan() is not None and oldest <= began <= now:
            answers.resume()
            return answers
    stamp = now.astimezone(datetime.UTC)
    while (root / f"{digest}-{stamp.strftime(STAMP)}").exists():
        stamp += datetime.timedelta(seconds=1)
    return Answers(root / f"{digest}-{stamp.strftime(STAMP)}")


def _folders(root: Path, digest: str | None = None) -> Iterator[Answers]:
    for folder in sorted(root.glob(f"{digest or '?' * 16}-*Z")) if root.is_dir() else []:
        if folder.is_dir():
            yield Answers(folder)


def _stamped(key: str) -> datetime.datetime:
    try:
        return datetime.datetime.strptime(key.partition("-")[2], STAMP).replace(tzinfo=datetime.UTC)
    except ValueError:
        return datetime.datetime.min.replace(tzinfo=datetime.UTC)


def _fetched(
    client: Client, query: Query, answers: Answers, *, root: Path, now: datetime.datetime, progress: Progress
) -> Fetch:
    parts = _planned(client, query, answers, now=now)
    reports = _paged(client, query, parts, answers, progress)
    notes = _page_notes(reports, parts, client)
    notes += _verbatim(client, answers)
    table, repeated = _table(answers)
    promised, arrived = _promised(reports), table.num_rows
    if arrived < promised:
        notes.append(
            f"{promised - arrived:,} of {promised:,} promised records did not arrive, though they were "
            "asked for twice"
        )
    held = Counter(key for key in columns.strings(table["datasetKey"]) if key is not None)
    cited, missing = dataset_answers.citations(client, held, root / "datasets")
    notes += missing
    manifest = {
        "service": client.base_url,
        "query": query.as_dict(),
        "began": _stamped(answers.key).isoformat(),
        "fetched": now.isoformat(),
        "sha256": answers.digest(),
        "counts": {
            "promised": promised,
            "arrived": arrived + repeated,
            "repeated": repeated,
            "distinct": arrived,
            "answers": len(answers.pages),
            "bytes": sum(note["bytes"] for note in answers.pages),
            "wireBytes": sum(note.get("wireBytes", 0) for note in answers.pages),
        },
        "complete": arrived >= promised,
        "datasets": cited,
        "notes": notes,
        "pages": answers.pages,
    }
    answers.end(manifest)
    return _result(answers, manifest, table)


def _planned(
    client: Client, query: Query, answers: Answers, *, now: datetime.datetime
) -> list[tuple[Part, int]]:
    """The parts of a broken fetch again, else newly counted ones."""
    plan = answers.plan()
    if plan is not None:
        return [(_part(part), int(part["expected"])) for part in plan["parts"]]
    parts = split(
        query,
        count=lambda part: count_part(client, query, part),
        ceiling=int(client.settings.service_ceiling),
        last_year=now.year + 1,
    )
    written = [dataclasses.asdict(part) | {"expected": size} for part, size in parts]
    answers.begin({"service": client.base_url, "query": query.as_dict(), "parts": written})
    return parts


def _part(values: dict[str, Any]) -> Part:
    years = values["years"]
    return Part(
        west=values["west"],
        south=values["south"],
        east=values["east"],
        north=values["north"],
        years=None if years is None else (int(years[0]), int(years[1])),
    )


def _paged(
    client: Client, query: Query, parts: list[tuple[Part, int]], answers: Answers, progress: Progress
) -> list[PageReport]:
    """Every part to its end; a part that came short is paged once more."""
    expected, before = sum(size for _, size in parts), 0
    reports = []
    for number, (part, _) in enumerate(parts):

        def told(rows: int, before: int = before) -> None:
            progress(before + rows, expected)

        report = fetch_part(client, query, part, number=number, answers=answers, progress=told)
        if len(report.keys) < report.promised:
            again = fetch_part(client, query, part, number=number, turn=2, answers=answers)
            again.keys |= report.keys
            again.first_promised = report.first_promised
            report = again
        before += len(report.keys)
        reports.append(report)
    return reports


def _promised(reports: list[PageReport]) -> int:
    """Records promised over all parts; one on the edge of two parts is promised by both."""
    together: set[str] = set()
    for report in reports:
        together |= report.keys
    missing = sum(max(0, report.promised - len(report.keys)) for report in reports)
    return len(together) + missing


def _page_notes(reports: list[PageReport], parts: list[tuple[Part, int]], client: Client) -> list[str]:
    notes = []
    if len(parts) > 1:
        notes.append(f"more records than can be paged at once: fetched in {len(parts)} parts")
    lowest = min((report.page_limit for report in reports), default=0)
    if 0 < lowest < client.settings.service_page:
        notes.append(
            f"the service gave pages of {lowest} where {client.settings.service_page:g} were asked for"
        )
    grown = sum(report.promised - report.first_promised for report in reports)
    if grown:
        notes.append(f"the number of records changed by {grown:+,} while they were fetched")
    return notes


def _verbatim(client: Client, answers: Answers) -> list[str]:
    """Ask for names as written where the service could not place the whole name."""
    wanted: dict[str, None] = {}
    for note in answers.pages:
        if note["kind"] == "search":
            wanted |= dict.fromkeys(doubtful_keys(json.loads(answers.body(note))["results"]))
    known = {note["key"] for note in answers.pages if note["kind"] == "verbatim"}
    most = int(client.settings.verbatim_lookups)
    for key in list(wanted)[:most]:
        if key in known:
            continue
        try:
            _, got = client.get(f"/occurrence/{quote(key, safe='')}/verbatim")
        except OfflineError:
            raise
        except SourceError as error:
            return [f"names as written could not be asked for, so hybrids may be hidden: {error}"]
        answers.keep(got.body, kind="verbatim", key=key, wireBytes=got.wire_bytes)
    if len(wanted) > most:
        return [
            f"{len(wanted):,} names could not be placed whole by the service; the first {most:,} were "
            "asked for as "
            "written, hybrids may be hidden among the others (raise verbatimLookups)"
        ]
    return []


def _table(answers: Answers) -> tuple[pa.Table, int]:
    """Distinct records of all kept answers, and how many rows repeated."""
    verbatim = {}
    for note in answers.pages:
        if note["kind"] == "verbatim":
            written = json.loads(answers.body(note)).get(VERBATIM_NAME)
            if isinstance(written, str) and written.strip():
                verbatim[note["key"]] = written.strip()
    seen: set[str] = set()
    tables, repeated = [schemas.RECORDS.empty_table()], 0
    for note in answers.pages:
        if note["kind"] != "search":
            continue
        fresh = []
        for item in json.loads(answers.body(note))["results"]:
            key = str(item["key"])
            repeated += key in seen
            if key not in seen:
                seen.add(key)
                fresh.append(item)
        if fresh:
            tables.append(records_table(fresh, source=f"service:{answers.key}", verbatim=verbatim))
    return pa.concat_tables(tables), repeated


def _result(answers: Answers, manifest: dict[str, Any], table: pa.Table) -> Fetch:
    given, _ = columns.codes(table["license"])
    keys = {licences.parse_licence(text) for text in columns.codes(table["license"])[1]}
    if len(given) and bool((given < 0).any()):
        keys.add("UNSPECIFIED")
    licence = licences.most_restrictive(keys) if table.num_rows else None
    notes = list(manifest["notes"])
    if "CC_BY_NC_4_0" in keys:
        notes.append(
            "some records are CC BY-NC: no commercial use of what is made from them (--licence CC0,CC-BY "
            "leaves them out)"
        )
    if keys & {"UNSPECIFIED", "UNSUPPORTED"}:
        notes.append(
            "some records state no licence, or one that is not CC0, CC BY or CC BY-NC: ask their "
            "publishers before use"
        )
    return Fetch(
        key=answers.key,
        query=Query.from_dict(manifest["query"]),
        table=table,
        source={
            "path": f"service:{answers.key}",
            "sha256": manifest["sha256"],
            "rows": table.num_rows,
            "service": manifest["service"],
            "fetched": manifest["fetched"],
        },
        datasets=tuple(manifest["datasets"]),
        counts=dict(manifest["counts"]),
        licence=licence,
        notes=tuple(notes),
        complete=bool(manifest["complete"]),
        fetched=datetime.datetime.fromisoformat(manifest["fetched"]),
    )


def replay(key: str, *, store: Path) -> Fetch:
    """A whole fetch again, from what was kept, without network.

    Raises
    ------
    StoreError
        When there is no such fetch, or an answer is not the one that was kept.
    """
    answers = Answers(store / FOLDER / key)
    if not answers.is_whole:
        raise StoreError(f"{answers.folder}: no whole fetch of that name (fetch again)")
    manifest = answers.manifest()
    answers.pages = manifest["pages"]
    table, _ = _table(answers)
    return _result(answers, manifest, table)


def fetches(store: Path) -> list[dict[str, Any]]:
    """The manifests of all whole fetches in a store, oldest first, each with its ``key``."""
    found = [
        answers.manifest() | {"key": answers.key} for answers in _folders(store / FOLDER) if answers.is_whole
    ]
    return sorted(found, key=lambda manifest: (manifest["fetched"], manifest["key"]))


def latest_fetch(query: Query, *, base_url: str, store: Path) -> Fetch:
    """The youngest whole fetch of a query, without network.

    Raises
    ------
    OfflineError
        When there is none.
    """
    whole = [answers for answers in _folders(store / FOLDER, query.digest(base_url)) if answers.is_whole]
    if not whole:
        raise OfflineError(
            f"{SOURCE}: offline, and the store {store} holds no fetch of these taxa around this place "
            "(fetch once "
            "without --offline)",
            source=SOURCE,
            url=base_url,
        )
    return replay(whole[-1].key, store=store)
