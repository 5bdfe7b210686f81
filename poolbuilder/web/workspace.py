"""What the page may touch: its stores and layers, and one folder with pools, notes and the list of waters."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import shapely

import poolbuilder
from poolbuilder import tables
from poolbuilder.errors import PlanError, PoolFileError
from poolbuilder.files import whole_file
from poolbuilder.folder import FILES, read_pool
from poolbuilder.job import Job
from poolbuilder.names.checklist import SHIPPED, Checklist
from poolbuilder.places.base_map import base_map
from poolbuilder.places.layers import names_of, read_layer
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool
from poolbuilder.records.service.client import DEFAULT_URL
from poolbuilder.records.store import Store
from poolbuilder.refresh.plan import read_plan
from poolbuilder.settings import Settings, parsed_toml
from poolbuilder.water.hydrography import HYDROGRAPHY_URL

_KEY = re.compile(r"[a-z0-9][a-z0-9.-]{0,120}")
_NOTE = re.compile(r"(known|catch)-[0-9a-f]{12}\.csv")
_SAFE = re.compile(r"[^a-z0-9]+")


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
    water_url: str = HYDROGRAPHY_URL

    @property
    def waters(self) -> Path:
        """The list of waters, a plan that `poolbuilder refresh` reads."""
        return self.folder / "waters.toml"

    @property
    def notes(self) -> Path:
        """What people know of the waters and have caught there, a table a statement."""
        return self.folder / "notes"

    def note(self, name: str) -> Path | None:
        """A kept table by its name; None for no name.

        Raises
        ------
        PoolFileError
            When there is none of this name.
        """
        if not name:
            return None
        if not (_NOTE.fullmatch(name) and (self.notes / name).is_file()):
            raise PoolFileError.of("there_no_notes", name=name[:40])
        return self.notes / name

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
            "notes": [path.name for path in (*job.known, *job.catch)],
            "hydrography": getattr(job.kept_layers(), "fetched", None),
            "records": Store(job.store).index.generation,
            "version": poolbuilder.__version__,
        }
        digest = hashlib.sha256(json.dumps(asked, sort_keys=True).encode()).hexdigest()[:12]
        name = site.name or f"{site.latitude:.4f} {site.longitude:.4f}"
        return f"{slug(name)[:48] or 'water'}-{digest}"

    def path(self, key: str) -> Path | None:
        """The folder of a finished pool, or None when there is none of this name."""
        if not _KEY.fullmatch(key):
            return None
        folder = self.folder / key
        return folder if (folder / "datapackage.json").is_file() else None

    def pool(self, key: str) -> Pool:
        """A finished pool.

        Raises
        ------
        PoolFileError
            When there is none of this name, or it cannot be read.
        """
        folder = self.path(key)
        if folder is None:
            raise PoolFileError.of("there_no_pool", item=key[:80])
        return read_pool(folder)

    def file(self, key: str, name: str) -> Path | None:
        """A file of a finished pool that may be handed out, or None."""
        folder = self.path(key)
        if folder is None or name not in (*FILES, "report.html"):
            return None
        file = folder / name
        return file if file.is_file() and not file.is_symlink() else None

    def results(self) -> list[dict[str, Any]]:
        """Every finished pool in the folder with its site and day, by name and then key."""
        found = []
        for path in sorted(self.folder.glob("*/pool.json")):
            key = path.parent.name
            try:
                document = json.loads(path.read_text(encoding="utf-8"))
                of, as_of = document["site"], str(document.get("asOf", ""))
                site = Site(
                    longitude=of["longitude"],
                    latitude=of["latitude"],
                    radius_km=of["radiusKm"],
                    name=str(of.get("name") or ""),
                )
            except (OSError, ValueError, KeyError, TypeError):
                continue  # another program's folder: not ours to list
            if self.path(key) is not None:
                found.append({"key": key, "site": site, "asOf": as_of})
        return sorted(found, key=lambda item: (item["site"].name.lower(), item["key"]))


def slug(name: str) -> str:
    """A name as a part of a file's name."""
    return _SAFE.sub("-", name.lower()).strip("-")


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


