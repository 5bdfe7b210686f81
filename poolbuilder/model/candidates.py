"""Evidence becomes candidates: presence, tier, counts and the argument for each species."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.model.argument import Part, Regional
from poolbuilder.model.evidence import OWN_KINDS, leak, logit
from poolbuilder.schemas import CONTRIBUTIONS, EVIDENCE, POOL, check
from poolbuilder.settings import Settings
from poolbuilder.status.decision import Establishment

__all__ = ["TIERS", "Decision", "Frame", "decide"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

TIERS = ("water", "connected", "radius", "beyond", "range", "none")
"""Kinds of evidence, strongest first."""

OLD_YEARS = 30
CROWDED = 0.9
"""Where records count for less than this share of their number, the argument says so."""

FARTHER_KM = 5.0
"""So much longer must the way by water be to be worth a word."""

_INSIDE = {"extant", "probably_extant", "possibly_extant", "introduced", "uncertain"}


@dataclass(frozen=True, kw_only=True)
class Frame:
    """What is counted: the radius in km, whether an outline is known, the year of the pool."""

    radius_km: float
    outlined: bool
    year: int


@dataclass(frozen=True, kw_only=True)
class Decision:
    """The tables that deciding gives: candidates (POOL), contributions and evidence."""

    candidates: pa.Table
    contributions: pa.Table
    evidence: pa.Table


@dataclass(frozen=True)
class _Events:
    """The evidence of one species as arrays."""

    kind: list[str]
    records: NDArray[np.int64]
    distance_km: Floats
    by_water_km: Floats
    uncertainty_m: Floats
    year: Floats
    inside: Floats
    in_water: Floats
    hazard: Floats
    water_hazard: Floats
    counted: Bools  # speaks for the species by its own name
    crowding: Floats
    unlisted: Bools  # evidence that the lists of the target group cannot carry

    @property
    def hybrid(self) -> Bools:
        return np.array([kind == "hybrid" for kind in self.kind], dtype=bool)


def _events(evidence: pa.Table, settings: Settings) -> _Events:
    kinds = [str(kind) for kind in tables.strings(evidence["kind"])]
    weight = tables.numbers(evidence["weight"])
    in_water = tables.numbers(evidence["inWaterShare"])
    hazard = tables.numbers(evidence["hazard"])
    water = tables.numbers(evidence["quality"]) * np.nan_to_num(in_water) * settings.water_weight
    share = np.divide(water, weight, out=np.zeros_like(weight), where=weight > 0)
    return _Events(
        kind=kinds,
        records=tables.integers(evidence["records"]),
        distance_km=tables.numbers(evidence["distanceKm"]),
        by_water_km=tables.numbers(evidence["byWaterKm"]),
        uncertainty_m=tables.numbers(evidence["coordinateUncertaintyInMeters"]),
        year=tables.numbers(evidence["year"]),
        inside=tables.numbers(evidence["insideShare"]),
        in_water=in_water,
        hazard=hazard,
        water_hazard=hazard * share,
        crowding=tables.numbers(evidence["crowding"]),
        counted=np.array([kind in OWN_KINDS for kind in kinds], dtype=bool),
        unlisted=np.array([kind == "hybrid" for kind in kinds], dtype=bool)
        | (tables.numbers(evidence["coordinateUncertaintyInMeters"]) > settings.list_max_uncertainty_m),
    )


def _sigmoid(x: float) -> float:
    return 1 / (1 + math.exp(-x)) if x >= 0 else math.exp(x) / (1 + math.exp(x))


def _plural(n: int, word: str) -> str:
    return f"{n:,} {word}" if n == 1 else f"{n:,} {word}s"


def _range_words(words: str, value: float) -> str:
    return f"{words}: starting point {value:.3g}"


def _start(name: str, row: Mapping[str, Any], regional: Regional | None, settings: Settings) -> list[Part]:
    """The regional parts of a species, or its range class alone."""
    if regional is not None and name in regional.parts:
        return list(regional.parts[name])
    value = leak(row["rangeClass"], row["rangeKm"], settings=settings)
    value = min(max(value, 1e-9), 1 - 1e-9)
    return [Part("range", logit(value), _range_words(row["words"], value))]


def _direct(events: _Events, start: float, regional: bool) -> tuple[list[Part], Floats]:
    """Parts for records around, in the water and of hybrids; and each event's log-odds."""
    unlisted = events.unlisted
    hazard = np.where(unlisted, events.hazard, events.water_hazard) if regional else events.hazard
    total = float(hazard.sum())
    if total <= 0:
        return [], np.zeros(len(hazard))
    before = _sigmoid(start)
    after = start + math.log(-math.expm1(-total) / before + math.exp(-total)) + total
    each = (after - start) * hazard / total
    water = np.divide(events.water_hazard, events.hazard, out=np.zeros_like(hazard), where=events.hazard > 0)
    water = np.where(hazard > 0, np.where(unlisted, water, 1.0) if regional else water, 0)
    hybrid = events.hybrid
    around = "too roughly placed or named for the lists" if regional else "around the water"
    outside = ~hybrid & (hazard > 0) & (water < 1)
    counted = float(events.crowding[outside].sum())
    if counted < CROWDED * outside.sum():
        around += f", counting as {counted:.1f}: many places around hold records"
    groups = [
        ("records", each * (1 - water) * ~hybrid, outside, "event", around),
        ("water", each * water * ~hybrid, ~hybrid & (water > 0), "event", "in this water"),
        ("hybrids", each * hybrid, hybrid & (hazard > 0), "event", "of hybrids that name it as a parent"),
    ]
    parts = [
        Part(part, float(amount.sum()), f"{_plural(int(which.sum()), word)} {where}")
        for part, amount, which, word, where in groups
        if amount.sum() > 0
    ]
    return parts, each


