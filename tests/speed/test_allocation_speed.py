"""How long an allocation of 20,000 parts to 2,000 needs takes; the aim is 5 s.

    python -m pytest tests/speed/test_allocation_speed.py -m speed -s

Each need has 10 to 50 pairs. Worlds: *plenty* (any part may serve any need), *families* (200
families of ten needs, a third of them with fewer parts than needs), *popular* (most pairs name
the same few hundred parts), *scarce* (1,200 parts for all, in one group), *dense* (50
families with too few parts, linked into one group). Peers in the same run: the greedy rule, and
scipy's linear_sum_assignment where every job has one need, the only question it can answer. No
figure decides a test.
"""

import random
import time

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from matching.domain.allocation import greedy
from matching.domain.allocation.allocating import allocate
from matching.domain.allocation.claims import Job, Limits, Pair
from matching.domain.allocation.worth import levels, worth

pytestmark = pytest.mark.speed
NEEDS, PARTS = 2_000, 20_000
LIMITS = Limits(0.0, 0.0)


def jobs_of(dice, several):
    """NEEDS needs; of the jobs a third have two or three when `several`."""
    jobs, left = [], NEEDS
    while left:
        count = min(left, dice.choice([1, 1, 1, 1, 2, 3]) if several else 1)
        name = f"j{len(jobs):04d}"
        urgency = dice.choice([0] * 9 + [1, 2])
        needs = tuple(f"{name}n{place}" for place in range(count))
        jobs.append(Job(name, needs, urgency, dice.randint(0, 60)))
        left -= count
    return jobs


def plenty(dice, _):
    return dice.sample(range(PARTS), dice.randint(10, 50))


def families(dice, number):
    """Scarce families keep 10 parts that all in them ask for; of those a few belong to others."""
    family = number % 200
    first = family * 100
    if family % 3 == 0:
        rivals = [(family + 3) % 200 * 100 + one for one in range(4)]
        return [*range(first, first + 6), *rivals]
    return dice.sample(range(first, first + 100), dice.randint(10, 50))


def popular(dice, _):
    count, found = dice.randint(10, 50), set()
    while len(found) < count:
        found.add(min(PARTS - 1, int(dice.paretovariate(0.9) * 150) - 150))
    return sorted(found)


def scarce(dice, _):
    """All needs ask for the same 1,200 parts, some far oftener than others: one large group."""
    count, found = dice.randint(10, 50), set()
    while len(found) < count:
        part = int(dice.paretovariate(0.9) * 150) - 150
        if part < 1_200:
            found.add(part)
    return sorted(found)


def dense(dice, number):
    """50 families of 40 needs for 34 parts, six of them the next family's: all in one group."""
    first, after = number % 50 * 400, (number + 1) % 50 * 400
    parts = [*range(first, first + 28), *range(after, after + 6)]
    return dice.sample(parts, dice.randint(10, len(parts)))


def question(seed, world, several):
    dice = random.Random(seed)
    jobs = jobs_of(dice, several)
    needs = [need for job in jobs for need in job.needs]
    dice.shuffle(needs)
    pairs = [
        Pair(need, f"p{part:05d}", dice.uniform(0.65, 1), dice.uniform(0.35, 1))
        for number, need in enumerate(needs)
        for part in world(dice, number)
    ]
    return jobs, pairs


def by_greed(jobs, pairs):
    offers = {need: [] for job in jobs for need in job.needs}
    for pair in sorted(pairs, key=lambda one: -one.p_fit * one.p_good):
        offers[pair.need].append(pair.part)
    return list(greedy.completed(jobs, offers))


def by_assignment(jobs, pairs):
    """Most jobs, then urgency, then days, as one sum of weights; dense, as scipy wants it."""
    rows = {job.needs[0]: row for row, job in enumerate(jobs)}
    cost = np.zeros((len(jobs), PARTS))
    for pair in pairs:
        job = jobs[rows[pair.need]]
        cost[rows[pair.need], int(pair.part[1:])] = -(1e9 + job.urgency * 1e5 + job.waiting_days)
    at, columns = linear_sum_assignment(cost)
    return [jobs[row] for row, column in zip(at, columns, strict=True) if cost[row, column] < 0]


def timed(work, *asked):
    start, busy = time.perf_counter(), time.process_time()
    found = work(*asked)
    return found, time.perf_counter() - start, time.process_time() - busy


@pytest.mark.parametrize("several", [False, True])
@pytest.mark.parametrize("world", [plenty, families, popular, scarce, dense])
def test_allocation(world, several, capsys):
    jobs, pairs = question(1, world, several)
    found, took, worked = timed(lambda: allocate(jobs, pairs, limits=LIMITS))
    plain, plain_took, _ = timed(by_greed, jobs, pairs)
    urgencies = levels(jobs)
    mine = worth([job for job in jobs if job.name in found.completed], urgencies)
    lines = [
        f"\n{world.__name__}, {len(jobs)} jobs, {NEEDS} needs, {len(pairs)} pairs: "
        f"{took:.2f} s ({worked:.2f} s of processor), worth {mine}, at most {found.at_most}, "
        f"proven {found.proven}",
        f"  greedy: {plain_took:.2f} s, worth {worth(plain, urgencies)}",
    ]
    assert mine >= worth(plain, urgencies)
    if not several:
        judge, judge_took, _ = timed(by_assignment, jobs, pairs)
        lines.append(f"  linear_sum_assignment: {judge_took:.2f} s, {len(judge)} jobs")
        assert len(found.completed) == len(judge)
    with capsys.disabled():
        print("\n".join(lines))
