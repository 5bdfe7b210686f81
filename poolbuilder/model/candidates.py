"""What was weighed becomes a pool: presence, tier, counts and the argument for each species."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.model.evidence import HYBRID, KINDS, OWN_KINDS, Found
from poolbuilder.model.looking import Looking
from poolbuilder.model.memory import TIME
from poolbuilder.model.presence import PARTS, Region, Weighed
from poolbuilder.schemas import CONTRIBUTIONS, check
from poolbuilder.words import pool_words

if TYPE_CHECKING:
    from poolbuilder.status.decision import Establishment

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TIERS = ("water", "connected", "radius", "beyond", "range", "none")
"""Kinds of evidence, strongest first."""
OLD_YEARS = 30
FARTHER_KM = 5.0
"""So much longer must the way by water be to be worth a word."""
NEAR_KM = 40.0
"""Sites counted in the words of the near share."""
MOST_NAMES = 3
LEAST_PULL = 0.05
NOTHING = 1e-12
"""A smaller change of log-odds is rounding: the event did not look for the species."""

_INSIDE = {"extant", "probably_extant", "possibly_extant", "introduced", "uncertain"}


@dataclass(frozen=True, kw_only=True)
class Frame:
    """What is counted: the radius in km, whether an outline is known, the year of the pool."""

    radius_km: float
    outlined: bool
    year: int

    @classmethod
    def of(cls, radius_km: float, water: Any, year: int) -> Frame:
        """The frame of a water, whose outline may be known."""
        return cls(radius_km=radius_km, outlined=water is not None and water.outline is not None, year=year)


@dataclass(frozen=True)
class _Seen:
    """The evidence of one species as arrays."""

    kind: Ints
    records: Ints
    distance_km: Floats
    by_water_km: Floats
    uncertainty_m: Floats
    year: Floats
    inside: Floats
    in_water: Floats
    counted: Bools  # speaks for the species by its own name


_OWN = np.array([kind in OWN_KINDS for kind in KINDS])


def _seen(found: Found, located: Any, count: int) -> list[_Seen]:
    """The evidence of each of so many species."""
    of = located.rows[found.record]
    year = located.screened.year[of].astype(float)
    columns: Sequence[Any] = (
        found.kind,
        found.records,
        located.distance_km[found.record],
        located.by_water_km[found.record],
        located.screened.uncertainty_m[of],
        np.where(year > 0, year, np.nan),
        located.inside_share[found.record],
        found.here,
        _OWN[found.kind],
    )
    ends = np.searchsorted(found.species, np.arange(count + 1))
    return [
        _Seen(*(column[start:end] for column in columns))
        for start, end in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True)
    ]


def _tier(events: _Seen, counted: Bools, row: Mapping[str, Any], radius_km: float) -> str:
    if counted.any():
        if (events.in_water[counted] >= 0.5).any():
            return "water"
        if (events.by_water_km[counted] <= radius_km).any():
            return "connected"
        if (events.distance_km[counted] <= radius_km).any():
            return "radius"
        return "beyond"
    return "range" if row["rangeClass"] in _INSIDE else "none"


def _least(values: Floats) -> float | None:
    known = values[~np.isnan(values)]
    return float(known.min()) if len(known) else None


def _weighted_median(values: Floats, counts: Ints) -> float | None:
    return float(np.median(np.repeat(values, counts))) if len(values) else None


def _years(events: _Seen, mask: Bools) -> tuple[int | None, int | None]:
    known = events.year[mask]
    known = known[~np.isnan(known)]
    return (int(known.min()), int(known.max())) if len(known) else (None, None)


def _remarks(events: _Seen, near: Bools, tier: str, frame: Frame) -> dict[str, Any]:
    """The facts behind what a careful colleague would add to the row, see `pool_words.candidate_note`."""
    _, last = _years(events, events.counted)
    ambiguous, hybrid = (events.kind > 0) & (events.kind < HYBRID), events.kind == HYBRID
    found: dict[str, Any] = {
        "tier": "" if tier == "none" and hybrid.any() else tier,
        "undated": last is None and bool(events.counted.any()),
        "notSince": last if last is not None and frame.year - last >= OLD_YEARS else None,
        "ambiguous": int(events.records[ambiguous].sum()),
    }
    if near.any():
        nearest = np.flatnonzero(near)[int(np.argmin(events.distance_km[near]))]
        straight, by_water = float(events.distance_km[nearest]), float(events.by_water_km[nearest])
        found["coarse"] = bool((events.uncertainty_m[near] >= frame.radius_km * 500).all())
        found["single"] = bool(near.sum() == 1 and events.records[near].sum() == 1)
        if by_water > 3 * straight and by_water > straight + FARTHER_KM:
            found |= {"overLandKm": straight, "byWaterKm": by_water}
    return found


def _row(events: _Seen, row: Mapping[str, Any], frame: Frame) -> dict[str, Any]:
    """The counted columns of one candidate."""
    radius_km = frame.radius_km
    near = events.counted & (events.distance_km <= radius_km)
    own = events.counted
    tier = _tier(events, own, row, radius_km)
    first, last = _years(events, near)
    in_water = near & (events.in_water >= 0.5)
    return {
        "tier": tier,
        "records": int(events.records[near].sum()),
        "recordsInWater": int(events.records[in_water].sum()),
        "expectedRecords": float((events.inside * events.records)[own].sum()),
        "events": int(near.sum()),
        "nearestKm": _least(events.distance_km[own]),
        "medianKm": _weighted_median(events.distance_km[near], events.records[near]),
        "nearestByWaterKm": _least(events.by_water_km[own]),
        "firstYear": first,
        "lastYear": last,
        "hybridRecords": int(events.records[events.kind == HYBRID].sum()),
        "note": pool_words.candidate_note(_remarks(events, near, tier, frame)),
    }


def candidate_rows(
    weighed: Weighed,
    found: Found,
    located: Any,
    status: pa.Table,
    *,
    species: Sequence[str],
    vernacular: Mapping[str, str | None],
    establishment: Mapping[str, Establishment],
    frame: Frame,
) -> list[dict[str, Any]]:
    """The candidates of a weighed water.

    Parameters
    ----------
    located : poolbuilder.surroundings.Located
        The records that *found* is made of.
    status : Table, schema STATUS
        One row per species.
    establishment : mapping
        Species to its status at the place.

    Returns
    -------
    list of dict
        Rows of POOL, sorted by presence, then name.
    """
    said = {row["scientificName"]: row for row in status.to_pylist()}
    rows = []
    for j, (name, events) in enumerate(zip(species, _seen(found, located, len(species)), strict=True)):
        row = _row(events, said[name], frame)
        row["note"] = "; ".join(text for text in (row["note"], establishment[name].note) if text)
        lists = int(weighed.settling.lists[j])
        rows.append(
            {
                "scientificName": name,
                "vernacularName": vernacular.get(name),
                "presence": float(weighed.presence[j]),
                "presenceLow": float(weighed.low[j]),
                "presenceHigh": float(weighed.high[j]),
                "presenceIfFound": float(weighed.settling.if_found[j]),
                "presenceIfMissed": float(weighed.settling.if_missed[j]),
                "listsToRuleOut": None if lists < 0 else lists,
                "establishmentMeans": establishment[name].means,
                "establishmentSource": establishment[name].source,
                "rangeKm": said[name]["rangeKm"],
                **row,
            }
        )
    total = sum(row["presence"] for row in rows)
    ordered = sorted(rows, key=lambda row: (-round(row["presence"], 12), row["scientificName"]))
    for row in ordered:
        row["weight"] = row["presence"] / total
    return ordered


def contributions_table(
    weighed: Weighed,
    region: Region,
    candidates: Sequence[Mapping[str, Any]],
    status: pa.Table,
    *,
    establishment: Mapping[str, Establishment],
    told: Sequence[str],
) -> pa.Table:
    """The argument for each candidate; its steps sum to the logit of its presence.

    Parameters
    ----------
    candidates : sequence of dict
        Rows of POOL.
    status : Table, schema STATUS
    establishment : mapping
        Species to its status at the place.
    told : sequence of str
        Source of each statement, in their order.

    Returns
    -------
    Table, schema CONTRIBUTIONS
        In the order of the candidates.
    """
    said = {row["scientificName"]: row for row in status.to_pylist()}
    column = {name: j for j, name in enumerate(region.looking.species)}
    steps = [
        step
        for row in candidates
        for step in _steps(row, column[row["scientificName"]], weighed, region, said, establishment, told)
    ]
    made = tables.table(
        CONTRIBUTIONS, {name: [step.get(name) for step in steps] for name in CONTRIBUTIONS.names}
    )
    return check(made, CONTRIBUTIONS, "contributions")


def _steps(
    row: Mapping[str, Any],
    j: int,
    weighed: Weighed,
    region: Region,
    status: Mapping[str, Mapping[str, Any]],
    establishment: Mapping[str, Establishment],
    told: Sequence[str],
) -> list[dict[str, Any]]:
    """The argument for one species, step by step, as facts."""
    name = row["scientificName"]
    steps: list[dict[str, Any]] = []
    for part in PARTS:
        change = float(weighed.parts[part][j])
        if (part == "waterType" and change == 0.0) or (part == "community" and not weighed.community):
            continue
        step: dict[str, Any] = {"scientificName": name, "part": part, "logOdds": change}
        if part == "status":
            step["source"] = row["establishmentSource"]
            step["status"] = establishment[name]
            step["drawn"] = status[name]["words"] if status[name]["rangeClass"] != "no_map" else ""
        if part in {"wide", "near"}:
            step |= _counted(region.looking, weighed, j, part)
        if part == "community":
            step |= _companions(region, weighed, j)
        steps.append(step)
    memory = weighed.memory
    for event, year in dict.fromkeys(
        (_kind(event, memory.log_odds[i, j]), int(memory.year[i]))
        for i, event in enumerate(memory.event.tolist())
    ):
        mine = [
            i
            for i, code in enumerate(memory.event.tolist())
            if int(memory.year[i]) == year and _kind(code, memory.log_odds[i, j]) == event
        ]
        change = float(memory.log_odds[mine, j].sum())
        if abs(change) < NOTHING:
            continue
        sources = sorted({told[-1 - memory.event[i]] for i in mine if TIME < memory.event[i] < 0})
        steps.append(
            {
                "scientificName": name,
                "part": event,
                "logOdds": change,
                "year": year,
                "events": None if event == "time" else len(mine),
                "source": ", ".join(sources) or None,
            }
        )
    for step in steps:
        step["words"] = pool_words.argument(step)
    return steps


def _kind(event: int, change: float) -> str:
    if event == TIME:
        return "time"
    if event < 0:
        return "statement"
    return "found" if change > 0 else "notDetected"


def _counted(looking: Looking, weighed: Weighed, j: int, part: str) -> dict[str, Any]:
    """Sites behind a share, as counts a person can check."""
    away = weighed.away_km
    within = ~weighed.own & (away <= NEAR_KM if part == "near" else away <= 3 * 100.0)
    looked = within & (looking.looked[:, j] > 0)
    return {
        "detected": int((looking.found[looked, j] >= 0.5).sum()),
        "sampled": int(looked.sum()),
        "withinKm": NEAR_KM if part == "near" else 300.0,
    }


def _companions(region: Region, weighed: Weighed, j: int) -> dict[str, Any]:
    """The co-occurring species that move the log-odds most."""
    assert region.community is not None
    looking = region.looking
    here = np.flatnonzero(looking.others[weighed.own].max(axis=0, initial=0) > 0)
    pull = region.community.pull()[here, j]
    order = here[np.argsort(pull, kind="stable")]
    names, value = looking.other_names, dict(zip(here.tolist(), pull.tolist(), strict=True))
    return {
        "events": len(here),
        "evidenceFor": [names[i] for i in order[::-1][:MOST_NAMES].tolist() if value[i] > LEAST_PULL],
        "evidenceAgainst": [names[i] for i in order[:MOST_NAMES].tolist() if value[i] < -LEAST_PULL],
    }
