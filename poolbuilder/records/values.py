"""Columns of a record table: the Darwin Core term of each heading, and text to typed values.

What cannot be read is noted, never lost.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import RecordFileError, said
from poolbuilder.names.vocabularies import fold, vocabulary
from poolbuilder.records.grids import RawBatch, repeated
from poolbuilder.schemas import RECORDS

SERVICE_ID = "gbifID"
"""A column of tables downloaded from the open occurrence service; its coordinates are WGS84."""

WHOLE_NAME = "verbatimScientificName"
"""A column of such tables: the name as it was given to the service."""

WHOLE_NAME_DOUBTS = ("TAXON_MATCH_HIGHERRANK", "TAXON_MATCH_NONE", "TAXON_MATCH_AGGREGATE")
"""Flags of a name that the service could not place whole; a hybrid formula is one such."""

_MADE_HERE = {"recordKey", "coordinateDecimals", "sourceFile", "sourceRow", "readNote"}
READ = tuple(name for name in RECORDS.names if name not in _MADE_HERE)

# Terms of the standards whose name differs from the column that holds them.
_SAME = {"class": "taxonClass", "taxonID": "taxonKey", "rights": "license"}

# Older and everyday headings, read when no column has the term's own name; those of _FAINT only when
# no other is there.
_EVERYDAY = {heading: term for term, words in vocabulary("records").items() for heading in words}
_FAINT = {"x", "y", "xcoord", "ycoord"}
_MUST_BE_CLEAR = ("decimalLatitude", "decimalLongitude", "scientificName", "eventDate")
_IN_BRACKETS = re.compile(r"[(\[].*?[)\]]")

DATE_ORDER = "date order"
"""A key among the renamed headings that is none: its value says how dates of numbers are ordered."""

GENUS = "genus of names"
"""A name that is no term, for the column of genera beside one of epithets."""


_OWN = {fold(name): name for name in READ}
_KNOWN = {**_OWN, **{fold(given): term for given, term in _SAME.items()}}


def _renamed(rename: Mapping[str, str], names: Sequence[str], file: str | Path) -> dict[int, str]:
    positions = {fold(name): index for index, name in reversed(list(enumerate(names)))}
    out: dict[int, str] = {}
    for given, term in rename.items():
        target = _KNOWN.get(fold(term))
        if target is None and given != DATE_ORDER:
            raise RecordFileError.of("map_not_darwin", file=file, given=given, term=term)
        if target is not None and fold(given) in positions:
            out[positions[fold(given)]] = target
    return out


def listed(names: Sequence[str]) -> str:
    """Headings for a message, no more than forty."""
    shown = [name or "(no name)" for name in names[:40]]
    more = f" and {len(names) - 40} more" if len(names) > 40 else ""
    return ", ".join(shown) + more


def column_called(name: str, names: Sequence[str]) -> int | None:
    """Position of the first heading that spells *name*, or None."""
    return next((index for index, given in enumerate(names) if fold(given) == fold(name)), None)


def _heading(name: str) -> str:
    """A heading without its unit in brackets, and without spaces and signs."""
    return fold(_IN_BRACKETS.sub("", name[:200]))  # longer ones are no headings, and slow to look through


def _maps(names: Sequence[str], term: str, places: Sequence[int]) -> str:
    given = (f"{names[at]}={term}" for at in places)
    return " or ".join(f'--map "{text}"' if " " in text else f"--map {text}" for text in given)


def read_everyday(
    names: Sequence[str], found: dict[str, int], *, file: str | Path, remark: Callable[[str], None]
) -> dict[str, int]:
    """The terms of *found* and those that stand under an everyday heading, which *remark* is told of.

    Raises
    ------
    RecordFileError
        When two columns could be the coordinates, the name or the date.
    """
    meant: dict[str, list[int]] = {}
    for index, name in enumerate(names):
        term = _EVERYDAY.get(_heading(name))
        if term is not None and term not in found and index not in found.values():
            meant.setdefault(term, []).append(index)
    clear, unclear = {}, []
    for term, places in meant.items():
        plain = [at for at in places if _heading(names[at]) not in _FAINT] or places
        maps = _maps(names, term, plain)
        if len(plain) == 1:
            clear[term] = plain[0]
        elif term in _MUST_BE_CLEAR:
            headings = [names[at] for at in plain]
            raise RecordFileError.of("several_columns", file=file, places=headings, term=term, names=maps)
        else:
            unclear.append(maps)
    if clear:
        remark("read " + ", ".join(f"{names[at]} as {term}" for term, at in clear.items()))
    if unclear:
        remark(said("not_read_several", unclear="; ".join(unclear)))
    return {**found, **clear}


def match_columns(
    names: Sequence[str], *, rename: Mapping[str, str] | None = None, file: str | Path
) -> dict[str, int]:
    """Where each term of the RECORDS schema stands among the columns of a file.

    Parameters
    ----------
    names : sequence of str
        Headings as given: any case, with or without a namespace or web address.
    rename : mapping of str to str, optional
        Given heading to Darwin Core term; stronger than the headings themselves.  Those that no
        column has are passed over.
    file : path
        Named in an error.

    Returns
    -------
    dict
        RECORDS column to position in *names*; the first of two columns of one term counts.

    Raises
    ------
    RecordFileError
        For an unknown term in *rename*.
    """
    taken = _renamed(rename or {}, names, file)
    claimed = set(taken.values())
    for known in (_OWN, _KNOWN):  # a column of the very name comes before one of the same meaning
        for index, name in enumerate(names):
            term = known.get(fold(name), "")
            if term and index not in taken and term not in claimed:
                taken[index] = term
                claimed.add(term)
    return {term: index for index, term in taken.items()}


def check_complete(found: Mapping[str, int], names: Sequence[str], file: str | Path) -> None:
    """Refuse a table without coordinates or names; the message lists its columns.

    Raises
    ------
    RecordFileError
    """
    missing = [term for term in COORDINATES if term not in found]
    what = "coordinates" if missing else "names"
    if not missing and "scientificName" not in found and "vernacularName" not in found:
        missing = ["scientificName"]
    if missing:
        raise RecordFileError.of(
            "no_column_for", file=file, what=what, missing=missing, names=listed(names), missing2=missing[0]
        )


Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

COORDINATES = ("decimalLongitude", "decimalLatitude")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+(\.\d+)?")
_WHOLE_LIMITS = {pa.int32(): (-(2**31), 2**31 - 1), pa.int8(): (-128, 127)}


def can_be_number(kind: pa.DataType) -> bool:
    """Whether a column of a type may hold numbers, as text too."""
    kind = kind.value_type if pa.types.is_dictionary(kind) else kind
    is_text = pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)
    is_number = pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
    return bool(is_text or is_number or pa.types.is_null(kind))


def is_doubted(issue: str | None) -> bool:
    """Whether flags of the service say that it could not place a name whole."""
    return any(flag in (issue or "") for flag in WHOLE_NAME_DOUBTS)


def _trimmed(column: pa.Array) -> pa.Array:
    trimmed = pc.ascii_trim_whitespace(column)
    filled = tables.numbers(pc.binary_length(trimmed)) != 0
    if filled.all():
        return trimmed
    return pc.if_else(tables.array(filled, pa.bool_()), trimmed, pa.nulls(len(trimmed), pa.string()))


class _Notes:
    """What could not be read, by row position."""

    def __init__(self, notes: Mapping[int, list[str]]) -> None:
        self.by_row = {row: list(texts) for row, texts in notes.items()}

    def add(self, row: int, text: str) -> None:
        self.by_row.setdefault(row, []).append(text)

    def column(self, count: int) -> pa.Array:
        if not self.by_row:
            return pa.nulls(count, pa.string())
        rows = sorted(self.by_row)
        place = np.full(count, -1, dtype=np.int64)
        place[rows] = np.arange(len(rows))
        texts = tables.array(["; ".join(self.by_row[row]) for row in rows], pa.string())
        return texts.take(tables.array(place, pa.int64(), mask=place >= 0))


def _parsed(text: str, *, place: bool) -> float:
    """A number; a comma is a decimal comma, but where it stands as one of thousands and not in a *place*."""
    if not place and _THOUSANDS.fullmatch(text):
        text = text.replace(",", "")
    elif _COMMA.fullmatch(text):
        text = text.replace(",", ".")
    try:
        return float(text) if "_" not in text else np.nan
    except ValueError:
        return np.nan


def _real(term: str, column: pa.Array, notes: _Notes, tally: Counter[str]) -> Floats:
    """A number column from text or numbers; NaN where there is none, noted where it is unreadable."""
    if not pa.types.is_string(column.type):
        values = tables.numbers(column.cast(pa.float64(), safe=False))
    else:
        column = _trimmed(column)
        try:
            values = tables.numbers(column.cast(pa.float64()))
        except pa.ArrowInvalid:
            index, distinct = tables.codes(column)
            place = term in COORDINATES
            lookup = np.array([_parsed(text or "", place=place) for text in distinct] + [np.nan])
            values = lookup[index]
            commas = {i for i, text in enumerate(distinct) if place and text and _COMMA.fullmatch(text)}
            tally["commas"] += int(np.isin(index, list(commas)).sum()) if commas else 0
    values = values.copy()
    bad = tables.valid(column) & ~np.isfinite(values)
    if bad.any():
        values[bad] = np.nan
        rows = np.flatnonzero(bad)
        texts = tables.take(pa.table([column], names=["text"]), rows).column(0).to_pylist()
        for row, text in zip(rows.tolist(), texts, strict=True):
            notes.add(row, f"{term} {str(text)[:60]!r} is not a number")
        tally["unreadable"] += len(rows)
    return values


def _whole(term: str, kind: pa.DataType, values: Floats, notes: _Notes, tally: Counter[str]) -> Floats:
    """The whole ones of some numbers, NaN for the others, which are noted."""
    low, high = _WHOLE_LIMITS[kind]
    with np.errstate(invalid="ignore"):
        fits = (values == np.floor(values)) & (values >= low) & (values <= high)
    for row in np.flatnonzero(~np.isnan(values) & ~fits).tolist():
        notes.add(row, said("not_whole_number_right", term=term, values=values[row]))
        tally["unreadable"] += 1
    return np.where(fits, values, np.nan)


def _decimals(column: pa.Array) -> Floats:
    """Decimals written in each number; NaN where the column holds numbers or powers of ten."""
    if not pa.types.is_string(column.type):
        return np.full(len(column), np.nan)
    column = _trimmed(column)
    length = tables.numbers(pc.binary_length(column))
    point = tables.numbers(pc.find_substring(column, pattern="."))
    comma = tables.numbers(pc.find_substring(column, pattern=","))
    point = np.where(point < 0, comma, point)
    power = tables.flags(pc.match_substring(column, pattern="e"))
    power |= tables.flags(pc.match_substring(column, pattern="E"))
    return np.where(power, np.nan, np.where(point < 0, 0, length - point - 1))


def _text(column: pa.Array) -> pa.Array:
    if pa.types.is_string(column.type):
        return _trimmed(column)
    if pa.types.is_large_string(column.type) or pa.types.is_primitive(column.type):
        return _trimmed(column.cast(pa.string()))
    return _trimmed(tables.array([_plain(value) for value in column.to_pylist()], pa.string()))


def _plain(value: object) -> str | None:
    """A nested or unusual Parquet value as text; lists are joined with `;`."""
    if value is None:
        return None
    if isinstance(value, bytes):
        return value.decode("utf-8", errors="replace")
    if isinstance(value, Mapping):
        return ";".join(text for item in value.values() if (text := _plain(item)))
    if isinstance(value, list | tuple):
        return ";".join(text for item in value if (text := _plain(item)))
    return str(value)


class RowKeys:
    """Makes recordKey, unique within one file, at eight bytes a row."""

    def __init__(self) -> None:
        self._sorted: list[NDArray[np.int64]] = []

    def _seen(self, hashes: NDArray[np.int64]) -> Bools:
        """Which of *hashes* came before, in this call or an earlier one; then remembers them."""
        fresh, first, which = np.unique(hashes, return_index=True, return_inverse=True)
        known = np.zeros(len(fresh), dtype=bool)
        for run in self._sorted:  # looked up in order, which is several times as fast
            known |= run[np.minimum(np.searchsorted(run, fresh), len(run) - 1)] == fresh
        repeated_here = np.ones(len(hashes), dtype=bool)
        repeated_here[first] = False
        # Runs of doubling length, so that each hash is merged only a few times.
        while self._sorted and len(self._sorted[-1]) <= 2 * len(fresh):
            fresh = np.sort(np.concatenate([self._sorted.pop(), fresh]), kind="stable")
        self._sorted.append(fresh)
        return np.asarray(known[which] | repeated_here)

    def make(
        self,
        identifier: pa.Array,
        dataset: pa.Array,
        rows: NDArray[np.int64],
        *,
        name: str,
        service: pa.Array | None = None,
    ) -> pa.Array:
        """The key of each row: the service's, else the identifier with its data set, else file and row."""
        if not len(rows):
            return tables.array([], pa.string())
        slash, hash_sign = tables.array(["/", "#"], pa.string())
        number = tables.array(rows, pa.int64()).cast(pa.string())
        source = repeated(name, len(rows))
        by_row = pc.binary_join_element_wise(source, number, hash_sign)
        # A bare running number is no identifier outside its own file.
        bare = tables.flags(pc.match_substring_regex(identifier, pattern=r"^\d{1,9}$"))
        scope = pc.if_else(tables.array(bare, pa.bool_()), source, pa.nulls(len(rows), pa.string()))
        scope = pc.coalesce(dataset, scope)
        scoped = pc.coalesce(pc.binary_join_element_wise(scope, identifier, slash), identifier)
        keys = pc.coalesce(scoped, by_row)
        if service is not None:
            prefix, nothing = tables.array(["gbif:", ""], pa.string())
            keys = pc.coalesce(pc.binary_join_element_wise(prefix, _text(service), nothing), keys)
        repeat = self._seen(np.fromiter(map(hash, keys.to_pylist()), dtype=np.int64, count=len(rows)))
        if repeat.any():
            suffixed = pc.binary_join_element_wise(keys, number, hash_sign)
            keys = pc.if_else(tables.array(repeat, pa.bool_()), suffixed, keys)
        return keys


