"""The steps of an argument for a species, in log-odds and in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from poolbuilder.model.hybrid_waters import HybridWaters

__all__ = ["Part", "Regional"]


@dataclass(frozen=True)
class Part:
    """One step of a species' argument: what it is, its log-odds, and the words for it."""

    part: str
    log_odds: float
    words: str


@dataclass(frozen=True, kw_only=True)
class Regional:
    """What the lists of the target group say, where there are any.

    Attributes
    ----------
    step : str
        The kind of regional evidence that the pool stands on.
    parts : mapping
        Species to the parts whose log-odds sum to the logit of its regional presence.
        A species that is missing falls back on range and records.
    silence : mapping
        Species to what silence in this water multiplies its odds with, and the words for it:
        the probability that the lists made here would all have missed it, or for a species
        not recorded of late the Bayes factor for still there.  Empty when nobody is known to
        have looked.
    low, high : mapping
        Species to the ends of the interval of its regional log-odds, relative to the
        estimate (so low is negative).  Empty when unknown.
    hybrid_waters : HybridWaters or None
        How presence shifts where a hybrid lives, as the region's hybrids tell.
    notes : sequence of str
        For the result as a whole.
    """

    step: str
    parts: Mapping[str, Sequence[Part]] = field(default_factory=dict)
    silence: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    low: Mapping[str, float] = field(default_factory=dict)
    high: Mapping[str, float] = field(default_factory=dict)
    hybrid_waters: HybridWaters | None = None
    notes: Sequence[str] = ()
