"""How many waiting jobs one machine would complete: each of its parts goes to one job only.

A job counts with all its needs or not at all. Its chance is the product over its needs of
P(fit) times P(good), as though they were independent of one another. Of all ways to promise the
machine's parts the one with the most expected jobs counts: a weighted set packing, solved as an
integer programme.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import prod

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

MOST_SLOTS_A_NEED = 4  # a kind has seldom more places in a machine


@dataclass(frozen=True, slots=True)
class Serves:
    """A part of the machine that may serve a need. slot: which part; p: P(fit) times P(good)."""

    need: int
    slot: int
    p: float


@dataclass(frozen=True, slots=True)
class Promise:
    """A job and the parts promised to it. p: the chance, 0..1, that they complete it."""

    job: int
    parts: tuple[Serves, ...]

    @property
    def p(self) -> float:
        return prod(one.p for one in self.parts)

    @property
    def slots(self) -> frozenset[int]:
        return frozenset(one.slot for one in self.parts)


def best_promises(jobs: Mapping[int, Sequence[Sequence[Serves]]]) -> list[Promise]:
    """Return the promises with the most expected jobs, likeliest first.

    jobs: by id, for each need of the job the parts that may serve it. A job with a need that
    nothing serves is left out, as is what has no chance.
    """
    options = [one for job, needs in jobs.items() for one in _options(job, needs)]
    chosen = _packed(_worth_asking(options))
    return sorted(chosen, key=lambda one: (-one.p, one.job))


def _options(job: int, needs: Sequence[Sequence[Serves]]) -> Iterable[Promise]:
    """Yield the ways to serve all needs of a job, each by a part of its own."""
    if not needs:
        return
    likeliest = [sorted(some, key=lambda one: (-one.p, one.slot)) for some in needs]
    for parts in product(*(some[:MOST_SLOTS_A_NEED] for some in likeliest)):
        one = Promise(job, tuple(parts))
        if len(one.slots) == len(parts) and one.p > 0:
            yield one


def _worth_asking(options: Iterable[Promise]) -> list[Promise]:
    """Leave out what no best choice needs.

    Of options for the same parts one is chosen. At most as many jobs as there are parts are
    served, so among the likeliest of so many jobs one is free.
    """
    by_slots: dict[frozenset[int], list[Promise]] = defaultdict(list)
    for one in options:
        by_slots[one.slots].append(one)
    parts = len(frozenset().union(*by_slots)) if by_slots else 0
    kept: list[Promise] = []
    for some in by_slots.values():
        best: dict[int, Promise] = {}
        for one in sorted(some, key=lambda one: (-one.p, one.job)):
            best.setdefault(one.job, one)
        kept += list(best.values())[:parts]
    return kept


def _packed(options: Sequence[Promise]) -> list[Promise]:
    """Return the options of most expected jobs of which no two share a part or a job."""
    if not options:
        return []
    if _each_for_itself(options):
        best: dict[frozenset[int], Promise] = {}
        for one in options:
            if one.slots not in best or one.p > best[one.slots].p:
                best[one.slots] = one
        return list(best.values())
    held: dict[tuple[str, int], list[int]] = defaultdict(list)
    for column, one in enumerate(options):
        held["job", one.job].append(column)
        for slot in one.slots:
            held["slot", slot].append(column)
    rows = np.repeat(np.arange(len(held)), [len(columns) for columns in held.values()])
    columns = np.concatenate([np.array(found) for found in held.values()])
    table = csr_array((np.ones(len(rows)), (rows, columns)), shape=(len(held), len(options)))
    answer = milp(
        -np.array([one.p for one in options]),
        integrality=np.ones(len(options)),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(table, -np.inf, 1),
        options={"mip_rel_gap": 0.0},
    )
    if answer.x is None:
        raise RuntimeError(f"the parts could not be promised: {answer.message}")
    return [one for one, share in zip(options, answer.x, strict=True) if share > 0.5]


def _each_for_itself(options: Sequence[Promise]) -> bool:
    """Whether every job has one way and every way one part: then each part goes to its best."""
    jobs = {one.job for one in options}
    return len(jobs) == len(options) and all(len(one.parts) == 1 for one in options)
