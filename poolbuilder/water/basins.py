"""Watersheds: which one a record lies in, and how that one stands to the site's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.errors import LayerError
from poolbuilder.places.layers import Layer
from poolbuilder.places.sites import Site
from poolbuilder.water.outline import find_column, holders, names_of, text_of

__all__ = ["RELATIONS", "Basins", "find_basins"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

RELATIONS = ("same", "upstream", "downstream", "neighbouring", "other")

CODE_COLUMNS = (
    "huc16", "huc14", "huc12", "huc10", "huc8", "huc6", "huc4", "huc2", "huc", "hydroid",
    "hybas_id", "pfaf_id", "basin_code", "basin_id", "catchment_id", "code", "id",
)  # fmt: skip
DOWN_COLUMNS = (
    "hu_12_ds",
    "tohuc",
    "hu_10_ds",
    "hu_14_ds",
    "hu_8_ds",
    "next_down",
    "nextdownid",
    "downstream",
    "to_code",
)
PFAFSTETTER_COLUMNS = ("pfaf_id", "pfafstetter", "pfaf_code")
GAP_DEGREES = 1e-6
"""Borders this close (0.1 m) are shared; layers are rarely drawn to the last digit."""


@dataclass(frozen=True, kw_only=True)
class Basins:
    """Watersheds around a site.

    Attributes
    ----------
    geometry : object array of polygons
        Longitude and latitude.
    codes, names : list of str or None
    relation : list of str
        How each polygon stands to the site's; see `RELATIONS`.
    home : int or None
        The smallest polygon that holds the site; None when none does.
    """

    geometry: NDArray[np.object_]
    codes: list[str | None]
    names: list[str | None]
    relation: list[str | None]
    home: int | None
    _tree: Any = field(repr=False)
    _size: Floats = field(repr=False)

    def containing(self, longitude: Floats, latitude: Floats) -> Ints:
        """The smallest polygon that holds each point; -1 where none does."""
        return _smallest(self._tree, self._size, longitude, latitude)

    def relations(self, longitude: Floats, latitude: Floats) -> list[str | None]:
        """How the watershed of each point stands to the site's; None outside every polygon."""
        found = self.containing(longitude, latitude)
        return [None if home < 0 else self.relation[home] for home in found.tolist()]


def find_basins(layer: Layer, site: Site) -> tuple[Basins, list[str]]:
    """Sort the watersheds of a layer by how they stand to the site's.

    Parameters
    ----------
    layer : Layer
        Polygons, of one level or of several nested ones.

    Returns
    -------
    Basins
    list of str
        By what upstream and downstream were told, and what could not be.

    Raises
    ------
    LayerError
        When the layer holds no polygon.

    Notes
    -----
    `same` is the same polygon (the smallest one, when polygons nest).  Upstream and downstream
    follow the column that names the next watershed down; without one, Pfafstetter codes tell them
    (Verdin & Verdin 1999, Journal of Hydrology 218:1-12, doi 10.1016/S0022-1694(99)00011-6; from
    memory).  `neighbouring` shares a border, or the next larger watershed, with the site's.
    """
    flat = np.flatnonzero(shapely.get_dimensions(layer.geometry) == 2)
    if len(flat) == 0:
        found = "is empty" if layer.rows == 0 else "holds no polygons"
        raise LayerError(found, file=layer.source.get("path"), remedy="give watersheds as polygons")
    geometry = layer.geometry[flat]
    attributes = {name: [values[row] for row in flat] for name, values in layer.attributes.items()}
    code_column = _code_column(attributes)
    codes: list[str | None] = [None] * len(flat)
    if code_column is not None:
        codes = [text_of(code) for code in attributes[code_column]]
    tree, size = shapely.STRtree(geometry), np.asarray(shapely.area(geometry))
    home = int(_smallest(tree, size, np.array([site.longitude]), np.array([site.latitude]))[0])
    names = names_of(attributes, len(flat), beside=code_column)
    if home < 0:
        notes = [
            "the site lies in no watershed of the layer: how records stand to it by watershed is unknown"
        ]
        relation: list[str | None] = [None] * len(flat)
        return _basins(geometry, codes, names, relation, None, tree, size), notes
    down_column = find_column(attributes, DOWN_COLUMNS)
    relation, how = _relate(geometry, codes, attributes, home, code_column, down_column)
    label = " ".join(text for text in (names[home], codes[home] and f"({codes[home]})") if text)
    notes = [f"the site lies in the watershed {label or f'of feature {flat[home] + 1}'}; {how}"]
    return _basins(geometry, codes, names, relation, home, tree, size), notes


def _basins(
    geometry: NDArray[np.object_],
    codes: list[str | None],
    names: list[str | None],
    relation: list[str | None],
    home: int | None,
    tree: Any,
    size: Floats,
) -> Basins:
    return Basins(
        geometry=geometry, codes=codes, names=names, relation=relation, home=home, _tree=tree, _size=size
    )


