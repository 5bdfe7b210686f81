"""What a run did and found: as a document, as lines for a terminal, as one page."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import poolbuilder
from poolbuilder import pages
from poolbuilder.compare import Comparison
from poolbuilder.introduced.season import NEWS

if TYPE_CHECKING:
    from poolbuilder.refresh.seasonal import Outcome, SeasonalRun

__all__ = ["comparison_lines", "summary_document", "summary_lines", "summary_page"]

STATES = {
    "new": "first run",
    "same": "as before",
    "changed": "changed",
    "stale": "built from older records",
    "failed": "no pool",
}


def summary_document(run: SeasonalRun, *, now: datetime.datetime) -> dict[str, Any]:
    """A run, ready for the json module."""
    plan, outcomes = run.plan, run.outcomes
    return {
        "schemaVersion": "1.1",
        "poolbuilderVersion": poolbuilder.__version__,
        "day": run.day.isoformat(),
        "service": plan.service_url,
        "taxon": list(plan.taxa),
        "group": list(plan.group),
        "notes": list(run.notes),
        "storeState": run.store_state,
        "states": {state: sum(item.state == state for item in outcomes) for state in STATES},
        "introducedNews": [] if run.introduced is None else run.introduced.found(NEWS),
        "waters": [_water(item, now) for item in outcomes],
    }


def _water(item: Outcome, now: datetime.datetime) -> dict[str, Any]:
    site, compared = item.water.site, item.comparison
    return {
        "name": site.name,
        "slug": item.water.slug,
        "folder": item.water.slug if item.kept is None else f"../{item.kept}",
        "fingerprint": item.fingerprint,
        "longitude": site.longitude,
        "latitude": site.latitude,
        "radiusKm": site.radius_km,
        "state": item.state,
        "fault": item.fault,
        "fetched": None if item.fetched is None else item.fetched.isoformat(),
        "ageDays": None if item.fetched is None else (now - item.fetched).days,
        "licence": item.licence,
        "pool": item.built,
        "gained": compared.having("gained") if compared else [],
        "lost": compared.having("lost") if compared else [],
        "moved": compared.having("moved") if compared else [],
        "newIntroduced": compared.newly_introduced() if compared else [],
        "comparison": None if compared is None else compared.as_dict(),
        "notes": list(dict.fromkeys(item.notes)),
    }


def summary_lines(document: Mapping[str, Any]) -> list[str]:
    """A run as a table of at most 100 columns, and what needs attention below it."""
    waters = document["waters"]
    width = min(32, max([5, *(len(row["name"]) for row in waters)]))
    lines = [
        f"{'water':<{width}}  {'state':<24}  {'recorded':>8}  {'gained':>6}  {'lost':>4}  {'moved':>5}  "
        "fetched"
    ]
    for row in waters:
        name = row["name"] if len(row["name"]) <= width else row["name"][: width - 1] + "…"
        recorded = "" if row["pool"] is None else str(row["pool"]["recorded"])
        lines.append(
            f"{name:<{width}}  {STATES[row['state']]:<24}  {recorded:>8}  {len(row['gained']):>6}  "
            f"{len(row['lost']):>4}  {len(row['moved']):>5}  {(row['fetched'] or 'never')[:10]}"
        )
    for row in waters:
        if row["newIntroduced"]:
            lines.append(f"{row['name']}: introduced, and new here: {', '.join(row['newIntroduced'])}")
        for change in ("gained", "lost", "moved"):
            if row[change]:
                lines.append(f"{row['name']}: {change}: {', '.join(row[change])}")
        if row["fault"]:
            lines.append(f"{row['name']}: {STATES[row['state']]}: {row['fault']}")
    lines += [f"introduced: {line}" for line in document["introducedNews"]]
    return [*lines, *(f"note: {note}" for note in document["notes"])]


def changed_lines(document: Mapping[str, Any]) -> list[str]:
    """What changed or went wrong, and nothing when nothing did."""
    lines = list(document["introducedNews"])
    for row in document["waters"]:
        for change in ("gained", "lost", "moved"):
            if row[change]:
                lines.append(f"{row['name']}: {change}: {', '.join(row[change])}")
        if row["fault"]:
            lines.append(f"{row['name']}: {STATES[row['state']]}: {row['fault']}")
    return [*lines, *(f"note: {note}" for note in document["notes"])]


def comparison_lines(comparison: Comparison) -> list[str]:
    """A comparison for a terminal: each species that changed, with its causes."""
    causes: dict[str, list[dict[str, Any]]] = {}
    for row in comparison.causes.to_pylist():
        causes.setdefault(row["scientificName"], []).append(row)
    name = comparison.name or "this water"
    lines = [f"{name}: {comparison.before.isoformat()} to {comparison.after.isoformat()}"]
    steady = 0
    for row in comparison.changes.to_pylist():
        if row["change"] == "steady":
            steady += 1
            continue
        lines.append(
            f"{row['change']}: {row['scientificName']}  presence {_number(row['presenceBefore'])} → "
            f"{_number(row['presenceAfter'])}, records {row['recordsBefore']} → {row['recordsAfter']}"
        )
        for cause in causes.get(row["scientificName"], []):
            amount = "" if cause["logOdds"] is None else f"{cause['logOdds']:+.2f} log-odds: "
            lines.append(f"    {amount}{cause['words']}")
    lines.append(f"steady: {steady} species")
    return [*lines, *(f"note: {note}" for note in comparison.notes)]


def _number(value: float | None) -> str:
    return "none" if value is None else f"{value:.2f}"


def summary_page(document: Mapping[str, Any]) -> str:
    """A run as one HTML page that needs no other file but the reports it links to."""
    return pages.fill("refresh.html", styles=("calibration.css",), run=document, states=STATES)
