"""The files of a run: tables for a spreadsheet, layers for a GIS, JSON for scripts, one page.

::

    introduced.csv   species that do not belong, new ones first (schema INTRODUCED)
    unsettled.csv    the same columns: nobody says, or sources disagree
    expected.csv     the watch list: introduced species not recorded in the water yet
    introduced.gpkg  waters and records
    introduced.html  the page
    introduced.json  everything
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa
import shapely

from poolbuilder import tables
from poolbuilder.files import geopackage, write_csv
from poolbuilder.folder import write_folder
from poolbuilder.introduced.page import render
from poolbuilder.introduced.run import Run
from poolbuilder.introduced.season import MARKER
from poolbuilder.schemas import INTRODUCED, check

FILES = (
    "introduced.csv",
    "unsettled.csv",
    "expected.csv",
    "introduced.gpkg",
    "introduced.html",
    MARKER,
)
EXPECTED_COLUMNS = (
    "water", "rank", "scientificName", "vernacularName", "establishmentMeans", "establishmentSource",
    "presence", "band", "connection", "byWaterKm", "nearestKm", "lastYear", "reasons",
)  # fmt: skip

_DIGITS = {"presence": 4, "nearestKm": 3, "nearestByWaterKm": 3, "byWaterKm": 3}


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
        {**row, "water": water["water"], "_order": (not row["isNew"], water["number"], -row["presence"])}
        for water in run.waters
        for row in water[kind]
    ]
    rows.sort(key=lambda row: (row["_order"], row["scientificName"]))
    values = {name: [_rounded(name, row[name]) for row in rows] for name in INTRODUCED.names}
    return check(tables.table(INTRODUCED, values), INTRODUCED, "introduced")


def _rounded(name: str, value: Any) -> Any:
    return round(value, _DIGITS[name]) if name in _DIGITS and value is not None else value


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
        write_csv(expected_table(run), folder / "expected.csv")
        _write_geopackage(run, folder / "introduced.gpkg")
        text("introduced.html", render(run))
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


def _listed(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [*document["introduced"], *document["unsettled"]]


def _write_geopackage(run: Run, path: Path) -> None:
    """Waters and records as points."""
    with geopackage(path, date="1970-01-01") as write:
        for layer, rows in (("waters", _water_rows(run)), ("records", list(_record_rows(run)))):
            if rows:
                names = [name for name in rows[0] if name not in {"longitude", "latitude"}]
                points = shapely.points([[row["longitude"], row["latitude"]] for row in rows])
                write(layer, {name: [row[name] for row in rows] for name in names}, points)
