"""Watersheds: which one a record lies in, and how that one stands to the site's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.errors import said
from poolbuilder.names.vocabularies import vocabulary
from poolbuilder.places.layers import Layer, find_column, names_of, text_of
from poolbuilder.places.sites import Site

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COLUMNS = vocabulary("basins")
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
    relation : list of str or None
        How each polygon stands to the site's: ``same``, ``upstream``, ``downstream``, ``neighbouring`` or
        ``other``; None when no polygon holds the site.
    home : int or None
        The smallest polygon that holds the site; None when none does.
    """

    geometry: NDArray[np.object_]
    codes: list[str | None]
    names: list[str | None]
    relation: list[str | None]
    home: int | None
    _tree: Any = field(repr=False)

    def relations(self, longitude: Floats, latitude: Floats) -> list[str | None]:
        """How the watershed of each point stands to the site's; None outside every polygon."""
        found = _smallest(self._tree, longitude, latitude)
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
    layer = layer.only("polygons", "watersheds")
    column = _code_column(layer.attributes)
    codes = list(map(text_of, layer.attributes[column] if column else [None] * layer.rows))
    home = int(_smallest(layer.tree, np.array([site.longitude]), np.array([site.latitude]))[0])
    names = names_of(layer.attributes, layer.rows, beside=column)
    relation: list[str | None] = [None] * layer.rows
    if home < 0:
        note = said("site_lies_no")
    else:
        relation, how = _relate(layer, codes, home, column)
        label = " ".join(text for text in (names[home], codes[home] and f"({codes[home]})") if text)
        note = said("site_lies_watershed", label=label or f"of feature {layer.numbers[home]}", how=how)
    basins = Basins(
        geometry=layer.geometry,
        codes=codes,
        names=names,
        relation=relation,
        home=None if home < 0 else home,
        _tree=layer.tree,
    )
    return basins, [note]


def _code_column(attributes: Mapping[str, list[Any]]) -> str | None:
    """The column of codes: the longest codes of a kind, and never the same code twice."""
    for wanted in COLUMNS["code"]:
        column = find_column(attributes, [wanted])
        if column is not None:
            given = [code for code in map(text_of, attributes[column]) if code is not None]
            if given and len(set(given)) == len(given):
                return column
    return None


def holders(tree: shapely.STRtree, points: Any) -> tuple[Ints, Ints]:
    """Which polygons of a tree hold which points: indices of points, indices of polygons.

    The polygons are prepared, which pays with thousands of points in few polygons.
    """
    who, polygon = tree.query(points)
    shapely.prepare(tree.geometries[np.unique(polygon)])
    hit = shapely.intersects(tree.geometries[polygon], points[who])
    return who[hit], polygon[hit]


def _smallest(tree: shapely.STRtree, longitude: Floats, latitude: Floats) -> Ints:
    """The smallest polygon that holds each point; -1 where none does."""
    out = np.full(len(longitude), -1, dtype=np.int64)
    known = np.flatnonzero(np.isfinite(longitude) & np.isfinite(latitude))
    who, polygon = holders(tree, shapely.points(longitude[known], latitude[known]))
    order = np.lexsort(
        [polygon, -shapely.area(tree.geometries[polygon]), who]
    )  # the smallest comes last and stays
    out[known[who[order]]] = polygon[order]
    return out


def _relate(
    layer: Layer, codes: list[str | None], home: int, column: str | None
) -> tuple[list[str | None], str]:
    geometry, down_column = layer.geometry, find_column(layer.attributes, COLUMNS["down"])
    holding = shapely.contains(geometry, shapely.point_on_surface(geometry[home]))
    near = shapely.dwithin(geometry, geometry[home], GAP_DEGREES)
    near |= _same_parent(geometry, codes, home, column, np.flatnonzero(holding))
    relation = np.where(near, "neighbouring", "other").astype(object)
    none: Ints = np.zeros(0, dtype=np.int64)
    if down_column is not None and column is not None:
        up, down = _by_pointers(codes, [text_of(code) for code in layer.attributes[down_column]], home)
        how = said("upstream_downstream_follow", down_column=down_column)
    elif column is not None and find_column(layer.attributes, COLUMNS["pfafstetter"]) == column:
        own = codes[home] or ""
        up = np.flatnonzero([_is_below(own, code or "") for code in codes])
        down = np.flatnonzero([_is_below(code or "", own) for code in codes])
        how = said("upstream_downstream_follow_pfafstetter")
    else:
        up, down = none, none
        how = said("no_column_names")
    relation[up], relation[down] = "upstream", "downstream"
    relation[holding] = "same"  # what holds the site's and no smaller polygon divides is one with it
    relation[home] = "same"
    return relation.tolist(), how


def _same_parent(
    geometry: NDArray[np.object_], codes: list[str | None], home: int, column: str | None, holding: Ints
) -> Bools:
    """Which polygons share the next larger watershed: by the code without its last two digits, or drawn."""
    out = np.zeros(len(geometry), dtype=bool)
    code = codes[home] or ""
    if code.isdigit() and len(code) > 2 and column and "huc" in column.lower():
        out |= np.array([other is not None and other.startswith(code[:-2]) for other in codes])
    size = shapely.area(geometry)
    larger = holding[size[holding] > size[home]]
    if len(larger):
        parent = geometry[larger[np.argmin(size[larger])]]
        out |= shapely.contains(parent, shapely.point_on_surface(geometry))
    return out


def _by_pointers(codes: list[str | None], below: list[str | None], home: int) -> tuple[Ints, Ints]:
    """Follow the pointers up and down from the site's; loops end where they close."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import breadth_first_order

    place = {code: k for k, code in enumerate(codes) if code is not None}
    steps = [(k, place[code]) for k, code in enumerate(below) if code in place]
    first, second = np.array(steps, dtype=np.int64).reshape(-1, 2).T
    graph = coo_array((np.ones(len(steps)), (first, second)), shape=(len(codes), len(codes))).tocsr()
    down, up = (
        breadth_first_order(way, home, return_predecessors=False)[1:] for way in (graph, graph.T.tocsr())
    )
    return np.setdiff1d(up, down), down


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
