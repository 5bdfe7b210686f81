"""Spreadsheets and layers of points as grids of text: a heading for each column, then the rows."""

from __future__ import annotations

import datetime
import zipfile
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from poolbuilder.errors import LayerError, RecordFileError, said
from poolbuilder.records.text_table import MISSING, Grid
from poolbuilder.settings import Settings

HEADER_ROWS = 25
"""Within so many rows the header of a sheet is looked for; titles may stand above it."""

_OPEN_DOCUMENT = b"application/vnd.oasis.opendocument.spreadsheet"
_POINTS = "points of records"
LONGITUDE, LATITUDE = "decimalLongitude", "decimalLatitude"


def kind_of(path: Path) -> str | None:
    """`sheet` for a spreadsheet, `layer` for GeoPackage, Shapefile or GeoJSON, else None; by content."""
    with path.open("rb") as stream:
        head = stream.read(4096)
    if head.startswith(b"PK\x03\x04"):
        return "sheet" if _is_spreadsheet(path) else None
    if head.startswith(b"\xd0\xcf\x11\xe0"):
        return "sheet"
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if head.startswith((b"SQLite format 3", b"\x00\x00\x27\x0a")) or start.startswith(b"{"):
        return "layer"
    return None


def _is_spreadsheet(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            if any(name.startswith("xl/workbook") for name in names):
                return True
            return "mimetype" in names and archive.open("mimetype").read(100).strip() == _OPEN_DOCUMENT
    except (zipfile.BadZipFile, NotImplementedError, OSError, RuntimeError, EOFError):
        return False


def _cell(value: Any) -> str | None:
    """A cell as a table of text would hold it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        value = int(value) if value.is_integer() and abs(value) < 1e15 else value
    if isinstance(value, datetime.datetime) and value.time() == datetime.time():
        value = value.date()
    if isinstance(value, datetime.date):
        return value.isoformat()
    text = "" if value is None else str(value).replace("\x00", "").strip()
    return None if text in MISSING else text


def _broken(path: Path, error: BaseException) -> RecordFileError:
    first = (str(error).splitlines() or ["unreadable"])[0][:200]
    return RecordFileError.of("spreadsheet_cannot_read", file=path, first=first)


def read_sheets(path: Path, settings: Settings, *, terms_in: Callable[[Sequence[str]], int]) -> list[Grid]:
    """The sheets of a workbook that hold something, each from its header on.

    Parameters
    ----------
    path : path
        .xlsx, .xlsm, .xlsb, .xls or .ods.
    settings : Settings
        ``max_unpacked_mib`` bounds the workbook.
    terms_in : callable
        How many terms of a record a row of headings names.

    Raises
    ------
    RecordFileError
        When the workbook cannot be read.
    """
    from python_calamine import CalamineWorkbook  # only for spreadsheets

    grids = []
    try:
        workbook = CalamineWorkbook.from_path(str(path))
        for name in workbook.sheet_names:
            cells = workbook.get_sheet_by_name(name).to_python(skip_empty_area=False)
            rows = [[_cell(value) for value in row] for row in cells]
            grid = _below_header(name, rows, terms_in)
            if grid is not None:
                grids.append(grid)
    except BaseException as error:
        # The library's own panics stand outside Exception.
        if isinstance(error, Exception) or type(error).__name__ == "PanicException":
            raise _broken(path, error) from error
        raise
    if not grids:
        raise RecordFileError.of("no_table_records", file=path)
    return grids


def _below_header(
    name: str, rows: Sequence[Sequence[str | None]], terms_in: Callable[[Sequence[str]], int]
) -> Grid | None:
    """The rows below the row of headings: the one of the first rows that names most terms."""
    filled = [index for index, row in enumerate(rows) if any(row)]
    if not filled:
        return None
    at = max(filled[:HEADER_ROWS], key=lambda index: (terms_in([cell or "" for cell in rows[index]]), -index))
    found = [(index + 1, rows[index], None) for index in filled if index > at]
    return Grid(name=name, names=tuple(cell or "" for cell in rows[at]), rows=lambda *_: found)


def read_points(path: Path) -> list[Grid]:
    """Layers of points as grids, with their coordinates on WGS84 in two columns of their own.

    A feature without a point is a row without coordinates.

    Raises
    ------
    RecordFileError
        When the file cannot be read, or has no coordinate reference system.
    """
    from poolbuilder.places.layers import layers_of, read_raw

    remedy = said("export_records_csv")
    layers: list[str | None] = [None]
    with path.open("rb") as stream:
        is_package = stream.read(15) == b"SQLite format 3"
    try:
        if is_package:
            layers = list(layers_of(path))
        grids = [_of_layer(path, name or "", read_raw(path, name, _POINTS)) for name in layers]
    except (LayerError, ValueError) as error:
        # Messages of the library need not be text that can be decoded.
        first = "" if isinstance(error, UnicodeDecodeError) else (str(error).splitlines() or [""])[0]
        fact = error.fact if isinstance(error, LayerError) else first or said("no_layer_can")
        raise RecordFileError(fact, file=path, remedy=remedy) from error
    except OSError:
        grids = []
    if not grids:
        raise RecordFileError.of("no_layer_points", file=path, remedy_given=remedy)
    return [grid for grid in grids if grid.rows(Counter(), ())]


def _of_layer(path: Path, name: str, raw: Any) -> Grid:
    import shapely

    if raw.crs is None:
        raise RecordFileError.of("no_coordinate_reference_system", file=path)
    points = np.asarray(shapely.get_geometry(raw.geometry, 0), dtype=object)
    points[(shapely.get_num_geometries(raw.geometry) != 1) | (shapely.get_type_id(points) != 0)] = None
    east, north = _on_wgs84(shapely.get_x(points), shapely.get_y(points), raw.crs)
    kept = [title for title in raw.attributes if title not in (LONGITUDE, LATITUDE)]
    columns = [[_cell(value) for value in raw.attributes[title]] for title in kept]
    places = [
        [None if np.isnan(value) else repr(round(float(value), 7)) for value in axis]
        for axis in (east, north)
    ]
    cells = zip(*places, *columns, strict=True)
    rows = [(number, row, None) for number, row in enumerate(cells, start=1)]
    return Grid(name=name, names=(LONGITUDE, LATITUDE, *kept), rows=lambda *_: rows)


def _on_wgs84(east: Any, north: Any, crs: Any) -> tuple[Any, Any]:
    import pyproj

    try:
        change = pyproj.Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    except pyproj.exceptions.ProjError as error:
        raise ValueError(said("coordinates_cannot_put", error=error)) from error
    moved = change.transform(east, north)
    good = np.isfinite(moved[0]) & np.isfinite(moved[1])
    return np.where(good, moved[0], np.nan), np.where(good, moved[1], np.nan)
