"""Write the second demo: an invented lake district of 200 waters, in two seasons.

The waters, the surveys, the museum and every record are invented; the species are real.  The
story stands in demo/lake_district.md.  The same bytes come out on every run::

    python demo/make_lake_district.py

`PLANTED` lists what arrives in the second season; `arrivals` works out, from the drawing alone,
at which waters that is news.
"""

from __future__ import annotations

import csv
import datetime
import io
import itertools
import json
import math
import sys
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import Geod

OUT = Path(__file__).parents[1] / "poolbuilder" / "demo_data" / "lake_district"
SEED = 1887
GEOD = Geod(ellps="WGS84")
LONGITUDE, LATITUDE = 13.1, 53.35  # the north-western corner; a map needs a place
COLUMNS, ROWS, SPACING_KM = 15, 14, 5.0
LAKES, RADIUS_KM = 200, 8.0
MARGIN_KM = 0.05
"""No introduced record lies nearer than this to a radius, so that no rounding decides what is news."""

HEADS = (
    "Aben", "Birn", "Dorm", "Elg", "Fahl", "Grom", "Halm", "Ilken", "Jolm", "Kord", "Lusen", "Mirn",
    "Nolm", "Orken", "Prill", "Quast", "Rohm", "Silm", "Torn", "Ulbrin",
)  # fmt: skip
TAILS = ("see", "weiher", "teich", "woog", "lanke", "pfuhl", "kolk", "bruch", "grund", "haken")
BASINS = ("Ostra", "Welna", "Dreve")

# Chance that a species lives in a lake of the district; invented.
NATIVES = {
    "Rutilus rutilus": 0.95, "Abramis brama": 0.8, "Scardinius erythrophthalmus": 0.6, "Tinca tinca": 0.5,
    "Blicca bjoerkna": 0.55, "Alburnus alburnus": 0.5, "Gobio gobio": 0.25, "Squalius cephalus": 0.15,
    "Leuciscus leuciscus": 0.1, "Leuciscus idus": 0.12,
}  # fmt: skip
OTHERS = {
    "Perca fluviatilis": 0.95, "Esox lucius": 0.85, "Anguilla anguilla": 0.5, "Gymnocephalus cernua": 0.4,
    "Sander lucioperca": 0.3, "Lota lota": 0.15, "Cobitis taenia": 0.3, "Gasterosteus aculeatus": 0.2,
}  # fmt: skip

# Introduced species that are there before: (column, row, first year).
SETTLED: dict[str, list[tuple[int, int, int]]] = {
    "Lepomis gibbosus": [(6, 12, 2008), (7, 12, 2011), (7, 11, 2013), (8, 12, 2013), (6, 11, 2016), (8, 10, 2019)],
    "Pseudorasbora parva": [(11, 1, 2006), (11, 2, 2009), (12, 1, 2010), (13, 2, 2017)],
    "Neogobius melanostomus": [(2, 13, 2012), (2, 12, 2015), (2, 11, 2018), (2, 10, 2021), (2, 9, 2024)],
    "Proterorhinus semilunaris": [(3, 13, 2014), (3, 12, 2020)],
    "Leuciscus aspius": [(1, 6, 2005), (2, 6, 2005), (2, 7, 2007), (12, 7, 2012)],
    "Carassius gibelio": [(5, 3, 2009), (6, 3, 2012), (9, 6, 2010), (4, 9, 2016)],
}  # fmt: skip

# What arrives in the second season: column, row, species, name as recorded, date.
PLANTED: list[tuple[int, int, str, str, str]] = [
    (2, 8, "Neogobius melanostomus", "Apollonia melanostoma", "2026-05-14"),
    (13, 10, "Pseudorasbora parva", "stone moroko", "2026-06-20"),
    (7, 3, "Lepomis gibbosus", "Eupomotis gibbosus", "2026-07-02"),
    (4, 12, "Proterorhinus semilunaris", "Proterorhinus semilunaris", "2026-08-11"),
    (12, 5, "Leuciscus aspius", "Aspius aspius", "2026-09-03"),
    (9, 9, "Pseudorasbora parva", "Leuciscus parvus", "1987-08-19"),  # a museum lot, published late
]

