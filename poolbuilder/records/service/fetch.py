"""The fetch: count, split, page, keep, check, cite; and the same again from what was kept."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote

from filelock import FileLock, Timeout

from poolbuilder import tables
from poolbuilder.errors import OfflineError, SourceError, StoreError
from poolbuilder.records.service import datasets as dataset_answers
from poolbuilder.records.service.answers import Answers
from poolbuilder.records.service.client import Client
from poolbuilder.records.service.kept import (
    FOLDER,
    STAMP,
    Fetch,
    chain,
    folders,
    replay,
    result_of,
    stamped,
)
from poolbuilder.records.service.occurrences import record_key
from poolbuilder.records.service.paging import PageReport, count_part, fetch_part
from poolbuilder.records.service.query import Part, Query, split
from poolbuilder.records.service.tally import Tally

__all__ = ["fetch"]

Progress = Callable[[int, int], None]


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
            answers = _opened(root, digest, query, now, client)
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


def _opened(root: Path, digest: str, query: Query, now: datetime.datetime, client: Client) -> Answers:
    """The folder of a broken fetch that is young enough to go on with, else a new one."""
    oldest = now - datetime.timedelta(hours=client.settings.fetch_resume_hours)
    for answers in reversed(list(folders(root, digest))):
        young = oldest <= stamped(answers.key) <= now
        plan = None if answers.is_whole or not young else answers.plan()
        if plan is not None and plan["query"] == query.as_dict():
            answers.resume()
            return answers
    stamp = now.astimezone(datetime.UTC)
    while (root / f"{digest}-{stamp.strftime(STAMP)}").exists():
        stamp += datetime.timedelta(seconds=1)
    return Answers(root / f"{digest}-{stamp.strftime(STAMP)}")


def _fetched(
    client: Client, query: Query, answers: Answers, *, root: Path, now: datetime.datetime, progress: Progress
) -> Fetch:
    parts = _planned(client, query, answers, now=now)
    tally = Tally()
    reports, missed = _paged(client, query, parts, answers, tally, progress)
    arrived = len(tally.seen)
    promised = arrived + missed
    notes = _page_notes(reports, parts, client)
    notes += _verbatim(client, answers, list(tally.doubtful))
    if missed:
        notes.append(
            f"{missed:,} of {promised:,} promised records did not arrive, though they were asked for twice"
        )
    cited, missing = dataset_answers.citations(client, tally.datasets, root / "datasets")
    notes += missing
    gone = [] if missed else _withdrawn(answers, root, query, tally.seen)
    if gone:
        notes.append(
            f"{len(gone):,} records that the service held before are withdrawn, or have left area or taxon"
        )
    manifest = {
        "service": client.base_url,
        "query": query.as_dict(),
        "began": stamped(answers.key).isoformat(),
        "fetched": now.isoformat(),
        "sha256": _identity(answers, gone),
        "counts": {
            "promised": promised,
            "arrived": tally.rows,
            "repeated": tally.repeated,
            "distinct": arrived,
            "answers": len(answers.pages),
            "bytes": sum(note["bytes"] for note in answers.pages),
            "wireBytes": sum(note.get("wireBytes", 0) for note in answers.pages),
        },
        "complete": not missed,
        "licences": sorted(tally.licences),
        "datasets": cited,
        "withdrawn": gone,
        "notes": notes,
        "pages": answers.pages,
    }
    answers.end(manifest)
    return result_of(answers, manifest)


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
    client: Client,
    query: Query,
    parts: list[tuple[Part, int]],
    answers: Answers,
    tally: Tally,
    progress: Progress,
) -> tuple[list[PageReport], int]:
    """Every part to its end; a part that came short is paged once more.

    Returns
    -------
    reports, missed
        One report a part, and the number of promised records that did not arrive.
    """
    expected, before, missed = sum(size for _, size in parts), 0, 0
    reports = []
    for number, (part, _) in enumerate(parts):

        def told(rows: int, before: int = before) -> None:
            progress(before + rows, expected)

        report = fetch_part(
            client, query, part, number=number, answers=answers, take=tally.take, progress=told
        )
        if len(report.keys) < report.promised:
            again = fetch_part(client, query, part, number=number, turn=2, answers=answers, take=tally.take)
            again.keys |= report.keys
            again.first_promised = report.first_promised
            report = again
        before += len(report.keys)
        missed += max(0, report.promised - len(report.keys))
        report.keys = set()
        reports.append(report)
    return reports, missed


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


def _verbatim(client: Client, answers: Answers, wanted: list[str]) -> list[str]:
    """Ask for names as written where the service could not place the whole name."""
    known = {note["key"] for note in answers.pages if note["kind"] == "verbatim"}
    most = int(client.settings.verbatim_lookups)
    for key in wanted[:most]:
        if key in known:
            continue
        try:
            _, got = client.get(f"/occurrence/{quote(key, safe='')}/verbatim")
        except OfflineError:
            raise
        except SourceError as error:
            return [f"names as written could not be asked for, so hybrids may be hidden: {error}"]
        answers.keep(got.body, kind="verbatim", key=key, wireBytes=got.wire_bytes)
    if len(wanted) <= most:
        return []
    return [
        f"{len(wanted):,} names could not be placed whole by the service; the first {most:,} were asked for "
        "as written, hybrids may be hidden among the others (raise verbatimLookups)"
    ]


def _identity(answers: Answers, gone: list[str]) -> str:
    """SHA-256 of a fetch; two fetches never share it, though they may bring the same."""
    return hashlib.sha256(json.dumps([answers.key, answers.digest(), gone]).encode()).hexdigest()


def _withdrawn(answers: Answers, root: Path, query: Query, seen: set[Any]) -> list[str]:
    """Keys of records that the chain before this fetch had, and this fetch of all records has not."""
    if query.changed_since is not None:
        return []
    had: set[str] = set()
    for earlier in chain(root, answers.key.partition("-")[0]):
        for batch in replay(earlier.key, store=root.parent).batches():
            had |= {str(key) for key in tables.strings(batch["recordKey"])}
    return sorted(had - {record_key(key) for key in seen})
