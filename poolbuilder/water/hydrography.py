"""The water's own layers from the national hydrography of the United States, kept in the store.

Asked by the documented queries of the map service (one query address for each layer, answers in
GeoJSON, page by page).  Feature types are those of the national hydrography's data dictionary:
390 lake or pond, 436 reservoir, 493 estuary; 460 stream or river, 336 canal or ditch; 343 dam.
"""

from __future__ import annotations

import datetime
import json
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from poolbuilder.errors import SiteError, SourceError
from poolbuilder.files import private_folder
from poolbuilder.places.geodesy import covering_box, distance_km
from poolbuilder.places.regions import region_name, regions_at
from poolbuilder.places.sites import Site
from poolbuilder.water.outline import LARGEST_POND_KM2

Feature = dict[str, Any]

HYDROGRAPHY_URL = "https://hydro.nationalmap.gov/arcgis/rest/services/NHDPlus_HR/MapServer"
LAYERS = {
    "water": "nhdwaterbody",
    "streams": "networknhdflowline",
    "barriers": "nhdpoint",
    "basins": "wbdhu12",
}
"""The service's name of each layer, in lower case."""
AREA = "nhdarea"
PAGE = 1000
MOST_PAGES = 400
TIMEOUT_S = (10, 120)
BESIDE_KM = 0.25
"""A lake this near to a point on land is named, and not taken."""
LAKES, CANAL, DAM, RIVER, ESTUARY = {390, 436}, 336, 343, 460, 493
ELSEWHERE = (
    "outside the United States no service is asked: give the layers as files, for instance HydroLAKES or "
    "OpenStreetMap with --water, HydroRIVERS or EU-Hydro with --streams, HydroBASINS with --basins"
)


@dataclass(frozen=True, kw_only=True)
class WaterLayers:
    """Layers of one water in the store.

    Attributes
    ----------
    layers : dict
        Path of each layer: water, streams, barriers, basins; only those that hold something.
    fetched : str
        Day of the fetch.
    source : str
        Address of the service.
    water_type : str or None
        Kind of water at the point.
    notes : tuple of str
        What lies at the point, and what was not found.
    """

    layers: Mapping[str, str]
    fetched: str
    source: str
    water_type: str | None
    notes: tuple[str, ...]


def fetch_water(site: Site, store: Path, *, today: datetime.date, url: str = HYDROGRAPHY_URL) -> WaterLayers:
    """Bring outline, flow lines, dams and watersheds around a point into the store.

    Raises
    ------
    SiteError
        When the point lies outside the United States.
    SourceError
        When the service is down, or answers something else than it documents.
    """
    region = str(regions_at(site.longitude, site.latitude)[0])
    if not region.startswith("US-"):
        where = f"in {region_name(region)}" if region else "in no state of the United States"
        raise SiteError(f"the site lies {where} ({ELSEWHERE})")
    service = _Service(url.rstrip("/"))
    box = covering_box(site.longitude, site.latitude, site.radius_km)
    found = {
        use: [
            feature
            for part in box
            for feature in service.features(
                name, part, where=f"ftype = {DAM}" if use == "barriers" else "1=1"
            )
        ]
        for use, name in LAYERS.items()
    }
    areas = [
        item
        for part in covering_box(site.longitude, site.latitude, 1.0)
        for item in service.features(AREA, part)
    ]
    kind, notes, waters = _at_the_point(site, found["water"], areas, found["streams"])
    found["water"] = waters
    notes += [
        f"no {_NAMES[use]} within {site.radius_km:g} km" for use in ("streams", "basins") if not found[use]
    ]
    kept = {
        "longitude": site.longitude,
        "latitude": site.latitude,
        "radiusKm": site.radius_km,
        "fetched": today.isoformat(),
        "source": url,
        "waterType": kind,
        "notes": notes,
        "features": {use: len(items) for use, items in found.items()},
    }
    _write(_folder(store, site), found, kept)
    layers = water_layers(store, site)
    assert layers is not None
    return layers


_NAMES = {"water": "lake", "streams": "flow line", "barriers": "dam", "basins": "watershed"}


