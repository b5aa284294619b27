import pytest

from matching.domain.rule_words import rule_words, side_words

W7 = {"make": "Velthane", "family": "W7"}


@pytest.mark.parametrize(
    ("side", "words"),
    [
        ({}, ""),
        (W7, "Velthane W7"),
        ({"family": "W7"}, "W7"),
        ({"part_numbers": ["A", "B"]}, "part number A or B"),
        ({**W7, "fields": {"revision": "1"}}, "Velthane W7, revision 1"),
        ({"attributes": {"voltage_v": "230"}}, "voltage v 230"),
        ({"built_from": "2016-01-01"}, "built from 2016-01-01"),
        ({"built_to": "2016-01-01", "built_from": ""}, "built to 2016-01-01"),
        ({"built_from": "2016-01-01", "built_to": "2017-01-01"}, "built 2016-01-01 to 2017-01-01"),
    ],
)
def test_a_side(side, words):
    assert side_words(side) == words


def test_a_rule():
    assert rule_words("Heater", "fits", {}, W7) == "Heater: any fits Velthane W7."
    assert rule_words("Heater", "does-not-fit", W7, {}, both_ways=True) == (
        "Heater: Velthane W7 does not fit any machine, and the other way round."
    )
    assert rule_words("Heater", "fits-with-conditions", W7, W7, conditions="Turn it.") == (
        "Heater: Velthane W7 fits with conditions Velthane W7. Turn it."
    )
