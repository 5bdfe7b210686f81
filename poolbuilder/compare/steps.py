"""From the older pool to the newer one, a cause at a time; the differences add up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from poolbuilder import schemas, tables
from poolbuilder.compare.differences import CAUSES, kind_of_rework
from poolbuilder.compare.events import Shared, aged, crowded, of_species, reweighed
from poolbuilder.compare.wording import list_words, lost_records, new_records
from poolbuilder.model.argument import Part, Regional
from poolbuilder.model.candidates import Frame, decide
from poolbuilder.pool import Pool
from poolbuilder.status.decision import Establishment

__all__ = ["list_causes", "log_odds", "statuses"]

TINY = 1e-9
"""A part of log-odds below this is rounding."""

_LATER_PARTS = {"records", "water", "hybrids", "silence", "floor"}
CALIBRATION = "calibration"


@dataclass(frozen=True)
class _State:
    """Everything that a pool is decided from, as far as it is kept in a pool."""

    evidence: pa.Table
    status: Mapping[str, Mapping[str, Any]]
    regional: Regional | None
    pool: Pool

    def values(self, species: Sequence[str]) -> dict[str, float]:
        """Log-odds of each species."""
        table = tables.table(
            schemas.STATUS,
            {column: [self.status[name][column] for name in species] for column in schemas.STATUS.names},
        )
        decision = decide(
            of_species(self.evidence, species),
            table,
            species=species,
            vernacular=dict.fromkeys(species),
            establishment={name: Establishment(means="uncertain", source="unknown") for name in species},
            frame=Frame(
                radius_km=self.pool.site.radius_km, outlined=_outlined(self.pool), year=self.pool.as_of.year
            ),
            regional=self.regional,
            settings=self.pool.settings,
        )
        return log_odds(decision.contributions)


def _outlined(pool: Pool) -> bool:
    return bool(pool.candidates["recordsInWater"].null_count < pool.candidates.num_rows)


def log_odds(contributions: pa.Table) -> dict[str, float]:
    """The sum of each species' steps: the logit of its presence."""
    totals: dict[str, float] = {}
    for row in contributions.to_pylist():
        totals[row["scientificName"]] = totals.get(row["scientificName"], 0.0) + row["logOdds"]
    return totals


def _regional(pool: Pool, calibrated_as: Pool | None = None) -> Regional | None:
    """What the lists said, taken back from the steps of the argument.

    Parameters
    ----------
    calibrated_as : Pool, optional
        Take the step of calibration from this pool.
    """
    start: dict[str, list[Part]] = {}
    silence: dict[str, tuple[float, str]] = {}
    for row in pool.contributions.to_pylist():
        name, part = row["scientificName"], row["part"]
        if part == "silence":
            silence[name] = (float(np.exp(row["logOdds"])), row["words"])
        elif part not in _LATER_PARTS and (part != CALIBRATION or calibrated_as is None):
            start.setdefault(name, []).append(Part(part, row["logOdds"], row["words"]))
    parts = {name: said for name, said in start.items() if [item.part for item in said] != ["range"]}
    if calibrated_as is not None:
        for row in calibrated_as.contributions.to_pylist():
            if row["part"] == CALIBRATION and row["scientificName"] in parts:
                parts[row["scientificName"]].append(Part(CALIBRATION, row["logOdds"], row["words"]))
    if not parts and not silence:
        return None
    return Regional(step=pool.step, parts=parts, silence=silence)


def statuses(pool: Pool) -> dict[str, dict[str, Any]]:
    """What the range maps say of each species."""
    return {row["scientificName"]: row for row in pool.status.to_pylist()}


