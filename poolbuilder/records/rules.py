"""Marks each record with the rule that rejects it; drops none."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.names.vocabularies import DEGREE_OF_ESTABLISHMENT, read_term
from poolbuilder.records.dates import Span
from poolbuilder.records.judged import SOURCES, Judged
from poolbuilder.schemas import NAMED, SCREENED, check
from poolbuilder.settings import Settings

Bools = NDArray[np.bool_]

_PRESENT = {"present", "detected", "presence", "true", "yes", "1", "common", "rare", "abundant"}
_ABSENT = {"absent", "notdetected", "absence", "false", "no", "0", "notfound", "notpresent"}
_SUSPECT_PLACE = {
    "countrycoordinatemismatch",
    "continentcoordinatemismatch",
    "presumedswappedcoordinate",
    "presumednegatedlongitude",
    "presumednegatedlatitude",
    "coordinatereprojectionsuspicious",
    "footprintwktmismatch",
    "coordinateinvalid",
    "coordinateoutofrange",
    "zerocoordinate",
}
_SUSPECT_DATE = {"recordeddateinvalid", "recordeddatemismatch", "recordeddateunlikely"}


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
    table = judged.table
    return ~tables.valid(table["decimalLongitude"]) | ~tables.valid(table["decimalLatitude"])


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
    return np.asarray(judged.is_any("occurrenceStatus", _ABSENT) | counted | quantity)


def _captive(judged: Judged) -> Bools:
    degree = judged.per_value(
        "degreeOfEstablishment",
        lambda text: read_term(text, DEGREE_OF_ESTABLISHMENT) in {"captive", "cultivated"},
    ).astype(bool)
    # `managed` is the older word of the service for what is kept by people.
    managed = judged.is_any("establishmentMeans", {"managed", "captive", "cultivated", "cultivatedcaptive"})
    return np.asarray(judged.basis_is("LivingSpecimen") | degree | managed)


def _odd_status(judged: Judged) -> Bools:
    return ~judged.is_any("occurrenceStatus", _PRESENT | _ABSENT | {""})


RULES: tuple[Rule, ...] = (
    Rule(
        key="no_coordinates",
        title="no coordinates",
        reason="a record without longitude and latitude, or with words in their stead, cannot be placed",
        terms=("decimalLongitude", "decimalLatitude"),
        test="VALIDATION_DECIMALLATITUDE_NOTEMPTY, VALIDATION_DECIMALLONGITUDE_NOTEMPTY",
        effect="reject",
        check=_no_coordinates,
    ),
    Rule(
        key="out_of_range",
        title="coordinates not on the globe",
        reason="latitude must lie within -90 to 90 and longitude within -180 to 180; they may be swapped",
        terms=("decimalLongitude", "decimalLatitude"),
        test="VALIDATION_DECIMALLATITUDE_INRANGE, VALIDATION_DECIMALLONGITUDE_INRANGE",
        effect="reject",
        check=_out_of_range,
    ),
    Rule(
        key="zero_coordinates",
        title="both coordinates are zero",
        reason="0, 0 lies in the Gulf of Guinea and mostly stands for unknown coordinates",
        terms=("decimalLongitude", "decimalLatitude"),
        test="VALIDATION_COORDINATES_NOTZERO",
        effect="reject",
        check=_zero,
    ),
    Rule(
        key="absent",
        title="recorded as absent",
        reason="the record says that the species was looked for and not found, or counts none",
        terms=("occurrenceStatus", "individualCount", "organismQuantity"),
        test="VALIDATION_OCCURRENCESTATUS_STANDARD",
        effect="reject",
        check=_absent,
    ),
    Rule(
        key="fossil",
        title="fossil",
        reason="a fossil does not show that the species lives there now",
        terms=("basisOfRecord",),
        test="VALIDATION_BASISOFRECORD_STANDARD",
        effect="reject",
        check=lambda judged: judged.basis_is("FossilSpecimen"),
    ),
    Rule(
        key="captive",
        title="captive or cultivated",
        reason="a fish in an aquarium, zoo or hatchery does not show that the species lives in the water",
        terms=("basisOfRecord", "degreeOfEstablishment", "establishmentMeans"),
        test="VALIDATION_DEGREEOFESTABLISHMENT_STANDARD",
        effect="reject",
        check=_captive,
    ),
    Rule(
        key="not_a_record",
        title="a name, not an occurrence",
        reason="the row describes a taxon, not a fish at a place",
        terms=("basisOfRecord",),
        test="VALIDATION_BASISOFRECORD_STANDARD",
        effect="reject",
        check=lambda judged: judged.basis_is("Taxon"),
    ),
    Rule(
        key="no_name",
        title="no readable name",
        reason="the record does not say which animal it is",
        terms=("scientificName", "vernacularName"),
        test="VALIDATION_SCIENTIFICNAME_NOTEMPTY",
        effect="reject",
        check=lambda judged: judged.role_is("none"),
    ),
    Rule(
        key="not_to_species",
        title="not identified to species",
        reason="a genus of the checklist without a species is evidence for no candidate in particular; "
        "in the water itself it speaks for all of them together",
        terms=("scientificName", "taxonRank"),
        test="VALIDATION_TAXON_UNAMBIGUOUS",
        effect="reject",
        check=lambda judged: judged.role_is("genus"),
    ),
    Rule(
        key="unknown_species",
        title="species not on the checklist, genus is",
        reason="the checklist has the genus but not this name: a newer name, a misspelling, or a gap in it",
        terms=("scientificName",),
        test="VALIDATION_SCIENTIFICNAME_FOUND",
        effect="reject",
        check=lambda judged: judged.role_is("unknown"),
    ),
    Rule(
        key="impossible_date",
        title="impossible date",
        reason="the event lies in the future, before 15 November 1582, or on a day that does not exist",
        terms=("eventDate", "year", "month", "day"),
        test="VALIDATION_EVENTDATE_INRANGE, VALIDATION_EVENTDATE_STANDARD",
        effect="reject",
        check=lambda judged: judged.when.impossible,
    ),
    Rule(
        key="duplicate",
        title="the same record twice",
        reason="same identifier and name, or same name, date, place and catalogue number: counted once",
        terms=("occurrenceID", "scientificName", "eventDate", "recordedBy", "catalogNumber", "recordNumber"),
        effect="reject",
        check=lambda judged: judged.repeats[0],
    ),
    Rule(
        key="reused_identifier",
        title="identifier on several species",
        reason="one occurrenceID stands on records of different names; both are kept",
        terms=("occurrenceID", "scientificName"),
        effect="flag",
        check=lambda judged: judged.repeats[1],
    ),
    Rule(
        key="doubtful_name",
        title="doubt about the name",
        reason="qualified by cf., aff. or a question mark, or matched in spite of its spelling",
        terms=("identificationQualifier", "scientificName"),
        effect="lower",
        factor="nameQuality",
        check=lambda judged: tables.numbers(judged.table["nameQuality"]) < 1,
    ),
    Rule(
        key="suspect_place",
        title="coordinates called suspicious",
        reason="the service that published the record doubts its coordinates",
        terms=("issue",),
        test="VALIDATION_COORDINATESCOUNTRYCODE_CONSISTENT",
        effect="lower",
        factor="quality_suspect_place",
        check=lambda judged: judged.has_issue(_SUSPECT_PLACE),
    ),
    Rule(
        key="fuzzy_name",
        title="name matched loosely by the service",
        reason="the service matched the name that it was given by its spelling",
        terms=("issue",),
        effect="lower",
        factor="quality_misspelt",
        check=lambda judged: (
            judged.has_issue({"taxonmatchfuzzy"}) & (tables.numbers(judged.table["nameQuality"]) >= 1)
        ),
    ),
    Rule(
        key="withheld",
        title="coordinates made coarser on purpose",
        reason="the place was generalised before publication; without an uncertainty the obscured one holds",
        terms=("dataGeneralizations", "informationWithheld"),
        test="ISSUE_DATAGENERALIZATIONS_NOTEMPTY",
        effect="flag",
        check=lambda judged: judged.place.withheld,
    ),
    Rule(
        key="uncertainty_missing",
        title="no coordinate uncertainty",
        reason="none is given: the default for the basis of record is taken, or more for coarse coordinates",
        terms=("coordinateUncertaintyInMeters", "basisOfRecord", "coordinatePrecision"),
        effect="flag",
        check=lambda judged: judged.place.uncertainty_missing,
    ),
    Rule(
        key="uncertainty_invalid",
        title="impossible coordinate uncertainty",
        reason="it must lie within 1 to 20,037,509 m; it counts as unknown",
        terms=("coordinateUncertaintyInMeters",),
        test="VALIDATION_COORDINATEUNCERTAINTY_INRANGE",
        effect="flag",
        check=lambda judged: judged.place.uncertainty_invalid,
    ),
    Rule(
        key="coarse_coordinates",
        title="coordinates coarser than the uncertainty",
        reason="so few decimals cannot hold the uncertainty given; half the cell's diagonal is taken",
        terms=("decimalLongitude", "decimalLatitude", "coordinatePrecision"),
        effect="flag",
        check=lambda judged: judged.place.coarse,
    ),
    Rule(
        key="datum_assumed",
        title="no datum given",
        reason="WGS84 is assumed and the shift that cannot be known is added to the uncertainty",
        terms=("geodeticDatum", "issue"),
        test="AMENDMENT_GEODETICDATUM_ASSUMEDDEFAULT",
        effect="flag",
        check=lambda judged: judged.place.datum_assumed,
    ),
    Rule(
        key="datum_unknown",
        title="datum unknown",
        reason="not a datum that can be transformed: read as WGS84, the unknown shift added",
        terms=("geodeticDatum",),
        test="VALIDATION_GEODETICDATUM_STANDARD",
        effect="flag",
        check=lambda judged: judged.place.datum_unknown,
    ),
    Rule(
        key="datum_transformed",
        title="datum transformed to WGS84",
        reason="the coordinates were moved from their datum; the move's accuracy is added to the uncertainty",
        terms=("geodeticDatum",),
        effect="flag",
        check=lambda judged: judged.place.datum_shifted,
    ),
    Rule(
        key="undated",
        title="no date",
        reason="without a date the age set for undated records is taken",
        terms=("eventDate", "year"),
        test="VALIDATION_EVENTDATE_NOTEMPTY",
        effect="flag",
        check=lambda judged: judged.when.undated,
    ),
    Rule(
        key="doubtful_date",
        title="doubt about the date",
        reason="the date is not ISO 8601, disagrees with year, month and day, or the service doubts it",
        terms=("eventDate", "year", "month", "day", "issue"),
        test="VALIDATION_EVENT_CONSISTENT",
        effect="flag",
        check=lambda judged: judged.when.doubtful | judged.has_issue(_SUSPECT_DATE),
    ),
    Rule(
        key="wide_date",
        title="date spans years",
        reason="the interval runs over more than one year; its middle counts as the age",
        terms=("eventDate",),
        test="MEASURE_EVENTDATE_DURATIONINSECONDS",
        effect="flag",
        check=lambda judged: judged.when.wide,
    ),
    Rule(
        key="odd_status",
        title="status not understood",
        reason="occurrenceStatus is none of detected, notDetected, present and absent; read as present",
        terms=("occurrenceStatus",),
        test="VALIDATION_OCCURRENCESTATUS_STANDARD",
        effect="flag",
        check=_odd_status,
    ),
    Rule(
        key="odd_basis",
        title="basis of record not understood",
        reason="basisOfRecord is empty or no term of Darwin Core; the quality of unknown basis is taken",
        terms=("basisOfRecord",),
        test="VALIDATION_BASISOFRECORD_STANDARD",
        effect="flag",
        check=lambda judged: judged.basis_is(""),
    ),
    Rule(
        key="released",
        title="released or failing",
        reason="the fish was put there, or does not hold itself; it may be gone",
        terms=("degreeOfEstablishment",),
        test="VALIDATION_DEGREEOFESTABLISHMENT_STANDARD",
        effect="flag",
        check=lambda judged: judged.is_any("degreeOfEstablishment", {"released", "failing"}),
    ),
    Rule(
        key="unreadable_value",
        title="a value that could not be read",
        reason="a number or row was not as expected; `readNote` holds what stood there",
        terms=("readNote",),
        effect="flag",
        check=lambda judged: tables.valid(judged.table["readNote"]),
    ),
)


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
