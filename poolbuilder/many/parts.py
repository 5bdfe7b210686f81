"""Parts of many waters: neighbours that share reading, naming and screening, and who builds them.

Each water of a part then gets its own records and goes through the very stages of
:func:`poolbuilder.pool.build`.  A part is a function of the job and its waters alone, so it
runs here, in another process or on a cluster with the same result.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, Generic, Protocol, TypeAlias, TypeVar

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import schemas, tables
from poolbuilder.accounts import Provenance
from poolbuilder.errors import MissingExtraError, PlanError, RecordFileError, SourceError
from poolbuilder.job import Job, is_genus, open_lists, open_ranges, record_reach_km
from poolbuilder.located import Located
from poolbuilder.many.counting import Points, tally, tally_table
from poolbuilder.names.checklist import Checklist
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool, build_screened, prepare
from poolbuilder.records.store import Store
from poolbuilder.records.store_files import along_curve
from poolbuilder.settings import Settings
from poolbuilder.status.polygons import RangeMap
from poolbuilder.surroundings import Cell, Regions, cell_of
from poolbuilder.water import Water

DATUM_KM = 2.0
"""More than any datum moves a place: room around the radius when records are taken for counting."""
COUNT_WATERS = 256
PART_WATERS = 32
"""Waters in a part: enough neighbours to share the reading, few enough to lose little at a stop."""

Rows = NDArray[np.int64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Part:
    """Some neighbouring waters: their rows in the table (from 1) and their sites."""

    number: int
    waters: tuple[int, ...]
    sites: tuple[Site, ...]


@dataclass(frozen=True, kw_only=True)
class PartTables:
    """What a part gives, by kind: ``pools``, ``pairs`` and ``waters``, or ``counts`` alone."""

    number: int
    tables: Mapping[str, pa.Table]


def along_the_curve(sites: Sequence[Site]) -> Rows:
    """Positions of sites in the order of the Hilbert curve."""
    code = along_curve([site.longitude for site in sites], [site.latitude for site in sites])
    return np.argsort(code, kind="stable")


def parts_of(sites: Sequence[Site], *, size: int = PART_WATERS) -> list[Part]:
    """Cut waters into parts of neighbours; the same waters give the same parts.

    The waters of one cell, which learn from the same region, stay together up to eight
    times *size*.
    """
    order = along_the_curve(sites)
    cells: dict[Cell, list[int]] = {}
    for row in order.tolist():
        cells.setdefault(cell_of(sites[row]), []).append(row)
    rows: list[list[int]] = [[]]
    for cell in cells.values():
        if rows[-1] and len(rows[-1]) + len(cell) > size:
            rows.append([])
        for start in range(0, len(cell), 8 * size):
            if start:
                rows.append([])
            rows[-1] += cell[start : start + 8 * size]
    return [
        Part(number=number, waters=tuple(row + 1 for row in mine), sites=tuple(sites[row] for row in mine))
        for number, mine in enumerate(rows, start=1)
        if mine
    ]


@dataclass(frozen=True, kw_only=True)
class Kin:
    """Records that screening compared with others, so that a subset may be judged otherwise.

    Screening judges each record by itself, but for repeats: records of one identifier, or of
    one cell.  Where a water's records hold a repeat but not all of its kin, they have to be
    screened by themselves.
    """

    struck: NDArray[np.bool_]
    keys: tuple[Ints, Ints]

    @classmethod
    def of(cls, screened: pa.Table, settings: Settings) -> Kin:
        """Find the repeats of a screened table, and code identifiers and cells."""
        rule = tables.strings(screened["rejectedBy"])
        flags = screened["flagged"].to_pylist()
        struck = [
            key == "duplicate" or "reused_identifier" in marks for key, marks in zip(rule, flags, strict=True)
        ]
        identifier, _ = tables.codes(screened["occurrenceID"])
        size = settings.event_cell_degrees
        east, north = (
            np.nan_to_num(np.round(tables.numbers(screened[name]) / size), nan=1e9)
            for name in ("longitude", "latitude")
        )
        _, cell = np.unique(east + 1j * north, return_inverse=True)
        return cls(
            struck=np.array(struck, dtype=bool),
            keys=(identifier, np.asarray(cell, dtype=np.int64).reshape(-1)),
        )

    def is_parted(self, rows: Rows) -> bool:
        """Whether *rows* hold a repeat without all of its kin."""
        mine = np.zeros(len(self.struck), dtype=bool)
        mine[rows] = True
        for key in self.keys:
            torn = np.unique(key[mine & self.struck & (key >= 0)])
            if len(torn) and np.isin(key[~mine], torn).any():
                return True
        return False


@dataclass(frozen=True, kw_only=True)
class Desk:
    """What a job opens once and uses for every water: list, ranges, sources, regions.

    ``regions`` grows as waters are built; it holds for one job and one state of the store.
    """

    job: Job
    store: Store
    provenance: Provenance
    checklist: Checklist | None
    ranges: RangeMap | None
    regions: Regions = field(default_factory=dict)

    @classmethod
    def open(cls, job: Job) -> Desk:
        """Open what the job names.

        Raises
        ------
        RecordFileError
            When the store holds no records.
        """
        store = Store(job.store)
        if store.is_empty:
            raise RecordFileError(
                "the store holds no records",
                file=job.store,
                remedy="add some with `poolbuilder add FILE` or `poolbuilder fetch`",
            )
        checklist = None if is_genus(job.checklist) else Checklist.load(job.checklist)
        return cls(
            job=job,
            store=store,
            provenance=Provenance(
                inputs=store.sources(), datasets=store.datasets(), calibration=job.calibration
            ),
            checklist=checklist,
            ranges=None if checklist is None else open_ranges(job.ranges, checklist),
        )

    def pools_of(self, sites: Sequence[Site]) -> list[Pool]:
        """The pools of some waters; each is what ``Job.run`` gives for the water alone."""
        if self.checklist is None:  # the list itself depends on the records near each water
            return [replace(self.job, site=site).run() for site in sites]
        return [self.pool_of(site, mine) for site, mine in zip(sites, self.screened_of(sites), strict=True)]

    def screened_of(self, sites: Sequence[Site]) -> Iterator[pa.Table]:
        """The records of each of some waters, read together, named and screened; schema SCREENED."""
        checklist, settings = self._list(), self.job.settings
        records, rows_each = self.store.select_each(
            longitude=[site.longitude for site in sites],
            latitude=[site.latitude for site in sites],
            reach_km=[record_reach_km(site, settings=settings) for site in sites],
        )
        screened = prepare(records, checklist, settings=settings, as_of=self.job.as_of)
        kin = Kin.of(screened, settings)
        for rows in rows_each:
            if kin.is_parted(rows):
                mine = tables.take(records, rows)
                yield prepare(mine, checklist, settings=settings, as_of=self.job.as_of)
            else:
                yield tables.take(screened, rows)

    def counts_of(self, part: Part) -> pa.Table:
        """Records of each species within the radius of each water of a part; schema TALLIES.

        Raises
        ------
        PlanError
            When the list of species is a genus: it would be another for every water.
        """
        checklist = self._list()
        records, _ = self.store.select_each(
            longitude=[site.longitude for site in part.sites],
            latitude=[site.latitude for site in part.sites],
            reach_km=[site.radius_km + DATUM_KM for site in part.sites],
        )
        screened = prepare(records, checklist, settings=self.job.settings, as_of=self.job.as_of)
        points = Points.of_screened(screened, checklist.species)
        return tally_table(tally(points, part.sites), points, part.sites, part.waters)

    def _list(self) -> Checklist:
        if self.checklist is None:
            raise PlanError(
                f"a genus ({self.job.checklist}) is a list of its own for every water",
                remedy="count with a checklist that ships with poolbuilder, or a file",
            )
        return self.checklist

    def pool_of(
        self, site: Site, screened: pa.Table, *, water: Water | None = None, placed: Located | None = None
    ) -> Pool:
        """The pool of one water from its records; *water* and *placed* when they are known already."""
        checklist = self._list()
        job = replace(self.job, site=site)
        if cell_of(site) not in self.regions:
            self.regions.update(job.stored_region(checklist, self.ranges))
        water = water or job.open_water()
        return build_screened(
            job.typed_site(water),
            screened,
            checklist=checklist,
            as_of=job.as_of,
            settings=job.settings,
            ranges=self.ranges,
            lists=open_lists(job.region_lists, checklist),
            water=water,
            provenance=replace(self.provenance, elsewhere=self.store.records - len(screened)),
            regions=self.regions,
            placed=placed,
            constants=job.open_constants(),
        )


def tables_of(job: Job, part: Part, desk: Desk | None = None, *, counts: bool = False) -> PartTables:
    """Build a part and put it into tables: a function of the job, the part and the store's content.

    *desk* is the job opened before; it changes nothing but the time.
    """
    desk = desk or Desk.open(job)
    if counts:
        return PartTables(number=part.number, tables={"counts": desk.counts_of(part)})
    pools = desk.pools_of(part.sites)
    tables = {
        "pools": _stacked(part, [pool.candidates for pool in pools], schemas.POOLS),
        "pairs": _stacked(part, [pool.crosses for pool in pools], schemas.PAIRS),
        "waters": _summary(part, pools),
    }
    return PartTables(number=part.number, tables=tables)


def _stacked(part: Part, pieces: Sequence[pa.Table], schema: pa.Schema) -> pa.Table:
    """Tables one below the other, each with its water in front."""
    stacked = []
    for number, site, table in zip(part.waters, part.sites, pieces, strict=True):
        count = table.num_rows
        own = [tables.array([number] * count, pa.int32()), tables.array([site.name] * count, pa.string())]
        stacked.append(pa.Table.from_arrays([*own, *table.columns], schema=schema))
    return schemas.check(pa.concat_tables(stacked), schema, "many")


def _summary(part: Part, pools: Sequence[Pool]) -> pa.Table:
    """One row per water; schema WATERS."""
    rows = []
    for number, pool in zip(part.waters, pools, strict=True):
        species, pairs = pool.candidates.to_pylist(), pool.crosses.slice(0, 1).to_pylist()
        recorded = sum(row["tier"] in {"water", "connected", "radius"} for row in species)
        rows.append(
            {
                "water": number,
                "waterName": pool.site.name,
                "longitude": pool.site.longitude,
                "latitude": pool.site.latitude,
                "radiusKm": pool.site.radius_km,
                "read": pool.counts["read"],
                "kept": pool.counts["kept"],
                "rejected": sum(pool.counts["rejected"].values()),
                "withinRadius": pool.counts["withinRadius"],
                "recordedSpecies": recorded,
                "expectedSpecies": sum(row["presence"] for row in species),
                "topSpecies": species[0]["scientificName"] if species else None,
                "topPresence": species[0]["presence"] if species else None,
                "topPair": pairs[0]["formula"] if pairs else None,
                "topPairWeight": pairs[0]["weight"] if pairs else None,
            }
        )
    made = tables.table(schemas.WATERS, {name: [row[name] for row in rows] for name in schemas.WATERS.names})
    return schemas.check(made, schemas.WATERS, "many")


T = TypeVar("T")
Out = TypeVar("Out", covariant=True)

Make: TypeAlias = Callable[[Job, Part, "Desk | None"], T]
"""What is made of a part; a function that can be sent to another process."""


class Crew(Protocol[Out]):
    """Works on parts, in any order."""

    def build(self, parts: Sequence[Part]) -> Iterator[Out]:
        """What is made of the parts, each as soon as it is there."""


class _Alone(Generic[T]):
    """Nobody but this process; what the job opens is opened once."""

    def __init__(self, job: Job, make: Make[T]) -> None:
        self._job, self._make = job, make

    def build(self, parts: Sequence[Part]) -> Iterator[T]:
        desk = Desk.open(self._job) if parts else None
        for part in parts:
            yield self._make(self._job, part, desk)


_desk: Desk | None = None  # of a worker process, opened when it starts


def _sit_down(job: Job) -> None:
    """Open the job in a new process, which has one core to itself."""
    global _desk
    pa.set_cpu_count(1)
    _desk = Desk.open(job)


def _work(make: Make[T], job: Job, part: Part) -> T:
    return make(job, part, _desk)


class _Processes(Generic[T]):
    """Processes of this machine."""

    def __init__(self, job: Job, make: Make[T], pool: ProcessPoolExecutor) -> None:
        self._job, self._make, self._pool = job, make, pool

    def build(self, parts: Sequence[Part]) -> Iterator[T]:
        waiting = {self._pool.submit(_work, self._make, self._job, part) for part in parts}
        while waiting:
            done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in done:
                yield future.result()


class _Cluster(Generic[T]):
    """The workers of a Dask scheduler."""

    def __init__(self, job: Job, make: Make[T], client: Any) -> None:
        self._job, self._make, self._client = job, make, client

    def build(self, parts: Sequence[Part]) -> Iterator[T]:
        from distributed import as_completed

        futures = [self._client.submit(self._make, self._job, part, None, pure=False) for part in parts]
        for future in as_completed(futures, loop=self._client.loop):  # type: ignore[no-untyped-call]
            yield future.result()


@contextmanager
def crew(job: Job, make: Make[T], *, workers: int = 1, dask: str | None = None) -> Iterator[Crew[T]]:
    """Who is to build: a cluster when *dask* names one, else *workers* processes."""
    if dask is not None:
        with _client(dask) as client:
            yield _Cluster(job, make, client)
    elif workers > 1:
        Desk.open(job)  # what cannot be opened is told here, not by every worker
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, context, _sit_down, (job,)) as pool:
            try:
                yield _Processes(job, make, pool)
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    else:
        yield _Alone(job, make)


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError as error:
        raise MissingExtraError("a Dask cluster needs `pip install 'poolbuilder[dask]'`") from error
    try:
        return Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as error:
        raise SourceError(
            f"no Dask scheduler answers at {address}: {error} (check the address and the port)",
            source="Dask scheduler",
            url=address,
        ) from error
