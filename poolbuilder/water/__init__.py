"""The water itself: its outline, its watershed, its streams, and what lies in between."""

from __future__ import annotations

import functools
from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from poolbuilder.errors import said
from poolbuilder.places.geodesy import distance_km, split_at_antimeridian
from poolbuilder.places.layers import Layer, read_layer, split_spec
from poolbuilder.places.sites import Site
from poolbuilder.places.uncertainty import sigma_km
from poolbuilder.settings import Settings
from poolbuilder.water.basins import Basins, find_basins
from poolbuilder.water.network import Barriers, load_network
from poolbuilder.water.outline import Outline, find_outline
from poolbuilder.water.streams import Streams, find_streams

Feature = dict[str, Any]
Floats = NDArray[np.float64]

DIVIDED = frozenset({"neighbouring", "other"})
"""Watersheds that a fish can reach only by the sea, or over a divide."""


_NUMBERS = (
    "shore_km", "in_water_share", "by_water_km", "upstream_km", "downstream_km", "passability",
    "snap_m", "snap_longitude", "snap_latitude",
)  # fmt: skip


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

    def features(self) -> list[Feature]:
        """Where records were put on the network, with their distance by water."""
        return [
            feature(
                shapely.Point(self.snap_longitude[k], self.snap_latitude[k]),
                record=k,
                snapM=self.snap_m[k],
                byWaterKm=self.by_water_km[k],
                upstreamKm=self.upstream_km[k],
                downstreamKm=self.downstream_km[k],
                passability=self.passability[k],
            )
            for k in np.flatnonzero(np.isfinite(self.snap_longitude)).tolist()
        ]


MOST_LINES = 5000
"""No more flow lines are drawn than this: those nearest by water, then those nearest in a straight line."""
DECIMALS = 6


def feature(shape: Any, **properties: Any) -> Feature:
    """A GeoJSON feature, wound as RFC 7946 says, its coordinates to 1e-6 degrees (0.1 m), numbers rounded."""
    rounded = shapely.orient_polygons(shapely.transform(shape, lambda xy: np.round(xy, DECIMALS)))
    plain = {name: _rounded(name, value) for name, value in properties.items()}
    return {"type": "Feature", "geometry": shapely.geometry.mapping(rounded), "properties": plain}


def _rounded(name: str, value: Any) -> Any:
    """A property to be drawn: kilometres to the metre, metres to 0.1, shares to four digits; None for NaN."""
    if not isinstance(value, float):
        return value
    digits = 3 if name.endswith("Km") else 1 if name.endswith("M") else 4
    return round(float(value), digits) if np.isfinite(value) else None


