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


RULE = (
    "Write 449.90 or 449,90. With thousands set apart both signs are needed, 1,234.50 or "
    "1.234,50, or a space: 1 234,50"
)
_GROUPS = re.compile(r"\d{1,3}(?P<sign>[.,' ])\d{3}(?:(?P=sign)\d{3})*", re.ASCII)
_SPACES = dict.fromkeys(map(ord, "\u00a0\u2009\u202f"), " ")


def read_amount(text: str) -> int:
    """Return what a person typed as cents, with a decimal point or a decimal comma.

    The last sign counts as decimal mark when one or two digits follow it; what stands before may
    be set apart in threes by another sign. A single sign before three digits may be either and
    is refused ("1,234", "1.234"). Raises ValueError with a sentence. Files and the API take the
    point only (to_cents).
    """
    typed = text.strip().translate(_SPACES)
    marks = [place for place, sign in enumerate(typed) if sign in ".,"]
    whole, cents = typed, ""
    if marks and len(typed) - marks[-1] - 1 <= 2:
        whole, cents = typed[: marks[-1]], typed[marks[-1] + 1 :]
    elif len(marks) == 1 and len(typed) - marks[0] - 1 == 3:
        raise ValueError(f"{text!r} may be read in two ways. {RULE}")
    grouped = _GROUPS.fullmatch(whole)
    if grouped is not None and not (marks and cents and grouped["sign"] == typed[marks[-1]]):
        whole = whole.replace(grouped["sign"], "")
    if re.search(r"[.,' ]", whole):
        raise ValueError(f"{text!r} is no amount. {RULE}")
    return to_cents(f"{whole}.{cents}" if cents else whole)


def to_text(cents: int | None) -> str:
    """Return 1250 as "12.50", -5 as "-0.05", None as ""."""
    if cents is None:
        return ""
    sign, amount = "-" if cents < 0 else "", abs(cents)
    return f"{sign}{amount // 100}.{amount % 100:02d}"
