import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from donors.domain.model_numbers import CONFUSABLE_CLASSES, WILDCARDS, folded
from donors.domain.recognising import (
    NEAR,
    WORDS,
    Found,
    How,
    Known,
    compare,
    probable,
    rank,
    settled,
    similarity,
)

VELTHANE = Known(1, "Velthane", "M2W90246SR4C")
SISTER = Known(2, "Velthane", "M2W90246WR4C")
ALIAS = Known(1, "Velthane", "QUERN90246S", is_alias=True)
OPEN = Known(3, "Borsund", "087470KM*")
QUILLMAR = Known(4, "Quillmar", "HNX5104A")
CATALOGUE = [VELTHANE, SISTER, ALIAS, OPEN, QUILLMAR]


@pytest.mark.parametrize(
    ("query", "model_id", "how", "likeness"),
    [
        ("M2W90246SR4C", 1, How.EXACT, 1.0),
        ("QUERN90246S", 1, How.ALIAS, 1.0),
        ("087470KMA", 3, How.WILDCARD, 1.0),
        ("087470KM*", 3, How.EXACT, 1.0),
        ("HNXS104A", 4, How.CONFUSABLE, 1 - 1 / 9),
        ("HNXSI04A", 4, How.CONFUSABLE, 1 - 2 / 9),
        ("HNX51", 4, How.SHORTENED, 5 / 8),
        ("HNXS1", 4, How.SHORTENED, 5 / 8),  # cut short and misread
        ("HNX5140A", 4, How.NEAR, None),  # two digits swapped
        ("HNX5104", 4, How.SHORTENED, 7 / 8),
        ("HNX5104AX", 4, How.NEAR, None),
    ],
)
def test_how_a_number_is_found(query, model_id, how, likeness):
    best = rank(query, CATALOGUE)[0]
    assert (best.known.model_id, best.how) == (model_id, how)
    if likeness is None:
        likeness = similarity(query, best.known.number)
        assert NEAR <= likeness < 1
    assert best.likeness == pytest.approx(likeness)


@pytest.mark.parametrize("query", ["", "ZZZ", "HNX5", "087470K0000", "7" * 80])
def test_what_comes_near_nothing_has_no_candidates(query):
    assert rank(query, CATALOGUE) == []


def test_an_empty_known_number_is_never_found():
    blank = Known(9, "Velthane", "")
    assert rank("M2W90246SR4C", [blank]) == []
    assert rank("", [blank]) == []
    assert compare("", blank) is None or rank("", [blank]) == []


def test_one_candidate_a_model_and_the_best_of_its_names():
    found = rank("QUERN90246S", [Known(1, "Velthane", "QUERN90246W"), ALIAS, VELTHANE])
    assert [one.known.model_id for one in found] == [1]
    assert found[0].how is How.ALIAS


def test_order_of_how_comes_before_likeness():
    found = rank("HNX5104A", [Known(5, "X", "HNXS104A"), Known(6, "X", "HNX510*A"), QUILLMAR])
    assert [one.how for one in found] == [How.EXACT, How.WILDCARD, How.CONFUSABLE]


def test_the_stated_make_comes_first_and_excludes_none():
    twins = [Known(1, "Borsund", "12345A"), Known(2, "Velthane", "12345A")]
    assert [one.known.model_id for one in rank("12345A", twins)] == [1, 2]
    assert [one.known.model_id for one in rank("12345A", twins, make="Velthane")] == [2, 1]
    assert [one.known.model_id for one in rank("12345A", twins, make="Ostrelle")] == [1, 2]


def test_a_better_way_beats_the_stated_make():
    twins = [Known(1, "Borsund", "12345A"), Known(2, "Velthane", "I2345A")]
    assert rank("12345A", twins, make="Velthane")[0].known.model_id == 1


def test_at_most_as_many_as_asked():
    many = [Known(n, "Velthane", f"M2W9024{n}") for n in range(10)]
    assert len(rank("M2W90240", many)) == 8
    assert len(rank("M2W90240", many, most=3)) == 3


@pytest.mark.parametrize(
    ("hows", "expected"),
    [
        ([], None),
        ([How.EXACT], 0),
        ([How.ALIAS], 0),
        ([How.WILDCARD], 0),
        ([How.CONFUSABLE], None),
        ([How.SHORTENED], None),
        ([How.NEAR], None),
        ([How.EXACT, How.EXACT], None),  # two models of the number: a tie is not settled
        ([How.ALIAS, How.ALIAS], None),
        ([How.EXACT, How.ALIAS], 0),
        ([How.WILDCARD, How.CONFUSABLE, How.CONFUSABLE], 0),
    ],
)
def test_settled(hows, expected):
    candidates = [Found(Known(n, "M", "N"), how, 1.0) for n, how in enumerate(hows)]
    found = settled(candidates)
    assert (found.known.model_id if found else None) == expected


