"""The events of two pools, told apart: the same, changed, gone and new."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.model.crowd import crowd, nearest_of_places
from poolbuilder.model.evidence import OWN_KINDS, damped_hazards, record_weights
from poolbuilder.pool import Pool
from poolbuilder.schemas import EVIDENCE
from poolbuilder.settings import Settings

__all__ = [
    "Key",
    "Shared",
    "aged",
    "crowded",
    "event_keys",
    "match_events",
    "of_species",
    "reweighed",
]

Key = tuple[str, str, str]
"""Species, event, and whether its own name, a possible name or a hybrid speaks."""

_ORDER = [("scientificName", "ascending"), ("weight", "descending"), ("eventKey", "ascending")]


def event_keys(evidence: pa.Table) -> list[Key]:
    """What an event is known by in both pools."""
    return [
        (str(name), str(event), "own" if kind in OWN_KINDS else str(kind))
        for name, event, kind in zip(
            tables.strings(evidence["scientificName"]),
            tables.strings(evidence["eventKey"]),
            tables.strings(evidence["kind"]),
            strict=True,
        )
    ]


def of_species(evidence: pa.Table, species: Sequence[str]) -> pa.Table:
    """The events of some species, sorted as the model sorts them."""
    wanted = set(species)
    mask = np.array([name in wanted for name in tables.strings(evidence["scientificName"])], dtype=bool)
    return tables.where(evidence, mask).sort_by(_ORDER)


def _replaced(evidence: pa.Table, name: str, values: NDArray[Any]) -> pa.Table:
    place = EVIDENCE.get_field_index(name)
    return evidence.set_column(place, EVIDENCE.field(place), tables.array(values, pa.float64()))


def aged(evidence: pa.Table, days: int, settings: Settings) -> pa.Table:
    """The same events, some days later: quality and weight fade, undated events stay."""
    age = tables.numbers(evidence["ageYears"])
    later = age + days / 365.25
    fading = np.maximum(later, 0) - np.maximum(age, 0)
    factor = np.where(np.isnan(age), 1.0, np.exp2(-fading / settings.half_life_years))
    older = _replaced(evidence, "ageYears", later)
    for name in ("quality", "weight"):
        older = _replaced(older, name, tables.numbers(evidence[name]) * factor)
    return older


def crowded(evidence: pa.Table, among: pa.Table, settings: Settings) -> pa.Table:
    """The same events among the places of *among*; the part of their weight outside the water changes."""
    around = _place_kernels(among)
    here = _place_kernels(evidence) | around
    kernel = np.array([here[name] for name in evidence["placeKey"].to_pylist()])
    left = crowd(kernel, np.array(list(around.values()))) ** -settings.crowd_exponent
    quality, own, share = (tables.numbers(evidence[name]) for name in ("quality", "kernel", "inWaterShare"))
    in_water, outside = record_weights(quality, own, share, settings=settings)
    return _replaced(_replaced(evidence, "weight", in_water + left * outside), "crowding", left)


def _place_kernels(evidence: pa.Table) -> dict[str | None, float]:
    """Each place's largest kernel outside the water."""
    share = np.nan_to_num(tables.numbers(evidence["inWaterShare"]))
    code, names = tables.codes(evidence["placeKey"])
    nearest = nearest_of_places(code, tables.numbers(evidence["kernel"]) * (1 - share))
    return dict(zip(names, nearest.tolist(), strict=True))


def reweighed(evidence: pa.Table, settings: Settings) -> pa.Table:
    """The same events with hazards damped anew: which events share a place has changed."""
    names = tables.strings(evidence["scientificName"])
    places = tables.strings(evidence["placeKey"])
    index: dict[tuple[str | None, str | None], int] = {}
    codes = [index.setdefault(pair, len(index)) for pair in zip(names, places, strict=True)]
    weights = np.minimum(tables.numbers(evidence["weight"]), 1 - 1e-12)
    hazards = damped_hazards(weights, np.array(codes, dtype=np.int64), exponent=settings.place_exponent)
    return _replaced(evidence, "hazard", hazards)


@dataclass(frozen=True, kw_only=True)
class Shared:
    """Two pools' events by what became of them.

    Attributes
    ----------
    stay : frozenset of Key
        Events of the older pool whose records have not left.
    reworked : frozenset of Key
        Events that rest on the records that were there before, whatever they weigh now.
    losing, gaining : frozenset of Key
        Events in both that lost records and gained none; and those that gained some.
    """

    old: pa.Table
    new: pa.Table
    stay: frozenset[Key]
    reworked: frozenset[Key]
    losing: frozenset[Key]
    gaining: frozenset[Key]

    def pick(self, *, old: frozenset[Key] = frozenset(), new: frozenset[Key] = frozenset()) -> pa.Table:
        """Rows of the older and of the newer pool, together; schema EVIDENCE."""
        parts = []
        for table, wanted in ((self.old, old), (self.new, new)):
            mask = np.array([key in wanted for key in event_keys(table)], dtype=bool)
            parts.append(tables.where(table, mask))
        return pa.concat_tables(parts)

    def with_old(self, old: pa.Table) -> Shared:
        """The same, with rows of the older pool that have been changed on the way."""
        return dataclasses.replace(self, old=old)

    def record_ids(self) -> tuple[dict[str, set[str]], dict[str, set[str]]]:
        """Records of each species in the older and in the newer pool."""
        return _ids(self.old), _ids(self.new)


def _ids(evidence: pa.Table) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for name, records in zip(
        tables.strings(evidence["scientificName"]), evidence["recordIDs"].to_pylist(), strict=True
    ):
        found.setdefault(str(name), set()).update(records)
    return found


def match_events(old: Pool, new: Pool, *, apart_km: float) -> Shared:
    """Match the events of two pools by species, event and kind.

    An event whose records all stand in another event of the same species now (its date or
    place was corrected, or events are cut otherwise) counts as reworked, not as gone and
    new; so does one that only a changed reach takes in or leaves out.
    """
    before = dict(zip(event_keys(old.evidence), old.evidence["recordIDs"].to_pylist(), strict=True))
    after = dict(zip(event_keys(new.evidence), new.evidence["recordIDs"].to_pylist(), strict=True))
    was, now = _ids(old.evidence), _ids(new.evidence)
    out = _beyond(old.evidence, new.settings.reach_km, old.settings.reach_km, apart_km)
    into = _beyond(new.evidence, old.settings.reach_km, new.settings.reach_km, apart_km)
    both = before.keys() & after.keys()
    gaining = {key for key in both if set(after[key]) - was[key[0]]}
    losing = {key for key in both - gaining if set(before[key]) - now.get(key[0], set())}
    moved_away = {
        key for key in before.keys() - both if key in out or set(before[key]) <= now.get(key[0], set())
    }
    moved_in = {
        key for key in after.keys() - both if key in into or set(after[key]) <= was.get(key[0], set())
    }
    return Shared(
        old=old.evidence,
        new=new.evidence,
        stay=frozenset(both | moved_away),
        reworked=frozenset((both - gaining - losing) | moved_in),
        losing=frozenset(losing),
        gaining=frozenset(gaining),
    )


def _beyond(evidence: pa.Table, other_km: float, own_km: float, apart_km: float) -> set[Key]:
    """Events that the other pool could not reach, for its place or its settings."""
    if other_km == own_km and apart_km == 0:
        return set()
    far = tables.numbers(evidence["distanceKm"]) > other_km - apart_km
    return {key for key, beyond in zip(event_keys(evidence), far.tolist(), strict=True) if beyond}
