"""Jobs to complete by an integer programme with a variable for each job and each pair.

Jobs are 0 or 1, pairs anything between: for whole jobs the pairs are a flow, so whole ones exist.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from matching.domain.allocation import scarce
from matching.domain.allocation.aims import Vector, aims
from matching.domain.allocation.claims import Job

# Where the search stops: nodes searched, and jobs up to which all aims are sought. Counts and not
# times, so that the same question has the same answer on every machine.
MOST_NODES, MOST_JOBS = 500, 150
_WHOLE = 1e-6
Cells = list[tuple[int, int, float]]


class ByPairs:
    """last: the jobs of the last answer; served: the last that can be served together."""

    def __init__(self, jobs: Sequence[Job], offers: Mapping[str, Sequence[str]]) -> None:
        self.jobs = jobs
        self.last: frozenset[Job] = frozenset()
        self.served: tuple[Job, ...] = ()
        self._offers = offers
        needs = [need for job in jobs for need in job.needs]
        self._pairs = [(need, part) for need in needs for part in offers[need]]
        self._rules = [self._each_need_is_served(needs), self._each_part_once()]

    def solve(self) -> tuple[int, bool]:
        """Return how many jobs there can be at all, and whether `served` is best for certain.

        Beyond MOST_JOBS only the first aim is sought: the most jobs.
        """
        at_most = len(self.jobs)
        wanted = aims(self.jobs)
        sought = wanted if len(self.jobs) <= MOST_JOBS else wanted[:1]
        for place, aim in enumerate(sought):
            answer = self._answer(aim)
            if place == 0 and answer.mip_dual_bound is not None:
                at_most = min(at_most, int(np.floor(-answer.mip_dual_bound + _WHOLE)))
            if answer.x is None:
                return at_most, False
            chosen = answer.x[: len(self.jobs)] > 0.5
            self.last = frozenset(job for job, yes in zip(self.jobs, chosen, strict=True) if yes)
            # A solver's tolerances are not ours: what it calls served must be so.
            if scarce.overasked(sorted(n for job in self.last for n in job.needs), self._offers):
                return at_most, False
            self.served = tuple(job for job in self.jobs if job in self.last)
            if not answer.success:
                return at_most, False
            self._hold_fast(aim, float(aim[chosen].sum()))
        return at_most, len(sought) == len(wanted)

    def _answer(self, aim: Vector) -> Any:
        pairs = len(self._pairs)
        return milp(
            np.concatenate([-aim, np.zeros(pairs)]),
            integrality=np.concatenate([np.ones(len(self.jobs)), np.zeros(pairs)]),
            bounds=Bounds(0, 1),
            constraints=self._rules,
            options={"node_limit": MOST_NODES, "mip_rel_gap": 0.0},
        )

    def _hold_fast(self, aim: Vector, reached: float) -> None:
        row = np.concatenate([aim, np.zeros(len(self._pairs))])[np.newaxis, :]
        self._rules.append(LinearConstraint(csr_array(row), reached, np.inf))

    def _each_need_is_served(self, needs: Sequence[str]) -> LinearConstraint:
        row = {need: number for number, need in enumerate(needs)}
        cells = [(row[n], number, -1.0) for number, job in enumerate(self.jobs) for n in job.needs]
        cells += [(row[need], self._column(at), 1.0) for at, (need, _) in enumerate(self._pairs)]
        return LinearConstraint(self._matrix(cells, len(needs)), 0, np.inf)

    def _each_part_once(self) -> LinearConstraint:
        row = {part: number for number, part in enumerate(dict(p[::-1] for p in self._pairs))}
        cells = [(row[part], self._column(at), 1.0) for at, (_, part) in enumerate(self._pairs)]
        return LinearConstraint(self._matrix(cells, len(row)), -np.inf, 1)

    def _column(self, pair: int) -> int:
        return len(self.jobs) + pair

    def _matrix(self, cells: Cells, rows: int) -> "csr_array":
        at, columns, values = zip(*cells, strict=True)
        return csr_array((values, (at, columns)), shape=(rows, self._column(len(self._pairs))))
