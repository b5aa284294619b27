"""Writes while a donor is stripped: timers, steps done, parts out, and steps that are not there.

Rows are locked in one order, as everywhere: the parts (by id) before their donor.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db import IntegrityError, models, transaction
from django.utils import timezone

from donors import services as donor_services
from donors.domain.strip_plan.step_times import covered_min
from donors.models import Donor
from donors.selectors import get_donor
from parts import services, strip_state, strip_steps
from parts.domain.strip_steps import WorkStep, resting_on
from parts.models import Part, StepRecord, StepSpan
from workshop import certificates
from workshop.domain.refusals import Checks
from workshop.errors import Conflict, DomainError, InputRefused, NotFound
from workshop.models import Certificate, Member, Workshop

LONGEST_STEP_MIN = 1440.0  # longer is a timer nobody stopped


class Came(models.TextChoices):
    """What became of a part when its step was done."""

    OUT = "out", "taken out"
    LEFT = "left", "left in for now"
    NOT_FOUND = "not-found", "was not in the machine"
    BROKEN = "broken", "broke while taken out"


@dataclass(frozen=True, slots=True)
class PartReport:
    """What became of one part. reason: why it is scrapped, for what was not found or broke."""

    ref: str
    came: Came = Came.OUT
    bin: str = ""
    part_number: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class StepReport:
    """How a step went. minutes: said by a person, where the timer was forgotten.

    found: what differs from what was expected; it is noted on the donor.
    """

    minutes: float | None = None
    second_person: int | None = None
    certificate: int | None = None
    parts: Sequence[PartReport] = ()
    found: str = ""


@transaction.atomic
def start_step(
    *, workshop: Workshop, donor_ref: str, step: str, member: Member, now: datetime
) -> StepSpan:
    """Start a member's timer on a step; one that runs already is returned as it is.

    Raises NotFound, Conflict when the step is recorded already, when something has to be done
    before it (it may be what makes it safe), or when another one runs for them.
    """
    donor = get_donor(workshop, donor_ref)
    known = strip_steps.get_step(workshop.pk, donor.appliance_id, step)
    _refuse_recorded(donor, known)
    _refuse_out_of_reach(donor, known)
    running = running_span(donor, member)
    if running is None:
        try:
            with transaction.atomic():
                return StepSpan.objects.create(
                    workshop=workshop, donor=donor, step=step, member=member, started_at=now
                )
        except IntegrityError:  # the same member, from another device, just now
            running = running_span(donor, member)
    if running is not None and running.step == step:
        return running
    raise _runs_already(donor, running)


def running_span(donor: Donor, member: Member) -> StepSpan | None:
    """Return the timer of a member that runs on a donor, or None."""
    rows = StepSpan.of(donor.workshop_id).filter(donor=donor, member=member)
    found: StepSpan | None = rows.filter(stopped_at__isnull=True).first()
    return found


def _runs_already(donor: Donor, running: StepSpan | None) -> Conflict:
    if running is None:
        return Conflict("Another timer of yours was stopped just now. Try again.")
    steps = strip_steps.list_steps(donor.workshop_id, donor.appliance_id)
    names = {step.slug: step.name for step in steps}
    since = timezone.localtime(running.started_at)
    return Conflict(
        f"Your timer runs on “{names.get(running.step, running.step)}” since {since:%H:%M}. "
        "Stop it or finish that step first."
    )


@transaction.atomic
def stop_step(
    *, workshop: Workshop, donor_ref: str, step: str, member: Member, now: datetime
) -> StepSpan:
    """Stop a member's timer on a step. Raises NotFound, Conflict when it does not run."""
    donor = get_donor(workshop, donor_ref)
    strip_steps.get_step(workshop.pk, donor.appliance_id, step)
    running = running_span(donor, member)
    if running is None or running.step != step:
        raise Conflict("No timer of yours runs on this step.")
    _stop([running], now)
    return running


def _stop(spans: Iterable[StepSpan], now: datetime) -> None:
    for span in spans:
        span.stopped_at = max(now, span.started_at)
        span.save(update_fields=["stopped_at"])


