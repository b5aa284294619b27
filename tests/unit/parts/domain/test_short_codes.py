"""Short codes. Judge of the check character: python-stdnum's ISO 7064 MOD 37-36."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rapidfuzz.distance import OSA
from stdnum.iso7064 import mod_37_36

from parts.domain.short_codes import (
    MOST_NUMBER,
    code_of,
    codes_after,
    is_code,
    nearest,
    next_number,
    read,
)
from workshop.domain.check_characters import BASE_32
from workshop.domain.refusals import ValueRefused

numbers = st.integers(0, 32**5).map(next_number)


def stock(size):
    number, codes = 0, []
    for _ in range(size):
        number = next_number(number)
        codes.append(code_of(number))
    return codes


@given(numbers)
def test_codes_satisfy_the_reference(number):
    code = code_of(number)
    assert mod_37_36.is_valid(code)
    assert is_code(code)
    assert set(code) <= set(BASE_32)
    assert len(code) >= 5


@given(numbers, st.sampled_from([str.lower, str.upper]), st.sampled_from(["", " ", "-"]))
def test_read_whatever_way_it_is_written(number, case, separator):
    code = code_of(number)
    written = case(code[:3] + separator + code[3:]).replace("0", "O").replace("1", "l")
    assert read(written) == code


@given(numbers, st.data())
def test_every_single_misreading_shows(number, data):
    """ISO 7064 promises it; here against the kept form."""
    code = code_of(number)
    place = data.draw(st.integers(0, len(code) - 1))
    other = data.draw(st.sampled_from(BASE_32.replace(code[place], "")))
    misread = code[:place] + other + code[place + 1 :]
    assert not is_code(misread)
    with pytest.raises(ValueRefused):
        read(misread)


def test_numbers_whose_check_would_be_i_l_o_or_u_are_left_out():
    left_out = set(range(1, 400)) - {next_number(n) for n in range(399)}
    assert left_out
    for number in left_out:
        with pytest.raises(ValueRefused, match="left out"):
            code_of(number)
    assert len(left_out) < 400 * 8 / 36  # 4 of 36 characters


def test_codes_are_unique_and_in_order():
    codes = stock(2000)
    assert len(set(codes)) == 2000
    assert codes == sorted(codes, key=lambda code: [BASE_32.index(one) for one in code[:-1]])


@pytest.mark.parametrize("number", [0, -1, MOST_NUMBER + 1, True])
def test_numbers_out_of_range(number):
    with pytest.raises(ValueRefused):
        code_of(number)


@pytest.mark.parametrize("text", ["", "0", "????", "001", "A" * 50, "ÄÖÜ42"])
def test_what_is_no_code(text):
    assert not is_code(text)
    with pytest.raises(ValueRefused):
        read(text)
    assert nearest(text, lambda _: ()) == []


@given(st.integers(0, 32**4), st.integers(0, 40))
def test_codes_in_bulk_are_those_one_by_one(after, count):
    codes, last = codes_after(after, count)
    number, expected = after, []
    for _ in range(count):
        number = next_number(number)
        expected.append(code_of(number))
    assert (codes, last) == (expected, number)


class TestNearest:
    CODES = stock(3000)
    KNOWN = frozenset(CODES)
    places = st.integers(0, 2999)

    def found(self, text, most=5):
        return nearest(text, self.KNOWN.intersection, most=most)

    @given(places)
    def test_a_right_code_comes_first(self, place):
        assert self.found(self.CODES[place])[0] == self.CODES[place]

    @given(places, st.data())
    def test_one_slip_is_always_found(self, place, data):
        code = self.CODES[place]
        at = data.draw(st.integers(0, len(code) - 1))
        other = data.draw(st.sampled_from(BASE_32))
        slip = data.draw(st.sampled_from(["misread", "lost", "added", "swapped"]))
        typed = {
            "misread": code[:at] + other + code[at + 1 :],
            "lost": code[:at] + code[at + 1 :],
            "added": code[:at] + other + code[at:],
            "swapped": code[:at] + code[at : at + 2][::-1] + code[at + 2 :],
        }[slip]
        assert code in self.found(typed, most=100)

    @given(places, st.data())
    def test_against_a_search_of_all_codes(self, place, data):
        """A slow judge: every known code one slip away by rapidfuzz's OSA is offered."""
        code = self.CODES[place]
        at = data.draw(st.integers(0, len(code) - 1))
        typed = code[:at] + data.draw(st.sampled_from(BASE_32)) + code[at + 1 :]
        near = {one for one in self.CODES if OSA.distance(typed, one) <= 1}
        assert near <= set(self.found(typed, most=10_000))

    def test_a_confusion_ranks_before_another_character(self):
        code = next(one for one in self.CODES if "8" in one[:-1])
        typed = code.replace("8", "B", 1)
        assert self.found(typed)[0] == code

    # Commonly taken for one another: plate readers and handwriting (check-values 4.4).
    TAKEN_FOR = {"8": "B", "5": "S", "2": "Z", "6": "G", "4": "A", "V": "W", "M": "N"}  # noqa: RUF012

    @given(places, st.data())
    def test_two_common_confusions_are_found(self, place, data):
        code = self.CODES[place]
        at = [i for i, one in enumerate(code) if one in self.TAKEN_FOR]
        typed = list(code)
        for i in data.draw(st.lists(st.sampled_from(at), max_size=2, unique=True)) if at else ():
            typed[i] = self.TAKEN_FOR[code[i]]
        assert code in self.found("".join(typed), most=1000)

    def test_codes_that_do_not_exist_are_not_offered(self):
        assert nearest(self.CODES[7][:-1], lambda _: ()) == []
