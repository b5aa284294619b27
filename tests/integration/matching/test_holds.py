"""Holds, fittings and their outcomes."""

from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction

from matching import fittings, holds, services
from matching.models import Hold, Job, Match, Need, Outcome
from parts.models import Part
from tests.factories import NOW, TODAY, Bench
from workshop import dispatcher
from workshop.errors import Conflict, InputRefused, NotFound

pytestmark = pytest.mark.django_db


@pytest.fixture
def matched(bench: Bench) -> tuple[Bench, Need, Part]:
    need = bench.need("W7-60 R1 W")
    part = bench.part(bench.donor("W7-60 R1 W"))
    bench.drain()
    return bench, need, part


def hold(bench: Bench, need: Need, part: Part) -> Hold:
    return holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )


def test_a_held_part_cannot_be_held_again_and_the_sentence_says_for_whom(matched) -> None:
    bench, need, part = matched
    hold(bench, need, part)
    other = bench.need("W7-60 R1 W")
    with pytest.raises(Conflict) as refused:
        hold(bench, other, part)
    assert need.job.ref in refused.value.message
    assert "millrace-technician" in refused.value.message
    assert Hold.of(bench.workshop).count() == 1


def test_holding_twice_for_the_same_need_is_one_hold(matched) -> None:
    bench, need, part = matched
    assert hold(bench, need, part) == hold(bench, need, part)


def test_the_database_refuses_a_second_standing_hold(matched) -> None:
    bench, need, part = matched
    first = hold(bench, need, part)
    with pytest.raises(IntegrityError), transaction.atomic():
        Hold.objects.create(
            workshop=bench.workshop,
            part=part,
            need=need,
            held_by=first.held_by,
            held_at=NOW,
            expires_at=NOW + timedelta(days=1),
        )


def test_released_then_held_by_the_next(matched) -> None:
    bench, need, part = matched
    first = hold(bench, need, part)
    holds.release_hold(workshop=bench.workshop, hold_id=first.pk, now=NOW)
    second = hold(bench, bench.need("W7-60 R1 W"), part)
    assert second.released_at is None
    with pytest.raises(Conflict, match="ended already"):
        holds.release_hold(workshop=bench.workshop, hold_id=first.pk, now=NOW)


def test_a_hold_lapses_by_the_sweep_and_at_once_when_another_asks(matched) -> None:
    bench, need, part = matched
    first = hold(bench, need, part)
    later = first.expires_at + timedelta(seconds=1)
    other = bench.need("W7-60 R1 W")
    taken = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=other.pk,
        member=bench.technician,
        now=later,
    )
    first.refresh_from_db()
    assert (first.ended, taken.need) == (Hold.Ended.LAPSED, other)
    assert dispatcher.sweep(now=taken.expires_at) == 1
    assert dispatcher.sweep(now=taken.expires_at) == 0


def test_a_part_of_another_kind_or_a_scrap_part_cannot_be_held(matched) -> None:
    bench, need, part = matched
    pump = bench.part(part.donor, "drain-pump")
    with pytest.raises(Conflict, match="drain pump"):
        hold(bench, need, pump)
    Part.of(bench.workshop).filter(pk=part.pk).update(grade="scrap")
    with pytest.raises(Conflict, match="scrap"):
        hold(bench, need, part)


def test_a_hold_across_workshops_is_not_found(matched, other_bench: Bench) -> None:
    bench, need, part = matched
    with pytest.raises(NotFound):
        hold(other_bench, need, part)
    theirs = other_bench.need("W7-60 R1 W")
    with pytest.raises(NotFound):
        hold(bench, theirs, part)


def report(result: str, **more: object) -> fittings.Report:
    return fittings.Report(result=Outcome.Result(result), fitted_on=TODAY, **more)  # type: ignore[arg-type]


def test_worked_uses_the_part_up_fills_the_need_and_closes_the_job(matched) -> None:
    bench, need, part = matched
    standing = hold(bench, need, part)
    outcome = fittings.report_fitting(
        workshop=bench.workshop, hold_id=standing.pk, report=report("worked"), now=NOW
    )
    for row in (standing, part, need):
        row.refresh_from_db()
    assert (standing.ended, part.state, need.state) == ("fitted", "fitted", "filled")
    assert Job.of(bench.workshop).get().state == Job.State.DONE
    assert outcome.donor_model_number == "W7-60 R1 W"
    assert outcome.learned["job"]["family"] == "W7"
    bench.drain()
    assert not Match.of(bench.workshop).filter(part=part).exists()


def test_did_not_fit_gives_the_part_back_and_teaches_the_matching(matched) -> None:
    bench, need, part = matched
    before = Match.of(bench.workshop).get(need=need, part=part).p_fit
    standing = hold(bench, need, part)
    fittings.report_fitting(
        workshop=bench.workshop, hold_id=standing.pk, report=report("did-not-fit"), now=NOW
    )
    bench.drain()
    part.refresh_from_db()
    need.refresh_from_db()
    assert (part.state, need.state) == (Part.State.REMOVED, Need.State.OPEN)
    found = Match.of(bench.workshop).filter(need=need, part=part).first()
    assert found is None or found.p_fit < before


def test_failed_scraps_the_part_and_keeps_the_need_open(matched) -> None:
    bench, need, part = matched
    standing = hold(bench, need, part)
    fittings.report_fitting(
        workshop=bench.workshop,
        hold_id=standing.pk,
        report=report("failed", days_to_failure=3),
        now=NOW,
    )
    part.refresh_from_db()
    need.refresh_from_db()
    assert (part.state, need.state) == (Part.State.SCRAPPED, Need.State.OPEN)


def test_days_to_failure_without_a_failure_is_refused(matched) -> None:
    bench, need, part = matched
    standing = hold(bench, need, part)
    with pytest.raises(InputRefused, match="did not fail"):
        fittings.report_fitting(
            workshop=bench.workshop,
            hold_id=standing.pk,
            report=report("worked", days_to_failure=3),
            now=NOW,
        )
    assert not Outcome.of(bench.workshop).exists()


def test_a_part_that_failed_later_counts_its_days(matched) -> None:
    bench, need, part = matched
    standing = hold(bench, need, part)
    outcome = fittings.report_fitting(
        workshop=bench.workshop, hold_id=standing.pk, report=report("worked"), now=NOW
    )
    failed = fittings.report_failure(
        workshop=bench.workshop, outcome_id=outcome.pk, failed_on=date(2026, 12, 20)
    )
    assert (failed.result, failed.days_to_failure) == (Outcome.Result.FAILED, 30)
    with pytest.raises(Conflict):
        fittings.report_failure(
            workshop=bench.workshop, outcome_id=outcome.pk, failed_on=date(2026, 12, 21)
        )


def test_a_refused_repair_releases_its_holds_the_same_day(matched) -> None:
    bench, need, part = matched
    standing = hold(bench, need, part)
    services.refuse_repair(workshop=bench.workshop, ref=need.job.ref, now=NOW)
    standing.refresh_from_db()
    need.refresh_from_db()
    assert (standing.ended, need.state) == ("released", "withdrawn")
    assert not Match.of(bench.workshop).filter(need=need).exists()
    with pytest.raises(Conflict, match="withdrawn"):
        hold(bench, need, part)
