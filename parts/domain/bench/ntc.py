"""NTC sensors: resistance and temperature by B, by a table, and by Steinhart and Hart.

Temperatures in °C, resistances in ohm. B in kelvin. One B is good to about 1 K between 0 and
100 °C; a table is better (checked against the datasheet of curve 8016).
"""

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median
from typing import Any, Self

from parts.domain.bench.limits import BenchLimits, Limit, Standing
from parts.domain.bench.verdicts import Open, Reading, Verdict, checked, judge
from workshop.domain.refusals import Checks, ValueRefused

KELVIN = 273.15
NOMINAL_C = 25.0
COLDEST_C, HOTTEST_C = -100.0, 300.0
MOST_BETA_K = 20_000.0


def resistance_ohm(*, r25_ohm: float, beta_k: float, at_c: float) -> float:
    """Return R25 exp(B (1/T - 1/298.15)). Raises ValueRefused."""
    with Checks() as bad:
        bad.number("r25_ohm", r25_ohm, "ohm", above=0)
        bad.number("beta_k", beta_k, "K", above=0, most=MOST_BETA_K)
        bad.number("at_c", at_c, "°C", least=COLDEST_C, most=HOTTEST_C)
    return r25_ohm * math.exp(beta_k * (_inverse(at_c) - _inverse(NOMINAL_C)))


def temperature_c(*, ohm: float, r25_ohm: float, beta_k: float) -> float:
    """Return the temperature by one B. Raises ValueRefused."""
    with Checks() as bad:
        bad.number("ohm", ohm, "ohm", above=0)
        bad.number("r25_ohm", r25_ohm, "ohm", above=0)
        bad.number("beta_k", beta_k, "K", above=0, most=MOST_BETA_K)
    inverse = _inverse(NOMINAL_C) + math.log(ohm / r25_ohm) / beta_k
    if inverse <= 0:
        raise ValueRefused({"ohm": f"{ohm:g} ohm is below what this sensor reads at any heat"})
    return 1 / inverse - KELVIN


def beta_k(*, ohm_1: float, at_1_c: float, ohm_2: float, at_2_c: float) -> float:
    """Return B = ln(R1/R2) / (1/T1 - 1/T2), in kelvin. Raises ValueRefused."""
    with Checks() as bad:
        for name, ohm in (("ohm_1", ohm_1), ("ohm_2", ohm_2)):
            bad.number(name, ohm, "ohm", above=0)
        for name, at in (("at_1_c", at_1_c), ("at_2_c", at_2_c)):
            bad.number(name, at, "°C", least=COLDEST_C, most=HOTTEST_C)
        if at_1_c == at_2_c:
            bad.refuse("at_2_c", f"is {at_2_c:g} °C like the first; two temperatures are needed")
    return math.log(ohm_1 / ohm_2) / (_inverse(at_1_c) - _inverse(at_2_c))


def spread_percent(
    *, at_c: float, beta_k: float, r25_percent: float, beta_percent: float = 1.0
) -> float:
    """Return how far a sound part may be off its curve at a temperature, in percent.

    From the tolerances of R25 and of B that its maker states: widest away from 25 °C.
    Raises ValueRefused.
    """
    with Checks() as bad:
        bad.number("at_c", at_c, "°C", least=COLDEST_C, most=HOTTEST_C)
        bad.number("beta_k", beta_k, "K", above=0, most=MOST_BETA_K)
        bad.number("r25_percent", r25_percent, "%", least=0, most=100)
        bad.number("beta_percent", beta_percent, "%", least=0, most=100)
    of_beta = beta_k * beta_percent / 100 * abs(_inverse(at_c) - _inverse(NOMINAL_C))
    return ((1 + r25_percent / 100) * math.exp(of_beta) - 1) * 100


@dataclass(frozen=True, slots=True)
class Curve:
    """A table of resistance over resistance at 25 °C, warmest last, falling."""

    slug: str
    celsius: tuple[float, ...]
    ratios: tuple[float, ...]
    source: str = ""

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Self:
        """Build from a row of `ntc_curves` in bench_tests.json. Raises ValueRefused."""
        points = sorted((float(at), float(ratio)) for at, ratio in row["points"].items())
        falling = all(a[1] > b[1] > 0 for a, b in pairwise(points))
        if len(points) < 2 or not falling:
            raise ValueRefused({"points": f"curve {row['slug']}: two or more falling values"})
        celsius, ratios = zip(*points, strict=True)
        return cls(row["slug"], celsius, ratios, row["source"])

    def ratio(self, at_c: float) -> float:
        """Return R/R25, ln R straight over 1/T between two rows. Raises ValueRefused outside."""
        with Checks() as bad:
            bad.number("at_c", at_c, "°C", least=self.celsius[0], most=self.celsius[-1])
        return math.exp(self._between(self.celsius, at_c, _inverse, self.ratios, math.log))

    def temperature_c(self, ratio: float) -> float:
        """Return the temperature of a ratio R/R25. Raises ValueRefused outside the table."""
        with Checks() as bad:
            bad.number("ratio", ratio, "", least=self.ratios[-1], most=self.ratios[0])
        warm = self.ratios[::-1], self.celsius[::-1]
        return 1 / self._between(warm[0], ratio, math.log, warm[1], _inverse) - KELVIN

    @staticmethod
    def _between(xs: Sequence[float], x: float, of_x: Any, ys: Sequence[float], of_y: Any) -> float:
        """Return of_y(y) at x, straight in of_x between the two rows around it; xs rise."""
        right = min(max(bisect_left(xs, x), 1), len(xs) - 1)
        left = right - 1
        share = (of_x(x) - of_x(xs[left])) / (of_x(xs[right]) - of_x(xs[left]))
        return float(of_y(ys[left]) + share * (of_y(ys[right]) - of_y(ys[left])))