def _code_column(attributes: Mapping[str, list[Any]]) -> str | None:
    """The column of codes: the longest codes of a kind, and never the same code twice."""
    for wanted in CODE_COLUMNS:
        column = find_column(attributes, [wanted])
        if column is not None:
            codes = [text_of(value) for value in attributes[column]]
            given = [code for code in codes if code is not None]
            if given and len(set(given)) == len(given):
                return column
    return None


def _smallest(tree: Any, size: Floats, longitude: Floats, latitude: Floats) -> Ints:
    out = np.full(len(longitude), -1, dtype=np.int64)
    known = np.flatnonzero(np.isfinite(longitude) & np.isfinite(latitude))
    who, polygon = holders(tree, shapely.points(longitude[known], latitude[known]))
    order = np.lexsort([polygon, -size[polygon], who])  # the smallest comes last and stays
    out[known[who[order]]] = polygon[order]
    return out


def _relate(
    geometry: NDArray[np.object_],
    codes: list[str | None],
    attributes: Mapping[str, list[Any]],
    home: int,
    code_column: str | None,
    down_column: str | None,
) -> tuple[list[str | None], str]:
    count = len(geometry)
    near = _bordering(geometry, home) | _same_parent(geometry, codes, home, code_column)
    relation: list[str | None] = ["neighbouring" if near[k] else "other" for k in range(count)]
    if down_column is not None and code_column is not None:
        up, down = _by_pointers(codes, [text_of(code) for code in attributes[down_column]], home)
        how = f"upstream and downstream follow the column {down_column}"
    elif code_column is not None and find_column(attributes, PFAFSTETTER_COLUMNS) == code_column:
        up, down = _by_pfafstetter(codes, home)
        how = "upstream and downstream follow from the Pfafstetter codes"
    else:
        up, down = set(), set()
        how = "no column names the next watershed down, so upstream and downstream are not told apart"
    for k in up:
        relation[k] = "upstream"
    for k in down:
        relation[k] = "downstream"
    for k in _within(geometry, home):  # parts of the site's own watershed that no smaller polygon divides
        relation[k] = "same"
    relation[home] = "same"
    return relation, how


def _bordering(geometry: NDArray[np.object_], home: int) -> NDArray[np.bool_]:
    return np.asarray(shapely.dwithin(geometry, geometry[home], GAP_DEGREES), dtype=bool)


def _within(geometry: NDArray[np.object_], home: int) -> list[int]:
    """Polygons that hold the site's: where nothing smaller divides them, no more is known."""
    middle = shapely.point_on_surface(geometry[home])
    return [] if middle is None else np.flatnonzero(shapely.contains(geometry, middle)).tolist()


def _same_parent(
    geometry: NDArray[np.object_], codes: list[str | None], home: int, code_column: str | None
) -> NDArray[np.bool_]:
    """Which polygons share the next larger watershed: by the code without its last two digits, or drawn."""
    out = np.zeros(len(geometry), dtype=bool)
    code = codes[home]
    if code is not None and code.isdigit() and len(code) > 2 and code_column and "huc" in code_column.lower():
        parent = code[:-2]
        out |= np.array([other is not None and other.startswith(parent) for other in codes])
    size = shapely.area(geometry)
    middle = shapely.point_on_surface(geometry[home])
    holders = [k for k in np.flatnonzero(shapely.contains(geometry, middle)).tolist() if size[k] > size[home]]
    if holders:
        parent_polygon = geometry[min(holders, key=lambda k: float(size[k]))]
        out |= np.asarray(shapely.contains(parent_polygon, shapely.point_on_surface(geometry)), dtype=bool)
    return out


def _by_pointers(codes: list[str | None], below: list[str | None], home: int) -> tuple[set[int], set[int]]:
    """Follow the pointers down from every watershed, and from the site's; loops end where they close."""
    place = {code: k for k, code in enumerate(codes) if code is not None}
    following = [place.get(code, -1) if code is not None else -1 for code in below]
    feeding: dict[int, list[int]] = {}
    for k, lower in enumerate(following):
        feeding.setdefault(lower, []).append(k)
    down: set[int] = set()
    here = following[home]
    while here >= 0 and here != home and here not in down:
        down.add(here)
        here = following[here]
    up: set[int] = set()
    todo = [home]
    while todo:
        new = [k for k in feeding.get(todo.pop(), []) if k not in up and k not in down and k != home]
        up.update(new)
        todo += new
    return up, down


def _by_pfafstetter(codes: list[str | None], home: int) -> tuple[set[int], set[int]]:
    own = codes[home] or ""
    down = {k for k, code in enumerate(codes) if code and k != home and _is_below(code, own)}
    up = {k for k, code in enumerate(codes) if code and k != home and _is_below(own, code)}
    return up, down


def _is_below(code: str, other: str) -> bool:
    """Whether a watershed takes the water of another, by Pfafstetter codes of one length.

    After the digits that both share, the lower one must have only odd digits (0 is closed) and
    begin with a smaller one: it then lies on the main stem below the other's mouth.
    """
    if not (code.isdigit() and other.isdigit()) or len(code) != len(other) or code == other:
        return False
    shared = next(k for k in range(len(code)) if code[k] != other[k])
    rest = code[shared:]
    return all(int(digit) % 2 == 1 for digit in rest) and rest[0] < other[shared]
