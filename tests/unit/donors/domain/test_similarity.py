"""The published tables of string comparators, through rapidfuzz as we use it and jellyfish.

Sources of the figures: tests/data/check_values.json.
"""

import jellyfish
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rapidfuzz.distance import OSA, DamerauLevenshtein, Jaro, JaroWinkler, Levenshtein

from donors.domain.model_numbers import folded
from donors.domain.recognising import similarity
from tests.unit.published import VALUES, rows

# Half a unit of the last printed digit, and a hair for the binary fraction of the figure.
HALF_A_UNIT = 0.5 * 10 ** -VALUES["jaro_winkler"]["decimals"] + 1e-9
words = st.text("ABC1230O", max_size=9)


@pytest.mark.parametrize(("a", "b", "jaro", "jaro_winkler"), rows("jaro_winkler"))
def test_jaro_winkler_table(a, b, jaro, jaro_winkler):
    assert Jaro.similarity(a, b) == pytest.approx(jaro, abs=HALF_A_UNIT)
    assert JaroWinkler.similarity(a, b) == pytest.approx(jaro_winkler, abs=HALF_A_UNIT)
    assert jellyfish.jaro_similarity(a, b) == pytest.approx(jaro, abs=HALF_A_UNIT)
    assert jellyfish.jaro_winkler_similarity(a, b) == pytest.approx(jaro_winkler, abs=HALF_A_UNIT)


@pytest.mark.parametrize(("a", "b", "levenshtein", "osa", "damerau"), rows("edit"))
def test_edit_distances(a, b, levenshtein, osa, damerau):
    assert Levenshtein.distance(a, b) == levenshtein == jellyfish.levenshtein_distance(a, b)
    assert OSA.distance(a, b) == osa  # jellyfish has none
    expected = jellyfish.damerau_levenshtein_distance(a, b)
    assert DamerauLevenshtein.distance(a, b) == damerau == expected


def naive_osa(a: str, b: str) -> int:
    """Return the optimal string alignment distance by the textbook table."""
    table = [[i + j if i * j == 0 else 0 for j in range(len(b) + 1)] for i in range(len(a) + 1)]
    for i in range(1, len(a) + 1):
        for j in range(1, len(b) + 1):
            table[i][j] = min(
                table[i - 1][j] + 1,
                table[i][j - 1] + 1,
                table[i - 1][j - 1] + (a[i - 1] != b[j - 1]),
            )
            if i > 1 and j > 1 and a[i - 1] == b[j - 2] and a[i - 2] == b[j - 1]:
                table[i][j] = min(table[i][j], table[i - 2][j - 2] + 1)
    return table[-1][-1]


@pytest.mark.parametrize(("a", "b", "_levenshtein", "osa", "_damerau"), rows("edit"))
def test_the_naive_judge_itself(a, b, _levenshtein, osa, _damerau):
    assert naive_osa(a, b) == osa


@given(words, words)
def test_similarity_equals_the_slow_judge(a, b):
    """Judge: the textbook table, and jellyfish for Jaro-Winkler, over the folded forms."""
    if not a or not b:
        assert similarity(a, b) == 0.0
        return
    left, right = folded(a), folded(b)
    edit = 1 - naive_osa(left, right) / max(len(left), len(right))
    blend = 0.7 * edit + 0.3 * jellyfish.jaro_winkler_similarity(left, right)
    assert similarity(a, b) == pytest.approx(edit if edit < 0.52 else blend)


@given(words, words)
def test_similarity_is_symmetric_and_bounded(a, b):
    assert similarity(a, b) == pytest.approx(similarity(b, a))
    assert 0.0 <= similarity(a, b) <= 1.0


@pytest.mark.parametrize(("a", "b"), [("", ""), ("", "A"), ("--", ".."), ("-", "A1")])
def test_empty_is_not_alike(a, b):
    """rapidfuzz says two empty texts are wholly alike; for us nothing is known."""
    assert similarity(a, b) == 0.0


@given(words.filter(bool))
def test_a_number_is_wholly_like_itself_and_its_misreadings(number):
    assert similarity(number, number) == pytest.approx(1.0)
    assert similarity(number, number.replace("0", "O").replace("1", "I")) == pytest.approx(1.0)
