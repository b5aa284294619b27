"""Demand: the negative binomial by SciPy, the published predictive values, and good sense."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from matching.domain import demand
from matching.domain.demand import p_asked, value_if_good
from workshop.domain.refusals import ValueRefused


@given(st.integers(0, 60), st.floats(0, 24), st.integers(0, 30))
def test_it_is_the_negative_binomial_tail(requests, months, on_hand):
    """SciPy: nbinom(a, b / (b + t)), t the year ahead shared among all on hand and this one."""
    a, b = demand.PRIOR_REQUESTS + requests, demand.PRIOR_MONTHS + months
    t = demand.AHEAD_MONTHS / (on_hand + 1)
    expected = stats.nbinom(a, b / (b + t)).sf(0)
    assert p_asked(requests, months=months, on_hand=on_hand) == pytest.approx(expected)


def test_the_published_predictive_values_have_the_same_form(monkeypatch):
    """P(none in t) of Gamma(a, b): the handed-over check values, recomputed there with SciPy."""
    rows = [(2, 26, 4, 0.751111), (1, 13, 4, 0.764706), (21, 6, 1, 0.0392751)]
    for a, b, t, p_none in rows:
        monkeypatch.setattr(demand, "PRIOR_REQUESTS", a)
        monkeypatch.setattr(demand, "PRIOR_MONTHS", b)
        monkeypatch.setattr(demand, "AHEAD_MONTHS", t)
        assert 1 - p_asked(0, months=0, on_hand=0) == pytest.approx(p_none, rel=2e-6)


@given(st.integers(0, 60), st.floats(0, 24), st.integers(0, 30))
def test_more_requests_make_it_surer_and_more_on_hand_less(requests, months, on_hand):
    here = p_asked(requests, months=months, on_hand=on_hand)
    assert 0 < here <= 1
    assert p_asked(requests + 1, months=months, on_hand=on_hand) >= here
    assert p_asked(requests, months=months, on_hand=on_hand + 1) <= here


def test_what_nobody_asked_for_in_two_years_is_worth_less():
    never = p_asked(0, months=24, on_hand=0)
    assert never == pytest.approx(0.25)
    assert p_asked(0, months=24, on_hand=3) < 0.1
    assert p_asked(0, months=0, on_hand=0) == pytest.approx(0.5)  # nothing counted yet
    assert p_asked(40, months=24, on_hand=0) > 0.999


def test_a_waiting_job_pays_for_sure_and_perhaps_more():
    assert value_if_good(30, asked=0.25) == pytest.approx(7.5)
    assert value_if_good(30, asked=0.25, p_fit=1, pays=45) == pytest.approx(45)
    assert value_if_good(30, asked=0.25, p_fit=1, pays=10) == pytest.approx(30)
    assert value_if_good(30, asked=0.25, p_fit=0.8) == pytest.approx(24 + 0.2 * 7.5)


@pytest.mark.parametrize("bad", [{"requests": -1}, {"months": 25}, {"on_hand": -1}])
def test_counts_that_cannot_be_are_refused(bad):
    given_ = {"requests": 1, "months": 12, "on_hand": 0, **bad}
    with pytest.raises(ValueRefused, match=next(iter(bad))):
        p_asked(given_["requests"], months=given_["months"], on_hand=given_["on_hand"])
