"""What waiting needs can count on, and that machines are weighed by what is left of it."""

from collections.abc import Callable

import pytest

from matching import cover, holds, looking_for
from matching.break_value import break_value
from matching.listings.worth import weigh_listing
from matching.models import Match, Need, Proposal
from matching.selectors import get_job
from matching.services import NeedFacts
from matching.strip_values import waiting_for
from matching.waiting_odds import Counting
from parts.models import Part
from tests.factories import NOW, TODAY, Bench
from workshop.models import Workshop

pytestmark = pytest.mark.django_db


def shelved(bench: Bench) -> Part:
    part = bench.part(bench.donor())
    Part.of(bench.workshop).filter(pk=part.pk).update(state=Part.State.SHELVED)
    return part


def free_by_hand(bench: Bench, needs: list[Need]) -> dict[int, float]:
    """Judge: each need's matches in Python, best first, each part once."""
    found: dict[int, float] = {}
    used: set[int] = set()
    matches = [one for need in needs for one in need.matches.select_related("part")]
    for one in sorted(matches, key=lambda one: (-one.worth, one.need_id, one.part_id)):
        spoken = one.part.holds.filter(released_at=None).exists()
        spoken = spoken or one.part.proposals.filter(state="open").exists()
        shut = one.part.proposals.filter(need=one.need_id, state__in=["declined", "lapsed"])
        back = one.part.kept_back.filter(need=None) | one.need.kept_back.filter(part=None)
        if one.part.state == "in-machine" or spoken or shut.exists() or back.exists():
            continue
        if one.need_id not in found and one.part_id not in used:
            found[one.need_id] = one.worth
            used.add(one.part_id)
    return found


Turn = Callable[[Bench, Part, Need], object]
TURNS: dict[str, Turn] = {
    "free": lambda bench, part, need: None,
    "lapsed": lambda bench, part, need: bench.proposal(part, need, state="lapsed", ended_at=NOW),
    "part kept back": lambda bench, part, need: bench.kept_back(part=part),
    "need kept back": lambda bench, part, need: bench.kept_back(need=need),
    "still in its machine": lambda bench, part, need: (
        Part.of(bench.workshop).filter(pk=part.pk).update(state=Part.State.IN_MACHINE)
    ),
}


@pytest.mark.parametrize("turn", TURNS)
def test_what_is_free_on_the_shelf_covers_one_need_each(bench: Bench, turn: str) -> None:
    parts = [shelved(bench), shelved(bench)]
    needs = [bench.job().needs.get() for _ in range(3)]
    bench.drain()
    TURNS[turn](bench, parts[0], needs[0])
    found = cover.of_needs(bench.workshop, [need.pk for need in needs])
    assert found.by_need == pytest.approx(free_by_hand(bench, needs))
    assert len(found.by_need) == {"free": 2, "lapsed": 2, "need kept back": 2}.get(turn, 1)


def test_what_is_promised_covers_whom_it_is_promised_to(bench: Bench) -> None:
    part = bench.part(bench.donor())
    first, second = (bench.job().needs.get() for _ in range(2))
    bench.drain()
    bench.proposal(part, first)
    found = cover.of_needs(bench.workshop, [first.pk, second.pk])
    assert found.by_need == {first.pk: Match.of(bench.workshop).get(need=first).worth}
    assert found.promised == {part.pk: first.pk}


def test_a_persons_hold_counts_whatever_its_odds(bench: Bench) -> None:
    part = bench.part(bench.donor())
    need = bench.job().needs.get()
    bench.drain()
    Match.of(bench.workshop).filter(part=part, need=need).update(worth=0.3)
    bench.proposal(part, need)
    assert not cover.of_needs(bench.workshop, [need.pk]).is_served(need.pk)
    holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    found = cover.of_needs(bench.workshop, [need.pk])
    assert found.is_served(need.pk)
    assert found.lacks(need.pk) == pytest.approx(0.7)


def test_a_second_donor_is_not_paid_for_the_same_job(bench: Bench) -> None:
    """Two machines alike, one job: the one whose part is proposed to it is wanted for it."""
    one, two = (bench.part(bench.donor()) for _ in range(2))
    job = bench.job(needs=[NeedFacts(kind="control-board", max_price_cents=9_000)])
    bench.drain()
    before = waiting_for(bench.workshop, [two.pk])[two.pk]
    assert (before.job_ref, before.lacks) == (job.ref, 1.0)
    bench.proposal(one, job.needs.get())
    assert waiting_for(bench.workshop, [one.pk])[one.pk].lacks == 1.0
    after = waiting_for(bench.workshop, [two.pk]).get(two.pk)
    worth = Match.of(bench.workshop).get(part=one).worth
    assert after is None or after.lacks == pytest.approx(1 - worth)


