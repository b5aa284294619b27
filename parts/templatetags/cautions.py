"""The box that says what can hurt someone, and who alone may do it."""

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from django import template

from parts.models import Caution

register = template.Library()

# What kills first stands first; the rest follows by name.
NAMES = {"pcb": "PCB oil"}
WORST_FIRST = ("mains", "capacitor", "gas", "refrigerant", "asbestos", "fire")


@register.inclusion_tag("parts/_cautions.html")
def cautions_box(cautions: Iterable[Caution], *, own_first: bool = False) -> dict[str, Any]:
    """Return cautions under their hazards, and the kinds of work that need a licence.

    own_first: those of the part's own kind stand above the closed list, always in sight.
    """
    groups: dict[str, list[Caution]] = defaultdict(list)
    rows = list(cautions)
    for caution in rows:
        groups[caution.hazard].append(caution)
    order = {hazard: rank for rank, hazard in enumerate(WORST_FIRST)}
    hazards = sorted(groups, key=lambda hazard: (order.get(hazard, len(order)), hazard))
    return {
        "own": [one for one in rows if one.kind_id] if own_first else [],
        "groups": [
            (NAMES.get(hazard, hazard.replace("-", " ")), groups[hazard]) for hazard in hazards
        ],
        "licences": sorted({one.licence for one in rows} - {""}),
        "count": len(rows),
    }
