"""How a model number was recognised, in words."""

from django import template

from donors.domain.recognising import WORDS, How

register = template.Library()


@register.filter
def how_words(how: str) -> str:
    return WORDS[How(how)]
