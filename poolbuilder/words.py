"""Every sentence that a person reads of a pool: numbers, terms, findings, doubts and cautions."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from poolbuilder import tables
from poolbuilder.places.sites import Site

if TYPE_CHECKING:
    from poolbuilder.pool import Pool
    from poolbuilder.status.decision import Establishment
    from poolbuilder.status.statements import Statement

MINUS = "\N{MINUS SIGN}"
DASH = "\N{EN DASH}"
UNKNOWN = "unknown"

_SMALL = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
_MEANS = {
    "native": "native",
    "nativeReintroduced": "native, reintroduced",
    "introduced": "introduced",
    "introducedAssistedColonisation": "introduced on purpose to save it",
    "vagrant": "vagrant",
    "uncertain": "unknown",
}
_SOURCES = {
    "polygon": "range map",
    "record": "its records",
    "checklist": "checklist",
    "agency": "the agency's list",
    "region": "list of the region",
    "shipped": "table of the package",
}
_RESTS = {
    "agency": "the agency's list",
    "region": "lists of regions",
    "record": "the terms of records",
    "checklist": "the species list",
    "shipped": "the table of the package",
}


def spelled(number: int) -> str:
    """A count as it reads in a sentence: words up to twelve, then digits.

    Examples
    --------
    >>> spelled(7), spelled(0), spelled(1204)
    ('seven', 'no', '1,204')
    """
    return _SMALL[number] if 0 <= number < len(_SMALL) else f"{number:,}"


def counted(number: int, one: str, many: str | None = None) -> str:
    """A count with its noun.

    Examples
    --------
    >>> counted(1, "record"), counted(2310, "record"), counted(0, "species", "species")
    ('1 record', '2,310 records', '0 species')
    """
    noun = one if number == 1 else (many or one + "s")
    return f"{number:,} {noun}"


def percent(share: float | None) -> str:
    r"""A probability for reading: whole per cent, never a bare 0 or 100.

    Examples
    --------
    >>> percent(0.934), percent(0.002), percent(0.9991), percent(None)
    ('93\xa0%', '<\xa01\xa0%', '>\xa099\xa0%', 'unknown')
    """
    if share is None or math.isnan(share):
        return UNKNOWN
    share = round(share, 6)
    if share < 0.01:
        return "<\N{NO-BREAK SPACE}1\N{NO-BREAK SPACE}%"
    if share > 0.99:
        return ">\N{NO-BREAK SPACE}99\N{NO-BREAK SPACE}%"
    return f"{100 * share:.0f}\N{NO-BREAK SPACE}%"


def interval(low: float | None, high: float | None) -> str:
    r"""A 90 % interval for reading, or an empty text when there is none.

    Examples
    --------
    >>> interval(0.62, 0.91), interval(0.002, 0.997), interval(0.994, 0.997), interval(None, 0.4)
    ('62–91\xa0%', '<1 to >99\xa0%', '>\xa099\xa0%', '')
    """
    if low is None or high is None or math.isnan(low) or math.isnan(high):
        return ""
    ends = ["<1" if end < 0.01 else ">99" if end > 0.99 else f"{100 * end:.0f}" for end in (low, high)]
    if ends[0] == ends[1]:
        return percent(low)
    if ends == ["99", ">99"]:
        return "\N{GREATER-THAN OR EQUAL TO}\N{NO-BREAK SPACE}99\N{NO-BREAK SPACE}%"
    between = DASH if ends[0][0] != "<" and ends[1][0] != ">" else " to "
    return f"{ends[0]}{between}{ends[1]}\N{NO-BREAK SPACE}%"


def kilometres(distance: float | None) -> str:
    r"""A distance for reading; finer the nearer.

    Examples
    --------
    >>> kilometres(0.0), kilometres(3.27), kilometres(41.6), kilometres(None)
    ('0\xa0km', '3.3\xa0km', '42\xa0km', '–')
    """
    if distance is None or math.isnan(distance):
        return DASH
    if distance < 0.005:
        return "0\N{NO-BREAK SPACE}km"
    digits = 2 if distance < 1 else 1 if distance < 10 else 0
    return f"{distance:,.{digits}f}\N{NO-BREAK SPACE}km"


def day(date: datetime.date) -> str:
    """A date as it reads in a sentence, whatever the locale.

    Examples
    --------
    >>> day(datetime.date(2026, 6, 1))
    '1 June 2026'
    """
    return f"{date.day} {_MONTHS[date.month - 1]} {date.year}"


def years(first: int | None, last: int | None) -> str:
    """A span of years, or a dash when no year is known.

    Examples
    --------
    >>> years(1961, 2019), years(2003, 2003), years(None, None)
    ('1961–2019', '2003', '–')
    """
    if first is None or last is None:
        return DASH
    return str(first) if first == last else f"{first}{DASH}{last}"


def signed(change: float, *, digits: int = 1) -> str:
    """A change in log-odds with its sign.

    Examples
    --------
    >>> signed(1.84), signed(-0.5), signed(0.001)
    ('+1.8', '−0.5', '0.0')
    """
    size = f"{abs(change):.{digits}f}"
    sign = "" if float(size) == 0 else "+" if change > 0 else MINUS
    return f"{sign}{size}"


def tier(key: str, radius_km: float) -> str:
    """The strongest kind of evidence, in words.

    Examples
    --------
    >>> tier("water", 40), tier("radius", 40.2336)
    ('recorded in this water', 'recorded within 40.2 km')
    """
    return {
        "water": "recorded in this water",
        "connected": "recorded in connected water",
        "radius": f"recorded within {radius_km:g} km"
        if radius_km == round(radius_km)
        else f"recorded within {radius_km:.1f} km",
        "beyond": "recorded only beyond the radius",
        "range": "range map only, no record",
        "none": "no evidence for it",
    }.get(key, key)


def tier_short(key: str, radius_km: float) -> str:
    """The same in a few words, under a heading that says evidence.

    Examples
    --------
    >>> tier_short("water", 40), tier_short("radius", 40)
    ('in this water', 'within 40 km')
    """
    words = {"range": "range map only", "none": "none"}
    return words.get(key) or tier(key, radius_km).removeprefix("recorded ")


def status(row: Mapping[str, Any], *, sourced: bool = True) -> str:
    """Native or introduced for a row of candidates, with who says so.

    A species that the shipped table has as introduced, and that no record shows near the water, is called
    not native: the table says as much of fishes that nobody reported there.

    Examples
    --------
    >>> status({"establishmentMeans": "introduced", "establishmentSource": "record"})
    'introduced (its records)'
    >>> row = {"establishmentMeans": "introduced", "establishmentSource": "shipped", "tier": "none"}
    >>> status(row), status(row, sourced=False)
    ('not native (table of the package)', 'not native')
    """
    means, source = row["establishmentMeans"], row["establishmentSource"]
    if not means or means == "unknown":
        return UNKNOWN
    words = _MEANS.get(means, means)
    if (means, source) == ("introduced", "shipped") and row.get("tier") in {"none", "range", "beyond"}:
        words = "not native"
    return f"{words} ({_SOURCES[source]})" if sourced and source in _SOURCES else words


def plain(value: Any) -> str:
    """A setting or a fact for reading.

    Examples
    --------
    >>> plain(True), plain(None), plain(2500.0), plain(0.123456), plain("mdy")
    ('yes', 'unknown', '2,500', '0.1235', 'mdy')
    """
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: UNKNOWN}[value]
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 1000 and value == round(value) else f"{value:.4g}"
    return f"{value:,}" if isinstance(value, int) else str(value)


def source(key: str) -> str:
    """Who says whether a species is native, in a few words; empty where nobody does."""
    return _SOURCES.get(key, "")


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


def events_shown(count: int, shown: int, *, weighty: bool) -> str:
    """Which events of a species stand in a list.

    Examples
    --------
    >>> events_shown(1, 1, weighty=True), events_shown(3, 3, weighty=True), events_shown(40, 5, weighty=True)
    ('1 event', '3 events, the weightiest first', 'The 5 weightiest of 40 events')
    """
    said, how = counted(count, "event"), "weightiest" if weighty else "nearest"
    if count == 1:
        return said
    said = f"{said}, the {how} first" if shown == count else f"The {shown} {how} of {said}"
    return said if weighty else f"{said}; they count together, among the sampling sites around the water"


def uncertainty(metres: float | None) -> str:
    r"""The uncertainty of coordinates for reading.

    Examples
    --------
    >>> uncertainty(112.4), uncertainty(10000), uncertainty(None)
    ('110 m', '10 km', 'unknown')
    """
    if metres is None or math.isnan(metres):
        return UNKNOWN
    if metres >= 1000:
        return kilometres(metres / 1000)
    return f"{float(f'{metres:.2g}'):g}\N{NO-BREAK SPACE}m"


def licence(text: str | None) -> str:
    """A licence by its usual short name, when its address is one of Creative Commons.

    Examples
    --------
    >>> licence("http://creativecommons.org/licenses/by-nc/4.0/legalcode"), licence(None)
    ('CC BY-NC 4.0', 'not stated')
    >>> licence("CC_BY_4_0"), licence("http://creativecommons.org/publicdomain/zero/1.0/")
    ('CC BY 4.0', 'CC0 1.0')
    """
    if not text:
        return "not stated"
    found = re.search(r"creativecommons\.org/(?:licenses|publicdomain)/([a-z-]+)/(\d\.\d)", text.lower())
    if found is None:
        found = re.fullmatch(r"cc_?(by(?:_nc)?|0)_(\d_\d)", text.lower())
    if found is None:
        return text
    kind = {"zero": "CC0", "0": "CC0", "mark": "Public Domain Mark"}.get(found[1])
    version = found[2].replace("_", ".")
    return f"{kind or 'CC ' + found[1].replace('_', '-').upper()} {version}"


def degrees(site: Site) -> str:
    """Latitude and longitude as people write them.

    Examples
    --------
    >>> degrees(Site(longitude=-79.021, latitude=35.75))
    '35.7500° N, 79.0210° W'
    """
    north = "N" if site.latitude >= 0 else "S"
    east = "E" if site.longitude >= 0 else "W"
    return f"{abs(site.latitude):.4f}° {north}, {abs(site.longitude):.4f}° {east}"


def place(site: Site) -> str:
    """The water's name, or its coordinates when it has none."""
    return site.name or degrees(site)


