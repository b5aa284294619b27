"""Copper (or aluminium) windings: resistance at 20 °C and temperature rise by resistance.

k is the metal's constant in kelvin: 235 copper, 225 aluminium (some texts: 234.5 for copper).
Source: IEC 60335-1 cl. 11, IEC 60034-1; values in fixtures/reference/bench_tests.json.
"""

from workshop.domain.refusals import Checks

REFERENCE_C = 20.0
COPPER_K = 235.0
COLDEST_C, HOTTEST_C = -60.0, 400.0  # beyond these somebody mistyped


def at_20(*, ohm: float, temperature_c: float | None, k: float = COPPER_K) -> float:
    """Return a winding's resistance in ohm referred to 20 °C: R (k + 20) / (k + t).

    Raises ValueRefused: no temperature, a negative or non-finite value.
    """
    with Checks() as bad:
        bad.number("ohm", ohm, "ohm", least=0)
        check_temperature(bad, "temperature_c", temperature_c)
    assert temperature_c is not None
    return ohm * (k + REFERENCE_C) / (k + temperature_c)


def rise_k(
    *, cold_ohm: float, hot_ohm: float, cold_c: float | None, room_c: float | None, k: float = 235.0
) -> float:
    """Return the temperature rise in kelvin over the room at the end of the run.

    (R2 - R1) / R1 (k + t1) - (t2 - t1); cold_c is t1, the winding's temperature before, room_c
    is t2, the room's at the end. Raises ValueRefused as `at_20`; cold_ohm must be above 0.
    """
    with Checks() as bad:
        bad.number("cold_ohm", cold_ohm, "ohm", above=0)
        bad.number("hot_ohm", hot_ohm, "ohm", least=0)
        check_temperature(bad, "cold_c", cold_c)
        check_temperature(bad, "room_c", room_c)
    assert cold_c is not None
    assert room_c is not None
    return (hot_ohm - cold_ohm) / cold_ohm * (k + cold_c) - (room_c - cold_c)


def check_temperature(bad: Checks, field: str, value: float | None) -> None:
    """Note what is wrong with a temperature in °C; a winding without one cannot be compared."""
    if value is None:
        bad.refuse(
            field,
            "is missing; a winding's resistance means nothing without its temperature, "
            "give it in °C (the room's, when it has stood for some hours)",
        )
    else:
        bad.number(field, value, "°C", least=COLDEST_C, most=HOTTEST_C)
