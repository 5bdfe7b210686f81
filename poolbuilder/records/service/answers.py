"""What the service gave: answers kept as they came, the records made of them, and prepared archives.

A fetch is a folder ``fetches/<key>/`` in the store::

    plan.json         the query, its parts and their counts; written first
    000001.json.gz    one answer as it came, and so on
    pages.jsonl       one line for each answer kept: file, part, offset, records, SHA-256
    aside-01.gz       an answer that could not be used; it was asked for again and is never read
    manifest.json     written last: the fetch is whole if and only if this file is there

For more records than can be paged the service prepares an archive, gives it a DOI to cite, and keeps
it for some months.  User name and password are read from the environment and are sent with the request
alone; they are never written down.
"""

from __future__ import annotations

import datetime
import gzip
import hashlib
import json
import re
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pyarrow as pa

from poolbuilder import schemas, tables
from poolbuilder.errors import StoreError, fault, said
from poolbuilder.files import disk_errors, write_whole
from poolbuilder.records.grids import RawBatch
from poolbuilder.records.service.client import Answer, Client, failure, oddity, parsed, text_of
from poolbuilder.records.service.search import FOLDER, Query
from poolbuilder.records.values import WHOLE_NAME, WHOLE_NAME_DOUBTS, RowKeys, records_of

PLAN, PAGES, MANIFEST, REFUSED = "plan.json", "pages.jsonl", "manifest.json", "refused.json"
MOST_ASIDE = 50
LONGEST_KEY = 100
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

    def write(self, kind: str, document: Mapping[str, Any]) -> None:
        """Write plan or manifest."""
        text = json.dumps(document, indent=1, ensure_ascii=False)
        write_whole(self.folder / f"{kind}.json", text, StoreError)

    def keep(self, answer: Answer, **about: Any) -> None:
        """Keep one answer and note it; the note comes after the answer is safe."""
        number = 1 + max((int(note["file"][:6]) for note in self.pages), default=0)
        name, body = f"{number:06d}.json.gz", answer.body
        write_whole(self.folder / name, gzip.compress(body, 6, mtime=0), StoreError)
        note = {"file": name, "sha256": hashlib.sha256(body).hexdigest(), "bytes": len(body), **about}
        note["wireBytes"] = answer.wire_bytes
        with disk_errors(self.folder / PAGES, StoreError), (self.folder / PAGES).open("ab") as stream:
            stream.write(json.dumps(note).encode() + b"\n")
            stream.flush()
        self.pages.append(note)

    @property
    def set_aside(self) -> int:
        """Answers that could not be used."""
        return len(list(self.folder.glob("aside-*.gz")))

    @property
    def smallest_page(self) -> int:
        """Records of the smallest page of a search, the last of each part aside; 0 without one."""
        searched = [note for note in self.pages if note["kind"] == "search"]
        return min((note["records"] for note, after in pairwise(searched) if after["offset"]), default=0)

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

    def resume(self) -> None:
        """Take up the answers that a broken fetch has kept, up to the first that cannot be used.

        That one and those after it are dropped from the notes, and are then asked for again.
        """
        path = self.folder / PAGES
        notes = []
        for line in path.read_bytes().split(b"\n") if path.is_file() else []:
            try:
                note = parsed(line)
                value = self.value(note)
                if oddity(value) or (note["kind"] == "search" and unlike_page(value)):
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

    def body(self, note: Mapping[str, Any]) -> bytes:
        """One answer, checked against its hash; a StoreError when it is missing or another one."""
        try:
            body = gzip.decompress((self.folder / note["file"]).read_bytes())
        except (OSError, EOFError, ValueError, zlib.error) as error:
            raise self.broken(note["file"], said("kept_answer_cannot", error=error)) from error
        if hashlib.sha256(body).hexdigest() != note["sha256"]:
            raise self.broken(note["file"], said("kept_answer_not"))
        return body

    def value(self, note: Mapping[str, Any]) -> Any:
        """One answer, parsed; a StoreError when it is missing, changed, or no JSON."""
        try:
            return parsed(self.body(note))
        except ValueError as error:
            raise self.broken(note["file"], said("kept_answer_cannot", error=error)) from error

    def of_kind(self, kind: str) -> Iterator[tuple[dict[str, Any], Any]]:
        """The kept answers of one kind, each with its note."""
        for note in self.pages:
            if note["kind"] == kind:
                yield note, self.value(note)

    def records(self) -> Iterator[dict[str, Any]]:
        """The record of each result, repeats too."""
        for _, page in self.of_kind("search"):
            yield from page["results"]

    def _read(self, name: str) -> dict[str, Any]:
        try:
            value = parsed((self.folder / name).read_bytes())
        except (OSError, ValueError) as error:
            raise self.broken(name, f"cannot be read: {error}") from error
        if not isinstance(value, dict):
            raise self.broken(name, said("broken_not_object"))
        return value

    def broken(self, name: str, fact: str) -> StoreError:
        """The error of a file that cannot be used."""
        return StoreError.of("delete_folder_fetch", folder=self.folder / name, fact=fact, folder2=self.folder)


