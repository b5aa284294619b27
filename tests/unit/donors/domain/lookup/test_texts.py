import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.lookup import texts


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("washer, M2W 90246 S/R4C, leaks", "M2W90246SR4C"),
        ("(HNX-5104A)", "HNX5104A"),
        ("model:HNX5104A.", "HNX5104A"),
        ("type 087470 KM *", "087470KM*"),
    ],
)
def test_a_number_among_words_is_a_run(text, number):
    assert number in {run.number for run in texts.runs(text)}


def test_a_run_does_not_begin_or_end_with_a_plate_word():
    found = {run.number for run in texts.runs("model no. HNX 5104A type 7")}
    assert "HNX5104A" in found
    assert not any(one.startswith(("MODEL", "NO")) or one.endswith("TYPE") for one in found)


def test_a_run_says_where_it_stands_and_stays_in_its_line():
    text = "seen: HNX 5104A\n2024 model"
    found = {run.number: run for run in texts.runs(text)}
    assert text[found["HNX5104A"].start : found["HNX5104A"].end] == "HNX 5104A"
    assert "5104A2024" not in found


NAMES = {"VELTHANE", "GRANDQUILLMAR"}


@pytest.mark.parametrize(
    ("text", "rest", "names"),
    [
        ("Velthane M2W 90246", "M2W 90246", ["VELTHANE"]),
        ("Model: M2W 90246 (Velthane)", "M2W 90246", ["VELTHANE"]),
        ("Grand Quillmar HNX-5104A series", "HNX-5104A", ["GRANDQUILLMAR"]),
        ("Velthane", "", ["VELTHANE"]),
        ("VelthaneX 5104", "VelthaneX 5104", []),
        ("", "", []),
    ],
)
def test_names_of_makes_and_plate_words_are_left_out(text, rest, names):
    assert texts.without(text, NAMES.__contains__) == (rest, names)


@given(st.text(max_size=300))
def test_what_is_left_holds_nothing_new(text):
    rest, names = texts.without(text, NAMES.__contains__)
    assert set(rest.split()) <= set(texts._WORD.findall(text))
    assert set(names) <= NAMES


@given(st.text(max_size=300))
def test_runs_hold_a_digit_and_lie_in_the_text(text):
    for run in texts.runs(text):
        assert 0 <= run.start < run.end <= len(text)
        assert any(c.isdigit() for c in run.number)
        assert len(run.number) >= texts.LEAST


@pytest.mark.parametrize("text", ["A1 " * 50_000, "1" * 100_000, "\x00\x07" * 9_000, "🧺9 " * 9000])
def test_a_long_text_gives_a_bounded_number_of_runs(text):
    start = time.perf_counter()
    assert len(list(texts.runs(text))) <= texts.MOST_WORDS * texts.LONGEST_RUN
    assert time.perf_counter() - start < 5  # bounded, not timed: a benchmark says how fast
