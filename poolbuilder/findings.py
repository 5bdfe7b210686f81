"""What a pool says, and what could be wrong with it, in sentences."""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from poolbuilder import tables, wording
from poolbuilder.pool import Pool

__all__ = ["CAUTIONS", "LIKELY", "calibrated", "doubts", "findings", "strongest_pairs"]

LIKELY = 0.1
"""Presence from which the summary counts a species: one chance in ten."""

_TROUBLE = re.compile(
    r"\b(missing|failed|withdrawn|could not|not connected|no longer|unreadable)\b",
    re.IGNORECASE,
)

NEAR = frozenset({"water", "connected", "radius"})
"""Tiers of species recorded within the radius."""

OLD_YEARS = 30
COARSE_SHARE = 0.25

CAUTIONS = (
    "Nothing here proves that a species is absent: no record often means that nobody looked.",
    "A hybrid cannot be named with certainty from its looks, nor from this list: that takes DNA. "
    "The list says where to look first.",
    "Do not move live fish, and do not release a fish anywhere but where it was caught.",
    "Report a suspected introduction to the agency responsible for the water.",
    "Local rules, permits and licensed practice for catching, handling and keeping fish come first.",
)


def calibrated(pool: Pool) -> bool:
    """Whether presence is calibrated on surveys."""
    return pool.calibration is not None and pool.calibration.get("status") != "uncalibrated"


def findings(pool: Pool) -> str:
    """How many species could be parents, how many are recorded here, which pairs lead."""
    rows = pool.candidates.to_pylist()
    likely = [row for row in rows if row["presence"] >= LIKELY]
    if not rows:
        return "The checklist has no species, so there is nothing to weigh."
    near = sum(row["tier"] in NEAR for row in rows)
    if not likely:
        recorded = "none" if not near else wording.spelled(near)
        return (
            f"None of the {wording.spelled(len(rows))} species on the checklist reaches one chance in ten "
            f"here; {recorded} {'are' if near > 1 else 'is'} recorded within {pool.site.radius_km:g} km. "
            "All stay on the list, for nothing proves absence."
        )
    head = (
        f"{wording.spelled(len(likely)).capitalize()} of the {wording.spelled(len(rows))} species on the "
        f"checklist could be {'a parent' if len(likely) == 1 else 'parents'} here"
    )
    told = f"{head}; {_where(pool, likely)}."
    return f"{told} {_pairs_sentence(pool)}" if len(likely) > 1 and pool.crosses.num_rows else told


def _where(pool: Pool, likely: list[dict[str, Any]]) -> str:
    here = sum(row["tier"] == "water" for row in likely)
    near = sum(row["tier"] in NEAR for row in likely)
    radius = f"{pool.site.radius_km:g} km"
    if here == len(likely) > 1:
        return "all of them are recorded in the water itself"
    if here:
        verb = "is" if here == 1 else "are"
        rest = near - here
        more = f", {wording.spelled(rest)} more within {radius}" if rest else ""
        return f"{wording.spelled(here)} {verb} recorded in the water itself{more}"
    if not near:
        return f"none is recorded within {radius}"
    verb = "is" if near == 1 else "are"
    if any(row["recordsInWater"] is not None for row in likely):
        return f"{wording.spelled(near)} {verb} recorded within {radius}, none in the water itself"
    return f"{wording.spelled(near)} {verb} recorded within {radius}"


def strongest_pairs(pool: Pool, most: int = 2) -> list[dict[str, Any]]:
    """The leading pairs of different species that together stand out; fewer when one alone does."""
    rows = [row for row in pool.crosses.slice(0, 8).to_pylist() if row["parent1"] != row["parent2"]]
    return [row for row in rows[:most] if row["weight"] >= 0.4 * rows[0]["weight"]]


def _pairs_sentence(pool: Pool) -> str:
    pairs = strongest_pairs(pool)
    if not pairs:
        return ""
    named = [f"{pair['formula']} ({wording.percent(pair['weight'])})" for pair in pairs]
    if len(named) == 1:
        return f"The strongest pair is {named[0]} of all pairs' weight."
    return f"The strongest pairs are {wording.joined(named)} of all pairs' weight."


def doubts(pool: Pool) -> list[str]:
    """What could be wrong with the list, most important first."""
    said = [*_model_doubts(pool), *_source_doubts(pool), *_record_doubts(pool)]
    return [*said, *_noted_doubts(pool)]


def _noted_doubts(pool: Pool) -> list[str]:
    """The pool's own notes that speak of something missing or broken; the others stand in the fine print."""
    return [str(note) for note in pool.notes if _TROUBLE.search(str(note))]


def _model_doubts(pool: Pool) -> list[str]:
    said = []
    if pool.calibration is not None and not calibrated(pool):
        said.append(str(pool.calibration.get("words") or "uncalibrated").capitalize())
    elif pool.calibration is None:
        said.append(
            "Uncalibrated: the model was not fitted to surveys of waters like this one. Trust the order "
            "of the list more than its percentages."
        )
    lows = tables.numbers(pool.candidates["presenceLow"])
    if len(lows) and np.isnan(lows).all():
        said.append("No interval: how far each percentage could be off is not known.")
    if pool.completeness is None and pool.step == "records":
        said.append("How completely this water has been searched is not known, so silence says nothing.")
    elif pool.completeness is not None and pool.completeness.get("words"):
        said.append(str(pool.completeness["words"]))
    return said


def _source_doubts(pool: Pool) -> list[str]:
    said = []
    classes = set(tables.strings(pool.status["rangeClass"]))
    if classes <= {"no_map"}:
        said.append("No range map was given: native or introduced is told from records and checklist alone.")
    if not pool.features.get("outline"):
        said.append(
            "No outline of the water was given: nothing can be said to be recorded in the water itself."
        )
    if not pool.evidence.num_rows:
        said.append("No record within reach: the list rests on range maps and starting values alone.")
    return said


def _portion(share: float) -> str:
    return "All" if share == 1 else f"{min(99, round(100 * share))} %"


def _record_doubts(pool: Pool) -> list[str]:
    if not pool.evidence.num_rows:
        return []
    said = []
    age = tables.numbers(pool.evidence["ageYears"])
    undated, old = float(np.isnan(age).mean()), float((np.nan_to_num(age) >= OLD_YEARS).mean())
    if undated > 0.5:
        said.append(f"{_portion(undated)} of the events have no date: how old they are is not known.")
    if old > 0.5:
        said.append(f"{_portion(old)} of the events are {OLD_YEARS} years old or older: waters change.")
    unsure = tables.numbers(pool.evidence["coordinateUncertaintyInMeters"]) / 1000
    coarse = unsure > COARSE_SHARE * pool.site.radius_km
    if coarse.mean() > 0.1:
        said.append(
            f"{_portion(float(coarse.mean()))} of the events are placed to no better than "
            f"{COARSE_SHARE * pool.site.radius_km:.0f} km; they count only as far as they may lie "
            "within the radius."
        )
    rejected, read = pool.rejected.num_rows, int(pool.counts.get("read", 0))
    if read and rejected / read > 0.25:
        said.append(
            f"{_portion(rejected / read)} of the records read were left out; the fine print says by "
            "which rule."
        )
    return said
