"""Where the page reads and writes, what it offers, what is asked for, and who may ask."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime
import hashlib
import hmac
import json
import os
import re
import secrets
from collections.abc import Awaitable, Callable, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlencode

import numpy as np
import shapely
from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import PlainTextResponse

import poolbuilder
from poolbuilder import tables
from poolbuilder.errors import PlanError, PoolBuilderError, PoolFileError, SiteError, said
from poolbuilder.files import whole_file
from poolbuilder.folder import FILES, read_pool
from poolbuilder.job import Job
from poolbuilder.names.checklist import SHIPPED, Checklist
from poolbuilder.places.base_map import base_map
from poolbuilder.places.layers import names_of, read_layer
from poolbuilder.places.sites import WATER_TYPES, Site
from poolbuilder.pool import Pool
from poolbuilder.records.service.client import DEFAULT_URL
from poolbuilder.records.store import Store
from poolbuilder.refresh.plan import read_plan, read_sites
from poolbuilder.settings import Settings
from poolbuilder.water.hydrography import HYDROGRAPHY_URL

HOST = "127.0.0.1"
TOKEN_NAME = ".page-token"
_TOKEN = re.compile(r"[A-Za-z0-9_-]{20,80}")
HEADERS = (
    (b"content-security-policy", b"frame-ancestors 'none'"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"private, no-cache"),  # Back shows what was typed
)
"""Of every answer; a page's own policy comes in a header beside these, and both hold."""

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

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
    layers: dict[str, Any] = field(default_factory=dict)
    settings: Settings = field(default_factory=Settings)
    more_stores: Sequence[Path] = ()
    service_url: str = DEFAULT_URL
    water_url: str = HYDROGRAPHY_URL
    _drawn: dict[str, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

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

    def base(self, site: Site) -> dict[str, list[dict[str, Any]]]:
        """The base map around a place, for the map of the form."""
        return drawn_base(site)

    def drawn(self) -> dict[str, list[Any]]:
        """Records, outlines and streams for the map; read again when the store or a file changed."""
        store, layers = Store(self.store), self.layers
        readers: dict[str, tuple[Callable[[], Any], Callable[[], list[Any]]]] = {
            "places": (lambda: store.index.generation, partial(places, store))
        }
        for key, purpose in (("water", "outlines"), ("streams", "flow lines")):
            if spec := layers.get(key):
                readers[key] = (partial(stamped, spec), partial(shapes, spec, purpose=purpose))
        drawn: dict[str, list[Any]] = {"places": [], "water": [], "streams": []}
        for key, (stamp, read) in readers.items():
            with contextlib.suppress(PoolBuilderError):  # the build says what is wrong; the map does without
                now = stamp()
                if key not in self._drawn or self._drawn[key][0] != now:
                    self._drawn[key] = (now, read())
                drawn[key] = self._drawn[key][1]
        return drawn

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

_TABLE = "[[water]]"
_WATER = re.compile(r"\s*\[\[water\]\]\s*(#.*)?$", re.MULTILINE)


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
        return read_sites(self.path) if self._text() else []

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
        head = f"# {said('plan_header')}\n\n[refresh]\n{_lines(self.start)}"
        text = (self._text() or head).rstrip("\n")
        self._write(f"{text}\n\n{_TABLE}\n{_lines(row)}", read_plan)
        return True

    def remove(self, name: str) -> bool:
        """Take a water off the list by its name; False when it is not there."""
        names = [site.name for site in self.sites()]
        if name not in names:
            return False
        parts = re.split(r"(?m)^(?=[ \t]*\[)", self._text())  # a table each, after what stands above all
        waters = [at for at, part in enumerate(parts) if _WATER.match(part)]
        if len(waters) != len(names):
            raise PlanError.of("written_way_page", file=self.path, table=_TABLE)
        del parts[waters[names.index(name)]]
        self._write("".join(parts), read_sites)
        return True

    def _text(self) -> str:
        try:
            return self.path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return ""
        except (OSError, UnicodeDecodeError) as error:
            raise PlanError.of("cannot_read", file=self.path, why=error) from error

    def _write(self, text: str, read: Callable[[Path], Any]) -> None:
        """Write the file, whole or not at all, if it can be read."""
        try:
            with whole_file(self.path, PlanError) as beside:
                beside.write_text(text, encoding="utf-8", newline="\n")
                read(beside)
        except PlanError as error:
            raise PlanError(error.fact, file=self.path, remedy=error.remedy) from error


def _place(site: Site) -> tuple[float, float, str]:
    return site.longitude, site.latitude, site.name


def _lines(values: Mapping[str, Any]) -> str:
    """Texts, numbers and lists of texts as lines of TOML; JSON's escapes are TOML's, but for DEL."""
    texts = {key: json.dumps(value, ensure_ascii=False) for key, value in values.items() if value is not None}
    return "".join(f"{key} = {text.replace(chr(127), chr(92) + 'u007f')}\n" for key, text in texts.items())


# ------------------------------------------------------------------ what is asked for

T = TypeVar("T")

NAME_LENGTH = 200
MOST_FORM_BYTES = 64 * 1024
FIELDS = ("at", "name", "waterType", "radiusKm", "asOf", "checklist", "store", "known", "catch")
"""The fields of the form for a water; *known* and *catch* name tables that the page keeps."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """The fields as typed, the faults by field, and the job when there is no fault."""

    values: Mapping[str, str]
    ranges: tuple[str, ...] = ()
    faults: Mapping[str, str] = field(default_factory=dict)
    job: Job | None = None

    @property
    def address(self) -> str:
        """What was asked as the part of an address after ``?``."""
        pairs = [(key, value) for key, value in self.values.items() if value]
        return urlencode([*pairs, *(("ranges", label) for label in self.ranges)])

    def with_values(self, **changed: str) -> Asked:
        """The same with some fields changed, not read again."""
        return dataclasses.replace(self, values={**self.values, **changed})

    @classmethod
    def blank(cls, workspace: Workspace, given: QueryParams | None = None) -> Asked:
        """The form with what an address already holds, nothing of it judged."""
        given = QueryParams() if given is None else given
        start = {
            "radiusKm": "40",
            "asOf": datetime.date.today().isoformat(),
            "checklist": workspace.checklists[0],
        }
        values = {key: given.get(key, start.get(key, "")) for key in FIELDS}
        ranges = given.getlist("ranges") if "at" in given else workspace.range_labels()
        return cls(values=values, ranges=tuple(ranges))

    @classmethod
    def of_site(cls, site: Site, *, as_of: str, checklist: str, ranges: tuple[str, ...] = ()) -> Asked:
        """What asks for a pool of a site."""
        values = dict.fromkeys(FIELDS, "") | {
            "at": f"{site.latitude!r}, {site.longitude!r}",
            "name": site.name,
            "waterType": site.water_type or "",
            "radiusKm": f"{site.radius_km:g}",
            "asOf": as_of,
            "checklist": checklist,
        }
        return cls(values=values, ranges=ranges)

    @classmethod
    def of_pool(cls, pool: Pool, workspace: Workspace) -> Asked:
        """What was asked for, as far as it can be asked for again here."""
        used = {str(item.get("path")) for item in pool.inputs}
        labels = workspace.range_labels().items()
        ranges = tuple(label for label, spec in labels if spec in used or spec.rpartition(":")[0] in used)
        found = cls.of_site(
            pool.site, as_of=pool.as_of.isoformat(), checklist=pool.checklist_name, ranges=ranges
        )
        kept = {path.name for path in workspace.notes.glob("*.csv")} & used
        return found.with_values(
            **{kind: name for name in sorted(kept) for kind in ("known", "catch") if name.startswith(kind)}
        )

    @classmethod
    def read(cls, given: QueryParams, workspace: Workspace) -> Asked:
        """Read the fields of the form; *ranges* may come several times."""
        values = {key: given.get(key, "").strip() for key in FIELDS}
        faults: dict[str, str] = {}

        def field_of(name: str, how: Callable[[str], T]) -> T | None:
            try:
                return how(values[name])
            except (ValueError, PoolBuilderError) as error:
                faults[name] = str(error)
                return None

        def chosen(name: str, offered: Any, what: str) -> None:
            if values[name] not in offered:
                faults[name] = said("there_no_here", what=what, values=values[name])

        place, radius, as_of = (
            field_of("at", read_coordinates),
            field_of("radiusKm", _radius),
            field_of("asOf", _day),
        )
        if len(values["name"]) > NAME_LENGTH:
            faults["name"] = said("name_more_letters", name_length=NAME_LENGTH)
        stores, labels = workspace.store_labels(), workspace.range_labels()
        chosen("waterType", ("", *WATER_TYPES), "kind of water")
        chosen("checklist", workspace.checklists, "checklist")
        chosen("store", ("", *stores), "store")
        known, catch = (field_of(name, workspace.note) for name in ("known", "catch"))
        ranges = tuple(label for label in given.getlist("ranges") if label in labels)
        if len(ranges) < len(given.getlist("ranges")):
            faults["ranges"] = said("range_maps_lists")
        job = None
        if not faults and place is not None and radius is not None and as_of is not None:
            try:
                site = Site(
                    longitude=place[0],
                    latitude=place[1],
                    radius_km=radius,
                    name=values["name"],
                    water_type=values["waterType"] or None,
                )
            except SiteError as error:
                faults["radiusKm"] = str(error)
            else:
                specs = {labels[label] for label in ranges}
                job = Job(
                    site=site,
                    as_of=as_of,
                    checklist=values["checklist"],
                    ranges=tuple(spec for spec in workspace.ranges if spec in specs),
                    region_lists=tuple(pair for pair in workspace.region_lists if pair[0] in specs),
                    store=stores.get(values["store"], workspace.store),
                    settings=workspace.settings,
                    known=(known,) if known else (),
                    catch=(catch,) if catch else (),
                    **workspace.layers,
                )
        return cls(values=values, ranges=ranges, faults=faults, job=job)


async def read_form(request: Request) -> QueryParams:
    """The fields of a small form; none of a form that is too long."""
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_FORM_BYTES:
            return QueryParams()
    return QueryParams(body.decode("utf-8", "replace"))


def _radius(text: str) -> float:
    try:
        return float(text.lower().removesuffix("km").strip().replace(",", "."))
    except ValueError:
        raise ValueError(said("not_radius_km", text=text[:40])) from None


def _day(text: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise ValueError(said("not_day_2026", text=text[:40])) from None


_MARKS = re.compile(r"[°º'′’\"″”]|(?<=\d)\s*(?:deg|min|sec)\b", re.IGNORECASE)
_PART = re.compile(r"([NSEW]?)\s*([+-]?)((?:\d+\s+){0,2})(\d+(?:\.\d*)?)\s*([NSEW]?)", re.IGNORECASE)
_AXES = {"N": "y", "S": "y", "E": "x", "W": "x", "": ""}
_DECIMAL_COMMAS = re.compile(r"([+-]?\d+),(\d+)(?:\s*;\s*|\s+)([+-]?\d+),(\d+)")


def read_coordinates(text: str) -> tuple[float, float]:
    """Longitude and latitude, in degrees, of a pasted pair.

    Latitude comes first, as people and maps write it, unless letters say otherwise.
    Decimal degrees, degrees and minutes, degrees, minutes and seconds, and a ``geo:``
    address (RFC 5870) are read.

    Raises
    ------
    SiteError
        When the text is not a pair of coordinates on the globe.

    Examples
    --------
    >>> read_coordinates("35.75, -79.02")
    (-79.02, 35.75)
    >>> read_coordinates("35°45′00″N 79°01′12″W")
    (-79.02, 35.75)
    >>> read_coordinates("W 79 1.2', N 35 45'")
    (-79.02, 35.75)
    """
    cleaned = text.strip()
    if cleaned.startswith("geo:"):
        cleaned = cleaned.removeprefix("geo:").split(";")[0]
    cleaned = cleaned.strip("()[] ")
    cleaned = cleaned.replace("\N{MINUS SIGN}", "-").replace("\N{EN DASH}", "-")
    cleaned = _MARKS.sub(" ", _DECIMAL_COMMAS.sub(r"\1.\2; \3.\4", cleaned)).strip()
    if not cleaned:
        raise SiteError.of("no_coordinates")
    parts = [_degrees(piece, text) for piece in _halves(cleaned, text)]
    axes = [axis for _, axis in parts]
    if axes in (["x", "y"], ["x", ""], ["", "y"]):
        parts.reverse()
    elif axes[0] == axes[1] != "":
        raise SiteError.of("coordinate_twice", text=text, axis="latitude" if axes[0] == "y" else "longitude")
    latitude, longitude = parts[0][0], parts[1][0]
    if abs(latitude) > 90:
        swapped = said("two_look_swapped") if abs(longitude) <= 90 else ""
        raise SiteError.of("latitude_not_globe_latitude", latitude=latitude, swapped=swapped)
    if abs(longitude) > 180:
        raise SiteError.of("longitude_not_globe_180", longitude=longitude)
    return longitude, latitude


def _halves(text: str, given: str) -> list[str]:
    """The two coordinates: split at the comma, at a letter, or at the space between two numbers."""
    for pattern in (r"[,;/|]", r"(?<=[NSEW])\s+(?=[+-]?\d)", r"(?<=[\d\s.])(?=[NSEW]\s*\d)", r"\s+"):
        pieces = [piece.strip() for piece in re.split(pattern, text, flags=re.IGNORECASE) if piece.strip()]
        if len(pieces) == 2:
            return pieces
    raise SiteError.of("not_pair_coordinates", given=given)


def _degrees(piece: str, given: str) -> tuple[float, str]:
    """Degrees, and `y` for latitude, `x` for longitude or nothing when no letter says."""
    found = _PART.fullmatch(piece)
    if found is None or (found[1] and found[5]):
        raise SiteError.of("not_pair_coordinates_cannot", given=given, piece=piece)
    degrees, minutes, seconds = [*map(float, f"{found[3]} {found[4]}".split()), 0.0, 0.0][:3]
    if minutes >= 60 or seconds >= 60:
        what = "minutes" if minutes >= 60 else "seconds"
        raise SiteError.of("minutes_beyond_60", given=given, minutes=what)
    letter = (found[1] or found[5]).upper()
    size = round(degrees + minutes / 60 + seconds / 3600, 9)
    return (-size if found[2] == "-" or letter in {"S", "W"} else size), _AXES[letter]


# ------------------------------------------------------------------ who may ask


def read_token(folder: Path) -> str:
    """The folder's token, made once and readable by its owner alone, so that bookmarks keep working."""
    file = folder / TOKEN_NAME
    with contextlib.suppress(OSError, UnicodeDecodeError):  # none yet, or not ours: make one
        known = file.read_text(encoding="ascii").strip()
        if _TOKEN.fullmatch(known):
            return known
    token = secrets.token_urlsafe(24)
    file.unlink(missing_ok=True)
    with os.fdopen(
        os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii"
    ) as stream:
        stream.write(token + "\n")
    return token


class Guard:
    """Middleware that checks Host, Origin and token before anything else is run.

    A foreign page can make a browser ask this server, and a foreign name can be pointed at
    127.0.0.1; the Host and Origin of such a request are not ours.
    """

    def __init__(self, app: Any, *, token: str, port: int) -> None:
        self.app = app
        self.token = token
        self.hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]")}
        self.origins = {f"http://{host}" for host in self.hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        if scope["type"] != "http":
            return
        refusal = self._refusal(scope)
        app = self.app if refusal is None else PlainTextResponse(f"{refusal[1]}\n", status_code=refusal[0])

        async def sealed(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *HEADERS]
            await send(message)

        await app(scope, receive, sealed)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1").lower())
        host = headers.get("host", [])
        if len(host) != 1 or host[0] not in self.hosts:
            return 421, said("page_answers_only")
        reads = scope["method"] in {"GET", "HEAD"}
        foreign = any(value not in self.origins for value in headers.get("origin", []))
        if foreign or not (reads or headers.get("sec-fetch-site", ["same-origin"]) == ["same-origin"]):
            return 403, said("request_comes_another")
        token = scope["path"].split("/")[1] if scope["path"].startswith("/") else ""
        if not hmac.compare_digest(token.encode("utf-8", "surrogatepass"), self.token.encode()):
            return 404, said("nothing_here_open")
        return None
