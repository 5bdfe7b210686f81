"""Marks each record with the rule that rejects it; drops none.  The rules and their words are rules.csv."""

from __future__ import annotations

import csv
import datetime
import re
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any, Literal

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.names.vocabularies import (
    BASIS_OF_RECORD,
    DEGREE_OF_ESTABLISHMENT,
    fold,
    read_term,
    vocabulary,
)
from poolbuilder.records.dates import Span
from poolbuilder.records.judged import SOURCES, dated, find_repeats, per_value, placed
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
    factor : str or None
        For `lower`: the Setting, or the column, by which quality is multiplied.
    """

    key: str
    title: str
    reason: str
    terms: tuple[str, ...]
    effect: Literal["reject", "flag", "lower"]
    test: str | None = None
    factor: str | None = None


def _shipped() -> Iterator[Rule]:
    text = resources.files("poolbuilder.records").joinpath("rules.csv").read_text(encoding="utf-8")
    for row in csv.DictReader(text.splitlines()):
        words = {**row, "terms": tuple(row["terms"].split()), "test": row["test"] or None}
        yield Rule(**{**words, "factor": row["factor"] or None})  # type: ignore[arg-type]


RULES = tuple(_shipped())
"""Asked in this order: the first rule that rejects a record is the one that is named."""


DAYS_A_YEAR = 365.25


_KINDS = {
    "quality_specimen": ("PreservedSpecimen", "MaterialEntity"),
    "quality_observation": ("HumanObservation", "MachineObservation", "Observation", "Event"),
    "quality_material_sample": ("MaterialSample",),
}
"""Bases of record that have a quality of their own, by its setting; the others have that of a citation."""


def _is_any(named: pa.Table, term: str, folded: Collection[str]) -> Bools:
    """Where a column's value, in lower-case letters and digits, is one of *folded*."""
    return per_value(named, term, lambda text: fold(text) in folded).astype(bool)


def _has_issue(named: pa.Table, folded: Collection[str]) -> Bools:
    """Where the service set one of these flags."""
    marks = re.compile(r"[\[\];,|]")

    def any_of(text: str | None) -> bool:
        return any(fold(mark) in folded for mark in marks.split(text or ""))

    return per_value(named, "issue", any_of).astype(bool)


def _is_zero(text: str | None) -> bool:
    try:
        return text is not None and float(text) == 0
    except ValueError:
        return False


def _where(named: pa.Table, term: str, make: Callable[[str | None], str]) -> Callable[..., Bools]:
    """What tells where *make* of a text column gives one of some words."""
    index, distinct = tables.codes(named[term])
    words = [*map(make, distinct), make(None)]
    return lambda *wanted: np.array([word in wanted for word in words])[index]


def _strikes(named: pa.Table, basis: Callable[..., Bools]) -> dict[str, Bools]:
    """Where each rule strikes that reads nothing but columns."""
    longitude, latitude = (tables.numbers(named[name]) for name in ("decimalLongitude", "decimalLatitude"))
    role = _where(named, "role", lambda text: text or "none")
    quality = tables.numbers(named["nameQuality"])
    degree = _where(
        named, "degreeOfEstablishment", lambda text: read_term(text, DEGREE_OF_ESTABLISHMENT) or ""
    )
    # `managed` is the older word of the service for what is kept by people.
    managed = _is_any(named, "establishmentMeans", {"managed", "captive", "cultivated", "cultivatedcaptive"})
    absent, present = (_is_any(named, "occurrenceStatus", _STATUS[word]) for word in ("absent", "present"))
    none = tables.numbers(named["individualCount"]) == 0
    none |= per_value(named, "organismQuantity", _is_zero).astype(bool)
    return {
        "no_coordinates": np.isnan(longitude) | np.isnan(latitude),
        "out_of_range": (np.abs(longitude) > 180) | (np.abs(latitude) > 90),
        "zero_coordinates": (longitude == 0) & (latitude == 0),
        "absent": absent | none,
        "fossil": basis("FossilSpecimen"),
        "captive": basis("LivingSpecimen") | degree("captive", "cultivated") | managed,
        "not_a_record": basis("Taxon"),
        "no_name": role("none"),
        "not_to_species": role("genus"),
        "unknown_species": role("unknown"),
        "doubtful_name": quality < 1,
        "suspect_place": _has_issue(named, _SUSPECT["place"]),
        "fuzzy_name": _has_issue(named, {"taxonmatchfuzzy"}) & (quality >= 1),
        "odd_status": ~(absent | present | _is_any(named, "occurrenceStatus", {""})),
        "odd_basis": basis(""),
        "released": degree("released", "failing"),
        "unreadable_value": tables.valid(named["readNote"]),
    }


