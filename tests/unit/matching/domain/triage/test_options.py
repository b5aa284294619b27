"""What can be done with a machine. Judges: every order of tries, sums by hand, properties."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matching.domain.triage.options import (
    NewPart,
    Served,
    Situation,
    StockPart,
    Wait,
    options,
    worth_by_age,
)
from matching.domain.waiting import Arrivals
from tests.unit.matching.domain.triage.situations import best_money, situations
from workshop.domain.refusals import ValueRefused

ARRIVALS = Arrivals(4.5, 434.0, 0.6)
# A part in stock, one to order, a donor to wait for; used in the sums by hand.
MACHINE = Situation(
    worth=200,
    labour=40,
    strip_value=50,
    serves=(Served("J-1", 60, 0.5),),
    stock=(StockPart("P-1", 30, 0.5),),
    new=NewPart(90, 7, 0.9),
    floor_per_week=7,
    patience_days=30,
)


@given(situations())
def test_equals_every_order_of_tries(situation):
    assert options(situation)[0].money == pytest.approx(best_money(situation), abs=1e-9)


class TestByHand:
    def test_breaking(self):
        """50 for the strip, and half of a margin of 60."""
        (found,) = [one for one in options(MACHINE) if one.first == "break"]
        assert (found.money, found.p_runs, found.steps) == (80, 0, ("break",))

    def test_buying_new(self):
        """.9 x (200 - 90) + .1 x 85 for the shelf's part tried after it - 40 - 7 of floor.

        After it fails the part in stock is tried: .5 x 170 + .5 x 80 - 40 = 85, above breaking.
        """
        (found,) = [one for one in options(MACHINE) if one.first == "new"]
        assert found.money == pytest.approx(0.9 * 110 + 0.1 * 85 - 47)
        assert found.steps == ("new", "stock P-1", "break")
        assert found.p_runs == pytest.approx(0.95)

    def test_the_part_in_stock(self):
        """.5 x 170 + .5 x 80 - 40 = 85: after it fails, breaking beats buying new."""
        found = options(MACHINE)[0]
        assert found.money == pytest.approx(85)
        assert found.steps == ("stock P-1", "break")

    def test_waiting(self):
        """chance x (200 - 30 - 40) + the rest broken for 80, less the mean days' floor."""
        wait = Wait(ARRIVALS, 30, 30)
        now = replace(MACHINE, stock=(), new=None, wait=wait)
        (found,) = [one for one in options(now) if one.first == "wait"]
        p, days = wait.chance, wait.days_parked
        assert found.money == pytest.approx(p * 130 + (1 - p) * 80 - days)
        assert found.days == pytest.approx(days)

    def test_patience_ends_a_wait_and_rules_out_a_late_delivery(self):
        now = replace(MACHINE, stock=(), wait=Wait(ARRIVALS, 60, 30), patience_days=5)
        found = options(now)
        assert {one.first for one in found} == {"wait", "break", "hand-back"}
        (wait,) = [one for one in found if one.first == "wait"]
        assert wait.days <= 5

    @pytest.mark.parametrize(("patience", "steps"), [(39, "wait break"), (40, "wait new break")])
    def test_days_waited_are_gone_from_the_patience(self, patience, steps):
        """Twenty days of waiting leave no time for a delivery of twenty, unless forty are given."""
        new, wait = NewPart(10, 20, 0.99), Wait(ARRIVALS, 20, 30)
        now = replace(MACHINE, stock=(), new=new, wait=wait, patience_days=patience)
        (found,) = [one for one in options(now) if one.first == "wait"]
        assert found.steps == tuple(steps.split())

    def test_nothing_is_broken_without_leave(self):
        assert "break" not in {one.first for one in options(replace(MACHINE, may_break=False))}

    @pytest.mark.parametrize(("age", "worth"), [(0, 600), (6, 330), (12, 60), (30, 60)])
    def test_worth_by_age(self, age, worth):
        """Straight line to a tenth at a mean life of 12 years (our own rule, common practice)."""
        assert worth_by_age(600, age_years=age, life_years=12) == pytest.approx(worth)


better = st.sampled_from(
    [
        lambda s: replace(s, worth=s.worth + 25),
        lambda s: replace(s, labour=max(0.0, s.labour - 10)),
        lambda s: replace(s, strip_value=s.strip_value + 15),
        lambda s: replace(s, floor_per_week=max(0.0, s.floor_per_week - 2)),
        lambda s: replace(s, patience_days=s.patience_days + 10),
        lambda s: replace(s, serves=(*s.serves, Served("more", 40, 0.5))),
        lambda s: replace(s, stock=(*s.stock, StockPart("more", 10, 0.5))),
        lambda s: replace(s, new=None) if s.new is None else replace(s, new=_cheaper(s.new)),
        lambda s: s if s.wait is None else replace(s, wait=_sooner(s.wait)),
    ]
)


@given(situations(), better)
def test_what_is_better_never_brings_less(situation, change):
    assert options(change(situation))[0].money >= options(situation)[0].money - 1e-9


@given(situations())
def test_options_hang_together(situation):
    found = options(situation)
    assert [one.money for one in found] == sorted((one.money for one in found), reverse=True)
    for one in found:
        assert 0 <= one.p_runs <= 1 + 1e-12
        assert 0 <= one.days <= max(situation.patience_days, 0) + 1e-6
        assert one.steps[-1] in ("break", "hand-back")
        assert len(set(one.steps)) == len(one.steps)
    assert found[0].money >= 0


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"worth": -1}, "worth"),
        ({"labour": math.nan}, "labour"),
        ({"floor_per_week": -1}, "floor"),
        ({"strip_value": math.inf}, "strip_value"),
        ({"patience_days": -1}, "patience_days"),
        ({"stock": (StockPart("P-1", -5, 0.5),)}, "P-1"),
        ({"stock": (StockPart("P-1", 5, 1.5),)}, "P-1"),
        ({"stock": (StockPart("P-1", 5, 0.5),) * 2}, "stock"),
        ({"stock": tuple(StockPart(f"P-{n}", 5, 0.5) for n in range(5))}, "stock"),
        ({"new": NewPart(-1, 3, 0.9)}, "new"),
        ({"new": NewPart(1, -3, 0.9)}, "new_days"),
        ({"new": NewPart(1, 3, 1.9)}, "new"),
        ({"wait": Wait(ARRIVALS, -1, 30)}, "wait_days"),
        ({"wait": Wait(ARRIVALS, 30, -1)}, "wait"),
        ({"serves": (Served("J-9", -1, 0.5),)}, "J-9"),
    ],
)
def test_bad_input_is_refused_by_name(changed, field):
    with pytest.raises(ValueRefused) as refused:
        options(replace(MACHINE, **changed))
    assert field in refused.value.fields


def _cheaper(new):
    return replace(new, price=max(0.0, new.price - 20))


def _sooner(wait):
    return replace(wait, arrivals=wait.arrivals.faster(1.5))
