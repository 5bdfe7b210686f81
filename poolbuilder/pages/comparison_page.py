"""Two pools set side by side, and what changed between two of one water."""

from __future__ import annotations

from typing import Any

from poolbuilder import words
from poolbuilder.compare import compare
from poolbuilder.errors import PoolBuilderError
from poolbuilder.pages import drawings, pool_rows
from poolbuilder.pool import Pool


def beside(one: Pool, other: Pool) -> dict[str, Any]:
    """Heads and rows of a comparison; species in the order of their larger presence."""
    left, right = (
        {row["scientificName"]: row for row in pool.candidates.to_pylist()} for pool in (one, other)
    )
    names = sorted(
        left.keys() | right.keys(),
        key=lambda name: (-max(_presence(left, name), _presence(right, name)), name),
    )
    rows = []
    for name in names:
        row = left.get(name) or right[name]
        rows.append(
            {
                "name": name,
                "vernacular": row["vernacularName"] or "",
                "cells": [_cell(pool, rows_of.get(name)) for pool, rows_of in ((one, left), (other, right))],
                "difference": _difference(left, right, name),
            }
        )
    return {"heads": [_head(pool, names) for pool in (one, other)], "rows": rows}


def _presence(rows: dict[str, dict[str, Any]], name: str) -> float:
    return float(rows[name]["presence"]) if name in rows else 0.0


def _difference(left: dict[str, Any], right: dict[str, Any], name: str) -> str:
    if name not in left or name not in right:
        return "on one checklist only"
    points = round(100 * right[name]["presence"]) - round(100 * left[name]["presence"])
    return "same" if points == 0 else f"{'+' if points > 0 else words.MINUS}{abs(points)} points"


def _cell(pool: Pool, row: dict[str, Any] | None) -> dict[str, Any] | None:
    if row is None:
        return None
    return {
        "gauge": drawings.gauge(row["presence"], row["presenceLow"], row["presenceHigh"]),
        "presence": words.percent(row["presence"]),
        "interval": words.interval(row["presenceLow"], row["presenceHigh"]),
        "tier": words.tier_short(row["tier"], pool.site.radius_km),
        "status": words.status(row["establishmentMeans"], row["establishmentSource"]),
    }


def _head(pool: Pool, names: list[str]) -> dict[str, Any]:
    return {
        "water": words.place(pool.site),
        "where": words.degrees(pool.site),
        "radius": f"{pool.site.radius_km:g} km",
        "as_of": words.day(pool.as_of),
        "findings": pool_rows.italic(words.findings(pool), names),
        "doubts": words.doubts(pool),
    }


def changes(before: Pool, after: Pool) -> dict[str, Any] | None:
    """What moved from one pool of a water to another, with causes; None for two waters."""
    try:
        found = compare(before, after)
    except PoolBuilderError:
        return None
    causes: dict[str, list[str]] = {}
    for row in found.causes.to_pylist():
        change = "" if row["logOdds"] is None else f" ({words.signed(row['logOdds'])})"
        causes.setdefault(row["scientificName"], []).append(f"{row['words']}{change}")
    rows = [
        {
            "name": row["scientificName"],
            "change": row["change"],
            "before": words.percent(row["presenceBefore"]),
            "after": words.percent(row["presenceAfter"]),
            "causes": "; ".join(causes.get(row["scientificName"], [])),
        }
        for row in found.changes.to_pylist()
        if row["change"] != "steady"
        or words.percent(row["presenceBefore"]) != words.percent(row["presenceAfter"])
    ]
    return {
        "rows": rows,
        "notes": list(found.notes),
        "before": f"{before.site.radius_km:g} km, {words.day(before.as_of)}",
        "after": f"{after.site.radius_km:g} km, {words.day(after.as_of)}",
    }
