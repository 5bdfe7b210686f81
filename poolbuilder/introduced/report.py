"""What a run writes and says: tables for a spreadsheet, layers for a GIS, pages, a digest, a feed.

::

    introduced.csv   introduced species, new ones first (schema INTRODUCED)
    unsettled.csv    the same columns: nobody says, or sources disagree
    records.csv      the records that decide, up to three for each species and water
    expected.csv     the watch list: introduced species not recorded in the water yet
    introduced.gpkg  waters and records
    introduced.html  the page: what is new, then every water in a line
    waters/          pages with the records, maps and watch lists of the waters
    digest.html      what is new, on one page to send; digest.md the same as Markdown
    feed.xml         news of this run and of those before it, as an Atom feed
    introduced.json  everything
"""

from __future__ import annotations

import datetime
import re
import uuid
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import pyarrow as pa
import shapely

from poolbuilder import pages, tables, words
from poolbuilder.errors import said
from poolbuilder.files import geopackage, json_text, write_csv
from poolbuilder.folder import write_folder
from poolbuilder.introduced.assessment import RECORD_FIELDS
from poolbuilder.introduced.season import GRADES, MARKER
from poolbuilder.pages.maps import overview, water_map
from poolbuilder.places.sites import Site
from poolbuilder.schemas import INTRODUCED, check
from poolbuilder.words import introduced_words as told

if TYPE_CHECKING:
    from poolbuilder.introduced import Run

Document = dict[str, Any]
Facts = Mapping[str, Any]

FILES = (
    "introduced.csv", "unsettled.csv", "expected.csv", "records.csv", "introduced.gpkg", "introduced.html",
    "waters", "digest.html", "digest.md", "feed.xml", MARKER,
)  # fmt: skip
MOST_LINES = 20
PAGE_WATERS = 40
"""Waters on one page of details."""
WATER_COLUMNS = ("water", "locationID", "county")
EXPECTED_COLUMNS = (
    *WATER_COLUMNS, "rank", "scientificName", "vernacularName", "establishmentMeans", "establishmentSource",
    "presence", "band", "connection", "byWaterKm", "nearestKm", "lastYear", "reasons", "restriction",
)  # fmt: skip
DECIDING_COLUMNS = (
    *WATER_COLUMNS, "news", "species", "grade", "gradeReasons", "inWater", "distanceKm", *RECORD_FIELDS,
)  # fmt: skip

_ATOM = "http://www.w3.org/2005/Atom"
_SPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:poolbuilder:introduced")
_MARKUP = re.compile(r"([\\`*_{}\[\]<>#|])")


def _listed(water: Facts) -> list[Document]:
    return [*water["introduced"], *water["unsettled"]]


def _of(water: Facts) -> Document:
    return {name: water[name] for name in WATER_COLUMNS}


# ------------------------------------------------------------------ tables


def introduced_table(run: Run, kind: str = "introduced") -> pa.Table:
    """The species of a run as a table, the new ones first.

    Parameters
    ----------
    kind : str
        ``introduced`` or ``unsettled``.

    Returns
    -------
    Table, schema INTRODUCED
    """
    pairs = [(water, row) for water in run.waters for row in water[kind]]
    pairs.sort(key=lambda pair: (not pair[1]["isNew"], pair[0]["number"], -pair[1]["presence"]))
    rows = []
    for water, row in pairs:
        first: Document = next(iter(row["deciding"]), {})
        review = row["review"] or {}
        texts = {
            "news": " | ".join(row["news"]) or None,
            "gradeReasons": told.grade_reasons(row["gradeReasons"]) or None,
            "review": " ".join(filter(None, map(str, review.values()))) or None,
        }
        rows.append({**{name: first.get(name) for name in RECORD_FIELDS}, **row, **texts, **_of(water)})
    values = {name: [row[name] for row in rows] for name in INTRODUCED.names}
    return check(tables.table(INTRODUCED, values), INTRODUCED, "introduced")


