import pytest
from hypothesis import given

from donors.domain.machines import Machine
from matching.domain.rules import CONDITION_NAMES, ApprovedRule, meets, strongest
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
        ({"built_from": "2014-01-15", "built_to": "2015-12-31"}, True),
        ({"built_from": "2014-01-31", "built_to": "2015-12-31"}, True),  # its last day
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
    assert (found.id if found else None) == decides


@given(strategies.rules, strategies.sides, strategies.sides)
def test_both_ways_is_symmetric_and_the_strongest_applies(rules, a, b):
    for one in rules:
        assert one.applies(a, b) == one.applies(b, a) or not one.both_ways
    found = strongest(rules, a, b)
    says = {one.says for one in rules if one.applies(a, b)}
    if found is None:
        assert not says
    else:
        assert found.applies(a, b)
        assert found.says == "does-not-fit" or "does-not-fit" not in says
        assert found.says != "fits" or says == {"fits"}
