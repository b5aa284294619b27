"""Who gets which part, through the database. Judge: every assignment on small worlds."""

import random
from datetime import timedelta
from itertools import product

import pytest
from django.db import IntegrityError, transaction

from matching import (
    holds,
    proposals,
    selectors,
    sharing,
    standing_proposals,
    warranty,
)
from matching.fittings import Report, report_fitting
from matching.models import (
    Alert,
    Hold,
    Job,
    KeptBack,
    LastAllocation,
    Match,
    Need,
    Outcome,
    Proposal,
)
from matching.proposals import Kept
from matching.services import NeedFacts
from matching.web.rows import need_rows
from parts import services as part_services
from parts.models import Part
from parts.services import PartFacts
from tests.factories import NOW, TODAY, Bench
from workshop import dispatcher
from workshop.errors import Conflict, InputRefused, NotFound

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(hours=49)


def loose(bench: Bench, number: str = "BRD-1", kind: str = "control-board") -> Part:
    facts = PartFacts(part_number=number)
    return part_services.add_loose_part(
        workshop=bench.workshop, kind=kind, facts=facts, received_on=TODAY
    )


def opened(bench: Bench, days: int = 0, number: str = "BRD-1", **values: object) -> Job:
    day = TODAY - timedelta(days=days)
    return bench.job(part_number=number, opened_on=day, wait_until=TODAY, **values)


def run(bench: Bench, now=NOW) -> LastAllocation:
    bench.drain()
    with transaction.atomic():
        return sharing.share_out(bench.workshop.pk, now=now)


def standing(bench: Bench) -> dict[str, str]:
    rows = Proposal.of(bench.workshop).filter(state="open").select_related("need__job", "part")
    return {one.need.job.ref: one.part.ref for one in rows}


def the_one(bench: Bench) -> Proposal:
    return Proposal.of(bench.workshop).get(state="open")


def accept(bench: Bench, proposal: Proposal, now=NOW) -> Hold:
    return proposals.accept(
        workshop=bench.workshop, proposal_id=proposal.pk, member=bench.technician, now=now
    )


def decline(bench: Bench, proposal: Proposal, note: str = "customer away") -> Proposal:
    return proposals.decline(
        workshop=bench.workshop,
        proposal_id=proposal.pk,
        member=bench.technician,
        note=note,
        now=NOW,
    )


def test_who_has_waited_longer_gets_it_and_the_other_is_told_why(bench: Bench) -> None:
    late, early = opened(bench, 3), opened(bench, 15)
    part = loose(bench)
    last = run(bench)
    assert standing(bench) == {early.ref: part.ref}
    assert (last.jobs, last.completed, last.at_most, last.proven) == (2, 1, 1, True)
    (passed,) = last.passed
    assert passed == {
        "job": late.pk,
        "need": late.needs.get().pk,
        "because": "waited",
        "part": part.pk,
        "to": early.needs.get().pk,
        "days": 12,
    }


def test_urgent_before_longer_waiting(bench: Bench) -> None:
    freezer, old = opened(bench, 1), opened(bench, 30)
    loose(bench)
    proposals.set_urgency(
        workshop=bench.workshop,
        ref=freezer.ref,
        urgency=1,
        why="a freezer",
        member=bench.technician,
        now=NOW,
    )
    last = run(bench)
    assert list(standing(bench)) == [freezer.ref]
    assert [(one["job"], one["because"]) for one in last.passed] == [(old.pk, "urgent")]


def two_needs(bench: Bench, days: int) -> Job:
    facts = [NeedFacts(kind="control-board", part_number="BRD-1"), NeedFacts(kind="heater")]
    return bench.job(needs=facts, opened_on=TODAY - timedelta(days=days), wait_until=TODAY)


def test_a_job_of_two_parts_gets_both_or_none(bench: Bench) -> None:
    """It has waited far longer, but nothing completes it: the board goes to the other."""
    both, one = two_needs(bench, 90), opened(bench, 1)
    board = loose(bench)
    assert run(bench).completed == 1
    assert standing(bench) == {one.ref: board.ref}
    heater = loose(bench, "H-1", "heater")
    Match.of(bench.workshop).filter(part=heater).update(p_fit=0.9, p_good=0.9)
    assert both.needs.count() == 2


