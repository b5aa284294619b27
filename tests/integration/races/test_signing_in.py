"""Limits of signing in hold in processes that truly collide (reliability plan, row 29)."""

import pytest
from django.utils import timezone

from tests.factories import make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size
from workshop.access import people, second_step, tries
from workshop.models import Member, Role, SecondStep, Tries, User

pytestmark = pytest.mark.django_db(transaction=True)

RACERS, ROUNDS = 4, size(15, 50)  # full: 200 wrong passwords, each from a forged address


@pytest.mark.xdist_group("races")
@pytest.mark.parametrize("forged", [True, False])
def test_of_many_wrong_passwords_at_once_ten_are_looked_at(race: Race, forged: bool) -> None:
    make_bench("millrace")
    done = race([{"task": "guess", "rounds": ROUNDS, "forged": forged}] * RACERS)
    assert sum(one["looked_at"] for one in done) == tries.MOST
    assert sum(one["refused"] for one in done) == RACERS * ROUNDS - tries.MOST


@pytest.mark.xdist_group("races")
def test_control_counting_after_looking_lets_more_through(race: Race) -> None:
    make_bench("millrace")
    done = race([{"task": "guess", "rounds": 15, "naive": True}] * RACERS)
    assert sum(one["looked_at"] for one in done) > tries.MOST


@pytest.mark.xdist_group("races")
@pytest.mark.parametrize("naive", [False, True])
def test_a_recovery_code_sent_at_once_lets_one_in(race: Race, naive: bool) -> None:
    make_bench("millrace")
    user = User.objects.get(username="millrace-owner")
    codes = [code.replace("-", "") for code in second_step.new_codes(user)]
    done = race([{"task": "send_code", "codes": codes, "naive": naive}] * RACERS)
    let_in = sum(one["let_in"] for one in done)
    assert (let_in == len(codes)) is not naive


@pytest.mark.xdist_group("races")
@pytest.mark.parametrize("naive", [False, True])
def test_a_code_of_the_app_sent_at_once_lets_one_in(race: Race, naive: bool) -> None:
    make_bench("millrace")
    user, rounds, now = User.objects.get(username="millrace-owner"), 10, timezone.now()
    second_step.begin(user=user, now=now)
    SecondStep.objects.update(on_since=now)
    done = race([{"task": "send_app_code", "rounds": rounds, "naive": naive}] * RACERS)
    let_in = sum(one["let_in"] for one in done)
    assert (let_in == rounds) is not naive
    assert let_in >= rounds


@pytest.mark.xdist_group("races")
@pytest.mark.parametrize("naive", [False, True])
def test_of_two_owners_who_step_down_at_once_one_stays(race: Race, naive: bool) -> None:
    bench = make_bench("millrace")
    Member.of(bench.workshop).filter(role=Role.REVIEWER).update(role=Role.OWNER)
    done = race([{"task": "step_down", "naive": naive}] * 2)
    left = Member.of(bench.workshop).filter(role=Role.OWNER, active=True).count()
    assert left == (0 if naive else 1)
    assert sum(one["went"] for one in done) == 2 - left


@pytest.mark.xdist_group("races")
def test_a_link_opened_at_once_lets_one_in(race: Race) -> None:
    bench = make_bench("millrace")
    _, token = bench.invitation()
    done = race([{"task": "use_link", "token": token}] * RACERS)
    assert sum(one["joined"] for one in done) == 1
    assert sum(one["refused"] for one in done) == RACERS - 1
    assert User.objects.filter(username__startswith="new-").count() == 1
    assert not people.list_open(bench.workshop, now=timezone.now()).exists()
    assert Tries.objects.count() == 0


@pytest.mark.xdist_group("races")
def test_control_a_link_looked_at_before_it_is_used_up_lets_all_in(race: Race) -> None:
    bench = make_bench("millrace")
    _, token = bench.invitation()
    done = race([{"task": "use_link", "token": token, "naive": True}] * RACERS)
    assert sum(one["joined"] for one in done) > 1