def _deciding(run: Run) -> list[Document]:
    """The deciding records of all listed species, one row each, those of what is new first."""
    rows = [
        {
            **_of(water),
            "news": " | ".join(row["news"]),
            "species": row["scientificName"],
            **record,
            "gradeReasons": told.grade_reasons(record["gradeReasons"]),
        }
        for water in run.waters
        for row in _listed(water)
        for record in row["deciding"]
    ]
    return sorted(rows, key=lambda row: not row["news"])


def _table(rows: Sequence[Facts], columns: Sequence[str]) -> pa.Table:
    return pa.table({name: pa.array([row[name] for row in rows]) for name in columns})


def write_run(run: Run, out: str | Path) -> Path:
    """Write the folder of a run, all of it or nothing.

    Raises
    ------
    PoolFileError
        When the folder holds something else, or cannot be written; the old one is whole.
    """

    def fill(folder: Path) -> None:
        for kind in ("introduced", "unsettled"):
            write_csv(introduced_table(run, kind), folder / f"{kind}.csv")
        write_csv(_table(_deciding(run), DECIDING_COLUMNS), folder / "records.csv")
        expected = [{**item, **_of(water)} for water in run.waters for item in water["expected"]]
        write_csv(_table(expected, EXPECTED_COLUMNS), folder / "expected.csv")
        _write_geopackage(run, folder / "introduced.gpkg")
        (folder / "waters").mkdir()
        texts = {
            "introduced.html": render(run),
            **water_pages(run),
            "digest.html": digest_page(run),
            "digest.md": digest_markdown(run),
            "feed.xml": feed(run),
            MARKER: json_text(run.document),
        }
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8", newline="")

    return write_folder(out, fill, marker=MARKER)


def _write_geopackage(run: Run, path: Path) -> None:
    """Waters, and records and events each once with the waters that they are near to, as points."""
    waters = [
        {
            **_of(water),
            "radiusKm": water["radiusKm"],
            "introduced": len(water["introduced"]),
            "new": sum(bool(row["isNew"]) for row in water["introduced"]),
            "newSpecies": "; ".join(row["scientificName"] for row in water["introduced"] if row["isNew"]),
            "unsettled": len(water["unsettled"]),
            "expected": len(water["expected"]),
            "restriction": next((row["restriction"] for row in _listed(water) if row["restriction"]), None),
            "longitude": water["longitude"],
            "latitude": water["latitude"],
        }
        for water in run.waters
    ]
    events: dict[Any, Document] = {}
    for item in run.assessments:
        by_name = {row["scientificName"]: row for row in _listed(item.document)}
        for place in item.places:
            row = by_name.get(place["scientificName"], {})
            known = {name: row.get(name) for name in ("establishmentMeans", "isNew", "restriction")}
            event = events.setdefault(
                (place["scientificName"], place["eventKey"]), {**place, **known, "water": []}
            )
            event["water"].append(item.document["water"])
            if known["isNew"]:
                event["isNew"] = True
    points: dict[str, Document] = {}
    for row in _deciding(run):
        place = {"longitude": row["decimalLongitude"], "latitude": row["decimalLatitude"]}
        own = {
            name: row[name]
            for name in DECIDING_COLUMNS
            if name not in {*WATER_COLUMNS, "inWater", "distanceKm"}
        }
        points.setdefault(row["recordKey"], {**own, **place, "water": []})["water"].append(row["water"])
    layers = {"waters": waters, "records": list(events.values()), "deciding": list(points.values())}
    with geopackage(path, date="1970-01-01") as write:
        for layer, rows in layers.items():
            if rows:
                names = [name for name in rows[0] if name not in {"longitude", "latitude"}]
                columns: dict[str, list[Any]] = {name: [row[name] for row in rows] for name in names}
                if layer != "waters":
                    columns["waters"] = ["; ".join(dict.fromkeys(near)) for near in columns.pop("water")]
                shapes = shapely.points([[row["longitude"], row["latitude"]] for row in rows])
                write(layer, columns, shapes)


