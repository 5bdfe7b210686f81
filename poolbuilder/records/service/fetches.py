"""The fetch: count, split, page, keep, compare with what came before, cite; the same offline years later."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import json
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pyarrow as pa

from poolbuilder import schemas, tables
from poolbuilder.errors import OfflineError, PoolBuilderError, SourceError, StoreError, fault, said
from poolbuilder.files import disk_errors, locked, private_folder, write_whole
from poolbuilder.places import geodesy
from poolbuilder.records.service.answers import Answers, name_lost, record_key, records_table, unlike_page
from poolbuilder.records.service.client import Answer, Client, failure, parsed, text_of
from poolbuilder.records.service.search import FOLDER, Query, SearchPart, parse_licence, split, strictest

STAMP = "%Y%m%dT%H%M%SZ"
BATCH = 4096

SEARCH = "/occurrence/search"
MOST_DATASETS = 1000
"""Data sets whose records are counted one by one."""

LOSS_SHARE, LOSS_RECORDS = 0.05, 20
"""Where more than this share, and more than so many, of the records are gone at once, it is not believed."""

VERBATIM_NAME = "http://rs.tdwg.org/dwc/terms/scientificName"

Progress = Callable[[int, int], None]

# ------------------------------------------------------------------ fetches


@dataclass(frozen=True, kw_only=True)
class Fetch:
    """What one fetch brought.

    Attributes
    ----------
    key : str
        Name of its folder below ``fetches``.
    query : Query
        What was asked.
    answers : Answers
        The kept answers; records are read from them when they are needed.
    rows : int
        Distinct records.
    source : dict
        ``path``, ``sha256``, ``rows`` and the time, for the list of inputs.
    datasets : tuple of dict
        datasetKey, title, citation, license, doi, records.
    counts : dict
        promised, arrived, repeated, distinct, answers, setAside, bytes and wireBytes.
    licence : str, optional
        The most restrictive licence of the records; None without records.
    notes : tuple of str
        What a careful colleague would add.
    complete : bool
        Whether every promised record arrived, and what did not come again is believed to be gone.
    withdrawn : tuple of str
        recordKey of each record that an earlier fetch of the query brought and the service does
        not hold any more; only a complete fetch of all records can tell.
    doubted : tuple of str
        recordKey of the records that did not come again, too many at once to be believed gone.
    differs : str
        After a fetch of changes, what the service counts otherwise than is kept; empty where it agrees.
    """

    key: str
    query: Query
    answers: Answers
    rows: int
    source: dict[str, Any]
    datasets: tuple[dict[str, Any], ...]
    counts: dict[str, int]
    licence: str | None
    notes: tuple[str, ...]
    complete: bool
    fetched: datetime.datetime
    withdrawn: tuple[str, ...] = ()
    doubted: tuple[str, ...] = ()
    differs: str = ""

    def batches(self) -> Iterator[pa.Table]:
        """The records, schema RECORDS, one row per distinct record, some thousand rows at a time."""
        names = ((note["key"], value.get(VERBATIM_NAME)) for note, value in self.answers.of_kind("verbatim"))
        verbatim = {key: written.strip() for key, name in names if (written := text_of(name))}
        source = f"service:{self.key}"
        fresh: dict[Any, dict[str, Any]] = {}
        seen: set[Any] = set()
        for item in self.answers.records():
            if item["key"] not in seen:
                fresh[item["key"]] = item
                seen.add(item["key"])
            if len(fresh) >= BATCH:
                yield records_table(list(fresh.values()), source=source, verbatim=verbatim)
                fresh = {}
        if fresh:
            yield records_table(list(fresh.values()), source=source, verbatim=verbatim)

    @property
    def table(self) -> pa.Table:
        """All the records at once; schema RECORDS."""
        return pa.concat_tables([schemas.RECORDS.empty_table(), *self.batches()])

    def for_store(self) -> Iterator[pa.Table]:
        """The records, and a row without place for each one withdrawn.

        In a store the newest version of a record holds, so a withdrawn one is near no water.
        """
        yield from self.batches()
        if self.withdrawn:
            row = dict.fromkeys(schemas.RECORDS.names) | {"sourceFile": f"service:{self.key}"}
            row["readNote"] = said("withdrawn_not_service", fetched=self.fetched.date().isoformat())
            yield tables.of_rows(schemas.RECORDS, [row | {"recordKey": key} for key in self.withdrawn])

    def age_words(self, now: datetime.datetime) -> str:
        """How old the data are, in words."""
        days = (now - self.fetched).days
        if days < 0:
            return said("fetched_future_computer", fetched=self.fetched)
        when = {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")
        return f"fetched {when} ({self.fetched:%Y-%m-%d})"


def folders(root: Path, digest: str) -> list[Answers]:
    """Every fetch of a query below *root*, whole or broken; oldest first."""
    return [Answers(folder) for folder in sorted(root.glob(f"{digest}-*Z")) if folder.is_dir()]


def began(key: str) -> datetime.datetime:
    """When a fetch began, by its name."""
    try:
        day = datetime.datetime.strptime(key.partition("-")[2], STAMP)
    except ValueError:
        day = datetime.datetime.min
    return day.replace(tzinfo=datetime.UTC)


def result_of(answers: Answers) -> Fetch:
    """A whole fetch as a value, with what its licences ask of the reader.

    Raises
    ------
    StoreError
        When the manifest is not one that was written here.
    """
    try:
        return _result(answers, answers.manifest())
    except (KeyError, TypeError, ValueError, AttributeError, PoolBuilderError) as error:
        raise answers.broken("manifest.json", f"is broken: {error!r}") from error


def _result(answers: Answers, manifest: dict[str, Any]) -> Fetch:
    keys, rows = set(manifest["licences"]), int(manifest["counts"]["distinct"])
    asks = {"some_records_cc": {"CC_BY_NC_4_0"}, "some_records_state": {"UNSPECIFIED", "UNSUPPORTED"}}
    answers.pages = manifest["pages"]
    of_service = {name: manifest[name] for name in ("service", "fetched")}
    source = {"path": f"service:{answers.key}", "sha256": manifest["sha256"], "rows": rows, **of_service}
    return Fetch(
        key=answers.key,
        query=Query.from_dict(manifest["query"]),
        answers=answers,
        rows=rows,
        source=source,
        datasets=tuple(manifest["datasets"]),
        counts=dict(manifest["counts"]),
        licence=strictest(keys),
        notes=(*manifest["notes"], *(said(key) for key, asking in asks.items() if keys & asking)),
        complete=bool(manifest["complete"]),
        withdrawn=tuple(manifest["withdrawn"]),
        doubted=tuple(manifest.get("doubted", ())),
        differs=str(manifest.get("differs", "")),
        fetched=datetime.datetime.fromisoformat(manifest["fetched"]),
    )


def chain(query: Query, *, base_url: str, store: Path) -> list[Fetch]:
    """What is known for a query: the youngest complete fetch of all records, and those after it."""
    found: list[Fetch] = []
    for answers in reversed(folders(store / FOLDER, query.digest(base_url))):
        if not answers.is_whole:
            continue
        found.append(result_of(answers))
        if found[-1].query.changed_since is None and found[-1].complete:
            return found[::-1]
    return []


def replay(key: str, *, store: Path) -> Fetch:
    """A whole fetch again, from what was kept, without network.

    Raises
    ------
    StoreError
        When there is no such fetch, or an answer is not the one that was kept.
    """
    answers = Answers(store / FOLDER / key)
    if not answers.is_whole:
        raise StoreError.of("no_whole_fetch", folder=answers.folder)
    return result_of(answers)


# ------------------------------------------------------------------ fetching


class _Contradiction(Exception):
    """What the service says of a part does not fit what it said of it before."""


@dataclass
class _Arrived:
    """What arrived, counted record by record; nothing of a record is held but its key and data set.

    Of one part, *promised* are its records by the last page's count: the index changes on the way.
    """

    rows: int = 0
    seen: dict[Any, str | None] = field(default_factory=dict)
    licences: set[str] = field(default_factory=set)
    doubtful: dict[str, None] = field(default_factory=dict)
    """Keys of records whose name as written is to be asked for."""
    promised: int = 0

    def take(self, results: Sequence[Mapping[str, Any]]) -> None:
        self.rows += len(results)
        for item in results:
            if item["key"] in self.seen:
                continue
            self.seen[item["key"]] = text_of(item.get("datasetKey"))
            self.licences.add(parse_licence(text_of(item.get("license"))))
            if name_lost(item):
                self.doubtful[str(item["key"])] = None

    def add(self, other: _Arrived) -> None:
        self.rows += other.rows
        self.seen |= other.seen
        self.licences |= other.licences
        self.doubtful |= other.doubtful


def fetch(
    client: Client,
    query: Query,
    *,
    store: Path,
    now: datetime.datetime,
    progress: Progress = lambda done, expected: None,
) -> Fetch:
    """Bring all records of a query; go on with a broken fetch of the same query.

    After a fetch of changes the service is asked to count all its records, data set by data set.  Where
    it holds other numbers than are kept, records were withdrawn or moved: all are fetched.  So they are
    where the last fetch of all records came back with far fewer than before.

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
    with locked(root / f".{digest}.lock", doing=said("filled_same_records")):
        earlier = chain(query, base_url=client.base_url, store=store)
        if any(item.doubted for item in earlier):
            query = query.replace(changed_since=None)
        run = _Run(client, query, _opened(root, query, now, client), earlier, now, progress)
        brought = run.whole()
        if brought.differs:
            query = query.replace(changed_since=None)
            again = _opened(root, query, now, client)
            run = _Run(client, query, again, [*earlier, brought], now, progress, notes=[brought.differs])
            brought = run.whole()
        return brought


