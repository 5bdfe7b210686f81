"""What a fetch brought: answers kept as they came, records made of them, the same offline years later.

A fetch is a folder ``fetches/<key>/`` in the store::

    plan.json         the query, its parts and their counts; written first
    000001.json.gz    one answer as it came, and so on
    pages.jsonl       one line for each answer kept: file, part, offset, records, SHA-256
    aside-01.gz       an answer that could not be used; it was asked for again and is never read
    manifest.json     written last: the fetch is whole if and only if this file is there
"""

from __future__ import annotations

import datetime
import gzip
import hashlib
import json
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder import schemas, tables
from poolbuilder.errors import PoolBuilderError, StoreError
from poolbuilder.files import write_whole
from poolbuilder.records.service.client import parsed, text_of
from poolbuilder.records.service.search import Query, most_restrictive
from poolbuilder.records.values import WHOLE_NAME_DOUBTS

PLAN, PAGES, MANIFEST, REFUSED = "plan.json", "pages.jsonl", "manifest.json", "refused.json"
FOLDER = "fetches"
STAMP = "%Y%m%dT%H%M%SZ"
BATCH = 4096
PORTION = 12
"""Batches that a store takes up at once."""

MOST_ASIDE = 50
VERBATIM_NAME = "http://rs.tdwg.org/dwc/terms/scientificName"
CAPTIVE = "http://unknown.org/captive_cultivated"
"""A field of some publishers, outside Darwin Core: ``captive`` or ``wild``."""


@dataclass
class Answers:
    """The folder of one fetch.

    Parameters
    ----------
    folder : path
        ``fetches/<key>`` in a store; made at the first write.
    """

    folder: Path
    pages: list[dict[str, Any]] = field(default_factory=list)

    @property
    def key(self) -> str:
        """Name of the fetch."""
        return self.folder.name

    @property
    def is_whole(self) -> bool:
        """Whether the fetch came to its end."""
        return (self.folder / MANIFEST).is_file()

    def manifest(self) -> dict[str, Any]:
        """What the fetch was and brought."""
        return self._read(MANIFEST)

    def plan(self) -> dict[str, Any] | None:
        """What a fetch set out to do; None when it never got so far, or was refused."""
        return self._read(PLAN) if (self.folder / PLAN).is_file() else None

    def begin(self, plan: dict[str, Any]) -> None:
        """Write down what is to be fetched."""
        write_whole(self.folder / PLAN, json.dumps(plan, indent=1), StoreError)

    def keep(self, body: bytes, **about: Any) -> dict[str, Any]:
        """Keep one answer and note it; the note comes after the answer is safe."""
        number = 1 + max((int(note["file"][:6]) for note in self.pages), default=0)
        name = f"{number:06d}.json.gz"
        write_whole(self.folder / name, gzip.compress(body, 6, mtime=0), StoreError)
        note = {"file": name, "sha256": hashlib.sha256(body).hexdigest(), "bytes": len(body), **about}
        try:
            with (self.folder / PAGES).open("ab") as stream:
                stream.write(json.dumps(note).encode() + b"\n")
                stream.flush()
        except OSError as error:
            raise StoreError(
                f"{self.folder / PAGES}: cannot be written: {error.strerror} (free some space; the same "
                "command goes on where it stopped)"
            ) from error
        self.pages.append(note)
        return note

    @property
    def set_aside(self) -> int:
        """Answers that could not be used."""
        return len(list(self.folder.glob("aside-*.gz")))

    def put_aside(self, body: bytes) -> None:
        """Keep an answer that could not be used for whoever looks into it; it is never read again."""
        number = self.set_aside + 1
        if number <= MOST_ASIDE:
            write_whole(self.folder / f"aside-{number:02d}.gz", gzip.compress(body, 6, mtime=0), StoreError)

    def drop(self, part: int) -> None:
        """Put the kept answers of one part aside; they are then asked for again."""
        for note in self.pages:
            if note.get("part") == part:
                self.put_aside(self.body(note))
        self._note_only([note for note in self.pages if note.get("part") != part])

    def refuse(self) -> None:
        """Let nothing go on from this fetch: what the service said contradicts itself."""
        if (self.folder / PLAN).is_file():
            (self.folder / PLAN).replace(self.folder / REFUSED)

    def end(self, manifest: dict[str, Any]) -> None:
        """Mark the fetch as whole."""
        document = json.dumps(manifest, indent=1, ensure_ascii=False)
        write_whole(self.folder / MANIFEST, document, StoreError)

    def resume(self, usable: Callable[[dict[str, Any], Any], bool]) -> None:
        """Take up the answers that a broken fetch has kept, up to the first that cannot be used.

        That one and those after it are dropped from the notes, and are then asked for again.
        """
        path = self.folder / PAGES
        notes = []
        for line in path.read_bytes().split(b"\n") if path.is_file() else []:
            try:
                note = parsed(line)
                if not usable(note, self.value(note)):
                    break
            except (ValueError, StoreError, TypeError, KeyError):
                break
            notes.append(note)
        self._note_only(notes)

    def _note_only(self, notes: list[dict[str, Any]]) -> None:
        self.pages = notes
        if self.folder.is_dir():
            lines = "".join(f"{json.dumps(note)}\n" for note in notes)
            write_whole(self.folder / PAGES, lines, StoreError)

    def body(self, note: dict[str, Any]) -> bytes:
        """One answer, checked against its hash.

        Raises
        ------
        StoreError
            When it is missing or is not the one that was kept.
        """
        path = self.folder / note["file"]
        try:
            body = gzip.decompress(path.read_bytes())
        except (OSError, EOFError, ValueError, zlib.error) as error:
            raise self._broken(note["file"], f"this kept answer cannot be read: {error}") from error
        if hashlib.sha256(body).hexdigest() != note["sha256"]:
            raise self._broken(note["file"], "this kept answer is not the one that came: its SHA-256 differs")
        return body

    def value(self, note: dict[str, Any]) -> Any:
        """One answer, parsed.

        Raises
        ------
        StoreError
            When it is missing, changed, or no JSON.
        """
        try:
            return parsed(self.body(note))
        except ValueError as error:
            raise self._broken(note["file"], f"this kept answer cannot be read: {error}") from error

    def digest(self) -> str:
        """SHA-256 over the hashes of all answers: the identity of what was fetched."""
        return hashlib.sha256("".join(note["sha256"] for note in self.pages).encode()).hexdigest()

    def _read(self, name: str) -> dict[str, Any]:
        try:
            value = parsed((self.folder / name).read_bytes())
        except OSError as error:
            raise StoreError(
                f"{self.folder / name}: cannot be read: {error.strerror} (fetch again)"
            ) from error
        except ValueError as error:
            raise self._broken(name, f"is broken: {error}") from error
        if not isinstance(value, dict):
            raise self._broken(name, "is broken: not an object")
        return value

    def _broken(self, name: str, fact: str) -> StoreError:
        return StoreError(f"{self.folder / name}: {fact} (delete the folder {self.folder} and fetch again)")


