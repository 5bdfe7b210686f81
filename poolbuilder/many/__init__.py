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
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from poolbuilder import schemas, tables
from poolbuilder.errors import PlanError, PoolFileError, said
from poolbuilder.files import disk_errors, whole_file, write_csv, write_whole
from poolbuilder.job import PART_WATERS, Done, Engine, Job, Part, Progress, made_of_parts, parts_of
from poolbuilder.places.sites import Site
from poolbuilder.pool import Built, prepare

POOL_KINDS = ("pools", "pairs", "waters")
COUNT_KINDS = ("counts",)
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
    found: dict[str, list[dict[str, Any]]] = {"pools": [], "pairs": [], "waters": []}
    for number, built in zip(part.waters, engine.pools(part.sites), strict=True):
        own = {"water": number, "waterName": built.site.name}
        found["pools"] += [own | row for row in built.candidates]
        found["pairs"] += [own | row for row in built.crosses]
        found["waters"].append(_summed(number, built))
    return part, {kind: tables.of_rows(_SCHEMAS[kind], rows) for kind, rows in found.items()}


_SCHEMAS = {"pools": schemas.POOLS, "pairs": schemas.PAIRS, "waters": schemas.WATERS}


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
