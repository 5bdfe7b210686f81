"""What the codes on a range polygon say: presence, origin and season.

The integer codes are those of the IUCN Red List's Mapping and Distribution Data Attribute
Standards, version 1.20 (January 2024); code 2 of presence is discontinued there and still
met with.  Polygons with Darwin Core establishmentMeans instead of codes are read too.

The edges of polygons, ready for exact distances from many places.

Range polygons as a layer gives them: species, statement and shape.

Columns are recognised under the names that Darwin Core and published range maps use, in any
case; status comes from establishmentMeans or from the published integer codes.

Range polygons: what they say of a species at a place, and how far away they begin.

A polygon is read as a statement with its source, never as presence: what it is worth is for
the model's leaks to say.  Several polygons may hold one place and disagree; the strongest
statement decides and the disagreement is said.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import LayerError
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.meanings import open_meanings
from poolbuilder.names.reader import read_name
from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS, fold, read_term
from poolbuilder.places.geodesy import covering_box, distance_km, to_ecef
from poolbuilder.places.layers import Layer, counted, read_layer
from poolbuilder.places.sites import Site
from poolbuilder.schemas import STATUS, check

RANGE_CLASSES: dict[str, str] = {
    "extant": "inside a polygon in which the species is extant, not as an introduction",
    "probably_extant": "inside a polygon of the discontinued code probably extant",
    "possibly_extant": "inside a polygon in which the species is possibly extant",
    "possibly_extinct": "inside a polygon in which the species is possibly extinct",
    "extinct": "inside a polygon in which the species is extinct",
    "uncertain": "inside a polygon in which presence is uncertain",
    "introduced": "inside a polygon in which the species is extant or probably extant as an introduction",
    "vagrant": "inside a polygon of vagrants",
    "outside": "the species has polygons, and none in which it is or was present holds the place",
    "no_map": "no polygon of the species is given",
}
"""Key of each range class, and what it means."""

STRENGTH = (
    "extant",
    "introduced",
    "probably_extant",
    "possibly_extant",
    "uncertain",
    "possibly_extinct",
    "vagrant",
    "extinct",
    "outside",
)
"""Where several polygons hold the place, the first of these decides."""

PRESENCE = {
    1: "extant",
    2: "probably extant",
    3: "possibly extant",
    4: "possibly extinct",
    5: "extinct",
    6: "presence uncertain",
    7: "expected additional range",
}
ORIGIN = {
    1: "native",
    2: "reintroduced",
    3: "introduced",
    4: "vagrant",
    5: "origin uncertain",
    6: "assisted colonisation",
}
SEASONAL = {
    1: "resident",
    2: "breeding season",
    3: "non-breeding season",
    4: "passage",
    5: "seasonal occurrence uncertain",
}

_MEANS = {
    1: "native",
    2: "nativeReintroduced",
    3: "introduced",
    4: "vagrant",
    5: "uncertain",
    6: "introducedAssistedColonisation",
}
_ORIGIN_OF_MEANS = {means: code for code, means in _MEANS.items()} | {"nativeEndemic": 1}
_BY_PRESENCE = {
    3: "possibly_extant",
    4: "possibly_extinct",
    5: "extinct",
    6: "uncertain",
    7: "outside",
}
_OTHER_WORDS = {"extinctpost1500": 5, "present": 1, "uncertain": 6}


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
        Key of `RANGE_CLASSES`.
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
    words = ", ".join(
        label
        for label in (
            PRESENCE.get(presence or 1) if presence else "range as drawn",
            ORIGIN.get(origin) if origin else None,
            SEASONAL.get(seasonal) if seasonal else None,
        )
        if label
    )
    if presence == 7:
        return "outside", None, words
    return _class(presence or 1, origin), _MEANS.get(origin) if origin else None, words


def _class(presence: int, origin: int | None) -> str:
    """Presence decides where it is doubtful; origin where the species is there."""
    if origin == 4 and presence <= 3:
        return "vagrant"
    if presence in _BY_PRESENCE:
        return _BY_PRESENCE[presence]
    if origin in {3, 6}:
        return "introduced"
    return "extant" if presence == 1 else "probably_extant"


def read_code(value: Any, labels: dict[int, str]) -> tuple[int | None, bool]:
    """A code as a file gives it: a number, a number as text, the code's label or a Darwin Core term.

    Returns
    -------
    code : int or None
    understood : bool
        False for a value that is none of these; an empty value is understood as None.

    Examples
    --------
    >>> read_code("1", PRESENCE), read_code("Possibly Extinct", PRESENCE), read_code(9, PRESENCE)
    ((1, True), (4, True), (None, False))
    """
    if value is None or (isinstance(value, float) and value != value) or str(value).strip() == "":
        return None, True
    try:
        number = float(value)
    except (TypeError, ValueError):
        return _read_label(str(value), labels)
    return (int(number), True) if number in labels else (None, False)


def _read_label(text: str, labels: dict[int, str]) -> tuple[int | None, bool]:
    wanted = fold(text)
    for code, label in labels.items():
        if wanted == fold(label):
            return code, True
    if labels is ORIGIN:
        term = read_term(text, ESTABLISHMENT_MEANS)
        return (_ORIGIN_OF_MEANS[term], True) if term else (None, False)
    if labels is PRESENCE and wanted in _OTHER_WORDS:
        return _OTHER_WORDS[wanted], True
    return None, False


Floats = NDArray[np.float64]

LONGEST_DEGREES = 0.2
"""Edges are cut to at most this length in degrees, so that each is nearly straight in space."""
NEARBY_M = 2000.0
"""Pieces whose chord is within this of the nearest one's are measured on the ellipsoid."""


