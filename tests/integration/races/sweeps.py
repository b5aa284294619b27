"""Sweeps of several dispatchers at once: what a racing process does."""

import os
from collections.abc import Callable
from datetime import date, datetime
from functools import partial
from pathlib import Path

from django.db import transaction
from django.utils import timezone

from matching import reminders
from matching.models import Alert, Job
from parts import events, shelf
from parts.grades import GRADED, grade_anew
from tests.integration.races.barrier import meet
from workshop import dispatcher, outbox
from workshop.bulk import bulk_save


def fall(folder: Path, people: int, on: str, naive: bool) -> dict[str, int]:
    """Let grades fall by a day, beside others who do."""
    day = date.fromisoformat(on)
    meet(folder, "start", people)
    if naive:
        return {"fell": naive_fall(day, partial(meet, folder, "read", people))}
    shelf.PAGE = 3 + int(os.environ["RACER"])  # pages that overlap
    return {"fell": shelf.let_grades_fall(on=day)}


def naive_fall(day: date, both_have_read: Callable[[], None]) -> int:
    """The known-bad way: read what is due, then write, with nothing that makes the two one."""
    due = list(shelf.due_by(day).select_related("kind", "donor", "grade_test"))
    both_have_read()
    with transaction.atomic():
        fell = [part for part in due if grade_anew(part, on=day)]
        bulk_save(fell, GRADED)
        outbox.record_in_pages(
            events.PARTS_CHANGED,
            workshop_id=fell[0].workshop_id,
            key="part_ids",
            ids=[part.pk for part in fell],
        )
    return len(fell)


def remind(folder: Path, people: int, at: str, naive: bool) -> dict[str, int]:
    """Tell of waiting jobs, beside others who do."""
    now = datetime.fromisoformat(at)
    meet(folder, "start", people)
    if naive:
        return {"told": naive_telling(now, partial(meet, folder, "read", people))}
    reminders.PAGE = 3 + int(os.environ["RACER"])  # pages that overlap
    return {"told": reminders.tell_what_is_due(now=now)}


def naive_telling(now: datetime, both_have_read: Callable[[], None]) -> int:
    """The known-bad way: read what is due, then tell, in rows that do not name the day."""
    due = list(reminders.due_by(now.date()).select_related("technician"))
    both_have_read()
    with transaction.atomic():
        for job in due:
            Alert.objects.create(
                workshop_id=job.workshop_id,
                recipient=job.technician,
                news=Alert.News.REVIEW,
                about=f"told by {os.environ['RACER']}",
                job=job,
                summary="look at it",
                told_at=now,
            )
        Job.objects.unscoped().filter(pk__in=[job.pk for job in due]).update(tell_next_on=None)
    return len(due)


def sweep_and_drain(folder: Path, people: int) -> dict[str, int]:
    """Sweep, and act on what that asks for, beside others who do."""
    meet(folder, "start", people)
    failed = dispatcher.sweep(now=timezone.now()).failed + dispatcher.drain().failed
    assert failed == 0
    return {"failed": failed}
