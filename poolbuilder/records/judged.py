"""What the rules judge of records: their place on WGS84, their date and repeats, each worked out once.

The record that is kept of several does not depend on the order of the rows.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.names.vocabularies import fold, vocabulary
from poolbuilder.records.dates import EARLIEST, Span, read_date, span_of
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

SMALLEST_UNCERTAINTY_M = 1.0
LARGEST_UNCERTAINTY_M = 20_037_509.0
"""Bounds of the public test VALIDATION_COORDINATEUNCERTAINTY_INRANGE, both included."""

SOURCES = ("given", "withheld", "decimals", "default")
"""What an uncertainty comes from."""

_WGS84_AXIS_M = 6_378_137.0
_WGS84_ECCENTRICITY2 = 6.694379990141316e-3

_DATUMS = {name: epsg for epsg, names in vocabulary("datum").items() for name in names} | {"": "empty"}
"""By usual name, squeezed: `same` as WGS84, `empty`, or an EPSG code."""

_NOT_WITHHELD = re.compile(
    r"(information |data |coordinates? |location |locality )*"
    r"(none|no|nil|null|n/?a|false|0|not applicable|nothing( withheld)?|full (data|record) available"
    r"|no (information|data|fields?) withheld|((is|are) )?not (withheld|obscured|generali[sz]ed))\.?",
    re.IGNORECASE,
)
_STATED = re.compile(r"uncertainty[^.]*?(?:increased to|set to|of)\s*([\d.,]+)\s*(km|m\b|met)", re.IGNORECASE)


def per_value(table: pa.Table, term: str, make: Callable[[str | None], Any]) -> NDArray[Any]:
    """*make* of each value of a text column, called once per distinct value."""
    index, distinct = tables.codes(table[term])
    return np.array([make(text) for text in distinct] + [make(None)])[index]


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
    struck : dict of str to bool array
        Where each rule on places strikes.
    """

    longitude: Floats
    latitude: Floats
    uncertainty_m: Floats
    source: Ints
    struck: Mapping[str, Bools]


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
    known = _DATUMS.get(squeezed) or _DATUMS.get(fold(given))
    code = re.search(r"(?:epsg\D{0,5}(?:\d+(?:\.\d+)*:)?|^)(\d{4,5})\)?$", given, re.IGNORECASE)
    if known := known or (code and code[1]):
        return int(known) if known.isdigit() else known
    named = {epsg for name, epsg in _DATUMS.items() if len(name) > 4 and epsg.isdigit() and name in squeezed}
    if "wgs84" in squeezed or "wgs1984" in squeezed:
        return "unknown" if named else "same"
    return int(named.pop()) if len(named) == 1 else "unknown"


def _shift(code: int, longitude: Floats, latitude: Floats) -> tuple[Floats, Floats, Floats] | None:
    """Coordinates on WGS84, and the stated accuracy of the operation in metres; None if unknown."""
    import pyproj  # 0.1 s: only for records that need it
    from pyproj.exceptions import CRSError, ProjError
    from pyproj.network import is_network_enabled, set_network_enabled  # type: ignore[attr-defined]

    east_code, north_code = (np.unique(axis, return_inverse=True)[1] for axis in (longitude, latitude))
    _, first, place = np.unique(
        east_code * len(longitude) + north_code, return_index=True, return_inverse=True
    )  # each place is moved once
    longitude, latitude = longitude[first], latitude[first]
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
    return np.asarray(east)[place], np.asarray(north)[place], accuracy[index.ravel()][place]


def _accuracy_m(change: Any, cell: Floats) -> float:
    """Accuracy of the operation used in the middle of a one-degree cell; NaN when it states none."""
    change.transform(float(cell[0]) + 0.5, float(np.clip(cell[1] + 0.5, -90, 90)))
    stated = change.get_last_used_operation().accuracy
    return float(stated) if stated is not None and stated >= 0 else np.nan


_SAME, _ASSUMED, _UNKNOWN, _SHIFTED = range(4)
"""What became of the coordinates of a record for its datum."""


