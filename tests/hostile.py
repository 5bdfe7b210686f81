"""Hostile inputs: files of every kind that is read, mutated by seed, and what became of each.

An input is *refused* (an error of ours, one line), *read* (a result), or *lost* (anything else: a
traceback, a hang, too much memory).  ``tests/bench/fuzz.py`` tries thousands; ``tests/test_hostile.py`` some.
"""

from __future__ import annotations

import contextlib
import datetime
import decimal
import io
import json
import math
import random
import resource
import shutil
import signal
import sqlite3
import tempfile
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas
import pyarrow as pa
import pyarrow.parquet as pq
import shapely

import poolbuilder
from poolbuilder import Checklist, PoolBuilderError, Settings
from poolbuilder.fish.characters import read_traits
from poolbuilder.fish.notes import read_fish
from poolbuilder.names.checklist import KnownCrosses
from poolbuilder.places.layers import read_layer
from poolbuilder.places.sites import read_waters
from poolbuilder.records.reading import read_all
from poolbuilder.records.service.client import Client
from poolbuilder.records.service.fetches import fetch
from poolbuilder.records.service.search import Query
from poolbuilder.records.statements import read_statements
from poolbuilder.refresh.plan import read_plan
from poolbuilder.status.lists import RegionLists
from tests import service_double as service

PACKAGE = Path(poolbuilder.__file__).parent
DATA = Path(__file__).parent / "data"
DAY = datetime.date(2026, 6, 1)
SECONDS = 30
MIB = 2048

RECORDS = b"""occurrenceID,scientificName,decimalLatitude,decimalLongitude,eventDate,individualCount,recordedBy
a1,Lepomis cyanellus,36.9,-91.2,2020-06-01,3,A. Invented
a2,"Lepomis macrochirus x Lepomis gulosus",36.91,-91.21,1998,1,"B, Invented"
a3,Lepomis sp.,36.92,,2001-05/2001-06,0,
"""
SETTINGS = b"regionKm = 200.0\nreachKm = 120\n"
PLAN = b"""[refresh]
out = "pools"
taxon = ["Lepomis"]
radiusKm = 40
licence = "CC0"
[[water]]
name = "Pond"
lat = 36.9
lon = -91.2
[settings]
regionKm = 200.0
"""
WATERS = b"name,latitude,longitude,radius_km\nPond A,36.9,-91.2,40\nPond B,37.0,-91.3,\n"
SEEN = b"scientificName,status,source\nLepomis cyanellus,present,A. Invented\nLepomis gulosus,absent,agency\n"
STATUS = b"region,scientificName,establishmentMeans,source\nMissouri,Lepomis cyanellus,native,invented\n"
UNITS = b"""huc8;species;nativeStatus;pathway;firstYear;lastYear;year;reference
07140101;longear sunfish;native;;1890;;2021;invented
7140102;Lepomis megalotis;introduced;releasedForUse;1950;1970;2021;invented
04;pumpkinseed;Y;;;;;invented
"""
WIDE_WATERS = (
    b"LAKE_NAME\tLAT_DD\tLON_DD\tradius_km\twater_type\tDOW\tcounty\nPond A\t36.9\t-91.2\t40\tlake\t7\tB\n"
)
CATCH = (
    b"species,statement,date,count,source,waterBody,gear,hours\nbluegill,yes,2020-05-01,3,A,Pond,seine,2\n"
)
FISHES = b"""name,sex,standard_length_mm,body_depth_mm,sure_body_depth_mm,anal_rays,photos
fish 7,male,142,60,0.4,10,a.jpg;b.jpg
fish 8,,99,,,,
"""
FISH = b"""[fish]
name = "fish 7"
sex = "male"

[seen]
standard_length_mm = 142
body_depth_mm = { value = 60, sure = 0.4 }
anal_rays = 10
"""

TOKENS = [
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"9" * 400, b"9" * 5000, b"-", b"1e999", b"NaN", b"Infinity", b"[" * 900,
    b"]" * 900, b"{" * 900, b'"', b"'''", b"\r", b"\n\n", b",", b"\t", b";", b"=1+1", "\u202e".encode(), b"\x1b[2J",
    b"\\ud83d", b"null", b"true", b"{}", b"[]", b"-0", b"0x1f", b"\xed\xa0\x80", b"<!ENTITY a 'b'>", b"A" * 70_000,
    b"1979-05-27T07:32:00Z", b"../../etc/passwd", b"2147483648", b"-1",
]  # fmt: skip