def joined(words: Sequence[str]) -> str:
    """A list as it reads in a sentence.

    Examples
    --------
    >>> joined(["a", "b", "c"]), joined(["a"]), joined([])
    ('a, b and c', 'a', '')
    """
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " and " + words[-1]


KM_PER_MILE = 1.609344
MOST_NAMED = 8
FISH_CAUTIONS = (
    "Without DNA this is an argued guess: looks and counts cannot prove a cross, and later crosses look "
    "like anything.",
    "Ask for a second opinion before the name is used: this page is made to be sent along.",
    "Wet hands, seconds out of the water, no pulling on fins, gills or jaws; what takes longer is left "
    "undone.",
    "Let a fish go only where it was caught, and move no live fish between waters.",
    "Catching, handling, keeping and killing fish are ruled by local law and permits; protected species "
    "come first.",
)
CAUTION = "No list proves absence, and no hybrid is certain without DNA; do not move live fish."

LIKELY = 0.1
"""Presence from which the summary counts a species: one chance in ten."""

NEAR = frozenset({"water", "connected", "radius"})
"""Tiers of species recorded within the radius."""

OLD_YEARS = 30
COARSE_SHARE = 0.25

CAUTIONS = (
    "Nothing here proves that a species is absent: no record often means that nobody looked.",
    "A hybrid cannot be named with certainty from its looks, nor from this list: that takes DNA. "
    "The list says where to look first.",
    "Do not move live fish, and do not release a fish anywhere but where it was caught.",
    "Report a suspected introduction to the agency responsible for the water.",
    "Local rules, permits and licensed practice for catching, handling and keeping fish come first.",
)


