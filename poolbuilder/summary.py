"""A pool in plain words and in a table for the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from poolbuilder.pool import Pool
from poolbuilder.words import calibrated, findings

__all__ = ["summary_lines", "table_lines"]

WIDTH = 100

CAUTION = "No list proves absence, and no hybrid is certain without DNA; do not move live fish."


def _years(row: Mapping[str, Any]) -> str:
    first, last = row["firstYear"], row["lastYear"]
    if first is None:
        return "-"
    return str(last) if first == last else f"{first}-{last}"


_EVIDENCE = {
    "water": "in this water",
    "connected": "by water",
    "radius": "within radius",
    "beyond": "farther out",
    "range": "range map only",
    "none": "nothing",
}
_SOURCES = {
    "agency": "agency list",
    "region": "region list",
    "record": "record",
    "polygon": "map",
    "checklist": "list",
    "shipped": "table",
}


def _status(row: Mapping[str, Any]) -> str:
    if row["establishmentSource"] == "unknown":
        return "unknown"
    return f"{row['establishmentMeans']} ({_SOURCES[row['establishmentSource']]})"


def table_lines(pool: Pool) -> list[str]:
    """The candidates, one a line, at most 100 characters wide."""
    head = (
        f"{'species':<21}{'presence':>8} {'weight':>6}  {'evidence':<15}"
        f"{'records':>7}{'nearest':>9}  {'years':<10}status"
    )
    lines = [head, "-" * WIDTH]
    for row in pool.candidates.to_pylist():
        nearest = "-" if row["nearestKm"] is None else f"{row['nearestKm']:.1f} km"
        line = (
            f"{row['scientificName'][:20]:<21}{row['presence']:>8.3f} {row['weight']:>6.3f}  "
            f"{_EVIDENCE[row['tier']]:<15}{row['records']:>7,}{nearest:>9}  {_years(row):<10}{_status(row)}"
        )
        lines.append(line[:WIDTH].rstrip())
    return lines


def _record_line(counts: Mapping[str, Any], radius_km: float) -> str:
    extra = []
    if counts["targetGroup"]:
        extra.append(f"{counts['targetGroup']:,} of other species, kept as effort")
    if counts["hybrids"]:
        extra.append(f"{counts['hybrids']:,} of hybrids")
    among = f" ({'; '.join(extra)})" if extra else ""
    near = f"{counts['withinRadius']:,} within {radius_km:g} km"
    return f"read {counts['read']:,} records, kept {counts['kept']:,}{among}; {near}"


def _rejected_line(counts: Mapping[str, Any]) -> str:
    rejected: Mapping[str, int] = counts["rejected"]
    if not rejected:
        return "rejected none"
    ordered = sorted(rejected.items(), key=lambda item: (-item[1], item[0]))
    listed = ", ".join(f"{key.replace('_', ' ')} {count:,}" for key, count in ordered)
    return f"rejected {sum(rejected.values()):,}: {listed}"


def reason_line(pool: Pool, row: Mapping[str, Any]) -> str:
    """Why a candidate stands where it stands, in one line."""
    parts = pool.reasons(row["scientificName"])
    steps = [f"{part['words']} ({part['logOdds']:+.1f})" for part in parts if abs(part["logOdds"]) >= 0.05]
    return f"{row['scientificName']} {row['presence']:.2f}: {'; '.join(steps)}"


def summary_lines(pool: Pool, *, reasons: int = 3) -> list[str]:
    """Everything that the terminal shows of a pool, a line each."""
    site, rows = pool.site, pool.candidates.to_pylist()
    name = f"{site.name}, " if site.name else ""
    place = f"latitude {site.latitude:.5f}, longitude {site.longitude:.5f}"
    lines = [
        f"{name}{place}, radius {site.radius_km:g} km, as of {pool.as_of}",
        findings(pool),
        "",
        *table_lines(pool),
        "",
        _record_line(pool.counts, site.radius_km),
        _rejected_line(pool.counts),
    ]
    unknown = pool.counts["unknownNames"]
    if unknown:
        listed = ", ".join(f"{key or '(empty)'} {count:,}" for key, count in list(unknown.items())[:5])
        lines.append(f"names of a listed genus that are not on the checklist: {listed}")
    lines += [f"why {reason_line(pool, row)}" for row in rows[:reasons]]
    lines += [
        f"pair {item['formula']}: weight {item['weight']:.3f}, {item['viability']}"
        for item in pool.crosses.slice(0, 3).to_pylist()
    ]
    lines.append(_calibration_line(pool))
    lines += [f"note: {note}" for note in pool.notes]
    lines.append(CAUTION)
    return lines


def _calibration_line(pool: Pool) -> str:
    if not calibrated(pool):
        return "uncalibrated: presence ranks the species, but has not been checked against surveys"
    return f"calibrated: {(pool.calibration or {}).get('words', 'on surveys')}"