def test_one_need_is_counted_for_one_part_of_a_donor(bench: Bench) -> None:
    donor = bench.donor()
    Part.of(bench.workshop).filter(donor=donor, kind="inlet-valve").update(
        kind="control-board", position="other"
    )
    bench.job()
    bench.drain()
    ids = list(Part.of(bench.workshop).filter(donor=donor).values_list("pk", flat=True))
    assert Match.of(bench.workshop).count() > 1
    assert len(waiting_for(bench.workshop, ids)) == 1


def breaking(bench: Bench, ref: str):
    searcher = Counting(bench.workshop.pk, on=TODAY).searcher
    return break_value(bench.workshop, get_job(bench.workshop, ref), searcher, on=TODAY)


def test_a_machine_is_not_broken_for_jobs_that_are_served(bench: Bench) -> None:
    mine = bench.job(kind="drain-pump")
    wants = bench.job(needs=[NeedFacts(kind="control-board", max_price_cents=9_000)])
    alone = breaking(bench, mine.ref)
    assert [one.job for one in alone.serves] == [wants.ref]
    part = shelved(bench)
    bench.drain()
    Match.of(bench.workshop).filter(part=part).update(p_fit=1.0, p_good=0.97, worth=0.97)
    assert breaking(bench, mine.ref).serves == ()
    # Promised to somebody else, the part on the shelf is no help to this job.
    bench.proposal(part, bench.job().needs.get())
    assert [one.job for one in breaking(bench, mine.ref).serves] == [wants.ref]


def test_a_job_that_lacks_another_part_too_is_not_served_by_breaking(bench: Bench) -> None:
    mine = bench.job(kind="drain-pump")
    both = [
        NeedFacts(kind="control-board", max_price_cents=9_000),
        NeedFacts(kind="drain-pump", max_price_cents=3_000),
    ]
    bench.job(needs=both)
    assert breaking(bench, mine.ref).serves == ()


def test_the_work_for_what_others_wait_for_is_charged(bench: Bench) -> None:
    """An hour so dear that nothing pays by itself: the one part somebody waits for does."""
    Workshop.objects.filter(pk=bench.workshop.pk).update(strip_rate_per_min=20)
    bench.workshop.refresh_from_db()
    mine = bench.job(kind="drain-pump")
    without = breaking(bench, mine.ref)
    assert (without.parts, without.minutes) == (0, 0)
    bench.job(needs=[NeedFacts(kind="control-board", max_price_cents=50_000)])
    found = breaking(bench, mine.ref)
    assert [one.margin > 400 for one in found.serves] == [True]
    assert found.minutes > without.minutes


def test_a_listing_is_not_paid_for_by_a_job_that_has_its_part(bench: Bench) -> None:
    job = bench.job(needs=[NeedFacts(kind="control-board", max_price_cents=9_000)])
    row = bench.listing()
    bench.drain()

    def served():
        return {one.job.ref: one for one in weigh_listing(bench.workshop, row, on=TODAY).served}

    assert served()[job.ref].gain > 0.5
    part = shelved(bench)
    bench.drain()
    Match.of(bench.workshop).filter(part=part).update(p_fit=1.0, p_good=0.97, worth=0.97)
    after = served()[job.ref]
    assert not after.counted
    assert after.why == "it has its parts promised or on the shelf"
    assert after.gain < 0.05


def test_nobody_is_sent_to_look_for_what_is_promised(bench: Bench) -> None:
    job = bench.job()
    bench.drain()
    look = next(
        one
        for one in looking_for.looks(bench.workshop)
        if looking_for.Thinker(bench.workshop, now=NOW).think(one).promises
    )
    thinker = looking_for.Thinker(bench.workshop, now=NOW)
    assert {one.job for one in thinker.think(look).promises} == {job.pk}
    part = bench.part(bench.donor("K3-60 R1 W"))
    bench.proposal(part, job.needs.get())
    assert thinker.think(look).promises == []
    Proposal.of(bench.workshop).update(state="withdrawn", ended_at=NOW)
    assert {one.job for one in thinker.think(look).promises} == {job.pk}
