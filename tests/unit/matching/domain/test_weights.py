import pytest

from matching.domain.weights import Weights
from tests.unit.matching.building import CLASSES, TABLE, WEIGHTS


@pytest.mark.parametrize("fit_class", CLASSES)
def test_bits_are_read_by_class(fit_class):
    column = CLASSES.index(fit_class)
    assert WEIGHTS.prior(fit_class) == TABLE["prior"][fit_class]
    assert WEIGHTS.bits("number", "same", fit_class) == TABLE["number"]["same"][column]


def test_columns_follow_the_order_of_the_classes():
    weights = Weights({"classes": ["b", "a"], "number": {"same": [2, 1]}})
    assert weights.bits("number", "same", "a") == 1.0
    assert weights.bits("number", "same", "b") == 2.0


def test_single_figures():
    assert WEIGHTS.number("sightings", "strength") == TABLE["sightings"]["strength"]
    assert WEIGHTS.number("hard_stop") == TABLE["hard_stop"]


def test_a_level_the_table_does_not_name():
    with pytest.raises(KeyError):
        WEIGHTS.bits("number", "no-such-level", "exact-only")
