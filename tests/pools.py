"""An invented pool for the tests of what is drawn and written: real species, invented records."""

from __future__ import annotations

import datetime
import itertools
import math
from typing import Any

import numpy as np

from poolbuilder import Pool, Settings, Site, schemas, tables
from poolbuilder.words import pool_words

SITE = Site(longitude=-89.2, latitude=37.6, radius_km=40, name="Marsh Hollow Lake")
AS_OF = datetime.date(2026, 6, 1)

# name, vernacular, presence, low, high, tier, events, means, source, range class
SPECIES: list[tuple[str, str, float, float, float, str, int, str, str, str]] = [
    ("Lepomis macrochirus", "bluegill", 0.985, 0.95, 0.995, "water", 61, "native", "polygon", "extant"),
    ("Lepomis cyanellus", "green sunfish", 0.94, 0.86, 0.98, "water", 40, "native", "polygon", "extant"),
    ("Lepomis megalotis", "longear sunfish", 0.81, 0.64, 0.92, "water", 33, "native", "polygon", "extant"),
    ("Lepomis gulosus", "warmouth", 0.66, 0.44, 0.83, "water", 12, "native", "polygon", "extant"),
    ("Lepomis microlophus", "redear sunfish", 0.48, 0.27, 0.71, "radius", 9, "introduced", "record", "outside"),
    ("Lepomis humilis", "orangespotted sunfish", 0.34, 0.17, 0.55, "connected", 6, "native", "polygon", "extant"),
    ("Lepomis miniatus", "redspotted sunfish", 0.16, 0.06, 0.33, "radius", 2, "native", "polygon", "possibly_extant"),
    ("Lepomis symmetricus", "bantam sunfish", 0.07, 0.02, 0.19, "beyond", 3, "native", "polygon", "outside"),
    ("Lepomis gibbosus", "pumpkinseed", 0.05, 0.01, 0.16, "beyond", 1, "introduced", "checklist", "no_map"),
    ("Lepomis marginatus", "dollar sunfish", 0.03, 0.01, 0.11, "range", 0, "uncertain", "polygon", "uncertain"),
    ("Lepomis punctatus", "spotted sunfish", 0.008, 0.002, 0.04, "none", 0, "unknown", "unknown", "no_map"),
    ("Lepomis auritus", "redbreast sunfish", 0.004, 0.002, 0.03, "none", 0, "unknown", "unknown", "outside"),
    ("Lepomis peltastes", "northern sunfish", 0.002, 0.002, 0.02, "none", 0, "unknown", "unknown", "outside"),
]  # fmt: skip

DOCUMENTED = {
    ("Lepomis cyanellus", "Lepomis macrochirus"),
    ("Lepomis macrochirus", "Lepomis microlophus"),
    ("Lepomis gulosus", "Lepomis macrochirus"),
    ("Lepomis cyanellus", "Lepomis megalotis"),
}


def _ring(longitude: float, latitude: float, km: float, count: int = 73) -> list[list[float]]:
    points = []
    for angle in np.linspace(0, 2 * math.pi, count):
        dy = km * math.cos(angle) / 111.2
        dx = km * math.sin(angle) / (111.2 * math.cos(math.radians(latitude)))
        points.append([longitude + dx, latitude + dy])
    return points


def _feature(kind: str, coordinates: Any, **properties: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }


def features() -> dict[str, list[dict[str, Any]]]:
    """Disc, an outline, two streams, a barrier and a range edge around the site."""
    lon, lat = SITE.longitude, SITE.latitude
    lake = [
        [lon + 0.03 * math.cos(a) * (1 + 0.3 * math.sin(3 * a)), lat + 0.014 * math.sin(a)]
        for a in np.linspace(0, 2 * math.pi, 60)
    ]
    lake[-1] = lake[0]
    river = [
        [lon - 0.5 + step * 0.05, lat + 0.05 * math.sin(step) + 0.02 * (step - 10)] for step in range(21)
    ]
    brook = [[lon + 0.2, lat + 0.33], [lon + 0.12, lat + 0.2], [lon + 0.05, lat + 0.08], [lon + 0.02, lat]]
    edge = [
        [lon - 3, lat - 2],
        [lon + 0.35, lat - 2],
        [lon + 0.25, lat + 0.1],
        [lon - 0.1, lat + 0.3],
        [lon - 3, lat + 0.5],
        [lon - 3, lat - 2],
    ]
    return {
        "disc": [_feature("Polygon", [_ring(lon, lat, SITE.radius_km)])],
        "outline": [_feature("Polygon", [lake], name=SITE.name)],
        "streams": [_feature("LineString", river), _feature("LineString", brook)],
        "barriers": [_feature("Point", [lon + 0.12, lat + 0.2], name="Mill dam")],
        "ranges": [_feature("Polygon", [edge], scientificName="Lepomis miniatus")],
    }


