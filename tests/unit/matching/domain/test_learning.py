"""Weights learned from labelled levels: smoothed, shrunk, equal to what libraries estimate."""

import math
import random

import numpy as np
import pandas as pd
import pytest
import recordlinkage
from hypothesis import given
from hypothesis import strategies as st
from sklearn.naive_bayes import CategoricalNB

from matching.domain import learning
from matching.domain.learning import Lesson, learn, shares_of, smoothed
from matching.domain.odds import to_p
from matching.domain.weights import Weights
from tests.unit.matching.building import CLASSES, TABLE, kind

BY_HAND = Weights(TABLE)
PLACES = ["number", "model given unknown", "build given differs", "attributes mount given unknown"]


def lessons(count: int, seed: int = 1) -> list[Lesson]:
    """Return made-up lessons: levels drawn at random, of the first two only when it fits."""
    rng, found = random.Random(seed), []
    for _ in range(count):
        fitted = rng.random() < 0.4
        levels = []
        for place in PLACES:
            names = list(BY_HAND.levels(place, "spec-match"))
            name = rng.choice(names[: 2 if fitted else None])
            levels.append((place, name))
        found.append(Lesson(kind("spec-match"), tuple(levels), fitted))
    return found


@pytest.mark.parametrize("fit_class", CLASSES)
@pytest.mark.parametrize("place", PLACES)
def test_the_tables_weights_come_back_when_nothing_was_seen(place, fit_class):
    weights = BY_HAND.levels(place, fit_class)
    m, u = shares_of(weights)
    assert sum(m.values()) == pytest.approx(1.0)
    assert sum(u.values()) == pytest.approx(1.0)
    for level, bits in weights.items():
        assert math.log2(m[level] / u[level]) == pytest.approx(bits, abs=1e-9)


def test_equal_to_categorical_naive_bayes():
    """scikit-learn's CategoricalNB, alpha 1: log P(level | fits) of the same vectors."""
    seen = lessons(300)
    names = [sorted(BY_HAND.levels(place, "spec-match")) for place in PLACES]
    table = np.array(
        [[names[n].index(level) for n, (_, level) in enumerate(one.levels)] for one in seen]
    )
    judge = CategoricalNB(alpha=1.0, min_categories=[len(one) for one in names])
    judge.fit(table, [one.fitted for one in seen])
    for n, levels in enumerate(names):
        for side in (0, 1):
            counts = {
                level: sum(one.levels[n][1] == level for one in seen if one.fitted == side)
                for level in levels
            }
            ours = smoothed(counts, dict.fromkeys(levels, 1.0))
            theirs = judge.feature_log_prob_[n][side]
            assert [math.log(ours[level]) for level in levels] == pytest.approx(list(theirs))


def test_equal_to_recordlinkage_naive_bayes():
    """recordlinkage 0.16: m and u of yes-or-no comparisons, estimated from labelled pairs."""
    rng = np.random.default_rng(4)
    fits = rng.random(400) < 0.3
    table = pd.DataFrame(
        {"number": rng.random(400) < 0.1 + 0.7 * fits, "model": rng.random(400) < 0.2 + 0.5 * fits}
    ).astype(int)
    table.index = pd.MultiIndex.from_arrays([range(400), range(400)])
    judge = recordlinkage.NaiveBayesClassifier(alpha=1.0)
    judge.fit(table, table.index[fits])
    for name in table:
        for side, theirs in ((True, judge.m_probs), (False, judge.u_probs)):
            column = table[name][fits == side]
            counts = {"yes": int(column.sum()), "no": int((1 - column).sum())}
            ours = smoothed(counts, {"yes": 1.0, "no": 1.0})
            assert ours["yes"] == pytest.approx(theirs[name][1])


@given(st.integers(1, 5), st.integers(0, 200))
def test_five_outcomes_move_no_weight_by_more_than_a_bit(count, seed):
    learned = learn(lessons(count, seed), BY_HAND)["control-board"]
    for name, bits in learned.items():
        place, _, level = name.rpartition("/")
        was = BY_HAND.levels(place, "spec-match")[level] if place else BY_HAND.prior("spec-match")
        if was > -3:  # what the table holds for all but impossible is moved by being seen at all
            assert abs(bits - was) < 1.0


def test_many_outcomes_overrule_the_table():
    """Ten thousand lessons: the weight is that of the shares they were drawn from."""
    learned = learn(lessons(10_000), BY_HAND)["control-board"]
    levels = list(BY_HAND.levels("number", "spec-match"))
    true = math.log2((1 / 2) / (1 / len(levels)))
    assert learned[f"number/{levels[0]}"] == pytest.approx(true, abs=0.1)
    assert to_p(learned["prior"]) == pytest.approx(0.4, abs=0.02)


def test_a_kind_seldom_fitted_goes_by_its_class():
    """Twenty of one kind among a thousand of its class: nearer the class than its own share."""
    often = [
        Lesson(kind("spec-match", slug="often"), one.levels, one.fitted) for one in lessons(1000)
    ]
    seldom = [Lesson(kind("spec-match", slug="seldom"), (), True) for _ in range(20)]
    learned = learn([*often, *seldom], BY_HAND)
    assert to_p(learned["often"]["prior"]) < to_p(learned["seldom"]["prior"]) < 0.6
    assert learning.KIND_STRENGTH > 20
