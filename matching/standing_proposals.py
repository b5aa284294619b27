"""Proposals that stand, and how they end by what happens around them.

Rows are locked after those of holds (see holds.py): part, job, need, hold, proposal.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

from django.db import transaction
from django.db.models import Q

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


def run_asked(workshop_id: int) -> bool:
    """Return True while an allocation is asked for and not made."""
    asked = OutboxEvent.of(workshop_id).filter(
        kind=events.SHARE_OUT, done_at__isnull=True, dead_at__isnull=True
    )
    return bool(asked.exists())


def ask_for_run(workshop_id: int) -> bool:
    """Record the asking for a run unless one is asked for already. Needs a transaction."""
    if run_asked(workshop_id):
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
    rows = Proposal.of(part.workshop_id).filter(
        Q(part=part) | Q(need=need), state=Proposal.State.OPEN
    )
    met = list(rows.select_for_update().order_by("id"))  # in one order: two may cross each other
    said = f"held for {need.job.ref} by hand" + (f": {note}" if note else "")
    for one in met:
        ours = one.part_id == part.pk and one.need_id == need.pk
        one.state = Proposal.State.ACCEPTED if ours else Proposal.State.WITHDRAWN
        one.note = (note if ours else said)[:200]
        one.ended_at, one.ended_by = now, member
        one.save(update_fields=["state", "note", "ended_at", "ended_by"])


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
        workshops = lapse(Proposal.objects.unscoped().all(), now=now)
        for workshop_id in sorted(set(workshops)):
            ask_for_run(workshop_id)
    return len(workshops)


def lapse(rows: "QuerySet[Proposal]", *, now: datetime) -> list[int]:
    """End those whose time is over; returns the workshop of each."""
    over = rows.filter(state=Proposal.State.OPEN, expires_at__lte=now)
    with transaction.atomic():
        found = list(over.select_for_update().order_by("id").values_list("id", "workshop_id"))
        ended = Proposal.objects.unscoped().filter(pk__in=[pk for pk, _ in found])
        ended.update(state=Proposal.State.LAPSED, ended_at=now)
    return [workshop_id for _, workshop_id in found]
