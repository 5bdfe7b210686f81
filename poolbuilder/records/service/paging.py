"""The fetch: count, split, page, keep, compare with what came before, cite."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import json
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

from poolbuilder.errors import OfflineError, SourceError, StoreError
from poolbuilder.files import disk_errors, locked, private_folder, write_whole
from poolbuilder.places import geodesy
from poolbuilder.records.service.client import Client, failure, oddity, parsed, text_of, unlike_object
from poolbuilder.records.service.kept import (
    FOLDER,
    STAMP,
    Answers,
    Fetch,
    began,
    chain,
    folders,
    record_key,
    result_of,
    whole_name_lost,
)
from poolbuilder.records.service.search import Query, SearchPart, parse_licence, split

SEARCH = "/occurrence/search"
LONGEST_KEY = 100

LOSS_SHARE, LOSS_RECORDS = 0.05, 20
"""Where more than this share, and more than so many, of the records are gone at once, it is not believed."""

Progress = Callable[[int, int], None]


class _Contradiction(Exception):
    """What the service says of a part does not fit what it said of it before."""


@dataclass
class _Arrived:
    """What arrived, counted record by record; nothing of a record is held but its key and data set."""

    rows: int = 0
    seen: dict[Any, str | None] = field(default_factory=dict)
    licences: set[str] = field(default_factory=set)
    doubtful: dict[str, None] = field(default_factory=dict)
    """Keys of records whose name as written is to be asked for."""

    def take(self, results: Sequence[Mapping[str, Any]]) -> None:
        self.rows += len(results)
        for item in results:
            if item["key"] in self.seen:
                continue
            self.seen[item["key"]] = text_of(item.get("datasetKey"))
            self.licences.add(parse_licence(text_of(item.get("license"))))
            if whole_name_lost(item) and not item.get("verbatimScientificName"):
                self.doubtful[str(item["key"])] = None

    def add(self, other: _Arrived) -> None:
        self.rows += other.rows
        self.seen |= other.seen
        self.licences |= other.licences
        self.doubtful |= other.doubtful


@dataclass
class _PartReport:
    """What paging of one part showed.

    Attributes
    ----------
    promised, first_promised : int
        Records of the part by the last page's count and by the first's; the index changes on the way.
    page_limit : int
        Smallest page that the service gave, the last one aside.
    """

    page_limit: int
    promised: int = 0
    first_promised: int = 0
    arrived: _Arrived = field(default_factory=_Arrived)


def fetch(
    client: Client,
    query: Query,
    *,
    store: Path,
    now: datetime.datetime,
    progress: Progress = lambda done, expected: None,
) -> Fetch:
    """Bring all records of a query; go on with a broken fetch of the same query.

    Where the last fetch of all records came back with far fewer than before, all records are asked for
    once more, though the query may only ask for changes.

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
        When the service refuses, fails for too long, contradicts itself, or holds more than can be paged.
    StoreError
        When answers cannot be kept, or the same query is being fetched by someone else.
    """
    root = store / FOLDER
    digest = query.digest(client.base_url)
    with disk_errors(store, StoreError):
        private_folder(store)
    with locked(root / f".{digest}.lock", doing="filled with the same records"):
        earlier = chain(root, digest)
        if any(item.doubted for item in earlier):
            query = query.replace(changed_since=None)
        answers = _opened(root, digest, query, now, client)
        return _fetched(client, query, answers, earlier, now=now, progress=progress)


def _opened(root: Path, digest: str, query: Query, now: datetime.datetime, client: Client) -> Answers:
    """The folder of a broken fetch that is young enough to go on with, else a new one."""
    oldest = now - datetime.timedelta(hours=client.settings.fetch_resume_hours)
    for answers in reversed(list(folders(root, digest))):
        young = oldest <= began(answers.key) <= now
        plan = None if answers.is_whole or not young else answers.plan()
        if plan is not None and plan.get("query") == query.as_dict():
            answers.resume(_is_usable)
            return answers
    stamp = now.astimezone(datetime.UTC)
    while (root / f"{digest}-{stamp.strftime(STAMP)}").exists():
        stamp += datetime.timedelta(seconds=1)
    return Answers(root / f"{digest}-{stamp.strftime(STAMP)}")


def _fetched(
    client: Client,
    query: Query,
    answers: Answers,
    earlier: list[Fetch],
    *,
    now: datetime.datetime,
    progress: Progress,
) -> Fetch:
    parts = _planned(client, query, answers, now=now)
    arrived, missed, notes = _paged(client, query, parts, answers, progress)
    records = len(arrived.seen)
    notes += _verbatim(client, answers, list(arrived.doubtful))
    if missed:
        notes.append(
            f"{missed:,} of {records + missed:,} promised records did not arrive, though they were asked for "
            "twice"
        )
    datasets = Counter(key for key in arrived.seen.values() if key is not None)
    cited, missing = _citations(client, datasets, answers.folder.parent / "datasets")
    gone: list[str] = []
    doubted: list[str] = []
    if not missed and query.changed_since is None:
        gone, doubted, said = _lost(client, query, earlier, arrived, now=now)
        notes += said
    if answers.set_aside:
        notes.append(
            f"{answers.set_aside:,} answers could not be used and were asked for again (they lie beside the "
            f"others in {answers.folder.name})"
        )
    manifest = {
        "service": client.base_url,
        "query": query.as_dict(),
        "began": began(answers.key).isoformat(),
        "fetched": now.isoformat(),
        "sha256": _identity(answers, gone),
        "counts": {
            "promised": records + missed,
            "arrived": arrived.rows,
            "repeated": arrived.rows - records,
            "distinct": records,
            "answers": len(answers.pages),
            "setAside": answers.set_aside,
            "bytes": sum(note["bytes"] for note in answers.pages),
            "wireBytes": sum(note.get("wireBytes", 0) for note in answers.pages),
        },
        "complete": not missed and not doubted,
        "licences": sorted(arrived.licences),
        "datasets": cited,
        "withdrawn": gone,
        "doubted": doubted,
        "notes": notes + missing,
        "pages": answers.pages,
    }
    answers.end(manifest)
    return result_of(answers, manifest)


def _planned(
    client: Client, query: Query, answers: Answers, *, now: datetime.datetime
) -> list[tuple[SearchPart, int]]:
    """The parts of a broken fetch again, else newly counted ones."""
    plan = answers.plan()
    if plan is not None:
        return [(SearchPart.from_dict(part), int(part["expected"])) for part in plan["parts"]]
    parts = split(
        query,
        count=lambda part: _count(client, query, part),
        ceiling=int(client.settings.service_ceiling),
        last_year=now.year + 1,
    )
    written = [dataclasses.asdict(part) | {"expected": size} for part, size in parts]
    answers.begin({"service": client.base_url, "query": query.as_dict(), "parts": written})
    return parts


def _identity(answers: Answers, gone: list[str]) -> str:
    """SHA-256 of a fetch; two fetches never share it, though they may bring the same."""
    return hashlib.sha256(json.dumps([answers.key, answers.digest(), gone]).encode()).hexdigest()


# ------------------------------------------------------------------ paging


def _unlike_page(answer: Any) -> str | None:
    """Why an answer is no page of a search, or None."""
    results = answer.get("results") if isinstance(answer, dict) else None
    count = answer.get("count") if isinstance(answer, dict) else None
    shaped = (
        isinstance(results, list)
        and isinstance(count, int)
        and not isinstance(count, bool)
        and count >= 0
        and all(isinstance(item, dict) and _is_key(item.get("key")) for item in results)
    )
    return None if shaped else "the answer has not the documented shape: a count, and results with keys"


def _is_key(value: Any) -> bool:
    return isinstance(value, int | str) and not isinstance(value, bool) and 0 < len(str(value)) <= LONGEST_KEY


def _is_usable(note: dict[str, Any], value: Any) -> bool:
    """Whether a kept answer can be gone on with."""
    return oddity(value) is None and (note["kind"] != "search" or _unlike_page(value) is None)


def _page_check() -> Callable[[Any, bytes], str | None]:
    """A check of the answers to one request.

    An answer with a value that no table can hold is asked for again.  Where the very same comes back,
    it is what the service holds: it is taken, and such values are noted as unreadable.
    """
    before: set[str] = set()

    def check(value: Any, body: bytes) -> str | None:
        reason = _unlike_page(value)
        if reason is not None:
            return reason
        odd = oddity(value)
        digest = hashlib.sha256(body).hexdigest()
        if odd is None or digest in before:
            return None
        before.add(digest)
        return f"the answer holds {odd}"

    return check


def _count(client: Client, query: Query, part: SearchPart) -> int:
    """How many records the service promises for a part."""
    params = query.params() | part.params() | {"limit": 0, "offset": 0}
    answer, _ = client.get(SEARCH, params, check=_page_check())
    return int(answer["count"])


def _paged(
    client: Client,
    query: Query,
    parts: list[tuple[SearchPart, int]],
    answers: Answers,
    progress: Progress,
) -> tuple[_Arrived, int, list[str]]:
    """Every part to its end; a part that came short or in contradiction is paged once more.

    Returns
    -------
    arrived, missed, notes
        The number of promised records that did not arrive is the second.
    """
    expected, missed = sum(size for _, size in parts), 0
    arrived = _Arrived()
    reports = []
    for number, (part, _) in enumerate(parts):
        before = len(arrived.seen)

        def advance(rows: int, before: int = before) -> None:
            progress(before + rows, expected)

        report = _PartReport(page_limit=0)
        for turn in (1, 2):
            try:
                again = _page_part(client, query, part, (number, turn), answers, advance)
            except _Contradiction as error:
                if turn == 2:
                    answers.refuse()
                    remedy = "nothing is taken from it; try again later, everything is then asked for anew"
                    raise failure(
                        client.base_url + SEARCH, f"contradicts itself twice: {error}", remedy
                    ) from error
                answers.drop(number)
                continue
            again.first_promised = report.first_promised or again.first_promised
            again.arrived.add(report.arrived)
            report = again
            if len(report.arrived.seen) >= report.promised:
                break
        missed += max(0, report.promised - len(report.arrived.seen))
        arrived.add(report.arrived)
        report.arrived = _Arrived()
        reports.append(report)
    return arrived, missed, _page_notes(reports, client)


def _page_notes(reports: list[_PartReport], client: Client) -> list[str]:
    notes = []
    if len(reports) > 1:
        notes.append(f"more records than can be paged at once: fetched in {len(reports)} parts")
    lowest = min((report.page_limit for report in reports), default=0)
    if 0 < lowest < client.settings.service_page:
        notes.append(
            f"the service gave pages of {lowest} where {client.settings.service_page:g} were asked for"
        )
    grown = sum(report.promised - report.first_promised for report in reports)
    if grown:
        notes.append(f"the number of records changed by {grown:+,} while they were fetched")
    return notes


def _page_part(
    client: Client,
    query: Query,
    part: SearchPart,
    number_turn: tuple[int, int],
    answers: Answers,
    progress: Callable[[int], None],
) -> _PartReport:
    """One part of a query, page by page, to its end; pages that are kept are not asked for again."""
    number, turn = number_turn
    ceiling, page = int(client.settings.service_ceiling), int(client.settings.service_page)
    report = _PartReport(page_limit=page)
    kept = {
        note["offset"]: note for note in answers.pages if (note.get("part"), note.get("turn")) == number_turn
    }
    offset, done = 0, False
    while not done:
        if offset >= ceiling:
            words = f"a part has grown past the {ceiling:,} records that can be paged while it was fetched"
            raise failure("", words, f"delete {answers.folder} and fetch again: it is then split anew")
        asked = min(page, ceiling - offset)
        if offset in kept:
            answer = answers.value(kept[offset])
        else:
            params = query.params() | part.params() | {"limit": asked, "offset": offset}
            answer, got = client.get(SEARCH, params, check=_page_check(), aside=answers.put_aside)
            _check_page(answer, got.url, offset, asked, ceiling)
            _check_area(answer["results"], query, got.url)
            _check_counts(answer, offset, asked, ceiling, report)
            about = {"part": number, "turn": turn, "offset": offset, "records": len(answer["results"])}
            answers.keep(got.body, kind="search", **about, wireBytes=got.wire_bytes)
        results = answer["results"]
        report.first_promised = report.first_promised if offset else int(answer["count"])
        report.promised = int(answer["count"])
        report.arrived.take(results)
        offset += len(results)
        done = bool(answer.get("endOfRecords")) or not results or offset >= report.promised
        if not done:
            report.page_limit = min(report.page_limit, len(results))
        progress(report.arrived.rows)
    return report


def _check_page(answer: dict[str, Any], url: str, offset: int, asked: int, ceiling: int) -> None:
    """Stop at a page that is not the one asked for."""
    results, count = answer["results"], int(answer["count"])
    if answer.get("offset", offset) != offset:
        words = f"asked for records from {offset:,} on, got them from {str(answer['offset'])[:30]}"
        raise failure(url, words, "the service does not page as documented; fetch with --download")
    if len(results) > asked:
        words = f"asked for {asked} records, got {len(results)}"
        raise failure(url, words, "the service does not page as documented")
    if not results and offset < min(count, ceiling):
        words = f"stops at {offset:,} of {count:,} records"
        raise failure(url, words, "try again later: what has arrived is kept")


def _check_counts(answer: dict[str, Any], offset: int, asked: int, ceiling: int, report: _PartReport) -> None:
    """Stop where the number of records cannot be true."""
    count, end = int(answer["count"]), offset + len(answer["results"])
    if count < end:
        raise _Contradiction(f"{end:,} records have come of {count:,}")
    if count < report.promised:
        raise _Contradiction(f"the number of records fell from {report.promised:,} to {count:,} on the way")
    if answer.get("endOfRecords") and len(answer["results"]) == asked and end < min(count, ceiling):
        raise _Contradiction(f"a full page is called the last at {end:,} of {count:,} records")


def _check_area(results: list[dict[str, Any]], query: Query, url: str) -> None:
    """Stop when more than half of a page lies farther out than asked: a filter was dropped on the way."""
    places = [
        (item["decimalLongitude"], item["decimalLatitude"])
        for item in results
        if isinstance(item.get("decimalLongitude"), int | float)
        and isinstance(item.get("decimalLatitude"), int | float)
        and abs(item["decimalLongitude"]) <= 180
        and abs(item["decimalLatitude"]) <= 90
    ]
    if not places:
        return
    lon, lat = np.array(places, dtype=float).T
    away = geodesy.distance_km(lon, lat, from_longitude=query.longitude, from_latitude=query.latitude)
    outside = int((away > query.distance_km * 1.05 + 1).sum())
    if outside > len(results) / 2:
        words = f"does not keep to the area asked: {outside} of {len(results)} records lie farther out"
        raise failure(url, words, "check that the service knows geoDistance, or ask with --shape polygon")


# ------------------------------------------------------------------ what is gone


def _sudden(missing: int, had: int) -> bool:
    return missing > LOSS_RECORDS and missing > LOSS_SHARE * had


def _lost(
    client: Client, query: Query, earlier: list[Fetch], arrived: _Arrived, *, now: datetime.datetime
) -> tuple[list[str], list[str], list[str]]:
    """Records that the fetches before this one had, and this fetch of all records has not.

    Returns
    -------
    gone, doubted, notes
        Keys of records believed to be withdrawn; or, where too many are missing at once, those that are
        kept until a fetch of all records on another day misses them too.
    """
    had = {key for item in earlier for key in item.record_keys()}
    missing = had - {record_key(key) for key in arrived.seen}
    if not missing:
        return [], [], []
    words = f"{len(missing):,} records that the service held before are withdrawn, or have left area or taxon"
    if not _sudden(len(missing), len(had)):
        return sorted(missing), [], [words]
    for item in earlier:
        doubted = set(item.doubted)
        another_day = item.fetched.astimezone(now.tzinfo).date() < now.date()
        if doubted and another_day and not _sudden(len(missing - doubted), len(had)):
            return sorted(missing), [], [f"{words}; so it was on {item.fetched:%Y-%m-%d} too"]
    try:
        again = f"counted again, it says {_count(client, query, SearchPart()):,}"
    except SourceError as error:
        again = f"it could not be asked to count again: {error}"
    return (
        [],
        sorted(missing),
        [
            f"{len(missing):,} of {len(had):,} records did not come again, too many at once to be believed "
            f"({again}): they are kept as they were, and the next fetch asks for all records; on another day "
            "it settles the matter"
        ],
    )


# ------------------------------------------------------------------ names as written, citations


def _verbatim(client: Client, answers: Answers, wanted: list[str]) -> list[str]:
    """Ask for names as written where the service could not place the whole name."""
    known = {note["key"] for note in answers.pages if note["kind"] == "verbatim"}
    most = int(client.settings.verbatim_lookups)
    for key in wanted[:most]:
        if key in known:
            continue
        try:
            _, got = client.get(
                f"/occurrence/{quote(key, safe='')}/verbatim", check=unlike_object, aside=answers.put_aside
            )
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


def _citations(
    client: Client, held: Mapping[str, int], folder: Path
) -> tuple[list[dict[str, Any]], list[str]]:
    """Title, citation and licence of each data set, asked for once and kept in *folder*.

    Returns
    -------
    datasets, notes
        One entry a data set, by key; and one note for each citation that could not be had. A
        missing citation never stops a fetch.
    """
    found, notes = [], []
    for key in sorted(held):
        plain = re.fullmatch(r"[A-Za-z0-9_-]{1,64}", key)
        path = folder / f"{key if plain else hashlib.sha256(key.encode()).hexdigest()[:32]}.json"
        answer: Any = None
        try:
            answer = parsed(path.read_bytes()) if path.is_file() else None
        except (OSError, ValueError):
            answer = None
        if not isinstance(answer, dict):
            try:
                answer, got = client.get(f"/dataset/{quote(key, safe='')}", check=unlike_object)
                write_whole(path, got.body, StoreError)
            except OfflineError:
                notes.append(f"no citation for data set {key}: offline")
            except SourceError as error:
                notes.append(f"no citation for data set {key}: {error}")
        found.append(_dataset(key, answer) | {"records": held[key]})
    return found, notes


def _dataset(key: str, answer: Any) -> dict[str, Any]:
    """Title, citation and licence from the answer of ``/dataset/{key}``."""
    about = answer if isinstance(answer, dict) else {}
    citation = about.get("citation")
    title = text_of(about.get("title")) or key
    return {
        "datasetKey": key,
        "title": title,
        "citation": text_of(citation.get("text") if isinstance(citation, dict) else citation) or title,
        "license": text_of(about.get("license")),
        "doi": text_of(about.get("doi")),
    }