class Edges:
    """Segments of the rings of polygons.

    An edge between two vertices is the straight line in longitude and latitude, as RFC 7946,
    section 3.1.1, and GeoParquet (`planar` edges) have it.

    Parameters
    ----------
    geometry : sequence of shapely Polygon or MultiPolygon
        Longitude and latitude on WGS84, within ±180°.
    """

    def __init__(self, geometry: Sequence[Any]) -> None:
        parts, owner = shapely.get_parts(np.asarray(geometry, dtype=object), return_index=True)
        rings, ring_part = shapely.get_rings(parts, return_index=True)
        cut = shapely.segmentize(rings, LONGEST_DEGREES)
        xy, ring = shapely.get_coordinates(cut, return_index=True)
        within = np.flatnonzero(ring[1:] == ring[:-1])
        self._start, self._end = xy[within], xy[within + 1]
        self._owner = owner[ring_part[ring[within]]]
        self._start_ecef = to_ecef(self._start[:, 0], self._start[:, 1])
        self._end_ecef = to_ecef(self._end[:, 0], self._end[:, 1])

    def __len__(self) -> int:
        return len(self._start)

    def nearest(self, longitude: float, latitude: float) -> tuple[float, int]:
        """Distance to the nearest edge, and the polygon that it belongs to.

        Returns
        -------
        km : float
            Geodesic, within 5 m; NaN when there are no edges.
        polygon : int
            Position in the sequence given; -1 when there are no edges.

        Notes
        -----
        The place is projected on to each piece's chord in space, and the point of the piece at the
        same share of its length is measured on the ellipsoid, for the pieces that come nearest.
        """
        if len(self) == 0:
            return float("nan"), -1
        place = to_ecef(longitude, latitude)
        along = self._end_ecef - self._start_ecef
        square = np.maximum(np.einsum("ij,ij->i", along, along), 1e-9)
        share = np.clip(np.einsum("ij,ij->i", place - self._start_ecef, along) / square, 0.0, 1.0)[:, None]
        away = np.linalg.norm(self._start_ecef + share * along - place, axis=1)
        chosen = np.flatnonzero(away <= away.min() + NEARBY_M)
        feet = self._start[chosen] + share[chosen] * (self._end[chosen] - self._start[chosen])
        km = distance_km(feet[:, 0], feet[:, 1], from_longitude=longitude, from_latitude=latitude)
        winner = int(np.argmin(km))
        return float(km[winner]), int(self._owner[chosen[winner]])


SPECIES_COLUMNS = (
    "scientificname",
    "acceptedscientificname",
    "acceptednameusage",
    "binomial",
    "sciname",
    "species",
    "speciesname",
    "latinname",
    "taxon",
    "taxonname",
    "scientific",
)
PRESENCE_COLUMNS = ("presence", "presencecode", "presenceco", "presenc")
ORIGIN_COLUMNS = (
    "establishmentmeans",
    "establishm",
    "establishment",
    "origin",
    "origincode",
    "origincod",
    "nativestatus",
)
SEASONAL_COLUMNS = ("seasonal", "seasonalcode", "seasonalco", "season")
CITATION_COLUMNS = ("citation", "bibliographiccitation", "source")

