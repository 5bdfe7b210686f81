"""What is new: against the last run, or since a day; and what somebody looked at."""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from poolbuilder.errors import PlanError, PoolFileError, said
from poolbuilder.names.vocabularies import fold, read_rows
from poolbuilder.places.geodesy import distance_km
from poolbuilder.words import few
from poolbuilder.words import introduced_words as words

SCHEMA_VERSION = "1.2"
"""Version of introduced.json; raised when a reader must change."""
READABLE = ("1.0", "1.1", SCHEMA_VERSION)
"""Versions that an earlier run may have; 1.0 does not remember its records."""
MARKER = "introduced.json"
NEWS = tuple(words.NEWS)
"""Kinds of news about an introduced species at a water."""
KEPT_NEWS = 100
"""News of earlier runs that a feed keeps."""
MOVED_KM = 2.0
"""A water of the same name farther away than this is another water."""

MOST_SHOWN = 3
GRADES = tuple(words.GRADES)
"""How sure a record is, the surest first."""

Document = dict[str, Any]
Past = Mapping[str, Any] | None
VERDICTS = ("false", "true", "seen")


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
        raise PoolFileError.of("cannot_read_season", file=path, why=error.strerror) from error
    except (ValueError, RecursionError) as error:
        raise PoolFileError.of("run_not_json", file=path, error=error) from error
    version = document.get("schemaVersion") if isinstance(document, dict) else None
    if version not in READABLE:
        raise PoolFileError.of(
            "run_of_other_version", file=path, version=version, schema_version=SCHEMA_VERSION
        )
    try:
        datetime.date.fromisoformat(document["asOf"])
        for water in document["waters"]:
            _ = (water["water"], water["longitude"], water["latitude"], water["recorded"])
    except (KeyError, TypeError, ValueError) as error:
        raise PoolFileError.of("run_lacks_key", file=path, error=error) from error
    return dict(document)


@dataclass(frozen=True, kw_only=True)
class Reviewed:
    """What somebody looked at: reviews by record, and by species and water.

    A verdict on a species at a water covers the records that were seen by its date: a record
    that comes later is news again.
    """

    by_record: Mapping[str, Document] = field(default_factory=dict)
    by_species: Mapping[tuple[str, str], Document] = field(default_factory=dict)

    @classmethod
    def read(cls, path: str | Path) -> Reviewed:
        """Read a table of reviews; of two on one thing the later row holds.

        A CSV table with the columns ``verdict`` (false, true or seen), ``date`` and either
        ``record`` (a recordKey or an occurrenceID) or ``scientificName`` and ``water``; ``by``,
        ``until`` and ``note`` may be there.

        Raises
        ------
        PlanError
            When it cannot be read, lacks a column, or has a row without a verdict or a day.
        """
        records: dict[str, Document] = {}
        species: dict[tuple[str, str], Document] = {}
        remedy = said("table_of_reviews")
        rows = read_rows(path, "reviews", needed=("verdict", "date"), remedy=remedy, error=PlanError)
        for number, cells in rows:
            review = _review(cells, path, number)
            if cells.get("record"):
                records[cells["record"]] = review
            elif cells.get("species") and cells.get("water"):
                species[fold(cells["species"]), fold(cells["water"])] = review
            else:
                raise PlanError.of("names_neither_record", file=path, row=number)
        return cls(by_record=records, by_species=species)

    def on(self, day: str) -> list[Any]:
        """The reviews that are not over on a day."""
        kept = [*self.by_record.items(), *self.by_species.items()]
        return [item for item in kept if not item[1]["until"] or day <= item[1]["until"]]

    def of(self, record: Mapping[str, Any], species: str, water: str, as_of: str | None) -> Document | None:
        """The review that covers a record on a day, or None.

        Parameters
        ----------
        record : mapping
            With ``recordKey``, ``firstSeen`` and perhaps ``occurrenceID``.
        as_of : str
            A review is over after its ``until``.
        """
        own = self.by_record
        review = own.get(str(record["recordKey"])) or own.get(str(record.get("occurrenceID")))
        if review is None:
            review = self.by_species.get((fold(species), fold(water)))
            if review is not None and str(record.get("firstSeen") or "9999") > review["date"]:
                return None
        if review is None or (as_of and review["until"] and as_of > review["until"]):
            return None
        return {name: review[name] for name in ("verdict", "by", "date")}


