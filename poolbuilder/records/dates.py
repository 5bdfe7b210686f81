"""When a record was made: ISO 8601 dates, partial dates and intervals, once per distinct text."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

EARLIEST = datetime.date(1582, 11, 15)
"""First day in range for the public test VALIDATION_EVENTDATE_INRANGE."""

_TIME = re.compile(r"[T ]\d{1,2}(:?\d{2}){0,2}([.,]\d+)?\s*(Z|UTC|[+-]\d{2}(:?\d{2})?)?$", re.IGNORECASE)
_PARTS = re.compile(r"(\d{4})(?:-(\d{1,2})(?:-(\d{1,2}))?)?")
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})")
_ORDINAL = re.compile(r"(\d{4})-?(\d{3})")
_NOTHING = re.compile(
    r"0000(-00(-00)?)?|unknown|not recorded|n/?a|none|s\.?d\.?|undated|-+|\?+", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Span:
    """The days that a date may mean.

    Attributes
    ----------
    start, end : date
        First and last possible day; equal when known to the day.
    interval : bool
        Whether the source wrote an interval with two ends.
    """

    start: datetime.date
    end: datetime.date
    interval: bool = False

    @property
    def is_day(self) -> bool:
        """Known to the day."""
        return self.start == self.end


def span_of(year: int, month: int | None = None, day: int | None = None) -> Span | None:
    """The span of a year, month or day; None when there is no such day.

    Examples
    --------
    >>> span_of(2020, 2).end.isoformat()
    '2020-02-29'
    >>> span_of(2020, 13)
    """
    try:
        start = datetime.date(year, month or 1, day or 1)
    except ValueError:
        return None
    if month is None:
        return Span(start, datetime.date(year, 12, 31))
    if day is None:
        after = datetime.date(year + month // 12, month % 12 + 1, 1) if year < 9999 else start
        return Span(start, after - datetime.timedelta(days=1))
    return Span(start, start)


def _one(text: str) -> Span | bool | None:
    """A single date: its span, None when impossible, False when it is not ISO 8601."""
    text = _TIME.sub("", text.strip())
    if match := _PARTS.fullmatch(text):
        year, month, day = (None if part is None else int(part) for part in match.groups())
        # 00 stands for an unknown month or day in many collections.
        return span_of(year or 0, month or None, (day or None) if month else None)
    if match := _COMPACT.fullmatch(text):
        return span_of(*(int(part) for part in match.groups()))
    if match := _ORDINAL.fullmatch(text):
        year, number = int(match.group(1)), int(match.group(2))
        start = span_of(year)
        if start is None or not 1 <= number <= (start.end - start.start).days + 1:
            return None
        that_day = start.start + datetime.timedelta(days=number - 1)
        return Span(that_day, that_day)
    return False


def _completed(first: str, second: str) -> str:
    """The second end of an interval with the parts that ISO 8601 lets it leave out."""
    second = second.strip()
    if re.fullmatch(r"\d{1,2}(-\d{1,2})?", second):
        head = _TIME.sub("", first.strip()).split("-")
        keep = len(head) - second.count("-") - 1
        return "-".join([*head[:keep], second])
    if re.fullmatch(r"T?\d{1,2}:\d{2}.*", second):
        return _TIME.sub("", first.strip())
    return second


@lru_cache(maxsize=100_000)
def read_date(text: str) -> tuple[Span | None, str]:
    """Read one eventDate.

    Parameters
    ----------
    text : str
        ISO 8601: year, month, day, ordinal day, date and time, or an interval ``a/b``.

    Returns
    -------
    Span or None, str
        The second is `read`, `empty`, `unreadable` (not ISO 8601) or `impossible` (month 13).

    Examples
    --------
    >>> span, how = read_date("2007-11-13/15")
    >>> span.start.isoformat(), span.end.isoformat(), how
    ('2007-11-13', '2007-11-15', 'read')
    >>> read_date("5 May 1961")[1]
    'unreadable'
    """
    text = text.strip()
    if not text or _NOTHING.fullmatch(text):
        return None, "empty"
    first, slash, second = text.partition("/")
    start = _one(first)
    end = _one(_completed(first, second)) if slash else start
    if start is False or end is False:
        return None, "unreadable"
    if not isinstance(start, Span) or not isinstance(end, Span):
        return None, "impossible"
    if not slash:
        return start, "read"
    if end.end < start.start:
        return None, "impossible"
    return Span(start.start, end.end, interval=start != end), "read"


ORDERS = ("mdy", "dmy", "ymd")
"""Orders of day, month and year in a date of numbers."""

_TRIPLE = re.compile(r"(\d{1,4})\s*([-/. ])\s*(\d{1,2})\s*\2\s*(\d{1,4})")
_DAY, _MONTH = r"(?P<day>\d{1,2})(?:st|nd|rd|th)?", r"(?P<month>[a-z]{3,9})"
_YEAR, _GAP = r"(?P<year>\d{4}|\d{2})", "[-/., ]"
_NAMED = (
    re.compile(rf"{_DAY}{_GAP}*{_MONTH}[-/., ']*{_YEAR}"),
    re.compile(rf"{_MONTH}{_GAP}*{_DAY}[-/., ']+{_YEAR}"),
    re.compile(rf"{_MONTH}{_GAP}*(?P<year>\d{{4}})"),
    re.compile(rf"(?P<year>\d{{4}}){_GAP}+{_MONTH}(?:{_GAP}+(?P<day>\d{{1,2}}))?"),
)
_MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
    "november", "december",
)  # fmt: skip
_SERIAL = re.compile(r"(\d{5})(?:[.,]\d+)?")
_FIRST_SERIAL = datetime.date(1899, 12, 30)
_SERIALS = range(10_000, 80_000)  # 1927 to 2119
_CLOCK = re.compile(
    r"[,T ]+\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?\s*([ap]\.?m\.?|Z|UTC|[+-]\d{2}:?\d{2})?$", re.IGNORECASE
)

STRAYS = 0.05
"""Share of dates in another order that is taken for slips, not for a column of two orders."""
ENOUGH = 20
"""So many dates without a readable one are an error."""


def _year(text: str) -> int:
    """A year of two digits as common spreadsheets read it: 00 to 29 are 20xx (common practice, no source)."""
    number = int(text)
    return number if len(text) > 2 else number + (2000 if number < 30 else 1900)


def _by_name(text: str) -> str | None:
    """A date with the month's English name, as ISO 8601."""
    for pattern in _NAMED:
        if match := pattern.fullmatch(text.casefold()):
            month = next((at for at, name in enumerate(_MONTHS, 1) if name.startswith(match["month"])), 13)
            day = match.groupdict().get("day")
            span = span_of(_year(match["year"]), month, int(day) if day else None)
            if span is not None:
                return span.start.isoformat()[: 10 if day else 7]
    return None