Accept = Callable[[str], Sequence[str]]
"""From a name as given to the accepted names that it may mean; none when it is not on the checklist."""


@dataclass(frozen=True, kw_only=True)
class RangePolygon:
    """One polygon of one species, with what it says.

    Attributes
    ----------
    species : str
        Accepted name.
    geometry : shapely Polygon or MultiPolygon
    range_class, means, words
        As `polygon_class` gives them.
    file : str
        Where it was read.
    number : int
        Feature in that file, counted from 1.
    given : str
        Name in the file.
    may_mean : tuple of str
        Accepted names that the name given may mean, when there are several.
    """

    species: str
    geometry: Any
    range_class: str
    means: str | None
    words: str
    file: str
    number: int
    given: str
    may_mean: tuple[str, ...] = ()

    @property
    def statement(self) -> str:
        """The polygon's words, with the doubt about its name."""
        doubt = f", of {self.given}, which may mean {' or '.join(self.may_mean)}" if self.may_mean else ""
        return self.words + doubt


def settle_names(polygons: Sequence[RangePolygon]) -> list[RangePolygon]:
    """Polygons of a name with several meanings, kept only for species without a map of their own.

    Where every other meaning has its own polygons, the name is taken at its word.
    """
    own = {polygon.species for polygon in polygons if not polygon.may_mean}
    kept = []
    for polygon in polygons:
        others = set(polygon.may_mean) - {polygon.given}
        if polygon.species == polygon.given and others <= own:
            kept.append(replace(polygon, may_mean=()))
        elif not polygon.may_mean or polygon.species == polygon.given or polygon.species not in own:
            kept.append(polygon)
    return kept


def _column(layer: Layer, names: Sequence[str]) -> str | None:
    """The layer's column that answers to the first of the names it has."""
    folded = {fold(column): column for column in reversed(list(layer.attributes))}
    return next((folded[name] for name in names if name in folded), None)


def _species_names(layer: Layer) -> list[Any]:
    column = _column(layer, SPECIES_COLUMNS)
    if column is None:
        raise LayerError(
            f"no column of species names among {', '.join(layer.attributes) or 'none'}",
            file=layer.source["path"],
            remedy="name it scientificName, binomial or sci_name",
        )
    names = layer.attributes[column]
    genus = _column(layer, ("genus",))
    if genus is None or any(name and " " in str(name).strip() for name in names):
        return names
    return [
        f"{first} {name}" if first and name else None
        for first, name in zip(layer.attributes[genus], names, strict=True)
    ]


def citations(layer: Layer) -> list[str]:
    """The distinct citations that a layer's features carry, in alphabetical order."""
    column = _column(layer, CITATION_COLUMNS)
    return sorted({str(value).strip() for value in layer.attributes[column] if value}) if column else []


def _codes(layer: Layer, names: Sequence[str], labels: dict[int, str], notes: list[str]) -> list[int | None]:
    column = _column(layer, names)
    if column is None:
        return [None] * layer.rows
    read = [read_code(value, labels) for value in layer.attributes[column]]
    strange = Counter(
        str(value) for value, (_, known) in zip(layer.attributes[column], read, strict=True) if not known
    )
    notes += [
        f"{column} {value!r} of {counted(count, 'polygon')} is no published code or term: not used"
        for value, count in sorted(strange.items())
    ]
    return [code for code, _ in read]


def read_polygons(layer: Layer, accept: Accept) -> tuple[list[RangePolygon], list[str]]:
    """Polygons of the layer by species, and what was left aside or assumed."""
    notes: list[str] = []
    names = _species_names(layer)
    presence = _codes(layer, PRESENCE_COLUMNS, PRESENCE, notes)
    origin = _codes(layer, ORIGIN_COLUMNS, ORIGIN, notes)
    seasonal = _codes(layer, SEASONAL_COLUMNS, SEASONAL, notes)
    readings = {name: tuple(accept(str(name))) for name in dict.fromkeys(names) if name and str(name).strip()}
    flat = shapely.get_dimensions(layer.geometry) == 2
    out = []
    for row, name in enumerate(names):
        range_class, means, words = polygon_class(presence[row], origin[row], seasonal[row])
        accepted = readings.get(name, ()) if flat[row] else ()
        for species in accepted:
            out.append(
                RangePolygon(
                    species=species,
                    geometry=layer.geometry[row],
                    range_class=range_class,
                    means=means,
                    words=words,
                    file=layer.source["path"],
                    number=int(layer.numbers[row]),
                    given=str(name).strip(),
                    may_mean=accepted if len(accepted) > 1 else (),
                )
            )
    notes += _left_aside(layer, names, readings, flat)
    if out and not any(polygon.means for polygon in out):
        notes.append("no polygon says whether the species is native: status by range stays unknown")
    return out, notes


