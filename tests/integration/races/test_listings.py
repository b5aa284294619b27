"""Two buy one listing at once: one donor. Two store one listing at once: one row."""

import pytest

from donors.models import Donor, Listing
from tests.factories import Bench, make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("races")]
ROUNDS, CONTROL_ROUNDS = size(10, 50), 5
PEOPLE = 2


def for_sale(bench: Bench, rounds: int) -> list[str]:
    return [
        bench.listing(f"Velthane washer W7-60 R1 W, serial {n * 7919 + 100000}, 20 EUR").ref
        for n in range(rounds)
    ]


def test_a_listing_is_bought_once(race: Race) -> None:
    refs = for_sale(make_bench("millrace"), ROUNDS)
    assert len(set(refs)) == ROUNDS
    done = race([{"task": "buy", "refs": refs, "naive": False}] * PEOPLE)
    assert sum(one["bought"] for one in done) == ROUNDS
    assert sum(one["refused"] for one in done) == ROUNDS * (PEOPLE - 1)
    assert Donor.objects.unscoped().count() == ROUNDS
    bought = Listing.objects.unscoped().filter(state="bought")
    assert bought.values("donor").distinct().count() == ROUNDS


@pytest.mark.usefixtures("two_writers")
def test_control_without_the_lock_a_listing_is_bought_twice(race: Race) -> None:
    refs = for_sale(make_bench("millrace"), CONTROL_ROUNDS)
    race([{"task": "buy", "refs": refs, "naive": True}] * PEOPLE)
    assert Donor.objects.unscoped().count() == CONTROL_ROUNDS * PEOPLE


def test_the_same_listing_stored_at_once_is_one(race: Race) -> None:
    make_bench("millrace")
    done = race([{"task": "advertise", "rounds": ROUNDS}] * PEOPLE)
    assert sum(one["new"] for one in done) == ROUNDS
    assert sum(one["again"] for one in done) == ROUNDS * (PEOPLE - 1)
    assert Listing.objects.unscoped().count() == ROUNDS
