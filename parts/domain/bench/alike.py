"""Readings that should be alike and are no windings: the drops of a bridge's diodes."""

from collections.abc import Sequence

from parts.domain.bench.limits import Limit
from parts.domain.bench.verdicts import OPEN, Reading, Verdict, checked, judge
from workshop.domain.refusals import ValueRefused


def judge_alike(what: str, readings: Sequence[Reading], unit: str, *, limit: Limit) -> Verdict:
    """Return the verdict on the largest deviation from the mean, in percent.

    One missing reading: not measured; one that shows no connection fails.
    Raises ValueRefused: fewer than two, negative, not finite, all of them 0.
    """
    if len(readings) < 2:
        raise ValueRefused({"readings": "two or more are needed to compare"})
    for place, reading in enumerate(readings, 1):
        checked(f"reading {place}", reading, unit)
    if any(reading is OPEN for reading in readings):
        return judge(what, OPEN, limit)
    read = [reading for reading in readings if isinstance(reading, int | float)]
    if len(read) < len(readings):
        missing = len(readings) - len(read)
        return judge(what, None, limit).noting(f"{missing} of {len(readings)} have no reading.")
    mean = sum(read) / len(read)
    if mean == 0:
        raise ValueRefused({"reading 1": f"every reading is 0 {unit}; set the meter finer"})
    return judge(what, max(abs(one - mean) for one in read) / mean * 100, limit)
