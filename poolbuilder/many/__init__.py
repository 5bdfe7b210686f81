"""The pools of many waters, in one pass over the store.

Waters are taken along the Hilbert curve in parts of neighbours; see
:mod:`poolbuilder.many.part`.  Each part is written as soon as it is there, so that a run
that was stopped goes on where it stood.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import pyarrow as pa

from poolbuilder.job import Job
from poolbuilder.many.crew import crew
from poolbuilder.many.part import COUNT_WATERS, PART_WATERS, Desk, Part, PartTables, parts_of, tables_of
from poolbuilder.many.results import Results
from poolbuilder.site import Site

__all__ = ["Desk", "Part", "PartTables", "Results", "build_many", "parts_of", "tables_of"]

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