def _factor(rule: Rule, named: pa.Table, settings: Settings) -> Any:
    """What the quality of a record that the rule strikes is multiplied by."""
    assert rule.factor is not None
    if rule.factor in named.column_names:
        return tables.numbers(named[rule.factor])
    return float(getattr(settings, rule.factor))


def _middle(span: Span, as_of: datetime.date) -> datetime.date:
    end = min(span.end, as_of)
    return span.start + (end - span.start) / 2


def _day(span: Span) -> str | None:
    return span.start.isoformat() if span.is_day else None


def _age_years(span: Span, as_of: datetime.date) -> float:
    return max((as_of - _middle(span, as_of)).days, 0) / DAYS_A_YEAR


def _chosen(values: Sequence[Any], index: NDArray[np.int64], kind: pa.DataType) -> pa.Array:
    """A column of *values*, taken by position, texts as codes; -1 is null."""
    return tables.spread(tables.array(values, kind), index)


def _lists_of_flags(struck: Sequence[tuple[str, NDArray[np.bool_]]], count: int) -> pa.Array:
    """For each record the keys of the rules that struck it, in the order of the rules."""
    matrix = np.stack([mask for _, mask in struck], axis=1) if struck else np.zeros((count, 0), dtype=bool)
    _, which = np.nonzero(matrix)
    starts = np.concatenate([[0], np.cumsum(matrix.sum(axis=1))])
    keys = _chosen([key for key, _ in struck], which, pa.string())
    return tables.lists(tables.cast(keys, pa.string()), starts)


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
    basis = _where(named, "basisOfRecord", lambda text: read_term(text, BASIS_OF_RECORD) or "")
    quality = np.full(named.num_rows, float(settings.quality_citation))
    for name, bases in _KINDS.items():
        quality[basis(*bases)] = getattr(settings, name)
    seen = basis(*_KINDS["quality_observation"], *_KINDS["quality_material_sample"])
    place = placed(
        named,
        default_m=np.where(
            seen, settings.default_uncertainty_observation_m, settings.default_uncertainty_specimen_m
        ),
        assumed=_has_issue(named, {"geodeticdatumassumedwgs84", "geodeticdatuminvalid"}),
        settings=settings,
    )
    when = dated(named, as_of)
    struck = {**_strikes(named, basis), **place.struck, **when.struck}
    struck["doubtful_date"] |= _has_issue(named, _SUSPECT["date"])
    rejected_by = np.full(named.num_rows, -1, dtype=np.int64)
    for number, rule in enumerate(RULES):
        if rule.key == "duplicate":  # of what no rule before it rejects
            struck["duplicate"], struck["reused_identifier"] = find_repeats(
                named,
                place,
                when.numbers,
                among=rejected_by < 0,
                quality=quality * tables.numbers(named["nameQuality"]),
                cell_degrees=settings.event_cell_degrees,
            )
        if rule.effect == "reject":
            rejected_by[struck[rule.key] & (rejected_by < 0)] = number
        elif rule.effect == "lower":
            quality = np.where(struck[rule.key], quality * _factor(rule, named, settings), quality)
    flagged = [(rule.key, struck[rule.key]) for rule in RULES if rule.effect != "reject"]
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
    return check(tables.of_columns(SCREENED, [*named.columns, *arrays]), SCREENED, "screened")


def tally(screened: pa.Table) -> dict[str, int]:
    """How many records each rejecting rule rejected, in the order of RULES; zeros included.

    The sum and the kept records together are the rows of *screened*.
    """
    code, keys = tables.codes(screened["rejectedBy"])
    counts = dict(zip(keys, np.bincount(code[code >= 0], minlength=len(keys)).tolist(), strict=True))
    return {rule.key: counts.get(rule.key, 0) for rule in RULES if rule.effect == "reject"}
