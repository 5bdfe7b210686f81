"""Write the demo's invented records and ranges: the same bytes on every run.

The waters, the collectors, the data sets and every record are invented; the species are
real.  The story stands in demo/README.md.  Run it from the project's folder::

    python demo/make_records.py
"""

from __future__ import annotations

import datetime
import io
import json
import math
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import Geod

OUT = Path(__file__).parents[1] / "poolbuilder" / "demo_data"
GEOD = Geod(ellps="WGS84")
SEED = 20260411

LAKE = (-91.2000, 36.9000)  # longitude, latitude of the demo water
PLACES = {
    "lake": [(-91.2010, 36.9010), (-91.2060, 36.9080), (-91.1960, 36.8940)],
    "upper river": [(-91.2600, 36.9500), (-91.2800, 36.9700)],
    "creek": [(-91.2300, 36.9300), (-91.1700, 36.9250)],
    "below the dam": [(-91.1700, 36.8700), (-91.1500, 36.8500)],
    "big river": [(-91.0500, 36.7600), (-91.0000, 36.7400)],
    "over the ridge": [(-91.1300, 36.9300), (-91.1200, 36.9150)],
}

# Chance that a species lives at a site of each kind; invented, roughly in the manner of the
# Ozark border: headwater creek, creek, upland river, lake, lowland river.
HABITATS = ("headwater", "creek", "river", "lake", "lowland")
SUNFISHES = {
    "Lepomis cyanellus": (0.55, 0.60, 0.35, 0.45, 0.40),
    "Lepomis megalotis": (0.35, 0.80, 0.80, 0.45, 0.30),
    "Lepomis macrochirus": (0.05, 0.35, 0.60, 0.95, 0.75),
    "Lepomis gulosus": (0.00, 0.02, 0.06, 0.15, 0.45),
    "Lepomis miniatus": (0.00, 0.00, 0.04, 0.05, 0.40),
    "Lepomis microlophus": (0.00, 0.00, 0.04, 0.40, 0.15),
    "Lepomis humilis": (0.00, 0.02, 0.03, 0.03, 0.25),
}
OTHERS = {
    "Campostoma oligolepis": (0.8, 0.8, 0.5, 0.0, 0.05),
    "Chrosomus erythrogaster": (0.8, 0.5, 0.1, 0.0, 0.0),
    "Luxilus zonalis": (0.4, 0.8, 0.7, 0.0, 0.0),
    "Notropis nubilus": (0.3, 0.8, 0.7, 0.0, 0.0),
    "Semotilus atromaculatus": (0.8, 0.6, 0.1, 0.0, 0.0),
    "Etheostoma caeruleum": (0.6, 0.8, 0.6, 0.0, 0.0),
    "Etheostoma spectabile": (0.8, 0.6, 0.1, 0.0, 0.0),
    "Cottus immaculatus": (0.6, 0.5, 0.3, 0.0, 0.0),
    "Hypentelium nigricans": (0.2, 0.7, 0.8, 0.0, 0.1),
    "Ambloplites constellatus": (0.0, 0.5, 0.8, 0.1, 0.0),
    "Micropterus dolomieu": (0.1, 0.6, 0.9, 0.2, 0.0),
    "Micropterus salmoides": (0.0, 0.1, 0.4, 0.95, 0.7),
    "Pomoxis annularis": (0.0, 0.0, 0.1, 0.8, 0.6),
    "Pomoxis nigromaculatus": (0.0, 0.0, 0.1, 0.6, 0.4),
    "Ictalurus punctatus": (0.0, 0.0, 0.4, 0.8, 0.8),
    "Ameiurus natalis": (0.1, 0.3, 0.2, 0.4, 0.5),
    "Dorosoma cepedianum": (0.0, 0.0, 0.3, 0.9, 0.8),
    "Labidesthes sicculus": (0.0, 0.3, 0.6, 0.5, 0.3),
    "Fundulus olivaceus": (0.1, 0.6, 0.6, 0.1, 0.6),
    "Gambusia affinis": (0.0, 0.1, 0.2, 0.4, 0.8),
    "Cyprinella venusta": (0.0, 0.0, 0.1, 0.1, 0.8),
    "Aphredoderus sayanus": (0.0, 0.0, 0.0, 0.1, 0.6),
    "Lepisosteus oculatus": (0.0, 0.0, 0.0, 0.2, 0.7),
    "Amia calva": (0.0, 0.0, 0.0, 0.1, 0.5),
}
DETECTION = 0.75