def _bounded(parts: list[Part], settings: Settings) -> list[Part]:
    """Keep the presence within the floor, and say so."""
    value = sum(part.log_odds for part in parts)
    lowest, highest = logit(settings.floor), logit(1 - settings.floor)
    if value < lowest:
        words = f"kept at the floor of {settings.floor:g}: nothing here proves absence"
        return [*parts, Part("floor", lowest - value, words)]
    if value > highest:
        words = f"kept at {1 - settings.floor:g}: records can be wrong, and populations end"
        return [*parts, Part("floor", highest - value, words)]
    return parts


def _silence(name: str, regional: Regional | None) -> list[Part]:
    """Silence counts only where someone looked."""
    if regional is None or name not in regional.silence:
        return []
    missed, words = regional.silence[name]
    return [Part("silence", math.log(max(missed, 1e-12)), words)]


def _tier(events: _Events, counted: Bools, row: Mapping[str, Any], radius_km: float) -> str:
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


def _weighted_median(values: Floats, counts: NDArray[np.int64]) -> float | None:
    return float(np.median(np.repeat(values, counts))) if len(values) else None


def _years(events: _Events, mask: Bools) -> tuple[int | None, int | None]:
    known = events.year[mask]
    known = known[~np.isnan(known)]
    return (int(known.min()), int(known.max())) if len(known) else (None, None)


def _note(events: _Events, near: Bools, tier: str, frame: Frame) -> str:
    """What a careful colleague would add to the row."""
    said = [_TIER_NOTES.get(tier, "")] if tier != "none" or not events.hybrid.any() else []
    said += [*_year_notes(events, frame), *_place_notes(events, near, frame)]
    ambiguous = np.array([kind in {"ambiguous", "possible"} for kind in events.kind], dtype=bool)
    if ambiguous.any():
        count = int(events.records[ambiguous].sum())
        said.append(f"{_plural(count, 'record')} under a name that may mean another species too")
    return "; ".join(text for text in said if text)


_TIER_NOTES = {
    "range": "no record within reach; listed because a range polygon covers the water",
    "none": "nothing speaks for it; kept because nothing proves absence",
    "beyond": "recorded only farther out than the radius",
}


def _year_notes(events: _Events, frame: Frame) -> list[str]:
    if not events.counted.any():
        return []
    _, last = _years(events, events.counted)
    if last is None:
        return ["its records carry no date"]
    return [f"not recorded since {last}"] if frame.year - last >= OLD_YEARS else []


def _place_notes(events: _Events, near: Bools, frame: Frame) -> list[str]:
    if not near.any():
        return []
    said = []
    if (events.uncertainty_m[near] >= frame.radius_km * 500).all():
        said.append("every record near is placed only roughly")
    nearest = np.flatnonzero(near)[int(np.argmin(events.distance_km[near]))]
    straight, by_water = float(events.distance_km[nearest]), float(events.by_water_km[nearest])
    if by_water > 3 * straight and by_water > straight + FARTHER_KM:
        said.append(f"its nearest record is {straight:.1f} km away over land, {by_water:.0f} km by water")
    if near.sum() == 1 and events.records[near].sum() == 1:
        said.append("rests on a single record")
    return said


def _row(events: _Events, row: Mapping[str, Any], frame: Frame) -> dict[str, Any]:
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
        "recordsInWater": int(events.records[in_water].sum()) if frame.outlined else None,
        "expectedRecords": float((events.inside * events.records)[own].sum()),
        "events": int(near.sum()),
        "nearestKm": _least(events.distance_km[own]),
        "medianKm": _weighted_median(events.distance_km[near], events.records[near]),
        "nearestByWaterKm": _least(events.by_water_km[own]),
        "firstYear": first,
        "lastYear": last,
        "hybridRecords": int(events.records[events.hybrid].sum()),
        "note": _note(events, near, tier, frame),
    }


def _slices(evidence: pa.Table) -> dict[str, tuple[int, int]]:
    """First row and length of each species in evidence that is sorted by species."""
    names = tables.strings(evidence["scientificName"])
    found: dict[str, tuple[int, int]] = {}
    for position, name in enumerate(names):
        start, size = found.get(str(name), (position, 0))
        found[str(name)] = (start, size + 1)
    return found


