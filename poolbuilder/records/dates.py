"""When a record was made: ISO 8601 dates, partial dates and intervals, once per distinct text."""

from __future__ import annotations

import datetime
import re
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
