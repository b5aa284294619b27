"""A day, a month or a year as people write them: 2022-06-30, 2022-06, 2022."""

import calendar
import re
from datetime import date

from workshop.domain.intervals import Interval
from workshop.domain.refusals import ValueRefused

_SPAN = re.compile(r"(\d{4})(?:-(\d{1,2})(?:-(\d{1,2}))?)?")


def read_span(text: str, *, field: str = "span") -> Interval | None:
    """Return the days a text stands for; None when blank.

    Raises ValueRefused for anything that is no year, month or day of the calendar.
    """
    if not text.strip():
        return None
    found = _SPAN.fullmatch(text.strip())
    if found is None:
        raise ValueRefused({field: f"{text!r} is no year, month or day; write it like 2022-06-30"})
    year, month, day = (int(part) if part else None for part in found.groups())
    try:
        start = date(year or 0, month or 1, day or 1)
    except ValueError as bad:
        raise ValueRefused({field: f"{text!r} is not in the calendar: {bad}"}) from bad
    if day:
        return Interval(start, start)
    last = month or 12
    return Interval(start, date(start.year, last, calendar.monthrange(start.year, last)[1]))


def write_span(span: Interval | None) -> str:
    """Return a span as it would be written: the shortest text that reads back as the same."""
    if span is None:
        return ""
    full = span.start.isoformat()
    for text in (full[:4], full[:7], full):
        if read_span(text) == span:
            return text
    return str(span)
