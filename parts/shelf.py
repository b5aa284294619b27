"""Grades fall with time on the shelf: worked out anew on the day stored beside each.

Run by the dispatcher's sweep. A part is due once: the same transaction moves its day on and
announces the change, so that its matches follow.
"""

from datetime import date

from django.db import transaction
from django.db.models import QuerySet

from parts import events
from parts.grades import grade_anew
from parts.models import AVAILABLE, Part
from workshop import outbox
from workshop.bulk import bulk_save

PAGE = 200


def let_grades_fall(*, on: date) -> int:
    """Work out anew every grade that falls by this day. Returns how many fell."""
    fell = 0
    # Looking first keeps an idle sweep from taking SQLite's write lock every minute.
    while due_by(on).exists():
        fell += _page(on=on)
    return fell


def due_by(on: date) -> "QuerySet[Part]":
    """Return the parts of every workshop whose grade falls by this day, the first due first."""
    # In the order of the index: by id alone SQLite would read every part (a test looks).
    return Part.objects.unscoped().filter(grade_falls_on__lte=on).order_by("grade_falls_on", "id")


def work_out_anew(parts: "QuerySet[Part]", *, on: date) -> int:
    """Have the sweep work out these parts' grades anew. Returns how many rest on a test.

    For when what a grade follows from changed without a test: a machine's build date, a kind's
    shelf time. Needs a transaction.
    """
    rows = parts.filter(grade_test__isnull=False, state__in=AVAILABLE).order_by("id")
    ids = list(rows.select_for_update(of=("self",)).values_list("pk", flat=True))
    return Part.objects.unscoped().filter(pk__in=ids).update(grade_falls_on=on)


@transaction.atomic
def _page(*, on: date) -> int:
    """Handle up to a page of parts: the same queries, however many."""
    # Locked by id like everywhere else, or two who lock parts would wait for each other. Which
    # are due is asked again under the lock: another sweep may have been here.
    ids = list(due_by(on).values_list("pk", flat=True)[:PAGE])
    rows = Part.objects.unscoped().filter(pk__in=ids, grade_falls_on__lte=on).order_by("id")
    locked = rows.select_for_update(of=("self",))
    parts = list(locked.select_related("kind", "donor", "grade_test"))
    fell = [part for part in parts if _falls(part, on=on)]
    bulk_save(parts, ["grade", "grade_reason", "grade_falls_on"])
    by_workshop: dict[int, list[int]] = {}
    for part in fell:
        by_workshop.setdefault(part.workshop_id, []).append(part.pk)
    for workshop_id, ids in by_workshop.items():
        outbox.record_in_pages(
            events.PARTS_CHANGED, workshop_id=workshop_id, key="part_ids", ids=ids
        )
    return len(fell)


def _falls(part: Part, *, on: date) -> bool:
    """A part that is gone keeps the grade it went with."""
    if part.state not in AVAILABLE:
        part.grade_falls_on = None
        return False
    return grade_anew(part, on=on)