def test_a_proposal_stands_until_it_is_answered_though_another_comes(bench: Bench) -> None:
    first = opened(bench, 3)
    part = loose(bench)
    run(bench)
    opened(bench, 30)
    run(bench)
    assert standing(bench) == {first.ref: part.ref}


def test_it_lapses_and_falls_to_the_next_who_is_told(bench: Bench) -> None:
    other, first = opened(bench, 3), opened(bench, 9)
    part = loose(bench)
    run(bench)
    assert standing(bench) == {first.ref: part.ref}
    assert dispatcher.sweep(now=LATER).failed == 0
    assert Proposal.of(bench.workshop).get().state == "lapsed"
    bench.drain()
    assert standing(bench) == {other.ref: part.ref}
    told = Alert.of(bench.workshop).filter(news="proposed")
    assert {one.job_id for one in told} == {other.pk}
    assert "falls to this job" in told[0].summary


def test_without_the_sweep_it_cannot_be_accepted_once_over(bench: Bench) -> None:
    opened(bench)
    loose(bench)
    run(bench)
    with pytest.raises(Conflict, match="ended at"):
        accept(bench, the_one(bench), now=LATER)


def test_accepted_it_is_a_hold(bench: Bench) -> None:
    job = opened(bench)
    part = loose(bench)
    run(bench)
    hold = accept(bench, the_one(bench))
    assert (hold.part, hold.need.job, hold.held_by) == (part, job, bench.technician)
    done = Proposal.of(bench.workshop).get()
    assert (done.state, done.ended_by) == ("accepted", bench.technician)
    with pytest.raises(Conflict, match="no longer stands"):
        accept(bench, done)


def test_declined_it_is_not_proposed_again_until_reopened(bench: Bench) -> None:
    job = opened(bench)
    part = loose(bench)
    run(bench)
    with pytest.raises(InputRefused) as refused:
        decline(bench, the_one(bench), note=" ")
    assert "note" in refused.value.fields
    gone = decline(bench, the_one(bench))
    run(bench)
    assert standing(bench) == {}
    proposals.reopen(workshop=bench.workshop, proposal_id=gone.pk, now=NOW)
    run(bench)
    assert standing(bench) == {job.ref: part.ref}
    with pytest.raises(Conflict):
        proposals.reopen(workshop=bench.workshop, proposal_id=gone.pk, now=NOW)


def test_by_hand_to_another_job_only_with_a_note(bench: Bench) -> None:
    other, first = opened(bench, 3), opened(bench, 9)
    part = loose(bench)
    run(bench)

    def hold(note: str) -> Hold:
        need = other.needs.get()
        return holds.hold_part(
            workshop=bench.workshop,
            part_ref=part.ref,
            need_id=need.pk,
            member=bench.technician,
            now=NOW,
            note=note,
        )

    with pytest.raises(Conflict, match=f"proposed to job {first.ref}") as refused:
        hold("")
    assert "note" in refused.value.fields
    assert hold("a family with a baby").note == "a family with a baby"
    ended = Proposal.of(bench.workshop).get()
    assert ended.state == "withdrawn"
    assert "a family with a baby" in ended.note
    run(bench)
    assert standing(bench) == {}


def test_what_is_kept_back_is_left_alone_and_what_stood_is_withdrawn(bench: Bench) -> None:
    job = opened(bench)
    part = loose(bench)
    run(bench)
    need = job.needs.get()
    for kept in (Kept(part_ref=part.ref), Kept(need_id=need.pk), Kept(part.ref, need.pk)):
        noted = Kept(kept.part_ref, kept.need_id, "keep for the shop machine")
        row = proposals.keep_back(
            workshop=bench.workshop, kept=noted, member=bench.technician, now=NOW
        )
        with pytest.raises(Conflict, match="already"):
            proposals.keep_back(
                workshop=bench.workshop, kept=noted, member=bench.technician, now=NOW
            )
        assert standing(bench) == {}
        run(bench)
        assert standing(bench) == {}
        proposals.undo_keeping(
            workshop=bench.workshop, kept_id=row.pk, member=bench.technician, now=NOW
        )
        run(bench)
        assert standing(bench) == {job.ref: part.ref}


