"""What changes a store: adding, compacting, repairing; one writer at a time, all or nothing."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder.errors import StoreError
from poolbuilder.records.reading import read_records
from poolbuilder.records.store import ingest, repair
from poolbuilder.records.store.folder import Folder, told
from poolbuilder.records.store.incoming import Incoming
from poolbuilder.records.store.index import Index
from poolbuilder.records.store.lock import held
from poolbuilder.records.store.outcome import AddResult, Findings, Progress
from poolbuilder.settings import Settings

__all__ = ["Writer"]


@dataclass(frozen=True, kw_only=True)
class _Batch:
    """Sources on their way into the store, with their data sets."""

    sources: list[dict[str, Any]]
    datasets: list[Mapping[str, Any]]


class Writer:
    """Writes to the store in a folder; see :class:`poolbuilder.records.store.Store`."""

    def __init__(
        self, folder: Folder, *, wait_s: float, waiting: Callable[[str], None] | None, run_bytes: int
    ) -> None:
        self._folder, self._wait_s, self._waiting, self._run_bytes = folder, wait_s, waiting, run_bytes

    def add(
        self,
        paths: Sequence[str | Path],
        rename: Mapping[str, str],
        settings: Settings | None,
        added: str | None,
        progress: Progress,
    ) -> AddResult:
        """Add files; see `Store.add`."""
        skipped: list[dict[str, Any]] = []
        notes: list[str] = []
        batch = _Batch(sources=[], datasets=[])
        with self._writing() as (index, work), Incoming(work, run_bytes=self._run_bytes) as incoming:
            for path in paths:
                file = read_records(path, rename=dict(rename) or None, settings=settings or Settings())
                source = {**file.source, "added": added, "rename": dict(rename)}
                source["key"] = _source_key(source)
                if index.knows(source["key"]) or any(item["key"] == source["key"] for item in batch.sources):
                    skipped.append(source)
                    continue
                rows = _push(incoming, file.batches(), progress)
                batch.sources.append({**source, "rows": rows})
                notes += file.notes
                batch.datasets.extend(file.datasets)
            result = self._merge(index, incoming, batch, work, progress)
        return replace(result, skipped=tuple(skipped), notes=tuple(notes))

    def add_tables(
        self,
        tables: Iterable[pa.Table],
        source: Mapping[str, Any],
        datasets: Iterable[Mapping[str, Any]],
        progress: Progress,
    ) -> AddResult:
        """Add tables of one source; see `Store.add_table`."""
        with self._writing() as (index, work):
            about = {**source, "key": _source_key(source)}
            if index.knows(about["key"]):
                return AddResult(skipped=(about,))
            with Incoming(work, run_bytes=self._run_bytes) as incoming:
                about["rows"] = _push(incoming, tables, progress)
                batch = _Batch(sources=[about], datasets=list(datasets))
                return self._merge(index, incoming, batch, work, progress)

    def _merge(
        self, index: Index, incoming: Incoming, batch: _Batch, work: Path, progress: Progress
    ) -> AddResult:
        if not batch.sources:
            return AddResult()
        incoming.finish()
        keys = [str(source["key"]) for source in batch.sources]
        merged, replaced, outdated = ingest.merge(
            self._folder, index, incoming, work=work, sources=keys, progress=progress
        )
        after = replace(
            merged,
            sources=(*index.sources, *batch.sources),
            datasets=index.with_datasets(batch.datasets),
        )
        ingest.commit(self._folder, index, after, work=work)
        return AddResult(
            read=incoming.read,
            placed=incoming.count["placed"],
            unplaced=incoming.count["unplaced"],
            replaced=replaced,
            outdated=outdated,
            sources=tuple(batch.sources),
        )

    def compact(self, progress: Progress) -> None:
        """Merge all files; see `Store.compact`."""
        with self._writing() as (index, work):
            after = ingest.compacted(self._folder, index, work=work, progress=progress)
            ingest.commit(self._folder, index, after, work=work)

    def check(self, progress: Progress) -> Findings:
        """Check and repair; see `Store.check`."""
        with self._locked() as folder, _work_folder(folder) as work:
            findings, after = repair.checked(self._folder, work=work, progress=progress)
            if findings.problems:
                ingest.commit(self._folder, Index(), after, work=work)
        return findings

    @contextmanager
    def _locked(self) -> Iterator[Path]:
        with held(self._folder.local, wait_s=self._wait_s, waiting=self._waiting):
            yield self._folder.local

    @contextmanager
    def _writing(self) -> Iterator[tuple[Index, Path]]:
        """Index and an empty work folder, under the lock."""
        with self._locked() as folder:
            index = Index.read(self._folder)
            ingest.clear_leftovers(self._folder, index)
            with _work_folder(folder) as work:
                yield index, work


@contextmanager
def _work_folder(folder: Path) -> Iterator[Path]:
    """A folder for temporary files, which goes in any case."""
    work = folder / ingest.WORK_NAME
    with told(str(work), "writing"):
        work.mkdir(exist_ok=True)
    try:
        yield work
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _push(incoming: Incoming, tables: Iterable[pa.Table], progress: Progress) -> int:
    """Take tables in; how many rows they had."""
    before = incoming.read
    for table in tables:
        incoming.push(table)
        progress("reading", incoming.read, None)
    return incoming.read - before


def _source_key(source: Mapping[str, Any]) -> str:
    """Identity of a source: its bytes, and how its columns were read."""
    for name in ("path", "sha256"):
        if not source.get(name):
            raise StoreError(f"source without {name} (give path and sha256, so that it is not added twice)")
    renamed = source.get("rename")
    if not renamed:
        return str(source["sha256"])
    content = json.dumps([source["sha256"], renamed], sort_keys=True)
    return hashlib.sha256(content.encode()).hexdigest()
