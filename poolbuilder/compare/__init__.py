"""What changed between two pools of one water, and why.

The older pool is turned into the newer one in steps, each by the same pure functions that
built them: drop the events that are gone, let the rest grow older, take the new range maps,
the new settings, the new records, the new lists.  After each step the pool is decided
again; the differences are the causes, and they add up to the whole change.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from poolbuilder import schemas, tables
from poolbuilder.compare.differences import CAUSES, apart_km, differences
from poolbuilder.compare.events import match_events
from poolbuilder.compare.steps import list_causes, log_odds, statuses
from poolbuilder.pool import Pool

__all__ = ["CAUSES", "QUESTIONS", "Comparison", "compare"]

QUESTIONS = ("new-introduced", "lost", "changed")
"""What a script can ask of a comparison."""


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Two pools of one water, set against each other.

    Attributes
    ----------
    changes : Table, schema CHANGES
    causes : Table, schema CAUSES
    notes : tuple of str
        What else differs between the two.
    """

    name: str
    before: datetime.date
    after: datetime.date
    changes: pa.Table
    causes: pa.Table
    notes: tuple[str, ...] = ()

    def having(self, change: str) -> list[str]:
        """Species that were ``gained``, ``lost``, ``moved`` or are ``steady``."""
        return [row["scientificName"] for row in self.changes.to_pylist() if row["change"] == change]

    def newly_introduced(self) -> list[str]:
        """Introduced species that are recorded within the radius now and were not, or were not introduced."""
        return [
            row["scientificName"]
            for row in self.changes.to_pylist()
            if row["establishmentAfter"] in {"introduced", "introducedAssistedColonisation"}
            and row["recordsAfter"] > 0
            and (row["recordsBefore"] == 0 or row["establishmentBefore"] != row["establishmentAfter"])
        ]

    def found(self, what: str) -> list[str]:
        """Species that a question such as ``new-introduced``, ``lost`` or ``changed`` finds."""
        if what == "new-introduced":
            return self.newly_introduced()
        if what == "lost":
            return self.having("lost")
        return [name for change in ("gained", "lost", "moved") for name in self.having(change)]

    def as_dict(self) -> dict[str, Any]:
        """The comparison, ready for the json module."""
        return {
            "name": self.name,
            "before": self.before.isoformat(),
            "after": self.after.isoformat(),
            "changes": self.changes.to_pylist(),
            "causes": self.causes.to_pylist(),
            "notes": list(self.notes),
        }


def compare(old: Pool, new: Pool) -> Comparison:
    """Set two pools of one water against each other.

    Parameters
    ----------
    old, new : Pool
        Of the same water; the setting ``movedPresence`` of *new* decides what counts as moved.

    Raises
    ------
    PoolFileError
        When the two lie farther apart than the larger of their radii.
    """
    notes = differences(old, new)
    both = sorted(set(statuses(old)) & set(statuses(new)))
    shared = match_events(old, new, apart_km=apart_km(old, new))
    causes = list_causes(old, new, shared, both)
    causes += _checklist_causes(old, new)
    changes = _changes(old, new, both)
    order = {row["scientificName"]: place for place, row in enumerate(changes)}
    rank = {cause: place for place, cause in enumerate(CAUSES)}
    causes.sort(key=lambda row: (order[row["scientificName"]], rank[row["cause"]]))
    return Comparison(
        name=new.site.name or old.site.name,
        before=old.as_of,
        after=new.as_of,
        changes=_table(schemas.CHANGES, changes, "changes"),
        causes=_table(schemas.CAUSES, causes, "causes"),
        notes=tuple(notes),
    )


def _table(schema: pa.Schema, rows: list[dict[str, Any]], stage: str) -> pa.Table:
    table = tables.table(schema, {name: [row[name] for row in rows] for name in schema.names})
    return schemas.check(table, schema, stage)


def _checklist_causes(old: Pool, new: Pool) -> list[dict[str, Any]]:
    before, after = set(statuses(old)), set(statuses(new))
    return [
        {
            "scientificName": name,
            "cause": "checklist",
            "logOdds": None,
            "records": None,
            "words": "on the checklist now, not before"
            if name in after
            else "on the checklist before, not now",
        }
        for name in sorted(before ^ after)
    ]


def _changes(old: Pool, new: Pool, both: Sequence[str]) -> list[dict[str, Any]]:
    before = {row["scientificName"]: row for row in old.candidates.to_pylist()}
    after = {row["scientificName"]: row for row in new.candidates.to_pylist()}
    stored_old, stored_new = log_odds(old.contributions), log_odds(new.contributions)
    rows = []
    for name in sorted(before.keys() | after.keys()):
        was, now = before.get(name, {}), after.get(name, {})
        rows.append(
            {
                "scientificName": name,
                "change": _change(was, now, new.settings.moved_presence),
                "presenceBefore": was.get("presence"),
                "presenceAfter": now.get("presence"),
                "logOddsChange": stored_new[name] - stored_old[name] if name in both else None,
                "recordsBefore": was.get("records", 0),
                "recordsAfter": now.get("records", 0),
                "tierBefore": was.get("tier"),
                "tierAfter": now.get("tier"),
                "establishmentBefore": was.get("establishmentMeans"),
                "establishmentAfter": now.get("establishmentMeans"),
            }
        )
    order = {"gained": 0, "lost": 1, "moved": 2, "steady": 3}

    def size(row: Mapping[str, Any]) -> float:
        return float(abs((row["presenceAfter"] or 0.0) - (row["presenceBefore"] or 0.0)))

    return sorted(rows, key=lambda row: (order[row["change"]], -size(row), row["scientificName"]))


def _change(was: Mapping[str, Any], now: Mapping[str, Any], threshold: float) -> str:
    """Gained and lost go by records within the radius: presence alone never reaches 0."""
    if now.get("records", 0) > 0 and was.get("records", 0) == 0:
        return "gained"
    if was.get("records", 0) > 0 and now.get("records", 0) == 0:
        return "lost"
    moved = abs((now.get("presence") or 0.0) - (was.get("presence") or 0.0)) > threshold
    return "moved" if moved else "steady"
