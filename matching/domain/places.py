"""Where two model numbers of one make differ, and what past fittings say of such a difference.

A maker's numbers say at some places what the machine is and at others its colour or market; which
place says what is learned from fittings, pattern or none. Differences are weighed in the
correction (correcting.py) and shown as a row of their own.
"""

from collections.abc import Iterable

from donors.domain.machines import Machine
from donors.domain.model_numbers import FOLD, WILDCARDS
from parts.domain.kinds import Kind

OTHER_LENGTH = 0  # counted like a place; the first character stands at place 1
NAME = "place"


def differing(one: Machine, other: Machine) -> tuple[int, ...] | None:
    """Return the places, from 1, at which two numbers differ; confusable characters are equal.

    OTHER_LENGTH among them when one is longer. None where it cannot be said: a number is
    missing, or the makes are not the same.
    """
    if not one.number or not other.number or not one.make or one.make != other.make:
        return None
    ours, theirs = one.number.translate(FOLD), other.number.translate(FOLD)
    pairs = zip(ours, theirs, strict=False)
    places = [at for at, (a, b) in enumerate(pairs, 1) if a != b and not {a, b} & set(WILDCARDS)]
    return tuple(places if len(ours) == len(theirs) else [OTHER_LENGTH, *places])


def features(kind: Kind, make: str, places: Iterable[int] | None) -> list[str]:
    """Return the names differences are weighed by: of the make, and of the class in the make."""
    if not places:
        return []
    return [f"{NAME}/{group}/{at}" for at in places for group in (make, f"{make} {kind.fit_class}")]
