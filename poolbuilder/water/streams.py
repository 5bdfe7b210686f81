"""The streams around one water: which records lie on them, and how far away by water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.places.layers import read_layer
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.water.barriers import Barriers, read_barriers
from poolbuilder.water.cache import load_network
from poolbuilder.water.lakes import Lakes
from poolbuilder.water.outline import Outline
from poolbuilder.water.routes import Routes, find_routes
from poolbuilder.water.snapping import (
    MAP_SIGMA_M,
    NOBODY,
    Candidates,
    Snapper,
    cover_of_outline,
    cover_of_site,
    joined,
    put_barriers,
)

__all__ = ["StreamPlaces", "Streams", "find_streams", "nearest_candidates"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SMALLEST_WEIGHT = 1e-300
"""A record in another lake may lie so far from its line that the density there is 0."""


@dataclass(frozen=True, kw_only=True)
class StreamPlaces:
    """Records on the network; see `Placement` for the arrays."""

    upstream_km: Floats
    downstream_km: Floats
    passability: Floats
    snap: list[str | None]
    snap_m: Floats
    snap_longitude: Floats
    snap_latitude: Floats


@dataclass(frozen=True, kw_only=True)
class Streams:
    """The network around a water, with the ways to it.

    Attributes
    ----------
    snapper : Snapper
    routes : Routes or None
        None when the water touches no flow line.
    barriers : Barriers or None
    settings : Settings
    lakes : Lakes or None
        Other waters; a record in one is on the network wherever that water touches it.
    """

    snapper: Snapper
    routes: Routes | None
    barriers: Barriers | None
    settings: Settings
    lakes: Lakes | None = None

    def place(
        self,
        longitude: Floats,
        latitude: Floats,
        uncertainty_m: Floats,
        sigma_m: Floats,
        wet: NDArray[np.bool_],
    ) -> StreamPlaces:
        """Put records on flow lines and measure the ways to the water.

        A record may lie on any flow line within its uncertainty (at least ``streamSnapM``).  Each
        is weighed by the density of the record's location at the line, the line's own error
        included, and the ways are averaged with these weights over the lines that are connected
        with the water.  When these hold less than half of the weight, the record counts as not connected.

        Parameters
        ----------
        longitude, latitude, uncertainty_m, sigma_m : float arrays, (n,)
        wet : bool array, (n,)
            Records that lie in the outline: at distance 0.
        """
        count, settings = len(longitude), self.settings
        certain = uncertainty_m <= max(settings.stream_snap_uncertainty_m, settings.stream_snap_m)
        radius = np.where(certain & ~wet, np.maximum(settings.stream_snap_m, uncertainty_m), np.nan)
        near = self.snapper.near(longitude, latitude, radius)
        afloat = NOBODY
        if self.lakes is not None:
            left = np.isfinite(radius) & (np.bincount(near.who, minlength=count) == 0)
            afloat = self.lakes.candidates(np.flatnonzero(left), longitude, latitude)
        found = joined(near, afloat)
        across = np.concatenate([np.zeros(len(near.who)), afloat.off_m])
        up, down, passed, linked = self.ways(found, across, sigma_m)
        up[wet], down[wet], passed[wet] = 0.0, 0.0, 1.0
        snapped = np.bincount(found.who, minlength=count) > 0
        snap = np.where(snapped, np.where(linked, "stream", "unconnected"), "unsnapped").astype(object)
        snap[afloat.who[linked[afloat.who]]] = "lake"
        best = nearest_candidates(found, count)
        snap[self.distant(found, sigma_m, linked)] = "distant"
        snap[~certain] = "uncertain"
        snap[wet] = "water"
        place = np.full((3, count), np.nan)
        has = np.flatnonzero(best >= 0)
        place[0, has] = found.off_m[best[has]]
        place[1, has], place[2, has] = self.snapper.places(found.edge[best[has]], found.at_m[best[has]])
        return StreamPlaces(
            upstream_km=up / 1000,
            downstream_km=down / 1000,
            passability=passed,
            snap=snap.tolist(),
            snap_m=place[0],
            snap_longitude=place[1],
            snap_latitude=place[2],
        )

    def ways(
        self, found: Candidates, across_m: Floats, sigma_m: Floats
    ) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
        """Weighted means over the connected candidates, and which records are connected.

        Parameters
        ----------
        found : Candidates
        across_m : float array, (candidates,)
            Added to a candidate's way, in the direction in which its line was reached.
        sigma_m : float array, (n,)
            Of each record's location.

        Returns
        -------
        upstream_m, downstream_m, passability : float arrays, (n,)
            NaN for records that are not connected.
        linked : bool array, (n,)
        """
        count = len(sigma_m)
        empty = np.full(count, np.nan)
        if self.routes is None or len(found.who) == 0:
            return empty, empty.copy(), empty.copy(), np.zeros(count, dtype=bool)
        weight = _weights(found, sigma_m)
        up, down, passed = self.routes.to(found.edge, found.at_m)
        before_up, before_down, _ = self.routes.to(found.edge, found.at_m - 1.0)
        with np.errstate(invalid="ignore"):  # infinite where no way leads
            onward = before_up + before_down < up + down
        up, down = up + np.where(onward, 0.0, across_m), down + np.where(onward, across_m, 0.0)
        way = np.isfinite(up + down)
        weight_here = np.where(way, weight, 0.0)
        whole = np.bincount(found.who, weights=weight, minlength=count)
        part = np.bincount(found.who, weights=weight_here, minlength=count)
        linked = (part > 0) & (part >= 0.5 * whole)
        means = []
        for values in (up, down, passed):
            total = np.bincount(found.who, weights=weight_here * np.where(way, values, 0.0), minlength=count)
            means.append(np.where(linked, total / np.where(part > 0, part, 1.0), np.nan))
        return means[0], means[1], means[2], linked

    def distant(self, found: Candidates, sigma_m: Floats, linked: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Records that ways lead to, but longer ones than are followed, (n,).

        Parameters
        ----------
        found, sigma_m
            As for :meth:`ways`.
        linked : bool array, (n,)
            Records that are connected.
        """
        count = len(linked)
        if self.routes is None or linked[found.who].all():
            return np.zeros(count, dtype=bool)
        network, weight = self.snapper.network, _weights(found, sigma_m)
        here = network.piece[network.start[self.routes.cover.edge]]
        same = np.isin(network.piece[network.start[found.edge]], here)
        whole = np.bincount(found.who, weights=weight, minlength=count)
        part = np.bincount(found.who, weights=np.where(same, weight, 0.0), minlength=count)
        return (part > 0) & (part >= 0.5 * whole) & ~linked


