"""Selecting the records near places: index, row groups, chord, geodesic."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from poolbuilder import schemas, tables
from poolbuilder.errors import StoreError
from poolbuilder.places import geodesy
from poolbuilder.records.store_files import (
    PLACED,
    REPAIR,
    WHOLE,
    Bools,
    Floats,
    Folder,
    Index,
    Rows,
    StoredFile,
    coordinates,
    dead_rows,
    to_records,
)

Box = tuple[float, float, float, float]
Place = tuple[float, float, float]
"""Longitude and latitude in degrees, and reach in km."""

_REST = [name for name in PLACED.names if name not in {*WHOLE, "geometry", "sourceNumber"}]


def within(longitude: Floats, latitude: Floats, *, of: tuple[float, float], reach_km: float) -> Bools:
    """Which points lie within a geodesic distance of a place.

    Straight-line distances settle all points but those within metres of the edge; for these
    the geodesic is solved, so the answer is the geodesic's for every point.
    """
    inside, outside = geodesy.chord_bounds_m(reach_km)
    offset = geodesy.to_ecef(longitude, latitude) - geodesy.to_ecef(of[0], of[1])
    chord = np.sqrt(np.einsum("ij,ij->i", offset, offset))
    found = np.asarray(chord < inside)
    doubt = np.flatnonzero(~found & (chord <= outside))
    if len(doubt):
        exact = geodesy.distance_km(
            longitude[doubt], latitude[doubt], from_longitude=of[0], from_latitude=of[1]
        )
        found[doubt] = exact <= reach_km
    return found


def _meets(file: StoredFile, wanted: list[Box]) -> Bools:
    """Which row groups of a file have rows that count and meet any of the wanted boxes."""
    boxes = file.groups.box
    found = np.zeros(len(boxes), dtype=bool)
    for west, south, east, north in wanted:
        found |= (
            (boxes[:, 0] <= east) & (boxes[:, 2] >= west) & (boxes[:, 1] <= north) & (boxes[:, 3] >= south)
        )
    return np.asarray(found & (file.groups.dead < file.groups.rows))


def _in_boxes(longitude: Floats, latitude: Floats, wanted: list[Box]) -> Bools:
    found = np.zeros(len(longitude), dtype=bool)
    for west, south, east, north in wanted:
        found |= (longitude >= west) & (longitude <= east) & (latitude >= south) & (latitude <= north)
    return found


@dataclass(frozen=True, kw_only=True)
class _Points:
    """The coordinates of some row groups of a file, and which rows still count."""

    groups: Rows
    ends: Rows
    longitude: Floats
    latitude: Floats
    dead: Rows

    def near(self, place: Place, boxes: list[Box], met: Bools) -> Rows:
        """Positions of the living rows within reach; *met* says which groups can hold any."""
        starts = np.concatenate([[0], self.ends[:-1]])
        spans = [np.arange(starts[at], self.ends[at]) for at in np.flatnonzero(met)]
        rows = np.concatenate(spans) if spans else np.zeros(0, np.int64)
        x, y = self.longitude[rows], self.latitude[rows]
        close = np.flatnonzero(_in_boxes(x, y, boxes))
        hit = within(x[close], y[close], of=place[:2], reach_km=place[2])
        found = rows[close[hit]]
        return found[~np.isin(found, self.dead)] if len(self.dead) else found


def _points(folder: Folder, file: StoredFile, parquet: pq.ParquetFile, groups: Rows) -> _Points:
    if parquet.metadata.num_row_groups != len(file.groups.rows):
        raise StoreError(
            f"{folder.label(file.name)}: has {parquet.metadata.num_row_groups} row groups, "
            f"the index says {len(file.groups.rows)} ({REPAIR})"
        )
    exact = bool(file.groups.exact[groups].all())
    names = WHOLE if exact else ["geometry.x", "geometry.y"]
    x, y = coordinates(parquet.read_row_groups(groups.tolist(), columns=names))
    counts = file.groups.rows[groups]
    if len(x) != counts.sum():
        raise StoreError(f"{folder.label(file.name)}: does not fit the index ({REPAIR})")
    dead = np.zeros(0, np.int64)
    if file.groups.dead[groups].any():
        first = np.concatenate([[0], np.cumsum(file.groups.rows)])[groups]
        number = np.repeat(first - np.concatenate([[0], np.cumsum(counts)[:-1]]), counts) + np.arange(len(x))
        dead = np.flatnonzero(np.isin(number, dead_rows(folder, file)))
    return _Points(groups=groups, ends=np.cumsum(counts), longitude=x, latitude=y, dead=dead)


def _records(
    parquet: pq.ParquetFile, file: StoredFile, points: _Points, rows: Rows, *, by_key: bool
) -> pa.Table:
    """The rows at these positions as RECORDS, sorted by key if wanted; only groups that hold any are read."""
    which = np.searchsorted(points.ends, rows, side="right")
    used = np.unique(which)
    starts = np.concatenate([[0], points.ends[:-1]])
    counts = (points.ends - starts)[used]
    moved = np.concatenate([[0], np.cumsum(counts)[:-1]])
    wanted = [name for name in _REST if name not in file.empty]
    rest = parquet.read_row_groups(points.groups[used].tolist(), columns=wanted)
    at = np.searchsorted(used, which)
    picked = rows - starts[which] + moved[at]
    if by_key:
        order = _key_order(tables.take(rest.select(["recordKey"]), picked))
        rows, picked = rows[order], picked[order]
    found = tables.take(rest, picked)
    for name, values in (("decimalLongitude", points.longitude), ("decimalLatitude", points.latitude)):
        found = found.append_column(name, tables.array(values[rows], pa.float64()))
    return to_records(found)


def _near_in(
    folder: Folder, file: StoredFile, places: Sequence[Place], *, by_key: bool = False
) -> tuple[pa.Table, list[Rows]] | None:
    """Records of a file within reach of any place, and each place's rows of them; None for none.

    Sorted *by_key*, the records of each place can no longer be told from one another.
    """
    boxes = [geodesy.covering_box(*place) for place in places]
    met = np.stack([_meets(file, wanted) for wanted in boxes])
    groups = np.flatnonzero(met.any(axis=0))
    if not len(groups):
        return None
    check_size(folder, file)
    with folder.parquet(file.name) as parquet:
        points = _points(folder, file, parquet, groups)
        hits = [
            points.near(place, wanted, mine[groups])
            for place, wanted, mine in zip(places, boxes, met, strict=True)
        ]
        rows = np.unique(np.concatenate(hits)) if len(hits) > 1 else hits[0]
        if not len(rows):
            return None
        ranks = [np.searchsorted(rows, hit) for hit in hits]
        return _records(parquet, file, points, rows, by_key=by_key), ranks


def near(folder: Folder, index: Index, place: Place) -> Iterator[pa.Table]:
    """Placed records within reach of a place, as a RECORDS table per file, each sorted by key."""
    for file in index.of_kind("placed"):
        found = _near_in(folder, file, [place], by_key=True)
        if found is not None:
            yield found[0]


def count_near(folder: Folder, index: Index, place: Place) -> int:
    """How many placed records are within reach of a place; only coordinates are read."""
    boxes = geodesy.covering_box(*place)
    total = 0
    for file in index.of_kind("placed"):
        met = _meets(file, boxes)
        groups = np.flatnonzero(met)
        if len(groups):
            check_size(folder, file)
            with folder.parquet(file.name) as parquet:
                points = _points(folder, file, parquet, groups)
            total += len(points.near(place, boxes, np.ones(len(groups), dtype=bool)))
    return total


def near_each(folder: Folder, index: Index, places: Sequence[Place]) -> tuple[pa.Table, list[Rows]]:
    """Placed records within reach of any place, by key, and the rows of each place."""
    parts: list[pa.Table] = []
    rows: list[list[Rows]] = [[np.zeros(0, np.int64)] for _ in places]
    start = 0
    for file in index.of_kind("placed") if places else []:
        found = _near_in(folder, file, places)
        if found is None:
            continue
        parts.append(found[0])
        for mine, more in zip(rows, found[1], strict=True):
            mine.append(more + start)
        start += found[0].num_rows
    if not parts:
        return by_key([]), [np.zeros(0, np.int64) for _ in places]
    joined = pa.concat_tables(parts).combine_chunks()
    order = _key_order(joined)
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return tables.take(joined, order), [np.sort(rank[np.concatenate(mine)]) for mine in rows]


def unplaced(folder: Folder, index: Index) -> Iterator[pa.Table]:
    """Records without coordinates on the globe, as RECORDS tables."""
    for file in index.of_kind("unplaced"):
        yield from map(to_records, living_rows(folder, file))


def everything(folder: Folder, index: Index) -> Iterator[pa.Table]:
    """Every record of the store, file by file, as RECORDS tables."""
    for file in index.files:
        yield from map(to_records, living_rows(folder, file))


def living_rows(folder: Folder, file: StoredFile) -> Iterator[pa.Table]:
    """The rows of a file that count, as they lie in it, one row group at a time."""
    check_size(folder, file)
    dead = dead_rows(folder, file)
    start = 0
    with folder.parquet(file.name) as parquet:
        for group in range(parquet.metadata.num_row_groups):
            rows = parquet.read_row_group(group)
            alive = ~np.isin(np.arange(start, start + len(rows)), dead)
            start += len(rows)
            yield rows if alive.all() else tables.where(rows, alive)


def check_size(folder: Folder, file: StoredFile) -> None:
    """See that a file is there and of the size that the index says.

    Raises
    ------
    StoreError
        When it is missing, or longer or shorter.
    """
    size = folder.size(file.name)
    if size is None:
        raise StoreError(f"{folder.label(file.name)}: is missing ({REPAIR})")
    if size != file.size:
        raise StoreError(
            f"{folder.label(file.name)}: has {size} bytes, the index says {file.size} ({REPAIR})"
        )


def _key_order(rows: pa.Table) -> Rows:
    """Positions of rows sorted by record key."""
    return tables.order(rows, [("recordKey", "ascending")])


def by_key(parts: list[pa.Table]) -> pa.Table:
    """One RECORDS table, sorted by record key: the same whatever the order of adding."""
    if not parts:
        return tables.table(schemas.RECORDS, {name: [] for name in schemas.RECORDS.names})
    rows = pa.concat_tables(parts).combine_chunks()
    return tables.take(rows, _key_order(rows))
