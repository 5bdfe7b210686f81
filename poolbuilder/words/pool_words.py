"""Every sentence on a pool: findings, doubts, the argument, pairs, how good it is, what changed."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from poolbuilder import tables, words

if TYPE_CHECKING:
    from poolbuilder.pool import Pool


LAYERS = {
    "ranges": "edge of a range map",
    "states": "boundary",
    "basins": "watershed",
    "outline": "outline of the water",
    "streams": "stream",
    "barriers": "barrier",
}
"""What a map draws, by layer."""

EVENT_KINDS = {"ambiguous": " (name may mean several species)", "hybrid": " (as parent of a hybrid)"}
"""What is said beside an event that names no single species."""


MOST_NAMED = 8

OLD_YEARS = 30
COARSE_SHARE = 0.25


def calibrated(pool: Pool) -> bool:
    """Whether presence is calibrated on surveys."""
    return pool.calibration is not None and pool.calibration.get("status") != "uncalibrated"


def presence_axis(*, intervals: bool) -> str:
    """What the bars of a picture show."""
    return "probability that the species lives in this water" + (
        ",\nwith its 90 % interval" if intervals else ""
    )


def has_data(pool: Pool) -> bool:
    """Whether any record, of a candidate or of another fish, lies within reach."""
    return bool(pool.evidence.num_rows or pool.counts.get("located", 0))


def findings(pool: Pool) -> str:
    """Which species could be parents, how many are recorded here, which pairs lead."""
    rows = pool.candidates.to_pylist()
    if not rows:
        return "The checklist has no species, so there is nothing to weigh."
    if not has_data(pool):
        return (
            "No record lies within reach of this water, so there is no list and no order of pairs. "
            f"{_known_status(rows)}"
        )
    likely = [row for row in rows if row["presence"] >= words.LIKELY]
    near = sum(row["tier"] in words.NEAR for row in rows)
    if not likely:
        recorded = "none" if not near else words.spelled(near)
        within = words.radius(pool.site.radius_km)
        return (
            f"None of the {words.spelled(len(rows))} species on the checklist reaches one chance in ten "
            f"here; {recorded} {'are' if near > 1 else 'is'} recorded within {within}. "
            "All stay on the list, for nothing proves absence."
        )
    named = [words.called(row) for row in likely[:MOST_NAMED]]
    if len(likely) > MOST_NAMED:
        named.append(f"{words.spelled(len(likely) - MOST_NAMED)} more")
    head = "Could be a parent here" if len(likely) == 1 else "Could be parents here"
    found = f"{head}: {words.joined(named)}. {_where(pool, likely).capitalize()}."
    pairs = _pairs_sentence(pool) if len(likely) > 1 and pool.crosses.num_rows else ""
    return f"{found} {pairs}".rstrip()


def _known_status(rows: Sequence[Mapping[str, Any]]) -> str:
    """What range maps and lists say where there is no record."""
    parts = []
    for means in ("native", "introduced"):
        names = sorted(words.called(row) for row in rows if row["establishmentMeans"] == means)
        if names:
            parts.append(f"{means} here: {words.joined(names)}")
    if not parts:
        return "Nothing given says which species are native here either."
    return f"Known without records: {'; '.join(parts)}."


def _where(pool: Pool, likely: list[dict[str, Any]]) -> str:
    here = sum(row["tier"] == "water" for row in likely)
    near = sum(row["tier"] in words.NEAR for row in likely)
    within = f"within {words.radius(pool.site.radius_km)}"
    if here == len(likely):
        return "all are recorded in the water itself" if here > 1 else "it is recorded in the water itself"
    if here:
        rest = near - here
        more = f", {words.spelled(rest)} more {within}" if rest else ""
        return (
            f"{words.spelled(here)} of them {'is' if here == 1 else 'are'} recorded in the water itself{more}"
        )
    if not near:
        return f"none is recorded {within}"
    verb = "is" if near == 1 else "are"
    if any(row["recordsInWater"] is not None for row in likely):
        return f"{words.spelled(near)} {verb} recorded {within}, none in the water itself"
    return f"{words.spelled(near)} {verb} recorded {within}"


def reason(row: Mapping[str, Any], radius_km: float) -> str:
    """Why a species stands where it stands, in one sentence, before any log-odds.

    Parameters
    ----------
    row : mapping
        A row of POOL.
    """
    last = f", the last of {row['lastYear']}" if row["lastYear"] is not None else ""
    all_of_them = f"{words.counted(row['records'], 'record')} in all{last}"
    if row["tier"] == "water" and row["recordsInWater"]:
        inside = words.counted(row["recordsInWater"], "record")
        only = row["recordsInWater"] == row["records"]
        return f"{inside} in this water{last}." if only else f"{inside} in this water; {all_of_them}."
    away = f"{words.kilometres(row['nearestKm'])} away"
    if row["tier"] == "connected":
        return f"Recorded in connected water, {away}; {all_of_them}."
    if row["tier"] in {"water", "radius"}:
        return f"Nearest record {away}; {all_of_them}."
    if row["tier"] == "beyond":
        return f"No record within {words.radius(radius_km)}; nearest {away}{last}."
    if row["tier"] == "range":
        return "Within its mapped range, but without a record."
    return "No record within reach and no mapped range here."


def unlikely(rows: Sequence[Mapping[str, Any]]) -> str:
    r"""The species below the line, in one sentence that keeps every name.

    Examples
    --------
    >>> unlikely([{"vernacularName": "warmouth", "scientificName": "Lepomis gulosus", "presence": 0.02}])
    'Unlikely, but not ruled out: warmouth 2\xa0%.'
    """
    named = [
        f"{row['vernacularName'] or row['scientificName']} {words.percent(row['presence'])}" for row in rows
    ]
    return f"Unlikely, but not ruled out: {', '.join(named)}."


def strongest_pairs(pool: Pool, most: int = 2) -> list[dict[str, Any]]:
    """The leading pairs of different species that together stand out; fewer when one alone does."""
    rows = [row for row in pool.crosses.slice(0, 8).to_pylist() if row["parent1"] != row["parent2"]]
    return [row for row in rows[:most] if row["weight"] >= 0.4 * rows[0]["weight"]]


def _pairs_sentence(pool: Pool) -> str:
    pairs = strongest_pairs(pool)
    if not pairs:
        return ""
    common = {row["scientificName"]: row["vernacularName"] for row in pool.candidates.to_pylist()}

    def name(pair: Mapping[str, Any]) -> str:
        first, second = (common.get(pair[side]) or pair[side] for side in ("parent1", "parent2"))
        return f"{first} × {second} ({words.percent(pair['weight'])})"

    lead = "Think first of the pair" if len(pairs) == 1 else "Think first of the pairs"
    return f"{lead} {words.joined([name(pair) for pair in pairs])}."


def doubts(pool: Pool) -> list[str]:
    """What could be wrong with the list, most important first."""
    return [*_record_doubts(pool), *_model_doubts(pool), *_source_doubts(pool)]


def _model_doubts(pool: Pool) -> list[str]:
    said = [] if pool.calibration is None or calibrated(pool) else [f"{calibration(pool)[1]}."]
    if pool.completeness is None:
        said.append(f"{NO_LIST.capitalize()}: what is said rests on the waters around.")
    elif not well_known(pool.completeness):
        said.append(f"{completeness(pool.completeness)}.")
    by_type = pool.counts.get("byWaterType")
    return [*said, f"{type_unknown(by_type)}."] if by_type else said


def _source_doubts(pool: Pool) -> list[str]:
    said = []
    classes = set(tables.strings(pool.status["rangeClass"]))
    if classes <= {"no_map"}:
        given = {str(source) for source in tables.strings(pool.candidates["establishmentSource"])}
        rests = words.joined([words.RESTS[source] for source in words.RESTS if source in given])
        said.append(
            f"No range map was given: native or introduced rests on {rests} alone."
            if rests
            else "No source states which species are native here: give range maps or a list of the region."
        )
    if not pool.features.get("outline"):
        said.append(
            "No outline of the water was given: what lies within a kilometre of the site counts as in it."
        )
    if not pool.evidence.num_rows:
        said.append("No record within reach: nothing but range maps and lists is known.")
    return said


def _portion(share: float) -> str:
    return "All" if share == 1 else f"{min(99, round(100 * share))} %"


def unread_dates(found: Mapping[str, Any]) -> str:
    """How many dates could not be read, and such as which.

    Examples
    --------
    >>> unread_dates({"records": 412, "dated": 536, "example": "4/20/2017"})
    "412 of 536 dates could not be read, such as '4/20/2017'"
    """
    return f"{found['records']:,} of {found['dated']:,} dates could not be read, such as {found['example']!r}"


def _record_doubts(pool: Pool) -> list[str]:
    unread = pool.counts.get("unreadDates")
    said = [f"{unread_dates(unread)}: such records count as undated."] if unread else []
    if not pool.evidence.num_rows:
        return said
    age = tables.numbers(pool.evidence["ageYears"])
    undated, old = float(np.isnan(age).mean()), float((np.nan_to_num(age) >= OLD_YEARS).mean())
    if undated > 0.5:
        said.append(f"{_portion(undated)} of the events have no date: their age is unknown.")
    if old > 0.5:
        said.append(f"{_portion(old)} of the events are {OLD_YEARS} years old or older: waters change.")
    unsure = tables.numbers(pool.evidence["coordinateUncertaintyInMeters"]) / 1000
    coarse = unsure > COARSE_SHARE * pool.site.radius_km
    if coarse.mean() > 0.1:
        said.append(
            f"{_portion(float(coarse.mean()))} of the events have a coordinate uncertainty above "
            f"{COARSE_SHARE * pool.site.radius_km:.0f} km; they count only as far as they may lie "
            "within the radius."
        )
    coarser = int(pool.counts.get("generalised") or 0)
    if coarser:
        records = words.counted(coarser, "record within reach was", "records within reach were")
        said.append(
            f"{records} generalised, or held back in part, by the source before publication: do not try "
            "to place them better."
        )
    counts = pool.counts.get("rejected") or {}
    rejected, read = sum(counts.values()) - counts.get("absent", 0), int(pool.counts.get("read", 0))
    if read and rejected / read > 0.25:
        said.append(
            f"{_portion(rejected / read)} of the records read were left out; the fine print says by "
            "which rule."
        )
    return said


def where_and_when(pool: Pool) -> str:
    """Place, radius and day, in one line."""
    site = pool.site
    return f"{words.degrees(site)}, within {words.radius(site.radius_km)}, as of {words.day(pool.as_of)}"


def heading(pool: Pool) -> str:
    """The water with its place, radius and day, in one line."""
    return f"{pool.site.name}, {where_and_when(pool)}" if pool.site.name else where_and_when(pool)


def record_counts(pool: Pool) -> str:
    """How many records were read, kept and near."""
    counts = pool.counts
    extra = []
    if counts.get("targetGroup"):
        extra.append(f"{counts['targetGroup']:,} of other fishes, which show the sampling effort")
    if counts.get("hybrids"):
        extra.append(f"{counts['hybrids']:,} of hybrids")
    if counts.get("far"):
        extra.append(f"{counts['far']:,} beyond reach")
    among = f" ({'; '.join(extra)})" if extra else ""
    near = f"{counts.get('withinRadius', 0):,} within {words.radius(pool.site.radius_km)}"
    if counts.get("elsewhere"):
        near += f"; {counts['elsewhere']:,} more in the store, far away or without a place"
    return f"read {counts.get('read', 0):,} records, kept {counts.get('kept', 0):,}{among}; {near}"


def rejected_counts(pool: Pool) -> str:
    """How many records each rule rejected."""
    rejected = pool.counts.get("rejected") or {}
    if not rejected:
        return "rejected none"
    ordered = sorted(rejected.items(), key=lambda item: (-item[1], item[0]))
    listed = ", ".join(f"{key.replace('_', ' ')} {count:,}" for key, count in ordered)
    return f"rejected {sum(rejected.values()):,}: {listed}"


def mended_names(pool: Pool) -> list[str]:
    """Names that were read in spite of their spelling, and names that disagree; the first ten of each."""
    lines = []
    for key, title in (
        ("mendedNames", "misspelt names that were mended"),
        (
            "disagreeingNames",
            "scientific and vernacular names that disagree, the scientific one taken in doubt",
        ),
    ):
        rows = pool.counts.get(key) or []
        listed = [
            f"{row['given']} as {' or '.join(row['readAs']) or 'another fish'} ({row['records']:,})"
            for row in rows[:10]
        ]
        more = f" and {len(rows) - 10} more" if len(rows) > 10 else ""
        lines += [f"{title}: {', '.join(listed)}{more}"] if rows else []
    return lines


def unknown_names(pool: Pool, most: int = 5) -> list[str]:
    """Names of a listed genus that are not on the checklist, the most frequent."""
    names = pool.counts.get("unknownNames") or {}
    listed = ", ".join(
        f"{key or '(empty)'} ({count:,})"
        for key, count in sorted(names.items(), key=lambda item: (-item[1], item[0]))[:most]
    )
    return [f"names of a listed genus that are not on the checklist: {listed}"] if names else []


# -- the argument ------------------------------------------------------------------------

ARGUMENT = {
    "status": "Status",
    "wide": "Region",
    "near": "Surroundings",
    "waterType": "Type of water",
    "community": "Fish community",
    "found": "This water",
    "notDetected": "This water",
    "statement": "Statement",
    "time": "This water",
}
"""Steps of the argument, by the key that the tables carry."""


def genus_only(genus: str, records: int) -> str:
    """What records say that name a genus of the list and no species.

    Examples
    --------
    >>> genus_only("Lepomis", 1)
    '1 record here names Lepomis only, which speaks for all its species together'
    """
    verb, speak = ("names", "speaks") if records == 1 else ("name", "speak")
    said = f"{words.counted(records, 'record')} here {verb} {genus} only"
    return f"{said}, which {speak} for all its species together"


def argument(step: Mapping[str, Any]) -> str:  # noqa: PLR0911 (one line a kind of step)
    """One step of the argument in words, from its facts.

    Examples
    --------
    >>> argument({"part": "near", "detected": 12, "sampled": 40, "withinKm": 40.0})
    'detected at 12 of 40 sampling sites within 40 km, near ones counting most'
    >>> argument({"part": "notDetected", "events": 2, "year": 1998})
    'not detected by 2 sampling events of 1998 in this water'
    """
    part = step["part"]
    if part == "status":
        return words.status_argument(step["status"], str(step["drawn"]))
    if part in {"wide", "near"}:
        return _sites_words(step)
    if part == "waterType":
        return "lakes and ponds hold other sunfishes than streams and rivers"
    if part == "community":
        return _companion_words(step)
    if part == "time":
        return f"years passed until {step['year']}: fish arrive and vanish"
    events = words.counted(int(step["events"]), "sampling event")
    if part == "statement":
        return f"{step.get('source') or 'somebody'} ({step['year']})"
    made = f"{events} of {step['year']} in this water"
    return f"found by {made}" if part == "found" else f"not detected by {made}"


def _sites_words(step: Mapping[str, Any]) -> str:
    if not step.get("sampled"):
        return f"no sampling site within {step['withinKm']:g} km that was looked at"
    near = ", near ones counting most" if step["part"] == "near" else ""
    sites = words.counted(int(step["sampled"]), "sampling site")
    number = f"{step['sampled']:,} sampling sites" if step["sampled"] > 1 else sites
    return f"detected at {step['detected']:,} of {number} within {step['withinKm']:g} km{near}"


def _companion_words(step: Mapping[str, Any]) -> str:
    said = words.counted(int(step["events"]), "co-occurring fish", "co-occurring fishes")
    if step.get("evidenceFor"):
        said += f"; for it: {', '.join(step['evidenceFor'])}"
    if step.get("evidenceAgainst"):
        said += f"; against it: {', '.join(step['evidenceAgainst'])}"
    return said


def not_seen(steps: Sequence[Mapping[str, Any]]) -> str:
    """Non-detections in a row and the years that passed between them, as one step.

    Examples
    --------
    >>> missed = {"part": "notDetected", "events": 2, "year": 1998}
    >>> later = {"part": "time", "year": 2004}
    >>> not_seen([missed, later, {"part": "notDetected", "events": 1, "year": 2004}])
    'not detected by 3 sampling events of 1998–2004 in this water, while years passed'
    >>> not_seen([missed, later])
    'not detected by 2 sampling events of 1998 in this water, while years passed'
    >>> not_seen([later, {"part": "time", "year": 2026}])
    'years passed until 2026: fish arrive and vanish'
    """
    missed = [step for step in steps if step["part"] == "notDetected"]
    if not missed:
        return argument(steps[-1])
    events = words.counted(sum(step["events"] for step in missed), "sampling event")
    said = f"not detected by {events} of {words.years(missed[0]['year'], missed[-1]['year'])} in this water"
    return said if len(missed) == len(steps) else f"{said}, while years passed"


def settling(row: Mapping[str, Any]) -> str:
    r"""What would settle it: the presence after one more complete list, and how many lists rule it out.

    Empty for a pool of an earlier version, which does not know.

    Examples
    --------
    >>> said = settling({"presenceIfFound": 0.93, "presenceIfMissed": 0.31, "listsToRuleOut": 4})
    >>> said.partition("; ")[2]
    'below 5 % after 4 lists that miss it.'
    >>> settling({"presenceIfFound": None, "presenceIfMissed": None, "listsToRuleOut": None})
    ''
    """
    if row["presenceIfFound"] is None or row["presenceIfMissed"] is None:
        return ""
    found, missed = words.percent(row["presenceIfFound"]), words.percent(row["presenceIfMissed"])
    said = f"One more complete list of this water: {found} if it finds the species, {missed} if it does not"
    lists = row["listsToRuleOut"]
    if lists is None:
        return f"{said}; fifty lists that miss it would not bring it below 5 %."
    if lists > 1:
        return f"{said}; below 5 % after {words.counted(lists, 'list')} that miss it."
    return f"{said}."


NO_SITES = "no sampling site around was looked at: the list rests on status alone"
ONLY_CANDIDATES = (
    "no record of other fishes here: sampling effort is known only from the {sites:,} sites of the "
    "candidates, and how many sites hold none of them is estimated"
)
LOOKED = (
    "learnt from {sites:,} sampling sites around; an event names {share} of what can be found, on average"
)
COMMUNITY_KNOWN = "the co-occurring species of this water are known and count for and against candidates"
COMMUNITY_UNKNOWN = (
    "no list of other fishes from this water, or too few around it: its fish community is unknown"
)


def type_unknown(rows: Sequence[tuple[str, float, float]]) -> str:
    """What each type of water would mean: species, presence in a lake or pond, in a stream or river."""
    each = ", ".join(
        f"{name} {words.percent(still)} or {words.percent(running)}" for name, still, running in rows[:5]
    )
    return (
        "The type of water is unknown (give --water-type); as a lake or pond, or as a stream or river: "
        f"{each}"
    )


# -- what a careful colleague would add --------------------------------------------------


FEW_LISTS, GOOD_COVERAGE = 5, 0.9
NO_LIST = "no list of the fishes of this water is known"


def well_known(found: Mapping[str, Any]) -> bool:
    """Whether the lists made in a water are enough to tell that a species not on them is rare or absent."""
    return (
        found["events"] >= FEW_LISTS and found["coverage"] is not None and found["coverage"] >= GOOD_COVERAGE
    )


def completeness(found: Mapping[str, Any]) -> str:
    """How well the fishes of a water are known, from the lists made in it.

    Examples
    --------
    >>> completeness({"events": 1, "firstYear": 2011, "lastYear": 2011, "coverage": None})
    '1 list of the fishes of this water (2011): too few to tell that a species not on it is absent'
    """
    lists = words.counted(found["events"], "list") + " of the fishes of this water"
    if found["firstYear"] is not None:
        lists += f" ({words.years(found['firstYear'], found['lastYear'])})"
    share = found["coverage"]
    if share is None or found["events"] < FEW_LISTS:
        them = "it" if found["events"] == 1 else "them"
        return f"{lists}: too few to tell that a species not on {them} is absent"
    known = "a species not on them is probably rare or absent"
    more = "species that live here are still being added"
    return f"{lists}, coverage {words.percent(share)}: {known if well_known(found) else more}"


_TIER_NOTES = {
    "range": "no record within reach; listed because a range polygon covers the water",
    "none": "no evidence for it; kept because nothing proves absence",
    "beyond": "recorded only beyond the radius",
}


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
    said = [_TIER_NOTES.get(facts["tier"], "")]
    if facts.get("undated"):
        said.append("its records carry no date")
    if facts.get("notSince"):
        said.append(f"not recorded since {facts['notSince']}")
    if facts.get("coarse"):
        said.append("the coordinates of every record near are uncertain")
    if facts.get("byWaterKm"):
        over_land, by_water = words.kilometres(facts["overLandKm"]), words.kilometres(facts["byWaterKm"])
        said.append(f"its nearest record is {over_land} away over land, {by_water} along the stream network")
    if facts.get("single"):
        said.append("rests on a single record")
    if facts.get("ambiguous"):
        said.append(
            f"{words.counted(facts['ambiguous'], 'record')} under a name that may mean another species too"
        )
    return "; ".join(text for text in said if text)


# -- pairs of parents --------------------------------------------------------------------

PAIR_CAUTION = "A prior from presence alone: parents that share a drainage meet more often than this says."


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
        return f"{next(iter(known.values()))} in both directions"
    said = [f"{_way(mother, list(ways))} {found}" for mother, found in known.items()]
    return "; ".join(said) or (f"{undirected}, direction unknown" if undirected else words.UNKNOWN)


def known_of_pair(row: Mapping[str, Any]) -> str:
    """What is known of a pair, in a few words.

    Examples
    --------
    >>> known_of_pair({"documented": True, "viability": "unknown", "hybridRecords": 1})
    'documented in nature; 1 hybrid record within reach'
    """
    said = ["documented in nature"] if row["documented"] else []
    said += [row["viability"]] if row["viability"] not in {None, "", words.UNKNOWN} else []
    if row["hybridRecords"]:
        said.append(f"{words.counted(row['hybridRecords'], 'hybrid record')} within reach")
    return "; ".join(said) or "no source on file"


def pair_note(statements: Sequence[Any], *, factor: float, least: float, records: int) -> str:
    """The sources of what is said of a pair, and its caution."""
    notes = [] if statements else ["No source on file names this pair; that does not make it unlikely."]
    if factor < 1:
        lowest = ", the least that any pair gets" if factor == least else ""
        notes.append(f"Factor {factor:g} for the directions that fail{lowest}.")
    if records:
        verb = "names" if records == 1 else "name"
        notes.append(f"{words.counted(records, 'hybrid record')} within reach {verb} both parents.")
    if statements:
        said = "; ".join(_cited(each) for each in statements)
        notes.append(f"{said[:1].upper()}{said[1:]}.")
    return " ".join([*notes, PAIR_CAUTION])


def _cited(each: Any) -> str:
    """One statement on a cross with its source."""
    direction = _way(each.mother, each.parents) if each.mother in each.parents else ""
    said = ", ".join(part for part in (each.origin, direction, each.words) if part)
    return f"{said} [{each.source}]"


def pure_note(share: float) -> str:
    """What is said of a species beside the pairs."""
    return f"The species itself, not a hybrid; hybrids share {share:g} of the weight (f1Share)."


# -- how good the probabilities are ------------------------------------------------------

UNCALIBRATED = "not calibrated on surveys of this region"
"""What is said wherever presence was not measured on surveys around here."""


def calibration(pool: Pool) -> tuple[str, str]:
    """How presence is calibrated: in a few words, and in a sentence or two."""
    found = pool.calibration
    if found is None:
        return UNCALIBRATED, (
            "The constants that come with the package were fitted to public surveys of running and still "
            "waters. How good the probabilities are around here is unknown: `poolbuilder calibrate` measures "
            "it on surveys of the region."
        )
    sentence = str(found.get("words") or "The model was fitted to surveys.")
    return str(found.get("title") or "fitted to surveys"), f"{sentence[:1].upper()}{sentence[1:]}"


METHODS = {
    "model": "model, the water's fish community known",
    "withoutCommunity": "model, fish community unknown",
    "prevalence": "prevalence",
    "anyRecord": "any record within reach",
    "recordShare": "share of records",
    "nearestDistance": "distance to the nearest record",
    "occupancyShare": "share of sampling sites",
    "kernelShare": "kernel-weighted share",
}
"""What was scored: the model, and plain answers to the same question."""


def calibration_scores(surveys: str, sites: int, card: Mapping[str, Any] | None) -> str:
    """What a pool says of the surveys that its constants were scored on; without scores they were too few."""
    if card is None:
        return f"{UNCALIBRATED}: {words.counted(sites, 'surveyed water')} of {surveys} are too few to tell"
    model, base = card["model"], card["baselines"]["prevalence"]
    return (
        f"scored on {sites:,} surveyed waters of {surveys} that it had not seen: Brier {model['brier']:.3f} "
        f"(prevalence alone {base['brier']:.3f}), expected calibration error {model['ece']:.3f}"
    )


def ways(scores: Mapping[str, Any]) -> str:
    """Whether distance along the stream network predicts better than straight distance.

    Parameters
    ----------
    scores : mapping
        The part ``byWater`` of scores.json.
    """

    def gained(name: str) -> str:
        estimate, low, high = scores["gain"][name]
        return f"{estimate:+.4f} (90 % interval {low:+.4f} to {high:+.4f})"

    off = scores["unsnapped"]
    placed = (
        f"{scores['snapped']:,} of {scores['snapped'] + off:,} surveyed waters stand on the stream network"
    )
    placed += f"; {off:,} lie near no flow line and keep their straight distance" if off else ""
    helps = (
        f"Distance along the stream network helps; the fitted divideFactor is {scores['divideFactor']:g}"
        if scores["helps"]
        else "Distance along the stream network: no gain that stands clear of 0; divideFactor is kept"
    )
    return (
        f"{helps}. Brier {scores['byWater']['brier']:.4f} along it against {scores['straight']['brier']:.4f} "
        f"in a straight line, a gain of {gained('brier')}, in log loss of {gained('logLoss')}. {placed}."
    )


# -- what changed ------------------------------------------------------------------------

CAUSES = {
    "withdrawn": "records withdrawn or re-identified",
    "new": "new records",
    "edited": "records corrected at their source",
    "status": "status or range maps changed",
    "surroundings": "what was found at the sampling sites around changed",
    "community": "the co-occurring species of the water changed",
    "time": "everything is older now",
    "settings": "settings changed",
    "place": "the place or radius changed",
    "layers": "outline, basins, streams or barriers changed",
    "version": "another version of poolbuilder",
    "checklist": "the checklist changed",
}
"""Causes of a change, by the key that the tables carry."""


def cause(key: str, records: int | None, *, added: bool, facts: Mapping[str, Any]) -> str:
    """A cause in words, with what is known of its records."""
    if key == "checklist":
        return "on the checklist now, not before" if added else "on the checklist before, not now"
    if key == "new" and records is not None:
        return _new_records(records, facts)
    if key == "withdrawn" and records is not None:
        return "; ".join(
            _fate(fate, count) for fate, count in sorted(facts.items(), key=lambda one: (-one[1], one[0]))
        )
    return CAUSES[key]


def _new_records(records: int, facts: Mapping[str, Any]) -> str:
    owners = sorted(facts["owners"].items(), key=lambda one: (-one[1], one[0]))
    said = f"{words.counted(records, 'new record')} in {words.counted(facts['events'], 'event')}"
    said += ": " + ", ".join(f"{name} {count:,}" for name, count in owners[:3])
    if len(owners) > 3:
        said += f", and {words.counted(len(owners) - 3, 'other')}"
    if facts["inWater"]:
        said += "; some in this water"
    elif facts["nearestKm"] is not None:
        said += f"; nearest {facts['nearestKm']:.1f} km away"
    if facts["years"]:
        said += ", " + words.years(facts["years"][0], facts["years"][-1])
    for name, count in sorted(facts["before"].items()):
        said += f"; {words.counted(count, 'record')} re-identified, before {name}"
    return said


def _fate(fate: str, count: int) -> str:
    kind, _, what = fate.partition(":")
    told = {"gone": "no longer among the records", "reidentified": f"re-identified as {what}"}
    return f"{words.counted(count, 'record')} {told.get(kind, f'rejected now ({what})')}"


def differences(
    *,
    apart_km: float,
    radii: tuple[float, float],
    dates: tuple[datetime.date, datetime.date],
    settings: Mapping[str, tuple[Any, Any]],
    inputs: Sequence[str],
    versions: tuple[str, str],
) -> list[str]:
    """What differs between two pools besides their records."""
    notes = []
    if apart_km > 0:
        notes.append(f"the place moved by {apart_km:.3g} km")
    if radii[0] != radii[1]:
        notes.append(f"the radius was {radii[0]:g} km and is {radii[1]:g} km")
    if dates[1] < dates[0]:
        notes.append(f"the second pool is the older one: {dates[1]} before {dates[0]}")
    notes += [
        f"setting {name} was {words.plain(was)} and is {words.plain(now)}"
        for name, (was, now) in settings.items()
    ]
    notes += [f"{kind}: other files or other contents than before" for kind in inputs]
    if versions[0] != versions[1]:
        notes.append(f"built by version {versions[0]} before, by {versions[1]} now")
    return notes


def time_taken(seconds: Mapping[str, float]) -> str:
    """Where the time of a run went, the longest first.

    Examples
    --------
    >>> time_taken({"reading": 0.25, "weighing": 1.5})
    'weighing 1.5 s, reading 0.2 s'
    """
    longest = sorted(seconds.items(), key=lambda item: -item[1])
    return ", ".join(f"{name} {taken:.1f} s" for name, taken in longest)
