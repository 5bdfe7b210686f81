"""What was weighed becomes a pool: presence, tier, counts and the argument for each species."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import ArrayLike, NDArray

from poolbuilder import tables
from poolbuilder.model.evidence import HYBRID, OWN, Found
from poolbuilder.model.looking import Looking
from poolbuilder.model.memory import TIME
from poolbuilder.schemas import CONTRIBUTIONS, check
from poolbuilder.words import pool_words

if TYPE_CHECKING:
    from poolbuilder.model.presence import Region, Weighed
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


class _EvidenceCounts:
    """What the evidence counts for each candidate; arrays of one element a candidate unless said."""

    def __init__(self, found: Found, located: Any, count: int, frame: Frame) -> None:
        self._count, self._frame, self._found = count, frame, found
        self._species, self._records, self._in_water = found.species, found.records, found.here >= 0.5
        year = located.screened.year[located.rows[found.record]].astype(float)
        self._year = np.where(year > 0, year, np.nan)
        self._km, by_water = located.distance_km[found.record], located.by_water_km[found.record]
        self._by_water_km = by_water
        self.own = OWN[found.kind]  # by event: speaks for the species by its own name
        self.near = self.own & (self._km <= frame.radius_km)  # by event
        self.connected = self._any(self.own & (by_water <= frame.radius_km))
        self.hybrid = self._sum(self._records, found.kind == HYBRID)
        self.inside = self._sum(located.inside_share[found.record] * self._records, self.own)

    def _sum(self, values: NDArray[Any], rows: Bools) -> NDArray[Any]:
        total = np.bincount(self._species[rows], values[rows], minlength=self._count)
        return total.astype(values.dtype)

    def _any(self, rows: Bools) -> Bools:
        return np.bincount(self._species[rows], minlength=self._count) > 0

    def _least(self, values: Floats, rows: Bools) -> Floats:
        """The least value that is known; NaN without any."""
        least = np.full(self._count, np.nan)
        np.fmin.at(least, self._species[rows], values[rows])
        return least

    def columns(self) -> dict[str, list[Any]]:
        """The counted columns of POOL, but for the note."""
        median = np.full(self._count, np.nan)
        for j in np.unique(self._species[self.near]).tolist():
            rows = self.near & (self._species == j)
            km = np.sort(np.repeat(self._km[rows], self._records[rows]))
            median[j] = (km[(len(km) - 1) // 2] + km[len(km) // 2]) / 2
        numbers = {
            "records": self._sum(self._records, self.near),
            "recordsInWater": self._sum(self._records, self.near & self._in_water),
            "expectedRecords": self.inside,
            "events": np.bincount(self._species[self.near], minlength=self._count),
            "nearestKm": self._least(self._km, self.own),
            "medianKm": median,
            "nearestByWaterKm": self._least(self._by_water_km, self.own),
            "firstYear": self._least(self._year, self.near),
            "lastYear": -self._least(-self._year, self.near),
            "hybridRecords": self.hybrid,
        }
        out = {name: [None if x != x else x for x in values.tolist()] for name, values in numbers.items()}
        for name in ("firstYear", "lastYear"):
            out[name] = [None if year is None else int(year) for year in out[name]]
        return out

    def tiers(self, inside_range: Sequence[bool]) -> list[str]:
        """The tier of each candidate, by whether it is inside of its range."""
        own, near, water = (self._any(rows) for rows in (self.own, self.near, self.own & self._in_water))
        return [
            str(tier)
            for tier in np.select(
                [water, self.connected, near, own, np.array(inside_range, dtype=bool)], TIERS[:-1], TIERS[-1]
            )
        ]

    def remarks(self, tiers: Sequence[str], uncertainty_m: Floats) -> list[dict[str, Any]]:
        """The facts behind what a careful colleague would add to each row, see `pool_words.candidate_note`.

        *uncertainty_m* is that of each event.
        """
        frame, kind = self._frame, self._found.kind
        last = -self._least(-self._year, self.own)
        undated, of_hybrids = np.isnan(last) & self._any(self.own), self._any(kind == HYBRID)
        ambiguous = self._sum(self._records, (kind > 0) & (kind < HYBRID))
        found: list[dict[str, Any]] = [
            {
                "tier": "" if tier == "none" and of_hybrids[j] else tier,
                "undated": bool(undated[j]),
                "notSince": int(last[j]) if frame.year - last[j] >= OLD_YEARS else None,
                "ambiguous": int(ambiguous[j]),
            }
            for j, tier in enumerate(tiers)
        ]
        for j in np.unique(self._species[self.near]).tolist():
            rows = np.flatnonzero(self.near & (self._species == j))
            nearest = rows[np.argmin(self._km[rows])]
            straight, by_water = float(self._km[nearest]), float(self._by_water_km[nearest])
            found[j]["coarse"] = bool((uncertainty_m[rows] >= frame.radius_km * 500).all())
            found[j]["single"] = bool(len(rows) == 1 and self._records[rows].sum() == 1)
            if by_water > 3 * straight and by_water > straight + FARTHER_KM:
                found[j] |= {"overLandKm": straight, "byWaterKm": by_water}
        return found


def candidate_rows(
    weighed: Weighed,
    found: Found,
    located: Any,
    status: Sequence[Mapping[str, Any]],
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
    status : sequence of dict
        Rows of STATUS, one per species.
    establishment : mapping
        Species to its status at the place.

    Returns
    -------
    list of dict
        Rows of POOL, sorted by presence, then name.
    """
    stated = {row["scientificName"]: row for row in status}
    counts = _EvidenceCounts(found, located, len(species), frame)
    tiers = counts.tiers([stated[name]["rangeClass"] in _INSIDE for name in species])
    remarks = counts.remarks(tiers, located.screened.uncertainty_m[located.rows[found.record]])
    settling = weighed.settling
    columns: dict[str, Sequence[Any]] = {
        "scientificName": species,
        "vernacularName": [vernacular.get(name) for name in species],
        "presence": weighed.presence.tolist(),
        "presenceLow": weighed.low.tolist(),
        "presenceHigh": weighed.high.tolist(),
        "presenceIfFound": settling.if_found.tolist(),
        "presenceIfMissed": settling.if_missed.tolist(),
        "listsToRuleOut": [None if lists < 0 else lists for lists in settling.lists.tolist()],
        "establishmentMeans": [establishment[name].means for name in species],
        "establishmentSource": [establishment[name].source for name in species],
        "rangeKm": [stated[name]["rangeKm"] for name in species],
        "tier": tiers,
        **counts.columns(),
        "note": [
            "; ".join(text for text in (pool_words.candidate_note(remark), establishment[name].note) if text)
            for name, remark in zip(species, remarks, strict=True)
        ],
    }
    rows = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    total = sum(row["presence"] for row in rows)
    ordered = sorted(rows, key=lambda row: (-round(row["presence"], 12), row["scientificName"]))
    for row in ordered:
        row["weight"] = row["presence"] / total
    return ordered


