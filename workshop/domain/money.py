"""Money as whole minor units (cents), so that sums are exact."""

import re
from decimal import Decimal

LARGEST_CENTS = 2_000_000_000
LONGEST_AMOUNT = 20  # within Decimal's 28 digits, so nothing is rounded

# Plain digits only: Decimal also takes 1_000, 1e6 and the digits of other scripts.
_AMOUNT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)", re.ASCII)


def to_cents(text: str) -> int:
    """Return "12.5" as 1250. Raises ValueError for anything that is no amount of money.

    At most two decimals, a decimal point, never negative.
    """
    digits = text.strip()
    if len(digits) > LONGEST_AMOUNT or not _AMOUNT.fullmatch(digits):
        raise ValueError(f"{text!r} is no amount; write it like 12.50")
    amount = Decimal(digits)
    if amount < 0:
        raise ValueError(f"{text} is below zero; an amount cannot be negative")
    cents = amount * 100
    if cents != cents.to_integral_value():
        raise ValueError(f"{text} has more than two decimals")
    if cents > LARGEST_CENTS:
        raise ValueError(f"{text} is too large an amount")
    return int(cents)


def to_text(cents: int | None) -> str:
    """Return 1250 as "12.50", -5 as "-0.05", None as ""."""
    if cents is None:
        return ""
    sign, amount = "-" if cents < 0 else "", abs(cents)
    return f"{sign}{amount // 100}.{amount % 100:02d}"