# ------------------------------------------------------------------ records

_MADE_HERE = {"recordKey", "sourceFile", "sourceRow", "readNote", "coordinateDecimals"}
FIELDS = {
    name: {"taxonClass": "class"}.get(name, name) for name in schemas.RECORDS.names if name not in _MADE_HERE
}
"""Column of a record and the field of the answer that fills it."""


def _texts(answer: Mapping[str, Any], verbatim: Mapping[str, str]) -> dict[str, str | None]:
    """What an answer says, as text, by column; numbers are read from it as from a table."""
    row = {column: text_of(answer.get(field)) for column, field in FIELDS.items()}
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
    return row | {WHOLE_NAME: verbatim.get(key) or text_of(answer.get(WHOLE_NAME))}


def name_lost(answer: Mapping[str, Any]) -> bool:
    """Whether the service could not place the whole of a record's name, and does not say it as written."""
    issues = answer.get("issues")
    doubted = isinstance(issues, list) and any(flag in issues for flag in WHOLE_NAME_DOUBTS)
    return doubted and not answer.get(WHOLE_NAME)


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
    rows = [_texts(answer, verbatim or {}) for answer in answers]
    columns = {name: tables.array([row[name] for row in rows], pa.string()) for name in (*FIELDS, WHOLE_NAME)}
    raw = RawBatch(columns=columns, rows=np.arange(len(rows), dtype=np.int64))
    table = records_of(raw, source, RowKeys(), {}, Counter())
    made: dict[str, list[Any]] = {"recordKey": [record_key(answer["key"]) for answer in answers]}
    made |= dict.fromkeys(("sourceRow", "coordinateDecimals"), [None] * len(rows))
    for name, values in made.items():
        kind = schemas.RECORDS.field(name)
        table = table.set_column(table.column_names.index(name), kind, tables.array(values, kind.type))
    return schemas.check(table, schemas.RECORDS, "service")


def unlike_page(answer: Any) -> str | None:
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
    return None if shaped else said("answer_not_documented")


def _is_key(value: Any) -> bool:
    return isinstance(value, int | str) and not isinstance(value, bool) and 0 < len(str(value)) <= LONGEST_KEY


# ------------------------------------------------------------------ downloads, for more than can be paged

USER = "POOLBUILDER_SERVICE_USER"
PASSWORD = "POOLBUILDER_SERVICE_PASSWORD"
WAITING = {"PREPARING", "RUNNING", "SUSPENDED"}
REQUEST = "/occurrence/download/request"
_KEY = re.compile(r"[\w-]{1,100}")


@dataclass(frozen=True, kw_only=True)
class Download:
    """A prepared archive, fetched.

    Attributes
    ----------
    path : Path
        The Darwin Core Archive, ready for ``Store.add``.
    key, doi : str
        What the service knows it by, and what to cite.
    records : int
        As the service counts them.
    licence : str, optional
        Of the whole.
    """

    path: Path
    key: str
    doi: str | None
    records: int
    licence: str | None
    sha256: str

    def citation(self, day: datetime.date) -> str:
        """How to cite the download as a whole."""
        where = f"https://doi.org/{self.doi}" if self.doi else f"download {self.key}"
        return f"Occurrence download {where}, fetched on {day.isoformat()}"


