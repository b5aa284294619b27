"""The box that says what can hurt someone, and who alone may do it."""

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from django import template

from parts.models import Caution

register = template.Library()

# What kills first stands first; the rest follows by name.
WORST_FIRST = ("mains", "capacitor", "gas", "refrigerant", "asbestos", "fire")


@register.inclusion_tag("parts/_cautions.html")
def cautions_box(cautions: Iterable[Caution], *, opened: bool = False) -> dict[str, Any]:
    """Return cautions under their hazards, and the kinds of work that need a licence."""
    groups: dict[str, list[Caution]] = defaultdict(list)
    for caution in cautions:
        groups[caution.hazard].append(caution)
    order = {hazard: rank for rank, hazard in enumerate(WORST_FIRST)}
    hazards = sorted(groups, key=lambda hazard: (order.get(hazard, len(order)), hazard))
    return {
        "groups": [(hazard, groups[hazard]) for hazard in hazards],
        "licences": sorted({one.licence for rows in groups.values() for one in rows} - {""}),
        "count": sum(map(len, groups.values())),
        "opened": opened,
    }
