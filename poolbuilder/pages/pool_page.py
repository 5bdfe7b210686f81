"""The report of a pool: one page, what a notebook shows, and the data that its script draws."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup, escape
from numpy.typing import NDArray

from poolbuilder import pages, tables, words
from poolbuilder.compare import compare
from poolbuilder.errors import PoolBuilderError
from poolbuilder.pages import drawings, maps
from poolbuilder.places.base_map import CREDIT
from poolbuilder.pool import Pool
from poolbuilder.records.rules import RULES
from poolbuilder.settings import Settings

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
    return pages.fill("pool.html", scripts=pages.SCRIPTS, mapped=True, **content(pool), view=view)


def content(pool: Pool) -> dict[str, Any]:
    """Everything that the page's template says of a pool."""
    rows = species_rows(pool)
    candidates = pool.candidates.to_pylist()
    folded = [row for row, shown in zip(candidates, rows, strict=True) if shown["unlikely"]]
    return {
        "pool": pool,
        "water": words.place(pool.site),
        "coordinates": words.degrees(pool.site),
        "as_of": words.day(pool.as_of),
        "findings": italic(words.findings(pool), [row["name"] for row in rows]),
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
        "pairs": pair_rows(pool),
        "pairs_first": FIRST_PAIRS,
        "triangle": triangle(pool),
        "data": pages.as_script(payload(pool)),
        **_counts(pool),
        **parts(pool),
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
    rows = species_rows(pool)
    style = pages.asset("drawings.css") + pages.asset("notebook.css")
    return (
        pages.environment()
        .get_template("notebook.html")
        .render(
            style=Markup(style),
            water=words.place(pool.site),
            findings=italic(words.findings(pool), [row["name"] for row in rows]),
            doubts=words.doubts(pool),
            rows=rows,
            still_map=maps.chart(pool, maps.marks(pool)),
        )
    )


TOP_EVENTS = 5
SLIGHT = 0.01
"""Weight of a pair that is not printed."""

TRIANGLE_SPECIES = 14

_KINDS = {"ambiguous": " (name may mean several species)", "hybrid": " (as parent of a hybrid)"}
Ints = NDArray[np.int64]


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


def species_rows(pool: Pool) -> list[dict[str, Any]]:
    """One row per candidate with everything its line and its argument show."""
    reasons = _grouped(pool.contributions.to_pylist(), "scientificName")
    events = _Events(pool)
    candidates = pool.candidates.to_pylist()
    folded = any(row["presence"] >= words.LIKELY for row in candidates)
    rows = []
    for number, row in enumerate(candidates):
        rows.append(
            {
                **_line(pool, row, number),
                "unlikely": folded and row["presence"] < words.LIKELY,
                "settling": words.settling(row),
                "reasons": _reasons(reasons.get(row["scientificName"], [])),
                **events.drawn(number, row["scientificName"]),
            }
        )
    return rows


def _line(pool: Pool, row: Mapping[str, Any], number: int) -> dict[str, Any]:
    means, _, source = words.status(row["establishmentMeans"], row["establishmentSource"]).partition(" (")
    return {
        "number": number,
        "name": row["scientificName"],
        "vernacular": row["vernacularName"] or "",
        "gauge": drawings.gauge(row["presence"], row["presenceLow"], row["presenceHigh"]),
        "presence": words.percent(row["presence"]),
        "interval": words.interval(row["presenceLow"], row["presenceHigh"]),
        "reason": words.reason(row, pool.site.radius_km),
        "status": means,
        "status_source": source.removesuffix(")"),
        "note": row["note"],
        "sort_name": f"{row['scientificName']} {row['vernacularName'] or ''}",
        "sort_presence": f"{row['presence']:.6f}",
        "sort_nearest": "" if row["nearestKm"] is None else f"{row['nearestKm']:.4f}",
    }


def _grouped(rows: Sequence[dict[str, Any]], key: str) -> dict[str, list[dict[str, Any]]]:
    groups: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault(row[key], []).append(row)
    return groups


def _reasons(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The steps of one argument with the probability after each; non-detections in a row are one."""
    rows = _gathered(rows)
    changes = [row["logOdds"] for row in rows]
    total = 0.0
    told = []
    for row, bar in zip(rows, drawings.steps(changes), strict=True):
        total += row["logOdds"]
        told.append(
            {
                "part": words.ARGUMENT.get(row["part"], row["part"]),
                "words": row["words"],
                "bar": bar,
                "change": words.signed(row["logOdds"]),
                "after": words.percent(1 / (1 + math.exp(-total))),
            }
        )
    return told


def _gathered(rows: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The steps with each run of non-detections and passing years as one step."""
    told: list[Mapping[str, Any]] = []
    for unseen, run in groupby(rows, key=lambda row: row["part"] in {"notDetected", "time"}):
        steps = list(run)
        if unseen and len(steps) > 1:
            change = sum(step["logOdds"] for step in steps)
            steps = [{"part": "notDetected", "logOdds": change, "words": words.not_seen(steps)}]
        told += steps
    return told


def _caption(changes: NDArray[np.float64]) -> str:
    count = words.counted(len(changes), "event")
    few = len(changes) <= TOP_EVENTS
    if len(changes) == 1:
        return count
    if np.abs(changes).max() < 0.005:
        told = f"{count}, the nearest first" if few else f"The {TOP_EVENTS} nearest of {count}"
        return f"{told}; they count together, among the sampling sites around the water"
    return f"{count}, the weightiest first" if few else f"The {TOP_EVENTS} weightiest of {count}"


class _Events:
    """The evidence of a pool, sliced by species, with axes that all species share."""

    def __init__(self, pool: Pool) -> None:
        table = pool.evidence
        self.pool = pool
        self.marks = maps.marks(pool)
        self.year = tables.integers(table["year"])
        self.distance = tables.numbers(table["distanceKm"])
        self.change = tables.numbers(table["logOdds"])
        known = self.year[self.year >= 0]
        self.first = int(known.min()) if len(known) else pool.as_of.year
        self.titles = {
            str(row.get("datasetKey")): str(row.get("title") or row.get("datasetKey") or "")
            for row in pool.datasets
        }

    def drawn(self, number: int, name: str) -> dict[str, Any]:
        """Charts and the weightiest events of one species."""
        mine = np.flatnonzero(self.marks.species == number)
        if not len(mine):
            return {"events_drawn": False}
        pool, year = self.pool, self.year[mine]
        order = mine[np.lexsort((self.distance[mine], -self.change[mine]))][:TOP_EVENTS]
        reach = max(pool.settings.reach_km, pool.site.radius_km)
        return {
            "events_drawn": True,
            "undated": int((year < 0).sum()),
            "locator": maps.locator(pool, self.marks.of(number), name),
            "year_chart": drawings.years(year[year >= 0], first=self.first, last=pool.as_of.year)
            if (year >= 0).any()
            else None,
            "distance_chart": drawings.distances(
                self.distance[mine], radius_km=pool.site.radius_km, reach_km=reach
            ),
            "events_caption": _caption(self.change[mine]),
            "events_top": [self._event(row) for row in tables.take(pool.evidence, order).to_pylist()],
        }

    def _event(self, row: Mapping[str, Any]) -> dict[str, Any]:
        key = row["datasetKey"]
        shown = row["recordIDs"][:6]
        more = row["records"] - len(shown)
        keys = ", ".join(shown) + (f", and {more} more in evidence.parquet" if more > 0 and shown else "")
        return {
            "date": (row["eventDate"] or "undated") + _KINDS.get(row["kind"], ""),
            "distance": words.kilometres(row["distanceKm"]),
            "unsure": words.kilometres(row["coordinateUncertaintyInMeters"] / 1000),
            "change": words.signed(row["logOdds"], digits=2),
            "record_keys": keys,
            "dataset": self.titles.get(str(key), str(key)) if key else "",
        }


def pair_rows(pool: Pool) -> list[dict[str, Any]]:
    """Parent pairs, weightiest first, with what is known of each in words."""
    rows = [row for row in pool.crosses.to_pylist() if row["parent1"] != row["parent2"]]
    top = max([row["weight"] for row in rows] or [1.0]) or 1.0
    common = {row["scientificName"]: row["vernacularName"] for row in pool.candidates.to_pylist()}
    return [
        {
            "names": " × ".join(common.get(row[side]) or row[side] for side in ("parent1", "parent2")),
            "slight": row["weight"] < SLIGHT,
            "parent1": row["parent1"],
            "parent2": row["parent2"],
            "gauge": drawings.gauge(row["weight"] / top, None, None),
            "weight": words.percent(row["weight"]),
            "words": _known(row),
            "note": row["note"],
        }
        for row in rows
    ]


def _known(row: Mapping[str, Any]) -> str:
    said = []
    if row["documented"]:
        said.append("documented in nature")
    if row["viability"] and row["viability"] != "unknown":
        said.append(row["viability"])
    if row["hybridRecords"]:
        said.append(f"{words.counted(row['hybridRecords'], 'hybrid record')} within reach")
    if not said:
        said.append("no document of it on file")
    return "; ".join(said)


def triangle(pool: Pool) -> Markup:
    """The weights of the pairs of the likeliest species."""
    names = [str(name) for name in tables.strings(pool.candidates["scientificName"])[:TRIANGLE_SPECIES]]
    weights = {
        (min(row["parent1"], row["parent2"]), max(row["parent1"], row["parent2"])): (
            row["weight"],
            row["documented"],
        )
        for row in pool.crosses.to_pylist()
    }
    return drawings.pairs(names, weights)


def parts(pool: Pool) -> dict[str, Any]:
    """The fine print: data sets, inputs, settings, calibration, completeness."""
    return {
        "datasets": [_dataset(row) for row in pool.datasets],
        "inputs": [_input(row) for row in pool.inputs],
        "settings": _settings(pool.settings),
        "settings_changed": _settings_changed(pool.settings),
        "calibration": _calibration(pool.calibration),
        "notes": [str(note) for note in pool.notes],
        "completeness": _facts(pool.completeness or {}),
    }


def _dataset(row: Mapping[str, Any]) -> tuple[str, str, str]:
    named = row.get("citation") or row.get("title") or row.get("datasetKey") or "unnamed data set"
    records = row.get("records")
    return (
        str(named),
        words.licence(row.get("license")),
        f"{records:,}" if isinstance(records, int) else words.DASH,
    )


def _input(row: Mapping[str, Any]) -> dict[str, str]:
    rows = row.get("rows")
    name = str(row.get("path") or row.get("url") or row.get("name") or "")
    layer = row.get("layer")
    return {
        "path": f"{name}:{layer}" if layer else name,
        "role": str(row.get("use") or row.get("kind") or ""),
        "rows": f"{rows:,}" if isinstance(rows, int) else words.DASH,
        "sha256": str(row.get("sha256") or words.DASH),
    }


def _settings(settings: Settings) -> list[dict[str, Any]]:
    values, changed = settings.as_dict(), settings.changed()
    return [
        {
            "name": row["name"],
            "value": _plain(values[row["name"]]),
            "unit": row["unit"],
            "reason": row["reason"],
            "changed": row["name"] in changed,
            "default": _plain(row["default"]),
        }
        for row in Settings.explain()
    ]


def _settings_changed(settings: Settings) -> str:
    changed = ", ".join(f"{name} = {_plain(value)}" for name, value in settings.changed().items())
    return f"changed: {changed}" if changed else ""


def _plain(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: "unknown"}[value]
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 1000 and value == round(value) else f"{value:.4g}"
    return f"{value:,}" if isinstance(value, int) else str(value)


def _calibration(calibration: Mapping[str, Any] | None) -> dict[str, Any]:
    if calibration is None:
        return {
            "title": "fitted to public surveys elsewhere",
            "words": "The constants that come with the package were fitted to public surveys of running and "
            "still waters. How good the probabilities are around here is not known: `poolbuilder calibrate` "
            "measures it on surveys of the region.",
            "diagram": None,
            "facts": [],
        }
    groups = calibration.get("reliability") or ()
    rows = [
        {
            "meanPresence": float(row["predicted"]),
            "observedShare": float(row["observed"]),
            "count": int(row["surveys"]),
        }
        for row in groups
        if row["predicted"] is not None and row["observed"] is not None
    ]
    return {
        "title": str(calibration.get("title") or "fitted to surveys"),
        "words": str(calibration.get("words") or "The model was fitted to surveys."),
        "diagram": drawings.reliability(rows, title="presence in this model") if rows else None,
        "facts": _facts(calibration),
    }


def _facts(values: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The plain values of a mapping; its words and tables are shown elsewhere."""
    shown = []
    for key, value in values.items():
        if key in {"words", "title", "reliability"} or isinstance(value, Mapping):
            continue
        if isinstance(value, str | int | float | bool) or value is None:
            shown.append((_spaced(key), str(value) if key.lower().endswith("year") else _plain(value)))
    return shown


def _spaced(name: str) -> str:
    """``listsInWater`` as ``lists in water``."""
    return "".join(f" {letter.lower()}" if letter.isupper() else letter for letter in name).strip()


def beside(one: Pool, other: Pool) -> dict[str, Any]:
    """Heads and rows of a comparison; species in the order of their larger presence."""
    left, right = (
        {row["scientificName"]: row for row in pool.candidates.to_pylist()} for pool in (one, other)
    )
    names = sorted(
        left.keys() | right.keys(),
        key=lambda name: (-max(_presence(left, name), _presence(right, name)), name),
    )
    rows = []
    for name in names:
        row = left.get(name) or right[name]
        rows.append(
            {
                "name": name,
                "vernacular": row["vernacularName"] or "",
                "cells": [_cell(pool, rows_of.get(name)) for pool, rows_of in ((one, left), (other, right))],
                "difference": _difference(left, right, name),
            }
        )
    return {"heads": [_head(pool, names) for pool in (one, other)], "rows": rows}


def _presence(rows: dict[str, dict[str, Any]], name: str) -> float:
    return float(rows[name]["presence"]) if name in rows else 0.0


def _difference(left: dict[str, Any], right: dict[str, Any], name: str) -> str:
    if name not in left or name not in right:
        return "on one checklist only"
    points = round(100 * right[name]["presence"]) - round(100 * left[name]["presence"])
    return "same" if points == 0 else f"{'+' if points > 0 else words.MINUS}{abs(points)} points"


def _cell(pool: Pool, row: dict[str, Any] | None) -> dict[str, Any] | None:
    if row is None:
        return None
    return {
        "gauge": drawings.gauge(row["presence"], row["presenceLow"], row["presenceHigh"]),
        "presence": words.percent(row["presence"]),
        "interval": words.interval(row["presenceLow"], row["presenceHigh"]),
        "tier": words.tier_short(row["tier"], pool.site.radius_km),
        "status": words.status(row["establishmentMeans"], row["establishmentSource"]),
    }


def _head(pool: Pool, names: list[str]) -> dict[str, Any]:
    return {
        "water": words.place(pool.site),
        "where": words.degrees(pool.site),
        "radius": f"{pool.site.radius_km:g} km",
        "as_of": words.day(pool.as_of),
        "findings": italic(words.findings(pool), names),
        "doubts": words.doubts(pool),
    }


def changes(before: Pool, after: Pool) -> dict[str, Any] | None:
    """What moved from one pool of a water to another, with causes; None for two waters."""
    try:
        found = compare(before, after)
    except PoolBuilderError:
        return None
    causes: dict[str, list[str]] = {}
    for row in found.causes.to_pylist():
        change = "" if row["logOdds"] is None else f" ({words.signed(row['logOdds'])})"
        causes.setdefault(row["scientificName"], []).append(f"{row['words']}{change}")
    rows = [
        {
            "name": row["scientificName"],
            "change": row["change"],
            "before": words.percent(row["presenceBefore"]),
            "after": words.percent(row["presenceAfter"]),
            "causes": "; ".join(causes.get(row["scientificName"], [])),
        }
        for row in found.changes.to_pylist()
        if row["change"] != "steady"
        or words.percent(row["presenceBefore"]) != words.percent(row["presenceAfter"])
    ]
    return {
        "rows": rows,
        "notes": list(found.notes),
        "before": f"{before.site.radius_km:g} km, {words.day(before.as_of)}",
        "after": f"{after.site.radius_km:g} km, {words.day(after.as_of)}",
    }