def _with_genus(names: pa.Array, genera: pa.Array) -> pa.Array:
    """Names with the genus of its own column in front of a bare epithet."""
    bare = pc.match_substring_regex(names, pattern=r"^[a-z][a-z-]+\.?$")
    (space,) = tables.array([" "], pa.string())
    return pc.if_else(
        pc.fill_null(bare, False),
        pc.coalesce(pc.binary_join_element_wise(genera, names, space), names),
        names,
    )


def _restore_whole_names(
    out: dict[str, pa.Array], whole: pa.Array, notes: _Notes, tally: Counter[str]
) -> None:
    """Put back the name as given where the service kept only a part of it, as with hybrid formulae."""
    index, issues = tables.codes(out["issue"])
    doubted = np.array([*map(is_doubted, issues), False])
    differs = ~tables.flags(pc.equal(out["scientificName"], whole))
    lost = doubted[index] & differs & tables.valid(whole)
    if not lost.any():
        return
    for row in np.flatnonzero(lost).tolist():
        given, read = whole[row].as_py(), out["scientificName"][row].as_py()
        notes.add(row, said("service_reads_name", given=given, read=read))
    tally["restored"] += int(lost.sum())
    mask = tables.array(lost, pa.bool_())
    out["scientificName"] = pc.if_else(mask, whole, out["scientificName"])
    out["taxonRank"] = pc.if_else(mask, pa.nulls(len(whole), pa.string()), out["taxonRank"])


