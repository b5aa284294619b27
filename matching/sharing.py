"""Work out who gets which part, and propose it. Runs in the dispatcher, one at a time.

Holds and proposals that stand are not moved. A proposal whose job can no longer be completed
serves nobody: it is withdrawn and its part is free for the others in the same run.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import F, Q
from django.utils import timezone

from matching import inbox, standing_proposals
from matching.domain.allocation import allocating, claims
from matching.domain.allocation.passing import Passed
from matching.models import Alert, Hold, Job, KeptBack, LastAllocation, Match, Need, Proposal
from matching.promised import LET_GO, to_be_had
from matching.recipients import Recipients
from parts.models import AVAILABLE, Part
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


def share_out(workshop_id: int, *, now: datetime) -> LastAllocation:
    """Work the allocation of a workshop out, store its proposals, return what it came to.

    In the dispatcher's transaction, which holds the workshop's lock: no two run at once.
    """
    last, _ = LastAllocation.objects.unscoped().get_or_create(workshop_id=workshop_id)
    board = _read(workshop_id, now)
    found, standing = _allocate(board)
    gone = [one.pk for one in board.proposed.values() if standing.get(one.need_id) != one.part_id]
    given = {int(need): int(part) for need, part in found.given.items()}
    new = _still_free(workshop_id, {n: p for n, p in given.items() if standing.get(n) != p})
    standing_proposals.lapse(Proposal.of(workshop_id).all(), now=now)  # before their successors
    rows = Proposal.of(workshop_id).filter(pk__in=gone)
    standing_proposals.withdraw(rows, now=now, note="it no longer completes the job")
    _tell(workshop_id, _propose(workshop_id, board, new, now), since=last.made_at, now=now)
    last.due, last.made_at = False, now
    last.jobs, last.completed = len(board.jobs), len(found.completed)
    last.at_most, last.proven = found.at_most, found.proven
    last.pairs = len(board.pairs)
    last.passed = [_as_ids(one) for one in found.passed]
    last.save()
    return last


def _read(workshop_id: int, now: datetime) -> _Board:
    kept = KeptBack.of(workshop_id).filter(undone_at__isnull=True)
    back = list(kept.values_list("need_id", "part_id"))
    shut_needs = {need for need, part in back if part is None}
    shut_parts = {part for need, part in back if need is None}
    let_go = Proposal.of(workshop_id).filter(
        Q(state__in=LET_GO, reopened_at__isnull=True)
        | Q(state=Proposal.State.OPEN, expires_at__lte=now)
    )
    shut_pairs = {*back, *let_go.values_list("need_id", "part_id")}
    holding = Hold.of(workshop_id).filter(released_at__isnull=True, expires_at__gt=now)
    standing = list(holding.order_by("-id").values_list("need_id", "part_id"))
    held, held_parts = dict(standing), {part for _, part in standing}
    pairs = {
        (need, part): odds
        for (need, part), odds in _matches(workshop_id).items()
        if need not in shut_needs
        and part not in shut_parts
        and part not in held_parts
        and (need, part) not in shut_pairs
    }
    proposals = Proposal.of(workshop_id).filter(state=Proposal.State.OPEN, expires_at__gt=now)
    return _Board(
        jobs=_jobs(workshop_id, now),
        pairs=pairs,
        held=held,
        proposed={one.need_id: one for one in proposals.order_by("id")},
    )


def _matches(workshop_id: int) -> Pairs:
    """Return the pairs that may be proposed: parts that can be had, at a price that may be paid."""
    rows = Match.of(workshop_id).filter(
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


def _still_free(workshop_id: int, new: dict[int, int]) -> dict[int, int]:
    """Lock the parts and needs to be joined; return the pairs no hold has come between.

    Before any proposal is locked: the order of holds.py. A hold made by hand meanwhile goes first.
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
    return {need: part for need, part in new.items() if part in there and need in wanted}


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
    LastAllocation.objects.unscoped().filter(workshop_id=workshop_id, due=False).update(due=True)


def never_made() -> Iterable[int]:
    """Return the workshops with open needs whose allocation was never worked out."""
    rows = Need.objects.unscoped().filter(state=Need.State.OPEN, job__state=Job.State.OPEN)
    made = LastAllocation.objects.unscoped().values("workshop_id")
    return rows.exclude(workshop_id__in=made).values_list("workshop_id", flat=True).distinct()


def due() -> list[int]:
    """Return the workshops whose allocation is to be worked out anew."""
    rows = LastAllocation.objects.unscoped().filter(due=True)
    return sorted({*rows.values_list("workshop_id", flat=True), *never_made()})
