"""Which jobs of one group to complete, when there are not parts enough for all.

Jobs with one need each: taking them in turn and keeping each that can still be served beside
those kept is exact (sets of needs that can be served together are a matroid: Edmonds and
Fulkerson, J. Res. NBS 69B (1965) 147; the greedy rule is best there: Edmonds 1971). With jobs of
several needs that is no longer true, and an integer programme decides, one aim after the other.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from matching.domain.allocation import greedy, scarce
from matching.domain.allocation.claims import Job
from matching.domain.allocation.serving import Serving
from matching.domain.allocation.worth import levels, turn, worth

# Nodes searched before the best found is taken: a count and not a time, so that the same question
# has the same answer on every machine.
MOST_NODES = 2_000
# Pairs up to which a group is given to the integer programme at all.
MOST_PAIRS = 60_000
_WHOLE = 1e-6

Offers = Mapping[str, Sequence[str]]
Vector = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Chosen:
    """The jobs to complete. at_most: how many could be at all; proven: no better set exists."""

    jobs: tuple[Job, ...]
    at_most: int
    proven: bool


def choose(jobs: Sequence[Job], offers: Offers) -> Chosen:
    """Return the best set of jobs of one group; the best found, and a bound, where it is too large.

    Never worse than the greedy rule.
    """
    if all(len(job.needs) == 1 for job in jobs):
        kept = _in_turn(jobs, offers)
        return Chosen(kept, len(kept), proven=True)
    by_greed = tuple(greedy.completed(jobs, offers))
    if sum(len(offers[need]) for job in jobs for need in job.needs) > MOST_PAIRS:
        return Chosen(by_greed, _at_most(jobs, offers), proven=False)
    found = _Programme(jobs, offers).solve()
    if _worth(found.jobs, jobs) < _worth(by_greed, jobs) or not _servable(found.jobs, offers):
        return Chosen(by_greed, found.at_most, proven=False)
    return found


def _in_turn(jobs: Sequence[Job], offers: Offers) -> tuple[Job, ...]:
    serving = Serving(offers)
    return tuple(job for job in sorted(jobs, key=turn) if serving.add(job.needs[0]))


def _at_most(jobs: Sequence[Job], offers: Offers) -> int:
    """Return how many jobs could be completed if only one need of each had to be served."""
    parts = {part for job in jobs for need in job.needs for part in offers[need]}
    sizes = np.cumsum(sorted(len(job.needs) for job in jobs))
    return int(np.searchsorted(sizes, len(parts), side="right"))


def _servable(jobs: Sequence[Job], offers: Offers) -> bool:
    """Return whether all can be served together: a solver's tolerances are not ours."""
    needs = [need for job in jobs for need in job.needs]
    return len(scarce.largest_matching(needs, offers)) == len(needs)


def _worth(some: Sequence[Job], among: Sequence[Job]) -> tuple[int, ...]:
    return worth(some, levels(among))


class _Programme:
    """Jobs 0 or 1, pairs anything between: for whole jobs the pairs are a flow, so whole too."""

    def __init__(self, jobs: Sequence[Job], offers: Offers) -> None:
        self.jobs = sorted(jobs, key=turn)
        self.offers = offers
        self.pairs = [
            (number, need, part)
            for number, job in enumerate(self.jobs)
            for need in job.needs
            for part in offers[need]
        ]
        self.rules = [self._each_need_is_served(), self._each_part_once()]

    def solve(self) -> Chosen:
        """Most jobs, then the most of each urgency, then the days waited; each aim held fast."""
        aims = [np.ones(len(self.jobs))]
        aims += [
            np.array([float(job.urgency == level) for job in self.jobs])
            for level in levels(self.jobs)
        ]
        aims.append(np.array([float(job.waiting_days) for job in self.jobs]))
        chosen: tuple[Job, ...] = ()
        at_most, proven = len(self.jobs), True
        for place, aim in enumerate(aims):
            if place and not aim.any():
                continue
            answer = self._solve(aim)
            if place == 0 and answer.mip_dual_bound is not None:
                at_most = min(at_most, int(np.floor(-answer.mip_dual_bound + _WHOLE)))
            if answer.x is None:
                return Chosen(chosen, at_most, proven=False)
            whole = answer.x[: len(self.jobs)] > 0.5
            chosen = tuple(job for job, yes in zip(self.jobs, whole, strict=True) if yes)
            proven = proven and answer.success
            self._hold_fast(aim, float(aim[whole].sum()))
        return Chosen(chosen, at_most, proven)

    def _solve(self, aim: Vector) -> Any:
        size = len(self.jobs) + len(self.pairs)
        return milp(
            np.concatenate([-aim, np.zeros(len(self.pairs))]),
            integrality=np.concatenate([np.ones(len(self.jobs)), np.zeros(len(self.pairs))]),
            bounds=Bounds(np.zeros(size), np.ones(size)),
            constraints=self.rules,
            options={"node_limit": MOST_NODES, "mip_rel_gap": 0.0},
        )

    def _hold_fast(self, aim: Vector, reached: float) -> None:
        row = np.concatenate([aim, np.zeros(len(self.pairs))])[np.newaxis, :]
        self.rules.append(LinearConstraint(csr_array(row), reached - 0.5, np.inf))

    def _each_need_is_served(self) -> LinearConstraint:
        needs = {need: row for row, need in enumerate(n for job in self.jobs for n in job.needs)}
        cells = [
            (needs[need], number, -1.0)
            for number, job in enumerate(self.jobs)
            for need in job.needs
        ]
        cells += [
            (needs[need], len(self.jobs) + at, 1.0) for at, (_, need, _) in enumerate(self.pairs)
        ]
        return LinearConstraint(self._matrix(cells, len(needs)), 0, np.inf)

    def _each_part_once(self) -> LinearConstraint:
        parts: dict[str, int] = {}
        for _, _, part in self.pairs:
            parts.setdefault(part, len(parts))
        cells = [
            (parts[part], len(self.jobs) + at, 1.0) for at, (_, _, part) in enumerate(self.pairs)
        ]
        return LinearConstraint(self._matrix(cells, len(parts)), -np.inf, 1)

    def _matrix(self, cells: list[tuple[int, int, float]], rows: int) -> "csr_array":
        at, columns, values = zip(*cells, strict=True)
        shape = (rows, len(self.jobs) + len(self.pairs))
        return csr_array((values, (at, columns)), shape=shape)