@pytest.mark.parametrize(
    ("kept", "error"),
    [
        (Kept(note="x"), InputRefused),
        (Kept(part_ref="P-999", note="x"), NotFound),
        (Kept(need_id=999_999, note="x"), NotFound),
    ],
)
def test_nonsense_is_not_kept_back(kept: Kept, error: type[Exception], bench: Bench) -> None:
    with pytest.raises(error):
        proposals.keep_back(workshop=bench.workshop, kept=kept, member=bench.technician, now=NOW)
    assert not KeptBack.of(bench.workshop).exists()


def test_refused_repair_and_failed_part_free_what_was_proposed(bench: Bench) -> None:
    job, other = opened(bench, 9), opened(bench, 2)
    part = loose(bench)
    run(bench)
    bench.refuse(job.ref, now=NOW)
    run(bench)
    assert standing(bench) == {other.ref: part.ref}
    part_services.scrap_part(workshop=bench.workshop, ref=part.ref, why="dropped", on=TODAY)
    run(bench)
    assert standing(bench) == {}


def test_a_proposed_part_that_fails_gives_way_to_its_like_by_the_sweep(bench: Bench) -> None:
    job = opened(bench)
    parts = [loose(bench), loose(bench)]
    run(bench)
    first = the_one(bench).part
    part_services.scrap_part(workshop=bench.workshop, ref=first.ref, why="dropped", on=TODAY)
    bench.drain()
    bench.drain()
    dispatcher.sweep(now=NOW)
    bench.drain()
    (other,) = [part for part in parts if part.pk != first.pk]
    assert standing(bench) == {job.ref: other.ref}


def test_one_that_is_over_and_not_swept_yet_does_not_stop_the_run(bench: Bench) -> None:
    other, first = opened(bench, 3), opened(bench, 9)
    part = loose(bench)
    run(bench)
    run(bench, now=LATER)
    assert Proposal.of(bench.workshop).get(need__job=first).state == "lapsed"
    assert standing(bench) == {other.ref: part.ref}


def test_a_part_that_failed_when_fitted_has_no_warranty(bench: Bench) -> None:
    job, part = opened(bench), loose(bench)
    run(bench)
    hold = accept(bench, the_one(bench))
    report = Report(Outcome.Result.FAILED, TODAY, 0)
    report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)
    part.refresh_from_db()
    assert part.warranty_until is None
    assert job.needs.get().state == "open"


@pytest.mark.parametrize(("days", "until"), [(None, 30), (7, 7), (0, None)])
def test_warranty_is_given_by_the_guide_or_as_set_and_stays(
    days: int | None, until: int | None, bench: Bench
) -> None:
    if days is not None:
        warranty.set_days(workshop=bench.workshop, grade="untested", days=days)
    opened(bench)
    part = loose(bench)
    run(bench)
    hold = accept(bench, the_one(bench))
    report = Report(Outcome.Result.WORKED, TODAY)
    report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)
    warranty.set_days(workshop=bench.workshop, grade="untested", days=99)
    part.refresh_from_db()
    assert part.warranty_until == (TODAY + timedelta(days=until) if until else None)
    if until:
        assert warranty.within(part, day=TODAY + timedelta(days=until))
        assert not warranty.within(part, day=TODAY + timedelta(days=until + 1))


def test_a_proposal_is_shown_though_its_part_is_not_among_the_best_offers(bench: Bench) -> None:
    job = opened(bench)
    proposed = bench.proposal(loose(bench), job.needs.get())
    Match.of(bench.workshop).delete()
    (row,) = need_rows(bench.workshop, selectors.get_job(bench.workshop, job.ref), now=NOW)
    assert (row.proposal, row.offers) == (proposed, [])


def test_dearer_than_the_need_may_cost_is_not_proposed(bench: Bench) -> None:
    opened(bench, max_price_cents=1000)
    part = loose(bench)
    Part.of(bench.workshop).filter(pk=part.pk).update(price_cents=1001)
    run(bench)
    assert standing(bench) == {}
    Part.of(bench.workshop).filter(pk=part.pk).update(price_cents=1000)
    run(bench)
    assert len(standing(bench)) == 1