def decide(
    evidence: pa.Table,
    status: pa.Table,
    *,
    species: Sequence[str],
    vernacular: Mapping[str, str | None],
    establishment: Mapping[str, Establishment],
    frame: Frame,
    regional: Regional | None,
    settings: Settings,
) -> Decision:
    """Weigh every species of the checklist.

    Parameters
    ----------
    evidence : Table, schema EVIDENCE
        Sorted by species, as :func:`poolbuilder.model.evidence.gather` gives it.
    status : Table, schema STATUS
        One row per species.
    establishment : mapping
        Species to its status at the place.

    Returns
    -------
    Decision
        Candidates sorted by presence, at a bound by what speaks for them, then name;
        contributions that sum to the logit of each presence; evidence with ``logOdds`` filled in.
    """
    rows, parts = [], []
    shares = np.zeros(evidence.num_rows)
    said = {row["scientificName"]: row for row in status.to_pylist()}
    where = _slices(evidence)
    for name in species:
        start, size = where.get(name, (0, 0))
        events = _events(evidence.slice(start, size), settings)
        argument, each = _argue(name, events, said[name], regional, settings)
        shares[start : start + size] = each
        presence = _sigmoid(sum(part.log_odds for part in argument))
        parts += [(name, part) for part in argument]
        row = _row(events, said[name], frame)
        row["note"] = "; ".join(text for text in (row["note"], establishment[name].remark) if text)
        low, high = _interval(name, argument, regional, settings)
        rows.append(
            {
                "scientificName": name,
                "vernacularName": vernacular.get(name),
                "presence": presence,
                "presenceLow": low,
                "presenceHigh": high,
                "establishmentMeans": establishment[name].means,
                "establishmentSource": establishment[name].source,
                "rangeKm": said[name]["rangeKm"],
                "argued": sum(part.log_odds for part in argument if part.part != "floor"),
                **row,
            }
        )
    return Decision(
        candidates=_pool(rows),
        contributions=_contributions(parts, [row["scientificName"] for row in _sorted(rows)]),
        evidence=_with_log_odds(evidence, shares),
    )


def _argue(
    name: str, events: _Events, row: Mapping[str, Any], regional: Regional | None, settings: Settings
) -> tuple[list[Part], Floats]:
    known = regional is not None and name in regional.parts
    argument = _start(name, row, regional, settings)
    direct, each = _direct(events, sum(part.log_odds for part in argument), known)
    argument = [*argument, *direct, *_silence(name, regional)]
    return _bounded(argument, settings), each


def _interval(
    name: str, argument: Sequence[Part], regional: Regional | None, settings: Settings
) -> tuple[float | None, float | None]:
    """Carry the interval of the regional log-odds over to the presence."""
    if regional is None or name not in regional.low or name not in regional.high:
        return None, None
    value = sum(part.log_odds for part in argument)
    base = sum(part.log_odds for part in regional.parts[name])
    after = sum(part.log_odds for part in argument if part.part in {"water", "hybrids"})
    ends = []
    for shift in (regional.low[name], regional.high[name]):
        moved = _sigmoid(base + shift)
        hazard = _hazard_of(base, after)
        direct = 1 - (1 - moved) * math.exp(-hazard)
        rest = value - base - after
        bounded = _sigmoid(logit(min(max(direct, 1e-12), 1 - 1e-12)) + rest)
        ends.append(min(max(bounded, settings.floor), 1 - settings.floor))
    presence = _sigmoid(value)
    return min(ends[0], presence), max(ends[1], presence)


def _hazard_of(base: float, gained: float) -> float:
    """The hazard that moves log-odds *base* by *gained*."""
    if gained <= 0:
        return 0.0
    return math.log1p(math.exp(base + gained)) - math.log1p(math.exp(base))


def _sorted(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """By presence; those kept at a bound by what speaks for them, so that no order is lost there."""
    return sorted(
        rows,
        key=lambda row: (-round(row["presence"], 12), -round(row["argued"], 9), row["scientificName"]),
    )


def _pool(rows: list[dict[str, Any]]) -> pa.Table:
    total = sum(row["presence"] for row in rows)
    ordered = [{**row, "weight": row["presence"] / total} for row in _sorted(rows)]
    table = tables.table(POOL, {name: [row[name] for row in ordered] for name in POOL.names})
    return check(table, POOL, "pool")


def _contributions(parts: list[tuple[str, Part]], order: list[str]) -> pa.Table:
    rank = {name: place for place, name in enumerate(order)}
    ordered = sorted(parts, key=lambda item: rank[item[0]])  # stable: the steps keep their order
    table = tables.table(
        CONTRIBUTIONS,
        {
            "scientificName": [name for name, _ in ordered],
            "part": [part.part for _, part in ordered],
            "logOdds": [part.log_odds for _, part in ordered],
            "words": [part.words for _, part in ordered],
        },
    )
    return check(table, CONTRIBUTIONS, "contributions")


def _with_log_odds(evidence: pa.Table, shares: Floats) -> pa.Table:
    place = EVIDENCE.get_field_index("logOdds")
    table = evidence.set_column(place, EVIDENCE.field(place), tables.array(shares, pa.float64()))
    return check(table, EVIDENCE, "evidence")
