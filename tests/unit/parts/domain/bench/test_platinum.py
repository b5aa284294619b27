"""Pt100 and Pt1000 against IEC 60751: coefficients seen, values computed apart."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench import platinum
from parts.domain.bench.verdicts import OPEN, Outcome
from tests.unit.parts.domain.bench.limits import LIMITS
from tests.unit.published import rows
from workshop.domain.refusals import ValueRefused

degrees = st.floats(-200, 850)


@pytest.mark.parametrize(("at_c", "ohm"), rows("platinum"))
@pytest.mark.parametrize("r0_ohm", [100.0, 1000.0])
def test_published_values_on_both_sides_of_zero(at_c, ohm, r0_ohm):
    found = platinum.resistance_ohm(at_c=at_c, r0_ohm=r0_ohm, limits=LIMITS)
    assert found == pytest.approx(ohm * r0_ohm / 100, abs=5e-5 * r0_ohm / 100)
    back = platinum.temperature_c(ohm=ohm * r0_ohm / 100, r0_ohm=r0_ohm, limits=LIMITS)
    assert back == pytest.approx(at_c, abs=2e-4)


@pytest.mark.parametrize(("at_c", "tolerance_c", "tolerance_ohm"), rows("platinum_class_b"))
def test_class_b_as_a_table_prints_it(at_c, tolerance_c, tolerance_ohm):
    assert platinum.tolerance_c(at_c=at_c, limits=LIMITS) == pytest.approx(tolerance_c)
    verdict = platinum.judge_resistance(measured_ohm=138.5, at_c=at_c, limits=LIMITS)
    half = (verdict.limit.high - verdict.limit.low) / 2
    assert half == pytest.approx(tolerance_ohm, abs=5e-3)


def test_class_a_is_tighter():
    """IEC 60751: class A ±(0.15 + 0.002 |t|)."""
    assert platinum.tolerance_c(at_c=-100, limits=LIMITS, tolerance_class="A") == pytest.approx(
        0.35
    )


@given(degrees)
def test_there_and_back(at_c):
    ohm = platinum.resistance_ohm(at_c=at_c, limits=LIMITS)
    assert platinum.temperature_c(ohm=ohm, limits=LIMITS) == pytest.approx(at_c, abs=1e-6)


@given(degrees, degrees)
def test_warmer_reads_more(one, other):
    cold, warm = sorted((one, other))
    at = {t: platinum.resistance_ohm(at_c=t, limits=LIMITS) for t in (cold, warm)}
    assert at[cold] <= at[warm]


@pytest.mark.parametrize(
    ("ohm", "outcome"),
    [
        (109.73, Outcome.PASS),
        (110.2, Outcome.DOUBTFUL),  # the leads
        (109.0, Outcome.FAIL),
        (111.0, Outcome.FAIL),
        (OPEN, Outcome.FAIL),
        (None, Outcome.NOT_MEASURED),
    ],
)
def test_outcomes_at_25(ohm, outcome):
    verdict = platinum.judge_resistance(measured_ohm=ohm, at_c=25, limits=LIMITS)
    assert verdict.outcome is outcome
    assert verdict.is_standards_limit
    assert "IEC 60751 class B" in verdict.limit.source


@pytest.mark.parametrize(
    "ask",
    [
        lambda: platinum.resistance_ohm(at_c=-201, limits=LIMITS),
        lambda: platinum.resistance_ohm(at_c=float("nan"), limits=LIMITS),
        lambda: platinum.temperature_c(ohm=5, limits=LIMITS),
        lambda: platinum.judge_resistance(measured_ohm=-1, at_c=25, limits=LIMITS),
        lambda: platinum.tolerance_c(at_c=0, limits=LIMITS, tolerance_class="C"),
    ],
)
def test_what_cannot_be_is_refused(ask):
    with pytest.raises(ValueRefused):
        ask()
