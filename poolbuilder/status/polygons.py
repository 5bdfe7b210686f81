"""Range polygons: what they say of a species at a place, and how far away they begin.

A polygon is read as a statement with its source, never as presence.  Columns are recognised under the names
that Darwin Core and published range maps use, in any case; status comes from establishmentMeans or from the
published integer codes.  A table of regions and species with a layer of the regions is read as polygons too.
Several polygons may hold one place and disagree: the strongest decides, and the disagreement is said.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from poolbuilder import words
from poolbuilder.errors import LayerError
from poolbuilder.names.checklist import Checklist, open_meanings
from poolbuilder.names.reader import read_name
from poolbuilder.names.vocabularies import columns_of, fold, vocabulary
from poolbuilder.places.geodesy import Edges, covering_box
from poolbuilder.places.layers import Layer, read_layer
from poolbuilder.places.sites import Site
from poolbuilder.schemas import STATUS
from poolbuilder.status.lists import RegionLists, side

# Codes of polygons: IUCN Red List, Mapping and Distribution Data Attribute Standards, version 1.20 (January
# 2024); code 2 of presence is discontinued there and still met with.


def _numbered(kind: str) -> dict[int, str]:
    return {int(code): " ".join(label) for code, label in vocabulary(kind).items()}


PRESENCE, ORIGIN, SEASONAL = map(_numbered, ("presence", "origin", "seasonal"))
_MEANS = _numbered("means")
_LABELS = {"presence": PRESENCE, "origin": ORIGIN, "seasonal": SEASONAL}
_OTHER_WORDS = {
    "presence": {"extinctpost1500": 5, "present": 1, "uncertain": 6},
    "origin": {**{fold(means): code for code, means in _MEANS.items()}, "nativeendemic": 1},
    "seasonal": {},
}
_BY_ORIGIN = {3: "introduced", 4: "vagrant", 6: "introduced"}
_BY_PRESENCE = {6: "uncertain", 7: "outside"}

STRENGTH = (
    "extant", "introduced", "probably_extant", "possibly_extant", "uncertain", "possibly_extinct", "vagrant",
    "extinct", "outside",
)  # fmt: skip
"""Range classes; where several polygons hold the place, the first of these decides."""


def read_code(value: Any, kind: str) -> tuple[int | None, bool]:
    """A code as a file gives it: a number, a number as text, the code's label or a Darwin Core term.

    Parameters
    ----------
    value : object
    kind : str
        ``presence``, ``origin`` or ``seasonal``.

    Returns
    -------
    code : int or None
    understood : bool
        False for a value that is none of these; an empty value is understood as None.

    Examples
    --------
    >>> read_code("1", "presence"), read_code("Possibly Extinct", "presence"), read_code(9, "presence")
    ((1, True), (4, True), (None, False))
    """
    if value is None or (isinstance(value, float) and value != value) or str(value).strip() == "":
        return None, True
    labels = _LABELS[kind]
    try:
        code = float(value)
    except (TypeError, ValueError):
        word = fold(str(value))
        known = {fold(label): code for code, label in labels.items()} | _OTHER_WORDS[kind]
        return known.get(word), word in known
    return (int(code), True) if code in labels else (None, False)


def polygon_class(
    presence: int | None, origin: int | None, seasonal: int | None
) -> tuple[str, str | None, str]:
    """What one polygon says of its species, from its codes.

    Parameters
    ----------
    presence : int or None
        1-7; None is taken as extant, since a polygon was drawn.
    origin : int or None
        1-6; None leaves native or introduced unknown.
    seasonal : int or None
        1-5; changes the words, not the class.

    Returns
    -------
    range_class : str
        One of `STRENGTH`: presence decides where it is doubtful, origin where the species is there.
    means : str or None
        Darwin Core establishmentMeans; None when the polygon does not say, or when it is not
        about presence (code 7).
    words : str
        The three codes in words.

    Examples
    --------
    >>> polygon_class(3, 1, 1)
    ('possibly_extant', 'native', 'possibly extant, native, resident')
    """
    labels = [PRESENCE[presence] if presence else "range as drawn"]
    labels += [names[code] for names, code in ((ORIGIN, origin), (SEASONAL, seasonal)) if code]
    presence, words = presence or 1, ", ".join(labels)
    found = _BY_PRESENCE.get(presence, PRESENCE[presence].replace(" ", "_"))
    if origin in _BY_ORIGIN and (presence < 3 or (presence == 3 and origin == 4)):
        found = _BY_ORIGIN[origin]
    return found, None if presence == 7 or not origin else _MEANS[origin], words


_PRESENT = {"extant", "introduced", "probably_extant", "possibly_extant", "uncertain"}
_TABLE = re.compile(r"(.*?\.(?:csv|tsv|txt))(?::(.+))?", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class RangePolygon:
    """One polygon of one species, with what it says.

    Attributes
    ----------
    species : str
        Accepted name.
    geometry : shapely Polygon or MultiPolygon
    range_class, means, codes
        As `polygon_class` gives them.
    given : str
        Name in the file.
    may_mean : tuple of str
        Accepted names that the name given may mean, when there are several.
    """

    species: str
    geometry: Any
    range_class: str
    means: str | None
    codes: str
    given: str
    may_mean: tuple[str, ...] = ()

    @property
    def statement(self) -> str:
        """The polygon's codes in words, with the doubt about its name."""
        return words.range_polygon(self.codes, self.given, self.may_mean)


