"""Leave out what nobody competes for, and split the rest into parts that do not touch.

In a largest matching of needs and parts, the needs an unmatched one can reach by alternating
paths compete for too few parts; every other need can be served without any part those could use
(the coarse decomposition of Dulmage and Mendelsohn, Can. J. Math. 10 (1958) 517). So the others
are served for certain, and only the competing ones are to be chosen among.
"""

from collections import defaultdict, deque
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, maximum_bipartite_matching

from matching.domain.allocation.claims import Job

Offers = Mapping[str, Sequence[str]]


def competing(needs: Sequence[str], offers: Offers) -> frozenset[str]:
    """Return the needs that compete for too few parts.

    offers: the parts allowed for each need.
    """
    matched = largest_matching(needs, offers)
    unmatched = sorted(need for need in needs if need not in matched)
    return _reached(unmatched, matched, offers)[0]


def overasked(needs: Sequence[str], offers: Offers) -> list[frozenset[str]]:
    """Return sets of parts each asked for by more of the needs than it has parts (Hall 1935).

    Empty when all needs can be served together.
    """
    matched = largest_matching(needs, offers)
    unmatched = (need for need in needs if need not in matched)
    found = {_reached([need], matched, offers)[1]: None for need in unmatched}
    return list(found)


def _reached(
    starts: Iterable[str], matched: Mapping[str, str], offers: Offers
) -> tuple[frozenset[str], frozenset[str]]:
    """Return the needs and parts on alternating paths from unmatched needs.

    Every part on them is held: a free one would make the matching larger.
    """
    holder = {part: need for need, part in matched.items()}
    needs, parts = set(starts), set()
    todo = deque(sorted(needs))
    while todo:
        for part in offers[todo.popleft()]:
            if part not in parts:
                parts.add(part)
                if holder[part] not in needs:
                    needs.add(holder[part])
                    todo.append(holder[part])
    return frozenset(needs), frozenset(parts)


def largest_matching(needs: Sequence[str], offers: Offers) -> dict[str, str]:
    """Return a largest set of needs each with a part of its own (Hopcroft and Karp 1973)."""
    parts = sorted({part for need in needs for part in offers[need]})
    if not parts:
        return {}
    place = {part: number for number, part in enumerate(parts)}
    rows = [row for row, need in enumerate(needs) for _ in offers[need]]
    columns = [place[part] for need in needs for part in offers[need]]
    graph = csr_array(
        (np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(len(needs), len(parts))
    )
    found = maximum_bipartite_matching(graph, perm_type="column")
    return {need: parts[at] for need, at in zip(needs, found, strict=True) if at >= 0}


def groups(jobs: Iterable[Job], offers: Offers) -> list[list[Job]]:
    """Return the jobs in groups that share no part, each sorted by name."""
    listed = sorted(jobs, key=lambda job: job.name)
    users: dict[str, list[int]] = defaultdict(list)
    for number, job in enumerate(listed):
        for need in job.needs:
            for part in offers[need]:
                users[part].append(number)
    links = [(some[0], other) for some in users.values() for other in some[1:]]
    ends = np.array(links, dtype=np.int64).reshape(-1, 2)
    ones = np.ones(len(ends), dtype=np.int8)
    graph = csr_array((ones, (ends[:, 0], ends[:, 1])), shape=(len(listed), len(listed)))
    count, label = connected_components(graph, directed=False)
    found: list[list[Job]] = [[] for _ in range(count)]
    for job, group in zip(listed, label, strict=True):
        found[group].append(job)
    return found
