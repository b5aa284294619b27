"""The span of time figures are asked for."""

import calendar
from dataclasses import dataclass
from datetime import date, timedelta

from workshop import days
from workshop.errors import InputRefused

LAST_MONTHS = (3, 6, 12, 24)
USUAL_MONTHS = 12
MOST_YEARS = 20


@dataclass(frozen=True, slots=True)
class Span:
    """From one day to another, both within it."""

    start: date
    end: date

    def __str__(self) -> str:
        return f"{self.start} to {self.end}"

    @property
    def months(self) -> list[date]:
        """Return the first day of every month the span touches, oldest first."""
        first, last = self.start.replace(day=1), self.end.replace(day=1)
        count = 12 * (last.year - first.year) + last.month - first.month + 1
        return [months_on(first, number) for number in range(count)]


def months_on(day: date, months: int) -> date:
    """Return the same day so many months later (earlier below 0), or the last of that month."""
    year, month = divmod(12 * day.year + day.month - 1 + months, 12)
    last = calendar.monthrange(year, month + 1)[1]
    return date(year, month + 1, min(day.day, last))


def last_months(months: int, *, today: date) -> Span:
    """Return the so many months that end today."""
    return Span(months_on(today, -months) + timedelta(days=1), today)


def chosen(
    *, today: date, months: int | None = None, start: date | None = None, end: date | None = None
) -> Span:
    """Return the span asked for: from..to where a day is given, else the last months.

    Without `end` it ends today. Raises InputRefused, with fields `months`, `from` and `to`.
    """
    if start is None and end is None:
        if months is not None and months not in LAST_MONTHS:
            offered = ", ".join(map(str, LAST_MONTHS))
            _refuse("months", f"{months} is not offered; choose {offered}, or give from and to.")
        return last_months(months or USUAL_MONTHS, today=today)
    if start is None:
        _refuse("from", "Give the first day too.")
        raise AssertionError
    last = end or today
    days.refuse_implausible(**{"from": start, "to": end})
    if start > today:
        _refuse("from", f"{start} lies ahead; figures are of what has happened.")
    if last > today:
        _refuse("to", f"{last} lies ahead; figures are of what has happened.")
    if last < start:
        _refuse("to", f"Lies before the first day ({start}).")
    if last > months_on(start, 12 * MOST_YEARS):
        _refuse("to", f"More than {MOST_YEARS} years after the first day.")
    return Span(start, last)


def _refuse(field: str, why: str) -> None:
    raise InputRefused(f"This span cannot be shown. {field}: {why}", fields={field: why})
