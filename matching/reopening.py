"""Opening a closed job again, and taking back a report that was wrong."""

from datetime import datetime, timedelta

from django.db import transaction
from django.utils import timezone

from matching import fittings, keeping, services, waits
from matching.faults import closing
from matching.models import Alert, Job, Need, Outcome, SafetyCheck
from parts import services as part_services
from workshop.errors import Conflict
from workshop.models import Member, Workshop

TAKE_BACK_DAYS = 14  # our own choice: long enough to notice, short of the first review


@transaction.atomic
def reopen_job(
    *, workshop: Workshop, ref: str, member: Member, now: datetime, why: str = ""
) -> Job:
    """Open a closed job again, with its needs as they were.

    What was withdrawn when it closed is open again, and so is what was filled by a part that
    failed since; what somebody withdrew as wrong stays so. Why it had been closed stays on its
    record. A wait that is over begins anew. Raises NotFound, Conflict when it is open, or kept
    as a donor.
    """
    job = services.get_job_locked(workshop, ref)
    reason = why_not_reopened(job)
    if reason:
        raise Conflict(reason)
    failed = _failed_needs(job)
    if not failed:
        closing.unsay_found(job, by=member, now=now)
    _open(job, failed, member=member, now=now, why=why)
    return job


def why_not_reopened(job: Job) -> str:
    """Return why a job cannot be opened again; "" when it can."""
    if job.state == Job.State.OPEN:
        return f"Job {job.ref} is open already."
    kept = keeping.find_kept(job)
    if kept is not None:
        return f"Job {job.ref} is kept as donor {kept.donor.ref}: there is nothing left to repair."
    return ""


def _failed_needs(job: Job) -> list[int]:
    """Return the filled needs whose part, the last one fitted, failed since."""
    last: dict[int, str] = {}
    rows = Outcome.of(job.workshop_id).filter(need__job=job, need__state=Need.State.FILLED)
    for need_id, result in rows.order_by("fitted_on", "id").values_list("need_id", "result"):
        last[need_id] = result
    return [need_id for need_id, result in last.items() if result == Outcome.Result.FAILED]


def _open(job: Job, filled: list[int], *, member: Member, now: datetime, why: str = "") -> None:
    """Open a locked job, what closing it had withdrawn, and these filled needs."""
    rows = Need.of(job.workshop_id).select_for_update().filter(job=job).order_by("id")
    ids = [
        need.pk
        for need in rows
        if (need.state == Need.State.WITHDRAWN and not need.mistaken) or need.pk in filled
    ]
    Need.of(job.workshop_id).filter(pk__in=ids).update(
        state=Need.State.OPEN, withdrawn_on=None, searched_at=None
    )
    services.set_state(job, Job.State.OPEN, by=member, now=now, why=why)
    today, usual = timezone.localdate(now), job.workshop.wait_days
    job.tell_next_on = today
    job.save(update_fields=["tell_next_on"])
    if waits.is_over(job, on=today, wait_days=usual):
        until = today + timedelta(days=min(usual, waits.MOST_DAYS_AHEAD))
        waits.set_end_of(job, until=until, member=member, now=now)
    services.follow_machine(job)


@transaction.atomic
def take_back(
    *, workshop: Workshop, outcome_id: int, member: Member, now: datetime, why: str = ""
) -> Job:
    """Take back what was reported of a fitting: it teaches nothing any more.

    Within TAKE_BACK_DAYS of the report, and while nothing rests on it. A part that was used up
    is in stock again and its need open, and so is a job this had closed; of a part said to have
    failed later, only that is taken back. Raises NotFound, Conflict saying why it cannot be.
    """
    outcome = fittings.get_outcome_locked(workshop, outcome_id)
    reason = why_not_taken_back(outcome, now=now)
    if reason or outcome.need is None or outcome.part is None:
        raise Conflict(reason)
    need, part = outcome.need, outcome.part
    said = f"{outcome.get_result_display()} on {outcome.fitted_on}"
    if outcome.failure_reported_at is not None:
        _works_after_all(outcome, member=member, now=now)
        after = "worked: the later failure was taken back"
    else:
        _undo(outcome, member=member, now=now)
        after = "taken back"
    changed = [(f"fitting of {part.ref}", said, after)]
    services.note_changes(need.job, changed, by=member, now=now, why=why)
    fittings.announce(workshop.pk, [outcome.kind_id])
    told = Alert.of(workshop).filter(news=Alert.News.SISTER, about=f"part {part.pk}")
    told.filter(read_at__isnull=True).update(read_at=now)
    return need.job