@dataclass(frozen=True, kw_only=True)
class Water:
    """What the layers say of the water at a site.

    Attributes
    ----------
    site : Site
    settings : Settings
    outline : Outline or None
    basins : Basins or None
    streams : Streams or None
    notes : tuple of str
        What was found, repaired and could not be known.
    sources : tuple of dict
        path, layer, sha256 and rows of each layer, and what it is used as.

    Examples
    --------
    >>> from importlib import resources
    >>> layers = resources.files("poolbuilder") / "demo_data" / "layers.gpkg"
    >>> water = Water.at(
    ...     Site(longitude=-91.2, latitude=36.9), outline=f"{layers}:outline", settings=Settings()
    ... )
    >>> water.outline.name, water.streams
    ('Kestrel Ford Lake', None)
    """

    site: Site
    settings: Settings
    outline: Outline | None = None
    basins: Basins | None = None
    streams: Streams | None = None
    notes: tuple[str, ...] = ()
    sources: tuple[dict[str, Any], ...] = ()

    @classmethod
    def at(
        cls,
        site: Site,
        *,
        outline: str | None = None,
        basins: str | None = None,
        streams: str | None = None,
        barriers: str | None = None,
        settings: Settings,
    ) -> Water:
        """Find the water at a site.

        Parameters
        ----------
        site : Site
        outline, basins, streams, barriers : str, optional
            Layers as ``FILE[:layer]``.

        Raises
        ------
        LayerError
            When a layer cannot be used.
        """
        notes: list[str] = []
        sources: list[dict[str, Any]] = []

        def opened(use: str, spec: str | None, purpose: str) -> Layer | None:
            layer = None if spec is None else _read(spec, purpose)
            if layer is not None:
                notes.extend(f"{use}: {line}" for line in layer.notes)
                sources.append({"use": use, **layer.source})
            return layer

        found, sheds, net = None, None, None
        waters = opened("outline", outline, "water outlines")
        if waters is not None:
            found, more = find_outline(waters, site, settings=settings)
            notes += more
        layer = opened("basins", basins, "watersheds")
        if layer is not None:
            sheds, more = find_basins(layer, site)
            notes += more
        if streams is not None:
            network = load_network(streams, join_m=settings.stream_join_m)
            sources.append({"use": "streams", **network.source})
            walls = opened("barriers", barriers, "barriers")
            net, more = find_streams(
                site, found, network=network, barriers=walls, waters=waters, settings=settings
            )
            notes += more
        elif barriers is not None:
            notes.append(said("barriers_no_effect"))
        return cls(
            site=site,
            settings=settings,
            outline=found,
            basins=sheds,
            streams=net,
            notes=tuple(notes),
            sources=tuple(sources),
        )

    def place(self, longitude: ArrayLike, latitude: ArrayLike, uncertainty_m: ArrayLike) -> Placement:
        """Place records in relation to the water.

        Parameters
        ----------
        longitude, latitude : array_like, (n,)
            WGS84 degrees.
        uncertainty_m : array_like, (n,)
            Read as the settings' quantile of a bivariate normal.

        Returns
        -------
        Placement
            n elements in the same order.
        """
        given = np.stack([np.asarray(item, float) for item in (longitude, latitude, uncertainty_m)])
        places, which = np.unique(given, axis=1, return_inverse=True)  # many records share a place
        found = {name: values[which.ravel()] for name, values in self._place(*places).items()}
        relation, snap = found.pop("basin_relation").tolist(), found.pop("snap").tolist()
        notes = []
        if self.basins is not None and (outside := relation.count(None)):
            notes.append(said("none_watersheds_given", outside=outside))
        notes += _snapped(snap, self.settings) if self.streams is not None else []
        return Placement(**found, basin_relation=relation, snap=snap, notes=tuple(notes))

    def _place(self, lon: Floats, lat: Floats, uncertainty_m: Floats) -> dict[str, NDArray[Any]]:
        """Arrays by their names in `Placement`."""
        uncertainty = np.nan_to_num(uncertainty_m, nan=0.0)
        sigma = np.asarray(sigma_km(uncertainty, quantile=self.settings.uncertainty_quantile)) * 1000
        found: dict[str, NDArray[Any]] = {name: np.full(len(lon), np.nan) for name in _NUMBERS}
        found |= {name: np.full(len(lon), None, dtype=object) for name in ("basin_relation", "snap")}
        if self.outline is not None:
            found["shore_km"] = self.outline.shore_km(lon, lat)
            found["in_water_share"] = self.outline.share(lon, lat, sigma)
        if self.basins is not None:
            found["basin_relation"] = np.array(self.basins.relations(lon, lat), dtype=object)
        if self.streams is not None:
            found |= self.streams.place(lon, lat, uncertainty, sigma, found["shore_km"] == 0)
        return found

    def features(self) -> dict[str, list[Feature]]:
        """GeoJSON features to draw, by layer."""
        layers: dict[str, list[Feature]] = {}
        if self.outline is not None:
            area = self.outline.area_km2
            layers["outline"] = [feature(self.outline.geometry, name=self.outline.name, areaKm2=area)]
        if (sheds := self.basins) is not None:
            rows = zip(sheds.geometry, sheds.codes, sheds.names, sheds.relation, strict=True)
            layers["basins"] = [
                feature(shape, code=code, name=name, relation=relation)
                for shape, code, name, relation in rows
            ]
        if self.streams is not None:
            layers["streams"] = self._lines(self.streams)
            if self.streams.barriers is not None:
                layers["barriers"] = self._barriers(self.streams.barriers)
        return layers

    def _km(self, longitude: Any, latitude: Any) -> Floats:
        site = self.site
        return distance_km(longitude, latitude, from_longitude=site.longitude, from_latitude=site.latitude)

    def _lines(self, streams: Streams) -> list[Feature]:
        """Flow lines within the site's radius.

        Properties: ``name``, ``row`` in the layer, ``byWaterKm``, ``upstreamKm``, ``downstreamKm`` and
        ``passability`` of the line's middle (None where no way leads to the water).
        """
        network, edges = streams.snapper.network, streams.snapper.edges
        west, south, east, north = network.bounds[edges].T
        straight = self._km((west + east) / 2, (south + north) / 2)
        ways = np.full((3, len(edges)), np.nan)
        if streams.routes is not None:
            ways = np.stack(streams.routes.to(edges, network.length_m[edges] / 2))
        order = np.lexsort([edges, straight, np.nan_to_num(ways[0] + ways[1], nan=np.inf)])
        order = order[straight[order] <= self.site.radius_km][:MOST_LINES]
        shapes = zip(network.shapes(edges[order]), edges[order].tolist(), ways[:, order].T, strict=True)
        return [
            feature(
                split_at_antimeridian(shape),
                name=network.names[code] if (code := int(network.name[edge])) >= 0 else None,
                row=int(network.row[edge]),
                byWaterKm=(up + down) / 1000,
                upstreamKm=up / 1000,
                downstreamKm=down / 1000,
                passability=passed,
            )
            for shape, edge, (up, down, passed) in shapes
        ]

    def _barriers(self, barriers: Barriers) -> list[Feature]:
        near = np.flatnonzero(self._km(barriers.longitude, barriers.latitude) <= self.site.radius_km)
        return [
            feature(
                shapely.Point(barriers.longitude[k], barriers.latitude[k]),
                name=barriers.names[k],
                passabilityUp=barriers.up[k],
                passabilityDown=barriers.down[k],
                onNetwork=bool(barriers.edge[k] >= 0),
            )
            for k in near.tolist()
        ]


def _read(spec: str, purpose: str) -> Layer:
    """A layer; read once while its file stays the same, as many waters ask for it in turn."""
    state = split_spec(spec)[0].stat()
    return _read_as_it_stands(spec, purpose, state.st_size, state.st_mtime_ns)


@functools.lru_cache(maxsize=4)
def _read_as_it_stands(spec: str, purpose: str, size: int, changed: int) -> Layer:
    del size, changed  # only part of the key
    return read_layer(spec, purpose=purpose)


_SNAPPED = {
    "distant": "more_km_away",
    "unconnected": "flow_lines_without",
    "unsnapped": "near_no_flow",
    "uncertain": "less_certain_streamsnapuncertaintym",
}
"""What is said of records that stand so."""


def _snapped(snap: list[str | None], settings: Settings) -> list[str]:
    """What became of the records on the network, with their numbers."""
    number, notes = Counter(snap), []
    if placed := number["water"] + number["stream"] + number["lake"]:
        among = f", {number['lake']} in other waters" if number["lake"] else ""
        notes.append(said("stream_network_them", placed=placed, water=number["water"], among=among))
    given = [(key, number[kind]) for kind, key in _SNAPPED.items() if number[kind]]
    return notes + [said(key, records=count, settings=settings) for key, count in given]