@transaction.atomic
def finish_step(
    *,
    workshop: Workshop,
    donor_ref: str,
    step: str,
    member: Member,
    now: datetime,
    report: StepReport,
) -> StepRecord:
    """Record a step as done and take its parts out, all or nothing. Its timers stop.

    Raises NotFound, Conflict (as start_step; a part is out; a kind never reused has a bin),
    InputRefused by field: second_person, certificate, minutes, parts.
    """
    donor = get_donor(workshop, donor_ref)
    known = strip_steps.get_step(workshop.pk, donor.appliance_id, step)
    parts = _lock_parts(donor, known, report.parts)
    _refuse_recorded(donor, known)
    _refuse_out_of_reach(donor, known)
    _refuse_minutes(report.minutes)
    _refuse_unsaid(report.parts)
    on = timezone.localdate(now)
    second = _second_person(workshop, known, member, report.second_person)
    certificate = _certificate(workshop, known, report.certificate, on)
    timed = stop_timers(donor, step, now=now)
    _refuse_forgotten(timed, report.minutes)
    try:
        with transaction.atomic():
            record: StepRecord = StepRecord.objects.create(
                workshop=workshop,
                donor=donor,
                appliance_id=donor.appliance_id,
                step=step,
                done_on=on,
                done_at=now,
                done_by=member,
                timed_min=timed,
                said_min=report.minutes,
                needs_two=known.two_persons,
                second_person=second,
                licence=known.licence,
                certificate=certificate,
                certificate_until=certificate.valid_until if certificate else None,
                note=report.found.strip(),
            )
    except IntegrityError:
        raise _recorded_already(known) from None
    for one in report.parts:
        _deal_with(workshop, parts[one.ref], one, now)
    _note_finds(workshop, donor, known, report, on=f"{on}")
    return record


def why_not_open(workshop: Workshop, donor_ref: str, step: str) -> DomainError:
    """Return why a step cannot be done any more on a donor. Raises NotFound for unknown ones."""
    donor = get_donor(workshop, donor_ref)
    known = strip_steps.get_step(workshop.pk, donor.appliance_id, step)
    if StepRecord.of(workshop).filter(donor=donor, step=step).exists():
        return _recorded_already(known)
    return Conflict(f"“{known.name}” is not open: it is done, or this machine has no such way.")


def _refuse_recorded(donor: Donor, step: WorkStep) -> None:
    if StepRecord.of(donor.workshop_id).filter(donor=donor, step=step.slug).exists():
        raise _recorded_already(step)


def _refuse_out_of_reach(donor: Donor, step: WorkStep) -> None:
    steps = strip_steps.list_steps(donor.workshop_id, donor.appliance_id)
    parts = Part.of(donor.workshop_id).filter(donor=donor)
    records = StepRecord.of(donor.workshop_id).filter(donor=donor)
    missing = strip_state.missing_before(
        step, steps, strip_state.assemble_donor(steps, parts, records)
    )
    if missing:
        raise Conflict(
            f"Before “{step.name}” comes: {'; '.join(missing)}. Tick it first; where this machine "
            "does without, say that it is not needed."
        )


def _recorded_already(step: WorkStep) -> Conflict:
    return Conflict(f"“{step.name}” is on record for this donor already. Open the page again.")


def _lock_parts(donor: Donor, step: WorkStep, reports: Sequence[PartReport]) -> dict[str, Part]:
    """Return the reported parts by reference, locked. Raises InputRefused for strange ones."""
    refs = {one.ref for one in reports}
    rows = Part.of(donor.workshop_id).filter(donor=donor, ref__in=refs)
    found = {part.ref: part for part in rows.select_for_update().order_by("id")}
    for ref in sorted(refs):
        part = found.get(ref)
        if part is None or not step.takes_out(part.kind_id, part.position):
            raise InputRefused(
                f"“{step.name}” takes out no part {ref} of this donor.",
                fields={"parts": f"{ref} is no part of this step."},
            )
    if len(refs) < len(reports):
        raise InputRefused("A part is named twice.", fields={"parts": "A part is named twice."})
    return found


def _refuse_unsaid(reports: Iterable[PartReport]) -> None:
    """A part that broke is scrapped for good: one wrong tap must not do it."""
    for one in reports:
        if one.came == Came.BROKEN and not one.reason.strip():
            words = f"Say how {one.ref} broke: it will be scrapped, which is not taken back."
            raise InputRefused(words, fields={"parts": words})


