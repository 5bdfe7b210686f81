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

import csv
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder import tables
from poolbuilder.folder import write_folder
from poolbuilder.introduced.page import render
from poolbuilder.introduced.run import Run
from poolbuilder.introduced.season import MARKER
from poolbuilder.schemas import INTRODUCED, check

__all__ = ["EXPECTED_COLUMNS", "FILES", "csv_text", "introduced_table", "write_run"]

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
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_BOM = "\N{ZERO WIDTH NO-BREAK SPACE}"


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


def csv_text(names: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> str:
    """A CSV that spreadsheets open as it is: marked as UTF-8, and no cell taken for a formula."""
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\r\n")
    writer.writerow(names)
    for row in rows:
        writer.writerow([_cell(row[name]) for name in names])
    return _BOM + sink.getvalue()


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "; ".join(value)
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def expected_rows(run: Run) -> list[dict[str, Any]]:
    """The watch lists of all waters, one below the other."""
    return [
        {name: _rounded(name, {**item, "water": water["water"]}[name]) for name in EXPECTED_COLUMNS}
        for water in run.waters
        for item in water["expected"]
    ]


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
            text(f"{kind}.csv", csv_text(INTRODUCED.names, introduced_table(run, kind).to_pylist()))
        text("expected.csv", csv_text(EXPECTED_COLUMNS, expected_rows(run)))
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
    import pyogrio

    # GDAL writes the time into the file unless it is told another one.
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "1970-01-01T00:00:00.000Z"})
    try:
        for layer, rows in (("waters", _water_rows(run)), ("records", list(_record_rows(run)))):
            if rows:
                _write_points(path, layer, rows)
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _write_points(path: Path, layer: str, rows: Sequence[Mapping[str, Any]]) -> None:
    import pyogrio
    import shapely

    points = shapely.points([row["longitude"] for row in rows], [row["latitude"] for row in rows])
    arrays = {"geometry": pa.array(shapely.to_wkb(points), pa.binary())}
    for name in rows[0]:
        if name in {"longitude", "latitude"}:
            continue
        values = [row[name] for row in rows]
        known = all(value is None for value in values)
        arrays[name] = pa.array(values, pa.string()) if known else pa.array(values)
    pyogrio.write_arrow(
        pa.table(arrays),
        path,
        layer=layer,
        driver="GPKG",
        geometry_name="geometry",
        geometry_type="Point",
        crs="EPSG:4326",
        append=path.exists(),
    )
