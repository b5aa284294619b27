"""What stands in stock for suspects of a job, found as Find a part finds it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from matching.domain.sides import Side
from matching.finding import LEAST_A_KIND, MOST_SCORED, standing_holds
from matching.models import Hold, Job, Proposal
from matching.searching import Offered, Searcher
from matching.share_views import standing_by_part
from parts.domain.part_numbers import Printed


@dataclass(frozen=True, slots=True)
class InStock:
    """What may serve one kind. count: parts that may fit and may be good, held ones too.

    proposed: those proposed to a job, the held ones not among them. best: the first of those
    neither held nor proposed, else not held, else of all. more: some were found but not scored.
    """

    count: int = 0
    held: int = 0
    proposed: int = 0
    best: Offered | None = None
    hold: Hold | None = None
    proposal: Proposal | None = None
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
    held, proposed = standing_holds(job.workshop, ids), standing_by_part(job.workshop, ids)
    more = {kind: bool(one.left) for kind, one in zip(kinds, searched, strict=True)}
    return {kind: _summed(some, held, proposed, more[kind]) for kind, some in found.items()}


def _summed(
    offered: Sequence[Offered],
    held: Mapping[int, Hold],
    proposed: Mapping[int, Proposal],
    more: bool,
) -> InStock:
    not_held = [one for one in offered if one.part.pk not in held]
    free = [one for one in not_held if one.part.pk not in proposed]
    best = next(iter([*free, *not_held, *offered]), None)
    return InStock(
        count=len(offered),
        held=len(offered) - len(not_held),
        proposed=len(not_held) - len(free),
        best=best,
        hold=held.get(best.part.pk) if best else None,
        proposal=proposed.get(best.part.pk) if best else None,
        more=more,
    )
