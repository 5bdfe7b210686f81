"""Features to draw: lines, barriers and places as GeoJSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from poolbuilder.places.geodesy import distance_km
from poolbuilder.places.layers import split_at_antimeridian
from poolbuilder.places.sites import Site
from poolbuilder.water.barriers import Barriers
from poolbuilder.water.place import Placement
from poolbuilder.water.streams import Streams

__all__ = ["feature", "snap_features", "stream_features"]

Feature = dict[str, Any]


MOST_LINES = 5000
"""No more flow lines are drawn than this: those nearest by water, then those nearest in a straight line."""
DECIMALS = 6


def feature(shape: Any, properties: Mapping[str, Any]) -> Feature:
    """A GeoJSON feature with coordinates rounded to 1e-6 degrees (0.1 m), wound as RFC 7946 says."""
    rounded = shapely.orient_polygons(shapely.transform(shape, lambda xy: np.round(xy, DECIMALS)))
    return {"type": "Feature", "geometry": shapely.geometry.mapping(rounded), "properties": dict(properties)}


def stream_features(streams: Streams, site: Site) -> dict[str, list[Feature]]:
    """The network within the site's radius, and the barriers there.

    Properties of a flow line: ``name``, ``row`` in the layer, ``byWaterKm``, ``upstreamKm``,
    ``downstreamKm`` and ``passability`` of its middle (None where no way leads to the water).
    """
    layers = {"streams": _lines(streams, site)}
    if streams.barriers is not None:
        layers["barriers"] = _points(streams.barriers, site)
    return layers


def snap_features(placement: Placement) -> list[Feature]:
    """Where records were put on the network, with their distance by water."""
    places = np.round([placement.snap_longitude, placement.snap_latitude], DECIMALS).T.tolist()
    return [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": tuple(places[k])},
            "properties": {
                "record": k,
                "snapM": _number(placement.snap_m[k], 1),
                "byWaterKm": _number(placement.by_water_km[k], 3),
                "upstreamKm": _number(placement.upstream_km[k], 3),
                "downstreamKm": _number(placement.downstream_km[k], 3),
                "passability": _number(placement.passability[k], 4),
            },
        }
        for k in np.flatnonzero(np.isfinite(placement.snap_longitude)).tolist()
    ]


def _lines(streams: Streams, site: Site) -> list[Feature]:
    edges = streams.snapper.edges
    if len(edges) == 0:
        return []
    network = streams.snapper.network
    length = network.length_m[edges]
    bounds = network.bounds[edges]
    straight = _km(site, (bounds[:, 0] + bounds[:, 2]) / 2, (bounds[:, 1] + bounds[:, 3]) / 2)
    unknown = np.full(len(edges), np.nan)
    up, down, passed = unknown, unknown, unknown
    if streams.routes is not None:
        up, down, passed = streams.routes.to(edges, length / 2)
    way = np.where(np.isfinite(up + down), up + down, np.inf)
    order = np.lexsort([edges, straight, way])
    order = order[straight[order] <= site.radius_km][:MOST_LINES]
    shapes = network.shapes(edges[order])
    return [
        feature(
            split_at_antimeridian(shape),
            {
                "name": network.names[code] if (code := int(network.name[edges[k]])) >= 0 else None,
                "row": int(network.row[edges[k]]),
                "byWaterKm": _number((up[k] + down[k]) / 1000, 3),
                "upstreamKm": _number(up[k] / 1000, 3),
                "downstreamKm": _number(down[k] / 1000, 3),
                "passability": _number(passed[k], 4),
            },
        )
        for shape, k in zip(shapes, order.tolist(), strict=True)
    ]


def _points(barriers: Barriers, site: Site) -> list[Feature]:
    near = np.flatnonzero(_km(site, barriers.longitude, barriers.latitude) <= site.radius_km)
    return [
        feature(
            shapely.points(barriers.longitude[k], barriers.latitude[k]),
            {
                "name": barriers.names[k],
                "passabilityUp": float(barriers.up[k]),
                "passabilityDown": float(barriers.down[k]),
                "onNetwork": bool(barriers.edge[k] >= 0),
            },
        )
        for k in near.tolist()
    ]


def _km(site: Site, longitude: Any, latitude: Any) -> Any:
    return distance_km(longitude, latitude, from_longitude=site.longitude, from_latitude=site.latitude)


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None
