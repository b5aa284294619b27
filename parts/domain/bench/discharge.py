"""How long a capacitor keeps its charge: a resistor across it, t = R C ln(V0 / V).

A time is worked out for the resistor that should be there. It may be open or missing: nobody may
go by the time alone. Measure, then short through a resistor, then measure again.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Self

from workshop.domain.refusals import Checks

MOST_UF = 1e6  # one farad: our own choice, far above any capacitor in a household machine
MEASURE = "Measure, do not trust the time: the resistor may be open."


def seconds(*, ohm: float, microfarad: float, from_v: float, to_v: float) -> float:
    """Return the time in seconds from one voltage down to another; 0 when it is there already.

    Raises ValueRefused: a value not above 0 or not finite, or more than MOST_UF.
    """
    _check(ohm=(ohm, "ohm"), microfarad=(microfarad, "uF"), from_v=(from_v, "V"), to_v=(to_v, "V"))
    return max(0.0, ohm * microfarad * 1e-6 * math.log(from_v / to_v))


def largest_ohm(*, microfarad: float, from_v: float, to_v: float, within_s: float) -> float:
    """Return the largest resistor that is fast enough, in ohm. Raises as `seconds`."""
    _check(
        microfarad=(microfarad, "uF"),
        from_v=(from_v, "V"),
        to_v=(to_v, "V"),
        within_s=(within_s, "s"),
    )
    with Checks() as bad:
        if to_v >= from_v:
            bad.refuse("to_v", f"{to_v:g} V is not below {from_v:g} V")
    return within_s / (microfarad * 1e-6 * math.log(from_v / to_v))


def energy_j(*, microfarad: float, volts: float) -> float:
    """Return C V² / 2 in joule. Raises as `seconds`."""
    _check(microfarad=(microfarad, "uF"), volts=(volts, "V"))
    return microfarad * 1e-6 * volts**2 / 2


def charge_uc(*, microfarad: float, volts: float) -> float:
    """Return C V in microcoulomb. Raises as `seconds`."""
    _check(microfarad=(microfarad, "uF"), volts=(volts, "V"))
    return microfarad * volts


def peak_w(*, ohm: float, volts: float) -> float:
    """Return what a discharging resistor takes at first, V² / R in watt. Raises as `seconds`."""
    _check(ohm=(ohm, "ohm"), volts=(volts, "V"))
    return volts**2 / ohm


@dataclass(frozen=True, slots=True)
class Charged:
    """A capacitor of a kind of part as it is usually built (capacitor_discharge.json)."""

    slug: str
    what: str
    kinds: frozenset[str]
    microfarad: float
    ohm: float
    from_v: float
    to_v: float
    tool_ohm: float
    source: str

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Self:
        return cls(**{**row, "kinds": frozenset(row["kinds"])})

    def of_size(self, microfarad: float) -> Self:
        """Return the same with the capacitance printed on the part in hand."""
        return replace(self, microfarad=microfarad)

    def caution(self) -> str:
        """Return how long it takes, what it holds, and that the time proves nothing."""
        falls = {"microfarad": self.microfarad, "from_v": self.from_v, "to_v": self.to_v}
        alone = seconds(ohm=self.ohm, **falls)
        tool = seconds(ohm=self.tool_ohm, **falls)
        energy = energy_j(microfarad=self.microfarad, volts=self.from_v)
        return (
            f"{self.what}: {self.microfarad:g} uF at {self.from_v:g} V holds {energy:.2g} J. By "
            f"itself, through {ohm_words(self.ohm)}, it needs {time_words(alone)} to fall below "
            f"{self.to_v:g} V; through a tool of {ohm_words(self.tool_ohm)} {time_words(tool)}. "
            f"{MEASURE}"
        )


def time_words(found_s: float) -> str:
    """Return a time rounded up, so that nobody goes too soon: "2 s", "7 minutes"."""
    if found_s <= 120:
        return f"{max(1, math.ceil(found_s))} s"
    return f"{math.ceil(found_s / 60)} minutes"


def ohm_words(ohm: float) -> str:
    """Return a resistance in its usual unit: 10 Mohm, 470 kohm, 100 ohm."""
    for size, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= size:
            return f"{ohm / size:g} {unit}"
    return f"{ohm:g} ohm"


def _check(**given: tuple[float, str]) -> None:
    with Checks() as bad:
        for name, (value, unit) in given.items():
            most = MOST_UF if name == "microfarad" else None
            bad.number(name, value, unit, above=0, most=most)