def _count_swapped(out: Mapping[str, pa.Array], tally: Counter[str]) -> None:
    """Count places off the globe that lie on it when latitude and longitude change places."""
    east, north = (tables.numbers(out[term]) for term in COORDINATES)
    with np.errstate(invalid="ignore"):
        tally["placed"] += int((~np.isnan(east) & ~np.isnan(north)).sum())
        tally["swapped"] += int(((np.abs(north) > 90) & (np.abs(north) <= 180) & (np.abs(east) <= 90)).sum())


def records_of(
    raw: RawBatch, source: str, keys: RowKeys, defaults: Mapping[str, str], tally: Counter[str]
) -> pa.Table:
    """One raw batch as a RECORDS table of the same rows in the same order.

    Parameters
    ----------
    raw : RawBatch
        Columns are text, or numbers when they come from Parquet.
    source : str
        Goes to `sourceFile`.
    keys : RowKeys
        Shared by the batches of a file.
    defaults : dict of str to str
        Value of a term where its cell is empty.
    tally : Counter
        Counts ``unreadable``, ``commas`` and ``restored``.
    """
    count, notes, out = len(raw.rows), _Notes(raw.notes), {}
    given = dict(raw.columns)
    for term, value in defaults.items():
        constant = repeated(value, count)
        given[term] = pc.coalesce(_text(given[term]), constant) if term in given else constant
    for item in RECORDS:
        column = given.get(item.name)
        if column is None:
            out[item.name] = pa.nulls(count, item.type)
        elif pa.types.is_string(item.type):
            out[item.name] = _text(column)
        else:
            numbers = _real(item.name, column, notes, tally)
            if not pa.types.is_floating(item.type):
                numbers = _whole(item.name, item.type, numbers, notes, tally)
            out[item.name] = tables.array(numbers, item.type)
    _count_swapped(out, tally)
    placed = [term for term in COORDINATES if term in given]
    written = [np.where(tables.valid(out[term]), _decimals(given[term]), np.nan) for term in placed]
    if written:
        out["coordinateDecimals"] = tables.array(np.minimum(np.fmax.reduce(written), 127), pa.int8())
    if WHOLE_NAME in given:
        _restore_whole_names(out, _text(given[WHOLE_NAME]), notes, tally)
    if GENUS in given:
        out["scientificName"] = _with_genus(out["scientificName"], _text(given[GENUS]))
    out["scientificName"] = pc.coalesce(out["scientificName"], out["vernacularName"])
    out["sourceFile"] = repeated(source, count)
    out["sourceRow"] = tables.array(raw.rows, pa.int64())
    out["recordKey"] = keys.make(
        out["occurrenceID"], out["datasetKey"], raw.rows, name=source, service=given.get(SERVICE_ID)
    )
    out["readNote"] = notes.column(count)
    return pa.Table.from_arrays([out[name] for name in RECORDS.names], schema=RECORDS)
