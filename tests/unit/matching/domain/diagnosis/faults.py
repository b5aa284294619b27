"""Small tables of faults for the tests, and the slow obvious judge of an order of checks."""

from functools import lru_cache

from hypothesis import strategies as st

from matching.domain.diagnosis import checking
from matching.domain.diagnosis.beliefs import normal
from matching.domain.diagnosis.tables import Answer, Check, FaultTable
from tests.unit.reference import read


@lru_cache(maxsize=1)
def delivered():
    return FaultTable.of(read("symptoms"))


def kind_names():
    return {row["slug"]: row["name"] for row in read("part_kinds")}


def a_check(slug, minutes, likely, otherwise, order=1):
    """A check with two answers; likely: P(bad) by suspect."""
    bad = Answer("bad", "bad", likely, otherwise)
    good = Answer("good", "good", {k: 1 - p for k, p in likely.items()}, 1 - otherwise)
    return Check(slug, "washing-machine", slug, minutes, order, (bad, good))


@st.composite
def odds(draw, most=5):
    count = draw(st.integers(2, most))
    return normal({f"s{n}": draw(st.integers(1, 40)) for n in range(count)})


def chances():
    return st.integers(2, 98).map(lambda percent: percent / 100)


@st.composite
def checks(draw, suspects, most=4):
    found = []
    for number in range(draw(st.integers(1, most))):
        likely = {name: draw(chances()) for name in suspects if draw(st.booleans())}
        minutes = draw(st.integers(1, 20))
        found.append(a_check(f"c{number}", minutes, likely, draw(chances()), number))
    return found


def best_cost(odds, left, wrong):
    """Return the least expected minutes of any adaptive order, stopping wherever it pays."""
    stop = wrong * (1 - max(odds.values()))
    return min([stop, *(_cost_of(one, odds, left, wrong, best_cost) for one in left)])


def cost_of_rule(odds, left, wrong):
    """Return the expected minutes of following `next_check` until it says stop."""
    asked = checking.next_check(odds, left, wrong_part_min=wrong)
    if asked is None:
        return wrong * (1 - max(odds.values()))
    return _cost_of(asked.check, odds, left, wrong, cost_of_rule)


def cost_in_order(odds, left, wrong):
    """Return the expected minutes of all checks as they stand, until a suspect is sure."""
    if max(odds.values()) >= 0.9 or not left:
        return wrong * (1 - max(odds.values()))
    return _cost_of(left[0], odds, left, wrong, cost_in_order)


def cost_at_once(odds, left, wrong):
    """Return the expected minutes of fitting the likeliest part without a check."""
    return wrong * (1 - max(odds.values()))


def _cost_of(check, odds, left, wrong, then):
    rest = [one for one in left if one is not check]
    cost = check.minutes
    for answer in check.answers:
        joint = {name: p * answer.given(name) for name, p in odds.items()}
        p_answer = sum(joint.values())
        if p_answer > 0:
            cost += p_answer * then(normal(joint), rest, wrong)
    return cost