def _by_order(text: str, order: str) -> str | None:
    """A date of three numbers read in an order, as ISO 8601; None where it cannot be."""
    match = _TRIPLE.fullmatch(text)
    if match is None:
        return None
    first, mark, second, third = match.groups()
    given = dict(zip(order, (first, second, third), strict=True))
    year, others = given["y"], (given["m"], given["d"])
    if len(year) not in (2, 4) or max(map(len, others)) > 2:
        return None
    if (mark == "." and order == "mdy") or (order == "ymd" and len(year) == 2 and mark != "-"):
        # Nobody writes the month first with points, or two digits of a year first but with dashes.
        return None
    span = span_of(_year(year), int(given["m"]) or 13, int(given["d"]) or 32)
    return span.start.isoformat() if span else None


def _year_first(text: str) -> str | None:
    """A date with a year of four digits in front, which leaves no choice, as ISO 8601."""
    return _by_order(text, "ymd") if text[:4].isdigit() else None


def _by_serial(text: str) -> str | None:
    """A spreadsheet's day number, counted from 1899-12-30, as ISO 8601."""
    match = _SERIAL.fullmatch(text)
    if match is None or int(match.group(1)) not in _SERIALS:
        return None
    return (_FIRST_SERIAL + datetime.timedelta(days=int(match.group(1)))).isoformat()


