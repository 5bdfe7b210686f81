"""Checking a store, and repairing it from the files that are good."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from poolbuilder.errors import StoreError
from poolbuilder.records.store import ingest, layout
from poolbuilder.records.store.dead import dead_rows
from poolbuilder.records.store.folder import Folder, told
from poolbuilder.records.store.index import COPY_NAME, INDEX_NAME, Index, StoredFile
from poolbuilder.records.store.ledger import Entries, ledger_of, losers
from poolbuilder.records.store.outcome import Findings, Progress

__all__ = ["DAMAGED_NAME", "checked"]

DAMAGED_NAME = "damaged"


def checked(folder: Folder, *, work: Path, progress: Progress) -> tuple[Findings, Index]:
    """Read every file of a store; move broken ones aside; what the index should be.

    Raises
    ------
    StoreError
        When the store is of another version, or not readable at all.
    """
    problems: list[str] = []
    index = _index(folder, problems)
    listed = {file.name: file for file in index.files}
    names = sorted(path.name for path in _data_files(folder.local)) if problems else list(listed)
    remark_dead = bool(problems)
    good: list[StoredFile] = []
    lost: set[str] = set()
    for number, name in enumerate(names):
        progress("checking", number, len(names))
        try:
            file, as_listed = _examined(folder, name, listed.get(name), problems)
        except StoreError as error:
            problems.append(str(error))
            lost |= set(listed[name].sources) if name in listed else set()
            _set_aside(folder, name)
            continue
        remark_dead |= not as_listed or _dead_is_broken(folder, file, problems)
        good.append(file)
    progress("checking", len(names), len(names))
    if remark_dead:
        good = _dead_anew(folder, good, work=work, generation=index.generation + 1)
    after = index.changed(
        files=tuple(file for file in good if file.living),
        serial=max([index.serial, *(_serial(name) for name in names)]),
        sources=tuple(source for source in index.sources if source["key"] not in lost),
    )
    again = tuple(source for source in index.sources if source["key"] in lost)
    told_once = tuple(dict.fromkeys(problems))
    return Findings(files=len(after.files), records=after.records, problems=told_once, again=again), after


def _index(folder: Folder, problems: list[str]) -> Index:
    """The index; where it is broken, its copy without trust in the files that it lists."""
    try:
        return Index.read(folder)
    except StoreError as error:
        content = folder.read(INDEX_NAME)
        if content is not None and _version(content) not in {None, layout.SCHEMA_VERSION}:
            raise
        problems.append(str(error))
    copy = folder.read(COPY_NAME)
    try:
        return Index.from_bytes(copy or b"", label=folder.label(COPY_NAME))
    except StoreError:
        problems.append(
            f"{folder.label(COPY_NAME)}: is broken too: which sources and data sets there are is not known"
        )
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


def _examined(
    folder: Folder, name: str, listed: StoredFile | None, problems: list[str]
) -> tuple[StoredFile, bool]:
    """A file as it really is, every page of it read, and whether the index had said so.

    Its ledger is made anew where it does not fit.
    """
    with layout.opened(folder, name, anew=True) as parquet:
        kind, sources = _about(folder, name, parquet)
        rows = layout.completed(parquet.read(), layout.schema_of(kind))
    found = ingest.described(name, rows, kind, size=folder.size(name) or 0, sources=sources)
    _mend_ledger(folder, found, rows, problems)
    if listed is None:
        return found, False
    clean = replace(listed, dead_name=None, groups=replace(listed.groups, dead=found.groups.dead))
    if clean.as_dict() == found.as_dict():
        return listed, True
    problems.append(f"{folder.label(name)}: the index described it wrongly; mended")
    return found, False


def _mend_ledger(folder: Folder, file: StoredFile, rows: pa.Table, problems: list[str]) -> None:
    right = ledger_of(rows.column("recordKey"), rows.column("modified"))
    try:
        if np.array_equal(ingest.stored_ledger(folder, file), right):
            return
    except StoreError:
        pass
    path = folder.local / file.ledger_name
    problems.append(f"{path}: does not fit {file.name}; made anew")
    with told(str(path), "writing"):
        np.save(path, right)


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


def _dead_is_broken(folder: Folder, file: StoredFile, problems: list[str]) -> bool:
    try:
        dead_rows(folder, file)
    except StoreError as error:
        problems.append(str(error))
        return True
    return False


def _dead_anew(folder: Folder, files: list[StoredFile], *, work: Path, generation: int) -> list[StoredFile]:
    """Which versions are replaced, found again from the keys; files count in the order of their names."""
    clean = [
        replace(file, dead_name=None, groups=replace(file.groups, dead=np.zeros_like(file.groups.dead)))
        for file in files
    ]
    parts = []
    for file in clean:
        arrival = np.arange(file.rows, dtype=np.int64) + (_serial(file.name) << 32)
        parts.append(Entries(ledger=ingest.stored_ledger(folder, file), arrival=arrival))
    return [
        ingest.with_dead(folder, file, rows, work=work, generation=generation)
        for file, rows in zip(clean, losers(parts), strict=True)
    ]
