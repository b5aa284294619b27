"""How unlike numbers are, beside the definition worked out slowly."""

import string
from difflib import SequenceMatcher

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.lookup import alike

TEXTS = st.text(string.ascii_uppercase[:4] + "12", min_size=1, max_size=9)


def judge(query: str, number: str, backward: bool) -> float:
    """The definition, slowly: Dice's coefficient over sets of trigrams, and what is shared from
    one end (difflib's longest matching block where that begins both texts)."""
    a, b = (
        {text[i : i + 3] for i in range(len(text)) if len(text[i : i + 3]) == 3}
        for text in (query, number)
    )
    dice = 2 * len(a & b) / (len(a) + len(b)) if a or b else 0.0
    if backward:
        query, number = query[::-1], number[::-1]
    shared = 0
    for size in range(1, min(len(query), len(number)) + 1):
        whole = SequenceMatcher(None, query[:size], number[:size], autojunk=False)
        if whole.find_longest_match().size == size:
            shared = size
    begin = shared / max(len(query), len(number))
    return alike.NO_GRAM_SHARED * (1 - dice) + alike.NO_BEGINNING_SHARED * (1 - begin)


def swaps(query: str) -> set[str]:
    return {query[:i] + query[i + 1] + query[i] + query[i + 2 :] for i in range(len(query) - 1)}


@given(TEXTS, TEXTS, st.booleans())
def test_it_is_as_defined(query, number, backward):
    (found,) = alike.unlike(query, [number], [backward])
    if number in {query, *swaps(query)}:
        assert found == 0
    else:
        assert found == pytest.approx(judge(query, number, backward))
    assert 0 <= found <= alike.MOST


def test_what_begins_alike_is_more_alike():
    """W760R2S asked: each differs in one character, the sibling behind what they share."""
    sibling, other = alike.unlike("W760R2S", ["W760R3S", "V760R2S"], [False, False])
    assert sibling < other


def test_trigrams_of_texts_too_short_for_one_share_nothing():
    assert alike.unlike("AB", ["AC"], [False]) == [
        alike.NO_GRAM_SHARED + alike.NO_BEGINNING_SHARED / 2
    ]
