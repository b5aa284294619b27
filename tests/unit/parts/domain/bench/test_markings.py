"""Printed codes: IEC 60062 as electronics pages quote it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench import markings
from tests.unit.parts.domain.bench.limits import LIMITS
from tests.unit.published import rows
from workshop.domain.refusals import ValueRefused


@pytest.mark.parametrize(("code", "ohm"), rows("rkm"))
def test_published_rkm_codes(code, ohm):
    assert markings.ohms(code) == pytest.approx(ohm, rel=1e-12)
    assert markings.rkm(ohm) == code


@pytest.mark.parametrize(("letter", "minus", "plus", "unit"), rows("capacitor_letters"))
def test_published_tolerance_letters(letter, minus, plus, unit):
    found = markings.tolerance(letter, limits=LIMITS)
    assert (found.minus, found.plus, found.unit) == (minus, plus, unit)


@pytest.mark.parametrize(("code", "picofarad", "letter"), rows("capacitor_codes"))
def test_published_capacitor_codes(code, picofarad, letter):
    found = markings.capacitor(code, limits=LIMITS)
    assert found.picofarad == picofarad
    assert found.tolerance.letter == letter
    low, high = found.tolerance.window(1.0, unit_pf=markings.PF_PER_UF)
    assert (low, high) == pytest.approx((0.9, 1.1))


def test_a_letter_in_picofarad_does_not_scale():
    found = markings.capacitor("100D", limits=LIMITS)
    assert found.picofarad == 10
    assert found.tolerance.window(10.0) == (9.5, 10.5)
    assert markings.capacitor("473", limits=LIMITS).tolerance is None


def test_z_is_lopsided():
    assert markings.tolerance("z", limits=LIMITS).window(100) == pytest.approx((80, 180))


@given(st.integers(1, 999), st.integers(-2, 8))
def test_rkm_there_and_back(figures, power):
    ohm = figures * 10.0**power
    assert markings.ohms(markings.rkm(ohm)) == pytest.approx(ohm, rel=1e-9)


@pytest.mark.parametrize("text", ["", "R", "4.7k", "4K7K", "ohm", "４K7", "1e3"])
def test_what_is_no_rkm_code(text):
    with pytest.raises(ValueRefused) as refused:
        markings.ohms(text)
    assert list(refused.value.fields) == ["text"]


@pytest.mark.parametrize("ohm", [0, -1, float("nan"), float("inf")])
def test_what_has_no_rkm_code(ohm):
    with pytest.raises(ValueRefused):
        markings.rkm(ohm)


def test_n_is_not_guessed():
    """One published list gives N as 0.05 %, another as 30 %: unknown, not either."""
    with pytest.raises(ValueRefused, match="known are B C D F G J K M Z"):
        markings.tolerance("N", limits=LIMITS)
    with pytest.raises(ValueRefused):
        markings.capacitor("105N", limits=LIMITS)
    with pytest.raises(ValueRefused):
        markings.capacitor("10", limits=LIMITS)
