"""Promises under collision (reliability plan, rows 1, 3, 4). Each has a negative control."""

from datetime import date

import pytest
from django.db import connection

from donors.models import Donor
from matching.models import Alert, Hold, Need
from parts import services as part_services
from parts.models import Interchange, PartNumber
from parts.services import PartFacts
from tests.factories import Bench, make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db(transaction=True)

RACERS, PARTS = size(6, 8), size(60, 150)
CONTROL_RACERS, CONTROL_PARTS = 6, 60
# 2,000 pairs arrive in blocks: all in one stock would each be offered to all the others.
ROUNDS, BLOCKS = 40, size(1, 50)
CIRCLES = size(40, 200)


def stock(bench: Bench, parts: int, racers: int) -> None:
    for _ in range(parts):
        part_services.add_loose_part(
            workshop=bench.workshop,
            kind="control-board",
            facts=PartFacts(part_number="BRD-1"),
            received_on=date(2026, 11, 1),
        )
    for _ in range(racers):
        bench.need()


def doubles() -> int:
    standing = Hold.objects.unscoped().filter(released_at__isnull=True)
    return standing.count() - standing.values("part").distinct().count()


@pytest.mark.xdist_group("races")
def test_no_part_is_ever_held_twice(race: Race) -> None:
    bench = make_bench("millrace")
    stock(bench, PARTS, RACERS)
    done = race([{"task": "hold_all", "naive": False}] * RACERS)
    assert sum(one["errors"] for one in done) == 0
    assert sum(one["held"] for one in done) == PARTS  # none left free, none given twice
    assert doubles() == 0


@pytest.mark.xdist_group("races")
def test_control_looking_first_and_writing_then_holds_twice(race: Race) -> None:
    """Without the constraint the naive way must fail, or the test above proves nothing."""
    bench = make_bench("millrace")
    stock(bench, CONTROL_PARTS, CONTROL_RACERS)
    index = next(c for c in Hold._meta.constraints if c.name == "hold_one_per_part")
    with connection.schema_editor() as editor:
        editor.remove_constraint(Hold, index)
    try:
        race([{"task": "hold_all", "naive": True}] * CONTROL_RACERS)
        assert doubles() == CONTROL_PARTS * (CONTROL_RACERS - 1)
    finally:
        Hold.objects.unscoped().delete()
        with connection.schema_editor() as editor:
            editor.add_constraint(Hold, index)


def missing() -> int:
    """Count pairs (donor, job) of one round that never heard of each other."""
    told = set(Alert.objects.unscoped().values_list("arrival", "need__job__ref"))
    donors = Donor.objects.unscoped().order_by("id")
    return sum((donor.arrival, donor.ref.replace("D", "J")) not in told for donor in donors)


def collide(race: Race, *, inline: bool) -> Bench:
    bench = make_bench("millrace")
    order = {"task": "arrive", "rounds": ROUNDS, "inline": inline}
    race([{**order, "side": "donor"}, {**order, "side": "job"}])
    if inline:
        OutboxEvent.objects.unscoped().all().delete()
    return bench


@pytest.mark.xdist_group("races")
@pytest.mark.parametrize("block", range(BLOCKS))
def test_a_job_and_its_donor_that_arrive_at_once_find_each_other(race: Race, block: int) -> None:
    collide(race, inline=False)
    done = race([{"task": "dispatch"}] * 3)
    assert sum(one["failed"] for one in done) == 0
    assert not OutboxEvent.objects.unscoped().filter(done_at__isnull=True).exists()
    pairs = Need.objects.unscoped().filter(matches__isnull=False).distinct().count()
    assert pairs == ROUNDS
    assert missing() == 0


@pytest.mark.xdist_group("races")
@pytest.mark.usefixtures("two_writers")
def test_control_matching_inside_the_writing_transaction_loses_pairs(race: Race) -> None:
    collide(race, inline=True)
    assert missing() == ROUNDS


@pytest.mark.xdist_group("races")
def test_many_dispatchers_handle_each_event_once(race: Race) -> None:
    bench = make_bench("millrace")
    for number in range(8):
        bench.need("W7-60 R1 W", ref=f"J-{number}")
        bench.donor("W7-60 R1 W", ref=f"D-{number}")
    waiting = OutboxEvent.objects.unscoped().filter(done_at__isnull=True).count()
    done = race([{"task": "dispatch"}] * 4)
    assert sum(one["handled"] for one in done) >= waiting
    keys = Alert.objects.unscoped().values_list("recipient", "arrival", "need")
    assert len(keys) == len(set(keys))
    assert Alert.objects.unscoped().count() >= 8


def circles() -> int:
    """Count pairs of numbers each of which is on record as superseding the other."""
    rows = set(Interchange.objects.unscoped().values_list("from_number_id", "to_number_id"))
    return sum((b, a) in rows for a, b in rows) // 2


@pytest.mark.xdist_group("races")
def test_two_writers_never_close_a_circle_between_them(race: Race) -> None:
    make_bench("millrace")
    done = race([{"task": "halves", "rounds": CIRCLES, "naive": False}] * 2)
    assert sum(one["errors"] for one in done) == 0
    assert sum(one["added"] for one in done) == CIRCLES  # one half of each circle
    assert sum(one["refused"] for one in done) == CIRCLES
    assert circles() == 0


@pytest.mark.xdist_group("races")
@pytest.mark.usefixtures("two_writers")
def test_control_without_the_lock_circles_are_closed(race: Race) -> None:
    bench = make_bench("millrace")
    # The numbers are known before: two that insert them in opposite order would deadlock.
    PartNumber.objects.bulk_create(
        PartNumber(workshop=bench.workshop, kind_id="heater", number=number, canonical=number)
        for number in (f"{end}{round_}X" for round_ in range(ROUNDS) for end in "AB")
    )
    race([{"task": "halves", "rounds": ROUNDS, "naive": True}] * 2)
    assert circles() == ROUNDS