def _on_wgs84(
    datum: pa.ChunkedArray, longitude: Floats, latitude: Floats, settings: Settings
) -> tuple[Floats, Floats, Floats, Ints]:
    """Coordinates on WGS84, the uncertainty that this adds in metres, and what was done."""
    east, north = longitude.copy(), latitude.copy()
    added_m, how = np.zeros(len(east)), np.full(len(east), _SAME)
    on_globe = (np.abs(longitude) <= 180) & (np.abs(latitude) <= 90)
    index, distinct = tables.codes(datum)
    kinds = np.array([*map(_datum, distinct), "empty"], dtype=object)
    for kind in dict.fromkeys(kinds):
        # Texts that mean the same datum go together, so that spelling changes nothing.
        rows = (kinds == kind)[index]
        moved = rows & on_globe
        shift = None
        if isinstance(kind, int) and moved.any():
            shift = _shift(kind, longitude[moved], latitude[moved])
        if shift is not None:
            east[moved], north[moved], accuracy = shift
            added_m[moved] = np.where(np.isnan(accuracy), settings.unknown_datum_shift_m, accuracy)
            how[moved] = _SHIFTED
        elif kind != "same":
            added_m[rows] = settings.unknown_datum_shift_m
            how[rows] = _ASSUMED if kind == "empty" else _UNKNOWN
    return east, north, added_m, how


def _remarks(table: pa.Table) -> tuple[Bools, Floats]:
    """Rows that something was withheld from, and the uncertainty that the remark states."""
    columns = ("dataGeneralizations", "informationWithheld")
    says = [per_value(table, name, is_withheld) for name in columns]
    amounts = (per_value(table, name, _stated_m) for name in columns)
    stated = [np.where(row, amount, np.nan) for row, amount in zip(says, amounts, strict=True)]
    return np.logical_or(*says), np.fmax(*stated)


def placed(table: pa.Table, *, default_m: Floats, assumed: Bools, settings: Settings) -> Placing:
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
    east, north, added_m, how = _on_wgs84(table["geodeticDatum"], longitude, latitude, settings)
    extra = assumed & (how == _SAME)
    added_m[extra] += settings.unknown_datum_shift_m

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
        longitude=east,
        latitude=north,
        uncertainty_m=np.where(located, np.minimum(base + added_m, LARGEST_UNCERTAINTY_M), np.nan),
        source=np.where(located, source, -1),
        struck={
            "uncertainty_missing": located & np.isnan(given),
            "uncertainty_invalid": located & ~np.isnan(given) & ~good,
            "coarse_coordinates": located & coarse & good,
            "withheld": withheld,
            "datum_assumed": located & ((how == _ASSUMED) | extra),
            "datum_unknown": located & (how == _UNKNOWN),
            "datum_transformed": located & (how == _SHIFTED),
        },
    )


_LOCAL = re.compile(r"\d{1,9}")


def _codes(values: Iterable[Any]) -> Ints:
    """Whole numbers that are equal where *values* are; -1 for None."""
    seen: dict[Any, int] = {}
    return np.array(
        [-1 if value is None else seen.setdefault(value, len(seen)) for value in values], dtype=np.int64
    )


def _groups(keys: Sequence[Ints], rows: Ints) -> list[Ints]:
    """Rows that agree in every key, for keys that are all known; only groups of two and more."""
    known = np.all([key[rows] >= 0 for key in keys], axis=0)
    rows = rows[known]
    if len(rows) < 2:
        return []
    group, _ = tables.numbered(*(key[rows] for key in keys))
    shared = np.bincount(group)[group] > 1
    rows, group = rows[shared], group[shared]
    if not len(rows):
        return []
    order = np.argsort(group, kind="stable")
    bounds = np.flatnonzero(np.diff(group[order])) + 1
    return np.split(rows[order], bounds)


def _squeezed(text: str | None) -> str | None:
    return "".join(letter for letter in text.casefold() if letter.isalnum()) or None if text else None


def _collectors(text: str | None) -> frozenset[str]:
    """Words of a collector's name longer than initials, so that `P. W. Smith` is `Smith, P.W.`."""
    return frozenset(word for word in re.findall(r"\w+", (text or "").casefold()) if len(word) > 2)


