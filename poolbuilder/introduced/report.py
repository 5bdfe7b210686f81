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

import uuid
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import shapely

from poolbuilder import pages, tables, words
from poolbuilder.errors import said
from poolbuilder.files import geopackage, json_text, write_csv
from poolbuilder.folder import write_folder
from poolbuilder.introduced.assessment import RECORD_FIELDS
from poolbuilder.introduced.season import GRADES, MARKER
from poolbuilder.pages.maps import overview, water_map
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
HEADS = ("water", "introduced", "new", "expected", "unsettled", "nearest")
"""Columns of the table of waters in a terminal."""
WATER_COLUMNS = ("water", "locationID", "county")
EXPECTED_COLUMNS = (
    *WATER_COLUMNS, "rank", "scientificName", "vernacularName", "establishmentMeans", "establishmentSource",
    "presence", "band", "connection", "byWaterKm", "nearestKm", "lastYear", "reasons", "restriction",
)  # fmt: skip
DECIDING_COLUMNS = (
    *WATER_COLUMNS, "news", "species", "grade", "gradeReasons", "inWater", "distanceKm", *RECORD_FIELDS,
)  # fmt: skip

_SPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:poolbuilder:introduced")


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
            "expected": len(to_expect(water)),
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
        rows = [_cells(water) for water in sorted(run.waters, key=_order)[:MOST_LINES]]
        lines += [*_some(fitted(HEADS, rows, right=(1, 2, 3, 4)), len(run.waters)), ""]
    return [*lines, *(f"note: {note}" for note in notes if note not in first), *told.CAUTIONS]


def _named(water: Facts, row: Facts) -> dict[str, str]:
    return {"water": told.water(water), "species": told.species(row), "distance": told.distance(row)}


def _some(lines: list[str], number: int) -> list[str]:
    more = number - MOST_LINES
    return [*lines, said("more_in_tables", more=more)] if more > 0 else lines


def _cells(water: Facts) -> tuple[str, ...]:
    """A water in the terminal's table."""
    rows = water["introduced"]
    nearest = min(rows, key=lambda row: row["nearestKm"], default=None)
    new = sum(bool(row["isNew"]) for row in rows)
    counts = (len(rows), new, len(to_expect(water)), len(water["unsettled"]))
    last = f"{words.short(nearest['scientificName'])}, {told.distance(nearest)}" if nearest else ""
    return (water["water"], *map(str, counts), last)


def _order(water: Facts) -> tuple[bool, bool, bool, bool, int]:
    """New in the water first, then new near it, then further records, then anything introduced."""
    rows = water["introduced"]
    inside = any(row["newIn"] == "water" for row in rows)
    return (
        not inside,
        not any(row["isNew"] for row in rows),
        not any(row["news"] for row in rows),
        not rows,
        water["number"],
    )


# ------------------------------------------------------------------ pages


def render(run: Run) -> str:
    """The page of a run: what is new and where on top, then every water in a line; it needs no network.

    The details of the waters are on the pages that `water_pages` gives, beside it.  The same run gives the
    same text.
    """
    ordered = sorted(run.waters, key=_order)
    found = [bool(water["introduced"] or water["unsettled"] or water["gone"]) for water in ordered]
    listed = [(water, row) for water in run.waters for row in _listed(water)]
    return pages.fill(
        "introduced.html",
        styles=("introduced.css",),
        scripts=("introduced.js",),
        run=run.document,
        compared=told.compared(run.document["previous"], run.document["since"]),
        cards=_news(run),
        homes={water["number"]: name for name, group in _groups(run).items() for water in group},
        more=[pair for pair in listed if "more-records" in pair[1]["news"]],
        unsettled_news=run.new("unsettled"),
        overview=overview(run.waters, _classes(run), title=f"map of {len(run.waters)} waters"),
        with_findings=[water for water, holds in zip(ordered, found, strict=True) if holds],
        to_expect=to_expect,
        rest=[water for water, holds in zip(ordered, found, strict=True) if not holds],
    )


def to_expect(water: Facts) -> list[Document]:
    """Arrivals to expect: those of the watch list that are not unlikely, or recorded within the radius."""
    near = water["radiusKm"]
    return [
        item
        for item in water["expected"]
        if item["band"] != "unlikely" or (item["nearestKm"] is not None and item["nearestKm"] <= near)
    ]


def _groups(run: Run) -> dict[str, list[Document]]:
    """Pages of details with their waters, in the order of the report."""
    ordered = sorted(run.waters, key=_order)
    parts = [ordered[start : start + PAGE_WATERS] for start in range(0, len(ordered), PAGE_WATERS)]
    return {f"waters/{number:03d}.html": part for number, part in enumerate(parts, start=1)}


def water_pages(run: Run) -> dict[str, str]:
    """The pages of details by the name of their file: records, map and watch list of every water."""
    items = {item.document["number"]: item for item in run.assessments}
    found = {}
    for name, waters in _groups(run).items():
        drawn = [items[water["number"]] for water in waters]
        found[name] = pages.fill(
            "introduced_waters.html",
            styles=("introduced.css",),
            run=run.document,
            first=waters[0]["water"],
            last=waters[-1]["water"],
            to_expect=to_expect,
            cards=[(item.document, water_map(item.document, item.places, item.outline)) for item in drawn],
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
    mark = "i-new" if row["newIn"] == "water" else "i-ring"
    return f"{mark} i-check" if row["grade"] == "toBeChecked" else mark


def _news(run: Run) -> list[Document]:
    """What is new by species: those found in a water first, then by the number of waters."""
    by_name: dict[str, list[tuple[Document, Document]]] = {}
    for water, row in run.new():
        by_name.setdefault(row["scientificName"], []).append((water, row))
    cards = []
    for name, pairs in by_name.items():
        inside = [pair for pair in pairs if pair[1]["newIn"] == "water"]
        near = [pair for pair in pairs if pair[1]["newIn"] != "water"]
        near.sort(key=lambda pair: (pair[1]["nearestKm"], pair[0]["number"]))
        title = said("map_of_new", name=name, inside=len(inside), near=len(near))
        marks = {water["number"]: _mark_of(row) for water, row in pairs}
        rows = [row for _, row in pairs]
        cards.append(
            {
                "scientificName": name,
                "vernacularName": rows[0]["vernacularName"],
                "rows": rows,
                "surest": min(rows, key=_surest),
                "inside": inside,
                "near": near,
                "map": overview(run.waters, marks, title=title, labels=False, beneath=False),
            }
        )
    return sorted(cards, key=lambda card: (-len(card["inside"]), -len(card["near"]), card["scientificName"]))


# ------------------------------------------------------------------ digest and feed


def digest_page(run: Run) -> str:
    """The season as one HTML page without a script."""
    return pages.fill("digest.html", run=run.document)


def digest_markdown(run: Run) -> str:
    """The season as Markdown."""
    return "\n".join([*words.lines(told.TEXTS, "digest", run.document, told), ""])


def feed(run: Run) -> str:
    """News of this run and of those before it as an Atom feed; the same news keeps its identifier."""

    def urn(text: str) -> str:
        return f"urn:uuid:{uuid.uuid5(_SPACE, text)}"

    text = pages.environment().get_template("feed.xml").render(run=run.document, urn=urn)
    return "".join(letter for letter in f"{text}\n" if letter >= " " or letter in "\t\n")  # as XML allows