def _weights(found: Candidates, sigma_m: Floats) -> Floats:
    """Density of each record's location at its candidates, the line's own error included."""
    spread = np.hypot(sigma_m[found.who], MAP_SIGMA_M)
    return np.asarray(np.maximum(np.exp(-0.5 * (found.off_m / spread) ** 2), SMALLEST_WEIGHT))


def nearest_candidates(found: Candidates, count: int) -> Ints:
    """The nearest candidate of each record; -1 without one."""
    out = np.full(count, -1, dtype=np.int64)
    order = np.lexsort([found.edge, found.off_m, found.who])[::-1]
    out[found.who[order]] = order
    return out


def find_streams(
    site: Site,
    outline: Outline | None,
    *,
    streams: str,
    barriers: str | None,
    waters: NDArray[np.object_] | None = None,
    settings: Settings,
) -> tuple[Streams, list[str], list[dict[str, Any]]]:
    """Load the network and find the ways to the water.

    Parameters
    ----------
    waters : object array of polygons, optional
        Outlines of all waters, of longitude and latitude.

    Returns
    -------
    Streams
    list of str
        How the network was joined and where the water stands in it.
    list of dict
        Sources of the layers.
    """
    network = load_network(streams, join_m=settings.stream_join_m)
    notes = [f"streams: {line}" for line in network.notes]
    sources = [{"use": "streams", **network.source}]
    reach = max(site.radius_km, settings.reach_km) + settings.stream_snap_uncertainty_m / 1000
    snapper = Snapper(network, site, reach_km=reach)
    cover, said = None, ""
    if outline is not None:
        cover, said = cover_of_outline(snapper, outline, settings=settings)
        notes.append(said)
    if cover is None:
        cover, said = cover_of_site(snapper, site, settings=settings)
        notes.append(said)
    walls = None
    if barriers is not None:
        layer = read_layer(barriers, purpose="barriers")
        sources.append({"use": "barriers", **layer.source})
        walls, assumed = read_barriers(layer, settings=settings)
        walls, lost = put_barriers(walls, snapper, cover, settings=settings)
        notes += [f"barriers: {line}" for line in (*layer.notes, *assumed, *lost)]
    routes = None
    if cover is not None:
        routes = find_routes(network, cover, barriers=walls, limit_km=settings.network_reach_km)
    lakes = None if waters is None else Lakes(waters, snapper)
    found = Streams(snapper=snapper, routes=routes, barriers=walls, settings=settings, lakes=lakes)
    return found, notes, sources