SURVEY = "Tallow Basin stream fish survey (invented)"
MUSEUM = "Halden College fish collection (invented)"
SIGHTINGS = "Open sightings of the Tallow valley (invented)"
LICENCES = {
    SURVEY: "http://creativecommons.org/publicdomain/zero/1.0/legalcode",
    MUSEUM: "http://creativecommons.org/licenses/by/4.0/legalcode",
    SIGHTINGS: "http://creativecommons.org/licenses/by-nc/4.0/legalcode",
}
KEYS = {SURVEY: "demo-survey", MUSEUM: "demo-museum", SIGHTINGS: "demo-sightings"}

TERMS = (
    "occurrenceID datasetKey datasetName license institutionCode basisOfRecord occurrenceStatus scientificName "
    "identificationQualifier class family decimalLatitude decimalLongitude geodeticDatum "
    "coordinateUncertaintyInMeters eventDate year eventID locality waterBody samplingProtocol recordedBy "
    "catalogNumber individualCount establishmentMeans degreeOfEstablishment dataGeneralizations "
    "informationWithheld"
).split()

Row = dict[str, Any]


def moved(lon: float, lat: float, bearing: float, km: float) -> tuple[float, float]:
    """The point at a bearing (degrees) and distance (km)."""
    east, north, _ = GEOD.fwd(lon, lat, bearing, km * 1000)
    return float(east), float(north)


def habitat_at(rng: np.random.Generator, lon: float, lat: float) -> int:
    """Lowland towards the south-east, headwaters towards the north-west."""
    slope = (lon - LAKE[0]) * 0.7 - (lat - LAKE[1]) * 0.9 + rng.normal(0, 0.18)
    if slope > 0.45:
        return 4
    kinds, chances = (0, 1, 2, 3), (0.34, 0.36, 0.18, 0.12) if slope < 0 else (0.2, 0.34, 0.28, 0.18)
    return int(rng.choice(kinds, p=chances))


def row(dataset: str, name: str, lon: float, lat: float, **more: Any) -> Row:
    """One occurrence with the data set's usual columns filled."""
    return {
        "datasetKey": KEYS[dataset],
        "datasetName": dataset,
        "license": LICENCES[dataset],
        "scientificName": name,
        "class": "Actinopterygii",
        "decimalLongitude": f"{lon:.5f}",
        "decimalLatitude": f"{lat:.5f}",
        "geodeticDatum": "WGS84",
        "occurrenceStatus": "present",
        **more,
    }


def survey(rng: np.random.Generator) -> Iterable[Row]:
    """Lists of every fish caught at 190 sites, one to three visits each, and at two over the ridge."""
    sites: list[tuple[float, float, int]] = []
    for kind, place in enumerate(("creek", "upper river", "below the dam", "big river")):
        habitat = (1, 2, 2, 4)[kind]
        sites += [(lon, lat, habitat) for lon, lat in PLACES[place]]
    sites.append((*PLACES["lake"][0], 3))
    while len(sites) < 190:
        lon, lat = moved(*LAKE, rng.uniform(0, 360), 95 * math.sqrt(rng.uniform(0.01, 1)))
        sites.append((lon, lat, habitat_at(rng, lon, lat)))
    yield from over_the_ridge()
    for number, (lon, lat, habitat) in enumerate(sites):
        living = [name for name, odds in {**SUNFISHES, **OTHERS}.items() if rng.random() < odds[habitat]]
        for visit in range(1 if (lon, lat) in PLACES["lake"] else int(rng.integers(1, 4))):
            day = datetime.date(1998, 5, 1) + datetime.timedelta(days=int(rng.integers(0, 27 * 365)))
            for name in living:
                if rng.random() < DETECTION:
                    yield row(
                        SURVEY, name, lon, lat,
                        basisOfRecord="HumanObservation", coordinateUncertaintyInMeters="30",
                        eventDate=day.isoformat(), year=str(day.year), eventID=f"TB-{number:03d}-{visit + 1}",
                        samplingProtocol="backpack electrofishing" if habitat < 3 else "boat electrofishing",
                        recordedBy="Tallow Basin survey crew", individualCount=str(int(rng.integers(1, 40))),
                        locality=f"survey site {number:03d}, {HABITATS[habitat]}",
                    )  # fmt: skip


