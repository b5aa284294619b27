"""A refused repair becomes a donor: permission first, the same machine after. Judged by hand."""

from datetime import timedelta

import pytest

from donors.models import Donor
from matching import fittings, holds, keeping, services
from matching.fittings import Report
from matching.keeping import Answer
from matching.models import Alert, Hold, Job, KeepPermission, KeptMachine, Match, Need, Outcome
from parts.conditions import ConditionBook
from parts.models import Part, Sighting
from parts.services import confirm_donor_model, record_bench_test
from tests.factories import NOW, TODAY, Bench
from workshop.errors import Conflict, InputRefused

pytestmark = pytest.mark.django_db

YES = Answer("yes", "owner", "signed", TODAY)
NO = Answer("no", "owner", "phone", TODAY)


@pytest.fixture
def job(bench: Bench) -> Job:
    return bench.job(part_number="BRD-1", serial_number="S 77", built_from=TODAY.replace(year=2019))


def refuse(bench: Bench, job: Job, answer: Answer) -> Job:
    return keeping.refuse_repair(
        workshop=bench.workshop, ref=job.ref, answer=answer, member=bench.technician, now=NOW
    )


def note(bench: Bench, job: Job, answer: Answer) -> KeepPermission:
    return keeping.note_permission(
        workshop=bench.workshop, ref=job.ref, answer=answer, member=bench.technician, now=NOW
    )


def keep(bench: Bench, job: Job, cause: str = "") -> Donor:
    return keeping.keep_as_donor(
        workshop=bench.workshop, ref=job.ref, member=bench.technician, now=NOW, cause=cause
    )


def test_who_said_so_when_and_how_is_on_record(bench: Bench, job: Job) -> None:
    refuse(bench, job, YES)
    found = KeepPermission.of(bench.workshop).get()
    assert (found.may_keep, found.said_by, found.how) == (True, "owner", "signed")
    assert (found.said_on, found.noted_by, found.noted_at) == (TODAY, bench.technician, NOW)
    assert found.in_writing


@pytest.mark.parametrize(
    ("answer", "fields"),
    [
        (Answer("yes"), {"said_by", "how"}),
        (Answer("yes", "owner", "by pigeon", TODAY), {"how"}),
        (Answer("perhaps", "owner", "signed", TODAY), {"may_keep"}),
        (Answer("no", "owner", "phone", TODAY + timedelta(days=1)), {"said_on"}),
        (Answer("no", "owner", "phone", TODAY - timedelta(days=1)), {"said_on"}),
    ],
)
def test_half_an_answer_is_refused_by_field_and_the_job_stays_open(
    bench: Bench, job: Job, answer: Answer, fields: set[str]
) -> None:
    with pytest.raises(InputRefused) as refused:
        refuse(bench, job, answer)
    assert set(refused.value.fields) == fields
    assert not KeepPermission.of(bench.workshop).exists()


@pytest.mark.parametrize(
    ("answer", "why"), [(Answer(), "was not asked yet"), (NO, "the owner said no")]
)
def test_without_permission_it_is_not_kept(
    bench: Bench, job: Job, answer: Answer, why: str
) -> None:
    refuse(bench, job, answer)
    with pytest.raises(Conflict, match=why):
        keep(bench, job)
    assert not Donor.of(bench.workshop).exists()


def test_a_later_answer_takes_the_place_of_the_first(bench: Bench, job: Job) -> None:
    refuse(bench, job, NO)
    note(bench, job, YES)
    keep(bench, job)
    rows = KeepPermission.of(bench.workshop).order_by("id")
    assert [(one.may_keep, one.replaced_at is None) for one in rows] == [
        (False, False),
        (True, True),
    ]
    with pytest.raises(Conflict, match="already"):
        note(bench, job, NO)


def test_of_a_repaired_machine_nobody_is_asked(bench: Bench, job: Job) -> None:
    Job.of(bench.workshop).update(state=Job.State.DONE)
    with pytest.raises(Conflict, match="is done: the machine was repaired"):
        note(bench, job, YES)
    assert not KeepPermission.of(bench.workshop).exists()


def test_it_is_the_same_machine(bench: Bench) -> None:
    job = bench.job("something unreadable 7", serial_number="S 77")
    model = bench.makes["Velthane"].numbers.get(number="W7-80 R1 W")
    services.confirm_job_model(workshop=bench.workshop, ref=job.ref, model_id=model.pk)
    refuse(bench, job, YES)
    donor = keep(bench, job, cause="board-fault")
    job.refresh_from_db()
    same = [
        "appliance_id",
        "make_id",
        "make_as_read",
        "model_number",
        "recognised_id",
        "confirmed",
        "likely_number",
        "number_key",
        "family",
        "fields",
        "serial_number",
        "built_from",
        "built_to",
        "build_known",
        "build_reading",
    ]
    donor.refresh_from_db()
    assert {name: getattr(donor, name) for name in same} == {
        name: getattr(job, name) for name in same
    }
    assert (donor.confirmed, donor.recognised_id, donor.model_number) == (
        True,
        model.pk,
        "something unreadable 7",
    )
    assert donor.cause is not None
    assert donor.cause.slug == "board-fault"
    kept = keeping.find_kept(job)
    assert kept is not None
    assert kept.donor == donor
    back = keeping.find_job_of(donor)
    assert back is not None
    assert back.job == job


