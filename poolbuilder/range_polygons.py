"""Range polygons as a layer gives them: species, statement and shape.

Columns are recognised under the names that Darwin Core and published range maps use, in any
case; status comes from establishmentMeans or from the published integer codes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.errors import LayerError
from poolbuilder.layers import Layer, counted
from poolbuilder.range_codes import ORIGIN, PRESENCE, SEASONAL, polygon_class, read_code
from poolbuilder.vocabularies import fold

__all__ = ["Accept", "RangePolygon", "citations", "read_polygons", "settle_names"]

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
