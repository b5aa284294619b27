"""What is typed: figures with point or comma, open circuits, and sentences for the rest."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench.verdicts import OPEN
from parts.domain.bench_forms.inputs import ANSWERS, Ask, Input
from workshop.domain.refusals import Checks, ValueRefused

READING = Input("ohm", "Reading", "ohm")
NUMBER = Input("uf", "Reading", "uF", Ask.NUMBER)
ANSWER = Input("look", "What you see", type=Ask.ANSWER)


def read(one, typed):
    with Checks() as bad:
        found = one.read(typed, bad)
    return found


@pytest.mark.parametrize(
    ("typed", "expected"),
    [("26.4", 26.4), ("26,4", 26.4), (" 3800 ", 3800.0), (26, 26.0), (".5", 0.5), ("1e3", 1000.0),
     ("-3", -3.0), ("−3", -3.0), ("0,500", 0.5)],
)  # fmt: skip
def test_figures(typed, expected):
    assert read(READING, typed) == expected


@pytest.mark.parametrize("typed", ["", "  ", None])
def test_blank_is_not_measured(typed):
    assert read(READING, typed) is None
    assert read(ANSWER, typed) is None


@pytest.mark.parametrize("typed", ["open", "OL", "ol", "over range"])
def test_no_connection_is_a_reading_of_its_own(typed):
    assert read(READING, typed) is OPEN
    with pytest.raises(ValueRefused, match="is no number"):
        read(NUMBER, typed)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("inf", "is no reading"),
        ("NaN", "is no reading"),
        ("-Infinity", "is no reading"),
        ("1e999", "is no reading"),
        ("1,500", "two ways"),
        ("1,234,567", "two ways"),
        ("12 ohm", "is no number"),
        ("4K7", "is no number"),
        ("٣", "is no number"),
        ("1" * 41, "is no number"),
        (True, "is no number"),
    ],
)
def test_what_is_no_figure_is_refused_by_its_field(typed, words):
    with pytest.raises(ValueRefused) as refused:
        read(READING, typed)
    assert words in refused.value.fields["ohm"]


def test_an_answer_is_one_of_four():
    for value, _ in ANSWERS:
        assert read(ANSWER, value) == value
    with pytest.raises(ValueRefused, match="none of good, doubtful, bad, not-looked"):
        read(ANSWER, "splendid")


@given(st.text(max_size=60))
def test_no_text_falls_over_and_none_is_infinite(typed):
    bad = Checks()
    found = READING.read(typed, bad)
    assert set(bad.fields) <= {"ohm"}
    assert found is None or found is OPEN or math.isfinite(found)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_figure_as_python_writes_it_is_read_back(value):
    assert read(READING, repr(value)) == value
