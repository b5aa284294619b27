"""Correcting a job and its needs. What follows is judged by hand on small worlds."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from donors.models import Donor
from matching import corrections, fittings, holds, outcome_keys
from matching.fittings import Report
from matching.models import Hold, Job, JobChange, Match, Need, Outcome, Proposal, Sign
from matching.services import NeedFacts
from parts.donor_corrections import correct_donor
from parts.models import Sighting
from tests.factories import NOW, TODAY, Bench
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db


def correct(bench: Bench, job: Job, **changes: Any) -> Job:
    more = {name: changes.pop(name) for name in ("confirm_mismatch", "why") if name in changes}
    return corrections.correct_job(
        workshop=bench.workshop,
        ref=job.ref,
        changes=changes,
        member=bench.technician,
        now=NOW,
        **more,
    )


def record(job: Job) -> list[tuple[str, str, str]]:
    return [(one.what, one.before, one.after) for one in reversed(corrections.list_changes(job))]


def hold(bench: Bench, need: Need, part: Any) -> Hold:
    return holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )


def test_another_model_number_is_read_anew_and_the_stock_is_searched_for_it(bench: Bench) -> None:
    part = bench.part(bench.donor("W7-60 R1 W"))
    job = bench.job("K3-60 R1 W", part_number="BRD-1")
    bench.drain()
    assert not Match.of(bench.workshop).filter(part=part, p_fit__gte=0.5).exists()
    correct(bench, job, model_number="W7-60 R1 W", why="misread")
    bench.drain()
    job.refresh_from_db()
    assert (job.family, job.recognised.number, job.confirmed) == ("W7", "W7-60 R1 W", False)
    assert Match.of(bench.workshop).filter(part=part, p_fit__gte=0.5).exists()
    seen = Sighting.of(bench.workshop).get(source=Sighting.Source.JOB)
    assert (seen.family, seen.number_canonical) == ("W7", "BRD1")
    (line,) = corrections.list_changes(job)
    assert (line.by, line.at, line.why) == (bench.technician, NOW, "misread")
    assert (line.what, line.before, line.after) == (
        "model number as read", "K3-60 R1 W", "W7-60 R1 W",
    )  # fmt: skip


def test_what_is_left_out_or_said_again_changes_nothing(bench: Bench) -> None:
    job = bench.job(symptom="does not drain")
    model = job.recognised_id
    Job.of(bench.workshop).update(confirmed=True)
    correct(bench, job, model_number=" W7-60 R1 W", serial_number="", symptom="does not drain")
    job.refresh_from_db()
    assert (job.confirmed, job.recognised_id, record(job)) == (True, model, [])


def test_words_day_number_technician_and_wait_are_corrected_and_recorded(bench: Bench) -> None:
    job = bench.job(symptom="does not drain")
    opened, until = TODAY - timedelta(days=3), TODAY + timedelta(days=9)
    correct(
        bench,
        job,
        symptom="leaks at the door",
        own_number="T 4711",
        opened_on=opened,
        wait_until=until,
        technician=bench.members["reviewer"],
    )
    job.refresh_from_db()
    assert (job.symptom, job.own_number) == ("leaks at the door", "T 4711")
    assert (job.opened_on, job.wait_until) == (opened, until)
    assert job.technician == bench.members["reviewer"]
    assert [what for what, *_ in record(job)] == [
        "opened on", "symptom", "own number", "technician", "waits until",
    ]  # fmt: skip
    table_words = set(Sign.of(bench.workshop).filter(job=job).values_list("symptom", flat=True))
    assert not any("drain" in one for one in table_words)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"opened_on": date(1950, 5, 1)}, "opened_on"),
        ({"opened_on": TODAY + timedelta(days=1)}, "opened_on"),
        ({"opened_on": TODAY - timedelta(days=6 * 365)}, "opened_on"),
        ({"make": "Nobodys"}, "make"),
        ({"model_number": ""}, "model_number"),
        ({"built_from": date(2020, 1, 1), "built_to": date(2019, 1, 1)}, "built_to"),
        ({"own_number": "x" * 41}, "own_number"),
        ({"wait_until": TODAY - timedelta(days=1)}, "wait_until"),
        ({"appliance": "tumble-dryer"}, "confirm_mismatch"),
    ],
)
def test_what_cannot_be_is_refused_by_field_and_nothing_is_stored(
    bench: Bench, changes: dict[str, Any], field: str
) -> None:
    job = bench.job()
    before = Job.of(bench.workshop).values().get()
    with pytest.raises(InputRefused) as refused:
        correct(bench, job, **changes)
    assert field in refused.value.fields
    assert Job.of(bench.workshop).values().get() == before
    assert not JobChange.of(bench.workshop).exists()


def test_a_past_fitting_states_the_machine_as_it_was_corrected(bench: Bench) -> None:
    part = bench.part(bench.donor("W7-60 R1 W"))
    need = bench.need("W7-60 R1 S")
    bench.drain()
    held = hold(bench, need, part)
    worked = Report(result=Outcome.Result.WORKED, fitted_on=TODAY)
    fittings.report_fitting(workshop=bench.workshop, hold_id=held.pk, report=worked, now=NOW)
    bench.drain()
    correct(bench, need.job, model_number="W7-80 R1 W")
    correct_donor(
        workshop=bench.workshop,
        ref=part.donor.ref,
        changes={"model_number": "W7-60 R2 W"},
        member=bench.technician,
        now=NOW,
    )
    bench.drain()
    outcome = Outcome.of(bench.workshop).get()
    assert (outcome.job_model_number, outcome.donor_model_number) == ("W7-80 R1 W", "W7-60 R2 W")
    assert outcome.learned["job"]["fields"]["size"] == "80"


def fitted_in_a_corrected_machine(bench: Bench) -> Outcome:
    """A part that works, of a donor whose plate says another model than its past fitting."""
    part, need = bench.part(bench.donor("W7-60 R1 W")), bench.need()
    bench.drain()
    held = hold(bench, need, part)
    worked = Report(result=Outcome.Result.WORKED, fitted_on=TODAY)
    fittings.report_fitting(workshop=bench.workshop, hold_id=held.pk, report=worked, now=NOW)
    bench.drain()
    Donor.of(bench.workshop).filter(pk=part.donor_id).update(model_number="W7-80 R1 W")
    return Outcome.of(bench.workshop).get()


def write_between(monkeypatch: pytest.MonkeyPatch, write: Callable[[], Any]) -> None:
    """Have something written once, after a past fitting was read and before it is stored."""
    real, left = outcome_keys.keyed, [write]

    def keyed(outcome: Outcome) -> Outcome:
        while left:
            left.pop()()
        return real(outcome)

    monkeypatch.setattr(outcome_keys, "keyed", keyed)


def test_a_fitting_taken_back_while_it_is_stated_anew_stays_gone(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    outcome = fitted_in_a_corrected_machine(bench)
    rows = Outcome.of(bench.workshop)
    write_between(monkeypatch, rows.filter(pk=outcome.pk).delete)
    assert fittings.state_anew(bench.workshop.pk, rows) == []
    assert not rows.all().exists()


def test_a_failure_reported_while_a_fitting_is_stated_anew_is_kept(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    outcome = fitted_in_a_corrected_machine(bench)
    failed = {"workshop": bench.workshop, "outcome_id": outcome.pk, "failed_on": TODAY, "now": NOW}
    write_between(monkeypatch, lambda: fittings.report_failure(**failed))
    assert fittings.state_anew(bench.workshop.pk, Outcome.of(bench.workshop)) == [outcome]
    outcome.refresh_from_db()
    assert (outcome.result, outcome.days_to_failure) == (Outcome.Result.FAILED, 0)
    assert outcome.donor_model_number == "W7-80 R1 W"


def test_a_job_nobody_has_is_taken_once(bench: Bench) -> None:
    job = bench.job()
    take = {"workshop": bench.workshop, "ref": job.ref, "now": NOW}
    corrections.take_job(member=bench.technician, **take)
    job.refresh_from_db()
    assert job.technician == bench.technician
    with pytest.raises(Conflict, match="Ask them"):
        corrections.take_job(member=bench.members["owner"], **take)


def acting(bench: Bench, job: Job) -> dict[str, Any]:
    return {"workshop": bench.workshop, "ref": job.ref, "member": bench.technician, "now": NOW}


def test_a_need_is_added_corrected_and_withdrawn_with_what_stands_on_it(bench: Bench) -> None:
    donor, job = bench.donor(), bench.job(part_number="BRD-1")
    need, facts = job.needs.get(), NeedFacts(kind="drain-pump", part_number="PMP-1")
    bench.drain()
    hold(bench, need, bench.part(donor))
    act = acting(bench, job)
    pump = corrections.add_need(facts=facts, **act)
    bench.drain()
    assert Match.of(bench.workshop).filter(need=pump, part=bench.part(donor, "drain-pump")).exists()
    bench.proposal(bench.part(donor, "drain-pump"), pump)
    wrong = replace(facts, kind="heater", part_number="H-1")
    corrections.correct_need(need_id=pump.pk, facts=wrong, **act)
    bench.drain()
    pump.refresh_from_db()
    assert (pump.kind_id, pump.number_canonical) == ("heater", "H1")
    assert Proposal.of(bench.workshop).get().state == Proposal.State.WITHDRAWN
    kinds = Sighting.of(bench.workshop).filter(source=Sighting.Source.JOB)
    assert set(kinds.values_list("kind_id", flat=True)) == {"control-board", "heater"}
    corrections.withdraw_need(need_id=need.pk, why="it was the pump", **act)
    need.refresh_from_db()
    assert (need.state, need.mistaken) == (Need.State.WITHDRAWN, True)
    assert Hold.of(bench.workshop).get().ended == Hold.Ended.RELEASED
    assert not Sighting.of(bench.workshop).filter(kind="control-board").exists()
    assert Job.of(bench.workshop).get().state == Job.State.OPEN
    again = corrections.add_need(facts=NeedFacts(kind="control-board"), **act)
    assert (again.pk, again.state, again.mistaken) == (need.pk, Need.State.OPEN, False)
    assert [(before, after) for _, before, after in record(job)] == [
        ("", "Drain pump, number PMP-1"),
        ("Drain pump, number PMP-1", "Heater element, number H-1"),
        ("Control board, number BRD-1", ""),
        ("", "Control board"),
    ]


def test_a_need_said_again_as_it_is_stays_searched(bench: Bench) -> None:
    job = bench.job(part_number="BRD-1")
    bench.drain()
    need = job.needs.get()
    told = OutboxEvent.of(bench.workshop).count()
    same = NeedFacts(kind="control-board", part_number=" BRD-1 ")
    back = corrections.correct_need(need_id=need.pk, facts=same, **acting(bench, job))
    assert need.searched_at is not None
    assert back.searched_at == need.searched_at
    need.refresh_from_db()
    assert back.searched_at == need.searched_at
    assert OutboxEvent.of(bench.workshop).count() == told
    assert record(job) == []


def test_a_need_and_what_stands_at_its_new_place_are_locked_by_id(bench: Bench) -> None:
    """The first lock of needs names both: two who swap places do not wait for each other."""
    job = bench.job(needs=[NeedFacts(kind="control-board"), NeedFacts(kind="heater")])
    heater = job.needs.get(kind="heater")
    to_board = NeedFacts(kind="control-board")
    with CaptureQueriesContext(connection) as seen, pytest.raises(Conflict, match="already"):
        corrections.correct_need(need_id=heater.pk, facts=to_board, **acting(bench, job))
    reads = [one["sql"] for one in seen if 'FROM "matching_need"' in one["sql"]]
    first = reads[0].split("WHERE")[1]
    assert " OR " in first
    assert 'ORDER BY "matching_need"."id" ASC' in first


def test_withdrawing_the_last_wrong_need_of_a_repaired_job_finishes_it(bench: Bench) -> None:
    part = bench.part(bench.donor())
    job = bench.job(needs=[NeedFacts(kind="control-board"), NeedFacts(kind="heater")])
    bench.drain()
    held = hold(bench, job.needs.get(kind="control-board"), part)
    worked = Report(result=Outcome.Result.WORKED, fitted_on=TODAY)
    fittings.report_fitting(workshop=bench.workshop, hold_id=held.pk, report=worked, now=NOW)
    corrections.withdraw_need(need_id=job.needs.get(kind="heater").pk, **acting(bench, job))
    job.refresh_from_db()
    assert job.state == Job.State.DONE


def test_what_a_need_cannot_be_is_refused(bench: Bench, other_bench: Bench) -> None:
    job = bench.job(needs=[NeedFacts(kind="control-board"), NeedFacts(kind="heater")])
    first = job.needs.get(kind="control-board")
    act, heater = acting(bench, job), NeedFacts(kind="heater")
    with pytest.raises(Conflict, match="among its parts already"):
        corrections.add_need(facts=heater, **act)
    with pytest.raises(Conflict, match="among its parts already"):
        corrections.correct_need(need_id=first.pk, facts=heater, **act)
    odd = NeedFacts(kind="magnetron")
    with pytest.raises(InputRefused) as refused:
        corrections.add_need(facts=odd, **act)
    assert set(refused.value.fields) == {"kind", "confirm_mismatch"}
    assert corrections.add_need(facts=odd, confirm_mismatch=True, **act).kind_id == "magnetron"
    with pytest.raises(NotFound):
        corrections.withdraw_need(need_id=other_bench.need().pk, **act)


def test_a_donor_is_corrected_and_its_parts_follow(bench: Bench) -> None:
    donor = bench.donor("K3-60 R1 W", serial_number="S1")
    need = bench.need("W7-60 R1 W")
    bench.drain()
    act: dict[str, Any] = {
        "workshop": bench.workshop, "ref": donor.ref, "member": bench.technician, "now": NOW,
    }  # fmt: skip
    correct_donor(changes={"model_number": "W7-60 R1 W", "note": "came wet"}, **act)
    bench.drain()
    assert Match.of(bench.workshop).filter(need=need, p_fit__gte=0.5).exists()
    assert [one.what for one in donor.changes.order_by("id")] == ["model number as read", "note"]
    with pytest.raises(Conflict, match="take it in anew"):
        correct_donor(changes={"appliance": "dishwasher"}, **act)
    with pytest.raises(InputRefused) as refused:
        correct_donor(changes={"built_from": TODAY + timedelta(days=1)}, **act)
    assert "built_from" in refused.value.fields
