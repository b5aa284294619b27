"""Shares and intervals as the page on the odds shows them."""

from django import template

from matching.domain.reliability import Share

register = template.Library()


@register.filter
def percent(share: float | None) -> str:
    """Return 0.123 as "12.3 %"; a dash where there is nothing to take a share of."""
    return "–" if share is None else f"{100 * share:.1f} %"


@register.filter
def range_shown(one: Share) -> str:
    """Return the interval of a share as "91-99 %"; a dash without any case."""
    if not one.count:
        return "–"
    low, high = one.interval
    return f"{100 * low:.0f}–{100 * high:.0f} %"


@register.filter
def in_words(name: str) -> str:
    return name.replace("-", " ")
