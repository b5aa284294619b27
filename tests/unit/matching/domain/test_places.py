from itertools import zip_longest

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.machines import Machine
from donors.domain.model_numbers import folded
from matching.domain.places import OTHER_LENGTH, differing, features
from parts.domain.kinds import Kind

NUMBERS = st.text("AB123", min_size=1, max_size=9)


def of(number: str, make: str = "Velthane") -> Machine:
    return Machine(make=make, number=number)


@pytest.mark.parametrize(
    ("one", "other", "places"),
    [
        ("W760R1W", "W760R1W", ()),
        ("W760R1W", "W760R2S", (6, 7)),
        ("W760R1W", "W76OR1W", ()),  # 0 and O are taken for one another
        ("W760R1", "W760R1W", (OTHER_LENGTH,)),
        ("W760R*W", "W760R1W", ()),  # an open position may hold anything
    ],
)
def test_where_numbers_differ(one, other, places):
    assert differing(of(one), of(other)) == places


@pytest.mark.parametrize(
    ("one", "other"),
    [(of(""), of("W7")), (of("W7"), of("")), (of("W7"), of("W7", "Borsund")), (of("W7", ""),) * 2],
)
def test_what_cannot_be_laid_side_by_side(one, other):
    assert differing(one, other) is None


@given(NUMBERS, NUMBERS)
def test_the_same_either_way_round_and_as_counted_plainly(one, other):
    found = differing(of(one), of(other))
    assert found == differing(of(other), of(one))
    pairs = enumerate(zip_longest(folded(one), folded(other)), 1)
    plain = [at for at, (a, b) in pairs if a and b and a != b]
    assert [at for at in found if at != OTHER_LENGTH] == plain
    assert (OTHER_LENGTH in found) == (len(one) != len(other))


def test_each_difference_is_weighed_by_make_and_by_class_within_it():
    kind = Kind("control-board", fit_class="exact-only")
    assert features(kind, "Velthane", (6,)) == ["place/Velthane/6", "place/Velthane exact-only/6"]
    assert features(kind, "Velthane", ()) == []
    assert features(kind, "Velthane", None) == []
