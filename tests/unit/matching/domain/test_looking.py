"""Promising the parts of one machine. Judge: every choice of promises, tried one by one."""

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matching.domain.looking import Serves, best_promises

chances = st.integers(1, 20).map(lambda n: n / 20)
serves = st.tuples(st.integers(1, 4), chances)
needs = st.dictionaries(st.integers(1, 4), chances, min_size=0, max_size=3)
worlds = st.lists(st.lists(needs, min_size=1, max_size=2), min_size=1, max_size=5)


def as_jobs(world):
    """Return a world as best_promises takes it: need ids are job * 10 + place."""
    return {
        job: [
            [Serves(job * 10 + place, slot, p) for slot, p in need.items()]
            for place, need in enumerate(found)
        ]
        for job, found in enumerate(world)
    }


def ways(job, found):
    """Every way to serve all needs of a job with different parts."""
    done = [()]
    for need in found:
        done = [(*before, one) for before in done for one in need]
    for parts in done:
        if len({one.slot for one in parts}) == len(parts):
            p = 1.0
            for one in parts:
                p *= one.p
            yield job, p, {one.slot for one in parts}


def judge(jobs):
    every = [way for job, found in jobs.items() for way in ways(job, found)]
    best = 0.0
    for size in range(1, 5):
        for some in combinations(every, size):
            slots = [slot for _, _, used in some for slot in used]
            if len(slots) == len(set(slots)) and len({job for job, *_ in some}) == size:
                best = max(best, sum(p for _, p, _ in some))
    return best


@settings(max_examples=60, deadline=None)
@given(worlds)
def test_no_choice_expects_more_jobs(world):
    jobs = as_jobs(world)
    found = best_promises(jobs)
    assert sum(one.p for one in found) == pytest.approx(judge(jobs), abs=1e-9)
    used = [slot for one in found for slot in one.slots]
    assert len(used) == len(set(used))
    assert len({one.job for one in found}) == len(found)
    for one in found:
        assert [part.need for part in one.parts] == [
            one.job * 10 + place for place in range(len(jobs[one.job]))
        ]


def test_each_part_goes_to_its_likeliest_job():
    jobs = {1: [[Serves(1, 7, 0.5)]], 2: [[Serves(2, 7, 0.8)]], 3: [[Serves(3, 8, 0.1)]]}
    assert [(one.job, one.p) for one in best_promises(jobs)] == [(2, 0.8), (3, 0.1)]


def test_two_small_jobs_go_before_one_that_takes_both_parts():
    """By hand: .6 + .5 beats .9 x 1."""
    jobs = {
        1: [[Serves(1, 1, 0.9)], [Serves(2, 2, 1.0)]],
        2: [[Serves(3, 1, 0.6)]],
        3: [[Serves(4, 2, 0.5)]],
    }
    assert [one.job for one in best_promises(jobs)] == [2, 3]


def test_a_job_counts_with_all_its_needs_or_not_at_all():
    assert best_promises({1: [[Serves(1, 1, 1.0)], []]}) == []
    one_rack = {1: [[Serves(1, 1, 1.0)], [Serves(2, 1, 1.0)]]}
    assert best_promises(one_rack) == []


def test_nothing_waits():
    assert best_promises({}) == []
