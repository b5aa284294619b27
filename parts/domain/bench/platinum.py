"""Platinum sensors Pt100 and Pt1000. Source: IEC 60751 (coefficients, classes A and B)."""

from parts.domain.bench.limits import BenchLimits, Limit, Standing
from parts.domain.bench.verdicts import Reading, Verdict, checked, judge
from workshop.domain.refusals import Checks, ValueRefused

_STEPS = 60  # halvings of the range: far below the last digit of any meter


def resistance_ohm(*, at_c: float, limits: BenchLimits, r0_ohm: float = 100.0) -> float:
    """Return R0 (1 + A t + B t² [+ C (t - 100) t³ below 0 °C]). r0_ohm: 100 or 1000.

    Raises ValueRefused outside -200 to 850 °C.
    """
    row = limits.platinum
    with Checks() as bad:
        bad.number("at_c", at_c, "°C", least=row["low_c"], most=row["high_c"])
        bad.number("r0_ohm", r0_ohm, "ohm", above=0)
    cold = row["c"] * (at_c - 100) * at_c**3 if at_c < 0 else 0.0
    return float(r0_ohm * (1 + row["a"] * at_c + row["b"] * at_c**2 + cold))


def temperature_c(*, ohm: float, limits: BenchLimits, r0_ohm: float = 100.0) -> float:
    """Return the temperature of a reading, by halving: the curve rises over its whole range.

    Raises ValueRefused for a resistance no platinum sensor of this kind has.
    """
    low, high = float(limits.platinum["low_c"]), float(limits.platinum["high_c"])
    with Checks() as bad:
        least = resistance_ohm(at_c=low, limits=limits, r0_ohm=r0_ohm)
        most = resistance_ohm(at_c=high, limits=limits, r0_ohm=r0_ohm)
        bad.number("ohm", ohm, "ohm", least=least, most=most)
    for _ in range(_STEPS):
        middle = (low + high) / 2
        if resistance_ohm(at_c=middle, limits=limits, r0_ohm=r0_ohm) < ohm:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def tolerance_c(*, at_c: float, limits: BenchLimits, tolerance_class: str = "B") -> float:
    """Return the tolerance in °C either way: B ±(0.3 + 0.005 |t|), A ±(0.15 + 0.002 |t|).

    Raises ValueRefused for another class.
    """
    classes = limits.platinum["classes"]
    if tolerance_class not in classes:
        known = ", ".join(classes)
        raise ValueRefused({"tolerance_class": f"{tolerance_class!r} is none of {known}"})
    fixed, share = classes[tolerance_class]
    return float(fixed + share * abs(at_c))


def judge_resistance(
    *,
    measured_ohm: Reading,
    at_c: float,
    limits: BenchLimits,
    r0_ohm: float = 100.0,
    tolerance_class: str = "B",
) -> Verdict:
    """Return the verdict on a platinum sensor read at a known temperature, in ohm.

    Above the window by no more than the leads' resistance is doubtful. OPEN fails.
    Raises ValueRefused: negative, not finite, outside the range.
    """
    measured = checked("measured_ohm", measured_ohm, "ohm")
    off = tolerance_c(at_c=at_c, limits=limits, tolerance_class=tolerance_class)
    row = limits.platinum

    def at(celsius: float) -> float:
        kept = min(max(celsius, row["low_c"]), row["high_c"])
        return resistance_ohm(at_c=kept, limits=limits, r0_ohm=r0_ohm)

    nominal = resistance_ohm(at_c=at_c, limits=limits, r0_ohm=r0_ohm)
    low, high = min(at(at_c - off), nominal), max(at(at_c + off), nominal)
    limit = Limit(
        slug=f"platinum-class-{tolerance_class.lower()}",
        unit="ohm",
        low=low,
        high=high,
        doubtful_low=low,
        doubtful_high=high + row["lead_ohm"],
        standing=Standing.STANDARD,
        source=f"IEC 60751 class {tolerance_class}, {nominal:.5g} ohm at {at_c:g} °C",
    )
    verdict = judge("platinum sensor", measured, limit)
    if isinstance(measured, int | float) and limit.is_doubtful(measured):
        return verdict.noting("It may be the leads: zero the meter or measure with four wires.")
    return verdict
