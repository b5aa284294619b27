"""Counting months and years from a day."""

from calendar import monthrange
from datetime import date


def months_after(day: date, months: int) -> date:
    """Return the day so many months later (earlier when negative).

    Where that month is shorter, its last day: one month after 31 January is the end of February.
    """
    whole = day.year * 12 + day.month - 1 + months
    year, month = whole // 12, whole % 12 + 1
    return date(year, month, min(day.day, monthrange(year, month)[1]))


def years_after(day: date, years: int) -> date:
    """Return the same day so many years later; 29 February becomes 28 in a common year."""
    return months_after(day, 12 * years)
