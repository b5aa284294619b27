"""P(good) of a part before it is tested: Beta prior by failure cause, age, own results."""

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import betaincinv

PRIOR_STRENGTH = 8.0  # a + b of the prior; weak on purpose (common practice)
UNKNOWN_PERCENT = 60.0  # a kind the tables do not name; common practice, a guess


@dataclass(frozen=True, slots=True)
class AgeBand:
    """Percentage points added for ages in whole years, both ends counting, by component class."""

    age_from: int
    age_to: int | None
    shift: dict[str, float]

    def covers(self, age_years: float) -> bool:
        years = int(age_years)
        return self.age_from <= years and (self.age_to is None or years <= self.age_to)


@dataclass(frozen=True, slots=True)
class Survival:
    """A Beta(a, b) belief that a part is good, and what it rests on."""

    a: float
    b: float
    passed: int = 0
    failed: int = 0

    @property
    def mean(self) -> float:
        return self.a / (self.a + self.b)

    def range(self, share: float = 0.9) -> tuple[float, float]:
        """Return the middle range that holds `share` of the belief, both ends in 0..1."""
        tail = (1 - share) / 2
        ends = (
            betaincinv(self.a, self.b, [tail, 1 - tail]) if self.a and self.b else [self.mean] * 2
        )
        return float(ends[0]), float(ends[1])


def shifted_percent(
    percent: float,
    *,
    age_years: float | None,
    component_class: str,
    bands: Sequence[AgeBand],
    most: float = 97.0,
) -> float:
    """Return the table's percentage moved for age, kept within 0..`most` points.

    Age unknown moves nothing. 0 stays 0: what is never reused does not age into use.
    """
    if percent <= 0:
        return 0.0
    shift = 0.0
    if age_years is not None:
        for band in bands:
            if band.covers(age_years):
                shift = band.shift.get(component_class, 0.0)
    return min(max(percent + shift, 1.0), max(most, percent))


def belief(percent: float, *, passed: int = 0, failed: int = 0) -> Survival:
    """Return the Beta belief: prior of strength 8 at `percent`, plus own passes and failures."""
    a = PRIOR_STRENGTH * percent / 100 + passed
    b = PRIOR_STRENGTH * (1 - percent / 100) + failed
    return Survival(a, b, passed, failed)
