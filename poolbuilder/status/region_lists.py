"""Lists of regions and agencies: which species a list calls native, which introduced.

A table has one row for each region and species; its headings and words are read as agencies write them
(`HEADINGS`, `WORDS`), separated by commas, semicolons, tabs or bars.  A table without a column of regions is
an agency's own list: it holds at every water asked about.  Regions are those of a layer of polygons that
holds the same names or codes, or else states, provinces and countries by name or code, and hydrologic units
by code.  A Darwin Core checklist archive gives its Distribution and SpeciesProfile extensions.

Regions may lie within each other, as a basin lies in a country.  Rows that cannot be used are set aside and
counted; the rest is used.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import Geod

from poolbuilder.errors import ChecklistError
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.meanings import open_meanings
from poolbuilder.names.reader import read_name
from poolbuilder.names.vocabularies import (
    DEGREE_OF_ESTABLISHMENT,
    ESTABLISHMENT_MEANS,
    PATHWAY,
    fold,
    read_term,
)
from poolbuilder.places.layers import Layer, read_layer
from poolbuilder.places.sites import Site
from poolbuilder.status.decision import Statement
from poolbuilder.status.regions import region_codes, region_name, region_outline

HEADINGS: Mapping[str, str] = {
    "region": "region regionname regioncode state stateprovince province stateabbr country countrycode "
    "county basin drainage watershed area locationid locality location huc huc2 huc4 huc6 huc8 huc10 huc12 "
    "huccode hydrologicunit",
    "scientificName": "scientificname species speciesname taxon taxonname latinname canonicalname "
    "acceptedscientificname name commonname vernacularname fish",
    "establishmentMeans": "establishmentmeans status native isnative nativestatus origin nativity "
    "nativeorintroduced establishment nativeintroduced occurrencestatus",
    "degreeOfEstablishment": "degreeofestablishment degree establishmentstatus populationstatus",
    "pathway": "pathway vector introductionpathway",
    "validFrom": "validfrom from firstyear since yearintroduced firstrecord",
    "validTo": "validto to until lastyear",
    "year": "year listyear dateoflist updated",
    "source": "source reference citation bibliographiccitation",
    "note": "note notes remarks comments comment occurrenceremarks taxonremarks",
}
"""Column, and the headings under which agencies give it: letters and digits alone, the surest first."""

_SAME = {
    ("native", None): "native indigenous autochthonous historic n extirpated extinct nativeextirpated",
    (
        "introduced",
        None,
    ): "introduced nonnative notnative nonindigenous exotic alien allochthonous "
    "transplanted translocated i nis nas",
    ("introduced", "established"): "established",
    ("introduced", "invasive"): "invasive",
    ("introduced", "released"): "stocked",
    ("introduced", "failing"): "failed eradicated",
    ("uncertain", None): "uncertain unknown cryptogenic questionable debated",
}
WORDS: Mapping[str, tuple[str, str | None]] = {
    w: sense for sense, words in _SAME.items() for w in words.split()
}
"""Word as agencies write it to establishmentMeans and degreeOfEstablishment; Darwin Core terms besides."""

_YES = {"yes": "native", "y": "native", "true": "native", "1": "native", "t": "native"}
_NO = {"no": "introduced", "n": "introduced", "false": "introduced", "0": "introduced", "f": "introduced"}
ROW_REMEDY = "give species and status in each row, such as native, introduced or non-native"
_GEOD = Geod(ellps="WGS84")
WITHIN = 0.98
"""A region of which this share lies in another is taken to lie within it: borders are drawn twice."""
TOUCH = 0.02
"""Overlaps below this share of the smaller region are the width of a border."""


@dataclass(frozen=True, kw_only=True)
class ListedStatus:
    """One row of a list, its species by the accepted name; *region* is empty in an agency's own list."""

    region: str
    species: str
    means: str
    degree: str | None = None
    pathway: str | None = None
    valid_from: int | None = None
    valid_to: int | None = None
    source: str = ""
    year: int | None = None
    row: int = 0

    def holds_in(self, year: int) -> bool:
        """Whether the row holds in a year."""
        return (self.valid_from or 0) <= year <= (self.valid_to or 9999)

    def meets(self, other: ListedStatus) -> bool:
        """Whether both rows hold in some year."""
        return (self.valid_from or 0) <= (other.valid_to or 9999) and (other.valid_from or 0) <= (
            self.valid_to or 9999
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Region:
    """A region of a list: its polygon, or its hydrologic unit code."""

    name: str
    geometry: Any = None
    area_km2: float = 0.0
    code: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class RegionLists:
    """Regions and what their lists say.

    Attributes
    ----------
    listed : tuple of ListedStatus
    sources : tuple of dict
        path, sha256 and rows of the table and of the layer.
    notes : tuple of str
        What overlaps, was set aside or read as something else.
    """

    regions: tuple[_Region, ...]
    listed: tuple[ListedStatus, ...]
    sources: tuple[dict[str, Any], ...] = ()
    notes: tuple[str, ...] = ()

    @classmethod
    def read(cls, table: str | Path, layer: str | None, checklist: Checklist) -> RegionLists:
        """Read a list and the layer of its regions.

        Parameters
        ----------
        table : path
            A table, or a Darwin Core checklist archive (``.zip``).
        layer : str or None
            ``FILE`` or ``FILE:layer``; None for states, countries, hydrologic units or an agency's own list.
        checklist : Checklist

        Raises
        ------
        ChecklistError
            For a list of which no row can be used, or none of whose regions is known.
        LayerError
            When the layer cannot be used.
        """
        path = str(table)
        try:
            content = Path(table).read_bytes()
        except OSError as error:
            raise ChecklistError(
                f"cannot be read: {error.strerror}", file=path, remedy="check path and permissions"
            ) from error
        archive = content[:2] == b"PK"
        rows = list(_archive_rows(path) if archive else _table_rows(content, path))
        given, aside = _statuses(rows)
        if rows and not given:
            raise ChecklistError(f"no row can be used: {aside[0]}", file=path, remedy=ROW_REMEDY)
        drawn = None if layer is None else read_layer(layer, purpose="regions")
        regions, said = _regions(drawn, given, path)
        listed, told = _resolved(given, {_key(region.name): region for region in regions}, checklist)
        source = {"path": path, "sha256": hashlib.sha256(content).hexdigest(), "rows": len(rows)}
        notes = [f"{path}: {note}" for note in (*said, *_counted(aside), *told)]
        sources = [{**source, "use": "region checklist"}]
        if drawn is not None:
            sources.append({**drawn.source, "use": "regions"})
            notes = [
                f"{drawn.source['path']}: {note}" for note in (*drawn.notes, *_overlaps(regions))
            ] + notes
        return cls(regions=tuple(regions), listed=tuple(listed), sources=tuple(sources), notes=tuple(notes))

    @cached_property
    def _drawn(self) -> tuple[list[_Region], shapely.STRtree]:
        drawn = [region for region in self.regions if region.geometry is not None]
        return drawn, shapely.STRtree([region.geometry for region in drawn])

    @cached_property
    def _by_region(self) -> dict[str, list[ListedStatus]]:
        found: dict[str, list[ListedStatus]] = {}
        for item in self.listed:
            found.setdefault(_key(item.region), []).append(item)
        return found

    def at(self, site: Site, *, year: int, code: str = "") -> dict[str, list[ListedStatus]]:
        """What a list says at a site in a year: species to rows, the smallest region first.

        Parameters
        ----------
        site : Site
        year : int
        code : str
            Hydrologic unit code of the site's watershed, where known.
        """
        drawn, tree = self._drawn
        hits = tree.query(shapely.Point(site.longitude, site.latitude), "intersects")
        units = [region for region in self.regions if region.code and code.startswith(region.code)]
        holding = sorted(units, key=lambda item: -len(item.code))
        holding += sorted((drawn[int(hit)] for hit in hits), key=lambda item: (item.area_km2, item.name))
        found: dict[str, list[ListedStatus]] = {}
        for name in ("", *(region.name for region in holding)):
            for item in self._by_region.get(_key(name), ()):
                if item.holds_in(year):
                    found.setdefault(item.species, []).append(replace(item, region=name))
        return found


def statements_of(listed: Mapping[str, Sequence[ListedStatus]]) -> dict[str, list[Statement]]:
    """What lists say as statements: an agency's own, and those of regions."""
    return {
        name: [
            Statement(
                source="region" if item.region else "agency",
                means=item.means,
                who=f"the checklist of {item.region}" if item.region else "the agency's list",
                region=item.region,
                citation=item.source,
                year=item.year,
            )
            for item in items
        ]
        for name, items in listed.items()
    }


# Reading


def _table_rows(content: bytes, path: str) -> Iterator[tuple[int, dict[str, str]]]:
    """Rows of a table by the columns of `HEADINGS`, with the line and the heading of the region."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")
    first = text.partition("\n")[0]
    delimiter = max(",;\t|", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    header = next(reader, [])
    place = _columns(header)
    if "scientificName" not in place:
        raise ChecklistError(
            f"no column of species, found {', '.join(header) or 'nothing'}",
            file=path,
            row=1,
            remedy="name it scientificName or species",
        )
    units = fold(header[place["region"]]) if "region" in place else ""
    start = reader.line_num + 1
    for row in reader:
        number, start = start, reader.line_num + 1
        if any(cell.strip() for cell in row):
            cells = {name: " ".join(row[at].split()) if at < len(row) else "" for name, at in place.items()}
            if "region" in cells:
                cells["region"] = _region_cell(cells["region"], units)
            if "establishmentMeans" in place:
                cells["heading"] = fold(header[place["establishmentMeans"]])
            yield number, cells


def _columns(header: Sequence[str]) -> dict[str, int]:
    """Position of each column, the surest heading first."""
    folded = [fold(name) for name in header]
    found: dict[str, int] = {}
    for column, headings in HEADINGS.items():
        free = [name for name in headings.split() if name in folded]
        free = [name for name in free if folded.index(name) not in found.values()]
        if free:
            found[column] = folded.index(free[0])
    return found


def _region_cell(text: str, heading: str) -> str:
    """A region as given; a hydrologic unit code with the zero that spreadsheets take off."""
    text = text.removesuffix(".0") if text.replace(".", "").isdigit() else text
    if heading.startswith(("huc", "hydrologic")) and text.isdigit():
        digits = heading.removeprefix("huc")
        return text.zfill(int(digits) if digits.isdigit() else len(text) + len(text) % 2)
    if heading in {"state", "stateprovince", "province", "stateabbr"} and re.fullmatch("[A-Z]{2}", text):
        return next((code for code in region_codes() if code in {f"US-{text}", f"CA-{text}"}), text)
    return text


def _archive_rows(path: str) -> Iterator[tuple[int, dict[str, str]]]:
    """Rows of a Darwin Core checklist archive: one for each taxon and Distribution."""
    from dwca.exceptions import InvalidArchive
    from dwca.read import DwCAReader

    try:
        with DwCAReader(path) as archive:
            for number, row in enumerate(archive, 1):
                core = _short(row.data)
                name = core.get("scientificName") or core.get("canonicalName") or ""
                kinds = {
                    kind: [_short(item.data) for item in row.extensions if item.rowtype.endswith(kind)]
                    for kind in ("Distribution", "SpeciesProfile")
                }
                invasive = any(fold(item.get("isInvasive")) in _YES for item in kinds["SpeciesProfile"])
                for item in kinds["Distribution"] or [{}]:
                    cells = {**item, "scientificName": name, "heading": "establishmentmeans"}
                    identifier = item.get("locationID", "").rpartition(":")[2]
                    region = identifier or item.get("locality") or item.get("countryCode")
                    if region:
                        cells["region"] = region
                    cells["degreeOfEstablishment"] = item.get("degreeOfEstablishment") or (
                        "invasive" if invasive else ""
                    )
                    yield number, cells
    except (InvalidArchive, OSError, KeyError, ValueError) as error:
        raise ChecklistError(
            f"is no Darwin Core archive: {error}",
            file=path,
            remedy="give a table, or an archive with meta.xml",
        ) from error


def _short(data: Mapping[str, str]) -> dict[str, str]:
    return {term.rpartition("/")[2]: " ".join((text or "").split()) for term, text in data.items()}


def _means(text: str, heading: str) -> tuple[str | None, str | None]:
    """EstablishmentMeans and degreeOfEstablishment of a cell; None where it is not understood."""
    word = fold(text)
    if heading in {"native", "isnative"} and word in _YES | _NO:
        return (_YES | _NO)[word], None
    term = read_term(text, ESTABLISHMENT_MEANS)
    if term is not None:
        return term, None
    if word in WORDS:
        return WORDS[word]
    parts = [WORDS[fold(part)] for part in re.split(r"[\s,;/()–-]+", text) if fold(part) in WORDS]
    sides = {means for means, _ in parts if means != "uncertain"}
    if len(sides) != 1:
        return None, None
    return sides.pop(), next((degree for _, degree in parts if degree), None)


def _statuses(rows: Sequence[tuple[int, dict[str, str]]]) -> tuple[list[ListedStatus], list[str]]:
    """Rows as statuses, and what is wrong with those set aside."""
    kept, aside = [], []
    for number, row in rows:
        try:
            kept.append(_status(number, row))
        except ValueError as fault:
            aside.append(f"row {number}: {fault}")
    return kept, aside


def _status(number: int, row: Mapping[str, str]) -> ListedStatus:
    if not row.get("scientificName"):
        raise ValueError("no species")
    if "region" in row and not row["region"]:
        raise ValueError("no region")
    text = row.get("establishmentMeans", "")
    means, degree = _means(text, row.get("heading", "")) if text else ("uncertain", None)
    if means is None:
        raise ValueError(f"status {text!r} is not understood")
    given = row.get("degreeOfEstablishment", "")
    degree = read_term(given, DEGREE_OF_ESTABLISHMENT) or WORDS.get(fold(given), (None, None))[1] or degree
    first, last = _year(row.get("validFrom", "")), _year(row.get("validTo", ""))
    if first and last and first > last:
        raise ValueError(f"its years {first} and {last} are the wrong way round")
    return ListedStatus(
        region=row.get("region", ""),
        species=row["scientificName"],
        means=means,
        degree=degree,
        pathway=read_term(row.get("pathway"), PATHWAY),
        valid_from=first,
        valid_to=last,
        source=row.get("source", ""),
        year=_year(row.get("year", "")),
        row=number,
    )


def _year(text: str) -> int | None:
    if not text:
        return None
    match = re.search(r"(?<!\d)(1[5-9]|20)\d\d(?!\d)", text)
    if match is None:
        raise ValueError(f"{text!r} is not a year")
    return int(match[0])


def _counted(aside: Sequence[str]) -> list[str]:
    return [f"{len(aside):,} rows set aside, such as {aside[0]}"] if aside else []


# Names and regions


def _key(name: Any) -> str:
    text = " ".join(str(name).split()).casefold()
    return text.lstrip("0") if text.isdigit() else text


def _accepted(item: ListedStatus, region: _Region | None, checklist: Checklist) -> tuple[str, ...]:
    """The species that a name of the list may mean in its region."""
    reading = read_name(item.species, checklist)
    if reading.role != "candidate":
        return ()
    if len(reading.accepted) < 2 or region is None:
        return reading.accepted
    point = None if region.geometry is None else shapely.point_on_surface(region.geometry)
    x, y = (
        np.array([np.nan if point is None else value]) for value in (point and point.x, point and point.y)
    )
    unit = np.array([region.code], dtype=object)
    living = open_meanings(reading.accepted, x, y, checklist, unit=unit)[0]
    return tuple(name for name, here in zip(reading.accepted, living, strict=True) if here)


def _resolved(
    given: Sequence[ListedStatus], regions: Mapping[str, _Region], checklist: Checklist
) -> tuple[list[ListedStatus], list[str]]:
    """Rows by accepted name; of two that say the same or contradict each other the first is kept."""
    notes, unknown, opposed = [], [], []
    kept: dict[tuple[str, str], list[ListedStatus]] = {}
    for item in given:
        names = _accepted(item, regions.get(_key(item.region)), checklist)
        if len(names) != 1:
            unknown.append(item.species)
            continue
        if names[0] != item.species:
            notes.append(f"row {item.row}: {item.species} read as {names[0]}")
        now = replace(item, species=names[0])
        others = kept.setdefault((_key(item.region), names[0]), [])
        twin = next((other for other in others if other.meets(now)), None)
        if twin is None:
            others.append(now)
        elif twin.means == now.means:
            notes.append(
                f"row {now.row}: {names[0]} stands for {now.region or 'the list'} in row {twin.row} already"
            )
        else:
            where = now.region or "the list"
            opposed.append(
                f"row {now.row}: {names[0]} is {now.means} in {where}, and {twin.means} in row {twin.row}"
            )
    if unknown:
        few = ", ".join(sorted(set(unknown))[:3])
        notes.append(
            f"{len(unknown):,} rows left aside: {len(set(unknown)):,} names that are not on the checklist, "
            f"or may mean several of its species, such as {few}"
        )
    return [item for items in kept.values() for item in items], [*_counted(opposed), *notes]


def _regions(
    layer: Layer | None, given: Sequence[ListedStatus], path: str
) -> tuple[list[_Region], list[str]]:
    """The regions that the table names, and those it names in vain."""
    wanted = {_key(item.region): item.region for item in given if item.region}
    regions = _known_regions(wanted) if layer is None else _drawn_regions(layer, wanted)
    if wanted and not regions:
        where = f"in {layer.source['path']}" if layer else "a state, country or hydrologic unit"
        raise ChecklistError(
            f"no region of the table, such as {next(iter(wanted.values()))!r}, is {where}",
            file=path,
            remedy="give a layer of which a column holds the same names or codes",
        )
    found = {_key(region.name) for region in regions}
    lost = [name for key, name in wanted.items() if key not in found]
    if not lost:
        return regions, []
    rows = sum(bool(item.region) and _key(item.region) not in found for item in given)
    few = ", ".join(sorted(lost)[:3])
    return regions, [f"{rows:,} rows have no effect: no polygon for {len(lost):,} regions, such as {few}"]


def _known_regions(wanted: Mapping[str, str]) -> list[_Region]:
    """States, provinces and countries by code or name, and hydrologic units by code."""
    known = {_key(text): code for code in region_codes() for text in (code, region_name(code))}
    regions = []
    for key, name in wanted.items():
        if key in known:
            shape = region_outline(known[key])
            regions.append(_Region(name=name, geometry=shape, area_km2=_area_km2(shape)))
        elif name.isdigit() and len(name) <= 12:
            regions.append(_Region(name=name, code=name))
    return regions


def _drawn_regions(layer: Layer, wanted: Mapping[str, str]) -> list[_Region]:
    """The polygons of a layer under the names of the table, from the column that holds most of them."""
    best = max(
        layer.attributes,
        key=lambda column: len(wanted.keys() & {_key(value) for value in layer.attributes[column]}),
        default=None,
    )
    shapes: dict[str, list[Any]] = {}
    if best is not None:
        for value, shape in zip(layer.attributes[best], layer.geometry, strict=True):
            if _key(value) in wanted and shapely.get_dimensions(shape) == 2:
                shapes.setdefault(_key(value), []).append(shape)
    whole = {key: shapely.union_all(parts) for key, parts in shapes.items()}
    return [_Region(name=wanted[k], geometry=shape, area_km2=_area_km2(shape)) for k, shape in whole.items()]


def _area_km2(shape: Any) -> float:
    return abs(float(_GEOD.geometry_area_perimeter(shape)[0])) / 1e6


def _overlaps(regions: Sequence[_Region]) -> list[str]:
    """Regions that overlap without one lying in the other."""
    if not regions:
        return []
    tree = shapely.STRtree([region.geometry for region in regions])
    pairs = tree.query([region.geometry for region in regions], predicate="intersects").T.tolist()
    notes = []
    for one, other in sorted({(min(pair), max(pair)) for pair in pairs if pair[0] != pair[1]}):
        small, large = sorted((regions[one], regions[other]), key=lambda item: item.area_km2)
        shared = shapely.intersection(small.geometry, large.geometry).area / (small.geometry.area or 1)
        if TOUCH < shared < WITHIN:
            notes.append(
                f"regions {small.name} and {large.name} overlap ({100 * shared:.0f} % of {small.name}): "
                "where both hold a water the smaller decides, and a disagreement is said"
            )
    return notes
