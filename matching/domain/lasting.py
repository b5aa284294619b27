"""How long fitted parts last: the share still working after so many days, and what is promised.

Most fitted parts have not failed yet. The product-limit estimate (Kaplan and Meier, J. Am. Stat.
Assoc. 53 (1958) 457) uses them for as long as they were watched, and no longer.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Self

from matching.domain.proportions import Z95, wilson95
from workshop.domain.refusals import Checks

LONGEST_DAYS = 36_525.0


@dataclass(frozen=True, slots=True)
class Fitted:
    """Fitted parts: days they were watched, and whether they failed at their end or were working.

    count: how many such there are, where a database counted them.
    """

    days: float
    failed: bool
    kind: str = ""
    grade: str = ""
    count: int = 1


@dataclass(frozen=True, slots=True)
class Step:
    """A day on which parts failed.

    at_risk: parts watched up to that day. working: the share, 0..1, still working after it;
    error: its standard error (Greenwood); low..high: its 95 % band.
    """

    day: float
    at_risk: int
    failed: int
    working: float
    error: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Lasting:
    """The steps of one group of parts, by day; watched_days is the longest watch.

    watches: (days, parts watched so long), by days.
    """

    count: int
    failed: int
    watched_days: float
    steps: tuple[Step, ...]
    watches: tuple[tuple[float, int], ...] = ()

    def working_after(self, days: float) -> Step | None:
        """Return the step in force after so many days; None where nobody was watched so long."""
        all_failed = bool(self.steps) and self.steps[-1].working == 0
        if not self.count or (days > self.watched_days and not all_failed):
            return None
        before = [step for step in self.steps if step.day <= days]
        return before[-1] if before else _nothing_failed(days, self.count)

    @property
    def median_days(self) -> float | None:
        """Return the day by which half have failed; None while more than half still work."""
        return self.day_by(0.5)

    def day_by(self, share: float) -> float | None:
        """Return the first day by which at least this share, 0..1, has failed; None: not seen."""
        left = 1.0 - share + 1e-12
        return next((step.day for step in self.steps if step.working <= left), None)

    def at_risk(self, days: float) -> int:
        """Return how many were watched, and still working, for at least so many days."""
        return sum(count for watched, count in self.watches if watched >= days)


def lasting(parts: Iterable[Fitted]) -> Lasting:
    """Return how long parts last. On one day failures come before watches that end there.

    The band is 1.96 standard errors of log(-log(working)) either way (Kalbfleisch and Prentice):
    it stays within 0..1. Where all have failed it has no value; there it is the Wilson interval
    of none among those last at risk. Raises ValueRefused.
    """
    some = sorted(parts, key=lambda one: one.days)
    with Checks() as bad:
        for one in some:
            bad.number("days", one.days, "days", least=0, most=LONGEST_DAYS)
            bad.number("count", one.count, "parts", least=0)
    failures: dict[float, int] = defaultdict(int)
    watched: dict[float, int] = defaultdict(int)
    for one in some:
        failures[one.days] += one.count if one.failed else 0
        watched[one.days] += one.count
    count, failed = sum(watched.values()), sum(failures.values())
    longest = max((day for day, parts in watched.items() if parts), default=0.0)
    steps = tuple(_steps(watched, failures))
    return Lasting(count, failed, longest, steps, tuple(watched.items()))


def by_group(parts: Iterable[Fitted]) -> dict[tuple[str, str], Lasting]:
    """Return how long parts last by (kind, grade), sorted by both."""
    groups: dict[tuple[str, str], list[Fitted]] = defaultdict(list)
    for one in parts:
        groups[one.kind, one.grade].append(one)
    return {key: lasting(groups[key]) for key in sorted(groups)}


@dataclass(frozen=True, slots=True)
class Warranty:
    """Days promised on a used part, and why. A guide; consumer law may set more."""

    days: int
    because: str


@dataclass(frozen=True, slots=True)
class WarrantyGuide:
    """Days by grade, and the kinds that are consumed and carry none."""

    days_by_grade: Mapping[str, int]
    consumed: frozenset[str]

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> Self:
        """Build from fixtures/reference/warranty_days.json."""
        days = {row["grade"]: row["days"] for row in data["grades"]}
        return cls(days, frozenset(row["kind"] for row in data["consumed"]))

    def promised(self, *, kind: str, grade: str) -> Warranty:
        """Return what is promised. Raises ValueRefused for a grade the guide does not know."""
        with Checks() as bad:
            if grade not in self.days_by_grade:
                bad.refuse("grade", f"{grade!r} has no row; known: {', '.join(self.days_by_grade)}")
        if kind in self.consumed:
            return Warranty(0, "used up in use: no warranty by the guide; the law may set one")
        days = self.days_by_grade[grade]
        said = f"{days} days" if days else "no warranty"
        return Warranty(
            days, f"{grade.replace('-', ' ')}: {said} by the guide; the law may set more"
        )


def _steps(watched: Mapping[float, int], failures: Mapping[float, int]) -> Iterable[Step]:
    working, greenwood, at_risk = 1.0, 0.0, sum(watched.values())
    for day in sorted(failures):
        failed = failures[day]
        if failed:
            working *= 1 - failed / at_risk
            if failed < at_risk:
                greenwood += failed / (at_risk * (at_risk - failed))
            error = working * math.sqrt(greenwood)
            yield Step(day, at_risk, failed, working, error, *_band(working, greenwood, at_risk))
        at_risk -= watched[day]


def _band(working: float, greenwood: float, at_risk: int) -> tuple[float, float]:
    if working <= 0.0:
        return wilson95(0, at_risk)
    spread = Z95 * math.sqrt(greenwood) / abs(math.log(working))
    return working ** math.exp(spread), working ** math.exp(-spread)


def _nothing_failed(day: float, count: int) -> Step:
    """Return the step before any failure: all work, as far as so few can tell (Wilson)."""
    low, high = wilson95(count, count)
    return Step(day, count, 0, 1.0, 0.0, low, high)
