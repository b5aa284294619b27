"""Verdicts and bits on pages: a shape and a word, never colour alone."""

from collections.abc import Iterable, Mapping
from typing import Any

from django import template

from matching.domain.odds import to_p
from matching.domain.verdicts import Verdict

register = template.Library()


@register.inclusion_tag("matching/_verdict.html")
def verdict(value: str) -> dict[str, Verdict]:
    return {"verdict": Verdict(value)}


@register.filter
def bits(value: float) -> str:
    """Return a weight with its sign and two decimals; a true minus sign."""
    rounded = round(value, 2) + 0.0
    return f"{rounded:+.2f}".replace("-", "\N{MINUS SIGN}") if rounded else "0.00"


@register.filter
def total_bits(rows: Iterable[Mapping[str, Any]]) -> float:
    """Return the sum of an explanation's rows: the score."""
    return sum(row["bits"] for row in rows)


@register.filter
def p_of_bits(value: float) -> float:
    """Return the probability that odds of 2**value stand for."""
    return to_p(value)