# ------------------------------------------------------------------ the list of waters

HEADER = "# Waters to build pools of; `poolbuilder refresh` reads this file, and you may edit it.\n"
_TABLE = "[[water]]"


@dataclass(frozen=True, kw_only=True)
class Waters:
    """The waters of a plan file; the rest of the file, comments too, stays as it is.

    Parameters
    ----------
    path : Path
        The file; it need not exist.
    start : dict
        What the section ``[refresh]`` of a new file says.
    """

    path: Path
    start: dict[str, Any]

    def sites(self) -> list[Site]:
        """Every water of the list.

        Raises
        ------
        PlanError
            When the file is not such a list.
        """
        values = _parsed(self._text(), self.path)
        radius = values.get("refresh", {}).get("radiusKm", 40)
        sites = []
        for number, row in enumerate(values.get("water", []), start=1):
            try:
                site = Site(
                    longitude=row["lon"],
                    latitude=row["lat"],
                    radius_km=row.get("radiusKm", radius),
                    name=str(row.get("name", "")),
                    water_type=row.get("waterType"),
                )
            except (KeyError, ValueError, TypeError, AttributeError) as error:
                raise PlanError.of("water_cannot_used", file=self.path, number=number, error=error) from error
            sites.append(site)
        return sites

    def add(self, site: Site) -> bool:
        """Put a water at the end of the list; False when it stands there already."""
        if any(_place(site) == _place(other) for other in self.sites()):
            return False
        if not site.name:
            raise PlanError.of("water_list_needs", file=self.path)
        row = {
            "name": site.name,
            "lat": site.latitude,
            "lon": site.longitude,
            "radiusKm": site.radius_km,
            "waterType": site.water_type,
        }
        head = f"{HEADER}\n[refresh]\n{_lines(self.start)}"
        text = (self._text() or head).rstrip("\n")
        self._write(f"{text}\n\n{_TABLE}\n{_lines(row)}", whole=True)
        return True

    def remove(self, name: str) -> bool:
        """Take a water off the list by its name; False when it is not there."""
        sites = self.sites()
        numbers = [number for number, site in enumerate(sites) if site.name == name]
        if not numbers:
            return False
        lines = self._text().splitlines(keepends=True)
        heads = [at for at, line in enumerate(lines) if line.split("#")[0].strip() == _TABLE]
        if len(heads) != len(sites):
            raise PlanError.of("written_way_page", file=self.path, table=_TABLE)
        start = heads[numbers[0]]
        later = [at for at in range(start + 1, len(lines)) if lines[at].lstrip().startswith("[")]
        stop = later[0] if later else len(lines)
        self._write("".join(lines[:start] + lines[stop:]))
        return True

    def _text(self) -> str:
        try:
            return self.path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return ""
        except (OSError, UnicodeDecodeError) as error:
            raise PlanError.of("cannot_read_workspace", file=self.path, error=error) from error

    def _write(self, text: str, *, whole: bool = False) -> None:
        """Write the file whole or not at all; a *whole* plan must be one that `refresh` can read."""
        _parsed(text, self.path)
        try:
            with whole_file(self.path, PlanError) as beside:
                beside.write_text(text, encoding="utf-8", newline="\n")
                if whole:
                    read_plan(beside)
        except PlanError as error:
            raise PlanError(error.fact, file=self.path, remedy=error.remedy) from error


def _parsed(text: str, path: Path) -> dict[str, Any]:
    try:
        return parsed_toml(text)
    except (ValueError, RecursionError) as error:
        raise PlanError.of("not_toml_workspace", file=path, error=error) from error


def _place(site: Site) -> tuple[float, float, str]:
    return site.longitude, site.latitude, site.name


def _lines(values: Mapping[str, Any]) -> str:
    """Texts, numbers and lists of texts as lines of TOML; JSON's escapes are TOML's, but for DEL."""
    texts = {key: json.dumps(value, ensure_ascii=False) for key, value in values.items() if value is not None}
    return "".join(f"{key} = {text.replace(chr(127), chr(92) + 'u007f')}\n" for key, text in texts.items())
