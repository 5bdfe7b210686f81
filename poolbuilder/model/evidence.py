"""Records become evidence: one row for each species and sampling event."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.schemas import EVIDENCE, check
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

KINDS = ("record", "ambiguous", "possible", "hybrid")
OWN = np.array([kind in KINDS[:2] for kind in KINDS])
"""Which kinds of evidence count as records of the species itself."""
HYBRID = KINDS.index("hybrid")
MOST_DRAWN = 1000
"""More events of a species would fall together on a map."""
MAY_BE_HERE = 0.01
"""An event that is likelier than this to be of the water enters its memory."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """What located records say of candidates, one element for each species and event.

    They are sorted by species, then by the key of the record that stands for the event: the likeliest to be
    from this water, best and nearest.

    Attributes
    ----------
    species, kind : (n,) int array
        Column of the candidate; place in `KINDS`.
    record : (n,) int array
        The best record, a row of those located.
    records : (n,) int array
        How many records the event has.
    quality, here : (n,) array
        Of the best record.
    members, starts : (m,) and (n + 1,) int array
        Rows of the records of each event by their keys, those of element i from ``starts[i]`` on.
    """

    species: Ints
    kind: Ints
    record: Ints
    records: Ints
    quality: Floats
    here: Floats
    members: Ints
    starts: Ints

    def __len__(self) -> int:
        return len(self.species)

    def take(self, rows: Ints) -> Found:
        """Some of the elements, which are sorted."""
        size = np.diff(self.starts)
        kept = np.zeros(len(self), dtype=bool)
        kept[rows] = True
        parts = ("species", "kind", "record", "records", "quality", "here")
        return Found(
            **{name: getattr(self, name)[rows] for name in parts},
            members=self.members[np.repeat(kept, size)],
            starts=np.append(0, np.cumsum(size[rows])),
        )

    def listed(self, away_km: Floats, radius_km: float) -> tuple[Found, dict[int, Any]]:
        """What a pool lists: of each species what lies within the radius, and beyond it the nearest events.

        Of species that have more than `MOST_DRAWN` events, those beyond the radius are listed in whole
        kilometres until so many are.  *away_km* is the distance of each element.

        Returns
        -------
        Found
        dict
            Column of the species to ``beyondKm`` and the number of ``events`` that are not listed.
        """
        listed, beyond = np.ones(len(self), dtype=bool), {}
        for code, count in enumerate(np.bincount(self.species).tolist()):
            if count <= MOST_DRAWN:
                continue
            mine = np.flatnonzero(self.species == code)
            needed = float(np.partition(away_km[mine], MOST_DRAWN - 1)[MOST_DRAWN - 1])
            limit = float(np.ceil(max(needed, radius_km)))
            left = mine[(away_km[mine] > limit) & (self.here[mine] <= MAY_BE_HERE)]
            if len(left):
                listed[left] = False
                beyond[code] = {"beyondKm": limit, "events": len(left)}
        return self.take(np.flatnonzero(listed)), beyond


def _entries(located: Any, species: Sequence[str], settings: Settings) -> tuple[Ints, Ints, Floats, Ints]:
    """Record, species, factor and kind of everything that a record says."""
    shares = located.shares
    count = np.bincount(shares.row, minlength=len(located))
    most = np.zeros(len(located))
    np.maximum.at(most, shares.row, shares.share)
    leading = shares.share >= most[shares.row]
    _, first = np.unique(np.where(leading, shares.row, -1), return_index=True)
    is_first = np.zeros(len(shares.row), dtype=bool)
    is_first[first] = True
    kind = np.where(count[shares.row] == 1, 0, np.where(leading & is_first, 1, 2))
    index = {name: code for code, name in enumerate(species)}
    hybrids = np.array(
        [
            (row, index[name])
            for row in np.flatnonzero(located.hybrid).tolist()
            for name in located.screened.parents[int(located.rows[row])]
            if name in index
        ],
        dtype=np.int64,
    ).reshape(-1, 2)
    rows, names = (
        np.concatenate(pair) for pair in ((shares.row, hybrids[:, 0]), (shares.species, hybrids[:, 1]))
    )
    factor = np.concatenate([shares.share, np.full(len(hybrids), settings.hybrid_parent_weight)])
    return rows, names, factor, np.concatenate([kind, np.full(len(hybrids), HYBRID)]).astype(np.int64)


def gather(located: Any, here: Floats, *, species: Sequence[str], settings: Settings) -> Found:
    """Join located records by species and event.

    Parameters
    ----------
    located : poolbuilder.surroundings.Located
    here : (n,) array
        Chance that each record was made in the site's water.
    species : sequence of str
        Accepted names.
    """
    rows, names, factor, kind = _entries(located, species, settings)
    of = located.rows[rows]
    event, rank = located.screened.event[of], located.screened.rank[of]
    quality, away = located.screened.quality[of] * factor, located.distance_km[rows]
    meant = names * len(KINDS) + np.where(kind < 2, 0, kind)
    by_key = _sorted(located.screened.place[of], meant)
    group = (meant * (1 + int(event.max(initial=0))) + event)[by_key]
    fresh = np.flatnonzero(np.diff(group, prepend=-1))
    sizes = np.diff(np.append(fresh, len(group)))
    repeated = (np.diff(group, prepend=-1) == 0) & (np.diff(rank[by_key], prepend=-1) == 0)
    best = by_key[fresh]
    several = np.repeat(sizes > 1, sizes)
    some = by_key[several]
    order = some[np.lexsort((rank[some], away[some], -quality[some], -here[rows[some]], group[several]))]
    best[sizes > 1] = order[np.cumsum(sizes[sizes > 1]) - sizes[sizes > 1]]
    sorting = _sorted(rank[best] * len(KINDS) + kind[best], names[best])
    starts = np.append(0, np.cumsum(sizes[sorting]))
    spread = np.repeat(fresh[sorting] - starts[:-1], sizes[sorting]) + np.arange(len(group))
    members = rows[by_key][spread]
    if repeated.any():  # records of one key count once
        once = ~repeated[spread]
        starts = np.append(0, np.cumsum(once))[starts]
        members = members[once]
    best = best[sorting]
    return Found(
        species=names[best],
        kind=kind[best],
        record=rows[best],
        records=np.diff(starts),
        quality=quality[best],
        here=here[rows[best]],
        members=members,
        starts=starts,
    )


def _sorted(key: Ints, first: Ints) -> Ints:
    """Positions in the order of a small number *first*, then of a key, equal ones as they come.

    Keys are put where they belong, not compared; that needs keys of about as many, and few equal ones.
    """
    put = np.full(1 + int(key.max(initial=-1)), -1)
    put[key] = np.arange(len(key))
    order: Ints = put[put >= 0]
    if len(order) < len(key):
        order = np.argsort(key, kind="stable")
    sorting: Ints = order[np.argsort(first[order].astype(np.uint16), kind="stable")]
    return sorting


_CARRIED = ["eventDay", "eventYear", "longitude", "latitude", "ageYears", "datasetKey", "uncertaintyM"]
"""What an event takes from its best record."""


def evidence_table(
    found: Found,
    located: Any,
    log_odds: Mapping[tuple[int, str], float],
    *,
    species: Sequence[str],
) -> pa.Table:
    """The evidence as a table.

    Parameters
    ----------
    found : Found
    located : poolbuilder.surroundings.Located
    log_odds : mapping
        What events changed: column of the species and name of the event to log-odds.

    Returns
    -------
    Table, schema EVIDENCE
        Sorted by species, then falling chance of being from this water, then distance, then event.
    """
    record, screened = found.record, located.screened
    of = located.rows[record]
    best = tables.take(screened.table.select(_CARRIED), screened.target[of])
    key = screened.called(of)
    members = screened.target[located.rows[found.members]]
    keys = tables.take(screened.table.select(["recordKey"]), members)
    days, years = tables.strings(best["eventDay"]), best["eventYear"].to_pylist()
    changed = {name for _, name in log_odds}
    change = np.zeros(len(found))
    for i in np.flatnonzero(np.array([name in changed for name in key], dtype=bool)).tolist():
        change[i] = log_odds.get((int(found.species[i]), key[i]), 0.0)
    relation = located.relation
    values = {
        "scientificName": [species[code] for code in found.species.tolist()],
        "eventKey": key,
        "kind": [KINDS[code] for code in found.kind.tolist()],
        "records": found.records,
        **{name: best[name] for name in ("longitude", "latitude", "ageYears", "datasetKey")},
        "distanceKm": located.distance_km[record],
        "byWaterKm": located.by_water_km[record],
        "basinRelation": [relation[row] for row in record.tolist()],
        "coordinateUncertaintyInMeters": best["uncertaintyM"],
        "eventDate": [
            day or (None if year is None else str(year)) for day, year in zip(days, years, strict=True)
        ],
        "year": best["eventYear"],
        "quality": found.quality,
        "insideShare": located.inside_share[record],
        "inWaterShare": found.here,
        "kernel": located.kernel[record],
        "logOdds": change,
        "recordIDs": tables.lists(keys["recordKey"], found.starts),
    }
    table = tables.table(EVIDENCE, values)
    sorting = [
        ("scientificName", "ascending"),
        ("inWaterShare", "descending"),
        ("distanceKm", "ascending"),
        ("eventKey", "ascending"),
    ]
    return check(tables.take(table, tables.order(table, sorting)), EVIDENCE, "evidence")


def foremost(evidence: pa.Table) -> pa.Table:
    """The evidence that maps draw: of each species the first `MOST_DRAWN` events, nearest ones first."""
    code, _ = tables.codes(evidence["scientificName"])
    order = np.argsort(code, kind="stable")
    rank = np.empty(len(code), dtype=np.int64)
    rank[order] = np.arange(len(code)) - np.searchsorted(code[order], code[order])
    return tables.where(evidence, rank < MOST_DRAWN)
