"""Reminders of waiting jobs: look again after some days, and the wait is over.

Tasks of the dispatcher's sweep; no timer runs anywhere. A job is due once: the transaction that
tells also moves the day on, and the database refuses a second row for the same day. A server
that was off tells what is due latest, not all that was missed.
"""

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from itertools import groupby

from django.db import transaction
from django.db.models import Max, QuerySet
from django.utils import timezone

from matching import inbox
from matching.domain.reviews import OVER, Waiting
from matching.models import Alert, Job, WaitExtension
from matching.recipients import Recipients
from matching.waits import end_of
from workshop.bulk import bulk_save

PAGE = 200


def tell_what_is_due(*, now: datetime) -> int:
    """Tell of every waiting job that is due. Returns how many jobs were told of."""
    told, on = 0, timezone.localdate(now)
    # Looking first keeps an idle sweep from taking SQLite's write lock every minute.
    while due_by(on).exists():
        told += _page(on=on, now=now)
    return told


def due_by(on: date) -> "QuerySet[Job]":
    """Return the open jobs of every workshop to be looked at by this day, the first due first."""
    # In the order of the index: by id alone SQLite would read every job (a test looks).
    rows = Job.objects.unscoped().filter(state=Job.State.OPEN, tell_next_on__lte=on)
    return rows.order_by("tell_next_on", "id")


@transaction.atomic
def _page(*, on: date, now: datetime) -> int:
    """Handle up to a page of jobs: as many queries as workshops have news, not as jobs have."""
    # Which are due is asked again under the lock: another sweep may have been here.
    ids = list(due_by(on).values_list("pk", flat=True)[:PAGE])
    rows = Job.objects.unscoped().filter(pk__in=ids, state=Job.State.OPEN, tell_next_on__lte=on)
    locked = rows.select_for_update(of=("self",)).select_related("workshop", "technician")
    return _tell(list(locked.order_by("id")), on=on, now=now)


def _tell(jobs: Sequence[Job], *, on: date, now: datetime) -> int:
    since = _extended(jobs)
    recipients = {pk: Recipients(pk) for pk in {job.workshop_id for job in jobs}}
    alerts: list[Alert] = []
    told = 0
    for job in jobs:
        waiting = waiting_of(job, since.get(job.pk))
        due = waiting.due(on)
        if due is not None:
            told += 1
            alerts += _alerts(job, due, waiting, recipients[job.workshop_id], now)
        job.tell_next_on = waiting.next_after(on)
    for _, of_one in groupby(sorted(alerts, key=_workshop), key=_workshop):
        inbox.write(list(of_one))
    bulk_save(jobs, ["tell_next_on"])
    return told


def _workshop(alert: Alert) -> int:
    return int(alert.workshop_id)


def waiting_of(job: Job, extended_on: date | None) -> Waiting:
    """Return the wait of a job. Needs its workshop loaded."""
    after = (job.workshop.first_review_days, job.workshop.second_review_days)
    until = end_of(job, wait_days=job.workshop.wait_days)
    return Waiting(extended_on or job.opened_on, until, after)


def _extended(jobs: Iterable[Job]) -> dict[int, date]:
    """Return the day each job's wait was last made longer."""
    rows = WaitExtension.objects.unscoped().filter(job__in=[job.pk for job in jobs])
    found = rows.order_by().values_list("job_id").annotate(day=Max("extended_on"))
    return dict(found)


def _alerts(
    job: Job, due: tuple[date, str], waiting: Waiting, recipients: Recipients, now: datetime
) -> list[Alert]:
    day, news = due
    return [
        Alert(
            workshop_id=job.workshop_id,
            recipient=member,
            news=news,
            about=day.isoformat(),
            job=job,
            summary=_summary(job, day, news, waiting),
            told_at=now,
        )
        for member in recipients.of(job)
    ]


def _summary(job: Job, day: date, news: str, waiting: Waiting) -> str:
    if news == OVER:
        return (
            f"{job.ref}: the wait ended on {waiting.until}. Decide: fit, buy new, wait longer, "
            "break, or hand it back. What is offered stays offered."
        )
    waited = (day - waiting.since).days
    since = "since it was opened" if waiting.since == job.opened_on else "since it was extended"
    return (
        f"{job.ref}: {waited} days {since}; it waits until {waiting.until}. "
        "Look at what is offered and ask the customer."
    )
