"""The report of a pool: one page, what a notebook shows, and the data that its script draws."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup, escape
from numpy.typing import NDArray

from poolbuilder import tables, words
from poolbuilder.pages import kit, maps, pool_rows
from poolbuilder.places.base_map import CREDIT
from poolbuilder.pool import Pool
from poolbuilder.records.rules import RULES

FIRST_PAIRS = 10

_COLUMNS = (("name", "Species"), ("presence", "Presence"), ("nearest", "Why"), ("status", "Status"))
_MAP_WORDS = {
    "ranges": "edge of a range map",
    "states": "boundary",
    "basins": "watershed",
    "outline": "outline of the water",
    "streams": "stream",
    "barriers": "barrier",
}


def render(pool: Pool, *, view: str = "whole") -> str:
    """The report of a pool: one HTML text that needs no other file and no network.

    The same pool gives the same text; ``view="map"`` shows the list and the map alone.
    """
    return kit.fill("pool.html", scripts=kit.SCRIPTS, mapped=True, **content(pool), view=view)


def content(pool: Pool) -> dict[str, Any]:
    """Everything that the page's template says of a pool."""
    rows = pool_rows.species_rows(pool)
    candidates = pool.candidates.to_pylist()
    folded = [row for row, shown in zip(candidates, rows, strict=True) if shown["unlikely"]]
    return {
        "pool": pool,
        "water": words.place(pool.site),
        "coordinates": words.degrees(pool.site),
        "as_of": words.day(pool.as_of),
        "findings": pool_rows.italic(words.findings(pool), [row["name"] for row in rows]),
        "doubts": words.doubts(pool),
        "cautions": words.CAUTIONS,
        "rows": rows,
        "unlikely": words.unlikely(folded) if folded else "",
        "has_data": words.has_data(pool),
        "radius": words.radius(pool.site.radius_km),
        "radius_role": words.radius_role(pool),
        "calibrated": words.calibrated(pool),
        "any_interval": any(row["interval"] for row in rows),
        "table_columns": [{"key": key, "title": title} for key, title in _COLUMNS],
        "still_map": maps.chart(pool, maps.marks(pool)),
        "map_credit": CREDIT if any(pool.features.get(layer) for layer in maps.BASE) else "",
        "map_layers": [(key, text) for key, text in _MAP_WORDS.items() if pool.features.get(key)],
        "pairs": pool_rows.pair_rows(pool),
        "pairs_first": FIRST_PAIRS,
        "triangle": pool_rows.triangle(pool),
        "data": kit.as_script(payload(pool)),
        **_counts(pool),
        **pool_rows.parts(pool),
    }


def _counts(pool: Pool) -> dict[str, Any]:
    told = {rule.key: rule for rule in RULES}
    counts = dict(pool.counts.get("rejected") or {})
    total = sum(counts.values()) if counts else pool.rejected.num_rows
    rejected = [
        (
            told[key].title if key in told else key,
            told[key].reason if key in told else "",
            f"{count:,}",
        )
        for key, count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))
        if count
    ]
    unknown = pool.counts.get("unknownNames") or {}
    named = sorted(unknown.items(), key=lambda item: (-item[1], item[0]))
    return {
        "read": int(pool.counts.get("read", 0)),
        "kept": int(pool.counts.get("kept", 0)),
        "rejected_total": total,
        "rejected": rejected,
        "left_out_title": words.counted(total, "record") if total else "no record",
        "mended_names": "; ".join(words.mended_names(pool)),
        "unknown_names": ", ".join(f"{name} ({count:,})" for name, count in named[:30]),
    }


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
            "name": words.place(pool.site),
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
    longitude = maps.wrapped(tables.numbers(table["longitude"]), pool.site)
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
    for layer, shapes in maps.around(pool).items():
        drawn[layer] = [
            {
                "geometry": json.loads(shapely.to_geojson(shape["geometry"])),
                "label": str(shape["properties"].get("label") or shape["properties"].get("name") or ""),
                "species": str(shape["properties"].get("scientificName") or ""),
            }
            for shape in shapes
        ]
    return drawn


@dataclass(frozen=True, kw_only=True)
class Frame:
    """A page in a frame of its own, as a notebook shows it.

    Parameters
    ----------
    page : str
        The whole HTML text.
    height : int
        Height of the frame in pixels.
    """

    page: str
    height: int = 680
    title: str = "map"

    def _repr_html_(self) -> str:
        return (
            f'<iframe srcdoc="{escape(self.page)}" title="{escape(self.title)}" '
            f'style="width:100%;height:{self.height}px;border:1px solid #8fa1a3"></iframe>'
        )


def explore(pool: Pool, *, height: int = 680) -> Frame:
    """The list and the interactive map of a pool, for a notebook cell."""
    return Frame(
        page=render(pool, view="map"), height=height, title=f"map of the pool of {words.place(pool.site)}"
    )


def notebook_html(pool: Pool) -> str:
    """The findings, the doubts, the list and a still map as one HTML fragment; no script in it."""
    rows = pool_rows.species_rows(pool)
    style = kit.asset("drawings.css") + kit.asset("notebook.css")
    return (
        kit.environment()
        .get_template("notebook.html")
        .render(
            style=Markup(style),
            water=words.place(pool.site),
            findings=pool_rows.italic(words.findings(pool), [row["name"] for row in rows]),
            doubts=words.doubts(pool),
            rows=rows,
            still_map=maps.chart(pool, maps.marks(pool)),
        )
    )
