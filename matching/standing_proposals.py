"""Proposals that stand, and how they end by what happens around them.

Rows are locked after those of holds (see holds.py): part, job, need, hold, proposal.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

from django.db import transaction

from matching import events
from matching.models import Need, Proposal
from parts.models import Part
from workshop import outbox
from workshop.models import Member, OutboxEvent

if TYPE_CHECKING:
    from django.db.models import QuerySet


def touch(workshop_id: int) -> None:
    """Record that who gets what may change; it is worked out anew within a minute or so."""
    outbox.record(events.SHARES_TOUCHED, workshop_id=workshop_id, payload={})


def ask_for_run(workshop_id: int) -> bool:
    """Record the asking for a run unless one is asked for already. Needs a transaction."""
    asked = OutboxEvent.of(workshop_id).filter(
        kind=events.SHARE_OUT, done_at__isnull=True, dead_at__isnull=True
    )
    if asked.exists():
        return False
    outbox.record(events.SHARE_OUT, workshop_id=workshop_id, payload={})
    return True


def standing_for(part: Part, *, now: datetime) -> Proposal | None:
    """Return the proposal that stands on a part, with its job; not one whose time is over."""
    rows = Proposal.of(part.workshop_id).filter(
        part=part, state=Proposal.State.OPEN, expires_at__gt=now
    )
    found: Proposal | None = rows.select_related("need__job").first()
    return found


def settle_for_hold(
    part: Part, need: Need, *, member: Member, now: datetime, note: str = ""
) -> None:
    """End what stood proposed when a part is held: this pair is accepted, what it crosses ends."""
    rows = Proposal.of(part.workshop_id).filter(state=Proposal.State.OPEN)
    rows.filter(part=part, need=need).update(
        state=Proposal.State.ACCEPTED, ended_at=now, ended_by=member, note=note[:200]
    )
    said = f"held for {need.job.ref} by hand" + (f": {note}" if note else "")
    for crossed in (rows.filter(part=part), rows.filter(need=need)):
        crossed.update(
            state=Proposal.State.WITHDRAWN, ended_at=now, ended_by=member, note=said[:200]
        )


def withdraw(rows: "QuerySet[Proposal]", *, now: object, note: str) -> int:
    """End those that stand, locked in the order of their ids. Returns how many."""
    with transaction.atomic():
        standing = rows.filter(state=Proposal.State.OPEN).select_for_update().order_by("id")
        ids = list(standing.values_list("id", flat=True))
        ended = Proposal.objects.unscoped().filter(pk__in=ids)
        return int(ended.update(state=Proposal.State.WITHDRAWN, ended_at=now, note=note))


def withdraw_for_needs(*, workshop_id: int, need_ids: Iterable[int], now: object) -> int:
    """End what stands proposed to needs that are filled or withdrawn. Returns how many."""
    rows = Proposal.of(workshop_id).filter(need__in=list(need_ids))
    return withdraw(rows, now=now, note="the job no longer needs it")


def withdraw_for_parts(*, workshop_id: int, part_ids: Iterable[int], now: object) -> int:
    """End what stands proposed of parts that failed or are gone. Returns how many."""
    rows = Proposal.of(workshop_id).filter(part__in=list(part_ids))
    return withdraw(rows, now=now, note="the part is gone or failed")


def lapse_proposals(*, now: datetime) -> int:
    """End proposals nobody answered in time, in every workshop (the sweep). Returns how many.

    Their parts fall to the next need when the allocation is worked out anew.
    """
    with transaction.atomic():
        over = Proposal.objects.unscoped().filter(state=Proposal.State.OPEN, expires_at__lte=now)
        over = over.select_for_update().order_by("id")
        found = list(over.values_list("id", "workshop_id"))
        ids = [pk for pk, _ in found]
        ended = Proposal.objects.unscoped().filter(pk__in=ids)
        count = ended.update(state=Proposal.State.LAPSED, ended_at=now)
        for workshop_id in sorted({workshop_id for _, workshop_id in found}):
            ask_for_run(workshop_id)
    return int(count)