def _left_aside(
    layer: Layer, names: Sequence[Any], readings: dict[Any, tuple[str, ...]], flat: NDArray[np.bool_]
) -> list[str]:
    unnamed = sum(name not in readings for name in names)
    unknown = [name for name in names if name in readings and not readings[name]]
    notes = []
    if unnamed:
        notes.append(f"{counted(unnamed, 'polygon')} without a species name left aside")
    if unknown:
        few = ", ".join(sorted({str(name) for name in unknown})[:3])
        notes.append(
            f"{counted(len(unknown), 'polygon')} left aside: {counted(len(set(unknown)), 'name')} "
            f"not on the checklist, such as {few}"
        )
    if not flat.all():
        notes.append(f"{counted(int((~flat).sum()), 'line or point', 'lines and points')} left aside")
    renamed = sorted(
        f"{name} read as {' or '.join(accepted)}"
        for name, accepted in readings.items()
        if accepted and str(name).strip() not in accepted
    )
    return notes + renamed


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
    checklist : Checklist, optional
        Says where each meaning of a name lives: a polygon under an old name speaks of a species only there.
    """

    polygons: tuple[RangePolygon, ...]
    sources: tuple[dict[str, Any], ...] = ()
    notes: tuple[str, ...] = ()
    checklist: Checklist | None = None

    @classmethod
    def read(cls, specs: Sequence[str], checklist: Checklist) -> RangeMap:
        """Read layers of range polygons, ``FILE`` or ``FILE:layer``.

        Raises
        ------
        LayerError
            When a layer cannot be used, or has no column of species names.
        """
        layers = [read_layer(spec, purpose="range polygons") for spec in specs]

        def accept(text: str) -> Sequence[str]:
            reading = read_name(text, checklist)
            return reading.accepted if reading.role == "candidate" else ()

        return cls.of_layers(layers, accept=accept, checklist=checklist)

    @classmethod
    def of_layers(
        cls, layers: Sequence[Layer], *, accept: Accept, checklist: Checklist | None = None
    ) -> RangeMap:
        """Make a map of layers that are read already.

        Parameters
        ----------
        layers : sequence of Layer
        accept : callable
            From a name as given to the accepted names that it may mean; empty when it is not
            on the checklist.
        checklist : Checklist, optional
        """
        polygons: list[RangePolygon] = []
        notes: list[str] = []
        for layer in layers:
            found, said = read_polygons(layer, accept)
            polygons += found
            notes += [f"{layer.source['path']}: {note}" for note in (*layer.notes, *said)]
        return cls(
            tuple(settle_names(polygons)),
            tuple({**layer.source, **_cited(layer)} for layer in layers),
            tuple(notes),
            checklist,
        )

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
        found: set[int] = set()
        for side in sides:
            found.update(int(item) for item in self._tree.query(shapely.Point(side, latitude), "intersects"))
        here = [self.polygons[item] for item in sorted(found)]
        return [polygon for polygon in here if self.speaks_at(polygon, longitude, latitude)]

    def speaks_at(self, polygon: RangePolygon, longitude: float, latitude: float) -> bool:
        """Whether a polygon speaks of its species at a place; one under a name of several may not."""
        if self.checklist is None or not polygon.may_mean:
            return True
        x, y = np.array([longitude]), np.array([latitude])
        living = open_meanings(polygon.may_mean, x, y, self.checklist)[0]
        return bool(living[polygon.may_mean.index(polygon.species)])

    @cached_property
    def _edges(self) -> dict[str, tuple[list[RangePolygon], Edges]]:
        """Of each species, the polygons to measure to: where it lives, else where it may have."""
        grouped: dict[str, list[RangePolygon]] = {}
        for polygon in self.polygons:
            if polygon.range_class != "outside":
                grouped.setdefault(polygon.species, []).append(polygon)
        for name, polygons in grouped.items():
            present = [polygon for polygon in polygons if polygon.range_class in _PRESENT]
            grouped[name] = present or polygons
        return {
            name: (polygons, Edges([polygon.geometry for polygon in polygons]))
            for name, polygons in grouped.items()
        }

    def nearest(self, species: str, longitude: float, latitude: float) -> tuple[float, RangePolygon] | None:
        """Geodesic distance in km to the nearest edge of a species' polygons, and which it is.

        Polygons in which the species lives or may live come first; only without any are those of
        the extinct, possibly extinct and vagrant looked at.  None without polygons.
        """
        if species not in self._edges:
            return None
        polygons, edges = self._edges[species]
        if not any(self.speaks_at(polygon, longitude, latitude) for polygon in polygons):
            return None
        km, position = edges.nearest(longitude, latitude)
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
        window = shapely.union_all(
            [shapely.box(*box) for box in covering_box(site.longitude, site.latitude, reach)]
        )
        tolerance = reach / 111 / 1000
        features = []
        for item in sorted(int(item) for item in self._tree.query(window, "intersects")):
            polygon = self.polygons[item]
            thin = shapely.simplify(shapely.intersection(polygon.geometry, window), tolerance)
            parts = [
                part for part in shapely.get_parts(thin) if part.geom_type == "Polygon" and part.area > 0
            ]
            if parts:
                shape = shapely.transform(shapely.MultiPolygon(parts), lambda xy: np.round(xy, 6))
                features.append(_feature(polygon, shape))
        return features


def _cited(layer: Layer) -> dict[str, list[str]]:
    found = citations(layer)
    return {"citations": found} if found else {}


_PRESENT = {"extant", "introduced", "probably_extant", "possibly_extant", "uncertain"}


def _feature(polygon: RangePolygon, shape: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {
            "scientificName": polygon.species,
            "rangeClass": polygon.range_class,
            "establishmentMeans": polygon.means,
            "words": polygon.statement,
        },
        "geometry": json.loads(shapely.to_geojson(shape)),
    }


# Status at a place


def status_at(range_map: RangeMap | None, site: Site, species: Sequence[str]) -> pa.Table:
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
    Table, schema STATUS
        One row per species, in the order given.
    """
    covering: dict[str, list[RangePolygon]] = {}
    if range_map is not None and range_map.polygons:
        for polygon in range_map.covering(site.longitude, site.latitude):
            covering.setdefault(polygon.species, []).append(polygon)
    rows = [_status(range_map, site, name, covering.get(name, [])) for name in species]
    names = ("rangeClass", "establishmentMeans", "rangeKm", "words", "polygonsDisagree")
    values = {name: [row[i] for row in rows] for i, name in enumerate(names)}
    return check(tables.table(STATUS, {"scientificName": list(species), **values}), STATUS, "status")


