"""What the codes on a range polygon say: presence, origin and season.

The integer codes are those of the IUCN Red List's Mapping and Distribution Data Attribute
Standards, version 1.20 (January 2024); code 2 of presence is discontinued there and still
met with.  Polygons with Darwin Core establishmentMeans instead of codes are read too.
"""

from __future__ import annotations

from typing import Any

from poolbuilder.vocabularies import ESTABLISHMENT_MEANS, fold, read_term

__all__ = ["ORIGIN", "PRESENCE", "RANGE_CLASSES", "SEASONAL", "STRENGTH", "polygon_class", "read_code"]

RANGE_CLASSES: dict[str, str] = {
    "extant": "inside a polygon in which the species is extant, not as an introduction",
    "probably_extant": "inside a polygon of the discontinued code probably extant",
    "possibly_extant": "inside a polygon in which the species is possibly extant",
    "possibly_extinct": "inside a polygon in which the species is possibly extinct",
    "extinct": "inside a polygon in which the species is extinct",
    "uncertain": "inside a polygon in which presence is uncertain",
    "introduced": "inside a polygon in which the species is extant or probably extant as an introduction",
    "vagrant": "inside a polygon of vagrants",
    "outside": "the species has polygons, and none in which it is or was present holds the place",
    "no_map": "no polygon of the species is given",
}
"""Key of each range class, and what it means."""

STRENGTH = (
    "extant",
    "introduced",
    "probably_extant",
    "possibly_extant",
    "uncertain",
    "possibly_extinct",
    "vagrant",
    "extinct",
    "outside",
)
"""Where several polygons hold the place, the first of these decides."""

PRESENCE = {
    1: "extant",
    2: "probably extant",
    3: "possibly extant",
    4: "possibly extinct",
    5: "extinct",
    6: "presence uncertain",
    7: "expected additional range",
}
ORIGIN = {
    1: "native",
    2: "reintroduced",
    3: "introduced",
    4: "vagrant",
    5: "origin uncertain",
    6: "assisted colonisation",
}
SEASONAL = {
    1: "resident",
    2: "breeding season",
    3: "non-breeding season",
    4: "passage",
    5: "seasonal occurrence uncertain",
}

_MEANS = {
    1: "native",
    2: "nativeReintroduced",
    3: "introduced",
    4: "vagrant",
    5: "uncertain",
    6: "introducedAssistedColonisation",
}
_ORIGIN_OF_MEANS = {means: code for code, means in _MEANS.items()} | {"nativeEndemic": 1}
_BY_PRESENCE = {
    3: "possibly_extant",
    4: "possibly_extinct",
    5: "extinct",
    6: "uncertain",
    7: "outside",
}
_OTHER_WORDS = {"extinctpost1500": 5, "present": 1, "uncertain": 6}


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
        Key of `RANGE_CLASSES`.
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
    words = ", ".join(
        label
        for label in (
            PRESENCE.get(presence or 1) if presence else "range as drawn",
            ORIGIN.get(origin) if origin else None,
            SEASONAL.get(seasonal) if seasonal else None,
        )
        if label
    )
    if presence == 7:
        return "outside", None, words
    return _class(presence or 1, origin), _MEANS.get(origin) if origin else None, words


def _class(presence: int, origin: int | None) -> str:
    """Presence decides where it is doubtful; origin where the species is there."""
    if origin == 4 and presence <= 3:
        return "vagrant"
    if presence in _BY_PRESENCE:
        return _BY_PRESENCE[presence]
    if origin in {3, 6}:
        return "introduced"
    return "extant" if presence == 1 else "probably_extant"


def read_code(value: Any, labels: dict[int, str]) -> tuple[int | None, bool]:
    """A code as a file gives it: a number, a number as text, the code's label or a Darwin Core term.

    Returns
    -------
    code : int or None
    understood : bool
        False for a value that is none of these; an empty value is understood as None.

    Examples
    --------
    >>> read_code("1", PRESENCE), read_code("Possibly Extinct", PRESENCE), read_code(9, PRESENCE)
    ((1, True), (4, True), (None, False))
    """
    if value is None or (isinstance(value, float) and value != value) or str(value).strip() == "":
        return None, True
    try:
        number = float(value)
    except (TypeError, ValueError):
        return _read_label(str(value), labels)
    return (int(number), True) if number in labels else (None, False)


def _read_label(text: str, labels: dict[int, str]) -> tuple[int | None, bool]:
    wanted = fold(text)
    for code, label in labels.items():
        if wanted == fold(label):
            return code, True
    if labels is ORIGIN:
        term = read_term(text, ESTABLISHMENT_MEANS)
        return (_ORIGIN_OF_MEANS[term], True) if term else (None, False)
    if labels is PRESENCE and wanted in _OTHER_WORDS:
        return _OTHER_WORDS[wanted], True
    return None, False
