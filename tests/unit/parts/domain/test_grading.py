"""Grades from tests and age. The rules are common practice (practice.md 7), no standard's."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench.limits import Limit, Standing
from parts.domain.bench.verdicts import Outcome, judge
from parts.domain.condition import TESTED
from parts.domain.grading import GOOD, SCRAP, UNTESTED, WORN, Facts, falls_on, grade
from tests.unit.reference import read
from workshop.domain.intervals import Interval
from workshop.domain.months import months_after
from workshop.domain.refusals import ValueRefused

TESTED_ON = date(2026, 1, 15)
READINGS = {
    Outcome.PASS: 15.0,
    Outcome.DOUBTFUL: 25.0,
    Outcome.FAIL: 50.0,
    Outcome.NOT_MEASURED: None,
}
BEST_FIRST = [GOOD, WORN, UNTESTED, SCRAP]
KINDS = {row["slug"]: row for row in read("part_kinds")}


def verdict(outcome, test="coil", standing=Standing.STANDARD):
    limit = Limit("row", "ohm", 10, 20, 5, 30, standing, "a source")
    found = judge(test, READINGS[outcome], limit)
    assert found.outcome is outcome
    return found


def graded(*outcomes, on=TESTED_ON, tested_on=TESTED_ON, **facts):
    return grade([verdict(one) for one in outcomes], Facts(**facts), tested_on=tested_on, on=on)


P, D, F, N = Outcome.PASS, Outcome.DOUBTFUL, Outcome.FAIL, Outcome.NOT_MEASURED


@pytest.mark.parametrize(
    ("outcomes", "expected", "reason"),
    [
        ((P, P), GOOD, "passed: coil, coil"),
        ((P, D), WORN, "near or past the end of its range: coil"),
        ((P, N), UNTESTED, "not measured: coil"),
        ((D, N), UNTESTED, "not measured: coil"),
        ((N, F), SCRAP, "failed: coil"),
        ((), UNTESTED, "no bench test"),
    ],
)
def test_grade_and_reason(outcomes, expected, reason):
    found = graded(*outcomes)
    assert (found.grade, found.reason) == (expected, reason)


def test_a_pass_on_guide_values_says_so():
    found = grade(
        [verdict(P, standing=Standing.GUIDE), verdict(P)],
        Facts(),
        tested_on=TESTED_ON,
        on=TESTED_ON,
    )
    assert found.reason == "passed: coil, coil (1 of 2 only against a guide value)"


def test_what_is_never_reused_is_scrap_whatever_the_test_says():
    assert graded(P, never_reused=True).grade == SCRAP
    assert graded(never_reused=True).grade == SCRAP


def test_looks_worn():
    assert graded(P, looks_worn=True).reason == "passed: coil; cosmetically worn"
    assert graded(P, looks_worn=True).grade == WORN
    assert graded(F, looks_worn=True).grade == SCRAP


@pytest.mark.parametrize(
    ("component_class", "years", "expected"),
    [("wear", 11.9, GOOD), ("wear", 12.1, WORN), ("electronics", 20, GOOD), ("other", 20, GOOD)],
)
def test_a_wear_part_of_an_old_machine_is_worn(component_class, years, expected):
    day = TESTED_ON - timedelta(days=365.25 * years)
    found = graded(P, component_class=component_class, built=Interval(day, day))
    assert found.grade == expected
    assert ("wear part of a machine about 12 years old" in found.reason) is (expected == WORN)


@pytest.mark.parametrize(
    ("months", "expected"),
    [(0, GOOD), (23, GOOD), (24, WORN), (47, WORN), (48, UNTESTED), (200, UNTESTED)],
)
def test_it_falls_a_step_for_each_shelf_time(months, expected):
    """Boards: 24 months (practice.md 7)."""
    shelf = KINDS["control-board"]["shelf_months"]
    found = graded(P, on=months_after(TESTED_ON, months), shelf_months=shelf)
    assert found.grade == expected
    assert ("24 months of shelf time are over: test again" in found.reason) is (months >= 24)


def test_the_shelf_times_of_practice_are_those_of_the_kinds():
    """practice.md 7: boards, rubber, pumps, dampers 24; capacitors 36; lithium batteries 6."""
    months = {"control-board": 24, "door-gasket": 24, "drain-pump": 24, "damper": 24,
              "run-capacitor": 36, "battery-pack": 6}  # fmt: skip
    assert {kind: KINDS[kind]["shelf_months"] for kind in months} == months


def test_what_has_no_shelf_time_does_not_fall():
    assert graded(P, on=date(2060, 1, 1)).grade == GOOD


@given(
    st.lists(st.sampled_from([P, D, F, N]), max_size=4),
    st.integers(0, 6000),
    st.integers(0, 6000),
    st.sampled_from([None, 6, 24, 36]),
    st.sampled_from(["wear", "electronics", "other"]),
)
def test_time_never_betters_a_grade(outcomes, one, other, shelf, component_class):
    early, late = sorted((one, other))
    found = [
        graded(
            *outcomes,
            on=TESTED_ON + timedelta(days=days),
            shelf_months=shelf,
            component_class=component_class,
            built=Interval(date(2016, 1, 1), date(2016, 12, 31)),
        ).grade
        for days in (early, late)
    ]
    assert BEST_FIRST.index(found[0]) <= BEST_FIRST.index(found[1])
    assert (found[1] == SCRAP) is (F in outcomes)


@given(st.lists(st.sampled_from([P, D, F, N]), min_size=1, max_size=4), st.data())
def test_a_worse_reading_never_betters_a_grade(outcomes, data):
    place = data.draw(st.integers(0, len(outcomes) - 1))
    ladder = [P, D, N, F]
    worse = ladder[data.draw(st.integers(ladder.index(outcomes[place]), 3))]
    before = graded(*outcomes).grade
    after = graded(*outcomes[:place], worse, *outcomes[place + 1 :]).grade
    assert BEST_FIRST.index(before) <= BEST_FIRST.index(after)


def test_its_grades_are_those_of_condition_and_models():
    assert set(TESTED) == {GOOD, WORN}


@pytest.mark.parametrize("tested_on", [None, TESTED_ON + timedelta(days=1)])
def test_a_test_needs_a_day_that_has_been(tested_on):
    with pytest.raises(ValueRefused) as refused:
        graded(P, tested_on=tested_on)
    assert list(refused.value.fields) == ["tested_on"]


@given(
    st.lists(st.sampled_from([P, D, F, N]), max_size=3),
    st.sampled_from([None, 1, 6, 24]),
    st.sampled_from(["wear", "electronics"]),
    st.integers(0, 5200),
    st.integers(0, 1500),
)
def test_the_next_fall_is_the_first_day_a_day_by_day_look_finds(
    outcomes, shelf_months, component_class, age_days, later
):
    """Judge: look at the grade of every day, one by one."""
    built = TESTED_ON - timedelta(days=age_days)
    facts = Facts(shelf_months, component_class, built=Interval(built, built))
    verdicts = [verdict(one) for one in outcomes]
    on = TESTED_ON + timedelta(days=later)

    def on_day(day):
        return grade(verdicts, facts, tested_on=TESTED_ON, on=day).grade

    found = falls_on(verdicts, facts, tested_on=TESTED_ON, on=on)
    days = (on + timedelta(days=n) for n in range(1, 1500))
    first = next((day for day in days if on_day(day) != on_day(on)), None)
    if found is None or (found - on).days < 1500:
        assert found == first
    else:
        assert first is None


@pytest.mark.parametrize("kind", ["drain-pump", "control-board", "battery-pack", "run-capacitor"])
def test_a_kinds_shelf_time_in_months_is_when_it_falls(kind):
    """Practice 7: boards, rubber, pumps 24 months, capacitors 36, lithium packs 6."""
    months = {"drain-pump": 24, "control-board": 24, "battery-pack": 6, "run-capacitor": 36}[kind]
    assert KINDS[kind]["shelf_months"] == months
    facts = Facts(shelf_months=int(KINDS[kind]["shelf_months"]))
    day = falls_on([verdict(P)], facts, tested_on=TESTED_ON, on=TESTED_ON)
    assert day == months_after(TESTED_ON, months)
    assert grade([verdict(P)], facts, tested_on=TESTED_ON, on=day).grade == WORN
