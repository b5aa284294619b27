"""How the outcome of a bench test or a safety step is written: a shape and a word, then colour."""

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from parts.domain.bench.verdicts import Outcome

register = template.Library()


@register.simple_tag
def outcome(value: str, words: str = "") -> SafeString:
    """Return an outcome as its shape and word, or other words for it."""
    found = Outcome(value)
    return format_html(
        '<strong class="outcome outcome-{}"><span aria-hidden="true">{}</span> {}</strong>',
        found.value,
        found.shape,
        words or found.words,
    )


@register.filter
def figure(value: float) -> str:
    """Return a reading in at most five figures: 26.5, 151.11."""
    return f"{value:.5g}"
