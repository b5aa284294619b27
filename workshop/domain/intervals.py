"""Build dates: kept as intervals, because a plate rarely gives a day."""

from dataclasses import dataclass
from datetime import date

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Interval:
    """Days from `start` to `end`, both included. Raises ValueError when reversed."""

    start: date
    end: date

    def __post_init__(self) -> None:
        if self.end < self.start:
            raise ValueError(f"interval ends {self.end} before it begins {self.start}")

    def overlaps(self, other: "Interval") -> bool:
        return self.start <= other.end and other.start <= self.end

    def gap_years(self, other: "Interval") -> float:
        """Return the years between the nearest ends; 0 when they overlap."""
        if self.overlaps(other):
            return 0.0
        later, earlier = max(self.start, other.start), min(self.end, other.end)
        return (later - earlier).days / DAYS_PER_YEAR

    def middle(self) -> date:
        return self.start + (self.end - self.start) / 2

    def age_years(self, on: date) -> float:
        """Return the age at `on` counted from the middle; never below 0."""
        return max(0.0, (on - self.middle()).days / DAYS_PER_YEAR)

    def __str__(self) -> str:
        return str(self.start) if self.start == self.end else f"{self.start} to {self.end}"


def from_ends(start: date | None, end: date | None) -> Interval | None:
    """Return the interval; one known end stands for both; None when neither is known."""
    if start is None and end is None:
        return None
    return Interval(start or end, end or start)  # type: ignore[arg-type]