def _events(rng: np.random.Generator, many: int) -> list[dict[str, Any]]:
    rows = []
    for name, _, _, _, _, tier, events, *_ in SPECIES:
        for number in range(events * many):
            far = tier == "beyond" or number % 5 == 4
            km = float(rng.uniform(42, 95) if far else 40 * rng.beta(1.2, 1.6))
            if tier == "water" and number % 4 == 0:
                km = float(rng.uniform(0, 1.2))
            angle = float(rng.uniform(0, 2 * math.pi))
            lon = SITE.longitude + km * math.sin(angle) / (111.2 * math.cos(math.radians(SITE.latitude)))
            lat = SITE.latitude + km * math.cos(angle) / 111.2
            year = int(2025 - min(110, rng.exponential(22)))
            unsure = float(rng.choice([30, 100, 500, 1500, 5000, 28000], p=[0.3, 0.3, 0.2, 0.1, 0.06, 0.04]))
            kind = "ambiguous" if name.endswith("miniatus") else "hybrid" if number % 17 == 16 else "record"
            rows.append(
                {
                    "scientificName": name,
                    "eventKey": f"{name}-{number}",
                    "kind": kind,
                    "records": int(rng.integers(1, 5)),
                    "longitude": lon,
                    "latitude": lat,
                    "distanceKm": km,
                    "byWaterKm": km * 1.4 if number % 3 == 0 else None,
                    "basinRelation": "same" if km < 20 else "other",
                    "coordinateUncertaintyInMeters": unsure,
                    "eventDate": None if number % 19 == 18 else f"{year}-06-{1 + number % 28:02d}",
                    "year": None if number % 19 == 18 else year,
                    "ageYears": None if number % 19 == 18 else 2026.4 - year,
                    "quality": 0.9,
                    "insideShare": 1.0 if km < 38 else 0.02,
                    "inWaterShare": 1.0 if km < 1.3 else 0.0,
                    "kernel": math.exp(-km / 15),
                    "logOdds": round(4.2 * math.exp(-km / 15) / max(1, events), 4),
                    "datasetKey": ["ds-museum", "ds-survey", "ds-web"][number % 3],
                    "recordIDs": [f"rec:{name[8:12]}:{number}:{k}" for k in range(1 + number % 3)],
                }
            )
    return rows


def _table(schema: Any, rows: list[dict[str, Any]]) -> Any:
    return tables.table(schema, {name: [row.get(name) for row in rows] for name in schema.names})


def _candidate(row: tuple[Any, ...], events: list[dict[str, Any]], total: float) -> dict[str, Any]:
    name, vernacular, presence, low, high, tier, _, means, source, _ = row
    own = [event for event in events if event["scientificName"] == name]
    near = [event for event in own if event["distanceKm"] <= SITE.radius_km]
    known = [event["year"] for event in near if event["year"]]
    return {
        "scientificName": name,
        "vernacularName": vernacular,
        "presence": presence,
        "presenceLow": low,
        "presenceHigh": high,
        "weight": presence / total,
        "presenceIfFound": 0.5 + presence / 2,
        "presenceIfMissed": presence / 2,
        "listsToRuleOut": None if presence > 0.9 else math.ceil(6 * presence),
        "tier": tier,
        "records": sum(event["records"] for event in near),
        "recordsInWater": sum(event["records"] for event in near if event["inWaterShare"] > 0.5),
        "expectedRecords": float(sum(event["records"] * event["insideShare"] for event in own)),
        "events": len(near),
        "nearestKm": min((event["distanceKm"] for event in own), default=None),
        "medianKm": float(np.median([event["distanceKm"] for event in near])) if near else None,
        "nearestByWaterKm": min((e["byWaterKm"] for e in own if e["byWaterKm"]), default=None),
        "firstYear": min(known, default=None),
        "lastYear": max(known, default=None),
        "establishmentMeans": means,
        "establishmentSource": source,
        "rangeKm": None if source == "unknown" else 0.0,
        "hybridRecords": sum(event["kind"] == "hybrid" for event in own),
        "note": "no record within reach; listed because a range polygon covers the water"
        if tier == "range"
        else "",
    }


