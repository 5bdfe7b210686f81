"""Records about to be judged: basis, place, date and repeats, each worked out once."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import columns
from poolbuilder.records import duplicates, placing
from poolbuilder.records.dates import EARLIEST, Span, read_date, span_of
from poolbuilder.settings import Settings
from poolbuilder.vocabularies import BASIS_OF_RECORD, fold, read_term

__all__ = ["Judged", "When"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_SPECIMENS = {"PreservedSpecimen", "MaterialEntity"}
_OBSERVATIONS = {"HumanObservation", "MachineObservation", "Observation", "Event"}


@dataclass(frozen=True, kw_only=True)
class When:
    """When records were made; every array has one entry a record.

    ``span`` is None and ``impossible`` False for a record without a date.
    """

    span: list[Span | None]
    impossible: Bools
    doubtful: Bools
    wide: Bools


@dataclass(kw_only=True)
class Judged:
    """A NAMED table with what the rules need of it, worked out once.

    ``rejected`` is brought up to date as the rules are asked in order.
    """

    table: pa.Table
    settings: Settings
    as_of: datetime.date
    rejected: Bools = field(init=False)

    def __post_init__(self) -> None:
        self.rejected = np.zeros(self.table.num_rows, dtype=bool)

    def per_value(self, term: str, make: Callable[[str | None], Any]) -> NDArray[Any]:
        """*make* of each value of a text column, called once per distinct value."""
        index, distinct = columns.codes(self.table[term])
        return np.array([make(text) for text in distinct] + [make(None)])[index]

    def basis_is(self, term: str) -> Bools:
        """Where the basis of record is this term of the vocabulary; empty text for none."""
        return np.asarray(self.basis == term)

    def role_is(self, role: str) -> Bools:
        """Where the name has this role."""
        return np.asarray(self.role == role)

    def is_any(self, term: str, folded: Collection[str]) -> Bools:
        """Where a column's value, in lower-case letters and digits, is one of *folded*."""
        return self.per_value(term, lambda text: fold(text) in folded).astype(bool)

    def has_issue(self, folded: Collection[str]) -> Bools:
        """Where the service set one of these flags."""

        def any_of(text: str | None) -> bool:
            marks = (text or "").replace("[", ";").replace("]", ";").replace(",", ";").replace("|", ";")
            return any(fold(mark) in folded for mark in marks.split(";"))

        return self.per_value("issue", any_of).astype(bool)

    @cached_property
    def basis(self) -> NDArray[Any]:
        """Basis of record as a term of the vocabulary; empty text when unknown."""
        return self.per_value("basisOfRecord", lambda text: read_term(text, BASIS_OF_RECORD) or "")

    @cached_property
    def role(self) -> NDArray[Any]:
        """What the name is to the checklist."""
        return self.per_value("role", lambda text: text or "none")

    @cached_property
    def place(self) -> placing.Placing:
        """Places on WGS84 with uncertainty."""
        specimen = np.isin(self.basis, [*_OBSERVATIONS, "MaterialSample"], invert=True)
        default = np.where(
            specimen,
            self.settings.default_uncertainty_specimen_m,
            self.settings.default_uncertainty_observation_m,
        )
        assumed = self.has_issue({"geodeticdatumassumedwgs84", "geodeticdatuminvalid"})
        return placing.place(self.table, default_m=default, assumed=assumed, settings=self.settings)

    @cached_property
    def when(self) -> When:
        """Dates of the events."""
        return _dated(self.table, self.as_of)

    @cached_property
    def basis_quality(self) -> Floats:
        """Quality by basis of record alone."""
        settings = self.settings
        out = np.full(self.table.num_rows, settings.quality_citation)
        out[np.isin(self.basis, list(_SPECIMENS))] = settings.quality_specimen
        out[np.isin(self.basis, list(_OBSERVATIONS))] = settings.quality_observation
        out[self.basis == "MaterialSample"] = settings.quality_material_sample
        return out

    @cached_property
    def repeats(self) -> tuple[Bools, Bools]:
        """Repeats and reused identifiers among the records that no earlier rule rejects."""
        quality = self.basis_quality * columns.numbers(self.table["nameQuality"])
        days = [span.start.isoformat() if span and span.is_day else None for span in self.when.span]
        return duplicates.find(
            self.table,
            among=~self.rejected,
            longitude=self.place.longitude,
            latitude=self.place.latitude,
            days=days,
            quality=quality,
            uncertainty_m=self.place.uncertainty_m,
            cell_degrees=self.settings.event_cell_degrees,
        )


def _dated(table: pa.Table, as_of: datetime.date) -> When:
    count = table.num_rows
    index, distinct = columns.codes(table["eventDate"])
    read = [read_date(text or "") for text in distinct] + [(None, "empty")]
    years = columns.integers(table["year"], missing=-(2**40))
    months = columns.integers(table["month"], missing=-(2**40))
    days = columns.integers(table["day"], missing=-(2**40))
    spans: list[Span | None] = [None] * count
    impossible, doubtful, wide = (np.zeros(count, dtype=bool) for _ in range(3))
    judged: dict[tuple[int, int, int, int], tuple[Span | None, bool, bool, bool]] = {}
    parts = zip(index.tolist(), years.tolist(), months.tolist(), days.tolist(), strict=True)
    for row, key in enumerate(parts):
        if key not in judged:
            span, how = read[key[0]]
            given = tuple(value if value > -(2**40) else None for value in key[1:])
            judged[key] = _judge_date(span, how, given, as_of)
        spans[row], impossible[row], doubtful[row], wide[row] = judged[key]
    return When(span=spans, impossible=impossible, doubtful=doubtful, wide=wide)


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