def run_lines(run: Run, fitted: Callable[..., list[str]] | None = None) -> list[str]:
    """Everything that the terminal shows: what could be wrong, what is new, then every water in a line.

    Parameters
    ----------
    fitted : callable, optional
        Makes lines of the heads and the rows of a table, and of the columns that hold numbers.
    """
    notes = [*run.document["notes"], *run.document["layerNotes"]]
    first = [note for note in notes if note == told.NO_STATUS]
    news = [said("line_of_news", **_named(water, row), note=row["note"]) for water, row in run.new()]
    news += [said("line_unsettled", **_named(water, row)) for water, row in run.new("unsettled")]
    lines = [*first, told.findings(run.document), *_some(news[:MOST_LINES], len(news)), ""]
    if fitted is not None:
        rows = [told.cells(water) for water in sorted(run.waters, key=_order)[:MOST_LINES]]
        lines += [*_some(fitted(told.HEADS, rows, right=(1, 2, 3, 4)), len(run.waters)), ""]
    return [*lines, *(f"note: {note}" for note in notes if note not in first), *told.CAUTIONS]


def _named(water: Facts, row: Facts) -> dict[str, str]:
    return {"water": told.water(water), "species": told.species(row), "distance": told.distance(row)}


def _some(lines: list[str], number: int) -> list[str]:
    more = number - MOST_LINES
    return [*lines, said("more_in_tables", more=more)] if more > 0 else lines


def _order(water: Facts) -> tuple[bool, bool, bool, bool]:
    """New in the water first, then new near it, then further records, then anything introduced."""
    rows = water["introduced"]
    inside = any(row["newIn"] == "water" for row in rows)
    return not inside, not any(row["isNew"] for row in rows), not any(row["news"] for row in rows), not rows


# ------------------------------------------------------------------ pages


def render(run: Run) -> str:
    """The page of a run: what is new and where on top, then every water in a line; it needs no network.

    The details of the waters are on the pages that `water_pages` gives, beside it.  The same run gives the
    same text.
    """
    document, groups = run.document, _groups(run)
    species = _news(run)
    compared = told.compared(document["previous"], document["since"])
    homes = {number: name for name, numbers in groups.items() for number in numbers}
    waters = {water["number"]: water for water in run.waters}
    lines = [_line(waters[number], homes[number]) for numbers in groups.values() for number in numbers]
    return pages.fill(
        "introduced.html",
        styles=("introduced.css",),
        scripts=("introduced.js",),
        run=document,
        findings=told.new_by_species(species, compared) if species else told.findings(document),
        headline=told.headline(document),
        compared=compared,
        as_of=words.day(datetime.date.fromisoformat(document["asOf"])),
        doubts=sorted(document["notes"], key=lambda note: note != told.NO_STATUS)[:3],
        species=[{**card, "homes": homes} for card in species],
        homes=homes,
        more=[
            _place(water, row)
            for water in run.waters
            for row in _listed(water)
            if "more-records" in row["news"]
        ],
        unsettled_news=[_place(water, row) for water, row in run.new("unsettled")],
        overview=overview(run.waters, _classes(run), title=f"map of {len(run.waters)} waters"),
        lines=[line for line in lines if line["found"]],
        rest=[line for line in lines if not line["found"]],
        datasets=[{**item, "licence": words.licence(item.get("license"))} for item in document["datasets"]],
    )


def _groups(run: Run) -> dict[str, list[int]]:
    """Pages of details, and the numbers of the waters on each, in the order of the report."""
    ordered = [water["number"] for water in sorted(run.waters, key=lambda one: (_order(one), one["number"]))]
    parts = [ordered[start : start + PAGE_WATERS] for start in range(0, len(ordered), PAGE_WATERS)]
    return {f"waters/{number:03d}.html": part for number, part in enumerate(parts, start=1)}


