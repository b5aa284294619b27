"""Winding balance: check-values 3.3; 3 and 5 % are common practice, never a standard's limit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench import winding
from parts.domain.bench.limits import Standing
from parts.domain.bench.verdicts import OPEN, Outcome
from tests.unit.parts.domain.bench.limits import LIMITS
from tests.unit.published import rows
from workshop.domain.refusals import ValueRefused

sets = st.lists(st.floats(0.1, 1000), min_size=2, max_size=6)


@pytest.mark.parametrize(("ohms", "deviation", "spread"), rows("winding_balance"))
def test_published_balances(ohms, deviation, spread):
    found = winding.balance(ohms)
    assert found.deviation == pytest.approx(deviation, abs=5e-4)
    assert found.spread == pytest.approx(spread, abs=5e-4)


@pytest.mark.parametrize(
    ("ohms", "outcome"),
    [
        ((6.0, 6.1, 5.9), Outcome.PASS),
        ((10.0, 10.4, 9.6), Outcome.DOUBTFUL),
        ((5.8, 6.0, 6.5), Outcome.FAIL),
        ((6.0, None, 6.0), Outcome.NOT_MEASURED),
        ((6.0, OPEN, None), Outcome.FAIL),
        ((), Outcome.NOT_MEASURED),
    ],
)
def test_outcomes(ohms, outcome):
    verdict = winding.judge_balance(ohms, limits=LIMITS)
    assert verdict.outcome is outcome
    assert verdict.limit.standing is Standing.GUIDE


def test_it_says_how_many_are_missing():
    verdict = winding.judge_balance((6.0, None, None), limits=LIMITS)
    assert verdict.sentence.endswith("2 of 3 windings have no reading.")


@given(sets, st.floats(0.01, 100))
def test_the_unit_does_not_matter(ohms, factor):
    found = winding.balance([ohm * factor for ohm in ohms])
    assert found.deviation == pytest.approx(winding.balance(ohms).deviation)


@given(sets)
def test_the_spread_lies_between_one_and_two_deviations(ohms):
    found = winding.balance(ohms)
    slack = 1e-9
    assert found.deviation - slack <= found.spread <= 2 * found.deviation + slack


@pytest.mark.parametrize("ohms", [(6.0,), (0.0, 0.0), (6.0, -6.0), (6.0, float("nan"))])
def test_what_cannot_be_compared_is_refused(ohms):
    with pytest.raises(ValueRefused):
        winding.judge_balance(ohms, limits=LIMITS)