def mutated(seed: bytes, chance: random.Random) -> bytes:
    """One to four changes of a file: bytes turned, cut, doubled, moved, or put in."""
    body = bytearray(seed)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(body) + 1)
        end = min(len(body), at + chance.choice([1, 1, 4, 16, 64, 1024]))
        kind = chance.randrange(7)
        if kind == 0 and at < len(body):
            body[at] = chance.randrange(256)
        elif kind == 1:
            del body[at:end]
        elif kind == 2:
            body[at:at] = body[at:end] * chance.choice([1, 2, 50])
        elif kind == 3:
            del body[at:]
        elif kind in {4, 5}:
            body[at:at] = chance.choice(TOKENS)
        else:
            body[at:end] = chance.choice(TOKENS)
    return bytes(body)


def _inside(change: Callable[[bytes, random.Random], bytes]) -> Callable[[bytes, random.Random], bytes]:
    """Half of the inputs are mutated as bytes, which mostly breaks the packing; half by *change*, within it."""
    return lambda seed, chance: (change if chance.random() < 0.5 else mutated)(seed, chance)


def _member_mutated(seed: bytes, chance: random.Random) -> bytes:
    """A zip of which one file is mutated."""
    with zipfile.ZipFile(io.BytesIO(seed)) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    name = chance.choice(sorted(files))
    return _zipped(files | {name: mutated(files[name], chance)})


def _odd_column(length: int, chance: random.Random) -> pa.Array:
    """A column of a kind that a reader may not expect."""
    token = chance.choice(TOKENS)
    number = chance.choice([-(2**63), 2**63 - 1, 0, 200])
    made: list[Callable[[], pa.Array]] = [
        lambda: pa.array([token] * length, pa.binary()).view(pa.string()),
        lambda: pa.array([token] * length, pa.binary()),
        lambda: pa.array([number] * length, pa.int64()),
        lambda: pa.array([float(token[:400]) if token.isdigit() else math.nan] * length),
        lambda: pa.array([[1.5, None]] * length),
        lambda: pa.array([{"a": token.decode("latin-1")}] * length),
        lambda: pa.array([True] * length),
        lambda: pa.array([number] * length, pa.timestamp("us")),
        lambda: pa.array([number % 86_400] * length, pa.time32("s")),
        lambda: pa.array([decimal.Decimal(number)] * length, pa.decimal256(60, 3)),
        lambda: pa.array([token.decode("latin-1")] * length).dictionary_encode(),
        lambda: pa.nulls(length),
    ]
    return chance.choice(made)()


def _columns_mutated(seed: bytes, chance: random.Random) -> bytes:
    """A Parquet file of which one or two columns are of another kind, doubled, or mutated themselves."""
    table = pq.read_table(io.BytesIO(seed))
    for _ in range(chance.randint(1, 2)):
        at = chance.randrange(table.num_columns)
        name = table.column_names[at]
        held = table.column(at)
        if held.type == pa.binary() and chance.random() < 0.7:
            column = pa.array([mutated(value.as_py(), chance) for value in held], pa.binary())
        else:
            column = _odd_column(len(table), chance)
        table = (
            table.append_column(name, column) if chance.random() < 0.1 else table.set_column(at, name, column)
        )
    about = dict(table.schema.metadata or {})
    if about and chance.random() < 0.3:
        key = chance.choice(sorted(about))
        about[key] = mutated(about[key], chance)
        table = table.replace_schema_metadata(about)
    sink = io.BytesIO()
    pq.write_table(table, sink)
    return sink.getvalue()


def _rows_mutated(seed: bytes, chance: random.Random) -> bytes:
    """A GeoPackage of which one to three cells, of any table, are mutated."""
    file = sqlite3.connect(":memory:")
    file.deserialize(seed)
    for (trigger,) in file.execute("select name from sqlite_master where type = 'trigger'").fetchall():
        file.execute(f'drop trigger "{trigger}"')
    listed = "select name from sqlite_master where type = 'table' and sql not like '%virtual%' order by name"
    names = [name for (name,) in file.execute(listed) if not name.startswith(("sqlite_", "rtree_"))]
    for _ in range(chance.randint(1, 3)):
        table = chance.choice(names)
        columns = [row[1] for row in file.execute(f'pragma table_info("{table}")')]
        column = chance.choice(columns)
        cells = file.execute(f'select rowid, cast("{column}" as blob) from "{table}"').fetchall()
        if not cells:
            continue
        row, value = chance.choice(cells)
        turned: Any = mutated(value or b"", chance)
        if chance.random() < 0.5:
            turned = turned.decode("latin-1")
        with contextlib.suppress(sqlite3.Error):  # a number of a row, or a name twice, is refused here
            file.execute(f'update "{table}" set "{column}" = ? where rowid = ?', (turned, row))
    file.commit()
    return file.serialize()


