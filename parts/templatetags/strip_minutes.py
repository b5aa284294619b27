"""How minutes are written in tables of steps."""

from django import template

register = template.Library()


@register.filter
def short_minutes(value: float) -> str:
    """Return 6.0 as 6 and 6.25 as 6.2."""
    return f"{round(value, 1):g}"
