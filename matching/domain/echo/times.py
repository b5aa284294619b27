"""When a mail goes: at once, once a day at an hour, and never within quiet hours.

Times of day are read on the clock of the member's place. Where the clocks change, a time that
comes twice means its first coming, and one that is skipped is read by the clock of before the
change (RFC 5545, 3.3.5). So quiet hours, too, begin and end at fixed instants.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

DAY = timedelta(days=1)


class Way(StrEnum):
    """How a member is mailed news of one kind."""

    AT_ONCE = "at-once"
    DAILY = "daily"
    OFF = "off"


@dataclass(frozen=True)
class Hours:
    """A member's times. Quiet from..to; both None: none. to before from: over midnight."""

    zone: ZoneInfo
    daily_at: time
    quiet_from: time | None = None
    quiet_to: time | None = None

    def __post_init__(self) -> None:
        if (self.quiet_from is None) != (self.quiet_to is None):
            raise ValueError("quiet hours need a beginning and an end")
        if self.quiet_from is not None and self.quiet_from == self.quiet_to:
            raise ValueError("quiet hours begin and end at the same time")


def instant(day: date, at: time, zone: ZoneInfo) -> datetime:
    """Return when the clocks of a place first show a time on a day, in UTC."""
    return datetime.combine(day, at.replace(fold=0), tzinfo=zone).astimezone(UTC)


def next_daily(now: datetime, hours: Hours) -> datetime:
    """Return the first coming of the daily hour after now, in UTC."""
    today = now.astimezone(hours.zone).date()
    days = (today + DAY * ahead for ahead in (-1, 0, 1, 2))
    return min(moment for day in days if (moment := instant(day, hours.daily_at, hours.zone)) > now)


def quiet_until(now: datetime, hours: Hours) -> datetime | None:
    """Return when the quiet hours around now end, in UTC; None outside of them."""
    if hours.quiet_from is None or hours.quiet_to is None:
        return None
    today = now.astimezone(hours.zone).date()
    over = DAY if hours.quiet_to < hours.quiet_from else timedelta()
    for day in (today - DAY, today, today + DAY):
        begin = instant(day, hours.quiet_from, hours.zone)
        end = instant(day + over, hours.quiet_to, hours.zone)
        if begin <= now < end:
            return end
    return None


def due(now: datetime, way: Way, hours: Hours) -> datetime | None:
    """Return when news of now is to be mailed, in UTC; None when it is not."""
    if way is Way.OFF:
        return None
    at = now if way is Way.AT_ONCE else next_daily(now, hours)
    return quiet_until(at, hours) or at
