from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.machines import Machine
from matching.domain.rules import CONDITION_NAMES, ApprovedRule, meets, share_met, strongest
from tests.unit.matching import strategies
from tests.unit.matching.building import built, machine, side

OFFER = side("1111.222-01", machine("M2W 90 246 S 4", built=built(2014)), mount="3-lug")
WANT = side("", machine("M2W 60 247 W 3", built=built(2016)))


@pytest.mark.parametrize(
    ("conditions", "expected"),
    [
        ({}, True),
        ({"make": "Velthane"}, True),
        ({"make": "Borsund"}, False),
        ({"make": ""}, True),
        ({"family": "M2W"}, True),
        ({"family": "H3C"}, False),
        ({"fields": {"revision": "4"}}, True),
        ({"fields": {"revision": "4", "series": "246"}}, True),
        ({"fields": {"revision": "4", "series": "247"}}, False),
        ({"part_numbers": ["9999", "1111 222 01"]}, True),  # compared in canonical form
        ({"part_numbers": ["9999"]}, False),
        ({"part_numbers": [" - "]}, False),
        ({"built_from": "2010-01-01"}, True),  # from then on: the other end is open
        ({"built_from": "2014-02-01"}, False),
        ({"built_to": "2019-12-31"}, True),
        ({"built_to": "2013-12-31"}, False),
        ({"built_from": "2014-01-01", "built_to": "2014-01-31"}, True),  # just its month
        ({"built_from": "2014-01-02", "built_to": "2015-12-31"}, False),  # a day may be outside
        ({"built_from": "2014-02-01", "built_to": "2015-12-31"}, False),
        ({"attributes": {"mount": "3-lug"}}, True),
        ({"attributes": {"mount": "4-lug"}}, False),
        ({"make": "Velthane", "family": "M2W", "attributes": {"mount": "3-lug"}}, True),
        ({"make": "Velthane", "family": "H3C", "attributes": {"mount": "3-lug"}}, False),
    ],
)
def test_meets(conditions, expected):
    assert meets(conditions, OFFER) is expected


@pytest.mark.parametrize(
    "conditions",
    [
        {"make": "Velthane"},
        {"family": "M2W"},
        {"fields": {"revision": "4"}},
        {"part_numbers": ["1111.222-01"]},
        {"part_numbers": [""]},
        {"built_from": "1950-01-01", "built_to": "2100-12-31"},
        {"attributes": {"mount": "3-lug"}},
    ],
)
def test_what_is_unknown_meets_no_condition(conditions):
    assert not meets(conditions, side(of=Machine()))


def test_each_condition_name_is_tested_above():
    assert set(CONDITION_NAMES) == {
        "make",
        "family",
        "fields",
        "part_numbers",
        "built_from",
        "built_to",
        "attributes",
    }


@pytest.mark.parametrize("both_ways", [False, True])
def test_a_rule_runs_one_way_unless_it_says_otherwise(both_ways):
    rule = ApprovedRule(
        1, "fits", {"fields": {"revision": "4"}}, {"fields": {"revision": "3"}}, both_ways
    )
    assert rule.applies(OFFER, WANT)
    assert rule.applies(WANT, OFFER) is both_ways
    assert not rule.applies(OFFER, OFFER)


def rule(number: int, says: str, family: str = "M2W") -> ApprovedRule:
    return ApprovedRule(number, says, {"family": family}, {})


@pytest.mark.parametrize(
    ("rules", "decides"),
    [
        ([], None),
        ([rule(1, "fits", "H3C")], None),
        ([rule(1, "fits"), rule(2, "does-not-fit")], 2),
        ([rule(1, "fits"), rule(2, "fits-with-conditions")], 2),
        ([rule(1, "fits-with-conditions"), rule(2, "does-not-fit")], 2),
        ([rule(1, "fits"), rule(2, "does-not-fit", "H3C")], 1),
        ([rule(7, "fits"), rule(3, "fits")], 3),  # of equals the older
    ],
)
def test_a_refusal_comes_before_conditions_before_a_yes(rules, decides):
    found = strongest(rules, OFFER, WANT)
    assert (found.rule.id if found else None) == decides


