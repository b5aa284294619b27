"""Keeping a job's machine as a donor: the owner's permission, and the one step that does it.

The machine stays the same: what is known of it goes over whole, the numbers read off it count
once, and job and donor name each other for good (docs/adr/0016).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db import IntegrityError, transaction
from django.db.models import Q
from django.utils import timezone

from donors import services as donor_services
from donors.models import Donor
from matching import services
from matching.models import Job, KeepPermission, KeptMachine, Need, Outcome
from parts import services as part_services
from parts.models import Sighting
from parts.services import KnownBad
from workshop import days
from workshop.errors import Conflict, InputRefused
from workshop.models import Member, Workshop

NOT_ASKED = "not-asked"
ANSWERS = [
    ("yes", "yes, it may be kept"),
    ("no", "no, it goes back"),
    (NOT_ASKED, "not asked yet"),
]
NOT_IN_WRITING = "Nothing in writing: get it signed before the machine is broken up."


@dataclass(frozen=True, slots=True)
class Answer:
    """What the owner said: may_keep yes, no or not-asked; who said it, how, and on which day."""

    may_keep: str = NOT_ASKED
    said_by: str = ""
    how: str = ""
    said_on: date | None = None


@transaction.atomic
def refuse_repair(
    *, workshop: Workshop, ref: str, answer: Answer, member: Member, now: datetime
) -> Job:
    """The customer refuses, and was asked at once whether the machine may be kept.

    Raises Conflict when the job is closed, InputRefused for half an answer; nothing is done then.
    """
    job = services.get_job_locked(workshop, ref)
    services.close_job(job, Job.State.REFUSED, now=now, by=member)
    if answer.may_keep != NOT_ASKED:
        _note(job, answer, member=member, now=now)
    return job


@transaction.atomic
def note_permission(
    *, workshop: Workshop, ref: str, answer: Answer, member: Member, now: datetime
) -> KeepPermission:
    """Note what the owner said; an earlier answer stays on record but no longer counts.

    Raises Conflict once the machine is kept or was repaired, InputRefused for half an answer.
    """
    job = services.get_job_locked(workshop, ref)
    why = why_not_asked(job, find_kept(job))
    if why:
        raise Conflict(why)
    return _note(job, answer, member=member, now=now)


def _note(job: Job, answer: Answer, *, member: Member, now: datetime) -> KeepPermission:
    said_on = answer.said_on or timezone.localdate(now)
    _check(job, answer, said_on, today=timezone.localdate(now))
    rows = KeepPermission.of(job.workshop_id).filter(job=job, replaced_at__isnull=True)
    rows.update(replaced_at=now)
    found: KeepPermission = KeepPermission.objects.create(
        workshop_id=job.workshop_id,
        job=job,
        may_keep=answer.may_keep == "yes",
        said_by=answer.said_by,
        how=answer.how,
        said_on=said_on,
        noted_by=member,
        noted_at=now,
    )
    return found


def _check(job: Job, answer: Answer, said_on: date, *, today: date) -> None:
    """Raise InputRefused with a sentence for each field at fault."""
    bad: dict[str, str] = {}
    if answer.may_keep not in ("yes", "no"):
        bad["may_keep"] = "Say yes or no."
    if answer.said_by not in KeepPermission.SaidBy.values:
        bad["said_by"] = "Say who said so."
    if answer.how not in KeepPermission.How.values:
        bad["how"] = "Say how: signed, in a message, by phone or in person."
    if said_on > today:
        bad["said_on"] = f"{said_on} lies ahead; say the day it was said."
    elif said_on < job.opened_on:
        bad["said_on"] = f"{said_on} lies before the job was opened ({job.opened_on})."
    if bad:
        raise InputRefused(
            f"Job {job.ref}: whether the machine may be kept was not noted.", fields=bad
        )
    days.refuse_implausible(said_on=said_on)


@transaction.atomic
def keep_as_donor(
    *, workshop: Workshop, ref: str, member: Member, now: datetime, cause: str = ""
) -> Donor:
    """Make a job's machine a donor, with the same plate, recognition, serial and build date.

    An open job is closed as not worth repairing; what was held for it is free. cause: why it is
    scrapped. The part that failed is not offered. Waiting jobs are matched by the dispatcher.
    Raises Conflict without permission, when it is kept already or was repaired; InputRefused for
    an unknown cause.
    """
    job = services.get_job_locked(workshop, ref)
    permission = _permission_to_keep(job)
    bad = _known_bad(job)
    if job.state == Job.State.OPEN:
        services.close_job(job, Job.State.BROKEN, now=now, by=member)
    donor = part_services.take_in_same_machine(
        workshop=workshop,
        machine=job,
        received_on=timezone.localdate(now),
        cause=cause,
        note=f"Was job {job.ref}.",
    )
    try:
        with transaction.atomic():
            KeptMachine.objects.create(
                workshop=workshop,
                job=job,
                donor=donor,
                permission=permission,
                kept_by=member,
                kept_at=now,
            )
    except IntegrityError:
        raise Conflict(f"Job {ref} was kept by someone else just now. Look again.") from None
    _carry_sightings(job, donor)
    part_services.note_known_bad(donor, bad)
    return donor


def why_not_asked(job: Job, kept: KeptMachine | None) -> str:
    """Return why the owner's answer on a job's machine counts no more; "" when it does."""
    if kept is not None:
        return f"Job {job.ref} is kept as donor {kept.donor.ref} already."
    if job.state == Job.State.DONE:
        return f"Job {job.ref} is done: the machine was repaired."
    return ""


def why_not_kept(
    job: Job, permission: KeepPermission | None, kept: KeptMachine | None = None
) -> str:
    """Return why a job's machine cannot be made a donor; "" when it can."""
    if why := why_not_asked(job, kept):
        return why
    if permission is None:
        return f"Job {job.ref}: the owner was not asked yet. Note the answer first."
    if not permission.may_keep:
        return f"Job {job.ref}: the owner said no on {permission.said_on}. The machine goes back."
    return ""