def _review(cells: Mapping[str, str], path: str | Path, number: int) -> Document:
    verdict = cells["verdict"].lower()
    if verdict not in VERDICTS:
        raise PlanError.of(
            "unknown_word", file=path, row=number, column="verdict", value=cells["verdict"], listed=VERDICTS
        )
    try:
        date, until = (
            datetime.date.fromisoformat(cells[name]).isoformat() if cells.get(name) or name == "date" else ""
            for name in ("date", "until")
        )
    except ValueError as error:
        raise PlanError(str(error), file=path, row=number, remedy="write days as 2026-06-30") from error
    return {"verdict": verdict, "by": cells.get("by", ""), "date": date, "until": until}


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

    def notes(
        self,
        *,
        settings: Mapping[str, Any],
        version: str,
        checklist: str,
        waters: Sequence[Mapping[str, Any]] = (),
    ) -> list[str]:
        """What differs between the two runs besides the records."""
        if self.before is None:
            return []
        before, earlier = self.before, self.before.get("settings") or {}
        notes = []
        if before.get("poolbuilderVersion") != version:
            notes.append(said("version_differs", before=before.get("poolbuilderVersion"), now=version))
        if before.get("checklist") != checklist:
            notes.append(said("list_differs", before=before.get("checklist"), now=checklist))
        if changed := sorted(key for key in settings if earlier.get(key) != settings[key]):
            notes.append(said("settings_differ", changed=changed))
        dropped = [item for item in before["waters"] if _same_water(item, waters) is None]
        if waters and dropped:
            notes.append(said("waters_not_looked_at", waters=few([words.water(item) for item in dropped])))
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
            if self.before is not None and past is None:
                water["notes"].append(said("water_not_compared"))
            elif past is not None and past.get("radiusKm") != water["radiusKm"]:
                water["notes"].append(said("radius_differs", radius_km=past["radiusKm"]))
            for row in _rows(water):
                self._mark_row(row, water, past, None if as_of is None else as_of.isoformat())
            if past is not None:
                water["gone"] = _gone(water, past, now)

    def _mark_row(self, row: Document, water: Document, past: Past, as_of: str | None) -> None:
        held = Held.of(row, water, past, reviewed=self.reviewed, as_of=as_of)
        if held.counted:
            row["inWater"] = row["inWater"] and any(item["inWater"] for item in held.counted)
        news = self._news_of_species(row, water["radiusKm"], past, held)
        fresh = held.fresh(self.since, past)
        if row["isNew"] is not None:
            if row["isNew"] and row["seenRecords"] and not held.unreviewed:
                row["isNew"], row["newIn"], news = False, None, []
            row["news"] = _kinds_of_news(row, fresh, held, past)
            row["newRecords"] = len(fresh)
        row["review"] = held.review
        row["deciding"] = deciding(fresh or held.unreviewed or held.counted or row["seenRecords"])
        if row["deciding"]:
            row |= {name: row["deciding"][0][name] for name in ("grade", "gradeReasons")}
        if "more-records" in row["news"]:
            young = any(item.get("young") for item in fresh)
            known = any(item.get("young") for item in held.seen.values())
            news.append(words.further_records(len(fresh), "" if not young else "again" if known else "first"))
        row["note"] = words.note(row, [*news, *held.notes(past)])
        row["seenRecords"] = [
            {name: item.get(name) for name in ("recordKey", "eventDate", "inWater", "young", "firstSeen")}
            for item in row["seenRecords"]
        ]

    def _news_of_species(self, row: Document, radius_km: float, past: Past, held: Held) -> list[str]:
        """Set isNew and newIn; what has to be news about it."""
        places: list[str | None] = []
        news: list[str] = []
        if past is not None and self.before is not None:
            place, text = _against(row, past, str(self.before["asOf"]), radius_km, held)
            places.append(place)
            news += [text] if text else []
        if self.since is not None:
            place, text = _dated(row, self.since.isoformat(), radius_km)
            places.append(place)
            news += [text] if text and not news else []
        if places:
            row["newIn"] = next(filter(None, places), None)
            row["isNew"] = row["newIn"] is not None
        return news


