"""How many records came and went, whose, where, and what became of them."""

from __future__ import annotations

from collections import Counter
from typing import Any

from poolbuilder import tables
from poolbuilder.compare.events import Shared, event_keys
from poolbuilder.pool import Pool
from poolbuilder.records.rules import RULES

__all__ = ["list_words", "lost_records", "new_records"]

LIST_STEPS = {
    "range": "range class",
    "effort": "detections against effort",
    "community": "the other fishes of the water",
    "silence": "silence in the water",
}
"""Steps of the argument that rest on lists."""

MOST = 3
"""Names spelt out before "and others"."""


def _plural(count: int, word: str) -> str:
    return f"{count:,} {word}" if count == 1 else f"{count:,} {word}s"


def _listed(counts: Counter[str]) -> str:
    """The most frequent first, the alphabet deciding ties."""
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    said = [f"{name} {count:,}" for name, count in ordered[:MOST]]
    if len(ordered) > MOST:
        said.append(f"and {_plural(len(ordered) - MOST, 'other')}")
    return ", ".join(said)


def _titles(pool: Pool) -> dict[str, str]:
    return {str(item["datasetKey"]): str(item.get("title") or item["datasetKey"]) for item in pool.datasets}


def new_records(shared: Shared, new: Pool) -> dict[str, tuple[int, str]]:
    """For each species the number of its new records, and whose and where they are."""
    was, now = shared.record_ids()
    titles = _titles(new)
    found: dict[str, dict[str, Any]] = {}
    for key, row in zip(event_keys(new.evidence), new.evidence.to_pylist(), strict=True):
        name = row["scientificName"]
        fresh: set[str] = set(row["recordIDs"]) - was.get(name, set())
        if not fresh or key in shared.reworked:  # the latter were there before, out of reach
            continue
        about = found.setdefault(name, {"ids": set(), "owners": Counter(), "rows": [], "events": 0})
        about["ids"] |= fresh
        owner = str(row["datasetKey"])
        about["owners"][titles.get(owner, owner) if row["datasetKey"] else "data set not named"] += len(fresh)
        about["rows"].append(row)
        about["events"] += 1
    return {name: (len(about["ids"]), _new_words(about)) for name, about in found.items() if name in now}


def _new_words(about: dict[str, Any]) -> str:
    rows = about["rows"]
    near = min(rows, key=lambda row: (row["distanceKm"], row["eventKey"]))
    where = f"nearest {near['distanceKm']:.1f} km away"
    if any((row["inWaterShare"] or 0) >= 0.5 for row in rows):
        where = "some in this water"
    years = sorted({row["year"] for row in rows if row["year"] is not None})
    when = "" if not years else f", {years[0]}" if years[0] == years[-1] else f", {years[0]}–{years[-1]}"
    records, events = _plural(len(about["ids"]), "new record"), _plural(about["events"], "event")
    return f"{records} in {events}: {_listed(about['owners'])}; {where}{when}"


def lost_records(shared: Shared, new: Pool) -> dict[str, tuple[int, str]]:
    """For each species the number of records that left it, and what became of them."""
    was, now = shared.record_ids()
    titles = {rule.key: rule.title for rule in RULES}
    rejected = dict(
        zip(
            tables.strings(new.rejected["recordKey"]),
            tables.strings(new.rejected["rejectedBy"]),
            strict=True,
        )
    )
    elsewhere: dict[str, str] = {}
    for name in sorted(now):
        for record in sorted(now[name]):
            elsewhere.setdefault(record, name)
    out_of_reach = _reworked_away(shared)
    found = {}
    for name in sorted(was):
        gone = was[name] - now.get(name, set()) - out_of_reach.get(name, set())
        fates: Counter[str] = Counter()
        for record in gone:
            if record in elsewhere:
                fates[f"re-identified as {elsewhere[record]}"] += 1
            elif record in rejected:
                rule = str(rejected[record])
                fates[f"rejected now ({titles.get(rule, rule)})"] += 1
            else:
                fates["no longer among the records"] += 1
        if gone:
            ordered = sorted(fates.items(), key=lambda item: (-item[1], item[0]))
            found[name] = (
                len(gone),
                "; ".join(f"{_plural(count, 'record')} {fate}" for fate, count in ordered),
            )
    return found


def _reworked_away(shared: Shared) -> dict[str, set[str]]:
    """Records whose events stayed until the rework and are not there any more: out of reach now."""
    _, now = shared.record_ids()
    left: dict[str, set[str]] = {}
    kept = shared.stay - shared.reworked - shared.losing - shared.gaining
    for row in shared.pick(old=kept).to_pylist():
        gone = set(row["recordIDs"]) - now.get(row["scientificName"], set())
        left.setdefault(row["scientificName"], set()).update(gone)
    return left


def list_words(old: Pool, new: Pool) -> dict[str, str]:
    """For each species how far each step of the argument from the lists moved."""
    moved: dict[str, dict[str, float]] = {}
    for pool, sign in ((old, -1.0), (new, 1.0)):
        for row in pool.contributions.to_pylist():
            if row["part"] in LIST_STEPS:
                steps = moved.setdefault(row["scientificName"], {})
                steps[row["part"]] = steps.get(row["part"], 0.0) + sign * row["logOdds"]
    found = {}
    for name, steps in moved.items():
        told = [
            f"{LIST_STEPS[part]} {steps[part]:+.2f}"
            for part in LIST_STEPS
            if abs(steps.get(part, 0.0)) >= 0.005
        ]
        if told:
            found[name] = f"the lists around the water say otherwise: {', '.join(told)}"
    return found
