"""What waiting needs can count on already: the part they are promised, else a free one.

Whoever weighs a machine asks here (a donor's strip plan, a listing, a job that may be broken for
parts, what to look for): a job that is served anyhow does not pay for one more machine.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from django.db.models import F, Q

from matching.domain.gain import Chances, gain
from matching.models import Hold, Need, Proposal
from matching.promised import free_matches
from parts.models import Part
from workshop.models import Workshop

IN_STOCK = (Part.State.REMOVED, Part.State.SHELVED)
# From this chance on a need counts as served: what it can count on is likelier than not.
SERVED_FROM = 0.5


@dataclass(frozen=True, slots=True)
class Cover:
    """by_need: chance, 0..1, that a part of ours fits and is good; needs without one are absent.

    promised: the need that parts are held for or proposed to, of all parts the needs count on;
    held: needs a person holds a part for; jobs: the open needs of each job asked for.
    """

    by_need: Mapping[int, float]
    promised: Mapping[int, int] = field(default_factory=dict)
    held: frozenset[int] = frozenset()
    jobs: Mapping[int, frozenset[int]] = field(default_factory=dict)

    def lacks(self, need_id: int) -> float:
        """Return the chance that nothing of ours serves the need."""
        return 1.0 - self.by_need.get(need_id, 0.0)

    def is_served(self, need_id: int) -> bool:
        """Whether nobody need look further: a person's hold counts whatever its odds."""
        return need_id in self.held or self.by_need.get(need_id, 0.0) >= SERVED_FROM

    def gain(self, job_id: int, chances: Mapping[int, float]) -> float:
        """Return by how much a machine that serves needs with such chances completes the job."""
        return gain(
            Chances(chances.get(need, 0.0), self.by_need.get(need, 0.0))
            for need in self.jobs.get(job_id, frozenset(chances))
        )


def of_jobs(workshop: Workshop | int, job_ids: Iterable[int]) -> Cover:
    """Return what the open needs of these jobs can count on: four queries."""
    rows = Need.of(workshop).filter(job__in=set(job_ids), state=Need.State.OPEN)
    jobs: dict[int, set[int]] = defaultdict(set)
    for job, need in rows.order_by().values_list("job_id", "id"):
        jobs[job].add(need)
    found = of_needs(workshop, {need for needs in jobs.values() for need in needs})
    return replace(found, jobs={job: frozenset(needs) for job, needs in jobs.items()})


def of_needs(workshop: Workshop | int, need_ids: Iterable[int]) -> Cover:
    """Return what needs can count on: three queries.

    A free part of the stock covers one of the needs asked for, the one it serves best. Parts
    still in a machine count only for whom they are promised: taking them out is what is weighed.
    """
    needs = set(need_ids)
    held = Hold.of(workshop).filter(need__in=needs, released_at__isnull=True)
    proposed = Proposal.of(workshop).filter(need__in=needs, state=Proposal.State.OPEN)
    promised = dict(proposed.values_list("need_id", "part_id"))
    by_hand = dict(held.values_list("need_id", "part_id"))
    promised |= by_hand
    # Held by hand, a part is taken at its holder's word until its match says what it is worth.
    by_need = dict.fromkeys(promised, 1.0)
    used: set[int] = set()
    for need, part, worth in _free(workshop, needs):
        if promised.get(need) == part or (need not in by_need and part not in used):
            by_need[need] = worth
            used.add(part)
    parts = {part: need for need, part in promised.items()}
    return Cover(by_need, parts, frozenset(by_hand))


def _free(workshop: Workshop | int, needs: set[int]) -> Iterable[tuple[int, int, float]]:
    """Return (need, part, worth) of what is promised or free in stock, best first: one query."""
    workshop_id = workshop if isinstance(workshop, int) else workshop.pk
    within = Q(need__max_price_cents__isnull=True) | Q(part__price_cents__isnull=True)
    within |= Q(part__price_cents__lte=F("need__max_price_cents"))
    rows = free_matches(workshop_id, needs)
    # `promised` is no field but what free_matches adds.
    rows = rows.filter(Q(promised=1) | Q(within, part__state__in=IN_STOCK))
    found = rows.order_by("-promised", "-worth", "need_id", "part_id")  # type: ignore[misc]
    return found.values_list("need_id", "part_id", "worth")