def calibrated(pool: Pool) -> bool:
    """Whether presence is calibrated on surveys."""
    return pool.calibration is not None and pool.calibration.get("status") != "uncalibrated"


def miles(km: float) -> str:
    """A distance in miles, as exact as the kilometres are given.

    Examples
    --------
    >>> miles(40), miles(40.2336), miles(5)
    ('25 mi', '25 mi', '3.1 mi')
    """
    given = km / KM_PER_MILE
    return f"{given:.0f} mi" if given >= 10 else f"{given:.1f}".removesuffix(".0") + " mi"


def radius(km: float) -> str:
    """The radius in both units.

    Examples
    --------
    >>> radius(40), radius(40.2336)
    ('40 km (25 mi)', '40.2 km (25 mi)')
    """
    return f"{km:.1f}".removesuffix(".0") + f" km ({miles(km)})"


def presence_axis(*, intervals: bool) -> str:
    """What the bars of a picture show."""
    return "probability that the species lives in this water" + (
        ",\nwith its 90 % interval" if intervals else ""
    )


def radius_role(pool: Pool) -> str:
    """What the radius does, and what it does not."""
    return (
        f"The radius of {radius(pool.site.radius_km)} sets what is called near and the circle on the map. "
        "Records beyond it count too, less the farther away they lie."
    )