def _status(
    range_map: RangeMap | None, site: Site, name: str, covering: list[RangePolygon]
) -> tuple[str, str | None, float | None, str, bool]:
    if range_map is None or name not in range_map.species:
        return "no_map", None, None, "no range polygon given", False
    holding = sorted(
        (polygon for polygon in covering if polygon.range_class != "outside"),
        key=lambda polygon: STRENGTH.index(polygon.range_class),
    )
    if holding:
        first = next(
            (item for item in holding if item.means and item.range_class == holding[0].range_class),
            holding[0],
        )
        return first.range_class, first.means, 0.0, _inside_words(first, holding), _differ(holding)
    found = range_map.nearest(name, site.longitude, site.latitude)
    expected = f"; inside a polygon: {covering[0].statement}" if covering else ""
    if found is None:
        return "outside", None, None, f"no polygon of presence{expected}", False
    km, polygon = found
    words = f"{_km(km)} outside the nearest polygon ({polygon.statement}){expected}"
    return "outside", None, km, words, False


def _km(km: float) -> str:
    return f"{km:.0f} km" if km >= 100 else f"{km:.1f} km"


def _inside_words(first: RangePolygon, holding: Sequence[RangePolygon]) -> str:
    words = f"inside a polygon: {first.statement}"
    others = list(
        dict.fromkeys(polygon.statement for polygon in holding if polygon.statement != first.statement)
    )
    if others:
        words += f"; also inside: {'; '.join(others)}"
    return words + ("; the polygons disagree on native or introduced" if _differ(holding) else "")


def _differ(holding: Sequence[RangePolygon]) -> bool:
    return len({_SIDE[polygon.means] for polygon in holding if polygon.means in _SIDE}) > 1


_SIDE = {
    "native": "native",
    "nativeReintroduced": "native",
    "nativeEndemic": "native",
    "introduced": "introduced",
    "introducedAssistedColonisation": "introduced",
}
