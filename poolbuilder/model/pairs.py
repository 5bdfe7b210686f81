"""Candidate parents ──► candidate pairs."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import pyarrow as pa

from poolbuilder import schemas, tables
from poolbuilder.errors import said
from poolbuilder.model.looking import STILL
from poolbuilder.names.checklist import KnownCross, KnownCrosses, write_formula
from poolbuilder.settings import Settings
from poolbuilder.words import pool_words

Row = dict[str, Any]
FREQUENCY = {"common": 1.0, "repeated": 0.6, "single report": 0.3, "none known": 0.15, "": 0.15}
"""How much a cross counts by how often it is met in nature; the steps are judgement, without a source."""
STOCKED = 2.0
"""A cross that is bred and stocked counts so many times in lakes and ponds; judgement."""


def frequency_of(statements: Sequence[KnownCross]) -> str:
    """How often the cross is met, the most often that a source says; ``none known`` where none does."""
    found = {each.frequency for each in statements}
    return next((each for each in FREQUENCY if each and each in found), "none known")


def _direction(statements: Sequence[KnownCross], mother: str, settings: Settings) -> float:
    """How well one direction of a cross does; the best that a source reports counts."""
    factor = {"lethal": 0.0, "partly lethal": settings.partial_viability}
    known = [
        factor.get(each.viability, 1.0) for each in statements if each.viability and each.speaks_of(mother)
    ]
    return max(known, default=1.0)


def viability_factor(statements: Sequence[KnownCross], parents: tuple[str, str], settings: Settings) -> float:
    """Factor φ of a pair: the mean over its two directions.

    A direction that is lethal counts 0, a partly lethal one partialViability, any other 1,
    so that what nobody has tried is as possible as what succeeds.  The factor does not fall
    below crossFloor.

    Returns
    -------
    float
        crossFloor to 1.
    """
    both = sum(_direction(statements, mother, settings) for mother in parents) / 2
    return max(both, settings.cross_floor)


_VERDICTS = ("viable", "partly lethal", "lethal")  # the best that a source reports comes first


def _verdict(found: Sequence[str]) -> str:
    return next((verdict for verdict in _VERDICTS if verdict in found), "")


def _viability(statements: Sequence[KnownCross], parents: tuple[str, str]) -> str:
    """What is known of the pair, by direction, in one line."""
    ways = {
        mother: _verdict([each.viability for each in statements if each.speaks_of(mother)])
        for mother in parents
    }
    return pool_words.viability(ways, _verdict([each.viability for each in statements]))


# -- pairs -------------------------------------------------------------------------------


def _hybrid_evidence(hybrids: Sequence[Mapping[str, Any]]) -> dict[tuple[str, str], tuple[int, float]]:
    """Records and their weight for each pair; three parents share a record's weight among three pairs."""
    found: dict[tuple[str, str], tuple[int, float]] = {}
    for row in hybrids:
        pairs = list(combinations(sorted(set(row["parents"])), 2))
        for each in pairs:
            records, weight = found.get(each, (0, 0.0))
            found[each] = (records + row["records"], weight + row["weight"] / len(pairs))
    return found


@functools.lru_cache(maxsize=16)
def _known_pairs(
    names: tuple[str, ...], known: KnownCrosses, settings: Settings, kind: int
) -> list[tuple[Row, float]]:
    """What is known of each pair, whatever the water, and how much it counts in waters of a type."""
    rows = []
    for parents in combinations(names, 2):
        statements = known.of(*parents)
        factor = viability_factor(statements, parents, settings)
        frequency, stocked = frequency_of(statements), any(each.origin == "stocked" for each in statements)
        row = {
            "parent1": parents[0],
            "parent2": parents[1],
            "formula": write_formula(parents),
            "documented": any(each.origin == "natural" for each in statements),
            "frequency": frequency,
            "bredAndStocked": stocked,
            "viability": _viability(statements, parents),
            "hybridRecords": 0,
            "note": _note(statements, factor, 0, settings),
        }
        rows.append((row, factor * FREQUENCY[frequency] * (STOCKED if stocked and kind == STILL else 1.0)))
    return rows


def _note(statements: Sequence[KnownCross], factor: float, records: int, settings: Settings) -> str:
    return pool_words.pair_note(statements, factor=factor, least=settings.cross_floor, records=records)


