"""What a rule would change, against a judge that matches everything twice."""

import random
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from scipy.stats import binomtest

from matching import impact, ruling
from matching.matcher import open_needs
from matching.models import Match, Need, Outcome, Rule
from matching.outcome_keys import keyed
from parts.models import Part
from tests.factories import MODELS, NOW, TODAY, Bench
from tests.integration.matching.exhaustive import judge
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db

KIND = "control-board"
SIDES: list[dict[str, Any]] = [
    {},
    {"make": "Velthane", "family": "W7"},
    {"family": "K3"},
    {"make": "Velthane", "fields": {"revision": "1"}},
    {"built_from": "2015-07-01"},
    {"built_to": "2016-05-15", "family": "W7"},
    {"part_numbers": ["BRD-1", "BRD-3"]},
    {"family": "W7", "fields": {"revision": "2"}},
]


def world(bench: Bench, seed: int, size: int) -> random.Random:
    """Fill a workshop with machines, jobs, past fittings and a few approved rules."""
    pick = random.Random(seed)
    for number in range(size):
        bench.donor(pick.choice(MODELS), **some_dates(pick))
        bench.need(pick.choice(MODELS), part_number=some_number(pick), **some_dates(pick))
        part = Part.of(bench.workshop).filter(kind=KIND).latest("id")
        printed = some_number(pick)
        Part.of(bench.workshop).filter(pk=part.pk).update(
            part_number=printed, number_canonical=printed.replace("-", "")
        )
        past = {"make": "Velthane", "number": "W760R1W", "fields": {"revision": "1"}}
        outcome = Outcome(
            workshop=bench.workshop,
            kind_id=KIND,
            part_number=some_number(pick),
            fitted_on=TODAY,
            result=pick.choice(["worked", "worked", "failed", "did-not-fit"]),
            fingerprint=str(number),
            learned={
                "donor": {**past, "family": pick.choice(["W7", "K3"])},
                "job": {**past, "family": pick.choice(["W7", "K3"])},
            },
        )
        keyed(outcome).save()
    for _ in range(2):
        rule_of(bench, pick, state="approved")
    return pick


def some_dates(pick: random.Random) -> dict[str, Any]:
    if pick.random() < 0.3:
        return {}
    first = TODAY - timedelta(days=pick.randrange(3000, 4500))
    return {"built_from": first, "built_to": first + timedelta(days=pick.randrange(400))}


def some_number(pick: random.Random) -> str:
    return pick.choice(["", "BRD-1", "BRD-2", "BRD-3"])


def rule_of(bench: Bench, pick: random.Random, **values: Any) -> Rule:
    stated = ruling.Statement(
        kind=KIND,
        says=pick.choice(["fits", "fits-with-conditions", "does-not-fit"]),
        donor_side=pick.choice(SIDES),
        job_side=pick.choice(SIDES[1:]),
        both_ways=pick.random() < 0.3,
        conditions="with care",
    )
    rule = ruling.new_rule(bench.workshop.pk, stated, kind=ruling.get_kind(KIND))
    if values.get("state") == "approved":
        rule.decided_by, rule.decided_at = bench.members["owner"], NOW
    for name, value in values.items():
        setattr(rule, name, value)
    rule.save()
    return rule


def standings(bench: Bench) -> dict[tuple[int, int], int]:
    """Match every open need with every part anew: 0 not offered, 1 offered, 2 told of."""
    needs = open_needs(bench.workshop.pk, kind=KIND)
    parts = Part.of(bench.workshop).filter(kind=KIND)
    found = {(need.pk, part.pk): 0 for need in needs for part in parts}
    for one in judge(bench.workshop.pk, needs):
        if one.spoken_for:
            told = one.score.p_fit >= bench.workshop.alert_from_p_fit
            found[one.need.pk, one.part.pk] = 1 + told
    return found


def judged(bench: Bench, rule: Rule) -> tuple[set[tuple[int, int]], set[tuple[int, int]]]:
    """Return the pairs gained and lost: the world as it is, then with the rule in force."""
    before = standings(bench)
    with transaction.atomic():
        ids = [rule.pk]
        Rule.of(bench.workshop).filter(pk=rule.replaces_id).update(state="retired")
        Rule.of(bench.workshop).filter(pk__in=ids).update(
            state="approved", decided_by=bench.members["owner"], decided_at=NOW
        )
        after = standings(bench)
        transaction.set_rollback(True)
    gained = {pair for pair in before if after[pair] > before[pair]}
    return gained, {pair for pair in before if after[pair] < before[pair]}


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_against_matching_everything_twice(seed: int, bench: Bench) -> None:
    pick = world(bench, seed, size=7)
    moved = 0
    for number in range(12):
        replaces = Rule.of(bench.workshop).filter(state="approved").first() if number % 3 else None
        rule = rule_of(bench, pick, replaces=replaces)
        found = impact.impact_of(rule, on=TODAY)
        gained, lost = judged(bench, rule)
        assert {(one.need.pk, one.part.pk) for one in found.gained} == gained
        assert {(one.need.pk, one.part.pk) for one in found.lost} == lost
        assert (found.gained_count, found.lost_count) == (len(gained), len(lost))
        moved += len(gained) + len(lost)
        assert_record(bench, rule, found)
    assert moved > 0


