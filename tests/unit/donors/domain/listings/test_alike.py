"""Telling the same listing from another. Judge of the resemblance: the Jaccard index computed
over the sets of word triples themselves; of the keys: their definition as locality-sensitive."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.listings.alike import Seen, first_same, resemblance, same_machine

TEXT = (
    "velthane washing machine model w7 60 white very loud on spin the bearings are gone about "
    "eight years old with all hoses and the manual collection only please ring after six"
)
words = st.lists(st.sampled_from(["washer", "loud", "white", "old", "drum", "12345"]), max_size=30)
listings = st.builds(
    Seen,
    words.map(" ".join),
    model=st.sampled_from(["", "1|A", "1|B"]),
    cause=st.sampled_from(["", "leak", "board"]),
    price=st.sampled_from([None, 0, 1000, 1500, 9000]),
    link=st.sampled_from(["", "x", "y"]),
    source=st.sampled_from(["", "host"]),
)


@given(listings, listings)
def test_it_does_not_matter_which_came_first(a, b):
    assert same_machine(a, b) == same_machine(b, a)


@given(listings)
def test_a_listing_is_the_same_as_itself(one):
    assert same_machine(one, one)
    assert one.keys == Seen(one.text).keys
    assert all(-(2**63) <= key < 2**63 for key in one.keys)


@given(words, words)
def test_resemblance_is_the_jaccard_index_of_word_triples(left, right):
    def triples(text: str) -> set[tuple[str, ...]]:
        found = re.findall(r"[^\W_]+", text)
        return {tuple(found[i : i + 3]) for i in range(max(1, len(found) - 2))}

    a, b = " ".join(left), " ".join(right)
    both, either = triples(a) & triples(b), triples(a) | triples(b)
    assert resemblance(Seen(a), Seen(b)) == pytest.approx(len(both) / len(either))


@given(listings, listings)
def test_two_models_are_never_the_same_machine_but_by_one_link(a, b):
    if a.model and b.model and a.model != b.model and not (a.link and a.link == b.link):
        assert not same_machine(a, b)


@pytest.mark.parametrize(
    ("other", "same"),
    [
        (Seen(f"{TEXT} still available", "1|A", price=4500), True),
        (Seen(TEXT, "1|A", price=2500), True),
        (Seen(TEXT.upper(), "1|A", price=4500), True),
        (Seen(f"{TEXT} serial 99887766", "1|A", price=4500), True),
        (Seen(TEXT, "1|B", price=4500), False),
        (Seen(f"{TEXT[:120]} wholly other words follow here now", "1|A", price=900), False),
        (Seen("velthane washer does not drain 60 euro", "1|A", price=6000), False),
    ],
)
def test_cases(other, same):
    assert same_machine(Seen(TEXT, "1|A", price=4500), other) is same


def test_serial_numbers_tell_twins_apart():
    a, b = (Seen(f"{TEXT} serial {n}", "1|A", price=4500) for n in (99887766, 11223344))
    assert not same_machine(a, b)


def test_the_most_alike_is_taken():
    one = Seen(TEXT)
    assert first_same(one, [Seen("else"), Seen(f"{TEXT} now"), Seen(TEXT)]) == 2
    assert first_same(one, []) is None
