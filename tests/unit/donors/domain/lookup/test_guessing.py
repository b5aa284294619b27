import pytest

from donors.domain import patterns
from donors.domain.lookup.guessing import LEAST_NUMBERS, guess, is_due
from donors.domain.model_numbers import canonical
from tests.speed.worlds import make_numbers


def numbers(count: int) -> list[str]:
    found = [
        f"{family}{size}R{revision}{colour}"
        for family in ("W7", "K3", "D2", "H5")
        for size in (60, 70, 80)
        for revision in "12"
        for colour in "WSG"
    ]
    return found[:count]


def test_too_few_numbers_show_nothing():
    assert guess(numbers(LEAST_NUMBERS - 1)) == ""
    assert guess([]) == ""
    assert guess([""] * 100) == ""


def test_a_guess_explains_its_numbers_and_can_be_used():
    found = guess(numbers(60))
    compiled = patterns.compile_pattern(found)
    assert all(compiled.fullmatch(number) for number in numbers(60))
    assert "family" in patterns.fields_of(found, "W760R1W")


@pytest.mark.parametrize("seed", range(5000, 5020))
def test_whatever_the_make_the_guess_is_nothing_or_explains_nine_in_ten(seed):
    known = {canonical(number) for number in make_numbers(seed, 120)}
    found = guess(known)
    if found:
        compiled = patterns.compile_pattern(found)
        assert sum(bool(compiled.fullmatch(n)) for n in known) >= 0.9 * len(known)


def test_it_is_made_anew_when_it_has_grown_by_a_quarter():
    assert not is_due(29, 0)
    assert is_due(30, 0)
    assert not is_due(37, 30)
    assert is_due(38, 30)
