"""Licences of records: read, compared, filtered."""

from __future__ import annotations

import re
from collections.abc import Iterable

from poolbuilder.errors import SourceError

__all__ = ["LICENCES", "most_restrictive", "non_commercial", "parse_licence", "read_filter"]

LICENCES = {
    "CC0_1_0": "CC0 1.0",
    "CC_BY_4_0": "CC BY 4.0",
    "CC_BY_NC_4_0": "CC BY-NC 4.0",
    "UNSPECIFIED": "no licence stated",
    "UNSUPPORTED": "another licence",
}
"""The service's licence keys, from the freest to the most restrictive, and how they are written.

A licence that is missing or unknown may forbid anything, so it stands last.
"""

_ORDER = {key: place for place, key in enumerate(LICENCES)}


def parse_licence(text: str | None) -> str:
    """The key of a licence given as key, name or Creative Commons address.

    >>> parse_licence("http://creativecommons.org/licenses/by-nc/4.0/legalcode")
    'CC_BY_NC_4_0'
    >>> parse_licence("CC0"), parse_licence(None), parse_licence("all rights reserved")
    ('CC0_1_0', 'UNSPECIFIED', 'UNSUPPORTED')
    """
    squeezed = re.sub(r"[^a-z0-9]+", "", (text or "").lower())
    if squeezed in {"", "unspecified", "nolicencestated"}:
        return "UNSPECIFIED"
    if "cc0" in squeezed or "publicdomainzero" in squeezed:
        return "CC0_1_0"
    if not (squeezed.startswith("cc") or "creativecommons" in squeezed):
        return "UNSUPPORTED"
    version = re.search(r"by(nc)?(?P<rest>nd|sa)?(?P<version>\d*)", squeezed)
    if version is None or version["rest"] or version["version"] not in {"", "4", "40"}:
        return "UNSUPPORTED"
    return "CC_BY_NC_4_0" if version[1] else "CC_BY_4_0"


def most_restrictive(keys: Iterable[str]) -> str | None:
    """The licence that binds the whole; None when there are no records."""
    return max(keys, key=_ORDER.__getitem__, default=None)


def non_commercial(key: str | None) -> bool:
    """Whether a licence forbids commercial use."""
    return key == "CC_BY_NC_4_0"


def read_filter(text: str) -> tuple[str, ...]:
    """Licences to ask for, from words such as ``CC0,CC-BY``.

    Raises
    ------
    SourceError
        For a word that names no licence of the service.
    """
    found = []
    for word in re.split(r"[,;]", text):
        key = parse_licence(word)
        if key in {"UNSPECIFIED", "UNSUPPORTED"}:
            raise SourceError(
                f"licence {word.strip()!r}: not one that the service filters by (use CC0, CC-BY or CC-BY-NC)",
                source="occurrence service",
            )
        found.append(key)
    return tuple(sorted(set(found), key=_ORDER.__getitem__))
