"""Write an invented spreadsheet of catches, as messy as real ones are: the same bytes on every run.

Waters, crews and catches are invented; the species are real.  Run it from the project's folder::

    python demo/make_catches.py
"""

from __future__ import annotations

import datetime
import io
import random
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from xml.sax.saxutils import escape

OUT = Path(__file__).parent / "catches.xlsx"
SEED = 20261128

Cell = str | float | datetime.date | None

WATERS = {
    "Kestrel Ford Lake": (36.9010, -91.2010),
    "Tallow R. at bridge": (36.9500, -91.2600),
    "Harrow Creek": (36.9300, -91.2300),
    "Linnet Br.": (36.9250, -91.1700),
    "Sallow Fork": (36.9150, -91.1200),
    "Marrow R.": (36.7600, -91.0500),
}
CHANCE = {
    "Bluegill": (0.9, 0.5, 0.3, 0.4, 0.3, 0.7),
    "Green sunfish": (0.6, 0.6, 0.8, 0.7, 0.7, 0.4),
    "Longear sunfish": (0.5, 0.8, 0.7, 0.7, 0.8, 0.6),
    "Redear sunfish": (0.4, 0.05, 0, 0, 0, 0.1),
    "Orangespotted sunfish": (0, 0, 0, 0, 0.5, 0.1),
    "Largemouth bass": (0.8, 0.4, 0.1, 0.2, 0.1, 0.6),
    "Smallmouth bass": (0.1, 0.7, 0.3, 0.4, 0.5, 0.6),
    "Channel catfish": (0.5, 0.3, 0, 0, 0.05, 0.7),
}
SLIPS = {"Bluegill": "Blugill", "Green sunfish": "Green sunfsh ", "Longear sunfish": "LONGEAR SUNFISH"}


def _date(day: datetime.date, chance: random.Random) -> Cell:
    """A date as people type it: mostly a real date, else one of three kinds of text."""
    kind = chance.random()
    if kind < 0.6:
        return day
    if kind < 0.8:
        return f"{day.month}/{day.day}/{day.year}"
    return f"{day.day} {day:%b %Y}" if kind < 0.95 else f"{day.month}/{day.day}/{day:%y}"


def catches() -> list[list[Cell]]:
    """The rows of the sheet, two lines of title first."""
    chance = random.Random(SEED)
    rows: list[list[Cell]] = [
        ["Sunfish catches, Kestrel Ford and around (invented)"],
        [],
        ["Lake", "Lat", "Long", "Date", "Common name", "Count", "Gear", "Crew"],
    ]
    first = datetime.date(2018, 5, 14)
    for visit in range(30):
        number = visit % len(WATERS)
        water, (latitude, longitude) = list(WATERS.items())[number]
        date = _date(first + datetime.timedelta(days=83 * visit), chance)
        gear, crew = (
            chance.choice(["boat electrofishing", "seine", "hoop net"]),
            chance.choice(["AB", "CD, AB"]),
        )
        for name, by_water in CHANCE.items():
            caught = chance.random() < by_water[number]
            written = SLIPS[name] if name in SLIPS and chance.random() < 0.08 else name
            comma = chance.random() < 0.1
            place: list[Cell] = [latitude, longitude]
            if comma:
                place = [f"{latitude:.4f}".replace(".", ","), f"{longitude:.4f}".replace(".", ",")]
            count = chance.randint(1, 40) if caught else 0
            rows.append([water, *place, date, written, count, gear, crew])
        if visit % 7 == 3:
            rows.append([])
    lake = WATERS["Kestrel Ford Lake"]
    rows += [
        ["Kestrel Ford Lake", *lake, "6/21/2024", "Bluegill x Green sunfish", 2, "boat electrofishing", "AB"],
        ["Kestrel Ford Lake", *lake, "6/21/2024", "sunfish sp.", 5, "boat electrofishing", "AB"],
        ["Kestrel Ford Lake", None, None, "summer 2019", "Bluegill", 3, "angling", "a neighbour"],
        ["Total", None, None, None, None, 1234],
    ]
    return rows


def _cell(value: Cell) -> str:
    if value is None:
        return "<c/>"
    if isinstance(value, datetime.date):
        return f'<c s="1"><v>{(value - datetime.date(1899, 12, 30)).days}</v></c>'
    if isinstance(value, str):
        return f'<c t="inlineStr"><is><t>{escape(value)}</t></is></c>'
    return f"<c><v>{value}</v></c>"


def workbook(sheets: Mapping[str, Sequence[Sequence[Cell]]]) -> bytes:
    """A workbook of the least parts that ECMA-376 (Office Open XML) asks for; dates in style 1."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    numbered = list(enumerate(sheets.items(), start=1))
    listed = "".join(f'<sheet name="{escape(name)}" sheetId="{n}" r:id="r{n}"/>' for n, (name, _) in numbered)
    links = "".join(
        f'<Relationship Id="r{n}" Type="{rel}/worksheet" Target="worksheets/s{n}.xml"/>' for n, _ in numbered
    )
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types">'
        '<Default Extension="xml" ContentType="application/xml"/><Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/>'
        f'<Override PartName="/xl/styles.xml" ContentType="{kind}.styles+xml"/>'
        + "".join(
            f'<Override PartName="/xl/worksheets/s{n}.xml" ContentType="{kind}.worksheet+xml"/>'
            for n, _ in numbered
        )
        + "</Types>",
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="a" '
        f'Type="{rel}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{rel}"><sheets>{listed}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships">{links}<Relationship '
        f'Id="styles" Type="{rel}/styles" Target="styles.xml"/></Relationships>',
        "xl/styles.xml": f'<styleSheet xmlns="{main}"><fonts count="1"><font/></fonts><fills count="1"><fill/>'
        '</fills><borders count="1"><border/></borders><cellStyleXfs count="1"><xf/></cellStyleXfs>'
        '<cellXfs count="2"><xf/><xf numFmtId="14" applyNumberFormat="1"/></cellXfs></styleSheet>',
    }
    for number, (_, rows) in numbered:
        body = "".join(f"<row>{''.join(map(_cell, row))}</row>" for row in rows)
        parts[f"xl/worksheets/s{number}.xml"] = (
            f'<worksheet xmlns="{main}"><sheetData>{body}</sheetData></worksheet>'
        )
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(
                zipfile.ZipInfo(name),
                compress_type=zipfile.ZIP_DEFLATED,
                data='<?xml version="1.0" encoding="UTF-8"?>' + text,
            )
    return buffer.getvalue()


if __name__ == "__main__":
    notes: list[list[Cell]] = [["Zeros: looked for, not caught."], ["Ask AB about the two hybrids."]]
    OUT.write_bytes(workbook({"Notes": notes, "Catches": catches()}))
    print(f"wrote {OUT}")
