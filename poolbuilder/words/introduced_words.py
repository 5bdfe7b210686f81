"""Every sentence about introduced species near many waters, made of facts."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from poolbuilder.words import UNKNOWN, counted, joined, licence, short

Facts = Mapping[str, Any]

CAUTIONS = (
    "Records may be wrong or old, and places may be wrong: verify before acting. Have the identification "
    "confirmed by somebody who knows the group, from a specimen or good photographs.",
    "Whether a species may be kept, moved, removed or must be reported is set by local law and the agency "
    "in charge, which this tool does not know: ask there first.",
    "Nothing here is advice on treatment or removal, and no list proves that a species is absent.",
    "Do not move live fish, and do not carry water, mud or gear from one water to another uncleaned.",
)
NO_STATUS = (
    "No source says what is native and what is introduced here: no range polygon, record or checklist "
    "speaks of it. Every species recorded is listed as unknown; nothing is guessed. Give range maps with "
    "--ranges, a table of region checklists with --region-list, or a checklist with establishmentMeans."
)
NOTHING_WITHIN_REACH = (
    "no kept record of a species of the checklist within reach: nothing is known there, which is not the "
    "same as nothing being there"
)
ONLY_FARTHER = "no record within the radius"

GRADES = {"sure": "sure", "likely": "likely", "toBeChecked": "to be checked"}
"""How sure a record is, in words."""
GRADE_REASONS = {
    "specimen": "a specimen is kept",
    "media": "there is a photograph or other media",
    "verified": "the identification was verified",
    "survey": "from a survey with a stated method",
    "noProof": "no specimen, photograph, verification or survey method is given",
    "keptFish": "the remarks name an aquarium, a market, a pond or a hatchery",
    "qualified": "the identification is qualified (cf., aff., ?)",
    "unverified": "the identification is not verified",
    "environmentalDna": "environmental DNA alone: no fish was seen",
    "obscured": "its place or details were made coarser or withheld before publication",
    "coarse": "its place is known to 10 km or worse",
    "undated": "it carries no date",
    "oldNewlyPublished": "the event is ten or more years old",
}
"""What speaks for or against a record, by code."""
NEWS = {
    "new-in-water": "new in the water",
    "new-near": "new near the water",
    "more-records": "further records of a species known there",
    "disputed": "sources disagree on whether it is native",
}
"""Kinds of news about an introduced species at a water."""
RESTRICTED = "not for commercial use"
_RESTRICTED = re.compile(r"by-nc|by_nc|non-?commercial", re.IGNORECASE)
_CONNECTED = {
    "upstream": "upstream of this water, so that fish can come down with it",
    "passable": "joined to this water by a passable way",
    "barrier": "joined to this water, past barriers",
}


def title(document: Facts) -> str:
    """What a run is called."""
    return f"Introduced species near {counted(len(document['waters']), 'water')} as of {document['asOf']}"


def grade_reasons(codes: Sequence[str]) -> str:
    """What speaks for or against a record."""
    return "; ".join(GRADE_REASONS[code] for code in codes)


def sureness(grade: str | None) -> str:
    """How sure a record is; unknown without one."""
    return GRADES.get(grade or "", UNKNOWN)


def news(kinds: Sequence[str]) -> str:
    """Kinds of news."""
    return joined([NEWS[kind] for kind in kinds])


def records(number: int, kind: str = "") -> str:
    """How many records."""
    return counted(number, f"{kind} record".strip())


def water(facts: Facts) -> str:
    """A water by its name, with its identifier and county where it has them."""
    further = [str(facts[name]) for name in ("locationID", "county") if facts.get(name)]
    return f"{facts['water']} ({', '.join(further)})" if further else str(facts["water"])


def species(row: Facts) -> str:
    """A species by both names."""
    name = str(row["scientificName"])
    return f"{name} ({row['vernacularName']})" if row["vernacularName"] else name


def distance(row: Facts) -> str:
    """How far the nearest record is."""
    return "in the water" if row["inWater"] else f"{row['nearestKm']:.1f} km away"


def record_line(item: Facts) -> str:
    """A deciding record in a line: when, who, how sure a place, which licence, where to read it."""
    unsure_m = item["coordinateUncertaintyInMeters"]
    parts = [item["eventDate"], item["recordedBy"], item["datasetName"]]
    parts += [] if unsure_m is None else [f"±{unsure_m:,.0f} m"]
    parts += [licence(item["license"])] if item["license"] else []
    parts += [item["link"] or item["occurrenceID"] or item["recordKey"]]
    return ", ".join(str(part) for part in parts if part)


# ------------------------------------------------------------------ how it comes


def way(direction: str | None, km: float | None, down_km: float | None, passability: float | None) -> str:
    """The way by water from the nearest record; empty when none is known or needed."""
    if km is None or direction in {None, "in the water"}:
        return ""
    text = f"{km:.1f} km along the stream network, {direction}"
    if direction == "downstream and up a branch":
        text = f"{km:.1f} km along the stream network, {down_km:.1f} km down and then up a branch"
    if passability is not None and passability < 1:
        text += f", past barriers of passability {passability:.2g}"
    return text


def leading_edge(front: Facts) -> str:
    """How the nearest record moved over the years."""
    first, last = front["years"][0], front["years"][-1]
    start, end, year = first["nearestKm"], last["nearestKm"], first["year"]
    speed, low, high = (front[f"speed{name}KmPerYear"] for name in ("", "Low", "High"))
    if front["trend"] == "arrived":
        return f"its first dated record, of {year}, is in the water itself"
    if speed is None:
        return f"dated records of {year} alone show no trend"
    if front["trend"] == "no nearer":
        return f"no nearer than {start:.1f} km since {year}"
    place = f"{end:.1f} km" if end else "in the water"
    moved = f"nearest record so far {start:.1f} km in {year}, {place} by {last['year']}"
    if low is None or high is None:
        return f"{moved}; sampling effort is unknown, so an approach and more sampling look alike"
    if front["trend"] == "approaching":
        return f"approaching by {speed:.1f} km a year ({low:.1f} to {high:.1f}): {moved}"
    return f"{moved}; too few earlier sampling events nearer the water to tell an approach from more sampling"


def arrival_reasons(row: Facts, connection: str, km: float | None, *, inside_range: bool) -> list[str]:
    """Why a species may be expected in a water."""
    reasons = []
    if km is not None:
        reasons.append(f"recorded {km:.1f} km away along the stream network, {_CONNECTED[connection]}")
    if row["nearestKm"] is not None:
        reasons.append(f"recorded {row['nearestKm']:.1f} km away in a straight line, as a trailer goes")
    if inside_range:
        reasons.append("its introduced range, as mapped, covers this water")
    if row["front"] is not None and row["front"]["trend"] in {"approaching", "no nearer"}:
        reasons.append(row["front"]["words"])
    return reasons if row["events"] else [*reasons, ONLY_FARTHER]


# ------------------------------------------------------------------ what is new


def compared(before: str | None, since: str | None) -> str:
    """What new means, as the end of a sentence."""
    parts = [] if before is None else [f"since the run of {before}"]
    parts += [] if since is None else [f"first recorded on or after {since}"]
    return " or ".join(parts)


def further_records(number: int, young: str) -> str:
    """Further records of a known species; *young* is ``first``, ``again`` or empty."""
    text = records(number, "further")
    ends = {"first": ", the first of young fish among them", "again": ", of young fish too", "": ""}
    return text + ends[young]


def gone(names: Iterable[str]) -> str:
    """A species without a record now; its records may have other names."""
    why = "its records were withdrawn, corrected or left out"
    if found := sorted(names):
        why = f"its records are identified as {', '.join(found)} now"
    return f"recorded near in the last run, not any more: {why}; that is no sign that the species is gone"


def note(row: Facts, said: Sequence[str]) -> str:
    """The note on a species, from what is new to what is doubtful."""
    parts: list[str | None] = [*said]
    if row["inWater"] and not any("in this water" in text for text in said):
        parts.append("recorded in this water")
    parts += [row["conflict"]]
    if row["establishmentSource"] == "unknown":
        parts.append("no source says whether it is native here")
    parts += [row["way"]]
    if row["front"] is not None and row["front"]["trend"] != "arrived":
        parts.append(row["front"]["words"])
    joined_up = "; ".join(filter(None, [*parts, row["remark"]]))
    return "; ".join(dict.fromkeys(joined_up.split("; ")))


# ------------------------------------------------------------------ of the whole run


def without_records(names: Sequence[str], waters: int) -> str:
    """Waters without any record within reach."""
    named = ", ".join(names[:5]) + (", …" if len(names) > 5 else "")
    return f"{len(names):,} of {waters:,} waters have {NOTHING_WITHIN_REACH} ({named})"


def is_restricted(licence: str | None) -> bool:
    """Whether a licence forbids commercial use."""
    return bool(_RESTRICTED.search(licence or ""))


def not_commercial(titles: Sequence[str]) -> str:
    """Data sets that may not be used commercially."""
    named = "; ".join(titles[:3]) + (f" and {len(titles) - 3:,} more" if len(titles) > 3 else "")
    return f"{RESTRICTED}: this rests on records under a non-commercial licence ({named})"


def findings(document: Facts) -> str:
    """What a run found, in one or two sentences."""
    waters = document["waters"]
    names = {row["scientificName"] for item in waters for row in item["introduced"]}
    near = sum(bool(item["introduced"]) for item in waters)
    if not names:
        return f"No species that a source calls introduced is recorded near {counted(len(waters), 'water')}."
    verb = "is" if len(names) == 1 else "are"
    found = (
        f"{len(names):,} introduced species {verb} recorded near {near:,} of {counted(len(waters), 'water')}"
    )
    if not (words := compared(document["previous"], document["since"])):
        return f"{found}. Nothing was given to compare with, so what is new is unknown."
    if not document["new"]:
        return f"Nothing is new {words}. {found}."
    return f"{headline(document)} {words}. {found}."


def headline(document: Facts) -> str:
    """In how many waters, and near how many, something is new."""
    new = [(item["number"], row["newIn"]) for item in document["waters"] for row in item["introduced"]]
    inside = {number for number, place in new if place == "water"}
    near = {number for number, place in new if place == "near"} - inside
    if not inside:
        return f"New near {counted(len(near), 'water')}"
    return f"New in {counted(len(inside), 'water')}" + (f", and near {len(near):,} more" if near else "")


def new_by_species(cards: Sequence[Facts], words: str) -> str:
    """What is new, species by species: each with the waters ``inside`` or ``near``."""
    said = []
    for card in cards[:6]:
        places = [place["water"] for place in card["inside"] or card["near"]]
        where = joined(places[:3]) + (" and more" if len(places) > 3 else "")
        said.append(f"{card['vernacular'] or card['name']} {'in' if card['inside'] else 'near'} {where}")
    more = f", and {len(cards) - 6:,} more species" if len(cards) > 6 else ""
    return f"New{'' if words.startswith('since') else ','} {words}: {'; '.join(said)}{more}."


HEADS = ("water", "introduced", "new", "expected", "unsettled", "nearest")
"""Columns of the table of waters in a terminal."""


def cells(facts: Facts) -> tuple[str, ...]:
    """A water in that table."""
    rows = facts["introduced"]
    nearest = min(rows, key=lambda row: row["nearestKm"], default=None)
    counts = (
        len(rows),
        sum(bool(row["isNew"]) for row in rows),
        len(facts["expected"]),
        len(facts["unsettled"]),
    )
    last = f"{short(nearest['scientificName'])}, {distance(nearest)}" if nearest else ""
    return (facts["water"], *map(str, counts), last)
