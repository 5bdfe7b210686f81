"""What somebody looked at: a table of records, or species at waters, with a verdict on each.

A CSV table with the columns ``verdict`` (false, true or seen), ``date`` and either ``record``
(a recordKey or an occurrenceID) or ``scientificName`` and ``water``; ``by``, ``until`` and
``note`` may be there.  A verdict on a species at a water covers the records that were seen by
its date: a record that comes later is news again.
"""

from __future__ import annotations

import csv
import datetime
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from poolbuilder.errors import PlanError
from poolbuilder.names.vocabularies import fold

VERDICTS = ("false", "true", "seen")
_HEADINGS = {
    "record": ("record", "recordkey", "occurrenceid"),
    "species": ("scientificname", "species"),
    "water": ("water", "lake", "waterbody", "waterbodyname", "lakename"),
    "verdict": ("verdict", "result"),
    "by": ("by", "reviewer", "reviewedby", "who"),
    "date": ("date", "reviewed", "reviewedon"),
    "until": ("until", "validuntil"),
}
_REMEDY = "give a CSV table with verdict, date, and record or scientificName and water"


@dataclass(frozen=True, kw_only=True)
class Reviewed:
    """Reviews by record and by species and water."""

    by_record: Mapping[str, dict[str, Any]] | None = None
    by_species: Mapping[tuple[str, str], dict[str, Any]] | None = None

    def of(
        self, record: Mapping[str, Any], species: str, water: str, *, as_of: datetime.date | None
    ) -> dict[str, Any] | None:
        """The review that covers a record, or None.

        Parameters
        ----------
        record : mapping
            With ``recordKey``, ``firstSeen`` and perhaps ``occurrenceID``.
        as_of : date
            A review is over after its ``until``.
        """
        own = self.by_record or {}
        review = own.get(str(record["recordKey"])) or own.get(str(record.get("occurrenceID")))
        if review is None:
            review = (self.by_species or {}).get((fold(species), fold(water)))
            if review is not None and str(record.get("firstSeen") or "9999") > review["date"]:
                return None
        if review is None or (as_of is not None and review["until"] and as_of.isoformat() > review["until"]):
            return None
        return {name: review[name] for name in ("verdict", "by", "date")}


def read_reviewed(path: str | Path) -> Reviewed:
    """Read a table of reviews; of two on one thing the later row holds.

    Raises
    ------
    PlanError
        When it cannot be read, lacks a column, or has a row without a verdict or a day.
    """
    rows = _rows(Path(path))
    at = _columns(rows[0], path)
    records: dict[str, dict[str, Any]] = {}
    species: dict[tuple[str, str], dict[str, Any]] = {}
    for number, row in enumerate(rows[1:], start=2):
        cells = {key: row[column].strip() if column < len(row) else "" for key, column in at.items()}
        if not any(cells.values()):
            continue
        review = _review(cells, path, number)
        if cells.get("record"):
            records[cells["record"]] = review
        elif cells.get("species") and cells.get("water"):
            species[fold(cells["species"]), fold(cells["water"])] = review
        else:
            raise PlanError("names neither a record nor a species and a water", file=path, row=number,
                            remedy=_REMEDY)  # fmt: skip
    return Reviewed(by_record=records, by_species=species)


def _rows(path: Path) -> list[list[str]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise PlanError("is not UTF-8 text", file=path, remedy="save it as CSV UTF-8") from error
    except OSError as error:
        raise PlanError(f"cannot be read: {error.strerror}", file=path, remedy="check the path") from error
    delimiter = max("\t;,", key=text.partition("\n")[0].count)
    rows = list(csv.reader(io.StringIO(text), delimiter=delimiter))
    if not rows:
        raise PlanError("is empty", file=path, remedy=_REMEDY)
    return rows


def _columns(header: list[str], path: str | Path) -> dict[str, int]:
    folded = [fold(name) for name in header]
    found = {
        key: folded.index(next(word for word in words if word in folded))
        for key, words in _HEADINGS.items()
        if any(word in folded for word in words)
    }
    if missing := [key for key in ("verdict", "date") if key not in found]:
        raise PlanError(f"has no column {' or '.join(missing)}", file=path, row=1, remedy=_REMEDY)
    return found


def _review(cells: Mapping[str, str], path: str | Path, number: int) -> dict[str, Any]:
    verdict = cells["verdict"].lower()
    if verdict not in VERDICTS:
        raise PlanError(
            f"verdict {cells['verdict']!r} is unknown",
            file=path,
            row=number,
            remedy=f"write one of {', '.join(VERDICTS)}",
        )
    try:
        date = datetime.date.fromisoformat(cells["date"]).isoformat()
        until = cells.get("until") and datetime.date.fromisoformat(cells["until"]).isoformat()
    except ValueError as error:
        raise PlanError(str(error), file=path, row=number, remedy="write days as 2026-06-30") from error
    return {"verdict": verdict, "by": cells.get("by", ""), "date": date, "until": until or ""}