def test_what_is_found_out_of_the_donor_holds_for_the_job_too(bench: Bench, job: Job) -> None:
    refuse(bench, job, YES)
    donor = keep(bench, job)
    bench.drain()
    model = bench.makes["Velthane"].numbers.get(number="W7-80 R1 W")
    confirm_donor_model(workshop=bench.workshop, ref=donor.ref, model_id=model.pk)
    bench.drain()
    job.refresh_from_db()
    assert (job.confirmed, job.recognised_id, job.number_key) == (True, model.pk, "W780R1W")
    with pytest.raises(Conflict, match=f"donor {donor.ref}"):
        services.confirm_job_model(workshop=bench.workshop, ref=job.ref, model_id=model.pk)


def test_the_number_read_off_it_counts_once(bench: Bench, job: Job) -> None:
    def seen() -> list[tuple[str, str, str]]:
        rows = Sighting.of(bench.workshop).order_by("id")
        return [(one.source, one.source_ref, one.number_canonical) for one in rows]

    assert seen() == [("job", job.ref, "BRD1")]
    refuse(bench, job, YES)
    donor = keep(bench, job)
    bench.drain()
    assert seen() == [("donor", donor.ref, "BRD1")]
    confirm_donor_model(workshop=bench.workshop, ref=donor.ref, model_id=donor.recognised_id or 0)
    bench.drain()
    assert seen() == [("donor", donor.ref, "BRD1")]


def test_what_failed_is_not_offered_and_the_rest_is(bench: Bench, job: Job) -> None:
    board = bench.need(kind="control-board", technician=bench.technician)
    pump = bench.need(kind="drain-pump", technician=bench.technician)
    bench.drain()
    refuse(bench, job, YES)
    donor = keep(bench, job)
    bench.drain()
    part = bench.part(donor, "control-board")
    assert (part.state, part.grade, part.part_number) == ("in-machine", "scrap", "BRD-1")
    assert f"Failed in job {job.ref}" in part.grade_reason
    assert ConditionBook.load(bench.workshop.pk, on=TODAY).condition(part).p_good == 0
    assert not Match.of(bench.workshop).filter(need=board).exists()
    assert Match.of(bench.workshop).filter(need=pump, part__donor=donor).exists()
    told = Alert.of(bench.workshop).get(need=pump)
    assert told.arrival == donor.arrival


def test_a_bench_test_may_prove_it_good_after_all(bench: Bench, job: Job) -> None:
    refuse(bench, job, YES)
    part = bench.part(keep(bench, job))
    record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict="good",
        method="ran it",
        tested_on=TODAY,
        tested_by=bench.technician,
    )
    part.refresh_from_db()
    assert part.grade == "tested-good"
    assert ConditionBook.load(bench.workshop.pk, on=TODAY).condition(part).p_good > 0.9


def test_what_was_replaced_in_the_job_is_gone(bench: Bench) -> None:
    facts = [services.NeedFacts(kind=kind) for kind in ("control-board", "drain-pump")]
    job = bench.job(needs=facts)
    spare = bench.part(bench.donor(), "drain-pump")
    bench.drain()
    need = job.needs.get(kind="drain-pump")
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=spare.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    report = Report(Outcome.Result.WORKED, TODAY)
    fittings.report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)
    refuse(bench, job, YES)
    pump = bench.part(keep(bench, job), "drain-pump")
    assert (pump.state, pump.grade, pump.was_bad) == ("scrapped", "scrap", True)
    assert spare.ref in pump.grade_reason


def test_where_several_are_in_it_none_of_the_kind_is_offered(bench: Bench) -> None:
    job = bench.job(kind="counterweight")
    refuse(bench, job, YES)
    weights = keep(bench, job).parts.filter(kind="counterweight")
    assert weights.count() > 1
    assert {one.grade for one in weights} == {"scrap"}
    assert all("or another of its kind" in one.grade_reason for one in weights)


def test_an_open_job_not_worth_repairing_is_kept_in_one_step(bench: Bench, job: Job) -> None:
    part = bench.part(bench.donor())
    bench.drain()
    need = Need.of(bench.workshop).get(job=job)
    holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    note(bench, job, YES)
    keep(bench, job)
    job.refresh_from_db()
    assert job.state == Job.State.BROKEN
    assert Hold.of(bench.workshop).get().ended == "released"
    need.refresh_from_db()
    assert need.state == Need.State.WITHDRAWN


def test_it_is_kept_once_and_never_after_it_was_repaired(bench: Bench, job: Job) -> None:
    refuse(bench, job, YES)
    keep(bench, job)
    with pytest.raises(Conflict, match="already"):
        keep(bench, job)
    assert KeptMachine.of(bench.workshop).count() == Donor.of(bench.workshop).count() == 1
    repaired = bench.job()
    note(bench, repaired, YES)
    Job.of(bench.workshop).filter(pk=repaired.pk).update(state="done")
    with pytest.raises(Conflict, match="was repaired"):
        keep(bench, repaired)


def test_an_unknown_cause_is_refused_and_nothing_is_done(bench: Bench, job: Job) -> None:
    note(bench, job, YES)
    with pytest.raises(InputRefused):
        keep(bench, job, cause="bad luck")
    assert Part.of(bench.workshop).count() == 0
