"""How plain values are written on pages."""

from typing import Any

from django import template
from django.utils.http import url_has_allowed_host_and_scheme

from workshop.domain import money as amounts
from workshop.exchange import cells

register = template.Library()


@register.filter
def money(cents: int | None) -> str:
    """Return 1250 as 12.50; "" when there is no price."""
    return amounts.to_text(cents)


@register.filter
def percent(p: float | None) -> str:
    """Return a probability 0..1 as whole percent; never 0 or 100 for what is not certain."""
    if p is None:
        return "not known"
    if 0 < p < 0.01:
        return "under 1 %"
    if 0.99 < p < 1:
        return "over 99 %"
    return f"{p:.0%}".replace("%", " %")


@register.filter
def attributes(found: dict[str, str]) -> str:
    """Return attributes as name=value;name=value."""
    return cells.attributes_text(found)


@register.filter
def spaced(slug: str) -> str:
    """Return hot-water as hot water."""
    return slug.replace("-", " ")


@register.simple_tag(takes_context=True)
def back_address(context: template.Context) -> str:
    """Return the page the reader came from when it is one of ours, else the first page."""
    request: Any = context.get("request")
    came_from = request.headers.get("Referer", "") if request else ""
    ours = url_has_allowed_host_and_scheme(
        came_from, {request.get_host()} if request else set(), require_https=False
    )
    return came_from if came_from and ours else "/"
