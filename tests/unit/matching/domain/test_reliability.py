"""Bins, counts and intervals of stated chances."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matching.domain.reliability import LEAST, Reliability, reliability
from matching.domain.verdicts import Verdict

CASES = st.lists(st.tuples(st.booleans(), st.floats(0, 1), st.sampled_from(list(Verdict))))


@given(CASES)
def test_every_case_is_in_one_bin_and_one_verdict(cases):
    found = reliability(*(list(zip(*cases, strict=True)) or [[], [], []]))
    assert sum(one.count for one in found.bins) == len(cases)
    assert sum(one.count for one in found.verdicts) == len(cases)
    assert sum(one.fits for one in found.bins) == sum(true for true, _, _ in cases)
    assert found.enough is (len(cases) >= LEAST)
    # The mean gap is what the bins show: a second way to the same figure.
    gaps = sum(abs(one.count * one.stated - one.fits) for one in found.bins if one.count)
    assert found.ece is None if not cases else found.ece == pytest.approx(gaps / len(cases))
    assert Reliability.of_dict(found.as_dict()) == found


def test_edges_go_up_and_one_to_the_last():
    found = reliability([True, False, True], [0.1, 0.0999, 1.0], [Verdict.CHECK_FIRST] * 3)
    assert [one.count for one in found.bins] == [1, 1, 0, 0, 0, 0, 0, 0, 0, 1]
