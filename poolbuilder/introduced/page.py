"""The page of a run: what is new and where on top, then every water with its small map."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from poolbuilder import pages, words
from poolbuilder.introduced.deciding import GRADES
from poolbuilder.introduced.lines import findings, headline
from poolbuilder.introduced.run import NO_STATUS, Run
from poolbuilder.pages.maps import overview, water_map
from poolbuilder.places.sites import Site

__all__ = ["render"]


def render(run: Run) -> str:
    """The page of a run: one HTML text that needs no other file and no network.

    The same run gives the same text.
    """
    document = run.document
    cards = [
        _card(run, item.document, water_map(item.document, item.places, item.outline))
        for item in run.assessments
    ]
    cards.sort(key=lambda card: (card["order"], card["number"]))
    return pages.fill(
        "introduced.html",
        styles=("introduced.css",),
        scripts=("introduced.js",),
        run=document,
        findings=_told(run),
        compares=run.season.compares,
        headline=headline(run),
        compared=run.season.words,
        as_of=words.day(datetime.date.fromisoformat(document["asOf"])),
        doubts=_doubts(document),
        species=_news(run),
        unsettled_news=_unsettled_news(run),
        overview=_overview(run),
        cards=[card for card in cards if card["filled"]],
        empty=[card for card in cards if not card["filled"]],
        datasets=[{**item, "licence": words.licence(item.get("license"))} for item in document["datasets"]],
    )


def _told(run: Run) -> str:
    """What is new, species by species; the plain count when nothing is."""
    cards = _news(run)
    if not cards:
        return findings(run)
    said = [
        f"{card['vernacular'] or card['name']} "
        + ("in " if card["inside"] else "near ")
        + words.joined([place["water"] for place in (card["inside"] or card["near"])[:3]])
        + (" and more" if len(card["inside"] or card["near"]) > 3 else "")
        for card in cards[:6]
    ]
    more = f", and {len(cards) - 6:,} more species" if len(cards) > 6 else ""
    return f"New {run.season.words}: {'; '.join(said)}{more}."


def _doubts(document: Mapping[str, Any]) -> list[str]:
    """What the reader must know first."""
    notes = list(document["notes"])
    first = [note for note in notes if note == NO_STATUS]
    rest = [note for note in notes if note != NO_STATUS]
    return [*first, *rest[: 3 - len(first)]]


def _where(run: Run, rows: Sequence[tuple[dict[str, Any], dict[str, Any]]]) -> dict[int, str]:
    """Number of each water with news to ``water`` or ``near``."""
    found: dict[int, str] = {}
    for water, row in rows:
        if found.get(water["number"]) != "water":
            found[water["number"]] = row["newIn"]
    return found


def _overview(run: Run) -> Markup:
    news = _where(run, run.new())
    title = f"map of {len(run.waters)} waters, {len(news)} of them with something new"
    return overview(run.waters, news, title=title)


def _news(run: Run) -> list[dict[str, Any]]:
    """What is new by species: those found in a water first, then by the number of waters."""
    by_name: dict[str, list[tuple[dict[str, Any], dict[str, Any]]]] = {}
    for water, row in run.new():
        by_name.setdefault(row["scientificName"], []).append((water, row))
    cards = []
    for name, pairs in by_name.items():
        inside = [(water, row) for water, row in pairs if row["newIn"] == "water"]
        near = sorted(
            ((water, row) for water, row in pairs if row["newIn"] != "water"),
            key=lambda pair: (pair[1]["nearestKm"], pair[0]["number"]),
        )
        sources = {words.status(row) for _, row in pairs}
        cards.append(
            {
                "name": name,
                "vernacular": pairs[0][1]["vernacularName"],
                "status": words.joined(sorted(sources)),
                "surest": _surest([row for _, row in pairs]),
                "inside": [_place(water, row) for water, row in inside],
                "near": [_place(water, row) for water, row in near],
                "map": overview(
                    run.waters,
                    _where(run, pairs),
                    title=f"where {name} is new: {len(inside)} waters, near {len(near)} more",
                    labels=False,
                ),
                "doubts": sorted({row["conflict"] for _, row in pairs if row["conflict"]}),
                "late": sorted(
                    {
                        f"{water['water']}: first record of {row['firstYear']}, published or corrected since"
                        for water, row in inside or near
                        if "though its first" in row["note"]
                    }
                ),
            }
        )
    return sorted(cards, key=lambda card: (-len(card["inside"]), -len(card["near"]), card["name"]))


def _surest(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """The deciding record of the news that is the most sure."""
    records = [row["deciding"][0] for row in rows if row["deciding"]]
    best = min(records, key=lambda item: (not item["inWater"], GRADES.index(item["grade"])), default=None)
    return None if best is None else _record(best)


def _place(water: Mapping[str, Any], row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "water": water["water"],
        "number": water["number"],
        "distance": words.kilometres(row["nearestKm"]),
        "years": words.years(row["firstYear"], row["lastYear"]),
    }


def _unsettled_news(run: Run) -> list[dict[str, Any]]:
    return [{**_place(water, row), "name": row["scientificName"]} for water, row in run.new("unsettled")]


def _card(run: Run, water: Mapping[str, Any], drawn: Markup) -> dict[str, Any]:
    """One water, ready for the page."""
    rows = [_row(row) for row in water["introduced"]]
    rows.sort(key=lambda row: (not row["new"], row["far"], row["name"]))
    unsettled = [_row(row) for row in water["unsettled"]]
    new = [row for row in rows if row["new"]]
    inside = any(row["new_in"] == "water" for row in new)
    filled = bool(rows or unsettled or water["expected"] or water["gone"])
    names = " ".join(
        f"{row['name']} {row['vernacular']}" for row in (*rows, *unsettled, *_named(water["expected"]))
    )
    return {
        "number": water["number"],
        "water": water["water"],
        "place": words.degrees(Site(longitude=water["longitude"], latitude=water["latitude"])),
        "radius": f"{water['radiusKm']:g} km",
        "order": 0 if inside else 1 if new else 2,
        "new": bool(new),
        "rows": rows,
        "unsettled": unsettled,
        "expected": [_expectation(item) for item in water["expected"] if _urgent(item, water)],
        "far": [_expectation(item) for item in water["expected"] if not _urgent(item, water)],
        "gone": water["gone"],
        "notes": water["notes"],
        "map": drawn,
        "filled": filled,
        "find": f"{water['water']} {names}".casefold(),
    }


def _named(items: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    return [{"name": item["scientificName"], "vernacular": item["vernacularName"] or ""} for item in items]


def _interval(row: Mapping[str, Any]) -> str:
    """The interval of a presence, where it says more than the presence does."""
    ends = {words.percent(row[name]) for name in ("presenceLow", "presence", "presenceHigh")}
    return words.interval(row["presenceLow"], row["presenceHigh"]) if len(ends) > 1 else ""


def _row(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": row["scientificName"],
        "vernacular": row["vernacularName"] or "",
        "new": bool(row["isNew"]),
        "new_in": row["newIn"],
        "far": row["nearestKm"],
        "nearest": "in the water" if row["inWater"] else words.kilometres(row["nearestKm"]),
        "by_water": words.kilometres(row["nearestByWaterKm"]),
        "direction": row["direction"] or "",
        "years": words.years(row["firstYear"], row["lastYear"]),
        "events": f"{row['events']:,}",
        "presence": words.percent(row["presence"]),
        "interval": _interval(row),
        "status": words.status(row) if row["establishmentSource"] != "unknown" else words.UNKNOWN,
        "degree": row["degreeOfEstablishment"] or "",
        "pathway": row["pathway"] or "",
        "note": row["note"],
        "grade": words.GRADES.get(row["grade"], ""),
        "reasons": words.grade_reasons(row["gradeReasons"]),
        "deciding": [_record(item) for item in row["deciding"]] if row["news"] else [],
    }


def _record(item: Mapping[str, Any]) -> dict[str, Any]:
    """A deciding record, ready for the page."""
    doubts = ("identificationQualifier", "identificationVerificationStatus", "identificationRemarks")
    parts = [
        item["eventDate"] or "undated",
        item["recordedBy"],
        item["datasetName"],
        words.licence(item["license"]) if item["license"] else None,
        item["basisOfRecord"],
        f"{words.degrees(Site(longitude=item['decimalLongitude'], latitude=item['decimalLatitude']))}"
        f" ± {item['coordinateUncertaintyInMeters']:,.0f} m",
        *(item[name] for name in (*doubts, "occurrenceRemarks")),
    ]
    return {
        "name": item["occurrenceID"] or item["recordKey"],
        "link": item["link"],
        "grade": words.GRADES[item["grade"]],
        "reasons": words.grade_reasons(item["gradeReasons"]),
        "text": ", ".join(str(part) for part in parts if part),
        "media": (item["associatedMedia"] or "").split("|")[0].strip(),
    }


def _urgent(item: Mapping[str, Any], water: Mapping[str, Any]) -> bool:
    """Whether a line of the watch list stands open: likely enough, or recorded within the radius."""
    near = item["nearestKm"] is not None and item["nearestKm"] <= water["radiusKm"]
    return bool(near or item["band"] != "unlikely")


def _expectation(item: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": item["scientificName"],
        "vernacular": item["vernacularName"] or "",
        "rank": item["rank"],
        "presence": words.percent(item["presence"]),
        "band": item["band"],
        "reasons": "; ".join(item["reasons"]),
    }
