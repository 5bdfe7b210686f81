"""What is new: against the last run, or since a day."""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from poolbuilder.errors import PoolFileError
from poolbuilder.introduced.deciding import deciding
from poolbuilder.introduced.reviewed import Reviewed
from poolbuilder.places.geodesy import distance_km

__all__ = ["MARKER", "SCHEMA_VERSION", "Season", "read_run"]

SCHEMA_VERSION = "1.1"
"""Version of introduced.json; raised when a reader must change."""
READABLE = ("1.0", "1.1")
"""Versions that an earlier run may have; 1.0 does not remember its records."""
MARKER = "introduced.json"

NEWS = ("new-in-water", "new-near", "more-records", "disputed")
"""Kinds of news about an introduced species at a water."""

KEPT_NEWS = 100
"""News of earlier runs that a feed keeps."""

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
    except (ValueError, RecursionError) as error:
        raise PoolFileError(f"is not JSON: {error}", file=path, remedy="name another run") from error
    version = document.get("schemaVersion") if isinstance(document, dict) else None
    if version not in READABLE:
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
    reviewed : Reviewed
        What somebody looked at; a record reviewed as false makes no species known.
    """

    since: datetime.date | None = None
    before: Mapping[str, Any] | None = None
    reviewed: Reviewed = field(default_factory=Reviewed)

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

    def earlier_news(self) -> list[Document]:
        """News of the runs before, the youngest first, for a feed."""
        before = self.before or {}
        return [*before.get("newsItems", ()), *before.get("earlierNews", ())][:KEPT_NEWS]

    def mark(self, waters: Sequence[Document], as_of: datetime.date | None = None) -> None:
        """Fill what is new, what decides it and the note of every species of every water, in place."""
        earlier: dict[str, list[Mapping[str, Any]]] = {}
        for item in (self.before or {}).get("waters", ()):
            earlier.setdefault(item["water"], []).append(item)
        for water in waters:
            past = _same_water(water, earlier.get(water["water"], ()))
            now = water.pop("named", {})
            if self.before is not None:
                water["notes"] += _water_notes(water, past)
            for row in (*water["introduced"], *water["unsettled"]):
                self._mark_row(row, water, past, as_of)
            if past is not None:
                water["gone"] = _gone(water, past, now)

    def _mark_row(
        self, row: Document, water: Document, past: Mapping[str, Any] | None, as_of: datetime.date | None
    ) -> None:
        ledger = Ledger.of(row, water, past, reviewed=self.reviewed, as_of=as_of)
        if ledger.counted or not row["seenRecords"]:
            row["inWater"] = row["inWater"] and (
                not ledger.counted or any(item["inWater"] for item in ledger.counted)
            )
        said = self._news_of_species(row, water, past, ledger)
        fresh = ledger.fresh(self, past)
        if row["isNew"] is not None:
            if row["isNew"] and row["seenRecords"] and not ledger.unreviewed:
                row["isNew"], row["newIn"], said = False, None, []
            row["news"] = _kinds_of_news(row, fresh, ledger, past)
            row["newRecords"] = len(fresh)
        row["review"] = ledger.review
        row["deciding"] = deciding(fresh or ledger.unreviewed or ledger.counted or row["seenRecords"])
        if row["deciding"]:
            row["grade"] = row["deciding"][0]["grade"]
            row["gradeReasons"] = row["deciding"][0]["gradeReasons"]
        if "more-records" in row["news"]:
            said.append(f"{len(fresh):,} further {'record' if len(fresh) == 1 else 'records'}")
        row["note"] = "; ".join(_sentences(row, [*said, *ledger.notes(past)]))
        row["seenRecords"] = [
            {name: item[name] for name in ("recordKey", "eventDate", "inWater", "firstSeen")}
            for item in row["seenRecords"]
        ]

    def _news_of_species(
        self, row: Document, water: Document, past: Mapping[str, Any] | None, ledger: Ledger
    ) -> list[str]:
        """Set isNew and newIn; what has to be said about it."""
        verdicts: list[str | None] = []
        said: list[str] = []
        if past is not None and self.before is not None:
            place, words = _against(row, past, str(self.before["asOf"]), water["radiusKm"], ledger)
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


@dataclass(frozen=True, kw_only=True)
class Ledger:
    """The records of one species near one water, against the last run and what was reviewed.

    Attributes
    ----------
    counted : list
        Records that nobody reviewed as false.
    unreviewed : list
        Those of them without any review.
    known : dict
        Records of the last run that nobody reviewed as false, by key.
    remembers : bool
        Whether the last run remembers its records.
    review : dict or None
        The youngest review of any of the records.
    """

    row: Document
    counted: list[Document]
    unreviewed: list[Document]
    known: dict[str, Mapping[str, Any]]
    seen: dict[str, Mapping[str, Any]]
    remembers: bool
    review: Document | None

    @classmethod
    def of(
        cls,
        row: Document,
        water: Mapping[str, Any],
        past: Mapping[str, Any] | None,
        *,
        reviewed: Reviewed,
        as_of: datetime.date | None,
    ) -> Ledger:
        """Set ``firstSeen`` of the records and look up their reviews."""
        name = row["scientificName"]
        before = None if past is None else _row_of(past, name)
        seen = {item["recordKey"]: item for item in (before or {}).get("seenRecords", ())}
        today = None if as_of is None else as_of.isoformat()
        place = (name, str(water["water"]))
        reviews = {}
        for item in row["seenRecords"]:
            item["firstSeen"] = seen.get(item["recordKey"], {}).get("firstSeen") or today
            reviews[item["recordKey"]] = reviewed.of(item, *place, as_of=as_of)
        gone = {key: reviewed.of(item, *place, as_of=as_of) for key, item in seen.items()}
        verdicts = {**{key: review for key, review in gone.items() if key not in reviews}, **reviews}
        false = {key for key, review in verdicts.items() if review and review["verdict"] == "false"}
        made = [review for review in reviews.values() if review]
        return cls(
            row=row,
            counted=[item for item in row["seenRecords"] if item["recordKey"] not in false],
            unreviewed=[item for item in row["seenRecords"] if reviews[item["recordKey"]] is None],
            known={key: item for key, item in seen.items() if key not in false},
            seen=seen,
            remembers=bool(seen),
            review=max(made, key=lambda review: review["date"], default=None),
        )

    def fresh(self, season: Season, past: Mapping[str, Any] | None) -> list[Document]:
        """Unreviewed records that the last run did not have, or dated on or after the day asked about."""
        if past is not None and (self.remembers or self.row["isNew"]):
            return [item for item in self.unreviewed if item["recordKey"] not in self.seen]
        if season.since is None:
            return []
        day = season.since.isoformat()
        return [item for item in self.unreviewed if _surely_since(item["eventDate"], day)]

    def notes(self, past: Mapping[str, Any] | None) -> list[str]:
        """What became of the records of the last run: withdrawn, re-identified, moved, re-dated."""
        notes = []
        if self.review is not None:
            by = f" by {self.review['by']}" if self.review["by"] else ""
            notes.append(f"reviewed as {self.review['verdict']}{by} on {self.review['date']}")
        if past is None or not self.remembers:
            return notes + self._renamed(past)
        here = {item["recordKey"]: item for item in self.row["seenRecords"]}
        missing = sum(key not in here for key in self.seen)
        if missing:
            notes.append(
                f"{_records(missing)} of the last run not here any more: withdrawn, moved or re-identified"
            )
        both = [(self.seen[key], item) for key, item in here.items() if key in self.seen]
        dated = [(was["eventDate"], now["eventDate"]) for was, now in both]
        changed = [(was, now) for was, now in dated if was != now]
        if changed:
            was, now = changed[0]
            notes.append(
                f"{_records(len(changed))} re-dated, such as {was or 'undated'} to {now or 'undated'}"
            )
        moved = sum(now["inWater"] != was["inWater"] for was, now in both)
        if moved:
            notes.append(f"{_records(moved)} moved into or out of the water")
        return notes + self._renamed(past)

    def _renamed(self, past: Mapping[str, Any] | None) -> list[str]:
        """Records that the last run had under another listed species."""
        names = {
            item["recordKey"]: other["scientificName"]
            for other in (() if past is None else (*past.get("introduced", ()), *past.get("unsettled", ())))
            for item in other.get("seenRecords", ())
            if other["scientificName"] != self.row["scientificName"]
        }
        came = [names[item["recordKey"]] for item in self.row["seenRecords"] if item["recordKey"] in names]
        return [f"{_records(len(came))} re-identified, {came[0]} in the last run"] if came else []


def _records(number: int) -> str:
    return f"{number:,} {'record' if number == 1 else 'records'}"


def _row_of(water: Mapping[str, Any], name: str) -> Mapping[str, Any] | None:
    rows = (*water.get("introduced", ()), *water.get("unsettled", ()))
    return next((row for row in rows if row["scientificName"] == name), None)


def _kinds_of_news(
    row: Document, fresh: Sequence[Document], ledger: Ledger, past: Mapping[str, Any] | None
) -> list[str]:
    """Which of `NEWS` a row is."""
    kinds = []
    if row["isNew"]:
        kinds.append("new-in-water" if row["newIn"] == "water" else "new-near")
    elif fresh:
        kinds.append("more-records")
    before = None if past is None else _row_of(past, row["scientificName"])
    settled_once = before is None or not before.get("disputed")
    if row["disputed"] and settled_once and (ledger.unreviewed or not row["seenRecords"]):
        kinds.append("disputed")
    return kinds


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
    row: Mapping[str, Any], past: Mapping[str, Any], day: str, radius_km: float, ledger: Ledger
) -> tuple[str | None, list[str]]:
    """Where a species is new against an earlier run: ``near``, ``water`` or nowhere; and words."""
    before = {item["scientificName"]: item for item in past["recorded"]}.get(row["scientificName"])
    if before is not None and ledger.remembers:
        # A record reviewed as false makes no species known: the true one after it is news again.
        known = ledger.known.values()
        before = {"inWater": any(item["inWater"] for item in known)} if known else None
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


def _gone(water: Mapping[str, Any], past: Mapping[str, Any], now: Mapping[str, str]) -> list[Document]:
    """Introduced species of the earlier run without a record near now."""
    here = {item["scientificName"] for item in water["recorded"]}
    found = []
    for item in past.get("introduced", ()):
        if item["scientificName"] in here:
            continue
        renamed = sorted(
            {now[key["recordKey"]] for key in item.get("seenRecords", ()) if key["recordKey"] in now}
        )
        why = (
            f"its records are identified as {', '.join(renamed)} now"
            if renamed
            else "its records were withdrawn, corrected or left out"
        )
        found.append(
            {
                "scientificName": item["scientificName"],
                "vernacularName": item.get("vernacularName"),
                "note": f"recorded near in the last run, not any more: {why}; that is no sign that the "
                "species is gone",
            }
        )
    return found


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


def news_items(waters: Sequence[Mapping[str, Any]], as_of: str) -> list[dict[str, Any]]:
    """One item for each species and water with news, those in a water first."""
    fields = (
        "recordKey", "occurrenceID", "link", "datasetName", "license", "recordedBy", "eventDate",
        "decimalLongitude", "decimalLatitude", "coordinateUncertaintyInMeters", "distanceKm",
    )  # fmt: skip
    items = []
    for water in waters:
        for row in (*water["introduced"], *water["unsettled"]):
            if row["news"]:
                record = row["deciding"][0] if row["deciding"] else {}
                items.append(
                    {
                        "asOf": as_of,
                        "water": water["water"],
                        "species": row["scientificName"],
                        "kinds": row["news"],
                        "grade": row["grade"],
                        "gradeReasons": row["gradeReasons"],
                        **{name: record.get(name) for name in fields},
                    }
                )
    return sorted(items, key=lambda item: NEWS.index(item["kinds"][0]))
