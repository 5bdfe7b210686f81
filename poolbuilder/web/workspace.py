"""What the page may touch: its stores, one folder, and the layers that it was started with."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import shapely

import poolbuilder
from poolbuilder import tables
from poolbuilder.folder import FILES
from poolbuilder.job import Job
from poolbuilder.names.checklist import SHIPPED, Checklist
from poolbuilder.places.base_map import base_map
from poolbuilder.places.layers import names_of, read_layer
from poolbuilder.places.sites import Site
from poolbuilder.records.service.client import DEFAULT_URL
from poolbuilder.records.store import Store
from poolbuilder.settings import Settings

DOWNLOADS = (*FILES, "report.html")
"""Files of a pool folder that the page hands out."""

_KEY = re.compile(r"[a-z0-9][a-z0-9.-]{0,120}")
_SAFE = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True, kw_only=True)
class Result:
    """A pool that stands in the folder."""

    key: str
    name: str
    longitude: float
    latitude: float
    radius_km: float
    as_of: str


@dataclass(frozen=True, kw_only=True)
class Workspace:
    """Where the page reads and writes.

    Attributes
    ----------
    store : Path
        The record store.
    more_stores : sequence of Path
        Further record stores to choose from.
    folder : Path
        Where pools and the list of waters go.
    checklists, ranges, region_lists : sequence
        What a person can choose from; a list of regions with the layer of its polygons or None.
    layers : dict
        ``water``, ``basins``, ``streams`` and ``barriers`` to a layer, used for every pool.
    """

    store: Path
    folder: Path
    checklists: Sequence[str] = SHIPPED
    ranges: Sequence[str] = ()
    region_lists: Sequence[tuple[str, str | None]] = ()
    layers: dict[str, str] = field(default_factory=dict)
    settings: Settings = field(default_factory=Settings)
    more_stores: Sequence[Path] = ()
    service_url: str = DEFAULT_URL

    @property
    def waters(self) -> Path:
        """The list of waters, a plan that `poolbuilder refresh` reads."""
        return self.folder / "waters.toml"

    def plan(self) -> dict[str, Any]:
        """The head of a new list of waters: what a seasonal run needs, with whole paths."""
        checklist = self.checklists[0]
        start: dict[str, Any] = {
            "out": "refreshed",
            "store": str(self.store.absolute()),
            "radiusKm": 40,
            "checklist": _whole(checklist),
            "taxon": list(Checklist.load(checklist).genera),
        }
        if self.ranges:
            start["ranges"] = [_whole(spec) for spec in self.ranges]
        if self.region_lists:
            pairs = sorted(self.region_lists, key=lambda pair: pair[1] is None)  # a plan pairs them in turn
            start["regionList"] = [_whole(table) for table, _ in pairs]
            start["regions"] = [_whole(layer) for _, layer in pairs if layer]
        return start | {key: _whole(spec) for key, spec in self.layers.items()}

    def range_labels(self) -> dict[str, str]:
        """A short name for each choice of ranges, and of lists of what is native."""
        labels: dict[str, str] = {}
        for spec in (*self.ranges, *(table for table, _ in self.region_lists)):
            label = Path(spec).name
            labels[spec if label in labels else label] = spec
        return labels

    def store_labels(self) -> dict[str, Path]:
        """A name for each store, as it was given; the first is taken unless another is chosen."""
        return {str(path): path for path in (self.store, *self.more_stores)}

    def key(self, job: Job) -> str:
        """The name of the folder for a job; it changes when anything that the job reads changes."""
        site = job.site
        asked: dict[str, Any] = {
            "site": [site.longitude, site.latitude, site.radius_km, site.name, site.water_type],
            "asOf": job.as_of.isoformat(),
            "checklist": stamped(job.checklist),
            "ranges": [stamped(spec) for spec in job.ranges],
            "lists": [[spec and stamped(spec) for spec in pair] for pair in job.region_lists],
            "layers": {key: stamped(spec) for key, spec in sorted(self.layers.items())},
            "settings": job.settings.as_dict(),
            "store": str(job.store),
            "records": Store(job.store).index.generation,
            "version": poolbuilder.__version__,
        }
        digest = hashlib.sha256(json.dumps(asked, sort_keys=True).encode()).hexdigest()[:12]
        words = _SAFE.sub("-", (site.name or f"{site.latitude:.4f} {site.longitude:.4f}").lower()).strip("-")
        return f"{words[:48] or 'water'}-{digest}"

    def path(self, key: str) -> Path | None:
        """The folder of a finished pool, or None when there is none of this name."""
        if not _KEY.fullmatch(key):
            return None
        folder = self.folder / key
        return folder if (folder / "datapackage.json").is_file() else None

    def file(self, key: str, name: str) -> Path | None:
        """A file of a finished pool that may be handed out, or None."""
        folder = self.path(key)
        if folder is None or name not in DOWNLOADS:
            return None
        file = folder / name
        return file if file.is_file() and not file.is_symlink() else None

    def results(self) -> list[Result]:
        """Every finished pool in the folder, by name and then key."""
        found = []
        for path in sorted(self.folder.glob("*/pool.json")):
            key = path.parent.name
            if self.path(key) is None:
                continue
            try:
                document = json.loads(path.read_text(encoding="utf-8"))
                site = document["site"]
                found.append(
                    Result(
                        key=key,
                        name=str(site.get("name") or ""),
                        longitude=float(site["longitude"]),
                        latitude=float(site["latitude"]),
                        radius_km=float(site["radiusKm"]),
                        as_of=str(document.get("asOf", "")),
                    )
                )
            except (OSError, ValueError, KeyError, TypeError):
                continue  # another program's folder: not ours to list
        return sorted(found, key=lambda item: (item.name.lower(), item.key))


def _whole(spec: str) -> str:
    """The same file or layer by its whole path; what names no file stays as it is."""
    path, layer = (spec, "") if Path(spec).exists() else (spec.rpartition(":")[0], spec.rpartition(":")[2])
    if not path or not Path(path).exists():
        return spec
    return f"{Path(path).absolute()}:{layer}" if layer else str(Path(path).absolute())


def stamped(spec: str) -> list[Any]:
    """A file with its size and time of change, so that a changed file makes a new result."""
    path = Path(spec if Path(spec).exists() else spec.rpartition(":")[0] or spec)
    try:
        found = path.stat()
    except OSError:
        return [spec]
    return [spec, found.st_size, found.st_mtime_ns]


DRAWN_RECORDS = 300_000
DRAWN_PLACES = 20_000
DRAWN_SHAPES = 3_000
CELL = 0.02
FINE_DEGREES = 0.0005


def places(store: Store) -> list[tuple[float, float]]:
    """Where a store holds records, coarsely.

    Returns
    -------
    list of (longitude, latitude)
        Middles of small cells; of the parts of the store when it is large.
    """
    if store.is_empty:
        return []
    if store.records > DRAWN_RECORDS:
        boxes = np.concatenate([item.box for item in store.index.of_kind("placed")])
        middles = np.stack([boxes[:, [0, 2]].mean(axis=1), boxes[:, [1, 3]].mean(axis=1)], axis=1)
    else:
        parts = [np.zeros((0, 2))]
        for batch in store.batches():
            longitude = tables.numbers(batch["decimalLongitude"])
            latitude = tables.numbers(batch["decimalLatitude"])
            parts.append(np.stack([longitude, latitude], axis=1))
        middles = np.concatenate(parts)
    # 0, 0 is where broken coordinates fall; the screen rejects them, the map leaves them out.
    known = np.isfinite(middles).all(axis=1) & (np.abs(middles) <= [180, 90]).all(axis=1)
    known &= (middles != 0).any(axis=1)
    cells = np.unique(np.round(middles[known] / CELL).astype(np.int64), axis=0)[:DRAWN_PLACES]
    return [(round(x * CELL, 3), round(y * CELL, 3)) for x, y in cells.tolist()]


def shapes(spec: str, *, purpose: str) -> list[dict[str, Any]]:
    """The largest features of a layer, thinned: ``geometry`` as GeoJSON, and ``name``.

    Raises
    ------
    LayerError
        When the layer cannot be read.
    """
    layer = read_layer(spec, purpose=purpose)
    names = names_of(layer.attributes, layer.rows)
    size = shapely.area(layer.geometry) + 1e-9 * shapely.length(layer.geometry)
    drawn = []
    for row in np.argsort(-size, kind="stable")[:DRAWN_SHAPES].tolist():
        thin = shapely.set_precision(shapely.simplify(layer.geometry[row], FINE_DEGREES), 1e-5)
        if not thin.is_empty:
            drawn.append({"geometry": json.loads(shapely.to_geojson(thin)), "name": names[row] or ""})
    return drawn


@lru_cache(maxsize=32)
def drawn_base(site: Site) -> dict[str, list[dict[str, Any]]]:
    """The base map around a place, thinned to what an eye can tell apart: geometry and name by layer."""
    tolerance = 2 * site.radius_km / 111 / 1200
    drawn: dict[str, list[dict[str, Any]]] = {}
    for layer, items in base_map(site).items():
        for item in items:
            shape = shapely.simplify(shapely.geometry.shape(item["geometry"]), tolerance)
            if not shape.is_empty:
                geometry = json.loads(shapely.to_geojson(shape))
                named = {"geometry": geometry, "name": str(item["properties"].get("name") or "")}
                drawn.setdefault(layer, []).append(named)
    return drawn
