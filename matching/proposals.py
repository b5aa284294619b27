"""What people say of proposals: accept, decline, reopen; and what they keep back.

A part given to another job than the one it is proposed to is held by hand with a note
(holds.hold_part); that ends the proposal.
"""

from dataclasses import dataclass
from datetime import datetime

from django.db import IntegrityError, transaction

from matching import holds, services, standing_proposals
from matching.models import Hold, Job, KeptBack, Need, Proposal
from parts import services as part_services
from parts.models import Part
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import Member, Workshop


def work_out_now(*, workshop: Workshop) -> None:
    """Have the allocation worked out as soon as the dispatcher comes to it. Asked once."""
    with transaction.atomic():
        standing_proposals.ask_for_run(workshop.pk)


@transaction.atomic
def accept(*, workshop: Workshop, proposal_id: int, member: Member, now: datetime) -> Hold:
    """Hold the part proposed for its need. Raises NotFound, or Conflict when it no longer stands.

    The refusals of holds.hold_part are passed on.
    """
    seen = _get(workshop, proposal_id)
    part_services.lock_part(workshop, seen.part.ref)
    Need.of(workshop).select_for_update().get(pk=seen.need_id)  # before its proposals
    proposal = _standing(workshop, proposal_id, now)
    return holds.hold_part(
        workshop=workshop,
        part_ref=proposal.part.ref,
        need_id=proposal.need_id,
        member=member,
        now=now,
    )


@transaction.atomic
def decline(
    *, workshop: Workshop, proposal_id: int, member: Member, note: str, now: datetime
) -> Proposal:
    """Let a proposed part go to the next; the pair is not proposed again until reopened.

    Raises InputRefused without a note, NotFound, or Conflict when it no longer stands.
    """
    _refuse_no_note(note, "Say why this part is not taken.")
    seen = _get(workshop, proposal_id)
    part_services.lock_part(workshop, seen.part.ref)
    proposal = _standing(workshop, proposal_id, now)
    proposal.state, proposal.ended_at = Proposal.State.DECLINED, now
    proposal.ended_by, proposal.note = member, note.strip()
    proposal.save(update_fields=["state", "ended_at", "ended_by", "note"])
    standing_proposals.touch(workshop.pk)
    return proposal


@transaction.atomic
def reopen(*, workshop: Workshop, proposal_id: int, now: datetime) -> Proposal:
    """Let a pair that was declined, or lapsed, be proposed again. Raises NotFound or Conflict."""
    proposal = _get(workshop, proposal_id, lock=True)
    let_go = (Proposal.State.DECLINED, Proposal.State.LAPSED)
    if proposal.state not in let_go or proposal.reopened_at is not None:
        raise Conflict("Only what was declined or has lapsed can be reopened, and once.")
    same = Proposal.of(workshop).filter(
        part=proposal.part_id, need=proposal.need_id, state__in=let_go, reopened_at__isnull=True
    )
    same.update(reopened_at=now)
    standing_proposals.touch(workshop.pk)
    return _get(workshop, proposal_id)


@dataclass(frozen=True, slots=True)
class Kept:
    """What is kept out of the allocation: a part, a need, or (both named) a part from a need."""

    part_ref: str = ""
    need_id: int | None = None
    note: str = ""


@transaction.atomic
def keep_back(*, workshop: Workshop, kept: Kept, member: Member, now: datetime) -> KeptBack:
    """Keep something out of the allocation until it is undone; what it crosses is withdrawn.

    Raises InputRefused when nothing is named or no note is given, NotFound for what is not here,
    Conflict when it is kept back already or part and need are of different kinds.
    """
    if not kept.part_ref and kept.need_id is None:
        words = "Name a part, a need, or both."
        raise InputRefused(words, fields={"part_ref": words})
    _refuse_no_note(kept.note, "Say why it is kept back.")
    part = part_services.lock_part(workshop, kept.part_ref) if kept.part_ref else None
    need = _open_need(workshop, kept.need_id) if kept.need_id is not None else None
    if part is not None and need is not None and part.kind_id != need.kind_id:
        raise Conflict(f"Part {part.ref} is no {need.kind.name.lower()}; there is nothing to keep.")
    try:
        with transaction.atomic():
            row = KeptBack.objects.create(
                workshop=workshop, part=part, need=need, note=kept.note.strip(), by=member, at=now
            )
    except IntegrityError:
        raise Conflict("This is kept back already.") from None
    _withdraw_crossed(workshop, part, need, now)
    standing_proposals.touch(workshop.pk)
    return row


