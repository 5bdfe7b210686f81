"""Records become events, events become hazards, hazards become a probability.

The model is a leaky noisy-OR [1]_ [2]_: each event *e* shows with probability ``w_e`` that
the species lives in this water, and the range class contributes a leak ``λ``::

    P = 1 - (1 - λ) Π (1 - w_e) = 1 - (1 - λ) exp(-Σ h_e),    h_e = -ln(1 - w_e)

In the hazard form the share of each event in the change of log-odds is its share of
``Σ h_e``, whatever the order of the events, so that every presence can be taken apart
exactly.

References
----------
.. [1] Pearl, J., 1988, Probabilistic Reasoning in Intelligent Systems, section 4.3
       (from memory).
.. [2] Henrion, M., 1989, on leaky noisy-OR (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.model.crowd import crowd, nearest_of_places
from poolbuilder.schemas import EVIDENCE, check
from poolbuilder.settings import Settings

__all__ = [
    "OWN_KINDS",
    "damped_hazards",
    "faded",
    "gather",
    "leak",
    "leak_outside",
    "logit",
    "name_shares",
    "noisy_or",
    "record_weights",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OWN_KINDS = frozenset({"record", "ambiguous"})
"""Kinds of event that count as records of the species itself."""

SMALL_SHARE = 0.05

_KIND_GROUP = {"record": 0, "ambiguous": 0, "possible": 1, "hybrid": 2}  # kept apart within an event

_LEAKS = {
    "extant": "leak_extant",
    "probably_extant": "leak_probably_extant",
    "possibly_extant": "leak_possibly_extant",
    "possibly_extinct": "leak_possibly_extinct",
    "extinct": "leak_extinct",
    "uncertain": "leak_uncertain",
    "introduced": "leak_introduced",
    "vagrant": "leak_vagrant",
    "no_map": "leak_no_map",
}


def logit(p: float) -> float:
    """Log-odds of a probability strictly between 0 and 1."""
    return math.log(p) - math.log1p(-p)


def leak(range_class: str, range_km: float | None, *, settings: Settings) -> float:
    """Probability of presence that the range class alone gives, 0-1.

    Outside every polygon it falls from half the inside value at the edge towards
    ``leakOutside``, since the edges of range maps are coarse.
    """
    if range_class != "outside":
        return float(getattr(settings, _LEAKS[range_class]))
    distance = math.inf if range_km is None else range_km
    return float(leak_outside(np.array([distance]), settings=settings)[0])


def leak_outside(range_km: Floats, *, settings: Settings) -> Floats:
    """The leak outside every polygon, by the distance to the nearest one."""
    far = settings.leak_outside
    near = max(far, settings.leak_extant / 2)
    falling: Floats = far + (near - far) * np.exp(-range_km / settings.leak_edge_km)
    return falling


def noisy_or(weights: Floats | Sequence[float], *, leak: float) -> float:
    """``1 - (1 - leak) Π (1 - w)``, the plain form, for weights below 1."""
    return float(1 - (1 - leak) * np.prod(1 - np.asarray(weights, dtype=float)))


def record_weights(
    quality: Floats, kernel: Floats, in_water_share: Floats, *, settings: Settings
) -> tuple[Floats, Floats]:
    """What each record shows by itself: its part in this water, and its part around it.

    Both arrays have the length of *quality*; their sum is the record's weight.  The share
    of a location that lies in the water counts with ``waterWeight`` and no decay; NaN (no
    outline known) is a share of 0.
    """
    share = np.nan_to_num(in_water_share, nan=0.0)
    return (
        quality * share * settings.water_weight,
        quality * (1 - share) * settings.record_weight * kernel,
    )


def damped_hazards(weights: Floats, place: Ints, *, exponent: float) -> Floats:
    """Hazards ``-ln(1 - w)``, the *n* events of one place counting as ``n ** exponent``.

    Parameters
    ----------
    weights : (n,) array
        Event weights, below 1.
    place : (n,) int array
        Code of the place (and species) of each event.
    """
    hazards = -np.log1p(-weights)
    if len(hazards) == 0:
        return hazards
    counts = np.bincount(place)[place]
    damped: Floats = hazards * counts.astype(float) ** (exponent - 1)
    return damped


def name_shares(
    names: Sequence[str], leaks: dict[str, float], mapped: frozenset[str]
) -> list[tuple[str, float]]:
    """How a name that may mean several species spreads its evidence over them.

    By the leak of each species' range class at the water where all of them have a map,
    else evenly.  A species that would get less than ``SMALL_SHARE`` gets nothing: the map has
    decided.  Shares sum to 1.
    """
    if not all(name in mapped for name in names):
        return [(name, 1 / len(names)) for name in names]
    total = sum(leaks[name] for name in names) or 1.0
    told = [(name, leaks[name]) for name in names if leaks[name] / total >= SMALL_SHARE]
    total = sum(value for _, value in told)
    return [(name, value / total) for name, value in told]


@dataclass(frozen=True)
class _Entries:
    """One row per record and species it speaks for."""

    row: Ints
    species: Ints
    factor: Floats
    kind: list[str]


def _entries(
    located: pa.Table,
    species: Sequence[str],
    leaks: dict[str, float],
    mapped: frozenset[str],
    settings: Settings,
) -> _Entries:
    index = {name: code for code, name in enumerate(species)}
    row: list[int] = []
    code: list[int] = []
    factor: list[float] = []
    kind: list[str] = []
    roles = tables.strings(located["role"])
    for position, (role, names) in enumerate(zip(roles, located["acceptedNames"].to_pylist(), strict=True)):
        known = [name for name in names if name in index]
        if role == "hybrid":
            spread = [(name, settings.hybrid_parent_weight, "hybrid") for name in known]
        elif role == "candidate" and len(known) == 1:
            spread = [(known[0], 1.0, "record")]
        elif role == "candidate" and known:
            shares = name_shares(known, leaks, mapped)
            leading = max(shares, key=lambda item: item[1])[0]  # the first named wins a tie
            spread = [(name, share, "ambiguous" if name == leading else "possible") for name, share in shares]
        else:
            continue
        for name, share, what in spread:
            row.append(position)
            code.append(index[name])
            factor.append(share)
            kind.append(what)
    return _Entries(np.array(row, dtype=np.int64), np.array(code, dtype=np.int64), np.array(factor), kind)


def _normalised(collector: str | None) -> str:
    return "".join(sorted("".join(ch.lower() if ch.isalnum() else " " for ch in collector or "").split()))


def event_keys(located: pa.Table, *, settings: Settings) -> tuple[list[str], list[str]]:
    """Event and place of each record.

    The event is the eventID with its data set when there is one, else the place, day and
    collector; a record without a day falls back on its year.  The place is a cell of
    ``eventCellDegrees``.
    """
    size = settings.event_cell_degrees
    x = np.floor(tables.numbers(located["longitude"]) / size + 1e-9).astype(np.int64)
    y = np.floor(tables.numbers(located["latitude"]) / size + 1e-9).astype(np.int64)
    places = [f"{a}:{b}" for a, b in zip(x.tolist(), y.tolist(), strict=True)]
    datasets = tables.strings(located["datasetKey"])
    titles = tables.strings(located["datasetName"])
    ids = tables.strings(located["eventID"])
    days = tables.strings(located["eventDay"])
    years = located["eventYear"].to_pylist()
    by, distinct = tables.codes(located["recordedBy"])
    spelled = [*(_normalised(text) for text in distinct), ""]  # the last for none, code -1
    keys = []
    for i, place in enumerate(places):
        if ids[i]:
            keys.append(f"{datasets[i] or titles[i] or ''}|{ids[i]}")
        elif days[i]:
            keys.append(f"{place}|{days[i]}|{spelled[by[i]]}")
        else:
            keys.append(f"{place}|{years[i] if years[i] is not None else 'undated'}")
    return keys, places


def aged_quality(located: pa.Table, *, settings: Settings) -> Floats:
    """Quality with age: ``quality x 2^(-age / halfLifeYears)``; undated records take ``undatedAgeYears``."""
    quality, age = tables.numbers(located["quality"]), tables.numbers(located["ageYears"])
    return faded(quality, age, settings=settings)


def faded(quality: Floats, age_years: Floats, *, settings: Settings) -> Floats:
    """Quality with age, as :func:`aged_quality` has it; NaN for undated."""
    age = np.where(np.isnan(age_years), settings.undated_age_years, np.maximum(age_years, 0))
    left: Floats = quality * np.exp2(-age / settings.half_life_years)
    return left


def _best_rows(group: Ints, weight: Floats, record: Ints) -> tuple[Ints, Ints, Ints]:
    """Sort entries by group and falling weight; give the order, group starts and group sizes."""
    order = np.lexsort((record, -weight, group))
    if len(order) == 0:
        return order, order, order
    sorted_group = group[order]
    fresh = np.flatnonzero(np.concatenate([[True], sorted_group[1:] != sorted_group[:-1]]))
    sizes = np.diff(np.concatenate([fresh, [len(order)]]))
    return order, fresh, sizes


def gather(located: pa.Table, status: pa.Table, *, species: Sequence[str], settings: Settings) -> pa.Table:
    """Turn located records into events with weights, one row per species and event.

    Parameters
    ----------
    located : Table, schema LOCATED
        Kept records; those of the target group are passed over.
    status : Table, schema STATUS
        One row per species.
    species : sequence of str
        Accepted names; other names are ignored.

    Returns
    -------
    Table, schema EVIDENCE
        Sorted by species, then falling weight, then event.  ``logOdds`` is 0 until the
        pool is decided.
    """
    leaks, mapped = range_leaks(status, settings=settings)
    entries = _entries(located, species, leaks, mapped, settings)
    quality = aged_quality(located, settings=settings)[entries.row] * entries.factor
    around = tables.numbers(located["kernel"])[entries.row]
    share = tables.numbers(located["inWaterShare"])[entries.row]
    water_part, region_part = record_weights(quality, around, share, settings=settings)
    keys, places = event_keys(located, settings=settings)
    event_code, _ = _coded(keys)
    place_code, _ = _coded(places)
    alone = water_part + region_part
    record_rank = _ranked(tables.strings(located["recordKey"]))
    kinds = np.array([_KIND_GROUP[kind] for kind in entries.kind], dtype=np.int64)
    group = _pair_codes(entries.species, event_code[entries.row], kinds)
    order, fresh, sizes = _best_rows(group, alone, record_rank[entries.row])
    best = order[fresh]
    rows = entries.row[best]
    outside = nearest_of_places(place_code[rows], around[best] * (1 - np.nan_to_num(share[best], nan=0.0)))
    there = outside[place_code[rows]]
    left = crowd(there, outside) ** -settings.crowd_exponent
    weight = water_part[best] + left * region_part[best]
    pair = _pair_codes(entries.species[best], place_code[rows])
    hazards = damped_hazards(np.minimum(weight, 1 - 1e-12), pair, exponent=settings.place_exponent)
    names = tables.strings(located["recordKey"])
    members = [
        sorted({str(names[entries.row[i]]) for i in order[start : start + size]})
        for start, size in zip(fresh.tolist(), sizes.tolist(), strict=True)
    ]
    values = {
        "scientificName": [species[code] for code in entries.species[best].tolist()],
        "eventKey": [keys[row] for row in rows.tolist()],
        "placeKey": [places[row] for row in rows.tolist()],
        "kind": [entries.kind[i] for i in best.tolist()],
        "records": [len(member) for member in members],
        "quality": quality[best],
        "crowding": left,
        "weight": weight,
        "hazard": hazards,
        "logOdds": np.zeros(len(best)),
        "recordIDs": members,
        **_carried(located, rows),
    }
    table = tables.table(EVIDENCE, values)
    keys_of_order = [("scientificName", "ascending"), ("weight", "descending"), ("eventKey", "ascending")]
    table = tables.take(table, tables.order(table, keys_of_order))
    return check(table, EVIDENCE, "evidence")


def _carried(located: pa.Table, rows: Ints) -> dict[str, Any]:
    """Columns that an event takes from its best record."""
    taken = tables.take(located, rows)
    days, years = tables.strings(taken["eventDay"]), taken["eventYear"].to_pylist()
    dates = [day or (None if year is None else str(year)) for day, year in zip(days, years, strict=True)]
    same = [
        "longitude",
        "latitude",
        "distanceKm",
        "byWaterKm",
        "basinRelation",
        "insideShare",
        "inWaterShare",
    ]
    return {
        **{name: taken[name] for name in [*same, "kernel", "ageYears", "datasetKey"]},
        "coordinateUncertaintyInMeters": taken["uncertaintyM"],
        "eventDate": dates,
        "year": taken["eventYear"],
    }


def range_leaks(status: pa.Table, *, settings: Settings) -> tuple[dict[str, float], frozenset[str]]:
    """Leak of each species, and the species that have a map."""
    names = [str(name) for name in tables.strings(status["scientificName"])]
    classes = [str(name) for name in tables.strings(status["rangeClass"])]
    far = status["rangeKm"].to_pylist()
    leaks = {
        name: leak(kind, km, settings=settings) for name, kind, km in zip(names, classes, far, strict=True)
    }
    mapped = frozenset(name for name, kind in zip(names, classes, strict=True) if kind != "no_map")
    return leaks, mapped


def _coded(values: Sequence[str]) -> tuple[Ints, list[str]]:
    distinct = sorted(set(values))
    index = {value: code for code, value in enumerate(distinct)}
    return np.array([index[value] for value in values], dtype=np.int64), distinct


def _ranked(values: Sequence[str | None]) -> Ints:
    return _coded([value or "" for value in values])[0]


def _pair_codes(*keys: Ints) -> Ints:
    """One code per distinct combination, 0, 1, 2, ..."""
    if len(keys[0]) == 0:
        return keys[0]
    _, codes = np.unique(np.stack(keys), axis=1, return_inverse=True)
    return np.asarray(codes, dtype=np.int64).reshape(-1)