def water_pages(run: Run) -> dict[str, str]:
    """The pages of details by the name of their file: records, map and watch list of every water."""
    document = run.document
    items = {item.document["number"]: item for item in run.assessments}
    restricted = [note for note in document["notes"] if note.startswith(told.RESTRICTED)]
    found = {}
    for name, numbers in _groups(run).items():
        cards = []
        for item in (items[number] for number in numbers):
            drawn = water_map(item.document, item.places, item.outline)
            cards.append({**_card(item.document), "map": drawn})
        found[name] = pages.fill(
            "introduced_waters.html",
            styles=("introduced.css",),
            run=document,
            first=cards[0]["water"],
            last=cards[-1]["water"],
            notes=restricted,
            cards=cards,
        )
    return found


def _classes(run: Run) -> dict[int, str]:
    """The mark of each water on the map: by what is new, else by what is recorded."""
    found = {}
    for water in run.waters:
        rows = water["introduced"]
        new = sorted((row for row in rows if row["isNew"]), key=_surest)
        if new:
            found[water["number"]] = _mark_of(new[0])
        elif rows:
            found[water["number"]] = "i-held" if any(row["inWater"] for row in rows) else "i-close"
    return found


def _surest(row: Facts) -> tuple[bool, int]:
    return row["newIn"] != "water", GRADES.index(row["grade"]) if row["grade"] else len(GRADES)


def _mark_of(row: Facts) -> str:
    return ("i-new" if row["newIn"] == "water" else "i-ring") + (
        " i-check" if row["grade"] == "toBeChecked" else ""
    )


def _news(run: Run) -> list[Document]:
    """What is new by species: those found in a water first, then by the number of waters."""
    by_name: dict[str, list[tuple[Document, Document]]] = {}
    for water, row in run.new():
        by_name.setdefault(row["scientificName"], []).append((water, row))
    cards = []
    for name, pairs in by_name.items():
        inside = [pair for pair in pairs if pair[1]["newIn"] == "water"]
        near = sorted(
            (pair for pair in pairs if pair[1]["newIn"] != "water"),
            key=lambda pair: (pair[1]["nearestKm"], pair[0]["number"]),
        )
        best = min((row for _, row in pairs), key=_surest)
        late = [(water, row) for water, row in inside or near if "oldNewlyPublished" in row["gradeReasons"]]
        cards.append(
            {
                "name": name,
                "vernacular": pairs[0][1]["vernacularName"],
                "status": words.joined(sorted({words.status(row) for _, row in pairs})),
                "surest": _record(best["deciding"][0]) if best["deciding"] else None,
                "inside": [_place(*pair) for pair in inside],
                "near": [_place(*pair) for pair in near],
                "map": overview(
                    run.waters,
                    {water["number"]: _mark_of(row) for water, row in pairs},
                    title=said("map_of_new", name=name, inside=len(inside), near=len(near)),
                    labels=False,
                    beneath=False,
                ),
                "doubts": sorted({row["conflict"] for _, row in pairs if row["conflict"]}),
                "late": sorted(
                    {
                        said("published_late", water=water["water"], year=row["firstYear"])
                        for water, row in late
                    }
                ),
            }
        )
    return sorted(cards, key=lambda card: (-len(card["inside"]), -len(card["near"]), card["name"]))


def _place(water: Facts, row: Facts) -> Document:
    return {
        "water": water["water"],
        "number": water["number"],
        "name": row["scientificName"],
        "distance": words.kilometres(row["nearestKm"]),
        "years": words.years(row["firstYear"], row["lastYear"]),
        "records": "" if row["newRecords"] is None else told.records(row["newRecords"]),
    }


