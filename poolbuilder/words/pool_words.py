"""Sentences on a pool: the macros of ``pool.txt``, each a function here, and what some of them need counted.

Notes on candidates and pairs stand in ``notes.txt``: many waters need them, and no template.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from poolbuilder import tables, words
from poolbuilder.errors import said

if TYPE_CHECKING:
    from poolbuilder.pool import Pool

TEXTS = "pool.txt"
OLD_YEARS = 30
COARSE_SHARE = 0.25


def __getattr__(name: str) -> Any:
    return words.macro(TEXTS, name)


def calibrated(pool: Pool) -> bool:
    """Whether presence is calibrated on surveys."""
    return pool.calibration is not None and pool.calibration.get("status") != "uncalibrated"


def has_data(pool: Pool) -> bool:
    """Whether any record, of a candidate or of another fish, lies within reach."""
    return bool(pool.evidence.num_rows or pool.counts.get("located", 0))


def findings(pool: Pool) -> str:
    """Which species could be parents, how many are recorded here, which pairs lead."""
    pairs = [row for row in pool.crosses.slice(0, 8).to_pylist() if row["parent1"] != row["parent2"]]
    leading = [row for row in pairs[:2] if row["weight"] >= 0.4 * pairs[0]["weight"]]
    common = {row["scientificName"]: row["vernacularName"] for row in pool.candidates.to_pylist()}
    text = words.macro(TEXTS, "findings")
    return str(text(pool, has_data=has_data(pool), pairs=leading, common=common))


def doubts(pool: Pool) -> list[str]:
    """What could be wrong with the list, most important first."""
    rests = None
    if set(tables.strings(pool.status["rangeClass"])) <= {"no_map"}:
        given = {str(source) for source in tables.strings(pool.candidates["establishmentSource"])}
        rests = words.joined([name for source, name in words.RESTS.items() if source in given])
    return words.lines(TEXTS, "doubts", pool, seen=_seen(pool), calibrated=calibrated(pool), rests=rests)


def _seen(pool: Pool) -> dict[str, float]:
    """Which shares of the events are undated, old or coarse; empty without events."""
    if not pool.evidence.num_rows:
        return {}
    age = tables.numbers(pool.evidence["ageYears"])
    coarse_km = COARSE_SHARE * pool.site.radius_km
    unsure_km = tables.numbers(pool.evidence["coordinateUncertaintyInMeters"]) / 1000
    return {
        "undated": float(np.isnan(age).mean()),
        "old": float((np.nan_to_num(age) >= OLD_YEARS).mean()),
        "coarse": float((unsure_km > coarse_km).mean()),
        "coarse_km": coarse_km,
    }


def mended_names(pool: Pool) -> list[str]:
    """Names that were read in spite of their spelling, and names that disagree; the first ten of each."""
    return words.lines(TEXTS, "mended_names", pool)


def unknown_names(pool: Pool, most: int = 5) -> list[str]:
    """Names of a listed genus that are not on the checklist, the most frequent."""
    return words.lines(TEXTS, "unknown_names", pool, most=most)


def differences(old: Pool, new: Pool, **facts: Any) -> list[str]:
    """What differs between two pools besides their records."""
    return words.lines(TEXTS, "differences", old, new, **facts)


# -- candidates and pairs ----------------------------------------------------------------

_REMARKS = ("range", "none", "beyond", "undated", "notSince", "coarse", "byWaterKm", "single", "ambiguous")


def candidate_note(facts: Mapping[str, Any]) -> str:
    """What a careful colleague would add to a candidate.

    Parameters
    ----------
    facts : mapping
        ``tier``; and where it holds ``undated``, ``notSince`` (year), ``coarse``, ``overLandKm`` with
        ``byWaterKm``, ``single``, ``ambiguous`` (records).

    Examples
    --------
    >>> candidate_note({"tier": "beyond", "notSince": 1962, "single": True})
    'recorded only beyond the radius; not recorded since 1962; rests on a single record'
    """
    shown = {key: words.kilometres(facts[key]) for key in ("overLandKm", "byWaterKm") if key in facts}
    keys = [key for key in _REMARKS if facts.get(key) or key == facts["tier"]]
    return "; ".join(said(f"candidate_{key}", **{**facts, **shown}) for key in keys)


def _way(mother: str, parents: Sequence[str]) -> str:
    father = parents[1] if mother == parents[0] else parents[0]
    return f"♀ {words.short(mother)} × ♂ {words.short(father)}"


def viability(ways: Mapping[str, str], undirected: str) -> str:
    """What is known of a cross, by mother; *undirected* where no source says the direction.

    Examples
    --------
    >>> viability({"Lepomis auritus": "viable", "Lepomis cyanellus": "viable"}, "")
    'viable in both directions'
    """
    known = {mother: found for mother, found in ways.items() if found}
    if len(known) == len(ways) and len(set(known.values())) == 1:
        return said("pair_both_ways", found=next(iter(known.values())))
    each = [f"{_way(mother, list(ways))} {found}" for mother, found in known.items()]
    return "; ".join(each) or (said("pair_no_way", found=undirected) if undirected else words.UNKNOWN)


def _cited(each: Any) -> str:
    """One statement on a cross with its source."""
    direction = _way(each.mother, each.parents) if each.mother in each.parents else ""
    return ", ".join(filter(None, [each.origin, direction, each.words])) + f" [{each.source}]"


def pair_note(statements: Sequence[Any], *, factor: float, least: float, records: int) -> str:
    """The sources of what is said of a pair, and its caution."""
    cited = "; ".join(map(_cited, statements))
    notes = [
        "" if statements else said("pair_no_source"),
        said("pair_factor_least" if factor == least else "pair_factor", factor=factor) if factor < 1 else "",
        said("pair_record" if records == 1 else "pair_records", records=records) if records else "",
        f"{cited[:1].upper()}{cited[1:]}." if cited else "",
        said("pair_caution"),
    ]
    return " ".join(filter(None, notes))
