"""What became of a part that was fitted; every report teaches the matching."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from donors import plates
from donors.catalogue import Catalogue
from matching import events, holds, outcome_keys, safety, services, warranty
from matching.faults import closing
from matching.models import Hold, Job, Need, Outcome
from parts import licensed_ways, sisters
from parts import services as part_services
from parts.models import Part
from workshop import outbox
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.exchange import cells
from workshop.models import Member, Workshop

# What outcomes.csv states of an outcome.
STATED = (
    "kind_id",
    "part_number",
    "donor_make",
    "donor_model_number",
    "donor_built_from",
    "donor_built_to",
    "job_make",
    "job_model_number",
    "job_built_from",
    "job_built_to",
    "job_part_number",
    "part_attributes",
    "job_attributes",
    "fitted_on",
    "result",
    "days_to_failure",
)


@dataclass(frozen=True, slots=True)
class Report:
    """What a technician reports after fitting.

    days_to_failure only when it failed later; why (Outcome.Why) when it did not fit.
    """

    result: Outcome.Result
    fitted_on: date
    days_to_failure: int | None = None
    note: str = ""
    why: str = ""


@transaction.atomic
def report_fitting(*, workshop: Workshop, hold_id: int, report: Report, now: datetime) -> Outcome:
    """Mark a held part fitted, with its outcome.

    worked: the part is used up and the need filled. did not fit: the part goes back to stock
    and the need stays open. failed: the part is scrap and the need stays open. Where it is used up
    what the job's safety check measured before is void.
    Raises Conflict when the hold has ended, the part is gone, or a part graded scrap is said
    to work; InputRefused for days without a failure, when it is not said why it did not fit, or
    for a day before the job was opened or the part was there.
    """
    _check(report)
    hold = holds.get_hold_to_fit(workshop, hold_id)
    part, need = hold.part, hold.need
    _refuse_scrap(part, report)
    _refuse_bad_day(hold, report)
    if report.result == Outcome.Result.DID_NOT_FIT:
        _give_back(hold, report, now)
    else:
        _use_up(hold, report, now)
    outcome = Outcome(
        workshop=workshop,
        kind=part.kind,
        part=part,
        need=need,
        fitted_on=report.fitted_on,
        result=report.result,
        days_to_failure=report.days_to_failure,
        why=report.why,
        note=report.note,
        reported_at=now,
        **_both_sides(part, need),
    )
    outcome.fingerprint = fingerprint(outcome, _ordinal(outcome))
    outcome_keys.keyed(outcome).save()
    if report.result == Outcome.Result.FAILED:
        sisters.flag_sisters(failed=part, on=report.fitted_on)
    announce(workshop.pk, [part.kind_id])
    return outcome


def _check(report: Report) -> None:
    failed = report.result == Outcome.Result.FAILED
    if report.days_to_failure is not None and not failed:
        raise InputRefused(
            "Days to failure are given, but the part did not fail.",
            fields={"days_to_failure": "Only for a part that failed."},
        )
    if report.result == Outcome.Result.DID_NOT_FIT and report.why not in Outcome.Why.values:
        words = "Say why it did not fit: connector, size, software or something else."
        raise InputRefused(words, fields={"why": words})
    if report.result != Outcome.Result.DID_NOT_FIT and report.why:
        words = "Only for a part that did not fit."
        raise InputRefused("Why it did not fit is given, but it did.", fields={"why": words})


def _refuse_scrap(part: Part, report: Report) -> None:
    if part.grade == "scrap" and report.result == Outcome.Result.WORKED:
        raise Conflict(f"Part {part.ref} is graded scrap; it cannot have been fitted and work.")


def _refuse_bad_day(hold: Hold, report: Report) -> None:
    """Raise InputRefused for a day on which the part cannot have been fitted to this job.

    The day of the hold is no bound: who fits on Friday may hold and report on Monday.
    """
    part, job, day = hold.part, hold.need.job, report.fitted_on
    began = [
        (job.opened_on, f"job {job.ref} was opened"),
        (part.removed_on, f"part {part.ref} was taken out or came in"),
        (
            part.donor.received_on if part.donor else None,
            f"donor {part.donor.ref if part.donor else ''} came in",
        ),
    ]
    for first, what in began:
        if first is not None and day < first:
            raise InputRefused(
                f"{part.ref} cannot have been fitted on {day}: {what} on {first} only.",
                fields={"fitted_on": f"Lies before {first}, when {what}."},
            )


def _give_back(hold: Hold, report: Report, now: datetime) -> None:
    holds.release_hold(workshop=hold.workshop, hold_id=hold.pk, now=now)
    if hold.part.state == Part.State.IN_MACHINE:
        part_services.remove_part(
            workshop=hold.workshop, ref=hold.part.ref, removed_on=report.fitted_on
        )


def _use_up(hold: Hold, report: Report, now: datetime) -> None:
    """The part is gone; when it worked, so is the need, and the job if it was the last."""
    worked = report.result == Outcome.Result.WORKED
    state = Part.State.FITTED if worked else Part.State.SCRAPPED
    licensed_ways.refuse_unlicensed(hold.part)  # one that failed was taken out, too
    if hold.part.removed_on is None:
        hold.part.removed_on = report.fitted_on
        hold.part.save(update_fields=["removed_on"])
    part_services.take_from_stock(
        workshop=hold.workshop, ref=hold.part.ref, state=state, on=report.fitted_on
    )
    if not worked:
        part_services.note_bad(hold.part)
    safety.void_by_fitting(hold.need.job, now=now)
    holds.end_as_fitted(hold, now)
    if worked:
        warranty.give(hold.part, on=report.fitted_on)
        fill(hold.need, by=hold.held_by, now=now)


def fill(need: Need, *, by: Member | None, now: datetime) -> None:
    """A part was fitted that works: the need is filled, and the job done if it was the last.

    Needs a transaction that holds job and need.
    """
    job = need.job
    need.state = Need.State.FILLED
    need.save(update_fields=["state"])
    holds.release_for_needs(workshop_id=need.workshop_id, need_ids=[need.pk], now=now)
    holds.forget(need.workshop_id, [need.pk])
    finish_if_complete(job, by=by, now=now)


def finish_if_complete(job: Job, *, by: Member | None, now: datetime) -> bool:
    """Close an open job that lacks no part any more and was fitted one. Returns whether it was.

    Needs a transaction that holds the job.
    """
    needs = Need.of(job.workshop_id).filter(job=job)
    lacks = needs.filter(state=Need.State.OPEN).exists()
    if lacks or job.state != Job.State.OPEN or not needs.filter(state=Need.State.FILLED).exists():
        return False
    services.set_state(job, Job.State.DONE, by=by, now=now)
    closing.note_fitted(job, now=now)
    return True


@transaction.atomic
def report_failure(
    *,
    workshop: Workshop,
    outcome_id: int,
    failed_on: date,
    note: str = "",
    now: datetime | None = None,
) -> Outcome:
    """Note that a part that had worked failed later. The days count from fitting.

    now: when it is reported; without it, it cannot be taken back. The part is scrap from then
    on, as one that failed at once, and other parts of its donor are flagged. The job stays done
    until somebody opens it again (reopening.py).
    """
    outcome = get_outcome_locked(workshop, outcome_id)
    if outcome.result != Outcome.Result.WORKED:
        raise Conflict(f"This fitting is on record as: {outcome.get_result_display()}.")
    if failed_on < outcome.fitted_on:
        raise InputRefused(
            f"It failed on {failed_on}, before it was fitted ({outcome.fitted_on}).",
            fields={"failed_on": "Lies before the day it was fitted."},
        )
    outcome.result = Outcome.Result.FAILED
    outcome.days_to_failure = (failed_on - outcome.fitted_on).days
    outcome.note = " ".join(filter(None, (outcome.note, note)))
    outcome.failure_reported_at = now
    outcome.save(update_fields=["result", "days_to_failure", "note", "failure_reported_at"])
    if outcome.part is not None:
        part_services.note_failed_later(outcome.part, on=failed_on)
        sisters.flag_sisters(failed=outcome.part, on=failed_on)
    announce(workshop.pk, [outcome.kind_id])
    return outcome


def get_outcome_locked(workshop: Workshop, outcome_id: int) -> Outcome:
    """Return a fitting, locked after its part, job and need. Raises NotFound."""
    rows = Outcome.of(workshop)
    seen = rows.filter(pk=outcome_id).select_related("part", "need").first()
    if seen is None:
        raise NotFound("There is no such fitting in this workshop.")
    part = part_services.lock_part(workshop, seen.part.ref) if seen.part else None
    need = None
    if seen.need is not None:
        job = Job.of(workshop).select_for_update(of=("self",)).get(pk=seen.need.job_id)
        need = Need.of(workshop).select_for_update(of=("self",)).get(pk=seen.need.pk)
        need.job = job
    outcome = rows.select_for_update(of=("self",)).filter(pk=outcome_id).first()
    if outcome is None:
        raise NotFound("There is no such fitting in this workshop.")
    outcome.part, outcome.need = part, need
    found: Outcome = outcome
    return found


@transaction.atomic
def state_anew(workshop_id: int, rows: QuerySet[Outcome]) -> list[Outcome]:
    """Have past fittings state their machines as they are on record now. Returns what changed.

    For when a plate was corrected. Fittings whose part or need is not here stay as they are.
    Each is locked: a failure reported meanwhile, or a report taken back, stays so.
    """
    needed = ("kind", "part__donor__make", "need__job__make")
    rows = rows.filter(part__isnull=False, need__isnull=False).select_related(*needed)
    changed = []
    for one in rows.select_for_update(of=("self",)).order_by("id"):
        if one.part is None or one.need is None:
            continue
        sides = _both_sides(one.part, one.need)
        stated = {name: sides[name] for name in sides if name.startswith(("donor_", "job_"))}
        fresh = {**stated, "learned": sides["learned"]}
        differs = {name for name, value in fresh.items() if getattr(one, name) != value}
        if not differs:
            continue
        for name in differs:
            setattr(one, name, fresh[name])
        if differs - {"learned"}:
            one.fingerprint = fingerprint(one, _ordinal(one))
        outcome_keys.keyed(one)
        if _store(one, {*differs, "fingerprint", *outcome_keys.COLUMNS}):
            changed.append(one)
    if changed:
        announce(workshop_id, [one.kind_id for one in changed])
    return changed


def _store(one: Outcome, columns: Iterable[str]) -> bool:
    """Store these columns alone, where the row still is. Returns whether it is."""
    values = {name: getattr(one, name) for name in columns}
    return bool(Outcome.of(one.workshop_id).filter(pk=one.pk).update(**values))


def _both_sides(part: Part, need: Need) -> dict[str, Any]:
    donor, job = part.donor, need.job
    sides: dict[str, Any] = {
        "part_number": part.part_number,
        "part_attributes": part.attributes,
        "job_part_number": need.part_number,
        "job_attributes": need.attributes,
        "job_make": job.make.name if job.make else "",
        "job_model_number": job.model_number,
        "job_built_from": job.built_from,
        "job_built_to": job.built_to,
        "learned": {"job": learned(job.machine())},
    }
    if donor is not None:
        sides |= {
            "donor_make": donor.make.name if donor.make else "",
            "donor_model_number": donor.model_number,
            "donor_built_from": donor.built_from,
            "donor_built_to": donor.built_to,
        }
        sides["learned"]["donor"] = learned(donor.machine())
    return sides


def learned(machine: Any) -> dict[str, Any]:
    """Return what is kept of a recognised machine beside an outcome."""
    return {
        "appliance": machine.appliance,
        "make": machine.make,
        "number": machine.number,
        "fields": dict(machine.fields),
        "family": machine.family,
        "sure": machine.sure,
    }


def learned_from_plate(catalogue: Catalogue, make: str, model_number: str) -> dict[str, Any]:
    """Return what a past machine is recognised as; {} when nothing was noted of it."""
    if not make and not model_number:
        return {}
    seen = catalogue.recognise(model_number, make=plates.find_make(catalogue, make))
    return {
        "appliance": seen.likely.appliance if seen.likely else "",
        "make": seen.make,
        "number": seen.likely_number,
        "fields": seen.fields,
        "family": seen.family,
        "sure": plates.certainty(seen),
    }


def fingerprint(outcome: Outcome, nth: int) -> str:
    """Return what tells two outcomes apart: all that was stated, and which of equals it is."""
    stated = {name: _as_stated(getattr(outcome, name)) for name in STATED}
    text = json.dumps([stated, nth], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _as_stated(value: Any) -> Any:
    """Return a value as outcomes.csv would give it back."""
    if isinstance(value, Mapping):
        return {name: _as_stated(one) for name, one in value.items()}
    return cells.clean(str(value))


def _ordinal(outcome: Outcome) -> int:
    """Return how many outcomes on record state the same."""
    rows, nth = Outcome.of(outcome.workshop_id), 0
    while rows.filter(fingerprint=fingerprint(outcome, nth)).exists():
        nth += 1
    return nth


def announce(workshop_id: int, kinds: list[str]) -> None:
    """Record that outcomes of these kinds came in, so that open needs are matched anew."""
    payload: Mapping[str, Any] = {"kinds": sorted(set(kinds))}
    outbox.record(events.OUTCOMES_RECORDED, workshop_id=workshop_id, payload=payload)
