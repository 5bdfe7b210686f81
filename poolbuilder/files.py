"""Files and folders that are written whole or not at all, and locks that end with their process.

Whatever is written is written beside its place first, under a name that tells whose work it is:
``.part-<process>-<token>@<computer>.<name>``.  The next run that writes the same name removes
what a dead process left there.
"""

from __future__ import annotations

import csv
import errno
import io
import json
import math
import os
import secrets
import shutil
import socket
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import pyarrow as pa

from poolbuilder.errors import InputError, PoolBuilderError, PoolFileError, StoreError, said

PRIVATE, SHARED = 0o700, 0o755
"""Modes of a folder that its owner alone may read, and of one that all may read."""

NEARLY_FULL = 2**20
"""Bytes left on a disk that is taken as full where a driver does not say what stopped it."""


@contextmanager
def disk_errors(path: str | Path, kind: type[PoolBuilderError] = PoolFileError) -> Iterator[None]:
    """Turn the system's errors into one line of *kind* that names the file and the remedy."""
    try:
        yield
    except Exception as error:
        if is_full(error):
            fact = said("no_space")
            remedy = said("nothing_changed_free")
        elif isinstance(error, OSError):
            fact = f"cannot be written: {error.strerror or error}"
            remedy = said("nothing_changed_check")
        else:
            raise
        raise _made(kind, path, fact, remedy) from error


def is_full(error: BaseException) -> bool:
    """Whether an error says that the disk, or the user's share of it, is full."""
    if getattr(error, "errno", None) in {errno.ENOSPC, errno.EDQUOT}:
        return True
    text = str(error)  # numpy, DuckDB and GDAL say it in words only
    return any(words in text for words in ("No space left", "requested and", "disk is full"))


def _made(kind: type[PoolBuilderError], path: str | Path, fact: str, remedy: str) -> PoolBuilderError:
    if issubclass(kind, InputError):
        return kind(fact, file=path, remedy=remedy)
    return kind(f"{path}: {fact} ({remedy})")


@contextmanager
def whole_file(path: str | Path, kind: type[PoolBuilderError] = PoolFileError) -> Iterator[Path]:
    """A path to write to, put in the place of *path* when the block ends well.

    Parameters
    ----------
    path : path
        The file to write; its folder is made where it is missing.
    kind : type of error
        What to raise when it cannot be written.

    Yields
    ------
    Path
        A file beside *path* with the same ending; it goes when the block fails.
    """
    path = Path(path).absolute()
    with disk_errors(path, kind):
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = _beside(path)
        try:
            yield beside
            to_disk(beside)
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)


def write_whole(path: str | Path, content: bytes | str, kind: type[PoolBuilderError] = PoolFileError) -> Path:
    """Write a file whole or not at all; text as UTF-8 with plain line ends."""
    with whole_file(path, kind) as beside:
        beside.write_bytes(content.encode() if isinstance(content, str) else content)
    return Path(path)


