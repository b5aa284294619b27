"""The days on which somebody looks at a waiting job again, and the day its wait is over."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

REVIEW, OVER = "review", "over"


@dataclass(frozen=True, slots=True)
class Waiting:
    """since: the day it was opened, or the wait was last made longer. until: its last day.

    after: on which days after `since` it is looked at again (common practice: 14 and 28).
    """

    since: date
    until: date
    after: Sequence[int]

    def news(self) -> list[tuple[date, str]]:
        """Return the days something is due and what, in order: reviews within the wait, its end."""
        days = [self.since + timedelta(days=one) for one in sorted(self.after)]
        reviews = [(day, REVIEW) for day in days if day <= self.until]
        return [*reviews, (self.until + timedelta(days=1), OVER)]

    def due(self, on: date) -> tuple[date, str] | None:
        """Return the latest news due by a day: what came before it is no longer news."""
        past = [one for one in self.news() if one[0] <= on]
        return past[-1] if past else None

    def next_after(self, on: date) -> date | None:
        """Return the first day after `on` with something due; None when all is told."""
        return next((day for day, _ in self.news() if day > on), None)
