"""When rules meet, when one covers another, and what a condition may say."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matching.domain.rule_conditions import covers, implies, may_meet, problems
from matching.domain.rules import ApprovedRule, share_met
from tests.unit.matching import strategies

W7 = {"make": "Velthane", "family": "W7"}


@pytest.mark.parametrize(
    ("narrow", "wide", "expected"),
    [
        (W7, {}, True),
        ({}, W7, False),
        (W7, {"make": "Velthane"}, True),
        ({"make": "Velthane"}, W7, False),
        ({**W7, "fields": {"revision": "1"}}, W7, True),
        ({**W7, "fields": {"revision": "1"}}, {"fields": {"revision": "2"}}, False),
        ({"part_numbers": ["A-1"]}, {"part_numbers": ["A1", "B2"]}, True),
        ({"part_numbers": ["A1", "B2"]}, {"part_numbers": ["A1"]}, False),
        ({}, {"part_numbers": ["A1"]}, False),
        ({"built_from": "2016-01-01"}, {"built_from": "2015-01-01"}, True),
        ({"built_from": "2016-01-01"}, {"built_from": "2016-01-02"}, False),
        ({"built_from": "2016-01-01"}, {"built_to": "2020-01-01"}, False),
        ({}, {"built_to": "2020-01-01"}, False),
        (
            {"built_from": "2016-01-01", "built_to": "2017-01-01"},
            {"built_to": "2017-01-01"},
            True,
        ),
        ({"attributes": {"mount": "x", "poles": "2"}}, {"attributes": {"mount": "x"}}, True),
    ],
)
def test_one_side_within_another(narrow, wide, expected):
    assert implies(narrow, wide) is expected


@given(strategies.conditions, strategies.conditions, st.lists(strategies.sides, max_size=20))
def test_what_meets_the_narrow_side_meets_the_wide_one(narrow, wide, sides):
    """Judge: look at machines and parts one by one."""
    if implies(narrow, wide):
        for side in sides:
            if share_met(narrow, side) == 1.0:
                assert share_met(wide, side) == 1.0
    assert implies(narrow, narrow)


@given(strategies.conditions, strategies.conditions, strategies.sides)
def test_sides_one_thing_meets_may_meet(a, b, side):
    """Nothing is missed: where one side meets both, the two are said to meet."""
    assert may_meet(a, b) == may_meet(b, a)
    if share_met(a, side) == 1.0 and share_met(b, side) == 1.0:
        assert may_meet(a, b)


@given(strategies.rules, strategies.rules, strategies.sides, strategies.sides)
def test_a_covering_rule_applies_wherever_the_covered_one_does(wides, narrows, offer, want):
    for wide in wides:
        for narrow in narrows:
            if covers(wide, narrow) and narrow.applies(offer, want):
                assert wide.applies(offer, want)


def test_both_ways_cover_one_way_and_not_the_reverse():
    one = ApprovedRule(1, "fits", {"part_numbers": ["A1"]}, {"part_numbers": ["B2"]})
    both, back = replace(one, both_ways=True), ApprovedRule(2, "fits", one.job_side, one.donor_side)
    assert covers(both, one)
    assert covers(both, back)
    assert covers(both, replace(back, both_ways=True))
    assert not covers(one, both)
    assert not covers(one, back)


def fields_of(make):
    return {"Velthane": frozenset({"family", "revision"}), "Borsund": frozenset()}.get(make)


@pytest.mark.parametrize(
    ("side", "names"),
    [
        ({**W7, "fields": {"revision": "1"}, "part_numbers": ["A"]}, []),
        ({"make": "Velthane", "fields": {"market": "E"}}, ["fields.market"]),
        ({"make": "Borsund", "fields": {"revision": "1"}}, ["fields.revision"]),
        ({"make": "Nobody"}, ["make"]),
        ({"fields": {"market": "E"}}, []),  # some make may have it
        ({"fields": {"shape": "E"}}, ["fields.shape"]),
        ({"shape": "round"}, ["shape"]),
        ({"built_from": "2020-01-02", "built_to": "2020-01-01"}, ["built_to"]),
        ({"built_from": "2020-01-01", "built_to": "2020-01-01"}, []),
        ({"built_from": None, "built_to": ""}, []),
        ({"built_from": "2020-W01-1"}, ["built_from"]),
        ({"attributes": {"Big V": "1"}}, ["attributes.Big V"]),
        ({"part_numbers": ["A"] * 201}, ["part_numbers"]),
    ],
)
def test_what_is_wrong_with_a_side(side, names):
    assert [name for name, _ in problems(side, fields_of)] == names


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)


@given(
    st.dictionaries(
        st.sampled_from(
            ["make", "family", "fields", "part_numbers", "built_from", "built_to", "attributes"]
        )
        | st.text(),
        json_values,
        max_size=5,
    )
)
def test_whatever_is_sent_is_judged_and_what_passes_can_be_used(side):
    if list(problems(side, fields_of)):
        return
    stated = ApprovedRule(1, "fits", side, side)
    assert covers(stated, stated)
    assert may_meet(side, side)