SURVEY, MUSEUM, ANGLERS = (
    "Lake surveys of the Dreiland (invented)",
    "Fish collection of the Ulbrin school (invented)",
    "Sightings of the Dreiland anglers (invented)",
)
KEYS = {SURVEY: "lakes-survey", MUSEUM: "lakes-museum", ANGLERS: "lakes-anglers"}
LICENCES = {
    SURVEY: "http://creativecommons.org/publicdomain/zero/1.0/legalcode",
    MUSEUM: "http://creativecommons.org/licenses/by/4.0/legalcode",
    ANGLERS: "http://creativecommons.org/licenses/by-nc/4.0/legalcode",
}
TERMS = (
    "occurrenceID datasetKey datasetName license basisOfRecord occurrenceStatus scientificName vernacularName class "
    "decimalLatitude decimalLongitude geodeticDatum coordinateUncertaintyInMeters eventDate eventID waterBody "
    "samplingProtocol recordedBy catalogNumber individualCount establishmentMeans degreeOfEstablishment pathway"
).split()

CHECKLIST = """scientificName,taxonomicStatus,acceptedNameUsage,vernacularName,source
{natives}
Leuciscus aspius,accepted,,asp | Rapfen | Schied,{book}
Carassius gibelio,accepted,,Prussian carp | gibel carp | Giebel,{book}
Lepomis gibbosus,accepted,,pumpkinseed | Sonnenbarsch | Gemeiner Sonnenbarsch,{book}
Pseudorasbora parva,accepted,,topmouth gudgeon | stone moroko | Blaubandbärbling,{book}
Neogobius melanostomus,accepted,,round goby | Schwarzmundgrundel,{book}
Proterorhinus semilunaris,accepted,,western tubenose goby | Marmorierte Grundel,{book}
Aspius aspius,synonym,Leuciscus aspius,,{book}
Eupomotis gibbosus,synonym,Lepomis gibbosus,,{book}
Leuciscus parvus,synonym,Pseudorasbora parva,,{book}
Pseudorasbora fowleri,synonym,Pseudorasbora parva,,{book}
Apollonia melanostoma,synonym,Neogobius melanostomus,,{book}
Gobius melanostomus,synonym,Neogobius melanostomus,,{book}
"""
BOOK = '"Kottelat & Freyhof 2007, Handbook of European freshwater fishes (from memory)"'
VERNACULAR = {
    "Rutilus rutilus": "roach", "Abramis brama": "common bream", "Scardinius erythrophthalmus": "rudd",
    "Tinca tinca": "tench", "Blicca bjoerkna": "white bream", "Alburnus alburnus": "bleak",
    "Gobio gobio": "gudgeon", "Squalius cephalus": "chub", "Leuciscus leuciscus": "dace",
    "Leuciscus idus": "ide",
}  # fmt: skip

# Region, species, status, degree, pathway.  Carassius gibelio is left out: nobody agrees on it.
STATUS = [
    *(("Dreiland", name, "native", "", "") for name in [*NATIVES, "Leuciscus aspius"]),
    ("Dreve", "Leuciscus aspius", "introduced", "released", "fisheryInTheWild"),
    ("Dreiland", "Lepomis gibbosus", "introduced", "established", "pet"),
    ("Dreiland", "Pseudorasbora parva", "introduced", "invasive", "aquacultureMariculture"),
    ("Dreiland", "Neogobius melanostomus", "introduced", "invasive", "waterwaysBasinsSeas"),
    ("Dreiland", "Proterorhinus semilunaris", "introduced", "established", "waterwaysBasinsSeas"),
]

Row = dict[str, Any]


def degrees(x: float, y: float) -> tuple[float, float]:
    """Kilometres east and south of the corner as longitude and latitude."""
    east, north, _ = GEOD.fwd(LONGITUDE, LATITUDE, math.degrees(math.atan2(x, -y)), math.hypot(x, y) * 1000)
    return round(float(east), 5), round(float(north), 5)