@dataclass(frozen=True, kw_only=True)
class DateColumn:
    """How the dates of one column are read.

    Attributes
    ----------
    order : str or None
        One of ORDERS; None where no date needs one.
    fits : tuple of str
        Orders that read the column equally well and differently; more than one must be asked for.
    iso : dict of str to str
        Text as given to ISO 8601, for the dates that are readable and not ISO already.
    unread : dict of str to int
        Rows by text that cannot be read.
    read : int
        Rows whose date is readable.
    example : str
        A date that needs the order.
    """

    order: str | None
    fits: tuple[str, ...]
    iso: Mapping[str, str]
    unread: Mapping[str, int]
    read: int
    example: str = ""

    @property
    def found_none(self) -> bool:
        """Whether many dates stand in the column and none can be read."""
        return not self.read and sum(self.unread.values()) >= ENOUGH


def read_column(counts: Mapping[str, int], *, order: str | None = None) -> DateColumn:
    """Read a column of dates by the one order that fits it whole.

    Parameters
    ----------
    counts : dict of str to int
        Rows by distinct text.
    order : str, optional
        One of ORDERS, where the reader says which.

    Examples
    --------
    >>> column = read_column({"4/20/2017": 3, "5/6/2017": 1})
    >>> column.order, column.iso["5/6/2017"]
    ('mdy', '2017-05-06')
    >>> read_column({"5/6/2017": 1}).fits
    ('mdy', 'dmy')
    """
    iso: dict[str, str] = {}
    unread: dict[str, int] = {}
    numeric: dict[str, str] = {}
    read = 0
    for text, rows in counts.items():
        how = read_date(text)[1]
        bare = _CLOCK.sub("", text.strip())
        clear = None if how != "unreadable" else _by_name(bare) or _by_serial(bare) or _year_first(bare)
        if how != "unreadable":
            read += rows * (how == "read")
        elif clear:
            iso[text], read = clear, read + rows
        elif _TRIPLE.fullmatch(bare):
            numeric[text] = bare
        else:
            unread[text] = rows
    chosen, fits = (order, ()) if order else _order_of(numeric, counts)
    for text, bare in numeric.items():
        found = _by_order(bare, chosen) if chosen else None
        if found:
            iso[text], read = found, read + counts[text]
        else:
            unread[text] = counts[text]
    example = next((text for text in numeric if len(fits) > 1), "")
    return DateColumn(order=chosen, fits=fits, iso=iso, unread=unread, read=read, example=example)


def _order_of(numeric: Mapping[str, str], counts: Mapping[str, int]) -> tuple[str | None, tuple[str, ...]]:
    """The order that fits, and all that fit equally well where they disagree."""
    readings = {name: {text: _by_order(bare, name) for text, bare in numeric.items()} for name in ORDERS}
    rows = {name: sum(counts[text] for text, day in found.items() if day) for name, found in readings.items()}
    ranked = sorted(ORDERS, key=lambda name: -rows[name])
    best = ranked[0]
    if not rows[best]:
        return None, ()
    rivals = [best]
    for name in ranked[1:]:
        differs = any(day and day != readings[best][text] for text, day in readings[name].items())
        only = sum(counts[text] for text, day in readings[name].items() if day and not readings[best][text])
        evidence = sum(
            counts[text] for text, day in readings[best].items() if day and not readings[name][text]
        )
        if differs and (only == evidence == 0 or only > STRAYS * (only + evidence)):
            rivals.append(name)
    return (None, tuple(rivals)) if len(rivals) > 1 else (best, (best,))
