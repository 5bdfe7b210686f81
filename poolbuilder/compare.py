"""What changed between two pools of one water, and why: the difference of two arguments."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from poolbuilder import schemas, tables
from poolbuilder.errors import PoolFileError, said
from poolbuilder.places.geodesy import distance_km
from poolbuilder.words import pool_words

if TYPE_CHECKING:
    from poolbuilder.pool import Pool

_SURROUNDINGS = ("wide", "near", "waterType")
_IN_WATER = ("found", "notDetected", "statement")
_PARTS = ("status", "surroundings", "community", "records", "time")


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

    Notes
    -----
    A presence is a sum of log-odds, so the difference of two pools is the difference of their CONTRIBUTIONS:
    the causes of a species add up to its whole change.
    """
    notes = _differences(old, new)
    was, now = _Side(old), _Side(new)
    changes = _changes(was, now, new.settings.moved_presence)
    order, rework = {row["scientificName"]: place for place, row in enumerate(changes)}, _rework(old, new)
    causes = [row for name in order for row in _causes(name, was, now, rework)]
    said_first = list(pool_words.CAUSES)
    causes.sort(key=lambda row: (order[row["scientificName"]], said_first.index(row["cause"])))
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


class _Side:
    """One of the two pools, its tables read once.

    Attributes
    ----------
    candidates : dict
        Species to its row.
    events : dict
        Species to its rows of evidence.
    species : dict
        Record to the species that it counts for.
    parts : dict
        Species to its argument by cause.
    """

    def __init__(self, pool: Pool) -> None:
        self.pool = pool
        self.candidates = {row["scientificName"]: row for row in pool.candidates.to_pylist()}
        self.events: dict[str, list[dict[str, Any]]] = {}
        self.species: dict[str, str] = {}
        self.parts: dict[str, dict[str, float]] = {}
        for row in pool.evidence.to_pylist():
            self.events.setdefault(row["scientificName"], []).append(row)
            for key in row["recordIDs"]:
                self.species.setdefault(key, row["scientificName"])
        for row in pool.contributions.to_pylist():
            part = row["part"]
            cause = "surroundings" if part in _SURROUNDINGS else "records" if part in _IN_WATER else part
            parts = self.parts.setdefault(row["scientificName"], dict.fromkeys(_PARTS, 0.0))
            parts[cause] = parts.get(cause, 0.0) + row["logOdds"]

    def log_odds(self, name: str) -> float:
        """The sum of the argument of a species."""
        return sum(self.parts[name].values())

    def listed_km(self, name: str = "") -> float:
        """How far out the evidence lists every event, of a species or of all."""
        unlisted = self.pool.counts.get("unlisted") or {}
        found = [far["beyondKm"] for species, far in unlisted.items() if name in ("", species)]
        return min(found, default=np.inf)

    def records(self, name: str, within_km: float) -> dict[str, float]:
        """Records of a species within reach: key to distance."""
        rows = [row for row in self.events.get(name, ()) if row["distanceKm"] <= within_km]
        return {key: row["distanceKm"] for row in rows for key in row["recordIDs"]}


def _causes(name: str, old: _Side, new: _Side, rework: str) -> list[dict[str, Any]]:
    """Why one species changed; what a model change moved is said as such."""
    if name not in old.candidates or name not in new.candidates:
        return [_cause(name, "checklist", None, None, added=name in new.candidates)]
    within_km = min(old.listed_km(name), new.listed_km(name))
    was, now = old.records(name, within_km), new.records(name, within_km)
    gone, fresh = was.keys() - now.keys(), now.keys() - was.keys()
    before, after = (side.parts.get(name, {}) for side in (old, new))
    moved = {key: after.get(key, 0.0) - before.get(key, 0.0) for key in {*_PARTS, *before, *after}}
    rows = []
    if gone:
        fates = _fates({key: was[key] for key in gone}, name, new)
        rows.append(_cause(name, "withdrawn", 0.0, len(gone), facts=fates))
    if fresh:
        rows.append(_cause(name, "new", 0.0, len(fresh), facts=_arrivals(fresh, name, old, new)))
    for row in rows:  # what was found and missed in the water moves with the records that came and went
        row["logOdds"] = moved["records"] / len(rows)
    rest = {} if rows else {rework or "edited": moved["records"]}
    for key in ("status", "surroundings", "community", "time"):
        cause = key if key == "status" or not rework else rework
        rest[cause] = rest.get(cause, 0.0) + moved[key]
    return rows + [_cause(name, cause, change, None) for cause, change in rest.items() if change]


