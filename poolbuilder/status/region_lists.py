"""Checklists of regions: which species a region's list calls native, which introduced.

A table (CSV, UTF-8) has one row for each region and species:

region
    The region's name or code, as a column of the layer of polygons has it.
scientificName
    Any name that the checklist knows.
establishmentMeans
    Darwin Core vocabulary, in that region.
degreeOfEstablishment, pathway
    Darwin Core vocabularies; may be empty.
validFrom, validTo
    Years in which the row holds; empty is open.
source, note
    Where the row comes from, and what a reader should know.

Regions may lie within each other, as a basin lies in a country.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import shapely
from pyproj import Geod

from poolbuilder.errors import ChecklistError
from poolbuilder.names.checklist import read_rows
from poolbuilder.names.vocabularies import DEGREE_OF_ESTABLISHMENT, ESTABLISHMENT_MEANS, PATHWAY, read_term
from poolbuilder.places.layers import Layer, read_layer
from poolbuilder.places.sites import Site
from poolbuilder.status.polygons import Accept

COLUMNS = (
    "region", "scientificName", "establishmentMeans", "degreeOfEstablishment", "pathway",
    "validFrom", "validTo", "source", "note",
)  # fmt: skip
_TERMS: Mapping[str, Sequence[str]] = {
    "establishmentMeans": ESTABLISHMENT_MEANS,
    "degreeOfEstablishment": DEGREE_OF_ESTABLISHMENT,
    "pathway": PATHWAY,
}
_GEOD = Geod(ellps="WGS84")

WITHIN = 0.98
"""A region of which this share lies in another is taken to lie within it: borders are drawn twice."""
TOUCH = 0.02
"""Overlaps below this share of the smaller region are the width of a border."""


@dataclass(frozen=True, kw_only=True)
class ListedStatus:
    """One row of the table, its species by the accepted name."""

    region: str
    species: str
    means: str
    degree: str | None = None
    pathway: str | None = None
    valid_from: int | None = None
    valid_to: int | None = None
    source: str = ""
    row: int = 0

    def holds_in(self, year: int) -> bool:
        """Whether the row holds in a year."""
        return (self.valid_from is None or year >= self.valid_from) and (
            self.valid_to is None or year <= self.valid_to
        )

    def meets(self, other: ListedStatus) -> bool:
        """Whether both rows hold in some year."""
        return (self.valid_from or 0) <= (other.valid_to or 9999) and (other.valid_from or 0) <= (
            self.valid_to or 9999
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Region:
    name: str
    geometry: Any
    area_km2: float


@dataclass(frozen=True, kw_only=True, eq=False)
class RegionLists:
    """Regions and what their lists say.

    Attributes
    ----------
    listed : tuple of ListedStatus
    sources : tuple of dict
        path, sha256 and rows of the table and of the layer.
    notes : tuple of str
        What overlaps, was left aside or read as something else.
    """

    regions: tuple[_Region, ...]
    listed: tuple[ListedStatus, ...]
    sources: tuple[dict[str, Any], ...] = ()
    notes: tuple[str, ...] = ()

    @classmethod
    def read(cls, table: str | Path, layer: str, accept: Accept) -> RegionLists:
        """Read a table of statuses and the layer of its regions.

        Parameters
        ----------
        table : path
        layer : str
            ``FILE`` or ``FILE:layer``.
        accept : callable
            From a name as given to the accepted names that it may mean.

        Raises
        ------
        ChecklistError
            For a row that cannot be used, one that contradicts another, or a table none of
            whose regions is in the layer.
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
        rows = read_rows(content, path=path, known=COLUMNS, required=COLUMNS[:3], error=ChecklistError)
        given = [_status(row, number, path) for number, row in rows]
        drawn = read_layer(layer, purpose="regions")
        regions, said = _regions(drawn, given, path)
        listed, told = _resolved(given, accept, path)
        source = {"path": path, "sha256": hashlib.sha256(content).hexdigest(), "rows": len(given)}
        notes = [f"{drawn.source['path']}: {note}" for note in (*drawn.notes, *_overlaps(regions))]
        return cls(
            regions=tuple(regions),
            listed=tuple(listed),
            sources=({**source, "use": "region checklist"}, {**drawn.source, "use": "regions"}),
            notes=(*notes, *(f"{path}: {note}" for note in (*said, *told))),
        )

    @cached_property
    def _tree(self) -> shapely.STRtree:
        return shapely.STRtree([region.geometry for region in self.regions])

    @cached_property
    def _by_region(self) -> dict[str, list[ListedStatus]]:
        found: dict[str, list[ListedStatus]] = {}
        for item in self.listed:
            found.setdefault(_key(item.region), []).append(item)
        return found

    def at(self, site: Site, *, year: int) -> dict[str, list[ListedStatus]]:
        """What the regions that hold a site say in a year: species to rows, smallest region first."""
        hits = self._tree.query(shapely.Point(site.longitude, site.latitude), "intersects")
        holding = sorted(
            (self.regions[int(hit)] for hit in hits), key=lambda item: (item.area_km2, item.name)
        )
        found: dict[str, list[ListedStatus]] = {}
        for region in holding:
            for item in self._by_region.get(_key(region.name), ()):
                if item.holds_in(year):
                    found.setdefault(item.species, []).append(replace(item, region=region.name))
        return found


