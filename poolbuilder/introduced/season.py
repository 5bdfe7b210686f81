"""What is new: against the last run, or since a day."""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from poolbuilder.errors import PoolFileError
from poolbuilder.places.geodesy import distance_km

__all__ = ["MARKER", "SCHEMA_VERSION", "Season", "read_run"]

SCHEMA_VERSION = "1.0"
"""Version of introduced.json; raised when a reader must change."""
MARKER = "introduced.json"

MOVED_KM = 2.0
"""A water of the same name farther away than this is another water."""

Document = dict[str, Any]


def read_run(folder: str | Path) -> Document:
    """Read the run that a folder holds.

    Raises
    ------
    PoolFileError
        When it holds none, or one of another schemaVersion.
    """
    path = Path(folder) / MARKER
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PoolFileError(
            f"cannot be read: {error.strerror}",
            file=path,
            remedy="name a folder that `poolbuilder introduced --out` wrote, or leave --previous out on "
            "the first run",
        ) from error
    except ValueError as error:
        raise PoolFileError(f"is not JSON: {error}", file=path, remedy="name another run") from error
    version = document.get("schemaVersion") if isinstance(document, dict) else None
    if version != SCHEMA_VERSION:
        raise PoolFileError(
            f"has schemaVersion {version}, this version reads {SCHEMA_VERSION}",
            file=path,
            remedy="make the earlier run again with this version and its own --as-of, or use --since",
        )
    try:
        datetime.date.fromisoformat(document["asOf"])
        for water in document["waters"]:
            _ = (water["water"], water["longitude"], water["latitude"], water["recorded"])
    except (KeyError, TypeError, ValueError) as error:
        raise PoolFileError(f"lacks {error}", file=path, remedy="name another run") from error
    return dict(document)


@dataclass(frozen=True, kw_only=True)
class Season:
    """What the present is compared with.

    Attributes
    ----------
    since : date or None
        Species first recorded on or after it are new.
    before : dict or None
        The last run, as `read_run` gives it.
    """

    since: datetime.date | None = None
    before: Mapping[str, Any] | None = None

    @property
    def compares(self) -> bool:
        """Whether there is anything to compare with."""
        return self.since is not None or self.before is not None

    @property
    def words(self) -> str:
        """What new means, as the end of a sentence."""
        parts = []
        if self.before is not None:
            parts.append(f"since the run of {self.before['asOf']}")
        if self.since is not None:
            parts.append(f"first recorded on or after {self.since.isoformat()}")
        return " or ".join(parts)

    def notes(self, *, settings: Mapping[str, Any], version: str, checklist: str) -> list[str]:
        """What differs between the two runs besides the records."""
        if self.before is None:
            return []
        notes = []
        if self.before.get("poolbuilderVersion") != version:
            notes.append(
                f"the last run was made by poolbuilder {self.before.get('poolbuilderVersion')}, this one by "
                f"{version}: some of what is new may be due to that"
            )
        if self.before.get("checklist") != checklist:
            notes.append(
                f"the last run looked at the list {self.before.get('checklist')}, this one at {checklist}: "
                "species that were not looked for then show as new"
            )
        earlier = self.before.get("settings") or {}
        changed = sorted(key for key in settings if earlier.get(key) != settings[key])
        if changed:
            notes.append(f"settings differ from the last run: {', '.join(changed)}")
        return notes

    def mark(self, waters: Sequence[Document]) -> None:
        """Fill isNew, newIn, gone and note of every species of every water, in place."""
        earlier: dict[str, list[Mapping[str, Any]]] = {}
        for item in (self.before or {}).get("waters", ()):
            earlier.setdefault(item["water"], []).append(item)
        for water in waters:
            past = _same_water(water, earlier.get(water["water"], ()))
            if self.before is not None:
                water["notes"] += _water_notes(water, past)
            for row in (*water["introduced"], *water["unsettled"]):
                said = self._mark_row(row, water, past)
                row["note"] = "; ".join(_sentences(row, said))
            if past is not None:
                water["gone"] = _gone(water, past)

    def _mark_row(self, row: Document, water: Document, past: Mapping[str, Any] | None) -> list[str]:
        """Set isNew and newIn; what has to be said about it."""
        verdicts: list[str | None] = []
        said: list[str] = []
        if past is not None and self.before is not None:
            place, words = _against(row, past, str(self.before["asOf"]), water["radiusKm"])
            verdicts.append(place)
            said += words
        if self.since is not None:
            place, words = _dated(row, self.since, water["radiusKm"])
            verdicts.append(place)
            said += words if words and not said else []
        if verdicts:
            found = [place for place in verdicts if place]
            row["isNew"], row["newIn"] = bool(found), found[0] if found else None
        return said


