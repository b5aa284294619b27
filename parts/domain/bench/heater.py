"""Heater: cold resistance against the plate's watts and volts."""

from dataclasses import dataclass

from parts.domain.bench import plates
from parts.domain.bench.limits import BenchLimits, Deviation, Limit, Standing
from parts.domain.bench.verdicts import OPEN, Reading, Verdict, checked, judge


@dataclass(frozen=True, slots=True)
class Window:
    """Resistance in ohm: lowest, as the plate says, highest (None: no upper bound)."""

    low: float
    nominal: float
    high: float | None
    rule: Deviation


def window(
    *, watts: float, volts: float, limits: BenchLimits, kind: str = "heating", mains: bool = True
) -> Window:
    """Return the resistance window of a heater: R = U²/P with P as far off as the plate allows.

    kind: "heating" (also combined appliances) or "motor". A sheathed heater of resistance wire
    reads 2 to 4 % less cold than hot, which the window ignores.
    Raises ValueRefused for a plate that cannot be.
    Source: IEC 60335-1 cl. 10.1 table 1, a limit of the appliance: applied to the part it is
    derived, a screening window, and a guide as long as its row is only remembered.
    """
    plates.check(watts=watts, volts=volts, limits=limits, mains=mains)
    rule = next(row for row in limits.deviations if row.covers(kind, watts))
    nominal = volts**2 / watts
    high = nominal / (1 - rule.minus) if rule.minus is not None else None
    return Window(nominal / (1 + rule.plus_of(watts)), nominal, high, rule)


def judge_resistance(
    *,
    measured_ohm: Reading,
    watts: float,
    volts: float,
    limits: BenchLimits,
    kind: str = "heating",
    mains: bool = True,
) -> Verdict:
    """Return the verdict on a heater's cold resistance in ohm; OPEN fails.

    A reading above the window by no more than the leads' resistance is doubtful.
    Raises ValueRefused: negative or not finite, or an impossible plate.
    """
    measured = checked("measured_ohm", measured_ohm, "ohm")
    found = window(watts=watts, volts=volts, limits=limits, kind=kind, mains=mains)
    leads = limits["heater-lead-ohm"].high or 0.0
    limit = Limit(
        slug="heater-window",
        unit="ohm",
        low=found.low,
        high=found.high,
        doubtful_low=found.low,
        doubtful_high=None if found.high is None else found.high + leads,
        standing=_standing(found.rule),
        source=f"U²/P of {volts:g} V {watts:g} W; deviation {found.rule.source}",
    )
    verdict = judge("heater resistance", measured, limit)
    if measured is OPEN or measured is None or limit.passes(measured):
        return verdict
    if limit.is_doubtful(measured):
        return verdict.noting("Zero the meter with its leads together and measure again.")
    return verdict.noting("Measure it cold and with its wires off before throwing it away.")


def _standing(rule: Deviation) -> Standing:
    """Return what a window worked out from a row is worth: never more than derived."""
    return Standing.DERIVED if rule.standing is Standing.STANDARD else Standing.GUIDE