def _weighed(rows: list[Row], share: float) -> list[Row]:
    """The rows, with weights that sum to *share*."""
    total = sum(row["prior"] for row in rows)
    for row in rows:
        row["weight"] = share * row["prior"] / total
    return rows


def _ordered(rows: Sequence[Row]) -> list[Row]:
    return sorted(rows, key=lambda row: (-row["weight"], row["formula"]))


def _as_table(rows: Sequence[Row]) -> pa.Table:
    ordered, names = _ordered(rows), schemas.CROSSES.names
    made = tables.table(schemas.CROSSES, {name: [row[name] for row in ordered] for name in names})
    return schemas.check(made, schemas.CROSSES, "crosses")


def pair(
    candidates: pa.Table,
    hybrids: pa.Table,
    *,
    settings: Settings,
    include_pure: bool = False,
    known: KnownCrosses | None = None,
    kind: int = 0,
) -> pa.Table:
    """Weigh every pair of candidates.

    Parameters
    ----------
    candidates : Table, schema POOL
    hybrids : Table, schema HYBRIDS
        Hybrid records within reach.
    settings : Settings
        hybridPairBoost, partialViability, crossFloor, f1Share.
    include_pure : bool
        Add each species alone; the pairs then share f1Share of the weight.
    known : KnownCrosses, optional
        What is known of crosses; without it, the tables that come with the package.
    kind : int
        Type of the water: crosses that are bred and stocked count more in still ones.

    Returns
    -------
    Table, schema CROSSES
        n (n - 1) / 2 rows for n candidates, and n more with the pure species; sorted by
        weight, then formula; empty for a single candidate.

    Notes
    -----
    Prior of a pair: ``φ f P_a P_b + b (1 - exp(-w))`` with f how often the cross is
    met, b = hybridPairBoost and w the weight
    of the hybrid records that name both.  The sum, unlike a product, lets records speak where
    a parent is thought to be absent, and where both surely live.
    """
    schemas.check(candidates, schemas.POOL, "pair")
    schemas.check(hybrids, schemas.HYBRIDS, "pair")
    rows = pair_rows(candidates.to_pylist(), hybrids.to_pylist(), settings=settings, known=known, kind=kind)
    crosses = _as_table(rows)
    return with_pure(crosses, candidates, settings=settings) if include_pure else crosses


def pair_rows(
    candidates: Sequence[Row],
    hybrids: Sequence[Mapping[str, Any]],
    *,
    settings: Settings,
    known: KnownCrosses | None = None,
    kind: int = 0,
) -> list[Row]:
    """What `pair` gives, as rows of CROSSES from rows of POOL and of HYBRIDS."""
    known = known or KnownCrosses.load()
    presence = {row["scientificName"]: row["presence"] for row in candidates}
    seen, made = _hybrid_evidence(hybrids), []
    for each, factor in _known_pairs(tuple(sorted(presence)), known, settings, kind):
        parents = each["parent1"], each["parent2"]
        records, weight = seen.get(parents, (0, 0.0))
        shown = settings.hybrid_pair_boost * -math.expm1(-weight)
        pair_ = {**each, "prior": factor * presence[parents[0]] * presence[parents[1]] + shown}
        if records:
            statements = known.of(*parents)
            reason = viability_factor(statements, parents, settings)
            pair_ |= {"hybridRecords": records, "note": _note(statements, reason, records, settings)}
        made.append(pair_)
    return _ordered(_weighed(made, 1.0))


def with_pure(crosses: pa.Table, candidates: pa.Table, *, settings: Settings) -> pa.Table:
    """Add the pure species to a table of pairs.

    Parameters
    ----------
    crosses : Table, schema CROSSES
        Pairs alone.
    candidates : Table, schema POOL
    settings : Settings
        f1Share: what the pairs share; the species share the rest by presence.

    Returns
    -------
    Table, schema CROSSES
        Weights sum to 1.
    """
    pairs = crosses.to_pylist()
    share = settings.f1_share if pairs else 0.0
    pure = [
        {
            "parent1": row["scientificName"],
            "parent2": row["scientificName"],
            "formula": row["scientificName"],
            "prior": row["presence"],
            "documented": False,
            "frequency": None,
            "bredAndStocked": False,
            "viability": "pure species",
            "hybridRecords": 0,
            "note": said("pair_pure", share=share),
        }
        for row in candidates.to_pylist()
    ]
    return _as_table([*_weighed(pairs, share), *_weighed(pure, 1 - share)])
