"""Range polygons: what they say of a species at a place, and how far away they begin.

A polygon is read as a statement with its source, never as presence: what it is worth is for
the model's leaks to say.  Several polygons may hold one place and disagree; the strongest
statement decides and the disagreement is said.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pyarrow as pa
import shapely

from poolbuilder import columns
from poolbuilder.checklist import Checklist
from poolbuilder.edges import Edges
from poolbuilder.geodesy import covering_box
from poolbuilder.layers import Layer, read_layer
from poolbuilder.names import read_name
from poolbuilder.range_codes import RANGE_CLASSES, STRENGTH, polygon_class
from poolbuilder.range_polygons import Accept, RangePolygon, citations, read_polygons, settle_names
from poolbuilder.schemas import STATUS, check
from poolbuilder.site import Site

__all__ = ["RANGE_CLASSES", "RangeMap", "RangePolygon", "polygon_class", "polygons_disagree", "status_at"]


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
    """

    polygons: tuple[RangePolygon, ...]
    sources: tuple[dict[str, Any], ...] = ()
    notes: tuple[str, ...] = ()

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

        return cls.of_layers(layers, accept=accept)

    @classmethod
    def of_layers(cls, layers: Sequence[Layer], *, accept: Accept) -> RangeMap:
        """Make a map of layers that are read already.

        Parameters
        ----------
        layers : sequence of Layer
        accept : callable
            From a name as given to the accepted names that it may mean; empty when it is not
            on the checklist.
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
        return [self.polygons[item] for item in sorted(found)]

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
    names = ("rangeClass", "establishmentMeans", "rangeKm", "words")
    values = {name: [row[i] for row in rows] for i, name in enumerate(names)}
    return check(columns.table(STATUS, {"scientificName": list(species), **values}), STATUS, "status")


def _status(
    range_map: RangeMap | None, site: Site, name: str, covering: list[RangePolygon]
) -> tuple[str, str | None, float | None, str]:
    if range_map is None or name not in range_map.species:
        return "no_map", None, None, "no range polygon given"
    holding = sorted(
        (polygon for polygon in covering if polygon.range_class != "outside"),
        key=lambda polygon: STRENGTH.index(polygon.range_class),
    )
    if holding:
        first = next(
            (item for item in holding if item.means and item.range_class == holding[0].range_class),
            holding[0],
        )
        return first.range_class, first.means, 0.0, _inside_words(first, holding)
    found = range_map.nearest(name, site.longitude, site.latitude)
    expected = f"; inside a polygon: {covering[0].statement}" if covering else ""
    if found is None:
        return "outside", None, None, f"no polygon of presence{expected}"
    km, polygon = found
    return "outside", None, km, f"{_km(km)} outside the nearest polygon ({polygon.statement}){expected}"


def _km(km: float) -> str:
    return f"{km:.0f} km" if km >= 100 else f"{km:.1f} km"


def _inside_words(first: RangePolygon, holding: Sequence[RangePolygon]) -> str:
    words = f"inside a polygon: {first.statement}"
    others = list(
        dict.fromkeys(polygon.statement for polygon in holding if polygon.statement != first.statement)
    )
    if others:
        words += f"; also inside: {'; '.join(others)}"
    sides = {_SIDE[polygon.means] for polygon in holding if polygon.means in _SIDE}
    if len(sides) > 1:
        words += f"; {_DISAGREE}"
    return words


_DISAGREE = "the polygons disagree on native or introduced"


def polygons_disagree(words: str) -> bool:
    """Whether a STATUS row's words say that polygons at the place contradict each other."""
    return words.endswith(_DISAGREE)


_SIDE = {
    "native": "native",
    "nativeReintroduced": "native",
    "nativeEndemic": "native",
    "introduced": "introduced",
    "introducedAssistedColonisation": "introduced",
}
