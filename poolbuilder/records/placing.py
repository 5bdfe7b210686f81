"""Where a record lies on WGS84, and how far it may lie from there."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.names.vocabularies import fold
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SMALLEST_UNCERTAINTY_M = 1.0
LARGEST_UNCERTAINTY_M = 20_037_509.0
"""Bounds of the public test VALIDATION_COORDINATEUNCERTAINTY_INRANGE, both included."""

SOURCES = ("given", "withheld", "decimals", "default")
"""What an uncertainty comes from."""

_WGS84_AXIS_M = 6_378_137.0
_WGS84_ECCENTRICITY2 = 6.694379990141316e-3

_SAME_AS_WGS84 = {
    "wgs84", "wgs1984", "wgs", "epsg4326", "4326", "epsg4979", "4979", "crs84", "ogccrs84", "gps",
    "gcswgs1984", "worldgeodeticsystem1984", "worldgeodeticsystem84", "wgs84epsg4326", "epsg4326wgs84",
    "epsgwgs84", "decimaldegreeswgs84", "wgs84g1762", "wgs84g1674", "wgs84g1150", "wgs84g873", "wgs84g730",
}  # fmt: skip
_NOT_RECORDED = {
    "", "notrecorded", "unknown", "unk", "none", "na", "notavailable", "undefined", "norecorded",
    "unrecorded", "notrecordedforcedwgs84", "unspecified", "missing",
}  # fmt: skip
# EPSG codes of geographic systems by their usual names (EPSG Geodetic Parameter Dataset).
_CODES = {
    "nad83": 4269, "nad1983": 4269, "northamericandatum1983": 4269, "northamerican1983": 4269, "gcsnad83":
    4269, "gcsnorthamerican1983": 4269, "nad27": 4267, "nad1927": 4267, "northamericandatum1927": 4267,
    "northamerican1927": 4267, "gcsnad27": 4267, "gcsnorthamerican1927": 4267, "nad83csrs": 4617, "csrs98":
    4617, "nad83nsrs2007": 4759, "nad832011": 6318, "etrs89": 4258, "ed50": 4230, "europeandatum1950": 4230,
    "osgb36": 4277, "osgb1936": 4277, "gda94": 4283, "gda2020": 7844, "agd66": 4202, "agd84": 4203,
    "nzgd49": 4272, "nzgd2000": 4167, "sad69": 4618, "southamericandatum1969": 4618, "sirgas2000": 4674,
    "psad56": 4248, "corregoalegre": 4225, "tokyo": 4301, "jgd2000": 4612, "pulkovo1942": 4284, "cape":
    4222, "hartebeesthoek94": 4148, "wgs72": 4322, "puertorico": 4139, "oldhawaiian": 4135, "arc1960": 4210,
    "indian1975": 4240, "ch1903": 4149, "beijing1954": 4214, "rgf93": 4171, "dhdn": 4314, "itrf2008": 8999,
}  # fmt: skip

_NOT_WITHHELD = re.compile(
    r"(information |data |coordinates? |location |locality )*"
    r"(none|no|nil|null|n/?a|false|0|not applicable|nothing( withheld)?|full (data|record) available"
    r"|no (information|data|fields?) withheld|((is|are) )?not (withheld|obscured|generali[sz]ed))\.?",
    re.IGNORECASE,
)
_STATED = re.compile(r"uncertainty[^.]*?(?:increased to|set to|of)\s*([\d.,]+)\s*(km|m\b|met)", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Placing:
    """Places of n records; every array has n entries.

    Attributes
    ----------
    longitude, latitude : float array
        WGS84 degrees; NaN where none is given, as given where off the globe.
    uncertainty_m : float array
        NaN only where there are no coordinates.
    source : int array
        Position in SOURCES of what the uncertainty comes from; -1 without coordinates.
    uncertainty_missing, uncertainty_invalid, coarse, withheld, datum_assumed, datum_unknown, datum_shifted
        Bool arrays for the flags of the same names.
    """

    longitude: Floats
    latitude: Floats
    uncertainty_m: Floats
    source: NDArray[np.int64]
    uncertainty_missing: Bools
    uncertainty_invalid: Bools
    coarse: Bools
    withheld: Bools
    datum_assumed: Bools
    datum_unknown: Bools
    datum_shifted: Bools


def half_cell_m(latitude: Floats, degrees: Floats) -> Floats:
    """Half the diagonal of a cell of *degrees* around *latitude*, metres on the WGS84 ellipsoid.

    Coordinates rounded to whole multiples of *degrees* lie within this of the true ones.
    """
    phi = np.radians(latitude)
    root = np.sqrt(1 - _WGS84_ECCENTRICITY2 * np.sin(phi) ** 2)
    meridian = _WGS84_AXIS_M * (1 - _WGS84_ECCENTRICITY2) / root**3
    parallel = _WGS84_AXIS_M * np.cos(phi) / root
    return np.hypot(meridian, parallel) * np.radians(degrees) / 2


def is_withheld(text: str | None) -> bool:
    """Whether a remark on generalisation or withholding says that something was withheld.

    Examples
    --------
    >>> is_withheld("Coordinates rounded to 0.1 degree"), is_withheld("none"), is_withheld(None)
    (True, False, False)
    """
    return bool(text and text.strip() and not _NOT_WITHHELD.fullmatch(text.strip()))


def _stated_m(text: str | None) -> float:
    """Uncertainty in metres that such a remark states, or NaN."""
    match = _STATED.search(text or "")
    if not match:
        return np.nan
    try:
        amount = float(match.group(1).rstrip(".,").replace(",", ""))
    except ValueError:
        return np.nan
    return amount * 1000 if match.group(2).lower() == "km" else amount


def _datum(text: str | None) -> int | str:
    """EPSG code of a datum; `same`, `empty` or `unknown` for the rest."""
    given = (text or "").strip()
    squeezed = "".join(letter for letter in given.casefold() if letter.isalnum())
    last = fold(given)
    if squeezed in _SAME_AS_WGS84 or last in _SAME_AS_WGS84:
        return "same"
    if squeezed in _NOT_RECORDED:
        return "empty"
    if last in _CODES or squeezed in _CODES:
        return _CODES.get(last) or _CODES[squeezed]
    code = re.search(r"(?:epsg\D{0,5}(?:\d+(?:\.\d+)*:)?|^)(\d{4,5})\)?$", given, re.IGNORECASE)
    if code:
        return int(code.group(1))
    named = {name for name in _CODES if name in squeezed and len(name) > 4}
    if "wgs84" in squeezed or "wgs1984" in squeezed:
        return "same" if not named else "unknown"
    return _CODES[named.pop()] if len(named) == 1 else "unknown"


def _shift(code: int, longitude: Floats, latitude: Floats) -> tuple[Floats, Floats, Floats] | None:
    """Coordinates on WGS84, and the stated accuracy of the operation in metres; None if unknown."""
    import pyproj  # 0.1 s: only for records that need it
    from pyproj.exceptions import CRSError, ProjError
    from pyproj.network import is_network_enabled, set_network_enabled  # type: ignore[attr-defined]

    asks_network = is_network_enabled()
    set_network_enabled(False)  # shift grids from afar would make results differ by machine
    try:
        crs = pyproj.CRS.from_epsg(code)
        if not crs.is_geographic:
            return None
        change = pyproj.Transformer.from_crs(crs, 4326, always_xy=True)
        east, north = change.transform(longitude, latitude)
        cells, index = np.unique(
            np.floor(np.stack([longitude, latitude], axis=1)), axis=0, return_inverse=True
        )
        accuracy = np.array([_accuracy_m(change, cell) for cell in cells])
    except (CRSError, ProjError):
        return None
    finally:
        set_network_enabled(asks_network)
    if not (np.isfinite(east).all() and np.isfinite(north).all()):
        return None
    return np.asarray(east), np.asarray(north), accuracy[index.ravel()]


def _accuracy_m(change: Any, cell: Floats) -> float:
    """Accuracy of the operation used in the middle of a one-degree cell; NaN when it states none."""
    change.transform(float(cell[0]) + 0.5, float(np.clip(cell[1] + 0.5, -90, 90)))
    stated = change.get_last_used_operation().accuracy
    return float(stated) if stated is not None and stated >= 0 else np.nan


@dataclass
class _Datums:
    longitude: Floats
    latitude: Floats
    added_m: Floats
    assumed: Bools
    unknown: Bools
    shifted: Bools


def _on_wgs84(datum: pa.ChunkedArray, longitude: Floats, latitude: Floats, settings: Settings) -> _Datums:
    count = len(longitude)
    out = _Datums(
        longitude.copy(),
        latitude.copy(),
        np.zeros(count),
        np.zeros(count, dtype=bool),
        np.zeros(count, dtype=bool),
        np.zeros(count, dtype=bool),
    )
    on_globe = (np.abs(longitude) <= 180) & (np.abs(latitude) <= 90)
    index, distinct = tables.codes(datum)
    kinds = [_datum(text) for text in distinct] + ["empty"]
    for kind in dict.fromkeys(kinds):
        # Texts that mean the same datum go together, so that spelling changes nothing.
        rows = np.isin(
            index, [place if place < len(distinct) else -1 for place, k in enumerate(kinds) if k == kind]
        )
        if kind == "same" or not rows.any():
            continue
        if kind == "empty":
            out.assumed |= rows
            out.added_m[rows] = settings.unknown_datum_shift_m
            continue
        moved = rows & on_globe
        known = isinstance(kind, int) and bool(moved.any())
        shift = _shift(int(kind), longitude[moved], latitude[moved]) if known else None
        if shift is None:
            out.unknown |= rows
            out.added_m[rows] = settings.unknown_datum_shift_m
            continue
        out.longitude[moved], out.latitude[moved], accuracy = shift
        out.added_m[moved] = np.where(np.isnan(accuracy), settings.unknown_datum_shift_m, accuracy)
        out.shifted |= moved
    return out


def _remarks(table: pa.Table) -> tuple[Bools, Floats]:
    """Rows that something was withheld from, and the uncertainty that the remark states."""
    withheld = np.zeros(table.num_rows, dtype=bool)
    stated = np.full(table.num_rows, np.nan)
    for name in ("dataGeneralizations", "informationWithheld"):
        index, distinct = tables.codes(table[name])
        says = np.array([is_withheld(text) for text in distinct] + [False])
        amount = np.array([_stated_m(text) for text in distinct] + [np.nan])
        withheld |= says[index]
        stated = np.fmax(stated, np.where(says[index], amount[index], np.nan))
    return withheld, stated


def place(table: pa.Table, *, default_m: Floats, assumed: Bools, settings: Settings) -> Placing:
    """Place records on WGS84 and give each an uncertainty.

    Parameters
    ----------
    table : Table
        With the columns of RECORDS.
    default_m : float array
        Uncertainty where none is given, by basis of record.
    assumed : bool array
        Where the service says that it assumed the datum.
    settings : Settings
        Obscured uncertainty and datum shift.

    Notes
    -----
    Order: the given uncertainty if it is in range; else, where something was withheld, at
    least the obscured one; else the default.  Then not below the half diagonal of the cell
    to which the coordinates were rounded, then plus what is not known of the datum's shift.
    An empty datum is read as WGS84 with that shift added, after the public amendment
    AMENDMENT_GEODETICDATUM_ASSUMEDDEFAULT; the shift is a setting and regional, because the
    greatest shift anywhere (some kilometres) would drown every good record.
    """
    longitude = tables.numbers(table["decimalLongitude"])
    latitude = tables.numbers(table["decimalLatitude"])
    datum = _on_wgs84(table["geodeticDatum"], longitude, latitude, settings)
    extra = assumed & ~datum.assumed & ~datum.unknown & ~datum.shifted
    datum.added_m[extra] += settings.unknown_datum_shift_m

    given = tables.numbers(table["coordinateUncertaintyInMeters"])
    good = (given >= SMALLEST_UNCERTAINTY_M) & (given <= LARGEST_UNCERTAINTY_M)
    withheld, stated = _remarks(table)
    obscured = np.fmax(stated, settings.obscured_uncertainty_m)
    base = np.where(good, given, np.where(withheld, obscured, default_m))
    from_given, from_remark, from_decimals, by_default = range(len(SOURCES))
    source = np.where(good, from_given, np.where(withheld, from_remark, by_default))

    decimals = tables.numbers(table["coordinateDecimals"])
    precision = tables.numbers(table["coordinatePrecision"])
    precision = np.where((precision > 0) & (precision <= 10), precision, np.nan)
    cell = np.fmax(10.0**-decimals, precision)
    floor = half_cell_m(np.clip(latitude, -90, 90), cell)
    coarse = floor > base
    base = np.where(coarse, floor, base)
    source = np.where(coarse, from_decimals, source)

    located = ~np.isnan(longitude) & ~np.isnan(latitude)
    return Placing(
        longitude=datum.longitude,
        latitude=datum.latitude,
        uncertainty_m=np.where(located, np.minimum(base + datum.added_m, LARGEST_UNCERTAINTY_M), np.nan),
        source=np.where(located, source, -1),
        uncertainty_missing=located & np.isnan(given),
        uncertainty_invalid=located & ~np.isnan(given) & ~good,
        coarse=located & coarse & good,
        withheld=withheld,
        datum_assumed=located & (datum.assumed | extra),
        datum_unknown=located & datum.unknown,
        datum_shifted=located & datum.shifted,
    )
