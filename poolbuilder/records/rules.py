"""Marks each record with the rule that rejects it; drops none.  The rules and their words are rules.csv."""

from __future__ import annotations

import csv
import datetime
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any, Literal

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.names.vocabularies import DEGREE_OF_ESTABLISHMENT, read_term, vocabulary
from poolbuilder.records.dates import Span
from poolbuilder.records.judged import SOURCES, Judged
from poolbuilder.schemas import NAMED, SCREENED, check
from poolbuilder.settings import Settings

Bools = NDArray[np.bool_]

_STATUS, _SUSPECT = vocabulary("occurrence"), vocabulary("suspect")


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One rule.

    Attributes
    ----------
    key : str
        Stable name, written to `rejectedBy` and `flagged`.
    title : str
        A few words.
    reason : str
        Why, for a field biologist.
    terms : tuple of str
        Columns that it reads.
    test : str or None
        The public data-quality test that it follows.
    effect : str
        `reject`, `flag`, or `lower` (a flag that also lowers quality).
    check : callable
        Judged to bool array: where the rule strikes.
    factor : str or None
        For `lower`: the Setting, or the column, by which quality is multiplied.
    """

    key: str
    title: str
    reason: str
    terms: tuple[str, ...]
    effect: Literal["reject", "flag", "lower"]
    check: Callable[[Judged], Bools]
    test: str | None = None
    factor: str | None = None


def _no_coordinates(judged: Judged) -> Bools:
    return ~tables.valid(judged.table["decimalLongitude"]) | ~tables.valid(judged.table["decimalLatitude"])


def _out_of_range(judged: Judged) -> Bools:
    longitude = tables.numbers(judged.table["decimalLongitude"])
    latitude = tables.numbers(judged.table["decimalLatitude"])
    return np.asarray((np.abs(longitude) > 180) | (np.abs(latitude) > 90))


def _zero(judged: Judged) -> Bools:
    longitude = tables.numbers(judged.table["decimalLongitude"])
    latitude = tables.numbers(judged.table["decimalLatitude"])
    return np.asarray((longitude == 0) & (latitude == 0))


def _is_zero(text: str | None) -> bool:
    try:
        return text is not None and float(text) == 0
    except ValueError:
        return False


def _absent(judged: Judged) -> Bools:
    counted = tables.numbers(judged.table["individualCount"]) == 0
    quantity = judged.per_value("organismQuantity", _is_zero).astype(bool)
    return np.asarray(judged.is_any("occurrenceStatus", _STATUS["absent"]) | counted | quantity)


def _captive(judged: Judged) -> Bools:
    degree = judged.per_value(
        "degreeOfEstablishment",
        lambda text: read_term(text, DEGREE_OF_ESTABLISHMENT) in {"captive", "cultivated"},
    ).astype(bool)
    # `managed` is the older word of the service for what is kept by people.
    managed = judged.is_any("establishmentMeans", {"managed", "captive", "cultivated", "cultivatedcaptive"})
    return np.asarray(judged.basis_is("LivingSpecimen") | degree | managed)


_CHECKS: dict[str, Callable[[Judged], Bools]] = {
    "no_coordinates": _no_coordinates,
    "out_of_range": _out_of_range,
    "zero_coordinates": _zero,
    "absent": _absent,
    "fossil": lambda judged: judged.basis_is("FossilSpecimen"),
    "captive": _captive,
    "not_a_record": lambda judged: judged.basis_is("Taxon"),
    "no_name": lambda judged: judged.role_is("none"),
    "not_to_species": lambda judged: judged.role_is("genus"),
    "unknown_species": lambda judged: judged.role_is("unknown"),
    "impossible_date": lambda judged: judged.when.impossible,
    "duplicate": lambda judged: judged.repeats[0],
    "reused_identifier": lambda judged: judged.repeats[1],
    "doubtful_name": lambda judged: tables.numbers(judged.table["nameQuality"]) < 1,
    "suspect_place": lambda judged: judged.has_issue(_SUSPECT["place"]),
    "fuzzy_name": lambda judged: (
        judged.has_issue({"taxonmatchfuzzy"}) & (tables.numbers(judged.table["nameQuality"]) >= 1)
    ),
    "withheld": lambda judged: judged.place.withheld,
    "uncertainty_missing": lambda judged: judged.place.uncertainty_missing,
    "uncertainty_invalid": lambda judged: judged.place.uncertainty_invalid,
    "coarse_coordinates": lambda judged: judged.place.coarse,
    "datum_assumed": lambda judged: judged.place.datum_assumed,
    "datum_unknown": lambda judged: judged.place.datum_unknown,
    "datum_transformed": lambda judged: judged.place.datum_shifted,
    "undated": lambda judged: judged.when.undated,
    "doubtful_date": lambda judged: judged.when.doubtful | judged.has_issue(_SUSPECT["date"]),
    "wide_date": lambda judged: judged.when.wide,
    "odd_status": lambda judged: (
        ~judged.is_any("occurrenceStatus", {*_STATUS["present"], *_STATUS["absent"], ""})
    ),
    "odd_basis": lambda judged: judged.basis_is(""),
    "released": lambda judged: judged.is_any("degreeOfEstablishment", {"released", "failing"}),
    "unreadable_value": lambda judged: tables.valid(judged.table["readNote"]),
}
"""Where each rule of rules.csv strikes."""


def _shipped() -> Iterator[Rule]:
    text = resources.files("poolbuilder.records").joinpath("rules.csv").read_text(encoding="utf-8")
    for row in csv.DictReader(text.splitlines()):
        words = {**row, "terms": tuple(row["terms"].split()), "test": row["test"] or None}
        yield Rule(**{**words, "factor": row["factor"] or None}, check=_CHECKS[row["key"]])  # type: ignore[arg-type]


RULES = tuple(_shipped())
"""Asked in this order: the first rule that rejects a record is the one that is named."""


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
        _chosen(SOURCES, place.source, pa.string()),
        tables.array(np.clip(quality, 0, 1), pa.float64()),
        _chosen(when.of_each(lambda span: _middle(span, as_of).year), when.index, pa.int32()),
        _chosen(when.of_each(_day), when.index, pa.string()),
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
