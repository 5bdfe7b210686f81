"""Marks each record with the rule that rejects it; drops none."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.records import placing
from poolbuilder.records.dates import Span
from poolbuilder.records.judged import Judged
from poolbuilder.records.rules import RULES, Rule
from poolbuilder.schemas import NAMED, SCREENED, check
from poolbuilder.settings import Settings

__all__ = ["RULES", "Rule", "screen", "tally"]

DAYS_A_YEAR = 365.25


def _factor(rule: Rule, judged: Judged) -> NDArray[np.float64]:
    assert rule.factor is not None
    if rule.factor in judged.table.column_names:
        return tables.numbers(judged.table[rule.factor])
    return np.full(judged.table.num_rows, float(getattr(judged.settings, rule.factor)))


def _middle(span: Span, as_of: datetime.date) -> datetime.date:
    end = min(span.end, as_of)
    return span.start + (end - span.start) / 2


def _day(span: Span) -> str | None:
    return span.start.isoformat() if span.is_day else None


def _age_years(span: Span, as_of: datetime.date) -> float:
    return max((as_of - _middle(span, as_of)).days, 0) / DAYS_A_YEAR


def _chosen(values: Sequence[Any], index: NDArray[np.int64], kind: pa.DataType) -> pa.Array:
    """A column of *values*, taken by position; -1 is null."""
    return tables.spread(tables.array(values, kind), tables.array(index, pa.int64(), mask=index >= 0))


def _lists_of_flags(struck: Sequence[tuple[str, NDArray[np.bool_]]], count: int) -> pa.Array:
    """For each record the keys of the rules that struck it, in the order of the rules."""
    matrix = np.stack([mask for _, mask in struck], axis=1) if struck else np.zeros((count, 0), dtype=bool)
    _, which = np.nonzero(matrix)
    offsets = np.concatenate([[0], np.cumsum(matrix.sum(axis=1))])
    keys = _chosen([key for key, _ in struck], which, pa.string())
    return pa.ListArray.from_arrays(tables.array(offsets, pa.int32()), keys)


def screen(named: pa.Table, *, settings: Settings, as_of: datetime.date) -> pa.Table:
    """Judge records by the RULES.

    Parameters
    ----------
    named : Table, schema NAMED
        Any order; the order changes nothing but the order of the result.
    settings : Settings
        Uncertainties, qualities and the cell of duplicates.
    as_of : date
        Records of later days are impossible; ages are counted from it.

    Returns
    -------
    Table, schema SCREENED
        The same rows in the same order: rows = kept + rejected, always.

    Raises
    ------
    TableError
        When *named* does not match its schema.
    """
    check(named, NAMED, "named")
    judged = Judged(table=named, settings=settings, as_of=as_of)
    rejected_by = np.full(named.num_rows, -1, dtype=np.int64)
    flagged: list[tuple[str, NDArray[np.bool_]]] = []
    quality = judged.basis_quality.copy()
    for number, rule in enumerate(RULES):
        struck = rule.check(judged)
        if rule.effect == "reject":
            rejected_by[struck & ~judged.rejected] = number
            judged.rejected |= struck
            continue
        flagged.append((rule.key, struck))
        if rule.effect == "lower":
            quality = np.where(struck, quality * _factor(rule, judged), quality)
    place, when = judged.place, judged.when
    arrays = [
        _chosen([rule.key for rule in RULES], rejected_by, pa.string()),
        _lists_of_flags(flagged, named.num_rows),
        tables.array(place.longitude, pa.float64()),
        tables.array(place.latitude, pa.float64()),
        tables.array(place.uncertainty_m, pa.float64()),
        _chosen(placing.SOURCES, place.source, pa.string()),
        tables.array(np.clip(quality, 0, 1), pa.float64()),
        _chosen(when.of_each(lambda span: _middle(span, as_of).year), when.index, pa.int32()),
        _chosen(
            when.of_each(lambda span: span.start.isoformat() if span.is_day else None),
            when.index,
            pa.string(),
        ),
        _chosen(when.of_each(lambda span: _age_years(span, as_of)), when.index, pa.float64()),
    ]
    screened = pa.Table.from_arrays([*named.columns, *arrays], schema=SCREENED)
    return check(screened, SCREENED, "screened")


def tally(screened: pa.Table) -> dict[str, int]:
    """How many records each rejecting rule rejected, in the order of RULES; zeros included.

    The sum and the kept records together are the rows of *screened*.
    """
    counts = Counter(key for key in screened["rejectedBy"].to_pylist() if key is not None)
    return {rule.key: counts.get(rule.key, 0) for rule in RULES if rule.effect == "reject"}
