"""The plain rule: jobs in turn, each takes the best parts still free, or none at all.

What a person would do with a list. Kept as the floor of the allocation, and its peer in tests.
"""

from collections.abc import Iterator, Mapping, Sequence

from matching.domain.allocation.claims import Job
from matching.domain.allocation.worth import turn


def completed(jobs: Sequence[Job], offers: Mapping[str, Sequence[str]]) -> Iterator[Job]:
    """Yield the jobs the rule completes. offers: parts of each need, the best first."""
    taken: set[str] = set()
    for job in sorted(jobs, key=turn):
        mine: set[str] = set()
        for need in job.needs:
            free = next((one for one in offers[need] if one not in taken | mine), None)
            if free is None:
                break
            mine.add(free)
        else:
            taken |= mine
            yield job
