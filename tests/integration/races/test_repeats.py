"""A retried POST has one effect (reliability plan, row 10), in processes that truly collide.

With RACES=full 20 processes send each of 50 requests at once, one of them altered.
"""

import pytest

from matching.models import Rule, RuleEntry
from tests.factories import make_bench
from tests.integration.races import requests
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size
from workshop.models import OutboxEvent, Role

pytestmark = pytest.mark.django_db(transaction=True)

RACERS, ROUNDS = size(4, 20), size(15, 50)
CONTROL_RACERS, CONTROL_ROUNDS = 4, 15


@pytest.mark.xdist_group("races")
def test_the_same_request_sent_at_once_has_one_effect(race: Race) -> None:
    make_bench("millrace")
    orders = [{"task": "repeat", "rounds": ROUNDS} for _ in range(RACERS)]
    orders[0]["altered"] = True
    done = [one["replies"] for one in race(orders)]
    assert Rule.objects.unscoped().count() == ROUNDS
    assert RuleEntry.objects.unscoped().count() == ROUNDS
    for replies in zip(*done, strict=True):
        statuses = [status for status, _ in replies]
        bodies = {body for status, body in replies if status == 201}
        assert len(bodies) == 1  # byte-equal
        # Whoever was first counts: the altered request, or the others together.
        others = RACERS - 1
        assert sorted(statuses) in ([201] * others + [422], [201] + [422] * others)


@pytest.mark.xdist_group("races")
def test_control_looking_first_acts_twice(race: Race) -> None:
    """The race must be lost without the mechanism, or the test above proves nothing."""
    make_bench("millrace")
    race([{"task": "repeat", "rounds": CONTROL_ROUNDS, "naive": True}] * CONTROL_RACERS)
    assert Rule.objects.unscoped().count() == CONTROL_ROUNDS * CONTROL_RACERS


@pytest.mark.xdist_group("races")
def test_a_reply_lost_after_the_commit_is_given_again(race: Race) -> None:
    make_bench("millrace")
    assert race([{"task": "reply_lost"}]) == [{"died": 1}]
    assert Rule.objects.unscoped().count() == 1
    events = OutboxEvent.objects.unscoped().count()
    answer = requests.post_rule(requests.client_of(Role.TECHNICIAN), 1)
    assert answer.status_code == 201
    assert answer.json()["id"] == Rule.objects.unscoped().get().pk
    assert Rule.objects.unscoped().count() == 1
    assert OutboxEvent.objects.unscoped().count() == events
