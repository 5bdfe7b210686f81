"""Numbers and terms of a pool in plain words, the same on every page and picture."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Sequence

from poolbuilder.site import Site

__all__ = [
    "counted",
    "day",
    "degrees",
    "interval",
    "joined",
    "kilometres",
    "licence",
    "percent",
    "place",
    "signed",
    "spelled",
    "status",
    "tier",
    "tier_short",
    "years",
]

MINUS = "\N{MINUS SIGN}"
DASH = "\N{EN DASH}"
UNKNOWN = "not known"

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
    "uncertain": "uncertain",
}
_SOURCES = {
    "polygon": "range map",
    "record": "its records",
    "checklist": "checklist",
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
    ('93\xa0%', '< 1\xa0%', '> 99\xa0%', 'not known')
    """
    if share is None or math.isnan(share):
        return UNKNOWN
    share = round(share, 6)
    if share < 0.01:
        return "< 1\N{NO-BREAK SPACE}%"
    if share > 0.99:
        return "> 99\N{NO-BREAK SPACE}%"
    return f"{100 * share:.0f}\N{NO-BREAK SPACE}%"


def interval(low: float | None, high: float | None) -> str:
    r"""A 90 % interval for reading, or an empty text when there is none.

    Examples
    --------
    >>> interval(0.62, 0.91), interval(0.002, 0.997), interval(None, 0.4)
    ('62–91\xa0%', '<1 to >99\xa0%', '')
    """
    if low is None or high is None or math.isnan(low) or math.isnan(high):
        return ""
    ends = ["<1" if end < 0.01 else ">99" if end > 0.99 else f"{100 * end:.0f}" for end in (low, high)]
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
        "beyond": "recorded only farther out",
        "range": "range map only, no record",
        "none": "nothing speaks for it",
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


def status(means: str | None, source: str | None) -> str:
    """Native or introduced, with who says so.

    Examples
    --------
    >>> status("introduced", "record"), status("unknown", "unknown")
    ('introduced (its records)', 'not known')
    """
    if not means or means == "unknown":
        return UNKNOWN
    words = _MEANS.get(means, means)
    return f"{words} ({_SOURCES[source]})" if source in _SOURCES else words


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
