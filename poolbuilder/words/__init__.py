"""What a person reads: numbers, names, terms, cautions, native or introduced; the rest is in `pool_words`."""

from __future__ import annotations

import datetime
import math
import os
import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from poolbuilder.errors import Sentences, said

if TYPE_CHECKING:
    import jinja2

    from poolbuilder.places.sites import Site
    from poolbuilder.status.decision import Establishment
    from poolbuilder.status.lists import Statement

MINUS = "\N{MINUS SIGN}"
DASH = "\N{EN DASH}"
UNKNOWN = "unknown"

_SMALL = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


def terms(table: str) -> dict[str, str]:
    """The terms of a table of ``terms.txt``, each in words.

    Examples
    --------
    >>> terms("grade")
    {'sure': 'sure', 'likely': 'likely', 'toBeChecked': 'to be checked'}
    """
    every = ((key.partition("."), text) for key, text in _TERMS.items())
    return {key: text for (of, _, key), text in every if of == table}


_TERMS = Sentences("terms.txt").texts
_MEANS, _SOURCES, _TIERS, RESTS = map(terms, ("means", "source", "tier", "rests"))
_WHO, _DIFFER = terms("who"), terms("differ")


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


def day(date: datetime.date | str) -> str:
    """A date, or its ISO text, as it reads in a sentence, whatever the locale.

    Examples
    --------
    >>> day(datetime.date(2026, 6, 1))
    '1 June 2026'
    """
    date = datetime.date.fromisoformat(date) if isinstance(date, str) else date
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
    radius = f"{radius_km:g}" if radius_km == round(radius_km) else f"{radius_km:.1f}"
    return _TIERS.get(key, key).format(radius=radius)


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
    ('not native (built-in table)', 'not native')
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
    >>> from poolbuilder.places.sites import Site
    >>> degrees(Site(longitude=-79.021, latitude=35.75))
    '35.7500° N, 79.0210° W'
    """
    return coordinates(site.latitude, site.longitude)


def coordinates(latitude: float, longitude: float) -> str:
    """The same of two numbers."""
    north, east = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
    return f"{abs(latitude):.4f}° {north}, {abs(longitude):.4f}° {east}"


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


def few(names: Sequence[str], most: int = 5) -> list[str]:
    """The first names, and how many more there are.

    Examples
    --------
    >>> few(["a", "b", "c"], most=1), few(["a"], most=1)
    (['a', '2 more'], ['a'])
    """
    left = len(names) - most
    return [*names[:most], f"{left:,} more"] if left > 0 else list(names)


KM_PER_MILE = 1.609344
"""International mile, exact by definition (1959 agreement)."""
CAUTION = "No list proves absence, and no hybrid is certain without DNA; do not move live fish."

LIKELY = 0.1
"""Presence from which the summary counts a species: one chance in ten."""

NEAR = frozenset({"water", "connected", "radius"})
"""Tiers of species recorded within the radius."""


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


# Native or introduced


def status_note(kind: str, *, names: Sequence[Any] = (), **facts: Any) -> str:
    """What reading a list or a layer of status has to say; *names* are those of its rows, one each.

    Examples
    --------
    >>> status_note("notOnList", names=["Salmo trutta", "Salmo trutta"])
    '2 polygons left aside: 1 name not on the checklist, such as Salmo trutta'
    """
    distinct = list(dict.fromkeys(map(str, names)))
    facts["where"] = (facts["now"].region or "the list") if "now" in facts else ""
    counts = {
        "number": len(names),
        "distinct": len(distinct),
        "first": distinct[:1],
        "few": sorted(distinct)[:3],
    }
    return said(f"status_{kind}", **counts, **facts)


def who_says(statement: Statement) -> str:
    """A source of status by name, with its region."""
    unit = "hydrologic unit " if statement.source == "shipped" and statement.region.isdigit() else ""
    return _WHO[statement.source].format(region=unit + statement.region)


def status_clause(statement: Statement) -> str:
    """A statement on native or introduced as a clause."""
    if statement.source == "record":
        return f"records here say {statement.means}"
    if statement.means == "uncertain":
        return f"{who_says(statement)} leaves it open"
    return f"{who_says(statement)} says {statement.means}"


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


def unread_dates(fact: Mapping[str, Any]) -> str:
    """How many dates of a file could not be read, in words."""
    return said("unread_dates", unread=fact["unread"], dates=fact["dates"], example=fact["example"][:40])


def unread_notes(sources: Iterable[Mapping[str, Any]]) -> list[str]:
    """What could not be read of the dates of each file, the file named first."""
    return [
        f"{source['path']}: {unread_dates(fact)}"
        for source in sources
        for fact in source.get("unreadDates", ())
    ]


def time_left(seconds: float) -> str:
    """What is added to a line of progress.

    Examples
    --------
    >>> time_left(8.2), time_left(95), time_left(7300)
    (', 9 s left', ', 2 min left', ', 2.0 h left')
    """
    if seconds <= 90:
        return f", {max(1, math.ceil(seconds))} s left"
    return f", {seconds / 60:.0f} min left" if seconds < 5400 else f", {seconds / 3600:.1f} h left"


# Texts made of facts


FILTERS = (
    "called", "clauses", "counted", "day", "degrees", "joined", "kilometres", "licence", "line", "markdown",
    "percent", "place", "plain", "radius", "short", "signed", "spelled", "status", "years",
)  # fmt: skip
"""Functions of this module that templates know as filters."""


def line(text: str) -> str:
    """A text on one line."""
    return re.sub(r"[ \n]+", " ", text).strip()


def clauses(text: str) -> str:
    r"""The lines of a text as the clauses of one sentence.

    Examples
    --------
    >>> clauses("no date\n\nplaced to 3 km\n")
    'no date; placed to 3 km'
    """
    return "; ".join(part.strip() for part in text.split("\n") if part.strip())


def markdown(text: str) -> str:
    r"""Text whose signs are no markup; addresses stay whole.

    Examples
    --------
    >>> markdown("a_b *c* https://x.org/a_b")
    'a\\_b \\*c\\* https://x.org/a_b'
    """
    return " ".join(
        part if part.startswith(("http://", "https://")) else re.sub(r"([\\`*_{}\[\]<>#|])", r"\\\1", part)
        for part in str(text).split(" ")
    )


def compiled(kind: str) -> jinja2.BytecodeCache | None:
    """Templates as they were compiled before, in the user's cache folder; None where that cannot be used.

    Each kind has a folder of its own: a text means another program where what it is given is escaped.
    """
    import jinja2
    import platformdirs

    folder = platformdirs.user_cache_path("poolbuilder") / kind
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError:
        return None
    return jinja2.FileSystemBytecodeCache(str(folder)) if os.access(folder, os.W_OK) else None


@lru_cache(maxsize=1)
def environment() -> jinja2.Environment:
    """What fills the texts of this folder: facts become words here."""
    import jinja2

    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=compiled("texts"),
    )
    made.globals |= {"words": sys.modules[__name__], "said": said}
    made.filters |= {name: globals()[name] for name in FILTERS}
    return made


@lru_cache(maxsize=8)
def _texts(file: str) -> Any:
    return environment().get_template(file).module


def lines(file: str, part: str, *facts: Any, **more: Any) -> list[str]:
    """Sentences made of facts, a line each; a line of one blank stays as an empty one.

    Parameters
    ----------
    file : str
        A text of this folder, made of macros.
    part : str
        Name of the macro.
    """
    text = str(getattr(_texts(file), part)(*facts, **more))
    return [line.rstrip() for line in text.split("\n") if line]


@lru_cache(maxsize=256)
def macro(file: str, name: str) -> Any:
    """A macro of a text as a function that makes one line of facts; what else the text sets, as it is."""
    if name.startswith("_"):
        raise AttributeError(name)
    found = getattr(_texts(file), name)
    return (lambda *facts, **more: line(str(found(*facts, **more)))) if callable(found) else found
