"""The state, province or country that a point lies in, from the outlines that come with the package.

US states are those of the Census Bureau's cartographic boundaries; Canadian provinces and countries are
those of Natural Earth, 1:50 million.  Both are in the public domain; `demo/make_regions.py` makes the file.
Codes are those of ISO 3166: ``US-MO``, ``CA-ON``, ``DE``.  Outlines are thinned to about a kilometre.
"""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any, NamedTuple

import numpy as np
import pyarrow.parquet as pq
import shapely
from numpy.typing import ArrayLike, NDArray

SHORE_DEGREES = 0.3
"""A point on the water is taken to lie in the region whose shore is within this; farther out in none."""


class _Outlines(NamedTuple):
    codes: list[str]
    names: dict[str, str]
    shapes: NDArray[np.object_]
    tree: Any


@cache
def _outlines() -> _Outlines:
    place = resources.files("poolbuilder.places") / "regions.parquet"
    with place.open("rb") as stream, pq.ParquetFile(stream) as file:
        columns = file.read().to_pydict()
    shapes = shapely.from_wkb(np.array(columns["geometry"], dtype=object))
    shapely.prepare(shapes)
    names = dict(zip(columns["code"], columns["name"], strict=True))
    return _Outlines(columns["code"], names, shapes, shapely.STRtree(shapes))


def region_name(code: str) -> str:
    """The English name of a region, or its code where it has none here."""
    return _outlines().names.get(code, code)


def region_codes() -> list[str]:
    """Codes of all regions, in alphabetical order."""
    return list(_outlines().codes)


def region_outline(code: str) -> Any:
    """The outline of a region, longitude and latitude on WGS84."""
    outlines = _outlines()
    return outlines.shapes[outlines.codes.index(code)]


def regions_in(box: tuple[float, float, float, float]) -> list[tuple[str, Any]]:
    """Codes and outlines of the regions that meet a box of longitude and latitude."""
    outlines = _outlines()
    rows = sorted(outlines.tree.query(shapely.box(*box), "intersects").tolist())
    return [(outlines.codes[row], outlines.shapes[row]) for row in rows]


def regions_at(longitude: ArrayLike, latitude: ArrayLike) -> NDArray[np.object_]:
    """The region that each point lies in.

    Parameters
    ----------
    longitude, latitude : (n,) array_like
        Degrees.

    Returns
    -------
    (n,) array of str
        ``US-MO``, ``CA-ON``, ``DE``; empty where there is none, or no point.

    Examples
    --------
    >>> regions_at([-91.2, 11.5, 0.0], [36.9, 48.1, 0.0]).tolist()
    ['US-MO', 'DE', '']
    """
    given = np.atleast_1d(np.asarray(longitude, float)) + 1j * np.atleast_1d(np.asarray(latitude, float))
    places, which = np.unique(given, return_inverse=True)  # records share places
    return _regions_of(places.real, places.imag)[which]


def _regions_of(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.object_]:
    outlines = _outlines()
    found = np.full(len(x), "", dtype=object)
    point, shape = outlines.tree.query(shapely.points(x, y))
    for row in np.unique(shape).tolist():  # by code: where outlines overlap, the first holds the point
        near = point[shape == row]
        near = near[found[near] == ""]
        found[near[shapely.contains_xy(outlines.shapes[row], x[near], y[near])]] = outlines.codes[row]
    adrift = np.flatnonzero((found == "") & np.isfinite(x) & np.isfinite(y))
    if len(adrift):
        points = shapely.points(x[adrift], y[adrift])
        rows, nearest = outlines.tree.query_nearest(points, max_distance=SHORE_DEGREES, all_matches=False)
        found[adrift[rows]] = np.array(outlines.codes, dtype=object)[nearest]
    return found
