"""Prices in texts. How amounts are written: Unicode CLDR number patterns (group and decimal marks
of en, de, fr, de-CH); how sellers write beside them is common practice."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.listings.prices import MOST_CENTS, read_price, spans_of_no_number


@pytest.mark.parametrize(
    ("text", "cents", "currency"),
    [
        ("€45", 4500, "EUR"),
        ("45 €", 4500, "EUR"),
        ("45,- VB", 4500, ""),
        ("45.- CHF", 4500, "CHF"),
        ("€1.200,00", 120_000, "EUR"),  # CLDR de
        ("£1,200.00", 120_000, "GBP"),  # CLDR en
        ("1 200,00 €", 120_000, "EUR"),  # CLDR fr
        ("CHF 1'200.50", 120_050, "CHF"),  # CLDR de-CH
        ("12,5 euro", 1250, "EUR"),
        ("$12.50", 1250, "USD"),
        ("price: 45", 4500, ""),
        ("offers around 60", 6000, ""),
        ("60 ono", 6000, ""),
        ("free to collector", 0, ""),
        ("Giving it away to a good home", 0, ""),
        ("cost £600 new, asking £80", 8000, "GBP"),
        ("bought in 2016 for €700, now €90", 9000, "EUR"),
        ("like new €50", 5000, "EUR"),
        ("€40, delivery possible", 4000, "EUR"),
    ],
)
def test_what_is_asked(text, cents, currency):
    price, refused = read_price(text)
    assert (price.cents, price.currency, refused) == (cents, currency, [])
    assert price.words in " ".join(text.split())


@pytest.mark.parametrize(
    "text",
    [
        "frost free fridge freezer",
        "free standing dishwasher",
        "from 2014, 60 cm wide",
        "call 0171 234 5678",
        "price 2015",
        "€5 delivery",
        "delivery costs €20",
        "model 60-80",
        "1400 rpm, 7 kg",
        "energy class A+++",
    ],
)
def test_what_is_no_price(text):
    assert read_price(text) == (None, [])


@pytest.mark.parametrize("text", ["-45 €", "€ -45", "€-45", "asking -20 euro", "\N{MINUS SIGN}5 €"])
def test_a_price_below_zero_is_refused_with_its_reason(text):
    price, refused = read_price(text)
    assert price is None
    assert "below zero" in refused[0]


def test_a_range_keeps_both_ends():
    price, _ = read_price("40-60 €")
    assert (price.low, price.high, price.ambiguous) == (4000, 6000, False)


@pytest.mark.parametrize(
    ("text", "first", "also"),
    [("1.200 €", 120_000, (120,)), ("€45 for one, €50 with hoses", 4500, (5000,))],
)
def test_what_can_be_read_two_ways_is_told_as_such(text, first, also):
    price, _ = read_price(text)
    assert (price.cents, price.also) == (first, also)


@given(st.integers(1, MOST_CENTS // 100), st.sampled_from(["€{}", "{} EUR", "asking £{} ono"]))
def test_a_whole_amount_beside_its_currency_is_read(amount, form):
    price, _ = read_price(form.format(amount))
    assert price.cents == amount * 100


@given(st.text(max_size=300))
def test_any_text_is_read_without_error(text):
    price, _ = read_price(text)
    assert price is None or 0 <= price.low <= price.high <= MOST_CENTS
    assert all(0 <= start <= end <= len(text) for start, end in spans_of_no_number(text))
