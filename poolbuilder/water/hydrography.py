"""The water's own layers from the national hydrography of the United States, kept in the store.

Asked by the documented queries of the map service (one query address for each layer, answers in
GeoJSON, page by page).  Feature types are those of the national hydrography's data dictionary:
390 lake or pond, 436 reservoir, 493 estuary; 460 stream or river, 336 canal or ditch; 343 dam.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from poolbuilder.errors import SiteError, SourceError, StoreError, said
from poolbuilder.files import private_folder, whole_folder
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
SLOWEST_S, LARGEST_MIB = 300, 256
"""For one answer."""
BACKOFF_S = 0.5
"""Wait before the second attempt; doubled for each further one."""
BESIDE_KM = 0.25
"""A lake this near to a point on land is named, and not taken."""
LAKES, CANAL, DAM, RIVER, ESTUARY = {390, 436}, 336, 343, 460, 493


@dataclass(frozen=True, kw_only=True)
class WaterLayers:
    """Layers of one water in the store.

    Attributes
    ----------
    folder : Path
    uses : tuple of str
        The layers that hold something: water, streams, barriers, basins.
    fetched : str
        Day of the fetch.
    source : str
        Address of the service.
    water_type : str or None
        Kind of water at the point.
    notes : tuple of str
        What lies at the point, and what was not found.
    digest : str
        Of all that was brought.
    """

    folder: Path
    uses: tuple[str, ...]
    fetched: str
    source: str
    water_type: str | None
    notes: tuple[str, ...]
    digest: str

    def path(self, use: str) -> str | None:
        """The file of a layer; None where nothing was found."""
        return str(self.folder / f"{use}.geojson") if use in self.uses else None

    def origin(self, source: Mapping[str, Any]) -> dict[str, Any]:
        """Where a layer comes from, its path from the store's own folder on."""
        path = Path(source["path"]).relative_to(self.folder.parents[1])
        return {**source, "path": path.as_posix(), "fetched": self.fetched, "service": self.source}


def fetch_water(site: Site, store: Path, *, today: datetime.date, url: str = HYDROGRAPHY_URL) -> WaterLayers:
    """Bring outline, flow lines, dams and watersheds around a point into the store.

    Raises
    ------
    SiteError
        When the point lies outside the United States.
    SourceError
        When the service is down, answers something else than it documents, or nothing where it had something.
    """
    region = str(regions_at(site.longitude, site.latitude)[0])
    if not region.startswith("US-"):
        where = f"in {region_name(region)}" if region else said("no_state_united")
        raise SiteError.of("no_service_there", where=where)
    service = _Service(url.rstrip("/"))

    def around(name: str, radius_km: float, where: str = "1=1") -> list[Feature]:
        boxes = covering_box(site.longitude, site.latitude, radius_km)
        return [feature for box in boxes for feature in service.features(name, box, where)]

    found = {
        use: around(name, site.radius_km, f"ftype = {DAM}" if use == "barriers" else "1=1")
        for use, name in LAYERS.items()
    }
    before = water_layers(store, site)
    if before is not None and before.uses and not any(found.values()):
        raise service.trouble(said("answered_without_any", fetched=before.fetched))
    kind, notes, found["water"] = _at_the_point(site, found["water"], around(AREA, 1.0), found["streams"])
    notes += [
        f"no {noun} within {site.radius_km:g} km"
        for use, noun in (("streams", "flow line"), ("basins", "watershed"))
        if not found[use]
    ]
    if service.unreadable:
        notes.append(said("features_without_readable", unreadable=service.unreadable))
    texts = {
        use: json.dumps({"type": "FeatureCollection", "features": features})
        for use, features in found.items()
        if features
    }
    kept = {
        "longitude": site.longitude,
        "latitude": site.latitude,
        "radiusKm": site.radius_km,
        "fetched": today.isoformat(),
        "source": url,
        "waterType": kind,
        "notes": notes,
        "sha256": {use: hashlib.sha256(text.encode()).hexdigest() for use, text in texts.items()},
    }
    private_folder(Path(store))
    folder = Path(store) / "hydrography" / f"{site.latitude:.5f}_{site.longitude:.5f}"
    with whole_folder(folder, StoreError) as beside:
        for use, text in texts.items():
            (beside / f"{use}.geojson").write_text(text, encoding="utf-8")
        (beside / "source.json").write_text(json.dumps(kept, indent=1), encoding="utf-8")
    return _read(folder, kept)


