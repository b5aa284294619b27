"""Best, runner-up and what would change it. Judges: the tree itself on both sides, by hand."""

from dataclasses import replace

import pytest
from hypothesis import given, settings

from matching.domain.triage.deciding import decide
from matching.domain.triage.options import NewPart, Situation, StockPart, Wait, options
from matching.domain.waiting import Arrivals
from tests.unit.matching.domain.triage.situations import situations

# Waiting for a donor against breaking at once; nothing else can be done.
WAITING = Situation(
    worth=260,
    labour=40,
    strip_value=55,
    wait=Wait(Arrivals(4.5, 434.0, 1.0), 30, 20),
    floor_per_week=14,
)


def of(found, assumption):
    return next(one for one in found.thresholds if one.assumption == assumption)


class TestByHand:
    def test_the_chance_at_which_waiting_wins(self):
        """Breaking brings 55 now. At the chance found, waiting brings the same to a cent."""
        now = replace(WAITING, wait=replace(WAITING.wait, ahead=1))
        found = decide(now)
        assert (found.best.first, found.runner_up.first) == ("break", "wait")
        change = of(found, "within 30 days")
        assert change.wins == "wait"
        assert change.now == pytest.approx(now.wait.chance)
        factor = _factor(now, change.at)
        moved = replace(now, wait=replace(now.wait, arrivals=now.wait.arrivals.faster(factor)))
        assert moved.wait.chance == pytest.approx(change.at, abs=1e-9)
        by_first = {one.first: one.money for one in options(moved)}
        assert by_first["wait"] == pytest.approx(by_first["break"], abs=0.01)
        words = f"waiting wins above {100 * change.at:.0f} % within 30 days; now "
        assert change.sentence == f"{words}{100 * change.now:.0f} %"

    def test_a_price_at_which_the_answer_changes(self):
        """New brings .9 x (200 - price) - 40 and nothing else can be done: 155.56."""
        now = Situation(worth=200, labour=40, new=NewPart(100, 0, 0.9), may_break=False)
        change = of(decide(now), "for the new part")
        assert change.at == pytest.approx(200 - 40 / 0.9)
        assert change.sentence == ("handing it back wins above 155.56 for the new part; now 100.00")

    def test_the_chance_of_the_part_in_stock(self):
        """p x (200 - 30) + (1 - p) x 50 - 40 = 50 where p = 1/3."""
        stock = (StockPart("P-1", 30, 0.6),)
        now = Situation(worth=200, labour=40, strip_value=50, stock=stock)
        change = of(decide(now), "that the part in stock works")
        assert change.at == pytest.approx(1 / 3)
        assert change.sentence == (
            "breaking for parts wins below 33 % that the part in stock works; now 60 %"
        )

    def test_nothing_would_change_it(self):
        now = Situation(worth=0, labour=0, may_break=False)
        found = decide(now)
        assert found.best.first == "hand-back"
        assert found.runner_up is None
        assert found.threshold is None

    def test_the_nearest_is_named(self):
        found = decide(WAITING)
        assert found.threshold == found.thresholds[0]
        assert [one.moved for one in found.thresholds] == sorted(
            one.moved for one in found.thresholds
        )


@settings(max_examples=60)
@given(situations())
def test_at_a_threshold_the_first_two_bring_the_same(situation):
    """Whatever wins beyond it is worth the same there, within what forty halvings leave."""
    found = decide(situation)
    assert found.best == options(situation)[0]
    for change in found.thresholds:
        assert change.wins != found.best.first
        moved = _with(situation, change)
        if moved is not None:
            money = {}
            for one in options(moved):
                money.setdefault(one.first, one.money)
            assert money[change.wins] == pytest.approx(money[found.best.first], abs=1e-3)


def _with(now, change):
    """Return the situation with one plain amount moved to its threshold."""
    fields = {
        "for the running machine": "worth",
        "of labour": "labour",
        "a week of floor": "floor_per_week",
        "of strip value": "strip_value",
    }
    if change.assumption in fields:
        return replace(now, **{fields[change.assumption]: change.at})
    if change.assumption == "for the new part":
        return replace(now, new=replace(now.new, price=change.at))
    return None


def _factor(now, chance):
    """Bisect the factor by which arrivals must come oftener, apart from the code under test."""
    low, high = 1e-3, 1e3
    for _ in range(200):
        middle = (low * high) ** 0.5
        wait = replace(now.wait, arrivals=now.wait.arrivals.faster(middle))
        low, high = (middle, high) if wait.chance < chance else (low, middle)
    return middle