def _per_distinct(named: pa.Table, term: str, make: Callable[[str | None], Any]) -> list[Any]:
    index, distinct = tables.codes(named[term])
    made = [*(make(text) for text in distinct), make(None)]
    return [made[place] for place in index.tolist()]


def _names(named: pa.Table) -> Ints:
    """Equal where the readings agree: role and accepted names, else the name as given."""
    given = _per_distinct(named, "scientificName", lambda text: " ".join((text or "").casefold().split()))
    read = zip(named["role"].to_pylist(), named["acceptedNames"].to_pylist(), given, strict=True)
    return _codes((role, tuple(names or ()) or text) for role, names, text in read)


def _identifiers(named: pa.Table) -> Ints:
    """Equal where occurrenceID is; a bare running number counts within its own data set or file only."""
    index, distinct = tables.codes(named["occurrenceID"])
    local = np.array([bool(_LOCAL.fullmatch(text or "")) for text in distinct] + [False])[index]
    dataset, datasets = tables.codes(named["datasetKey"])
    file, files = tables.codes(named["sourceFile"])
    scope = np.where(dataset >= 0, dataset, len(datasets) + 1 + file) + 1
    return np.where(index < 0, -1, index * (len(datasets) + len(files) + 2) + local * scope)


def _numbers_in_collection(named: pa.Table) -> Ints:
    """Equal where the catalogue number within its institution is, else the collector's number."""

    def number(catalogue: str | None, own: str | None, house: str | None) -> tuple[str | None, ...] | None:
        if not catalogue:
            return ("field", own) if own else None
        return "catalogue", house, catalogue.removeprefix(house or "") or catalogue

    terms = ("catalogNumber", "recordNumber", "institutionCode")
    return _codes(map(number, *(_per_distinct(named, term, _squeezed) for term in terms)))


def _cells(
    longitude: NDArray[np.float64], latitude: NDArray[np.float64], degrees: float
) -> tuple[Ints, Ints]:
    known = ~np.isnan(longitude) & ~np.isnan(latitude)
    with np.errstate(invalid="ignore"):
        # Rounded, not cut off: coordinates rounded by a second publisher stay in their cell.
        east = np.where(known, np.round(longitude / degrees) + round(360 / degrees), -1)
        north = np.where(known, np.round(latitude / degrees) + round(180 / degrees), -1)
    return east.astype(np.int64), north.astype(np.int64)


def _rank(named: pa.Table, quality: Floats, uncertainty_m: Floats) -> Ints:
    """Rank of each row in the order of preference: best quality, least uncertainty, then its key."""
    size = np.where(np.isnan(uncertainty_m), np.inf, uncertainty_m)
    key, file = (tables.text_rank(named[name]) for name in ("recordKey", "sourceFile"))
    rank = np.empty(named.num_rows, dtype=np.int64)
    rank[np.lexsort((tables.integers(named["sourceRow"]), file, key, size, -quality))] = np.arange(len(rank))
    return rank


def _losers(group: Ints, rank: Ints, collectors: Sequence[frozenset[str]]) -> list[int]:
    """All of a group but the best; a different collector makes a different record."""
    kept: list[int] = []
    out: list[int] = []
    for row in group[np.argsort(rank[group])].tolist():
        names = collectors[row]
        same = any(not names or not collectors[other] or names & collectors[other] for other in kept)
        (out if same else kept).append(row)
    return out


