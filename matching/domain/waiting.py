"""How likely, and when, a machine comes in that serves a waiting need.

Machines that could serve the need come in as a Poisson process. Its rate has a gamma prior,
updated by those that came in while somebody counted. Each of them serves with a chance of its own,
P(fit) x P(good); the process is thinned by their mean. With the rate integrated out, the number
that serve within a time is negative-binomial (Gelman and others, Bayesian Data Analysis, 2.6).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Self

from scipy.integrate import quad
from scipy.special import betainc, betaincinv, gammainc, gammaincinv

from workshop.domain.refusals import Checks

LONGEST_DAYS = 36_525.0
MOST_AHEAD = 10_000


@dataclass(frozen=True, slots=True)
class Prior:
    """What is believed before anything was counted: Gamma(shape, days), and p_serves of it.

    The default expects 2.6 machines a year and weighs as much as ten weeks of counting. Common
    practice, a guess; a year of a workshop's own counts outweighs it five times.
    """

    shape: float = 0.5
    days: float = 70.0
    p_serves: float = 0.5


@dataclass(frozen=True, slots=True)
class Arrivals:
    """How often such machines come in: their daily rate is Gamma(shape, days), days the inverse
    scale; p_serves, 0..1, is the mean chance that one of them serves the need.
    """

    shape: float
    days: float
    p_serves: float

    @classmethod
    def counted(
        cls, chances: Sequence[float], *, span_days: float, prior: Prior | None = None
    ) -> Self:
        """Return what is believed after counting for span_days.

        chances: P(fit) x P(good) of each machine that came in and could have served. The prior
        counts as `shape` machines of its own p_serves in the mean. Raises ValueRefused.
        """
        start = prior or Prior()
        with Checks() as bad:
            bad.number("span_days", span_days, "days", least=0, most=LONGEST_DAYS)
            bad.number("prior_shape", start.shape, above=0)
            bad.number("prior_days", start.days, "days", above=0)
            bad.number("prior_p_serves", start.p_serves, least=0, most=1)
            for one in chances:
                bad.number("chances", one, least=0, most=1)
            if chances and span_days == 0:
                bad.refuse("span_days", "machines came in within no time; give the days counted")
        shape = start.shape + len(chances)
        p_serves = (start.shape * start.p_serves + math.fsum(chances)) / shape
        return cls(shape, start.days + span_days, p_serves)

    @property
    def a_year(self) -> float:
        """Return the mean number of machines a year that serve."""
        return 365.25 * self.p_serves * self.shape / self.days

    def faster(self, times: float) -> "Arrivals":
        """Return the same with the rate so many times as high. Raises ValueRefused."""
        with Checks() as bad:
            bad.number("times", times, above=0)
        return Arrivals(self.shape, self.days / times, self.p_serves)

    def within(self, days: float) -> float:
        """Return the share of the next waiting time in all the time there is: p t / (b + p t)."""
        useful = self.p_serves * days
        return useful / (self.days + useful)


@dataclass(frozen=True, slots=True)
class Point:
    """The chance that the need is served within so many days; low..high is its band."""

    days: float
    chance: float
    low: float
    high: float


def chance(arrivals: Arrivals, *, days: float, ahead: int = 0) -> float:
    """Return the chance, 0..1, that more than `ahead` machines serve within days.

    ahead: how many others wait for the same and come first; each takes one. Raises ValueRefused.
    """
    _check(days, ahead)
    # The upper tail of the negative binomial, as a regularised incomplete beta function.
    return float(betainc(ahead + 1, arrivals.shape, arrivals.within(days)))


def curve(
    arrivals: Arrivals, days: Iterable[float], *, ahead: int = 0, band: float = 0.8
) -> tuple[Point, ...]:
    """Return the chance by each day, with the share `band` of rates the counts allow.

    The ends are the Poisson chances at the rate's outer quantiles: what the odds would be if the
    rate were known to be that low or high. Raises ValueRefused.
    """
    with Checks() as bad:
        bad.number("band", band, above=0)
        if band >= 1:
            bad.refuse("band", f"{band:g} leaves nothing outside; give less than 1")
    ends = [_rate_at(arrivals, (1 - band) / 2), _rate_at(arrivals, (1 + band) / 2)]
    points = []
    for day in days:
        middle = chance(arrivals, days=day, ahead=ahead)
        low, high = (float(gammainc(ahead + 1, rate * day)) for rate in ends)
        points.append(Point(day, middle, low, high))
    return tuple(points)


def day_by(arrivals: Arrivals, *, reaching: float, ahead: int = 0) -> float | None:
    """Return the days until the chance reaches `reaching`; None when it never does in a century.

    reaching: in 0..1, below 1. 0.5 gives the median wait. Raises ValueRefused.
    """
    _check(0, ahead)
    with Checks() as bad:
        bad.number("reaching", reaching, least=0)
        if reaching >= 1:
            bad.refuse("reaching", "no wait is certain to end; give a chance below 1")
    share = float(betaincinv(ahead + 1, arrivals.shape, reaching))
    if arrivals.p_serves == 0 or share >= 1:
        return 0.0 if reaching == 0 else None
    days = arrivals.days * share / (arrivals.p_serves * (1 - share))
    return days if days <= LONGEST_DAYS else None


def expected_days(
    arrivals: Arrivals, *, ahead: int = 0, until: float | None = None
) -> float | None:
    """Return the mean wait in days, one that reaches `until` days ending there unserved.

    Without `until` the wait may have no mean: with a shape of 1 or less the rate may be so low
    that nothing ever comes; None says so. Raises ValueRefused.
    """
    _check(until or 0.0, ahead)
    if until is None:
        if arrivals.shape <= 1 or arrivals.p_serves == 0:
            return None
        return (ahead + 1) * arrivals.days / (arrivals.p_serves * (arrivals.shape - 1))
    waited, _ = quad(lambda day: 1 - chance(arrivals, days=day, ahead=ahead), 0, until, limit=200)
    return float(waited)


def _rate_at(arrivals: Arrivals, share: float) -> float:
    """Return the daily rate of machines that serve which a share of the belief lies below."""
    return arrivals.p_serves * float(gammaincinv(arrivals.shape, share)) / arrivals.days


def _check(days: float, ahead: int) -> None:
    with Checks() as bad:
        bad.number("days", days, "days", least=0, most=LONGEST_DAYS)
        bad.number("ahead", ahead, "waiting before", least=0, most=MOST_AHEAD)
        if ahead != int(ahead):
            bad.refuse("ahead", f"{ahead} is no whole number of jobs")