def _undo(outcome: Outcome, *, member: Member, now: datetime) -> None:
    need, part = outcome.need, outcome.part
    assert need is not None
    assert part is not None
    outcome.delete()
    if outcome.result == Outcome.Result.DID_NOT_FIT:
        return
    part_services.put_back(part, on=timezone.localdate(now))
    if outcome.result == Outcome.Result.WORKED:
        closing.unsay_found(need.job, by=member, now=now)
        if need.job.state == Job.State.DONE:
            _open(need.job, [need.pk], member=member, now=now, why=f"{part.ref} was not fitted")
        else:
            Need.of(need.workshop_id).filter(pk=need.pk).update(
                state=Need.State.OPEN, searched_at=None
            )
            services.announce_needs(need.workshop_id, [need.pk])


def _works_after_all(outcome: Outcome, *, member: Member, now: datetime) -> None:
    need, part = outcome.need, outcome.part
    assert need is not None
    assert part is not None
    outcome.result, outcome.days_to_failure = Outcome.Result.WORKED, None
    outcome.failure_reported_at = None
    outcome.save(update_fields=["result", "days_to_failure", "failure_reported_at"])
    part_services.works_after_all(part, fitted_on=outcome.fitted_on)
    if need.state == Need.State.OPEN and need.job.state == Job.State.OPEN:
        fittings.fill(need, by=member, now=now)


def why_not_taken_back(outcome: Outcome, *, now: datetime) -> str:
    """Return why a report stays as it is; "" when it can be taken back."""
    reported = outcome.failure_reported_at or outcome.reported_at
    if outcome.need is None or outcome.part is None or reported is None:
        return "It was not reported on this site, or before it was kept when: it stays on record."
    if now - reported > timedelta(days=TAKE_BACK_DAYS):
        return (
            f"It was reported on {timezone.localdate(reported)}, more than {TAKE_BACK_DAYS} days "
            "ago: it stays on record."
        )
    return _what_rests_on(outcome)


def _what_rests_on(outcome: Outcome) -> str:
    assert outcome.need is not None
    assert outcome.part is not None
    job, part = outcome.need.job, outcome.part
    kept = keeping.find_kept(job)
    if kept is not None:
        return f"Job {job.ref} is kept as donor {kept.donor.ref} since: it stays on record."
    if outcome.result == Outcome.Result.DID_NOT_FIT:
        return ""
    counted = outcome.result == Outcome.Result.WORKED or outcome.failure_reported_at is not None
    if counted and _fitted_after(outcome):
        return "Another part was fitted in its place since. Take that back first."
    if counted and job.state not in (Job.State.OPEN, Job.State.DONE):
        return f"Job {job.ref} is {job.get_state_display()}. Open it again first."
    if outcome.result == Outcome.Result.WORKED and _is_checked(outcome):
        return (
            f"The electrical-safety check of {job.ref} was finished with {part.ref} in it and "
            "rests on it. Begin a new check first."
        )
    return ""


def _fitted_after(outcome: Outcome) -> bool:
    rows = Outcome.of(outcome.workshop_id).filter(need=outcome.need_id, pk__gt=outcome.pk)
    return rows.exclude(result=Outcome.Result.DID_NOT_FIT).exists()


def _is_checked(outcome: Outcome) -> bool:
    assert outcome.need is not None
    assert outcome.part is not None
    rows = SafetyCheck.of(outcome.workshop_id).filter(
        job=outcome.need.job_id, voided_at__isnull=True
    )
    named = [row["part_ref"] for check in rows for row in check.fitted]
    return outcome.part.ref in named
