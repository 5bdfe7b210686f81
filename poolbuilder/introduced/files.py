"""The files of a run: tables for a spreadsheet, layers for a GIS, JSON for scripts, one page.

::

    introduced.csv   species that do not belong, new ones first (schema INTRODUCED)
    unsettled.csv    the same columns: nobody says, or sources disagree
    records.csv      the records that decide, up to three for each species and water
    expected.csv     the watch list: introduced species not recorded in the water yet
    introduced.gpkg  waters and records
    introduced.html  the page
    digest.html      what is new, on one page to send; digest.md the same as Markdown
    feed.xml         news of this run and of those before it, as an Atom feed
    introduced.json  everything
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa
import shapely

from poolbuilder import tables, words
from poolbuilder.files import geopackage, write_csv
from poolbuilder.folder import write_folder
from poolbuilder.introduced.deciding import RECORD_FIELDS
from poolbuilder.introduced.digest import digest_markdown, digest_page, feed
from poolbuilder.introduced.page import render
from poolbuilder.introduced.run import Run
from poolbuilder.introduced.season import MARKER
from poolbuilder.schemas import INTRODUCED, check

FILES = (
    "introduced.csv",
    "unsettled.csv",
    "expected.csv",
    "records.csv",
    "introduced.gpkg",
    "introduced.html",
    "digest.html",
    "digest.md",
    "feed.xml",
    MARKER,
)
EXPECTED_COLUMNS = (
    "water", "rank", "scientificName", "vernacularName", "establishmentMeans", "establishmentSource",
    "presence", "band", "connection", "byWaterKm", "nearestKm", "lastYear", "reasons",
)  # fmt: skip

DECIDING_COLUMNS = (
    "water", "news", "species", "grade", "gradeReasons", "inWater", "distanceKm", *RECORD_FIELDS,
)  # fmt: skip

_DIGITS = {
    "decimalLongitude": 6,
    "decimalLatitude": 6,
    "presence": 4,
    "nearestKm": 3,
    "nearestByWaterKm": 3,
    "byWaterKm": 3,
    "distanceKm": 3,
}


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
    rows = [
        {
            **_flat(row),
            "water": water["water"],
            "_order": (not row["isNew"], water["number"], -row["presence"]),
        }
        for water in run.waters
        for row in water[kind]
    ]
    rows.sort(key=lambda row: (row["_order"], row["scientificName"]))
    values = {name: [_rounded(name, row[name]) for row in rows] for name in INTRODUCED.names}
    return check(tables.table(INTRODUCED, values), INTRODUCED, "introduced")


def _flat(row: Mapping[str, Any]) -> dict[str, Any]:
    """A species with its first deciding record beside it, lists as text."""
    first = row["deciding"][0] if row["deciding"] else {}
    review = row["review"]
    return {
        **dict.fromkeys(RECORD_FIELDS),
        **{name: first.get(name) for name in RECORD_FIELDS},
        **row,
        "news": " | ".join(row["news"]) or None,
        "gradeReasons": words.grade_reasons(row["gradeReasons"]) or None,
        "review": None if review is None else " ".join(filter(None, map(str, review.values()))),
    }


def deciding_rows(run: Run) -> list[dict[str, Any]]:
    """The deciding records of all listed species, one row each, those of what is new first."""
    rows = [
        {
            "water": water["water"],
            "news": " | ".join(row["news"]),
            "species": row["scientificName"],
            **record,
            "gradeReasons": words.grade_reasons(record["gradeReasons"]),
        }
        for water in run.waters
        for row in (*water["introduced"], *water["unsettled"])
        for record in row["deciding"]
    ]
    return sorted(rows, key=lambda row: not row["news"])


def _rounded(name: str, value: Any) -> Any:
    return round(value, _DIGITS[name]) if name in _DIGITS and value is not None else value


def deciding_table(run: Run) -> pa.Table:
    """The deciding records as a table."""
    rows = deciding_rows(run)
    return pa.table(
        {name: pa.array([_rounded(name, row[name]) for row in rows]) for name in DECIDING_COLUMNS}
    )


def expected_table(run: Run) -> pa.Table:
    """The watch lists of all waters, one below the other."""
    rows = [{**item, "water": water["water"]} for water in run.waters for item in water["expected"]]
    return pa.table({name: pa.array([row[name] for row in rows]) for name in EXPECTED_COLUMNS})


def write_run(run: Run, out: str | Path) -> Path:
    """Write the folder of a run, all of it or nothing.

    Raises
    ------
    PoolFileError
        When the folder holds something else, or cannot be written; the old one is whole.
    """

    def fill(folder: Path) -> None:
        def text(name: str, content: str) -> None:
            (folder / name).write_text(content, encoding="utf-8", newline="")

        for kind in ("introduced", "unsettled"):
            write_csv(introduced_table(run, kind), folder / f"{kind}.csv")
        write_csv(deciding_table(run), folder / "records.csv")
        write_csv(expected_table(run), folder / "expected.csv")
        _write_geopackage(run, folder / "introduced.gpkg")
        text("introduced.html", render(run))
        text("digest.html", digest_page(run))
        text("digest.md", digest_markdown(run))
        text("feed.xml", feed(run))
        text(MARKER, json.dumps(run.document, ensure_ascii=False, allow_nan=False, indent=1) + "\n")

    return write_folder(out, fill, marker=MARKER)


def _water_rows(run: Run) -> list[dict[str, Any]]:
    return [
        {
            "water": water["water"],
            "radiusKm": water["radiusKm"],
            "introduced": len(water["introduced"]),
            "new": sum(bool(row["isNew"]) for row in water["introduced"]),
            "newSpecies": "; ".join(row["scientificName"] for row in water["introduced"] if row["isNew"]),
            "unsettled": len(water["unsettled"]),
            "expected": len(water["expected"]),
            "longitude": water["longitude"],
            "latitude": water["latitude"],
        }
        for water in run.waters
    ]


def _record_rows(run: Run) -> Iterator[dict[str, Any]]:
    for item in run.assessments:
        rows = {row["scientificName"]: row for row in _listed(item.document)}
        for place in item.places:
            row = rows.get(place["scientificName"])
            yield {
                "water": item.document["water"],
                **place,
                "establishmentMeans": None if row is None else row["establishmentMeans"],
                "isNew": None if row is None else row["isNew"],
            }


def _deciding_points(run: Run) -> list[dict[str, Any]]:
    """Deciding records, each once with all the waters that it is near to."""
    found: dict[str, dict[str, Any]] = {}
    for row in deciding_rows(run):
        point = {
            name: row[name] for name in DECIDING_COLUMNS if name not in {"water", "inWater", "distanceKm"}
        }
        first = found.setdefault(
            row["recordKey"],
            {
                **point,
                "waters": [],
                "longitude": row["decimalLongitude"],
                "latitude": row["decimalLatitude"],
            },
        )
        first["waters"].append(row["water"])
    return [{**row, "waters": "; ".join(row["waters"])} for row in found.values()]


def _listed(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [*document["introduced"], *document["unsettled"]]


def _write_geopackage(run: Run, path: Path) -> None:
    """Waters and records as points."""
    layers = (
        ("waters", _water_rows(run)),
        ("records", list(_record_rows(run))),
        ("deciding", _deciding_points(run)),
    )
    with geopackage(path, date="1970-01-01") as write:
        for layer, rows in layers:
            if rows:
                names = [name for name in rows[0] if name not in {"longitude", "latitude"}]
                points = shapely.points([[row["longitude"], row["latitude"]] for row in rows])
                write(layer, {name: [row[name] for row in rows] for name in names}, points)