def _opened(root: Path, query: Query, now: datetime.datetime, client: Client) -> Answers:
    """The folder of a broken fetch that is young enough to go on with, else a new one."""
    digest = query.digest(client.base_url)
    oldest = now - datetime.timedelta(hours=client.settings.fetch_resume_hours)
    for answers in reversed(folders(root, digest)):
        young = oldest <= began(answers.key) <= now
        plan = None if answers.is_whole or not young else answers.plan()
        if plan is not None and plan.get("query") == query.as_dict():
            answers.resume()
            return answers
    stamp = now.astimezone(datetime.UTC)
    while (root / f"{digest}-{stamp.strftime(STAMP)}").exists():
        stamp += datetime.timedelta(seconds=1)
    return Answers(root / f"{digest}-{stamp.strftime(STAMP)}")


@dataclass
class _Run:
    """One fetch while it is made."""

    client: Client
    query: Query
    answers: Answers
    earlier: list[Fetch]
    now: datetime.datetime
    progress: Progress
    notes: list[str] = field(default_factory=list)

    def whole(self) -> Fetch:
        """Bring everything, and write the manifest."""
        answers = self.answers
        arrived, missed = self.paged(self.planned())
        records = len(arrived.seen)
        self.ask_names(list(arrived.doubtful))
        if missed:
            self.notes.append(said("promised_records_did", missed=missed, records=records + missed))
        datasets = Counter(key for key in arrived.seen.values() if key is not None)
        cited, uncited = _citations(self.client, datasets, answers.folder.parent / "datasets")
        gone: list[str] = []
        doubted: list[str] = []
        differs = ""
        if self.query.changed_since is not None:
            differs = self.differs(arrived)
        elif not missed:
            gone, doubted = self.lost(arrived)
        if answers.set_aside:
            self.notes.append(
                said("answers_could_not", set_aside=answers.set_aside, name=answers.folder.name)
            )
        hashes = "".join(note["sha256"] for note in answers.pages).encode()
        identity = [answers.key, hashlib.sha256(hashes).hexdigest(), gone]  # two fetches never share it
        manifest = {
            "service": self.client.base_url,
            "query": self.query.as_dict(),
            "began": began(answers.key).isoformat(),
            "fetched": self.now.isoformat(),
            "sha256": hashlib.sha256(json.dumps(identity).encode()).hexdigest(),
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
            "complete": not missed and not doubted and not differs,
            "licences": sorted(arrived.licences),
            "datasets": cited,
            "withdrawn": gone,
            "doubted": doubted,
            "differs": differs,
            "notes": self.notes + uncited,
            "pages": answers.pages,
        }
        answers.write("manifest", manifest)
        return result_of(answers)

    def planned(self) -> list[tuple[SearchPart, int]]:
        """The parts of a broken fetch again, else newly counted ones."""
        plan = self.answers.plan()
        if plan is not None:
            return [(SearchPart.from_dict(part), int(part["expected"])) for part in plan["parts"]]
        parts = split(
            self.query,
            count=lambda part: int(self.counted(part)["count"]),
            ceiling=int(self.client.settings.service_ceiling),
            last_year=self.now.year + 1,
        )
        written = [dataclasses.asdict(part) | {"expected": size} for part, size in parts]
        asked = {"service": self.client.base_url, "query": self.query.as_dict(), "parts": written}
        self.answers.write("plan", asked)
        return parts

    def asked(self, part: SearchPart, limit: int, offset: int, **more: Any) -> Answer:
        """One page of a part of the query."""
        params = self.query.params() | part.params() | {"limit": limit, "offset": offset} | more
        return self.client.get(
            SEARCH, params, unlike=unlike_page, aside=self.answers.put_aside if limit else _drop
        )

    def counted(self, part: SearchPart, **more: Any) -> dict[str, Any]:
        """How many records the service promises for a part."""
        return dict(self.asked(part, 0, 0, **more).value)

    # -------------------------------------------------------------- paging

    def paged(self, parts: list[tuple[SearchPart, int]]) -> tuple[_Arrived, int]:
        """Every part to its end, and how many promised records did not arrive.

        A part that came short or in contradiction is paged once more.
        """
        expected, missed, grown = sum(size for _, size in parts), 0, 0
        arrived = _Arrived()
        for number, (part, size) in enumerate(parts):
            found = _Arrived()
            say = partial(self._say, len(arrived.seen), expected)
            for turn in (1, 2):
                try:
                    again = self.page_part(part, number, turn, say)
                except _Contradiction as error:
                    if turn == 1:
                        self.answers.drop(number)
                        continue
                    self.answers.refuse()
                    fact, remedy = fault("contradicts_itself_twice", error=error)
                    raise failure(self.client.base_url + SEARCH, fact, remedy) from error
                again.add(found)
                found = again
                if len(found.seen) >= found.promised:
                    break
            missed += max(0, found.promised - len(found.seen))
            grown += found.promised - size
            arrived.add(found)
        if len(parts) > 1:
            self.notes.append(said("more_records_can", parts=len(parts)))
        page, smallest = self.client.settings.service_page, self.answers.smallest_page
        if 0 < smallest < page:
            self.notes.append(said("service_gave_pages", smallest=smallest, page=page))
        if grown:
            self.notes.append(said("number_records_changed", grown=grown))
        return arrived, missed

    def _say(self, before: int, expected: int, rows: int) -> None:
        self.progress(before + rows, expected)

    def page_part(
        self, part: SearchPart, number: int, turn: int, progress: Callable[[int], None]
    ) -> _Arrived:
        """One part of a query, page by page, to its end; pages that are kept are not asked for again."""
        ceiling, page = int(self.client.settings.service_ceiling), int(self.client.settings.service_page)
        kept = {
            note["offset"]: note
            for note in self.answers.pages
            if (note.get("part"), note.get("turn")) == (number, turn)
        }
        found, offset, done = _Arrived(), 0, False
        while not done:
            if offset >= ceiling:
                raise failure("", *fault("part_grown_past", ceiling=ceiling, folder=self.answers.folder))
            if offset in kept:
                value = self.answers.value(kept[offset])
            else:
                limit = min(page, ceiling - offset)
                answer = self.asked(part, limit, offset)
                value = answer.value
                _check_page(answer, offset, limit, ceiling, found.promised)
                _check_area(answer, self.query)
                about = {"part": number, "turn": turn, "offset": offset, "records": len(value["results"])}
                self.answers.keep(answer, kind="search", **about)
            results = value["results"]
            found.promised = int(value["count"])
            found.take(results)
            offset += len(results)
            done = bool(value.get("endOfRecords")) or not results or offset >= found.promised
            progress(found.rows)
        return found

    # -------------------------------------------------------------- what is gone

    def lost(self, arrived: _Arrived) -> tuple[list[str], list[str]]:
        """Records that the fetches before this one had, and this fetch of all records has not.

        Returns
        -------
        gone, doubted
            Keys of records believed to be withdrawn; or, where too many are missing at once, those that
            are kept until a fetch of all records on another day misses them too.
        """
        had = set(known(self.earlier))
        missing = had - {record_key(key) for key in arrived.seen}
        if not missing:
            return [], []
        gone = said("records_service_held", missing=len(missing))
        if not _sudden(len(missing), len(had)):
            self.notes.append(gone)
            return sorted(missing), []
        for item in self.earlier:
            doubted = set(item.doubted)
            another_day = item.fetched.astimezone(self.now.tzinfo).date() < self.now.date()
            if doubted and another_day and not _sudden(len(missing - doubted), len(had)):
                self.notes.append(said("withdrawn_before", gone=gone, fetched=item.fetched))
                return sorted(missing), []
        try:
            again = said("counted_again_says", count=self.counted(SearchPart())["count"])
        except SourceError as error:
            again = said("could_not_asked", error=error)
        self.notes.append(said("records_did_not", missing=len(missing), had=len(had), again=again))
        return [], sorted(missing)

    def differs(self, arrived: _Arrived) -> str:
        """After a fetch of changes: where the service now counts other records than are kept, in words.

        Equal counts say that none was withdrawn or moved, unless another took its place in the data set.
        """
        whole = [item.fetched for item in self.earlier if item.query.changed_since is None]
        if not whole:
            return ""
        held = known(self.earlier) | {record_key(key): name for key, name in arrived.seen.items()}
        since = said("withdrawn_records_last", looked=max(whole))
        everything = dataclasses.replace(self, query=self.query.replace(changed_since=None))
        try:
            by_set = {"facet": "datasetKey", "facetLimit": MOST_DATASETS, "facetMincount": 1}
            there = everything.counted(SearchPart(), **by_set)
        except SourceError as error:
            self.notes.append(said("records_could_not", since=since, error=error))
            return ""
        total, kept, counted = int(there["count"]), Counter(map(str, held.values())), _facets(there)
        changed = [
            f"{name}: {kept[name]:,} kept, {counted[name]:,} there"
            for name in sorted(kept | counted)
            if counted and kept[name] != counted[name]
        ]
        if total == len(held) and not changed:
            exactly = said("by_data_set") if counted else ""
            self.notes.append(said("today_service_counts", since=since, exactly=exactly))
            return ""
        which = f" (data set {'; '.join(changed[:3])})" if changed else ""
        return said("service_counts_records", total=total, held=len(held), which=which)

    def ask_names(self, wanted: list[str]) -> None:
        """Ask for names as written where the service could not place the whole name."""
        have = {note["key"] for note in self.answers.pages if note["kind"] == "verbatim"}
        most = int(self.client.settings.verbatim_lookups)
        for key in wanted[:most]:
            if key in have:
                continue
            try:
                answer = self.client.get(
                    f"/occurrence/{quote(key, safe='')}/verbatim", aside=self.answers.put_aside
                )
            except OfflineError:
                raise
            except SourceError as error:
                self.notes.append(said("names_written_could", error=error))
                return
            self.answers.keep(answer, kind="verbatim", key=key)
        if len(wanted) > most:
            self.notes.append(said("names_could_not", wanted=len(wanted), most=most))