# ------------------------------------------------------------------ records

_MADE_HERE = {"recordKey", "sourceFile", "readNote", "issue"}
FIELDS = {
    item.name: {"taxonClass": "class"}.get(item.name, item.name)
    for item in schemas.RECORDS
    if item.type == schemas.TEXT and item.name not in _MADE_HERE
}
"""Text column of a record and the field of the answer that fills it."""

NUMBERS = {
    "decimalLongitude": None,
    "decimalLatitude": None,
    "coordinateUncertaintyInMeters": None,
    "coordinatePrecision": None,
    "individualCount": None,
    "year": (-9999, 9999),
    "month": (-128, 127),
    "day": (-128, 127),
}
"""Numeric columns, with the bounds of those that are whole numbers."""


def _number(value: Any, bounds: tuple[int, int] | None) -> tuple[float | None, bool]:
    """A number, and whether what stood there was none."""
    if value is None or value == "":
        return None, False
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        return None, True
    if number != number or number in {float("inf"), float("-inf")} or isinstance(value, bool):
        return None, True
    if bounds is not None and not (number == int(number) and bounds[0] <= number <= bounds[1]):
        return None, True
    return number, False


def _row(answer: Mapping[str, Any], source: str, verbatim: Mapping[str, str]) -> dict[str, Any]:
    row: dict[str, Any] = {column: text_of(answer.get(field)) for column, field in FIELDS.items()}
    notes = []
    for column, bounds in NUMBERS.items():
        row[column], bad = _number(answer.get(column), bounds)
        if bad:
            notes.append(f"{column} {(text_of(answer.get(column)) or '')[:60]!r} is not a number")
    if row["associatedMedia"] is None:
        media = answer.get("media")
        shown = filter(lambda item: isinstance(item, dict), media if isinstance(media, list) else [])
        row["associatedMedia"] = text_of([item.get("identifier") for item in shown])
    captive = (text_of(answer.get(CAPTIVE)) or "").strip().lower()
    if captive in {"captive", "cultivated"}:
        row["degreeOfEstablishment"] = captive
    issues = answer.get("issues")
    row["issue"] = ";".join(filter(None, map(text_of, issues))) or None if isinstance(issues, list) else None
    key = text_of(answer["key"]) or ""
    written = verbatim.get(key) or text_of(answer.get("verbatimScientificName"))
    if written and whole_name_lost(answer) and written != row["scientificName"]:
        notes.append(f"the service reads the name {written!r} as {row['scientificName']!r}")
        row["scientificName"], row["taxonRank"] = written, None
    row |= {
        "recordKey": record_key(key),
        "coordinateDecimals": None,
        "sourceFile": source,
        "sourceRow": None,
        "readNote": "; ".join(notes) or None,
    }
    return row


