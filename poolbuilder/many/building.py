"""The pools of many waters, in one pass over the store, into a folder: parts as they come, then the summary.

Waters are taken along the Hilbert curve in parts of neighbours.  Each part is written as soon
as it is there, so that a run that was stopped goes on where it stood::

    run.json                what the parts were built from; a run goes on only if it is the same
    pools/part-00001.parquet   candidates of the waters of a part (schema POOLS)
    pairs/part-00001.parquet   their pairs of parents (PAIRS)
    waters/part-00001.parquet  one row per water (WATERS); written last, so it says "done"
    waters.csv              the summary of all waters, in their order

A run that only counts has ``counts/`` and ``counts.csv`` (TALLIES) in their place.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

import poolbuilder
from poolbuilder import schemas, tables
from poolbuilder.errors import PoolFileError
from poolbuilder.files import BOM, csv_text
from poolbuilder.job import Job, is_genus
from poolbuilder.many.parts import COUNT_WATERS, PART_WATERS, Part, PartTables, crew, parts_of, tables_of
from poolbuilder.names.checklist import Checklist
from poolbuilder.places.sites import Site
from poolbuilder.records.store import Store

RUN_NAME = "run.json"
POOL_KINDS = ("pools", "pairs", "waters")
COUNT_KINDS = ("counts",)


def digest_of(content: Any) -> str:
    """SHA-256 of a document."""
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


def _identity(job: Job, sites: Sequence[Site], parts: Sequence[Part], *, counts: bool) -> dict[str, Any]:
    """What a run's results depend on, each with a hash or in plain words."""
    layers = [*job.ranges, *(spec for spec in (job.water, job.basins, job.streams, job.barriers) if spec)]
    return {
        "version": poolbuilder.__version__,
        "what": "counts" if counts else "pools",
        "asOf": job.as_of.isoformat(),
        "checklist": job.checklist
        if is_genus(job.checklist)
        else Checklist.load(job.checklist).source["sha256"],
        "layers": {spec: stamp_of(spec) for spec in layers},
        "settings": job.settings.as_dict(),
        "store": digest_of([source["key"] for source in Store(job.store).sources()]),
        "waters": digest_of([asdict(site) for site in sites]),
        "parts": digest_of([part.waters for part in parts]),
    }


def stamp_of(spec: str) -> list[int] | None:
    """Time and size of a layer's file, to see that it changed."""
    for name in (spec, spec.rpartition(":")[0]):
        if name and Path(name).is_file():
            found = Path(name).stat()
            return [found.st_mtime_ns, found.st_size]
    return None


@dataclass(frozen=True, kw_only=True)
class Results:
    """The folder that a run writes to."""

    folder: Path
    kinds: tuple[str, ...] = POOL_KINDS

    @classmethod
    def open(
        cls, out: str | Path, job: Job, sites: Sequence[Site], parts: Sequence[Part], *, counts: bool = False
    ) -> Results:
        """Make the folder, or go on in it.

        Raises
        ------
        PoolFileError
            When it holds something else or another run's results, or cannot be written.
        """
        folder = Path(out)
        identity = _identity(job, sites, parts, counts=counts)
        kinds = COUNT_KINDS if counts else POOL_KINDS
        run = folder / RUN_NAME
        try:
            if run.is_file():
                _compare(run, identity)
                return cls(folder=folder, kinds=kinds)
            if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
                raise PoolFileError(
                    "holds something else", file=folder, remedy="name an empty or a new folder"
                )
            for kind in kinds:
                (folder / kind).mkdir(parents=True)
            _replace(run, json.dumps(identity, indent=1).encode())
        except OSError as error:
            raise _cannot(folder, error) from error
        return cls(folder=folder, kinds=kinds)

    def _path(self, kind: str, number: int) -> Path:
        return self.folder / kind / f"part-{number:05d}.parquet"

    def has(self, part: Part) -> bool:
        """Whether a part was written before, whole."""
        return self._path(self.kinds[-1], part.number).is_file()

    def write(self, tables: PartTables) -> None:
        """Write a part; the kind that says "done" comes last, so a stop leaves no half part."""
        try:
            for kind in self.kinds:
                path = self._path(kind, tables.number)
                beside = path.with_suffix(".new")
                pq.write_table(tables.tables[kind], beside, compression="zstd")
                beside.replace(path)
        except OSError as error:
            raise _cannot(self.folder, error) from error

    def finish(self) -> pa.Table:
        """Put the last kind of all parts together, in the order of the waters, also as CSV.

        Returns
        -------
        Table, schema WATERS or TALLIES
        """
        kind = self.kinds[-1]
        parts = [pq.ParquetFile(path).read() for path in sorted((self.folder / kind).glob("*.parquet"))]
        whole = pa.concat_tables(parts)
        order = np.argsort(tables.integers(whole["water"]), kind="stable")
        summary = tables.take(whole, order).cast(schemas.TALLIES if kind == "counts" else schemas.WATERS)
        try:
            _replace(self.folder / f"{kind}.csv", (BOM + csv_text(summary)).encode())
        except OSError as error:
            raise _cannot(self.folder, error) from error
        return summary


