import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.model_numbers import (
    CONFUSABLE_CLASSES,
    LONGEST,
    WILDCARDS,
    canonical,
    confusions,
    fills,
    folded,
    has_wildcard,
)
from tests.unit.published import VALUES, rows

anything = st.text(st.characters(categories=None))  # surrogates and unassigned characters too
plates = st.text("ABC0ODQ1IL2Z5S8B6G*# -/.", max_size=14)
numbers = st.text("ABCX0ODQ1IL2Z5S8B6G97", min_size=1, max_size=12)


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        ("M2W 90-246 S/R4C", "M2W90246SR4C"),
        ("m2w 90-246 s/r4c", "M2W90246SR4C"),
        ("  M2W_90.246\tS / R4C \n", "M2W90246SR4C"),
        ("Ｍ２Ｗ　９０－２４６", "M2W90246"),  # full width
        ("М2W", "M2W"),  # the first letter is Cyrillic
        ("ΑΒ-12", "AB12"),  # both letters are Greek
        ("ﬁ5", "FI5"),  # a ligature
        ("①②", "12"),
        ("H²O", "H2O"),
        ("straße", "STRASSE"),
        ("0042", "0042"),  # leading zeros stay
        ("M2W 6*-#21", "M2W6*#21"),  # wildcards stay
        ("Küche 3", "KÜCHE3"),  # a letter is a letter
        ("🧺 12", "12"),
        ("12\u200b34", "1234"),  # zero-width space
        ("\ud800A1", "A1"),  # half a character
        ("---", ""),
        ("   ", ""),
        ("", ""),
        (None, ""),
    ],
)
def test_canonical(raw, expected):
    assert canonical(raw) == expected


@pytest.mark.parametrize(("letter", "looks_like"), rows("uts39"))
def test_letters_of_other_scripts_become_the_latin_ones_they_look_like(letter, looks_like):
    """UTS #39 confusables. Its table sends I, and so the Greek and Cyrillic I, to small l."""
    assert canonical(f"7{letter}7") == f"7{'I' if looks_like == 'l' else looks_like}7"
    assert canonical(f"7{letter.lower()}7") == canonical(f"7{letter}7")


@given(anything)
def test_canonical_twice_changes_nothing(raw):
    once = canonical(raw)
    assert canonical(once) == once
    assert len(once) <= LONGEST


@given(anything)
def test_canonical_holds_letters_digits_and_wildcards_only(raw):
    kept = canonical(raw)
    assert all(c.isalnum() or c in WILDCARDS for c in kept)
    assert kept == unicodedata.normalize("NFKC", kept)
    assert not any("\ud800" <= c <= "\udfff" for c in kept)


@given(numbers, st.lists(st.sampled_from(" -/._\t·–"), min_size=12, max_size=12))
def test_separators_never_tell_two_numbers_apart(number, separators):
    apart = "".join(mark + c for mark, c in zip(separators, number, strict=False))
    assert canonical(apart) == canonical(number.lower()) == number


@given(numbers)
def test_full_width_reads_as_plain(number):
    wide = "".join(chr(ord(c) + 0xFEE0) for c in number)
    assert canonical(wide) == number


@pytest.mark.parametrize(
    "raw",
    ["A" * 10_240, "\ud800" * 10_240, "🧺" * 2_560, "İ" * 10_240, "ﷺ" * 3_000, "- " * 5_120],
)
def test_ten_kilobytes_do_no_harm(raw):
    assert LONGEST == 80  # the width of the column it is kept in
    assert len(canonical(raw)) <= LONGEST
    assert len(folded(raw)) <= LONGEST
    assert canonical(canonical(raw)) == canonical(raw)


@given(anything, anything)
def test_nothing_raises(a, b):
    folded(a)
    fills(a, b)
    confusions(a, b)
    has_wildcard(a)


@given(plates)
def test_folding_keeps_the_length_and_is_stable(raw):
    assert len(folded(raw)) == len(canonical(raw))
    assert folded(folded(raw)) == folded(raw)
    assert folded(canonical(raw)) == folded(raw)


def test_folded_classes_are_those_of_the_plate_reader():
    """Published default classes; ours add L to {1, I}, for small l becomes L in capitals."""
    ours = {frozenset(group) for group in CONFUSABLE_CLASSES}
    published = {frozenset(group) for group in VALUES["plate_reader"]["classes"]}
    assert ours - published == {frozenset("1IL")}
    assert published - ours == {frozenset("1I")}


def test_each_class_folds_to_one_character_and_no_other_joins_it():
    alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    merged: dict[str, set[str]] = {}
    for character in alphabet:
        merged.setdefault(folded(character), set()).add(character)
    assert {frozenset(group) for group in merged.values() if len(group) > 1} == {
        frozenset(group) for group in CONFUSABLE_CLASSES
    }


@pytest.mark.parametrize(("read", "matches"), rows("plate_reader"))
def test_published_plate_reader_example(read, matches):
    """With one allowed confusion; the published source is named in the data file."""
    off = confusions(VALUES["plate_reader"]["plate"], read)
    assert off is not None
    assert (off <= 1) is matches


@pytest.mark.parametrize(
    ("a", "b", "off"),
    [
        ("ABC123", "ABC123", 0),
        ("ABC123", "A8CIZ3", 3),
        ("O", "Q", 1),
        ("0", "8", None),  # outside the classes
        ("ABC123", "ABC12", None),
        ("ABC123", "ABC124", None),
        ("A8C124", "ABC123", None),  # one confusion does not excuse the other
        ("", "", None),  # empty is never equal
        ("", "A", None),
    ],
)
def test_confusions(a, b, off):
    assert confusions(a, b) == off
    assert confusions(b, a) == off


@given(numbers, st.data())
def test_confusions_count_what_was_misread(number, data):
    """Judge: misread some characters on purpose and count them."""
    classes = {c: group.replace(c, "") for group in CONFUSABLE_CLASSES for c in group}
    read, planted = "", 0
    for c in number:
        swap = c in classes and data.draw(st.booleans())
        read += data.draw(st.sampled_from(classes[c])) if swap else c
        planted += swap
    assert confusions(number, read) == planted
    assert folded(number) == folded(read)


@pytest.mark.parametrize(
    ("known", "number", "expected"),
    [
        ("M2W6*221", "M2W60221", True),
        ("M2W6#221", "M2W6X221", True),
        ("*#", "A1", True),
        ("M2W60221", "M2W60221", True),
        ("M2W6*221", "M2W60222", False),
        ("M2W6*221", "M2W6221", False),  # a wildcard stands for one place, not for none
        ("M2W6*221", "M2W600221", False),
        ("M2W60221", "M2W6*221", False),  # the open place must be the known number's
        ("", "", False),
        ("*", "", False),
        ("", "A", False),
    ],
)
def test_fills(known, number, expected):
    assert fills(known, number) is expected


@given(numbers, st.sets(st.integers(0, 11)), numbers)
def test_fills_equals_the_obvious_loop(number, open_places, other):
    known = "".join("*" if i in open_places else c for i, c in enumerate(number))
    assert fills(known, number)
    expected = len(other) == len(number) and all(
        i in open_places or other[i] == number[i] for i in range(len(number))
    )
    assert fills(known, other) is expected


@pytest.mark.parametrize(("number", "expected"), [("A*", True), ("#", True), ("A1", False)])
def test_has_wildcard(number, expected):
    assert has_wildcard(number) is expected
