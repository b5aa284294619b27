"""How figures are written: shares with their bands, days, kilograms, money."""

from django import template

from matching.domain.lasting import Step
from matching.figures.needs import Filled
from workshop.domain import money as amounts

register = template.Library()


@register.filter
def band(step: Step) -> str:
    """Return the 95 % band of a step as "81–97 %"."""
    return _range(step.low, step.high)


@register.filter
def wilson(one: Filled) -> str:
    """Return the 95 % interval of a fill rate; a dash where nothing is settled."""
    return _range(*one.interval) if one.settled else "–"


def _range(low: float, high: float) -> str:
    return f"{100 * low:.0f}–{100 * high:.0f} %"


@register.filter
def days(value: float | None) -> str:
    """Return a number of days; "not seen yet" where so many were not reached."""
    return "not seen yet" if value is None else f"{value:.0f} day{'' if value == 1 else 's'}"


@register.filter
def kilograms(value: float) -> str:
    """Return a rounded mass: 0.35 kg, 12 kg, 1400 kg."""
    return f"{value:,.0f} kg".replace(",", " ") if value >= 10 else f"{value:g} kg"


@register.filter
def each(value: float | None) -> str:
    """Return a figure for one donor: 3.4; a dash where there is no donor."""
    return "–" if value is None else f"{value:.1f}"


@register.filter
def rounded_money(cents: float | None) -> str:
    """Return money to the whole cent: 1250.4 as 12.50; a dash where there is none."""
    return "–" if cents is None else amounts.to_text(round(cents))


@register.filter
def expected(value: float) -> str:
    """Return expected jobs: 3.9; "under 0.1"."""
    return "under 0.1" if value < 0.1 else f"{value:.1f}"
