"""What the checks of a job gave. An answer may be changed or taken back; the old one is kept."""

from datetime import datetime

from django.db import transaction

from matching.faults import tables
from matching.faults.signs import open_job_locked
from matching.models import CheckAnswer
from workshop.errors import InputRefused, NotFound
from workshop.models import Member, Workshop


@transaction.atomic
def answer_check(
    *, workshop: Workshop, ref: str, check: str, answer: str, member: Member, now: datetime
) -> CheckAnswer:
    """Note what a check gave; another answer to the same check takes the place of the first.

    Raises NotFound, Conflict when the job is closed, InputRefused for a check that machine has
    not, or an answer that check has not.
    """
    job = open_job_locked(workshop, ref)
    asked = tables.table_of(workshop, job.appliance_id).checks.get(check)
    if asked is None:
        raise InputRefused(
            f"{check[:80]!r} is no check of a {job.appliance.name.lower()} in your table.",
            fields={"check": "Choose one of those shown."},
        )
    chosen = asked.answer(answer)
    if chosen is None:
        known = ", ".join(one.slug for one in asked.answers)
        raise InputRefused(
            f"{answer[:40]!r} is no answer of this check; there are {known}.",
            fields={"answer": "Choose one of those shown."},
        )
    mine = CheckAnswer.of(workshop).filter(job=job, check_slug=check, ended_at__isnull=True)
    standing: CheckAnswer | None = mine.first()
    if standing is not None and standing.answer == answer:
        return standing
    if standing is not None:
        _end(standing, member, now)
    found: CheckAnswer = CheckAnswer.objects.create(
        workshop=workshop,
        job=job,
        check_slug=check,
        answer=chosen.slug,
        says=chosen.says,
        by=member,
        at=now,
    )
    return found


@transaction.atomic
def undo_answer(
    *, workshop: Workshop, ref: str, answer_id: int, member: Member, now: datetime
) -> CheckAnswer:
    """Take an answer back: the check counts as not done. Raises NotFound, Conflict."""
    job = open_job_locked(workshop, ref)
    found: CheckAnswer | None = CheckAnswer.of(workshop).filter(job=job, pk=answer_id).first()
    if found is None:
        raise NotFound(f"There is no such answer of job {ref}.")
    if found.ended_at is None:
        _end(found, member, now)
    return found


def _end(answer: CheckAnswer, member: Member, now: datetime) -> None:
    answer.ended_by, answer.ended_at = member, max(now, answer.at)
    answer.save(update_fields=["ended_by", "ended_at"])