@pytest.mark.parametrize(
    ("conditions", "share"),
    [
        # OFFER was built in January 2014: 31 days.
        ({"built_from": "2014-01-01", "built_to": "2014-01-31"}, 1.0),
        ({"built_from": "2014-01-31"}, 1 / 31),
        ({"built_from": "2014-01-16"}, 16 / 31),
        ({"built_to": "2014-01-01"}, 1 / 31),
        ({"built_from": "2014-01-10", "built_to": "2014-01-12"}, 3 / 31),
        ({"built_from": "2014-02-01"}, 0.0),
        ({"built_from": "2014-01-16", "family": "H3C"}, 0.0),
    ],
)
def test_how_far_a_build_interval_lies_in_the_span(conditions, share):
    assert share_met(conditions, OFFER) == pytest.approx(share)


@given(strategies.eras, st.dates(date(2010, 1, 1), date(2020, 1, 1)), st.integers(0, 2000))
def test_the_share_is_the_share_of_days(built_on, first, days):
    """Judge: count the days one by one."""
    last = first + timedelta(days)
    of = side(of=Machine(built=built_on))
    found = share_met({"built_from": str(first), "built_to": str(last)}, of)
    if built_on is None:
        assert found is None
        return
    long = (built_on.end - built_on.start).days + 1
    all_days = [built_on.start + timedelta(number) for number in range(long)]
    assert found == pytest.approx(sum(first <= day <= last for day in all_days) / long)


def test_an_unknown_build_date_leaves_only_the_build_date_open():
    bare = side("1111.222-01", Machine(make="Velthane", family="M2W"))
    assert share_met({"built_from": "2014-01-16", "family": "M2W"}, bare) is None
    assert share_met({"built_from": "2014-01-16", "family": "H3C"}, bare) == 0.0
    assert not meets({"built_from": "2014-01-16"}, bare)


def test_both_sides_and_both_ways():
    early, late = {"built_to": "2014-01-15"}, {"built_from": "2016-01-16"}
    assert ApprovedRule(1, "fits", early, {}).share(OFFER, WANT) == pytest.approx(15 / 31)
    both = ApprovedRule(1, "fits", early, late).share(OFFER, WANT)
    assert both == pytest.approx(15 / 31 * 16 / 31)
    crossed = ApprovedRule(1, "fits", late, early)
    assert crossed.share(OFFER, WANT) == 0.0
    crossed = replace(crossed, both_ways=True)
    assert crossed.share(OFFER, WANT) == pytest.approx(both)


def test_a_refusal_that_may_apply_comes_before_a_yes_that_does():
    perhaps = {"built_from": "2014-01-16"}
    refusal = ApprovedRule(9, "does-not-fit", perhaps)
    plain, maybe = ApprovedRule(2, "fits"), ApprovedRule(1, "fits-with-conditions", perhaps)
    found = strongest([plain, refusal, maybe], OFFER, WANT)
    assert (found.rule, found.certain) == (refusal, False)
    assert strongest([plain, maybe], OFFER, WANT).rule is plain
    assert strongest([maybe], OFFER, WANT).share == pytest.approx(16 / 31)


@given(strategies.rules, strategies.sides, strategies.sides)
def test_both_ways_is_symmetric_and_the_strongest_applies(rules, a, b):
    for one in rules:
        assert one.applies(a, b) == one.applies(b, a) or not one.both_ways
    found = strongest(rules, a, b)
    says = {one.says for one in rules if one.share(a, b) != 0.0}
    sure = {one.says for one in rules if one.applies(a, b)}
    if found is None:
        assert not says
    else:
        assert found.share == found.rule.share(a, b) != 0.0
        assert found.rule.says == "does-not-fit" or "does-not-fit" not in says
        assert found.rule.says != "fits" or "fits-with-conditions" not in sure
        assert found.certain or not sure or found.rule.says == "does-not-fit"
