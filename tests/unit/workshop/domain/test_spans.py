import calendar
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workshop.domain.intervals import Interval
from workshop.domain.refusals import ValueRefused
from workshop.domain.spans import read_span, write_span

DAYS = st.dates(date(1950, 1, 1), date(2100, 12, 31))


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ("2022", date(2022, 1, 1), date(2022, 12, 31)),
        ("2024-02", date(2024, 2, 1), date(2024, 2, 29)),
        (" 2022-06-30 ", date(2022, 6, 30), date(2022, 6, 30)),
    ],
)
def test_a_text_stands_for_its_days(text, start, end):
    assert read_span(text) == Interval(start, end)


@given(DAYS)
def test_months_end_where_the_calendar_says(day):
    """Judge: the first day of the next month less one, and the standard calendar."""
    span = read_span(f"{day:%Y-%m}")
    assert span is not None
    assert (span.end + timedelta(days=1)).day == 1
    assert span.end.day == calendar.monthrange(day.year, day.month)[1]
    assert span.start.day == 1


@given(DAYS, st.sampled_from(["%Y", "%Y-%m", "%Y-%m-%d"]))
def test_what_is_written_reads_back(day, shape):
    text = day.strftime(shape)
    assert write_span(read_span(text)) == text


@pytest.mark.parametrize(
    "text", ["22", "2022-13", "2023-02-29", "2022/06", "soon", "20220630", "0000"]
)
def test_what_is_no_date_is_refused_by_the_field(text):
    with pytest.raises(ValueRefused) as refused:
        read_span(text, field="last_sold")
    assert list(refused.value.fields) == ["last_sold"]


def test_blank_is_not_known():
    assert read_span("  ") is None
    assert write_span(None) == ""
