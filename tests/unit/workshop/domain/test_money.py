import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workshop.domain.money import LARGEST_CENTS, read_amount, to_cents, to_text


@pytest.mark.parametrize(
    ("text", "cents"),
    [
        ("0", 0),
        ("12", 1200),
        ("12.5", 1250),
        ("12.50", 1250),
        (" 12.50 ", 1250),
        ("12.500", 1250),
        ("+3", 300),
        ("-0", 0),
        ("0.01", 1),
        ("0012.10", 1210),
        ("20000000.00", LARGEST_CENTS),
        ("00000000000000012.10", 1210),  # twenty characters, the most that is read
    ],
)
def test_amounts(text, cents):
    assert to_cents(text) == cents


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("1,50", "is no amount; write it like 12.50"),
        ("", "is no amount"),
        ("12 €", "is no amount"),
        ("1.000,00", "is no amount"),
        ("--1", "is no amount"),
        ("NaN", "is no amount"),
        ("Infinity", "is no amount"),
        ("sNaN", "is no amount"),
        ("0x10", "is no amount"),
        # Python's Decimal takes these four; they are slips or tricks, not amounts.
        ("1_000", "is no amount"),
        ("1e3", "is no amount"),
        ("1E+999999", "is no amount"),
        ("１２", "is no amount"),
        ("19999999.990000000000000000000000000001", "is no amount"),
        ("000000000000000012.10", "is no amount"),
        ("-0.01", "cannot be negative"),
        ("1.005", "more than two decimals"),
        ("20000000.01", "too large"),
        ("9223372036854775808", "too large"),
    ],
)
def test_refused_with_the_reason(text, reason):
    with pytest.raises(ValueError, match=reason):
        to_cents(text)


@given(st.integers(0, LARGEST_CENTS))
def test_round_trip(cents):
    assert to_cents(to_text(cents)) == cents


@given(st.text(max_size=30))
def test_anything_is_an_amount_or_a_value_error(text):
    reason, cents = "", 0
    try:
        cents = to_cents(text)
    except ValueError as refused:
        reason = str(refused)
    assert 0 <= cents <= LARGEST_CENTS
    assert reason or re.sub(r"[^0-9]", "", text).strip("0") == str(cents).strip("0")


@pytest.mark.parametrize(
    ("cents", "text"),
    [(None, ""), (0, "0.00"), (5, "0.05"), (1250, "12.50"), (-5, "-0.05"), (-1250, "-12.50")],
)
def test_shown(cents, text):
    assert to_text(cents) == text


@pytest.mark.parametrize(
    ("typed", "cents"),
    [
        ("449,90", 44990),
        ("449.90", 44990),
        ("12", 1200),
        ("12,5", 1250),
        (",5", 50),
        ("1.234,50", 123450),
        ("1,234.50", 123450),
        ("1 234,50", 123450),
        ("1\u202f234,50", 123450),
        ("1'234.50", 123450),
        ("1.234.567", 123456700),
    ],
)
def test_people_write_amounts_with_a_point_or_a_comma(typed: str, cents: int) -> None:
    """Both ways are common (Unicode CLDR: decimal and group signs differ by locale)."""
    assert read_amount(typed) == cents


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ("1,234", "may be read in two ways"),
        ("1.234", "may be read in two ways"),
        ("1,234,5", "is no amount"),
        ("1.234.56", "is no amount"),
        ("12,34.56", "is no amount"),
        ("1 23", "is no amount"),
        ("-5", "below zero"),
        ("", "is no amount"),
        ("abc", "is no amount"),
    ],
)
def test_an_amount_that_may_be_another_is_refused(typed: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        read_amount(typed)