@dataclass(frozen=True, slots=True)
class SteinhartHart:
    """1/T = a + b ln R + c (ln R)³, with R in ohm and T in kelvin."""

    a: float
    b: float
    c: float

    def temperature_c(self, ohm: float) -> float:
        """Raises ValueRefused when not above 0."""
        with Checks() as bad:
            bad.number("ohm", ohm, "ohm", above=0)
        log = math.log(ohm)
        return 1 / (self.a + self.b * log + self.c * log**3) - KELVIN

    @classmethod
    def through(cls, points: Sequence[tuple[float, float]]) -> Self:
        """Return the curve through three points (°C, ohm). Raises ValueRefused."""
        with Checks() as bad:
            if len(points) != 3 or len({ohm for _, ohm in points}) != 3:
                bad.refuse("points", "three points of different resistance are needed")
            for at_c, ohm in points:
                bad.number("points", ohm, "ohm", above=0)
                bad.number("points", at_c, "°C", least=COLDEST_C, most=HOTTEST_C)
        (l1, y1), (l2, y2), (l3, y3) = ((math.log(ohm), _inverse(at)) for at, ohm in points)
        slope_2, slope_3 = (y2 - y1) / (l2 - l1), (y3 - y1) / (l3 - l1)
        c = (slope_3 - slope_2) / (l3 - l2) / (l1 + l2 + l3)
        b = slope_2 - c * (l1 * l1 + l1 * l2 + l2 * l2)
        return cls(y1 - (b + l1 * l1 * c) * l1, b, c)


def outliers(table: Mapping[float, float], *, limits: BenchLimits) -> dict[float, float]:
    """Return the rows of a table °C → ohm that cannot belong to it, with the B each implies.

    B is taken against the row at 25 °C; a row further off the median of all than the limit
    `ntc-table-beta` is a misprint or a misreading. Raises ValueRefused without that row.
    """
    if NOMINAL_C not in table or len(table) < 4:
        raise ValueRefused({"table": "a row at 25 °C and three more are needed"})
    betas = {
        at: beta_k(ohm_1=ohm, at_1_c=at, ohm_2=table[NOMINAL_C], at_2_c=NOMINAL_C)
        for at, ohm in table.items()
        if at != NOMINAL_C
    }
    usual, limit = median(betas.values()), limits["ntc-table-beta"]
    return {at: b for at, b in betas.items() if not limit.passes((b / usual - 1) * 100)}


def judge_resistance(
    *,
    measured_ohm: Reading,
    expected_ohm: float,
    at_c: float | None,
    limits: BenchLimits,
    spread: float | None = None,
) -> Verdict:
    """Return the verdict on an NTC read at a known temperature, in percent off what is expected.

    expected_ohm comes from `resistance_ohm` or a Curve at `at_c`. spread: what the maker's
    tolerances allow there (`spread_percent`); without it the guide's. OPEN fails.
    Raises ValueRefused: a reading without a temperature, negative or not finite.
    """
    limit = limits["ntc-deviation"] if spread is None else _by_maker(spread, limits)
    measured = checked("measured_ohm", measured_ohm, "ohm")
    with Checks() as bad:
        bad.number("expected_ohm", expected_ohm, "ohm", above=0)
        if measured is not None and at_c is None:
            bad.refuse("at_c", "is missing; an NTC says nothing without its temperature, in °C")
        bad.number("at_c", at_c, "°C", least=COLDEST_C, most=HOTTEST_C, needed=False)
    if measured is None or isinstance(measured, Open):
        return judge("NTC resistance off its curve", measured, limit)
    off = (measured / expected_ohm - 1) * 100
    verdict = judge("NTC resistance off its curve", off, limit)
    return verdict.noting(f"{measured:g} ohm at {at_c:g} °C, {expected_ohm:.5g} ohm expected.")


def _by_maker(spread: float, limits: BenchLimits) -> Limit:
    """Return the window a maker's tolerances give; the guide's wider one stays doubtful."""
    with Checks() as bad:
        bad.number("spread", spread, "%", above=0, most=100)
    guide = limits["ntc-deviation"]
    return replace(
        guide,
        slug="ntc-spread",
        low=-spread,
        high=spread,
        doubtful_low=min(-spread, guide.doubtful_low or 0.0),
        doubtful_high=max(spread, guide.doubtful_high or 0.0),
        standing=Standing.MAKER,
        source="tolerances of R25 and B as the maker states them",
    )


def _inverse(celsius: float) -> float:
    return 1 / (celsius + KELVIN)
