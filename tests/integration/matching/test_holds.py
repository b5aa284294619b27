"""Holds, fittings and their outcomes."""

import threading
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import IntegrityError, connection, transaction

from matching import fittings, holds, matcher
from matching.models import Hold, Job, Match, Need, Outcome
from parts import services as part_services
from parts.models import Part
from parts.services import PartFacts
from tests.factories import NOW, TODAY, Bench, make_bench
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
    assert dispatcher.sweep(now=taken.expires_at).failed == 0
    taken.refresh_from_db()
    assert taken.ended == Hold.Ended.LAPSED
    assert holds.lapse_holds(now=taken.expires_at) == 0


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
    if result == "did-not-fit":
        more.setdefault("why", "connector")
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
    assert before > 0
    assert not Match.of(bench.workshop).filter(need=need, part=part).exists()


def test_a_part_that_did_not_fit_a_job_is_not_held_for_it_again_but_for_another(matched) -> None:
    bench, need, part = matched
    standing = hold(bench, need, part)
    fittings.report_fitting(
        workshop=bench.workshop, hold_id=standing.pk, report=report("did-not-fit"), now=NOW
    )
    with pytest.raises(Conflict, match="tried for this job before and did not fit"):
        hold(bench, need, part)
    assert hold(bench, bench.need("W7-60 R1 W"), part).released_at is None


def test_a_part_of_another_voltage_is_not_held(bench: Bench) -> None:
    need = bench.need("W7-60 R1 W", attributes={"voltage_v": "230"})
    part = bench.part(bench.donor("W7-60 R1 W"))
    facts = PartFacts(attributes={"voltage_v": "120 V"})
    part_services.describe_part(workshop=bench.workshop, ref=part.ref, facts=facts)
    with pytest.raises(Conflict, match="Conflict in voltage v: the part has 120 V"):
        hold(bench, need, part)
    assert not Hold.of(bench.workshop).exists()


def test_a_part_graded_scrap_after_the_hold_is_not_reported_as_working(matched) -> None:
    bench, need, part = matched
    standing = hold(bench, need, part)
    Part.of(bench.workshop).filter(pk=part.pk).update(grade="scrap")
    with pytest.raises(Conflict, match="graded scrap"):
        fittings.report_fitting(
            workshop=bench.workshop, hold_id=standing.pk, report=report("worked"), now=NOW
        )
    assert not Outcome.of(bench.workshop).exists()


def test_a_need_closed_while_its_parts_are_scored_gets_no_match(matched, monkeypatch) -> None:
    bench, need, _ = matched
    search = matcher.Searcher.search

    def refuse_meanwhile(*args: object) -> object:
        found = search(*args)  # type: ignore[arg-type]
        bench.refuse(need.job.ref, now=NOW)
        return found

    monkeypatch.setattr(matcher.Searcher, "search", refuse_meanwhile)
    with transaction.atomic():
        matcher.match_needs(bench.workshop.pk, [need.pk], now=NOW)
    assert not Match.of(bench.workshop).filter(need=need).exists()


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
    bench.refuse(need.job.ref, now=NOW)
    standing.refresh_from_db()
    need.refresh_from_db()
    assert (standing.ended, need.state) == ("released", "withdrawn")
    assert not Match.of(bench.workshop).filter(need=need).exists()
    with pytest.raises(Conflict, match="withdrawn"):
        hold(bench, need, part)


@pytest.fixture
def raced(transactional_db: None) -> tuple[Bench, Need, Part]:
    """A need and its part, committed, on a database that locks rows."""
    if not connection.features.has_select_for_update:
        pytest.skip("SQLite locks the whole file")
    bench = make_bench("millrace")
    need, part = bench.need("W7-60 R1 W"), bench.part(bench.donor("W7-60 R1 W"))
    bench.drain()
    return bench, need, part


def race(
    monkeypatch: pytest.MonkeyPatch, first: Callable[[], object], second: Callable[[], object]
) -> list[BaseException | None]:
    """Start `second` while `first`, a hold, has its part and need locked. Return the errors."""
    locked, errors = threading.Event(), dict.fromkeys(("first", "second"))
    refuse_unfit = holds._refuse_unfit
    pause = threading.Event()

    def slow(part: Part, need: Need) -> None:
        refuse_unfit(part, need)
        locked.set()
        pause.wait(0.5)

    def run(name: str, act: Callable[[], object]) -> None:
        try:
            act()
        except Exception as error:
            errors[name] = error
        finally:
            connection.close()

    monkeypatch.setattr(holds, "_refuse_unfit", slow)
    threads = [
        threading.Thread(target=run, args=pair) for pair in (("first", first), ("second", second))
    ]
    threads[0].start()
    assert locked.wait(5)
    threads[1].start()
    for thread in threads:
        thread.join(10)
    return list(errors.values())


def test_no_hold_outlives_a_refusal_that_comes_while_it_is_made(raced, monkeypatch) -> None:
    bench, need, part = raced
    errors = race(
        monkeypatch,
        lambda: hold(bench, need, part),
        lambda: bench.refuse(need.job.ref),
    )
    assert errors == [None, None]
    assert not Hold.of(bench.workshop).filter(released_at__isnull=True).exists()


def test_a_report_and_a_hold_that_ends_the_same_old_hold_do_not_deadlock(
    raced, monkeypatch
) -> None:
    bench, need, part = raced
    old = hold(bench, need, part)
    other = bench.need("W7-60 R1 W")
    late = {"part_ref": part.ref, "need_id": other.pk, "member": bench.technician}
    errors = race(
        monkeypatch,
        lambda: holds.hold_part(workshop=bench.workshop, now=old.expires_at, **late),
        lambda: fittings.report_fitting(
            workshop=bench.workshop, hold_id=old.pk, report=report("worked"), now=NOW
        ),
    )
    assert errors[0] is None
    assert isinstance(errors[1], Conflict)
    assert holds.standing_hold(part).need == other


@pytest.mark.parametrize(
    ("result", "why"), [("did-not-fit", ""), ("did-not-fit", "colour"), ("worked", "size")]
)
def test_why_is_said_when_it_did_not_fit_and_only_then(result: str, why: str, matched) -> None:
    bench, need, part = matched
    standing = hold(bench, need, part)
    with pytest.raises(InputRefused) as refused:
        fittings.report_fitting(
            workshop=bench.workshop, hold_id=standing.pk, report=report(result, why=why), now=NOW
        )
    assert "why" in refused.value.fields
    assert not Outcome.of(bench.workshop).exists()
