"""Run capacitors: windows from memory (IEC 60252-1), ageing common practice, currents computed."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench import capacitor
from parts.domain.bench.limits import Standing
from parts.domain.bench.verdicts import OPEN, Outcome
from tests.unit.parts.domain.bench.limits import LIMITS
from tests.unit.published import VALUES, rows
from workshop.domain.refusals import ValueRefused


@pytest.mark.parametrize(("marked", "percent", "low", "high"), rows("capacitor_window"))
def test_published_windows(marked, percent, low, high):
    found = capacitor.window_uf(marked_uf=marked, tolerance_percent=percent)
    assert found == pytest.approx((low, high))


@pytest.mark.parametrize(("microfarad", "ampere"), rows("capacitor_current"))
def test_published_currents(microfarad, ampere):
    found = capacitor.current_a(microfarad=microfarad, volts=230, hertz=50)
    assert found == pytest.approx(ampere, abs=5e-4)
    back = capacitor.microfarad_of(ampere=ampere, volts=230, hertz=50)
    assert back == pytest.approx(microfarad, abs=8e-3)


def test_published_reactance():
    found = capacitor.reactance_ohm(microfarad=8, hertz=50)
    assert found == pytest.approx(VALUES["capacitor_current"]["reactance_8_uf_ohm"], abs=0.05)


@pytest.mark.parametrize(
    ("measured", "percent", "outcome", "slug"),
    [
        (8.0, 5, Outcome.PASS, "capacitor-print"),
        (8.41, 5, Outcome.FAIL, "capacitor-print"),
        (7.59, 5, Outcome.FAIL, "capacitor-print"),
        (7.4, 10, Outcome.DOUBTFUL, "run-capacitor-ageing"),  # -7.5 %: not for resale
        (7.1, 10, Outcome.FAIL, "capacitor-print"),
        (7.1, 20, Outcome.FAIL, "run-capacitor-ageing"),  # in its print, but aged
        (OPEN, 10, Outcome.FAIL, "capacitor-print"),
        (None, 10, Outcome.NOT_MEASURED, "capacitor-print"),
    ],
)
def test_the_worse_of_print_and_ageing_decides(measured, percent, outcome, slug):
    verdict = capacitor.judge_capacitance(
        measured_uf=measured, marked_uf=8, tolerance_percent=percent, limits=LIMITS
    )
    assert (verdict.outcome, verdict.limit.slug) == (outcome, slug)
    assert verdict.limit.standing in (Standing.MAKER, Standing.GUIDE)


@given(st.floats(0.1, 200), st.floats(10, 500), st.floats(1, 1000))
def test_current_there_and_back(microfarad, volts, hertz):
    ampere = capacitor.current_a(microfarad=microfarad, volts=volts, hertz=hertz)
    back = capacitor.microfarad_of(ampere=ampere, volts=volts, hertz=hertz)
    assert back == pytest.approx(microfarad)
    assert volts / capacitor.reactance_ohm(microfarad=microfarad, hertz=hertz) == pytest.approx(
        ampere
    )


@pytest.mark.parametrize(
    ("given_", "field"),
    [
        ({"measured_uf": -1, "marked_uf": 8, "tolerance_percent": 5}, "measured_uf"),
        ({"measured_uf": 8, "marked_uf": 0, "tolerance_percent": 5}, "marked_uf"),
        ({"measured_uf": 8, "marked_uf": 8, "tolerance_percent": 0}, "tolerance_percent"),
    ],
)
def test_bad_values_are_refused_by_field(given_, field):
    with pytest.raises(ValueRefused) as refused:
        capacitor.judge_capacitance(**given_, limits=LIMITS)
    assert list(refused.value.fields) == [field]
