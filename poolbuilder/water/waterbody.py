"""The water of a site: outline, basins and streams in one, and what of it is drawn."""

from __future__ import annotations

import functools
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from poolbuilder.places.geodesy import distance_km
from poolbuilder.places.layers import Layer, read_layer, split_at_antimeridian, split_spec
from poolbuilder.places.sites import Site
from poolbuilder.places.uncertainty import sigma_km
from poolbuilder.settings import Settings
from poolbuilder.water.basins import Basins, find_basins
from poolbuilder.water.network import Barriers
from poolbuilder.water.outline import Outline, find_outline
from poolbuilder.water.streams import Placement, Streams, find_streams

Feature = dict[str, Any]
Floats = NDArray[np.float64]


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
        found: Outline | None = None
        sheds: Basins | None = None
        waters = None
        if outline is not None:
            layer = _read(outline, "water outlines")
            _note(notes, sources, "outline", layer.source, layer.notes)
            found, said = find_outline(layer, site, settings=settings)
            waters = layer.geometry
            notes += said
        if basins is not None:
            layer = _read(basins, "watersheds")
            _note(notes, sources, "basins", layer.source, layer.notes)
            sheds, said = find_basins(layer, site)
            notes += said
        if barriers is not None and streams is None:
            notes.append("barriers have no effect without streams")
        net: Streams | None = None
        if streams is not None:
            net, said, used = find_streams(
                site, found, streams=streams, barriers=barriers, waters=waters, settings=settings
            )
            notes += said
            sources += used
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
        given = np.stack(
            [np.asarray(item, dtype=np.float64) for item in (longitude, latitude, uncertainty_m)]
        )
        places, which = np.unique(given, axis=1, return_inverse=True)  # many records share a place
        once = self._place(*places).taken(which.ravel())
        notes = _outside(once.basin_relation) if self.basins is not None else []
        if self.streams is not None:
            notes += _snapped(once.snap, self.settings)
        return replace(once, notes=tuple(notes))

    def _place(self, lon: Floats, lat: Floats, uncertainty_m: Floats) -> Placement:
        uncertainty = np.nan_to_num(uncertainty_m, nan=0.0)
        sigma = np.asarray(sigma_km(uncertainty, quantile=self.settings.uncertainty_quantile)) * 1000
        placed = Placement.unknown(len(lon))
        if self.outline is not None:
            shore = self.outline.shore_km(lon, lat)
            placed = replace(placed, shore_km=shore, in_water_share=self.outline.share(lon, lat, sigma))
        if self.basins is not None:
            placed = replace(placed, basin_relation=self.basins.relations(lon, lat))
        if self.streams is None:
            return placed
        found = self.streams.place(lon, lat, uncertainty, sigma, placed.shore_km == 0)
        return replace(placed, by_water_km=found.upstream_km + found.downstream_km, **vars(found))

    def features(self) -> dict[str, list[Feature]]:
        """GeoJSON features to draw, by layer."""
        layers: dict[str, list[Feature]] = {}
        if self.outline is not None:
            properties = {"name": self.outline.name, "areaKm2": round(self.outline.area_km2, 4)}
            layers["outline"] = [feature(self.outline.geometry, properties)]
        if self.basins is not None:
            layers["basins"] = [
                feature(shape, {"code": code, "name": name, "relation": relation})
                for shape, code, name, relation in zip(
                    self.basins.geometry,
                    self.basins.codes,
                    self.basins.names,
                    self.basins.relation,
                    strict=True,
                )
            ]
        if self.streams is not None:
            layers.update(stream_features(self.streams, self.site))
        return layers


def _read(spec: str, purpose: str) -> Layer:
    """A layer; read once while its file stays the same, as many waters ask for it in turn."""
    state = split_spec(spec)[0].stat()
    return _read_as_it_stands(spec, purpose, state.st_size, state.st_mtime_ns)


@functools.lru_cache(maxsize=4)
def _read_as_it_stands(spec: str, purpose: str, size: int, changed: int) -> Layer:
    del size, changed  # only part of the key
    return read_layer(spec, purpose=purpose)


def _note(
    notes: list[str],
    sources: list[dict[str, Any]],
    use: str,
    source: Mapping[str, Any],
    said: tuple[str, ...],
) -> None:
    notes += [f"{use}: {line}" for line in said]
    sources.append({"use": use, **source})


def _outside(relation: list[str | None]) -> list[str]:
    outside = Counter(relation)[None]
    return [f"{_records(outside, 'lie')} in none of the watersheds given"] if outside else []


def _records(number: int, verb: str) -> str:
    """A number of records with its verb.

    Examples
    --------
    >>> _records(1, "lie"), _records(1200, "lie"), _records(1, "are")
    ('1 record lies', '1,200 records lie', '1 record is')
    """
    if number == 1:
        return f"1 record {'is' if verb == 'are' else verb + 's'}"
    return f"{number:,} records {verb}"


def _snapped(snap: list[str | None], settings: Settings) -> list[str]:
    """What became of the records on the network, with their numbers."""
    number = Counter(snap)
    notes = []
    if placed := number["water"] + number["stream"] + number["lake"]:
        among = f", {number['lake']} in other waters" if number["lake"] else ""
        notes.append(
            f"{_records(placed, 'stand')} on the stream network, {number['water']} of them in the water"
            f"{among}"
        )
    if number["distant"]:
        notes.append(
            f"{_records(number['distant'], 'lie')} more than {settings.network_reach_km:g} km away along the "
            f"network (networkReachKm): taken as beyond a divide"
        )
    if number["unconnected"]:
        notes.append(
            f"{_records(number['unconnected'], 'lie')} on flow lines without a way to the water: "
            f"straight distance is kept"
        )
    if number["unsnapped"]:
        notes.append(f"{_records(number['unsnapped'], 'lie')} near no flow line: straight distance is kept")
    if number["uncertain"]:
        notes.append(
            f"{_records(number['uncertain'], 'are')} less certain than "
            f"{settings.stream_snap_uncertainty_m:g} m (streamSnapUncertaintyM) "
            f"and put on no flow line: straight distance is kept"
        )
    return notes
