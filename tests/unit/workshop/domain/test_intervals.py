from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workshop.domain.intervals import DAYS_PER_YEAR, Interval, from_ends

days = st.dates(date(1990, 1, 1), date(2030, 12, 31))
intervals = st.builds(
    lambda start, length: Interval(start, start + timedelta(days=length)),
    days,
    st.integers(0, 800),
)
MAY = Interval(date(2014, 5, 1), date(2014, 5, 31))


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        (None, None, None),
        (date(2014, 5, 1), None, Interval(date(2014, 5, 1), date(2014, 5, 1))),
        (None, date(2014, 5, 31), Interval(date(2014, 5, 31), date(2014, 5, 31))),
        (date(2014, 5, 1), date(2014, 5, 31), MAY),
    ],
)
def test_from_ends(start, end, expected):
    assert from_ends(start, end) == expected


def test_a_reversed_interval_is_refused():
    with pytest.raises(ValueError, match="ends 2014-05-01 before it begins 2014-05-02"):
        from_ends(date(2014, 5, 2), date(2014, 5, 1))


@pytest.mark.parametrize(
    ("other", "overlaps", "gap_days"),
    [
        (MAY, True, 0),
        (Interval(date(2014, 5, 31), date(2014, 6, 30)), True, 0),  # one day in common
        (Interval(date(2014, 6, 1), date(2014, 6, 30)), False, 1),
        (Interval(date(2014, 4, 1), date(2014, 4, 30)), False, 1),
        (Interval(date(2015, 5, 31), date(2015, 5, 31)), False, 365),
        (Interval(date(2000, 1, 1), date(2030, 1, 1)), True, 0),
    ],
)
def test_overlap_and_gap(other, overlaps, gap_days):
    assert MAY.overlaps(other) is overlaps
    assert other.overlaps(MAY) is overlaps
    assert MAY.gap_years(other) == pytest.approx(gap_days / DAYS_PER_YEAR)


@given(intervals, intervals)
def test_gap_equals_the_nearest_pair_of_days(a, b):
    """Judge: a gap in days is 0 or the least difference between the ends."""
    ends = [abs((x - y).days) for x in (a.start, a.end) for y in (b.start, b.end)]
    inside = any(a.start <= day <= a.end for day in (b.start, b.end)) or b.start <= a.start <= b.end
    assert a.gap_years(b) == pytest.approx(0 if inside else min(ends) / DAYS_PER_YEAR)
    assert a.gap_years(b) == b.gap_years(a)
    assert a.overlaps(b) is (a.gap_years(b) == 0)


@given(intervals)
def test_the_middle_lies_halfway(span):
    middle = span.middle()
    assert span.start <= middle <= span.end
    assert abs((middle - span.start) - (span.end - middle)) <= timedelta(days=1)


@pytest.mark.parametrize(
    ("on", "years"),
    [
        (date(2014, 5, 16), 0.0),
        (date(2024, 5, 16), 3653 / DAYS_PER_YEAR),  # 10 years, three of them leap
        (date(2010, 1, 1), 0.0),  # before it was built: never below 0
    ],
)
def test_age_counts_from_the_middle(on, years):
    assert MAY.age_years(on) == pytest.approx(years)


def test_a_year_is_a_julian_year():
    """365.25 days, the year astronomers and others use: from memory."""
    ten = Interval(date(2004, 1, 1), date(2004, 1, 1)).gap_years(
        Interval(date(2014, 1, 1), date(2014, 1, 1))
    )
    assert ten == pytest.approx(3653 / 365.25)


def test_shown_as_people_read_it():
    assert str(MAY) == "2014-05-01 to 2014-05-31"
    assert str(Interval(date(2014, 5, 1), date(2014, 5, 1))) == "2014-05-01"
