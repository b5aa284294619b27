"""Windings that should be alike: how far each is off the mean of its set."""

from collections.abc import Sequence
from dataclasses import dataclass

from parts.domain.bench.limits import BenchLimits
from parts.domain.bench.verdicts import OPEN, Outcome, Reading, Verdict, checked, judge
from workshop.domain.refusals import ValueRefused


@dataclass(frozen=True, slots=True)
class Balance:
    """Both in percent of the mean: the largest deviation, and highest less lowest."""

    deviation: float
    spread: float


def balance(ohms: Sequence[float]) -> Balance:
    """Return how unlike two or more windings are, in percent of their mean.

    Raises ValueRefused: fewer than two, one not above 0.
    """
    if len(ohms) < 2:
        raise ValueRefused({"ohms": f"{len(ohms)} winding; two or more are needed to compare"})
    for place, ohm in enumerate(ohms, 1):
        checked(f"winding {place}", ohm, "ohm")
    mean = sum(ohms) / len(ohms)
    if mean == 0:
        raise ValueRefused({"ohms": "every winding reads 0 ohm; set the meter to a finer range"})
    deviation = max(abs(ohm - mean) for ohm in ohms) / mean * 100
    return Balance(deviation, (max(ohms) - min(ohms)) / mean * 100)


def judge_balance(ohms: Sequence[Reading], *, limits: BenchLimits) -> Verdict:
    """Return the verdict on windings of one motor, in ohm at one temperature.

    One missing reading: not measured. One open winding fails. Raises ValueRefused as `balance`.
    """
    limit = limits["winding-balance"]
    for place, ohm in enumerate(ohms, 1):
        checked(f"winding {place}", ohm, "ohm")
    if any(ohm is OPEN for ohm in ohms):
        return judge("winding balance", OPEN, limit)
    read = [ohm for ohm in ohms if isinstance(ohm, int | float)]
    if len(read) < len(ohms) or not ohms:
        missing = len(ohms) - len(read)
        verdict = judge("winding balance", None, limit)
        return verdict.noting(f"{missing} of {len(ohms)} windings have no reading.")
    found = balance(read)
    verdict = judge("winding balance", found.deviation, limit)
    if verdict.outcome is Outcome.PASS:
        return verdict
    return verdict.noting("Let the motor cool to one temperature and clean the contacts first.")
