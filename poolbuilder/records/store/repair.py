"""Checking a store, and repairing it from the files that are good."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq

from poolbuilder.errors import StoreError
from poolbuilder.records.store import ingest, layout
from poolbuilder.records.store.folder import Folder, told
from poolbuilder.records.store.incoming import Progress
from poolbuilder.records.store.index import INDEX_NAME, Index, StoredFile
from poolbuilder.records.store.ledger import ledger_of

__all__ = ["DAMAGED_NAME", "Findings", "checked"]

DAMAGED_NAME = "damaged"


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What a check found.

    ``problems`` says what was wrong, one sentence each; ``again`` lists the sources that have
    to be added again, because some of their records lay in a broken file.
    """

    files: int = 0
    records: int = 0
    problems: tuple[str, ...] = ()
    again: tuple[dict[str, Any], ...] = field(default=())


def checked(folder: Folder, *, progress: Progress) -> tuple[Findings, Index]:
    """Read every file of a store; move broken ones aside; what the index should be.

    Raises
    ------
    StoreError
        When the store is of another version, or not readable at all.
    """
    problems: list[str] = []
    index = _index(folder, problems)
    listed = {file.name: file for file in index.files}
    names = [file.name for file in index.files]
    if problems:
        names = sorted(path.name for path in _data_files(folder.local))
    good: list[StoredFile] = []
    lost_sources: set[str] = set()
    for number, name in enumerate(names):
        progress("checking", number, len(names))
        try:
            good.append(_examined(folder, name, listed.get(name), problems))
        except StoreError as error:
            problems.append(str(error))
            lost_sources |= set(listed[name].sources) if name in listed else set()
            _set_aside(folder, name)
    progress("checking", len(names), len(names))
    again = tuple(source for source in index.sources if source["key"] in lost_sources)
    after = index.changed(
        files=tuple(good),
        serial=max([index.serial, *(_serial(name) for name in names)]),
        sources=tuple(source for source in index.sources if source["key"] not in lost_sources),
    )
    found = Findings(
        files=len(good), records=after.records, problems=tuple(dict.fromkeys(problems)), again=again
    )
    return found, after


def _index(folder: Folder, problems: list[str]) -> Index:
    try:
        return Index.read(folder)
    except StoreError as error:
        content = folder.read(INDEX_NAME)
        if content is not None and _version(content) not in {None, layout.SCHEMA_VERSION}:
            raise
        problems.append(str(error))
        return Index()


def _version(content: bytes) -> Any:
    try:
        return json.loads(content).get("schemaVersion")
    except (ValueError, AttributeError):
        return None


def _data_files(folder: Path) -> Iterator[Path]:
    for prefix in ingest.PREFIX.values():
        yield from folder.glob(f"{prefix}-*.parquet")


def _serial(name: str) -> int:
    digits = name.removesuffix(".parquet").rpartition("-")[2]
    return int(digits) if digits.isdigit() else 0


def _set_aside(folder: Folder, name: str) -> None:
    path = folder.local / name
    if path.is_file():
        with told(str(path), "moving"):
            (folder.local / DAMAGED_NAME).mkdir(exist_ok=True)
            path.replace(folder.local / DAMAGED_NAME / name)


def _examined(folder: Folder, name: str, listed: StoredFile | None, problems: list[str]) -> StoredFile:
    """A file as it is; its ledger and list of dead rows are mended where they do not fit."""
    with layout.opened(folder, name) as parquet:
        kind, sources = _about(folder, name, parquet)
        rows = parquet.read()
    schema = layout.schema_of(kind)
    found = ingest.described(
        name, layout.completed(rows, schema), kind, size=folder.size(name) or 0, sources=sources
    )
    if listed is not None:
        found = _with_dead(folder, found, listed, problems)
        if _differs(found, listed):
            problems.append(f"{folder.label(name)}: the index described it wrongly; it does no longer")
    try:
        ledger = ingest.stored_ledger(folder, found)
        fits = bool(np.array_equal(ledger, ledger_of(rows.column("recordKey"), rows.column("modified"))))
    except StoreError:
        fits = False
    if not fits:
        problems.append(f"{folder.label(found.ledger_name)}: did not fit {name}; made anew")
        path = folder.local / found.ledger_name
        with told(str(path), "writing"):
            np.save(path, ledger_of(rows.column("recordKey"), rows.column("modified")))
    return found


def _about(folder: Folder, name: str, parquet: pq.ParquetFile) -> tuple[str, list[str]]:
    label = folder.label(name)
    try:
        values = json.loads((parquet.metadata.metadata or {})[b"poolbuilder"])
        version, kind, sources = values["schemaVersion"], values["kind"], values["sources"]
    except (KeyError, ValueError, TypeError) as error:
        raise StoreError(f"{label}: is no file of a record store (move it elsewhere)") from error
    if version != layout.SCHEMA_VERSION:
        raise StoreError(
            f"{label}: schemaVersion {version}, this program reads {layout.SCHEMA_VERSION} "
            f"(update poolbuilder)"
        )
    return kind, list(sources)


def _with_dead(folder: Folder, found: StoredFile, listed: StoredFile, problems: list[str]) -> StoredFile:
    try:
        dead = ingest.dead_rows(folder, listed)
    except StoreError as error:
        problems.append(f"{error}; replaced versions in {found.name} count again until newer ones are added")
        return found
    return ingest.marked(found, dead, name=listed.dead_name) if listed.dead_name else found


def _differs(found: StoredFile, listed: StoredFile) -> bool:
    return found.as_dict() != listed.as_dict()