def _drop(body: bytes) -> None:
    """Keep nothing of a count that could not be used."""


def known(fetches: Sequence[Fetch]) -> dict[str, str | None]:
    """The recordKey of every record that some fetches brought, and its data set by the last of them."""
    return {
        record_key(item["key"]): text_of(item.get("datasetKey"))
        for brought in fetches
        for item in brought.answers.records()
    }


def _facets(answer: Mapping[str, Any]) -> Counter[str]:
    """Records by data set; empty from a service that does not say, or not of all."""
    try:
        found = Counter({str(each["name"]): int(each["count"]) for each in answer["facets"][0]["counts"]})
    except (LookupError, TypeError, ValueError):
        return Counter()
    return found if found.total() == answer["count"] else Counter()


def _sudden(missing: int, had: int) -> bool:
    return missing > LOSS_RECORDS and missing > LOSS_SHARE * had


# ------------------------------------------------------------------ checks of a page


def _check_page(answer: Answer, offset: int, asked: int, ceiling: int, promised: int) -> None:
    """Stop at a page that is not the one asked for, or where the number of records cannot be true."""
    page = answer.value
    count, came = int(page["count"]), len(page["results"])
    end = offset + came
    if page.get("offset", offset) != offset:
        got = str(page["offset"])[:30]
        raise failure(answer.url, *fault("asked_records_got", offset=offset, got=got))
    if came > asked:
        raise failure(answer.url, *fault("more_than_asked", asked=asked, came=came))
    if not came and offset < min(count, ceiling):
        raise failure(answer.url, *fault("stops_early", offset=offset, count=count))
    if count < end:
        raise _Contradiction(said("records_come", end=end, count=count))
    if count < promised:
        raise _Contradiction(said("number_records_fell", promised=promised, count=count))
    if page.get("endOfRecords") and came == asked and end < min(count, ceiling):
        raise _Contradiction(said("full_page_called", end=end, count=count))