def over_the_ridge() -> Iterable[Row]:
    """The survey's two visits to Sallow Fork."""
    fishes = (
        "Lepomis humilis",
        "Lepomis cyanellus",
        "Gambusia affinis",
        "Campostoma anomalum",
        "Ameiurus natalis",
    )
    for number, (lon, lat) in enumerate(PLACES["over the ridge"]):
        for name in fishes[: 5 - number]:
            yield row(
                SURVEY, name, lon, lat,
                basisOfRecord="HumanObservation", coordinateUncertaintyInMeters="30",
                eventDate=f"2016-06-{14 + number}", year="2016", eventID=f"TB-{190 + number}-1",
                samplingProtocol="backpack electrofishing", recordedBy="Tallow Basin survey crew",
                individualCount=str(3 + 2 * number), locality=f"survey site {190 + number}, Sallow Fork",
            )  # fmt: skip


def museum(rng: np.random.Generator) -> Iterable[Row]:
    """Old lots: roughly placed, under old names, some typed wrongly."""
    lots = [
        ("Chaenobryttus gulosus", "big river", 1938, 3), ("Chaenobryttus gulosus", "below the dam", 1951, 1),
        ("Apomotis cyanellus", "creek", 1938, 2), ("Lepomis punctatus", "big river", 1941, 2),
        ("Lepomis punctatus miniatus", "big river", 1978, 1), ("Lepomis megalotis megalotis", "upper river", 1964, 2),
        ("Lepomis macrochirus", "lake", 1971, 1), ("Lepomis macrochiris", "below the dam", 1971, 1),
        ("Lepomis humilis", "over the ridge", 1966, 2), ("Lepomis symetricus", "far lowland", 1939, 1),
    ]  # fmt: skip
    number = 4100
    for name, place, year, count in lots:
        for _ in range(count):
            lon, lat = PLACES[place][0] if place in PLACES else moved(*LAKE, 135, 78)
            number += 1
            yield row(
                MUSEUM, name, round(lon, 2), round(lat, 2),
                decimalLongitude=f"{lon:.2f}", decimalLatitude=f"{lat:.2f}", geodeticDatum="",
                basisOfRecord="PreservedSpecimen", institutionCode="HALD", catalogNumber=f"HALD {number}",
                year=str(year), eventDate=str(year), recordedBy=str(rng.choice(["E. Marsh", "J. Holloway"])),
                locality="labelled by the nearest town",
            )  # fmt: skip
    yield row(
        MUSEUM,
        "Lepomis humilis",
        0.0,
        0.0,
        basisOfRecord="PreservedSpecimen",
        catalogNumber="HALD 4190",
        year="1958",
    )
    yield row(
        MUSEUM, "Lepomis megalotis", -91.31, 36.97, basisOfRecord="FossilSpecimen", catalogNumber="HALD P12"
    )
    yield row(
        MUSEUM, "Lepomis cyanellus", -91.23, 36.93, basisOfRecord="PreservedSpecimen", catalogNumber="HALD 4191", eventDate="1872-13-05",
    )  # fmt: skip
    yield row(
        MUSEUM,
        "Lepomis microlophus",
        0,
        0,
        decimalLongitude="",
        decimalLatitude="",
        basisOfRecord="PreservedSpecimen",
        year="1984",
    )


def near(rng: np.random.Generator, place: str, km: float = 0.2) -> tuple[float, float]:
    """A point close to one of the named places."""
    lon, lat = PLACES[place][int(rng.integers(len(PLACES[place])))]
    return moved(lon, lat, rng.uniform(0, 360), km * math.sqrt(rng.uniform(0, 1)))


def sighting(rng: np.random.Generator, name: str, place: str, first: int, last: int, **more: Any) -> Row:
    """An open sighting with a phone's accuracy."""
    lon, lat = near(rng, place)
    day = datetime.date(
        int(rng.integers(first, last + 1)), int(rng.integers(4, 11)), int(rng.integers(1, 28))
    )
    given: Row = {
        "basisOfRecord": "HumanObservation",
        "coordinateUncertaintyInMeters": str(int(rng.integers(4, 120))),
        "eventDate": day.isoformat(),
        "year": str(day.year),
        "recordedBy": f"observer {int(rng.integers(1, 40)):02d}",
    }
    return row(SIGHTINGS, name, lon, lat, **{**given, **more})


