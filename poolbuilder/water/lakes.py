"""Waters other than the one asked about: a record in one is on the network where that water is."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from poolbuilder.water.outline import holders
from poolbuilder.water.snapping import NOBODY, Candidates, Snapper, joined

__all__ = ["Lakes"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Lakes:
    """Outlines of waters, with the flow lines that touch each.

    A record in a wide lake may lie far from the flow line that is drawn through its middle.  It is
    put on the nearest one that touches the lake, and the straight way across is added.

    Parameters
    ----------
    outlines : object array of polygons
        Longitude and latitude.
    snapper : Snapper
    """

    def __init__(self, outlines: NDArray[np.object_], snapper: Snapper) -> None:
        self.outlines = outlines[shapely.get_dimensions(outlines) == 2]
        self._tree = shapely.STRtree(self.outlines)
        self._snapper = snapper
        self._touching: dict[int, Ints] = {}

    def candidates(self, rows: Ints, longitude: Floats, latitude: Floats) -> Candidates:
        """The nearest flow line of the lake that each record lies in.

        Parameters
        ----------
        rows : int array, (m,)
            Records to look at, as positions in *longitude* and *latitude*.
        """
        points = shapely.points(longitude[rows], latitude[rows])
        who, lake = holders(self._tree, points)
        found = [
            self._nearest(rows[who[lake == number]], int(number), longitude, latitude)
            for number in np.unique(lake).tolist()
        ]
        merged = joined(NOBODY, *found)
        order = np.lexsort([merged.edge, merged.off_m, merged.who])
        first = np.concatenate([[True], np.diff(merged.who[order]) > 0]) if len(order) else order
        keep = order[first.astype(bool)]
        return Candidates(
            who=merged.who[keep], edge=merged.edge[keep], at_m=merged.at_m[keep], off_m=merged.off_m[keep]
        )

    def _nearest(self, rows: Ints, lake: int, longitude: Floats, latitude: Floats) -> Candidates:
        edges = self._edges(lake)
        if len(edges) == 0:
            return NOBODY
        shapes: Any = self._snapper.shapes(edges)
        points = shapely.points(*self._snapper.plane.forward(longitude[rows], latitude[rows]))
        best = shapely.STRtree(shapes).query_nearest(points, all_matches=False)[1]
        part = shapely.line_locate_point(shapes[best], points, normalized=True)
        return Candidates(
            who=rows,
            edge=edges[best],
            at_m=part * self._snapper.network.length_m[edges[best]],
            off_m=shapely.distance(points, shapes[best]),
        )

    def _edges(self, lake: int) -> Ints:
        """Flow lines that touch a lake; looked up once."""
        if lake not in self._touching:
            outline = self.outlines[lake]
            edges = self._snapper.within(*shapely.get_coordinates(outline).T)
            flat = self._snapper.plane.project(outline)
            shapely.prepare(flat)
            self._touching[lake] = edges[shapely.intersects(flat, self._snapper.shapes(edges))]
        return self._touching[lake]