@dataclass(frozen=True, kw_only=True)
class Held:
    """The records of one species near one water, against the last run and what was reviewed.

    Attributes
    ----------
    counted, unreviewed : list
        Records that nobody reviewed as false; those of them without any review.
    seen, known : dict
        Records of the last run by key; those of them that nobody reviewed as false.
    review : dict or None
        The youngest review of any of the records.
    """

    row: Document
    counted: list[Document]
    unreviewed: list[Document]
    seen: dict[str, Mapping[str, Any]]
    known: dict[str, Mapping[str, Any]]
    review: Document | None

    @classmethod
    def of(
        cls, row: Document, water: Mapping[str, Any], past: Past, *, reviewed: Reviewed, as_of: str | None
    ) -> Held:
        """Set ``firstSeen`` of the records and look up their reviews."""
        name = row["scientificName"]
        before = next((item for item in _rows(past or {}) if item["scientificName"] == name), {})
        seen = {item["recordKey"]: item for item in before.get("seenRecords", ())}
        for item in row["seenRecords"]:
            item["firstSeen"] = seen.get(item["recordKey"], {}).get("firstSeen") or as_of
        now = {item["recordKey"]: item for item in row["seenRecords"]}
        reviews = {
            key: reviewed.of(item, name, str(water["water"]), as_of) for key, item in {**seen, **now}.items()
        }
        false = {key for key, review in reviews.items() if review and review["verdict"] == "false"}
        return cls(
            row=row,
            counted=[item for key, item in now.items() if key not in false],
            unreviewed=[item for key, item in now.items() if reviews[key] is None],
            seen=seen,
            known={key: item for key, item in seen.items() if key not in false},
            review=max(
                filter(None, (reviews[key] for key in now)), key=lambda one: one["date"], default=None
            ),
        )

    def fresh(self, since: datetime.date | None, past: Past) -> list[Document]:
        """Unreviewed records that the last run did not have, or dated on or after the day asked about."""
        if past is not None and (self.seen or self.row["isNew"]):
            return [item for item in self.unreviewed if item["recordKey"] not in self.seen]
        if since is None:
            return []
        return [item for item in self.unreviewed if _surely_since(item["eventDate"], since.isoformat())]

    def notes(self, past: Past) -> list[str]:
        """What became of the records of the last run: withdrawn, re-identified, moved, re-dated."""
        notes = []
        if self.review is not None:
            key = "review_by" if self.review["by"] else "review_of_day"
            notes.append(said(key, review=self.review))
        here = {item["recordKey"]: item for item in self.row["seenRecords"]}
        if missing := sum(key not in here for key in self.seen):
            notes.append(said("records_missing", missing=missing))
        both = [(self.seen[key], item) for key, item in here.items() if key in self.seen]
        dates = [(was["eventDate"], now["eventDate"]) for was, now in both]
        if changed := [pair for pair in dates if pair[0] != pair[1]]:
            was, now = (date or "undated" for date in changed[0])
            notes.append(said("records_redated", changed=len(changed), was=was, now=now))
        if moved := sum(now["inWater"] != was["inWater"] for was, now in both):
            notes.append(said("records_moved", moved=moved))
        names = {
            item["recordKey"]: other["scientificName"]
            for other in _rows(past or {})
            for item in other.get("seenRecords", ())
            if other["scientificName"] != self.row["scientificName"]
        }
        if came := [names[key] for key in here if key in names]:
            notes.append(said("records_reidentified", came=len(came), name=came[0]))
        return notes


def _rows(water: Mapping[str, Any]) -> list[Document]:
    """All species of a water that are listed, settled or not."""
    return [*water.get("introduced", ()), *water.get("unsettled", ())]


def _kinds_of_news(row: Document, fresh: Sequence[Document], held: Held, past: Past) -> list[str]:
    """Which of `NEWS` a row is."""
    kinds = []
    if row["isNew"]:
        kinds.append("new-in-water" if row["newIn"] == "water" else "new-near")
    elif fresh:
        kinds.append("more-records")
    disputed = {item["scientificName"] for item in _rows(past or {}) if item.get("disputed")}
    settled_once = row["scientificName"] not in disputed
    if row["disputed"] and settled_once and (held.unreviewed or not row["seenRecords"]):
        kinds.append("disputed")
    return kinds