@pytest.mark.parametrize(
    ("candidates", "sure"),
    [
        ([(How.EXACT, 1.0)], 1.0),
        ([(How.EXACT, 1.0), (How.EXACT, 1.0)], 0.5),
        ([(How.WILDCARD, 1.0)], 0.98),
        ([(How.CONFUSABLE, 0.9)], 0.93),
        ([(How.CONFUSABLE, 0.9), (How.CONFUSABLE, 0.8)], 0.93),  # the second is no rival
        ([(How.CONFUSABLE, 0.9), (How.CONFUSABLE, 0.9), (How.NEAR, 0.9)], 0.465),
        ([(How.SHORTENED, 0.6), (How.SHORTENED, 0.59), (How.SHORTENED, 0.6)], 0.8 / 3),
        ([(How.NEAR, 0.8)], 0.6),
    ],
)
def test_probable(candidates, sure):
    found = probable([Found(Known(n, "M", "N"), how, s) for n, (how, s) in enumerate(candidates)])
    assert found is not None
    assert found[0].known.model_id == 0
    assert found[1] == pytest.approx(sure)


def test_probable_of_nothing():
    assert probable([]) is None


def test_certain_ways_need_nobody_and_each_way_has_words():
    assert {how for how in How if how.certain} == {How.EXACT, How.ALIAS, How.WILDCARD}
    assert set(WORDS) == set(How)


small = st.text("AB15IS", min_size=1, max_size=5)
opened = st.text("AB15IS*#", min_size=1, max_size=5)


@given(small, st.lists(opened, max_size=6))
def test_wildcards_equal_the_obvious_loop(query, numbers):
    known = [Known(n, "M", number) for n, number in enumerate(numbers)]
    filled = []
    for entry in known:
        if entry.number == query or len(entry.number) != len(query):
            continue
        fits = True
        for k, q in zip(entry.number, query, strict=True):
            if k not in WILDCARDS and k != q:
                fits = False
        if fits:
            filled.append(entry.model_id)
    found = {one.known.model_id for one in rank(query, known, most=99) if one.how is How.WILDCARD}
    assert found == set(filled)


@given(opened, st.lists(opened, min_size=1, max_size=8), st.sampled_from(["", "M0", "M1"]))
def test_rank_equals_comparing_each_alone(query, numbers, make):
    """Judge: compare every number by itself; the first is the best by way, make, likeness."""
    known = [Known(n, f"M{n % 2}", number) for n, number in enumerate(numbers)]
    alone = [found for entry in known if (found := compare(query, entry))]
    ranked = rank(query, known, make=make, most=99)
    assert {one.known.model_id for one in ranked} == {one.known.model_id for one in alone}
    order = [How.EXACT, How.ALIAS, How.WILDCARD, How.CONFUSABLE, How.SHORTENED, How.NEAR]
    keys = [
        (order.index(one.how), bool(make) and one.known.make != make, -one.likeness)
        for one in ranked
    ]
    assert keys == sorted(keys)


CLASS_OF = {c: group for group in CONFUSABLE_CLASSES for c in group}
catalogues = st.lists(
    st.from_regex(r"[A-Z]{2}[0-9]{4}[A-Z]", fullmatch=True), min_size=1, max_size=25, unique=True
)


@given(catalogues, st.data())
def test_one_misread_character_still_finds_its_number(numbers, data):
    assume(len({folded(number) for number in numbers}) == len(numbers))
    places = [
        (n, i) for n, number in enumerate(numbers) for i, c in enumerate(number) if c in CLASS_OF
    ]
    assume(places)
    n, i = data.draw(st.sampled_from(places))
    true = numbers[n]
    wrong = data.draw(st.sampled_from(CLASS_OF[true[i]].replace(true[i], "")))
    read = true[:i] + wrong + true[i + 1 :]
    known = [Known(n, "Velthane", number) for n, number in enumerate(numbers)]
    best = rank(read, known)[0]
    assert (best.known.number, best.how) == (true, How.CONFUSABLE)
    assert settled(rank(read, known)) is None  # likely, but a person says so
