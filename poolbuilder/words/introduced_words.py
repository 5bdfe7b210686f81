"""Sentences on introduced species: the macros of ``introduced.txt``, each a function here, and codes."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from poolbuilder import words

Facts = Mapping[str, Any]

TEXTS = "introduced.txt"
GRADES = words.terms("grade")
"""How sure a record is, in words."""
NEWS = words.terms("news")
"""Kinds of news about an introduced species at a water."""
_RESTRICTED = re.compile(r"by-nc|by_nc|non-?commercial", re.IGNORECASE)


def __getattr__(name: str) -> Any:
    return words.macro(TEXTS, name)


def sureness(grade: str | None) -> str:
    """How sure a record is; unknown without one."""
    return GRADES.get(grade or "", words.UNKNOWN)


def news(item: Facts) -> str:
    """What an item of news says of a species at a water."""
    further = f" ({item['newRecords']:,})" if "more-records" in item["kinds"] else ""
    return words.joined([NEWS[kind] for kind in item["kinds"]]) + further


def is_restricted(licence: str | None) -> bool:
    """Whether a licence forbids commercial use."""
    return bool(_RESTRICTED.search(licence or ""))


def arrival_reasons(row: Facts, connection: str, km: float | None, *, inside_range: bool) -> list[str]:
    """Why a species may be expected in a water."""
    return words.lines(TEXTS, "arrival_reasons", row, connection, km, inside_range)


def note(row: Facts, said: Sequence[str]) -> str:
    """The note on a species, from what is new to what is doubtful; each clause once."""
    front, recorded = row["front"], row["inWater"] and not any("in this water" in text for text in said)
    parts = [
        *said,
        "recorded in this water" if recorded else "",
        row["conflict"],
        "no source says whether it is native here" if row["establishmentSource"] == "unknown" else "",
        row["way"],
        front["words"] if front is not None and front["trend"] != "arrived" else "",
        row["remark"],
    ]
    return "; ".join(dict.fromkeys("; ".join(filter(None, parts)).split("; ")))
