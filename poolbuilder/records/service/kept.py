"""Fetches that are kept: listed, taken up as records, and replayed without network."""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder import schemas, tables
from poolbuilder.errors import StoreError
from poolbuilder.records.service import licences
from poolbuilder.records.service.answers import Answers
from poolbuilder.records.service.occurrences import records_table
from poolbuilder.records.service.query import Query

__all__ = [
    "FOLDER",
    "STAMP",
    "Fetch",
    "batches_of",
    "chain",
    "chain_of",
    "fetches",
    "folders",
    "replay",
    "result_of",
    "stamped",
    "withdrawn_table",
]

FOLDER = "fetches"
STAMP = "%Y%m%dT%H%M%SZ"
BATCH = 4096
PORTION = 12
"""Batches that a store takes up at once."""

VERBATIM_NAME = "http://rs.tdwg.org/dwc/terms/scientificName"


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
        promised, arrived, repeated, distinct, answers, bytes and wireBytes.
    licence : str, optional
        The most restrictive licence of the records; None without records.
    notes : tuple of str
        What a careful colleague would add.
    complete : bool
        Whether every promised record arrived.
    withdrawn : tuple of str
        recordKey of each record that an earlier fetch of the query brought and the service does
        not hold any more; only a complete fetch of all records can tell.
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

    def batches(self) -> Iterator[pa.Table]:
        """The records, schema RECORDS, one row per distinct record, some thousand rows at a time."""
        return batches_of(self.answers)

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
            yield withdrawn_table(self.withdrawn, source=f"service:{self.key}", day=self.fetched.date())

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


def stamped(key: str) -> datetime.datetime:
    """When a fetch began, by its name."""
    try:
        return datetime.datetime.strptime(key.partition("-")[2], STAMP).replace(tzinfo=datetime.UTC)
    except ValueError:
        return datetime.datetime.min.replace(tzinfo=datetime.UTC)


def chain(root: Path, digest: str) -> list[Answers]:
    """The youngest complete fetch of all records of a query, and the fetches of changes after it."""
    found: list[Answers] = []
    for answers in reversed(list(folders(root, digest))):
        if not answers.is_whole:
            continue
        found.append(answers)
        manifest = answers.manifest()
        if manifest["query"]["changedSince"] is None and manifest["complete"]:
            return found[::-1]
    return []


def chain_of(query: Query, *, base_url: str, store: Path) -> list[tuple[str, datetime.datetime, bool]]:
    """Key, time and completeness of the fetches that make up what is known for a query; oldest first.

    The first is the youngest complete fetch of all records, the others are of changes since.
    """
    found = []
    for answers in chain(store / FOLDER, query.digest(base_url)):
        manifest = answers.manifest()
        time = datetime.datetime.fromisoformat(manifest["fetched"])
        found.append((answers.key, time, bool(manifest["complete"])))
    return found


def withdrawn_table(keys: Sequence[str], *, source: str, day: datetime.date) -> pa.Table:
    """Rows that stand in a store for withdrawn records: no name, no place, and the reason; schema RECORDS."""
    values: dict[str, list[Any]] = {name: [None] * len(keys) for name in schemas.RECORDS.names}
    values["recordKey"] = list(keys)
    values["sourceFile"] = [source] * len(keys)
    values["readNote"] = [f"withdrawn: not at the service any more on {day.isoformat()}"] * len(keys)
    return tables.table(schemas.RECORDS, values)


def batches_of(answers: Answers) -> Iterator[pa.Table]:
    """Distinct records of all kept answers, in the order in which they came."""
    verbatim = {}
    for note in answers.pages:
        if note["kind"] == "verbatim":
            written = json.loads(answers.body(note)).get(VERBATIM_NAME)
            if isinstance(written, str) and written.strip():
                verbatim[note["key"]] = written.strip()
    seen: set[Any] = set()
    fresh: list[dict[str, Any]] = []
    source = f"service:{answers.key}"
    for note in answers.pages:
        if note["kind"] != "search":
            continue
        for item in json.loads(answers.body(note))["results"]:
            if item["key"] not in seen:
                seen.add(item["key"])
                fresh.append(item)
        if len(fresh) >= BATCH:
            yield records_table(fresh, source=source, verbatim=verbatim)
            fresh = []
    if fresh:
        yield records_table(fresh, source=source, verbatim=verbatim)


def result_of(answers: Answers, manifest: dict[str, Any]) -> Fetch:
    """A whole fetch as a value, with what its licences ask of the reader."""
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
        licence=licences.most_restrictive(keys),
        notes=tuple(notes),
        complete=bool(manifest["complete"]),
        withdrawn=tuple(manifest["withdrawn"]),
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
    return result_of(answers, manifest)


def fetches(store: Path) -> list[dict[str, Any]]:
    """The manifests of all whole fetches in a store, oldest first, each with its ``key``."""
    found = [
        answers.manifest() | {"key": answers.key} for answers in folders(store / FOLDER) if answers.is_whole
    ]
    return sorted(found, key=lambda manifest: (manifest["fetched"], manifest["key"]))
