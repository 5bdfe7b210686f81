"""The pools of many waters, in one pass over the store, into a folder: parts as they come, then the summary.

Waters are taken along the Hilbert curve in parts of neighbours, which share reading, naming and
screening.  A part is a function of the job and its waters alone, so it is built here, in another
process or on a cluster with the same result.  Each is written as soon as it is there, so that a
run that was stopped goes on where it stood::

    run.json                what the parts were built from; a run goes on only if it is the same
    pools/part-00001.parquet   candidates of the waters of a part (schema POOLS)
    pairs/part-00001.parquet   their pairs of parents (PAIRS)
    waters/part-00001.parquet  one row per water (WATERS); written last, so it says "done"
    waters.csv              the summary of all waters, in their order

A run that only counts has ``counts/`` and ``counts.csv`` (TALLIES) in their place.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from poolbuilder import schemas, tables
from poolbuilder.errors import MissingExtraError, PlanError, PoolFileError, SourceError, said
from poolbuilder.files import disk_errors, whole_file, write_csv, write_whole
from poolbuilder.places.sites import Site
from poolbuilder.pool import Built, prepare
from poolbuilder.surroundings import Cell, cell_of

if TYPE_CHECKING:
    from poolbuilder.job import Engine, Job

POOL_KINDS = ("pools", "pairs", "waters")
COUNT_KINDS = ("counts",)
PART_WATERS = 32
"""Waters in a part: enough neighbours to share the reading, few enough to lose little at a stop."""
Progress = Callable[[str, int, "int | None"], None]
Made = TypeVar("Made")
COUNT_WATERS = 256
"""Waters in a part that only counts."""
DATUM_KM = 2.0
"""More than any datum moves a place: room around the radius when records are taken for counting."""


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
        workers must reach the store and the layers under the same names.  What it sends back is
        trusted wholly: it can run code here.
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
    folder, kinds = Path(out), COUNT_KINDS if counts else POOL_KINDS
    rests_on = {
        "what": "counts" if counts else "pools",
        **job.identity(),
        "waters": [asdict(site) for site in sites],
        "parts": [part.waters for part in parts],
    }
    _begin(folder, kinds, json.loads(json.dumps(rests_on)))
    waiting = [part for part in parts if not _path(folder, kinds[-1], part.number).is_file()]
    done = Done("building", len(sites), progress, len(sites) - sum(len(part.waters) for part in waiting))
    make = _counts if counts else _pools
    for part, found in made_of_parts(make, job, waiting, workers=workers, dask=dask, each=done.one):
        for kind in kinds:  # the kind that says "done" comes last, so that a stop leaves no half part
            with whole_file(_path(folder, kind, part.number)) as beside:
                pq.write_table(found[kind], beside, compression="zstd")
        done.part(len(part.waters))
    return _finish(folder, kinds[-1])


def _path(folder: Path, kind: str, number: int) -> Path:
    return folder / kind / f"part-{number:05d}.parquet"


def _begin(folder: Path, kinds: Sequence[str], rests_on: Mapping[str, Any]) -> None:
    """Make the folder, or go on in it when it rests on the same."""
    run = folder / "run.json"
    remedy = said("name_empty_new")
    with disk_errors(folder):
        if not run.is_file():
            if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
                raise PoolFileError.of("foreign_folder", file=folder, remedy_given=remedy)
            for kind in kinds:
                (folder / kind).mkdir(parents=True)
            write_whole(run, json.dumps(rests_on, indent=1))
            return
        try:
            before = json.loads(run.read_text(encoding="utf-8"))
            changed = sorted(key for key in rests_on if before.get(key) != rests_on[key])
        except (ValueError, AttributeError, RecursionError) as error:
            raise PoolFileError.of("no_account_run", file=run, remedy_given=remedy) from error
    if changed:
        raise PoolFileError.of("results_another_run", file=folder, changed=changed, remedy_given=remedy)


def _finish(folder: Path, kind: str) -> pa.Table:
    """The last kind of all parts together, in the order of the waters, also as CSV."""
    parts = [pq.ParquetFile(path).read() for path in sorted((folder / kind).glob("*.parquet"))]
    whole = pa.concat_tables(parts)
    order = np.argsort(tables.integers(whole["water"]), kind="stable")
    summary = tables.take(whole, order).cast(schemas.TALLIES if kind == "counts" else schemas.WATERS)
    with whole_file(folder / f"{kind}.csv") as beside:
        write_csv(summary, beside)
    return summary


def _counts(engine: Engine, part: Part) -> tuple[Part, dict[str, pa.Table]]:
    """Records of each species within the radius of each water of a part; schema TALLIES."""
    from poolbuilder.many.counting import Points, tally, tally_table

    job, checklist = engine.job, engine.checklist
    if checklist is None:
        raise PlanError.of("genus_list_own", checklist=job.checklist)
    records, _ = engine.near(
        [(site.longitude, site.latitude, site.radius_km + DATUM_KM) for site in part.sites]
    )
    screened = prepare(records, checklist, settings=job.settings, as_of=job.as_of)
    points = Points.of_screened(screened, checklist.species)
    return part, {"counts": tally_table(tally(points, part.sites), points, part.sites, part.waters)}


def _pools(engine: Engine, part: Part) -> tuple[Part, dict[str, pa.Table]]:
    """Candidates, pairs and a summary of each water of a part."""
    pools, pairs, waters = [], [], []
    for number, built in zip(part.waters, engine.pools(part.sites), strict=True):
        waters.append(_summed(number, built))
        pools.append(built.candidates)
        pairs.append(built.crosses)
    return part, {
        "pools": _joined(schemas.POOLS, pools, waters),
        "pairs": _joined(schemas.PAIRS, pairs, waters),
        "waters": tables.of_rows(schemas.WATERS, waters),
    }


def _joined(
    schema: pa.Schema, found: Sequence[Sequence[Mapping[str, Any]]], waters: Sequence[Any]
) -> pa.Table:
    """The rows of all waters as one table, with the number and the name of each one's water."""
    columns = {
        name: [water[name] for water, rows in zip(waters, found, strict=True) for _ in rows]
        for name in ("water", "waterName")
    }
    return tables.table(
        schema,
        {name: columns.get(name) or [row[name] for rows in found for row in rows] for name in schema.names},
    )