def _check_area(answer: Answer, query: Query) -> None:
    """Stop when more than half of a page lies farther out than asked: a filter was dropped on the way."""
    results = answer.value["results"]
    given = ((item.get("decimalLongitude"), item.get("decimalLatitude")) for item in results)
    numbers = (place for place in given if all(isinstance(value, int | float) for value in place))
    places = [(lon, lat) for lon, lat in numbers if abs(lon) <= 180 and abs(lat) <= 90]
    if not places:
        return
    lon, lat = np.array(places, dtype=float).T
    away = geodesy.distance_km(lon, lat, from_longitude=query.longitude, from_latitude=query.latitude)
    outside = int((away > query.distance_km * 1.05 + 1).sum())
    if outside > len(results) / 2:
        raise failure(answer.url, *fault("does_not_keep", outside=outside, results=len(results)))


# ------------------------------------------------------------------ citations


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
        about = _kept(path)
        if about is None:
            try:
                answer = client.get(f"/dataset/{quote(key, safe='')}")
                about = answer.value
                write_whole(path, answer.body, StoreError)
            except SourceError as error:
                why = "offline" if isinstance(error, OfflineError) else str(error)
                notes.append(said("no_citation_data", item=key, why=why))
        about = about or {}
        citation, title = about.get("citation"), text_of(about.get("title")) or key
        cited = text_of(citation.get("text") if isinstance(citation, dict) else citation) or title
        row: dict[str, Any] = {"datasetKey": key, "title": title, "citation": cited}
        row |= {name: text_of(about.get(name)) for name in ("license", "doi")}
        found.append(row | {"records": held[key]})
    return found, notes


def _kept(path: Path) -> dict[str, Any] | None:
    """What was kept of a data set, if it can be read."""
    try:
        about = parsed(path.read_bytes())
    except (OSError, ValueError):
        return None
    return about if isinstance(about, dict) else None