def _same_water(water: Mapping[str, Any], named: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """The water of an earlier run under the same name at the same place."""
    for item in named:
        away = distance_km(
            [item["longitude"]],
            [item["latitude"]],
            from_longitude=water["longitude"],
            from_latitude=water["latitude"],
        )
        if float(away[0]) <= MOVED_KM:
            return item
    return None


def _water_notes(water: Mapping[str, Any], past: Mapping[str, Any] | None) -> list[str]:
    if past is None:
        return ["was not in the last run at this place: what is new cannot be told"]
    if past.get("radiusKm") != water["radiusKm"]:
        return [
            f"the radius was {past.get('radiusKm'):g} km in the last run: what is new may only be farther out"
        ]
    return []


def _against(
    row: Mapping[str, Any], past: Mapping[str, Any], day: str, radius_km: float
) -> tuple[str | None, list[str]]:
    """Where a species is new against an earlier run: ``near``, ``water`` or nowhere; and words."""
    before = {item["scientificName"]: item for item in past["recorded"]}.get(row["scientificName"])
    if before is None:
        place = "water" if row["inWater"] else "near"
        words = f"new {'in this water' if row['inWater'] else f'within {radius_km:g} km'} since {day}"
        first = row["firstYear"]
        if first is not None and first < int(day[:4]) - 1:
            words += f", though its first record is of {first}: published or corrected since"
        return place, [words]
    if row["inWater"] and not before["inWater"]:
        return "water", [f"new in this water since {day}; it was near before"]
    listed = {item["scientificName"] for item in past.get("introduced", ())}
    if row["scientificName"] not in listed and row["establishmentMeans"] != "uncertain":
        return None, [f"recorded here in the run of {day} too, but not as introduced then"]
    return None, []


def _dated(row: Mapping[str, Any], since: datetime.date, radius_km: float) -> tuple[str | None, list[str]]:
    """Where a species is first recorded since a day."""
    day = since.isoformat()
    if _surely_since(row["firstDate"], day):
        if row["undatedEvents"]:
            return None, [f"its dated records begin {row['firstDate']}; others carry no date"]
        if row["inWater"]:
            return "water", [f"first recorded {row['firstDate']}, in this water or within {radius_km:g} km"]
        return "near", [f"first recorded {row['firstDate']} within {radius_km:g} km"]
    if _surely_since(row["firstDateInWater"], day):
        return "water", [f"first recorded in this water {row['firstDateInWater']}; it was near before"]
    if row["firstDate"] and len(row["firstDate"]) == 4 and row["firstDate"] == day[:4]:
        return None, [f"its first record is dated {row['firstDate']} only: it may be new since {day}"]
    return None, []


def _surely_since(date: str | None, day: str) -> bool:
    """Whether a day or a year, as text, lies wholly on or after a day."""
    if not date:
        return False
    return date >= day if len(date) > 4 else f"{date}-01-01" >= day


def _gone(water: Mapping[str, Any], past: Mapping[str, Any]) -> list[Document]:
    """Introduced species of the earlier run without a record near now."""
    now = {item["scientificName"] for item in water["recorded"]}
    return [
        {
            "scientificName": item["scientificName"],
            "vernacularName": item.get("vernacularName"),
            "note": "recorded near in the last run, not any more: its records were withdrawn, corrected or "
            "left out; that is no sign that the species is gone",
        }
        for item in past.get("introduced", ())
        if item["scientificName"] not in now
    ]


def _sentences(row: Mapping[str, Any], said: Sequence[str]) -> list[str]:
    """The note on a species, from what is new to what is doubtful."""
    parts = [*said]
    if row["inWater"] and not any("in this water" in text for text in said):
        parts.append("recorded in this water")
    if row["conflict"]:
        parts.append(row["conflict"])
    if row["establishmentSource"] == "unknown":
        parts.append("no source says whether it is native here")
    if row["way"]:
        parts.append(row["way"])
    if row["front"] is not None and row["front"]["trend"] != "arrived":
        parts.append(row["front"]["words"])
    if row["remark"]:
        parts.append(row["remark"])
    return list(dict.fromkeys(parts))
