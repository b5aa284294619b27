"""What a rating plate states of power and voltage, as far as bench tests need it."""

from parts.domain.bench.limits import BenchLimits
from workshop.domain.refusals import Checks


def check(*, watts: float, volts: float, limits: BenchLimits, mains: bool = True) -> None:
    """Raise ValueRefused when no household machine can carry such a plate.

    mains: False for a part fed by the machine's own low voltage.
    """
    with Checks() as bad:
        sound = bad.number("watts", watts, "W", above=0)
        if not bad.number("volts", volts, "V", above=0) or not sound:
            return
        supply, current = limits["plate-mains-volts"], limits["plate-current"]
        if mains and not supply.passes(volts):
            bad.refuse(
                "volts",
                f"{volts:g} V is no mains voltage ({supply}); {watts:g} W at {volts:g} V would "
                f"draw {watts / volts:.4g} A: read the plate again",
            )
        elif not current.passes(watts / volts):
            bad.refuse(
                "watts",
                f"{watts:g} W at {volts:g} V would draw {watts / volts:.4g} A, and a household "
                f"machine draws {current}: read the plate again",
            )


def volts_of_range(low_v: float, high_v: float) -> float:
    """Return the voltage one wattage of a plate like 220-240 V stands for: the mean, 230.

    Source: rated-range rule of IEC 60335-1 cl. 5.8.4 as a test-house forum explains it.
    Raises ValueRefused when reversed or not above 0.
    """
    with Checks() as bad:
        if (
            bad.number("low_v", low_v, "V", above=0)
            and bad.number("high_v", high_v, "V", above=0)
            and high_v < low_v
        ):
            bad.refuse("high_v", f"{high_v:g} V is below the lower end, {low_v:g} V")
    return (low_v + high_v) / 2