def test_what_changed_has_it_worked_out_by_the_sweep(bench: Bench) -> None:
    job = opened(bench)
    part = loose(bench)
    bench.drain()
    assert dispatcher.sweep(now=NOW).failed == 0
    bench.drain()
    assert standing(bench) == {job.ref: part.ref}
    assert LastAllocation.of(bench.workshop).get().due is False
    accept(bench, the_one(bench))
    bench.drain()
    assert LastAllocation.of(bench.workshop).get().due is True


def test_a_touch_while_the_first_is_worked_out_is_not_lost(bench: Bench) -> None:
    opened(bench)
    for _ in range(2):  # the first one, and one after it
        worked = sharing.work_out(bench.workshop.pk, now=NOW)
        sharing.note_touched(bench.workshop.pk)  # by another dispatcher, meanwhile
        with transaction.atomic():
            assert sharing.store(bench.workshop.pk, worked, now=NOW).due is True
        assert bench.workshop.pk in sharing.due()


def test_asked_for_twice_it_is_worked_out_once(bench: Bench) -> None:
    proposals.work_out_now(workshop=bench.workshop)
    with transaction.atomic():
        assert standing_proposals.ask_for_run(bench.workshop.pk) is False


def test_another_workshop_is_neither_read_nor_written(bench: Bench, other_bench: Bench) -> None:
    opened(bench)
    loose(bench)
    opened(other_bench)
    loose(other_bench)
    other_bench.drain()
    run(bench)
    assert not Proposal.of(other_bench.workshop).exists()
    theirs = the_one(bench)
    with pytest.raises(NotFound):
        proposals.accept(
            workshop=other_bench.workshop,
            proposal_id=theirs.pk,
            member=other_bench.technician,
            now=NOW,
        )


def test_one_proposal_a_part_and_a_need_by_the_database(bench: Bench) -> None:
    opened(bench)
    loose(bench)
    run(bench)
    one = the_one(bench)
    one.pk = None
    with pytest.raises(IntegrityError), transaction.atomic():
        one.save(force_insert=True)


def judge(jobs: list[Job], odds: dict[tuple[int, int], bool], parts: list[int]) -> tuple[int, int]:
    """Return (most jobs completed, then most days waited) over every assignment there is."""
    needs = [need for job in jobs for need in job.needs.all()]
    best = (0, 0)
    for choice in product([None, *parts], repeat=len(needs)):
        used = [part for part in choice if part is not None]
        if len(set(used)) < len(used):
            continue
        given = {need.pk: part for need, part in zip(needs, choice, strict=True) if part}
        if any(not odds.get(pair) for pair in given.items()):
            continue
        done = [job for job in jobs if all(need.pk in given for need in job.needs.all())]
        best = max(best, (len(done), sum((TODAY - job.opened_on).days for job in done)))
    return best


@pytest.mark.parametrize("seed", range(6))
def test_never_less_than_the_best_of_every_assignment(seed: int, bench: Bench) -> None:
    dice = random.Random(seed)
    jobs = [
        two_needs(bench, dice.randint(0, 40))
        if dice.random() < 0.4
        else opened(bench, dice.randint(0, 40))
        for _ in range(3)
    ]
    made = [loose(bench) for _ in range(2)] + [loose(bench, "H-1", "heater") for _ in range(1)]
    bench.drain()
    Match.of(bench.workshop).delete()
    odds = {}
    for need in Need.of(bench.workshop).all():
        for part in made:
            if part.kind_id == need.kind_id and dice.random() < 0.6:
                odds[need.pk, part.pk] = True
                Match.objects.create(
                    workshop=bench.workshop,
                    need=need,
                    part=part,
                    verdict="likely-fits",
                    score_bits=3,
                    p_fit=0.9,
                    p_good=0.8,
                    worth=0.72,
                    scored_at=NOW,
                )
    with transaction.atomic():
        last = sharing.share_out(bench.workshop.pk, now=NOW)
    completed = [job for job in jobs if job.pk not in {one["job"] for one in last.passed}]
    days = sum((TODAY - job.opened_on).days for job in completed)
    assert (last.completed, days) == judge(jobs, odds, [part.pk for part in made])
    given = {one.need_id: one.part_id for one in Proposal.of(bench.workshop).all()}
    assert all(odds.get(pair) for pair in given.items())
