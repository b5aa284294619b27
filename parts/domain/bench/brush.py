"""Carbon brushes: the shorter of the pair decides."""

from collections.abc import Sequence

from parts.domain.bench.limits import BenchLimits
from parts.domain.bench.verdicts import OPEN, Verdict, checked, judge, worst
from workshop.domain.refusals import ValueRefused

LONGEST_MM = 80.0


def judge_lengths(lengths_mm: Sequence[float | None], *, limits: BenchLimits) -> Verdict:
    """Return the verdict on a motor's brushes in millimetres, the shortest deciding.

    Raises ValueRefused: no brush, negative, longer than any brush, not finite.
    """
    if not lengths_mm:
        raise ValueRefused({"lengths_mm": "no brush is given; give each length or leave it blank"})
    for place, length in enumerate(lengths_mm, 1):
        if length is OPEN:
            raise ValueRefused({f"brush {place}": "a length cannot be an open circuit"})
        checked(f"brush {place}", length, "mm", most=LONGEST_MM)
    limit = limits["brush-length"]
    verdicts = [judge("brush length", length, limit) for length in lengths_mm]
    return worst(sorted(verdicts, key=lambda verdict: verdict.measured or 0.0))
