"""A pattern for a make nobody has written one for, from all numbers seen of it.

The same proposal a reviewer is shown (proposing.py), used in the meantime: most of what a pattern
is worth to the odds of fit comes with it (docs/fits.md). A stored pattern takes its place.
"""

from collections.abc import Iterable

from donors.domain.lookup.proposing import propose

LEAST_NUMBERS = 30  # fewer different numbers show too little of a make's scheme
LEAST_EXPLAINED = 0.9
GROWN = 1.25  # times as many numbers before a guess is made anew


def guess(numbers: Iterable[str]) -> str:
    """Return a pattern for canonical numbers of one make; "" where they show none."""
    known = {number for number in numbers if number}
    if len(known) < LEAST_NUMBERS:
        return ""
    found = propose(known)
    return found.pattern if found.explained >= LEAST_EXPLAINED * found.numbers else ""


def is_due(now: int, then: int) -> bool:
    """Return True when a make has been seen often enough more than when last guessed."""
    return now >= LEAST_NUMBERS and now >= GROWN * then