def called(row: Mapping[str, Any]) -> str:
    """A species by its common and its scientific name.

    Examples
    --------
    >>> called({"vernacularName": "bluegill", "scientificName": "Lepomis macrochirus"})
    'bluegill (Lepomis macrochirus)'
    """
    name = str(row["scientificName"])
    return f"{row['vernacularName']} ({name})" if row.get("vernacularName") else name


def short(name: str) -> str:
    """A binomial with its genus shortened.

    Examples
    --------
    >>> short("Lepomis macrochirus"), short("Lepomis")
    ('L. macrochirus', 'Lepomis')
    """
    genus, _, rest = name.partition(" ")
    return f"{genus[:1]}. {rest}" if rest else name


def called_shortly(row: Mapping[str, Any]) -> str:
    """A species by its common name and its scientific name with the genus shortened.

    Examples
    --------
    >>> called_shortly({"vernacularName": "bluegill", "scientificName": "Lepomis macrochirus"})
    'bluegill (L. macrochirus)'
    """
    name = str(row["scientificName"])
    return f"{row['vernacularName']} ({short(name)})" if row.get("vernacularName") else name


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
    likely = [row for row in rows if row["presence"] >= LIKELY]
    near = sum(row["tier"] in NEAR for row in rows)
    if not likely:
        recorded = "none" if not near else spelled(near)
        return (
            f"None of the {spelled(len(rows))} species on the checklist reaches one chance in ten "
            f"here; {recorded} {'are' if near > 1 else 'is'} recorded within {radius(pool.site.radius_km)}. "
            "All stay on the list, for nothing proves absence."
        )
    named = [called(row) for row in likely[:MOST_NAMED]]
    if len(likely) > MOST_NAMED:
        named.append(f"{spelled(len(likely) - MOST_NAMED)} more")
    head = "Could be a parent here" if len(likely) == 1 else "Could be parents here"
    found = f"{head}: {joined(named)}. {_where(pool, likely).capitalize()}."
    pairs = _pairs_sentence(pool) if len(likely) > 1 and pool.crosses.num_rows else ""
    return f"{found} {pairs}".rstrip()


def _known_status(rows: Sequence[Mapping[str, Any]]) -> str:
    """What range maps and lists say where there is no record."""
    parts = []
    for means in ("native", "introduced"):
        names = sorted(called(row) for row in rows if row["establishmentMeans"] == means)
        if names:
            parts.append(f"{means} here: {joined(names)}")
    if not parts:
        return "Nothing given says which species are native here either."
    return f"Known without records: {'; '.join(parts)}."


