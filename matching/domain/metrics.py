"""How good predicted chances are: ranking, calibration, yes-or-no. Pure functions.

Every function takes the true answers and the chances (0..1) in the same order. None as a
result means: not defined for these cases (no case, or none that truly fits), never 0.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

BINS = 10
LEAST_CHANCE = 1e-15


@dataclass(frozen=True, slots=True)
class YesNo:
    """How a yes-or-no answer compares with the truth. Shares in 0..1, None when undefined."""

    precision: float | None
    recall: float | None
    f1: float | None


def yes_no(truths: Sequence[bool], answers: Sequence[bool]) -> YesNo:
    """Return precision, recall and their harmonic mean.

    precision: of the yeses, the share that is true; None without a yes. recall: of the true
    ones, the share found; None when none is true. f1: None when there is neither.
    Raises ValueError when the lengths differ.
    """
    pairs = list(zip(truths, answers, strict=True))
    right = sum(1 for true, answer in pairs if true and answer)
    said = sum(1 for answer in answers if answer)
    there = sum(1 for true in truths if true)
    return YesNo(_share(right, said), _share(right, there), _share(2 * right, said + there))


def average_precision(truths: Sequence[bool], chances: Sequence[float]) -> float | None:
    """Return the area under the precision-recall steps: sum of (R_n - R_n-1) P_n.

    Cases of equal chance are taken as one step, so their order does not matter. No
    interpolation. None when nothing is true.
    """
    pairs = sorted(zip(chances, truths, strict=True), key=lambda pair: -pair[0])
    there = sum(1 for true in truths if true)
    if not there:
        return None
    found, taken, area = 0, 0, 0.0
    for _, step in groupby(pairs, key=lambda pair: pair[0]):
        tied = [true for _, true in step]
        new = sum(1 for true in tied if true)
        found, taken = found + new, taken + len(tied)
        area += new / there * found / taken
    return area


def brier(truths: Sequence[bool], chances: Sequence[float]) -> float | None:
    """Return the mean squared distance of the chance from the truth; 0 best, 1 worst."""
    return _mean((chance - true) ** 2 for true, chance in zip(truths, chances, strict=True))


def log_loss(truths: Sequence[bool], chances: Sequence[float]) -> float | None:
    """Return the mean of -ln of the chance given to what is true, in nats.

    Chances are held within 1e-15 of 0 and 1, so that one wrong certainty is not infinite.
    """
    return _mean(
        -math.log(_inside(chance) if true else 1.0 - _inside(chance))
        for true, chance in zip(truths, chances, strict=True)
    )


def expected_calibration_error(truths: Sequence[bool], chances: Sequence[float]) -> float | None:
    """Return how far chances are from what happens, over 10 bins of equal width.

    The mean over cases of |mean chance - share true| of the case's bin. A chance on an edge
    belongs to the bin above it; 1 belongs to the last bin.
    """
    bins: list[list[tuple[bool, float]]] = [[] for _ in range(BINS)]
    for true, chance in zip(truths, chances, strict=True):
        bins[min(BINS - 1, int(chance * BINS))].append((true, chance))
    if not truths:
        return None
    apart = (abs(sum(chance - true for true, chance in one)) for one in bins)
    return sum(apart) / len(truths)


def _inside(chance: float) -> float:
    return min(1.0 - LEAST_CHANCE, max(LEAST_CHANCE, chance))


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _mean(values: Iterable[float]) -> float | None:
    found = list(values)
    return sum(found) / len(found) if found else None