def _refuse_minutes(minutes: float | None) -> None:
    bad = Checks()
    bad.number("minutes", minutes, "minutes", above=0, most=LONGEST_STEP_MIN, needed=False)
    if bad.fields:
        raise InputRefused(f"The minutes: {bad.fields['minutes']}.", fields=bad.fields)


def _refuse_forgotten(timed: float | None, said: float | None) -> None:
    if timed is not None and timed > LONGEST_STEP_MIN and said is None:
        raise InputRefused(
            f"The timer ran for {timed / 60:.0f} hours: it was forgotten. Say how many minutes "
            "the step took.",
            fields={"minutes": "Say how many minutes it took."},
        )


def _second_person(
    workshop: Workshop, step: WorkStep, member: Member, second_id: int | None
) -> Member | None:
    if second_id is None:
        if step.two_persons:
            raise _refused_second(f"“{step.name}” takes two persons. Name the second one first.")
        return None
    found: Member | None = Member.of(workshop).filter(pk=second_id, active=True).first()
    if found is None:
        raise _refused_second("The second person is no active member of this workshop.")
    if found.pk == member.pk:
        raise _refused_second("The second person is somebody else than you.")
    return found


def _refused_second(why: str) -> InputRefused:
    return InputRefused(why, fields={"second_person": why})


def _certificate(
    workshop: Workshop, step: WorkStep, certificate_id: int | None, on: object
) -> Certificate | None:
    if not step.licence:
        certificates.refuse_unknown(workshop, certificate_id)
        return None
    return certificates.certificate_for(
        workshop,
        kind=step.licence,
        certificate_id=certificate_id,
        on=on,  # type: ignore[arg-type]
    )


def stop_timers(donor: Donor, step: str, *, now: datetime) -> float | None:
    """Stop every timer on a step of a donor. Returns the minutes they cover, None without any."""
    rows = StepSpan.of(donor.workshop_id).select_for_update().filter(donor=donor, step=step)
    spans = list(rows.order_by("id"))
    _stop([span for span in spans if span.stopped_at is None], now)
    if not spans:
        return None
    return covered_min((span.started_at, span.stopped_at or now) for span in spans)


def _deal_with(workshop: Workshop, part: Part, report: PartReport, now: datetime) -> None:
    """Take a part out, or scrap what was not found or broke, with the reason on the part."""
    if report.came == Came.LEFT:
        return
    reason = ": ".join(filter(None, (str(Came(report.came).label), report.reason.strip())))
    on = timezone.localdate(now)
    if report.came == Came.NOT_FOUND:
        _scrap(workshop, part, reason, on)
        return
    facts = services.PartFacts(
        bin=report.bin.strip() if report.came == Came.OUT and report.bin.strip() else None,
        part_number=report.part_number.strip() or None,
    )
    services.remove_part(workshop=workshop, ref=part.ref, removed_on=on, facts=facts)
    if report.came == Came.BROKEN:
        _scrap(workshop, part, reason, on)


def _scrap(workshop: Workshop, part: Part, reason: str, on: date) -> None:
    services.scrap_part(workshop=workshop, ref=part.ref, why=f"{reason}.", on=on)


def _note_finds(
    workshop: Workshop, donor: Donor, step: WorkStep, report: StepReport, *, on: str
) -> None:
    said = [report.found.strip()] if report.found.strip() else []
    said += [
        f"{one.ref} {Came(one.came).label}" for one in report.parts if one.came == Came.NOT_FOUND
    ]
    if said:
        line = f"{on}, {step.name}: {'; '.join(said)}"
        donor_services.note_find(workshop=workshop, ref=donor.ref, said=line)


