"""Three-wire pressure sensor: a frequency that falls as the water rises."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from parts.domain.bench.limits import BenchLimits
from parts.domain.bench.verdicts import Outcome, Verdict, judge, worst
from workshop.domain.refusals import Checks, ValueRefused

HIGHEST_MM = 1000.0


def judge_frequencies(
    points: Sequence[tuple[float, float | None]], *, limits: BenchLimits
) -> Verdict:
    """Return the verdict on readings (water above the sensor in mm, frequency in kHz).

    Two or more heights are needed, or the fall is not measured. A frequency that does not fall
    with every step of water fails, whatever the span. Raises ValueRefused: negative or not
    finite, two readings at one height, no reading.
    """
    _check(points)
    limit = limits["pressure-sensor-frequency"]
    rising = sorted(points, key=lambda point: point[0])
    verdicts = [judge("pressure sensor frequency", khz, limit) for _, khz in rising]
    verdict = worst(verdicts)
    read = [(mm, khz) for mm, khz in rising if khz is not None]
    for (below, before), (above, after) in pairwise(read):
        if after >= before:
            failed = judge("pressure sensor frequency", after, limit)
            return _failing(
                failed,
                f"It does not fall from {below:g} to {above:g} mm of water ({before:g} kHz, then "
                f"{after:g} kHz).",
            )
    if len(read) < 2 and verdict.outcome is not Outcome.FAIL:
        none = judge("pressure sensor frequency", None, limit)
        return none.noting("Read it with no water and with 100 to 200 mm: it has to fall.")
    return verdict


def _failing(verdict: Verdict, why: str) -> Verdict:
    limit = verdict.limit
    sentence = f"Pressure sensor frequency: failed. {why} ({limit.standing.words}; {limit.source})"
    return replace(verdict, outcome=Outcome.FAIL, sentence=sentence)


def _check(points: Sequence[tuple[float, float | None]]) -> None:
    if not points:
        raise ValueRefused({"points": "no reading is given"})
    with Checks() as bad:
        for place, (mm, khz) in enumerate(points, 1):
            bad.number(f"water {place}", mm, "mm", least=0, most=HIGHEST_MM)
            bad.number(f"frequency {place}", khz, "kHz", least=0, needed=False)
        heights = [mm for mm, _ in points]
        if len(set(heights)) < len(heights):
            bad.refuse("points", "two readings are given for one height of water; keep one")