def _reasons(row: tuple[Any, ...]) -> list[dict[str, Any]]:
    name, _, presence, _, _, tier, events, *_ = row
    goal = math.log(presence / (1 - presence))
    start = math.log(0.35 / 0.65) if tier in {"water", "connected", "range"} else math.log(0.01 / 0.99)
    rest = goal - start
    parts: list[dict[str, Any]] = [
        {"part": "status", "logOdds": start, "source": "polygon", "words": "inside the extant native polygon"}
    ]
    if events:
        parts.append(
            {
                "part": "near",
                "logOdds": 0.6 * rest,
                "detected": events,
                "sampled": 3 * events,
                "withinKm": 40.0,
            }
        )
        seen = "found" if tier == "water" else "notDetected"
        parts.append({"part": seen, "logOdds": 0.6 * rest, "events": events // 4 + 1, "year": 2019})
        parts.append(
            {"part": "community", "logOdds": -0.2 * rest, "events": 9, "evidenceAgainst": ["Esox lucius"]}
        )
    else:
        parts.append({"part": "wide", "logOdds": rest, "detected": 0, "sampled": 80, "withinKm": 300.0})
    return [
        {"scientificName": name, **part, "words": part.get("words") or pool_words.argument(part)}
        for part in parts
    ]


def _crosses(presence: dict[str, float]) -> list[dict[str, Any]]:
    rows = []
    for first, second in itertools.combinations(sorted(presence), 2):
        known = (first, second) in DOCUMENTED
        lethal = {first, second} == {"Lepomis gulosus", "Lepomis macrochirus"}
        rows.append(
            {
                "parent1": first,
                "parent2": second,
                "formula": f"{first} × {second}",
                "prior": presence[first] * presence[second],
                "documented": known,
                "frequency": "repeated" if known else "none known",
                "bredAndStocked": False,
                "viability": "lethal when the male is L. gulosus" if lethal else "unknown",
                "hybridRecords": 2 if known else 0,
                "note": "Childers 1967" if known else "",
            }
        )
    total = sum(row["prior"] for row in rows)
    for row in rows:
        row["weight"] = row["prior"] / total
    return sorted(rows, key=lambda row: (-row["weight"], row["formula"]))


def _rejected(count: int) -> Any:
    rules = ["coordinates_missing", "absent", "fossil", "captive"]
    blank: dict[str, Any] = dict.fromkeys(schemas.REJECTED.names)
    rows = []
    for number in range(count):
        row = blank | {
            "recordKey": f"left:{number}",
            "sourceFile": "survey.txt",
            "sourceRow": number + 2,
            "scientificName": "Lepomis macrochirus",
            "role": "candidate",
            "acceptedNames": ["Lepomis macrochirus"],
            "nameQuality": 1.0,
            "rejectedBy": rules[number % 4],
            "flagged": [],
            "quality": 0.9,
        }
        rows.append(row)
    return _table(schemas.REJECTED, rows)


def invented_pool(*, many: int = 1, rename: dict[str, str] | None = None, **changes: Any) -> Pool:
    """A pool of thirteen sunfishes.

    Parameters
    ----------
    many : int
        How many times as many events: 120 makes about 20,000.
    rename : dict, optional
        Names to put in place of others, everywhere.
    **changes
        Fields of `Pool` to set.
    """
    events = _events(np.random.default_rng(8), many)
    total = sum(row[2] for row in SPECIES)
    rejected = _rejected(46)
    values: dict[str, Any] = {
        "site": SITE,
        "as_of": AS_OF,
        "settings": Settings(region_km=250),
        "checklist_name": "lepomis",
        "candidates": [_candidate(row, events, total) for row in SPECIES],
        "evidence": events,
        "contributions": [part for row in SPECIES for part in _reasons(row)],
        "crosses": _crosses({row[0]: row[2] for row in SPECIES}),
        "status": [
            {
                "scientificName": row[0],
                "rangeClass": row[9],
                "polygonsDisagree": False,
                "establishmentMeans": None if row[7] == "unknown" else row[7],
                "rangeKm": 0.0,
                "words": "inside the extant native polygon",
            }
            for row in SPECIES
        ],
        "rejected": rejected,
        "counts": {
            "read": 46 + sum(event["records"] for event in events),
            "kept": sum(event["records"] for event in events),
            "rejected": {"coordinates_missing": 12, "absent": 12, "fossil": 11, "captive": 11},
            "targetGroup": 812,
            "hybrids": 6,
            "unknownNames": {"Lepomis nemo": 2},
        },
        "inputs": (
            {"path": "records/survey.txt", "sha256": "a3f1" * 16, "rows": 431, "kind": "records"},
            {"path": "ranges/sunfish.gpkg", "sha256": "09be" * 16, "rows": 22, "kind": "ranges"},
        ),
        "datasets": (
            {
                "datasetKey": "ds-museum",
                "title": "Invented museum fishes",
                "citation": "Invented Museum (2025). Invented museum fishes. Version 3.",
                "license": "CC BY 4.0",
                "records": 160,
            },
            {
                "datasetKey": "ds-survey",
                "title": "Invented lake survey",
                "citation": "Invented Agency (2024). Invented lake survey.",
                "license": "CC0 1.0",
                "records": 180,
            },
        ),
        "features": features(),
        "notes": (),
    }
    values |= changes
    for key in ("candidates", "evidence", "contributions", "crosses", "status"):
        if isinstance(values[key], list):
            rows = [_renamed(row, rename or {}) for row in values[key]]
            values[key] = _table(getattr(schemas, "POOL" if key == "candidates" else key.upper()), rows)
    return Pool(**values)


def _renamed(row: dict[str, Any], names: dict[str, str]) -> dict[str, Any]:
    return {key: names.get(value, value) if isinstance(value, str) else value for key, value in row.items()}
