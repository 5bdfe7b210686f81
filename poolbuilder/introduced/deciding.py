"""The records that decide an alert: which they are, how sure each is, and why.

A record is graded by what it says of itself alone: *sure* when somebody can check it (a
specimen, a photograph, a verified identification or a survey) and nothing speaks against it,
*toBeChecked* when something does, *likely* otherwise.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.places.uncertainty import share_inside, sigma_km
from poolbuilder.settings import Settings
from poolbuilder.status.decision import own_names

Document = dict[str, Any]
Bools = NDArray[np.bool_]

GRADES = ("sure", "likely", "toBeChecked")
MOST_SHOWN = 3
COARSE_M = 10_000.0
"""A place known no better than this tells no lake from its neighbours; common practice, no source."""
OLD_YEARS = 10
"""An event as old as this that comes into the records only now is an old one newly published."""

RECORD_FIELDS = (
    "recordKey", "occurrenceID", "link", "datasetName", "datasetKey", "license", "recordedBy", "eventDate",
    "decimalLongitude", "decimalLatitude", "coordinateUncertaintyInMeters", "basisOfRecord",
    "identificationQualifier", "identificationVerificationStatus", "identificationRemarks",
    "occurrenceRemarks", "associatedMedia",
)  # fmt: skip
"""What is shown of a deciding record: Darwin Core terms, its key, and the page where it can be read."""

_AS_GIVEN = (
    "recordKey", "occurrenceID", "references", "datasetName", "datasetKey", "license", "recordedBy",
    "eventDate", "basisOfRecord", "identificationQualifier", "identificationVerificationStatus",
    "identificationRemarks", "occurrenceRemarks", "associatedMedia", "dataGeneralizations",
    "informationWithheld", "samplingProtocol", "locality", "eventID",
)  # fmt: skip
_QUALIFIED = re.compile(r"\b(cf|aff|nr|near|possibly|probably|prob|uncertain)\b|\?", re.IGNORECASE)
_UNVERIFIED = re.compile(
    r"unverified|not verified|unconfirmed|not confirmed|needs? (id|verif)|casual|requires", re.IGNORECASE
)
_VERIFIED = re.compile(r"verified|confirmed|research|expert|validated|accepted", re.IGNORECASE)
_KEPT_FISH = re.compile(
    r"aquari|pet ?shop|pet store|fish market|market stall|for sale|bought|purchased|garden pond|hatchery",
    re.IGNORECASE,
)
_DNA = re.compile(r"\bedna\b|environmental dna|metabarcod", re.IGNORECASE)
_SPECIMEN = {"preservedspecimen", "materialsample", "materialcitation", "materialentity", "fossilspecimen"}
_SERVICE_KEY = re.compile(r"gbif:(\d+)$")
_SERVICE_PAGE = "https://www.gbif.org/occurrence/"


def in_water_share(located: pa.Table, *, outlined: bool, settings: Settings) -> NDArray[np.float64]:
    """Chance that each record lies in the water, (n,).

    By the outline; without one, within ``sameWaterKm`` of the site.
    """
    if outlined:
        return np.nan_to_num(tables.numbers(located["inWaterShare"]))
    sigma = sigma_km(tables.numbers(located["uncertaintyM"]), quantile=settings.uncertainty_quantile)
    return share_inside(tables.numbers(located["distanceKm"]), sigma, settings.same_water_km)


def link_of(record: Mapping[str, Any]) -> str | None:
    """Where a record can be read: its own page, else the open service's page of its key."""
    own = (record.get("references") or "").split("|")[0].strip()
    if own.startswith(("https://", "http://")):
        return str(own)
    key = _SERVICE_KEY.search(record.get("recordKey") or "")
    if key:
        return _SERVICE_PAGE + key.group(1)
    identifier = record.get("occurrenceID") or ""
    return str(identifier) if identifier.startswith(("https://", "http://")) else None


