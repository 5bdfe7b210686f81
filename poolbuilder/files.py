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
from contextlib import contextmanager, suppress
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


@contextmanager
def geopackage(path: Path, *, date: str) -> Iterator[Callable[..., None]]:
    """Write layers and tables to a GeoPackage.

    Parameters
    ----------
    path : Path
        The file; further layers go beside those that are there.
    date : str
        Written as the time of the last change in place of the clock's, so that the same input
        gives the same bytes.

    Yields
    ------
    callable
        Takes the name of a layer, a Table or a mapping of columns, and shapely geometries; without
        geometries it is a table.
    """
    import pyogrio

    def write(layer: str, columns: pa.Table | Mapping[str, Sequence[Any]], shapes: Any = None) -> None:
        _write_layer(path, layer, columns, shapes)

    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{date}T00:00:00Z"})
    try:
        yield write
    except (pyogrio.errors.DataLayerError, pyogrio.errors.DataSourceError) as error:
        # The driver names what came of a fault of the disk (a table missing, nothing to roll back).
        full = is_full(error) or shutil.disk_usage(path.parent).free < NEARLY_FULL
        fact = os.strerror(errno.ENOSPC) if full else said("could_not_finished", name=path.name, error=error)
        raise OSError(errno.ENOSPC if full else errno.EIO, fact) from error
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _write_layer(path: Path, layer: str, columns: Any, shapes: Any) -> None:
    import pyogrio
    import shapely

    arrays = {} if shapes is None else {"geometry": pa.array(shapely.to_wkb(shapes, output_dimension=2))}
    if isinstance(columns, pa.Table):
        lists = [field.name for field in columns.schema if pa.types.is_list(field.type)]
        arrays |= {name: columns[name] for name in columns.column_names if name not in lists}
    else:
        arrays |= {name: _guessed(values) for name, values in columns.items()}
    kinds = set() if shapes is None else {shape.geom_type for shape in shapes}
    pyogrio.write_arrow(
        pa.table(arrays),
        path,
        layer=layer,
        driver="GPKG",
        geometry_name=None if shapes is None else "geometry",
        geometry_type=None if shapes is None else kinds.pop() if len(kinds) == 1 else "Unknown",
        crs=None if shapes is None else "EPSG:4326",
        append=path.exists(),
    )


def _guessed(values: Sequence[Any]) -> pa.Array:
    plain = [
        value if value is None or isinstance(value, str | int | float) else json.dumps(value)
        for value in values
    ]
    try:
        guessed = pa.array(plain)
        return pa.array(plain, pa.string()) if guessed.type == pa.null() else guessed
    except pa.ArrowException:
        return pa.array([None if value is None else str(value) for value in plain], pa.string())