def assert_record(bench: Bench, rule: Rule, found: impact.Impact) -> None:
    """Judge: read the past fittings one by one, without the engine's own comparison."""
    spoken = [row for row in Outcome.of(bench.workshop) if speaks_of(rule, row)]
    agree = sum((row.result != "did-not-fit") == (rule.says != "does-not-fit") for row in spoken)
    assert (found.agree, found.disagree) == (agree, len(spoken) - agree)
    if spoken:
        judge = binomtest(agree, len(spoken)).proportion_ci(0.95, "wilson")
        assert found.interval == pytest.approx((judge.low, judge.high), abs=1e-9)
    else:
        assert found.interval == (0.0, 1.0)


def speaks_of(rule: Rule, row: Outcome) -> bool:
    donor = {**row.learned["donor"], "part_number": row.part_number}
    job = {**row.learned["job"], "part_number": row.job_part_number}
    straight = side_holds(rule.donor_side, donor) and side_holds(rule.job_side, job)
    crossed = side_holds(rule.donor_side, job) and side_holds(rule.job_side, donor)
    return straight or (rule.both_ways and crossed)


def side_holds(side: dict[str, Any], machine: dict[str, Any]) -> bool:
    if "built_from" in side or "built_to" in side:
        return False  # these fittings have no dates
    if "part_numbers" in side and machine["part_number"] not in side["part_numbers"]:
        return False
    if any(machine["fields"].get(k) != v for k, v in side.get("fields", {}).items()):
        return False
    return all(machine[name] == side[name] for name in ("make", "family") if name in side)


def test_the_impact_asks_no_more_often_as_everything_grows(bench: Bench) -> None:
    pick = world(bench, 5, size=3)
    rule = rule_of(bench, pick)

    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            impact.impact_of(Rule.of(bench.workshop).get(pk=rule.pk), on=TODAY)
        return len(seen)

    queries()  # reference tables are read once a process
    few = queries()
    for number in range(9):
        bench.donor(pick.choice(MODELS))
        bench.need(pick.choice(MODELS))
        rule_of(bench, pick, state="approved")
        Outcome.objects.create(
            workshop=bench.workshop,
            kind_id=KIND,
            fitted_on=TODAY,
            result="worked",
            fingerprint=f"more {number}",
        )
    assert queries() == few


def test_many_changes_are_counted_and_the_most_moved_listed(bench: Bench, monkeypatch) -> None:
    for _ in range(3):
        bench.need("W7-60 R1 W")
        bench.donor("K3-60 R1 W")
    rule = rule_of(bench, random.Random(0), says="fits", donor_side={"family": "K3"}, job_side={})
    monkeypatch.setattr(impact, "MOST_SHOWN", 4)
    found = impact.impact_of(rule, on=TODAY)
    assert found.gained_count == 9
    assert len(found.gained) == 4


def decide(bench: Bench, rule: Rule, act: Any) -> None:
    act(workshop=bench.workshop, rule_id=rule.pk, member=bench.members["owner"], now=NOW)


def test_a_decision_matches_anew_what_it_touches_and_nothing_else(bench: Bench) -> None:
    """Through the outbox: after the decision, by the dispatcher, only needs the rule speaks of."""
    touched, other = bench.need("W7-60 R1 W"), bench.need("K3-60 R1 W")
    other_kind = bench.need("W7-60 R1 W", kind="heater")
    part = bench.part(bench.donor("K3-60 R1 W"))
    bench.drain()
    stated = ruling.Statement(
        kind=KIND, says="fits", donor_side={"family": "K3"}, job_side={"family": "W7"}
    )
    rule = ruling.propose_rule(
        workshop=bench.workshop, statement=stated, member=bench.technician, now=NOW
    )
    bench.drain()
    for act, told in ((ruling.approve_rule, "fits"), (ruling.retire_rule, "none")):
        searched = marks(bench)
        stored = levels(touched, part)
        decide(bench, rule, act)
        assert marks(bench) == searched  # nothing is matched in the request
        assert levels(touched, part) == stored
        bench.drain()
        changed = {pk for pk, at in marks(bench).items() if at != searched[pk]}
        assert changed == {touched.pk}
        assert levels(touched, part) in ([told], [])
        assert levels(touched, part) == [told] or told == "none"
    assert {other.pk, other_kind.pk} <= set(marks(bench))


def marks(bench: Bench) -> dict[int, Any]:
    return dict(Need.of(bench.workshop).values_list("pk", "searched_at"))


def levels(need: Need, part: Part) -> list[str]:
    """Return what the stored match of a pair says of rules; [] when there is no match."""
    rows = Match.of(need.workshop_id).filter(need=need, part=part)
    return [row["level"] for match in rows for row in match.reasons if row["evidence"] == "rule"]


def test_a_rule_both_ways_touches_the_needs_of_both_sides(bench: Bench) -> None:
    needs = [bench.need("W7-60 R1 W"), bench.need("K3-60 R1 W"), bench.need("W7-60 R2 W")]
    bench.drain()
    stated = ruling.Statement(
        kind=KIND,
        says="fits",
        donor_side={"family": "K3"},
        job_side={"family": "W7", "fields": {"revision": "1"}},
        both_ways=True,
    )
    rule = ruling.propose_rule(
        workshop=bench.workshop, statement=stated, member=bench.technician, now=NOW
    )
    bench.drain()
    searched = marks(bench)
    decide(bench, rule, ruling.approve_rule)
    bench.drain()
    changed = {pk for pk, at in marks(bench).items() if at != searched[pk]}
    assert changed == {needs[0].pk, needs[1].pk}


def test_a_rejection_matches_nothing(bench: Bench) -> None:
    rule = rule_of(bench, random.Random(3))
    bench.drain()
    before = OutboxEvent.of(bench.workshop).count()
    decide(bench, rule, ruling.reject_rule)
    assert OutboxEvent.of(bench.workshop).count() == before
