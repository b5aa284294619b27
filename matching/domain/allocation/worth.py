"""When one set of completed jobs is better than another."""

from collections.abc import Iterable

from matching.domain.allocation.claims import Job

Worth = tuple[int, ...]


def turn(job: Job) -> tuple[int, int, str]:
    """Return what jobs are sorted by: the most urgent first, then the longest waiting."""
    return (-job.urgency, -job.waiting_days, job.name)


def levels(jobs: Iterable[Job]) -> list[int]:
    """Return the urgencies above the ordinary that occur, the highest first."""
    return sorted({job.urgency for job in jobs if job.urgency}, reverse=True)


def worth(completed: Iterable[Job], urgencies: Iterable[int]) -> Worth:
    """Return the jobs completed, those of each urgency, their days waited; compared in order."""
    some = list(completed)
    of_level = (sum(job.urgency == level for job in some) for level in urgencies)
    return (len(some), *of_level, sum(job.waiting_days for job in some))
