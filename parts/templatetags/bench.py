"""How the outcome of a bench test or a safety step is written: a shape and a word, then colour."""

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from parts.domain.bench.verdicts import Outcome

register = template.Library()


@register.simple_tag
def outcome(value: str) -> SafeString:
    """Return an outcome as its shape and word."""
    found = Outcome(value)
    return format_html(
        '<strong class="outcome outcome-{}"><span aria-hidden="true">{}</span> {}</strong>',
        found.value,
        found.shape,
        found.words,
    )


@register.filter
def outcome_word(value: str) -> str:
    return Outcome(value).words
