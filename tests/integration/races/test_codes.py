"""Two intakes at once never give two parts one short code, and neither fails."""

import pytest

from parts.models import Part
from tests.factories import make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size
from workshop.models import RefCounter

pytestmark = pytest.mark.django_db(transaction=True)

ROUNDS, CONTROL_ROUNDS = size(10, 50), 5
RACERS = 4


def take(race: Race, *, rounds: int, naive: bool) -> tuple[int, int]:
    order = {"task": "take_codes", "rounds": rounds, "naive": naive}
    done = race([order] * RACERS)
    return sum(one["taken"] for one in done), sum(one["clashed"] for one in done)


@pytest.mark.xdist_group("races")
def test_intakes_at_once_never_clash(race: Race) -> None:
    make_bench("millrace")
    assert take(race, rounds=ROUNDS, naive=False) == (RACERS * ROUNDS, 0)
    codes = list(Part.objects.unscoped().values_list("short_code", flat=True))
    assert len(codes) == len(set(codes)) >= RACERS * ROUNDS


@pytest.mark.xdist_group("races")
@pytest.mark.usefixtures("two_writers")
def test_control_without_the_counter_s_lock_intakes_clash(race: Race) -> None:
    bench = make_bench("millrace")
    RefCounter.objects.create(workshop=bench.workshop, prefix="code", last=0)
    taken, clashed = take(race, rounds=CONTROL_ROUNDS, naive=True)
    assert (taken, clashed) == (CONTROL_ROUNDS, CONTROL_ROUNDS * (RACERS - 1))
