"""Every sentence about a seasonal run and about what changed in a pool, made of facts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from poolbuilder import words
from poolbuilder.words.introduced_words import RESTRICTED, is_restricted

if TYPE_CHECKING:
    from poolbuilder.compare import Comparison

Facts = Mapping[str, Any]

STATES = {
    "new": "first run",
    "same": "as before",
    "changed": "changed",
    "stale": "built from older records",
    "failed": "no pool",
}
"""What became of a water."""
CHANGES = ("gained", "lost", "moved")
NOT_ASKED = "not asked: the service failed for the waters before"
FAILED_BEFORE = "the service failed for the waters before"
INCOMPLETE = "not every promised record arrived"
NEVER_FETCHED = "no records were ever fetched for this water"
KEPT_OF_TODAY = "the pool of an earlier run of this day is kept"
NO_NEWS = "Nothing changed."


def water(row: Facts) -> str:
    """A water by its name, with its identifier and county where it has them."""
    further = [str(row[name]) for name in ("locationID", "county") if row.get(name)]
    return f"{row['name']} ({', '.join(further)})" if further else str(row["name"])


def no_layers(fault: str) -> str:
    """Layers of a water that the service did not give."""
    return f"the layers of the water were not fetched: {fault}"


def dropped(names: Sequence[str]) -> str:
    """Waters of the last run that a plan does not have any more."""
    return f"in the last run, not in this plan any more: {', '.join(names)}"


def passed_over(error: Exception) -> str:
    """An earlier pool that is broken."""
    return f"an earlier pool cannot be read and is passed over: {error}"


def latest_fault(link: Any, named: str | None = None, *, missing: bool = False) -> str:
    """What is wrong with the pointer to the last run."""
    state = "is missing" if missing else "cannot be read"
    if named is not None:
        state = f"names {named[:40]!r}, which is no run here"
    return f"{link} {state}: the youngest run is used"


def restriction(licences: Sequence[str | None]) -> str | None:
    """What is said where records of a run may not be used commercially."""
    if not any(map(is_restricted, licences)):
        return None
    return f"{RESTRICTED}: some of the records have a non-commercial licence"


def restored(store: Any, records: int) -> str:
    """A store that was filled again."""
    return f"{store} holds {records:,} records of the service"


def rebuilt(folder: Any, *, same: bool) -> str:
    """A pool that was built again."""
    return f"{folder} is the pool again, " + (
        "the same in every number" if same else "but its numbers differ: was it made by another version?"
    )


def changed_lines(document: Facts) -> list[str]:
    """What changed or went wrong, and nothing when nothing did."""
    lines = list(document["introducedNews"])
    for row in document["waters"]:
        lines += [f"{water(row)}: {change}: {', '.join(row[change])}" for change in CHANGES if row[change]]
        if row["fault"]:
            lines.append(f"{water(row)}: {STATES[row['state']]}: {row['fault']}")
    return [*lines, *(f"note: {note}" for note in document["notes"])]


def summary_lines(document: Facts) -> list[str]:
    """A run as a table of at most 100 columns, and what needs attention below it."""
    waters = document["waters"]
    width = min(32, max([5, *(len(row["name"]) for row in waters)]))
    lines = [
        f"{'water':<{width}}  {'state':<24}  {'recorded':>8}  {'gained':>6}  {'lost':>4}  {'moved':>5}  "
        "fetched"
    ]
    for row in waters:
        name = row["name"] if len(row["name"]) <= width else row["name"][: width - 1] + "…"
        recorded = "" if row["pool"] is None else str(row["pool"]["recorded"])
        lines.append(
            f"{name:<{width}}  {STATES[row['state']]:<24}  {recorded:>8}  {len(row['gained']):>6}  "
            f"{len(row['lost']):>4}  {len(row['moved']):>5}  {(row['fetched'] or 'never')[:10]}"
        )
    new = [row for row in waters if row["newIntroduced"]]
    lines += [f"{water(row)}: introduced, and new here: {', '.join(row['newIntroduced'])}" for row in new]
    lines += changed_lines(
        {**document, "introducedNews": [f"introduced: {x}" for x in document["introducedNews"]]}
    )
    further = [*document["aside"], document["restriction"]]
    return [*lines, *(f"note: {text}" for text in further if text)]


def summary_markdown(document: Facts) -> str:
    """A run as Markdown, to send in a mail."""
    lines = changed_lines(document) or [NO_NEWS]
    lines += [document["restriction"]] if document["restriction"] else []
    return "\n".join([f"# Pools of {document['day']}", "", *(f"- {line}" for line in lines), ""])


def comparison_lines(comparison: Comparison) -> list[str]:
    """A comparison for a terminal: each species that changed, with its causes."""
    causes: dict[str, list[Facts]] = {}
    for row in comparison.causes.to_pylist():
        causes.setdefault(row["scientificName"], []).append(row)
    name = comparison.name or "this water"
    lines = [f"{name}: {comparison.before.isoformat()} to {comparison.after.isoformat()}"]
    rows = comparison.changes.to_pylist()
    for row in (row for row in rows if row["change"] != "steady"):
        before, after = (
            "none" if row[key] is None else f"{row[key]:.2f}" for key in ("presenceBefore", "presenceAfter")
        )
        lines.append(
            f"{row['change']}: {row['scientificName']}  presence {before} → {after}, "
            f"records {row['recordsBefore']} → {row['recordsAfter']}"
        )
        for cause in causes.get(row["scientificName"], []):
            amount = "" if cause["logOdds"] is None else f"{cause['logOdds']:+.2f} log-odds: "
            lines.append(f"    {amount}{cause['words']}")
    steady = sum(row["change"] == "steady" for row in rows)
    lines.append(f"steady: {words.counted(steady, 'species', 'species')}")
    return [*lines, *(f"note: {note}" for note in comparison.notes)]
