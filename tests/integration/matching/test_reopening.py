"""Closed jobs opened again, and reports taken back. Judged by hand."""

from datetime import timedelta
from typing import Any

import pytest

from matching import corrections, events, fittings, holds, keeping, reopening
from matching.fittings import Report
from matching.keeping import Answer
from matching.models import FaultFound, FaultLesson, Hold, Job, Match, Need, Outcome
from matching.services import NeedFacts
from parts.models import Part, SisterWarning
from tests.factories import NOW, TODAY, Bench
from workshop.errors import Conflict, InputRefused
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db

BOARD = "control-board"


def act(bench: Bench, job: Job, **more: Any) -> dict[str, Any]:
    stated = {"workshop": bench.workshop, "ref": job.ref, "member": bench.technician, "now": NOW}
    return {**stated, **more}


def back(bench: Bench, outcome: Outcome, **more: Any) -> Job:
    stated: dict[str, Any] = {"member": bench.technician, "now": NOW}
    return reopening.take_back(workshop=bench.workshop, outcome_id=outcome.pk, **{**stated, **more})


def fit(bench: Bench, need: Need, part: Part, result: str = "worked", **more: Any) -> Outcome:
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    report = Report(result=Outcome.Result(result), fitted_on=TODAY, **more)
    return fittings.report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)


def test_a_job_closed_as_refused_opens_with_its_needs_as_they_were(bench: Bench) -> None:
    part = bench.part(bench.donor())
    job = bench.job(needs=[NeedFacts(kind=BOARD), NeedFacts(kind="heater")])
    wrong = job.needs.get(kind="heater")
    corrections.withdraw_need(need_id=wrong.pk, **act(bench, job))
    keeping.refuse_repair(answer=Answer(), **act(bench, job))
    bench.drain()
    assert not Match.of(bench.workshop).filter(need__job=job).exists()
    reopening.reopen_job(**act(bench, job, why="pressed the wrong one"))
    bench.drain()
    job.refresh_from_db()
    states = dict(job.needs.values_list("kind_id", "state"))
    assert (job.state, states) == (Job.State.OPEN, {BOARD: "open", "heater": "withdrawn"})
    assert Match.of(bench.workshop).filter(need__kind=BOARD, part=part).exists()
    last, closed = corrections.list_changes(job)[:2]
    assert (last.before, last.after) == ("refused by the customer", "open")
    assert last.why == "pressed the wrong one"
    assert (closed.after, closed.by) == ("refused by the customer", bench.technician)
    with pytest.raises(Conflict, match="is open already"):
        reopening.reopen_job(**act(bench, job))


def test_a_need_opened_again_is_asked_to_be_searched_once(bench: Bench) -> None:
    job = bench.job()
    keeping.refuse_repair(answer=Answer(), **act(bench, job))
    bench.drain()
    asked = OutboxEvent.of(bench.workshop).filter(done_at__isnull=True)
    reopening.reopen_job(**act(bench, job))
    kinds = (events.NEEDS_OPENED, events.NEEDS_REMATCH)
    found = [(one.kind, one.payload["need_ids"]) for one in asked.filter(kind__in=kinds)]
    assert found == [(events.NEEDS_OPENED, [job.needs.get().pk])]


def test_a_kept_machine_is_not_repaired_any_more(bench: Bench) -> None:
    job = bench.job()
    keeping.refuse_repair(answer=Answer("yes", "owner", "signed", TODAY), **act(bench, job))
    keeping.keep_as_donor(**act(bench, job))
    with pytest.raises(Conflict, match="kept as donor"):
        reopening.reopen_job(**act(bench, job))


def test_after_a_later_failure_the_job_opens_for_that_part_and_its_fault_stays_said(
    bench: Bench,
) -> None:
    part = bench.part(bench.donor())
    need = bench.need(symptom="does not drain")
    bench.drain()
    outcome = fit(bench, need, part)
    later = TODAY + timedelta(days=3)
    fittings.report_failure(
        workshop=bench.workshop, outcome_id=outcome.pk, failed_on=later, now=NOW
    )
    part.refresh_from_db()
    assert (part.state, part.gone_on, part.was_bad) == (Part.State.SCRAPPED, later, True)
    reopening.reopen_job(**act(bench, need.job))
    need.refresh_from_db()
    assert need.state == Need.State.OPEN
    assert FaultFound.of(bench.workshop).filter(ended_at=None).exists()