def contributions_table(
    weighed: Weighed,
    region: Region,
    candidates: Sequence[Mapping[str, Any]],
    status: Sequence[Mapping[str, Any]],
    *,
    establishment: Mapping[str, Establishment],
    told: Sequence[str],
) -> pa.Table:
    """The argument for each candidate; its steps sum to the logit of its presence.

    Parameters
    ----------
    candidates : sequence of dict
        Rows of POOL.
    status : sequence of dict
        Rows of STATUS.
    establishment : mapping
        Species to its status at the place.
    told : sequence of str
        Source of each statement, in their order.

    Returns
    -------
    Table, schema CONTRIBUTIONS
        In the order of the candidates.
    """
    said = {row["scientificName"]: row for row in status}
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
    for part, of_species in weighed.parts.items():
        change = float(of_species[j])
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
    changes: dict[tuple[str, int], list[int]] = {}
    seen = zip(memory.event.tolist(), memory.year.tolist(), memory.log_odds[:, j].tolist(), strict=True)
    for i, (code, when, moved) in enumerate(seen):
        changes.setdefault((_kind(code, moved), int(when)), []).append(i)
    for (event, year), mine in changes.items():
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


# -- how well the fishes of a water are known ------------------------------------------------
#
# From incidences, the lists being the sampling units: Chao2 (Chao 1987) in the classic and the
# bias-corrected variant, both with the factor (m-1)/m; sample coverage after Chao & Jost 2012, Ecology
# 93:2533-2547 (from memory; overview: Chao & Colwell 2017, SORT 41:3-54, doi 10.2436/20.8080.02.49,
# abstract read).