def _fates(gone: Mapping[str, float], name: str, new: _Side) -> dict[str, int]:
    """What became of records that left a species: another species, the rule that rejects them, or gone.

    Nothing is said of those so far away that the evidence of another species may not list them.
    """
    listed_km, table = new.listed_km(), new.pool.rejected
    rejected = dict(zip(table["recordKey"].to_pylist(), table["rejectedBy"].to_pylist(), strict=True))
    out: Counter[str] = Counter()
    for key, away_km in gone.items():
        if new.species.get(key, name) != name:
            out["reidentified:" + new.species[key]] += 1
        elif key in rejected:
            out["rejected:" + str(rejected[key])] += 1
        elif away_km <= listed_km:
            out["gone"] += 1
    return dict(out)


def _arrivals(fresh: Collection[str], name: str, old: _Side, new: _Side) -> dict[str, Any]:
    """Whose the new records are, how near, of which years, and which species they were before."""
    titles = {item.get("datasetKey"): item.get("title") for item in new.pool.datasets}
    rows = [row for row in new.events[name] if not set(fresh).isdisjoint(row["recordIDs"])]
    owners = Counter(titles.get(row["datasetKey"]) or said("data_set_not") for row in rows)
    years = sorted({row["year"] for row in rows if row["year"] is not None})
    return {
        "events": len(rows),
        "owners": dict(owners),
        "nearestKm": min((row["distanceKm"] for row in rows), default=None),
        "inWater": any(row["inWaterShare"] >= 0.5 for row in rows),
        "years": years[:1] + years[-1:],
        "before": dict(Counter(old.species[key] for key in fresh if old.species.get(key, name) != name)),
    }


def _cause(
    name: str,
    cause: str,
    change: float | None,
    records: int | None,
    *,
    added: bool = True,
    facts: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    return {
        "scientificName": name,
        "cause": cause,
        "logOdds": change,
        "records": records,
        "words": pool_words.cause(cause, records, added=added, facts=facts or {}),
    }


def _rework(old: Pool, new: Pool) -> str:
    """Why the same records weigh otherwise than before, empty when they do not for such a reason."""
    if old.version != new.version:
        return "version"
    if old.settings != new.settings:
        return "settings"
    if _apart_km(old, new) > 0 or old.site.radius_km != new.site.radius_km:
        return "place"
    if _hashes(old, "water") != _hashes(new, "water"):
        return "layers"
    return ""


def _apart_km(old: Pool, new: Pool) -> float:
    away = distance_km(
        np.array([new.site.longitude]),
        np.array([new.site.latitude]),
        from_longitude=old.site.longitude,
        from_latitude=old.site.latitude,
    )
    return float(away[0])


def _hashes(pool: Pool, kind: str) -> list[str]:
    return sorted(str(item.get("sha256", "")) for item in pool.inputs if item.get("kind") == kind)


def _differences(old: Pool, new: Pool) -> list[str]:
    """What differs besides the records, in words."""
    apart = _apart_km(old, new)
    if apart > max(old.site.radius_km, new.site.radius_km):
        raise PoolFileError.of(
            "pools_two_waters", apart=apart, name=old.site.name or "unnamed", name2=new.site.name or "unnamed"
        )
    before, after = old.settings.as_dict(), new.settings.as_dict()
    changed = {key: (before.get(key), value) for key, value in after.items() if before.get(key) != value}
    kinds = [kind for kind in ("ranges", "water", "checklist") if _hashes(old, kind) != _hashes(new, kind)]
    return pool_words.differences(old, new, apart_km=apart, settings=changed, inputs=kinds)


def _changes(old: _Side, new: _Side, threshold: float) -> list[dict[str, Any]]:
    before, after = old.candidates, new.candidates
    rows = []
    for name in sorted(before.keys() | after.keys()):
        was, now = before.get(name, {}), after.get(name, {})
        both = name in before and name in after
        rows.append(
            {
                "scientificName": name,
                "change": _change(was, now, threshold),
                "presenceBefore": was.get("presence"),
                "presenceAfter": now.get("presence"),
                "logOddsChange": new.log_odds(name) - old.log_odds(name) if both else None,
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