def _key(name: Any) -> str:
    return " ".join(str(name).split()).casefold()


def _status(row: Mapping[str, str], number: int, path: str) -> ListedStatus:
    """One row, its cells checked."""
    terms: dict[str, str | None] = {}
    for column, vocabulary in _TERMS.items():
        text = row.get(column, "")
        terms[column] = read_term(text, vocabulary)
        if text and terms[column] is None:
            raise ChecklistError(
                f"{column} {text!r} is no Darwin Core term",
                file=path,
                row=number,
                remedy=f"use one of {', '.join(vocabulary[:8])}{', …' if len(vocabulary) > 8 else ''}",
            )
    for column in COLUMNS[:3]:
        if not row.get(column):
            raise ChecklistError(f"{column} is empty", file=path, row=number, remedy="fill it in")
    first, last = (_year(row.get(column, ""), column, number, path) for column in ("validFrom", "validTo"))
    if first is not None and last is not None and first > last:
        raise ChecklistError(
            f"validFrom {first} is after validTo {last}", file=path, row=number, remedy="swap the two years"
        )
    return ListedStatus(
        region=row["region"],
        species=row["scientificName"],
        means=str(terms["establishmentMeans"]),
        degree=terms["degreeOfEstablishment"],
        pathway=terms["pathway"],
        valid_from=first,
        valid_to=last,
        source=row.get("source", ""),
        row=number,
    )


def _year(text: str, column: str, number: int, path: str) -> int | None:
    if text and not re.fullmatch(r"\d{4}", text):
        raise ChecklistError(
            f"{column} {text!r} is not a year", file=path, row=number, remedy="four digits, or empty for open"
        )
    return int(text) if text else None


def _resolved(
    given: Sequence[ListedStatus], accept: Accept, path: str
) -> tuple[list[ListedStatus], list[str]]:
    """Rows by accepted name; a repeated row is dropped and said, a contradiction is an error."""
    notes, unknown = [], []
    kept: dict[tuple[str, str], list[ListedStatus]] = {}
    for item in given:
        names = accept(item.species)
        if len(names) != 1:
            unknown.append(item.species)
            continue
        if names[0] != item.species:
            notes.append(f"row {item.row}: {item.species} read as {names[0]}")
        now = replace(item, species=names[0])
        for other in kept.setdefault((_key(item.region), names[0]), []):
            if other.meets(now) and other.means != now.means:
                raise ChecklistError(
                    f"{names[0]} is {now.means} in {now.region}, and {other.means} in row {other.row}",
                    file=path,
                    row=now.row,
                    remedy="keep one of the two rows, or give the years of each in validFrom and validTo",
                )
            if other.meets(now):
                notes.append(f"row {now.row}: {names[0]} stands for {now.region} in row {other.row} already")
        kept[_key(item.region), names[0]].append(now)
    if unknown:
        few = ", ".join(sorted(set(unknown))[:3])
        notes.append(
            f"{len(unknown):,} rows left aside: {len(set(unknown)):,} names that are not on the checklist, "
            f"or may mean several of its species, such as {few}"
        )
    return [item for items in kept.values() for item in items], notes


def _regions(layer: Layer, given: Sequence[ListedStatus], path: str) -> tuple[list[_Region], list[str]]:
    """The polygons of the regions that the table names, and those it names in vain."""
    wanted = {_key(item.region): item.region for item in given}
    best = max(
        layer.attributes,
        key=lambda column: len(wanted.keys() & {_key(value) for value in layer.attributes[column]}),
        default=None,
    )
    shapes: dict[str, list[Any]] = {}
    values = layer.attributes[best] if best is not None else []
    for value, shape in zip(values, layer.geometry, strict=True) if best is not None else ():
        if _key(value) in wanted and shapely.get_dimensions(shape) == 2:
            shapes.setdefault(_key(value), []).append(shape)
    if wanted and not shapes:
        raise ChecklistError(
            f"no region of the table, such as {next(iter(wanted.values()))!r}, is in {layer.source['path']}",
            file=path,
            remedy="a column of the layer must hold the same names or codes",
        )
    lost = [wanted[key] for key in wanted if key not in shapes]
    notes = []
    if lost:
        rows = sum(_key(item.region) in {_key(name) for name in lost} for item in given)
        few = ", ".join(sorted(lost)[:3])
        notes.append(f"{rows:,} rows have no effect: no polygon for {len(lost):,} regions, such as {few}")
    regions = []
    for key, parts in shapes.items():
        whole = shapely.union_all(parts)
        regions.append(_Region(name=wanted[key], geometry=whole, area_km2=_area_km2(whole)))
    return regions, notes


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
