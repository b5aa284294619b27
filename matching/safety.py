"""Writes on the electrical-safety check of a job: beginning one, entering its steps."""

from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

from django.db import transaction

from matching.models import Job, SafetyCheck, SafetyEntry
from matching.safety_views import PART_FITTED, entry_of, failed_since, fitted_parts, sequence_of
from matching.services import get_job_locked
from parts.domain.bench.verdicts import OPEN, Open, Outcome
from parts.domain.electrical_safety.rules import LimitSet, Machine, ProtectionClass
from parts.domain.electrical_safety.sequence import Entry, Result, Sequence
from parts.reference import safety_rules
from workshop.domain.refusals import ValueRefused
from workshop.errors import Conflict, InputRefused
from workshop.models import Member, Workshop

RECORD = "record"


@transaction.atomic
def begin_check(
    *, workshop: Workshop, ref: str, facts: Mapping[str, Any], member: Member, now: datetime
) -> SafetyCheck:
    """Begin the sequence for the job's machine; a check that was in force is void then.

    facts: the fields of `Machine`, plain. Raises NotFound, Conflict when the repair was refused,
    InputRefused for a machine that cannot be.
    """
    job = _job_to_check(workshop, ref)
    machine = _machine(ref, facts)
    rows = SafetyCheck.of(workshop).filter(job=job, voided_at__isnull=True)
    rows.update(voided_at=now)
    found: SafetyCheck = SafetyCheck.objects.create(
        workshop=workshop,
        job=job,
        begun_by=member,
        begun_at=now,
        **{**asdict(machine), "protection_class": machine.protection_class.value},
    )
    return found


def _job_to_check(workshop: Workshop, ref: str) -> Job:
    job = get_job_locked(workshop, ref)
    if job.state == Job.State.REFUSED:
        raise Conflict(f"Job {ref} was refused by the customer: there is no repair to check.")
    return job


def _machine(ref: str, facts: Mapping[str, Any]) -> Machine:
    """Return the machine. Raises InputRefused, also where a set of limits has no figure for it."""
    try:
        kind = ProtectionClass(facts["protection_class"])
        limits = LimitSet(facts.get("limit_set") or LimitSet.AFTER_REPAIR)
    except ValueError as bad:
        raise InputRefused(
            f"Job {ref}: {bad}.", fields={"protection_class": "One of I, II and III."}
        ) from bad
    try:
        machine = Machine(**{**facts, "protection_class": kind, "limit_set": limits})
        rules = safety_rules()
        for step in rules.steps_of(machine):
            rules.limit_of(step, machine)
    except ValueRefused as refused:
        raise InputRefused(f"Job {ref}: {refused}.", fields=refused.fields) from refused
    return machine


@transaction.atomic
def enter_step(
    *,
    workshop: Workshop,
    ref: str,
    step: str,
    entry: Entry,
    member: Member,
    now: datetime,
    tester: str = "",
    note: str = "",
) -> SafetyEntry:
    """Enter what one step gave. Entering it again voids it and every later one; all are kept.

    Raises NotFound, Conflict when no check was begun or a part it names failed since,
    InputRefused for a step out of order, a reading that is none, or nothing given; nothing is
    stored then.
    """
    job = _job_to_check(workshop, ref)
    check = SafetyCheck.of(workshop).select_for_update().filter(job=job, voided_at=None).first()
    if check is None:
        raise Conflict(f"Job {ref}: no safety check was begun. Say which machine it is first.")
    if failed_since(check, fitted_parts(job)):
        raise Conflict(
            f"Job {ref}: a fitted part failed since this check was finished. Begin a new check."
        )
    if entry is None or entry == "":
        raise InputRefused(
            f"Job {ref}: nothing was given for {step}; what is not measured never passes.",
            fields={step: "Give what it showed."},
        )
    before = sequence_of(check)
    try:
        after = before.enter(step, entry)
    except ValueRefused as refused:
        raise InputRefused(f"Job {ref}: {refused}.", fields=refused.fields) from refused
    place = [one.slug for one in after.steps].index(step)
    _void(check, step, place, now)
    found = _store(check, after, place, member=member, now=now, tester=tester, note=note)
    _keep_entry(check, job, after)
    return found


def _void(check: SafetyCheck, step: str, place: int, now: datetime) -> None:
    rows = SafetyEntry.of(check.workshop_id).filter(check_run=check, voided_at__isnull=True)
    rows.filter(step=step).update(voided_at=now, void_because="it was repeated")
    because = f"{step} before it was repeated"
    rows.filter(place__gt=place).update(voided_at=now, void_because=because)


def void_by_fitting(job: Job, *, now: datetime) -> None:
    """Void what was entered in the check in force: the machine was opened for a part after it.

    Needs a transaction that holds the job.
    """
    rows = SafetyCheck.of(job.workshop_id).select_for_update()
    check = rows.filter(job=job, voided_at__isnull=True).first()
    if check is None:
        return
    entries = SafetyEntry.of(check.workshop_id).filter(check_run=check, voided_at__isnull=True)
    entries.update(voided_at=now, void_because=PART_FITTED)
    if check.fitted:
        check.fitted = []
        check.save(update_fields=["fitted"])


def _store(
    check: SafetyCheck,
    after: Sequence,
    place: int,
    *,
    member: Member,
    now: datetime,
    tester: str,
    note: str,
) -> SafetyEntry:
    result = after.results[place]
    found: SafetyEntry = SafetyEntry.objects.create(
        workshop_id=check.workshop_id,
        check_run=check,
        step=result.step.slug,
        place=place,
        entry="open" if isinstance(result.entry, Open) else result.entry,
        tester=tester.strip(),
        note=note.strip(),
        by=member,
        at=now,
        **_said(result),
    )
    return found


def _said(result: Result) -> dict[str, Any]:
    limit = result.limit
    return {
        "outcome": result.outcome.value,
        "sentence": result.sentence,
        "unit": limit.unit if limit else "",
        "limit": str(limit) if limit else "",
        "standing": limit.standing.value if limit else "",
        "source": limit.source if limit else result.step.source,
    }


def _keep_entry(check: SafetyCheck, job: Job, after: Sequence) -> None:
    """With the record the parts that were fitted are named; without it they are not."""
    complete = after.outcome is Outcome.PASS
    fitted = [entry_of(one) for one in fitted_parts(job)] if complete else []
    if check.fitted != fitted:
        check.fitted = fitted
        check.save(update_fields=["fitted"])


def entry_from(kind: str, value: Any) -> Entry:
    """Return what was sent for a step as the sequence takes it; "open" where nothing connects."""
    if kind in ("yes-no", "name") or not isinstance(value, str):
        return value  # type: ignore[no-any-return]
    return OPEN if value.strip().lower() == "open" else value