def whole_name_lost(answer: Mapping[str, Any]) -> bool:
    """Whether the service could not place the whole of a record's name."""
    issues = answer.get("issues")
    return isinstance(issues, list) and any(flag in issues for flag in WHOLE_NAME_DOUBTS)


def record_key(key: Any) -> str:
    """The recordKey of a record that the service knows by *key*."""
    return f"gbif:{text_of(key)}"


def records_table(
    answers: Sequence[Mapping[str, Any]], *, source: str, verbatim: Mapping[str, str] | None = None
) -> pa.Table:
    """Records from the results of a search.

    Parameters
    ----------
    answers : sequence of mapping
        Results of ``/occurrence/search``, in the documented shape.
    source : str
        What `sourceFile` names.
    verbatim : mapping, optional
        Key to the name as its source wrote it, for names that the service could not place.

    Returns
    -------
    Table, schema RECORDS
        One row per answer, in order.
    """
    rows = [_row(answer, source, verbatim or {}) for answer in answers]
    values = {name: [row[name] for row in rows] for name in schemas.RECORDS.names}
    return schemas.check(tables.table(schemas.RECORDS, values), schemas.RECORDS, "service")


def _withdrawn_table(keys: Sequence[str], *, source: str, day: datetime.date) -> pa.Table:
    """Rows that stand in a store for withdrawn records: no name, no place, and the reason; schema RECORDS."""
    values: dict[str, list[Any]] = {name: [None] * len(keys) for name in schemas.RECORDS.names}
    values["recordKey"] = list(keys)
    values["sourceFile"] = [source] * len(keys)
    values["readNote"] = [f"withdrawn: not at the service any more on {day.isoformat()}"] * len(keys)
    return tables.table(schemas.RECORDS, values)


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

    def record_keys(self) -> Iterator[str]:
        """The recordKey of every record that came."""
        for note in self.answers.pages:
            if note["kind"] == "search":
                yield from (record_key(item["key"]) for item in self.answers.value(note)["results"])

    def batches(self) -> Iterator[pa.Table]:
        """The records, schema RECORDS, one row per distinct record, some thousand rows at a time."""
        verbatim = {}
        for note in self.answers.pages:
            value = self.answers.value(note) if note["kind"] == "verbatim" else None
            written = text_of(value.get(VERBATIM_NAME)) if isinstance(value, dict) else None
            if written and written.strip():
                verbatim[note["key"]] = written.strip()
        seen: set[Any] = set()
        fresh: list[dict[str, Any]] = []
        source = f"service:{self.key}"
        for note in self.answers.pages:
            if note["kind"] != "search":
                continue
            for item in self.answers.value(note)["results"]:
                if item["key"] not in seen:
                    seen.add(item["key"])
                    fresh.append(item)
            if len(fresh) >= BATCH:
                yield records_table(fresh, source=source, verbatim=verbatim)
                fresh = []
        if fresh:
            yield records_table(fresh, source=source, verbatim=verbatim)

    @property
    def table(self) -> pa.Table:
        """All the records at once; schema RECORDS."""
        return pa.concat_tables([schemas.RECORDS.empty_table(), *self.batches()])

    def portions(self) -> Iterator[tuple[dict[str, Any], list[pa.Table]]]:
        """What a store takes up, about fifty thousand records at a time, each with its source.

        Besides the records there is a row without place for each one withdrawn: in a store the
        newest version of a record holds, so a withdrawn one is near no water.  Only the last
        portion has the fetch's own SHA-256: a store that knows it has taken up the whole.
        """
        batches = self._for_store()
        waiting = list(islice(batches, PORTION))
        number = 0
        while waiting:
            following = next(batches, None)
            sha256 = str(self.source["sha256"])
            if following is not None:
                sha256 = hashlib.sha256(f"{sha256}:{number}".encode()).hexdigest()
            rows = sum(batch.num_rows for batch in waiting)
            yield self.source | {"sha256": sha256, "rows": rows}, waiting
            waiting = [] if following is None else [following, *islice(batches, PORTION - 1)]
            number += 1

    def _for_store(self) -> Iterator[pa.Table]:
        yield from self.batches()
        if self.withdrawn:
            yield _withdrawn_table(self.withdrawn, source=f"service:{self.key}", day=self.fetched.date())

    def age_words(self, now: datetime.datetime) -> str:
        """How old the data are, in words."""
        days = (now - self.fetched).days
        if days < 0:
            return f"fetched on {self.fetched:%Y-%m-%d}, which is in the future by this computer's clock"
        when = {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")
        return f"fetched {when} ({self.fetched:%Y-%m-%d})"


def folders(root: Path, digest: str | None = None) -> Iterator[Answers]:
    """Every fetch below *root*, or those of one query; oldest first."""
    for folder in sorted(root.glob(f"{digest or '?' * 16}-*Z")) if root.is_dir() else []:
        if folder.is_dir():
            yield Answers(folder)


def began(key: str) -> datetime.datetime:
    """When a fetch began, by its name."""
    try:
        return datetime.datetime.strptime(key.partition("-")[2], STAMP).replace(tzinfo=datetime.UTC)
    except ValueError:
        return datetime.datetime.min.replace(tzinfo=datetime.UTC)


def result_of(answers: Answers, manifest: dict[str, Any]) -> Fetch:
    """A whole fetch as a value, with what its licences ask of the reader.

    Raises
    ------
    StoreError
        When the manifest is not one that was written here.
    """
    try:
        return _result(answers, manifest)
    except (KeyError, TypeError, ValueError, AttributeError, PoolBuilderError) as error:
        raise answers._broken(MANIFEST, f"is broken: {error!r}") from error


def _result(answers: Answers, manifest: dict[str, Any]) -> Fetch:
    keys = set(manifest["licences"])
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
    answers.pages = manifest["pages"]
    return Fetch(
        key=answers.key,
        query=Query.from_dict(manifest["query"]),
        answers=answers,
        rows=int(manifest["counts"]["distinct"]),
        source={
            "path": f"service:{answers.key}",
            "sha256": manifest["sha256"],
            "rows": int(manifest["counts"]["distinct"]),
            "service": manifest["service"],
            "fetched": manifest["fetched"],
        },
        datasets=tuple(manifest["datasets"]),
        counts=dict(manifest["counts"]),
        licence=most_restrictive(keys),
        notes=tuple(notes),
        complete=bool(manifest["complete"]),
        withdrawn=tuple(manifest["withdrawn"]),
        doubted=tuple(manifest.get("doubted", ())),
        fetched=datetime.datetime.fromisoformat(manifest["fetched"]),
    )


def chain(root: Path, digest: str) -> list[Fetch]:
    """The youngest complete fetch of all records of a query, and those after it; oldest first."""
    found: list[Fetch] = []
    for answers in reversed(list(folders(root, digest))):
        if not answers.is_whole:
            continue
        found.append(result_of(answers, answers.manifest()))
        if found[-1].query.changed_since is None and found[-1].complete:
            return found[::-1]
    return []


def chain_of(query: Query, *, base_url: str, store: Path) -> list[tuple[str, datetime.datetime, bool]]:
    """Key, time and completeness of the fetches that make up what is known for a query; oldest first.

    The first is the youngest complete fetch of all records, the others came after it.
    """
    kept = chain(store / FOLDER, query.digest(base_url))
    return [(item.key, item.fetched, item.complete) for item in kept]


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
    return result_of(answers, answers.manifest())
