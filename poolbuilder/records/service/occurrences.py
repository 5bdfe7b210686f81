"""From the service's answers to records."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pyarrow as pa

from poolbuilder import schemas, tables
from poolbuilder.errors import SourceError

__all__ = ["FIELDS", "WHOLE_NAME_DOUBTS", "checked_results", "doubtful_keys", "record_key", "records_table"]

FIELDS = {
    "occurrenceID": "occurrenceID",
    "datasetKey": "datasetKey",
    "datasetName": "datasetName",
    "institutionCode": "institutionCode",
    "license": "license",
    "basisOfRecord": "basisOfRecord",
    "scientificName": "scientificName",
    "vernacularName": "vernacularName",
    "taxonRank": "taxonRank",
    "taxonKey": "taxonKey",
    "taxonClass": "class",
    "family": "family",
    "identificationQualifier": "identificationQualifier",
    "identificationVerificationStatus": "identificationVerificationStatus",
    "geodeticDatum": "geodeticDatum",
    "eventDate": "eventDate",
    "eventID": "eventID",
    "locationID": "locationID",
    "locality": "locality",
    "waterBody": "waterBody",
    "samplingProtocol": "samplingProtocol",
    "recordedBy": "recordedBy",
    "catalogNumber": "catalogNumber",
    "recordNumber": "recordNumber",
    "organismQuantity": "organismQuantity",
    "occurrenceStatus": "occurrenceStatus",
    "establishmentMeans": "establishmentMeans",
    "degreeOfEstablishment": "degreeOfEstablishment",
    "pathway": "pathway",
    "dataGeneralizations": "dataGeneralizations",
    "informationWithheld": "informationWithheld",
    "modified": "modified",
}
"""Text column of a record and the field of the answer that fills it."""

NUMBERS = {
    "decimalLongitude": None,
    "decimalLatitude": None,
    "coordinateUncertaintyInMeters": None,
    "coordinatePrecision": None,
    "individualCount": None,
    "year": (-9999, 9999),
    "month": (-128, 127),
    "day": (-128, 127),
}
"""Numeric columns, with the bounds of those that are whole numbers."""

WHOLE_NAME_DOUBTS = ("TAXON_MATCH_HIGHERRANK", "TAXON_MATCH_NONE", "TAXON_MATCH_AGGREGATE")
"""Flags of a name that the service could not place whole; a hybrid formula is one such."""


def _text(value: Any) -> str | None:
    if value is None:
        return None
    if isinstance(value, str):
        return value or None
    if isinstance(value, list | tuple):
        joined = "|".join(filter(None, (_text(item) for item in value)))
        return joined or None
    if isinstance(value, Mapping):  # a term of a controlled vocabulary
        return _text(value.get("concept") or value.get("title"))
    return str(value).lower() if isinstance(value, bool) else str(value)


def _number(value: Any, bounds: tuple[int, int] | None) -> tuple[float | None, bool]:
    """A number, and whether what stood there was none."""
    if value is None or value == "":
        return None, False
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None, True
    if number != number or number in {float("inf"), float("-inf")} or isinstance(value, bool):
        return None, True
    if bounds is not None and not (number == int(number) and bounds[0] <= number <= bounds[1]):
        return None, True
    return number, False


def _row(answer: Mapping[str, Any], source: str, verbatim: Mapping[str, str]) -> dict[str, Any]:
    row: dict[str, Any] = {column: _text(answer.get(field)) for column, field in FIELDS.items()}
    notes = []
    for column, bounds in NUMBERS.items():
        row[column], bad = _number(answer.get(column), bounds)
        if bad:
            notes.append(f"{column} {_text(answer.get(column))!r} is not a number")
    issues = answer.get("issues")
    row["issue"] = ";".join(map(str, issues)) if isinstance(issues, list) and issues else None
    key = str(answer["key"])
    written = verbatim.get(key) or _text(answer.get("verbatimScientificName"))
    if written and _whole_name_lost(answer) and written != row["scientificName"]:
        notes.append(f"the service reads the name {written!r} as {row['scientificName']!r}")
        row["scientificName"], row["taxonRank"] = written, None
    row |= {
        "recordKey": record_key(key),
        "coordinateDecimals": None,
        "sourceFile": source,
        "sourceRow": None,
        "readNote": "; ".join(notes) or None,
    }
    return row


def _whole_name_lost(answer: Mapping[str, Any]) -> bool:
    issues = answer.get("issues")
    return isinstance(issues, list) and any(flag in issues for flag in WHOLE_NAME_DOUBTS)


def record_key(key: Any) -> str:
    """The recordKey of a record that the service knows by *key*."""
    return f"gbif:{key}"


def doubtful_keys(answers: Iterable[Mapping[str, Any]]) -> list[str]:
    """Keys of the records whose name the service could not place whole and does not repeat as written."""
    return [
        str(answer["key"])
        for answer in answers
        if _whole_name_lost(answer) and not answer.get("verbatimScientificName")
    ]


def checked_results(answer: Any, url: str) -> list[dict[str, Any]]:
    """The results of a search page; every one an object with a key.

    Raises
    ------
    SourceError
        When the answer has not the documented shape.
    """
    results = answer.get("results") if isinstance(answer, dict) else None
    count = answer.get("count") if isinstance(answer, dict) else None
    shaped = (
        isinstance(results, list)
        and isinstance(count, int)
        and not isinstance(count, bool)
        and all(isinstance(item, dict) and item.get("key") is not None for item in results)
    )
    if not shaped:
        raise SourceError(
            f"occurrence service {url}: the answer has not the documented shape: a count, and results with "
            "keys "
            "(check the service address)",
            source="occurrence service",
            url=url,
        )
    assert isinstance(results, list)
    return results


def records_table(
    answers: Sequence[Mapping[str, Any]], *, source: str, verbatim: Mapping[str, str] | None = None
) -> pa.Table:
    """Records from the results of a search.

    Parameters
    ----------
    answers : sequence of mapping
        Results of ``/occurrence/search``, in the documented shape.
    source : str
        What `sourceFile` names.
    verbatim : mapping, optional
        Key to the name as its source wrote it, for names that the service could not place.

    Returns
    -------
    Table, schema RECORDS
        One row per answer, in order.
    """
    rows = [_row(answer, source, verbatim or {}) for answer in answers]
    values = {name: [row[name] for row in rows] for name in schemas.RECORDS.names}
    return schemas.check(tables.table(schemas.RECORDS, values), schemas.RECORDS, "service")