def _settle_names(polygons: Sequence[RangePolygon]) -> list[RangePolygon]:
    """Polygons of a name with several meanings, kept only for species without a map of their own.

    Where every other meaning has its own polygons, the name is taken at its word.
    """
    own = {polygon.species for polygon in polygons if not polygon.may_mean}
    kept = []
    for polygon in polygons:
        by_the_letter = polygon.species == polygon.given
        if by_the_letter and set(polygon.may_mean) - {polygon.given} <= own:
            kept.append(replace(polygon, may_mean=()))
        elif not polygon.may_mean or by_the_letter or polygon.species not in own:
            kept.append(polygon)
    return kept


def _titles(layer: Layer) -> dict[str, str]:
    """The layer's own heading for each known column that it has."""
    given = list(layer.attributes)
    return {column: given[at] for column, at in columns_of(given, "ranges").items()}


def _names(layer: Layer, titles: Mapping[str, str]) -> list[str]:
    """The species' name of each feature, empty where there is none."""
    if "species" not in titles:
        known = ", ".join(layer.attributes) or "none"
        raise LayerError.of("no_column_species_names", file=layer.source["path"], attributes=known)
    names = [str(name or "").strip() for name in layer.attributes[titles["species"]]]
    if "genus" not in titles or any(" " in name for name in names):
        return names
    genera = layer.attributes[titles["genus"]]
    return [f"{genus} {name}" if genus and name else "" for genus, name in zip(genera, names, strict=True)]


def _codes(layer: Layer, title: str | None, kind: str, notes: list[str]) -> list[int | None]:
    if title is None:
        return [None] * layer.rows
    given = layer.attributes[title]
    codes, understood = zip(*(read_code(value, kind) for value in given), strict=True)
    strange = Counter(str(value) for value, is_read in zip(given, understood, strict=True) if not is_read)
    notes += [
        words.status_note("noCode", names=[value] * count, column=title, value=value)
        for value, count in sorted(strange.items())
    ]
    return list(codes)


def _of_layer(layer: Layer, checklist: Checklist) -> tuple[list[RangePolygon], list[str]]:
    """Polygons of the layer by species, and what was left aside or assumed."""
    notes: list[str] = []
    titles = _titles(layer)
    names = _names(layer, titles)
    codes = zip(*(_codes(layer, titles.get(kind), kind, notes) for kind in _LABELS), strict=True)
    readings = {name: read_name(name, checklist) for name in dict.fromkeys(names) if name}
    accepted = {name: read.accepted if read.role == "candidate" else () for name, read in readings.items()}
    flat = shapely.get_dimensions(layer.geometry) == 2
    polygons = []
    for name, shape, is_area, three in zip(names, layer.geometry, flat, codes, strict=True):
        meant = accepted.get(name, ()) if is_area else ()
        found, means, said = polygon_class(*three)
        about: dict[str, Any] = {
            "geometry": shape,
            "range_class": found,
            "means": means,
            "codes": said,
            "given": name,
        }
        about["may_mean"] = tuple(meant) if len(meant) > 1 else ()
        polygons += [RangePolygon(species=species, **about) for species in meant]
    asides = {
        "unnamed": [name for name in names if not name],
        "notOnList": [name for name in names if name and not accepted[name]],
        "notFlat": flat[~flat].tolist(),
    }
    notes += [words.status_note(kind, names=aside) for kind, aside in asides.items() if aside]
    notes += sorted(
        words.status_note("readAs", name=name, accepted=meant)
        for name, meant in accepted.items()
        if meant and name not in meant
    )
    if polygons and not any(polygon.means for polygon in polygons):
        notes.append(words.status_note("noMeans"))
    return polygons, notes


