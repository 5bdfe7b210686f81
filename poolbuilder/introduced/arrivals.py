"""Arrivals to be expected: introduced species that are not recorded in the water yet.

Ranked by presence in three bands, then by how the nearest record is joined to the water, then
by distance.  Distance in a straight line stands for the boat trailer and the bait bucket.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from poolbuilder.introduced.sightings import CONNECTIONS, Way

__all__ = ["BANDS", "arrival", "ranked"]

BANDS = ((0.5, "likely"), (0.1, "possible"), (0.0, "unlikely"))
"""Lower end of presence, and what it is called."""

_CONNECTED = {
    "upstream": "upstream of this water, so that fish can come down with it",
    "passable": "joined to this water by a passable way",
    "barrier": "joined to this water, past barriers",
}


def band(presence: float) -> str:
    """The band that a presence falls in."""
    return next(words for low, words in BANDS if presence >= low)


def arrival(row: Mapping[str, Any], way: Way, *, inside_range: bool) -> dict[str, Any]:
    """One line of the watch list.

    Parameters
    ----------
    row : mapping
        What is known of the species around the water.
    way : Way
        The easiest way by water from any of its records.
    inside_range : bool
        Whether a polygon of its introduced range holds the water.
    """
    reasons = []
    if way.km is not None:
        reasons.append(f"recorded {way.km:.1f} km away by water, {_CONNECTED[way.connection]}")
    if row["nearestKm"] is not None:
        reasons.append(f"recorded {row['nearestKm']:.1f} km away in a straight line, as a trailer goes")
    if inside_range:
        reasons.append("its introduced range, as mapped, covers this water")
    if row["front"] is not None and row["front"]["trend"] in {"approaching", "no nearer"}:
        reasons.append(row["front"]["words"])
    if not row["events"]:
        reasons.append("no record within the radius")
    return {
        "scientificName": row["scientificName"],
        "vernacularName": row["vernacularName"],
        "establishmentMeans": row["establishmentMeans"],
        "establishmentSource": row["establishmentSource"],
        "presence": row["presence"],
        "band": band(row["presence"]),
        "connection": way.connection,
        "byWaterKm": way.km,
        "nearestKm": row["nearestKm"],
        "lastYear": row["lastYear"],
        "reasons": reasons,
    }


def ranked(arrivals: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The watch list in order, each with its rank from 1."""
    names = [words for _, words in BANDS]
    ordered = sorted(
        arrivals,
        key=lambda item: (
            names.index(item["band"]),
            CONNECTIONS.index(item["connection"]),
            _far(item["byWaterKm"]),
            _far(item["nearestKm"]),
            -item["presence"],
            item["scientificName"],
        ),
    )
    return [{"rank": rank, **item} for rank, item in enumerate(ordered, start=1)]


def _far(km: float | None) -> float:
    return float("inf") if km is None else km