@contextmanager
def whole_folder(path: str | Path, kind: type[PoolBuilderError] = PoolFileError) -> Iterator[Path]:
    """An empty folder to fill, put in the place of *path* when the block ends well.

    An older folder stays until the new one is complete, and comes back when a run is killed
    while the two change places.
    """
    path = Path(path).absolute()
    with disk_errors(path, kind):
        recover(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = _beside(path)
        try:
            beside.mkdir()
            yield beside
            previous = _previous(path)
            shutil.rmtree(previous, ignore_errors=True)
            if path.exists():
                path.rename(previous)
            beside.rename(path)
            shutil.rmtree(previous, ignore_errors=True)
        finally:
            shutil.rmtree(beside, ignore_errors=True)


def recover(path: str | Path) -> None:
    """Bring back the folder that a run killed between its two renames had moved aside."""
    path = Path(path).absolute()
    if _previous(path).is_dir() and not path.exists():
        _previous(path).rename(path)


def private_folder(path: str | Path) -> None:
    """Make a folder that its owner alone may read; one that holds something stays as it is."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.mkdir(mode=PRIVATE, exist_ok=True)
    if not any(path.iterdir()):
        path.chmod(PRIVATE)


def _previous(path: Path) -> Path:
    return path.with_name(f".{path.name}.previous")


def clear_leftovers(path: str | Path) -> None:
    """Remove what dead processes of this computer left beside *path* while they wrote it."""
    path, computer = Path(path), socket.gethostname()
    for left in path.parent.glob(f".part-*@{_escaped(computer)}.{_escaped(path.name)}"):
        process = left.name.split("-")[1]
        if process.isdigit() and not _is_alive(int(process)):
            shutil.rmtree(left, ignore_errors=True) if left.is_dir() else left.unlink(missing_ok=True)


def _beside(path: Path) -> Path:
    """A name of our own beside *path*."""
    clear_leftovers(path)
    return path.with_name(f".part-{os.getpid()}-{secrets.token_hex(4)}@{socket.gethostname()}.{path.name}")


def _escaped(name: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def _is_alive(process: int) -> bool:
    if os.name == "nt":  # asking there would end it
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def to_disk(path: Path) -> None:
    """Have the system write a file's content to the disk now."""
    with path.open("rb") as stream:
        os.fsync(stream.fileno())


@contextmanager
def locked(
    lock: str | Path,
    *,
    doing: str = "written",
    wait_s: float = 0.0,
    waiting: Callable[[str], None] | None = None,
) -> Iterator[None]:
    """Hold a lock while the block runs; the system ends it with the process, however that ended.

    Parameters
    ----------
    lock : path
        The file of the lock; messages name its folder, which is made where it is missing.
    doing : str
        What another holder does to the folder.
    wait_s : float
        How long to wait for another holder; 0 does not wait.
    waiting : callable, optional
        Called once, with words that say whom it waits for.

    Raises
    ------
    StoreError
        When another process still holds it after *wait_s*, or when the folder cannot be written.
    """
    from filelock import FileLock, Timeout  # commands that only read are quicker without it

    lock = Path(lock)
    note = lock.with_name(f"{lock.name}.holder")
    with disk_errors(lock.parent, StoreError):
        lock.parent.mkdir(parents=True, exist_ok=True)
        held = FileLock(lock)
        try:
            held.acquire(timeout=0)
        except Timeout:
            if waiting is not None and wait_s > 0:
                waiting(f"{lock.parent}: waiting for {_holder(note)}")
            try:
                held.acquire(timeout=wait_s)
            except Timeout:
                fact, remedy = f"is being {doing} by {_holder(note)}", said("wait_end_then")
                raise _made(StoreError, lock.parent, fact, remedy) from None
    try:
        with suppress(OSError):  # on a full disk the lock holds as well
            about = {"pid": os.getpid(), "host": socket.gethostname()}
            note.write_text(json.dumps(about), encoding="utf-8")
        yield
    finally:
        note.unlink(missing_ok=True)
        held.release()


def _holder(note: Path) -> str:
    """Who holds a lock, in words; the file beside it only serves to say so."""
    try:
        values = json.loads(note.read_text(encoding="utf-8"))
        return f"process {values['pid']} on {values['host']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "another process"


BOM = "\N{ZERO WIDTH NO-BREAK SPACE}"
"""First in every CSV file that is written, so that spreadsheets read it as UTF-8."""

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_DIGITS = (("Km", 3), ("InMeters", 0), ("longitude", 5), ("latitude", 5), ("logOdds", 3))


def csv_text(table: pa.Table) -> str:
    r"""A table as CSV: rounded to what is known, and no cell that a spreadsheet takes for a formula.

    Kilometres are given to the metre, coordinates to about a metre, probabilities and weights to
    four digits after the point; Parquet files hold what was computed.

    Examples
    --------
    >>> csv_text(pa.table({"name": ["=1+1"], "presence": [0.123456], "nearestKm": [None]}))
    "name,presence,nearestKm\r\n'=1+1,0.1235,\r\n"
    """
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\r\n")
    names = table.column_names
    writer.writerow(names)
    for row in table.to_pylist():
        writer.writerow([_cell(name, row[name]) for name in names])
    return sink.getvalue()


def write_csv(table: pa.Table, path: Path) -> None:
    """Write a table as CSV with the mark of UTF-8 before it."""
    path.write_bytes((BOM + csv_text(table)).encode())


def _cell(name: str, value: Any) -> Any:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        value = "; ".join(map(str, value))
    if isinstance(value, float):
        digits = next((digits for ending, digits in _DIGITS if name.endswith(ending)), 4)
        return f"{value:.{digits}f}".rstrip("0").rstrip(".") if digits else f"{value:.0f}"
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def json_text(document: Mapping[str, Any]) -> str:
    r"""An object as JSON: a line for each of its members and for each item of those that are lists.

    Examples
    --------
    >>> print(json_text({"asOf": "2026-06-01", "waters": [{"a": 1}, {"a": 2}]}))
    {
    "asOf": "2026-06-01",
    "waters": [
    {"a": 1},
    {"a": 2}
    ]
    }
    <BLANKLINE>
    """

    def text(value: Any) -> str:
        return json.dumps(value, ensure_ascii=False, allow_nan=False)

    lines = [
        f"{text(key)}: "
        + ("[\n" + ",\n".join(map(text, value)) + "\n]" if isinstance(value, list) and value else text(value))
        for key, value in document.items()
    ]
    return "{\n" + ",\n".join(lines) + "\n}\n"


_GPKG = """
PRAGMA application_id = 0x47504B47;
PRAGMA user_version = 10300;
CREATE TABLE gpkg_spatial_ref_sys (
    srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
    organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
    table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
    description TEXT DEFAULT '', last_change DATETIME NOT NULL, min_x DOUBLE, min_y DOUBLE, max_x DOUBLE,
    max_y DOUBLE, srs_id INTEGER REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
    table_name TEXT NOT NULL UNIQUE REFERENCES gpkg_contents(table_name), column_name TEXT NOT NULL,
    geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL REFERENCES gpkg_spatial_ref_sys(srs_id),
    z TINYINT NOT NULL, m TINYINT NOT NULL, PRIMARY KEY (table_name, column_name));
INSERT INTO gpkg_spatial_ref_sys VALUES
    ('Undefined cartesian SRS', -1, 'NONE', -1, 'undefined', 'undefined cartesian coordinate system'),
    ('Undefined geographic SRS', 0, 'NONE', 0, 'undefined', 'undefined geographic coordinate system');
"""
"""The tables of a GeoPackage (OGC 12-128r17, version 1.3), those that every one has."""
WGS84_CODE = 4326


@contextmanager
def geopackage(path: Path, *, date: str) -> Iterator[Callable[..., None]]:
    """Write layers and tables to a new GeoPackage, a file of SQLite.

    Parameters
    ----------
    path : Path
    date : str
        Written as the time of the last change in place of the clock's, so that the same input
        gives the same bytes.

    Yields
    ------
    callable
        Takes the name of a layer, a Table or a mapping of columns, and shapely geometries; without
        geometries it is a table.
    """
    import sqlite3

    from pyproj import CRS

    try:
        with closing(sqlite3.connect(path)) as file:
            file.executescript("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;" + _GPKG)
            reference = ("WGS 84", WGS84_CODE, "EPSG", WGS84_CODE, CRS(WGS84_CODE).to_wkt("WKT1_GDAL"), None)
            file.execute("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", reference)

            def write(layer: str, columns: Any, shapes: Any = None) -> None:
                _write_layer(file, layer, _gpkg_columns(columns), shapes, f"{date}T00:00:00.000Z")

            yield write
            file.commit()
    except sqlite3.OperationalError as error:
        full = is_full(error) or shutil.disk_usage(path.parent).free < NEARLY_FULL
        fact = os.strerror(errno.ENOSPC) if full else said("could_not_finished", name=path.name, error=error)
        raise OSError(errno.ENOSPC if full else errno.EIO, fact) from error


def _gpkg_columns(columns: Any) -> dict[str, tuple[str, Sequence[Any]]]:
    """Columns by their names, each with its type; lists of a Table are left out."""
    if isinstance(columns, pa.Table):
        kinds = {
            pa.float64(): "DOUBLE",
            pa.int32(): "MEDIUMINT",
            pa.int64(): "INTEGER",
            pa.bool_(): "BOOLEAN",
        }
        return {
            field.name: (kinds.get(field.type, "TEXT"), columns[field.name].to_pylist())
            for field in columns.schema
            if not pa.types.is_list(field.type)
        }
    found: dict[str, tuple[str, Sequence[Any]]] = {}
    for name, values in columns.items():
        plain = [
            value if value is None or isinstance(value, str | int | float) else json.dumps(value)
            for value in values
        ]
        found[name] = (_gpkg_type({type(value) for value in plain if value is not None}), plain)
    return found


def _gpkg_type(kinds: set[type]) -> str:
    """The type of a column whose values are of these types; what is mixed with text is kept as text."""
    known = (("BOOLEAN", {bool}), ("INTEGER", {int}), ("DOUBLE", {int, float}))
    return next((name for name, of in known if kinds and kinds <= of), "TEXT")


def _write_layer(
    file: Any, layer: str, columns: Mapping[str, tuple[str, Sequence[Any]]], shapes: Any, changed: str
) -> None:
    import shapely

    def quoted(name: str) -> str:
        return '"' + name.replace('"', '""') + '"'

    kind = "attributes" if shapes is None else "features"
    box, kinds, given = [None] * 4, [f"{quoted(name)} {of}" for name, (of, _) in columns.items()], []
    if shapes is not None:
        types = {shape.geom_type.upper() for shape in shapes}
        kinds = [f"geometry {types.pop() if len(types) == 1 else 'GEOMETRY'}", *kinds]
        box = shapely.total_bounds(shapes).tolist() if len(shapes) else box
        given = [_gpkg_shapes(shapes)]
    file.execute(f"CREATE TABLE {quoted(layer)} (fid INTEGER PRIMARY KEY AUTOINCREMENT, {', '.join(kinds)})")
    file.execute(
        "INSERT INTO gpkg_contents VALUES (?, ?, ?, '', ?, ?, ?, ?, ?, ?)",
        (layer, kind, layer, changed, *box, None if shapes is None else WGS84_CODE),
    )
    if shapes is not None:
        file.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?, 'geometry', ?, ?, 0, 0)",
            (layer, kinds[0].partition(" ")[2], WGS84_CODE),
        )
    rows = zip(*given, *(values for _, values in columns.values()), strict=True)
    places = ", ".join("?" * len(kinds))
    file.executemany(f"INSERT INTO {quoted(layer)} VALUES (NULL, {places})", rows)


def _gpkg_shapes(shapes: Any) -> list[bytes]:
    """Geometries as a GeoPackage holds them: a header, their box unless they are points, and WKB."""
    import shapely

    boxes = shapely.bounds(shapes)[:, [0, 2, 1, 3]].astype("<f8")
    points = shapely.get_type_id(shapes) == 0
    head, boxed = (b"GP\0" + bytes([flags]) + WGS84_CODE.to_bytes(4, "little") for flags in (1, 3))
    return [
        head + wkb if point else boxed + box.tobytes() + wkb
        for point, box, wkb in zip(
            points.tolist(),
            boxes,
            shapely.to_wkb(shapes, output_dimension=2, byte_order=1).tolist(),
            strict=True,
        )
    ]