def _of_table(lists: RegionLists, table: str) -> list[RangePolygon]:
    """The regions of a list as polygons of its species."""
    shapes = {region.name: region.geometry for region in lists.regions}
    if not shapes or None in shapes.values():
        raise LayerError.of("regions_no_polygons", file=table)
    return [
        RangePolygon(
            species=item.species,
            geometry=shapes[item.region],
            range_class=polygon_class(1, read_code(item.means, "origin")[0], None)[0],
            means=item.means,
            codes=words.range_region(item.region, item.means),
            given=item.species,
        )
        for item in lists.listed
        if item.region in shapes
    ]


@dataclass(frozen=True)
class RangeMap:
    """The range polygons of the checklist's species.

    Attributes
    ----------
    polygons : tuple of RangePolygon
    sources : tuple of dict
        path, layer, sha256, rows and, where the file gives them, citations.
    notes : tuple of str
        What was repaired, assumed or left aside, file by file.
    checklist : Checklist
        Says where each meaning of a name lives: a polygon under an old name speaks of a species only there.

    Examples
    --------
    >>> from importlib import resources
    >>> ranges = resources.files("poolbuilder") / "demo_data" / "ranges.geojson"
    >>> found = RangeMap.read([str(ranges)], Checklist.load("lepomis"))
    >>> sorted({polygon.species for polygon in found.polygons})[0]
    'Lepomis auritus'
    """

    polygons: tuple[RangePolygon, ...]
    sources: tuple[dict[str, Any], ...]
    notes: tuple[str, ...]
    checklist: Checklist

    @classmethod
    def read(cls, specs: Sequence[str], checklist: Checklist) -> RangeMap:
        """Read layers of range polygons, ``FILE`` or ``FILE:layer``, or tables of regions.

        A table has a row for each region and species, as `RegionLists` reads it; the layer of its regions
        stands behind it, ``TABLE.csv:FILE`` or ``TABLE.csv:FILE:layer``; states and countries need none.

        Raises
        ------
        LayerError
            When a layer cannot be used, or has no column of species names.
        """
        polygons: list[RangePolygon] = []
        sources: list[dict[str, Any]] = []
        notes: list[str] = []
        for spec in specs:
            table = _TABLE.fullmatch(spec)
            if table is not None:
                lists = RegionLists.read(table[1], table[2], checklist)
                polygons += _of_table(lists, table[1])
                sources += lists.sources
                notes += lists.notes
                continue
            layer = read_layer(spec, purpose="range polygons")
            found, said = _of_layer(layer, checklist)
            given = layer.attributes.get(_titles(layer).get("citation", ""), ())
            cited = sorted({str(value).strip() for value in given if value})
            polygons += found
            sources.append({**layer.source, **({"citations": cited} if cited else {})})
            notes += [f"{layer.source['path']}: {note}" for note in (*layer.notes, *said)]
        return cls(tuple(_settle_names(polygons)), tuple(sources), tuple(notes), checklist)

    @cached_property
    def species(self) -> frozenset[str]:
        """Accepted names of which there is at least one polygon."""
        return frozenset(polygon.species for polygon in self.polygons)

    @cached_property
    def _tree(self) -> shapely.STRtree:
        return shapely.STRtree([polygon.geometry for polygon in self.polygons])

    def covering(self, longitude: float, latitude: float) -> list[RangePolygon]:
        """The polygons that hold a place, edges included, in the order read."""
        sides = {longitude, -longitude} if abs(longitude) == 180 else {longitude}
        points = [shapely.Point(x, latitude) for x in sides]
        hits = np.unique(self._tree.query(points, "intersects")[1])
        here = [self.polygons[item] for item in hits.tolist()]
        return [polygon for polygon in here if self._speaks_at(polygon, longitude, latitude)]

    def _speaks_at(self, polygon: RangePolygon, longitude: float, latitude: float) -> bool:
        """Whether a polygon speaks of its species at a place; one under a name of several may not."""
        if not polygon.may_mean:
            return True
        x, y = np.array([longitude]), np.array([latitude])
        living = open_meanings(polygon.may_mean, x, y, self.checklist)[0]
        return bool(living[polygon.may_mean.index(polygon.species)])

    @cached_property
    def _edges(self) -> dict[str, tuple[list[RangePolygon], Edges]]:
        """Of each species, the polygons to measure to: where it lives, else where it may have."""
        found = {}
        for name in self.species:
            mine = [item for item in self.polygons if item.species == name and item.range_class != "outside"]
            mine = [item for item in mine if item.range_class in _PRESENT] or mine
            if mine:
                found[name] = mine, Edges([item.geometry for item in mine])
        return found

    def nearest(self, species: str, site: Site) -> tuple[float, RangePolygon] | tuple[None, None]:
        """Geodesic distance in km to the nearest edge of a species' polygons, and which it is."""
        polygons, edges = self._edges.get(species, ([], Edges([])))
        if not any(self._speaks_at(polygon, site.longitude, site.latitude) for polygon in polygons):
            return None, None
        km, position = edges.nearest(site.longitude, site.latitude)
        return km, polygons[position]

    def polygons_near(self, site: Site, km: float | None = None) -> list[dict[str, Any]]:
        """GeoJSON features of the polygons near a site, cut to its surroundings and thinned.

        Parameters
        ----------
        site : Site
        km : float, optional
            How far around; five times the radius by default.
        """
        reach = 5 * site.radius_km if km is None else km
        boxes = covering_box(site.longitude, site.latitude, reach)
        window = shapely.union_all([shapely.box(*box) for box in boxes])
        features = []
        for item in sorted(self._tree.query(window, "intersects").tolist()):
            polygon = self.polygons[item]
            thin = shapely.simplify(shapely.intersection(polygon.geometry, window), reach / 111 / 1000)
            parts = [
                part for part in shapely.get_parts(thin) if part.geom_type == "Polygon" and part.area > 0
            ]
            if parts:
                shape = shapely.transform(shapely.MultiPolygon(parts), lambda xy: np.round(xy, 6))
                about = {
                    "scientificName": polygon.species,
                    "rangeClass": polygon.range_class,
                    "establishmentMeans": polygon.means,
                    "words": polygon.statement,
                }
                drawn = json.loads(shapely.to_geojson(shape))
                features.append({"type": "Feature", "properties": about, "geometry": drawn})
        return features


