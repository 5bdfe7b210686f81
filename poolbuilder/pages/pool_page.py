"""The report of a pool: one page, what a notebook shows, what changed, and the data that its script draws."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from markupsafe import Markup, escape
from numpy.typing import NDArray

from poolbuilder import pages, tables, words
from poolbuilder.compare import compare
from poolbuilder.errors import PoolBuilderError
from poolbuilder.model.evidence import MOST_DRAWN, foremost
from poolbuilder.pages import drawings, maps
from poolbuilder.places.base_map import CREDIT
from poolbuilder.records.rules import RULES
from poolbuilder.settings import Settings
from poolbuilder.words import pool_words

if TYPE_CHECKING:
    from poolbuilder.pool import Pool

FIRST_PAIRS = 10
TOP_EVENTS = 5
MOST_KEYS = 6
"""Record keys an event shows; the rest are counted here and stand in evidence.parquet."""
SLIGHT = 0.01
"""Weight of a pair that is not printed."""
TRIANGLE_SPECIES = 14

Rows = list[dict[str, Any]]


def italic(text: str, names: Sequence[str]) -> Markup:
    """A sentence with the species names in it set in italics; everything is escaped.

    Examples
    --------
    >>> italic("Aa bb & co.", ["Aa bb"])
    Markup('<i>Aa bb</i> &amp; co.')
    """
    known = [name for name in sorted(names, key=len, reverse=True) if name]
    if not known:
        return escape(text)
    pieces = re.split("(" + "|".join(map(re.escape, known)) + ")", text)
    return Markup("").join(
        Markup("<i>{}</i>").format(piece) if index % 2 else piece for index, piece in enumerate(pieces)
    )


def _names(pool: Pool) -> list[str]:
    return [str(name) for name in tables.strings(pool.candidates["scientificName"])]


# -- the page ----------------------------------------------------------------------------


def render(pool: Pool, *, view: str = "whole") -> str:
    """The report of a pool: one HTML text that needs no other file and no network.

    The same pool gives the same text; ``view="map"`` shows the list and the map alone.
    """
    return pages.fill("pool.html", scripts=pages.SCRIPTS, mapped=True, **content(pool), view=view)


def content(pool: Pool) -> dict[str, Any]:
    """The facts that the page's template puts into words."""
    counts = dict(pool.counts.get("rejected") or {})
    changed = pool.settings.changed()
    values, around = pool.settings.as_dict(), maps.around(pool)
    return {
        "pool": pool,
        "findings": italic(pool_words.findings(pool), _names(pool)),
        "rows": species_rows(pool),
        "rules": {rule.key: rule for rule in RULES},
        "rejected": sorted(counts.items(), key=lambda item: (-item[1], item[0])),
        "rejected_total": sum(counts.values()) if counts else pool.rejected.num_rows,
        "still_map": maps.chart(pool, around),
        "undrawn": pool.evidence.num_rows - foremost(pool.evidence).num_rows,
        "most_drawn": MOST_DRAWN,
        "map_credit": CREDIT if any(pool.features.get(layer) for layer in maps.BASE) else "",
        "pairs": [row for row in pool.crosses.to_pylist() if row["parent1"] != row["parent2"]],
        "pairs_first": FIRST_PAIRS,
        "slight": SLIGHT,
        "common": {row["scientificName"]: row["vernacularName"] for row in pool},
        "triangle": triangle(pool),
        "settings": [
            {**row, "value": values[row["name"]], "changed": row["name"] in changed}
            for row in Settings.explain()
        ],
        "changed": changed,
        "calibration": _calibration(pool),
        "completeness": _plain_facts(pool.completeness or {}),
        "data": pages.as_script(payload(pool, around)),
    }


def _calibration(pool: Pool) -> dict[str, Any]:
    """How presence is calibrated: title, sentence, facts, and predicted against found where measured."""
    found = pool.calibration or {}
    rows = [
        {"meanPresence": row["predicted"], "observedShare": row["observed"], "count": row["surveys"]}
        for row in found.get("reliability") or ()
        if None not in (row["predicted"], row["observed"])
    ]
    return {
        "facts": _plain_facts(found),
        "rows": rows,
    }