def water_layers(store: Path, site: Site) -> WaterLayers | None:
    """The layers that the store keeps for a site: fetched within 250 m of it, the nearest first."""
    best: tuple[float, Path, dict[str, Any]] | None = None
    for path in sorted((Path(store) / "hydrography").glob("*/source.json")):
        try:
            kept = json.loads(path.read_text(encoding="utf-8"))
            away = float(
                distance_km(
                    kept["longitude"],
                    kept["latitude"],
                    from_longitude=site.longitude,
                    from_latitude=site.latitude,
                )
            )
        except (OSError, ValueError, KeyError, TypeError):
            continue  # not a folder that a fetch wrote whole
        if away <= BESIDE_KM and (best is None or away < best[0]):
            best = away, path.parent, kept
    if best is None:
        return None
    _, folder, kept = best
    return WaterLayers(
        layers={
            use: str(folder / f"{use}.geojson") for use in LAYERS if (folder / f"{use}.geojson").is_file()
        },
        fetched=kept["fetched"],
        source=kept["source"],
        water_type=kept["waterType"],
        notes=tuple(kept["notes"]),
    )


def _folder(store: Path, site: Site) -> Path:
    return Path(store) / "hydrography" / f"{site.latitude:.5f}_{site.longitude:.5f}"


def _write(folder: Path, found: Mapping[str, list[Feature]], kept: Mapping[str, Any]) -> None:
    """The layers and what is known of them, whole or not at all."""
    private_folder(folder.parent.parent)
    folder.parent.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".fetch-") as name:
        beside = Path(name) / "new"
        beside.mkdir()
        for use, features in found.items():
            if features:
                text = json.dumps({"type": "FeatureCollection", "features": features})
                (beside / f"{use}.geojson").write_text(text, encoding="utf-8")
        (beside / "source.json").write_text(json.dumps(kept, indent=1), encoding="utf-8")
        if folder.exists():
            shutil.move(folder, Path(name) / "old")
        shutil.move(beside, folder)


# What lies at the point.


def _at_the_point(
    site: Site, lakes: list[Feature], areas: list[Feature], lines: list[Feature]
) -> tuple[str | None, list[str], list[Feature]]:
    """The kind of water, what to say of it, and the outlines to keep: none when the point lies in none."""
    point = shapely.Point(site.longitude, site.latitude)
    standing = [item for item in lakes if _ftype(item) in {*LAKES, ESTUARY}]
    for item in standing:
        if _geometry(item).intersects(point):
            kind = _kind(item)
            return kind, [f"the point lies in {_name(item)}, a {kind}"], lakes
    for item in areas:
        if _ftype(item) in {RIVER, CANAL} and _geometry(item).intersects(point):
            kind = "canal" if _ftype(item) == CANAL else "river"
            return kind, [f"the point lies in {_name(item)}, drawn as an area: a {kind}"], [item]
    notes = []
    near = sorted((_away_km(site, item), _name(item)) for item in standing)
    if near and near[0][0] <= BESIDE_KM:
        notes.append(
            f"the point lies in no lake; the nearest, {near[0][1]}, is {near[0][0] * 1000:.0f} m away and is "
            f"not taken: give a point on it if that is the water"
        )
    away, k = min(((_away_km(site, item), k) for k, item in enumerate(lines)), default=(np.inf, 0))
    if away > BESIDE_KM:
        return None, notes or ["the point lies in no lake, and no flow line is within 250 m"], []
    kind = "canal" if _ftype(lines[k]) == CANAL else "stream"
    return (
        kind,
        [*notes, f"the nearest flow line, {_name(lines[k])}, is {away * 1000:.0f} m away: a {kind}"],
        [],
    )


def _kind(item: Feature) -> str:
    if _ftype(item) == ESTUARY:
        return "estuary"
    area = _property(item, "areasqkm")
    return "pond" if area is not None and float(area) <= LARGEST_POND_KM2 and _ftype(item) == 390 else "lake"


def _property(item: Feature, name: str) -> Any:
    return next((value for key, value in item["properties"].items() if key.lower() == name), None)


def _ftype(item: Feature) -> int | None:
    value = _property(item, "ftype")
    return int(value) if isinstance(value, int | float) else None


def _name(item: Feature) -> str:
    return str(_property(item, "gnis_name") or "").strip() or "a water without a name"


def _geometry(item: Feature) -> Any:
    shape = shapely.geometry.shape(item["geometry"])
    return shape if shape.is_valid else shapely.make_valid(shape)


