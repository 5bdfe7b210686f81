"""Whether a species is native or introduced at a place, and who says so.

Polygons, records and checklists may disagree; the first that says something decides, in
that order, and a disagreement is kept in words.  What nobody says stays unknown.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Establishment", "decide_establishment", "side"]

_NATIVE = {"native", "nativeReintroduced", "nativeEndemic"}
_INTRODUCED = {"introduced", "introducedAssistedColonisation"}


@dataclass(frozen=True, kw_only=True)
class Establishment:
    """Darwin Core establishmentMeans, the source that decided, and a remark on conflicts."""

    means: str
    source: str
    remark: str = ""


def side(means: str | None) -> str | None:
    """``native``, ``introduced`` or None for a term that takes no side."""
    if means in _NATIVE:
        return "native"
    return "introduced" if means in _INTRODUCED else None


def _majority(means: Sequence[str]) -> str | None:
    """The most frequent term that takes a side; the alphabet decides a tie."""
    counts = Counter(term for term in means if side(term))
    return min(counts, key=lambda term: (-counts[term], term)) if counts else None


def decide_establishment(
    *, polygon: str | None, records: Sequence[str], checklist: str | None
) -> Establishment:
    """Decide the status of a species at a place.

    Parameters
    ----------
    polygon, checklist : str or None
        Darwin Core establishmentMeans from each, None when it says nothing.
    records : sequence of str
        The terms that records within the radius carry, one per record that carries one.
    """
    said = [("polygon", polygon), ("record", _majority(records)), ("checklist", checklist)]
    known = [(source, means) for source, means in said if means is not None]
    if not known:
        return Establishment(means="uncertain", source="unknown")
    source, means = known[0]
    against = [
        f"{other} says {term}"
        for other, term in known[1:]
        if {side(term), side(means)} == {"native", "introduced"}
    ]
    mixed = {side(term) for term in records} >= {"native", "introduced"}
    if mixed and source != "record":
        against = against or ["records disagree among themselves"]
    elif mixed:
        against = [*against, "records disagree among themselves"]
    remark = f"{source} says {means}, but {' and '.join(against)}" if against else ""
    return Establishment(means=means, source=source, remark=remark)
