"""Money as whole minor units (cents), so that sums are exact."""

from decimal import Decimal, InvalidOperation

LARGEST_CENTS = 2_000_000_000


def to_cents(text: str) -> int:
    """Return "12.5" as 1250. Raises ValueError for anything that is no amount of money.

    At most two decimals, a decimal point, never negative.
    """
    try:
        amount = Decimal(text.strip())
    except InvalidOperation as bad:
        raise ValueError(f"{text!r} is no amount; write it like 12.50") from bad
    if not amount.is_finite():
        raise ValueError(f"{text!r} is no amount; write it like 12.50")
    if amount < 0:
        raise ValueError(f"{text} is below zero; an amount cannot be negative")
    cents = amount * 100
    if cents != cents.to_integral_value():
        raise ValueError(f"{text} has more than two decimals")
    if cents > LARGEST_CENTS:
        raise ValueError(f"{text} is too large an amount")
    return int(cents)


def to_text(cents: int | None) -> str:
    """Return 1250 as "12.50", None as ""."""
    return "" if cents is None else f"{cents // 100}.{cents % 100:02d}"