class Lake:
    """A lake of the drawing: name, basin, middle and shore, in kilometres."""

    def __init__(self, number: int, rng: np.random.Generator) -> None:
        self.column, self.row = number % COLUMNS, number // COLUMNS
        self.name = HEADS[number % len(HEADS)] + TAILS[number // len(HEADS)]
        self.basin = BASINS[self.column * len(BASINS) // COLUMNS]
        self.x = self.column * SPACING_KM + float(rng.uniform(-0.6, 0.6))
        self.y = self.row * SPACING_KM + float(rng.uniform(-0.6, 0.6))
        size = float(rng.uniform(0.35, 0.8))
        turns = np.radians(np.arange(0, 360, 20))
        wobble = 1 + sum(rng.uniform(0.02, 0.12) * np.sin(k * turns + rng.uniform(0, 6.3)) for k in (2, 3, 5))
        self.ring = [
            degrees(self.x + size * w * math.cos(t), self.y - size * w * math.sin(t))
            for t, w in zip(turns.tolist(), np.asarray(wobble).tolist(), strict=True)
        ]
        self.site = degrees(self.x, self.y)
        self.shape = shapely.Polygon(self.ring)


def lakes() -> list[Lake]:
    """The 200 lakes, row by row from the north-west."""
    rng = np.random.default_rng(SEED)
    return [Lake(number, rng) for number in range(LAKES)]


# Records


def row(dataset: str, lake: Lake, name: str, date: str, rng: np.random.Generator, **more: Any) -> Row:
    """One occurrence somewhere in a lake."""
    lon, lat = degrees(lake.x + float(rng.uniform(-0.15, 0.15)), lake.y + float(rng.uniform(-0.15, 0.15)))
    return {
        "datasetKey": KEYS[dataset], "datasetName": dataset, "license": LICENCES[dataset],
        "basisOfRecord": "HumanObservation", "occurrenceStatus": "present", "scientificName": name,
        "class": "Actinopterygii", "decimalLatitude": f"{lat:.5f}", "decimalLongitude": f"{lon:.5f}",
        "geodeticDatum": "WGS84", "coordinateUncertaintyInMeters": "50", "eventDate": date,
        "waterBody": lake.name, "_lake": lake, "_species": name, **more,
    }  # fmt: skip


def visit(lake: Lake, living: list[str], date: str, number: int, rng: np.random.Generator) -> list[Row]:
    """One survey: every fish met, with three in four chances each."""
    x, y = float(rng.uniform(-0.15, 0.15)), float(rng.uniform(-0.15, 0.15))
    lon, lat = degrees(lake.x + x, lake.y + y)
    return [
        row(
            SURVEY, lake, name, date, rng, eventID=f"DL-{lake.column:02d}-{lake.row:02d}-{number:02d}",
            samplingProtocol="gill nets and electrofishing", recordedBy="Dreiland survey crew",
            decimalLatitude=f"{lat:.5f}", decimalLongitude=f"{lon:.5f}",
            individualCount=str(int(rng.integers(1, 60))),
        )
        for name in living
        if rng.random() < 0.75
    ]  # fmt: skip


def first_season(rng: np.random.Generator) -> tuple[list[Row], dict[str, list[str]]]:
    """Surveys from 2004 to October 2025, museum lots and sightings; and what lives in each lake."""
    rows: list[Row] = []
    natives: dict[str, list[str]] = {}
    settled = {(c, r): [] for c in range(COLUMNS) for r in range(ROWS)}  # type: ignore[var-annotated]
    for name, places in SETTLED.items():
        for column, line, year in places:
            settled[column, line].append((name, year))
    for lake in lakes():
        natives[lake.name] = [n for n, odds in {**NATIVES, **OTHERS}.items() if rng.random() < odds]
        years = range(2004 + int(rng.integers(0, 4)), 2026, 4)
        mine = settled[lake.column, lake.row]
        for number, year in enumerate(years):
            living = [*natives[lake.name], *(name for name, since in mine if year > since)]
            date = datetime.date(year, 5, 1) + datetime.timedelta(days=int(rng.integers(0, 140)))
            rows += visit(lake, living, date.isoformat(), number, rng)
        for name, year in mine:
            when = f"{year}-0{int(rng.integers(5, 10))}-1{int(rng.integers(0, 9))}"
            rows.append(row(ANGLERS, lake, name, when, rng, recordedBy="an angler"))
    by_place = {(lake.column, lake.row): lake for lake in lakes()}
    rows += [
        row(MUSEUM, by_place[11, 2], "Leuciscus parvus", "2011-07-07", rng, _species="Pseudorasbora parva",
            basisOfRecord="PreservedSpecimen", catalogNumber="US 411", recordedBy="O. Halm"),
        row(MUSEUM, by_place[5, 8], "gudgeon", "1998-06-30", rng, _species="Gobio gobio",
            basisOfRecord="PreservedSpecimen", catalogNumber="US 98", recordedBy="O. Halm"),
        row(ANGLERS, by_place[7, 12], "Lepomis gibbosus", "2020-08-01", rng, establishmentMeans="introduced",
            degreeOfEstablishment="established", pathway="pet", recordedBy="T. Silm"),
        row(ANGLERS, by_place[8, 12], "Lepomis gibbosus", "2021-08-01", rng, establishmentMeans="native",
            recordedBy="someone in a hurry"),
    ]  # fmt: skip
    return rows, natives


def second_season(rng: np.random.Generator, natives: dict[str, list[str]]) -> list[Row]:
    """What is published from November 2025 to October 2026: the planted arrivals, and much that is none."""
    by_place = {(lake.column, lake.row): lake for lake in lakes()}
    rows: list[Row] = []
    for lake in lakes()[::4]:
        here = [
            name for name, places in SETTLED.items() if any(p[:2] == (lake.column, lake.row) for p in places)
        ]
        date = datetime.date(2026, 5, 1) + datetime.timedelta(days=int(rng.integers(0, 140)))
        rows += visit(lake, [*natives[lake.name], *here], date.isoformat(), 26, rng)
    for column, line, species, given, date in PLANTED:
        museum = date < "2000"
        rows.append(
            row(
                MUSEUM if museum else ANGLERS, by_place[column, line], given, date, rng, _species=species,
                basisOfRecord="PreservedSpecimen" if museum else "HumanObservation",
                catalogNumber="US 387" if museum else "", recordedBy="O. Halm" if museum else "an angler",
            )
        )  # fmt: skip
    rows += [  # none of these is an arrival
        row(ANGLERS, by_place[0, 2], "Lepomis gibbosus", "2026-06-01", rng, occurrenceStatus="absent", _species=""),
        row(MUSEUM, by_place[14, 6], "Lepomis gibbosus", "2026-06-02", rng, basisOfRecord="LivingSpecimen", _species=""),
        row(ANGLERS, by_place[0, 5], "Neogobius", "2026-06-03", rng, _species=""),
        row(ANGLERS, by_place[10, 12], "Abramis brama × Rutilus rutilus", "2026-06-04", rng, _species=""),
        row(ANGLERS, by_place[14, 2], "Pseudorasbora parva", "2027-06-05", rng, _species=""),
        row(ANGLERS, by_place[13, 2], "Leuciscus parvus", "2026-07-05", rng, _species="Pseudorasbora parva"),
        row(ANGLERS, by_place[7, 12], "Sonnenbarsch", "2026-07-06", rng, _species="Lepomis gibbosus"),
        row(ANGLERS, by_place[9, 3], "gudgeon", "2026-07-07", rng, _species="Gobio gobio"),
        row(ANGLERS, by_place[1, 7], "Leuciscus aspius", "2026-07-08", rng),
    ]  # fmt: skip
    return rows


def seasons() -> tuple[list[Row], list[Row]]:
    """The records of both seasons, each with its occurrenceID."""
    rng = np.random.default_rng(SEED + 1)
    first, natives = first_season(rng)
    second = second_season(rng, natives)
    for number, item in enumerate([*first, *second], start=1):
        item["occurrenceID"] = f"dreiland:{number:05d}"
    return first, second


# What is news, from the drawing alone


def introduced_at(lake: Lake) -> set[str]:
    """The species that a source calls introduced at a lake: the smallest region decides."""
    said = {name: means for region, name, means, *_ in STATUS if region == "Dreiland"}
    said |= {name: means for region, name, means, *_ in STATUS if region == lake.basin}
    return {name for name, means in said.items() if means == "introduced"}


def distance_km(lake: Lake, item: Row) -> float:
    """From a record to the shore of a lake; 0 in it.  On a flat map around the lake."""
    east, north = lake.site
    wide, high = 111.32 * math.cos(math.radians(north)), 111.27
    flat = shapely.transform(lake.shape, lambda xy: (xy - [east, north]) * [wide, high])
    place = shapely.Point(
        (float(item["decimalLongitude"]) - east) * wide, (float(item["decimalLatitude"]) - north) * high
    )
    return float(flat.distance(place))


def heard_at(lake: Lake, rows: list[Row]) -> dict[str, bool]:
    """Introduced species recorded within the radius of a lake, and whether in it."""
    wanted, found = introduced_at(lake), {}
    for item in rows:
        other = item["_lake"]
        if item["_species"] not in wanted or math.hypot(other.x - lake.x, other.y - lake.y) > RADIUS_KM + 4:
            continue
        away = distance_km(lake, item)
        assert abs(away - RADIUS_KM) > MARGIN_KM, (lake.name, item["_species"], away)
        if away <= RADIUS_KM:
            found[item["_species"]] = found.get(item["_species"], False) or away == 0
    return found


def arrivals() -> set[tuple[str, str, str]]:
    """Water, species, and `water` or `near`: all that is news in the second season, and nothing else."""
    first, second = seasons()
    news = set()
    for lake in lakes():
        before, now = heard_at(lake, first), heard_at(lake, [*first, *second])
        for species, inside in now.items():
            if inside and not before.get(species, False):
                news.add((lake.name, species, "water"))
            elif species not in before:
                news.add((lake.name, species, "near"))
    return news


# Files


def _field(place: int, term: str) -> str:
    return f'    <field index="{place}" term="http://rs.tdwg.org/dwc/terms/{term}"/>'


def archive(rows: list[Row], title: str) -> bytes:
    """A Darwin Core Archive with fixed dates."""
    special = {
        "license": "http://purl.org/dc/terms/license",
        "datasetKey": "http://rs.gbif.org/terms/1.0/datasetKey",
    }
    fields = "\n".join(
        f'    <field index="{place}" term="{special[term]}"/>' if term in special else _field(place, term)
        for place, term in enumerate(TERMS)
    )
    lines = ["\t".join(TERMS), *("\t".join(str(item.get(term, "")) for term in TERMS) for item in rows)]
    files = {
        "occurrence.txt": "\n".join(lines) + "\n",
        "meta.xml": META.format(fields=fields),
        "eml.xml": EML.format(title=title),
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
        for name, text in files.items():
            packed.writestr(
                zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), text.encode(), zipfile.ZIP_DEFLATED, 9
            )
    return buffer.getvalue()


META = """<?xml version="1.0" encoding="UTF-8"?>
<archive xmlns="http://rs.tdwg.org/dwc/text/" metadata="eml.xml">
  <core encoding="UTF-8" fieldsTerminatedBy="\\t" linesTerminatedBy="\\n" fieldsEnclosedBy="" ignoreHeaderLines="1" rowType="http://rs.tdwg.org/dwc/terms/Occurrence">
    <files><location>occurrence.txt</location></files>
    <id index="0"/>
{fields}
  </core>
</archive>
"""
EML = """<?xml version="1.0" encoding="UTF-8"?>
<eml:eml xmlns:eml="https://eml.ecoinformatics.org/eml-2.2.0" packageId="dreiland-demo" system="demo">
  <dataset>
    <title>{title}</title>
    <creator><organizationName>Nobody: the data are invented</organizationName></creator>
    <pubDate>2026-01-01</pubDate>
    <intellectualRights><para>CC0 1.0</para></intellectualRights>
  </dataset>
</eml:eml>
"""


def _collection(features: list[tuple[dict[str, Any], str, Any]]) -> str:
    items = [
        {"type": "Feature", "properties": properties, "geometry": {"type": kind, "coordinates": coordinates}}
        for properties, kind, coordinates in features
    ]
    lines = ",\n".join(json.dumps(item, separators=(",", ":")) for item in items)
    return f'{{"type":"FeatureCollection","features":[\n{lines}\n]}}\n'


def outlines() -> str:
    """The shores."""
    return _collection([({"name": lake.name}, "Polygon", [[*lake.ring, lake.ring[0]]]) for lake in lakes()])


def streams() -> str:
    """Every column of lakes is a chain that flows south; the chains of a basin meet below it."""
    by_place = {(lake.column, lake.row): lake for lake in lakes()}
    features = []
    for column in range(COLUMNS):
        chain = [by_place[column, line] for line in range(ROWS) if (column, line) in by_place]
        river = f"{chain[0].basin} {column + 1}"
        for upper, lower in itertools.pairwise(chain):
            bend = degrees((upper.x + lower.x) / 2 + 0.5, (upper.y + lower.y) / 2)
            features.append(({"name": river}, "LineString", [upper.site, bend, lower.site]))
        middle = (BASINS.index(chain[0].basin) * 5 + 2) * SPACING_KM
        mouth = degrees(middle, ROWS * SPACING_KM + 3)
        features.append(({"name": river}, "LineString", [chain[-1].site, mouth]))
    return _collection(features)


def barriers() -> str:
    """Weirs between some lakes of the chains; the Ostra's second is a dam without a fish pass."""
    by_place = {(lake.column, lake.row): lake for lake in lakes()}
    features = []
    for name, column, line, up in (
        ("Ostra dam", 2, 7, 0.0),
        ("Welna weir", 7, 9, 0.4),
        ("Dreve weir", 12, 6, 0.4),
    ):
        upper, lower = by_place[column, line], by_place[column, line + 1]
        bend = degrees((upper.x + lower.x) / 2 + 0.5, (upper.y + lower.y) / 2)
        features.append(({"name": name, "passability_up": up, "passability_down": 0.9}, "Point", bend))
    return _collection(features)  # type: ignore[arg-type]


def regions() -> str:
    """The country and its three basins."""

    def box(west: float, east: float) -> list[list[tuple[float, float]]]:
        north, south = -3.0, ROWS * SPACING_KM + 4
        ring = [(west, south), (east, south), (east, north), (west, north), (west, south)]
        return [[degrees(x, y) for x, y in ring]]

    edges = [(n * 5 - 0.5) * SPACING_KM for n in range(4)]
    features = [({"region": "Dreiland"}, "Polygon", box(edges[0] - 5, edges[3] + 5))]
    features += [({"region": name}, "Polygon", box(edges[n], edges[n + 1])) for n, name in enumerate(BASINS)]
    return _collection(features)


def table(header: list[str], rows: list[Any]) -> str:
    """A CSV text."""
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return sink.getvalue()


def files() -> dict[str, bytes]:
    """Every file of the demo by name."""
    first, second = seasons()
    natives = "\n".join(f"{name},accepted,,{VERNACULAR[name]},{BOOK}" for name in sorted(NATIVES))
    texts = {
        "waters.csv": table(
            ["name", "latitude", "longitude", "radius_km"],
            [(lake.name, lake.site[1], lake.site[0], f"{RADIUS_KM:g}") for lake in lakes()],
        ),
        "fishes.csv": CHECKLIST.format(natives=natives, book=BOOK),
        "status.csv": table(
            ["region", "scientificName", "establishmentMeans", "degreeOfEstablishment", "pathway", "source"],
            [(*item, "invented") for item in STATUS],
        ),
        "outlines.geojson": outlines(),
        "streams.geojson": streams(),
        "barriers.geojson": barriers(),
        "regions.geojson": regions(),
    }
    return {name: text.encode() for name, text in texts.items()} | {
        "season_2025.zip": archive(first, "Fishes of the Dreiland to 2025 (invented)"),
        "season_2026.zip": archive(second, "Fishes of the Dreiland, 2026 (invented)"),
    }


def main() -> None:
    """Write all files."""
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else OUT
    out.mkdir(parents=True, exist_ok=True)
    for name, content in files().items():
        (out / name).write_bytes(content)


if __name__ == "__main__":
    main()