def obscured(rng: np.random.Generator, name: str, lon: float, lat: float, year: int) -> Row:
    """A sighting whose place was drawn at random within a cell of 0.2 degrees."""
    west, south = math.floor(lon / 0.2) * 0.2, math.floor(lat / 0.2) * 0.2
    return row(
        SIGHTINGS, name, west + rng.uniform(0, 0.2), south + rng.uniform(0, 0.2),
        basisOfRecord="HumanObservation", eventDate=f"{year}-07-09", year=str(year), recordedBy="observer 07",
        informationWithheld="location obscured within a cell of 0.2 degrees",
    )  # fmt: skip


def sightings(rng: np.random.Generator) -> Iterable[Row]:
    """What people photographed: many, uneven, some wrong."""
    plenty = [
        ("Lepomis macrochirus", "lake", 14), ("Lepomis megalotis", "upper river", 6), ("Lepomis megalotis", "creek", 4),
        ("Lepomis cyanellus", "creek", 5), ("Lepomis microlophus", "lake", 4), ("Lepomis humilis", "over the ridge", 9),
        ("Lepomis miniatus", "big river", 4), ("Lepomis miniatus", "below the dam", 2), ("Lepomis megalotis", "lake", 3), ("Lepomis cyanellus", "lake", 1),
    ]  # fmt: skip
    for name, place, count in plenty:
        for _ in range(count):
            more = {"establishmentMeans": "introduced"} if name == "Lepomis microlophus" else {}
            yield sighting(rng, name, place, 2012, 2026, **more)
    # Redbreast sunfish, released in a lake to the north, moves nearer.
    for year, km in ((2009, 36), (2014, 29), (2019, 21), (2023, 16)):
        lon, lat = moved(*LAKE, 350, km)
        yield row(
            SIGHTINGS, "Lepomis auritus", lon, lat, basisOfRecord="HumanObservation", eventDate=f"{year}-06-15",
            year=str(year), recordedBy="observer 11", coordinateUncertaintyInMeters="60",
            establishmentMeans="introduced", degreeOfEstablishment="established",
        )  # fmt: skip
    yield obscured(rng, "Lepomis gulosus", -91.18, 36.86, 2021)
    yield obscured(rng, "Lepomis symmetricus", -90.95, 36.68, 2020)
    for name in (
        "Lepomis cyanellus × Lepomis macrochirus",
        "Lepomis cyanellus x L. macrochirus",
        "GREEN SUNFISH X BLUEGILL",
    ):
        yield sighting(rng, name, "lake", 2017, 2025)
    yield sighting(rng, "Lepomis megalotis × cyanellus", "creek", 2018, 2025)
    yield sighting(rng, "Lepomis hybrid", "lake", 2018, 2025)
    for _ in range(5):
        yield sighting(rng, "Lepomis sp.", "creek", 2015, 2025)
    yield sighting(rng, "Lepomis gibbosus", "lake", 2022, 2022, identificationQualifier="cf. gibbosus")
    yield sighting(
        rng, "Lepomis gibbosus", "lake", 2020, 2020, degreeOfEstablishment="captive", locality="aquarium"
    )
    yield sighting(
        rng, "Lepomis miniatus", "lake", 2019, 2019, occurrenceStatus="absent", individualCount="0"
    )
    yield sighting(rng, "Lepomis auratus", "lake", 2021, 2021)
    yield sighting(rng, "Lepomis humilis", "over the ridge", 2031, 2031)


