"""How long a step takes: the guess of the table, moved by the workshop's own times.

A time is log-normal about its typical (median) length. The guess counts as PRIOR_WEIGHT times of
one's own; times far off (a timer forgotten overnight, a slip of the finger) pull only as hard as
one that is CUT spreads off (Huber, Ann. Math. Stat. 35 (1964)). Where none is far off the answer
is the conjugate normal mean of the logarithms.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from workshop.domain.refusals import Checks

PRIOR_WEIGHT = 4.0  # times of one's own the guess counts for; our own choice
# Spread of the logarithm; a rusty machine takes half as long again (common practice), ln 1.5.
SPREAD = 0.4
CUT = 1.5  # spreads from which a time pulls no harder; usual in robust estimation
SHORTEST_MIN, LONGEST_MIN = 0.05, 1440.0
_CLOSE = 1e-12
_ROUNDS = 200


@dataclass(frozen=True, slots=True)
class StepTime:
    """guess_min: of the table or set by the workshop; minutes: what to plan with; count: own."""

    guess_min: float
    minutes: float
    count: int = 0

    @property
    def learned(self) -> bool:
        return self.count > 0


def learned_time(guess_min: float, own: Sequence[float] = ()) -> StepTime:
    """Return the typical minutes of a step from the guess and the workshop's own times.

    Raises ValueRefused for a negative guess or a time that is not above zero. A guess of zero
    stays zero: it says that the step takes no time by itself.
    """
    with Checks() as bad:
        bad.number("guess_min", guess_min, "minutes", least=0)
        for number, one in enumerate(own):
            bad.number(f"own.{number}", one, "minutes", above=0)
    if not own or guess_min == 0:
        return StepTime(guess_min, guess_min, len(own))
    logs = [math.log(min(max(one, SHORTEST_MIN), LONGEST_MIN)) for one in own]
    return StepTime(guess_min, math.exp(_centre(math.log(guess_min), logs)), len(own))


def _centre(prior: float, logs: Sequence[float]) -> float:
    """Return where the pulls of the guess and of all times balance.

    Each round weighs a time by its pull at the last centre; the loss is convex, so it settles
    at its only minimum.
    """
    centre = (PRIOR_WEIGHT * prior + sum(logs)) / (PRIOR_WEIGHT + len(logs))
    for _ in range(_ROUNDS):
        weights = [min(1.0, CUT * SPREAD / max(abs(log - centre), _CLOSE)) for log in logs]
        pull = sum(weight * log for weight, log in zip(weights, logs, strict=True))
        moved = (PRIOR_WEIGHT * prior + pull) / (PRIOR_WEIGHT + sum(weights))
        if abs(moved - centre) < _CLOSE:
            return moved
        centre = moved
    return centre


def covered_min(spans: Iterable[tuple[datetime, datetime]]) -> float:
    """Return the minutes at least one span covers: two people at one step take its time once."""
    total, reached = 0.0, None
    for start, stop in sorted(spans):
        begins = start if reached is None else max(start, reached)
        if stop > begins:
            total += (stop - begins).total_seconds() / 60
            reached = stop
    return total