@transaction.atomic
def leave_out_step(
    *,
    workshop: Workshop,
    donor_ref: str,
    step: str,
    came: StepRecord.Came,
    member: Member,
    now: datetime,
    found: str = "",
) -> StepRecord:
    """Record that this machine is built otherwise, and note it on the donor.

    came: *not needed*, what lies behind is open without it; or *not there*, another way is
    planned. Raises NotFound; Conflict when the step is recorded already, when it makes the work
    safe or needs a licence and is said not to be needed, or takes parts out and is.
    """
    donor = get_donor(workshop, donor_ref)
    known = strip_steps.get_step(workshop.pk, donor.appliance_id, step)
    _refuse_recorded(donor, known)
    if came == StepRecord.Came.NOT_NEEDED:
        _refuse_leaving_out(known)
    stop_timers(donor, step, now=now)
    on = timezone.localdate(now)
    try:
        with transaction.atomic():
            record: StepRecord = StepRecord.objects.create(
                workshop=workshop,
                donor=donor,
                appliance_id=donor.appliance_id,
                step=step,
                came=came,
                done_on=on,
                done_at=now,
                done_by=member,
                licence=known.licence,
                needs_two=known.two_persons,
                note=found.strip(),
            )
    except IntegrityError:
        raise _recorded_already(known) from None
    said = ": ".join(filter(None, (str(StepRecord.Came(came).label), found.strip())))
    donor_services.note_find(workshop=workshop, ref=donor.ref, said=f"{on}, {known.name}: {said}")
    return record


def _refuse_leaving_out(step: WorkStep) -> None:
    if step.safety or step.licence:
        raise Conflict(f"“{step.name}” keeps people safe; it is never left out as not needed.")
    if step.takes:
        raise Conflict(
            f"“{step.name}” takes parts out: tick it with what became of them, or say that this "
            "machine has no such way."
        )


@transaction.atomic
def reopen_step(*, workshop: Workshop, donor_ref: str, step: str) -> None:
    """Take a step off the record: it was ticked by mistake. Parts taken out stay out.

    Its timers go with it, so that they teach nothing. Raises NotFound, Conflict while a step on
    record rests on it.
    """
    record = get_record(workshop, donor_ref, step)
    _refuse_rested_on(record)
    StepSpan.of(workshop).filter(donor=record.donor_id, step=step).delete()
    record.delete()


def _refuse_rested_on(record: StepRecord) -> None:
    """Raise Conflict naming the steps done on the strength of this one."""
    if record.came == StepRecord.Came.NOT_HERE:
        return
    records = StepRecord.of(record.workshop_id).filter(donor=record.donor_id)
    others = {one.step: one.came for one in records.exclude(pk=record.pk)}
    steps = strip_steps.list_steps(record.workshop_id, record.appliance_id)
    left = {slug for slug, came in others.items() if came != StepRecord.Came.NOT_HERE}
    done = {slug for slug, came in others.items() if came == StepRecord.Came.DONE}
    resting = [
        f"“{step.name}”" for step in resting_on(record.step, steps, left) if step.slug in done
    ]
    if resting:
        raise Conflict(
            f"{', '.join(resting)} was done after this step and rests on it. Open that again first."
        )


@transaction.atomic
def correct_minutes(
    *, workshop: Workshop, donor_ref: str, step: str, minutes: float | None
) -> StepRecord:
    """Say how long a step really took, the timer having been forgotten; None trusts the timer.

    Raises NotFound, InputRefused for minutes that cannot be.
    """
    record = get_record(workshop, donor_ref, step)
    _refuse_minutes(minutes)
    record.said_min = minutes
    record.save(update_fields=["said_min"])
    return record


def get_record(workshop: Workshop, donor_ref: str, step: str) -> StepRecord:
    """Return the record of a step of a donor, or raise NotFound."""
    donor = get_donor(workshop, donor_ref)
    record = StepRecord.of(workshop).filter(donor=donor, step=step).first()
    if record is None:
        raise NotFound(f"No step {step!r} is on record for donor {donor_ref}.")
    found: StepRecord = record
    return found


def list_records(donor: Donor) -> list[StepRecord]:
    """Return what became of each step of a donor, in the order it was done."""
    rows = StepRecord.of(donor.workshop_id).filter(donor=donor)
    rows = rows.select_related("done_by__user", "second_person__user", "certificate__member__user")
    return list(rows.order_by("done_at", "id"))


def list_spans(donor: Donor, steps: Collection[str] | None = None) -> list[StepSpan]:
    """Return the timers of a donor, oldest first."""
    rows = StepSpan.of(donor.workshop_id).filter(donor=donor).select_related("member__user")
    if steps is not None:
        rows = rows.filter(step__in=steps)
    return list(rows.order_by("started_at", "id"))