def _read(folder: Path, kept: Mapping[str, Any]) -> WaterLayers:
    return WaterLayers(
        folder=folder,
        uses=tuple(use for use in LAYERS if (folder / f"{use}.geojson").is_file()),
        fetched=kept["fetched"],
        source=kept["source"],
        water_type=kept["waterType"],
        notes=tuple(kept["notes"]),
        digest=hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest(),
    )


def water_layers(store: Path, site: Site) -> WaterLayers | None:
    """The layers that the store keeps for a site: fetched within 250 m of it, the nearest first."""
    found = []
    for path in sorted((Path(store) / "hydrography").glob("*_*/source.json")):
        try:
            latitude, longitude = map(float, path.parent.name.split("_"))
            away = _km(site, longitude, latitude) if abs(latitude - site.latitude) < 0.01 else np.inf
            if away <= BESIDE_KM:
                found.append((away, _read(path.parent, json.loads(path.read_text(encoding="utf-8")))))
        except (OSError, ValueError, KeyError, TypeError):
            continue  # not a folder that a fetch wrote whole
    return min(found, key=lambda item: item[0])[1] if found else None


def layers_digest(store: Path) -> str:
    """What the store keeps of layers of waters, in a digest."""
    kept = sorted((Path(store) / "hydrography").glob("*_*/source.json"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in kept)).hexdigest()


def with_water_type(site: Site, kind: str | None) -> Site:
    """The site with its kind of water, where none was given."""
    return site if site.water_type is not None or kind is None else replace(site, water_type=kind)


# What lies at the point.


def _at_the_point(
    site: Site, lakes: list[Feature], areas: list[Feature], lines: list[Feature]
) -> tuple[str | None, list[str], list[Feature]]:
    """The kind of water, what to say of it, and the outlines to keep: none when the point lies in none."""
    point = shapely.Point(site.longitude, site.latitude)
    standing = [item for item in lakes if _ftype(item) in {*LAKES, ESTUARY}]
    for item in standing:
        if _shape(item).intersects(point):
            kind = _kind(item)
            return kind, [said("point_lies", item=_name(item), kind=kind)], lakes
    for item in areas:
        if _ftype(item) in {RIVER, CANAL} and _shape(item).intersects(point):
            kind = "canal" if _ftype(item) == CANAL else "river"
            return kind, [said("point_lies_drawn", item=_name(item), kind=kind)], [item]
    notes = []
    near = sorted((_away_km(site, item), _name(item)) for item in standing)
    if near and near[0][0] <= BESIDE_KM:
        notes.append(said("point_lies_no", near=near[0][1], near2=near[0][0] * 1000))
    away, k = min(((_away_km(site, item), k) for k, item in enumerate(lines)), default=(np.inf, 0))
    if away > BESIDE_KM:
        return None, notes or [said("point_lies_no_lake")], []
    kind = "canal" if _ftype(lines[k]) == CANAL else "stream"
    return (
        kind,
        [*notes, said("nearest_flow_line", lines=_name(lines[k]), away=away * 1000, kind=kind)],
        [],
    )


def _kind(item: Feature) -> str:
    if _ftype(item) == ESTUARY:
        return "estuary"
    area = _property(item, "areasqkm")
    small = isinstance(area, int | float) and area <= LARGEST_POND_KM2
    return "pond" if small and _ftype(item) == 390 else "lake"


def _property(item: Feature, name: str) -> Any:
    return next((value for key, value in item["properties"].items() if key.lower() == name), None)


def _ftype(item: Feature) -> Any:
    return _property(item, "ftype")