def _plain_facts(values: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The plain values of a mapping; its words and tables are shown elsewhere."""
    return [
        (
            re.sub("[A-Z]", lambda letter: f" {letter[0].lower()}", key),
            str(value) if key.lower().endswith("year") else words.plain(value),
        )
        for key, value in values.items()
        if key not in {"words", "title"} and (value is None or isinstance(value, str | int | float))
    ]


def species_rows(pool: Pool) -> Rows:
    """One row per candidate: its row of POOL, the steps of its argument, its weightiest events and charts."""
    table, marks = pool.evidence, maps.marks(pool)
    year, distance = tables.integers(table["year"]), tables.numbers(table["distanceKm"])
    change = tables.numbers(table["logOdds"])
    first = int(year[year >= 0].min(initial=pool.as_of.year))
    steps: dict[str, Rows] = {}
    for row in pool.contributions.to_pylist():
        steps.setdefault(row["scientificName"], []).append(row)
    titles = {row.get("datasetKey"): row.get("title") or row.get("datasetKey") for row in pool.datasets}
    candidates = pool.candidates.to_pylist()
    folded = any(row["presence"] >= words.LIKELY for row in candidates)
    rows = []
    for number, row in enumerate(candidates):
        mine = np.flatnonzero(marks.species == number)
        order = mine[np.lexsort((distance[mine], -change[mine]))][:TOP_EVENTS]
        dated = year[mine][year[mine] >= 0]
        far = pool.counts.get("unlisted", {}).get(row["scientificName"])
        rows.append(
            {
                **row,
                "number": number,
                "unlikely": folded and row["presence"] < words.LIKELY,
                "steps": _argument(steps.get(row["scientificName"], [])),
                "events_count": len(mine),
                "undated": len(mine) - len(dated),
                "unlisted": far,
                "weighty": bool(np.abs(change[mine]).max(initial=0) >= 0.005),
                "top": [
                    {**event, "title": titles.get(event["datasetKey"], event["datasetKey"])}
                    for event in tables.take(table, order).to_pylist()
                ],
                "locator": maps.locator(pool, marks.of(number), row["scientificName"]),
                "years": drawings.years(dated, first=first, last=pool.as_of.year) if len(dated) else None,
                "distances": drawings.distances(
                    distance[mine],
                    radius_km=pool.site.radius_km,
                    reach_km=far["beyondKm"] if far else max(pool.settings.reach_km, pool.site.radius_km),
                ),
            }
        )
    return rows


def _argument(rows: Sequence[Mapping[str, Any]]) -> Rows:
    """The steps of one argument with the probability after each; non-detections in a row are one."""
    gathered: list[Mapping[str, Any]] = []
    for unseen, run in groupby(rows, key=lambda row: row["part"] in {"notDetected", "time"}):
        steps = list(run)
        if unseen and len(steps) > 1:
            change = sum(step["logOdds"] for step in steps)
            steps = [{"part": "notDetected", "logOdds": change, "words": pool_words.not_seen(steps)}]
        gathered += steps
    total, shown = 0.0, []
    for row, bar in zip(gathered, drawings.steps([row["logOdds"] for row in gathered]), strict=True):
        total += row["logOdds"]
        shown.append({**row, "bar": bar, "after": 1 / (1 + math.exp(-total))})
    return shown


def triangle(pool: Pool) -> Markup:
    """The weights of the pairs of the likeliest species."""
    weights = {
        tuple(sorted((row["parent1"], row["parent2"]))): (row["weight"], row["documented"])
        for row in pool.crosses.to_pylist()
    }
    return pages.draw("pairs", _names(pool)[:TRIANGLE_SPECIES], weights)


# -- the data that the script draws ------------------------------------------------------

_ROUNDED = {
    "latitude": ("latitude", 5),
    "distanceKm": ("distanceKm", 2),
    "byWaterKm": ("byWaterKm", 1),
    "uncertaintyM": ("coordinateUncertaintyInMeters", 0),
    "insideShare": ("insideShare", 3),
    "quality": ("quality", 3),
    "logOdds": ("logOdds", 3),
}


def payload(pool: Pool, around: Mapping[str, Any]) -> dict[str, Any]:
    """Everything the script needs, in columns, rounded for reading.

    Returns
    -------
    dict
        ``site``, ``species`` (names in the order of the table), ``events`` (columns of equal
        length, the species as its number), ``totals`` (events of each species, drawn or not) and
        ``layers`` (GeoJSON geometries near the disc).
    """
    marks, names = maps.marks(pool).species, _names(pool)
    listed = np.bincount(marks[marks >= 0], minlength=len(names)).tolist()
    unlisted = pool.counts.get("unlisted", {})
    return {
        "site": {
            "longitude": pool.site.longitude,
            "latitude": pool.site.latitude,
            "radiusKm": pool.site.radius_km,
            "name": words.place(pool.site),
        },
        "species": names,
        "vernacular": tables.strings(pool.candidates["vernacularName"]),
        "totals": [
            count + unlisted.get(name, {}).get("events", 0) for name, count in zip(names, listed, strict=True)
        ],
        "events": _events(pool),
        "layers": {
            layer: [
                {
                    "geometry": json.loads(shapely.to_geojson(shape["geometry"])),
                    "label": str(shape["properties"].get("label") or shape["properties"].get("name") or ""),
                    "species": str(shape["properties"].get("scientificName") or ""),
                }
                for shape in shapes
            ]
            for layer, shapes in around.items()
        },
    }


def _rounded(values: NDArray[np.float64], digits: int) -> list[float | None]:
    rounded = np.round(values, digits).astype(object)
    rounded[np.isnan(values)] = None
    found: list[float | None] = rounded.tolist()
    return found


def _events(pool: Pool) -> dict[str, Any]:
    table = foremost(pool.evidence)
    marks = maps.marks(pool, table)
    dataset, keys = tables.codes(table["datasetKey"])
    titles = {row.get("datasetKey"): row.get("title") for row in pool.datasets}
    longitude = maps.wrapped(tables.numbers(table["longitude"]), pool.site)
    return {
        **{name: _rounded(tables.numbers(table[column]), n) for name, (column, n) in _ROUNDED.items()},
        "longitude": _rounded(longitude, 5),
        "species": marks.species.tolist(),
        "kind": marks.kind.tolist(),
        "date": tables.strings(table["eventDate"]),
        "records": tables.integers(table["records"]).tolist(),
        "dataset": dataset.tolist(),
        "datasets": [str(titles.get(key) or key) for key in keys],
        "keys": [row[:MOST_KEYS] for row in table["recordIDs"].to_pylist()],
    }


# -- in a notebook -----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class PageFrame:
    """A page in a frame of its own, as a notebook shows it: its whole text, and its height in pixels."""

    page: str
    height: int = 680
    title: str = "map"

    def _repr_html_(self) -> str:
        return pages.environment().get_template("framed.html").render(frame=self)


def explore(pool: Pool, *, height: int = 680) -> PageFrame:
    """The list and the interactive map of a pool, for a notebook cell.

    Examples
    --------
    >>> from poolbuilder.demonstration import demo_pool
    >>> explore(demo_pool(), height=400).title
    'map: Kestrel Ford Lake (invented)'
    """
    return PageFrame(page=render(pool, view="map"), height=height, title=f"map: {words.place(pool.site)}")


def notebook_html(pool: Pool) -> str:
    """The findings, the doubts, the list and a still map as one HTML fragment; no script in it.

    Examples
    --------
    >>> from poolbuilder.demonstration import demo_pool
    >>> page = notebook_html(demo_pool())
    >>> "<h3>Kestrel Ford Lake (invented)</h3>" in page, "<script" in page
    (True, False)
    """
    style = Markup(pages.asset("drawings.css") + pages.asset("notebook.css"))
    return pages.environment().get_template("notebook.html").render(style=style, **content(pool))


# -- two pools ---------------------------------------------------------------------------


def beside(one: Pool, other: Pool) -> dict[str, Any]:
    """Both pools and the rows of their species, in the order of the larger presence."""
    left, right = ({row["scientificName"]: row for row in pool} for pool in (one, other))

    def presence(name: str) -> float:
        return max(float(rows[name]["presence"]) for rows in (left, right) if name in rows)

    names = sorted(left.keys() | right.keys(), key=lambda name: (-presence(name), name))
    return {
        "pools": [one, other],
        "findings": [italic(pool_words.findings(pool), names) for pool in (one, other)],
        "rows": [{"name": name, "cells": (left.get(name), right.get(name))} for name in names],
    }


def changes(before: Pool, after: Pool) -> dict[str, Any] | None:
    """What moved from one pool of a water to another, with causes; None for two waters."""
    try:
        found = compare(before, after)
    except PoolBuilderError:
        return None
    causes: dict[str, Rows] = {}
    for row in found.causes.to_pylist():
        causes.setdefault(row["scientificName"], []).append(row)
    return {
        "rows": [
            {**row, "causes": causes.get(row["scientificName"], [])}
            for row in found.changes.to_pylist()
            if row["change"] != "steady"
            or words.percent(row["presenceBefore"]) != words.percent(row["presenceAfter"])
        ],
        "notes": found.notes,
        "pools": (before, after),
    }
