"""Work out who gets which part, and propose it. Runs in the dispatcher.

It is worked out from a snapshot, outside of a transaction, so that nobody waits for it; a short
transaction then stores it, having looked again at all that each new proposal rests on. What came
between is left out and has the next run made.

Holds and proposals that stand are not moved. A proposal whose job can no longer be completed
serves nobody: it is withdrawn and its part is free for the others in the same run.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone

from matching import inbox, standing_proposals
from matching.domain.allocation import allocating, claims
from matching.domain.allocation.passing import Passed
from matching.models import Alert, Hold, Job, KeptBack, LastAllocation, Match, Need, Proposal
from matching.promised import LET_GO, to_be_had
from matching.recipients import Recipients
from parts.models import AVAILABLE, Part
from workshop import sql
from workshop.models import Member, Workshop

MOST_ROUNDS = 5
LIMITS = claims.Limits()
Pairs = dict[tuple[int, int], tuple[float, float]]  # (need, part): (P(fit), P(good))


@dataclass(slots=True)
class _Board:
    """What an allocation is made of, read once."""

    jobs: list[claims.Job]
    pairs: Pairs
    held: dict[int, int]  # need: part
    proposed: dict[int, Proposal]  # by need


@dataclass(frozen=True, slots=True)
class WorkedOut:
    """An allocation not stored yet. touched: how often it was touched before it was read."""

    board: _Board
    found: allocating.Allocation
    standing: dict[int, int]
    touched: int


def share_out(workshop_id: int, *, now: datetime) -> LastAllocation:
    """Work the allocation of a workshop out, store its proposals, return what it came to."""
    worked = work_out(workshop_id, now=now)
    with transaction.atomic():
        return store(workshop_id, worked, now=now)


def work_out(workshop_id: int, *, now: datetime) -> WorkedOut:
    """Work out who gets what, as of one moment. Writes nothing, and asks for no transaction."""
    with sql.snapshot():
        rows = LastAllocation.objects.unscoped().filter(workshop_id=workshop_id)
        touched = rows.values_list("touched", flat=True).first() or 0
        board = _read(workshop_id, now)
    found, standing = _allocate(board)
    return WorkedOut(board, found, standing, touched)


def store(workshop_id: int, worked: WorkedOut, *, now: datetime) -> LastAllocation:
    """Store the proposals of an allocation that still can be made; return what it came to.

    In the dispatcher's transaction, which holds the workshop's lock: no two store at once.
    """
    rows = LastAllocation.objects.unscoped()
    last, _ = rows.select_for_update().get_or_create(workshop_id=workshop_id)
    board, found, standing = worked.board, worked.found, worked.standing
    gone = [one.pk for one in board.proposed.values() if standing.get(one.need_id) != one.part_id]
    given = {int(need): int(part) for need, part in found.given.items()}
    asked = {n: p for n, p in given.items() if standing.get(n) != p}
    new = _still_free(workshop_id, asked, now) if asked else {}
    standing_proposals.lapse(Proposal.of(workshop_id).all(), now=now)  # before their successors
    rows = Proposal.of(workshop_id).filter(pk__in=gone)
    standing_proposals.withdraw(rows, now=now, note="it no longer completes the job")
    new = _not_proposed(workshop_id, new)
    _tell(workshop_id, _propose(workshop_id, board, new, now), since=last.made_at, now=now)
    last.due, last.made_at = last.touched != worked.touched, now
    last.jobs, last.completed = len(board.jobs), len(found.completed)
    last.at_most, last.proven = found.at_most, found.proven
    last.pairs = len(board.pairs)
    last.passed = [_as_ids(one) for one in found.passed]
    last.save()
    return last


@dataclass(frozen=True, slots=True)
class _Shut:
    """What persons keep back, or let go: (need, part), None standing for all of them."""

    rows: frozenset[tuple[int | None, int | None]]

    def keeps(self, need: int, part: int) -> bool:
        return not self.rows.isdisjoint({(need, part), (need, None), (None, part)})


def _shut(workshop_id: int, now: datetime) -> _Shut:
    kept = KeptBack.of(workshop_id).filter(undone_at__isnull=True)
    let_go = Proposal.of(workshop_id).filter(
        Q(state__in=LET_GO, reopened_at__isnull=True)
        | Q(state=Proposal.State.OPEN, expires_at__lte=now)
    )
    columns = ("need_id", "part_id")
    return _Shut(frozenset([*kept.values_list(*columns), *let_go.values_list(*columns)]))


def _not_proposed(workshop_id: int, new: dict[int, int]) -> dict[int, int]:
    """Leave out what somebody else proposed meanwhile: one proposal stands for a part and a need.

    After what this run takes back, so that its own successors are not in the way.
    """
    rows = Proposal.of(workshop_id).filter(state=Proposal.State.OPEN)
    rows = rows.filter(Q(part__in=list(new.values())) | Q(need__in=list(new)))
    standing = list(rows.values_list("need_id", "part_id"))
    needs, parts = {need for need, _ in standing}, {part for _, part in standing}
    return {need: part for need, part in new.items() if need not in needs and part not in parts}


def _read(workshop_id: int, now: datetime) -> _Board:
    shut = _shut(workshop_id, now)
    holding = Hold.of(workshop_id).filter(released_at__isnull=True, expires_at__gt=now)
    standing = list(holding.order_by("-id").values_list("need_id", "part_id"))
    held, held_parts = dict(standing), {part for _, part in standing}
    pairs = {
        (need, part): odds
        for (need, part), odds in _matches(workshop_id).items()
        if part not in held_parts and not shut.keeps(need, part)
    }
    proposals = Proposal.of(workshop_id).filter(state=Proposal.State.OPEN, expires_at__gt=now)
    return _Board(
        jobs=_jobs(workshop_id, now),
        pairs=pairs,
        held=held,
        proposed={
            one.need_id: one for one in proposals.order_by("id") if one.part_id not in held_parts
        },
    )


def _matches(
    workshop_id: int,
    *,
    need_ids: Iterable[int] | None = None,
    part_ids: Iterable[int] | None = None,
) -> Pairs:
    """Return the pairs that may be proposed: parts that can be had, at a price that may be paid."""
    rows = Match.of(workshop_id)
    if need_ids is not None and part_ids is not None:
        rows = rows.filter(need__in=list(need_ids), part__in=list(part_ids))
    rows = rows.filter(
        need__state=Need.State.OPEN,
        need__job__state=Job.State.OPEN,
        p_fit__gte=LIMITS.p_fit,
        p_good__gte=LIMITS.p_good,
    )
    rows = to_be_had(rows).exclude(part__price_cents__gt=F("need__max_price_cents"))
    found = rows.order_by().values_list("need_id", "part_id", "p_fit", "p_good")
    return {(need, part): (p_fit, p_good) for need, part, p_fit, p_good in found}


def _jobs(workshop_id: int, now: datetime) -> list[claims.Job]:
    rows = Need.of(workshop_id).filter(state=Need.State.OPEN, job__state=Job.State.OPEN)
    needs: dict[int, list[str]] = defaultdict(list)
    facts: dict[int, tuple[int, int]] = {}
    today = timezone.localdate(now)
    for need, job, urgency, opened in rows.order_by("job_id", "id").values_list(
        "id", "job_id", "job__urgency", "job__opened_on"
    ):
        needs[job].append(str(need))
        facts[job] = urgency, max(0, (today - opened).days)
    return [claims.Job(str(job), tuple(some), *facts[job]) for job, some in needs.items()]


def _allocate(board: _Board) -> tuple[allocating.Allocation, dict[int, int]]:
    """Return the allocation, and what stood before it and stays: need to part.

    Proposals to jobs that stay incomplete are taken back, until none is.
    """
    jobs = {int(need): job.name for job in board.jobs for need in job.needs}
    held = {need: part for need, part in board.held.items() if need in jobs}
    proposed = {
        need: one.part_id
        for need, one in board.proposed.items()
        if need in jobs and need not in held and (need, one.part_id) in board.pairs
    }
    pairs = [
        claims.Pair(str(need), str(part), *odds)
        for (need, part), odds in board.pairs.items()
        if need in jobs
    ]
    for _ in range(MOST_ROUNDS):
        fixed = {str(need): str(part) for need, part in (held | proposed).items()}
        standing = claims.Standing(fixed)
        found = allocating.allocate(board.jobs, pairs, limits=LIMITS, standing=standing)
        completed = set(found.completed)
        idle = [need for need in proposed if jobs[need] not in completed]
        if not idle:
            return found, held | proposed
        for need in idle:
            del proposed[need]
    # Still not settled: none that stands is kept, so that nothing is taken and given in one run.
    standing = claims.Standing({str(need): str(part) for need, part in held.items()})
    return allocating.allocate(board.jobs, pairs, limits=LIMITS, standing=standing), held


def _propose(workshop_id: int, board: _Board, new: dict[int, int], now: datetime) -> list[Proposal]:
    """Store what is new, need to part."""
    hours = Workshop.objects.values_list("proposal_hours", flat=True).get(pk=workshop_id)
    rows = [
        Proposal(
            workshop_id=workshop_id,
            part_id=part,
            need_id=need,
            p_fit=board.pairs[need, part][0],
            p_good=board.pairs[need, part][1],
            proposed_at=now,
            expires_at=now + timedelta(hours=hours),
        )
        for need, part in new.items()
    ]
    return list(Proposal.objects.bulk_create(rows, batch_size=200))


def _still_free(workshop_id: int, new: dict[int, int], now: datetime) -> dict[int, int]:
    """Lock the parts and needs to be joined; return the pairs no hold has come between.

    Before any proposal is locked: the order of holds.py. A hold made by hand meanwhile goes first;
    so does what a person declined or kept back, and a match that is no longer one.
    """
    parts = Part.of(workshop_id).filter(pk__in=list(new.values()), state__in=AVAILABLE)
    there = set(parts.select_for_update().order_by("id").values_list("id", flat=True))
    needs = Need.of(workshop_id).filter(pk__in=list(new), state=Need.State.OPEN)
    wanted = set(needs.select_for_update().order_by("id").values_list("id", flat=True))
    held = Hold.of(workshop_id).filter(released_at__isnull=True)
    held = held.filter(Q(part__in=there) | Q(need__in=wanted))
    taken = list(held.values_list("part_id", "need_id"))
    there -= {part for part, _ in taken}
    wanted -= {need for _, need in taken}
    left = {need: part for need, part in new.items() if part in there and need in wanted}
    allowed = _matches(workshop_id, need_ids=left, part_ids=left.values())
    shut = _shut(workshop_id, now)
    return {
        need: part
        for need, part in left.items()
        if (need, part) in allowed and not shut.keeps(need, part)
    }


def _tell(workshop_id: int, made: list[Proposal], *, since: datetime | None, now: datetime) -> None:
    """Tell whom a part falls to after others let it go since the last run.

    First proposals stand on their pages.
    """
    fallen = Proposal.of(workshop_id).filter(
        part__in=[one.part_id for one in made],
        state__in=LET_GO,
    )
    if since is not None:
        fallen = fallen.filter(ended_at__gte=since)
    parts = set(fallen.values_list("part_id", flat=True))
    if not parts:
        return
    recipients = Recipients(workshop_id)
    rows = Proposal.of(workshop_id).filter(pk__in=[one.pk for one in made], part__in=parts)
    rows = rows.select_related("part", "need__kind", "need__job__technician__user").order_by("id")
    alerts = [_alert(who, one, now) for one in rows for who in recipients.of(one.need.job)]
    inbox.write(alerts)


def _alert(who: Member, one: Proposal, now: datetime) -> Alert:
    said = (
        f"{one.need.job.ref}: {one.need.kind.name} {one.part.ref} falls to this job; "
        f"accept it by {one.expires_at:%Y-%m-%d %H:%M} UTC or it falls to the next."
    )
    return Alert(
        workshop_id=one.workshop_id,
        recipient=who,
        news=Alert.News.PROPOSED,
        about=f"proposal {one.pk}",
        job=one.need.job,
        arrival=one.part.arrival,
        need=one.need,
        part=one.part,
        summary=said[:300],
        told_at=now,
    )


def _as_ids(one: Passed) -> dict[str, object]:
    return {
        "job": int(one.job),
        "need": int(one.need),
        "because": one.because,
        "part": int(one.part) if one.part else None,
        "to": int(one.to) if one.to else None,
        "days": one.days,
    }


def note_touched(workshop_id: int) -> None:
    """Note that the last allocation may no longer be the best. In the dispatcher only."""
    rows = LastAllocation.objects.unscoped()
    touch = {"due": True, "touched": F("touched") + 1}
    if not rows.filter(workshop_id=workshop_id).update(**touch):
        # The first one may be worked out right now: it has to find that it was touched.
        rows.get_or_create(workshop_id=workshop_id)
        rows.filter(workshop_id=workshop_id).update(**touch)


def never_made() -> Iterable[int]:
    """Return the workshops with open needs whose allocation was never worked out."""
    rows = Need.objects.unscoped().filter(state=Need.State.OPEN, job__state=Job.State.OPEN)
    made = LastAllocation.objects.unscoped().values("workshop_id")
    return rows.exclude(workshop_id__in=made).values_list("workshop_id", flat=True).distinct()


def due() -> list[int]:
    """Return the workshops whose allocation is to be worked out anew."""
    rows = LastAllocation.objects.unscoped().filter(due=True)
    return sorted({*rows.values_list("workshop_id", flat=True), *never_made()})