def download(
    client: Client,
    query: Query,
    *,
    store: Path,
    now: datetime.datetime,
    environ: Mapping[str, str],
    sleep: Callable[[float], None],
    progress: Callable[[str], None] = lambda words: None,
) -> Download:
    """Ask for an archive, wait until it is ready and bring it; or go on waiting for one asked for before.

    Parameters
    ----------
    environ : mapping
        Where the account stands.
    progress : callable, optional
        Told in words what is being waited for.

    Raises
    ------
    SourceError
        Without an account, when the service refuses, fails, or is not ready in time.
    StoreError
        When the archive cannot be kept, or is not the one promised.
    """
    digest = query.digest(client.base_url)
    since = "" if query.changed_since is None else f"-{query.changed_since:%Y%m%d}"
    folder = store / FOLDER / f"{digest}{since}-download"
    ticket = folder / "ticket.json"
    key = _asked_before(ticket) or _asked_for(client, query, environ)
    asked = {"key": key, "asked": now.isoformat(), "query": query.as_dict()}
    write_whole(ticket, json.dumps(asked, indent=1), StoreError)
    about = _awaited(client, key, ticket=ticket, sleep=sleep, progress=progress)
    fetched = _brought(client, key, about, folder)
    ticket.unlink(missing_ok=True)  # the next download of this query is a new one
    return fetched


def _asked_before(ticket: Path) -> str | None:
    try:
        key = parsed(ticket.read_bytes())["key"]
    except (OSError, ValueError, LookupError, TypeError):
        return None
    return key if isinstance(key, str) and _KEY.fullmatch(key) else None


def _asked_for(client: Client, query: Query, environ: Mapping[str, str]) -> str:
    """Have an archive prepared; its key."""
    user, password = environ.get(USER, ""), environ.get(PASSWORD, "")
    if not user or not password:
        raise failure("", *fault("download_needs_account", user=USER, password=PASSWORD))
    body = {"creator": user, "sendNotification": False, "format": "DWCA", "predicate": query.predicate()}
    key = client.post(REQUEST, body, auth=(user, password))
    if not _KEY.fullmatch(key):
        raise failure("", *fault("no_download_key", item=key[:100]))
    return key


def _awaited(
    client: Client, key: str, *, ticket: Path, sleep: Callable[[float], None], progress: Callable[[str], None]
) -> dict[str, Any]:
    """The description of a download that is ready."""
    waited, most = 0.0, client.settings.download_max_hours * 3600
    while True:
        answer = client.get(f"/occurrence/download/{quote(key, safe='')}")
        status = (text_of(answer.value.get("status")) or "unknown")[:40]
        if status == "SUCCEEDED":
            return dict(answer.value)
        if status not in WAITING:
            ticket.unlink(missing_ok=True)
            raise failure(answer.url, *fault("download_ended", item=key, status=status))
        if waited >= most:
            hours, status = waited / 3600, status.lower()
            raise failure(answer.url, *fault("download_still_after", item=key, status=status, waited=hours))
        progress(f"download {key} is {status.lower()}")
        sleep(client.settings.download_poll_s)
        waited += max(client.settings.download_poll_s, 1.0)


def _whole_number(about: dict[str, Any], name: str) -> int | None:
    """A count of the description; None where it has none."""
    value = about.get(name)
    if value is None or (isinstance(value, int) and not isinstance(value, bool) and value >= 0):
        return value

    raise failure("", *fault("download_no_count", name=name, value=(text_of(value) or "")[:40]))


def _brought(client: Client, key: str, about: dict[str, Any], folder: Path) -> Download:
    """Fetch the archive beside, check it, then give it its name."""
    path, beside = folder / f"{key}.zip", folder / f".{key}.zip.part"
    promised, records = _whole_number(about, "size"), _whole_number(about, "totalRecords")
    link = text_of(about.get("downloadLink")) or f"{client.base_url}{REQUEST}/{key}.zip"
    if link.startswith("/"):
        link = client.base_url + link
    most = int(client.settings.max_unpacked_mib) << 20  # what is bigger could not be read
    if promised is not None and promised > most:
        raise failure("", *fault("archive_bytes_more", promised=promised, most=most))
    try:
        with disk_errors(path, StoreError), beside.open("w+b") as sink:
            client.download(link, sink, most_bytes=most)
            sink.seek(0)
            sha256 = hashlib.file_digest(sink, "sha256").hexdigest()
            size = sink.seek(0, 2)
        if promised is not None and promised != size:
            raise StoreError.of("archive_bytes_promised", path=path, size=size, promised=promised)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    doi, licence = (text_of(about.get(name)) for name in ("doi", "license"))
    noted: dict[str, Any] = {"key": key, "doi": doi, "records": records or 0}
    noted |= {"license": licence, "sha256": sha256}
    write_whole(folder / f"{key}.json", json.dumps(noted, indent=1), StoreError)
    return Download(path=path, key=key, doi=doi, records=records or 0, licence=licence, sha256=sha256)