def _away_km(site: Site, item: Feature) -> float:
    """Distance to the nearest place of a shape; exact enough for 250 m."""
    point = shapely.Point(site.longitude, site.latitude)
    if (shape := _geometry(item)).intersects(point):
        return 0.0
    squeeze = np.array([np.cos(np.radians(site.latitude)), 1.0])
    flat, origin = shapely.transform([shape, point], lambda xy: xy * squeeze)
    lon, lat = shapely.get_coordinates(shapely.shortest_line(flat, origin))[0] / squeeze
    return float(distance_km(lon, lat, from_longitude=site.longitude, from_latitude=site.latitude))


# Asking.


class _Service:
    """The layers of a map service, by their names."""

    def __init__(self, url: str) -> None:
        # Imported here: a build only looks for the layers that are kept.
        import requests
        from requests.adapters import HTTPAdapter
        from urllib3.util import Retry

        self.url = url
        self.session = requests.Session()
        retry = Retry(total=3, backoff_factor=0.5, status_forcelist=(429, 500, 502, 503, 504))
        self.session.mount("http://", HTTPAdapter(max_retries=retry))
        self.session.mount("https://", HTTPAdapter(max_retries=retry))
        named = self.ask("", {"f": "json"}).get("layers")
        if not isinstance(named, list):
            raise self.trouble("does not list its layers")
        self.numbers = {str(item.get("name", "")).lower(): item.get("id") for item in named}

    def trouble(self, fact: str) -> SourceError:
        return SourceError(
            f"the hydrography service {fact} (try again later, or give the layers as files with --water, "
            f"--streams, --barriers and --basins)",
            source="hydrography",
            url=self.url,
        )

    def ask(self, path: str, values: Mapping[str, Any]) -> dict[str, Any]:
        """One answer as JSON; an error that comes as an answer is an error."""
        import requests

        try:
            answer = self.session.get(self.url + path, params=dict(values), timeout=TIMEOUT_S)
            answer.raise_for_status()
            body = answer.json()
        except requests.exceptions.JSONDecodeError as error:
            raise self.trouble("answered something that is not JSON") from error
        except requests.RequestException as error:
            status = getattr(error.response, "status_code", None)
            fact = f"answered {status}" if status else "cannot be reached"
            raise self.trouble(fact) from error
        if not isinstance(body, dict):
            raise self.trouble("answered something that is not a JSON object")
        if isinstance(fault := body.get("error"), dict):
            raise self.trouble(f"refused the query: {str(fault.get('message', fault.get('code')))[:200]}")
        return body

    def features(
        self, name: str, box: tuple[float, float, float, float], where: str = "1=1"
    ) -> Iterator[Feature]:
        """Features of a layer that meet a box, page by page until the service says that was all."""
        layer = self.numbers.get(name)
        if layer is None:
            raise self.trouble(f"has no layer {name!r}")
        offset, last = 0, None
        for _ in range(MOST_PAGES):
            body = self.ask(
                f"/{layer}/query",
                {
                    "where": where,
                    "geometry": ",".join(f"{value:.7f}" for value in box),
                    "geometryType": "esriGeometryEnvelope",
                    "spatialRel": "esriSpatialRelIntersects",
                    "inSR": 4326,
                    "outSR": 4326,
                    "outFields": "*",
                    "returnGeometry": "true",
                    "resultOffset": offset,
                    "resultRecordCount": PAGE,
                    "f": "geojson",
                },
            )
            page = body.get("features")
            if not isinstance(page, list):
                raise self.trouble("answered without a list of features")
            if page and page[:1] == last:
                raise self.trouble("answered the same page twice")
            last = page[:1]
            yield from (item for item in page if isinstance(item, dict) and item.get("geometry"))
            offset += len(page)
            beyond = body.get("exceededTransferLimit") or (body.get("properties") or {}).get(
                "exceededTransferLimit"
            )
            if not beyond or not page:
                return
        raise self.trouble(f"has more than {MOST_PAGES} pages for the box; ask for a smaller radius")


def with_water_type(site: Site, kind: str | None) -> Site:
    """The site with its kind of water, where none was given."""
    return site if site.water_type is not None or kind is None else replace(site, water_type=kind)
