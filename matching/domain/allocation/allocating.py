"""Parts proposed to jobs: who gets which, what was possible, and why the others wait on."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import min_weight_full_bipartite_matching

from matching.domain.allocation import choosing, claims, passing, scarce
from matching.domain.allocation.claims import Job, Limits, Pair, Standing
from matching.domain.allocation.passing import Passed

# Chances below this differ no more in which part is the better one.
_LEAST_CHANCE = 1e-6


@dataclass(frozen=True, slots=True)
class Allocation:
    """given: need to part, the standing ones among them; only jobs completed get new parts.

    completed: jobs whose every need has a part. passed: the others, each with why. at_most: how
    many could have been completed at all; proven: no allocation is better.
    """

    given: Mapping[str, str]
    completed: tuple[str, ...]
    passed: tuple[Passed, ...]
    at_most: int
    proven: bool


def allocate(
    jobs: Sequence[Job],
    pairs: Iterable[Pair],
    *,
    limits: Limits | None = None,
    standing: Standing | None = None,
) -> Allocation:
    """Return the best allocation of parts to jobs; the same for the same question in any order.

    Most jobs completed, then the most urgent, then the most days waited; among the same jobs the
    likeliest parts (the highest product of P(fit) and P(good) over all). Raises ValueRefused.
    """
    listed, kept, bound = list(pairs), standing or Standing(), limits or Limits()
    claims.check(jobs, listed, bound, kept)
    fixed = kept.fixed
    chances = _chances(listed, bound, kept)
    offers = {
        need: sorted(some, key=lambda part: (-some[part], part)) for need, some in chances.items()
    }
    hopeful = [job for job in jobs if all(need in fixed or need in offers for need in job.needs)]
    free = _served_for_certain(hopeful, offers, fixed)
    chosen = _choose(hopeful, offers, free | fixed.keys())
    completed = {job.name for job in chosen.jobs}
    needs = sorted(n for job in chosen.jobs for n in job.needs if n not in fixed)
    given = fixed | likeliest(needs, chances)
    return Allocation(
        given=given,
        completed=tuple(sorted(completed)),
        passed=tuple(passing.passed_over(jobs, completed, offers, given)),
        at_most=chosen.at_most,
        proven=chosen.proven,
    )


def likeliest(needs: Sequence[str], chances: Mapping[str, Mapping[str, float]]) -> dict[str, str]:
    """Return a part for each need, the product of all chances being the highest there is.

    The needs must be servable together. An assignment by minus the logarithms.
    """
    if not needs:
        return {}
    parts = sorted({part for need in needs for part in chances[need]})
    place = {part: number for number, part in enumerate(parts)}
    cells = [
        (row, place[part], 1.0 - math.log(max(chance, _LEAST_CHANCE)))
        for row, need in enumerate(needs)
        for part, chance in sorted(chances[need].items())
    ]
    rows, columns, costs = zip(*cells, strict=True)
    graph = csr_array((np.array(costs), (rows, columns)), shape=(len(needs), len(parts)))
    at, found = min_weight_full_bipartite_matching(graph)
    return {needs[row]: parts[column] for row, column in zip(at, found, strict=True)}


def _chances(
    pairs: Iterable[Pair], limits: Limits, standing: Standing
) -> dict[str, dict[str, float]]:
    """Return by need and part the chance that it fits and is good, of the pairs allowed."""
    fixed = standing.fixed
    shut, gone = fixed.keys() | standing.kept_from, set(fixed.values())
    found: dict[str, dict[str, float]] = defaultdict(dict)
    for pair in pairs:
        allowed = pair.p_fit >= limits.p_fit and pair.p_good >= limits.p_good
        if allowed and pair.need not in shut and pair.part not in gone:
            chance = max(pair.p_fit * pair.p_good, found[pair.need].get(pair.part, 0.0))
            found[pair.need][pair.part] = chance
    return dict(found)


def _served_for_certain(
    jobs: Sequence[Job], offers: choosing.Offers, fixed: Mapping[str, str]
) -> frozenset[str]:
    needs = sorted(need for job in jobs for need in job.needs if need not in fixed)
    return frozenset(needs) - scarce.competing(needs, offers)


def _choose(
    jobs: Sequence[Job], offers: choosing.Offers, served: frozenset[str]
) -> choosing.Chosen:
    """Choose among the jobs with needs that compete, group by group; the others are completed."""
    done, at_most, proven = [], 0, True
    by_name = {job.name: job for job in jobs}
    competing = []
    for job in jobs:
        open_needs = tuple(need for need in job.needs if need not in served)
        if open_needs:
            competing.append(Job(job.name, open_needs, job.urgency, job.waiting_days))
        else:
            done.append(job)
            at_most += 1
    for group in scarce.groups(competing, offers):
        found = choosing.choose(group, offers)
        done += [by_name[job.name] for job in found.jobs]
        at_most += found.at_most
        proven = proven and found.proven
    return choosing.Chosen(tuple(done), at_most, proven)
