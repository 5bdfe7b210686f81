"""Counting without weighing: the compiled loop, the tree and one geodesic per pair agree."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import Checklist, Job, PoolBuilderError, Site, Store, many, schemas
from poolbuilder.many.counting import (
    BLOCK,
    UNDATED,
    Points,
    tally,
    tally_table,
)
from poolbuilder.places import geodesy
from poolbuilder.pool import prepare
from poolbuilder.records.store_files import along_curve
from tests.store_rows import added, many_rows

NAMES = ("Lepomis cyanellus", "Lepomis gulosus")
WAYS = [False]
try:
    import numba  # noqa: F401
except ImportError:
    pass
else:
    WAYS.append(True)


def _one_by_one(points: Points, site: Site) -> dict[str, tuple[Any, ...]]:
    """Count, nearest, first and last year by species, one geodesic per pair."""
    km = geodesy.distance_km(
        points.longitude, points.latitude, from_longitude=site.longitude, from_latitude=site.latitude
    )
    found = {}
    for code, name in enumerate(points.names):
        mine = (points.species == code) & (km <= site.radius_km)
        years = points.year[mine & (points.year != UNDATED)]
        found[name] = (
            int(mine.sum()),
            float(km[mine].min()) if mine.any() else None,
            int(years.min()) if len(years) else None,
            int(years.max()) if len(years) else None,
        )
    return found


def _check(points: Points, sites: list[Site], compiled: bool) -> None:
    table = tally_table(tally(points, sites, by_numba=compiled), points, sites, range(1, len(sites) + 1))
    rows = table.to_pylist()
    assert len(rows) == len(sites) * len(points.names)
    for row in rows:
        count, nearest, first, last = _one_by_one(points, sites[row["water"] - 1])[row["scientificName"]]
        assert (row["records"], row["firstYear"], row["lastYear"]) == (count, first, last)
        assert (row["nearestKm"] is None) == (nearest is None)
        if nearest is not None:
            assert row["nearestKm"] == pytest.approx(nearest, abs=1e-6)


@pytest.mark.parametrize("compiled", WAYS)
@settings(deadline=None, derandomize=True, max_examples=40)
@given(
    spots=st.lists(st.tuples(st.floats(-180, 180), st.floats(-90, 90)), min_size=1, max_size=60),
    sites=st.lists(
        st.tuples(st.floats(-180, 180), st.floats(-90, 90), st.sampled_from([1.0, 40.0, 2000.0])), max_size=4
    ),
    seed=st.integers(0, 99),
)
def test_counts_are_those_of_one_geodesic_per_pair(
    compiled: bool, spots: list[tuple[float, float]], sites: list[tuple[float, float, float]], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.array(spots).T
    species = rng.integers(0, 2, len(x))
    year = rng.choice([UNDATED, 1950, 2001], len(x))
    points = Points.of(x, y, species, year, NAMES)
    _check(points, [Site(longitude=a, latitude=b, radius_km=r) for a, b, r in sites], compiled)


@pytest.mark.parametrize("compiled", WAYS)
def test_ten_thousand_pairs_within_a_millimetre_of_the_edge(compiled: bool) -> None:
    azimuth = np.random.default_rng(1).uniform(0, 360, 10_000)
    metres = np.where(np.arange(10_000) % 2, 40_000.001, 39_999.999)
    x, y, _ = geodesy.WGS84.fwd(np.full(10_000, -89.0), np.full(10_000, 36.0), azimuth, metres)
    points = Points.of(x, y, np.zeros(10_000, np.int64), np.full(10_000, 2000), NAMES)
    found = tally(points, [Site(longitude=-89.0, latitude=36.0)], by_numba=compiled)
    assert found.records.tolist() == [[5000, 0]]


@pytest.mark.skipif(len(WAYS) == 1, reason="numba is not installed")
def test_compiled_and_tree_give_the_same_for_many_balls() -> None:
    rng = np.random.default_rng(3)
    count = 30_000
    points = Points.of(
        rng.uniform(-95, -85, count), rng.uniform(30, 40, count), rng.integers(0, 2, count),
        rng.integers(1900, 2026, count), NAMES,
    )  # fmt: skip
    sites = [Site(longitude=float(x), latitude=35.0, radius_km=70.0) for x in np.linspace(-96, -84, 40)]
    one, other = (tally(points, sites, by_numba=compiled) for compiled in (True, False))
    for name, values in vars(one).items():
        assert np.array_equal(values, getattr(other, name)), name
    assert one.records.sum() > 10_000


def test_counts_of_a_run_are_the_kept_records_of_each_water(tmp_path: Path) -> None:
    added(Store(tmp_path / "store"), many_rows(3000))
    sites = [
        Site(longitude=-92 + 0.5 * n, latitude=36.0, radius_km=30.0 + n, name=f"pond {n}") for n in range(5)
    ]
    job = Job(site=sites[0], as_of=datetime.date(2026, 6, 1), store=tmp_path / "store")
    table = many.build_many(sites, job, tmp_path / "out", counts=True, part_waters=2)
    assert table.schema.equals(schemas.TALLIES)
    checklist = Checklist.load("lepomis")
    for number, site in enumerate(sites, start=1):
        near = Store(job.store).select(
            longitude=site.longitude, latitude=site.latitude, reach_km=site.radius_km
        )
        screened = prepare(near, checklist, settings=job.settings, as_of=job.as_of)
        alone = _one_by_one(Points.of_screened(screened, checklist.species), site)
        mine = [row for row in table.to_pylist() if row["water"] == number]
        assert {row["scientificName"]: row["records"] for row in mine} == {
            name: item[0] for name, item in alone.items()
        }
        assert sum(row["records"] for row in mine) > 5
    lines = (tmp_path / "out" / "counts.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 1 + 5 * len(checklist.species)
    with pytest.raises(PoolBuilderError, match="a genus"):
        many.build_many(
            sites,
            Job(site=sites[0], as_of=job.as_of, store=job.store, checklist="Lepomis"),
            tmp_path / "g",
            counts=True,
        )


def test_points_in_any_order_are_counted_alike() -> None:
    rng = np.random.default_rng(8)
    count = 20_000
    values = (
        rng.uniform(-95, -85, count), rng.uniform(30, 40, count), rng.integers(0, 2, count),
        rng.integers(1900, 2026, count),
    )  # fmt: skip
    sites = [Site(longitude=float(x), latitude=35.0, radius_km=70.0) for x in np.linspace(-96, -84, 9)]
    order = np.argsort(along_curve(values[0], values[1]), kind="stable")
    sly = order.copy()  # looks sorted to who looks at the first of each ball
    others = np.flatnonzero(np.arange(count) % BLOCK)
    sly[others] = order[rng.permutation(others)]
    tables = []
    for rows in (np.arange(count), order, sly):
        points = Points.of(*(value[rows] for value in values), NAMES)
        tables.append(tally_table(tally(points, sites), points, sites, range(9)).to_pydict())
    assert tables[0] == tables[1] == tables[2]
    assert sum(tables[0]["records"]) > 1000