def records() -> list[Row]:
    """Every record, numbered; some sent twice, as happens between data sets."""
    rng = np.random.default_rng(SEED)
    rows = [*survey(rng), *museum(rng), *sightings(rng)]
    for number, item in enumerate(rows):
        item["occurrenceID"] = f"demo:{number + 1:05d}"
        item["family"] = (
            "Centrarchidae"
            if item["scientificName"].split()[0] in {"Lepomis", "Micropterus", "Pomoxis"}
            else ""
        )
    repeated = [dict(rows[place]) for place in rng.choice(len(rows), 12, replace=False)]
    lots = [dict(item, occurrenceID=f"demo:copy{place}", datasetKey=KEYS[SIGHTINGS], datasetName=SIGHTINGS)
            for place, item in enumerate(rows) if item["datasetName"] == MUSEUM and place % 5 == 0]  # fmt: skip
    return [*rows, *repeated, *lots]


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
<eml:eml xmlns:eml="https://eml.ecoinformatics.org/eml-2.2.0" packageId="poolbuilder-demo" system="invented">
  <dataset>
    <title>Fishes of Kestrel Ford Lake and the Tallow River: invented records for a demonstration</title>
    <creator><organizationName>poolbuilder</organizationName></creator>
    <abstract><para>Every record is invented. The species are real; the waters are not.</para></abstract>
    <intellectualRights><para>Public domain (CC0 1.0)</para></intellectualRights>
  </dataset>
</eml:eml>
"""


def _term(name: str) -> str:
    outside = {
        "license": "http://purl.org/dc/terms/license",
        "datasetKey": "http://rs.gbif.org/terms/1.0/datasetKey",
    }
    return outside.get(name, f"http://rs.tdwg.org/dwc/terms/{name}")


def archive(rows: list[Row]) -> bytes:
    """A Darwin Core Archive with fixed dates."""
    lines = ["\t".join(TERMS), *("\t".join(str(item.get(term, "")) for term in TERMS) for item in rows)]
    fields = "\n".join(
        f'    <field index="{place}" term="{_term(term)}"/>' for place, term in enumerate(TERMS)
    )
    files = {
        "occurrence.txt": "\n".join(lines) + "\n",
        "meta.xml": META.format(fields=fields),
        "eml.xml": EML,
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
        for name, text in files.items():
            packed.writestr(
                zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), text.encode(), zipfile.ZIP_DEFLATED, 9
            )
    return buffer.getvalue()


def blob(rng: np.random.Generator, bearing: float, km: float, radius_km: float) -> list[list[float]]:
    """A closed, anticlockwise ring around a middle given from the lake: round, with a coarse outline."""
    lon, lat = moved(*LAKE, bearing, km)
    turns = np.arange(0, 360, 6)
    wobble = sum(
        rng.uniform(0.02, 0.07) * np.sin(np.radians(turns) * wave + rng.uniform(0, 6.3))
        for wave in (2, 3, 5, 7)
    )
    points = [
        moved(lon, lat, -float(turn), radius_km * (1 + float(w)))
        for turn, w in zip(turns, wobble, strict=True)
    ]
    return [[round(x, 4), round(y, 4)] for x, y in [*points, points[0]]]


def ranges() -> dict[str, Any]:
    """Invented range polygons, drawn coarsely as range maps are: bearing and km of the middle, radius."""
    rng = np.random.default_rng(SEED + 1)
    shapes = [
        ("Lepomis macrochirus", "native", 30, 60, 430), ("Lepomis cyanellus", "native", 300, 40, 450),
        ("Lepomis megalotis", "native", 200, 50, 400), ("Lepomis humilis", "native", 330, 120, 360),
        ("Lepomis gulosus", "native", 140, 200, 190), ("Lepomis miniatus", "native", 145, 190, 178),
        ("Lepomis symmetricus", "native", 150, 160, 128), ("Lepomis marginatus", "native", 165, 180, 215),
        ("Lepomis microlophus", "native", 130, 250, 190), ("Lepomis microlophus", "introduced", 0, 0, 70),
        ("Lepomis auritus", "introduced", 350, 30, 17), ("Lepomis peltastes", "native", 15, 700, 320),
        ("Lepomis punctatus", "native", 145, 760, 240), ("Lepomis gibbosus", "native", 20, 640, 380),
    ]  # fmt: skip
    features = [
        {
            "type": "Feature",
            "properties": {"scientificName": name, "establishmentMeans": means},
            "geometry": {"type": "Polygon", "coordinates": [blob(rng, bearing, km, radius)]},
        }
        for name, means, bearing, km, radius in shapes
    ]
    return {"type": "FeatureCollection", "features": features}


def main() -> None:
    """Write both files."""
    OUT.mkdir(exist_ok=True)
    (OUT / "records.zip").write_bytes(archive(records()))
    (OUT / "ranges.geojson").write_text(json.dumps(ranges(), indent=0) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
