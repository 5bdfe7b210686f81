"""What a source says of a species at a place, and how words and codes of lists and polygons are read.

Every source of status turns into `Statement`: an agency's list, lists of regions, terms of records, range
polygons, the species list, and the table that ships with the package.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS, fold, read_term, vocabulary

ORDER = ("agency", "region", "record", "polygon", "checklist", "shipped")
"""Sources of a statement, the first that speaks decides: an agency's own list, lists of regions, terms of
records, range polygons, the species list, the shipped table."""

_SIDES = {term: found for found, terms in vocabulary("side").items() for term in terms}


def side(means: str | None) -> str | None:
    """``native``, ``introduced`` or None for a term that takes no side."""
    return _SIDES.get(means or "")


@dataclass(frozen=True, kw_only=True)
class Statement:
    """What one source says of a species at a place.

    Attributes
    ----------
    source : str
        One of `ORDER`.
    means : str
        Darwin Core establishmentMeans.
    species : str
        Accepted name; empty where the context names it.
    degree, pathway : str or None
        Darwin Core degreeOfEstablishment and pathway.
    region : str
        What it speaks of; empty where that is the place itself.
    extent : str
        ``part`` where only a part of the region is meant, ``not reported`` outside the native range where
        no introduction is known either; else empty.
    citation, note : str
    year : int or None
        Of the source.
    valid_from, valid_to : int or None
        Years in which it holds.
    row : int
        Of the table, from 1.
    """

    source: str
    means: str
    species: str = ""
    degree: str | None = None
    pathway: str | None = None
    region: str = ""
    extent: str = ""
    citation: str = ""
    year: int | None = None
    note: str = ""
    valid_from: int | None = None
    valid_to: int | None = None
    row: int = 0

    def holds_in(self, first: int, last: int) -> bool:
        """Whether it holds in some year from the first to the last."""
        return (self.valid_from or 0) <= last and first <= (self.valid_to or 9999)


# Words of lists

WORDS: Mapping[str, tuple[str, str | None]] = {
    word: (sense.partition("/")[0], sense.partition("/")[2] or None)
    for sense, words in vocabulary("status").items()
    for word in words
}
"""Word as agencies write it to establishmentMeans and degreeOfEstablishment; Darwin Core terms besides."""

YES = {"yes", "y", "true", "1", "t"}
NO = {"no", "n", "false", "0", "f"}


def read_status(text: str, heading: str = "") -> tuple[str | None, str | None]:
    """EstablishmentMeans and degreeOfEstablishment of a word; None where it is not understood.

    Examples
    --------
    >>> read_status("Non-native - established"), read_status("Y", "native")
    (('introduced', 'established'), ('native', None))
    """
    word = fold(text)
    if heading in {"native", "isnative"} and word in YES | NO:
        return "native" if word in YES else "introduced", None
    term = read_term(text, ESTABLISHMENT_MEANS)
    if term is not None:
        return term, None
    if word in WORDS:
        return WORDS[word]
    joined = re.sub(r"\b(non|not)[\s-]+", r"\1", text, flags=re.IGNORECASE)
    parts = [WORDS[fold(part)] for part in re.split(r"[\s,;/()–-]+", joined) if fold(part) in WORDS]
    sides = {means for means, _ in parts if means != "uncertain"}
    if len(sides) != 1:
        return None, None
    return sides.pop(), next((degree for _, degree in parts if degree), None)


# Codes of polygons: IUCN Red List, Mapping and Distribution Data Attribute Standards, version 1.20 (January
# 2024); code 2 of presence is discontinued there and still met with.


def _numbered(kind: str) -> dict[int, str]:
    return {int(code): " ".join(label) for code, label in vocabulary(kind).items()}


PRESENCE, ORIGIN, SEASONAL = map(_numbered, ("presence", "origin", "seasonal"))
_MEANS = _numbered("means")
_LABELS = {"presence": PRESENCE, "origin": ORIGIN, "seasonal": SEASONAL}
_OTHER_WORDS = {
    "presence": {"extinctpost1500": 5, "present": 1, "uncertain": 6},
    "origin": {**{fold(means): code for code, means in _MEANS.items()}, "nativeendemic": 1},
    "seasonal": {},
}
_BY_ORIGIN = {3: "introduced", 4: "vagrant", 6: "introduced"}
_BY_PRESENCE = {6: "uncertain", 7: "outside"}

STRENGTH = (
    "extant", "introduced", "probably_extant", "possibly_extant", "uncertain", "possibly_extinct", "vagrant",
    "extinct", "outside",
)  # fmt: skip
"""Range classes; where several polygons hold the place, the first of these decides."""


def read_code(value: Any, kind: str) -> tuple[int | None, bool]:
    """A code as a file gives it: a number, a number as text, the code's label or a Darwin Core term.

    Parameters
    ----------
    value : object
    kind : str
        ``presence``, ``origin`` or ``seasonal``.

    Returns
    -------
    code : int or None
    understood : bool
        False for a value that is none of these; an empty value is understood as None.

    Examples
    --------
    >>> read_code("1", "presence"), read_code("Possibly Extinct", "presence"), read_code(9, "presence")
    ((1, True), (4, True), (None, False))
    """
    if value is None or (isinstance(value, float) and value != value) or str(value).strip() == "":
        return None, True
    labels = _LABELS[kind]
    try:
        code = float(value)
    except (TypeError, ValueError):
        word = fold(str(value))
        known = {fold(label): code for code, label in labels.items()} | _OTHER_WORDS[kind]
        return known.get(word), word in known
    return (int(code), True) if code in labels else (None, False)


def polygon_class(
    presence: int | None, origin: int | None, seasonal: int | None
) -> tuple[str, str | None, str]:
    """What one polygon says of its species, from its codes.

    Parameters
    ----------
    presence : int or None
        1-7; None is taken as extant, since a polygon was drawn.
    origin : int or None
        1-6; None leaves native or introduced unknown.
    seasonal : int or None
        1-5; changes the words, not the class.

    Returns
    -------
    range_class : str
        One of `STRENGTH`: presence decides where it is doubtful, origin where the species is there.
    means : str or None
        Darwin Core establishmentMeans; None when the polygon does not say, or when it is not
        about presence (code 7).
    words : str
        The three codes in words.

    Examples
    --------
    >>> polygon_class(3, 1, 1)
    ('possibly_extant', 'native', 'possibly extant, native, resident')
    """
    labels = [PRESENCE[presence] if presence else "range as drawn"]
    labels += [names[code] for names, code in ((ORIGIN, origin), (SEASONAL, seasonal)) if code]
    presence, words = presence or 1, ", ".join(labels)
    found = _BY_PRESENCE.get(presence, PRESENCE[presence].replace(" ", "_"))
    if origin in _BY_ORIGIN and (presence < 3 or (presence == 3 and origin == 4)):
        found = _BY_ORIGIN[origin]
    return found, None if presence == 7 or not origin else _MEANS[origin], words
