"""Jobs to complete by an integer programme with a variable for each job.

That needs can be served together is Hall's condition (1935): no set of parts is asked for by more
needs than it has parts. It is added set by set, where an answer breaks it. Small however many
pairs a need has; slow where many small sets matter.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from matching.domain.allocation import scarce
from matching.domain.allocation.aims import Vector, aims
from matching.domain.allocation.claims import Job

# Where the search stops. Counts and not seconds, so that the same question has the same answer
# on every machine.
MOST_ROUNDS, MOST_NODES = 40, 20
_WHOLE = 1e-6


class BySets:
    """last: the jobs of the last answer; served: the last that can be served together."""

    def __init__(self, jobs: Sequence[Job], offers: Mapping[str, Sequence[str]]) -> None:
        self.jobs = jobs
        self.last: frozenset[Job] = frozenset()
        self.served: tuple[Job, ...] = ()
        self._offers = offers
        self._asks = {need: frozenset(offers[need]) for job in jobs for need in job.needs}
        self._seen: set[frozenset[str]] = set()
        self._rows: list[Vector] = []
        self._most: list[float] = []
        self._rounds = 0
        self._allow_no_more_than(frozenset().union(*self._asks.values()))

    def solve(self) -> tuple[int, bool]:
        """Return how many jobs there can be at all, and whether `served` is best for certain."""
        at_most = len(self.jobs)
        for place, aim in enumerate(aims(self.jobs)):
            bound, reached = self._reach(aim)
            if place == 0:
                at_most = bound
            if not reached:
                return at_most, False
            held = sum(aim[number] for number, job in enumerate(self.jobs) if job in self.last)
            self._rows.append(-aim)
            self._most.append(-held)
        return at_most, True

    def _reach(self, aim: Vector) -> tuple[int, bool]:
        """Return the most an aim can be, and whether `served` has it for certain."""
        bound = int(aim.sum())
        while self._rounds < MOST_ROUNDS:
            self._rounds += 1
            answer = self._answer(aim)
            if answer.mip_dual_bound is not None:
                bound = min(bound, int(np.floor(-answer.mip_dual_bound + _WHOLE)))
            if answer.x is None:
                return bound, False
            chosen = [job for job, x in zip(self.jobs, answer.x, strict=True) if x > 0.5]
            self.last = frozenset(chosen)
            needs = sorted(need for job in chosen for need in job.needs)
            sets = scarce.overasked(needs, self._offers)
            if not sets:
                self.served = tuple(chosen)
                return bound, bool(answer.success)
            if self._seen.issuperset(sets):
                return bound, False
            for parts in sets:
                self._allow_no_more_than(parts)
        return bound, False

    def _answer(self, aim: Vector) -> Any:
        rules = LinearConstraint(csr_array(np.vstack(self._rows)), -np.inf, self._most)
        return milp(
            -aim,
            integrality=np.ones(len(self.jobs)),
            bounds=Bounds(0, 1),
            constraints=rules,
            # Presolving costs more than it saves: two worlds took 1.6 and 3.5 s, with it 4.5, 6.6.
            options={"node_limit": MOST_NODES, "mip_rel_gap": 0.0, "presolve": False},
        )

    def _allow_no_more_than(self, parts: frozenset[str]) -> None:
        """Let a set of parts serve no more of the needs that ask for nothing else than it has."""
        if parts in self._seen:
            return
        self._seen.add(parts)
        inside = [sum(self._asks[need] <= parts for need in job.needs) for job in self.jobs]
        self._rows.append(np.array(inside, dtype=float))
        self._most.append(len(parts))