def _line(water: Facts, home: str) -> Document:
    """One water in a line of the page."""
    rows = sorted(water["introduced"], key=lambda row: (not row["isNew"], row["nearestKm"]))
    named = [*rows, *water["unsettled"], *water["expected"]]
    texts = [water["water"], water["locationID"], water["county"]]
    texts += [text for row in named for text in (row["scientificName"], row["vernacularName"])]
    return {
        **_of(water),
        "number": water["number"],
        "home": f"{home}#water-{water['number']}",
        "new": any(row["news"] for row in rows),
        "rows": [
            {
                "name": row["vernacularName"] or row["scientificName"],
                "new": bool(row["isNew"]),
                "more": "more-records" in row["news"],
                "check": row["grade"] == "toBeChecked",
            }
            for row in rows
        ],
        "nearest": ""
        if not rows
        else told.distance(min(rows, key=lambda row: (not row["inWater"], row["nearestKm"]))),
        "unsettled": len(water["unsettled"]),
        "expected": sum(item["band"] != "unlikely" for item in water["expected"]),
        "gone": len(water["gone"]),
        "found": bool(rows or water["unsettled"] or water["gone"]),
        "find": " ".join(dict.fromkeys(str(text) for text in texts if text)).casefold(),
    }


def _card(water: Facts) -> Document:
    """One water with its details."""
    rows = sorted(
        (_row(row) for row in water["introduced"]), key=lambda row: (not row["new"], row["far"], row["name"])
    )
    watched: dict[bool, list[Document]] = {True: [], False: []}
    for item in water["expected"]:
        near = item["nearestKm"] is not None and item["nearestKm"] <= water["radiusKm"]
        watched[near or item["band"] != "unlikely"].append(
            {
                **item,
                "name": item["scientificName"],
                "vernacular": item["vernacularName"] or "",
                "presence": words.percent(item["presence"]),
                "reasons": "; ".join(item["reasons"]),
            }
        )
    return {
        **water,
        "place": words.degrees(Site(longitude=water["longitude"], latitude=water["latitude"])),
        "radius": f"{water['radiusKm']:g} km",
        "new": any(row["new"] for row in rows),
        "rows": rows,
        "others": [_row(row) for row in water["unsettled"]],
        "likely": watched[True],
        "unlikely": watched[False],
    }


def _row(row: Facts) -> Document:
    ends = {words.percent(row[name]) for name in ("presenceLow", "presence", "presenceHigh")}
    status = words.UNKNOWN
    if row["establishmentSource"] != "unknown":
        status = words.status(row)
    return {
        **row,
        "name": row["scientificName"],
        "vernacular": row["vernacularName"] or "",
        "new": bool(row["isNew"]),
        "far": row["nearestKm"],
        "nearest": "in the water" if row["inWater"] else words.kilometres(row["nearestKm"]),
        "by_water": words.kilometres(row["nearestByWaterKm"]),
        "years": words.years(row["firstYear"], row["lastYear"]),
        "presence": words.percent(row["presence"]),
        "interval": words.interval(row["presenceLow"], row["presenceHigh"]) if len(ends) > 1 else "",
        "status": status,
        "deciding": [_record(item) for item in row["deciding"]] if row["news"] else [],
    }


def _record(item: Facts) -> Document:
    """A deciding record, ready for a page."""
    place = Site(longitude=item["decimalLongitude"], latitude=item["decimalLatitude"])
    doubts = ("identificationQualifier", "identificationVerificationStatus", "identificationRemarks")
    parts = [
        item["eventDate"] or "undated",
        item["recordedBy"],
        item["datasetName"],
        words.licence(item["license"]) if item["license"] else None,
        item["basisOfRecord"],
        f"{words.degrees(place)} ± {item['coordinateUncertaintyInMeters']:,.0f} m",
        *(item[name] for name in (*doubts, "occurrenceRemarks")),
    ]
    return {
        "name": item["occurrenceID"] or item["recordKey"],
        "link": item["link"],
        "grade": told.sureness(item["grade"]),
        "reasons": told.grade_reasons(item["gradeReasons"]),
        "text": ", ".join(str(part) for part in parts if part),
        "media": (item["associatedMedia"] or "").split("|")[0].strip(),
    }


