"""How large the races are: quick, or with RACES=full the figures of the reliability plan.

The controls always run at the quick counts: a barrier forces their collision in every round, so
that more rounds prove nothing more.
"""

import os
from typing import TypeVar

T = TypeVar("T")

FULL = os.environ.get("RACES", "") == "full"


def size(quick: T, full: T) -> T:
    """Return how many to race with, or with what."""
    return full if FULL else quick


PATIENCE = size(240, 3600)  # seconds a race may take before it counts as hung