def list_causes(old: Pool, new: Pool, shared: Shared, species: list[str]) -> list[dict[str, Any]]:
    """The parts of every change; they sum to it exactly, rounding aside."""
    if not species:
        return []
    rework, rework_words = kind_of_rework(old, new)
    steps = _steps(old, new, shared, rework)
    stored_old, stored_new = log_odds(old.contributions), log_odds(new.contributions)
    parts: dict[str, dict[str, float]] = {name: {} for name in species}
    value = steps[0][1].values(species)
    first = value
    for cause, state in steps[1:]:
        after = state.values(species)
        for name in species:
            parts[name][cause] = parts[name].get(cause, 0.0) + after[name] - value[name]
        value = after
    tallies = {"new": new_records(shared, new), "withdrawn": lost_records(shared, new)}
    lists = list_words(old, new)
    rows = []
    for name in species:
        total = stored_new[name] - stored_old[name]
        _add_rest(
            parts[name], total, first[name] - stored_old[name], stored_new[name] - value[name], old, new
        )
        said = {rework: rework_words} | ({"lists": lists[name]} if name in lists else {})
        rows += _rows(name, parts[name], tallies, said, years=(new.as_of - old.as_of).days / 365.25)
    return rows


def _add_rest(
    parts: dict[str, float], total: float, before: float, after: float, old: Pool, new: Pool
) -> None:
    """Give what is left a name, so that the parts sum to the whole."""
    rest = total - sum(parts.values())
    if abs(before) < TINY and abs(after) < TINY and abs(rest) < TINY:
        return
    name = "version" if old.version != new.version else "interaction"
    parts[name] = parts.get(name, 0.0) + rest


def _steps(old: Pool, new: Pool, shared: Shared, rework: str) -> list[tuple[str, _State]]:
    """From the older pool to the newer one, a cause at a time."""
    old_status, new_status = statuses(old), statuses(new)
    old_lists, new_lists = _regional(old), _regional(new)
    days = (new.as_of - old.as_of).days
    kept = reweighed(shared.pick(old=shared.stay), old.settings)
    older = reweighed(aged(kept, days, old.settings), old.settings)
    moved = reweighed(crowded(older, new.evidence, old.settings), old.settings)
    held = shared.with_old(moved)
    same = reweighed(held.pick(old=shared.losing | shared.gaining, new=shared.reworked), new.settings)
    fewer = reweighed(held.pick(old=shared.gaining, new=shared.reworked | shared.losing), new.settings)
    return [
        ("", _State(old.evidence, old_status, old_lists, old)),
        ("withdrawn", _State(kept, old_status, old_lists, old)),
        ("dates", _State(older, old_status, old_lists, old)),
        ("ranges", _State(older, new_status, old_lists, old)),
        ("crowding" if rework in {"edited", "ranges"} else rework, _State(moved, new_status, old_lists, old)),
        (rework, _State(same, new_status, old_lists, new)),
        ("withdrawn", _State(fewer, new_status, old_lists, new)),
        ("new", _State(new.evidence, new_status, old_lists, new)),
        ("lists", _State(new.evidence, new_status, _regional(new, calibrated_as=old), new)),
        (CALIBRATION, _State(new.evidence, new_status, new_lists, new)),
    ]


def _rows(
    name: str,
    parts: Mapping[str, float],
    tallies: Mapping[str, Mapping[str, tuple[int, str]]],
    said: Mapping[str, str],
    *,
    years: float,
) -> list[dict[str, Any]]:
    """Rows of CAUSES for one species; a cause that moved nothing and has no records is left out."""
    rows = []
    for cause, amount in parts.items():
        count, words = tallies.get(cause, {}).get(name, (0, ""))
        if abs(amount) < TINY and not count:
            continue
        words = words or said.get(cause, CAUSES[cause])
        if cause == "dates":
            words = f"{words}: {years:.2g} years passed"
        if abs(amount) < TINY and abs(parts.get("lists", 0.0)) >= TINY:
            words += "; they count through the lists"
        rows.append(
            {
                "scientificName": name,
                "cause": cause,
                "logOdds": amount + 0.0,  # never -0
                "records": count if cause in tallies else None,
                "words": words,
            }
        )
    return rows
