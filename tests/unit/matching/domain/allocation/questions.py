"""Questions of allocation for the tests, and the slow obvious judge: every assignment."""

import math

from hypothesis import strategies as st

from matching.domain.allocation.claims import Job, Limits, Pair, Standing
from matching.domain.allocation.worth import levels, worth


@st.composite
def questions(draw, most_jobs=6, most_parts=6, most_needs=3):
    """Jobs, pairs, limits and what stands; small enough for every assignment to be tried."""
    jobs = []
    for number in range(draw(st.integers(1, most_jobs))):
        count = draw(st.integers(1, most_needs))
        needs = tuple(f"j{number}n{place}" for place in range(count))
        urgency, days = draw(st.sampled_from([0, 0, 0, 1, 2])), draw(st.integers(0, 40))
        jobs.append(Job(f"j{number}", needs, urgency, days))
    parts = [f"p{number}" for number in range(draw(st.integers(1, most_parts)))]
    chance = st.sampled_from([0.2, 0.5, 0.7, 0.8, 0.9, 1.0])
    pairs = [
        Pair(need, part, draw(chance), draw(chance))
        for job in jobs
        for need in job.needs
        for part in parts
        if draw(st.integers(0, 2)) == 0
    ]
    return jobs, pairs, Limits(0.6, 0.3), draw(standings(jobs, parts))


@st.composite
def standings(draw, jobs, parts):
    needs = [need for job in jobs for need in job.needs]
    free, held, chosen = list(parts), {}, {}
    for need in needs:
        say = draw(st.sampled_from([""] * 8 + ["held", "chosen", "none"]))
        if say == "none":
            chosen[need] = None
        elif say and free:
            (held if say == "held" else chosen)[need] = free.pop()
    return Standing(held, chosen)


def allowed(pairs, limits, standing):
    """Return by need the parts it may have and their chance, as the words of the issue say."""
    taken = set(standing.fixed.values())
    found = {}
    for pair in pairs:
        if (
            pair.p_fit >= limits.p_fit
            and pair.p_good >= limits.p_good
            and pair.part not in taken
            and pair.need not in standing.fixed
            and pair.need not in standing.kept_from
        ):
            found.setdefault(pair.need, {})[pair.part] = pair.p_fit * pair.p_good
    return found


def best_of_all(jobs, pairs, limits, standing):
    """Return (worth, log chance) of the best assignment, trying every one."""
    offers, urgencies = allowed(pairs, limits, standing), levels(jobs)
    best = (worth([], urgencies), 0.0)

    def go(place, taken, done, chance):
        nonlocal best
        if place == len(jobs):
            best = max(best, (worth(done, urgencies), round(chance, 9)))
            return
        go(place + 1, taken, done, chance)
        for parts, more in ways(jobs[place], taken):
            go(place + 1, taken | parts, [*done, jobs[place]], chance + more)

    def ways(job, taken):
        found = [(frozenset(), 0.0)]
        for need in job.needs:
            if need not in standing.fixed:
                found = [
                    (parts | {part}, chance + math.log(p))
                    for parts, chance in found
                    for part, p in offers.get(need, {}).items()
                    if part not in parts | taken
                ]
        return found

    go(0, frozenset(), [], 0.0)
    return best
