"""The aims of an allocation as rows over the jobs of one group, the first the most important."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from matching.domain.allocation.claims import Job
from matching.domain.allocation.worth import levels

Vector = npt.NDArray[np.float64]


def aims(jobs: Sequence[Job]) -> list[Vector]:
    """Return the rows: every job, the jobs of each urgency, the days waited.

    Raised one after the other, each held at its most, they make `worth.worth` the highest.
    """
    rows = [np.ones(len(jobs))]
    rows += [np.array([float(job.urgency == level) for job in jobs]) for level in levels(jobs)]
    return [*rows, np.array([float(job.waiting_days) for job in jobs])]
