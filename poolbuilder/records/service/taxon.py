"""The service's own reading of a taxon's name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from poolbuilder.errors import SourceError
from poolbuilder.records.service.client import SOURCE, Client

__all__ = ["TaxonMatch", "match_taxon", "read_match"]


@dataclass(frozen=True, kw_only=True)
class TaxonMatch:
    """How the service understood a name.

    Attributes
    ----------
    asked : str
        The name given.
    key : str
        The service's key; text, never assumed to be a number. Empty without a match.
    name, rank : str
        Name and rank of the taxon matched.
    kind : str
        ``EXACT``, ``FUZZY``, ``HIGHERRANK``, ``VARIANT`` or ``NONE``, as the service says.
    confidence : int, optional
        0 to 100, as the service says.
    """

    asked: str
    key: str
    name: str
    rank: str
    kind: str
    confidence: int | None = None

    def words(self) -> str:
        """The match on one line."""
        if not self.key:
            return f"{self.asked}: no match"
        sure = "" if self.confidence is None else f", confidence {self.confidence}"
        how = f"{self.rank.lower()}, key {self.key}, {self.kind.lower()} match{sure}"
        return f"{self.asked} → {self.name} ({how})"


def read_match(asked: str, answer: Any) -> TaxonMatch:
    """Read the answer of ``/species/match``, of the first or the second version of the service."""
    if not isinstance(answer, dict):
        raise SourceError(f"{SOURCE}: the match of {asked!r} is not an object", source=SOURCE)
    usage = answer.get("usage") if isinstance(answer.get("usage"), dict) else None
    verdict = answer.get("diagnostics") if isinstance(answer.get("diagnostics"), dict) else answer
    key = usage.get("key") if usage is not None else answer.get("usageKey")
    named = usage if usage is not None else answer
    name = named.get("name") if usage is not None else answer.get("scientificName")
    confidence = (verdict or {}).get("confidence")
    return TaxonMatch(
        asked=asked,
        key="" if key is None else str(key),
        name=str(name or ""),
        rank=str(named.get("rank") or ""),
        kind=str((verdict or {}).get("matchType") or "NONE").upper(),
        confidence=confidence if isinstance(confidence, int) else None,
    )


def match_taxon(
    client: Client, name: str, *, rank: str | None = None, accept_doubtful: bool = False
) -> TaxonMatch:
    """Ask the service what a name means.

    Parameters
    ----------
    name : str
        Scientific name of a taxon of any rank.
    rank : str, optional
        Rank that is meant, such as ``GENUS``; it helps where a name stands at two ranks.
    accept_doubtful : bool
        Take a fuzzy match, or a match to a higher taxon than asked.

    Raises
    ------
    SourceError
        When nothing matches, or the match is doubtful and not accepted.
    """
    asked = " ".join(name.split())
    if not asked:
        raise SourceError("taxon: no name given (write a scientific name, such as Lepomis)", source=SOURCE)
    params = {"name": asked}
    if rank:
        params["rank"] = rank.upper()
    answer, _ = client.get("/species/match", params)
    match = read_match(asked, answer)
    if not match.key or match.kind == "NONE":
        raise SourceError(
            f"taxon {asked!r}: the service knows no such name (check the spelling; scientific names only)",
            source=SOURCE,
        )
    if match.kind != "EXACT" and not accept_doubtful:
        doubt = {
            "FUZZY": "the service only finds a similar name",
            "HIGHERRANK": "the service only finds a higher taxon",
        }.get(match.kind, f"the service calls the match {match.kind}")
        raise SourceError(
            f"taxon {asked!r}: {doubt}, got {match.name} ({match.rank.lower()}) (correct the name, name "
            "families "
            "or orders instead, or accept it with --accept-match)",
            source=SOURCE,
        )
    return match