def find_repeats(
    named: pa.Table, place: Placing, dates: Ints, *, among: Bools, quality: Floats, cell_degrees: float
) -> tuple[Bools, Bools]:
    """Find repeats among some rows of a NAMED table.

    *dates* holds equal numbers for equal dates or spans of days, -1 where there is none.

    Two records are one when they share occurrenceID and name; or name, date, cell and
    catalogue number (else collector's number), unless both name collectors and none agree.
    Kept is the one of best quality, then of least uncertainty, then of first key.

    Returns
    -------
    repeats : bool array
        True for every record but the kept one.
    reused : bool array
        True where one occurrenceID stands on records of different names.
    """
    repeats, reused, again = np.zeros((3, named.num_rows), dtype=bool)
    east, north = _cells(place.longitude, place.latitude, cell_degrees)
    in_collection = tables.valid(named["catalogNumber"]) | tables.valid(named["recordNumber"])
    by_identifier = _groups([_identifiers(named)], np.flatnonzero(among))
    alike = _groups([dates, east, north], np.flatnonzero(among & in_collection))
    # Texts are compared of those records alone that may be repeats.
    some = np.unique(np.concatenate([np.zeros(0, np.int64), *by_identifier, *alike]))
    if not len(some):
        return repeats, reused
    part = tables.take(named, some)
    names, rank = _names(part), _rank(part, quality[some], place.uncertainty_m[some])
    nobody = [frozenset[str]()] * len(some)
    for group in by_identifier:
        mine = np.searchsorted(some, group)
        for same in _groups([names], mine):
            again[_losers(same, rank, nobody)] = True
        reused[group] = len(set(names[mine].tolist())) > 1
    collectors, numbers = _per_distinct(part, "recordedBy", _collectors), _numbers_in_collection(part)
    keys = [names, dates[some], east[some], north[some], numbers]
    for group in _groups(keys, np.flatnonzero(~again[: len(some)])):
        again[_losers(group, rank, collectors)] = True
    repeats[some] = again[: len(some)]
    return repeats, reused


_NONE = -(2**31)  # no year, month or day
LONGEST = 1_000_000
"""No span of days between two years of four digits is longer."""


@dataclass(frozen=True, kw_only=True)
class When:
    """When records were made: the distinct dates, judged once, and which of them each record has.

    Attributes
    ----------
    index : int array
        Position in the list, one a record.
    span : list of Span or None
        None for no date, or one that cannot be.
    numbers : int array
        Of each record, equal where the date, or the span of days, is; -1 without one.
    struck : dict of str to bool array
        Where each rule on dates strikes.
    """

    index: Ints
    span: list[Span | None]
    numbers: Ints
    struck: Mapping[str, Bools]

    def of_each(self, make: Callable[[Span], Any]) -> list[Any]:
        """*make* of each distinct date, None without one."""
        return [None if span is None else make(span) for span in self.span]


def dated(table: pa.Table, as_of: datetime.date) -> When:
    """When records were made, and which dates cannot be or are in doubt; none is later than *as_of*."""
    code, distinct = tables.codes(table["eventDate"])
    parts = [code, *(tables.integers(table[name], missing=_NONE) for name in ("year", "month", "day"))]
    index, first = tables.numbered(*parts)
    spans: list[Span | None] = []
    verdicts = np.zeros((len(first), 4), dtype=bool)
    days = np.full(len(first), -1)
    for place, row in enumerate(first.tolist()):
        text = distinct[code[row]] if code[row] >= 0 else None
        given = tuple(int(part[row]) if part[row] != _NONE else None for part in parts[1:])
        span, *verdicts[place, :3] = _judge_date(*read_date(text or ""), given, as_of)
        if span is not None:
            days[place] = span.start.toordinal() * LONGEST + (span.end - span.start).days
        verdicts[place, 3] = span is None and not verdicts[place, 0]
        spans.append(span)
    rules = ("impossible_date", "doubtful_date", "wide_date", "undated")
    struck = dict(zip(rules, verdicts[index].T, strict=True))
    return When(index=index, span=spans, numbers=days[index], struck=struck)


def _judge_date(
    span: Span | None, how: str, given: tuple[int | None, ...], as_of: datetime.date
) -> tuple[Span | None, bool, bool, bool]:
    """Span, impossible, doubtful, wide: from eventDate, else from year, month and day."""
    year, month, day = given
    doubtful = how == "unreadable"
    if how == "impossible":
        return None, True, False, False
    # 0 stands for unknown in many collections.
    columns_span = span_of(year, month or None, (day or None) if month else None) if year else None
    if span is None:
        if not year:
            return None, False, doubtful, False
        if columns_span is None:
            return None, True, False, False
        span = columns_span
    elif columns_span is None:
        doubtful = doubtful or bool(year)
    elif columns_span.end < span.start or columns_span.start > span.end:
        doubtful = True
    if span.start > as_of or span.end < EARLIEST:
        return span, True, False, False
    doubtful = doubtful or (span.interval and span.end > as_of)
    return span, False, doubtful, span.end.year > span.start.year
