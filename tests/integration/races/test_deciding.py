"""Two reviewers decide at once: one decision, and never two rules in force that contradict."""

from typing import Any

import pytest

from matching import ruling
from matching.models import Rule, RuleEntry
from tests.factories import NOW, Bench, make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size

pytestmark = pytest.mark.django_db(transaction=True)

ROUNDS, CONTROL_ROUNDS = size(15, 50), 15
DECIDED = ("approved", "rejected")


def proposals(bench: Bench, *, family: str, says: str = "fits", rounds: int = ROUNDS) -> list[int]:
    """Propose a rule a round, each on machines of its own."""
    return [
        ruling.propose_rule(
            workshop=bench.workshop,
            statement=ruling.Statement(
                kind="control-board", says=says, job_side={"family": f"{family}{number}"}
            ),
            member=bench.technician,
            now=NOW,
        ).pk
        for number in range(rounds)
    ]


def both(race: Race, *orders: dict[str, Any], naive: bool = False) -> list[list[int]]:
    done = race([{"task": "decide", "naive": naive, **order} for order in orders])
    return [list(pair) for pair in zip(*(one["statuses"] for one in done), strict=True)]


@pytest.mark.xdist_group("races")
def test_two_reviewers_take_one_decision(race: Race) -> None:
    rules = proposals(make_bench("millrace"), family="W")
    statuses = both(
        race,
        {"act": "approve", "role": "reviewer", "rules": rules},
        {"act": "reject", "role": "owner", "rules": rules},
    )
    assert all(sorted(pair) == [200, 409] for pair in statuses), statuses
    entries = RuleEntry.objects.unscoped().filter(act__in=DECIDED)
    assert entries.count() == ROUNDS
    for entry in entries.select_related("rule"):
        assert entry.rule.state == entry.act
        assert entry.rule.decided_by_id == entry.by_id


@pytest.mark.xdist_group("races")
def test_rules_that_contradict_are_not_both_approved(race: Race) -> None:
    bench = make_bench("millrace")
    fits = proposals(bench, family="W")
    nots = proposals(bench, family="W", says="does-not-fit")
    statuses = both(
        race,
        {"act": "approve", "role": "reviewer", "rules": fits},
        {"act": "approve", "role": "owner", "rules": nots},
    )
    assert all(sorted(pair) == [200, 409] for pair in statuses), statuses
    assert Rule.objects.unscoped().filter(state="approved").count() == ROUNDS


@pytest.mark.xdist_group("races")
@pytest.mark.usefixtures("two_writers")
def test_control_without_the_locks_decisions_collide(race: Race) -> None:
    bench = make_bench("millrace")
    fits = proposals(bench, family="W", rounds=CONTROL_ROUNDS)
    nots = proposals(bench, family="W", says="does-not-fit", rounds=CONTROL_ROUNDS)
    statuses = both(
        race,
        {"act": "approve", "role": "reviewer", "rules": fits},
        {"act": "approve", "role": "owner", "rules": nots},
        naive=True,
    )
    assert statuses == [[200, 200]] * CONTROL_ROUNDS
