"""A run for a terminal: what could be wrong, what is new, then every water in a line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from poolbuilder.introduced.run import CAUTIONS, NO_STATUS, Run

__all__ = ["findings", "headline", "run_lines"]

MOST = 20


def _times(number: int, one: str, many: str | None = None) -> str:
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def findings(run: Run) -> str:
    """What the run found, in one or two sentences."""
    waters = run.waters
    species = {row["scientificName"] for water in waters for row in water["introduced"]}
    near = sum(bool(water["introduced"]) for water in waters)
    if not species:
        return f"No species that a source calls introduced is recorded near {_times(len(waters), 'water')}."
    verb = "is" if len(species) == 1 else "are"
    found = (
        f"{len(species):,} introduced species {verb} recorded near {near:,} of {_times(len(waters), 'water')}"
    )
    if not run.season.compares:
        return f"{found}. Nothing was given to compare with, so what is new is not known."
    if not run.new():
        return f"Nothing is new {run.season.words}. {found}."
    return f"{headline(run)} {run.season.words}. {found}."


def headline(run: Run) -> str:
    """In how many waters, and near how many, something is new."""
    inside = {water["number"] for water, row in run.new() if row["newIn"] == "water"}
    near = {water["number"] for water, _ in run.new()} - inside
    if not inside:
        return f"New near {_times(len(near), 'water')}"
    return f"New in {_times(len(inside), 'water')}" + (f", and near {len(near):,} more" if near else "")


def _new_lines(run: Run) -> list[str]:
    lines = [
        f"NEW {water['water']}: {_named(row)}, {_distance(row)}: {row['note']}" for water, row in run.new()
    ]
    lines += [
        f"new, but its status is not settled: {water['water']}: {_named(row)}, {_distance(row)}"
        for water, row in run.new("unsettled")
    ]
    more = len(lines) - MOST
    return [*lines[:MOST], f"and {more:,} more: see the tables"] if more > 0 else lines


def _named(row: Mapping[str, Any]) -> str:
    name = str(row["scientificName"])
    return f"{name} ({row['vernacularName']})" if row["vernacularName"] else name


def _distance(row: Mapping[str, Any]) -> str:
    return "in the water" if row["inWater"] else f"{row['nearestKm']:.1f} km away"


def _table(waters: Sequence[Mapping[str, Any]]) -> list[str]:
    width = min(34, max([5, *(len(water["water"]) for water in waters)]))
    lines = [
        f"{'water':<{width}}  {'introduced':>10}  {'new':>4}  {'expected':>8}  {'unsettled':>9}  nearest"
    ]
    for water in waters:
        rows = water["introduced"]
        nearest = min(rows, key=lambda row: row["nearestKm"], default=None)
        name = water["water"] if len(water["water"]) <= width else water["water"][: width - 1] + "…"
        told = f"{nearest['scientificName']}, {_distance(nearest)}" if nearest else ""
        lines.append(
            f"{name:<{width}}  {len(rows):>10}  {sum(bool(row['isNew']) for row in rows):>4}  "
            f"{len(water['expected']):>8}  {len(water['unsettled']):>9}  {told}"
        )
    return lines


def _rank(water: Mapping[str, Any]) -> tuple[bool, bool, bool]:
    """New in the water first, then new near it, then waters with anything introduced."""
    rows = water["introduced"]
    inside = any(row["newIn"] == "water" for row in rows)
    return not inside, not any(row["isNew"] for row in rows), not rows


def run_lines(run: Run) -> list[str]:
    """Everything that the terminal shows."""
    notes = [*run.document["notes"], *run.document["layerNotes"]]
    first = [note for note in notes if note == NO_STATUS]
    waters = sorted(run.waters, key=_rank)
    lines = [*first, findings(run), *_new_lines(run), "", *_table(waters[:MOST])]
    if len(waters) > MOST:
        lines.append(f"and {len(waters) - MOST:,} more waters: see the tables")
    lines += ["", *(f"note: {note}" for note in notes if note not in first)]
    return [*lines, *CAUTIONS]
