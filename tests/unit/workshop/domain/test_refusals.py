"""Bad input is refused with one sentence for each field, all at once."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workshop.domain.refusals import Checks, ValueRefused


def several_faults():
    with Checks() as bad:
        assert not bad.number("ohm", -3, "ohm", least=0)
        assert not bad.number("volts", None, "V")
        assert not bad.number("watts", 0, "W", above=0)
        assert not bad.number("kelvin", 900, "K", most=500)
        assert not bad.number("celsius", -300, "°C", least=-273)
        assert bad.number("hertz", 50, "Hz")


def test_several_fields_are_named_at_once():
    with pytest.raises(ValueRefused) as refused:
        several_faults()
    assert refused.value.fields == {
        "ohm": "-3 ohm is negative; measure again or leave it blank",
        "volts": "is missing; give it in V",
        "watts": "0 W must be more than 0",
        "kelvin": "900 K is above 500, the most there can be",
        "celsius": "-300 °C is below -273, the least there can be",
    }
    assert "volts: is missing" in str(refused.value)


def test_the_first_sentence_of_a_field_stays():
    bad = Checks()
    bad.refuse("ohm", "first")
    bad.refuse("ohm", "second")
    assert bad.fields == {"ohm": "first"}


def broken_while_checking():
    with Checks() as bad:
        bad.refuse("ohm", "wrong")
        _ = 1 / 0


def test_another_error_is_not_hidden():
    with pytest.raises(ZeroDivisionError):
        broken_while_checking()


def test_missing_is_no_fault_where_it_is_not_needed():
    with Checks() as bad:
        assert not bad.number("ohm", None, "ohm", needed=False)


@given(st.sampled_from([math.nan, math.inf, -math.inf, True, "5", [5]]))
def test_what_is_no_finite_number(value):
    with pytest.raises(ValueRefused), Checks() as bad:
        bad.number("ohm", value, "ohm")


@given(st.floats(allow_nan=False, allow_infinity=False), st.floats(-10, 0), st.floats(0, 10))
def test_only_numbers_within_pass(value, least, most):
    with Checks() as bad:
        sound = bad.number("x", value, least=least, most=most)
        bad.fields.clear()
    assert sound is (least <= value <= most)


@pytest.mark.parametrize("digits", [401, 5000])
def test_an_integer_beyond_every_float_is_refused(digits):
    with pytest.raises(ValueRefused) as refused, Checks() as bad:
        bad.number("ohm", 10 ** (digits - 1), "ohm", least=0)
    said = "so long a number is no reading; give a finite number or leave it blank"
    assert refused.value.fields == {"ohm": said}
