"""Many waters in one pass: the same as water by water, whoever builds them."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from poolbuilder import Job, PoolBuilderError, Settings, Site, Store, many, schemas, tables
from poolbuilder.cli import main
from poolbuilder.job import Engine, Repeats
from poolbuilder.pool import prepare
from tests.rows import records
from tests.store_rows import added, many_rows

SETTINGS = Settings(reach_km=50, region_km=150, obscured_uncertainty_m=5000)
AS_OF = datetime.date(2026, 6, 1)


def _clustered() -> pa.Table:
    """Records at 70 places in three states, some of them told twice, under two names or far away."""
    table = many_rows(1500, seed=3)
    rng = np.random.default_rng(5)
    place = rng.integers(0, 70, table.num_rows)
    x, y = rng.uniform(-92.5, -90.5, 70).round(4), rng.uniform(35.2, 36.8, 70).round(4)
    values = {name: table[name].to_pylist() for name in table.column_names}
    values["decimalLongitude"] = x[place].tolist()
    values["decimalLatitude"] = y[place].tolist()
    values["decimalLatitude"][7] = None
    values["eventDate"] = [f"{year}-0{row % 9 + 1}-11" for row, year in enumerate(values["year"])]
    values["catalogNumber"] = [f"{row // 2}" if row % 5 < 2 else None for row in range(table.num_rows)]
    values["recordedBy"] = ["A. Fisher" if row % 3 else "B. Netter" for row in range(table.num_rows)]
    for row in range(0, 400, 20):  # one identifier on two records, often far apart
        values["occurrenceID"][row + 1] = values["occurrenceID"][row]
        values["scientificName"][row + 1] = values["scientificName"][row]
    return tables.table(schemas.RECORDS, values)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    folder = tmp_path_factory.mktemp("many") / "store"
    store = Store(folder)
    table = _clustered()
    added(store, table.slice(0, 1000))
    added(store, table.slice(900))
    return Job(site=SITES[0], as_of=AS_OF, store=folder, settings=SETTINGS)


SITES = (
    *(
        Site(
            longitude=-92.4 + 0.26 * number,
            latitude=35.3 + 0.19 * (number * 3 % 8),
            radius_km=(15.0, 25.5)[number % 2],
            name=f"Invented Pond {number}",
        )
        for number in range(7)
    ),
    Site(longitude=11.0, latitude=50.0, name="far from all records"),
)


@pytest.fixture(scope="module")
def singly(job: Job) -> list[Any]:
    """The pool of each water, built by itself."""
    return [replace(job, site=site).run() for site in SITES]


def _check_equal(folder: Path, singly: list[Any]) -> None:
    for kind, schema, of in (
        ("pools", schemas.POOLS, lambda pool: pool.candidates),
        ("pairs", schemas.PAIRS, lambda pool: pool.crosses),
    ):
        parts = [pq.ParquetFile(path).read() for path in sorted((folder / kind).iterdir())]
        table = pa.concat_tables(parts).cast(schema)
        water = tables.integers(table["water"])
        for number, pool in enumerate(singly, start=1):
            mine = tables.where(table, water == number)
            assert mine.num_rows > 0
            assert set(mine["waterName"].to_pylist()) == {pool.site.name}
            for name in of(pool).column_names:
                assert mine[name].to_pylist() == of(pool)[name].to_pylist(), (kind, number, name)


@pytest.mark.parametrize("listed", [True, False], ids=["lists of all fishes", "candidates alone"])
def test_a_water_weighed_with_others_is_as_if_alone_to_the_last_bit(tmp_path: Path, listed: bool) -> None:
    """Neighbours of one region, which are weighed in one call."""
    rng, rows = np.random.default_rng(4), []
    names = [
        "Lepomis macrochirus",
        "Lepomis cyanellus",
        *(["Notropis hudsonius", "Etheostoma olmstedi"] * listed),
    ]
    for number in range(120):
        x, y = rng.uniform(-92.4, -91.6, 120)[number], rng.uniform(35.1, 35.9, 120)[number]
        rows += [
            {
                "scientificName": name, "decimalLongitude": x, "decimalLatitude": y,
                "eventID": f"visit {number}", "eventDate": f"{2000 + number % 20}-06-01",
                "occurrenceID": f"{number} {name}", "habitat": ("lake", "stream")[number % 2],
            }
            for name in names
            if rng.random() < 0.6
        ]  # fmt: skip
    store = Store(tmp_path / "store")
    added(store, records(*rows))
    sites = [
        Site(longitude=-92.3 + 0.09 * k, latitude=35.2 + 0.07 * k, water_type=("lake", "stream", None)[k % 3])
        for k in range(7)
    ]
    job = Job(site=sites[0], as_of=AS_OF, store=store.path)
    together = list(job.engine().pools(sites))
    for site, built in zip(sites, together, strict=True):
        (alone,) = job.engine().pools([site])
        for name in ("presence", "low", "high"):
            assert getattr(built.weighed, name).tolist() == getattr(alone.weighed, name).tolist()
        assert built.crosses == alone.crosses


def test_many_is_build_water_by_water_in_every_column(tmp_path: Path, job: Job, singly: list[Any]) -> None:
    summary = many.build_many(SITES, job, tmp_path / "out", part_waters=3)
    _check_equal(tmp_path / "out", singly)
    assert summary["water"].to_pylist() == list(range(1, 9))
    assert summary["read"].to_pylist() == [pool.counts["read"] for pool in singly]
    assert summary["kept"].to_pylist() == [pool.counts["kept"] for pool in singly]
    for row, pool in zip(summary.to_pylist(), singly, strict=True):
        assert row["read"] == row["kept"] + row["rejected"]
        assert row["topSpecies"] == pool.candidates["scientificName"][0].as_py()
    assert any(pool.counts["rejected"].get("duplicate") for pool in singly)


def test_evidence_counts_and_rejected_records_are_those_of_build(job: Job, singly: list[Any]) -> None:
    for pool, alone in zip((built.pool for built in Engine(job).pools(SITES)), singly, strict=True):
        assert pool.evidence.equals(alone.evidence)
        assert pool.rejected.equals(alone.rejected)
        assert pool.contributions.equals(alone.contributions)
        assert pool.counts == alone.counts
        assert pool.datasets == alone.datasets
        assert pool.inputs == alone.inputs
        assert pool.notes == alone.notes


def test_repeats_whose_kin_lie_elsewhere_are_screened_by_themselves(job: Job) -> None:
    from poolbuilder.names.checklist import Checklist

    checklist = Checklist.load("lepomis")
    records, rows = Store(job.store).select_each(
        longitude=[site.longitude for site in SITES],
        latitude=[site.latitude for site in SITES],
        reach_km=[60.0] * 8,
    )
    screened = prepare(records, checklist, settings=SETTINGS, as_of=AS_OF)
    kin = Repeats.of(screened, SETTINGS)
    parted = [kin.are_parted(mine) for mine in rows]
    assert any(parted)
    assert not kin.are_parted(np.arange(records.num_rows))
    assert not kin.are_parted(np.zeros(0, dtype=np.int64))
    for mine, is_parted in zip(rows, parted, strict=True):
        alone = prepare(tables.take(records, mine), checklist, settings=SETTINGS, as_of=AS_OF)
        if not is_parted:
            assert alone.to_pylist() == tables.take(screened, mine).to_pylist()


def test_processes_give_the_same(tmp_path: Path, job: Job, singly: list[Any]) -> None:
    many.build_many(SITES, job, tmp_path / "out", workers=2, part_waters=3)
    _check_equal(tmp_path / "out", singly)


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as made:
        yield made


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_dask_cluster_of_two_workers_gives_the_same(
    tmp_path: Path, job: Job, singly: list[Any], cluster: Any
) -> None:
    many.build_many(SITES, job, tmp_path / "out", dask=cluster.scheduler_address, part_waters=2)
    _check_equal(tmp_path / "out", singly)


def test_no_scheduler_at_the_address_is_told(tmp_path: Path, job: Job) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(PoolBuilderError, match="no Dask scheduler answers at tcp:/127"):
        many.build_many(SITES, job, tmp_path / "out", dask="tcp:/127.0.0.1:1")


class _StoppedError(Exception):
    pass


def test_a_run_that_was_stopped_goes_on_where_it_stood(
    tmp_path: Path, job: Job, singly: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"

    def stop(doing: str, done: int, total: int | None) -> None:
        if any((out / "waters").iterdir()):
            raise _StoppedError

    with pytest.raises(_StoppedError):
        many.build_many(SITES, job, out, part_waters=2, progress=stop)
    assert not (out / "waters.csv").exists()
    first = sorted((out / "waters").iterdir())
    assert first
    (out / "pools" / "part-00099.parquet.new").write_bytes(b"half")
    stamps = {path: path.stat().st_mtime_ns for path in first}
    said: list[tuple[int, int | None]] = []
    many.build_many(
        SITES, job, out, part_waters=2, progress=lambda _, done, total: said.append((done, total))
    )
    assert said[0][0] >= 2
    assert said[-1] == (8, 8)
    assert {path: path.stat().st_mtime_ns for path in first} == stamps
    (out / "pools" / "part-00099.parquet.new").unlink()
    _check_equal(out, singly)


def test_a_run_does_not_go_on_in_the_folder_of_another(tmp_path: Path, job: Job) -> None:
    out = tmp_path / "out"
    few = SITES[-1:]
    many.build_many(few, job, out)
    with pytest.raises(PoolBuilderError, match=r"results of another run; different: asOf"):
        many.build_many(few, replace(job, as_of=datetime.date(2026, 6, 2)), out)
    with pytest.raises(PoolBuilderError, match=r"different: parts, waters"):
        many.build_many(SITES, job, out)
    with pytest.raises(PoolBuilderError, match=r"different: settings"):
        many.build_many(few, replace(job, settings=SETTINGS.replace(region_km=140)), out)
    (out / "run.json").write_text("[]", encoding="utf-8")
    with pytest.raises(PoolBuilderError, match="is no account of a run"):
        many.build_many(few, job, out)
    other = tmp_path / "other"
    other.mkdir()
    (other / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(PoolBuilderError, match="holds something else"):
        many.build_many(few, job, other)
    assert [path.name for path in other.iterdir()] == ["letter.txt"]


def test_the_same_run_gives_the_same_bytes(tmp_path: Path, job: Job) -> None:
    for name in ("one", "other"):
        many.build_many(SITES[-2:], job, tmp_path / name)
    one, other = (
        {path.relative_to(tmp_path / name): path.read_bytes() for path in (tmp_path / name).rglob("*.*")}
        for name in ("one", "other")
    )
    assert one == other
    assert json.loads(one[Path("run.json")])["asOf"] == "2026-06-01"


def test_an_empty_store_is_told_before_anything_is_built(tmp_path: Path, job: Job) -> None:
    with pytest.raises(PoolBuilderError, match="the store holds no records"):
        many.build_many(SITES, replace(job, store=tmp_path / "none"), tmp_path / "out", workers=2)


def test_waters_of_one_cell_stay_together() -> None:
    rng = np.random.default_rng(0)
    sites = [Site(longitude=float(x), latitude=float(y)) for x, y in rng.uniform(10, 13, (200, 2))]
    parts = many.parts_of(sites, size=16)
    assert sorted(number for part in parts for number in part.waters) == list(range(1, 201))
    from poolbuilder.surroundings import cell_of

    where: dict[Any, set[int]] = {}
    for part in parts:
        for site in part.sites:
            where.setdefault(cell_of(site), set()).add(part.number)
    assert max(len(numbers) for numbers in where.values()) == 1
    assert many.parts_of(sites, size=16) == parts
    assert 5 < len(parts) < 20


def test_the_command_says_that_a_scheduler_is_trusted_wholly(
    tmp_path: Path, job: Job, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("distributed")
    table = tmp_path / "waters.csv"
    table.write_text("name,latitude,longitude\nMill Pond,36.0,-91.0\n", encoding="utf-8")
    command = ["many", str(table), "--store", str(job.store), "--out", str(tmp_path / "out")]
    with pytest.raises(SystemExit) as ended:
        main([*command, "--dask", "tcp:/127.0.0.1:1"])
    said = capsys.readouterr().err
    assert ended.value.code == 1
    assert "the scheduler at tcp:/127.0.0.1:1 is trusted wholly: it can run code here" in said
    assert "no Dask scheduler answers" in said


def test_waters_share_what_is_read_from_files_too(tmp_path: Path, job: Job) -> None:
    path = tmp_path / "records.csv"
    path.write_text(
        "occurrenceID,scientificName,decimalLatitude,decimalLongitude,eventDate\n"
        "a,Lepomis cyanellus,36.0,-91.0,2020-06-01\nb,Lepomis gulosus,36.01,-91.3,2021-06-01\n",
        encoding="utf-8",
    )
    files = replace(job, records=(path,))
    sites = [Site(longitude=-91.0, latitude=36.0), Site(longitude=-91.3, latitude=36.0)]
    for site, built in zip(sites, Engine(files).pools(sites), strict=True):
        alone = replace(files, site=site).run()
        assert built.pool.candidates.equals(alone.candidates)
        assert (built.pool.counts, built.pool.notes) == (alone.counts, alone.notes)
