"""Selecting the records near a place: index, row groups, chord, geodesic."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from poolbuilder import columns, geodesy, schemas
from poolbuilder.errors import StoreError
from poolbuilder.records.store import layout
from poolbuilder.records.store.folder import REPAIR, Folder
from poolbuilder.records.store.index import Index, StoredFile
from poolbuilder.records.store.ingest import dead_rows

__all__ = ["by_key", "everything", "near", "unplaced", "within"]

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

_WHOLE = ["longitudeE5", "latitudeE5"]
_REST = [name for name in layout.PLACED.names if name not in {*_WHOLE, "geometry"}]


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


def _meets(boxes: Floats, wanted: list[Box]) -> Bools:
    """Which of (n, 4) boxes meet any of the wanted ones."""
    found = np.zeros(len(boxes), dtype=bool)
    for west, south, east, north in wanted:
        found |= (
            (boxes[:, 0] <= east) & (boxes[:, 2] >= west) & (boxes[:, 1] <= north) & (boxes[:, 3] >= south)
        )
    return found


def _in_boxes(longitude: Floats, latitude: Floats, wanted: list[Box]) -> Bools:
    found = np.zeros(len(longitude), dtype=bool)
    for west, south, east, north in wanted:
        found |= (longitude >= west) & (longitude <= east) & (latitude >= south) & (latitude <= north)
    return found


def near(
    folder: Folder, index: Index, *, longitude: float, latitude: float, reach_km: float
) -> Iterator[pa.Table]:
    """Placed records within *reach_km*, as RECORDS tables in the order of the files."""
    boxes = geodesy.covering_box(longitude, latitude, reach_km)
    for file in index.of_kind("placed"):
        groups = np.flatnonzero(_meets(file.groups.box, boxes))
        if len(groups):
            yield from _near_in(folder, file, groups, boxes, (longitude, latitude), reach_km)


def _near_in(
    folder: Folder,
    file: StoredFile,
    groups: NDArray[np.int64],
    boxes: list[Box],
    place: tuple[float, float],
    reach_km: float,
) -> Iterator[pa.Table]:
    check_size(folder, file)
    dead = dead_rows(folder, file) if file.groups.dead[groups].any() else np.zeros(0, np.int64)
    starts = np.concatenate([[0], np.cumsum(file.groups.rows)])
    exact = bool(file.groups.exact[groups].all())
    names = _WHOLE if exact else [*_WHOLE, "geometry.x", "geometry.y"]
    with layout.opened(folder, file.name) as parquet:
        _check_groups(folder, file, parquet.metadata.num_row_groups)
        rows = parquet.read_row_groups(groups.tolist(), columns=names)
        x, y = layout.coordinates(rows)
        number = np.concatenate([np.arange(starts[group], starts[group + 1]) for group in groups])
        if len(number) != len(x):
            raise StoreError(f"{folder.label(file.name)}: does not fit the index ({REPAIR})")
        hit = np.flatnonzero(_in_boxes(x, y, boxes))
        hit = hit[within(x[hit], y[hit], of=place, reach_km=reach_km)]
        hit = hit[~np.isin(number[hit], dead)]
        if not len(hit):
            return
        ends = np.cumsum(file.groups.rows[groups])
        which = np.searchsorted(ends, hit, side="right")
        used = np.unique(which)
        rest = parquet.read_row_groups(groups[used].tolist(), columns=_REST)
    before = (ends - file.groups.rows[groups])[used]
    moved = np.concatenate([[0], np.cumsum(file.groups.rows[groups][used])])[:-1]
    at = hit - before[np.searchsorted(used, which)] + moved[np.searchsorted(used, which)]
    found = columns.take(rest, at)
    for name, values in (("decimalLongitude", x[hit]), ("decimalLatitude", y[hit])):
        found = found.append_column(name, columns.array(values, pa.float64()))
    yield layout.from_unplaced(found)


def unplaced(folder: Folder, index: Index) -> Iterator[pa.Table]:
    """Records without coordinates on the globe, as RECORDS tables."""
    for file in index.of_kind("unplaced"):
        yield from _living(folder, file)


def everything(folder: Folder, index: Index) -> Iterator[pa.Table]:
    """Every record of the store, file by file, as RECORDS tables."""
    for file in index.files:
        yield from _living(folder, file)


def _living(folder: Folder, file: StoredFile) -> Iterator[pa.Table]:
    check_size(folder, file)
    dead = dead_rows(folder, file)
    start = 0
    with layout.opened(folder, file.name) as parquet:
        _check_groups(folder, file, parquet.metadata.num_row_groups)
        for group in range(parquet.metadata.num_row_groups):
            rows = parquet.read_row_group(group)
            alive = ~np.isin(np.arange(start, start + len(rows)), dead)
            start += len(rows)
            found = layout.from_placed(rows) if file.kind == "placed" else layout.from_unplaced(rows)
            yield found if alive.all() else columns.where(found, alive)


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


def _check_groups(folder: Folder, file: StoredFile, found: int) -> None:
    if found != len(file.groups.rows):
        raise StoreError(
            f"{folder.label(file.name)}: has {found} row groups, "
            f"the index says {len(file.groups.rows)} ({REPAIR})"
        )


def by_key(parts: list[pa.Table]) -> pa.Table:
    """One RECORDS table, sorted by record key: the same whatever the order of adding."""
    if not parts:
        return columns.table(schemas.RECORDS, {name: [] for name in schemas.RECORDS.names})
    rows = pa.concat_tables(parts).combine_chunks()
    return rows.take(pc.sort_indices(rows, sort_keys=[("recordKey", "ascending")]))
