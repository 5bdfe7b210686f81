"""The columns of an occurrence table: which Darwin Core term each given name is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from poolbuilder.errors import RecordFileError
from poolbuilder.names.vocabularies import fold
from poolbuilder.schemas import RECORDS

__all__ = ["SERVICE_ID", "WHOLE_NAME", "WHOLE_NAME_DOUBTS", "column_called", "match_columns", "suggestions"]

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

# Older and everyday headings.  They are not taken silently: the error proposes them.
_EVERYDAY = {
    "decimalLatitude": ("latitude", "lat", "latdd", "declat", "latitudedd", "latitudedecimal", "y", "ycoord"),
    "decimalLongitude": (
        "longitude", "long", "lon", "lng", "longdd", "declong", "longitudedd", "longitudedecimal", "x",
        "xcoord",
    ),
    "scientificName": ("species", "speciesname", "taxon", "taxonname", "latinname", "scientific", "binomial"),
    "vernacularName": ("commonname", "common", "fishname", "englishname"),
    "year": ("yearcollected", "collectionyear", "yr"),
    "month": ("monthcollected", "collectionmonth"),
    "day": ("daycollected", "collectionday"),
    "eventDate": ("date", "datecollected", "collectiondate", "sampledate", "observedon", "obsdate"),
    "coordinateUncertaintyInMeters": ("coordinateuncertainty", "uncertaintym", "uncertainty", "accuracy"),
    "geodeticDatum": ("datum", "horizontaldatum"),
    "recordedBy": ("collector", "collectors", "observer"),
    "catalogNumber": ("catalognumbertext", "catalogno", "catno"),
    "occurrenceID": ("globaluniqueidentifier", "recordid", "guid"),
    "individualCount": ("count", "number", "abundance"),
    "locality": ("location", "site", "sitename"),
    "waterBody": ("waterbodyname", "stream", "lake", "river"),
    "recordNumber": ("collectornumber", "fieldnumber"),
}  # fmt: skip


_OWN = {fold(name): name for name in READ}
_KNOWN = {**_OWN, **{fold(given): term for given, term in _SAME.items()}}
_EVERYDAY_NAMES = {given: term for term, names in _EVERYDAY.items() for given in names}


def _renamed(rename: Mapping[str, str], names: Sequence[str], file: str | Path) -> dict[int, str]:
    positions = {fold(name): index for index, name in reversed(list(enumerate(names)))}
    out: dict[int, str] = {}
    for given, term in rename.items():
        target = _KNOWN.get(fold(term))
        if target is None:
            raise RecordFileError(
                f"--map {given}={term}: {term!r} is not a Darwin Core term that is read here",
                file=file,
                remedy="use for example decimalLatitude, decimalLongitude, scientificName, eventDate, year",
            )
        index = positions.get(fold(given))
        if index is None:
            raise RecordFileError(
                f"--map {given}={term}: there is no column {given!r}",
                file=file,
                remedy=f"the columns are {_listed(names)}",
            )
        out[index] = target
    return out


def _listed(names: Sequence[str]) -> str:
    shown = [name or "(no name)" for name in names[:40]]
    more = f" and {len(names) - 40} more" if len(names) > 40 else ""
    return ", ".join(shown) + more


def column_called(name: str, names: Sequence[str]) -> int | None:
    """Position of the first heading that spells *name*, or None."""
    return next((index for index, given in enumerate(names) if fold(given) == fold(name)), None)


def suggestions(names: Sequence[str], taken: Mapping[int, str]) -> list[str]:
    """``--map given=term`` for each column with an everyday name whose term is still free."""
    free = set(READ) - set(taken.values())
    found: dict[str, str] = {}
    for index, name in enumerate(names):
        term = _EVERYDAY_NAMES.get(fold(name), "")
        if index not in taken and term in free and term not in found:
            found[term] = f'--map "{name}={term}"' if " " in name else f"--map {name}={term}"
    return list(found.values())


def match_columns(
    names: Sequence[str],
    *,
    rename: Mapping[str, str] | None = None,
    file: str | Path,
    complete: bool = True,
) -> dict[str, int]:
    """Where each term of the RECORDS schema stands among the columns of a file.

    Parameters
    ----------
    names : sequence of str
        Headings as given: any case, with or without a namespace or web address.
    rename : mapping of str to str, optional
        Given heading to Darwin Core term; stronger than the headings themselves.
    file : path
        Named in an error.
    complete : bool
        Whether coordinates and a name must be among them.

    Returns
    -------
    dict
        RECORDS column to position in *names*; the first of two columns of one term counts.

    Raises
    ------
    RecordFileError
        For an unknown term or heading in *rename*, or when there are no coordinates or no
        name; the message lists the columns and proposes the maps.
    """
    taken = _renamed(rename or {}, names, file)
    claimed = set(taken.values())
    for known in (_OWN, _KNOWN):  # a column of the very name comes before one of the same meaning
        for index, name in enumerate(names):
            term = known.get(fold(name), "")
            if term and index not in taken and term not in claimed:
                taken[index] = term
                claimed.add(term)
    found = {term: index for index, term in taken.items()}
    if not complete:
        return found
    missing = [term for term in ("decimalLongitude", "decimalLatitude") if term not in found]
    what = "coordinates" if missing else "names"
    if not missing and "scientificName" not in found and "vernacularName" not in found:
        missing = ["scientificName"]
    if missing:
        proposed = suggestions(names, taken)
        remedy = f"try {' '.join(proposed)}" if proposed else f"name them with --map GIVEN={missing[0]}"
        raise RecordFileError(
            f"no {what}: there is no column {' or '.join(missing)} among {_listed(names)}",
            file=file,
            remedy=remedy,
        )
    return found
