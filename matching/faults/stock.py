"""What stands in stock for suspects of a job, found as Find a part finds it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from matching.domain.sides import Side
from matching.finding import LEAST_A_KIND, MOST_SCORED, standing_holds
from matching.models import Hold, Job
from matching.searching import Offered, Searcher
from parts.domain.part_numbers import Printed


@dataclass(frozen=True, slots=True)
class InStock:
    """What may serve one kind. count: parts that may fit and may be good, held ones too.

    best: the first of those nobody holds, else of all. more: some were found but not scored.
    """

    count: int = 0
    held: int = 0
    best: Offered | None = None
    hold: Hold | None = None
    more: bool = False


def in_stock(job: Job, kinds: Sequence[str], *, on: date) -> dict[str, InStock]:
    """Return what stands in stock for a job's machine by kind: the same queries for any kinds.

    Needs `make` to be loaded. Reads only.
    """
    if not kinds:
        return {}
    want = Side(Printed.of(""), "", {}, job.machine())
    searcher = Searcher(job.workshop_id, on=on)
    most = max(LEAST_A_KIND, MOST_SCORED // len(kinds))
    searched = searcher.search([(kind, want) for kind in kinds], most=most)
    found = {
        kind: [one for one in one_kind.offered if one.condition.p_good > 0]
        for kind, one_kind in zip(kinds, searched, strict=True)
    }
    ids = [one.part.pk for some in found.values() for one in some]
    held = standing_holds(job.workshop, ids)
    more = {kind: bool(one.left) for kind, one in zip(kinds, searched, strict=True)}
    return {kind: _summed(some, held, more[kind]) for kind, some in found.items()}


def _summed(offered: Sequence[Offered], held: dict[int, Hold], more: bool) -> InStock:
    free = [one for one in offered if one.part.pk not in held]
    best = next(iter([*free, *offered]), None)
    return InStock(
        count=len(offered),
        held=len(offered) - len(free),
        best=best,
        hold=held.get(best.part.pk) if best else None,
        more=more,
    )
