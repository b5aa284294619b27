"""Parts of one donor: when one fails after it was fitted, the others are looked at again.

One bad donor can spoil several repairs (practice.md 13, point 15; common practice). A warning
moves no odds: it tells people, and ends with a passed bench test or a person's reason.
"""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date

from django.db import transaction
from django.db.models import QuerySet

from parts import events
from parts.models import AVAILABLE, BenchTest, Part, SisterWarning
from workshop import outbox
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import Member, Workshop

WARNED = (*AVAILABLE, Part.State.FITTED, Part.State.SOLD)


@transaction.atomic
def flag_sisters(*, failed: Part, on: date) -> int:
    """Flag what else came out of a failed part's donor. Returns how many parts; 0 when loose.

    Those scrapped already are left alone; flagging twice changes nothing.
    """
    if failed.donor_id is None:
        return 0
    sisters = Part.of(failed.workshop_id).filter(donor=failed.donor_id, state__in=WARNED)
    rows = [
        SisterWarning(workshop_id=failed.workshop_id, part=part, failed=failed, raised_on=on)
        for part in sisters.exclude(pk=failed.pk).order_by("id")
    ]
    SisterWarning.objects.bulk_create(rows, ignore_conflicts=True, batch_size=200)
    outbox.record(
        events.PART_FAILED_IN_USE,
        workshop_id=failed.workshop_id,
        payload={"part_id": failed.pk},
    )
    return len(rows)


def unflag_sisters(*, failed: Part) -> int:
    """Take back what a part's failure had flagged: it did not fail. Returns how many warnings."""
    gone, _ = SisterWarning.of(failed.workshop_id).filter(failed=failed).delete()
    return int(gone)


def open_warnings(workshop_id: int) -> "QuerySet[SisterWarning]":
    """Return the warnings that stand, with both parts, oldest first."""
    rows = SisterWarning.of(workshop_id).filter(cleared_on__isnull=True)
    return rows.select_related("part__kind", "failed__kind", "failed__donor").order_by("id")


def warnings_of(workshop_id: int, part_ids: Iterable[int]) -> dict[int, list[SisterWarning]]:
    """Return the standing warnings of some parts by part: one query."""
    found: dict[int, list[SisterWarning]] = defaultdict(list)
    for warning in open_warnings(workshop_id).filter(part__in=list(part_ids)):
        found[warning.part_id].append(warning)
    return dict(found)


def clear_by_test(test: BenchTest) -> int:
    """End a part's warnings with a bench test it passed. Returns how many."""
    if test.verdict != BenchTest.Verdict.GOOD:
        return 0
    standing = SisterWarning.of(test.workshop_id).filter(part=test.part_id, cleared_on__isnull=True)
    rows = standing.filter(raised_on__lte=test.tested_on)
    ended = {"cleared_on": test.tested_on, "cleared_by": test.tested_by}
    return int(rows.update(**ended, cleared_by_test=test))


@transaction.atomic
def clear_warning(
    *, workshop: Workshop, warning_id: int, member: Member, why: str, on: date
) -> SisterWarning:
    """End a warning with a reason. Raises NotFound, Conflict when it ended, InputRefused."""
    rows = SisterWarning.of(workshop).select_for_update(of=("self",)).select_related("part")
    warning = rows.filter(pk=warning_id).first()
    if warning is None:
        raise NotFound("There is no such warning in this workshop.")
    if warning.cleared_on is not None:
        raise Conflict(f"The warning on {warning.part.ref} was ended already.")
    if not why.strip():
        raise InputRefused("Say why the part is no longer in doubt.", fields={"why": "Say why."})
    warning.cleared_on, warning.cleared_by, warning.why_cleared = on, member, why.strip()
    warning.save(update_fields=["cleared_on", "cleared_by", "why_cleared"])
    found: SisterWarning = warning
    return found
