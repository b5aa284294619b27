"""Holds, proposals and allocations that collide (reliability plan, rows 4 and 14)."""

from datetime import timedelta

import pytest
from django.utils import timezone

from matching import holds
from matching.models import Hold, Need, Proposal
from matching.sharing import share_out
from parts import services as part_services
from parts.models import Part
from parts.services import PartFacts
from tests.factories import TODAY, Bench, make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("races")]

PARTS, ROUNDS = size(12, 60), size(4, 20)


def stocked() -> Bench:
    """As many boards as jobs that need one, each job waiting longer than the one after."""
    bench = make_bench("millrace")
    for number in range(PARTS):
        facts = PartFacts(part_number="BRD-1")
        part_services.add_loose_part(
            workshop=bench.workshop, kind="control-board", facts=facts, received_on=TODAY
        )
        day = TODAY - timedelta(days=PARTS - number)
        bench.job(part_number="BRD-1", opened_on=day, wait_until=TODAY)
    bench.drain()
    return bench


def proposed(bench: Bench) -> None:
    from django.db import transaction

    with transaction.atomic():
        share_out(bench.workshop.pk, now=timezone.now())
    assert Proposal.of(bench.workshop).filter(state="open").count() == PARTS


def crossings() -> int:
    """Return how many parts, or needs, are held while they are proposed otherwise."""
    held = list(Hold.objects.unscoped().filter(released_at__isnull=True))
    open_now = list(Proposal.objects.unscoped().filter(state="open"))
    parts = {one.part_id for one in held} & {one.part_id for one in open_now}
    needs = {one.need_id for one in held} & {one.need_id for one in open_now}
    return len(parts) + len(needs)


def test_nothing_held_by_hand_is_proposed_to_another(race: Race) -> None:
    stocked()
    done = race(
        [{"task": "share", "act": "allocate", "rounds": ROUNDS}] * 2
        + [{"task": "share", "act": "hold", "rounds": 1}] * 2
    )
    assert sum(one["errors"] for one in done) == 0
    assert done[0]["done"] == done[1]["done"] == ROUNDS
    assert crossings() == 0
    assert Proposal.objects.unscoped().filter(state="open").exists()


def test_control_proposing_what_was_free_when_read_crosses_holds(race: Race) -> None:
    """Without looking again under the parts' locks, what is held meanwhile is proposed too."""
    stocked()
    done = race([{"task": "share_late", "side": side} for side in ("allocate", "hold")])
    assert sum(one["held"] for one in done) == PARTS // 2
    assert crossings() >= PARTS // 2


def test_a_proposal_is_accepted_once(race: Race) -> None:
    bench = stocked()
    proposed(bench)
    done = race([{"task": "share", "act": "accept", "rounds": 1}] * 3)
    assert sum(one["errors"] for one in done) == 0
    assert sum(one["done"] for one in done) == PARTS
    assert Hold.of(bench.workshop).filter(released_at__isnull=True).count() == PARTS
    assert set(Proposal.of(bench.workshop).values_list("state", flat=True)) == {"accepted"}


def test_refused_repairs_keep_nothing_that_was_accepted_meanwhile(race: Race) -> None:
    bench = stocked()
    proposed(bench)
    done = race([{"task": "share", "act": act, "rounds": 1} for act in ("accept", "refuse")])
    assert sum(one["errors"] for one in done) == 0
    assert done[1]["done"] == PARTS
    assert not Hold.of(bench.workshop).filter(released_at__isnull=True).exists()
    assert not Proposal.of(bench.workshop).filter(state="open").exists()
    assert set(Need.of(bench.workshop).values_list("state", flat=True)) == {"withdrawn"}


def test_parts_swapped_by_hand_while_proposals_lapse(race: Race) -> None:
    """Each hold crosses the proposals of the other: locked in one order, none waits in a ring."""
    bench = stocked()
    proposed(bench)
    acts = ("swap", "swap", "lapse-proposals")
    done = race([{"task": "share", "act": act, "rounds": ROUNDS} for act in acts])
    assert sum(one["errors"] for one in done) == 0
    assert done[0]["done"] + done[1]["done"] == PARTS
    assert crossings() == 0
    assert not Proposal.of(bench.workshop).filter(state="open").exists()


def test_a_hold_that_lapses_while_it_is_fitted_ends_in_one_way(race: Race) -> None:
    bench = stocked()
    needs = Need.of(bench.workshop).order_by("id")
    for part, need in zip(Part.of(bench.workshop).order_by("id"), needs, strict=True):
        holds.hold_part(
            workshop=bench.workshop,
            part_ref=part.ref,
            need_id=need.pk,
            member=bench.technician,
            now=timezone.now(),
        )
    done = race([{"task": "share", "act": act, "rounds": ROUNDS} for act in ("fit", "lapse")])
    assert sum(one["errors"] for one in done) == 0
    ended = dict(Hold.of(bench.workshop).values_list("part_id", "ended"))
    fitted = set(Part.of(bench.workshop).filter(state="fitted").values_list("pk", flat=True))
    assert fitted == {part for part, how in ended.items() if how == "fitted"}
    assert set(ended.values()) <= {"fitted", "lapsed"}
    assert len(fitted) == done[0]["done"]
