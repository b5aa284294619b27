import pytest

from donors.domain import patterns
from donors.domain.lookup.proposing import propose
from donors.domain.model_numbers import canonical
from tests.speed import worlds


def test_positions_and_the_place_where_families_part():
    numbers = [f"K{f}{n:03}{c}" for f in "AB" for n in range(0, 1000, 25) for c in "WS"]
    found = propose(numbers)
    assert found.pattern == r"^(?P<family>KA|KB)(?P<size>\d{3})(?P<colour>[A-Z])$"
    assert (found.explained, found.numbers, found.unexplained) == (160, 160, ())
    assert [(one.kind, one.values, one.field) for one in found.positions] == [
        ("letters", 2, "family"),
        ("digits", 40, "size"),
        ("letters", 2, "colour"),
    ]


def test_what_a_rare_number_breaks_is_said():
    numbers = [f"HN{n:04}{c}" for n in range(0, 2000, 7) for c in "ABC"]
    found = propose([*numbers, "999-ODD"])
    assert found.unexplained == ("999-ODD",)
    assert found.explained == len(numbers)


@pytest.mark.parametrize("numbers", [[], [""], ["A1"] * 50, ["AB*1"] * 9])
def test_too_few_numbers_have_no_pattern(numbers):
    found = propose(numbers)
    assert found.pattern == ""
    assert "too few" in found.because


@pytest.mark.parametrize("seed", range(900, 915))
def test_a_proposal_can_be_stored_and_explains_what_it_says(seed):
    """Judge: the pattern engine itself, over every number."""
    numbers = [canonical(number) for number in worlds.make_numbers(seed, 300)]
    found = propose(numbers)
    if not found.pattern:
        assert found.because
        return
    compiled = patterns.compile_pattern(found.pattern)
    assert sum(compiled.fullmatch(n) is not None for n in set(numbers)) == found.explained
    assert found.explained >= 0.8 * found.numbers
    assert all(patterns.fields_of(found.pattern, n) for n in numbers if compiled.fullmatch(n))
