"""Which records tell of the same fish twice.

The record that is kept does not depend on the order of the rows.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables

__all__ = ["find"]

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

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
    group = np.zeros(len(rows), dtype=np.int64)
    for key in keys:
        code = np.unique(key[rows], return_inverse=True)[1]
        group = np.unique(group * (int(code.max()) + 1) + code, return_inverse=True)[1]
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


def _per_distinct(column: pa.ChunkedArray, make: Any) -> list[Any]:
    index, distinct = tables.codes(column)
    made = [*(make(text) for text in distinct), make(None)]
    return [made[place] for place in index.tolist()]


def _names(named: pa.Table) -> Ints:
    """Equal where the readings agree: role and accepted names, else the name as given."""
    given = _per_distinct(named["scientificName"], lambda text: " ".join((text or "").casefold().split()))
    accepted = named["acceptedNames"].to_pylist()
    roles = named["role"].to_pylist()
    return _codes(
        (role, tuple(names)) if names else (role, text)
        for role, names, text in zip(roles, accepted, given, strict=True)
    )


def _identifiers(named: pa.Table) -> Ints:
    """Equal where occurrenceID is; a bare running number counts within its own data set or file only."""
    index, distinct = tables.codes(named["occurrenceID"])
    local = np.array([bool(_LOCAL.fullmatch(text or "")) for text in distinct] + [False])
    if not local.any():
        return index
    scopes = zip(
        index.tolist(), named["datasetKey"].to_pylist(), named["sourceFile"].to_pylist(), strict=True
    )
    return _codes(
        None if code < 0 else ((code, dataset or file) if local[code] else code)
        for code, dataset, file in scopes
    )


def _numbers_in_collection(named: pa.Table) -> Ints:
    catalogue = _per_distinct(named["catalogNumber"], _squeezed)
    field = _per_distinct(named["recordNumber"], _squeezed)
    institution = _per_distinct(named["institutionCode"], _squeezed)
    found: list[Any] = []
    for number, own, house in zip(catalogue, field, institution, strict=True):
        if number:
            bare = number.removeprefix(house) if house else number
            found.append(("catalogue", house, bare or number))
        else:
            found.append(("field", own) if own else None)
    return _codes(found)


def _cells(
    longitude: NDArray[np.float64], latitude: NDArray[np.float64], degrees: float
) -> tuple[Ints, Ints]:
    known = ~np.isnan(longitude) & ~np.isnan(latitude)
    with np.errstate(invalid="ignore"):
        # Rounded, not cut off: coordinates rounded by a second publisher stay in their cell.
        east = np.where(known, np.round(longitude / degrees) + round(360 / degrees), -1)
        north = np.where(known, np.round(latitude / degrees) + round(180 / degrees), -1)
    return east.astype(np.int64), north.astype(np.int64)


def _first_rows(named: pa.Table, quality: NDArray[np.float64], uncertainty_m: NDArray[np.float64]) -> Ints:
    """Rank of each row in the order of preference: best quality, least uncertainty, then its key."""
    size = np.where(np.isnan(uncertainty_m), np.inf, uncertainty_m)
    keys = named["recordKey"].to_pylist()
    files = named["sourceFile"].to_pylist()
    numbers = tables.integers(named["sourceRow"])
    order = sorted(
        range(named.num_rows), key=lambda row: (-quality[row], size[row], keys[row], files[row], numbers[row])
    )
    rank = np.empty(named.num_rows, dtype=np.int64)
    rank[order] = np.arange(named.num_rows)
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


def find(
    named: pa.Table,
    *,
    among: Bools,
    longitude: NDArray[np.float64],
    latitude: NDArray[np.float64],
    dates: Ints,
    quality: NDArray[np.float64],
    uncertainty_m: NDArray[np.float64],
    cell_degrees: float,
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
    repeats = np.zeros(named.num_rows, dtype=bool)
    reused = np.zeros(named.num_rows, dtype=bool)
    rows = np.flatnonzero(among)
    identifiers = _identifiers(named)
    numbers = _numbers_in_collection(named)
    by_identifier = _groups([identifiers], rows)
    if not by_identifier and not (numbers[rows] >= 0).any():
        return repeats, reused
    names = _names(named)
    rank = _first_rows(named, quality, uncertainty_m)
    nobody = [frozenset[str]()] * named.num_rows
    for group in _groups([identifiers, names], rows):
        repeats[_losers(group, rank, nobody)] = True
    for group in by_identifier:
        reused[group] = len(set(names[group].tolist())) > 1
    rows = np.flatnonzero(among & ~repeats)
    east, north = _cells(longitude, latitude, cell_degrees)
    collectors = _per_distinct(named["recordedBy"], _collectors)
    for group in _groups([names, dates, east, north, numbers], rows):
        repeats[_losers(group, rank, collectors)] = True
    return repeats, reused
