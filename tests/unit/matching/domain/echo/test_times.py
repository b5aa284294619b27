"""When a mail goes, around changes of the clocks."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matching.domain.echo.times import Hours, Way, due, instant, next_daily, quiet_until

NEW_YORK = ZoneInfo("America/New_York")
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")  # its clocks change by half an hour
ZONES = [
    ZoneInfo(name)
    for name in (
        "UTC",
        "Europe/Lisbon",
        "America/New_York",
        "America/Santiago",
        "Australia/Lord_Howe",
        "Asia/Kathmandu",
        "Africa/Casablanca",
        "Pacific/Chatham",
    )
]


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[misc]


def test_a_skipped_and_a_doubled_time_are_read_as_the_standard_says() -> None:
    """RFC 5545, 3.3.5 (page 33): its two examples, for New York in 2007.

    "TZID=America/New_York:20071104T013000 indicates November 4, 2007 at 1:30 A.M. EDT (UTC-04:00)",
    "TZID=America/New_York:20070311T023000 indicates March 11, 2007 at 3:30 A.M. EDT (UTC-04:00)".
    """
    assert instant(date(2007, 11, 4), time(1, 30), NEW_YORK) == utc(2007, 11, 4, 5, 30)
    assert instant(date(2007, 3, 11), time(2, 30), NEW_YORK) == utc(2007, 3, 11, 7, 30)


def hours(
    daily: time = time(7), quiet: tuple[time, time] | None = None, zone: ZoneInfo = NEW_YORK
) -> Hours:
    return Hours(zone, daily, *(quiet or (None, None)))


@pytest.mark.parametrize(
    ("now", "daily", "expected"),
    [
        # An ordinary day: seven o'clock is 12:00 UTC in winter, 11:00 in summer.
        (utc(2026, 1, 15, 11, 59), time(7), utc(2026, 1, 15, 12)),
        (utc(2026, 1, 15, 12), time(7), utc(2026, 1, 16, 12)),
        (utc(2026, 7, 15, 12), time(7), utc(2026, 7, 16, 11)),
        # Clocks go forward on 2026-03-08: the next mail comes 23 hours later.
        (utc(2026, 3, 7, 12), time(7), utc(2026, 3, 8, 11)),
        # 02:30 is skipped that day, and comes at 03:30 by the new clock.
        (utc(2026, 3, 8, 6), time(2, 30), utc(2026, 3, 8, 7, 30)),
        # Clocks go back on 2026-11-01: 01:30 comes twice, the mail once.
        (utc(2026, 11, 1, 5), time(1, 30), utc(2026, 11, 1, 5, 30)),
        (utc(2026, 11, 1, 5, 30), time(1, 30), utc(2026, 11, 2, 6, 30)),
    ],
)
def test_the_daily_mail(now: datetime, daily: time, expected: datetime) -> None:
    assert next_daily(now, hours(daily)) == expected


NIGHT = (time(22), time(6))


@pytest.mark.parametrize(
    ("now", "quiet", "expected"),
    [
        (utc(2026, 1, 15, 3), NIGHT, utc(2026, 1, 15, 11)),  # 22:00 sharp
        (utc(2026, 1, 15, 10, 59), NIGHT, utc(2026, 1, 15, 11)),  # 05:59
        (utc(2026, 1, 15, 11), NIGHT, None),  # 06:00 sharp
        (utc(2026, 1, 15, 18), NIGHT, None),
        (utc(2026, 1, 15, 18), (time(12), time(14)), utc(2026, 1, 15, 19)),  # within a day
        # Over the night the clocks change they are an hour shorter, or longer.
        (utc(2026, 3, 8, 3), NIGHT, utc(2026, 3, 8, 10)),
        (utc(2026, 11, 1, 2), NIGHT, utc(2026, 11, 1, 11)),
        # They end at the first 01:30 of the night that has two: the second is not quiet.
        (utc(2026, 11, 1, 5, 29), (time(22), time(1, 30)), utc(2026, 11, 1, 5, 30)),
        (utc(2026, 11, 1, 6, 10), (time(22), time(1, 30)), None),
        # They would end at a time that is skipped.
        (utc(2026, 3, 8, 6), (time(22), time(2, 30)), utc(2026, 3, 8, 7, 30)),
        (utc(2026, 1, 15, 18), None, None),
    ],
)
def test_quiet_hours(
    now: datetime, quiet: tuple[time, time] | None, expected: datetime | None
) -> None:
    assert quiet_until(now, hours(quiet=quiet)) == expected


def test_half_an_hour_back() -> None:
    """Lord Howe Island, 2026-04-05: 02:00 becomes 01:30 (IANA time zone database)."""
    there = hours(time(1, 45), zone=LORD_HOWE)
    first = next_daily(utc(2026, 4, 4, 12), there)
    assert first == utc(2026, 4, 4, 14, 45)
    assert next_daily(first, there) == utc(2026, 4, 5, 15, 15)


def test_what_is_due_when() -> None:
    at_night = utc(2026, 1, 15, 4)
    asleep = hours(time(5), NIGHT)
    assert due(at_night, Way.OFF, asleep) is None
    assert due(at_night, Way.AT_ONCE, asleep) == utc(2026, 1, 15, 11)
    assert due(at_night, Way.AT_ONCE, hours()) == at_night
    # A daily mail within the quiet hours waits for their end.
    assert due(at_night, Way.DAILY, asleep) == utc(2026, 1, 15, 11)


@pytest.mark.parametrize("quiet", [(time(1), None), (None, time(1)), (time(1), time(1))])
def test_half_said_quiet_hours_are_refused(quiet: tuple[time | None, time | None]) -> None:
    with pytest.raises(ValueError, match="quiet hours"):
        Hours(NEW_YORK, time(7), *quiet)


moments = st.integers(0, 4 * 366 * 24 * 60).map(
    lambda minutes: utc(2024, 1, 1) + timedelta(minutes=minutes)
)
clocks = st.times().map(lambda at: at.replace(second=0, microsecond=0))


@given(moments, clocks, st.sampled_from(ZONES))
def test_the_daily_mail_comes_once_a_day(now: datetime, daily: time, zone: ZoneInfo) -> None:
    there = hours(daily, zone=zone)
    first = next_daily(now, there)
    second = next_daily(first, there)
    assert timedelta() < first - now <= timedelta(hours=25, minutes=1)
    assert timedelta(hours=22, minutes=59) <= second - first <= timedelta(hours=25)
    days = [one.astimezone(zone).date() for one in (first, second)]
    assert days[1] - days[0] == timedelta(days=1)


@given(moments, clocks, clocks, st.sampled_from(ZONES))
def test_quiet_hours_end(now: datetime, begin: time, end: time, zone: ZoneInfo) -> None:
    if begin == end:
        return
    there = hours(quiet=(begin, end), zone=zone)
    until = quiet_until(now, there)
    shown = now.astimezone(zone).replace(tzinfo=None, fold=0).time()
    within = begin <= shown < end if begin < end else not end <= shown < begin
    # Far from a change of the clocks it is what the clock on the wall says.
    steady = {(now + timedelta(hours=h)).astimezone(zone).utcoffset() for h in range(-30, 31, 3)}
    if len(steady) == 1:
        assert (until is not None) == within
    if until is not None:
        assert timedelta() < until - now <= timedelta(hours=25)
        assert quiet_until(until, there) is None
    at = due(now, Way.DAILY, there)
    assert at is not None
    assert at > now
    assert quiet_until(at, there) is None