# ------------------------------------------------------------------ digest and feed


def digest_page(run: Run) -> str:
    """The season as one HTML page without a script."""
    return pages.fill(
        "digest.html", run=run.document, findings=told.findings(run.document), items=_shown(run)
    )


def _shown(run: Run) -> list[Document]:
    """The news of a run, ready to print."""
    return [
        {
            **item,
            "water": told.water(item),
            "news": told.news(item["kinds"])
            + (f" ({item['newRecords']:,})" if "more-records" in item["kinds"] else ""),
            "sureness": told.sureness(item["grade"]),
            "reasons": told.grade_reasons(item["gradeReasons"]),
            "licence": words.licence(item["license"]) if item["license"] else "",
            "place": ""
            if item["distanceKm"] is None
            else said("km_away", distance=words.kilometres(item["distanceKm"])),
        }
        for item in run.document["newsItems"]
    ]


def digest_markdown(run: Run) -> str:
    """The season as Markdown."""
    lines = [f"# {told.title(run.document)}", "", _plain(told.findings(run.document)), ""]
    for item in _shown(run):
        name = f"**{_plain(item['water'])}**: *{_plain(item['species'])}*"
        lines += [f"- {name}: {item['news']}; {item['sureness']} ({item['reasons']})"]
        lines += [f"  {_plain(told.record_line(item))}"] if item["recordKey"] else []
    lines += ["", *(f"- {_plain(note)}" for note in run.document["notes"]), ""]
    return "\n".join([*lines, *(f"> {caution}" for caution in run.document["cautions"]), ""])


def _plain(text: str) -> str:
    """Text whose signs are no markup; addresses stay whole."""
    return " ".join(
        part if part.startswith(("http://", "https://")) else _MARKUP.sub(r"\\\1", part)
        for part in str(text).split(" ")
    )


def feed(run: Run) -> str:
    """News of this run and of those before it as an Atom feed; the same news keeps its identifier."""
    document = run.document
    ElementTree.register_namespace("", _ATOM)
    root = ElementTree.Element(f"{{{_ATOM}}}feed")
    waters = "|".join(sorted(water["water"] for water in document["waters"]))
    _text(root, "id", f"urn:uuid:{uuid.uuid5(_SPACE, waters)}")
    _text(root, "title", told.title(document))
    _text(root, "updated", f"{document['asOf']}T00:00:00Z")
    _text(ElementTree.SubElement(root, f"{{{_ATOM}}}author"), "name", "poolbuilder")
    for note in document["notes"]:
        if note.startswith(told.RESTRICTED):
            _text(root, "rights", note)
    for item in (*document["newsItems"], *document["earlierNews"]):
        entry = ElementTree.SubElement(root, f"{{{_ATOM}}}entry")
        own = "|".join(str(item[name]) for name in ("water", "species", "recordKey", "asOf"))
        _text(entry, "id", f"urn:uuid:{uuid.uuid5(_SPACE, own)}")
        _text(entry, "title", f"{told.water(item)}: {item['species']}: {told.news(item['kinds'])}")
        _text(entry, "updated", f"{item['asOf']}T00:00:00Z")
        if item["link"]:
            ElementTree.SubElement(entry, f"{{{_ATOM}}}link", {"href": item["link"]})
        graded = f"{told.sureness(item['grade'])}: {told.grade_reasons(item['gradeReasons'])}"
        _text(entry, "summary", f"{graded}. {told.record_line(item)}")
    ElementTree.indent(root, " ")
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0"?>\n{text}\n'


def _text(parent: ElementTree.Element, name: str, text: str) -> None:
    # Control characters may stand in no XML document.
    legal = "".join(letter for letter in text if letter >= " " or letter in "\t\n")
    ElementTree.SubElement(parent, f"{{{_ATOM}}}{name}").text = legal
