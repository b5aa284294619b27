"""Values as they are printed on resistors and capacitors.

Source: IEC 60062 (RKM code, three-figure code, tolerance letters), as electronics pages quote
it. N is left out on purpose: published lists disagree on what it means.
"""

import re
from dataclasses import dataclass

from parts.domain.bench.limits import BenchLimits
from workshop.domain.refusals import ValueRefused

_POWERS = {"R": 1.0, "K": 1e3, "M": 1e6, "G": 1e9}
_RKM = re.compile(r"(\d*)([RKMG])(\d*)", re.ASCII)
_THREE = re.compile(r"(\d\d)(\d)([A-Z]?)", re.ASCII)
PF_PER_UF = 1e6


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far below and above the marked value a part may be; unit "%" or "pF"."""

    letter: str
    minus: float
    plus: float
    unit: str
    source: str

    def window(self, marked: float, *, unit_pf: float = 1.0) -> tuple[float, float]:
        """Return lowest and highest in the unit of `marked`, of which one is `unit_pf` pF."""
        if self.unit == "%":
            return marked * (1 - self.minus / 100), marked * (1 + self.plus / 100)
        return marked - self.minus / unit_pf, marked + self.plus / unit_pf


@dataclass(frozen=True, slots=True)
class MarkedCapacitor:
    """A capacitance in picofarad and, when its letter was printed, the tolerance."""

    picofarad: float
    tolerance: Tolerance | None


def ohms(text: str) -> float:
    """Return the resistance of an RKM code: R47 0.47, 4K7 4700, 4M7 4 700 000.

    Raises ValueRefused when it is none.
    """
    found = _RKM.fullmatch(text.strip().upper())
    if found is None or not (found[1] or found[3]):
        raise ValueRefused({"text": f"{text!r} is no RKM code; it looks like 4K7, R47 or 470R"})
    return float(f"{found[1] or 0}.{found[3] or 0}") * _POWERS[found[2]]


def rkm(ohm: float) -> str:
    """Return an RKM code of a resistance, in at most nine figures. Raises ValueRefused."""
    if isinstance(ohm, bool) or not 0 < ohm < 1e12:
        raise ValueRefused({"ohm": f"{ohm} cannot be written as an RKM code; give 0 to 1e12 ohm"})
    letter = next((one for one in "GMK" if ohm >= _POWERS[one]), "R")
    whole, _, rest = f"{ohm / _POWERS[letter]:.9f}".partition(".")
    return f"{whole.lstrip('0')}{letter}{rest.rstrip('0')}" if ohm else "0R"


def tolerance(letter: str, *, limits: BenchLimits) -> Tolerance:
    """Return what a capacitor's tolerance letter means. Raises ValueRefused for others."""
    row = limits.letters.get(letter.strip().upper())
    if row is None:
        known = " ".join(limits.letters)
        raise ValueRefused({"letter": f"{letter!r} is no letter we can read; known are {known}"})
    return Tolerance(row["letter"], row["minus"], row["plus"], row["unit"], row["source"])


def capacitor(text: str, *, limits: BenchLimits) -> MarkedCapacitor:
    """Return what a code like 105K says: 10 x 10^5 pF, ±10 %. Raises ValueRefused."""
    found = _THREE.fullmatch(text.strip().upper())
    if found is None:
        raise ValueRefused({"text": f"{text!r} is no capacitor code; it looks like 105K or 473"})
    letter = tolerance(found[3], limits=limits) if found[3] else None
    return MarkedCapacitor(float(int(found[1]) * 10 ** int(found[2])), letter)
