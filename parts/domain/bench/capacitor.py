"""Run capacitors: capacitance against the print and against ageing; in-circuit current.

A capacitor keeps its charge: discharge it through a resistor and prove it before measuring.
"""

import math

from parts.domain.bench.limits import BenchLimits, Limit, Standing
from parts.domain.bench.verdicts import Reading, Verdict, checked, judge, worst
from workshop.domain.refusals import Checks


def window_uf(*, marked_uf: float, tolerance_percent: float) -> tuple[float, float]:
    """Return lowest and highest capacitance the print allows, in microfarad."""
    with Checks() as bad:
        bad.number("marked_uf", marked_uf, "uF", above=0)
        bad.number("tolerance_percent", tolerance_percent, "%", above=0, most=100)
    return marked_uf * (1 - tolerance_percent / 100), marked_uf * (1 + tolerance_percent / 100)


def judge_capacitance(
    *, measured_uf: Reading, marked_uf: float, tolerance_percent: float, limits: BenchLimits
) -> Verdict:
    """Return the verdict on a run capacitor out of circuit and discharged, in microfarad.

    The worse of two: the tolerance printed on it (its maker's), and ageing (common practice: 5
    to 10 % below is not for resale, beyond 10 % scrap). OPEN fails. Raises ValueRefused.
    """
    measured = checked("measured_uf", measured_uf, "uF")
    low, high = window_uf(marked_uf=marked_uf, tolerance_percent=tolerance_percent)
    ageing = limits["run-capacitor-ageing"]

    def microfarad(percent: float | None) -> float | None:
        return None if percent is None else marked_uf * (1 + percent / 100)

    printed = Limit(
        slug="capacitor-print",
        unit="uF",
        low=low,
        high=high,
        doubtful_low=low,
        doubtful_high=high,
        standing=Standing.MAKER,
        source=f"printed {marked_uf:g} uF ±{tolerance_percent:g} %",
    )
    aged = Limit(
        slug=ageing.slug,
        unit="uF",
        low=microfarad(ageing.low),
        high=None,
        doubtful_low=microfarad(ageing.doubtful_low),
        doubtful_high=None,
        standing=ageing.standing,
        source=ageing.source,
    )
    return worst(judge("capacitance", measured, limit) for limit in (printed, aged))


def current_a(*, microfarad: float, volts: float, hertz: float) -> float:
    """Return the current through a capacitor, I = 2 pi f C U, in ampere."""
    with Checks() as bad:
        bad.number("microfarad", microfarad, "uF", least=0)
        bad.number("volts", volts, "V", least=0)
        bad.number("hertz", hertz, "Hz", above=0)
    return 2 * math.pi * hertz * microfarad * 1e-6 * volts


def microfarad_of(*, ampere: float, volts: float, hertz: float) -> float:
    """Return the capacitance in microfarad that draws a current; the inverse of `current_a`."""
    with Checks() as bad:
        bad.number("ampere", ampere, "A", least=0)
        bad.number("volts", volts, "V", above=0)
        bad.number("hertz", hertz, "Hz", above=0)
    return ampere / (2 * math.pi * hertz * volts) * 1e6


def reactance_ohm(*, microfarad: float, hertz: float) -> float:
    """Return 1 / (2 pi f C), in ohm."""
    with Checks() as bad:
        bad.number("microfarad", microfarad, "uF", above=0)
        bad.number("hertz", hertz, "Hz", above=0)
    return 1 / (2 * math.pi * hertz * microfarad * 1e-6)