def test_a_wait_that_is_over_begins_anew(bench: Bench) -> None:
    job = bench.job(opened_on=TODAY - timedelta(days=60), wait_until=TODAY - timedelta(days=30))
    keeping.refuse_repair(answer=Answer(), **act(bench, job))
    reopening.reopen_job(**act(bench, job))
    job.refresh_from_db()
    assert job.wait_until == TODAY + timedelta(days=bench.workshop.wait_days)


def test_a_part_said_to_work_is_on_the_shelf_again_and_teaches_nothing(bench: Bench) -> None:
    part = bench.part(bench.donor())
    Part.of(bench.workshop).filter(pk=part.pk).update(bin="A1", state="shelved", removed_on=TODAY)
    need = bench.need(symptom="does not drain")
    bench.drain()
    outcome = fit(bench, need, part)
    assert FaultLesson.of(bench.workshop).exists()
    bench.drain()
    back(bench, outcome, why="wrong job")
    bench.drain()
    for row in (part, need, need.job):
        row.refresh_from_db()
    assert (part.state, part.gone_on, part.warranty_until) == (Part.State.SHELVED, None, None)
    assert (need.state, need.job.state) == (Need.State.OPEN, Job.State.OPEN)
    assert not Outcome.of(bench.workshop).exists()
    assert not FaultLesson.of(bench.workshop).exists()
    assert Match.of(bench.workshop).filter(need=need, part=part).exists()
    assert any(one.after == "taken back" for one in corrections.list_changes(need.job))


def test_a_failure_taken_back_ends_the_doubt_about_its_sisters(bench: Bench) -> None:
    donor = bench.donor()
    part, need = bench.part(donor), bench.need()
    bench.drain()
    outcome = fit(bench, need, part, "failed")
    assert SisterWarning.of(bench.workshop).exists()
    back(bench, outcome)
    part.refresh_from_db()
    assert (part.state, part.was_bad) == (Part.State.REMOVED, False)
    assert not SisterWarning.of(bench.workshop).exists()


def test_of_a_later_failure_only_that_is_taken_back(bench: Bench) -> None:
    part, need = bench.part(bench.donor()), bench.need()
    bench.drain()
    outcome = fit(bench, need, part)
    failed = {"workshop": bench.workshop, "outcome_id": outcome.pk, "failed_on": TODAY}
    fittings.report_failure(now=NOW, **failed)
    reopening.reopen_job(**act(bench, need.job))
    back(bench, outcome)
    for row in (part, need, need.job, outcome):
        row.refresh_from_db()
    assert (outcome.result, outcome.days_to_failure) == (Outcome.Result.WORKED, None)
    assert (part.state, part.was_bad, part.gone_on) == (Part.State.FITTED, False, TODAY)
    assert (need.state, need.job.state) == (Need.State.FILLED, Job.State.DONE)


def test_a_report_stays_when_it_is_old_or_something_rests_on_it(bench: Bench) -> None:
    part, need = bench.part(bench.donor()), bench.need()
    bench.drain()
    outcome = fit(bench, need, part)
    with pytest.raises(Conflict, match="more than 14 days"):
        back(bench, outcome, now=NOW + timedelta(days=14, minutes=1))
    stranger = bench.outcome(bench.part(part.donor, "heater"))
    with pytest.raises(Conflict, match="not reported on this site"):
        back(bench, stranger)
    fittings.report_failure(
        workshop=bench.workshop, outcome_id=outcome.pk, failed_on=TODAY, now=NOW
    )
    reopening.reopen_job(**act(bench, need.job))
    other = bench.part(bench.donor("W7-60 R1 S"))
    bench.drain()
    fit(bench, need, other)
    with pytest.raises(Conflict, match="Another part was fitted"):
        back(bench, outcome)
    assert Hold.of(bench.workshop).filter(ended="fitted").count() == 2


@pytest.mark.parametrize("days", [-1, -9000])
def test_a_part_is_not_fitted_before_the_job_was_opened(bench: Bench, days: int) -> None:
    part, need = bench.part(bench.donor(received_on=TODAY - timedelta(days=9999))), bench.need()
    bench.drain()
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    report = Report(Outcome.Result.WORKED, TODAY + timedelta(days=days))
    with pytest.raises(InputRefused) as refused:
        fittings.report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)
    assert "was opened on 2026-11-20" in refused.value.message
    assert set(refused.value.fields) == {"fitted_on"}
