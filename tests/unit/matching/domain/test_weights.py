import pytest

from matching.domain.scoring import NEVER_ALONE, Score
from matching.domain.sides import Row
from matching.domain.verdicts import Verdict
from matching.domain.weights import WITHOUT_KEY, Weights
from tests.unit.matching.building import CLASSES, TABLE, WEIGHTS, kind


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


@pytest.mark.parametrize("level", sorted(WITHOUT_KEY))
def test_nothing_learned_makes_a_level_without_a_key_speak_for_a_pair(level):
    learned = {"bits": {kind().slug: {f"model/{level}": 2.5, "model/same": 2.5}}}
    taught = WEIGHTS.taught(learned)
    assert taught.weigh("model", level, kind()) == 0.0
    assert taught.weigh("model", "same", kind()) == 2.5


@pytest.mark.parametrize("evidence", [*sorted(NEVER_ALONE), "model"])
def test_a_guess_alone_keeps_no_pair(evidence):
    rows = (Row("start", "exact-only", -1.2, "", "", ""), Row(evidence, "agrees", 3.0, "", "", ""))
    found = Score(rows, 1.8, Verdict.CHECK_FIRST)
    assert found.spoken_for == (evidence == "model")
