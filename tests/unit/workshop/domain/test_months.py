"""Months and years after a day.."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workshop.domain.months import months_after, years_after

days = st.dates(date(1950, 1, 1), date(2090, 12, 31))


@pytest.mark.parametrize(
    ("day", "months", "then"),
    [
        ("2024-01-31", 1, "2024-02-29"),
        ("2023-01-31", 1, "2023-02-28"),
        ("2023-12-15", 1, "2024-01-15"),
        ("2024-03-31", -1, "2024-02-29"),
        ("2024-05-10", 24, "2026-05-10"),
        ("2024-05-10", 0, "2024-05-10"),
    ],
)
def test_worked_by_hand(day, months, then):
    assert months_after(date.fromisoformat(day), months) == date.fromisoformat(then)


def test_29_february():
    assert years_after(date(2024, 2, 29), 1) == date(2025, 2, 28)
    assert years_after(date(2024, 2, 29), 4) == date(2028, 2, 29)


@given(days, st.integers(0, 100), st.integers(0, 100))
def test_more_months_are_never_earlier(day, one, other):
    few, many = sorted((one, other))
    assert months_after(day, few) <= months_after(day, many)


@given(days, st.integers(-100, 100))
def test_the_month_is_the_one_counted(day, months):
    then = months_after(day, months)
    assert (then.year * 12 + then.month) - (day.year * 12 + day.month) == months
    assert then.day <= day.day