def status_at(range_map: RangeMap | None, site: Site, species: Sequence[str]) -> list[dict[str, Any]]:
    """What the range polygons say of each species at a site.

    Parameters
    ----------
    range_map : RangeMap or None
        None when no range polygons are given: every species is then `no_map`.
    site : Site
        Only its point is looked at.
    species : sequence of str
        Accepted names.

    Returns
    -------
    list of dict
        Rows of STATUS, one per species, in the order given.
    """
    covering: dict[str, list[RangePolygon]] = {}
    if range_map is not None and range_map.polygons:
        for polygon in range_map.covering(site.longitude, site.latitude):
            covering.setdefault(polygon.species, []).append(polygon)
    return [_status(range_map, site, name, covering.get(name, [])) for name in species]


def _status(
    range_map: RangeMap | None, site: Site, name: str, covering: Sequence[RangePolygon]
) -> dict[str, Any]:
    row = dict.fromkeys(STATUS.names) | {"scientificName": name, "polygonsDisagree": False}
    if range_map is None or name not in range_map.species:
        return row | {"rangeClass": "no_map", "words": words.range_status(None)}
    holding = [polygon for polygon in covering if polygon.range_class != "outside"]
    if holding:
        holding.sort(key=lambda polygon: (STRENGTH.index(polygon.range_class), polygon.means is None))
        differ = {side(polygon.means) for polygon in holding} >= {"native", "introduced"}
        said = list(dict.fromkeys(polygon.statement for polygon in holding))
        return row | {
            "rangeClass": holding[0].range_class,
            "establishmentMeans": holding[0].means,
            "rangeKm": 0.0,
            "words": words.range_status(said, differ=differ),
            "polygonsDisagree": differ,
        }
    km, polygon = range_map.nearest(name, site)
    expected = covering[0].statement if covering else None
    said = [] if polygon is None else [polygon.statement]
    return row | {
        "rangeClass": "outside",
        "rangeKm": km,
        "words": words.range_status(said, km=km, outside=True, expected=expected),
    }
