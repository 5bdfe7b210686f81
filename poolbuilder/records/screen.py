"""Marks each record with the rule that rejects it; drops none."""

from __future__ import annotations

import datetime
from collections import Counter
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import columns
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
        return columns.numbers(judged.table[rule.factor])
    return np.full(judged.table.num_rows, float(getattr(judged.settings, rule.factor)))


def _middle(span: Span, as_of: datetime.date) -> datetime.date:
    end = min(span.end, as_of)
    return span.start + (end - span.start) / 2


def _age_years(span: Span | None, as_of: datetime.date) -> float | None:
    if span is None:
        return None
    return max((as_of - _middle(span, as_of)).days, 0) / DAYS_A_YEAR


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
    count = named.num_rows
    rejected_by: list[str | None] = [None] * count
    flagged: list[list[str]] = [[] for _ in range(count)]
    quality = judged.basis_quality.copy()
    for rule in RULES:
        struck = rule.check(judged)
        if rule.effect == "reject":
            for row in np.flatnonzero(struck & ~judged.rejected).tolist():
                rejected_by[row] = rule.key
            judged.rejected |= struck
            continue
        for row in np.flatnonzero(struck).tolist():
            flagged[row].append(rule.key)
        if rule.effect == "lower":
            quality = np.where(struck, quality * _factor(rule, judged), quality)
    return check(_screened(judged, rejected_by, flagged, quality), SCREENED, "screened")


def _screened(
    judged: Judged,
    rejected_by: list[str | None],
    flagged: list[list[str]],
    quality: NDArray[np.float64],
) -> pa.Table:
    place, spans, as_of = judged.place, judged.when.span, judged.as_of
    days = [span.start.isoformat() if span and span.is_day else None for span in spans]
    added: dict[str, Any] = {
        "rejectedBy": rejected_by,
        "flagged": flagged,
        "longitude": place.longitude,
        "latitude": place.latitude,
        "uncertaintyM": place.uncertainty_m,
        "uncertaintySource": place.source,
        "quality": np.clip(quality, 0, 1),
        "eventYear": [_middle(span, as_of).year if span else None for span in spans],
        "eventDay": days,
        "ageYears": [_age_years(span, as_of) for span in spans],
    }
    arrays = [columns.array(values, SCREENED.field(name).type) for name, values in added.items()]
    return pa.Table.from_arrays([*judged.table.columns, *arrays], schema=SCREENED)


def tally(screened: pa.Table) -> dict[str, int]:
    """How many records each rejecting rule rejected, in the order of RULES; zeros included.

    The sum and the kept records together are the rows of *screened*.
    """
    counts = Counter(key for key in screened["rejectedBy"].to_pylist() if key is not None)
    return {rule.key: counts.get(rule.key, 0) for rule in RULES if rule.effect == "reject"}