@transaction.atomic
def undo_keeping(*, workshop: Workshop, kept_id: int, member: Member, now: datetime) -> KeptBack:
    """Let the allocation have it again. Raises NotFound, or Conflict when it was undone before."""
    rows = KeptBack.of(workshop).select_for_update(of=("self",))
    row = rows.filter(pk=kept_id).first()
    if row is None:
        raise NotFound("There is no such choice in this workshop.")
    if row.undone_at is not None:
        raise Conflict("This was undone before.")
    row.undone_by, row.undone_at = member, now
    row.save(update_fields=["undone_by", "undone_at"])
    standing_proposals.touch(workshop.pk)
    found: KeptBack = row
    return found


@transaction.atomic
def set_urgency(
    *, workshop: Workshop, ref: str, urgency: int, why: str, member: Member, now: datetime
) -> Job:
    """Say how urgent a job is, and why. Raises NotFound, InputRefused or Conflict."""
    if urgency not in Job.Urgency.values:
        words = "Choose ordinary, urgent or very urgent."
        raise InputRefused(words, fields={"urgency": words})
    if urgency and not why.strip():
        words = "Say why it is urgent, such as a freezer, medical need, a family with a baby."
        raise InputRefused(words, fields={"why": words})
    job = services.get_job_locked(workshop, ref)
    if job.state != Job.State.OPEN:
        raise Conflict(f"Job {ref} is {job.get_state_display()}.")
    job.urgency, job.urgency_why = Job.Urgency(urgency), why.strip()
    job.urgency_by, job.urgency_at = member, now
    job.save(update_fields=["urgency", "urgency_why", "urgency_by", "urgency_at"])
    standing_proposals.touch(workshop.pk)
    return job


def _refuse_no_note(note: str, words: str) -> None:
    if not note.strip():
        raise InputRefused(words, fields={"note": words})
    if len(note.strip()) > 200:
        raise InputRefused("The note is longer than 200 characters.", fields={"note": "Too long."})


def _get(workshop: Workshop, proposal_id: int, *, lock: bool = False) -> Proposal:
    rows = Proposal.of(workshop).select_related("part", "need__job")
    if lock:
        rows = rows.select_for_update(of=("self",))
    proposal = rows.filter(pk=proposal_id).first()
    if proposal is None:
        raise NotFound("There is no such proposal in this workshop.")
    found: Proposal = proposal
    return found


def _standing(workshop: Workshop, proposal_id: int, now: datetime) -> Proposal:
    proposal = _get(workshop, proposal_id, lock=True)
    if proposal.state != Proposal.State.OPEN:
        raise Conflict(
            f"The proposal of {proposal.part.ref} for {proposal.need.job.ref} no longer stands: "
            f"it is {proposal.get_state_display()}."
        )
    if proposal.expires_at <= now:
        raise Conflict(
            f"The proposal of {proposal.part.ref} for {proposal.need.job.ref} ended at "
            f"{proposal.expires_at:%Y-%m-%d %H:%M}. Hold the part by hand if it is still free."
        )
    return proposal


def _open_need(workshop: Workshop, need_id: int) -> Need:
    need = Need.of(workshop).select_related("kind", "job").filter(pk=need_id).first()
    if need is None:
        raise NotFound("There is no such need in this workshop.")
    if need.state != Need.State.OPEN:
        raise Conflict(f"Job {need.job.ref} no longer needs it: it is {need.get_state_display()}.")
    found: Need = need
    return found


def _withdraw_crossed(
    workshop: Workshop, part: Part | None, need: Need | None, now: datetime
) -> None:
    rows = Proposal.of(workshop).all()
    if part is not None:
        rows = rows.filter(part=part)
    if need is not None:
        rows = rows.filter(need=need)
    standing_proposals.withdraw(rows, now=now, note="kept back by hand")
