"""Why a job goes empty: no part likely enough, or the part that suits it best serves another."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from matching.domain.allocation.claims import Job

Because = Literal["nothing", "urgent", "waited", "more"]


@dataclass(frozen=True, slots=True)
class Passed:
    """A job that is not completed: which need lacks a part, and why.

    nothing: no part of its own is free above the limits. Else its best part goes to the need `to`
    of another job, which is more urgent, has waited `days` longer, or is one of more jobs
    completed that way.
    """

    job: str
    need: str
    because: Because
    part: str = ""
    to: str = ""
    days: int = 0


def passed_over(
    jobs: Sequence[Job],
    completed: Iterable[str],
    offers: Mapping[str, Sequence[str]],
    given: Mapping[str, str],
) -> Iterator[Passed]:
    """Yield the jobs not completed, by name. offers: by need the parts allowed, best first."""
    done = set(completed)
    owner = {need: job for job in jobs for need in job.needs}
    goes_to = {part: need for need, part in given.items()}
    for job in sorted(jobs, key=lambda one: one.name):
        if job.name not in done:
            yield _why(job, offers, given, goes_to, owner)


def _why(
    job: Job,
    offers: Mapping[str, Sequence[str]],
    given: Mapping[str, str],
    goes_to: Mapping[str, str],
    owner: Mapping[str, Job],
) -> Passed:
    lacking = [need for need in job.needs if need not in given]
    for need in lacking:
        if not offers.get(need):
            return Passed(job.name, need, "nothing")
    for need in lacking:
        for part in offers[need]:
            if part in goes_to:
                to = goes_to[part]
                because, days = _compared(job, owner[to])
                return Passed(job.name, need, because, part, to, days)
    return Passed(job.name, lacking[0] if lacking else job.needs[0], "more")


def _compared(job: Job, winner: Job) -> tuple[Because, int]:
    if winner.urgency > job.urgency:
        return "urgent", 0
    if winner.urgency == job.urgency and winner.waiting_days > job.waiting_days:
        return "waited", winner.waiting_days - job.waiting_days
    return "more", 0