@dataclass
class Outcome:
    """What became of the inputs of one reader."""

    counts: Counter[str] = field(default_factory=Counter)
    lost: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Reader:
    """One kind of file: its good examples, its name on disk, and what reads it."""

    seeds: tuple[bytes, ...]
    file: str
    read: Callable[[Path], Any]
    mutate: Callable[[bytes, random.Random], bytes] = mutated


def _zipped(files: dict[str, bytes]) -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in files.items():
            archive.writestr(name, body)
    return sink.getvalue()


def _parquet() -> bytes:
    table = pa.table(
        {
            "scientificName": ["Lepomis cyanellus", "Lepomis gulosus"],
            "decimalLatitude": [36.9, 37.0],
            "decimalLongitude": [-91.2, -91.1],
            "eventDate": ["2020", None],
        }
    )
    sink = io.BytesIO()
    pq.write_table(table, sink)
    return sink.getvalue()


def _meta(path: Path) -> Any:
    """An archive whose description is the mutated file."""
    folder = path.parent / "archive"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(DATA / "records" / "archive_plain", folder)
    (folder / path.name).write_bytes(path.read_bytes())
    return read_all([folder])


def _points(ending: str) -> bytes:
    """Two invented records as points of a layer; of a Shapefile the main file, without its companions."""
    frame = geopandas.GeoDataFrame(
        {"Species": ["bluegill", "green sunfish"], "Date": ["2017-04-20", "2018-05-01"]},
        geometry=[shapely.Point(-91.2, 36.9), shapely.Point(-91.25, 36.95)],
        crs=4326,
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"fish.{ending}"
        frame.to_parquet(path) if ending == "parquet" else frame.to_file(path)
        if ending == "shp":
            for beside in path.parent.glob("fish.*"):
                COMPANIONS[beside.suffix] = beside.read_bytes()
        return path.read_bytes()


COMPANIONS: dict[str, bytes] = {}
"""The other files of the Shapefile, which are mutated in its stead now and then."""


def _zipped_shapefile() -> bytes:
    main = _points("shp")
    return _zipped({f"fish{ending}": body for ending, body in COMPANIONS.items()} | {"fish.shp": main})


def _records_and_layer(path: Path) -> Any:
    """A layer read as records and as a layer, by the same file."""
    if path.suffix == ".shp":
        main = path.read_bytes()
        for suffix, body in COMPANIONS.items():
            turned = mutated(body, random.Random(main + suffix.encode()))
            path.with_suffix(suffix).write_bytes(turned if len(main) % 2 else body)
        path.write_bytes(main)
    with contextlib.suppress(PoolBuilderError):
        read_layer(path, purpose="range polygons")
    return read_all([path])


def _sheet() -> bytes:
    return (Path(__file__).parents[1] / "demo" / "catches.xlsx").read_bytes()


def _layer(path: Path) -> Any:
    return read_layer(path, purpose="range polygons")


def _answered(path: Path) -> Any:
    """A page of a search that is the mutated file, fetched over loopback, twice."""
    query = Query(longitude=-90.5, latitude=38.51, reach_km=70, taxa=(("Lepomis", "9000001"),))
    settings = Settings(service_wait_s=0, service_timeout_s=5, service_attempts=2)
    now = datetime.datetime(2026, 6, 30, 12, tzinfo=datetime.UTC)
    store = path.parent / "store"
    shutil.rmtree(store, ignore_errors=True)
    found = service.answer("search_page")["results"]
    with service.serving(service.ServiceDouble(found)) as double:
        double.inject("/occurrence/search", service.status(200, {}, path.read_bytes()), times=4, after=1)
        with Client(double.url, settings=settings, sleep=lambda _: None) as client:
            try:
                return fetch(client, query, store=store, now=now).table
            except PoolBuilderError:
                double.heal()
                fetch(client, query, store=store, now=now)  # nothing that came breaks the next fetch
                raise


def readers() -> dict[str, Reader]:
    """Every reader by the name of what it reads."""
    traits = read_traits()
    plain = DATA / "records" / "archive_plain"
    polygons = (PACKAGE / "demo_data" / "lake_district" / "regions.geojson").read_bytes()
    page = json.dumps(service.answer("search_page")).encode()
    return {
        "records": Reader((RECORDS, RECORDS.replace(b",", b"\t")), "fish.csv", lambda path: read_all([path])),
        "archive": Reader(
            (
                _zipped({"occurrence.txt": RECORDS}),
                (PACKAGE / "demo_data" / "records.zip").read_bytes(),
            ),
            "fish.zip",
            lambda path: read_all([path]),
            _inside(_member_mutated),
        ),
        "meta.xml": Reader(((plain / "meta.xml").read_bytes(),), "meta.xml", _meta),
        "eml.xml": Reader((b"<eml><dataset><title>Invented</title></dataset></eml>",), "eml.xml", _meta),
        "parquet": Reader(
            (_parquet(),), "fish.parquet", lambda path: read_all([path]), _inside(_columns_mutated)
        ),
        "spreadsheet": Reader(
            (_sheet(),), "fish.xlsx", lambda path: read_all([path]), _inside(_member_mutated)
        ),
        "GeoPackage": Reader((_points("gpkg"),), "fish.gpkg", _records_and_layer, _inside(_rows_mutated)),
        "Shapefile": Reader((_points("shp"),), "fish.shp", _records_and_layer),
        "zipped Shapefile": Reader((_zipped_shapefile(),), "ranges.zip", _layer, _inside(_member_mutated)),
        "GeoParquet": Reader((_points("parquet"),), "layer.parquet", _layer, _inside(_columns_mutated)),
        "settings": Reader((SETTINGS,), "settings.toml", Settings.from_toml),
        "plan": Reader((PLAN,), "plan.toml", read_plan),
        "waters": Reader((WATERS, WIDE_WATERS), "waters.csv", read_waters),
        "species list": Reader(
            ((PACKAGE / "checklists" / "leuciscids.csv").read_bytes()[:3000].rpartition(b"\n")[0],),
            "list.csv",
            Checklist.load,
        ),
        "crosses": Reader(
            ((PACKAGE / "checklists" / "crosses_lepomis.csv").read_bytes()[:3000].rpartition(b"\n")[0],),
            "crosses.csv",
            KnownCrosses.load,
        ),
        "region list": Reader(
            (STATUS, UNITS),
            "status.csv",
            lambda path: RegionLists.read(path, None, Checklist.load("lepomis")),
        ),
        "statements": Reader((SEEN, CATCH), "seen.csv", lambda path: read_statements([path], as_of=DAY)),
        "traits": Reader(
            ((PACKAGE / "fish" / "lepomis_traits.csv").read_bytes(),),
            "traits.csv",
            lambda path: read_traits(path),
        ),
        "fish form": Reader((FISH,), "fish.txt", lambda path: read_fish(path, traits, settings=Settings())),
        "fish table": Reader(
            (FISHES,), "fishes.csv", lambda path: read_fish(path, traits, settings=Settings())
        ),
        "GeoJSON": Reader(
            (polygons, (DATA / "ranges" / "plain.geojson").read_bytes()), "layer.geojson", _layer
        ),
        "service": Reader((page,), "page.json", _answered),
    }


class _Late(Exception):
    """An input took too long."""


def _ring(*_: object) -> None:
    raise _Late


def tried(name: str, reader: Reader, *, seed: int, inputs: int) -> Outcome:
    """Try so many mutated inputs; the n-th depends on name, seed and n alone."""
    outcome = Outcome()
    before = signal.signal(signal.SIGALRM, _ring)
    try:
        with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for number in range(inputs):
                chance = random.Random(f"{name} {seed} {number}")
                path = Path(folder) / reader.file
                path.write_bytes(reader.mutate(chance.choice(reader.seeds), chance))
                outcome.counts["tried"] += 1
                signal.alarm(SECONDS)
                try:
                    reader.read(path)
                    outcome.counts["read"] += 1
                except PoolBuilderError as error:
                    outcome.counts["refused"] += 1
                    if len(str(error).splitlines()) > 1:
                        outcome.lost.append(
                            f"{name} {seed} {number}: more than one line: {str(error)[:200]!r}"
                        )
                except BaseException as error:
                    if isinstance(error, KeyboardInterrupt):
                        raise
                    last = traceback.extract_tb(error.__traceback__)[-1]
                    where = f"{Path(last.filename).name}:{last.lineno}"
                    ours = [
                        f for f in traceback.extract_tb(error.__traceback__) if "/poolbuilder/" in f.filename
                    ]
                    ours_at = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "?"
                    words = f"{type(error).__name__}: {str(error)[:150]!r} at {where}, from {ours_at}"
                    outcome.lost.append(f"{name} {seed} {number}: {words}")
                finally:
                    signal.alarm(0)
                peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
                if peak > MIB:
                    outcome.lost.append(f"{name} {seed} {number}: {peak:.0f} MiB of memory")
                    break
    finally:
        signal.signal(signal.SIGALRM, before)
    outcome.counts["lost"] = len(outcome.lost)
    return outcome
