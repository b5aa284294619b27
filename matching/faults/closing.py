"""What the fault of a job turned out to be, and what later jobs learn from it.

A fitting that worked tells it by itself where one kind of part was fitted. Where several were,
one of them was at fault and nobody knows which: nothing is learned until a person says.
"""

from collections.abc import Iterable
from datetime import datetime

from django.db import transaction

from matching.domain.diagnosis.tables import SOMETHING_ELSE
from matching.faults import tables
from matching.faults.signs import job_locked
from matching.models import FaultFound, FaultLesson, Job, Need, Sign
from matching.services import close_job
from workshop.errors import Conflict, InputRefused
from workshop.models import Member, Workshop


@transaction.atomic
def say_found(
    *, workshop: Workshop, ref: str, suspect: str, member: Member, now: datetime, note: str = ""
) -> FaultFound:
    """Say what the fault was: an open job is done by it, without a part from stock.

    Its open needs are withdrawn and what was held for them is free. On a job that is done it
    changes what was said before; the old statement is kept.
    Raises NotFound, Conflict when nothing was repaired, InputRefused for a suspect unknown.
    """
    job = job_locked(workshop, ref)
    if job.state not in (Job.State.OPEN, Job.State.DONE):
        raise Conflict(
            f"Job {ref} is closed as {job.get_state_display()}: nothing was repaired, so nothing "
            "proves what the fault was."
        )
    if suspect not in {*tables.suspects_of(job.appliance_id), SOMETHING_ELSE}:
        raise InputRefused(
            f"{suspect[:40]!r} is neither a part a {job.appliance.name.lower()} has nor a known "
            "cause.",
            fields={"suspect": "Choose one of the list."},
        )
    if job.state == Job.State.OPEN:
        close_job(job, Job.State.DONE, now=now, by=member)
    return note_found(job, suspect, by=member, now=now, note=note.strip())


def note_fitted(job: Job, *, now: datetime) -> FaultFound | None:
    """Note what fault a job had that its last fitting closed; None where that is not known.

    Needs a transaction that holds the job.
    """
    fitted = kinds_fitted(Need.of(job.workshop_id).filter(job=job))
    if len(fitted) != 1:
        return None
    return note_found(job, fitted[0], by=None, now=now)


def kinds_fitted(needs: Iterable[Need]) -> tuple[str, ...]:
    """Return the kinds of a job's needs of which a part was fitted that worked, each once."""
    return tuple(sorted({need.kind_id for need in needs if need.state == Need.State.FILLED}))


def note_found(
    job: Job,
    suspect: str,
    *,
    by: Member | None,
    now: datetime,
    note: str = "",
    outcome_id: int | None = None,
) -> FaultFound:
    """Note what a job's fault was, in place of what was said before; teach it.

    outcome_id: the imported fitting that tells it. Needs a transaction that holds the job, or a
    job nobody else knows yet.
    """
    standing = FaultFound.of(job.workshop_id).filter(job=job, ended_at__isnull=True).first()
    if standing is not None:
        if (standing.suspect, standing.note) == (suspect, note):
            return standing
        standing.ended_by, standing.ended_at = by, max(now, standing.at)
        standing.save(update_fields=["ended_by", "ended_at"])
        FaultLesson.of(job.workshop_id).filter(found=standing).delete()
    found: FaultFound = FaultFound.objects.create(
        workshop_id=job.workshop_id,
        job=job,
        suspect=suspect,
        by=by,
        at=now,
        note=note,
        outcome_id=outcome_id,
    )
    _teach(job, found)
    return found


def unsay_found(job: Job, *, by: Member | None, now: datetime) -> None:
    """What was said of a job's fault counts no more: it is open again. Stays on record.

    Needs a transaction that holds the job.
    """
    for standing in FaultFound.of(job.workshop_id).filter(job=job, ended_at__isnull=True):
        standing.ended_by, standing.ended_at = by, max(now, standing.at)
        standing.save(update_fields=["ended_by", "ended_at"])
        FaultLesson.of(job.workshop_id).filter(found=standing).delete()


def teach_again(job: Job) -> None:
    """Count what a closed job taught under what it shows now. Needs the job locked."""
    for standing in FaultFound.of(job.workshop_id).filter(job=job, ended_at__isnull=True):
        FaultLesson.of(job.workshop_id).filter(found=standing).delete()
        _teach(job, standing)


def _teach(job: Job, found: FaultFound) -> None:
    """Count the job under each symptom it showed, and each code its table knew."""
    signs = list(Sign.of(job.workshop_id).filter(job=job, ended_at__isnull=True).order_by("id"))
    read = tables.read_codes(job, [sign.code for sign in signs if sign.code_key])
    under = [sign.symptom for sign in signs if sign.symptom]
    under += [one.row.slug for one in read.values() if one.row]
    FaultLesson.objects.bulk_create(
        FaultLesson(workshop_id=job.workshop_id, found=found, under=one, suspect=found.suspect)
        for one in dict.fromkeys(under)
    )
