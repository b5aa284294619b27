"""What people are told after the first telling: a part failed its test, or a sister in use."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction

from matching import fittings, holds, parting
from matching.fittings import Report
from matching.models import Alert, Match, Need, Outcome
from parts import sisters
from parts.models import BenchTest, Part, SisterWarning
from parts.services import record_bench_test
from tests.factories import NOW, TODAY, Bench
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import Member, OutboxEvent

pytestmark = pytest.mark.django_db

Matched = tuple[Bench, Need, Part]


@pytest.fixture
def matched(bench: Bench) -> Matched:
    need = bench.need("W7-60 R1 W")
    part = bench.part(bench.donor("W7-60 R1 W"))
    bench.drain()
    assert Alert.of(bench.workshop).get().part == part
    return bench, need, part


def on_bench(bench: Bench, part: Part, verdict: BenchTest.Verdict) -> BenchTest:
    return record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=verdict,
        method="fed through a lamp",
        tested_on=TODAY,
        tested_by=bench.technician,
    )


def held(bench: Bench, need: Need, part: Part, member: Member | None = None):
    return holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=member or bench.technician,
        now=NOW,
    )


def news(bench: Bench, kind: Alert.News) -> list[Alert]:
    return list(Alert.of(bench.workshop).filter(news=kind).order_by("id"))


def test_a_failed_test_of_a_part_in_its_machine_is_told_to_who_was_alerted(matched) -> None:
    bench, need, part = matched
    assert part.state == Part.State.IN_MACHINE
    on_bench(bench, part, BenchTest.Verdict.FAILED)
    assert not news(bench, Alert.News.FAILED)  # never inside the request
    bench.drain()
    [told] = news(bench, Alert.News.FAILED)
    assert (told.recipient, told.need, told.part) == (bench.technician, need, part)
    assert told.read_at is None
    assert need.job.ref in told.summary
    assert part.ref in told.summary
    assert "No other part stands" in told.summary
    assert "fed through a lamp" in told.reasons[0]["sentence"]
    assert (told.verdict, told.p_fit, told.p_good) == ("", None, None)
    assert not Match.of(bench.workshop).filter(part=part).exists()


def test_it_says_how_many_other_parts_stand(matched) -> None:
    bench, _, part = matched
    bench.donor("W7-60 R1 S")
    bench.donor("W7-60 R1 W")
    bench.drain()
    on_bench(bench, part, BenchTest.Verdict.FAILED)
    bench.drain()
    [told] = news(bench, Alert.News.FAILED)
    assert "2 other parts stand" in told.summary


def test_it_is_told_once_however_often_the_event_is_handled(matched) -> None:
    bench, _, part = matched
    on_bench(bench, part, BenchTest.Verdict.FAILED)
    for _ in range(3):
        bench.drain()
        OutboxEvent.of(bench.workshop).update(done_at=None)
    bench.drain()
    assert len(news(bench, Alert.News.FAILED)) == 1


def test_a_part_proved_good_again_that_fails_again_is_told_of_again(matched) -> None:
    bench, need, part = matched
    on_bench(bench, part, BenchTest.Verdict.FAILED)
    bench.drain()
    on_bench(bench, part, BenchTest.Verdict.GOOD)
    bench.drain()
    hold = held(bench, need, part)
    on_bench(bench, part, BenchTest.Verdict.FAILED)
    bench.drain()
    assert len(news(bench, Alert.News.FAILED)) == 2
    hold.refresh_from_db()
    assert hold.ended == "gone"


def test_the_database_refuses_a_second_telling(matched) -> None:
    bench, _, part = matched
    on_bench(bench, part, BenchTest.Verdict.FAILED)
    bench.drain()
    [told] = news(bench, Alert.News.FAILED)
    told.pk = None
    with pytest.raises(IntegrityError), transaction.atomic():
        told.save(force_insert=True)


def test_a_good_test_is_no_bad_news(matched) -> None:
    bench, _, part = matched
    on_bench(bench, part, BenchTest.Verdict.GOOD)
    bench.drain()
    assert not news(bench, Alert.News.FAILED)


def test_who_holds_it_is_told_and_the_hold_ends(matched) -> None:
    bench, need, part = matched
    owner = bench.members["owner"]
    hold = held(bench, need, part, owner)
    on_bench(bench, part, BenchTest.Verdict.FAILED)
    bench.drain()
    assert {one.recipient for one in news(bench, Alert.News.FAILED)} == {bench.technician, owner}
    hold.refresh_from_db()
    assert hold.ended == "gone"


@pytest.mark.parametrize("closed", ["job", "need", "member"])
def test_who_is_no_longer_waiting_is_left_in_peace(matched, closed: str) -> None:
    bench, need, part = matched
    if closed == "job":
        type(need.job).of(bench.workshop).filter(pk=need.job_id).update(state="refused")
    elif closed == "need":
        Need.of(bench.workshop).update(state="withdrawn")
    else:
        Member.of(bench.workshop).filter(pk=bench.technician.pk).update(active=False)
    on_bench(bench, part, BenchTest.Verdict.FAILED)
    bench.drain()
    assert not news(bench, Alert.News.FAILED)


def test_a_part_scrapped_by_hand_is_told_of_as_such(matched) -> None:
    bench, _, part = matched
    parting.scrap_part(workshop=bench.workshop, ref=part.ref, why="corner broken", on=TODAY)
    bench.drain()
    assert not news(bench, Alert.News.FAILED)
    [told] = news(bench, Alert.News.GONE)
    assert "was scrapped" in told.summary
    part.refresh_from_db()
    assert (part.state, part.grade, part.gone_on) == ("scrapped", "scrap", TODAY)
    assert "corner broken" in part.note
    with pytest.raises(InputRefused):
        parting.scrap_part(workshop=bench.workshop, ref=part.ref, why=" ", on=TODAY)


def fitted(bench: Bench, need: Need, part: Part, result: str, days: int | None = None) -> Outcome:
    hold = held(bench, need, part)
    why = "size" if result == "did-not-fit" else ""
    report = Report(Outcome.Result(result), TODAY, days, why=why)
    return fittings.report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)


def test_a_part_that_fails_in_use_flags_the_others_of_its_donor(matched) -> None:
    bench, need, part = matched
    donor = part.donor
    others = donor.parts.exclude(pk=part.pk)
    assert others.count() > 3
    fitted(bench, need, part, "failed", 12)
    warnings = SisterWarning.of(bench.workshop)
    assert set(warnings.values_list("part", flat=True)) == set(others.values_list("pk", flat=True))
    assert {one.failed_id for one in warnings} == {part.pk}


@pytest.mark.parametrize("result", ["worked", "did-not-fit"])
def test_other_results_flag_nothing(matched, result: str) -> None:
    bench, need, part = matched
    fitted(bench, need, part, result)
    assert not SisterWarning.of(bench.workshop).exists()


def test_a_part_that_fails_later_tells_holders_and_jobs_of_its_sisters_once(bench: Bench) -> None:
    donor = bench.donor("W7-60 R1 W")
    board, pump, valve = (
        bench.part(donor, k) for k in ("control-board", "drain-pump", "inlet-valve")
    )
    jobs = {
        kind: bench.need("W7-60 R1 W", kind=kind, technician=bench.technician)
        for kind in ("control-board", "drain-pump", "inlet-valve")
    }
    bench.drain()
    outcome = fitted(bench, jobs["control-board"], board, "worked")
    fitted(bench, jobs["drain-pump"], pump, "worked")
    held(bench, jobs["inlet-valve"], valve, bench.members["owner"])
    failed_on = TODAY + timedelta(days=3)
    fittings.report_failure(workshop=bench.workshop, outcome_id=outcome.pk, failed_on=failed_on)
    for _ in range(2):
        bench.drain()
        OutboxEvent.of(bench.workshop).update(done_at=None)
    told = {(one.recipient, one.part, one.need) for one in news(bench, Alert.News.SISTER)}
    assert told == {
        (bench.technician, pump, jobs["drain-pump"]),
        (bench.members["owner"], valve, jobs["inlet-valve"]),
    }
    assert len(news(bench, Alert.News.SISTER)) == 2
    assert all(board.ref in one.summary for one in news(bench, Alert.News.SISTER))


def test_a_passed_test_ends_a_warning_and_a_failed_or_earlier_one_does_not(matched) -> None:
    bench, need, part = matched
    fitted(bench, need, part, "failed", 1)
    pump = bench.part(part.donor, "drain-pump")
    on_bench(bench, pump, BenchTest.Verdict.NOT_MEASURED)
    assert sisters.warnings_of(bench.workshop.pk, [pump.pk])
    SisterWarning.of(bench.workshop).update(raised_on=TODAY + timedelta(days=1))
    on_bench(bench, pump, BenchTest.Verdict.GOOD)
    assert sisters.warnings_of(bench.workshop.pk, [pump.pk])  # the test came before
    SisterWarning.of(bench.workshop).update(raised_on=TODAY)
    test = on_bench(bench, pump, BenchTest.Verdict.GOOD)
    assert not sisters.warnings_of(bench.workshop.pk, [pump.pk])
    valve = bench.part(part.donor, "inlet-valve")
    on_bench(bench, valve, BenchTest.Verdict.WORN)
    assert sisters.warnings_of(bench.workshop.pk, [valve.pk])  # doubtful is not passed
    ended = SisterWarning.of(bench.workshop).get(part=pump)
    assert (ended.cleared_by_test, ended.cleared_on) == (test, TODAY)


def test_a_reason_ends_a_warning_once(matched, other_bench: Bench) -> None:
    bench, need, part = matched
    fitted(bench, need, part, "failed", 1)
    warning = SisterWarning.of(bench.workshop).first()
    assert warning is not None

    def end(whose: Bench, why: str) -> SisterWarning:
        return sisters.clear_warning(
            workshop=whose.workshop,
            warning_id=warning.pk,
            member=whose.technician,
            why=why,
            on=TODAY,
        )

    with pytest.raises(NotFound):
        end(other_bench, "not ours")
    with pytest.raises(InputRefused):
        end(bench, "  ")
    assert end(bench, "the customer dropped it").why_cleared == "the customer dropped it"
    with pytest.raises(Conflict):
        end(bench, "again")


def test_a_loose_part_has_no_sisters(bench: Bench) -> None:
    from parts.services import PartFacts, add_loose_part

    part = add_loose_part(
        workshop=bench.workshop, kind="control-board", facts=PartFacts(), received_on=TODAY
    )
    assert sisters.flag_sisters(failed=part, on=TODAY) == 0


def test_each_sister_that_fails_is_told_of(bench: Bench) -> None:
    donor = bench.donor("W7-60 R1 W")
    valve = bench.part(donor, "inlet-valve")
    need = bench.need("W7-60 R1 W", kind="inlet-valve")
    held(bench, need, valve)
    for kind in ("control-board", "drain-pump"):
        sisters.flag_sisters(failed=bench.part(donor, kind), on=TODAY)
    bench.drain()
    assert len(news(bench, Alert.News.SISTER)) == 2


def test_scrapping_by_hand_withdraws_what_was_proposed(bench: Bench) -> None:
    part = bench.part(bench.donor())
    proposal = bench.proposal(part, bench.need())
    parting.scrap_part(workshop=bench.workshop, ref=part.ref, why="corner broken", on=TODAY)
    bench.drain()
    proposal.refresh_from_db()
    assert (proposal.state, proposal.note) == ("withdrawn", "the part is gone or failed")
