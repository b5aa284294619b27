"""Published values (tests/data/check_values.json names each) and python-stdnum as the judge."""

from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from stdnum import ean
from stdnum.iso7064 import mod_11_2, mod_37_2, mod_37_36, mod_97_10

from tests.unit.published import rows
from workshop.domain import check_characters
from workshop.domain.check_characters import BASE_32, BASE_32_CHECKS, DIGITS, LETTERS, holds

digits = st.text(DIGITS, min_size=1, max_size=30)
tags = st.text(DIGITS + LETTERS, min_size=1, max_size=30)

SYSTEMS = {
    "mod37_36": check_characters.mod_37_36,
    "mod37_2": check_characters.mod_37_2,
    "mod11_2": check_characters.mod_11_2,
    "mod97_10": check_characters.mod_97_10,
    "gtin": check_characters.gs1,
}


@pytest.mark.parametrize(
    ("system", "text", "check"),
    [(name, text, check) for name in SYSTEMS for text, check in rows(name)],
)
def test_published_values(system, text, check):
    assert SYSTEMS[system](text) == check
    assert holds(text + check, SYSTEMS[system], width=len(check))


@given(tags)
def test_mod_37_36_equals_the_reference(text):
    assert check_characters.mod_37_36(text) == mod_37_36.calc_check_digit(text)


@given(tags)
def test_mod_37_2_equals_the_reference(text):
    alphabet = DIGITS + LETTERS + "*"
    assert check_characters.mod_37_2(text) == mod_37_2.calc_check_digit(text, alphabet)


@given(digits)
def test_mod_11_2_equals_the_reference(text):
    assert check_characters.mod_11_2(text) == mod_11_2.calc_check_digit(text)


@given(digits)
def test_mod_97_10_equals_the_reference(text):
    check = check_characters.mod_97_10(text)
    assert check == mod_97_10.calc_check_digits(text)
    assert int(text + check) % 97 == 1  # the condition the standard states


@given(st.text(DIGITS, min_size=7, max_size=17))
def test_gs1_equals_the_reference(text):
    assert check_characters.gs1(text) == ean.calc_check_digit(text)


@given(tags, st.data())
def test_mod_37_36_shows_every_single_misreading(text, data):
    """ISO 7064 promises it of each of its systems."""
    whole = text + check_characters.mod_37_36(text)
    place = data.draw(st.integers(0, len(whole) - 1))
    other = data.draw(st.sampled_from((DIGITS + LETTERS).replace(whole[place], "")))
    misread = whole[:place] + other + whole[place + 1 :]
    assert not holds(misread, check_characters.mod_37_36)


@given(tags.filter(lambda text: any(a != b for a, b in pairwise(text))), st.data())
def test_mod_37_2_shows_every_swap_of_neighbours(text, data):
    """A pure system with a prime modulus sees each transposition of two neighbours."""
    places = [i for i, (a, b) in enumerate(pairwise(text)) if a != b]
    place = data.draw(st.sampled_from(places))
    swapped = text[:place] + text[place + 1] + text[place] + text[place + 2 :]
    assert check_characters.mod_37_2(swapped) != check_characters.mod_37_2(text)


@pytest.mark.parametrize(("number", "text", "check"), rows("crockford"))
def test_base_32_published_values(number, text, check):
    assert check_characters.base_32(number) == text
    assert check_characters.from_base_32(text) == number
    assert check_characters.base_32_check(number) == check


@given(st.integers(0, 10**40))
def test_base_32_equals_python_reading_its_own_base_32(number):
    """Judge: int(..., 32) over Python's alphabet 0-9 a-v, digit by digit the same places."""
    text = check_characters.base_32(number)
    assert int(text.translate(str.maketrans(BASE_32, "0123456789abcdefghijklmnopqrstuv")), 32) == (
        number
    )
    assert check_characters.from_base_32(text) == number
    assert BASE_32_CHECKS.index(check_characters.base_32_check(number)) == number % 37


def test_base_32_reads_what_people_write():
    assert check_characters.from_base_32("ilo-1O") == check_characters.from_base_32("11010")
    assert check_characters.from_base_32("1h62-wv5") == 1650553701


@pytest.mark.parametrize("system", SYSTEMS.values())
@pytest.mark.parametrize("text", ["", "A-1", "12 3", "é", "\ud800", "١٢"])
def test_what_cannot_carry_a_check_is_refused(system, text):
    with pytest.raises(ValueError, match=r"empty|can be checked"):
        system(text)
    assert not holds(text, system)


@pytest.mark.parametrize("text", ["", "-", "U", "12U", "a b"])
def test_base_32_refuses_other_characters(text):
    with pytest.raises(ValueError, match=r"empty|can be checked"):
        check_characters.from_base_32(text)


def test_base_32_refuses_negative_numbers():
    with pytest.raises(ValueError, match="below zero"):
        check_characters.base_32(-1)


@given(st.text(max_size=20), st.sampled_from([1, 2]))
def test_holds_never_raises(text, width):
    for system in SYSTEMS.values():
        assert holds(text, system, width=width) in {True, False}


@given(tags)
def test_a_wrong_check_does_not_hold(text):
    check = check_characters.mod_37_36(text)
    assume(check != "A")
    assert holds(text + check, check_characters.mod_37_36)
    assert not holds(text + "A", check_characters.mod_37_36)