def _name(item: Feature) -> str:
    return str(_property(item, "gnis_name") or "").strip() or "a water without a name"


def _away_km(site: Site, item: Feature) -> float:
    """Distance to the nearest place of a shape; exact enough for 250 m."""
    squeeze = np.array([np.cos(np.radians(site.latitude)), 1.0])
    shapes = [_shape(item), shapely.Point(site.longitude, site.latitude)]
    line = shapely.shortest_line(*shapely.transform(shapes, lambda xy: xy * squeeze))
    return _km(site, *(shapely.get_coordinates(line)[0] / squeeze))


def _km(site: Site, longitude: float, latitude: float) -> float:
    return float(distance_km(longitude, latitude, from_longitude=site.longitude, from_latitude=site.latitude))


def _shape(item: Feature) -> Any:
    """The shape of a feature, valid; None when it cannot be read."""
    shape = shapely.from_geojson(json.dumps(item["geometry"]), on_invalid="ignore")
    return None if shape is None or shape.is_empty else shapely.make_valid(shape)


def _is_readable(item: Any) -> bool:
    """Whether something is a feature with properties and a shape."""
    if not isinstance(item, dict) or not isinstance(item.setdefault("properties", {}), dict):
        return False
    return bool(item.get("geometry")) and _shape(item) is not None


# Asking.


class _Service:
    """The layers of a map service, by their names."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.unreadable = 0
        named = self.ask("", {"f": "json"}).get("layers")
        if not isinstance(named, list):
            raise self.trouble(said("does_not_list"))
        self.numbers = {
            str(item.get("name", "")).lower(): item.get("id") for item in named if isinstance(item, dict)
        }

    def trouble(self, fact: str) -> SourceError:
        return SourceError.of("hydrography_service_try", source="hydrography", url=self.url, fact=fact)

    def ask(self, path: str, values: Mapping[str, Any]) -> dict[str, Any]:
        """One answer as JSON; an error that comes as an answer is an error."""
        # Imported here: a build only looks for the layers that are kept.
        import requests
        from requests.adapters import HTTPAdapter
        from urllib3.util import Retry

        again = (429, 500, 502, 503, 504)
        retry = Retry(
            total=3, backoff_factor=BACKOFF_S, status_forcelist=again, respect_retry_after_header=False
        )
        begun, size, parts = time.monotonic(), 0, []
        try:
            with requests.Session() as session:
                for scheme in ("http://", "https://"):
                    session.mount(scheme, HTTPAdapter(max_retries=retry))
                asked = session.get(self.url + path, params=dict(values), timeout=TIMEOUT_S, stream=True)
                with asked as answer:
                    answer.raise_for_status()
                    for part in answer.iter_content(1 << 16):
                        parts.append(part)
                        size += len(part)
                        if size > LARGEST_MIB << 20:
                            raise self.trouble(f"answered more than {LARGEST_MIB} MiB")
                        if time.monotonic() - begun > SLOWEST_S:
                            raise self.trouble(f"took longer than {SLOWEST_S} s for one answer")
            body = json.loads(b"".join(parts))
        except requests.RequestException as error:
            status = getattr(error.response, "status_code", None)
            raise self.trouble(f"answered {status}" if status else "cannot be reached") from error
        except (ValueError, RecursionError) as error:
            raise self.trouble(said("answered_something_not_json")) from error
        if not isinstance(body, dict):
            raise self.trouble(said("answered_something_not"))
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
                raise self.trouble(said("answered_without_list"))
            if page and page[:1] == last:
                raise self.trouble(said("answered_same_page"))
            last = page[:1]
            for item in page:
                if _is_readable(item):
                    yield item
                else:
                    self.unreadable += 1
            offset += len(page)
            more = body.get("properties")
            if not page or not any(
                isinstance(part, dict) and part.get("exceededTransferLimit") for part in (body, more)
            ):
                return
        raise self.trouble(said("more_pages_box", most_pages=MOST_PAGES))