def _summed(number: int, built: Built) -> dict[str, Any]:
    """The row of one water; schema WATERS."""
    site, species = built.called, built.candidates
    first: dict[str, Any] = next(iter(species), {})
    pair: dict[str, Any] = next(iter(built.crosses), {})
    return {
        "water": number,
        "waterName": site.name,
        "locationID": site.location_id or None,
        "county": site.county or None,
        "longitude": site.longitude,
        "latitude": site.latitude,
        "radiusKm": site.radius_km,
        "read": len(built.rows),
        "kept": built.kept,
        "rejected": len(built.rows) - built.kept,
        "withinRadius": built.near,
        "recordedSpecies": sum(row["tier"] in {"water", "connected", "radius"} for row in species),
        "expectedSpecies": sum(row["presence"] for row in species),
        "topSpecies": first.get("scientificName"),
        "topPresence": first.get("presence"),
        "topPair": pair.get("formula"),
        "topPairWeight": pair.get("weight"),
    }


# -- parts of neighbouring waters, here, in other processes or on a cluster --------------


@dataclass(frozen=True, kw_only=True)
class Part:
    """Some neighbouring waters: their rows in the table (from 1) and their sites."""

    number: int
    waters: tuple[int, ...]
    sites: tuple[Site, ...]


def parts_of(sites: Sequence[Site], *, size: int = PART_WATERS) -> list[Part]:
    """Cut waters into parts of neighbours; the same waters give the same parts.

    The waters of one cell, which learn from the same region, stay together up to sixteen
    times *size*.
    """
    from poolbuilder.records.store_files import along_curve

    code = along_curve([site.longitude for site in sites], [site.latitude for site in sites])
    cells: dict[Cell, list[int]] = {}
    for row in np.argsort(code, kind="stable").tolist():
        cells.setdefault(cell_of(sites[row]), []).append(row)
    rows: list[list[int]] = [[]]
    for cell in cells.values():
        if rows[-1] and len(rows[-1]) + len(cell) > size:
            rows.append([])
        for start in range(0, len(cell), 16 * size):
            if start:
                rows.append([])
            rows[-1] += cell[start : start + 16 * size]
    return [
        Part(number=number, waters=tuple(row + 1 for row in mine), sites=tuple(sites[row] for row in mine))
        for number, mine in enumerate(rows, start=1)
        if mine
    ]


def made_of_parts(
    make: Callable[[Engine, Part], Made],
    job: Job,
    parts: Sequence[Part],
    *,
    workers: int = 1,
    dask: str | None = None,
    each: Callable[[], None] | None = None,
) -> Iterator[Made]:
    """What *make* makes of each part, in any order: on a cluster when *dask* names one, else in *workers*
    processes.

    *make* is a function of a module, so that it can be sent there.  In one process *each* is called after
    each water.
    """
    if dask is not None:
        yield from _on_cluster(make, job, parts, dask)
    elif workers > 1 and parts:
        job.engine()  # what cannot be opened is told here, not by every worker
        import multiprocessing  # here: imports are the time of a cold command
        from concurrent.futures import ProcessPoolExecutor, as_completed

        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, context, pa.set_cpu_count, (1,)) as pool:
            try:
                for future in as_completed([pool.submit(_work, make, job, part) for part in parts]):
                    yield future.result()
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    elif parts:
        engine = job.engine()
        engine.each = each or engine.each
        for part in parts:
            yield make(engine, part)


_opened: dict[str, Engine] = {}
"""The engine of a worker process, kept from part to part, by what it rests on."""


def _work(make: Callable[[Engine, Part], Made], job: Job, part: Part) -> Made:
    rests_on = json.dumps(job.identity(), sort_keys=True)
    if rests_on not in _opened:
        _opened.clear()
        _opened[rests_on] = job.engine()
    return make(_opened[rests_on], part)


def _on_cluster(
    make: Callable[[Engine, Part], Made], job: Job, parts: Sequence[Part], address: str
) -> Iterator[Made]:
    try:
        from distributed import Client
        from distributed import as_completed as finished
    except ImportError as error:
        raise MissingExtraError.of("dask_cluster_needs") from error
    try:
        client = Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as error:
        raise SourceError.of(
            "no_dask_scheduler", source="Dask scheduler", url=address, address=address, error=error
        ) from error
    with client:
        futures = [client.submit(_work, make, job, part, pure=False) for part in parts]
        for future in finished(futures, loop=client.loop):  # type: ignore[no-untyped-call]
            yield future.result()


class Done:
    """How many waters are done, told as *progress(doing, done, waters)*."""

    def __init__(self, doing: str, waters: int, progress: Progress | None, done: int = 0) -> None:
        self._doing, self._waters, self._progress = doing, waters, progress
        self._parts = self._done = done
        self._tell()

    def _tell(self) -> None:
        if self._progress is not None:
            self._progress(self._doing, self._done, self._waters)

    def part(self, waters: int) -> None:
        """A part of so many waters is done."""
        self._parts += waters
        if self._done != self._parts:
            self._done = self._parts
            self._tell()

    def one(self) -> None:
        """One more water is done."""
        self._done += 1
        self._tell()
