"""Correcting what stands on record of a job and of what it needs; what was before is kept.

Rows are locked as everywhere: job, need, hold, proposal. What is matched follows by events.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from donors import corrections as plates
from donors.corrections import PLATE, Changed
from donors.domain.model_numbers import canonical
from matching import fittings, holds, services, waits
from matching.faults import closing, signs
from matching.models import Job, JobChange, Need, NeedKey, Outcome
from matching.services import NeedFacts
from parts import keys
from parts.selectors import get_kind
from workshop import days
from workshop.domain import money
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.exchange import cells
from workshop.members import covers
from workshop.models import Member, Role, Workshop

OF_NEED = ("kind", "position", "part_number", "attributes", "max_price_cents")


@transaction.atomic
def correct_job(
    *,
    workshop: Workshop,
    ref: str,
    changes: Mapping[str, Any],
    member: Member,
    now: datetime,
    why: str = "",
    confirm_mismatch: bool = False,
) -> Job:
    """Correct a job, open or closed.

    changes: what is named of its plate (PLATE), symptom, own_number, opened_on, wait_until,
    technician (a Member or None). The plate is read anew as at the opening; what rested on it
    follows. Raises NotFound, Conflict when its machine is a donor now (the plate is corrected
    there), InputRefused by field; nothing is stored then.
    """
    about_plate = bool({*changes} & {*PLATE})
    get = services.get_job_to_correct if about_plate else services.get_job_locked
    job = get(workshop, ref)
    changed = plates.set_plate(job, changes, day=job.opened_on, confirm_mismatch=confirm_mismatch)
    if about_plate and not confirm_mismatch and any(what == "appliance" for what, *_ in changed):
        kinds = _standing_needs(job).values_list("kind_id", flat=True)
        services.refuse_not_carried(job.appliance_id, kinds, field="appliance")
    read_anew = bool(changed)
    waited = _set_wait(job, changes, member=member, now=now)
    changed += _set_opening(job, changes, today=timezone.localdate(now))
    changed += _set_words(job, changes)
    changed += _set_technician(job, changes)
    job.save()
    if any(what in ("symptom", "appliance") for what, *_ in changed):
        signs.words_changed(job, by=member, now=now)
        closing.teach_again(job)
    changed += waited
    services.note_changes(job, changed, by=member, now=now, why=why)
    if read_anew:
        services.follow_machine(job)
        fittings.state_anew(workshop.pk, Outcome.of(workshop).filter(need__job=job))
    return job


def _standing_needs(job: Job) -> Any:
    return Need.of(job.workshop_id).filter(job=job).exclude(state=Need.State.WITHDRAWN)


def _set_opening(job: Job, changes: Mapping[str, Any], *, today: date) -> list[Changed]:
    """Set the day it was opened. Raises InputRefused where what happened since forbids it."""
    opened = changes.get("opened_on", job.opened_on)
    if opened == job.opened_on:
        return []
    days.refuse_implausible(opened_on=opened)
    days.refuse_long_ago(opened, field="opened_on", today=today)
    fitted = Outcome.of(job.workshop_id).filter(need__job=job).order_by("fitted_on").first()
    if fitted is not None and opened > fitted.fitted_on:
        raise InputRefused(
            f"Job {job.ref}: a part was fitted on {fitted.fitted_on}, so it was open by then.",
            fields={"opened_on": f"Lies after {fitted.fitted_on}, when a part was fitted."},
        )
    if job.wait_until is not None and opened > job.wait_until:
        raise InputRefused(
            f"Job {job.ref}: it waits until {job.wait_until}, before {opened}. Correct that too.",
            fields={"opened_on": f"Lies after the end of the wait, {job.wait_until}."},
        )
    before, job.opened_on, job.tell_next_on = job.opened_on, opened, today
    return [("opened on", before, opened)]


def _set_words(job: Job, changes: Mapping[str, Any]) -> list[Changed]:
    changed: list[Changed] = []
    wanted = {
        "symptom": str(changes.get("symptom", job.symptom)).strip(),
        "own_number": services.read_own_number(str(changes.get("own_number", job.own_number))),
    }
    for name, value in wanted.items():
        before = getattr(job, name)
        if value != before:
            setattr(job, name, value)
            changed.append((name.replace("_", " "), before, value))
    return changed


def _set_technician(job: Job, changes: Mapping[str, Any]) -> list[Changed]:
    before = job.technician
    after: Member | None = changes.get("technician", before)
    if after == before:
        return []
    if after is not None and not _able(after, job.workshop_id):
        raise InputRefused(
            f"{after} cannot take a job: that needs an active member with the role technician.",
            fields={"technician": "Not an active technician of this workshop."},
        )
    job.technician = after
    return [("technician", before or "nobody", after or "nobody")]


def _able(member: Member, workshop_id: int) -> bool:
    able = covers(member, Role.TECHNICIAN)
    return member.active and able and member.workshop_id == workshop_id


def _set_wait(
    job: Job, changes: Mapping[str, Any], *, member: Member, now: datetime
) -> list[Changed]:
    until = changes.get("wait_until", job.wait_until)
    before = waits.end_of(job, wait_days=job.workshop.wait_days)
    if until is None and job.wait_until is not None:
        raise InputRefused(
            f"Job {job.ref} waits until {before}. Give another day, or leave that one.",
            fields={"wait_until": f"Give a day; it is {before} on record."},
        )
    if until is None or until == before:
        return []
    waits.set_end_of(job, until=until, member=member, now=now)
    return [("waits until", before, until)]


@transaction.atomic
def take_job(*, workshop: Workshop, ref: str, member: Member, now: datetime) -> Job:
    """Take a job that is nobody's. Raises Conflict when it is somebody's or closed."""
    job = services.get_job_locked(workshop, ref)
    if job.technician_id not in (None, member.pk):
        raise Conflict(f"Job {ref} is {job.technician}'s. Ask them, or correct who does it.")
    _refuse_closed(job)
    if job.technician_id is None:
        changed = _set_technician(job, {"technician": member})
        job.save(update_fields=["technician"])
        services.note_changes(job, changed, by=member, now=now)
    return job


def _refuse_closed(job: Job) -> None:
    if job.state != Job.State.OPEN:
        raise Conflict(f"Job {job.ref} is {job.get_state_display()}. Open it again first.")


@transaction.atomic
def add_need(
    *,
    workshop: Workshop,
    ref: str,
    facts: NeedFacts,
    member: Member,
    now: datetime,
    confirm_mismatch: bool = False,
) -> Need:
    """Add a part an open job lacks; one that was withdrawn opens again. The stock is searched.

    Raises NotFound, Conflict when the job is closed or names it already, InputRefused.
    """
    job = services.get_job_locked(workshop, ref)
    _refuse_closed(job)
    kind = get_kind(facts.kind)
    if not confirm_mismatch:
        services.refuse_not_carried(job.appliance_id, [kind.slug], field="kind")
    there = _at_place(job, facts)
    if there is None:
        (need,) = services.add_needs(job, [facts])
    else:
        if there.state != Need.State.WITHDRAWN:
            raise _there_already(there)
        need = _set_facts(there, facts, job)
        need.state, need.mistaken, need.withdrawn_on = Need.State.OPEN, False, None
        need.save()
        keys.note_keys(NeedKey, [need])
        services.follow_machine(job, [need.kind_id])
    services.note_changes(job, [("part it lacks", "", told(need))], by=member, now=now)
    return need


def _at_place(job: Job, facts: NeedFacts) -> Need | None:
    rows = Need.of(job.workshop_id).select_for_update(of=("self",)).select_related("kind")
    found: Need | None = rows.filter(
        job=job, kind=facts.kind, position=facts.position.strip()
    ).first()
    if found is not None:
        found.job = job
    return found


def _there_already(need: Need) -> Conflict:
    where = f" ({need.position})" if need.position else ""
    return Conflict(
        f"Job {need.job.ref} has its {need.kind.name.lower()}{where} among its parts already: it "
        f"is {need.get_state_display()}. Correct that one, or give this one its position.",
        fields={"kind": "It is among the parts already.", "position": "Give it its position."},
    )


def _set_facts(need: Need, facts: NeedFacts, job: Job) -> Need:
    """Set what is stated of a need, not saved; the stock is to be searched anew for it.

    Raises InputRefused for a kind that is never reused.
    """
    fresh = services.need_row(job, facts, get_kind(facts.kind))
    for name in OF_NEED:
        setattr(need, name, getattr(fresh, name))
    need.number_canonical = canonical(need.part_number)
    need.searched_at = None
    return need


def _differs(need: Need, other: Need) -> bool:
    return any(getattr(need, name) != getattr(other, name) for name in OF_NEED)


@transaction.atomic
def correct_need(
    *,
    workshop: Workshop,
    ref: str,
    need_id: int,
    facts: NeedFacts,
    member: Member,
    now: datetime,
    why: str = "",
    confirm_mismatch: bool = False,
) -> Need:
    """Correct an open need of an open job. Where it is another kind, its holds and proposals end.

    Raises NotFound, Conflict when job or need is not open, the job names such a part already, or
    something was fitted for it and the kind is to be another one; InputRefused.
    """
    facts = replace(facts, position=facts.position.strip())
    job, need = _open_need(workshop, ref, need_id, place=facts)
    before, old = told(need), need.kind_id
    if (facts.kind, facts.position) != (need.kind_id, need.position):
        other = _at_place(job, facts)
        if other is not None:
            raise _there_already(other)
    if facts.kind != old:
        _refuse_fitted(need)
        if not confirm_mismatch:
            services.refuse_not_carried(job.appliance_id, [facts.kind], field="kind")
    if not _differs(need, services.need_row(job, facts, get_kind(facts.kind))):
        return need  # not stored: no event would have the stock searched again
    _set_facts(need, facts, job).save()
    keys.note_keys(NeedKey, [need])
    if facts.kind != old:
        holds.release_for_needs(workshop_id=workshop.pk, need_ids=[need.pk], now=now)
        holds.forget(workshop.pk, [need.pk])
    services.note_changes(job, [("part it lacks", before, told(need))], by=member, now=now, why=why)
    services.follow_machine(job, [old])
    fittings.state_anew(workshop.pk, Outcome.of(workshop).filter(need=need))
    return need


def _refuse_fitted(need: Need) -> None:
    if Outcome.of(need.workshop_id).filter(need=need).exists():
        raise Conflict(
            f"A {need.kind.name.lower()} was fitted for this; it stays one. Withdraw it and add "
            "the other part.",
            fields={"kind": "A part was fitted for it."},
        )


def _open_need(
    workshop: Workshop, ref: str, need_id: int, *, place: NeedFacts | None = None
) -> tuple[Job, Need]:
    """Return an open job and its open need, locked. Raises NotFound, Conflict.

    place: what stands there among the job's needs is locked too, in the order of ids.
    """
    job = services.get_job_locked(workshop, ref)
    rows = Need.of(workshop).select_for_update(of=("self",)).select_related("kind")
    wanted = Q(pk=need_id)
    if place is not None:
        wanted |= Q(kind=place.kind, position=place.position)
    locked = {one.pk: one for one in rows.filter(wanted, job=job).order_by("id")}
    need = locked.get(need_id)
    if need is None:
        raise NotFound(f"Job {ref} has no such need.")
    _refuse_closed(job)
    if need.state != Need.State.OPEN:
        raise Conflict(
            f"This {need.kind.name.lower()} of job {ref} is {need.get_state_display()}; only what "
            "is open can be changed."
        )
    need.job = job
    return job, need


@transaction.atomic
def withdraw_need(
    *, workshop: Workshop, ref: str, need_id: int, member: Member, now: datetime, why: str = ""
) -> Job:
    """Withdraw one need an open job never had; what was held for or proposed to it is free.

    Where nothing else lacks and a part was fitted, the job is done. Raises as correct_need.
    """
    job, need = _open_need(workshop, ref, need_id)
    need.state, need.mistaken = Need.State.WITHDRAWN, True
    need.withdrawn_on = timezone.localdate(now)
    need.save(update_fields=["state", "mistaken", "withdrawn_on"])
    holds.release_for_needs(workshop_id=workshop.pk, need_ids=[need.pk], now=now)
    holds.forget(workshop.pk, [need.pk])
    services.note_changes(job, [("part it lacks", told(need), "")], by=member, now=now, why=why)
    services.follow_machine(job, [need.kind_id])
    fittings.finish_if_complete(job, by=member, now=now)
    return job


def told(need: Need) -> str:
    """Return all that is stated of a need, in one line."""
    price = need.max_price_cents
    said = [
        need.kind.name + (f" ({need.position})" if need.position else ""),
        f"number {need.part_number}" if need.part_number else "",
        cells.attributes_text(need.attributes),
        f"at most {money.to_text(price)}" if price is not None else "",
    ]
    return ", ".join(filter(None, said))


def list_changes(job: Job) -> list[JobChange]:
    """Return what was changed of a job, newest first, with by whom: one query."""
    rows = JobChange.of(job.workshop_id).filter(job=job)
    return list(rows.select_related("by__user").order_by("-at", "-id"))