def _compare(run: Path, identity: dict[str, Any]) -> None:
    try:
        before = json.loads(run.read_text(encoding="utf-8"))
        changed = sorted(key for key in identity if before.get(key) != json.loads(json.dumps(identity[key])))
    except (ValueError, AttributeError, RecursionError) as error:
        raise PoolFileError(
            "is no account of a run", file=run, remedy="name an empty or a new folder"
        ) from error
    if changed:
        raise PoolFileError(
            f"holds the results of another run; different: {', '.join(changed)}",
            file=run.parent,
            remedy="name an empty or a new folder",
        )


def _replace(path: Path, content: bytes) -> None:
    beside = path.with_name(f"{path.name}.new")
    beside.write_bytes(content)
    beside.replace(path)


def _cannot(folder: Path, error: OSError) -> PoolFileError:
    return PoolFileError(
        f"cannot be written: {error.strerror or error}",
        file=folder,
        remedy="free space or choose another folder; the parts that are there will be used",
    )


Progress = Callable[[str, int, "int | None"], None]


def build_many(
    sites: Sequence[Site],
    job: Job,
    out: str | Path,
    *,
    workers: int = 1,
    dask: str | None = None,
    counts: bool = False,
    part_waters: int | None = None,
    progress: Progress | None = None,
) -> pa.Table:
    """Build the pools of many waters into a folder.

    Parameters
    ----------
    sites : sequence of Site
        The waters, numbered from 1.
    job : Job
        What to build with; its own site is not used.
    out : path
        Folder of the result; parts that are there already from the same run are kept.
    workers : int
        Processes on this machine.
    dask : str, optional
        Address of a Dask scheduler, such as ``tcp://host:8786``, to use in their place; its
        workers must reach the store and the layers under the same names.
    counts : bool
        Only count the records of each candidate within each radius, which is much quicker.
    part_waters : int, optional
        Waters that share one reading of records, about; 32, or 256 when only counting.
    progress : callable, optional
        Called as ``progress(doing, waters done, waters)``.

    Returns
    -------
    Table, schema WATERS, or TALLIES when only counting
        In the order of the waters; also written as ``waters.csv`` or ``counts.csv``.

    Raises
    ------
    PlanError
        When only counting is wanted with a genus for a checklist.
    PoolFileError
        When *out* holds something else, or the results of another run.
    RecordFileError
        When the store holds no records.
    SourceError
        When no scheduler answers at *dask*.
    MissingExtraError
        When *dask* is wanted and not installed.
    """
    parts = parts_of(sites, size=part_waters or (COUNT_WATERS if counts else PART_WATERS))
    results = Results.open(out, job, sites, parts, counts=counts)
    waiting = [part for part in parts if not results.has(part)]
    done = len(sites) - sum(len(part.waters) for part in waiting)
    if progress is not None:
        progress("building", done, len(sites))
    by_number = {part.number: part for part in waiting}
    make = partial(tables_of, counts=counts)
    with crew(job, make, workers=workers, dask=dask) as people:
        for tables in people.build(waiting):
            results.write(tables)
            done += len(by_number[tables.number].waters)
            if progress is not None:
                progress("building", done, len(sites))
    return results.finish()
