"""How long a job waits for a donor: the end of the wait, and changing it."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from matching.models import Alert, Job, WaitExtension
from matching.services import get_job_locked
from matching.triage_figures import set_figures
from workshop import days
from workshop.domain.refusals import Checks
from workshop.errors import Conflict, InputRefused
from workshop.models import Member, Workshop

MOST_DAYS_AHEAD = 180  # our own choice: by then the customer has another machine


def end_of(job: Job, *, wait_days: int) -> date:
    """Return the last day of a job's wait; the workshop's usual one where none is on record."""
    return job.wait_until or job.opened_on + timedelta(days=wait_days)


def is_over(job: Job, *, on: date, wait_days: int) -> bool:
    """Return whether an open job waited long enough: somebody has to decide."""
    return job.state == Job.State.OPEN and end_of(job, wait_days=wait_days) < on


def over_by(workshop: Workshop, on: date) -> Q:
    """Return the condition on jobs that is_over is on one."""
    usual = on - timedelta(days=workshop.wait_days)
    return Q(state=Job.State.OPEN) & (
        Q(wait_until__lt=on) | Q(wait_until__isnull=True, opened_on__lt=usual)
    )


def list_over(workshop: Workshop, rows: "QuerySet[Job]", *, on: date) -> "QuerySet[Job]":
    """Return those jobs whose wait is over and that ask for a decision."""
    return rows.filter(over_by(workshop, on))


def count_over(workshop: Workshop, *, on: date) -> int:
    return Job.of(workshop).filter(over_by(workshop, on)).count()


@transaction.atomic
def set_end(*, workshop: Workshop, ref: str, until: date, member: Member, now: datetime) -> Job:
    """Let an open job wait longer or shorter, from today to MOST_DAYS_AHEAD days ahead.

    Reviews count anew from today, and what was told of the old end is read.
    Raises Conflict when the job is closed, InputRefused for a day that cannot be its end.
    """
    job = get_job_locked(workshop, ref)
    set_end_of(job, until=until, member=member, now=now)
    return job


def set_end_of(job: Job, *, until: date, member: Member, now: datetime) -> None:
    """As set_end, of a job that is locked."""
    workshop, ref = job.workshop, job.ref
    if job.state != Job.State.OPEN:
        raise Conflict(f"Job {ref} is {job.get_state_display()}; it waits for nothing.")
    today, before = timezone.localdate(now), end_of(job, wait_days=workshop.wait_days)
    _refuse_bad_end(ref, until, before, today)
    WaitExtension.objects.create(
        workshop=workshop,
        job=job,
        before=before,
        until=until,
        extended_on=today,
        by=member,
        at=now,
    )
    job.wait_until, job.tell_next_on = until, today
    job.save(update_fields=["wait_until", "tell_next_on"])
    told = Alert.of(workshop).filter(job=job, news__in=Alert.OF_A_JOB, read_at__isnull=True)
    told.update(read_at=now)


def _refuse_bad_end(ref: str, until: date, before: date, today: date) -> None:
    days.refuse_implausible(wait_until=until)
    why = ""
    if until < today:
        why = f"{until} is over already; the wait ends today or later."
    elif until == before:
        why = f"It waits until {before} already."
    elif (until - today).days > MOST_DAYS_AHEAD:
        why = f"{until} is more than {MOST_DAYS_AHEAD} days ahead."
    if why:
        raise InputRefused(f"Job {ref}: {why}", fields={"wait_until": why})


@transaction.atomic
def set_review_days(
    *, workshop: Workshop, first: int, second: int, wait_days: int, on: date
) -> None:
    """Set after how many days waiting jobs are looked at, and how long one waits unless said.

    Raises InputRefused by field. Open jobs are looked through again by the sweep.
    """
    bad = Checks()
    bad.number("first_review_days", first, "days", least=1, most=365)
    bad.number("second_review_days", second, "days", above=first, most=366)
    bad.number("wait_days", wait_days, "days", least=1, most=366)
    if bad.fields:
        said = "; ".join(bad.fields.values())
        raise InputRefused(f"The days cannot be used: {said}.", fields=bad.fields)
    workshop.first_review_days, workshop.second_review_days = first, second
    workshop.wait_days = wait_days
    workshop.save(update_fields=["first_review_days", "second_review_days", "wait_days"])
    Job.of(workshop).filter(state=Job.State.OPEN).update(tell_next_on=on)


@transaction.atomic
def set_figures_and_days(
    *,
    workshop: Workshop,
    figures: Mapping[str, int | None],
    new_machines: Mapping[str, int | None],
    first: int,
    second: int,
    wait_days: int,
    on: date,
) -> None:
    """Set all a triage and a wait are reckoned from; all of it or nothing. Raises InputRefused."""
    set_figures(workshop=workshop, figures=figures, new_machines=new_machines)
    before = (workshop.first_review_days, workshop.second_review_days, workshop.wait_days)
    if before != (first, second, wait_days):
        set_review_days(workshop=workshop, first=first, second=second, wait_days=wait_days, on=on)


def list_extensions(job: Job) -> list[WaitExtension]:
    """Return how often the end of the wait was changed, oldest first, with by whom."""
    rows = WaitExtension.of(job.workshop_id).filter(job=job)
    return list(rows.select_related("by__user").order_by("at", "id"))
