"""By how much one more machine raises the chance that a job is completed.

Of each need the job has, two chances: that a part of the machine serves it, and that something we
have already does. They are taken as independent of each other and from need to need, a
simplification of ours; then the job is completed when each need is served one way or the other
(series of parallel pairs; elementary reliability theory).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import prod


@dataclass(frozen=True, slots=True)
class Chances:
    """Of one need, 0..1: by: the machine serves it; anyhow: what we have serves it."""

    by: float
    anyhow: float


def gain(needs: Iterable[Chances]) -> float:
    """Return the chance that the job is completed with the machine less that without it."""
    some = list(needs)
    if not some:
        return 0.0
    with_it = prod(1.0 - (1.0 - one.by) * (1.0 - one.anyhow) for one in some)
    return max(0.0, with_it - prod(one.anyhow for one in some))
