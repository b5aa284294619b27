"""Sweeps of several dispatchers at once: what a racing process does."""

import os
from collections.abc import Callable
from datetime import date
from functools import partial
from pathlib import Path

from django.db import transaction

from parts import events, shelf
from parts.grades import GRADED, grade_anew
from tests.integration.races.barrier import meet
from workshop import outbox
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
