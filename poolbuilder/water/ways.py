"""Ways by water between many places: each in turn the site, the others its records."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.location import sigma_km
from poolbuilder.places.geodesy import distance_km
from poolbuilder.places.layers import read_layer
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.water.barriers import Barriers, read_barriers
from poolbuilder.water.basins import find_basins
from poolbuilder.water.cache import load_network
from poolbuilder.water.network import Network
from poolbuilder.water.place import DIVIDED
from poolbuilder.water.routes import Cover, find_routes
from poolbuilder.water.snapping import Candidates, Snapper, put_barriers
from poolbuilder.water.streams import Streams, nearest_candidates

__all__ = ["Points", "StreamLayers", "Ways", "find_ways"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


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