def _same_water(water: Mapping[str, Any], others: Sequence[Mapping[str, Any]]) -> Past:
    """The water of the same name and identifier at the same place: the nearest of several."""
    own = water.get("locationID")
    named = [
        item
        for item in others
        if item["water"] == water["water"]
        and (not own or not item.get("locationID") or own == item["locationID"])
    ]
    if not named:
        return None
    away = distance_km(
        [item["longitude"] for item in named],
        [item["latitude"] for item in named],
        from_longitude=water["longitude"],
        from_latitude=water["latitude"],
    ).tolist()
    nearest = min(range(len(named)), key=away.__getitem__)
    return named[nearest] if away[nearest] <= MOVED_KM else None


def _against(
    row: Document, past: Mapping[str, Any], day: str, radius_km: float, held: Held
) -> tuple[str | None, str]:
    """Where a species is new against an earlier run: ``near``, ``water`` or nowhere; and words."""
    name = row["scientificName"]
    before = {item["scientificName"]: item["inWater"] for item in past["recorded"]}.get(name)
    if before is not None and held.seen:
        # A record reviewed as false makes no species known: the true one after it is news again.
        known = held.known.values()
        before = any(item["inWater"] for item in known) if known else None
    if before is None:
        where = "in this water" if row["inWater"] else f"within {radius_km:g} km"
        first = row["firstYear"]
        place = "water" if row["inWater"] else "near"
        if first is not None and first < int(day[:4]) - 1:
            return place, said("new_here_late", where=where, day=day, first=first)
        return place, said("new_here", where=where, day=day)
    if row["inWater"] and not before:
        return "water", said("entered_water", day=day)
    listed = {item["scientificName"] for item in past.get("introduced", ())}
    if name not in listed and row["establishmentMeans"] != "uncertain":
        return None, said("not_introduced_then", day=day)
    return None, ""


def _dated(row: Mapping[str, Any], day: str, radius_km: float) -> tuple[str | None, str]:
    """Where a species is first recorded since a day."""
    first = row["firstDate"]
    if _surely_since(first, day):
        if row["undatedEvents"]:
            return None, said("others_undated", first=first)
        place = "water" if row["inWater"] else "near"
        key = "first_recorded_in_water" if row["inWater"] else "first_recorded"
        return place, said(key, first=first, radius_km=radius_km)
    if _surely_since(row["firstDateInWater"], day):
        return "water", said("later_in_water", first=row["firstDateInWater"])
    return None, said("year_alone", first=first, day=day) if first == day[:4] else ""


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
        if item["scientificName"] not in here:
            keys = [record["recordKey"] for record in item.get("seenRecords", ())]
            found.append(
                {
                    "scientificName": item["scientificName"],
                    "vernacularName": item.get("vernacularName"),
                    "note": words.gone({now[key] for key in keys if key in now}),
                }
            )
    return found


def deciding(records: Sequence[Document]) -> list[Document]:
    """Up to `MOST_SHOWN` records that decide: in the water first, then the surest, then the latest."""
    by_date = sorted(
        records, key=lambda item: (str(item["eventDate"] or ""), item["recordKey"]), reverse=True
    )
    ordered = sorted(by_date, key=lambda item: (not item["inWater"], GRADES.index(item["grade"])))
    return ordered[:MOST_SHOWN]


def news_items(waters: Sequence[Mapping[str, Any]], as_of: str) -> list[Document]:
    """One item for each species and water with news, those in a water first."""
    fields = (
        "recordKey", "occurrenceID", "link", "datasetName", "license", "recordedBy", "eventDate",
        "decimalLongitude", "decimalLatitude", "coordinateUncertaintyInMeters", "distanceKm",
    )  # fmt: skip
    items = []
    for water in waters:
        for row in _rows(water):
            if row["news"]:
                record = row["deciding"][0] if row["deciding"] else {}
                items.append(
                    {
                        "asOf": as_of,
                        **{name: water[name] for name in ("water", "locationID", "county")},
                        "species": row["scientificName"],
                        "kinds": row["news"],
                        "newRecords": row["newRecords"],
                        "grade": row["grade"],
                        "gradeReasons": row["gradeReasons"],
                        **{name: record.get(name) for name in fields},
                    }
                )
    return sorted(items, key=lambda item: NEWS.index(item["kinds"][0]))