def _permission_to_keep(job: Job) -> KeepPermission:
    permission = find_permission(job)
    why = why_not_kept(job, permission, find_kept(job))
    if why or permission is None:
        raise Conflict(why)
    return permission


def find_permission(job: Job) -> KeepPermission | None:
    """Return the answer in force, with who noted it; None when nobody asked."""
    rows = KeepPermission.of(job.workshop_id).filter(job=job, replaced_at__isnull=True)
    found: KeepPermission | None = rows.select_related("noted_by__user").first()
    return found


def find_kept(job: Job) -> KeptMachine | None:
    """Return what a job's machine became, with its donor; None while it is a job only."""
    rows = KeptMachine.of(job.workshop_id).filter(job=job)
    found: KeptMachine | None = rows.select_related("donor", "kept_by__user").first()
    return found


def find_job_of(donor: Donor) -> KeptMachine | None:
    """Return the job a donor was, with its permission; None for one that came in as a donor."""
    rows = KeptMachine.of(donor.workshop_id).filter(donor=donor)
    found: KeptMachine | None = rows.select_related(
        "job", "donor", "permission", "kept_by__user"
    ).first()
    return found


def _known_bad(job: Job) -> list[KnownBad]:
    """Return the parts that failed in this job: those lacking still, and those replaced."""
    needs = list(Need.of(job.workshop_id).filter(job=job).order_by("id"))
    fitted = _fitted(job, needs)
    stopped = [
        need for need in needs if need.state == Need.State.OPEN or _withdrawn_by_closing(job, need)
    ]
    return [_failed(job, need) for need in stopped] + [
        _replaced(job, need, fitted[need.pk]) for need in needs if need.pk in fitted
    ]


def _withdrawn_by_closing(job: Job, need: Need) -> bool:
    """A need withdrawn while its job was open was a wrong guess; then the part may be good."""
    if need.mistaken:
        return False
    return job.state != Job.State.OPEN and need.state == Need.State.WITHDRAWN


def _fitted(job: Job, needs: Iterable[Need]) -> Mapping[int, Outcome]:
    rows = Outcome.of(job.workshop_id).filter(
        Q(result=Outcome.Result.WORKED), need__in=[need.pk for need in needs]
    )
    return {
        one.need_id: one
        for one in rows.select_related("part").order_by("fitted_on", "id")
        if one.need_id is not None
    }


def _failed(job: Job, need: Need) -> KnownBad:
    return KnownBad(
        kind=need.kind_id,
        position=need.position,
        because=f"Failed in job {job.ref}; not tested since.",
        part_number=need.part_number,
        attributes=need.attributes,
    )


def _replaced(job: Job, need: Need, outcome: Outcome) -> KnownBad:
    by = outcome.part.ref if outcome.part else "another part"
    return KnownBad(
        kind=need.kind_id,
        position=need.position,
        because=f"Failed in job {job.ref} and was replaced by {by} on {outcome.fitted_on}.",
        replaced_by=by,
        on=outcome.fitted_on,
    )


def _carry_sightings(job: Job, donor: Donor) -> None:
    """The numbers read off the job's own parts are now the donor's: one machine, seen once."""
    rows = Sighting.of(job.workshop_id)
    rows.filter(source=Sighting.Source.JOB, source_ref=job.ref).update(
        source=Sighting.Source.DONOR, source_ref=donor.ref
    )


@transaction.atomic
def carry_back(workshop_id: int, donor_ids: Sequence[int]) -> None:
    """Bring the jobs up to date that donors were before: it is the same machine.

    For when a donor was recognised, confirmed or dated anew.
    """
    rows = KeptMachine.of(workshop_id).filter(donor__in=list(donor_ids))
    for kept in rows.select_related("donor", "job").order_by("id"):
        values = donor_services.machine_values(kept.donor)
        Job.of(workshop_id).filter(pk=kept.job_id).update(**values)
