"""Records become evidence: one row for each species and sampling event."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.model.looking import event_codes, event_keys, joint_codes
from poolbuilder.schemas import EVIDENCE, check
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OWN_KINDS = frozenset({"record", "ambiguous"})
"""Kinds of evidence that count as records of the species itself."""
MOST_DRAWN = 2000
"""More events of a species would fall together on a map."""
_KINDS = ("record", "ambiguous", "possible", "hybrid")


def _entries(
    located: pa.Table, shares: Any, species: Sequence[str], settings: Settings
) -> tuple[Ints, Ints, Floats, Ints]:
    """Record, species, factor and kind of everything that a record says."""
    role = tables.strings(located["role"])
    index = {name: code for code, name in enumerate(species)}
    count = np.bincount(shares.row, minlength=located.num_rows)
    most = np.zeros(located.num_rows)
    np.maximum.at(most, shares.row, shares.share)
    leading = shares.share >= most[shares.row]
    _, first = np.unique(np.where(leading, shares.row, -1), return_index=True)
    is_first = np.zeros(len(shares.row), dtype=bool)
    is_first[first] = True
    kind = np.where(count[shares.row] == 1, 0, np.where(leading & is_first, 1, 2))
    hybrids = [
        (row, index[name])
        for row in range(located.num_rows)
        if role[row] == "hybrid"
        for name in located["acceptedNames"][row].as_py()
        if name in index
    ]
    rows = np.concatenate([shares.row, np.array([row for row, _ in hybrids], dtype=np.int64)])
    names = np.concatenate([shares.species, np.array([name for _, name in hybrids], dtype=np.int64)])
    factor = np.concatenate([shares.share, np.full(len(hybrids), settings.hybrid_parent_weight)])
    return rows, names, factor, np.concatenate([kind, np.full(len(hybrids), 3)]).astype(np.int64)


def gather(
    located: pa.Table, shares: Any, here: Floats, *, species: Sequence[str], settings: Settings
) -> pa.Table:
    """Turn located records into evidence.

    Parameters
    ----------
    located : Table, schema LOCATED
        Kept records; those of the wider group are passed over.
    shares : NameShares
        Of the rows of *located*.
    here : (n,) array
        Chance that each record was made in the site's water.
    species : sequence of str
        Accepted names.

    Returns
    -------
    Table, schema EVIDENCE
        Sorted by species, then falling chance of being from this water, then distance, then event.  Each row
        carries the nearest and best record of its event.  ``logOdds`` is 0 until the pool is weighed.
    """
    rows, names, factor, kind = _entries(located, shares, species, settings)
    event = event_codes(located, settings=settings)
    quality = tables.numbers(located["quality"])[rows] * factor
    away = tables.numbers(located["distanceKm"])[rows]
    rank = np.empty(located.num_rows, dtype=np.int64)
    rank[tables.order(located, [("recordKey", "ascending")])] = np.arange(located.num_rows)
    group = joint_codes(names, event[rows], np.where(kind < 2, 0, kind)) if len(rows) else rows
    order = np.lexsort((rank[rows], away, -quality, -here[rows], group)) if len(rows) else rows
    fresh = np.flatnonzero(np.diff(group[order], prepend=-1)) if len(rows) else order
    sizes = np.diff(np.append(fresh, len(order)))
    best = order[fresh]
    text = tables.strings(located["recordKey"])
    said = rows[order].tolist()
    members = [
        [text[said[start]]] if size == 1 else sorted({str(text[row]) for row in said[start : start + size]})
        for start, size in zip(fresh.tolist(), sizes.tolist(), strict=True)
    ]
    values = {
        "scientificName": [species[code] for code in names[best].tolist()],
        "eventKey": event_keys(tables.take(located, rows[best]), settings=settings),
        "kind": [_KINDS[code] for code in kind[best].tolist()],
        "records": [len(member) for member in members],
        "quality": quality[best],
        "inWaterShare": here[rows[best]],
        "logOdds": np.zeros(len(best)),
        "recordIDs": members,
        **_carried(located, rows[best]),
    }
    table = tables.table(EVIDENCE, values)
    sorting = [
        ("scientificName", "ascending"),
        ("inWaterShare", "descending"),
        ("distanceKm", "ascending"),
        ("eventKey", "ascending"),
    ]
    table = tables.take(table, tables.order(table, sorting))
    return check(table, EVIDENCE, "evidence")


def foremost(evidence: pa.Table) -> pa.Table:
    """The evidence that maps draw: of each species the first `MOST_DRAWN` events, nearest ones first."""
    code, _ = tables.codes(evidence["scientificName"])
    order = np.argsort(code, kind="stable")
    rank = np.empty(len(code), dtype=np.int64)
    rank[order] = np.arange(len(code)) - np.searchsorted(code[order], code[order])
    return tables.where(evidence, rank < MOST_DRAWN)


def _carried(located: pa.Table, rows: Ints) -> dict[str, Any]:
    """Columns that an event takes from its best record."""
    taken = tables.take(located, rows)
    days, years = tables.strings(taken["eventDay"]), taken["eventYear"].to_pylist()
    dates = [day or (None if year is None else str(year)) for day, year in zip(days, years, strict=True)]
    same = ("longitude", "latitude", "distanceKm", "byWaterKm", "basinRelation", "insideShare", "kernel")
    return {
        **{name: taken[name] for name in (*same, "ageYears", "datasetKey")},
        "coordinateUncertaintyInMeters": taken["uncertaintyM"],
        "eventDate": dates,
        "year": taken["eventYear"],
    }