def grade(record: Mapping[str, Any], as_of: datetime.date) -> tuple[str, list[str]]:
    """How sure a record is, and the codes of what speaks against it or for it.

    Parameters
    ----------
    record : mapping
        Darwin Core terms as given; ``coordinateUncertaintyInMeters`` as used.

    Returns
    -------
    (str, list of str)
        One of `GRADES`; codes that ``words.GRADE_REASONS`` puts into words.
    """
    against = _against(record, as_of)
    if against:
        return "toBeChecked", against
    basis = _folded(record.get("basisOfRecord"))
    support = [
        code
        for code, holds in (
            ("specimen", basis in _SPECIMEN),
            ("media", bool(record.get("associatedMedia"))),
            ("verified", bool(_VERIFIED.search(record.get("identificationVerificationStatus") or ""))),
            ("survey", bool(record.get("samplingProtocol") and record.get("eventID"))),
        )
        if holds
    ]
    return ("sure", support) if support else ("likely", ["noProof"])


def _against(record: Mapping[str, Any], as_of: datetime.date) -> list[str]:
    text = " ".join(
        str(record.get(name) or "") for name in ("occurrenceRemarks", "identificationRemarks", "locality")
    )
    status = record.get("identificationVerificationStatus") or ""
    verified = _UNVERIFIED.search(status) or status.strip() == "0"
    unsure_m = record.get("coordinateUncertaintyInMeters")
    date = str(record.get("eventDate") or "")
    year = int(date[:4]) if date[:4].isdigit() else None
    source = f"{record.get('samplingProtocol') or ''} {record.get('basisOfRecord') or ''} {text}"
    found = (
        ("keptFish", _KEPT_FISH.search(text)),
        ("qualified", _QUALIFIED.search(record.get("identificationQualifier") or "")),
        ("unverified", verified),
        ("environmentalDna", _DNA.search(source)),
        ("obscured", record.get("dataGeneralizations") or record.get("informationWithheld")),
        ("coarse", unsure_m is not None and unsure_m >= COARSE_M),
        ("undated", year is None),
        ("oldNewlyPublished", year is not None and as_of.year - year >= OLD_YEARS),
    )
    return [code for code, holds in found if holds]


def _folded(text: Any) -> str:
    return "".join(letter for letter in str(text or "").lower() if letter.isalpha())


def records_near(
    located: pa.Table, *, radius_km: float, outlined: bool, as_of: datetime.date, settings: Settings
) -> dict[str, list[Document]]:
    """The graded records of each species within the radius of one water.

    Parameters
    ----------
    located : Table, schema LOCATED
    outlined : bool
        Whether the water's outline is known.

    Returns
    -------
    dict
        Species to its records, each with `RECORD_FIELDS`, ``inWater``, ``inWaterShare``,
        ``distanceKm``, ``grade`` and ``gradeReasons``; in no particular order.
    """
    names = own_names(located)
    near = tables.numbers(located["distanceKm"]) <= radius_km
    rows = np.flatnonzero(near & np.array([name is not None for name in names], dtype=bool))
    share = in_water_share(located, outlined=outlined, settings=settings)[rows]
    table = tables.take(located, rows)
    numbers = [
        tables.numbers(table[name]) for name in ("longitude", "latitude", "uncertaintyM", "distanceKm")
    ]
    given = {name: tables.strings(table[name]) for name in _AS_GIVEN}
    found: dict[str, list[Document]] = {}
    for at, row in enumerate(rows.tolist()):
        record: Document = {name: values[at] for name, values in given.items()}
        longitude, latitude, unsure_m, away = (float(values[at]) for values in numbers)
        record |= {
            "decimalLongitude": longitude,
            "decimalLatitude": latitude,
            "coordinateUncertaintyInMeters": unsure_m,
        }
        sureness, reasons = grade(record, as_of)
        shown: Document = {name: record.get(name) for name in RECORD_FIELDS}
        shown |= {
            "link": link_of(record),
            "distanceKm": away,
            "inWater": bool(share[at] >= 0.5),
            "inWaterShare": float(share[at]),
            "grade": sureness,
            "gradeReasons": reasons,
        }
        found.setdefault(str(names[row]), []).append(shown)
    return found


def deciding(records: Sequence[Document]) -> list[Document]:
    """Up to `MOST_SHOWN` records that decide: in the water first, then the surest, then the latest."""
    by_date = sorted(
        records, key=lambda item: (str(item["eventDate"] or ""), item["recordKey"]), reverse=True
    )
    ordered = sorted(by_date, key=lambda item: (not item["inWater"], GRADES.index(item["grade"])))
    return ordered[:MOST_SHOWN]
