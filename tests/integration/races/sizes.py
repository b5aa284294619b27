"""How large the races are: quick, or with RACES=full the figures of the reliability plan.

The controls always run at the quick counts: a barrier forces their collision in every round, so
that more rounds prove nothing more.
"""

import os

FULL = os.environ.get("RACES", "") == "full"


def size(quick: int, full: int) -> int:
    """Return how many to race with."""
    return full if FULL else quick


PATIENCE = size(240, 3600)  # seconds a race may take before it counts as hung
