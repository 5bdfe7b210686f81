"""Coordinates as people type and paste them."""

from __future__ import annotations

import re

from poolbuilder.errors import SiteError

__all__ = ["read_coordinates"]

_REMEDY = "write latitude, longitude, such as 35.75, -79.02 or 35°45'N 79°01'W"
_MARKS = re.compile(r"[°º'′’\"″”]|(?<=\d)\s*(?:deg|min|sec)\b", re.IGNORECASE)
_PART = re.compile(r"(?P<first>[NSEW])?\s*(?P<numbers>[+-]?\d[\d.\s]*)(?P<last>[NSEW])?", re.IGNORECASE)
_DECIMAL_COMMAS = re.compile(r"([+-]?\d+),(\d+)(?:\s*;\s*|\s+)([+-]?\d+),(\d+)")


def read_coordinates(text: str) -> tuple[float, float]:
    """Longitude and latitude, in degrees, of a pasted pair.

    Latitude comes first, as people and maps write it, unless letters say otherwise.
    Decimal degrees, degrees and minutes, degrees, minutes and seconds, and a ``geo:``
    address (RFC 5870) are read.

    Raises
    ------
    SiteError
        When the text is not a pair of coordinates on the globe.

    Examples
    --------
    >>> read_coordinates("35.75, -79.02")
    (-79.02, 35.75)
    >>> read_coordinates("35°45′00″N 79°01′12″W")
    (-79.02, 35.75)
    >>> read_coordinates("W 79 1.2', N 35 45'")
    (-79.02, 35.75)
    """
    cleaned = text.strip()
    if cleaned.startswith("geo:"):
        cleaned = cleaned.removeprefix("geo:").split(";")[0]
    cleaned = cleaned.strip("()[] ")
    cleaned = cleaned.replace("\N{MINUS SIGN}", "-").replace("\N{EN DASH}", "-")
    cleaned = _MARKS.sub(" ", _DECIMAL_COMMAS.sub(r"\1.\2; \3.\4", cleaned)).strip()
    if not cleaned:
        raise SiteError(f"no coordinates given ({_REMEDY})")
    parts = [_degrees(piece, text) for piece in _halves(cleaned, text)]
    axes = [axis for _, axis in parts]
    if axes in (["x", "y"], ["x", ""], ["", "y"]):
        parts.reverse()
    elif axes[0] == axes[1] != "":
        raise SiteError(f"{text!r} gives {'latitude' if axes[0] == 'y' else 'longitude'} twice ({_REMEDY})")
    latitude, longitude = parts[0][0], parts[1][0]
    if abs(latitude) > 90:
        swapped = "; the two look swapped" if abs(longitude) <= 90 else ""
        raise SiteError(f"latitude {latitude:g} is not on the globe{swapped} (latitude comes first)")
    if abs(longitude) > 180:
        raise SiteError(f"longitude {longitude:g} is not on the globe (use -180 to 180, east positive)")
    return longitude, latitude


def _halves(text: str, given: str) -> list[str]:
    """The two coordinates: split at the comma, at a letter, or at the space between two numbers."""
    for pattern in (r"[,;/|]", r"(?<=[NSEW])\s+(?=[+-]?\d)", r"(?<=[\d\s.])(?=[NSEW]\s*\d)", r"\s+"):
        pieces = [piece.strip() for piece in re.split(pattern, text, flags=re.IGNORECASE) if piece.strip()]
        if len(pieces) == 2:
            return pieces
    raise SiteError(f"{given!r} is not a pair of coordinates ({_REMEDY})")


def _degrees(piece: str, given: str) -> tuple[float, str]:
    """Degrees, and `y` for latitude, `x` for longitude or nothing when no letter says."""
    found = _PART.fullmatch(piece)
    numbers = found["numbers"].split() if found else []
    if (
        found is None
        or (found["first"] and found["last"])
        or not 1 <= len(numbers) <= 3
        or not all(re.fullmatch(r"[+-]?\d+", text) for text in numbers[:-1])
        or not re.fullmatch(r"[+-]?\d+(\.\d*)?", numbers[-1])
    ):
        raise SiteError(f"{given!r} is not a pair of coordinates: cannot read {piece!r} ({_REMEDY})")
    degrees, minutes, seconds = [*map(float, numbers), 0.0, 0.0][:3]
    if minutes >= 60 or seconds >= 60:
        raise SiteError(f"{given!r} has {'minutes' if minutes >= 60 else 'seconds'} of 60 or more")
    letter = (found["first"] or found["last"] or "").upper()
    size = round(abs(degrees) + minutes / 60 + seconds / 3600, 9)
    negative = numbers[0].startswith("-") or letter in {"S", "W"}
    return (-size if negative else size), {"N": "y", "S": "y", "E": "x", "W": "x"}.get(letter, "")
