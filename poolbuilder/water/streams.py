"""Distances by water from a site to its records, one site or many."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.places.geodesy import distance_km
from poolbuilder.places.layers import read_layer
from poolbuilder.places.sites import Site
from poolbuilder.places.uncertainty import sigma_km
from poolbuilder.settings import Settings
from poolbuilder.water.basins import find_basins
from poolbuilder.water.network import Barriers, Network, load_network, read_barriers
from poolbuilder.water.outline import Outline
from poolbuilder.water.routes import (
    MAP_SIGMA_M,
    NOBODY,
    Candidates,
    Cover,
    Lakes,
    Routes,
    Snapper,
    cover_of_outline,
    cover_of_site,
    find_routes,
    joined,
    put_barriers,
)

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


NUMBERS = (
    "shore_km", "in_water_share", "by_water_km", "upstream_km", "downstream_km", "passability",
    "snap_m", "snap_longitude", "snap_latitude",
)  # fmt: skip
WORDS = ("basin_relation", "snap")
DIVIDED = frozenset({"neighbouring", "other"})
"""Watersheds that a fish can reach only by the sea, or over a divide."""


@dataclass(frozen=True, kw_only=True)
class Placement:
    """Records in relation to the water, one element each; NaN or None where unknown.

    Attributes
    ----------
    shore_km : float array
        Geodesic distance to the nearest shore, 0 in the water; NaN without an outline.
    in_water_share : float array
        Probability that the record lies in the water; NaN without an outline.
    by_water_km : float array
        Distance along the stream network; NaN when the record is put on no flow line, or on one
        that is not connected to the water.
    upstream_km, downstream_km : float array
        The parts of it that run upstream and downstream from the site towards the record.
    passability : float array
        Product of the barriers' passabilities on the way from the record to the site.
    basin_relation : list
        `same`, `upstream`, `downstream`, `neighbouring`, `other`, or None.
    snap : list
        What was done to place the record on the network: `water` (it lies in the outline),
        `stream`, `lake` (it lies in another water and is put where that touches a flow line),
        `distant` (the way is longer than ``networkReachKm``), `unconnected`,
        `unsnapped` (no flow line near), `uncertain` (less certain than
        ``streamSnapUncertaintyM``); None without a network.
    snap_m : float array
        Distance to the likeliest flow line.
    snap_longitude, snap_latitude : float array
        The place on it.
    notes : tuple of str
        How many records were placed how.
    """

    shore_km: Floats
    in_water_share: Floats
    by_water_km: Floats
    upstream_km: Floats
    downstream_km: Floats
    passability: Floats
    basin_relation: list[str | None]
    snap: list[str | None]
    snap_m: Floats
    snap_longitude: Floats
    snap_latitude: Floats
    notes: tuple[str, ...] = ()

    @property
    def divided(self) -> NDArray[np.bool_]:
        """Whether a divide is known to lie in between: by watersheds, or as the way is too long to follow."""
        apart = zip(self.basin_relation, self.snap, strict=True)
        return np.array([basin in DIVIDED or snap == "distant" for basin, snap in apart], dtype=bool)

    @classmethod
    def unknown(cls, count: int) -> Placement:
        """A placement of *count* records of which nothing is known."""
        numbers: dict[str, Any] = {name: np.full(count, np.nan) for name in NUMBERS}
        return cls(**numbers, basin_relation=[None] * count, snap=[None] * count)

    def taken(self, rows: NDArray[np.int64]) -> Placement:
        """The placement of some records, or of records that share a place."""
        numbers = {name: getattr(self, name)[rows] for name in NUMBERS}
        words: dict[str, Any] = {
            name: np.array(getattr(self, name), dtype=object)[rows].tolist() for name in WORDS
        }
        return Placement(**numbers, **words)


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


@dataclass(frozen=True, kw_only=True)
class StreamLayers:
    """Layers that ways by water are found with, as ``FILE[:layer]``."""

    streams: str
    basins: str | None = None
    barriers: str | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Points:
    """Places in degrees, WGS84; arrays of (n,)."""

    longitude: Floats
    latitude: Floats

    def __len__(self) -> int:
        return len(self.longitude)


@dataclass(frozen=True, kw_only=True, eq=False)
class Ways:
    """Ways from each of m places to each of n others.

    Attributes
    ----------
    by_water_km, passability : (m, n) array
        NaN where no way is known, or none was asked for.
    divided : (m, n) bool array
        Whether a divide lies in between.
    snapped : (m,) bool array
        Which of the m places stand on the network.
    notes : tuple of str
    sources : tuple of dict
        path, layer, sha256 and rows of each layer, and its use.
    """

    by_water_km: Floats
    passability: Floats
    divided: Bools
    snapped: Bools
    notes: tuple[str, ...]
    sources: tuple[dict[str, Any], ...]


def find_ways(
    here: Points,
    there: Points,
    wanted: Bools,
    layers: StreamLayers,
    *,
    uncertainty_m: float,
    limit_km: float,
    settings: Settings,
) -> Ways:
    """Measure the ways by water from each place to those that are wanted.

    Parameters
    ----------
    here, there : Points
        m and n places.
    wanted : (m, n) bool array
    layers : StreamLayers
    uncertainty_m : float
        Of every place.
    limit_km : float
        Ways are followed this far; a longer one is a divide.

    Returns
    -------
    Ways
        What `Water.at` each of *here* would say of *there*.

    Raises
    ------
    LayerError
        When a layer cannot be used.
    """
    network = load_network(layers.streams, join_m=settings.stream_join_m)
    notes = [f"streams: {line}" for line in network.notes]
    sources: list[dict[str, Any]] = [{"use": "streams", **network.source}]
    snapper = _snapper(network, here, there, settings)
    walls, said, used = _walls(layers.barriers, snapper, settings)
    shape = (len(here), len(there))
    by_water, passed = np.full(shape, np.nan), np.full(shape, np.nan)
    divided, said_of_basins, used_of_basins = _divided(layers.basins, here, there)
    snapped = np.zeros(len(here), dtype=bool)
    found = _candidates(snapper, there, uncertainty_m, settings)
    sigma = np.full(len(there), 1000.0) * sigma_km(uncertainty_m, quantile=settings.uncertainty_quantile)
    for row, cover in _covers(snapper, here, settings):
        snapped[row] = True
        routes = find_routes(network, cover, barriers=walls, limit_km=limit_km)
        around = Streams(snapper=snapper, routes=routes, barriers=walls, settings=settings)
        some = _of(found, wanted[row])
        up, down, through, linked = around.ways(some, np.zeros(len(some.who)), sigma)
        by_water[row], passed[row] = (up + down) / 1000, through
        divided[row] |= around.distant(some, sigma, linked)
    return Ways(
        by_water_km=by_water,
        passability=passed,
        divided=divided,
        snapped=snapped,
        notes=(*notes, *said, *said_of_basins),
        sources=(*sources, *used, *used_of_basins),
    )


def _snapper(network: Network, here: Points, there: Points, settings: Settings) -> Snapper:
    """One map around the middle of all places."""
    lon, lat = (
        np.concatenate([here.longitude, there.longitude]),
        np.concatenate([here.latitude, there.latitude]),
    )
    turned = (lon - lon[0] + 180) % 360 - 180
    middle = (lon[0] + (turned.min() + turned.max()) / 2 + 180) % 360 - 180
    site = Site(longitude=float(middle), latitude=float((lat.min() + lat.max()) / 2))
    away = distance_km(lon, lat, from_longitude=site.longitude, from_latitude=site.latitude)
    return Snapper(network, site, reach_km=float(away.max()) + 1 + settings.stream_snap_m / 1000)


def _candidates(snapper: Snapper, points: Points, uncertainty_m: float, settings: Settings) -> Candidates:
    radius = np.full(len(points), max(settings.stream_snap_m, uncertainty_m))
    return snapper.near(points.longitude, points.latitude, radius)


def _of(found: Candidates, wanted: Bools) -> Candidates:
    """The candidates of the places wanted; the places keep their numbers."""
    keep = wanted[found.who]
    return Candidates(
        who=found.who[keep], edge=found.edge[keep], at_m=found.at_m[keep], off_m=found.off_m[keep]
    )


def _covers(snapper: Snapper, here: Points, settings: Settings) -> Iterator[tuple[int, Cover]]:
    """Each place on the nearest flow line within ``streamSnapM``, as a site without an outline is put."""
    found = _candidates(snapper, here, 0.0, settings)
    best = nearest_candidates(found, len(here))
    for row in np.flatnonzero(best >= 0).tolist():
        one = slice(int(best[row]), int(best[row]) + 1)
        yield row, Cover(edge=found.edge[one], first_m=found.at_m[one], last_m=found.at_m[one])


def _walls(
    spec: str | None, snapper: Snapper, settings: Settings
) -> tuple[Barriers | None, list[str], list[dict[str, Any]]]:
    if spec is None:
        return None, [], []
    layer = read_layer(spec, purpose="barriers")
    walls, assumed = read_barriers(layer, settings=settings)
    walls, lost = put_barriers(walls, snapper, None, settings=settings)
    notes = [f"barriers: {line}" for line in (*layer.notes, *assumed, *lost)]
    return walls, notes, [{"use": "barriers", **layer.source}]


def _divided(spec: str | None, here: Points, there: Points) -> tuple[Bools, list[str], list[dict[str, Any]]]:
    """Which places lie in watersheds beyond a divide; asked once for each watershed."""
    out = np.zeros((len(here), len(there)), dtype=bool)
    if spec is None or not len(here):
        return out, [], []
    layer = read_layer(spec, purpose="watersheds")

    def around(row: int) -> Any:
        site = Site(longitude=float(here.longitude[row]), latitude=float(here.latitude[row]))
        return find_basins(layer, site)[0]

    first = around(0)
    own = first.containing(here.longitude, here.latitude)
    theirs = first.containing(there.longitude, there.latitude)
    for home in np.unique(own[own >= 0]).tolist():
        rows = np.flatnonzero(own == home)
        relation = around(int(rows[0])).relation
        beyond = np.array([item in DIVIDED for item in [*relation, None]], dtype=bool)
        out[rows] = beyond[theirs]
    notes = [f"basins: {line}" for line in layer.notes]
    if outside := int((own < 0).sum()):
        notes.append(f"basins: {outside:,} of {len(here):,} places lie in none of the watersheds given")
    return out, notes, [{"use": "basins", **layer.source}]