def _frequencies(counts: ArrayLike) -> tuple[Ints, int, int]:
    """Counts above 0, and the numbers of singletons and doubletons."""
    values = np.asarray(counts, dtype=np.int64)
    values = values[values > 0]
    return values, int((values == 1).sum()), int((values == 2).sum())


def _chao(seen: int, units: float, once: int, twice: int, *, bias_corrected: bool) -> float:
    factor = (units - 1) / units if units > 0 else 0.0
    if bias_corrected or twice == 0:
        return seen + factor * once * (once - 1) / (2 * (twice + 1))
    return seen + factor * once**2 / (2 * twice)


def chao2(incidences: ArrayLike, lists: int, *, bias_corrected: bool = False) -> float:
    """Chao2 richness from the number of lists that hold each species, with (m-1)/m."""
    values, once, twice = _frequencies(incidences)
    return _chao(len(values), float(lists), once, twice, bias_corrected=bias_corrected)


def _chao_jost(total: float, units: float, once: int, twice: int) -> float:
    """``1 - f1/n (m-1)f1/((m-1)f1 + 2f2)``; without doubletons f1-1 and 1 stand for f1 and f2."""
    if total <= 0:
        return math.nan
    single, double = (once, twice) if twice else (once - 1, 1)
    if once == 0 or single == 0:
        return 1.0
    return 1 - once / total * (units - 1) * single / ((units - 1) * single + 2 * double)


def incidence_coverage(incidences: ArrayLike, lists: int) -> float:
    """Coverage of a sample of lists after Chao & Jost 2012; NaN without any name."""
    values, once, twice = _frequencies(incidences)
    return _chao_jost(float(values.sum()), float(lists), once, twice)


def completeness(incidences: ArrayLike, events: int, years: ArrayLike) -> dict[str, Any]:
    """What is known of a water from the lists made in it.

    Parameters
    ----------
    incidences : array_like
        On how many lists each name stands.
    events : int
        Lists.
    years : array_like
        Of the lists; NaN where not known.

    Returns
    -------
    dict
        ``events``, ``species`` (names on the lists), ``coverage`` (Chao & Jost, by lists),
        ``chao2`` and ``chao2BiasCorrected`` (both with (m-1)/m), ``firstYear`` and ``lastYear``.
        Numbers that are unknown are None.
    """
    incidences = np.asarray(incidences, dtype=np.int64)
    known = np.asarray(years, dtype=float)
    known = known[~np.isnan(known)]
    first, last = (int(known.min()), int(known.max())) if len(known) else (None, None)
    share = incidence_coverage(incidences, events) if events > 1 else math.nan
    rich = events > 1 and bool((incidences > 0).any())
    return {
        "events": events,
        "species": int((incidences > 0).sum()),
        "coverage": None if math.isnan(share) else share,
        "chao2": chao2(incidences, events) if rich else None,
        "chao2BiasCorrected": chao2(incidences, events, bias_corrected=True) if rich else None,
        "firstYear": first,
        "lastYear": last,
    }
