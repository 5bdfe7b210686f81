"""Lists of what is native and introduced: of agencies, of regions, and the table that ships.

A table has one row for each region and species; its headings and words are read as agencies write them
(``names/vocabularies.txt``), separated by commas, semicolons, tabs or bars.  A table without a column
of regions is an agency's own list: it holds at every water asked about.  Regions are those of a layer of
polygons that holds the same names or codes, or else states, provinces and countries by name or code, and
hydrologic units by code.  Darwin Core checklist archives give their Distribution and SpeciesProfile rows.

Regions may lie within each other, as a basin lies in a country.  Rows that cannot be used are set aside and
counted; the rest is used.

``native_lepomis.csv`` and ``native_leuciscids.csv`` ship: scientificName, region, establishmentMeans, extent,
basis, source, year of the source and note.  A region is a prefix of the hydrologic unit codes of the US
Geological Survey (the longest wins), a state, province or country (``US-MO``, ``CA-ON``, ``DE``), or
``basin`` and its name.  A species and region without a row are not stated, which is not absent.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import shapely

from poolbuilder.errors import ChecklistError, said
from poolbuilder.names.checklist import Checklist, open_meanings
from poolbuilder.names.reader import read_name
from poolbuilder.names.vocabularies import (
    DEGREE_OF_ESTABLISHMENT,
    ESTABLISHMENT_MEANS,
    PATHWAY,
    columns_of,
    csv_rows,
    fold,
    read_term,
    vocabulary,
)
from poolbuilder.places.geodesy import WGS84
from poolbuilder.places.layers import Layer, read_layer
from poolbuilder.places.regions import region_codes, region_name, region_outline, regions_at
from poolbuilder.places.sites import Site
from poolbuilder.words import status_note

ORDER = ("agency", "region", "record", "polygon", "checklist", "shipped")
"""Sources of a statement, the first that speaks decides: an agency's own list, lists of regions, terms of
records, range polygons, the species list, the shipped table."""

_SIDES = {term: found for found, terms in vocabulary("side").items() for term in terms}


def side(means: str | None) -> str | None:
    """``native``, ``introduced`` or None for a term that takes no side."""
    return _SIDES.get(means or "")


@dataclass(frozen=True, kw_only=True)
class Statement:
    """What one source says of a species at a place.

    Attributes
    ----------
    source : str
        One of `ORDER`.
    means : str
        Darwin Core establishmentMeans.
    species : str
        Accepted name; empty where the context names it.
    degree, pathway : str or None
        Darwin Core degreeOfEstablishment and pathway.
    region : str
        What it speaks of; empty where that is the place itself.
    extent : str
        ``part`` where only a part of the region is meant, ``not reported`` outside the native range where
        no introduction is known either; else empty.
    citation, note : str
    year : int or None
        Of the source.
    valid_from, valid_to : int or None
        Years in which it holds.
    row : int
        Of the table, from 1.
    """

    source: str
    means: str
    species: str = ""
    degree: str | None = None
    pathway: str | None = None
    region: str = ""
    extent: str = ""
    citation: str = ""
    year: int | None = None
    note: str = ""
    valid_from: int | None = None
    valid_to: int | None = None
    row: int = 0

    def holds_in(self, first: int, last: int) -> bool:
        """Whether it holds in some year from the first to the last."""
        return (self.valid_from or 0) <= last and first <= (self.valid_to or 9999)


WORDS: Mapping[str, tuple[str, str | None]] = {
    word: (sense.partition("/")[0], sense.partition("/")[2] or None)
    for sense, words in vocabulary("status").items()
    for word in words
}
"""Word as agencies write it to establishmentMeans and degreeOfEstablishment; Darwin Core terms besides."""

YES = {"yes", "y", "true", "1", "t"}
NO = {"no", "n", "false", "0", "f"}


def read_status(text: str, heading: str = "") -> tuple[str | None, str | None]:
    """EstablishmentMeans and degreeOfEstablishment of a word; None where it is not understood.

    Examples
    --------
    >>> read_status("Non-native - established"), read_status("Y", "native")
    (('introduced', 'established'), ('native', None))
    """
    word = fold(text)
    if heading in {"native", "isnative"} and word in YES | NO:
        return "native" if word in YES else "introduced", None
    term = read_term(text, ESTABLISHMENT_MEANS)
    if term is not None:
        return term, None
    if word in WORDS:
        return WORDS[word]
    joined = re.sub(r"\b(non|not)[\s-]+", r"\1", text, flags=re.IGNORECASE)
    parts = [WORDS[fold(part)] for part in re.split(r"[\s,;/()–-]+", joined) if fold(part) in WORDS]
    sides = {means for means, _ in parts if means != "uncertain"}
    if len(sides) != 1:
        return None, None
    return sides.pop(), next((degree for _, degree in parts if degree), None)


@dataclass(frozen=True, kw_only=True, eq=False)
class StatusRegion:
    """A region of a list: its polygon, or its hydrologic unit code."""

    name: str
    geometry: Any = None
    code: str = ""

    @cached_property
    def area_km2(self) -> float:
        """Area on the ellipsoid."""
        return abs(float(WGS84.geometry_area_perimeter(self.geometry)[0])) / 1e6


@dataclass(frozen=True, kw_only=True, eq=False)
class RegionLists:
    """A list and its regions.

    Attributes
    ----------
    regions : tuple of StatusRegion
    listed : tuple of Statement
        Rows by accepted name; *region* is empty in an agency's own list.
    sources : tuple of dict
        path, sha256 and rows of the table and of the layer.
    notes : tuple of str
        What was set aside or read as something else.
    """

    regions: tuple[StatusRegion, ...]
    listed: tuple[Statement, ...]
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
            raise ChecklistError.of("cannot_read", file=path, why=error.strerror) from error
        rows = list(_archive_rows(path) if content[:2] == b"PK" else _table_rows(content, path))
        given, aside = _statements(rows)
        if rows and not given:
            raise ChecklistError.of("no_row_can", file=path, aside=aside[0])
        drawn = None if layer is None else read_layer(layer, purpose="regions")
        regions, notes = _regions(drawn, given, path)
        listed, opposed, more = _resolved(given, regions, checklist)
        notes += [status_note("aside", names=kept) for kept in (aside, opposed) if kept] + more
        source = {"path": path, "sha256": hashlib.sha256(content).hexdigest(), "rows": len(rows)}
        return cls(
            regions=tuple(regions.values()),
            listed=tuple(listed),
            sources=({**source, "use": "region checklist"},)
            + (({**drawn.source, "use": "regions"},) if drawn else ()),
            notes=tuple(f"{path}: {note}" for note in notes)
            + tuple(f"{layer}: {note}" for note in (drawn.notes if drawn else ())),
        )

    @cached_property
    def _drawn(self) -> tuple[list[StatusRegion], shapely.STRtree]:
        drawn = [region for region in self.regions if region.geometry is not None]
        return drawn, shapely.STRtree([region.geometry for region in drawn])

    @cached_property
    def _by_region(self) -> dict[str, list[Statement]]:
        found: dict[str, list[Statement]] = {}
        for item in self.listed:
            found.setdefault(item.region, []).append(item)
        return found

    def at(self, site: Site, *, year: int, code: str = "") -> dict[str, list[Statement]]:
        """What a list says at a site in a year: species to statements, the smallest region first.

        Parameters
        ----------
        site : Site
        year : int
        code : str
            Hydrologic unit code of the site's watershed, where known.
        """
        drawn, tree = self._drawn
        hits = tree.query(shapely.Point(site.longitude, site.latitude), "intersects")
        holding = [region for region in self.regions if region.code and code.startswith(region.code)]
        holding.sort(key=lambda item: -len(item.code))
        holding += sorted((drawn[int(hit)] for hit in hits), key=lambda item: (item.area_km2, item.name))
        found: dict[str, list[Statement]] = {}
        for name in dict.fromkeys(("", *(region.name for region in holding))):
            for item in self._by_region.get(name, ()):
                if item.holds_in(year, year):
                    found.setdefault(item.species, []).append(item)
        return found


# Reading


def _table_rows(content: bytes, path: str) -> Iterator[tuple[int, dict[str, str]]]:
    """Rows of a table by the columns of `HEADINGS`, with the line and the heading of the region."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")
    rows = csv_rows(text, file=path, error=ChecklistError, delimiters=",;\t|")
    _, names = next(rows, (1, []))
    place = columns_of(names, "regions")
    if "scientificName" not in place:
        raise ChecklistError.of("no_column_species", file=path, row=1, first=", ".join(names) or "nothing")
    heading = {column: fold(names[at]) for column, at in place.items()}
    for number, row in rows:
        cells = {name: row[at] if at < len(row) else "" for name, at in place.items()}
        if "region" in cells:
            cells["region"] = _region_cell(cells["region"], heading["region"])
        if "establishmentMeans" in place:
            cells["heading"] = heading["establishmentMeans"]
        yield number, cells


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
                taxon = _short(row.data)
                extra = [(item.rowtype, _short(item.data)) for item in row.extensions]
                profiles = (item for kind, item in extra if kind.endswith("SpeciesProfile"))
                invasive = any(fold(item.get("isInvasive")) in YES for item in profiles)
                shared = {"degreeOfEstablishment": "invasive"} if invasive else {}
                name = taxon.get("scientificName") or taxon.get("canonicalName") or ""
                for item in [item for kind, item in extra if kind.endswith("Distribution")] or [{}]:
                    code = item.get("locationID", "").rpartition(":")[2]
                    region = code or item.get("locality") or item.get("countryCode")
                    cells = {**shared, **item, "scientificName": name}
                    yield number, {**cells, "region": region} if region else cells
    except (InvalidArchive, OSError, KeyError, ValueError) as error:
        raise ChecklistError.of("no_darwin_core", file=path, error=error) from error


