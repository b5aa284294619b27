"""How minutes, amounts and what a worth rests on are written on the strip pages."""

from django import template

from donors.domain.strip_plan.step_times import StepTime
from matching.strip_values import PartValue
from workshop.templatetags.shown import percent

register = template.Library()


@register.filter
def minutes(value: float | None) -> str:
    """Return 6.0 as 6, 6.25 as 6.2; a dash for what is not known."""
    return "–" if value is None else f"{round(value, 1):g}"


@register.filter
def amount(value: float | None) -> str:
    """Return 3.456 as 3.46; a dash for what is not known."""
    return "–" if value is None else f"{value:.2f}".replace("-0.00", "0.00")


@register.filter
def time_words(time: StepTime) -> str:
    """Return guess and own times in few words."""
    times = f"{time.count} own time{'' if time.count == 1 else 's'}"
    return f"guess {minutes(time.guess_min)}, {times if time.learned else 'no own times yet'}"


@register.filter
def worth_words(value: PartValue) -> str:
    """Return what a part's worth is made of, in a sentence."""
    said = [f"{amount(value.price)} ({value.price_basis})"]
    if value.waiting:
        one = value.waiting
        pays = f", pays up to {amount(one.pays())}" if one.pays_cents is not None else ""
        held = "held for" if one.held else "may serve"
        other = f", {percent(one.lacks)} that nothing else of ours does" if one.lacks < 1 else ""
        said.append(f"{held} {one.job_ref} (fits {percent(one.p_fit)}{pays}{other})")
    asked = f"{value.requests} asked for in {value.months:.0f} months, {value.on_hand} on hand"
    said.append(f"asked for within a year {percent(value.p_asked)} ({asked})")
    said.append(f"good {percent(value.p_good)} ({value.good_because})")
    return "; ".join(said)
