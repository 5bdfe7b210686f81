"""What differs between two pools besides their records."""

from __future__ import annotations

import numpy as np

from poolbuilder.errors import PoolFileError
from poolbuilder.places.geodesy import distance_km
from poolbuilder.pool import Pool

__all__ = ["CAUSES", "apart_km", "differences", "kind_of_rework"]

CAUSES = {
    "withdrawn": "records withdrawn or re-identified",
    "dates": "everything is older now",
    "ranges": "range maps changed",
    "settings": "settings changed",
    "place": "the place or radius changed",
    "layers": "outline, basins, streams or barriers changed",
    "edited": "records corrected at their source",
    "new": "new records",
    "crowding": "more or fewer places as near hold records, so that each says less or more",
    "lists": "the lists of the target group changed",
    "calibration": "calibration changed",
    "version": "another version of poolbuilder",
    "checklist": "the checklist changed",
    "interaction": "what the steps above change together",
}
"""Causes in the order in which they are taken."""


def apart_km(old: Pool, new: Pool) -> float:
    """How far the two places lie from each other."""
    away = distance_km(
        np.array([new.site.longitude]),
        np.array([new.site.latitude]),
        from_longitude=old.site.longitude,
        from_latitude=old.site.latitude,
    )
    return float(away[0])


def differences(old: Pool, new: Pool) -> list[str]:
    """What differs besides the records, in words."""
    notes = []
    apart = apart_km(old, new)
    if apart > max(old.site.radius_km, new.site.radius_km):
        raise PoolFileError(
            f"pools of two waters, {apart:.0f} km apart: {old.site.name or 'unnamed'!r} and "
            f"{new.site.name or 'unnamed'!r}",
            remedy="compare pools of one water",
        )
    if apart > 0:
        notes.append(f"the place moved by {apart:.3g} km")
    if old.site.radius_km != new.site.radius_km:
        notes.append(f"the radius was {old.site.radius_km:g} km and is {new.site.radius_km:g} km")
    if new.as_of < old.as_of:
        notes.append(f"the second pool is the older one: {new.as_of} before {old.as_of}")
    before, after = old.settings.as_dict(), new.settings.as_dict()
    notes += [
        f"setting {name} was {_said(before[name])} and is {_said(value)}"
        for name, value in after.items()
        if before[name] != value
    ]
    notes += [
        f"{kind}: other files or other contents than before"
        for kind in ("ranges", "water", "checklist")
        if _hashes(old, kind) != _hashes(new, kind)
    ]
    if old.version != new.version:
        notes.append(f"built by version {old.version} before, by {new.version} now")
    if old.step != new.step:
        notes.append(f"regional evidence was {old.step} and is {new.step}")
    return notes


def _said(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"


def _hashes(pool: Pool, kind: str) -> list[str]:
    return sorted(str(item.get("sha256", "")) for item in pool.inputs if item.get("kind") == kind)


def kind_of_rework(old: Pool, new: Pool) -> tuple[str, str]:
    """Why events that rest on the same records weigh otherwise than before."""
    reasons = []
    if old.settings != new.settings:
        reasons.append("settings")
    if apart_km(old, new) > 0 or old.site.radius_km != new.site.radius_km:
        reasons.append("place")
    if _hashes(old, "water") != _hashes(new, "water"):
        reasons.append("layers")
    if old.version != new.version:
        reasons.append("version")
    if not reasons and _hashes(old, "ranges") != _hashes(new, "ranges"):
        reasons.append("ranges")
    if not reasons:
        return "edited", CAUSES["edited"]
    return reasons[0], "; ".join(CAUSES[reason] for reason in reasons)
