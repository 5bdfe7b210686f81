"""The data block of the report: what the script on the page draws and lists."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup
from numpy.typing import NDArray

from poolbuilder import tables, wording
from poolbuilder.pool import Pool
from poolbuilder.report import geography

__all__ = ["KINDS", "as_script", "payload"]

KINDS = ("record", "ambiguous", "hybrid")
MOST_KEYS = 6
"""Record keys an event shows; the rest are counted here and stand in evidence.parquet."""


def payload(pool: Pool) -> dict[str, Any]:
    """Everything the script needs, in columns, rounded for reading.

    Returns
    -------
    dict
        ``site``, ``species`` (names in the order of the table), ``events`` (columns of equal
        length, the species as its number) and ``layers`` (GeoJSON geometries near the disc).
    """
    names = [str(name) for name in tables.strings(pool.candidates["scientificName"])]
    return {
        "site": {
            "longitude": pool.site.longitude,
            "latitude": pool.site.latitude,
            "radiusKm": pool.site.radius_km,
            "name": wording.place(pool.site),
        },
        "species": names,
        "vernacular": tables.strings(pool.candidates["vernacularName"]),
        "events": _events(pool, names),
        "layers": _layers(pool),
    }


def _rounded(values: NDArray[np.float64], digits: int) -> list[float | None]:
    return [None if np.isnan(value) else round(float(value), digits) for value in values]


def _coded(column: Any) -> tuple[list[int], list[str]]:
    codes, values = tables.codes(column)
    return codes.tolist(), [str(value) for value in values]


def _events(pool: Pool, names: list[str]) -> dict[str, Any]:
    table = pool.evidence
    number = {name: index for index, name in enumerate(names)}
    dataset, datasets = _coded(table["datasetKey"])
    titles = {str(row.get("datasetKey")): str(row.get("title") or "") for row in pool.datasets}
    keys = table["recordIDs"].to_pylist()
    longitude = geography.wrapped(tables.numbers(table["longitude"]), pool.site)
    return {
        "species": [number.get(str(name), -1) for name in tables.strings(table["scientificName"])],
        "kind": [
            KINDS.index(kind) if kind in KINDS else 0 for kind in map(str, tables.strings(table["kind"]))
        ],
        "longitude": _rounded(longitude, 5),
        "latitude": _rounded(tables.numbers(table["latitude"]), 5),
        "distanceKm": _rounded(tables.numbers(table["distanceKm"]), 2),
        "byWaterKm": _rounded(tables.numbers(table["byWaterKm"]), 1),
        "uncertaintyM": _rounded(tables.numbers(table["coordinateUncertaintyInMeters"]), 0),
        "date": tables.strings(table["eventDate"]),
        "records": tables.integers(table["records"]).tolist(),
        "insideShare": _rounded(tables.numbers(table["insideShare"]), 3),
        "quality": _rounded(tables.numbers(table["quality"]), 3),
        "logOdds": _rounded(tables.numbers(table["logOdds"]), 3),
        "dataset": dataset,
        "datasets": [titles.get(value) or value for value in datasets],
        "keys": [list(row[:MOST_KEYS]) for row in keys],
    }


def _layers(pool: Pool) -> dict[str, list[dict[str, Any]]]:
    drawn: dict[str, list[dict[str, Any]]] = {}
    for layer, shapes in geography.around(pool).items():
        drawn[layer] = [
            {
                "geometry": json.loads(shapely.to_geojson(shape["geometry"])),
                "label": str(shape["properties"].get("label") or shape["properties"].get("name") or ""),
                "species": str(shape["properties"].get("scientificName") or ""),
            }
            for shape in shapes
        ]
    return drawn


def as_script(values: dict[str, Any]) -> Markup:
    """JSON that may stand in a script element: no `<`, `>` or `&`, and no line separators."""
    text = json.dumps(values, ensure_ascii=False, separators=(",", ":"), sort_keys=True, allow_nan=False)
    for character in "<>&\N{LINE SEPARATOR}\N{PARAGRAPH SEPARATOR}":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)
