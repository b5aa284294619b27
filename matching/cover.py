"""What waiting needs can count on already: the part they are promised, else a free one.

Whoever weighs a machine asks here (a donor's strip plan, a listing, a job that may be broken for
parts, what to look for): a job that is served anyhow does not pay for one more machine.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from django.db.models import Exists, F, OuterRef, Q

from matching.domain.gain import Chances, gain
from matching.models import Hold, KeptBack, Match, Need, Proposal
from parts.models import Grade, Part, PartKind
from workshop.models import Workshop

IN_STOCK = (Part.State.REMOVED, Part.State.SHELVED)
# From this chance on a need counts as served: what it can count on is likelier than not.
SERVED_FROM = 0.5


@dataclass(frozen=True, slots=True)
class Cover:
    """by_need: chance, 0..1, that a part of ours fits and is good; needs without one are absent.

    promised: the need that parts are held for or proposed to, of all parts the needs count on;
    jobs: the open needs of each job asked for.
    """

    by_need: Mapping[int, float]
    promised: Mapping[int, int] = field(default_factory=dict)
    jobs: Mapping[int, frozenset[int]] = field(default_factory=dict)

    def lacks(self, need_id: int) -> float:
        """Return the chance that nothing of ours serves the need."""
        return 1.0 - self.by_need.get(need_id, 0.0)

    def is_served(self, need_id: int) -> bool:
        return self.by_need.get(need_id, 0.0) >= SERVED_FROM

    def gain(self, job_id: int, chances: Mapping[int, float]) -> float:
        """Return by how much a machine that serves needs with such chances completes the job."""
        return gain(
            Chances(chances.get(need, 0.0), self.by_need.get(need, 0.0))
            for need in self.jobs.get(job_id, frozenset(chances))
        )


def of_jobs(workshop: Workshop | int, job_ids: Iterable[int]) -> Cover:
    """Return what the open needs of these jobs can count on: five queries."""
    rows = Need.of(workshop).filter(job__in=set(job_ids), state=Need.State.OPEN)
    jobs: dict[int, set[int]] = defaultdict(set)
    for job, need in rows.order_by().values_list("job_id", "id"):
        jobs[job].add(need)
    found = of_needs(workshop, {need for needs in jobs.values() for need in needs})
    return Cover(
        found.by_need, found.promised, {job: frozenset(needs) for job, needs in jobs.items()}
    )


def of_needs(workshop: Workshop | int, need_ids: Iterable[int]) -> Cover:
    """Return what needs can count on: four queries.

    A free part of the stock covers one of the needs asked for, the one it serves best. Parts
    still in a machine count only for whom they are promised: taking them out is what is weighed.
    """
    needs = set(need_ids)
    proposed = Proposal.of(workshop).filter(need__in=needs, state=Proposal.State.OPEN)
    held = Hold.of(workshop).filter(need__in=needs, released_at__isnull=True)
    parts = {
        need: (part, p_fit * p_good)
        for need, part, p_fit, p_good in proposed.values_list(
            "need_id", "part_id", "p_fit", "p_good"
        )
    }
    # Held by hand, a part is taken at its holder's word until its match says what it is worth.
    parts |= {need: (part, 1.0) for need, part in held.values_list("need_id", "part_id")}
    rows = Match.of(workshop).filter(need__in=parts, part__in=[part for part, _ in parts.values()])
    worth = {
        (need, part): one
        for need, part, one in rows.order_by().values_list("need_id", "part_id", "worth")
    }
    by_need = {need: worth.get((need, part), one) for need, (part, one) in parts.items()}
    by_need |= _from_stock(workshop, needs - by_need.keys())
    return Cover(by_need, {part: need for need, (part, _) in parts.items()})


def _from_stock(workshop: Workshop | int, needs: set[int]) -> dict[int, float]:
    """Return the chance of the free part each need gets when every part goes where it is best."""
    rows = Match.of(workshop).filter(need__in=needs, part__state__in=IN_STOCK, worth__gt=0)
    rows = rows.exclude(part__grade=Grade.SCRAP).exclude(part__kind__reuse=PartKind.Reuse.NEVER)
    rows = rows.exclude(part__price_cents__gt=F("need__max_price_cents"))
    this_part, this_pair = (
        {"part": OuterRef("part")},
        Q(part=OuterRef("part"), need=OuterRef("need")),
    )
    taken = Hold.of(workshop).filter(**this_part, released_at__isnull=True)
    promised = Proposal.of(workshop).filter(**this_part, state=Proposal.State.OPEN)
    let_go = Proposal.of(workshop).filter(
        this_pair,
        state__in=[Proposal.State.DECLINED, Proposal.State.LAPSED],
        reopened_at__isnull=True,
    )
    back = KeptBack.of(workshop).filter(
        this_pair
        | Q(part=OuterRef("part"), need__isnull=True)
        | Q(part__isnull=True, need=OuterRef("need")),
        undone_at__isnull=True,
    )
    for gone in (taken, promised, let_go, back):
        rows = rows.exclude(Exists(gone))
    found: dict[int, float] = {}
    used: set[int] = set()
    for need, part, worth in rows.order_by("-worth", "need_id", "part_id").values_list(
        "need_id", "part_id", "worth"
    ):
        if need not in found and part not in used:
            found[need] = worth
            used.add(part)
    return found