def _short(data: Mapping[str, str]) -> dict[str, str]:
    """Terms without their namespaces; empty ones left out."""
    cells = {term.rpartition("/")[2]: " ".join((text or "").split()) for term, text in data.items()}
    return {term: text for term, text in cells.items() if text}


def _statements(rows: Sequence[tuple[int, dict[str, str]]]) -> tuple[list[Statement], list[str]]:
    """Rows as statements, and what is wrong with those set aside."""
    kept, aside = [], []
    for number, row in rows:
        try:
            kept.append(_statement(number, row))
        except ValueError as fault:
            aside.append(f"row {number}: {fault}")
    return kept, aside


def _statement(number: int, row: Mapping[str, str]) -> Statement:
    if not row.get("scientificName"):
        raise ValueError("no species")
    if "region" in row and not row["region"]:
        raise ValueError("no region")
    if fold(row.get("occurrenceStatus")) in {"absent", "excluded", "doubtful"}:
        raise ValueError(f"its occurrence is {row['occurrenceStatus']}")
    text = row.get("establishmentMeans", "")
    means, degree = read_status(text, row.get("heading", "")) if text else ("uncertain", None)
    if means is None:
        raise ValueError(f"status {text!r} is not understood")
    given = row.get("degreeOfEstablishment", "")
    degree = read_term(given, DEGREE_OF_ESTABLISHMENT) or WORDS.get(fold(given), (None, None))[1] or degree
    first, last = _year(row.get("validFrom", "")), _year(row.get("validTo", ""))
    if first and last and first > last:
        raise ValueError(said("years_wrong_way", first=first, last=last))
    return Statement(
        source="region" if "region" in row else "agency",
        region=row.get("region", ""),
        species=row["scientificName"],
        means=means,
        degree=degree,
        pathway=read_term(row.get("pathway"), PATHWAY),
        valid_from=first,
        valid_to=last,
        citation=row.get("source", ""),
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


# Names and regions


def _key(name: Any) -> str:
    text = " ".join(str(name).split()).casefold()
    return text.lstrip("0") if text.isdigit() else text


def _accepted(item: Statement, region: StatusRegion | None, checklist: Checklist) -> tuple[str, ...]:
    """The species that a name of the list may mean in its region."""
    reading = read_name(item.species, checklist)
    names = reading.accepted if reading.role == "candidate" else ()
    if len(names) < 2 or region is None:
        return names
    point = None if region.geometry is None else shapely.point_on_surface(region.geometry)
    x, y = (np.nan, np.nan) if point is None else (point.x, point.y)
    unit = np.array([region.code], dtype=object)
    living = open_meanings(names, np.array([x]), np.array([y]), checklist, unit=unit)[0]
    return tuple(name for name, here in zip(names, living, strict=True) if here)


def _resolved(
    given: Sequence[Statement], regions: Mapping[str, StatusRegion], checklist: Checklist
) -> tuple[list[Statement], list[str], list[str]]:
    """Rows by accepted name; those that contradict an earlier one; and notes on names and repeats."""
    notes, unknown, opposed = [], [], []
    kept: dict[tuple[str, str], list[Statement]] = {}
    for item in given:
        region = regions.get(_key(item.region))
        names = _accepted(item, region, checklist)
        if len(names) != 1:
            unknown.append(item.species)
            continue
        if names[0] != item.species:
            notes.append(f"row {item.row}: " + status_note("readAs", name=item.species, accepted=names))
        now = replace(item, species=names[0], region=region.name if region else item.region)
        others = kept.setdefault((now.region, now.species), [])
        twin = next(
            (other for other in others if other.holds_in(now.valid_from or 0, now.valid_to or 9999)), None
        )
        if twin is None:
            others.append(now)
        elif twin.means == now.means:
            notes.append(status_note("twice", now=now, twin=twin))
        else:
            opposed.append(status_note("opposed", now=now, twin=twin))
    if unknown:
        notes.append(status_note("notListed", names=unknown))
    return [item for items in kept.values() for item in items], opposed, notes


def _regions(
    layer: Layer | None, given: Sequence[Statement], path: str
) -> tuple[dict[str, StatusRegion], list[str]]:
    """The regions that the table names, by key, and a note on those it names in vain."""
    wanted = {_key(item.region): item.region for item in given if item.region}
    regions = _known_regions(wanted) if layer is None else _drawn_regions(layer, wanted)
    lost = [name for key, name in wanted.items() if key not in regions]
    if wanted and not regions:
        where = f"in {layer.source['path']}" if layer else said("state_country_hydrologic")
        raise ChecklistError.of("no_region_table", file=path, lost=lost[0], where=where)
    rows = [item.region for item in given if item.region and _key(item.region) not in regions]
    return regions, [status_note("noPolygon", names=rows)] if rows else []


def _known_regions(wanted: Mapping[str, str]) -> dict[str, StatusRegion]:
    """States, provinces and countries by code or name, and hydrologic units by code."""
    known = {_key(text): code for code in region_codes() for text in (code, region_name(code))}
    regions = {}
    for key, name in wanted.items():
        if key in known:
            code = known[key]
            regions[key] = StatusRegion(name=region_name(code), geometry=region_outline(code))
        elif name.isdigit() and len(name) <= 12:
            regions[key] = StatusRegion(name=name, code=name)
    return regions


def _drawn_regions(layer: Layer, wanted: Mapping[str, str]) -> dict[str, StatusRegion]:
    """The polygons of a layer under the names of the table, from the column that holds most of them."""

    def held(column: str) -> int:
        return len(wanted.keys() & {_key(value) for value in layer.attributes[column]})

    best = max(layer.attributes, key=held, default=None)
    shapes: dict[str, list[Any]] = {}
    named = zip(layer.attributes[best], layer.geometry, strict=True) if best is not None else ()
    for value, shape in named:
        if _key(value) in wanted and shapely.get_dimensions(shape) == 2:
            shapes.setdefault(_key(value), []).append(shape)
    return {
        key: StatusRegion(name=wanted[key], geometry=shapely.union_all(parts))
        for key, parts in shapes.items()
    }


# The table that ships


class Drainage(NamedTuple):
    """The watershed that holds a water: its hydrologic unit code (empty if unknown) and basin names."""

    code: str = ""
    names: tuple[str, ...] = ()


def drainage_of(basins: Any) -> Drainage:
    """The drainage of a site, from the watersheds given; a code of digits is a hydrologic unit.

    Parameters
    ----------
    basins : poolbuilder.water.basins.Basins or None
    """
    if basins is None or basins.home is None:
        return Drainage()
    code, name = str(basins.codes[basins.home] or ""), basins.names[basins.home]
    return Drainage(code if code.isdigit() and len(code) <= 12 else "", (str(name),) if name else ())


@cache
def _shipped() -> dict[str, dict[str, Statement]]:
    """Statements of the shipped tables, by species and region code."""
    found: dict[str, dict[str, Statement]] = {}
    for name in ("native_lepomis", "native_leuciscids"):
        file = resources.files("poolbuilder") / "status" / f"{name}.csv"
        rows = csv_rows(file.read_text(encoding="utf-8"), file=file.name, error=ChecklistError)
        _, header = next(rows)
        for _, cells in rows:
            row = dict(zip(header, cells, strict=True))
            code, year = row["region"], row["year"]
            found.setdefault(row["scientificName"], {})[code.casefold()] = Statement(
                source="shipped",
                species=row["scientificName"],
                means=row["establishmentMeans"],
                region=code,
                extent=row["extent"],
                citation=row["source"],
                year=int(year) if year else None,
                note=row["note"],
            )
    return found


def shipped_statements(
    species: Iterable[str], longitude: float, latitude: float, drainage: Drainage | None = None
) -> dict[str, Statement]:
    """What the shipped table says of each species at a point.

    Parameters
    ----------
    species : iterable of str
        Accepted names.
    longitude, latitude : float
        Degrees.
    drainage : Drainage, optional
        Decides before the state; without it, or where it has no row, the state's row speaks.

    Returns
    -------
    dict
        Species to statement; a species of which nothing is stated here is not in it.

    Examples
    --------
    >>> found = shipped_statements(["Lepomis auritus"], -76.5, 39.0)["Lepomis auritus"]
    >>> found.means, found.region
    ('native', 'Maryland')
    """
    return shipped_of(tuple(species), str(regions_at(longitude, latitude)[0]), drainage or Drainage())


@lru_cache(maxsize=4096)
def shipped_of(species: tuple[str, ...], state: str, drainage: Drainage) -> dict[str, Statement]:
    """What the shipped table says of each species in a state, by its code, or in a drainage."""
    code = drainage.code if state.startswith("US-") else ""
    units = [code[:length] for length in range(len(code), 1, -1)]
    basins = [f"basin {word}" for name in drainage.names for word in name.casefold().split()]
    found = {}
    for name in species:
        rows = _shipped().get(name, {})
        item = next((rows[key] for key in (*units, *basins, state.casefold()) if key in rows), None)
        if item is not None:
            found[name] = replace(item, region=region_name(item.region))
    return found