def _where(pool: Pool, likely: list[dict[str, Any]]) -> str:
    here = sum(row["tier"] == "water" for row in likely)
    near = sum(row["tier"] in NEAR for row in likely)
    within = f"within {radius(pool.site.radius_km)}"
    if here == len(likely):
        return "all are recorded in the water itself" if here > 1 else "it is recorded in the water itself"
    if here:
        rest = near - here
        more = f", {spelled(rest)} more {within}" if rest else ""
        return f"{spelled(here)} of them {'is' if here == 1 else 'are'} recorded in the water itself{more}"
    if not near:
        return f"none is recorded {within}"
    verb = "is" if near == 1 else "are"
    if any(row["recordsInWater"] is not None for row in likely):
        return f"{spelled(near)} {verb} recorded {within}, none in the water itself"
    return f"{spelled(near)} {verb} recorded {within}"


def reason(row: Mapping[str, Any], radius_km: float) -> str:
    """Why a species stands where it stands, in one sentence, before any log-odds.

    Parameters
    ----------
    row : mapping
        A row of POOL.
    """
    last = f", the last of {row['lastYear']}" if row["lastYear"] is not None else ""
    all_of_them = f"{counted(row['records'], 'record')} in all{last}"
    if row["tier"] == "water" and row["recordsInWater"]:
        inside = counted(row["recordsInWater"], "record")
        only = row["recordsInWater"] == row["records"]
        return f"{inside} in this water{last}." if only else f"{inside} in this water; {all_of_them}."
    away = f"{kilometres(row['nearestKm'])} away"
    if row["tier"] == "connected":
        return f"Recorded in connected water, {away}; {all_of_them}."
    if row["tier"] in {"water", "radius"}:
        return f"Nearest record {away}; {all_of_them}."
    if row["tier"] == "beyond":
        return f"No record within {radius(radius_km)}; nearest {away}{last}."
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
    named = [f"{row['vernacularName'] or row['scientificName']} {percent(row['presence'])}" for row in rows]
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
        return f"{first} × {second} ({percent(pair['weight'])})"

    lead = "Think first of the pair" if len(pairs) == 1 else "Think first of the pairs"
    return f"{lead} {joined([name(pair) for pair in pairs])}."


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
        rests = joined([_RESTS[source] for source in _RESTS if source in given])
        said.append(
            f"No range map was given: native or introduced rests on {rests} alone."
            if rests
            else "Nobody says which species are native here: give range maps or a list of the region."
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
        records = counted(coarser, "record within reach was", "records within reach were")
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
    return f"{degrees(site)}, within {radius(site.radius_km)}, as of {day(pool.as_of)}"


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
    near = f"{counts.get('withinRadius', 0):,} within {radius(pool.site.radius_km)}"
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
    """Names that were read in spite of their spelling, the first ten."""
    rows = pool.counts.get("mendedNames") or []
    listed = [f"{row['given']} as {' or '.join(row['readAs'])} ({row['records']:,})" for row in rows[:10]]
    more = f" and {len(rows) - 10} more" if len(rows) > 10 else ""
    return [f"misspelt names that were mended: {', '.join(listed)}{more}"] if rows else []


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
        return status_argument(step["status"], str(step["drawn"]))
    if part in {"wide", "near"}:
        return _sites_words(step)
    if part == "waterType":
        return "lakes and ponds hold other sunfishes than streams and rivers"
    if part == "community":
        return _companion_words(step)
    if part == "time":
        return f"years passed until {step['year']}: fish arrive and vanish"
    events = counted(int(step["events"]), "sampling event")
    if part == "statement":
        return f"{step.get('source') or 'somebody'} ({step['year']})"
    made = f"{events} of {step['year']} in this water"
    return f"found by {made}" if part == "found" else f"not detected by {made}"


def _sites_words(step: Mapping[str, Any]) -> str:
    if not step.get("sampled"):
        return f"no sampling site within {step['withinKm']:g} km that was looked at"
    near = ", near ones counting most" if step["part"] == "near" else ""
    sites = counted(int(step["sampled"]), "sampling site")
    number = f"{step['sampled']:,} sampling sites" if step["sampled"] > 1 else sites
    return f"detected at {step['detected']:,} of {number} within {step['withinKm']:g} km{near}"


def _companion_words(step: Mapping[str, Any]) -> str:
    said = counted(int(step["events"]), "co-occurring fish", "co-occurring fishes")
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
    events = counted(sum(step["events"] for step in missed), "sampling event")
    said = f"not detected by {events} of {years(missed[0]['year'], missed[-1]['year'])} in this water"
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
    found, missed = percent(row["presenceIfFound"]), percent(row["presenceIfMissed"])
    said = f"One more complete list of this water: {found} if it finds the species, {missed} if it does not"
    lists = row["listsToRuleOut"]
    if lists is None:
        return f"{said}; fifty lists that miss it would not bring it below 5 %."
    if lists > 1:
        return f"{said}; below 5 % after {counted(lists, 'list')} that miss it."
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
    each = ", ".join(f"{name} {percent(still)} or {percent(running)}" for name, still, running in rows[:5])
    return (
        "The type of water is unknown (give --water-type); as a lake or pond, or as a stream or river: "
        f"{each}"
    )


# -- what a careful colleague would add --------------------------------------------------


NO_LIST = "no list of the fishes of this water is known"
FEW_LISTS, GOOD_COVERAGE = 5, 0.9


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
    lists = counted(found["events"], "list") + " of the fishes of this water"
    if found["firstYear"] is not None:
        lists += f" ({years(found['firstYear'], found['lastYear'])})"
    share = found["coverage"]
    if share is None or found["events"] < FEW_LISTS:
        them = "it" if found["events"] == 1 else "them"
        return f"{lists}: too few to tell that a species not on {them} is absent"
    known = "a species not on them is probably rare or absent"
    more = "species that live here are still being added"
    return f"{lists}, coverage {percent(share)}: {known if well_known(found) else more}"


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
        over_land, by_water = kilometres(facts["overLandKm"]), kilometres(facts["byWaterKm"])
        said.append(f"its nearest record is {over_land} away over land, {by_water} along the stream network")
    if facts.get("single"):
        said.append("rests on a single record")
    if facts.get("ambiguous"):
        said.append(f"{counted(facts['ambiguous'], 'record')} under a name that may mean another species too")
    return "; ".join(text for text in said if text)


# -- pairs of parents --------------------------------------------------------------------

PAIR_CAUTION = "A prior from presence alone: parents that share a drainage meet more often than this says."


def _way(mother: str, parents: Sequence[str]) -> str:
    father = parents[1] if mother == parents[0] else parents[0]
    return f"♀ {short(mother)} × ♂ {short(father)}"


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
    return "; ".join(said) or (f"{undirected}, direction unknown" if undirected else UNKNOWN)


def known_of_pair(row: Mapping[str, Any]) -> str:
    """What is known of a pair, in a few words.

    Examples
    --------
    >>> known_of_pair({"documented": True, "viability": "unknown", "hybridRecords": 1})
    'documented in nature; 1 hybrid record within reach'
    """
    said = ["documented in nature"] if row["documented"] else []
    said += [row["viability"]] if row["viability"] not in {None, "", UNKNOWN} else []
    if row["hybridRecords"]:
        said.append(f"{counted(row['hybridRecords'], 'hybrid record')} within reach")
    return "; ".join(said) or "no source on file"


def pair_note(statements: Sequence[Any], *, factor: float, least: float, records: int) -> str:
    """The sources of what is said of a pair, and its caution."""
    notes = [] if statements else ["No source on file names this pair; that does not make it unlikely."]
    if factor < 1:
        lowest = ", the least that any pair gets" if factor == least else ""
        notes.append(f"Factor {factor:g} for the directions that fail{lowest}.")
    if records:
        verb = "names" if records == 1 else "name"
        notes.append(f"{counted(records, 'hybrid record')} within reach {verb} both parents.")
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


def calibration_scores(surveys: str, sites: int, card: Mapping[str, Any] | None) -> str:
    """What a pool says of the surveys that its constants were scored on; without scores they were too few."""
    if card is None:
        return f"{UNCALIBRATED}: {counted(sites, 'surveyed water')} of {surveys} are too few to tell"
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


def _number_of_records(count: int, what: str = "record") -> str:
    return f"{count:,} {what}" if count == 1 else f"{count:,} {what}s"


def _new_records(records: int, facts: Mapping[str, Any]) -> str:
    owners = sorted(facts["owners"].items(), key=lambda one: (-one[1], one[0]))
    said = f"{_number_of_records(records, 'new record')} in {_number_of_records(facts['events'], 'event')}"
    said += ": " + ", ".join(f"{name} {count:,}" for name, count in owners[:3])
    if len(owners) > 3:
        said += f", and {_number_of_records(len(owners) - 3, 'other')}"
    if facts["inWater"]:
        said += "; some in this water"
    elif facts["nearestKm"] is not None:
        said += f"; nearest {facts['nearestKm']:.1f} km away"
    if facts["years"]:
        said += ", " + years(facts["years"][0], facts["years"][-1])
    for name, count in sorted(facts["before"].items()):
        said += f"; {_number_of_records(count)} re-identified, before {name}"
    return said


def _fate(fate: str, count: int) -> str:
    kind, _, what = fate.partition(":")
    told = {"gone": "no longer among the records", "reidentified": f"re-identified as {what}"}
    return f"{_number_of_records(count)} {told.get(kind, f'rejected now ({what})')}"


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
    notes += [f"setting {name} was {plain(was)} and is {plain(now)}" for name, (was, now) in settings.items()]
    notes += [f"{kind}: other files or other contents than before" for kind in inputs]
    if versions[0] != versions[1]:
        notes.append(f"built by version {versions[0]} before, by {versions[1]} now")
    return notes


# Native or introduced


_STATUS_NOTES = {
    "aside": "{rows} set aside, such as {first}",
    "noCode": "{column} {value!r} of {polygons} is no published code or term: not used",
    "noMeans": "no polygon says whether the species is native: status by range stays unknown",
    "noPolygon": "{rows} without effect: no polygon for {regions}, such as {few}",
    "notFlat": "{features} left aside",
    "notListed": "{rows} left aside: {distinct} not on the checklist, or of several species, such as {few}",
    "notOnList": "{polygons} left aside: {distinct} not on the checklist, such as {few}",
    "opposed": "row {now.row}: {now.species} is {now.means} in {where}, and {twin.means} in row {twin.row}",
    "overlap": "regions {small} and {large} overlap ({share:.0f} % of {small}): where both hold a water the "
    "smaller decides, and a disagreement is said",
    "readAs": "{name} read as {accepted}",
    "twice": "row {now.row}: {now.species} stands for {where} in row {twin.row} already",
    "unnamed": "{polygons} without a species name left aside",
}


def status_note(kind: str, *, names: Sequence[Any] = (), **facts: Any) -> str:
    """What reading a list or a layer of status has to say; *names* are those of its rows, one each.

    Examples
    --------
    >>> status_note("notOnList", names=["Salmo trutta", "Salmo trutta"])
    '2 polygons left aside: 1 name not on the checklist, such as Salmo trutta'
    """
    different = list(dict.fromkeys(str(name) for name in names))
    counts = {
        noun: counted(len(names), one, many)
        for noun, one, many in (
            ("polygons", "polygon", None),
            ("rows", "row", None),
            ("features", "line or point", "lines and points"),
        )
    }
    where = facts["now"].region or "the list" if "now" in facts else ""
    return _STATUS_NOTES[kind].format(
        **{
            **counts,
            "distinct": counted(len(different), "name"),
            "regions": counted(len(different), "region"),
            "first": different[0] if different else "",
            "few": ", ".join(sorted(different)[:3]),
            "where": where,
            **facts,
            "accepted": " or ".join(facts.get("accepted", ())),
        }
    )


def _who_says(statement: Statement) -> str:
    """A source of status by name, with its region."""
    if statement.source == "region":
        return f"the checklist of {statement.region}"
    if statement.source == "shipped":
        unit = "hydrologic unit " if statement.region.isdigit() else ""
        return f"the table of the package for {unit}{statement.region}"
    known = {"agency": "the agency's list", "polygon": "the range map", "checklist": "the species list"}
    return known[statement.source]


def status_clause(statement: Statement) -> str:
    """A statement on native or introduced as a clause."""
    if statement.source == "record":
        return f"records here say {statement.means}"
    if statement.means == "uncertain":
        return f"{_who_says(statement)} leaves it open"
    return f"{_who_says(statement)} says {statement.means}"


_DIFFER = {"record": "records disagree among themselves", "polygon": "other polygons disagree"}


def status_remark(found: Establishment) -> str:
    """What speaks against a status, and what records of another watershed say."""
    against = [status_clause(item) for item in found.against] + [_DIFFER[source] for source in found.differ]
    said = []
    if against and found.decided:
        said.append(f"{status_clause(found.decided)}, but {' and '.join(against)}")
    if found.elsewhere:
        count, means = found.elsewhere
        said.append(f"{counted(count, 'record')} in another watershed: {means} there")
    return "; ".join(said)


def recorded_since(since: tuple[int, bool] | None) -> str:
    """Since when a species is recorded whose status nobody states.

    Examples
    --------
    >>> recorded_since((1890, True)), recorded_since((1974, False))
    ('recorded since 1890 in this drainage', 'recorded since 1974 around here')
    """
    return f"recorded since {since[0]} {'in this drainage' if since[1] else 'around here'}" if since else ""


def status_argument(found: Establishment, drawn: str) -> str:
    """Native or introduced as a step of the argument: who says so, with source and year.

    Parameters
    ----------
    found : Establishment
    drawn : str
        What the range polygons say, in words; empty without any.
    """
    stated = found.decided
    if stated is None:
        said = ["no source states whether it is native here", recorded_since(found.since), drawn]
    elif stated.source == "polygon":
        said = [drawn]
    else:
        year = str(stated.year or "")
        source = ", ".join(
            text for text in (stated.citation, year if year not in stated.citation else "") if text
        )
        part = {"part": "part of it", "not reported": "outside the native range, none reported"}
        limits = ", ".join(text for text in (part.get(stated.extent, ""), stated.note) if text)
        clause = status_clause(stated) + (f" ({limits})" if limits else "")
        said = [clause + (f", source: {source}" if source else ""), recorded_since(found.since), drawn]
    return "; ".join(text for text in said if text)


def range_polygon(codes: str, given: str, may_mean: Sequence[str]) -> str:
    """A range polygon's codes, with the doubt about its name."""
    return codes + (f", of {given}, which may mean {' or '.join(may_mean)}" if may_mean else "")


def range_region(region: str, means: str) -> str:
    """A region of a table of ranges."""
    return f"{region}, {_MEANS.get(means, means)}"


def range_status(
    said: Sequence[str] | None,
    *,
    differ: bool = False,
    km: float | None = None,
    outside: bool = False,
    expected: str | None = None,
) -> str:
    """What the range polygons say of a species at a place, the one that decides first.

    Examples
    --------
    >>> range_status(["extant, native"], km=89.04, outside=True)
    '89.0 km outside the nearest polygon (extant, native)'
    """
    if said is None:
        return "no range polygon given"
    if not outside:
        parts = [f"inside a polygon: {said[0]}"]
        parts += [f"also inside: {'; '.join(said[1:])}"] if said[1:] else []
        parts += ["the polygons disagree on native or introduced"] if differ else []
        return "; ".join(parts)
    away = "" if km is None else f"{km:.0f} km" if km >= 100 else f"{km:.1f} km"
    words = f"{away} outside the nearest polygon ({said[0]})" if said else "no polygon of presence"
    return words + (f"; inside a polygon: {expected}" if expected else "")
